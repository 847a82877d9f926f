//! What is missing, in plain words with the next step: what somebody sees who has just installed this.

use super::snapshot::Advice;
use super::words;
use crate::load::Catalogue;
use crate::report::format::plain;
use ampwake_schemas::findings::DataQuality;
use ampwake_store::StoreError;
use std::path::Path;

/// Lines of a list; a file can have more mistakes than a screen has room.
const MOST_LINES: usize = 30;

fn advice(what: &str, details: Vec<String>, next: &str) -> Advice {
    let more = details.len().saturating_sub(MOST_LINES);
    let mut details: Vec<String> = details.iter().take(MOST_LINES).map(|line| plain(line)).collect();
    if more > 0 {
        details.push(crate::report::words::more_points(more));
    }
    Advice { what: what.to_owned(), details, next: next.to_owned() }
}

/// The database could not be opened or read.
pub fn database(error: &StoreError) -> Advice {
    match error {
        StoreError::NotFound { path } => {
            advice(words::NO_DATABASE, vec![path.display().to_string()], words::NO_DATABASE_NEXT)
        }
        other => advice(words::BAD_DATABASE, vec![other.to_string()], words::BAD_DATABASE_NEXT),
    }
}

/// The intent could not be read. `why` has a line per mistake.
pub fn intent(path: &Path, why: &str) -> Advice {
    if path.exists() {
        advice(words::BAD_INTENT, why.lines().map(str::to_owned).collect(), words::BAD_INTENT_NEXT)
    } else {
        advice(words::NO_INTENT, vec![path.display().to_string()], words::NO_INTENT_NEXT)
    }
}

/// The database holds no sample.
pub fn empty(recording: bool) -> Advice {
    advice(words::EMPTY, Vec::new(), if recording { words::EMPTY_NEXT } else { words::EMPTY_NOBODY_NEXT })
}

/// Nothing of it is of a time that can be.
pub fn no_period() -> Advice {
    advice(words::NO_PERIOD, Vec::new(), words::EMPTY_NEXT)
}

/// None of the intent's signals was heard.
pub fn not_named(catalogue: &Catalogue) -> Advice {
    let some = catalogue.channels.iter().filter(|c| c.address.protocol != "can");
    advice(words::NOT_NAMED, some.take(8).map(|c| c.address.to_string()).collect(), words::NOT_NAMED_NEXT)
}

/// Some of the intent's signals were not heard; `None` when all were.
pub fn unheard(quality: &DataQuality) -> Option<Advice> {
    let silent = quality.signals.iter().filter(|s| s.samples == 0);
    let lines: Vec<String> =
        silent.map(|s| format!("{}, {}: {}", s.owner, s.role.replace('_', " "), s.channel)).collect();
    (!lines.is_empty()).then(|| advice(words::UNHEARD, lines, words::UNHEARD_NEXT))
}

/// Nothing new comes in.
pub fn still(recording: bool) -> Advice {
    advice(words::STILL, Vec::new(), if recording { words::STILL_NEXT } else { words::STILL_NOBODY_NEXT })
}
