//! What SQLite asks of a virtual table, and the one place with `unsafe`: SQLite's interface keeps C structures at the
//! head of ours and hands the connection over as a bare pointer.

#![allow(unsafe_code)]

use super::database::says;
use super::plan::{self, DECLARATION, Narrowed, column};
use super::scan::{Counts, Point, Said, Scan};
use super::utc;
use ampwake_schemas::sample::Reading;
use rusqlite::types::Value;
use rusqlite::vtab::{Context, Filters, IndexInfo, Module, VTab, VTabConnection, VTabCursor};
use rusqlite::{Connection, Error, Result, ffi};
use std::borrow::Cow;
use std::ffi::{CStr, c_int};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;

/// Makes table `sample` known to a connection. Returns what its queries will have read.
///
/// # Errors
/// SQLite refuses, as it does where the connection is out of memory.
pub fn register(connection: &Connection) -> Result<Arc<Counts>> {
    const MODULE: Module<Table> = Module::eponymous_only_module();
    let counts = Arc::new(Counts::default());
    connection.create_module(c"sample", &MODULE, Some(Arc::clone(&counts)))?;
    Ok(counts)
}

/// The table, once per connection.
#[repr(C)]
struct Table {
    /// SQLite's own part; must be the first.
    base: ffi::sqlite3_vtab,
    db: *mut ffi::sqlite3,
    counts: Arc<Counts>,
}

/// One query's place in the table.
#[repr(C)]
struct Cursor {
    /// SQLite's own part; must be the first.
    base: ffi::sqlite3_vtab_cursor,
    connection: Connection,
    counts: Arc<Counts>,
    scan: Option<Scan>,
    row: Option<(i64, Point)>,
}

// SAFETY: the structure is `repr(C)` and begins with `sqlite3_vtab`, as the trait asks.
unsafe impl<'vtab> VTab<'vtab> for Table {
    type Aux = Arc<Counts>;
    type Cursor = Cursor;

    fn connect(
        db: &mut VTabConnection,
        aux: Option<&Self::Aux>,
        _module: &[u8],
        _database: &[u8],
        _table: &[u8],
        _arguments: &[&[u8]],
    ) -> Result<(Cow<'static, CStr>, Self)> {
        // SAFETY: the handle is kept in this table alone, which SQLite takes down before it closes the connection.
        let db = unsafe { db.handle() };
        let table = Self { base: ffi::sqlite3_vtab::default(), db, counts: aux.cloned().unwrap_or_default() };
        Ok((Cow::Borrowed(DECLARATION), table))
    }

    fn best_index(&self, info: &mut IndexInfo) -> Result<bool> {
        guarded(|| plan::choose(info)).map(|()| true)
    }

    fn open(&'vtab mut self) -> Result<Cursor> {
        // SAFETY: SQLite closes every cursor before its table, and its table before the connection; this `Connection`
        // does not own the handle and leaves it open.
        let connection = unsafe { Connection::from_handle(self.db) }?;
        let counts = Arc::clone(&self.counts);
        Ok(Cursor { base: ffi::sqlite3_vtab_cursor::default(), connection, counts, scan: None, row: None })
    }
}

// SAFETY: the structure is `repr(C)` and begins with `sqlite3_vtab_cursor`, as the trait asks.
unsafe impl VTabCursor for Cursor {
    fn filter(&mut self, _number: c_int, plan: Option<&str>, arguments: &Filters<'_>) -> Result<()> {
        guarded(|| {
            let values = (0..arguments.len()).map(|at| arguments.get::<Value>(at));
            let narrowed = Narrowed::by(plan.unwrap_or_default(), values)?;
            self.scan = Some(Scan::new(&self.connection, &narrowed)?);
            Ok(())
        })?;
        self.next()
    }

    fn next(&mut self) -> Result<()> {
        self.row = guarded(|| match &mut self.scan {
            Some(scan) => scan.next(&self.connection, &self.counts),
            None => Ok(None),
        })?;
        Ok(())
    }

    fn eof(&self) -> bool {
        self.row.is_none()
    }

    #[allow(clippy::needless_borrows_for_generic_args)] // the extension's version of rusqlite takes references alone
    fn column(&self, context: &mut Context, at: c_int) -> Result<()> {
        let (Some((utc_ms, point)), Some((address, unit))) = (&self.row, self.scan.as_ref().and_then(Scan::channel))
        else {
            return Ok(());
        };
        let (value, said) = words(point.said);
        match at {
            column::ADDRESS => context.set_result(&address),
            column::UTC => context.set_result(&utc::text(*utc_ms)),
            column::UTC_MS => context.set_result(utc_ms),
            column::VALUE => context.set_result(&value),
            column::UNIT => context.set_result(&unit),
            column::SAID => context.set_result(&said),
            column::SEGMENT => context.set_result(&point.segment),
            column::OFFSET_MS => context.set_result(&point.offset_ms),
            _ => Ok(()),
        }
    }

    fn rowid(&self) -> Result<i64> {
        Ok(self.row.map_or(0, |(_, point)| point.id))
    }
}

/// The value, and what was said, in the words of view `latest_utc`.
fn words(said: Said) -> (Option<f64>, &'static str) {
    match said {
        Said::Sample(Reading::Value(v)) if v.is_finite() => (Some(v), "value"),
        Said::Sample(Reading::NotAvailable) => (None, "not available"),
        // No block of ours holds a value that is not finite.
        Said::Sample(Reading::OutOfRange | Reading::Value(_)) => (None, "out of range"),
        Said::Sample(Reading::Reserved) => (None, "reserved"),
        Said::Damaged => (None, "damaged"),
    }
}

/// A panic must not go through SQLite, which is C: it would take the program around it down.
fn guarded<T>(work: impl FnOnce() -> Result<T>) -> Result<T> {
    match catch_unwind(AssertUnwindSafe(work)) {
        Ok(Err(e @ (Error::InvalidColumnType(..) | Error::FromSqlConversionFailure(..) | Error::Utf8Error(..)))) => {
            Err(says(&format!("sample: this database is damaged or was altered ({e})")))
        }
        Ok(done) => done,
        Err(_) => Err(says("sample: this database cannot be read (a fault of Ampwake)")),
    }
}
