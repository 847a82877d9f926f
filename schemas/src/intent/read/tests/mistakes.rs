//! Single slips in a good file, each with the place and the fix that its user reads.

use super::*;

#[test]
fn six_mistakes_are_six_mistakes_each_in_its_place() {
    let text = r#"schema = "ampwake-intent/1"

[vessel]
name = "Ørnen ved Åen"
time_zone = "Europe/Copenhagn Ø"

[bank]
chemistry = "lfp"
nominal_v = 51,2
cells_in_series = 16
capacity_ah = "560 Ah"
max_charg_a = 280

[[source]]
name = "port shore charger"
kind = "shore_charger"
rated_a = 100
signals = { current = "can0/n2k/127751/2/dc_current", temperature = "can0/n2k/130316/12/temprature", voltage = "can0/n2k/127508/0/battery_temperature" }

[[requirement]]
id = "R1"
text = "the charger holds 90 A"
quantity = "source_current"
source = "port shore chargr"
at_least = 90
unit = "A"
"#;
    let mistakes = read("ornen.toml", text).unwrap_err();
    let found: Vec<(usize, usize, &str)> = mistakes.list.iter().map(|m| (m.line, m.column, m.fix.as_str())).collect();
    let expect = [
        (5, 13, "write the area and the city as in `time_zone = \"Europe/Lisbon\"`, or `time_zone = \"UTC\"`"),
        (9, 15, "write `nominal_v = 51.2`"),
        (11, 15, "write `capacity_ah = 560`"),
        (12, 1, "did you mean `max_charge_a`?"),
        (18, 112, "give the address of a voltage, like \"can0/n2k/127751/2/dc_voltage\""),
        (24, 10, "write `source = \"port shore charger\"`"),
    ];
    assert_eq!(found, expect, "{mistakes}");
    assert_eq!(mistakes.more, 0);
    let shown = mistakes.to_string();
    assert!(
        shown.starts_with("ornen.toml:5:13: `time_zone = \"Europe/Copenhagn Ø\"`: this is no time zone"),
        "{shown}"
    );
    assert_eq!(shown.lines().count(), 12);
}

/// The one mistake that comes of writing `wrong` for `right` in the file: its line must be the one that holds
/// `wrong`.
#[track_caller]
fn slip(text: &str, right: &str, wrong: &str) -> Mistake {
    assert_eq!(text.matches(right).count(), 1, "{right}");
    let m = only_mistake(&text.replacen(right, wrong, 1));
    let at = text.find(right).unwrap();
    let first = 1 + text[..at].matches('\n').count();
    let last = first + wrong.trim_end().matches('\n').count();
    assert!((first..=last).contains(&m.line), "line {} for a slip in lines {first} to {last}: {}", m.line, m.problem);
    m
}

