//! The text of a first intent file.

use super::Heard;
use super::find::{FoundBank, FoundSource, Look};
use ampwake_schemas::quantity::Unit;
use std::collections::BTreeSet;
use std::fmt::Write;

const HEAD: &str = "# A first draft from what the buses carried. What the buses cannot say stands behind `#` with a question mark:\n\
                    # fill it in and take the `#` away. `ampwake intent check FILE` names everything that is still missing.\n\
                    # Signals were paired by their instance numbers, which is a guess: switch one source on at a time and\n\
                    # see with `ampwake channels` whether its own current moves.\n\n\
                    schema = \"ampwake-intent/1\"\n\n[vessel]\nname = \"unnamed vessel\"\n\
                    # time_zone = ?                 # for the report, such as \"Europe/Lisbon\"\n";

/// A first intent file from what was heard: a valid TOML file whatever the channels are.
pub fn draft(heard: &[Heard]) -> String {
    let look = Look(heard);
    let (banks, sources) = (look.banks(), look.sources());
    let mut used = BTreeSet::new();
    let mut out = HEAD.to_owned();
    out.push_str(&bank(&look, &banks, &mut used));
    for (i, source) in sources.iter().enumerate() {
        out.push_str(&source_section(&look, source, i == 0, &mut used));
    }
    if sources.is_empty() {
        out.push_str(
            "\n# No charger was heard by its own messages. Write one section for each source:\n# [[source]]\n# name = ?\n\
             # kind = ?                      # shore_charger genset_charger alternator solar ...\n# rated_a = ?\n\
             # signals = { current = ? }\n",
        );
    }
    out.push_str(&loads(&look, &used));
    out.push_str(&rest(&look, &used));
    out.push_str(
        "\n# What the design promises, one section each:\n# [[requirement]]\n# id = \"R1\"\n# text = ?\n\
         # quantity = \"source_current\"   # charge_time combined_current bank_temperature absorption_time ...\n\
         # source = ?\n# at_least = ?\n# unit = \"A\"\n",
    );
    out
}

fn quoted(heard: &Heard) -> String {
    format!("\"{}\"", heard.address)
}

fn number(v: f64) -> String {
    let decimals = match v.abs() {
        a if a < 10.0 => 2,
        a if a < 1000.0 => 1,
        _ => 0,
    };
    format!("{v:.decimals$}")
}

/// `seen 50.1 .. 56.8 V`.
fn seen(heard: &Heard) -> String {
    let unit = if matches!(heard.unit, Unit::None | Unit::Code) { String::new() } else { format!(" {}", heard.unit) };
    heard.range.map_or("never a value".to_owned(), |(a, b)| format!("seen {} .. {}{unit}", number(a), number(b)))
}

fn take<'a>(used: &mut BTreeSet<String>, heard: &'a Heard) -> &'a Heard {
    used.insert(heard.address.to_string());
    heard
}

