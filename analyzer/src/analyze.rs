//! The analysis from end to end: recording and intent in, findings and pictures out.

use crate::battery::{self, Life};
use crate::chart::BankCharts;
use crate::opportunity::{self, Opportunity};
use crate::recording::Recording;
use crate::remark;
use crate::series::Grid;
use crate::sessions::{self, SessionSpan};
use crate::stages::{self, Progress, Span};
use crate::verdict::{self, Tested};
use crate::view::{self, BankView};
use crate::{document, era, marks, quality, trial, whatif};
use ampwake_schemas::findings::{Finding, Findings, Period, SCHEMA, Session, Verdict};
use ampwake_schemas::intent::Intent;
use ampwake_schemas::time::Timestamp;
use ampwake_schemas::trial::Trial;

/// What the analysis says, and what its pictures show.
#[derive(Debug, Clone)]
pub struct Analysis {
    /// The document.
    pub findings: Findings,
    /// One set of pictures per bank.
    pub charts: Vec<BankCharts>,
    /// The commissioning tests of the vessel, with what the recording has of each.
    pub trial: Trial,
}

/// What is worked out for one bank before anything is said about it.
pub struct Worked<'a> {
    /// The bank and its sources on the axis.
    pub view: BankView<'a>,
    /// Its stages.
    pub spans: Vec<Span>,
    /// Where it stands with its profile.
    pub progress: Progress,
    /// The opportunity of every source.
    pub opportunity: Vec<Opportunity>,
    /// Its charging sessions.
    pub sessions: Vec<SessionSpan>,
}

/// The analysis of a part of a longer recording, with what is needed to join it to the others.
pub struct Piece {
    /// Of this part alone.
    pub analysis: Analysis,
    /// What was measured for every requirement.
    pub tested: Vec<Tested>,
    /// What every bank lived through.
    pub banks: Vec<Life>,
}

/// Analyses a recording against the intent.
pub fn analyze(recording: &Recording, intent: &Intent) -> Analysis {
    piece(recording, intent, &mut |_| {}).analysis
}

