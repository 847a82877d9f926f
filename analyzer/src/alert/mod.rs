//! Telling somebody about a finding once: what is new, and handing it on over a link that comes and goes.
//!
//! Owes its reader: a finding that was told is not told again because it goes on or was found once more; what is new stands
//! in a file before anything is tried, and stays there until it was taken; the queue has a bound.

mod command;
mod mqtt;
mod queue;

pub use command::run_command;
pub use mqtt::{Broker, publish};
pub use queue::{Message, Queue};

use ampwake_schemas::findings::{Finding, Severity};
use ampwake_schemas::time::Timestamp;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The kind of the message.
pub const SCHEMA: &str = "ampwake-alert/1";
/// Findings that are remembered; the one that ended first is forgotten first.
const MOST_TOLD: usize = 10_000;

/// Why nothing could be told.
#[derive(Debug, thiserror::Error)]
pub enum AlertError {
    /// The folder of the state.
    #[error("{}: {doing}: {source}", path.display())]
    State {
        /// The file or folder.
        path: std::path::PathBuf,
        /// What was tried.
        doing: &'static str,
        /// What the system said.
        source: std::io::Error,
    },
    /// Another run has not ended.
    #[error("{}: another `ampwake alert` is at work in this folder", .0.display())]
    Busy(std::path::PathBuf),
    /// The command or the broker did not take it.
    #[error("{0}")]
    NotTaken(String),
}

/// What was told, by what it was about: when it ended.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Told {
    ends: BTreeMap<String, Timestamp>,
}

/// What makes two findings the same one when it is found again.
fn key(finding: &Finding) -> String {
    let word = |value: serde_json::Value| value.as_str().unwrap_or_default().to_owned();
    let parts = [
        word(serde_json::to_value(finding.kind).unwrap_or_default()),
        word(serde_json::to_value(finding.cause).unwrap_or_default()),
        finding.source.clone().unwrap_or_default(),
        finding.channel.as_ref().map(ToString::to_string).unwrap_or_default(),
    ];
    parts.join("|")
}

impl Told {
    /// Those of `findings` that are at least this severe and were not told yet; from now on they were. One that began
    /// before the last of its sort had ended is that one, going on.
    pub fn news<'a>(&mut self, findings: &'a [Finding], least: Severity) -> Vec<&'a Finding> {
        let mut severe: Vec<&Finding> = findings.iter().filter(|f| f.severity >= least).collect();
        severe.sort_by_key(|f| f.start);
        let mut news = Vec::new();
        for finding in severe {
            let end = self.ends.get(&key(finding)).copied();
            if end.is_none_or(|end| finding.start > end) {
                news.push(finding);
            }
            self.ends.insert(key(finding), end.map_or(finding.end, |end| end.max(finding.end)));
        }
        while self.ends.len() > MOST_TOLD {
            let first = self.ends.iter().min_by_key(|(_, end)| **end).map(|(key, _)| key.clone());
            let Some(first) = first else { break };
            self.ends.remove(&first);
        }
        news
    }
}

#[cfg(test)]
mod tests;
