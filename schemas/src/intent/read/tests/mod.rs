//! Whole files: what reads, what it reads as, and where each mistake is reported.

mod mistakes;

use super::*;
use crate::findings::Stage;
use crate::intent::Chemistry;
use crate::intent::*;
use crate::time::Timestamp;
use crate::toml_read::{MOST_REPORTED, Mistake};
use proptest::prelude::*;

/// A file with every section and nearly every key.
const GREBE: &str = include_str!("grebe.toml");
/// Recordings of invented vessels; where they come from stands in `ABOUT.md` beside each.
const HARBOUR: &str = include_str!("../../../../../tests/golden/recordings/harbour-evening/vessel.toml");
const TWO_ON_ONE_BUS: &str = include_str!("../../../../../tests/golden/recordings/two-on-one-bus/vessel.toml");

/// The shortest file that reads.
const SHORT: &str = "schema = \"ampwake-intent/1\"\n[vessel]\nname = \"Teal\"\n[bank]\nchemistry = \"agm\"\nnominal_v = 24\ncells_in_series = 12\ncapacity_ah = 300\n";

#[track_caller]
fn good(text: &str) -> Intent {
    read("vessel.toml", text).unwrap_or_else(|m| panic!("{m}"))
}

#[track_caller]
fn only_mistake(text: &str) -> Mistake {
    let mistakes = read("vessel.toml", text).unwrap_err();
    assert_eq!(mistakes.list.len() + mistakes.more, 1, "{mistakes}");
    mistakes.list[0].clone()
}

#[test]
fn the_recordings_intents_read() {
    let harbour = good(HARBOUR);
    assert_eq!(harbour.vessel.name, "Brindlefin");
    assert_eq!((harbour.banks[0].chemistry, harbour.banks[0].cells_in_series), (Chemistry::Flooded, 12));
    assert!(harbour.banks[0].profile.defaulted.is_empty() && harbour.banks[0].temperature.defaulted.is_empty());
    assert_eq!(harbour.sources[0].fed_by.as_deref(), Some("small generator"));
    assert_eq!(harbour.sources[2].load_dump, Some(LoadDump::Clamp));
    assert_eq!(harbour.ac_sources[0].signals["power"].address.field, "real_power");
    assert_eq!((harbour.requirements[2].hold_min, harbour.requirements[2].stage), (30.0, Stage::Bulk));

    let night = good(TWO_ON_ONE_BUS);
    assert_eq!(night.banks[0].profile.float_v, Some(52.4));
    assert_eq!(night.sources.iter().map(|s| s.kind.text()).collect::<Vec<_>>(), ["dc_generator", "wind", "fuel_cell"]);
    assert_eq!(night.requirements[2].limit, Limit::AtLeast(0.3));
    assert!(night.sources.iter().all(|s| s.bank == "bank"));
}

#[test]
fn the_examples_for_users_read() {
    let lfp = good(include_str!("../../../../../deploy/examples/intent-lfp-48v-two-chargers.toml"));
    assert_eq!((lfp.sources.len(), lfp.requirements.len()), (3, 5));
    assert!(lfp.banks[0].profile.defaulted.is_empty());
    // The example says that its figures are those that are assumed.
    assert_eq!(lfp.accuracy, Accuracy::default());

    let agm = good(include_str!("../../../../../deploy/examples/intent-agm-24v-alternator.toml"));
    assert_eq!(agm.banks[0].profile.defaulted, ["rebulk_v", "tail_a", "absorption_max_min"]);
    assert_eq!((agm.sources[1].name.as_str(), agm.sources[2].rated_a), ("harbour charger", 80.0));

    let nmc = good(include_str!("../../../../../deploy/examples/intent-nmc-serial-hybrid.toml"));
    assert_eq!((nmc.banks.len(), nmc.links.len(), nmc.banks[0].profile.float_v), (2, 1, None));
    assert_eq!(nmc.sources[1].signals.current.as_ref().map(|s| s.scale), Some(-1.0));
}

