//! Devices that speak messages of their maker's own, by the DBC files that describe them.
//!
//! A DBC file says which identifier carries which signals, where their bits are and what a step is worth. Owes its
//! reader: every mistake of a file at once, with file, line and fix; no file and no frame makes it panic or take
//! memory without bound; nothing is guessed. An identifier is compared whole: where a file means a J1939 message
//! with any sender, it has to be written once per sender.
//!
//! The form of the file is that of the open-source parsers (crate `can-dbc`, PyPI `cantools`); there is no public
//! standard of it.

mod decode;
mod dialect;
mod names;
mod read;
mod signal;
mod statements;
mod units;

#[cfg(test)]
mod tests;

pub use signal::{ByteOrder, MessageDef, Multiplexed, Number, SignalDef};

use crate::dialect::Signal;
use std::collections::HashMap;
use std::fmt;
use std::path::{Path, PathBuf};

/// The protocol's name in channel addresses.
pub const PROTOCOL: &str = "dbc";
/// The largest file that is read; the largest that are published have some 5 MB.
const MOST_BYTES: u64 = 32 * 1024 * 1024;
/// Mistakes that are shown; the rest is counted.
const MOST_MISTAKES: usize = 20;

/// An identifier of a frame: 29 or 11 bits, and which of both.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct FrameId {
    /// 29 bits.
    pub extended: bool,
    /// The identifier without flag bits.
    pub id: u32,
}

impl fmt::Display for FrameId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.extended { write!(f, "{:08X}", self.id) } else { write!(f, "{:03X}", self.id) }
    }
}

/// What is wrong with a file, or worth knowing about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Remark {
    /// The file.
    pub file: PathBuf,
    /// The line, from 1; 0 for the file as a whole.
    pub line: usize,
    /// What it is, and what to do about it.
    pub text: String,
}

impl fmt::Display for Remark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.line {
            0 => write!(f, "{}: {}", self.file.display(), self.text),
            line => write!(f, "{}:{line}: {}", self.file.display(), self.text),
        }
    }
}

/// Every mistake of the files of one bus.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}", lines(.0))]
pub struct DbcError(pub Vec<Remark>);

fn lines(remarks: &[Remark]) -> String {
    let mut lines: Vec<String> = remarks.iter().take(MOST_MISTAKES).map(Remark::to_string).collect();
    if remarks.len() > MOST_MISTAKES {
        lines.push(format!("and {} more", remarks.len() - MOST_MISTAKES));
    }
    lines.join("\n")
}

/// What the DBC files of one bus describe.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Definitions {
    messages: Vec<MessageDef>,
    by_id: HashMap<FrameId, usize>,
    remarks: Vec<Remark>,
    /// Every signal of every message as the pipeline knows it.
    signals: Vec<Signal>,
    /// The index in there of each message's first signal.
    first: Vec<usize>,
}

impl Definitions {
    /// Reads the files of one bus.
    ///
    /// # Errors
    /// Every mistake of all files: one that cannot be read, a statement that is none, an identifier that two
    /// messages claim, files that describe nothing.
    pub fn read(paths: &[PathBuf]) -> Result<Self, DbcError> {
        let mut out = Self::default();
        let mut mistakes = Vec::new();
        for path in paths {
            match load(path) {
                Ok(bytes) => out.add(path, &bytes, &mut mistakes),
                Err(text) => mistakes.push(Remark { file: path.clone(), line: 0, text }),
            }
        }
        out.finish(mistakes)
    }

    /// The same from the bytes of one file; `file` is its name in messages.
    ///
    /// # Errors
    /// As [`Definitions::read`].
    pub fn from_bytes(file: &Path, bytes: &[u8]) -> Result<Self, DbcError> {
        let mut out = Self::default();
        let mut mistakes = Vec::new();
        out.add(file, bytes, &mut mistakes);
        out.finish(mistakes)
    }

    fn add(&mut self, file: &Path, bytes: &[u8], mistakes: &mut Vec<Remark>) {
        let read = read::read(bytes);
        let remark = |(line, text): (usize, String)| Remark { file: file.to_owned(), line, text };
        if read.messages.is_empty() && read.mistakes.is_empty() {
            let text = "no message is described here: a DBC file has lines such as `BO_ 291 PackStatus: 8 Battery`";
            mistakes.push(Remark { file: file.to_owned(), line: 0, text: text.to_owned() });
        }
        mistakes.extend(read.mistakes.into_iter().map(remark));
        self.remarks.extend(read.remarks.into_iter().map(remark));
        for (line, message) in read.messages {
            if let Some(&other) = self.by_id.get(&message.id) {
                let text = format!(
                    "`{}` has the identifier {} of `{}`; give it the right one, or take one of the two out",
                    message.title, message.id, self.messages[other].title
                );
                mistakes.push(Remark { file: file.to_owned(), line, text });
                continue;
            }
            self.by_id.insert(message.id, self.messages.len());
            self.messages.push(message);
        }
    }

    fn finish(mut self, mistakes: Vec<Remark>) -> Result<Self, DbcError> {
        if !mistakes.is_empty() {
            return Err(DbcError(mistakes));
        }
        names::make_unique(&mut self.messages);
        for message in &self.messages {
            self.first.push(self.signals.len());
            self.signals.extend(message.signals.iter().map(|signal| Signal {
                message: message.name.clone(),
                field: signal.name.clone(),
                unit: signal.unit(),
            }));
        }
        Ok(self)
    }

    /// Every message, in the order of the files.
    pub fn messages(&self) -> &[MessageDef] {
        &self.messages
    }

    /// What the user should know about the files although they can be used.
    pub fn remarks(&self) -> &[Remark] {
        &self.remarks
    }

    /// The number of the message with this identifier.
    pub fn find(&self, id: FrameId) -> Option<usize> {
        self.by_id.get(&id).copied()
    }
}

fn load(path: &Path) -> Result<Vec<u8>, String> {
    use std::io::Read;
    let file = std::fs::File::open(path).map_err(|e| format!("cannot read the DBC file: {e}"))?;
    let mut bytes = Vec::new();
    file.take(MOST_BYTES + 1).read_to_end(&mut bytes).map_err(|e| format!("cannot read the DBC file: {e}"))?;
    if bytes.len() as u64 > MOST_BYTES {
        return Err(format!("larger than {} MB, which no DBC file is", MOST_BYTES >> 20));
    }
    Ok(bytes)
}
