//! Long recordings: cut into pieces of about a day at moments in which no source gives, each piece analysed by itself at
//! full resolution, the results joined. Memory does not grow with the length, and as many pieces are worked on at once
//! as there are processors.
//!
//! What is joined is what the pieces say: sessions follow each other, findings of one kind, cause and source become one
//! with the number of days on which it was seen, and a requirement is judged from what every piece measured for it.

mod cut;
mod findings;
mod pictures;
mod quality;
mod run;

pub use run::{analyse, is_long};

use crate::analyze::{Analysis, Piece};
use crate::battery;
use crate::trend::{self, Lead};
use crate::verdict;
use crate::{applicable, document, trial};
use ampwake_schemas::findings::{Findings, Period, SCHEMA, Verdict};
use ampwake_schemas::intent::Intent;

/// A recording longer than this is cut, ms: two days, so that a day with its evening before is still one axis.
pub const LONGEST_MS: i64 = 2 * 86_400_000;

/// The analysis of the whole from that of its pieces, which follow each other in time.
pub fn join(pieces: Vec<Piece>, leads: &[Lead], intent: &Intent, period: Period) -> Analysis {
    let (mut sessions, mut lists, mut charts, mut qualities) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    let mut outcomes: Vec<(Period, Vec<verdict::Tested>)> = Vec::new();
    let mut banks: Vec<battery::Life> = Vec::new();
    let (mut marks, mut plans) = (Vec::new(), Vec::new());
    for piece in pieces {
        let f = piece.analysis.findings;
        sessions.extend(f.sessions);
        marks.extend(f.marks);
        plans.push(piece.analysis.trial);
        lists.push(f.findings);
        qualities.push((f.period, f.data_quality));
        charts.push(piece.analysis.charts);
        outcomes.push((f.period, piece.tested));
        match banks.len() {
            0 => banks = piece.banks,
            _ => banks.iter_mut().zip(piece.banks).for_each(|(life, next)| life.follow(next)),
        }
    }
    for (session, id) in sessions.iter_mut().zip(1..) {
        session.id = id;
    }
    let mut all = findings::join(lists);
    let trend = trend::lines(intent, period, &sessions, leads, &banks);
    all.extend(trend::findings(&trend));
    document::order(&mut all);
    // Requirements as they hold at the end: a promise that was replaced is not held against what came after it.
    let at_end = applicable::at(intent, period.end);
    let verdicts: Vec<Verdict> = at_end.requirements.iter().map(|r| verdict::over(r, &outcomes, &banks)).collect();
    let trial = trial::over(plans, &verdicts, &marks, period).unwrap_or_default();
    Analysis {
        findings: Findings {
            schema: SCHEMA.to_owned(),
            vessel: intent.vessel.name.clone(),
            period,
            data_quality: quality::join(qualities, period),
            sessions,
            findings: all,
            verdicts,
            battery: battery::of_first(&banks),
            marks,
            trial: trial.tests.iter().map(|t| t.standing.clone()).collect(),
            trend,
        },
        charts: pictures::join(charts, period),
        trial,
    }
}
