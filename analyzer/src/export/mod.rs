//! Samples as files for other programs: one file per UTC day, in the order of channel and time, as Parquet or as CSV.
//!
//! Owes its reader: every sample of the channels that were asked for, once, "not available" ones with the reason and
//! never as a number; the same files from the same database; memory that does not grow with the recording (one row
//! group, and the list of the files).

mod csv;
mod folder;
#[cfg(feature = "parquet")]
mod parquet;
mod pattern;

use crate::report::atomic::Draft;
use ampwake_schemas::findings::Period;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelInfo, Store, StoreError};
use folder::{DAY_MS, FIRST_DAY, Folder, LAST_DAY};
use std::io;
use std::path::{Path, PathBuf};

/// Samples between two looks at the progress.
const SAMPLES_PER_LOOK: u64 = 100_000;

/// What kind of files.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// Comma-separated values (RFC 4180) with a head line.
    Csv,
    /// Apache Parquet, compressed with Zstandard.
    Parquet,
}

impl Format {
    /// The end of the files' names.
    pub const fn extension(self) -> &'static str {
        match self {
            Self::Csv => "csv",
            Self::Parquet => "parquet",
        }
    }
}

/// What is to be exported, and where to.
#[derive(Debug, Clone)]
pub struct Options<'a> {
    /// What kind of files.
    pub format: Format,
    /// The folder.
    pub root: &'a Path,
    /// The vessel's name.
    pub vessel: &'a str,
    /// Patterns of channel addresses, of which one must fit; all channels where there are none.
    pub channels: &'a [String],
    /// From this time on.
    pub from: Option<Timestamp>,
    /// Up to this time, included.
    pub to: Option<Timestamp>,
}

/// A file that was written.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Written {
    /// Below the folder of the export.
    pub path: PathBuf,
    /// Its day, `YYYY-MM-DD`, UTC.
    pub day: String,
    /// Rows of it.
    pub samples: u64,
    /// Those that have no value.
    pub missing: u64,
    /// Its size.
    pub bytes: u64,
}

/// What an export brought.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Exported {
    /// In the order of the days.
    pub files: Vec<Written>,
    /// How many channels fitted.
    pub channels: usize,
    /// Samples whose times no calendar can name (before the year 1 or after 9999).
    pub left_out: u64,
}

impl Exported {
    /// Samples that were written.
    pub fn samples(&self) -> u64 {
        self.files.iter().map(|f| f.samples).sum()
    }

    /// Those of them that have no value.
    pub fn missing(&self) -> u64 {
        self.files.iter().map(|f| f.missing).sum()
    }
}

