//! Which figures were the chemistry's or the program's defaults because the designer gave none.

use super::{format, words};
use ampwake_schemas::intent::{Accuracy, AccuracyOf, Bank, Intent};

/// One figure that nobody gave.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Default {
    /// The bank's name.
    pub bank: String,
    /// What it is.
    pub label: String,
    /// The figure that was used instead.
    pub figure: String,
}

/// Every default of every bank.
pub fn of(intent: &Intent) -> Vec<Default> {
    let per_bank = |bank: &Bank| {
        let fields: Vec<&str> = bank.profile.defaulted.iter().chain(&bank.temperature.defaulted).copied().collect();
        fields.into_iter().map(|field| one(bank, field)).collect::<Vec<_>>()
    };
    intent.banks.iter().flat_map(per_bank).collect()
}

fn one(bank: &Bank, field: &str) -> Default {
    let (p, t) = (&bank.profile, &bank.temperature);
    let value = match field {
        "absorption_v" => Some(p.absorption_v),
        "float_v" => p.float_v,
        "rebulk_v" => Some(p.rebulk_v),
        "tail_a" => Some(p.tail_a),
        "absorption_max_min" => Some(p.absorption_max_min),
        "temp_comp_mv_per_k_cell" => Some(p.temp_comp_mv_per_k_cell),
        "charge_min_c" => Some(t.charge_min_c),
        "charge_max_c" => Some(t.charge_max_c),
        "warn_margin_c" => Some(t.warn_margin_c),
        "rise_max_c_per_min" => Some(t.rise_max_c_per_min),
        "spread_max_c" => Some(t.spread_max_c),
        _ => None,
    };
    let (label, unit) = words::default_field(field);
    let figure = match value {
        Some(v) => format!("{} ({})", format::setting(v, unit), words::chemistry(bank.chemistry)),
        None => format!("{} ({})", words::NONE, words::chemistry(bank.chemistry)),
    };
    Default { bank: bank.name.clone(), label: label.to_owned(), figure }
}

/// What the sensors were taken to be good for, in words.
pub fn accuracy(intent: &Intent) -> String {
    let a = &intent.accuracy;
    let [current, voltage, temperature] = words::ACCURACY_NAMES;
    let one = |name: &str, of: AccuracyOf, unit: &str| {
        let floor = format::setting(of.floor, unit);
        if of.percent == 0.0 {
            return format!("{name}: {floor}");
        }
        words::accuracy(name, &format::setting(of.percent, "%"), &floor)
    };
    [one(current, a.current, "A"), one(voltage, a.voltage, "V"), one(temperature, a.temperature, "K")].join("; ")
}

/// True when the designer said nothing about accuracy (or said just the defaults, which comes to the same).
pub fn accuracy_is_default(intent: &Intent) -> bool {
    intent.accuracy == Accuracy::default()
}
