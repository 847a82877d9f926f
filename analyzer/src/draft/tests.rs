//! What is heard becomes a file that reads, and what is missing is missed by name.

use super::*;

fn heard(address: &str, unit: Unit, low: f64, high: f64) -> Heard {
    Heard { address: address.parse().unwrap(), unit, range: Some((low, high)), latest: Some(high) }
}

fn code(address: &str, value: f64) -> Heard {
    heard(address, Unit::Code, value, value)
}

/// The mistakes that a draft has, as `intent check` reports them: problem texts.
fn missing(text: &str) -> Vec<String> {
    match ampwake_schemas::intent::read("vessel.toml", text) {
        Ok(_) => Vec::new(),
        Err(mistakes) => mistakes.list.iter().map(|m| m.problem.clone()).collect(),
    }
}

fn n2k() -> Vec<Heard> {
    vec![
        heard("can0/n2k/127508/4/battery_voltage", Unit::Volt, 24.1, 28.9),
        heard("can0/n2k/127508/4/battery_current", Unit::Ampere, -60.0, 110.0),
        heard("can0/n2k/127508/4/battery_temperature", Unit::Celsius, 18.0, 24.0),
        heard("can0/n2k/127506/4/state_of_charge", Unit::Fraction, 0.4, 0.98),
        code("can0/n2k/127506/4/dc_type", 0.0),
        // A starter battery, and an alternator with a battery status of its own.
        heard("can0/n2k/127508/1/battery_voltage", Unit::Volt, 12.3, 12.9),
        heard("can0/n2k/127508/9/battery_voltage", Unit::Volt, 24.1, 28.9),
        heard("can0/n2k/127508/9/battery_current", Unit::Ampere, 0.0, 900.0),
        code("can0/n2k/127506/9/dc_type", 1.0),
        code("can0/n2k/127507/6/operating_state", 1.0),
        heard("can0/n2k/127751/6/dc_current", Unit::Ampere, 0.0, 81.0),
        heard("can0/n2k/127751/6/dc_voltage", Unit::Volt, 24.0, 29.0),
        heard("can0/n2k/127503/6/voltage", Unit::Volt, 0.0, 231.0),
        code("can0/n2k/127507/11/operating_state", 1.0),
        code("can0/n2k/127506/11/dc_type", 1.0),
        heard("can0/n2k/127751/11/dc_current", Unit::Ampere, 0.0, 95.5),
        heard("can0/n2k/127488/0/engine_speed", Unit::Rpm, 0.0, 2400.0),
        heard("can0/n2k/127751/20/dc_current", Unit::Ampere, 3.0, 41.0),
        heard("can0/n2k/130316/33/temperature", Unit::Celsius, 20.0, 92.0),
    ]
}

#[test]
fn what_was_heard_is_written_and_what_is_missing_is_asked_for() {
    let text = draft(&n2k());
    for expected in [
        "voltage = \"can0/n2k/127508/4/battery_voltage\"   # seen 24.1 .. 28.9 V",
        "temperature = [\"can0/n2k/127508/4/battery_temperature\"]",
        "#   can0/n2k/127508/1/battery_voltage   seen 12.3 .. 12.9 V",
        "name = \"charger 6\"",
        "the most seen: 81.0 A",
        "signals = { current = \"can0/n2k/127751/6/dc_current\", voltage = \"can0/n2k/127751/6/dc_voltage\", state = \
         \"can0/n2k/127507/6/operating_state\" }",
        "\navailable_when = { signal = \"can0/n2k/127503/6/voltage\", above = 115 }",
        "name = \"alternator 11\"\nkind = \"alternator\"",
        "# available_when = { signal = \"can0/n2k/127488/0/engine_speed\", above = 300 }",
        "# signals = { current = \"can0/n2k/127751/20/dc_current\" }   # seen 3.00 .. 41.0 A",
        "#   \"can0/n2k/130316/33/temperature\"   seen 20.0 .. 92.0 degC",
    ] {
        assert!(text.contains(expected), "{expected}\n{text}");
    }
    // Everything that is behind a question mark and must be there, and nothing else.
    let problems = missing(&text);
    let keys = ["chemistry", "nominal_v", "cells_in_series", "capacity_ah", "kind", "rated_a", "rated_a"];
    assert_eq!(problems.len(), keys.len(), "{problems:#?}");
    for (problem, key) in problems.iter().zip(keys) {
        assert!(problem.starts_with(&format!("`{key}` is missing")), "{problem}");
    }
}

