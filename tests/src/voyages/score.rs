//! What came out of an analysis against what is true.

use super::{Expected, Figures, Voyage, Watch};
use ampwake_analyzer::demo::Instant;
use ampwake_schemas::findings::{Finding, Findings, Kind, Severity, Stage};
use ampwake_schemas::quantity::Amperes;

/// What became of the finding that was owed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// Kind, cause and source are right (or nothing was owed).
    Found,
    /// The right source, and a wrong word about it.
    Wrong,
    /// Nothing.
    Missed,
}

/// A charge as it was and as the analysis has it, Ah.
#[derive(Debug, Clone, PartialEq)]
pub struct Charge {
    /// Whose.
    pub name: String,
    /// As it was, over the time that was recorded.
    pub truth: f64,
    /// As the analysis has it.
    pub found: f64,
}

impl Charge {
    /// How far off, as a fraction of the truth; infinite for something made of nothing.
    pub fn error(&self) -> f64 {
        if self.found == self.truth { 0.0 } else { (self.found - self.truth) / self.truth }
    }
}

/// The score of one voyage.
#[derive(Debug, Clone)]
pub struct Score {
    /// Of what was owed.
    pub outcome: Outcome,
    /// What was owed and not found.
    pub missing: Vec<String>,
    /// Cautions and dangers about the right source that say something else.
    pub wrong: Vec<String>,
    /// Cautions and dangers about anybody else.
    pub blamed: Vec<String>,
    /// Charge of every source.
    pub sources: Vec<Charge>,
    /// Charge into the bank.
    pub bank: Charge,
    /// Share of the seconds that count with the right stage, 0..1.
    pub stages: f64,
    /// Share of the sessions' time that counts, 0..1.
    pub stages_counted: f64,
    /// Stages that the analysis itself finds to fit nothing, and names all the same.
    pub forced: Vec<Stage>,
    /// What was not delivered, where that was owed.
    pub lost: Option<Charge>,
    /// What it adds to the figures over many voyages.
    pub figures: Figures,
}

/// Demanded of every voyage: share of a source's charge, Ah that are always forgiven, share of the bank's charge, and
/// share of the stages.
const SOURCE_SHARE: f64 = 0.02;
/// As above.
const SOURCE_AH: f64 = 1.0;
/// As above.
const BANK_SHARE: f64 = 0.015;
/// As above.
const STAGES: f64 = 0.93;

impl Score {
    /// Of `findings` about `voyage`.
    pub fn of(voyage: &Voyage, findings: &Findings) -> Self {
        let overlaps = |f: &Finding, e: &Expected| {
            let at = |t: ampwake_schemas::time::Timestamp| t.seconds_since(voyage.trace.start);
            at(f.start) < e.span.1 && at(f.end) > e.span.0
        };
        let is = |f: &Finding, e: &Expected| {
            let same = f.kind == e.kind && f.cause == e.cause && f.source == e.source;
            same && f.severity >= e.severity && overlaps(f, e)
        };
        let all = || findings.findings.iter();
        let missing: Vec<&Expected> = voyage.expected.iter().filter(|e| !all().any(|f| is(f, e))).collect();
        let unasked = all().filter(|f| f.severity >= Severity::Caution && !voyage.expected.iter().any(|e| is(f, e)));
        let (wrong, blamed): (Vec<&Finding>, Vec<&Finding>) =
            unasked.partition(|f| f.source.is_some() && voyage.expected.iter().any(|e| e.source == f.source));
        let said = |f: &&Finding| words(f.kind, f.cause.map(|c| c.text()), f.source.as_deref());
        let owed = |e: &&Expected| words(e.kind, e.cause.map(|c| c.text()), e.source.as_deref());
        let outcome = match (missing.is_empty(), wrong.is_empty()) {
            (true, _) => Outcome::Found,
            (false, false) => Outcome::Wrong,
            (false, true) => Outcome::Missed,
        };
        let (right, counted, all_s) = Watch::over(voyage).agreement(voyage, findings);
        let lost = voyage.expected.first().and_then(|e| {
            let finding = all().find(|f| is(f, e))?;
            let found = finding.evidence.get("lost_ah")?.as_f64()?;
            Some(Charge { name: finding.source.clone()?, truth: e.lost_ah?, found })
        });
        Self {
            outcome,
            figures: Figures::of(voyage, findings, blamed.len() + wrong.len()),
            missing: missing.iter().map(owed).collect(),
            wrong: wrong.iter().map(said).collect(),
            blamed: blamed.iter().map(said).collect(),
            sources: (0..voyage.scenario.sources.len()).map(|j| source_charge(voyage, findings, j)).collect(),
            bank: Charge {
                name: "the bank".into(),
                truth: charge(voyage, None, |i| i.plant.bank),
                found: findings.sessions.iter().map(|s| s.charge_ah).sum(),
            },
            stages: if counted > 0.0 { right / counted } else { 0.0 },
            forced: forced(findings),
            stages_counted: if all_s > 0.0 { counted / all_s } else { 0.0 },
            lost,
        }
    }

