//! Every sample as a row of a table: the virtual table `sample` over the commit chunks and sealed blocks of a database.
//!
//! Owes its reader: the values that the store gives, bit for bit, in the same order; a query that names channels or a
//! time reads those blocks alone; whatever the file holds, an error and never a crash of the program around it.
//!
//! `schemas/extension` compiles these files again, with another version of `rusqlite`, for stock SQLite programs; so
//! they name each other by `super` and use what both versions have.

mod database;
mod plan;
mod scan;
mod table;
mod utc;

pub use scan::Counts;
pub use table::register;
