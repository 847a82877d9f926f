//! The block format: many rows of one message, column by column, in a few bytes per value.
//!
//! No SQLite and no files here: bytes in, rows out, so that the recorder's database, the loadable extension and a
//! fuzzer read the same code. `FORMAT.md` beside the package describes every byte; a reader in another language
//! can be written from that page alone.
//!
//! Owes its reader: what goes in comes out, bit for bit; a block with any bit flipped is noticed (CRC-32C); a
//! hostile block cannot take more memory than [`MOST_ROWS`] rows of [`MOST_COLUMNS`] columns, and cannot panic.

mod bits;
pub mod bytes;
mod chunk;
mod coding;
mod decode;
mod encode;
mod merge;
mod numbers;
mod rows;
mod said;
mod summary;

pub use chunk::{chunk_parts, join_chunk};
pub use coding::Coding;
pub use decode::{BlockView, DecodedColumn};
pub use encode::encode;
pub use merge::{Merge, Piece};
pub use rows::{Column, Rows, Values};
pub use said::{Run, Said};
pub use summary::{Carry, GAP_MS, Summary};

/// Rows of one block.
pub const MOST_ROWS: usize = 8192;
/// Columns of one block.
pub const MOST_COLUMNS: usize = 250;
/// The version of the format, the first byte of every block.
pub const FORMAT: u8 = 1;

/// Why a block cannot be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum BlockError {
    /// Its check sum does not fit: bits were changed.
    #[error("a block of samples is damaged (its check sum does not fit)")]
    Damaged,
    /// Its check sum fits and its content does not.
    #[error("a block of samples makes no sense ({0})")]
    Malformed(&'static str),
    /// Written by a later version.
    #[error("a block of samples is of format {0}; update this program")]
    Newer(u8),
}
