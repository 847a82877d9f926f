//! The set-point sheet: what the design says every device is to be set to, for the engineer to hold beside its display.

use ampwake_schemas::intent::{AcSource, Bank, Intent, Source};
use ampwake_schemas::trial::SetPoint;

/// The whole sheet: banks, sources, AC sources.
pub(super) fn sheet(intent: &Intent) -> Vec<SetPoint> {
    let banks = intent.banks.iter().flat_map(bank);
    banks.chain(intent.sources.iter().flat_map(source)).chain(intent.ac_sources.iter().flat_map(supply)).collect()
}

fn line(of: &str, what: &str, value: f64, unit: &str, designed: bool) -> SetPoint {
    SetPoint { of: of.to_owned(), what: what.to_owned(), value: Some(value), unit: unit.to_owned(), designed }
}

fn word(of: &str, what: &str, word: &str) -> SetPoint {
    SetPoint { of: of.to_owned(), what: what.to_owned(), value: None, unit: word.to_owned(), designed: true }
}

fn bank(b: &Bank) -> Vec<SetPoint> {
    let (p, t) = (&b.profile, &b.temperature);
    let given = |field: &str| !p.defaulted.contains(&field) && !t.defaulted.contains(&field);
    let mut out = vec![line(&b.name, "absorption", p.absorption_v, "V", given("absorption_v"))];
    match p.float_v {
        Some(v) => out.push(line(&b.name, "float", v, "V", given("float_v"))),
        None => out.push(SetPoint { designed: given("float_v"), ..word(&b.name, "float", "none") }),
    }
    out.extend([
        line(&b.name, "charging starts again below", p.rebulk_v, "V", given("rebulk_v")),
        line(&b.name, "tail current that ends absorption", p.tail_a, "A", given("tail_a")),
        line(&b.name, "longest absorption", p.absorption_max_min, "min", given("absorption_max_min")),
        line(
            &b.name,
            "temperature compensation per cell",
            p.temp_comp_mv_per_k_cell,
            "mV/K",
            given("temp_comp_mv_per_k_cell"),
        ),
        line(&b.name, "lowest temperature for charging", t.charge_min_c, "degC", given("charge_min_c")),
        line(&b.name, "highest temperature for charging", t.charge_max_c, "degC", given("charge_max_c")),
    ]);
    out.extend(b.max_charge_a.map(|a| line(&b.name, "highest charge current", a, "A", true)));
    out
}

fn source(s: &Source) -> Vec<SetPoint> {
    let mut out = vec![match s.set_a {
        Some(a) => line(&s.name, "current limit (set below its rating)", a, "A", true),
        None => line(&s.name, "current limit (its rating)", s.rated_a, "A", true),
    }];
    out.extend(s.absorption_v.map(|v| line(&s.name, "its own absorption", v, "V", true)));
    out.extend(s.float_v.map(|v| line(&s.name, "its own float", v, "V", true)));
    out.extend(s.max_c.map(|c| line(&s.name, "highest temperature", c, "degC", true)));
    out.extend(s.coordination.map(|c| word(&s.name, "coordination", &c.text().replace('_', " "))));
    out.extend(s.sense.map(|x| {
        word(&s.name, "senses the voltage at", if x.text() == "bank" { "the bank" } else { "its terminals" })
    }));
    out.extend(s.group.as_ref().map(|g| word(&s.name, "group that shares one profile", g)));
    out.extend(s.fed_by.as_ref().map(|f| word(&s.name, "fed by", f)));
    out.extend(s.load_dump.map(|d| word(&s.name, "when the battery disconnects", &d.text().replace('_', " "))));
    out
}

fn supply(a: &AcSource) -> Vec<SetPoint> {
    let mut out = Vec::new();
    out.extend(a.nominal_v.map(|v| line(&a.name, "nominal voltage", v, "V", true)));
    out.extend(a.nominal_hz.map(|v| line(&a.name, "nominal frequency", v, "Hz", true)));
    out.extend(a.limit_a.map(|v| line(&a.name, "breaker or rating", v, "A", true)));
    out.push(word(&a.name, "in parallel with another", if a.parallel { "yes" } else { "never" }));
    out
}
