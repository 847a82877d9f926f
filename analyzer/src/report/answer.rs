//! The answer that stands first in every output: who did not deliver, what is dangerous, how the promises stand.
//!
//! Owes its reader: nothing that was not seen counts as good, and what is dangerous comes before what is slow.

use super::{Place, ReportInput, words};
use ampwake_schemas::findings::{Finding, Kind, Severity, VerdictWord};
use std::cmp::Reverse;

/// How many requirements came to which verdict.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Tally {
    /// Shown to be met.
    pub met: usize,
    /// Shown not to be met.
    pub not_met: usize,
    /// Too close to call.
    pub undetermined: usize,
    /// No evidence.
    pub not_tested: usize,
}

impl Tally {
    /// The four counts with their words, in the order in which they matter.
    pub fn counts(&self) -> [(VerdictWord, usize); 4] {
        [
            (VerdictWord::NotMet, self.not_met),
            (VerdictWord::Undetermined, self.undetermined),
            (VerdictWord::NotTested, self.not_tested),
            (VerdictWord::Met, self.met),
        ]
    }

    /// Number of requirements.
    pub fn total(&self) -> usize {
        self.met + self.not_met + self.undetermined + self.not_tested
    }
}

/// One line of the answer: the finding that tells it, and how many more there are about the same source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point<'a> {
    /// The weightiest finding.
    pub finding: &'a Finding,
    /// Further findings about the same source of severity caution or danger.
    pub further: usize,
}

/// The answer.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer<'a> {
    /// One sentence.
    pub headline: String,
    /// One per source with a caution or danger, and one per danger of the bank or installation; dangers first.
    pub points: Vec<Point<'a>>,
    /// Number of cautions that concern no source: told further down.
    pub other_cautions: usize,
    /// Sources that had opportunity, contributed, and have no caution or danger.
    pub delivered: Vec<&'a str>,
    /// Sources that never had an opportunity and have no caution or danger: nothing is known of them.
    pub idle: Vec<&'a str>,
    /// Sources without a current sensor, whose figures are inferred.
    pub inferred: Vec<&'a str>,
    /// The requirements.
    pub tally: Tally,
}

/// True for what says that a source did not put in what it could.
fn is_about_contribution(kind: Kind) -> bool {
    matches!(
        kind,
        Kind::NonContributingSource
            | Kind::UnderContributingSource
            | Kind::ThermalDerating
            | Kind::FailedToRestart
            | Kind::SourceHunting
            | Kind::VoltageDrop
            | Kind::YieldLoss
    )
}

/// Findings most weighty first: by severity, then what concerns contribution, then the longest, then the surest.
pub fn by_weight<'a>(findings: impl IntoIterator<Item = &'a Finding>) -> Vec<&'a Finding> {
    let mut sorted: Vec<&Finding> = findings.into_iter().collect();
    sorted.sort_by_key(|f| {
        let confidence = (f.confidence.clamp(0.0, 1.0) * 1000.0) as i64;
        let length = f.end.micros().saturating_sub(f.start.micros());
        (Reverse(f.severity), !is_about_contribution(f.kind), Reverse(length), Reverse(confidence))
    });
    sorted
}

impl<'a> Answer<'a> {
    /// Works it out.
    pub fn of(report: &ReportInput<'a>) -> Self {
        let weighty: Vec<&Finding> =
            report.findings.findings.iter().filter(|f| f.severity >= Severity::Caution).collect();
        let mut points: Vec<Point<'a>> = Vec::new();
        let mut failed: Vec<&str> = Vec::new();
        let mut short = 0;
        for source in &report.intent.sources {
            let own = by_weight(weighty.iter().copied().filter(|f| f.source.as_deref() == Some(source.name.as_str())));
            if let Some(first) = own.first() {
                points.push(Point { finding: first, further: own.len() - 1 });
                failed.push(&source.name);
                short += usize::from(own.iter().any(|f| is_about_contribution(f.kind)));
            }
        }
        let rest = weighty.iter().copied().filter(|f| !matches!(report.place(f), Place::Source(_)));
        let (dangers, cautions): (Vec<_>, Vec<_>) = rest.partition(|f| f.severity == Severity::Danger);
        points.extend(by_weight(dangers).into_iter().map(|finding| Point { finding, further: 0 }));
        // Stable: within one severity the designer's order of sources stays.
        points.sort_by_key(|p| Reverse(p.finding.severity));

        let mut tally = Tally::default();
        for verdict in &report.findings.verdicts {
            match verdict.verdict {
                VerdictWord::Met => tally.met += 1,
                VerdictWord::NotMet => tally.not_met += 1,
                VerdictWord::Undetermined => tally.undetermined += 1,
                VerdictWord::NotTested => tally.not_tested += 1,
            }
        }
        let (mut delivered, mut idle, mut inferred) = (Vec::new(), Vec::new(), Vec::new());
        for source in &report.intent.sources {
            let name = source.name.as_str();
            let rows = || report.findings.sessions.iter().flat_map(|s| &s.sources).filter(|s| s.source == name);
            if rows().any(|r| !r.measured) {
                inferred.push(name);
            }
            if failed.contains(&name) {
                continue;
            }
            if rows().any(|r| r.opportunity_s > 0.0 && r.contributing_s > 0.0) {
                delivered.push(name);
            } else {
                idle.push(name);
            }
        }
        let dangerous = weighty.iter().filter(|f| f.severity == Severity::Danger).count();
        let headline =
            words::headline(short, report.intent.sources.len(), dangerous, points.len() + cautions.len(), tally);
        Self { headline, points, other_cautions: cautions.len(), delivered, idle, inferred, tally }
    }
}
