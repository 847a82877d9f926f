//! Table `sample` for stock SQLite: the shell, Python, whatever can load an extension.
//!
//! The table itself is the one of `ampwake sql`, from the same files, compiled here with the version of `rusqlite` that
//! suits old hosts.

#[path = "../../sample/src/lib.rs"]
pub mod sample;

use rusqlite::{Connection, Result, ffi};
use std::ffi::{c_char, c_int};

/// What SQLite calls when it has loaded the file (<https://sqlite.org/loadext.html>).
///
/// # Safety
/// SQLite alone calls it, with a connection that is open, and its own functions.
#[unsafe(no_mangle)]
#[allow(unsafe_code)] // SQLite calls by name, as C does
pub unsafe extern "C" fn sqlite3_extension_init(
    db: *mut ffi::sqlite3,
    message: *mut *mut c_char,
    api: *mut ffi::sqlite3_api_routines,
) -> c_int {
    // SAFETY: as above; the pointers are handed on as they came.
    unsafe { Connection::extension_init2(db, message, api, begin) }
}

/// True: the file stays loaded when the connection closes, as what Rust keeps for a thread may outlive it.
fn begin(connection: Connection) -> Result<bool> {
    sample::register(&connection).map(|_| true)
}
