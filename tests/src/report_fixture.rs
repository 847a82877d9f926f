//! An invented vessel and one day of it, as the analysis would hand it to the report.
//!
//! The starboard shore charger is held off by the port one, the alternator gets too hot, the requirements come to all
//! four verdicts, and 25 minutes are missing. Figures are made up, but add up.

use ampwake_analyzer::chart::{BankCharts, StageBand, TemperatureTrace, Trace};
use ampwake_analyzer::report::format;
use ampwake_analyzer::report::{Fingerprint, InputFile, Provenance, ReportInput};
use ampwake_schemas::findings::*;
use ampwake_schemas::intent::*;
use ampwake_schemas::time::Timestamp;
use serde_json::json;
use std::collections::BTreeMap;

/// Owns what a [`ReportInput`] borrows.
#[derive(Debug, Clone)]
pub struct Fixture {
    /// Result of the analysis.
    pub findings: Findings,
    /// What was promised.
    pub intent: Intent,
    /// What is drawn.
    pub charts: Vec<BankCharts>,
}

impl Fixture {
    /// As the outputs take it.
    pub fn report(&self) -> ReportInput<'_> {
        let hash = "5f1d7a3c9be2406e8a77d21f0c4b9d6e3a58f7102c6be94d1f30a8e5b7c2d914";
        ReportInput {
            findings: &self.findings,
            intent: &self.intent,
            charts: &self.charts,
            provenance: Provenance {
                program_version: "0.1.0".into(),
                inputs: vec![
                    InputFile {
                        name: "curlew-2025-09-12.log.zst".into(),
                        fingerprint: Fingerprint::Sha256(hash.into()),
                    },
                    InputFile { name: "voyage.db".into(), fingerprint: Fingerprint::Bytes(18_874_368) },
                ],
                intent_file: Some(InputFile {
                    name: "curlew.toml".into(),
                    fingerprint: Fingerprint::Sha256(hash.into()),
                }),
                generated: Some(at("2025-09-13T08:15:00Z")),
            },
        }
    }
}

/// The day.
pub fn day() -> Fixture {
    Fixture { findings: findings(), intent: intent(), charts: vec![charts()] }
}

/// A time that the fixture's author wrote right.
pub fn at(text: &str) -> Timestamp {
    Timestamp::parse_rfc3339(text).expect("a time of the fixture")
}

fn hm(text: &str) -> Timestamp {
    at(&format!("2025-09-12T{text}:00Z"))
}

const PORT: &str = "port shore charger";
const STBD: &str = "starboard shore charger";
const ALT: &str = "engine alternator";
const SOLAR: &str = "coachroof solar";
const HYDRO: &str = "towed hydrogenerator";

fn signal(address: &str) -> Option<Signal> {
    Some(Signal { address: address.parse().expect("an address of the fixture"), scale: 1.0 })
}

fn source(name: &str, kind: SourceKind, rated_a: f64, instance: u32) -> Source {
    Source {
        name: name.into(),
        kind,
        rated_a,
        set_a: None,
        coordination: None,
        group: None,
        bank: "bank".into(),
        signals: SourceSignals {
            current: signal(&format!("can0/n2k/127751/{instance}/dc_current")),
            ..SourceSignals::default()
        },
        available_when: None,
        max_c: None,
        absorption_v: None,
        float_v: None,
        sense: None,
        fed_by: None,
        derate: vec![],
        engine_speed: None,
        curve: vec![],
        stop_signal: None,
        load_dump: None,
        valid_from: None,
    }
}

fn intent() -> Intent {
    let shore = |name, rated, instance, coordination| Source {
        coordination: Some(coordination),
        group: Some("shore pair".into()),
        ..source(name, SourceKind::ShoreCharger, rated, instance)
    };
    Intent {
        vessel: Vessel { name: "Curlew".into(), time_zone: Some("Europe/Lisbon".into()) },
        banks: vec![Bank {
            name: "bank".into(),
            chemistry: Chemistry::Lfp,
            nominal_v: 51.2,
            cells_in_series: 16,
            capacity_ah: 560.0,
            max_charge_a: Some(280.0),
            signals: BankSignals::default(),
            profile: Profile {
                absorption_v: 56.8,
                float_v: Some(54.0),
                rebulk_v: 52.8,
                tail_a: 28.0,
                absorption_max_min: 90.0,
                temp_comp_mv_per_k_cell: 0.0,
                defaulted: vec!["rebulk_v", "tail_a"],
            },
            temperature: BankTemperature {
                charge_min_c: 0.0,
                charge_max_c: 45.0,
                warn_margin_c: 5.0,
                rise_max_c_per_min: 1.0,
                spread_max_c: 8.0,
                defaulted: vec!["rise_max_c_per_min"],
            },
            valid_from: None,
        }],
        sources: vec![
            shore(PORT, 100.0, 2, Coordination::Networked),
            shore(STBD, 80.0, 3, Coordination::VoltageSensing),
            Source { max_c: Some(105.0), ..source(ALT, SourceKind::Alternator, 120.0, 4) },
            source(SOLAR, SourceKind::Solar, 25.0, 5),
            source(HYDRO, SourceKind::Hydrogenerator, 20.0, 6),
        ],
        loads: vec![],
        ac_sources: vec![],
        links: vec![],
        requirements: vec![],
        accuracy: Accuracy::default(),
    }
}