/// As [`analyze`], for a part of a longer recording; shows what was worked out for each bank, reversed sensors turned, to
/// `look`.
pub fn piece(recording: &Recording, intent: &Intent, look: &mut dyn FnMut(&Worked<'_>)) -> Piece {
    let of_this_time = era::without_strays(recording);
    let (recording, strays) = of_this_time.as_ref().map_or((recording, 0), |(r, n)| (r, *n));
    let epoch = Timestamp::default();
    let period = recording.period.unwrap_or(Period { start: epoch, end: epoch });
    let changes = crate::applicable::changes(intent, period);
    let intent = &crate::applicable::at(intent, period.start);
    let grid = Grid::over(period.start.millis(), period.end.millis());
    let mut findings: Vec<Finding> = remark::recorder::remarks(recording);
    findings.extend(remark::ac::parallel(intent, recording));
    let mut sessions: Vec<Session> = Vec::new();
    let mut charts = Vec::new();
    let mut tested: Vec<Option<Tested>> = vec![None; intent.requirements.len()];
    let mut banks: Vec<Life> = Vec::new();
    let mut data_quality = quality::quality(recording, intent, period);
    data_quality.notes.extend(changes);
    if strays > 0 {
        data_quality.notes.push(format!(
            "{strays} samples are dated more than a year from all others: a clock that was not set. They are left out."
        ));
    }
    let mut tried = Vec::new();
    for bank in &intent.banks {
        let first = view::build(recording, intent, bank, grid);
        let reversed = remark::sensors::reversed(&first);
        let swapped = remark::swapped::swapped(&first, recording);
        let turned = remark::sensors::corrected(intent, &bank.name, &reversed);
        let turned = remark::swapped::corrected(&turned, &swapped);
        let Some(bank) = turned.banks.iter().find(|b| b.name == bank.name) else { continue };
        let as_told = reversed.is_empty() && swapped.is_empty();
        let view = if as_told { first } else { view::build(recording, &turned, bank, grid) };
        findings.extend(reversed.into_iter().map(|r| r.finding));
        findings.extend(swapped.into_iter().map(|s| s.finding));
        let w = work(view);
        let stage = stages::per_cell(&w.spans, grid.len);
        findings.extend(remark::sources::remarks(&w.view, &stage, &w.progress, &w.opportunity));
        findings.extend(remark::stage::mismatches(&w.view, &stage, &w.progress));
        findings.extend(remark::limits::remarks(&w.view, recording));
        findings.extend(remark::disconnect::remarks(&w.view));
        findings.extend(remark::design::load_dump(&w.view));
        findings.extend(remark::energy_loop::remarks(&w.view, recording));
        remark::energy_loop::excuse(&mut findings);
        findings.extend(remark::habits::hunting(&w.view, &w.opportunity));
        findings.extend(remark::habits::endless_absorption(&w.view, &w.spans));
        findings.extend(remark::full::never(&w.view, &w.spans));
        findings.extend(remark::restart::failed(&w.view, &w.progress));
        findings.extend(remark::habits::offsets(&w.view));
        let drops = remark::habits::cable_drop(&w.view, &findings);
        findings.extend(drops);
        findings.extend(remark::battery::remarks(&w.view, recording));
        findings.extend(remark::sensors::temperature_faults(&w.view, recording));
        findings.extend(remark::sensors::balance(&w.view));
        let life = Life::of(&w.view, &w.spans);
        let context = verdict::Context {
            view: &w.view,
            recording,
            spans: &w.spans,
            progress: &w.progress,
            opportunity: &w.opportunity,
            sessions: &w.sessions,
            life: &life,
        };
        for (r, slot) in intent.requirements.iter().zip(&mut tested) {
            let here = match &r.bank {
                Some(name) => *name == bank.name,
                // A requirement on sources belongs to their bank; the rest, and those on AC sources, to the first.
                None => r.sources.iter().all(|s| {
                    w.view.sources.iter().any(|v| v.intent.name == *s) || intent.ac_sources.iter().any(|a| a.name == *s)
                }),
            };
            if slot.is_none() && (here || intent.banks.len() == 1) {
                let outcome = verdict::measure(r, &context);
                *slot = Some(Tested { requirement: r.clone(), bank: Some(bank.name.clone()), outcome });
            }
        }
        quality::note_view(&w.view, charts.is_empty(), &mut data_quality);
        banks.push(life);
        whatif::tell(&w, &mut findings);
        tried.push(trial::of_bank(&w, &findings));
        let several = intent.banks.len() > 1;
        sessions.extend(document::sessions(&w, sessions.len(), several));
        charts.push(document::charts(&w, recording));
        look(&w);
    }
    let marks = marks::marks(recording, intent);
    findings.extend(marks::disagreements(&marks, intent));
    document::clip(&mut sessions, &mut findings, period);
    marks::explain(&mut findings, &marks);
    document::order(&mut findings);
    let tested: Vec<Tested> = intent
        .requirements
        .iter()
        .zip(tested)
        .map(|(r, t)| {
            t.unwrap_or_else(|| Tested {
                requirement: r.clone(),
                bank: None,
                outcome: Err("no bank of the intent has these sources".to_owned()),
            })
        })
        .collect();
    let verdicts: Vec<Verdict> = tested.iter().map(|t| verdict::judge(&t.requirement, t.outcome.clone())).collect();
    let whole = trial::Whole {
        intent,
        recording,
        quality: &data_quality,
        findings: &findings,
        verdicts: &verdicts,
        marks: &marks,
        period,
    };
    let plan = trial::plan(tried, &whole);
    let analysis = Analysis {
        findings: Findings {
            schema: SCHEMA.to_owned(),
            vessel: intent.vessel.name.clone(),
            period,
            data_quality,
            sessions,
            findings,
            verdicts,
            battery: battery::of_first(&banks),
            marks,
            trial: plan.tests.iter().map(|t| t.standing.clone()).collect(),
            trend: Vec::new(),
        },
        charts,
        trial: plan,
    };
    Piece { analysis, tested, banks }
}

/// Stages, progress, opportunity and sessions of one bank.
pub fn work(view: BankView<'_>) -> Worked<'_> {
    let spans = stages::decode(&view);
    let progress = stages::progress(&view, &spans);
    let opportunity = opportunity::opportunities(&view, &progress);
    let sessions = sessions::sessions(&view);
    Worked { view, spans, progress, opportunity, sessions }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{AMPS, Tape, VOLTS, amps, state, supply, vessel};
    use ampwake_schemas::findings::Cause;

    /// Sixty days have cells of 21 s: what counts cells must still mean seconds.
    #[test]
    fn two_months_in_coarse_cells() {
        let intent = vessel("");
        // Every day from eight to noon the first gives 50 A, and the second stands idle in float.
        let on = |t: i64| (8..12).contains(&(t / 3600 % 24));
        let tape = Tape::every(60 * 86_400, 30)
            .fed()
            .with(VOLTS, move |t| if on(t) { 55.0 } else { 53.0 })
            .with(AMPS, move |t| if on(t) { 50.0 } else { -10.0 })
            .with(&amps(1), move |t| if on(t) { 50.0 } else { 0.0 })
            .with(&amps(2), |_| 0.0)
            .with(&supply(2), move |t| if on(t) { 230.0 } else { 0.0 })
            .with(&state(2), |_| 5.0);
        let f = analyze(&tape.recording(), &intent).findings;
        assert_eq!(f.sessions.len(), 60);
        for s in &f.sessions {
            assert!((s.end.seconds_since(s.start) - 14_400.0).abs() <= 63.0, "{s:?}");
            // The edges' trapezoids: half of 30 s on either side.
            assert!((s.charge_ah - 200.0).abs() < 0.5 && (s.energy_wh - 11_000.0).abs() < 60.0, "{s:?}");
            let second = &s.sources[1];
            assert!((second.opportunity_s - 14_400.0).abs() <= 63.0 && second.contributing_s == 0.0, "{second:?}");
            assert!((second.lost_ah - 200.0).abs() < 1.0, "{second:?}");
        }
        let held = f.findings.iter().find(|x| x.cause == Some(Cause::HeldOffByBusVoltage)).expect("it is held off");
        assert_eq!(held.source.as_deref(), Some("second"));
    }
}