#[test]
fn every_key_arrives_where_it_belongs() {
    let intent = good(GREBE);
    let bank = &intent.banks[0];
    assert_eq!(bank.name, "bank");
    assert_eq!(bank.max_charge_a, Some(210.0));
    assert_eq!(
        bank.signals.current.as_ref().map(|s| (s.address.to_string(), s.scale)),
        Some(("can1/rvc/1fffd/1/dc_current".into(), -1.0))
    );
    assert_eq!(bank.signals.temperature.len(), 2);
    assert_eq!(
        bank.signals.further.keys().collect::<Vec<_>>(),
        ["cell_voltage_max", "charge_current_limit", "contactor"]
    );
    assert_eq!((bank.profile.tail_a, bank.temperature.spread_max_c), (21.0, 6.0));

    let fore = &intent.sources[0];
    assert_eq!(
        (fore.set_a, fore.absorption_v, fore.float_v, fore.sense),
        (Some(60.0), Some(56.2), Some(53.8), Some(Sense::Terminals))
    );
    assert_eq!(fore.derate, [(45.0, 1.0), (65.0, 0.4)]);
    let when = fore.available_when.as_ref().unwrap();
    assert_eq!((when.above, when.below), (Some(195.0), Some(265.0)));
    assert_eq!(fore.signals.input_voltage.as_ref().map(|s| &s.address), Some(&when.signal.address));

    let alternator = &intent.sources[2];
    assert_eq!(alternator.curve.len(), 3);
    assert!(alternator.engine_speed.is_some() && alternator.stop_signal.is_some());
    assert_eq!(
        (alternator.coordination, alternator.load_dump),
        (Some(Coordination::VoltageSensing), Some(LoadDump::FieldStop))
    );
    let time = Timestamp::parse_rfc3339("2027-03-01T00:00:00Z").unwrap();
    assert_eq!((intent.sources[1].valid_from, intent.sources[3].valid_from), (None, Some(time)));

    assert_eq!(intent.loads[0].current.as_ref().map(|s| s.scale), Some(1.0));
    assert_eq!((intent.ac_sources[0].parallel, intent.ac_sources[1].parallel), (false, true));
    let g1 = &intent.requirements[0];
    assert_eq!((g1.from_soc, g1.to_soc, g1.limit, g1.unit.as_str()), (Some(0.25), Some(0.85), Limit::AtMost(2.5), "h"));
    assert_eq!(g1.sources, ["fore charger", "aft charger"]);
    let g2 = &intent.requirements[1];
    assert_eq!(
        (g2.stage, g2.hold_min, g2.sources.as_slice()),
        (Stage::Absorption, 10.0, ["genset".to_owned()].as_slice())
    );
    assert_eq!(intent.accuracy.current, AccuracyOf { percent: 0.4, floor: 0.3 });
    assert_eq!(intent.accuracy.temperature, Accuracy::default().temperature);
}

#[test]
fn what_is_left_out_comes_from_the_chemistry_and_is_named() {
    let bank = good(SHORT).banks.remove(0);
    // AGM: 2.40, 2.27, 2.13 V per cell, 0.01 of the capacity (common practice, no source; see `chemistry`).
    assert!((bank.profile.absorption_v - 28.8).abs() < 1e-9 && (bank.profile.rebulk_v - 25.56).abs() < 1e-9);
    assert!(bank.profile.float_v.is_some_and(|v| (v - 27.24).abs() < 1e-9));
    assert!((bank.profile.tail_a - 3.0).abs() < 1e-9);
    assert_eq!(bank.profile.temp_comp_mv_per_k_cell, -4.0);
    let all = ["absorption_v", "float_v", "rebulk_v", "tail_a", "absorption_max_min", "temp_comp_mv_per_k_cell"];
    assert_eq!(bank.profile.defaulted, all);
    let t = &bank.temperature;
    assert_eq!(
        (t.charge_min_c, t.charge_max_c, t.warn_margin_c, t.rise_max_c_per_min, t.spread_max_c),
        (-15.0, 45.0, 5.0, 1.0, 8.0)
    );
    assert_eq!(t.defaulted.len(), 5);

    let some = good(&format!("{SHORT}[bank.profile]\nabsorption_v = 28.4\n[bank.temperature]\ncharge_max_c = 40\n"));
    assert_eq!(some.banks[0].profile.defaulted, &all[1..]);
    assert!(!some.banks[0].temperature.defaulted.contains(&"charge_max_c"));
}

#[test]
fn a_default_gives_way_to_what_the_designer_wrote() {
    // The default re-bulk of 25.56 V would lie above this float.
    let bank = good(&format!("{SHORT}[bank.profile]\nfloat_v = 25.4\n")).banks.remove(0);
    assert_eq!((bank.profile.float_v, bank.profile.rebulk_v), (Some(25.4), 25.4));
}

