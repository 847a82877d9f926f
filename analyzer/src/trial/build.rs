//! A test in the making: builder steps that read well in a row.

use ampwake_schemas::findings::{Evidence, Finding};
use ampwake_schemas::trial::{Coverage, Test, TestKind, TestStanding};

/// A test without its number.
#[derive(Debug, Clone)]
pub(crate) struct Plan(Test);

/// A test of which nothing was seen yet.
pub(crate) fn test(kind: TestKind, title: impl Into<String>, subjects: impl IntoIterator<Item = String>) -> Plan {
    Plan(Test {
        standing: TestStanding {
            number: 0,
            kind,
            title: title.into(),
            subjects: subjects.into_iter().collect(),
            coverage: Coverage::ToSail,
            seen: String::new(),
        },
        purpose: String::new(),
        before: Vec::new(),
        steps: Vec::new(),
        accept: String::new(),
        stop: Vec::new(),
        cautions: Vec::new(),
        missing: Vec::new(),
        evidence: Evidence::new(),
    })
}

impl Plan {
    pub(crate) fn purpose(mut self, text: impl Into<String>) -> Self {
        self.0.purpose = text.into();
        self
    }
    pub(crate) fn before(mut self, text: impl Into<String>) -> Self {
        self.0.before.push(text.into());
        self
    }
    pub(crate) fn step(mut self, text: impl Into<String>) -> Self {
        self.0.steps.push(text.into());
        self
    }
    pub(crate) fn accept(mut self, text: impl Into<String>) -> Self {
        self.0.accept = text.into();
        self
    }
    pub(crate) fn stop(mut self, text: impl Into<String>) -> Self {
        self.0.stop.push(text.into());
        self
    }
    pub(crate) fn caution(mut self, text: impl Into<String>) -> Self {
        self.0.cautions.push(text.into());
        self
    }
    pub(crate) fn missing(mut self, more: impl IntoIterator<Item = String>) -> Self {
        self.0.missing.extend(more);
        self
    }
    /// A number behind the standing.
    pub(crate) fn with(mut self, name: &str, value: f64, decimals: i32) -> Self {
        crate::cause::put(&mut self.0.evidence, name, value, decimals);
        self
    }
    pub(crate) fn stands(mut self, coverage: Coverage, seen: impl Into<String>) -> Self {
        (self.0.standing.coverage, self.0.standing.seen) = (coverage, seen.into());
        self
    }
    /// What was found against it outranks what was seen of it.
    pub(crate) fn unless(self, against: Option<&Finding>) -> Self {
        match against {
            Some(f) => {
                let mut failed = self.stands(Coverage::Failed, f.summary.clone());
                failed.0.missing = f.check_next.iter().take(1).cloned().collect();
                failed
            }
            None => self,
        }
    }
    /// With its number in the plan.
    pub(crate) fn finish(mut self, number: u32) -> Test {
        self.0.standing.number = number;
        if self.0.standing.seen.is_empty() {
            self.0.standing.seen = "nothing of it was recorded".to_owned();
        }
        self.0
    }
}
