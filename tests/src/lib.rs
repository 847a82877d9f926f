//! Whole-program tests live in `tests/`; this library holds what they share: intents built in code, and
//! recordings built from columns of figures.

pub mod counter;
pub mod crash;
pub mod foreign;
pub mod golden;
pub mod imported;
pub mod kernel_can;
pub mod layout;
pub mod log_text;
pub mod marine_mix;
pub mod paced;
pub mod patchwork;
pub mod python;
pub mod report_fixture;
pub mod seasons;
pub mod service;
pub mod voyages;

use ampwake_analyzer::recording::Recording;
use ampwake_analyzer::series::Series;
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::findings::Period;
use ampwake_schemas::intent::{
    Accuracy, AccuracyOf, AvailableWhen, Bank, BankSignals, BankTemperature, Chemistry, Coordination, Intent, Load,
    Profile, Signal, Source, SourceKind, SourceSignals, Vessel,
};
use ampwake_schemas::time::Timestamp;
use std::path::{Path, PathBuf};

/// A file of this package, by its path within it.
pub fn file(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// Peak resident memory of this process so far, kB (Linux); `None` where the system does not say.
pub fn peak_kb() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    status.lines().find_map(|l| l.strip_prefix("VmHWM:"))?.split_whitespace().next()?.parse().ok()
}

/// An intent as text: a lithium bank of 400 Ah at 51.2 V with these two channels, and what follows.
pub fn small_bank(voltage: &str, current: &str, more: &str) -> String {
    format!(
        r#"schema = "ampwake-intent/1"
[vessel]
name = "Test"
[bank]
chemistry = "lfp"
nominal_v = 51.2
cells_in_series = 16
capacity_ah = 400
signals = {{ voltage = "{voltage}", current = "{current}" }}
{more}"#
    )
}

/// A signal by its address.
pub fn signal(address: &str) -> Signal {
    Signal { address: address.parse().expect("a channel address"), scale: 1.0 }
}

/// Addresses of the bank's channels in recordings built here.
pub const BANK_VOLTAGE: &str = "can0/n2k/127508/0/battery_voltage";
/// As above.
pub const BANK_CURRENT: &str = "can0/n2k/127508/0/battery_current";
/// As above.
pub const LOAD_CURRENT: &str = "can0/n2k/127751/9/dc_current";

/// A bank with a profile; float, re-bulk and temperatures are the chemistry's.
pub fn bank(chemistry: Chemistry, cells: u32, capacity_ah: f64, absorption_v: f64, tail_a: f64) -> Bank {
    let d = chemistry.defaults();
    let n = f64::from(cells);
    Bank {
        name: "bank".into(),
        chemistry,
        nominal_v: d.nominal_v * n,
        cells_in_series: cells,
        capacity_ah,
        max_charge_a: None,
        signals: BankSignals {
            voltage: Some(signal(BANK_VOLTAGE)),
            current: Some(signal(BANK_CURRENT)),
            ..BankSignals::default()
        },
        profile: Profile {
            absorption_v,
            float_v: d.float_v.map(|v| v * n),
            rebulk_v: d.rebulk_v * n,
            tail_a,
            absorption_max_min: d.absorption_max_min,
            temp_comp_mv_per_k_cell: 0.0,
            defaulted: Vec::new(),
        },
        temperature: BankTemperature {
            charge_min_c: d.charge_min_c,
            charge_max_c: d.charge_max_c,
            warn_margin_c: 5.0,
            rise_max_c_per_min: 1.0,
            spread_max_c: 8.0,
            defaulted: Vec::new(),
        },
        valid_from: None,
    }
}

/// A charger whose current is 127751 instance `instance` and whose AC voltage is 127503 of the same instance.
pub fn charger(name: &str, instance: u32, rated_a: f64) -> Source {
    Source {
        name: name.into(),
        kind: SourceKind::ShoreCharger,
        rated_a,
        set_a: None,
        coordination: Some(Coordination::VoltageSensing),
        group: None,
        bank: "bank".into(),
        signals: SourceSignals {
            current: Some(signal(&format!("can0/n2k/127751/{instance}/dc_current"))),
            ..SourceSignals::default()
        },
        available_when: Some(AvailableWhen {
            signal: signal(&format!("can0/n2k/127503/{instance}/voltage")),
            above: Some(200.0),
            below: None,
        }),
        max_c: None,
        absorption_v: None,
        float_v: None,
        sense: None,
        fed_by: None,
        derate: Vec::new(),
        engine_speed: None,
        curve: Vec::new(),
        stop_signal: None,
        load_dump: None,
        valid_from: None,
    }
}

/// An intent around one bank.
pub fn intent(bank: Bank, sources: Vec<Source>, with_load: bool, current_floor: f64, voltage_floor: f64) -> Intent {
    let loads = if with_load {
        vec![Load { name: "house".into(), bank: "bank".into(), current: Some(signal(LOAD_CURRENT)), valid_from: None }]
    } else {
        Vec::new()
    };
    Intent {
        vessel: Vessel { name: "Test".into(), time_zone: None },
        banks: vec![bank],
        sources,
        loads,
        ac_sources: Vec::new(),
        links: Vec::new(),
        requirements: Vec::new(),
        accuracy: Accuracy {
            current: AccuracyOf { percent: 0.5, floor: current_floor },
            voltage: AccuracyOf { percent: 0.0, floor: voltage_floor },
            ..Accuracy::default()
        },
    }
}

/// A recording from columns: (address, [(seconds, value)]).
pub fn recording(columns: &[(&str, Vec<(f64, f64)>)]) -> Recording {
    let mut out = Recording::default();
    for (address, points) in columns {
        let address: ChannelAddress = address.parse().expect("a channel address");
        out.heard.insert(address.clone());
        out.series.insert(address, Series::from_points(points.iter().map(|(t, v)| ((t * 1000.0).round() as i64, *v))));
    }
    let times = || columns.iter().flat_map(|c| c.1.iter().map(|p| p.0));
    let (first, last) = times().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), t| (a.min(t), b.max(t)));
    let at = |s: f64| Timestamp::from_millis((s * 1000.0).round() as i64);
    out.period = Some(Period { start: at(first), end: at(last) });
    out
}

/// Columns of a comma-separated file with a head line, by name.
pub fn columns(path: &str, names: &[&str]) -> Vec<Vec<f64>> {
    let text = std::fs::read_to_string(file(path)).expect("a file of the tests");
    let mut lines = text.lines();
    let head: Vec<&str> = lines.next().expect("a head line").split(',').collect();
    let at: Vec<usize> =
        names.iter().map(|n| head.iter().position(|h| h == n).unwrap_or_else(|| panic!("no column {n}"))).collect();
    let rows: Vec<Vec<f64>> = lines
        .map(|l| {
            let cells: Vec<&str> = l.split(',').collect();
            at.iter().map(|k| cells[*k].parse().expect("a number")).collect()
        })
        .collect();
    (0..names.len()).map(|c| rows.iter().map(|r| r[c]).collect()).collect()
}