fn bank(look: &Look, banks: &[FoundBank], used: &mut BTreeSet<String>) -> String {
    let mut out = "\n[bank]\n".to_owned();
    let Some(bank) = banks.first() else {
        out.push_str(
            "# No battery was heard with volts and amperes.\n# chemistry = ?                 # lfp nmc lto flooded agm gel\n\
             # nominal_v = ?\n# cells_in_series = ?\n# capacity_ah = ?\n# signals = { voltage = ?, current = ? }\n",
        );
        return out;
    };
    out.push_str(&nameplate(look, bank));
    out.push_str("# max_charge_a = ?              # the battery maker's limit\n\n[bank.signals]\n");
    let mut line = |role: &str, text: String, remark: String| {
        let _ = writeln!(out, "{role} = {text}   # {remark}");
    };
    line("voltage", quoted(take(used, bank.voltage)), seen(bank.voltage));
    line(
        "current",
        quoted(take(used, bank.current)),
        format!("{}; into the bank must be positive, else {{ signal = ..., scale = -1 }}", seen(bank.current)),
    );
    if let Some(first) = bank.temperature.first() {
        let list: Vec<String> = bank.temperature.iter().map(|t| quoted(take(used, t))).collect();
        line("temperature", format!("[{}]", list.join(", ")), seen(first));
    }
    if let Some(soc) = bank.soc {
        line("state_of_charge", quoted(take(used, soc)), seen(soc));
    }
    for (role, signal) in &bank.further {
        // A signal has one role only.
        if used.insert(signal.address.to_string()) {
            line(role, quoted(signal), format!("by its name; {}", seen(signal)));
        }
    }
    let others: Vec<&Heard> = banks.iter().skip(1).map(|b| b.voltage).chain(look.mute_banks(banks)).collect();
    if !others.is_empty() {
        out.push_str("# Also heard; several banks are written as [[bank]], each with a name:\n");
        for other in others {
            let _ = writeln!(out, "#   {}   {}", other.address, seen(other));
            used.insert(other.address.to_string());
        }
    }
    out.push_str(
        "\n# [bank.profile]                # left out: common figures of the chemistry, named as such in the report\n",
    );
    out.push_str("# absorption_v = ?\n# float_v = ?\n# tail_a = ?\n");
    out
}

/// Chemistry, volts, cells and capacity, as far as the battery's configuration says them (NMEA 2000 127513).
fn nameplate(look: &Look, bank: &FoundBank) -> String {
    let said = |field: &str| look.beside(&bank.voltage.address, ("127513", field)).and_then(|h| h.latest);
    let nominal = match said("nominal_voltage").map(|code| code as u8) {
        Some(1) => Some(12.0),
        Some(2) => Some(24.0),
        Some(3) => Some(32.0),
        Some(4) => Some(36.0),
        Some(6) => Some(48.0),
        _ => None,
    };
    let lead = match (said("chemistry").map(|c| c as u8), said("battery_type").map(|c| c as u8)) {
        (Some(0), Some(0)) => Some("flooded"),
        (Some(0), Some(1)) => Some("gel"),
        (Some(0), Some(2)) => Some("agm"),
        _ => None,
    };
    let mut out = String::new();
    match (lead, said("chemistry")) {
        (Some(word), _) => {
            let _ =
                writeln!(out, "chemistry = \"{word}\"             # as the battery monitor is configured: check it");
        }
        (None, Some(1.0)) => {
            out.push_str("# chemistry = ?                 # the battery monitor says lithium: lfp, nmc or lto?\n");
        }
        _ => out.push_str("# chemistry = ?                 # lfp nmc lto flooded agm gel\n"),
    }
    match (lead, nominal) {
        (Some(_), Some(v)) => {
            let _ = writeln!(out, "nominal_v = {v}                 # as configured: check it");
            // A lead-acid cell has 2 V.
            let _ = writeln!(out, "cells_in_series = {}", v / 2.0);
        }
        _ => {
            let _ = writeln!(out, "# nominal_v = ?                 # {}", seen(bank.voltage));
            out.push_str("# cells_in_series = ?           # 16 for 51.2 V of lfp, 12 for 24 V of lead-acid\n");
        }
    }
    match said("capacity").filter(|ah| *ah > 0.0) {
        Some(ah) => {
            let _ = writeln!(out, "capacity_ah = {ah}               # as configured: check it");
        }
        None => out.push_str("# capacity_ah = ?               # the plates' sum of all parallel batteries\n"),
    }
    out
}

