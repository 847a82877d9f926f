//! What is drawn of that day.

use super::{ALT, PORT, SOLAR, STBD, hm};
use ampwake_analyzer::chart::{BankCharts, StageBand, TemperatureTrace, Trace};
use ampwake_schemas::findings::{Period, Stage};

/// Seconds of the day from 06:00 UTC.
fn curve(label: &str, step_s: i64, f: impl Fn(f64) -> Option<f64>) -> Trace {
    let start = hm("06:00").millis();
    let (gap_from, gap_to) = (hm("11:20").millis(), hm("11:45").millis());
    let mut parts = vec![vec![]];
    for s in (0..14 * 3600).step_by(step_s as usize) {
        let t = start + s * 1000;
        match f(s as f64 / 3600.0) {
            Some(v) if !(gap_from..gap_to).contains(&t) => {
                // A small fast ripple, so that the picture has the texture of a measurement.
                let ripple = ((s * 7919) % 101) as f64 / 100.0 - 0.5;
                if let Some(part) = parts.last_mut() {
                    part.push((
                        t,
                        v + ripple * if v > 45.0 && v < 60.0 { 0.06 } else { 0.012 * v.abs().clamp(1.0, 60.0) },
                    ));
                }
            }
            _ if parts.last().is_some_and(|p: &Vec<_>| !p.is_empty()) => parts.push(vec![]),
            _ => {}
        }
    }
    parts.retain(|p| !p.is_empty());
    Trace { label: label.into(), parts }
}

fn shore(h: f64) -> f64 {
    match h {
        h if (0.17..3.83).contains(&h) => 100.0,
        h if (3.83..4.67).contains(&h) => 8.0 + 92.0 * (-(h - 3.83) / 0.25f64).exp(),
        _ => 0.0,
    }
}

fn alternator(h: f64) -> f64 {
    match h {
        h if (8.08..8.75).contains(&h) => 118.0 - 6.0 * (h - 8.08),
        h if (8.75..10.67).contains(&h) => 72.0 + 42.0 * (-(h - 8.75) / 0.12f64).exp(),
        _ => 0.0,
    }
}

fn solar(h: f64) -> f64 {
    (16.0 * ((h - 1.0) / 12.0 * std::f64::consts::PI).sin()).max(0.0)
}

fn net(h: f64) -> f64 {
    let load = if (4.9..8.0).contains(&h) || h > 10.9 { 62.0 } else { 8.0 };
    shore(h) + alternator(h) + solar(h) - load
}

fn voltage(h: f64) -> f64 {
    match h {
        h if h < 0.17 => 52.4,
        h if h < 3.83 => 53.5 + 3.3 * ((h - 0.17) / 3.66).powi(4) + 0.25 * (h - 0.17) / 3.66,
        h if h < 4.67 => 56.78,
        h => 53.1 + 0.011 * net(h) + 2.2 * (-(h - 4.67) / 0.15f64).exp(),
    }
}

fn heat(h: f64) -> f64 {
    match h {
        h if h < 8.08 => 24.0,
        h if h < 8.75 => 24.0 + 96.0 * (1.0 - (-(h - 8.08) / 0.22f64).exp()),
        h if h < 10.67 => 98.0 + 21.0 * (-(h - 8.75) / 0.28f64).exp(),
        h => 24.0 + 75.0 * (-(h - 10.67) / 0.6f64).exp(),
    }
}

pub fn charts() -> BankCharts {
    let temperature = |label: &str, max_c, min_c, f: &dyn Fn(f64) -> f64| TemperatureTrace {
        trace: curve(label, 2, |h| Some(f(h))),
        max_c: Some(max_c),
        min_c,
    };
    let band = |stage, from: &str, to: &str| StageBand { stage, start: hm(from).millis(), end: hm(to).millis() };
    BankCharts {
        bank: "bank".into(),
        period: Period { start: hm("06:00"), end: hm("20:00") },
        voltage: curve("bank voltage", 1, |h| Some(voltage(h))),
        absorption_v: Trace {
            label: "absorption".into(),
            parts: vec![vec![(hm("06:00").millis(), 56.8), (hm("20:00").millis(), 56.8)]],
        },
        float_v: Trace {
            label: "float".into(),
            parts: vec![vec![(hm("06:00").millis(), 54.0), (hm("20:00").millis(), 54.0)]],
        },
        current: curve("bank current", 1, |h| Some(net(h))),
        max_charge_a: Some(280.0),
        sources: vec![
            curve(PORT, 1, |h| Some(shore(h))),
            curve(STBD, 1, |_| Some(0.0)),
            curve(ALT, 1, |h| Some(alternator(h))),
            curve(SOLAR, 1, |h| Some(solar(h))),
        ],
        ratings: vec![100.0, 80.0, 120.0, 25.0],
        temperatures: vec![
            temperature("bank", 45.0, Some(0.0), &|h| 21.0 + 10.5 * (1.0 - (-h / 2.5f64).exp())),
            temperature(ALT, 105.0, None, &heat),
        ],
        stages: vec![
            band(Stage::Rest, "06:00", "06:10"),
            band(Stage::Bulk, "06:10", "09:50"),
            band(Stage::Absorption, "09:50", "10:40"),
            band(Stage::Float, "10:40", "10:54"),
            band(Stage::Discharge, "10:54", "14:05"),
            band(Stage::Bulk, "14:05", "16:40"),
            band(Stage::Unexplained, "16:40", "16:52"),
            band(Stage::Bulk, "16:52", "17:20"),
            band(Stage::Discharge, "17:20", "20:00"),
        ],
        gaps: vec![Period { start: hm("11:20"), end: hm("11:45") }],
    }
}
