//! What was heard, charged and shown on that day.

use super::{ALT, HYDRO, PORT, SOLAR, STBD, evidence, hm};
use ampwake_schemas::findings::*;
use ampwake_schemas::trial::{Coverage, TestKind, TestStanding};
use serde_json::json;
use std::collections::BTreeMap;

pub fn quality() -> DataQuality {
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

pub fn sessions() -> Vec<Session> {
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

pub fn verdicts() -> Vec<Verdict> {
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

pub fn marks() -> Vec<Mark> {
    let clamp = HandReading {
        channel: Some("can0/n2k/127751/2/dc_current".parse().expect("an address of the fixture")),
        value: 81.0,
        uncertainty: 1.22,
        uncertainty_given: false,
        unit: "A".into(),
        instrument: Some("clamp meter 7".into()),
        calibrated: Some("2025-02-10".into()),
        recorded: Some(79.6),
        recorded_uncertainty: Some(0.64),
        agreement: Agreement::Agrees,
        reason: "1.4 A apart, where 2.8 A are within both uncertainties".into(),
    };
    vec![
        Mark { time: hm("06:40"), text: "all loads but the fridge switched off".into(), reading: None },
        Mark { time: hm("07:20"), text: "clamp on the port charger's positive lead".into(), reading: Some(clamp) },
    ]
}

pub fn trial() -> Vec<TestStanding> {
    let one = |number, kind, title: &str, subject: &str, coverage, seen: &str| TestStanding {
        number,
        kind,
        title: title.into(),
        subjects: vec![subject.into()],
        coverage,
        seen: seen.into(),
    };
    vec![
        one(
            1,
            TestKind::RecorderClock,
            "the recorder's clock right",
            "bank",
            Coverage::Covered,
            "no step of the clock was seen",
        ),
        one(
            2,
            TestKind::SourceAlone,
            "port shore charger alone at its rated current",
            PORT,
            Coverage::Covered,
            "it held 79.6 \u{b1} 1.3 A alone, of 80.0 A that it owed",
        ),
        one(
            3,
            TestKind::SourceAlone,
            "starboard shore charger alone at its rated current",
            STBD,
            Coverage::ToSail,
            "nothing of it was recorded",
        ),
        one(
            4,
            TestKind::HotSoak,
            "engine alternator hot",
            ALT,
            Coverage::Failed,
            "Engine alternator was at up to 118.4 \u{b0}C",
        ),
        one(
            5,
            TestKind::FullCharge,
            "a full charge of bank",
            "bank",
            Coverage::Begun,
            "absorption was seen for 50 min and did not come to its tail",
        ),
        one(
            6,
            TestKind::LoadDump,
            "engine alternator when the battery disconnects itself",
            ALT,
            Coverage::OnPaper,
            "declared: field stop",
        ),
    ]
}