#[test]
fn slips_in_the_bank() {
    for (right, wrong, fix) in [
        ("absorption_v = 56.0", "absorption_v = 560", "write `absorption_v = 56`, if a decimal point has slipped"),
        ("absorption_v = 56.0", "absorption_v = 5.6", "write `absorption_v = 56`, if a decimal point has slipped"),
        (
            "absorption_v = 56.0",
            "absorption_v = 3.5",
            "write `absorption_v = 56`: the volts of the whole bank, not of one cell",
        ),
        (
            "absorption_v = 56.0",
            "absorption_v = 59",
            "write the volts of the whole bank at 25 degC, between 48.6 and 58.4 V",
        ),
        (
            "float_v = 53.6",
            "float_v = 57",
            "write both, float below absorption; `float_v = \"none\"` for a bank that is never floated",
        ),
        (
            "rebulk_v = 52.8",
            "rebulk_v = 54.8",
            "write the volts to which the resting bank falls before charging starts again",
        ),
        ("rebulk_v = 52.8", "rebulk_v = 528", "write `rebulk_v = 52.8`, if a decimal point has slipped"),
        ("tail_a = 21", "tail_a = 300", "write `tail_a = 21`"),
        ("tail_a = 21", "tail_a = 210", "correct one of the two"),
        ("temp_comp_mv_per_k_cell = 0.0", "temp_comp_mv_per_k_cell = 4", "write `temp_comp_mv_per_k_cell = -4`"),
        ("temp_comp_mv_per_k_cell = 0.0", "temp_comp_mv_per_k_cell = -0.004", "write `temp_comp_mv_per_k_cell = -4`"),
        ("temp_comp_mv_per_k_cell = 0.0", "temp_comp_mv_per_k_cell = -48", "write `temp_comp_mv_per_k_cell = -3`"),
        ("charge_min_c = 2", "charge_min_c = 50", "correct one of the two, in degrees Celsius"),
        ("cells_in_series = 16", "cells_in_series = 4", "write `cells_in_series = 16` if the 51.2 V are right"),
        ("cells_in_series = 16", "cells_in_series = 16.5", "write `cells_in_series = 17`"),
        ("capacity_ah = 420", "capacity_ah = 0", "write it like this: `capacity_ah = 560`"),
        ("chemistry = \"lfp\"", "chemistry = \"LiFePO4\"", "write `chemistry = \"lfp\"`"),
        ("capacity_ah = 420\n", "", "add `capacity_ah = 560` to [bank]"),
        ("[bank.profile]\n", "[bank.profile]\nvalid_from = 2026-05-01T00:00:00Z\n", "it belongs in [bank]"),
    ] {
        let m = if wrong.is_empty() { only_mistake(&GREBE.replacen(right, "", 1)) } else { slip(GREBE, right, wrong) };
        assert_eq!(m.fix, fix, "{wrong}");
    }
}

#[test]
fn a_lead_acid_bank_is_counted_in_cells() {
    let m = slip(SHORT, "cells_in_series = 12", "cells_in_series = 2");
    assert_eq!(m.problem, "2 agm cells in series make about 4.0 V, but `nominal_v` is 24");
    assert!(m.fix.ends_with("count cells, not batteries: a 12 V battery has 6"), "{}", m.fix);
}

#[test]
fn slips_in_signals() {
    for (right, wrong, fix) in [
        ("\"can0/n2k/127751/4/dc_current\"", "\"can0/n2k/127751/4/dc_voltag_e\"", None),
        (
            "\"can0/n2k/127751/4/dc_current\"",
            "\"CAN0/n2k/127751/4/DC current\"",
            Some("write `current = \"can0/n2k/127751/4/dc_current\"`"),
        ),
        (
            "\"can0/n2k/127751/4/dc_current\"",
            "\"can0/nk2/127751/4/dc_current\"",
            Some("write `current = \"can0/n2k/127751/4/dc_current\"`"),
        ),
        (
            "\"can0/n2k/127751/4/dc_current\"",
            "\"...\"",
            Some("give an address like \"can0/n2k/127751/2/dc_current\"; `ampwake channels` lists what was heard"),
        ),
        (
            "\"can0/n2k/127751/4/dc_current\"",
            "\"can0/n2k/130316/21/temperature\"",
            Some("give the address of a current, like \"can0/n2k/127751/2/dc_current\""),
        ),
        ("scale = -1", "scale = 0", Some("write -1 for a sensor mounted the other way round, or leave it out")),
        ("scale = -1", "skale = -1", Some("did you mean `scale`?")),
        (
            "above = 195, below = 265",
            "above = 265, below = 195",
            Some("`above` is the lower limit and `below` the upper one; exchange them or leave one out"),
        ),
        (", above = 195, below = 265", "", Some("add `above = 200`, or `below = …`, in the signal's own unit")),
        (
            "\"can0/n2k/130316/7/temperature\"]",
            "\"can0/n2k/127508/3/battery_temperature\"]",
            Some("take one of the two out"),
        ),
    ] {
        match fix {
            Some(fix) => assert_eq!(slip(GREBE, right, wrong).fix, fix, "{wrong}"),
            // A field whose name does not say what it is is taken as it stands.
            None => assert!(read("f", &GREBE.replacen(right, wrong, 1)).is_ok(), "{wrong}"),
        }
    }
}

