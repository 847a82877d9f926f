//! The physical model against figures from outside the project; where each comes from stands in
//! `vectors/MODEL.md` and beside the check.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_analyzer::model::{
    Bank, BankPort, Body, Branch, ChargeProfile, Conditions, Curve, Moment, Plant, Source, SourceStage,
    copper_resistance, ocv, solve,
};
use ampwake_schemas::intent::{Chemistry, Coordination, Sense};
use ampwake_schemas::quantity::{AmpereHours, Amperes, Celsius, Ohms, Seconds, Volts};
use serde_json::Value;

fn vectors(name: &str) -> Value {
    let path = format!("{}/vectors/{name}", env!("CARGO_MANIFEST_DIR"));
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

/// Inputs, expected values and tolerance of one entry of `checks.json`.
fn check(id: &str) -> (Value, Value, f64) {
    let all = vectors("checks.json");
    let entry = all.as_array().unwrap().iter().find(|e| e["id"] == id).unwrap_or_else(|| panic!("no {id}"));
    (entry["inputs"].clone(), entry["expected"].clone(), entry["tolerance"].as_f64().unwrap())
}

fn num(v: &Value, key: &str) -> f64 {
    v[key].as_f64().unwrap_or_else(|| panic!("{key} in {v}"))
}

#[track_caller]
fn near(what: &str, got: f64, expected: f64, tolerance: f64) {
    assert!((got - expected).abs() <= tolerance, "{what}: {got}, expected {expected} within {tolerance}");
}

/// Holds `v` for ever: no float, no tail, no end.
fn holding(v: f64) -> ChargeProfile {
    ChargeProfile {
        absorption: Volts(v),
        float: None,
        rebulk: Volts(0.0),
        rebulk_hold: Seconds(0.0),
        tail: Amperes(0.0),
        tail_hold: Seconds(f64::INFINITY),
        absorption_max: Seconds(f64::INFINITY),
    }
}

const FED: Conditions = Conditions {
    on: true,
    available: Amperes(f64::INFINITY),
    linked: true,
    fault: false,
    cooling: 1.0,
    ambient: Celsius(25.0),
};

/// Without polarisation, losses or charge inefficiency, which the closed forms do not know.
fn plain(ocv: Curve, cells: u32, ah: f64, r: f64) -> Bank {
    Bank {
        ocv,
        cells_in_series: cells,
        r0: Ohms(r),
        r1: Ohms(0.0),
        acceptance_ohm_ah: 0.0,
        charge_efficiency: 1.0,
        ..Bank::new(Chemistry::Lfp, cells, AmpereHours(ah))
    }
}

#[test]
fn open_circuit_curves_are_the_published_ones() {
    // Prada et al. 2013 and Chen et al. 2020.
    let all = vectors("ocv.json");
    for (key, chemistry) in
        [("LFP_graphite_Prada2013", Chemistry::Lfp), ("NMC811_graphite_SiOx_Chen2020", Chemistry::Nmc)]
    {
        let published: Vec<(f64, f64)> = serde_json::from_value(all[key]["soc_ocv"].clone()).unwrap();
        assert_eq!(ocv(chemistry).points(), published, "{key}");
    }
}

#[test]
fn c3_two_sources_share_a_bus() {
    // Kirchhoff, piecewise linear, solved by hand in checks.json.
    for id in ["C3_both_cc", "C3_second_held_off", "C3_one_cv_one_off_high_soc"] {
        let (input, expected, tolerance) = check(id);
        let branches: Vec<Branch> = input["chargers"]
            .as_array()
            .unwrap()
            .iter()
            .map(|c| Branch {
                set: Volts(num(c, "v_set")),
                resistance: Ohms(num(c, "r_ohm")),
                limit: Amperes(num(c, "i_max")),
            })
            .collect();
        let r = Ohms(num(&input, "battery_r"));
        let bank = BankPort { emf: Volts(num(&input, "battery_e")), charge: r, discharge: r };
        let s = solve(&branches, &bank, Amperes(num(&input, "load_a")));
        near(id, s.voltage.0, num(&expected, "v_bus"), tolerance);
        near(id, s.bank.0, num(&expected, "i_batt"), tolerance);
        for (j, current) in s.sources.iter().enumerate() {
            near(id, current.0, expected["i_chargers"][j].as_f64().unwrap(), tolerance);
        }
    }
}

#[test]
fn c1_copper_leads() {
    // 100 % IACS; IEC 60028 from memory.
    for id in ["C1_copper_R", "C1b_copper_R_hot"] {
        let (input, expected, tolerance) = check(id);
        let length = 2.0 * num(&input, "length_m_one_way");
        let r = copper_resistance(length, num(&input, "area_mm2"), Celsius(num(&input, "t_c")));
        near(id, r.0, num(&expected, "r_loop_ohm"), tolerance);
    }
}

#[test]
fn c5_a_source_that_senses_its_own_terminals_believes_the_wrong_volts() {
    // I x R of the leads.
    let (input, expected, _) = check("C5_voltage_drop_error");
    let (amps, drop) = (num(&input, "i_a"), num(&expected, "drop_v"));
    // A bank that takes just that current at the volts that reach it.
    let bank = plain(Curve::constant((num(&expected, "v_batt") - amps * 0.01) / 16.0), 16, 400.0, 0.01);
    let source = Source {
        droop: Ohms(0.0),
        cable: Ohms(num(&input, "r_loop_ohm")),
        ..Source::new(Amperes(200.0), Coordination::Networked, holding(num(&input, "cv_target")))
    };
    let first = |source: Source| {
        Plant::new(bank.clone(), 0.5, vec![source], Celsius(25.0)).step(
            &[FED],
            Amperes(0.0),
            Celsius(25.0),
            Seconds(1.0),
        )
    };
    let m = first(source.clone());
    near("bus", m.bus.0, num(&expected, "v_batt"), 1e-6);
    near("current", m.sources[0].current.0, amps, 1e-6);
    near("terminals", m.sources[0].terminal.0, num(&input, "charger_terminal_v"), 1e-6);
    near("drop at the tail", 20.0 * source.cable.0, num(&expected, "drop_at_tail_v"), 1e-9);
    // With its sense leads at the bank the same source delivers its set-point there. A perfect regulator is
    // modelled with 0.1 mOhm, hence the tolerance.
    let m = first(Source { sense: Sense::Bank, ..source });
    near("sensed at the bank", m.bus.0, num(&input, "cv_target"), 0.02);
    near("terminals above it", (m.sources[0].terminal - m.bus).0, drop * m.sources[0].current.0 / amps, 1e-6);
}

#[test]
fn a3_the_current_in_absorption_falls_exponentially() {
    // I = I0 exp(-t/tau) where the open-circuit voltage rises in proportion to the charge.
    let (input, expected, _) = check("A3_cv_exponential_tail");
    let (i0, end, tau) = (num(&input, "i0_a"), num(&input, "i_end_a"), num(&input, "tau_s"));
    // tau = R C / (dE/dSOC): 10 mOhm and 100 Ah want a slope of 6 V over the whole charge. The source's droop
    // is a part of R.
    let (r, droop, ah) = (0.01, 0.003, 100.0);
    let slope = r * ah * 3600.0 / tau;
    let bank = plain(Curve::new([(0.0, 50.0), (1.0, 50.0 + slope)]), 1, ah, r - droop);
    let source = Source {
        droop: Ohms(droop),
        ..Source::new(Amperes(1000.0), Coordination::Networked, holding(50.0 + slope * 0.5 + i0 * r))
    };
    let mut plant = Plant::new(bank, 0.5, vec![source], Celsius(25.0));
    let dt = Seconds(0.1);
    let (mut t, mut charge) = (0.0, AmpereHours(0.0));
    loop {
        let m = plant.step(&[FED], Amperes(0.0), Celsius(25.0), dt);
        if m.bank.0 <= end {
            break;
        }
        t += dt.0;
        charge += m.bank * dt;
    }
    // Steps of 0.1 s shorten tau by half a step, 0.008 %.
    near("time to the tail", t, num(&expected, "t_s"), 0.2);
    near("charge until then", charge.0, num(&expected, "q_ah"), 0.005);
}

#[test]
fn d4_a_hot_source_gives_less() {
    // Linear derating; its form is common practice, no source.
    let (input, expected, tolerance) = check("D4_derate");
    let derate = Curve::new([(num(&input, "t_start"), 1.0), (num(&input, "t_end"), num(&input, "frac_at_end"))]);
    let source = Source {
        derate,
        heat: Body { capacity_j_per_k: 1e9, loss_w_per_k: 0.0 },
        ..Source::new(Amperes(num(&input, "i_rated")), Coordination::Networked, holding(56.8))
    };
    let bank = Bank::new(Chemistry::Lfp, 16, AmpereHours(400.0));
    let mut plant = Plant::new(bank, 0.5, vec![source], Celsius(num(&input, "t_c")));
    let m = plant.step(&[FED], Amperes(0.0), Celsius(25.0), Seconds(1.0));
    near("limit", m.sources[0].limit.0, num(&expected, "i_a"), tolerance);
    near("current", m.sources[0].current.0, num(&expected, "i_a"), tolerance);
}

#[test]
fn b5b_a_current_step_shows_the_resistance() {
    // R = dU/dI.
    let (input, expected, _) = check("B5b_dcir_step");
    let r = num(&expected, "r_ohm");
    let before = num(&input, "u_before_v");
    let bank =
        Bank { ocv: Curve::constant(before / 16.0), r0: Ohms(r), ..Bank::new(Chemistry::Lfp, 16, AmpereHours(400.0)) };
    let amps = num(&input, "i_after_a");
    let source = Source::new(Amperes(amps), Coordination::Networked, holding(60.0));
    let mut plant = Plant::new(bank.clone(), 0.5, vec![source], Celsius(25.0));
    let step =
        |plant: &mut Plant, on| plant.step(&[Conditions { on, ..FED }], Amperes(0.0), Celsius(25.0), Seconds(1.0));
    let (u0, u1) = (step(&mut plant, false), step(&mut plant, true));
    near("before", u0.bus.0, before, 1e-9);
    near("after", u1.bus.0, num(&input, "u_after_v"), 1e-9);
    near("R", (u1.bus - u0.bus).0 / (u1.bank - u0.bank).0, r, 1e-9);
    // Later the slow part has joined: a resistance is worth nothing without its elapsed time.
    let late = (0..3600).map(|_| step(&mut plant, true)).last().unwrap();
    near("R after an hour", (late.bus - u0.bus).0 / late.bank.0, r + bank.r1.0, 1e-5);
}

/// The two chargers of `two_chargers.json` over four hours, every 10 s.
fn two_chargers(linked: bool) -> Vec<Moment> {
    let b_profile = ChargeProfile { float: Some(Volts(53.0)), rebulk: Volts(52.6), ..holding(56.8) };
    let (mode, profile) =
        if linked { (Coordination::Networked, holding(56.8)) } else { (Coordination::VoltageSensing, b_profile) };
    let a = Source::new(Amperes(120.0), Coordination::Networked, holding(56.8));
    let b = Source::new(Amperes(80.0), mode, profile);
    let mut plant = Plant::new(plain(ocv(Chemistry::Lfp), 16, 400.0, 0.008), 0.55, vec![a, b], Celsius(25.0));
    (0..=1440)
        .map(|k| {
            let on = |from: f64| Conditions { on: f64::from(k) * 10.0 >= from, ..FED };
            plant.step(&[on(600.0), on(1800.0)], Amperes(10.0), Celsius(25.0), Seconds(10.0))
        })
        .collect()
}

#[test]
fn two_chargers_on_one_bus() {
    // Synthetic, from a program that shares no code with this one; its rows are rounded to 0.1 mV, 1 mA and
    // 1e-6, and its solver leaves up to 1 mA. Tolerances are those roundings, taken twice.
    let expected = vectors("two_chargers.json");
    for (case, linked) in [("held_off", false), ("linked", true)] {
        let moments = two_chargers(linked);
        let path = format!("{}/curves/synthetic_two_chargers_{case}.csv", env!("CARGO_MANIFEST_DIR"));
        let csv = std::fs::read_to_string(path).unwrap();
        let rows: Vec<Vec<f64>> =
            csv.lines().skip(1).map(|l| l.split(',').map(|x| x.parse().unwrap()).collect()).collect();
        assert_eq!(rows.len(), moments.len(), "{case}");
        for (row, m) in rows.iter().zip(&moments) {
            let at = format!("{case} at {} s", row[0]);
            near(&at, m.bus.0, row[1], 2e-4);
            near(&at, m.bank.0, row[2], 5e-3);
            near(&at, m.sources[0].current.0, row[3], 5e-3);
            near(&at, m.sources[1].current.0, row[4], 5e-3);
            near(&at, m.soc, row[6], 2e-6);
        }

        let results = &expected["results"][case];
        // Left rectangles, as the file says; its last row begins no step.
        let steps = &moments[..1440];
        let ah = |f: &dyn Fn(&Moment) -> f64| steps.iter().map(f).sum::<f64>() * 10.0 / 3600.0;
        near(case, ah(&|m| m.sources[0].current.0), num(results, "q_a_ah"), 2e-3);
        near(case, ah(&|m| m.sources[1].current.0), num(results, "q_b_ah"), 2e-3);
        near(case, ah(&|m| m.bank.0), num(results, "q_batt_ah"), 2e-3);
        near(case, moments[1440].soc, num(results, "soc_end"), 2e-6);
        near(case, moments[179].bus.0, num(results, "v_bus_at_1790"), 2e-4);
        near(case, moments[181].bus.0, num(results, "v_bus_at_1810"), 2e-4);
        let first = |f: &dyn Fn(&Moment) -> bool| moments.iter().position(f).unwrap() as f64 * 10.0;
        let leaves = first(&|m| m.sources[0].stage != SourceStage::Off && m.sources[0].current.0 < 120.0);
        near(case, leaves, num(results, "first_a_leaves_limit_s"), 0.0);
        near(case, first(&|m| m.soc >= 0.9), num(results, "t_soc_0_9_s"), 0.0);
    }
}

#[test]
fn a_charger_that_meets_a_raised_bus_takes_the_bank_for_full() {
    // Common practice, no source: a 12 V lead-acid bank rests at 12.5 V; one charger lifts the bus to 14.2 V; a
    // second one that looks at nothing but the volts, and starts below 12.8 V only, stays idle beside it.
    let bank = Bank::new(Chemistry::Agm, 6, AmpereHours(200.0));
    let rest = 12.5 / 6.0;
    let soc = (rest - 1.96) / 0.16;
    let profile =
        |absorption: f64| ChargeProfile { float: Some(Volts(13.5)), rebulk: Volts(12.8), ..holding(absorption) };
    let first = Source::new(Amperes(60.0), Coordination::VoltageSensing, profile(14.2));
    let second = Source::new(Amperes(40.0), Coordination::VoltageSensing, profile(14.2));
    let sail = |start: [u32; 2]| -> Vec<Moment> {
        let mut plant = Plant::new(bank.clone(), soc, vec![first.clone(), second.clone()], Celsius(25.0));
        (0..3600)
            .map(|t| {
                let fed = start.map(|from| Conditions { on: t >= from, ..FED });
                plant.step(&fed, Amperes(0.0), Celsius(25.0), Seconds(1.0))
            })
            .collect()
    };
    let alone = sail([0, 1800]);
    near("at rest", 6.0 * ocv(Chemistry::Agm).at(soc), 12.5, 1e-9);
    let lifted = &alone[1799];
    near("lifted", lifted.bus.0, 14.2, 0.2);
    assert!(lifted.sources[0].current.0 > 10.0, "the bank is far from full: {lifted:?}");
    for m in &alone[1800..] {
        assert_eq!((m.sources[1].current, m.sources[1].stage), (Amperes(0.0), SourceStage::Float));
    }
    // Started together, both look at 12.5 V and both charge.
    let together = sail([0, 0]);
    assert!(together[60].sources.iter().all(|s| s.current.0 > 5.0), "{:?}", together[60]);
}
