//! Filling in the findings document and the pictures from what was worked out.

use crate::analyze::Worked;
use crate::chart::{BankCharts, StageBand, TemperatureTrace, Trace};
use crate::figures;
use crate::opportunity::contribution;
use crate::recording::Recording;
use crate::series::Series;
use crate::stats;
use crate::temperature::{CELLS, EQUIPMENT, plausible};
use crate::view::BankView;
use ampwake_schemas::findings::{Evidence, Finding, Period, Session, SourceInSession, StageSpan, Verdict, VerdictWord};
use ampwake_schemas::intent::Requirement;
use ampwake_schemas::time::Timestamp;
use std::collections::BTreeMap;

/// The sessions of one bank; `before` is the number of sessions already in the document.
pub fn sessions(w: &Worked, before: usize, several_banks: bool) -> Vec<Session> {
    w.sessions
        .iter()
        .enumerate()
        .map(|(n, s)| {
            let view = &w.view;
            let (from, to) = (view.grid.at(s.start), view.grid.at(s.end));
            let given: Vec<figures::Given> =
                (0..view.sources.len()).map(|j| figures::charge(view, j, s.start, s.end)).collect();
            let total: f64 = given.iter().map(|g| g.ah).sum();
            let hours = view.grid.step_s() / 3600.0;
            let energy: f64 = (s.start..s.end)
                .map(|k| (view.current[k].max(0.0) * view.voltage[k]) * hours)
                .filter(|e| e.is_finite())
                .sum();
            Session {
                id: u32::try_from(before + n + 1).unwrap_or(u32::MAX),
                bank: several_banks.then(|| view.intent.name.clone()),
                start: Timestamp::from_millis(from),
                end: Timestamp::from_millis(to),
                charge_ah: digits(view.current_series.integral_positive(from, to).value_h, 3),
                charge_net_ah: digits(view.current_series.integral(from, to, |i| i).value_h, 3),
                energy_wh: digits(energy, 1),
                soc_start: view.soc[s.start..s.end].iter().find(|v| !v.is_nan()).map(|v| digits(*v, 3)),
                soc_end: view.soc[s.start..s.end].iter().rev().find(|v| !v.is_nan()).map(|v| digits(*v, 3)),
                stages: stage_spans(w, s.start, s.end),
                sources: view
                    .sources
                    .iter()
                    .enumerate()
                    .map(|(j, source)| {
                        let c = contribution(view, j, &w.opportunity[j], s.start, s.end);
                        SourceInSession {
                            source: source.intent.name.clone(),
                            charge_ah: digits(given[j].ah, 3),
                            charge_uncertainty_ah: digits(given[j].u_ah, 3),
                            energy_wh: digits(given[j].wh, 1),
                            share: (total > 0.0).then(|| digits(given[j].ah / total, 4)),
                            opportunity_s: digits(c.opportunity_s, 0),
                            contributing_s: digits(c.contributing_s, 0),
                            lost_ah: digits(c.lost_ah, 2),
                            measured: source.measured,
                        }
                    })
                    .collect(),
            }
        })
        .collect()
}

fn digits(x: f64, decimals: i32) -> f64 {
    let scale = 10_f64.powi(decimals);
    (x * scale).round() / scale
}

fn stage_spans(w: &Worked, from: usize, to: usize) -> Vec<StageSpan> {
    let view = &w.view;
    let mut spans: Vec<crate::stages::Span> = w
        .spans
        .iter()
        .filter(|s| s.end > from && s.start < to)
        .map(|s| crate::stages::Span { start: s.start.max(from), end: s.end.min(to), ..*s })
        .collect();
    // What a session's edge cuts off a stage is no stage of its own.
    let sliver = view.grid.cells(60.0);
    if spans.len() > 1 && spans[0].end - spans[0].start < sliver {
        let start = spans.remove(0).start;
        spans[0].start = start;
    }
    if let [.., _, last] = spans[..]
        && last.end - last.start < sliver
    {
        spans.pop();
        if let Some(new_last) = spans.last_mut() {
            new_last.end = last.end;
        }
    }
    spans
        .iter()
        .map(|s| {
            let cells = s.start..s.end;
            let (a, b) = (view.grid.at(cells.start), view.grid.at(cells.end));
            StageSpan {
                stage: s.stage,
                start: Timestamp::from_millis(a),
                end: Timestamp::from_millis(b),
                confidence: digits(s.confidence, 2),
                voltage_mean: stats::mean(view.voltage[cells.clone()].iter().copied()).map(|v| digits(v, 3)),
                current_mean: stats::mean(view.current[cells.clone()].iter().copied()).map(|v| digits(v, 2)),
                charge_ah: digits(view.current_series.integral_positive(a, b).value_h, 3),
                reported: reported(view, cells),
            }
        })
        .collect()
}

/// What every source reported for most of these cells.
fn reported(view: &BankView, cells: std::ops::Range<usize>) -> BTreeMap<String, String> {
    let mut out = BTreeMap::new();
    for s in &view.sources {
        let mut counts: BTreeMap<crate::state::Reported, usize> = BTreeMap::new();
        for r in s.reported[cells.clone()].iter().flatten() {
            *counts.entry(*r).or_default() += 1;
        }
        if let Some((r, _)) = counts.into_iter().max_by_key(|c| c.1) {
            out.insert(s.intent.name.clone(), r.text().to_owned());
        }
    }
    out
}

