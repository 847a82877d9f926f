//! What is going on now, in a terminal: `ampwake watch`.
//!
//! Owes its reader: the same snapshot as the live page, on 80 by 24 characters over any connection; plain lines where nobody
//! looks at a screen; the terminal as it was, also after a panic.

mod plain;
#[cfg(feature = "watch")]
mod screen;
mod words;

use crate::live::{self, Snapshot, Standing};
use std::io::{self, Write};
use std::sync::mpsc;

/// How to show it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Manner {
    /// A screen that is drawn over.
    Screen,
    /// A line for people with every snapshot.
    Lines,
    /// A line of JSON with every snapshot.
    Json,
}

/// Watches until the reader goes away, somebody says so, or, with `once`, the first time there is something to say.
///
/// # Errors
/// The terminal or the pipe does not take what is written.
pub fn watch(options: &live::Options, manner: Manner, once: bool, out: &mut dyn Write) -> io::Result<()> {
    #[cfg(feature = "watch")]
    if manner == Manner::Screen && !once {
        return screen::run(options);
    }
    // The judging runs here: who reads slowly is told less often.
    let (_stop, stopped) = mpsc::channel();
    let mut result = Ok(());
    live::follow(options, &stopped, &mut |snapshot| {
        result = write(&snapshot, manner, out);
        let said = snapshot.standing != Standing::Reading;
        result.is_ok() && !(once && said)
    });
    match result {
        // A reader that went away (`| head`) is no failure.
        Err(e) if e.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}

fn write(snapshot: &Snapshot, manner: Manner, out: &mut dyn Write) -> io::Result<()> {
    match manner {
        Manner::Json => {
            serde_json::to_writer(&mut *out, snapshot)?;
            writeln!(out)?;
        }
        Manner::Screen | Manner::Lines => plain::write(snapshot, out)?,
    }
    out.flush()
}