#[test]
fn a_signal_belongs_to_one_device() {
    let m = slip(GREBE, "can0/n2k/127751/14/dc_current", "can0/n2k/127751/8/dc_current");
    assert_eq!(m.problem, "this signal is already the `current` of source \"engine alternator\" (line 64)");
    // The same device in a later section, and AC lines that feed several, are no such case: they are in the good file.
}

#[test]
fn slips_in_sources_and_names() {
    for (right, wrong, fix) in [
        ("set_a = 60", "set_a = 90", "correct one of the two, or leave `set_a` out"),
        ("[65, 0.4]", "[40, 0.4]", "put the pairs in rising order, each first number once"),
        ("[65, 0.4]", "[65, 40]", "write `0.4`"),
        ("[65, 0.4]", "65, 0.4", "for example `derate = [[40, 1.0], [60, 0.5]]`"),
        (
            "engine_speed = \"can0/n2k/127488/0/engine_speed\"\n",
            "",
            "add `engine_speed = \"can0/n2k/127488/0/engine_speed\"`",
        ),
        ("name = \"dock supply\"", "name = \"dock suply\"", "write `fed_by = \"dock suply\"`"),
        ("2027-03-01T00:00:00Z", "2027-03-01", "write `valid_from = 2027-03-01T00:00:00Z`"),
        (
            "valid_from = 2027-03-01T00:00:00Z\n",
            "",
            "give it another name; if it replaces the first one, say from when with `valid_from = 2026-05-01T00:00:00Z`",
        ),
        ("kind = \"alternator\"", "kind = \"alternater\"", "write `kind = \"alternator\"`"),
        ("load_dump = \"field_stop\"", "load_dump = true", "write it like this: `load_dump = \"clamp\"`"),
        (
            "rated_a = 120",
            "rated_a = 120\nbank = \"main\"",
            "leave it out, or give the bank this name: `name = \"main\"`",
        ),
        ("parallel = true", "parallel = \"yes\"", "write `parallel = true`"),
        ("[[load]]", "[load]", "write `[[load]]`"),
        (
            "time_zone = \"Europe/Amsterdam\"",
            "time_zone = \"Europa/Amsterdam\"",
            "write `time_zone = \"Europe/Amsterdam\"`",
        ),
        ("floor = 0.04", "floor = 0", "write `percent`, `floor` or both, e.g. `{ percent = 0.5, floor = 0.5 }`"),
    ] {
        let mistakes = read("f", &GREBE.replacen(right, wrong, 1)).unwrap_err();
        assert!(mistakes.list.iter().all(|m| m.fix == fix), "{mistakes}");
    }
}