fn evidence(pairs: &[(&str, serde_json::Value)]) -> Evidence {
    pairs.iter().map(|(k, v)| ((*k).to_owned(), v.clone())).collect()
}

fn finding(kind: Kind, severity: Severity, source: Option<&str>, from: &str, to: &str, summary: String) -> Finding {
    Finding {
        kind,
        cause: None,
        severity,
        source: source.map(Into::into),
        channel: None,
        start: hm(from),
        end: hm(to),
        confidence: 0.9,
        summary,
        evidence: Evidence::new(),
        check_next: vec![],
    }
}

fn findings() -> Findings {
    let held = Finding {
        cause: Some(Cause::HeldOffByBusVoltage),
        confidence: 0.93,
        evidence: evidence(&[
            ("bus_voltage_mean_v", json!(54.31)),
            ("own_float_v", json!(54.0)),
            ("input_voltage_mean_v", json!(231.4)),
            ("opportunity_s", json!(13_200)),
            ("reported_states", json!(["bulk", "float"])),
            ("lost_ah", json!(293.3)),
            ("samples", json!(13_187)),
        ]),
        check_next: vec![
            "With both chargers on, switch the port charger off for two minutes: if the starboard one starts, it is held off. Then give both \
             one profile over a data link, or let one of them lead."
                .into(),
            "Compare the float and absorption settings of both chargers with the bank's profile.".into(),
            "Measure the voltage at the starboard charger's terminals and at the bank at the same time.".into(),
        ],
        ..finding(
            Kind::NonContributingSource,
            Severity::Caution,
            Some(STBD),
            "06:10",
            "09:50",
            format!("{}: held off by the DC bus voltage. That is 293 Ah not delivered.", format::source_clause(STBD, 0.0, 0.5, 13_200.0, 80.0)),
        )
    };
    let hot = Finding {
        confidence: 0.98,
        evidence: evidence(&[
            ("temperature_max_c", json!(118.4)),
            ("temperature_limit_c", json!(105.0)),
            ("above_s", json!(1620)),
            ("rise_max_k_per_min", json!(2.31)),
        ]),
        check_next: vec![
            "Let it cool, then check belt, ventilation of the engine space and whether its regulator measures its temperature.".into(),
            "Ask the maker for the output that it can hold hot, and set the regulator to it.".into(),
        ],
        ..finding(
            Kind::TemperatureExcursion,
            Severity::Danger,
            Some(ALT),
            "14:38",
            "15:05",
            "Engine alternator reached 118.4 °C, 13.4 °C above its limit of 105 °C, and was above it for 27 min.".into(),
        )
    };
    let derated = Finding {
        cause: Some(Cause::ThermalDerating),
        evidence: evidence(&[("current_per_kelvin_a", json!(-1.42)), ("temperature_max_c", json!(118.4))]),
        check_next: vec!["See the temperature finding first.".into()],
        ..finding(
            Kind::ThermalDerating,
            Severity::Caution,
            Some(ALT),
            "14:45",
            "16:40",
            "Engine alternator gave 71.6 ± 1.2 A for 1 h 55 min in which it could have given 118 A: reduced by heat."
                .into(),
        )
    };
    let step = Finding {
        channel: "can0/n2k/126992/system_time".parse().ok(),
        evidence: evidence(&[
            ("step_s", json!(-3.2)),
            ("before", json!("2025-09-12T11:35:03Z")),
            ("after", json!("2025-09-12T11:35:00Z")),
        ]),
        ..finding(
            Kind::ClockStep,
            Severity::Info,
            None,
            "11:35",
            "11:35",
            "The recorder's clock was set back by 3.2 s; times before it are corrected.".into(),
        )
    };
    let balance = Finding {
        evidence: evidence(&[("residual_median_a", json!(7.4)), ("beyond_uncertainty_share", json!(0.31))]),
        check_next: vec!["Look for a load or source that is connected on the bank's side of the shunt.".into()],
        ..finding(
            Kind::CurrentBalance,
            Severity::Caution,
            None,
            "06:10",
            "17:20",
            "Sources, loads and bank current differ by 7.4 A, more than their uncertainty allows, for 31 % of the time.".into(),
        )
    };
    let risk = Finding {
        confidence: 0.7,
        check_next: vec!["Find out what stops the alternator's field before the battery's contactor opens.".into()],
        ..finding(
            Kind::LoadDumpRisk,
            Severity::Caution,
            None,
            "06:00",
            "20:00",
            "The bank can disconnect itself while the alternator charges, and the intent file names nothing that would catch the voltage.".into(),
        )
    };
    Findings {
        schema: ampwake_schemas::findings::SCHEMA.into(),
        vessel: "Curlew".into(),
        period: Period { start: hm("06:00"), end: hm("20:00") },
        data_quality: quality(),
        sessions: sessions(),
        findings: vec![hot, held, derated, balance, risk, step],
        verdicts: verdicts(),
        battery: BatteryFigures {
            resistance_mohm: Some(Estimate { value: 11.8, uncertainty: 0.6 }),
            coulombic_efficiency: None,
            ..BatteryFigures::default()
        },
        trend: vec![],
    }
}