#[test]
fn a_configured_monitor_fills_the_nameplate() {
    let mut all = n2k();
    for (field, value) in [("battery_type", 2.0), ("nominal_voltage", 2.0), ("chemistry", 0.0)] {
        all.push(code(&format!("can0/n2k/127513/4/{field}"), value));
    }
    all.push(heard("can0/n2k/127513/4/capacity", Unit::AmpereHour, 600.0, 600.0));
    let text = draft(&all);
    for line in ["chemistry = \"agm\"", "nominal_v = 24", "cells_in_series = 12", "capacity_ah = 600"] {
        assert!(text.lines().any(|l| l.starts_with(line)), "{line}\n{text}");
    }
    assert!(missing(&text).iter().all(|p| p.contains("`kind`") || p.contains("`rated_a`")), "{:?}", missing(&text));
}

#[test]
fn other_protocols() {
    let text = draft(&[
        heard("can1/rvc/1fffd/1/dc_voltage", Unit::Volt, 50.0, 56.0),
        heard("can1/rvc/1fffd/1/dc_current", Unit::Ampere, -50.0, 90.0),
        heard("can1/rvc/1fffc/1/source_temperature", Unit::Celsius, 20.0, 30.0),
        heard("can1/rvc/1ffc7/2/charge_current", Unit::Ampere, 0.0, 60.0),
        heard("can1/rvc/1ffc7/2/charge_voltage", Unit::Volt, 50.0, 56.0),
        code("can1/rvc/1ffc7/2/operating_state", 2.0),
        heard("can1/rvc/1feb3/1/charge_current", Unit::Ampere, 0.0, 20.0),
        heard("can2/j1939/65271@0/alternator_current", Unit::Ampere, 0.0, 140.0),
        heard("can2/j1939/61444@0/engine_speed", Unit::Rpm, 0.0, 1900.0),
    ]);
    for expected in [
        "temperature = [\"can1/rvc/1fffc/1/source_temperature\"]",
        "state = \"can1/rvc/1ffc7/2/operating_state\"",
        "name = \"solar 1\"\nkind = \"solar\"",
        "name = \"alternator 0\"\nkind = \"alternator\"",
        "engine_speed = \"can2/j1939/61444@0/engine_speed\"",
    ] {
        assert!(text.contains(expected), "{expected}\n{text}");
    }
    assert!(
        missing(&text).iter().all(|p| p.ends_with("is missing") || p.contains("is missing:")),
        "{:?}",
        missing(&text)
    );
}

#[test]
fn a_battery_of_a_dbc_file_with_its_protection() {
    let dbc = |name: &str, unit| heard(&format!("can0/dbc/{name}"), unit, 1.0, 60.0);
    let text = draft(&[
        dbc("cell_extremes/cell_voltage_max_mv", Unit::Volt),
        dbc("cell_extremes/cell_voltage_min_mv", Unit::Volt),
        dbc("pack_limits/charge_current_limit", Unit::Ampere),
        dbc("pack_limits/discharge_current_limit", Unit::Ampere),
        dbc("pack_limits/isolation", Unit::Ohm),
        dbc("pack_status/pack_current", Unit::Ampere),
        dbc("pack_status/pack_voltage", Unit::Volt),
        dbc("pack_status/soc", Unit::Fraction),
        dbc("pack_status/contactor", Unit::None),
    ]);
    for expected in [
        "voltage = \"can0/dbc/pack_status/pack_voltage\"",
        "current = \"can0/dbc/pack_status/pack_current\"",
        "state_of_charge = \"can0/dbc/pack_status/soc\"",
        "charge_current_limit = \"can0/dbc/pack_limits/charge_current_limit\"",
        "discharge_current_limit = \"can0/dbc/pack_limits/discharge_current_limit\"",
        "contactor = \"can0/dbc/pack_status/contactor\"",
        "cell_voltage_min = \"can0/dbc/cell_extremes/cell_voltage_min_mv\"",
        "isolation_resistance = \"can0/dbc/pack_limits/isolation\"",
    ] {
        assert!(text.lines().any(|l| l.starts_with(expected)), "{expected}\n{text}");
    }
    assert!(text.contains("No charger was heard"));
    assert!(missing(&text).iter().all(|p| p.contains("missing")), "{:?}", missing(&text));
}

#[test]
fn nothing_heard_is_still_a_file() {
    assert!(missing(&draft(&[])).iter().all(|p| p.contains("missing")), "{:?}", missing(&draft(&[])));
}
