//! What was found on that day.

use super::results::{quality, sessions, verdicts};
use super::{ALT, STBD, evidence, hm};
use ampwake_analyzer::report::format;
use ampwake_schemas::findings::*;
use serde_json::json;

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

pub fn findings() -> Findings {
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
        marks: super::results::marks(),
        trial: super::results::trial(),
        trend: vec![],
    }
}
