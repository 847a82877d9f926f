//! The summaries against sums written out by hand and against the plain formula.

use super::*;
use crate::{BlockView, Rows, encode};
use ampwake_schemas::message::Scale;
use proptest::prelude::*;

const CENTI: Coding = Coding::Scaled(Scale { step: 1, offset: 0, decimals: 2 });

fn rows(points: &[(i64, Option<i64>)]) -> Rows {
    let mut rows = Rows::new([false]);
    for (t, raw) in points {
        rows.times.push(*t);
        rows.columns[0].push(raw.unwrap_or(0), if raw.is_some() { 0 } else { 1 });
    }
    rows
}

fn summary(rows: &Rows) -> Summary {
    let mut carry = Carry::default();
    let all = std::iter::once(0..rows.len()).collect::<Vec<_>>();
    rows.columns[0].summaries(&rows.times, &all, CENTI, &mut carry).next().unwrap()
}

#[test]
fn by_hand() {
    // 10 A for 2 s, up to 20 A within 1 s, one row without a value, then 5 A twice, 61 s apart.
    let points = [
        (0, Some(1000)),
        (2000, Some(1000)),
        (3000, Some(2000)),
        (4000, None),
        (5000, Some(500)),
        (66_000, Some(500)),
        (67_000, Some(700)),
    ];
    let s = summary(&rows(&points));
    assert_eq!((s.count, s.missing, s.min, s.max, s.sum), (7, 1, 5.0, 20.0, 57.0));
    assert_eq!((s.integral, s.covered_ms), (20.0 + 15.0 + 6.0, 4000));
    assert_eq!((s.first, s.last), (Some((0, 10.0)), Some((67_000, 7.0))));
}

#[test]
fn the_step_into_a_stretch_belongs_to_it() {
    let rows = rows(&[(0, Some(100)), (1000, Some(300)), (2000, Some(500))]);
    let mut carry = Carry::default();
    let parts: Vec<_> = rows.columns[0].summaries(&rows.times, &[0..1, 1..3], CENTI, &mut carry).collect();
    assert_eq!(parts.iter().map(|p| p.integral).collect::<Vec<_>>(), [0.0, 2.0 + 4.0]);
    let mut whole = parts[0];
    whole.merge(&parts[1]);
    assert_eq!(whole, summary(&rows));
}

proptest! {
    #[test]
    fn a_block_sums_up_to_what_its_rows_do(points in points(), cut in 0_usize..400) {
        let rows = rows(&points);
        let block = encode(&rows);
        let (view, columns) = BlockView::read(&block, |_| true).unwrap();
        let whole = summary(&rows);
        prop_assert_eq!(view.summarise(&columns[0], CENTI), whole);
        let cut = cut.min(rows.len());
        let mut carry = Carry::default();
        let mut parts = Summary::default();
        for part in rows.columns[0].summaries(&rows.times, &[0..cut, cut..rows.len()], CENTI, &mut carry) {
            parts.merge(&part);
        }
        // Values of at most 20 over at most seven hours, however they cancel.
        let close = |a: f64, b: f64| (a - b).abs() <= 1e-6;
        prop_assert!(close(parts.integral, whole.integral) && close(parts.sum, whole.sum));
        prop_assert_eq!((parts.count, parts.missing, parts.min, parts.max), (whole.count, whole.missing, whole.min, whole.max));
        // The formula, term by term.
        let (mut integral, mut sum) = (0.0, 0.0);
        for (i, (t, raw)) in points.iter().enumerate() {
            let Some(raw) = raw else { continue };
            sum += CENTI.value(*raw);
            if let Some((t0, Some(before))) = i.checked_sub(1).map(|i| points[i]) && t - t0 <= GAP_MS {
                integral += (CENTI.value(before) + CENTI.value(*raw)) / 2.0 * (t - t0) as f64 / 1000.0;
            }
        }
        prop_assert!((integral - whole.integral).abs() <= 1e-9 * (1.0 + whole.max.abs().max(whole.min.abs()).min(1e300) * 1e5));
        prop_assert!((sum - whole.sum).abs() <= 1e-9 * (1.0 + sum.abs()) + 1e-6);
    }
}

fn points() -> impl Strategy<Value = Vec<(i64, Option<i64>)>> {
    let value = prop_oneof![4 => (-2000_i64..2000).prop_map(Some), 1 => Just(None)];
    let steps = prop_oneof![8 => 0_i64..3000, 1 => 59_000_i64..62_000];
    (0_i64..2_000_000_000_000, prop::collection::vec((steps, value), 1..400)).prop_map(|(start, steps)| {
        steps
            .into_iter()
            .scan(start, |t, (step, value)| {
                *t += step;
                Some((*t, value))
            })
            .collect()
    })
}
