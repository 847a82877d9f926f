//! The analysis from end to end: recording and intent in, findings and pictures out.

use crate::chart::BankCharts;
use crate::opportunity::{self, Opportunity};
use crate::recording::Recording;
use crate::remark;
use crate::series::Grid;
use crate::sessions::{self, SessionSpan};
use crate::stages::{self, Progress, Span};
use crate::verdict;
use crate::view::{self, BankView};
use crate::{document, quality};
use ampwake_schemas::findings::{BatteryFigures, Finding, Findings, Period, SCHEMA, Session, Verdict};
use ampwake_schemas::intent::Intent;
use ampwake_schemas::time::Timestamp;

/// What the analysis says, and what its pictures show.
#[derive(Debug, Clone)]
pub struct Analysis {
    /// The document.
    pub findings: Findings,
    /// One set of pictures per bank.
    pub charts: Vec<BankCharts>,
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

/// Analyses a recording against the intent.
pub fn analyze(recording: &Recording, intent: &Intent) -> Analysis {
    let epoch = Timestamp::default();
    let period = recording.period.unwrap_or(Period { start: epoch, end: epoch });
    let intent = &crate::applicable::at(intent, period.start);
    let grid = Grid::over(period.start.millis(), period.end.millis());
    let mut findings: Vec<Finding> = remark::recorder::remarks(recording);
    let mut sessions: Vec<Session> = Vec::new();
    let mut charts = Vec::new();
    let mut verdicts: Vec<Option<Verdict>> = vec![None; intent.requirements.len()];
    let mut data_quality = quality::quality(recording, intent, period);
    let mut battery = BatteryFigures::default();
    for bank in &intent.banks {
        let first = view::build(recording, intent, bank, grid);
        let reversed = remark::sensors::reversed(&first);
        let turned = remark::sensors::corrected(intent, &bank.name, &reversed);
        let Some(bank) = turned.banks.iter().find(|b| b.name == bank.name) else { continue };
        let view = if reversed.is_empty() { first } else { view::build(recording, &turned, bank, grid) };
        findings.extend(reversed.into_iter().map(|r| r.finding));
        let w = work(view);
        let stage = stages::per_cell(&w.spans, grid.len);
        findings.extend(remark::sources::remarks(&w.view, &stage, &w.progress, &w.opportunity));
        findings.extend(remark::stage::mismatches(&w.view, &stage, &w.progress));
        findings.extend(remark::limits::remarks(&w.view, recording));
        findings.extend(remark::battery::remarks(&w.view, recording));
        findings.extend(remark::sensors::temperature_faults(&w.view, recording));
        findings.extend(remark::sensors::balance(&w.view));
        let context = verdict::Context {
            view: &w.view,
            recording,
            spans: &w.spans,
            progress: &w.progress,
            opportunity: &w.opportunity,
            sessions: &w.sessions,
        };
        for (r, slot) in intent.requirements.iter().zip(&mut verdicts) {
            let here = match &r.bank {
                Some(name) => *name == bank.name,
                // A requirement on sources belongs to their bank; the rest to the first.
                None => r.sources.iter().all(|s| w.view.sources.iter().any(|v| v.intent.name == *s)),
            };
            if slot.is_none() && (here || intent.banks.len() == 1) {
                *slot = Some(verdict::judge(r, &context));
            }
        }
        quality::note_view(&w.view, &mut data_quality);
        if battery.resistance_mohm.is_none() {
            battery = crate::battery::figures(&w.view);
        }
        let several = intent.banks.len() > 1;
        sessions.extend(document::sessions(&w, sessions.len(), several));
        charts.push(document::charts(&w, recording));
    }
    document::order(&mut findings);
    let verdicts = intent
        .requirements
        .iter()
        .zip(verdicts)
        .map(|(r, v)| v.unwrap_or_else(|| document::untested(r, "no bank of the intent has these sources")))
        .collect();
    Analysis {
        findings: Findings {
            schema: SCHEMA.to_owned(),
            vessel: intent.vessel.name.clone(),
            period,
            data_quality,
            sessions,
            findings,
            verdicts,
            battery,
            trend: Vec::new(),
        },
        charts,
    }
}

/// Stages, progress, opportunity and sessions of one bank.
pub fn work(view: BankView<'_>) -> Worked<'_> {
    let spans = stages::decode(&view);
    let progress = stages::progress(&view, &spans);
    let opportunity = opportunity::opportunities(&view, &progress);
    let sessions = sessions::sessions(&view);
    Worked { view, spans, progress, opportunity, sessions }
}
