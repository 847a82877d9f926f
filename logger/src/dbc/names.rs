//! Names of a DBC file as channel addresses have them: lower case, words divided by `_`, at most 64 letters, and
//! none twice.

use super::signal::MessageDef;
use super::units;
use std::collections::HashMap;

/// The longest part of an address.
const LONGEST: usize = 64;

/// `PackCurrent` becomes `pack_current`, `BMSStatus2` `bms_status2`, `Cell_mV` `cell_mv`.
pub(super) fn snake_case(name: &str) -> String {
    let mut out = String::with_capacity(name.len() + 4);
    for part in name.split(|c: char| !c.is_ascii_alphanumeric()).filter(|p| !p.is_empty()) {
        if !out.is_empty() {
            out.push('_');
        }
        // A unit is one word, whatever its capitals.
        let is_unit = units::conversion(part).is_some();
        let letters: Vec<char> = part.chars().collect();
        for (i, c) in letters.iter().enumerate() {
            let before = i.checked_sub(1).map(|b| letters[b]);
            let after = letters.get(i + 1);
            let begins_word = c.is_ascii_uppercase()
                && before.is_some_and(|b| !b.is_ascii_uppercase() || after.is_some_and(char::is_ascii_lowercase));
            if begins_word && !is_unit {
                out.push('_');
            }
            out.push(c.to_ascii_lowercase());
        }
    }
    out.truncate(LONGEST);
    let trimmed = out.trim_end_matches('_').len();
    out.truncate(trimmed);
    if out.is_empty() { "unnamed".to_owned() } else { out }
}

/// Gives those that came to the same name names of their own: messages by their identifier, signals by a number.
pub(super) fn make_unique(messages: &mut [MessageDef]) {
    let mut taken = HashMap::new();
    for message in messages {
        if taken.contains_key(&message.name) {
            let id = format!("_{}", message.id).to_lowercase();
            message.name = with_suffix(&message.name, &id);
        }
        message.name = free_name(&message.name, &mut taken);
        let mut signals = HashMap::new();
        for signal in &mut message.signals {
            signal.name = free_name(&signal.name, &mut signals);
        }
    }
}

/// The first that is free of `name`, `name_2`, `name_3` ...; `taken` holds for every name the number to try next, so that
/// thousands of the same name do not try each other's.
fn free_name(plain: &str, taken: &mut HashMap<String, u32>) -> String {
    let mut name = plain.to_owned();
    let mut number = taken.get(plain).copied().unwrap_or(2);
    while taken.contains_key(&name) {
        name = with_suffix(plain, &format!("_{number}"));
        number += 1;
    }
    taken.insert(plain.to_owned(), number);
    taken.entry(name.clone()).or_insert(2);
    name
}

fn with_suffix(name: &str, suffix: &str) -> String {
    let keep = name.len().min(LONGEST - suffix.len());
    format!("{}{suffix}", &name[..keep])
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn names_of_files() {
        for (name, expect) in [
            ("PackCurrent", "pack_current"),
            ("pack_current", "pack_current"),
            ("Pack_Status", "pack_status"),
            ("BMS_SOC", "bms_soc"),
            ("BMSStatus2", "bms_status2"),
            ("CellVolt12Max", "cell_volt12_max"),
            ("Cell_mV", "cell_mv"),
            ("_Temp_degC__1", "temp_degc_1"),
            ("HVILOk", "hvil_ok"),
            ("x", "x"),
            ("__", "unnamed"),
        ] {
            assert_eq!(snake_case(name), expect, "{name}");
        }
    }

    proptest! {
        #[test]
        fn every_name_can_stand_in_an_address(name in "\\PC{0,90}") {
            let part = snake_case(&name);
            let address = format!("can0/dbc/{part}/{part}");
            prop_assert!(address.parse::<ampwake_schemas::channel::ChannelAddress>().is_ok(), "{}", address);
        }
    }
}