fn quality() -> DataQuality {
    let one = |owner: &str, role: &str, channel: &str, samples, coverage, interval_s| SignalQuality {
        owner: owner.into(),
        role: role.into(),
        channel: channel.parse().expect("an address of the fixture"),
        samples,
        coverage,
        interval_s,
    };
    DataQuality {
        coverage: 0.9702,
        bank_voltage_coverage: 0.9702,
        bank_current_coverage: 0.9688,
        gaps: vec![Period { start: hm("11:20"), end: hm("11:45") }],
        signals: vec![
            one("bank", "voltage", "can0/n2k/127508/0/battery_voltage", 32_601, 0.9702, Some(1.5)),
            one("bank", "current", "can0/n2k/127508/0/battery_current", 32_554, 0.9688, Some(1.5)),
            one("bank", "temperature", "can0/n2k/127508/0/battery_temperature", 32_601, 0.9702, Some(1.5)),
            one(PORT, "current", "can0/n2k/127751/2/dc_current", 488_812, 0.97, Some(0.1)),
            one(STBD, "current", "can0/n2k/127751/3/dc_current", 488_790, 0.97, Some(0.1)),
            one(ALT, "temperature", "can0/n2k/130316/14/temperature", 24_440, 0.968, Some(2.0)),
            one("genset", "voltage", "can0/n2k/127503/0/voltage", 0, 0.0, None),
        ],
        problems: BTreeMap::from([("incomplete_fast_packets".to_owned(), 14), ("unknown_messages".to_owned(), 0)]),
        notes: vec!["Bank current and voltage come from one device; their times agree within 0.1 s.".into()],
    }
}

fn stage(stage: Stage, from: &str, to: &str, volts: f64, amps: f64, ah: f64, reported: &[(&str, &str)]) -> StageSpan {
    StageSpan {
        stage,
        start: hm(from),
        end: hm(to),
        confidence: 0.95,
        voltage_mean: Some(volts),
        current_mean: Some(amps),
        charge_ah: ah,
        reported: reported.iter().map(|(a, b)| ((*a).to_owned(), (*b).to_owned())).collect(),
    }
}

fn part(source: &str, ah: f64, share: f64, opportunity_s: f64, contributing_s: f64, lost_ah: f64) -> SourceInSession {
    SourceInSession {
        source: source.into(),
        charge_ah: ah,
        charge_uncertainty_ah: 0.005 * ah + 0.3,
        energy_wh: ah * 54.6,
        share: Some(share),
        opportunity_s,
        contributing_s,
        lost_ah,
        measured: source != SOLAR,
    }
}