#[test]
fn a_bank_that_is_never_floated() {
    let nmc = "schema = \"ampwake-intent/1\"\n[vessel]\nname = \"Teal\"\n[bank]\nchemistry = \"nmc\"\nnominal_v = 96\ncells_in_series = 26\ncapacity_ah = 200\n";
    assert_eq!(good(nmc).banks[0].profile.float_v, None);
    let never = good(&format!("{SHORT}[bank.profile]\nfloat_v = \"none\"\n")).banks.remove(0).profile;
    assert!(never.float_v.is_none() && !never.defaulted.contains(&"float_v"));
}

#[test]
fn several_banks_with_a_link() {
    let text = r#"
schema = "ampwake-intent/1"
vessel.name = "Teal"
[[bank]]
name = "drive"
chemistry = "lto"
nominal_v = 48
cells_in_series = 20
capacity_ah = 200
[[bank]]
name = "house"
chemistry = "gel"
nominal_v = 12
cells_in_series = 6
capacity_ah = 240
[bank.profile]
absorption_v = 14.1
[[bank]]
name = "house"
chemistry = "lfp"
nominal_v = 12
cells_in_series = 4
capacity_ah = 280
valid_from = "2027-01-01T00:00:00Z"
[[link]]
from = "drive"
to = "house"
signals = { current = "can0/n2k/127751/7/dc_current", state = "can0/n2k/127507/7/operating_state" }
[[source]]
name = "drive charger"
kind = "shore_charger"
rated_a = 50
bank = "drive"
[[load]]
name = "lights"
bank = "house"
[[requirement]]
id = "B1"
text = "the house bank stays cool"
quantity = "bank_temperature"
bank = "house"
at_most = 45
unit = "degC"
"#;
    let intent = good(text);
    assert_eq!(intent.banks.iter().map(|b| b.name.as_str()).collect::<Vec<_>>(), ["drive", "house", "house"]);
    assert_eq!((intent.links[0].from.as_str(), intent.links[0].to.as_str()), ("drive", "house"));
    assert_eq!((intent.sources[0].bank.as_str(), intent.loads[0].bank.as_str()), ("drive", "house"));
    assert_eq!(intent.requirements[0].bank.as_deref(), Some("house"));

    let m = only_mistake(&text.replacen("bank = \"drive\"\n", "", 1));
    assert_eq!(
        (m.text.as_str(), m.fix.as_str()),
        ("[[source]]", "add `bank = \"drive\"` or another bank's name to [[source]]")
    );
    let m = only_mistake(&text.replacen("bank = \"house\"\nat_most", "at_most", 1));
    assert_eq!(m.problem, "this vessel has several banks, and `bank_temperature` does not say of which one");
}

proptest! {
    #[test]
    fn any_text_is_read_or_refused_with_reasons(text in "\\PC{0,300}") {
        prop_assert!(read("f", &text).is_err_and(|m| !m.list.is_empty()));
    }

    /// One byte of a good file changed: a good file still, or at least one mistake, never a panic.
    #[test]
    fn a_good_file_with_one_byte_changed(which in 0..3usize, at in any::<prop::sample::Index>(), byte in any::<u8>()) {
        let mut bytes = [GREBE, HARBOUR, TWO_ON_ONE_BUS][which].as_bytes().to_vec();
        let at = at.index(bytes.len());
        bytes[at] = byte;
        match crate::toml_read::utf8("f", &bytes) {
            Err(m) => prop_assert_eq!(m.list.len(), 1),
            Ok(text) => {
                if let Err(m) = read("f", text) {
                    prop_assert!(!m.list.is_empty() && m.list.len() <= MOST_REPORTED);
                    // One slip: where it is reported in more than one place, these are few.
                    prop_assert!(m.list.len() <= 24, "{}", m);
                }
            }
        }
    }

    /// Lines of a good file left out or doubled.
    #[test]
    fn a_good_file_with_lines_missing_or_doubled(keep in prop::collection::vec(0..12u8, 120)) {
        let lines = GREBE.lines().zip(keep.iter().cycle());
        let text: String = lines.flat_map(|(line, keep)| {
            let times = match keep { 0 => 0, 1 => 2, _ => 1 };
            std::iter::repeat_n(format!("{line}\n"), times)
        }).collect();
        if let Err(m) = read("f", &text) {
            prop_assert!(!m.list.is_empty());
        }
    }
}
