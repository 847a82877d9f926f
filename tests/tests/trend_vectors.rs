//! The statistics of trends against SciPy 1.17.1 (`theilslopes`, 95 %) and pymannkendall 1.4.3 (`original_test`), both from
//! PyPI: `vectors/trend.json`.

use ampwake_analyzer::trend::stats::{mann_kendall, theil_sen};
use ampwake_tests::file;
use serde_json::Value;

fn numbers(of: &Value) -> Vec<f64> {
    of.as_array().expect("a list").iter().map(|v| v.as_f64().expect("a number")).collect()
}

#[test]
fn slopes_and_tests_agree_with_independent_libraries() {
    let text = std::fs::read_to_string(file("vectors/trend.json")).expect("the vectors");
    let all: Value = serde_json::from_str(&text).expect("JSON");
    let x = numbers(&all["capacity"]["x"]);
    let mut compared = 0;
    for name in ["capacity", "outlier", "ties", "flat"] {
        let case = &all[name];
        let y = numbers(&case["y"]);
        let near = |a: f64, b: &Value| (a - b.as_f64().expect("a number")).abs() < 1e-7;
        let m = mann_kendall(&y);
        assert!(near(m.s, &case["mk"]["s"]) && near(m.variance, &case["mk"]["var_s"]), "{name}: {m:?}");
        assert!(near(m.z, &case["mk"]["z"]) && near(m.p, &case["mk"]["p"]), "{name}: {m:?}");
        let points: Vec<(f64, f64)> = x.iter().copied().zip(y).collect();
        let t = theil_sen(&points, 1.959_963_985).expect("a slope");
        assert!(near(t.slope, &case["mk"]["slope"]), "{name}: {t:?}");
        if let Some(full) = case.get("theilsen95") {
            for (ours, theirs) in [(t.low, "low"), (t.high, "high"), (t.intercept, "intercept")] {
                assert!(near(ours, &full[theirs]), "{name}, {theirs}: {t:?}");
                compared += 1;
            }
        }
    }
    assert_eq!(compared, 9);
}