    /// Everything that falls short of what is demanded, in words without figures: two runs that fail in the same way
    /// give the same words.
    pub fn faults(&self) -> Vec<String> {
        let mut out: Vec<String> = self.missing.iter().map(|m| format!("not found: {m}")).collect();
        out.extend(self.wrong.iter().map(|m| format!("wrong word: {m}")));
        out.extend(self.blamed.iter().map(|m| format!("false blame: {m}")));
        let off = |c: &&Charge| (c.found - c.truth).abs() > (SOURCE_SHARE * c.truth).max(SOURCE_AH);
        out.extend(self.sources.iter().filter(off).map(|c| format!("charge of {}", c.name)));
        if (self.bank.found - self.bank.truth).abs() > BANK_SHARE * self.bank.truth {
            out.push("charge of the bank".into());
        }
        if self.stages < STAGES {
            out.push("stages".into());
        }
        out.extend(self.forced.iter().map(|s| format!("forced stage: {s}")));
        out.sort();
        out.dedup();
        out
    }
}

/// A minute or more of a stage in which hardly a moment fits it. "Unexplained" is there for such moments.
fn forced(findings: &Findings) -> Vec<Stage> {
    let spans = findings.sessions.iter().flat_map(|s| &s.stages);
    let long = spans.filter(|s| s.end.seconds_since(s.start) >= 60.0 && s.confidence < 0.15);
    long.map(|s| s.stage).filter(|s| *s != Stage::Unexplained).collect()
}

fn words(kind: Kind, cause: Option<&str>, source: Option<&str>) -> String {
    let cause = cause.map_or(String::new(), |c| format!(" ({c})"));
    format!("{kind}{cause} of {}", source.unwrap_or("the bank"))
}

fn source_charge(voyage: &Voyage, findings: &Findings, j: usize) -> Charge {
    let name = voyage.scenario.sources[j].name.clone();
    let mine = findings.sessions.iter().flat_map(|s| &s.sources).filter(|s| s.source == name);
    let found = mine.map(|s| s.charge_ah).sum();
    Charge { truth: charge(voyage, Some(j), |i| i.plant.sources[j].current), found, name }
}

/// The positive part of a current over the seconds in which it was recorded, Ah.
fn charge(voyage: &Voyage, j: Option<usize>, amperes: impl Fn(&Instant) -> Amperes) -> f64 {
    let silent = voyage.unheard(j);
    let heard = |k: f64| !silent.iter().any(|&(from, to)| (from..to).contains(&k));
    let instants = voyage.trace.instants.iter().enumerate();
    instants.filter(|(k, _)| heard(*k as f64)).map(|(_, i)| amperes(i).0.max(0.0) / 3600.0).sum()
}