fn source_section(look: &Look, s: &FoundSource, first: bool, used: &mut BTreeSet<String>) -> String {
    let mut out = format!("\n[[source]]\nname = \"{}\"\n", s.name);
    match s.kind {
        Some(kind) => {
            let _ = writeln!(out, "kind = \"{kind}\"");
        }
        None if first => out.push_str(
            "# kind = ?                      # shore_charger genset_charger inverter_charger dc_generator alternator solar\n\
             #                               # hydrogenerator regeneration wind fuel_cell dc_dc other\n",
        ),
        None => out.push_str("# kind = ?\n"),
    }
    let most = s.current.map_or(String::new(), |c| format!("; the most seen: {} A", number(c.most())));
    let _ = writeln!(out, "# rated_a = ?                   # on its plate{most}");
    out.push_str("# coordination = ?              # \"networked\" or \"voltage_sensing\"\n");
    let mut signals = Vec::new();
    let roles = [("current", s.current), ("voltage", s.voltage), ("state", s.state), ("temperature", s.temperature)];
    for (role, heard) in roles {
        let Some(heard) = heard.filter(|h| !used.contains(&h.address.to_string())) else { continue };
        signals.push(format!("{role} = {}", quoted(take(used, heard))));
    }
    let _ = writeln!(out, "signals = {{ {} }}", signals.join(", "));
    if s.current.is_none() {
        out.push_str("# it has no current of its own: which of the currents below is it?\n");
    }
    out.push_str(&availability(look, s, used));
    if let (Some(engine), Some("alternator")) = (s.engine, s.kind) {
        let _ = writeln!(out, "engine_speed = {}", quoted(engine));
    }
    if s.kind == Some("alternator") {
        out.push_str(
            "# load_dump = ?                 # \"clamp\" \"field_stop\" \"parallel_battery\" \"none\" \"unknown\"\n",
        );
    }
    out
}

/// When it has its input: by an AC input or an engine of the same number, else what might be it.
fn availability(look: &Look, s: &FoundSource, used: &mut BTreeSet<String>) -> String {
    let rule = |h: &Heard| {
        let above = match h.unit {
            // A turning engine; half the nominal voltage, of which there are two in the world.
            Unit::Rpm => 300.0,
            _ if h.most() > 160.0 => 115.0,
            _ => 60.0,
        };
        format!("available_when = {{ signal = {}, above = {above} }}   # {}", quoted(h), seen(h))
    };
    let turns = s.kind == Some("alternator");
    if let Some(h) = if turns { s.engine } else { s.input } {
        return format!("{}\n", rule(take(used, h)));
    }
    let maybe = match s.kind {
        Some("solar" | "wind") => Vec::new(),
        Some("alternator") => look.every("n2k", ("127488", "engine_speed")),
        _ => [("n2k", ("127503", "voltage")), ("n2k", ("127488", "engine_speed")), ("rvc", ("1ffca", "rms_voltage"))]
            .into_iter()
            .flat_map(|(protocol, message)| look.every(protocol, message))
            .collect(),
    };
    maybe.into_iter().map(|h| format!("# {} ?\n", rule(h))).collect()
}

/// Currents of nobody: loads, most of them.
fn loads(look: &Look, used: &BTreeSet<String>) -> String {
    let mut out = String::new();
    for h in look.left("n2k", ("127751", "dc_current"), used) {
        if out.is_empty() {
            out.push_str("\n# Currents of nobody yet: loads, or sources that do not say that they are.\n");
        }
        let name = h.address.instance.as_deref().unwrap_or("?");
        let _ = write!(
            out,
            "# [[load]]\n# name = \"DC {name}\"\n# signals = {{ current = {} }}   # {}\n",
            quoted(h),
            seen(h)
        );
    }
    out
}

/// Temperatures and AC that somebody may want.
fn rest(look: &Look, used: &BTreeSet<String>) -> String {
    let mut out = String::new();
    let temperatures = [("130316", "temperature"), ("130312", "temperature")];
    let voltages = [("127503", "voltage"), ("127504", "voltage")];
    for (what, messages) in [("temperatures", temperatures), ("AC voltages", voltages)] {
        let left: Vec<&Heard> = messages.iter().flat_map(|m| look.left("n2k", *m, used)).collect();
        if !left.is_empty() {
            let _ = writeln!(out, "\n# Other {what} that were heard:");
        }
        for h in left {
            let _ = writeln!(out, "#   {}   {}", quoted(h), seen(h));
        }
    }
    out
}
