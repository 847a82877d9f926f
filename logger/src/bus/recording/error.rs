//! Why there is nothing to read in a recording: always with its name, and with what was expected.

use super::Input;

/// Why there is nothing to read.
#[derive(Debug, thiserror::Error)]
pub enum RecordingError {
    /// It cannot be opened, or the disk fails.
    #[error("{input}: cannot read: {source}")]
    Io {
        /// The recording.
        input: Input,
        /// What the system said.
        source: std::io::Error,
    },
    /// It holds nothing.
    #[error("{input}: the recording is empty; record with `candump -l can0` or name another file")]
    Empty {
        /// The recording.
        input: Input,
    },
    /// It is compressed, and damaged from the start.
    #[error("{input}: the compressed recording is damaged from its start and nothing of it can be read; copy it again")]
    Damaged {
        /// The recording.
        input: Input,
    },
    /// It holds raw frames, and SQLite says no.
    #[error(transparent)]
    Raw(Box<ampwake_store::StoreError>),
    /// Raw frames through a pipe.
    #[error("{input}: raw frames are read from their file, not from a pipe; name the file")]
    Piped {
        /// The recording.
        input: Input,
    },
    /// A database.
    #[error(
        "{input}: this is a database, no recording; one of Ampwake is analysed as it is (`ampwake analyze {input}`), and its \
         raw frames, where they were kept, are in a file beside it (`voyage.raw.db`)"
    )]
    Database {
        /// The recording.
        input: Input,
    },
    /// It is a measurement file of ASAM MDF.
    #[error(
        "{input}: this is an ASAM MDF file, which is not read here; convert it to candump text, for example with \
         `python3 -m can.logconvert {input} recording.log` (PyPI python-can[mf4])"
    )]
    Mdf {
        /// The recording.
        input: Input,
    },
    /// It holds something, but no frame.
    #[error(
        "{input}: no line of it is a CAN frame or a sentence (it begins with `{start}`); expected is what `candump -l` \
             writes, such as `(1757680800.110000) can0 19F21423#00FB04FF7FFFFFFF`, plain or as .gz or .zst, a \
             pcap or pcapng capture of a CAN interface, or NMEA 0183 sentences with times"
    )]
    NoFrames {
        /// The recording.
        input: Input,
        /// Its first bytes.
        start: String,
    },
    /// It is a packet capture, of something else.
    #[error(
        "{input}: the capture holds no whole packet of a CAN interface (link type 227); capture on the CAN interface \
         itself, not on all interfaces at once"
    )]
    NoCan {
        /// The recording.
        input: Input,
    },
}