#[test]
fn slips_in_requirements() {
    for (right, wrong, fix) in [
        ("from_soc = 0.25", "from_soc = 25", "write `from_soc = 0.25`"),
        ("from_soc = 0.25", "from_soc = 0.9", "exchange the two"),
        ("from_soc = 0.25\n", "", "add `from_soc = 0.2` to [[requirement]]"),
        ("unit = \"h\"", "unit = \"hours\"", "write `unit = \"h\"`"),
        ("unit = \"h\"", "unit = \"A\"", "write one of \"min\", \"s\", \"h\""),
        ("unit = \"degC\"", "unit = \"°C\"", "write `unit = \"degC\"`"),
        (
            "at_most = 2.5",
            "at_least = 1\nat_most = 2.5",
            "keep one of the two; for a range write two requirements, each with its own id",
        ),
        ("at_most = 2.5\n", "", "add `at_least = …` (more is better) or `at_most = …` (less is better), in h"),
        ("at_most = 85", "at_most = 850", "write per cent of the whole"),
        ("stage = \"absorption\"", "stage = \"absorbtion\"", "write `stage = \"absorption\"`"),
        ("source = \"genset\"", "source = \"genst\"", "write `source = \"genset\"`"),
        (
            "source = \"genset\"",
            "source = \"hotel\"",
            "write the name of one source or ac_source; this is the name of one load",
        ),
        ("source = \"genset\"", "source = [\"genset\"]", "write `sources = […]` for several"),
        (
            "sources = [\"fore charger\", \"aft charger\"]",
            "sources = \"fore charger\"",
            "write `sources = [\"fore charger\"]`",
        ),
        (
            "sources = [\"fore charger\", \"aft charger\"]",
            "source = \"genset\"",
            "write the name of one source; this is the name of one ac_source",
        ),
        ("id = \"G2\"", "id = \"G1\"", "give each requirement an id of its own"),
        ("hold_min = 10", "hold_min = 0", "write it like this: `hold_min = 30`"),
        ("hold_min = 10", "from_soc = 0.2", "take it out; it belongs to `charge_time`"),
        ("quantity = \"bank_temperature\"", "quantity = \"battery_temperature\"", "write one of"),
    ] {
        let m = only_mistake(&GREBE.replacen(right, wrong, 1));
        assert!(m.fix.starts_with(fix), "{wrong}: {}", m.fix);
    }
    let share = format!(
        "{GREBE}\n[[requirement]]\nid = \"G4\"\ntext = \"x\"\nquantity = \"contribution_share\"\nat_least = 30\nunit = \"fraction\"\nsource = \"engine alternator\"\n"
    );
    assert_eq!(only_mistake(&share).fix, "write `at_least = 0.3`, or keep 30 and write `unit = \"%\"`");
    let nobody = share.replace("at_least = 30", "at_least = 0.3").replace("source = \"engine alternator\"\n", "");
    assert_eq!(only_mistake(&nobody).fix, "add `source = \"port shore charger\"`");
}

#[test]
fn slips_in_the_file_as_a_whole() {
    for (right, wrong, fix) in [
        ("schema = \"ampwake-intent/1\"", "", "write `schema = \"ampwake-intent/1\"` as the first line"),
        ("ampwake-intent/1", "ampwake-intent/2", "write `schema = \"ampwake-intent/1\"` as the first line"),
        ("ampwake-intent/1", "ampwake-logger/1", "write `schema = \"ampwake-intent/1\"` as the first line"),
        ("[accuracy]", "[acuracy]", "did you mean `accuracy`?"),
        ("[[source]]\nname = \"fore charger\"", "[[sources]]\nname = \"fore charger\"", "did you mean `source`?"),
        ("[bank.temperature]", "[bank.temprature]", "did you mean `temperature`?"),
    ] {
        assert_eq!(only_mistake(&GREBE.replacen(right, wrong, 1)).fix, fix, "{wrong}");
    }
    let mistakes = read("f", "").unwrap_err();
    let problems: Vec<&str> = mistakes.list.iter().map(|m| m.problem.as_str()).collect();
    assert_eq!(problems.len(), 3, "{mistakes}");
    assert!(problems[1].starts_with("`vessel` is missing") && problems[2].starts_with("`bank` is missing"));
    let other = read("f", "schema = \"ampwake-logger/1\"").unwrap_err().to_string();
    assert!(
        other.contains(
            "f:1:10: `schema = \"ampwake-logger/1\"`: this should be an intent file, but it says `ampwake-logger`"
        ),
        "{other}"
    );
}

#[test]
fn megabytes_of_garbage_are_one_mistake() {
    let mistakes = read("f", &"[[source]]\nname = 3\n".repeat(5 * 1024 * 1024 / 20)).unwrap_err();
    assert_eq!(mistakes.list.len(), 1);
    assert!(mistakes.list[0].problem.starts_with("this file has 5120 kB"), "{mistakes}");
}
