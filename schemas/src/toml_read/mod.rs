//! Reads a TOML file with all its mistakes at once, each with place, offending text and fix.
//!
//! `serde` stops at the first mistake and knows no columns; the people who write these files are no
//! programmers. So a file is walked by hand: [`read`] hands its root [`Table`] to a closure, which takes the
//! keys that it knows as [`Item`]s, with a [`Key`] that says in words what each one is. Wrong types and ranges
//! are recorded and read as `None`; keys that nobody took are reported, with the known key nearest to them.
//!
//! Owes its reader: no panic and bounded memory and work, whatever the text; an error that is never empty.

mod doc;
mod explain;
mod item;
mod limits;
mod lists;
mod mistake;
mod nearest;
mod statements;
mod syntax;
mod table;

pub use doc::Homes;
pub use item::Item;
pub use limits::Limits;
pub use mistake::{MOST_REPORTED, Mistake, Mistakes};
pub use table::Table;

/// The one of `known` that was probably meant by `written`, for a fix.
pub fn did_you_mean<'k>(written: &str, known: impl IntoIterator<Item = &'k str>) -> Option<&'k str> {
    nearest::nearest(written, known)
}

/// A word from the file fit to stand inside a sentence: in back quotes, shortened, nothing invisible in it.
pub fn quoted(text: &str) -> String {
    mistake::quoted(text)
}

use doc::Doc;
use toml::de::DeTable;

/// Longest file that is read, in bytes. Files of this kind have a few thousand.
pub const MOST_BYTES: usize = 1024 * 1024;

/// A key with what it means in words and an example of its value as it would stand in the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Key {
    /// As it stands in the file.
    pub name: &'static str,
    /// What it is, to follow "`name`, …,".
    pub what: &'static str,
    /// A value in TOML.
    pub example: &'static str,
}

impl Key {
    /// True for the key of a section, whose example is its header: `[bank.profile]`, `[[source]]`.
    fn is_section(&self) -> bool {
        let inner = self.example.trim_start_matches('[').trim_end_matches(']');
        inner.len() < self.example.len() && inner.rsplit('.').next() == Some(self.name)
    }
}

/// Shorthand for a [`Key`].
pub const fn key(name: &'static str, what: &'static str, example: &'static str) -> Key {
    Key { name, what, example }
}

/// The text of a file that was read as bytes.
///
/// # Errors
/// Bytes that are no UTF-8, with the place of the first.
pub fn utf8<'b>(file: &str, bytes: &'b [u8]) -> Result<&'b str, Mistakes> {
    std::str::from_utf8(bytes).map_err(|error| {
        let (good, _) = bytes.split_at(error.valid_up_to());
        let good = String::from_utf8_lossy(good);
        let (line, column) = Doc::new(&good, &[]).place(good.len());
        let mut mistakes = Mistakes::one(
            file,
            good.rsplit('\n').next().unwrap_or_default(),
            "after this comes a character that is not written in UTF-8",
            "save the file as UTF-8 text (in the editor's \"save as\": encoding UTF-8)",
        );
        mistakes.list[0].line = line;
        mistakes.list[0].column = column;
        mistakes
    })
}

/// Reads `text` with `body`, which gets the root table and returns `None` where it recorded a mistake.
///
/// `homes` says for a key in the wrong section where it belongs.
///
/// # Errors
/// Every mistake of the file, in order; never an empty list.
pub fn read<T>(
    file: &str,
    text: &str,
    homes: Homes,
    body: impl FnOnce(&Table<'_>) -> Option<T>,
) -> Result<T, Mistakes> {
    if text.len() > MOST_BYTES {
        let problem = format!("this file has {} kB; such a file has a few kB", text.len() / 1024);
        let fix = format!("is it the right file? At most {} kB are read", MOST_BYTES / 1024);
        return Err(Mistakes::one(file, text.lines().next().unwrap_or_default(), &problem, &fix));
    }
    let doc = Doc::new(text, homes);
    let readable = syntax::readable(&doc);
    let (root, _) = DeTable::parse_recoverable(&readable);
    let value = {
        let root = Table::root(&doc, root.get_ref());
        let value = body(&root);
        root.finish();
        value
    };
    drop(root);
    drop(readable);
    let mistakes = doc.finish(file);
    match value {
        Some(value) if mistakes.list.is_empty() => Ok(value),
        None if mistakes.list.is_empty() => Err(Mistakes::one(
            file,
            "",
            "the file cannot be read, for a reason that this program does not know",
            "please report this together with the file",
        )),
        _ => Err(mistakes),
    }
}

#[cfg(test)]
mod tests;
