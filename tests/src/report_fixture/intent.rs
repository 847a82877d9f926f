//! What the designer of the invented vessel promised.

use super::{ALT, HYDRO, PORT, SOLAR, STBD};
use ampwake_schemas::intent::*;

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

pub fn intent() -> Intent {
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
