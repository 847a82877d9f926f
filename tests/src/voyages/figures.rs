//! What a voyage adds to the figures over many: edges of stages, stages without indulgence, causes, resistance.

use super::Voyage;
use ampwake_analyzer::demo::Stretch;
use ampwake_schemas::findings::{Cause, Finding, Findings, Kind, Severity, Stage};

/// What one voyage adds.
#[derive(Debug, Clone, Default)]
pub struct Figures {
    /// Seconds of sessions with the right stage, more than [`EDGE_S`] from every true edge; and all such seconds. Nothing
    /// arguable is left out.
    pub stage_seconds: (f64, f64),
    /// The same by true and found stage.
    pub confusion: Vec<(Stage, Stage, f64)>,
    /// For every true edge in a session: how far off the nearest edge found between the same two stages is, s;
    /// `None`: there is none within [`NEAR_S`].
    pub edges: Vec<Option<f64>>,
    /// For every source that is owed or got a word about a missing contribution: what is true, and what was found.
    pub causes: Vec<(Option<Cause>, Option<Cause>)>,
    /// Cautions and dangers that nobody is owed.
    pub false_cautions: usize,
    /// Days that were sailed.
    pub days: f64,
    /// Resistance found over the true one after the seconds of the measurement, less one.
    pub resistance_error: Option<f64>,
}

/// Around a true edge the stage is not asked for, s.
pub const EDGE_S: u32 = 30;
/// An edge further away is another one, s.
pub const NEAR_S: f64 = 900.0;
/// The step's voltage is read so long after it, s (5 to 10).
const STEP_AGE_S: f64 = 7.5;

impl Figures {
    /// Of `findings` about `voyage`; `blamed` is how many cautions were for nothing.
    pub fn of(voyage: &Voyage, findings: &Findings, blamed: usize) -> Self {
        let mut out = Self {
            false_cautions: blamed,
            days: voyage.trace.instants.len() as f64 / 86_400.0,
            edges: edges(voyage, findings),
            causes: causes(voyage, findings),
            ..Self::default()
        };
        let stages = &voyage.truth.bank.stages;
        let second = |t: ampwake_schemas::time::Timestamp| t.seconds_since(voyage.trace.start).max(0.0) as u32;
        let silent = voyage.unheard(None);
        for found in findings.sessions.iter().flat_map(|s| &s.stages) {
            let (from, to) = (second(found.start), second(found.end));
            for s in stages {
                // The first moment of a voyage is no edge.
                let inner = s.from + if s.from == 0 { 0 } else { EDGE_S }..s.to.saturating_sub(EDGE_S);
                let heard = |k: &u32| !silent.iter().any(|&(a, b)| (a..b).contains(&f64::from(*k)));
                let common = (inner.start.max(from)..inner.end.min(to)).filter(heard).count() as f64;
                if common > 0.0 {
                    out.stage_seconds.0 += if s.what == found.stage { common } else { 0.0 };
                    out.stage_seconds.1 += common;
                    out.confusion.push((s.what, found.stage, common));
                }
            }
        }
        let bank = &voyage.scenario.bank;
        let truth = bank.r0.0 + bank.r1.0 * (1.0 - (-STEP_AGE_S / bank.tau.0).exp());
        out.resistance_error = findings.battery.resistance_mohm.map(|r| r.value / (1000.0 * truth) - 1.0);
        out
    }
}

/// Every true edge of at least two minutes on both sides, within what the sessions cover.
fn edges(voyage: &Voyage, findings: &Findings) -> Vec<Option<f64>> {
    let at = |t: ampwake_schemas::time::Timestamp| t.seconds_since(voyage.trace.start);
    let mut found: Vec<(Stage, Stage, f64)> = Vec::new();
    for session in &findings.sessions {
        found.extend(session.stages.windows(2).map(|w| (w[0].stage, w[1].stage, at(w[1].start))));
    }
    let lasts = |s: &Stretch<Stage>| s.to - s.from >= 120;
    let covered = |t: f64| findings.sessions.iter().any(|s| at(s.start) + 60.0 < t && t + 60.0 < at(s.end));
    let silent = voyage.unheard(None);
    let pairs = voyage.truth.bank.stages.windows(2).filter(|w| lasts(&w[0]) && lasts(&w[1]));
    let truth = pairs.map(|w| (w[0].what, w[1].what, f64::from(w[1].from)));
    truth
        .filter(|e| covered(e.2) && !silent.iter().any(|s| s.0 - 60.0 < e.2 && e.2 < s.1 + 60.0))
        .map(|(a, b, t)| {
            let same = found.iter().filter(|f| (f.0, f.1) == (a, b)).map(|f| (f.2 - t).abs());
            same.filter(|d| *d <= NEAR_S).reduce(f64::min)
        })
        .collect()
}

fn causes(voyage: &Voyage, findings: &Findings) -> Vec<(Option<Cause>, Option<Cause>)> {
    let about = |f: &&Finding| {
        let lack =
            matches!(f.kind, Kind::NonContributingSource | Kind::UnderContributingSource | Kind::ThermalDerating);
        lack && f.severity >= Severity::Caution
    };
    let names = voyage.scenario.sources.iter().map(|s| &s.name);
    names
        .filter_map(|name| {
            let owed = voyage.expected.iter().find(|e| e.source.as_ref() == Some(name) && e.cause.is_some());
            let truth = owed.and_then(|e| e.cause);
            let mine = || findings.findings.iter().filter(|f| f.source.as_ref() == Some(name)).filter(about);
            // The right word among several is the right word; a second wrong one is counted as a false caution.
            let right = mine().filter_map(|f| f.cause).find(|c| Some(*c) == truth);
            let found = right.or_else(|| mine().filter_map(|f| f.cause).next());
            (truth.is_some() || found.is_some()).then_some((truth, found))
        })
        .collect()
}