fn sessions() -> Vec<Session> {
    vec![
        Session {
            id: 1,
            bank: None,
            start: hm("06:10"),
            end: hm("10:40"),
            charge_ah: 356.0,
            charge_net_ah: 356.0,
            energy_wh: 19_440.0,
            soc_start: Some(0.22),
            soc_end: Some(0.86),
            stages: vec![
                stage(Stage::Bulk, "06:10", "09:50", 54.31, 92.4, 338.8, &[(PORT, "bulk"), (STBD, "float")]),
                stage(Stage::Absorption, "09:50", "10:40", 56.78, 20.6, 17.2, &[(PORT, "absorption"), (STBD, "float")]),
            ],
            sources: vec![
                part(PORT, 383.0, 0.96, 13_200.0, 13_200.0, 0.0),
                part(STBD, 0.1, 0.0, 13_200.0, 0.0, 293.3),
                part(ALT, 0.0, 0.0, 0.0, 0.0, 0.0),
                part(SOLAR, 15.2, 0.04, 9_000.0, 9_000.0, 0.0),
                part(HYDRO, 0.0, 0.0, 0.0, 0.0, 0.0),
            ],
        },
        Session {
            id: 2,
            bank: None,
            start: hm("14:05"),
            end: hm("17:20"),
            charge_ah: 181.4,
            charge_net_ah: 172.9,
            energy_wh: 9_750.0,
            soc_start: Some(0.58),
            soc_end: None,
            stages: vec![
                stage(Stage::Bulk, "14:05", "16:40", 53.62, 66.1, 171.0, &[]),
                stage(Stage::Unexplained, "16:40", "16:52", 52.9, 4.2, 1.1, &[]),
                stage(Stage::Bulk, "16:52", "17:20", 53.1, 20.0, 9.3, &[]),
            ],
            sources: vec![
                part(PORT, 0.0, 0.0, 0.0, 0.0, 0.0),
                part(STBD, 0.0, 0.0, 0.0, 0.0, 0.0),
                part(ALT, 204.0, 0.82, 9_300.0, 9_300.0, 88.9),
                part(SOLAR, 44.1, 0.18, 11_700.0, 11_400.0, 0.2),
                part(HYDRO, 0.0, 0.0, 0.0, 0.0, 0.0),
            ],
        },
    ]
}

fn verdicts() -> Vec<Verdict> {
    #[allow(clippy::too_many_arguments)] // one row of a table
    fn one(
        id: &str,
        text: &str,
        quantity: &str,
        sense: &str,
        limit: f64,
        measured: Option<(f64, f64)>,
        unit: &str,
        verdict: VerdictWord,
        reason: &str,
    ) -> Verdict {
        Verdict {
            id: id.into(),
            text: text.into(),
            quantity: quantity.into(),
            limit,
            measured: measured.map(|m| m.0),
            uncertainty: measured.map(|m| m.1),
            unit: unit.into(),
            verdict,
            reason: reason.into(),
            evidence: evidence(&[("sense", json!(sense)), ("window_s", json!(1800)), ("samples", json!(1793))]),
        }
    }
    use VerdictWord::*;
    vec![
        one(
            "R1",
            "both shore chargers bring the bank from 25 % to 80 % within 2 h",
            "charge_time",
            "at_most",
            120.0,
            Some((207.0, 1.4)),
            "min",
            NotMet,
            "From 06:14 to 09:41; the starboard charger gave nothing in that time.",
        ),
        one(
            "R2",
            "the shore pair holds 170 A in bulk",
            "combined_current",
            "at_least",
            170.0,
            Some((100.2, 1.6)),
            "A",
            NotMet,
            "The best 30 min held 100.2 A.",
        ),
        one(
            "R3",
            "the port shore charger holds 98 A in bulk",
            "source_current",
            "at_least",
            98.0,
            Some((100.1, 1.1)),
            "A",
            Met,
            "Held for 3 h 36 min.",
        ),
        one(
            "R4",
            "absorption stays at 56.8 V or a little below, never under 56.7 V",
            "stage_voltage",
            "at_least",
            56.7,
            Some((56.78, 0.1)),
            "V",
            Undetermined,
            "Too close to call: the limit lies inside the measurement uncertainty. A voltmeter of 0.02 V or better would tell.",
        ),
        one(
            "R5",
            "the bank stays below 45 °C",
            "bank_temperature",
            "at_most",
            45.0,
            Some((31.6, 2.0)),
            "degC",
            Met,
            "Highest value while charging, at 09:48.",
        ),
        one(
            "R6",
            "the generator meets shore power within 0.3 Hz before its breaker closes",
            "sync_frequency",
            "at_most",
            0.3,
            None,
            "Hz",
            NotTested,
            "The generator was never heard in this recording.",
        ),
    ]
}

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

fn charts() -> BankCharts {
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
