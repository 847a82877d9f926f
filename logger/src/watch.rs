//! What the recorder shows of itself while it runs, and the proof that it still does.
//!
//! Owes its reader: a sign of life means that the supervisor's clock ticked, that the recorder went once through its loop
//! since then, and that no commit is due any more. A bus that says nothing is alive; a writer that hangs is not.

use ampwake_schemas::time::Timestamp;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};

/// What can be told of a run at one moment.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Figures {
    /// When it began.
    pub started: Timestamp,
    /// Frames of any kind, and messages of buses that have no frames.
    pub frames: u64,
    /// Messages that were decoded.
    pub messages: u64,
    /// Samples that were taken into memory.
    pub samples: u64,
    /// Steps of the recorder's clock.
    pub clock_steps: u64,
    /// Commits that reached the disk.
    pub commits: u64,
    /// When the last of them did.
    pub last_commit: Option<Timestamp>,
    /// The disk has refused commits since then.
    pub refused_since: Option<Timestamp>,
    /// Samples that wait in memory for a commit.
    pub waiting: u64,
    /// Samples that were given up because the disk refused them for too long.
    pub given_up: u64,
    /// What the database takes, bytes.
    pub database_bytes: u64,
    /// The buses, in the order in which they were opened.
    pub buses: Vec<BusFigures>,
}

/// What can be told of one bus.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct BusFigures {
    /// As in channel addresses.
    pub name: String,
    /// The configuration names it no more.
    pub removed: bool,
    /// It is closed and waited for.
    pub gone: bool,
    /// Frames, or messages where it has none.
    pub frames: u64,
    /// Frames that the kernel threw away.
    pub lost: u64,
    /// When something was heard last, by the recorder's clock.
    pub heard: Option<Timestamp>,
}

impl Figures {
    /// In one line, for the service manager.
    pub fn line(&self) -> String {
        let buses: Vec<String> = self.buses.iter().filter(|b| !b.removed).map(BusFigures::word).collect();
        let disk = match self.refused_since {
            Some(since) => format!("THE DISK REFUSES since {since}; {} samples wait in memory", self.waiting),
            None => self.last_commit.map_or("nothing committed yet".to_owned(), |at| format!("last commit {at}")),
        };
        format!("recording {}; {} samples; {disk}", buses.join(", "), self.samples)
    }
}

impl BusFigures {
    fn word(&self) -> String {
        match (self.gone, self.heard) {
            (true, _) => format!("{} (not there)", self.name),
            (false, None) => format!("{} (nothing heard)", self.name),
            (false, Some(_)) => self.name.clone(),
        }
    }
}

/// Between the supervisor and the recorder.
pub struct Watch {
    tick: AtomicU64,
    figures: Mutex<Figures>,
    alive: Box<dyn Fn(&Figures) + Send + Sync>,
}

impl Watch {
    /// `alive` is called, by the recorder, with every sign of life; the first one means that it records.
    pub fn new(alive: impl Fn(&Figures) + Send + Sync + 'static) -> Self {
        Self { tick: AtomicU64::new(0), figures: Mutex::default(), alive: Box::new(alive) }
    }

    /// The supervisor is there.
    pub fn tick(&self) {
        self.tick.fetch_add(1, Ordering::Relaxed);
    }

    /// How often it ticked.
    pub(crate) fn ticks(&self) -> u64 {
        self.tick.load(Ordering::Relaxed)
    }

    /// The recorder went through its loop and nothing is due.
    pub(crate) fn alive(&self, figures: Figures) {
        (self.alive)(&figures);
        *self.figures.lock().unwrap_or_else(PoisonError::into_inner) = figures;
    }

    /// As they were with the last sign of life.
    pub fn figures(&self) -> Figures {
        self.figures.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_line_says_what_is_wrong() {
        let bus = |name: &str, gone, heard: Option<i64>| BusFigures {
            name: name.to_owned(),
            gone,
            heard: heard.map(Timestamp::from_millis),
            ..BusFigures::default()
        };
        let buses = vec![bus("can0", false, Some(5)), bus("aft", true, None), bus("rs485", false, None)];
        let mut figures = Figures { samples: 7, buses, ..Figures::default() };
        figures.buses[2].removed = true;
        assert_eq!(figures.line(), "recording can0, aft (not there); 7 samples; nothing committed yet");
        figures.refused_since = Some(Timestamp::from_millis(0));
        assert!(figures.line().contains("THE DISK REFUSES since 1970-01-01T00:00:00"), "{}", figures.line());
    }
}