/// Why an export ended.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The database cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Nothing fits.
    #[error("none of the {heard} channels fits {patterns}; `ampwake channels` lists them")]
    NoChannel {
        /// Channels of the database.
        heard: usize,
        /// What was asked for.
        patterns: String,
    },
    /// Nothing to write.
    #[error("there are no samples to export{}", if *.bounded { " between --from and --to" } else { "" })]
    Nothing {
        /// A time was given.
        bounded: bool,
    },
    /// A name that can be none of a folder.
    #[error("`{name}` is {problem} for the name of a folder or file; give the vessel's name with --vessel")]
    Name {
        /// Its beginning.
        name: String,
        /// What is wrong with it.
        problem: &'static str,
    },
    /// Somebody else's files.
    #[error("{}: this is not of an export of this kind, and an export mixes with nothing else; name a new or empty folder", path.display())]
    Foreign {
        /// The first one found.
        path: PathBuf,
    },
    /// Another export into the same folder.
    #[error("{}: another program is exporting into this folder at the moment", path.display())]
    Busy {
        /// The folder.
        path: PathBuf,
    },
    /// The folder cannot be read.
    #[error("{}: cannot read: {source}", path.display())]
    Read {
        /// Where.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The disk is full or failing, or this user may not write there.
    #[error("{}: cannot write: {source}. Check that the folder is writable and has room", path.display())]
    Write {
        /// Where.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// Built without the feature.
    #[error("this program was built without Parquet (cargo feature `parquet` of ampwake-analyzer); --csv is there")]
    NoParquet,
}

/// A file of one day: channels in their order, samples of each in the order of time.
trait DayFile {
    /// What follows is of this channel.
    fn begin(&mut self, channel: &ChannelInfo) -> io::Result<()>;
    /// One sample; `value` is finite, and `None` where `status` says why.
    fn add(&mut self, time_ms: i64, value: Option<f64>, status: Option<&'static str>) -> io::Result<()>;
    /// The rest of it.
    fn finish(self: Box<Self>) -> io::Result<Draft>;
}

/// A channel on its way through the days.
struct Lane {
    channel: ChannelInfo,
    /// It has nothing before this, ms.
    next_ms: i64,
    /// Nor after this.
    last_ms: i64,
}

/// Writes the samples; tells `progress` now and then how many of how many.
///
/// # Errors
/// Nothing to write, a folder that is not ours, a database that cannot be read, a disk that cannot be written. Files of
/// days that were finished before stay, each of them whole.
pub fn export(
    store: &Store,
    options: &Options<'_>,
    progress: &mut dyn FnMut(u64, u64),
) -> Result<Exported, ExportError> {
    if options.format == Format::Parquet && cfg!(not(feature = "parquet")) {
        return Err(ExportError::NoParquet);
    }
    let from_ms = options.from.map_or(i64::MIN, Timestamp::millis).max(FIRST_DAY * DAY_MS);
    let to_ms = options.to.map_or(i64::MAX, Timestamp::millis).min((LAST_DAY + 1) * DAY_MS - 1);
    let period = Period {
        start: options.from.unwrap_or(Timestamp::from_millis(from_ms)).max(Timestamp::from_millis(from_ms)),
        end: Timestamp::from_millis(to_ms),
    };
    let mut lanes = Vec::new();
    let (mut total, mut exported) = (0, Exported::default());
    for channel in chosen(store, options)? {
        exported.channels += 1;
        let (Some(first), Some(last)) = (channel.first, channel.last) else { continue };
        let within = store.summary(channel.id, Some(period.start), Some(period.end))?.count;
        exported.left_out += store.summary(channel.id, options.from, options.to)?.count.saturating_sub(within);
        total += within;
        let (next_ms, last_ms) = (first.millis().max(from_ms), last.millis().min(to_ms));
        lanes.push(Lane { channel, next_ms, last_ms });
    }
    if total == 0 {
        return Err(ExportError::Nothing { bounded: options.from.or(options.to).is_some() });
    }
    let identity = store.identity()?;
    let folder = Folder::open(options.root, options.vessel, (store.path(), &identity), options.format.extension())?;
    let mut done = 0;
    loop {
        lanes.retain(|lane| lane.next_ms <= lane.last_ms);
        let Some(day) = lanes.iter().map(|lane| lane.next_ms.div_euclid(DAY_MS)).min() else { break };
        let written = write_day(store, options, &folder, day, &mut lanes, &period, &mut |n| progress(done + n, total))?;
        match written {
            Some(file) => {
                done += file.samples;
                exported.files.push(file);
            }
            // A gap: it may be years, and is jumped over.
            None => lanes.iter_mut().try_for_each(|lane| lane.jump(store, &period))?,
        }
    }
    Ok(exported)
}

impl Lane {
    /// Goes to its next sample.
    fn jump(&mut self, store: &Store, period: &Period) -> Result<(), StoreError> {
        let from = Timestamp::from_millis(self.next_ms).max(period.start);
        let next = store.read(self.channel.id, Some(from), Some(period.end))?.next().transpose()?;
        self.next_ms = next.map_or(i64::MAX, |(time, _)| time.millis());
        Ok(())
    }
}

/// The channels that were asked for, in the order of their addresses.
fn chosen(store: &Store, options: &Options<'_>) -> Result<Vec<ChannelInfo>, ExportError> {
    let mut channels = store.channels()?;
    let heard = channels.len();
    if !options.channels.is_empty() {
        channels.retain(|channel| {
            let address = channel.address.to_string();
            options.channels.iter().any(|pattern| pattern::fits(pattern, &address))
        });
        if channels.is_empty() {
            return Err(ExportError::NoChannel { heard, patterns: options.channels.join(", ") });
        }
    }
    Ok(channels)
}

/// Writes one day; `None`, and no file, where it has no samples.
fn write_day(
    store: &Store,
    options: &Options<'_>,
    folder: &Folder,
    day: i64,
    lanes: &mut [Lane],
    period: &Period,
    progress: &mut dyn FnMut(u64),
) -> Result<Option<Written>, ExportError> {
    let (start_ms, end_ms) = (day * DAY_MS, (day + 1) * DAY_MS);
    let from = Timestamp::from_millis(start_ms).max(period.start);
    let to = Timestamp::from_millis(end_ms - 1).min(period.end);
    let failed = |source| ExportError::Write { path: options.root.to_owned(), source };
    let mut file: Option<Box<dyn DayFile>> = None;
    let (mut samples, mut missing) = (0_u64, 0_u64);
    for lane in lanes.iter_mut().filter(|lane| lane.next_ms < end_ms) {
        lane.next_ms = end_ms;
        let mut begun = None;
        for sample in store.read(lane.channel.id, Some(from), Some(to))? {
            let (time, reading) = sample?;
            let open = match &mut file {
                Some(open) => open,
                None => file.insert(begin(options.format, folder.draft()?, day).map_err(failed)?),
            };
            if begun.replace(()).is_none() {
                open.begin(&lane.channel).map_err(failed)?;
            }
            let status = status(reading);
            open.add(time.millis(), reading.value(), status).map_err(failed)?;
            samples += 1;
            missing += u64::from(status.is_some());
            if samples.is_multiple_of(SAMPLES_PER_LOOK) {
                progress(samples);
            }
        }
    }
    let Some(file) = file else { return Ok(None) };
    let path = folder.publish(file.finish().map_err(failed)?, day)?;
    let bytes = std::fs::metadata(options.root.join(&path)).map_err(failed)?.len();
    Ok(Some(Written { path, day: folder::day_text(day), samples, missing, bytes }))
}

fn begin(format: Format, draft: Draft, day: i64) -> io::Result<Box<dyn DayFile>> {
    Ok(match format {
        Format::Csv => Box::new(csv::CsvDay::begin(draft, day)?),
        #[cfg(feature = "parquet")]
        Format::Parquet => Box::new(parquet::ParquetDay::begin(draft)?),
        // [`export`] has refused it.
        #[cfg(not(feature = "parquet"))]
        Format::Parquet => return Err(io::ErrorKind::Unsupported.into()),
    })
}

/// Why there is no value, in the words of the database's view `latest_utc`; a float that is no number cannot have come
/// from a working sensor.
fn status(reading: Reading) -> Option<&'static str> {
    match reading {
        Reading::Value(v) if v.is_finite() => None,
        Reading::Value(_) | Reading::OutOfRange => Some("out of range"),
        Reading::NotAvailable => Some("not available"),
        Reading::Reserved => Some("reserved"),
    }
}
