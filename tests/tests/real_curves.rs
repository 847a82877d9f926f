//! Stages on real charges of a lithium cell.
//!
//! Source: PyPI package `battery-data-toolkit` 0.4.6 (Apache-2.0), `tests/files/arbin_example.csv`: a 1.1 Ah cell,
//! 3.6 V constant-voltage phase, 30 degC. Transition times are read off the same file with pandas:
//! the constant-voltage phase begins 515 s (cycle 1) and 525 s (cycle 2) into the charge, one 5 s sample sharp;
//! the current is down to 5 % of 1.1 A after 1110 s and 1115 s; the trapezoidal charge is 0.190457 and 0.191041 Ah.

use ampwake_analyzer::analyze::work;
use ampwake_analyzer::series::Grid;
use ampwake_analyzer::stages::tail_reached;
use ampwake_analyzer::view;
use ampwake_schemas::findings::Stage;
use ampwake_schemas::intent::Chemistry;
use ampwake_tests::{BANK_CURRENT, BANK_VOLTAGE, bank, columns, intent, recording};

type Edges = Vec<(Stage, f64, f64)>;

/// Stages with their times in seconds, the tail's time, and the charge in Ah.
fn stages(path: &str) -> (Edges, Option<f64>, f64) {
    let c = columns(path, &["t_s", "i_a", "v_v"]);
    let points = |k: usize| c[0].iter().copied().zip(c[k].iter().copied()).collect::<Vec<_>>();
    let r = recording(&[(BANK_CURRENT, points(1)), (BANK_VOLTAGE, points(2))]);
    let mut cell = bank(Chemistry::Lfp, 1, 1.1, 3.6, 0.055);
    cell.profile.float_v = None; // the cycler does not float
    // The cycler's current scatters by some 5 mA around the tail, as the file shows.
    let intent = intent(cell, Vec::new(), false, 0.005, 0.002);
    let (from, to) = ((c[0][0] * 1000.0) as i64, (c[0][c[0].len() - 1] * 1000.0) as i64);
    let grid = Grid::over(from, to);
    let w = work(view::build(&r, &intent, &intent.banks[0], grid));
    let seconds = |k: usize| (grid.at(k) - from) as f64 / 1000.0;
    let edges = w.spans.iter().map(|s| (s.stage, seconds(s.start), seconds(s.end))).collect();
    let absorption = w.spans.iter().find(|s| s.stage == Stage::Absorption);
    let tail = absorption.and_then(|s| tail_reached(&w.view, s)).map(seconds);
    (edges, tail, w.view.current_series.integral(from, to, |i| i).value_h)
}

#[test]
fn constant_current_then_constant_voltage() {
    for (path, edge, tail, charge) in [
        ("curves/lfp_1c_cccv_cycle1.csv", 515.0, 1110.0, 0.190457),
        ("curves/lfp_1c_cccv_cycle2.csv", 525.0, 1115.0, 0.191041),
    ] {
        let (edges, reached, q) = stages(path);
        let found: Vec<Stage> = edges.iter().map(|e| e.0).collect();
        assert_eq!(found, [Stage::Bulk, Stage::Absorption], "{path}: {edges:?}");
        // The band around the set-point (0.5 % = 18 mV) is entered before the set-point itself is reached: the cell
        // needs some 25 s for the last 18 mV.
        assert!((edges[1].1 - edge).abs() <= 30.0, "{path}: absorption from {} s, measured {edge} s", edges[1].1);
        let reached = reached.expect("the tail is reached");
        assert!((reached - tail).abs() <= 10.0, "{path}: tail at {reached} s, measured {tail} s");
        assert!((q - charge).abs() < 2e-5, "{path}: {q} Ah, measured {charge} Ah");
    }
}

#[test]
fn a_whole_cycle_with_a_constant_voltage_discharge() {
    // Segments of the cycler in seconds from the first sample (2700.4 s): charge to 607, rest to 907, charge at 1C from
    // 913 to 2108 (constant voltage from about 1438), discharge to 3308 (its last part at constant voltage, 2.0 V: no
    // absorption), rest to the end at 3608.
    let (edges, _, _) = stages("curves/lfp_full_cycle2_fast_rest_1c_cv_discharge_rest.csv");
    let found: Vec<Stage> = edges.iter().map(|e| e.0).collect();
    let last_four = &found[found.len() - 4..];
    assert_eq!(last_four, [Stage::Bulk, Stage::Absorption, Stage::Discharge, Stage::Rest], "{edges:?}");
    let e = &edges[edges.len() - 4..];
    assert!((e[1].1 - 1438.0).abs() <= 40.0, "{edges:?}");
    assert!((e[2].1 - 2108.0).abs() <= 15.0, "{edges:?}");
    assert!((e[3].1 - 3308.0).abs() <= 90.0, "{edges:?}");
    assert_eq!(found[0], Stage::Bulk);
    assert!(found.contains(&Stage::Rest), "the rest between the two charges: {edges:?}");
    assert!(!found.contains(&Stage::Float));
}