/// Ends that reach beyond the last sample by part of a cell are drawn back to it.
pub fn clip(sessions: &mut [Session], findings: &mut [Finding], period: Period) {
    let ends =
        sessions.iter_mut().flat_map(|s| std::iter::once(&mut s.end).chain(s.stages.iter_mut().map(|x| &mut x.end)));
    // A mark may have been made just after it.
    for end in ends.chain(findings.iter_mut().flat_map(|f| [&mut f.start, &mut f.end])) {
        *end = (*end).min(period.end);
    }
}

/// Most severe first, then the sources' own findings, then the rest, in time order.
pub fn order(findings: &mut [Finding]) {
    findings.sort_by(|a, b| {
        (std::cmp::Reverse(a.severity), a.kind, a.start, &a.source).cmp(&(
            std::cmp::Reverse(b.severity),
            b.kind,
            b.start,
            &b.source,
        ))
    });
}

/// A requirement for which there is no evidence at all.
pub fn untested(r: &Requirement, reason: &str) -> Verdict {
    Verdict {
        id: r.id.clone(),
        text: r.text.clone(),
        quantity: r.quantity.text().to_owned(),
        limit: r.limit.value(),
        measured: None,
        uncertainty: None,
        unit: r.unit.clone(),
        verdict: VerdictWord::NotTested,
        reason: reason.to_owned(),
        evidence: Evidence::new(),
    }
}

/// Columns of the widest picture, to spare.
const COLUMNS: usize = 4000;

/// The pictures of one bank.
pub fn charts(w: &Worked, recording: &Recording) -> BankCharts {
    let view = &w.view;
    let (from, to) = (view.grid.start, view.grid.at(view.grid.len));
    let period = Period { start: Timestamp::from_millis(from), end: Timestamp::from_millis(to) };
    let measured: Vec<_> = view.sources.iter().filter(|s| s.current.iter().any(|i| !i.is_nan())).collect();
    let mut temperatures: Vec<TemperatureTrace> = Vec::new();
    let limits = &view.intent.temperature;
    for (n, signal) in view.intent.signals.temperature.iter().enumerate() {
        let label = if n == 0 { view.intent.name.clone() } else { format!("{} {}", view.intent.name, n + 1) };
        temperatures.push(TemperatureTrace {
            trace: series_trace(period, &label, &plausible(&recording.signal(signal), CELLS).0),
            max_c: Some(limits.charge_max_c),
            min_c: Some(limits.charge_min_c),
        });
    }
    for s in &view.sources {
        if let Some(signal) = &s.intent.signals.temperature {
            temperatures.push(TemperatureTrace {
                trace: series_trace(period, &s.intent.name, &plausible(&recording.signal(signal), EQUIPMENT).0),
                max_c: s.intent.max_c,
                min_c: None,
            });
        }
    }
    temperatures.retain(|t| !t.trace.parts.is_empty());
    BankCharts {
        bank: view.intent.name.clone(),
        period,
        voltage: series_trace(period, "bank voltage", &view.voltage_series),
        absorption_v: cells_trace(period, "absorption set-point", view, &view.absorption_v),
        float_v: cells_trace(period, "float set-point", view, &view.float_v),
        current: series_trace(period, "bank current", &view.current_series),
        max_charge_a: view.intent.max_charge_a,
        sources: measured.iter().map(|s| cells_trace(period, &s.intent.name, view, &s.current)).collect(),
        ratings: measured.iter().map(|s| s.intent.rated_a).collect(),
        temperatures,
        stages: w
            .spans
            .iter()
            .map(|s| StageBand { stage: s.stage, start: view.grid.at(s.start), end: view.grid.at(s.end) })
            .collect(),
        gaps: recording
            .silences
            .iter()
            .map(|(a, b)| Period { start: Timestamp::from_millis(*a), end: Timestamp::from_millis(*b) })
            .collect(),
    }
}

fn series_trace(period: Period, label: &str, series: &Series) -> Trace {
    trace(period, label, series.points(), series.hold_ms())
}

fn cells_trace(period: Period, label: &str, view: &BankView, cells: &[f64]) -> Trace {
    trace(period, label, cells.iter().enumerate().map(|(k, v)| (view.grid.at(k), *v)), 2 * view.grid.step)
}

/// Splits at gaps, and keeps what a picture twice as wide as any screen can show.
fn trace(period: Period, label: &str, points: impl Iterator<Item = (i64, f64)>, hold: i64) -> Trace {
    let mut parts: Vec<Vec<(i64, f64)>> = Vec::new();
    let mut last: Option<i64> = None;
    for (t, v) in points {
        if v.is_nan() {
            last = None;
            continue;
        }
        match (last, parts.last_mut()) {
            (Some(before), Some(part)) if t - before <= hold => part.push((t, v)),
            _ => parts.push(vec![(t, v)]),
        }
        last = Some(t);
    }
    Trace { label: label.to_owned(), parts }.thinned(period, COLUMNS)
}
