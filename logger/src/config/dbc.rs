//! `dbc = [ ... ]` of a bus: the files are read with the configuration, so that a mistake in one of them is found
//! before the boat leaves the dock.

use super::{Protocol, file};
use crate::dbc::Definitions;
use ampwake_schemas::toml_read::Item;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// The files of a bus and what they describe.
#[derive(Default)]
pub(super) struct Files {
    pub(super) paths: Vec<PathBuf>,
    pub(super) definitions: Arc<Definitions>,
}

/// Reads them; without the key there are none.
pub(super) fn files(item: Option<Item<'_>>, base_dir: &Path) -> Option<Files> {
    let Some(item) = item else { return Some(Files::default()) };
    let paths: Vec<Option<PathBuf>> = item.list()?.iter().map(|member| file(member, base_dir)).collect();
    let paths: Vec<PathBuf> = paths.into_iter().collect::<Option<_>>()?;
    match Definitions::read(&paths) {
        Ok(definitions) => Some(Files { paths, definitions: Arc::new(definitions) }),
        Err(e) => {
            item.wrong(&e.to_string(), "correct the DBC file, or take it out of the list");
            None
        }
    }
}

/// The protocols of a bus with DBC files: files without the word mean it, and come first, as the user's own words.
pub(super) fn among(
    mut protocols: Vec<Protocol>,
    said: Option<&Item<'_>>,
    files: Option<usize>,
) -> Option<Vec<Protocol>> {
    let has_word = protocols.contains(&Protocol::Dbc);
    match files {
        Some(0) if has_word => {
            if let Some(item) = said {
                item.wrong(
                    "`dbc` needs the files that describe the messages",
                    "add `dbc = [\"pack.dbc\"]` to this bus",
                );
            }
            return None;
        }
        Some(n) if n > 0 && !has_word => protocols.insert(0, Protocol::Dbc),
        _ => {}
    }
    Some(protocols)
}
