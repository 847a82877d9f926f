//! Reading: what channels there are, what happened to the recording, who was heard.

use crate::error::StoreError;
use crate::samples::Samples;
use crate::streams::StreamColumn;
use crate::{ChannelId, ChannelInfo, Device, Event, Segment, SegmentId, StreamId, open, tails};
use ampwake_blocks::Coding;
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::findings::Period;
use ampwake_schemas::message::Scale;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use rusqlite::types::Type;
use rusqlite::{Connection, Params, Row};
use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};

/// An open database, for reading. All times are corrected ones.
#[derive(Debug)]
pub struct Store {
    pub(crate) connection: Connection,
    pub(crate) path: PathBuf,
}

const CHANNELS: &str = "SELECT c.id, c.address, c.unit, v.samples, v.missing,
           v.first_ms + s.offset_ms, v.last_ms + s.offset_ms, v.latest
    FROM channel c LEFT JOIN coverage v ON v.channel = c.id LEFT JOIN segment_clock s ON s.segment = v.segment";

/// An event of a row with its time, kind, bus, channel, text and details.
fn event(row: &Row<'_>) -> rusqlite::Result<Event> {
    Ok(Event {
        time: Timestamp::from_millis(row.get(0)?),
        kind: row.get(1)?,
        bus: row.get(2)?,
        channel: row.get::<_, Option<String>>(3)?.and_then(|t| t.parse().ok()),
        text: row.get(4)?,
        details: row.get(5)?,
    })
}

impl Store {
    /// Opens an existing database for reading; a recorder may go on writing to it.
    ///
    /// # Errors
    /// A missing file, a file that is no Ampwake database, a newer version, or one that cannot be read.
    pub fn open(path: impl AsRef<Path>) -> Result<Self, StoreError> {
        let path = path.as_ref();
        Ok(Self { connection: open::read_only(path)?, path: path.to_owned() })
    }

    /// Where the file is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// What tells this database from every other one, made with it: sixteen hexadecimal digits.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn identity(&self) -> Result<String, StoreError> {
        let sql = "SELECT value FROM meta WHERE key = 'identity'";
        Ok(self.rows("cannot read", sql, [], |row| row.get(0))?.pop().unwrap_or_default())
    }

    /// The open file itself, read-only, for queries in SQL.
    pub fn into_connection(self) -> Connection {
        self.connection
    }

    /// Every channel in the order of the addresses. Does not touch the samples.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn channels(&self) -> Result<Vec<ChannelInfo>, StoreError> {
        self.channel_list(&format!("{CHANNELS} ORDER BY c.address, c.id"), [])
    }

    /// The channel with this address, if there is one.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn find(&self, address: &ChannelAddress) -> Result<Option<ChannelInfo>, StoreError> {
        let list = self.channel_list(&format!("{CHANNELS} WHERE c.address = ?1"), [address.to_string()])?;
        Ok(list.into_iter().next())
    }

    fn channel_list(&self, sql: &str, params: impl Params) -> Result<Vec<ChannelInfo>, StoreError> {
        let _held = self.hold()?;
        // One row per channel and segment; rows of a channel follow each other.
        let rows = self.rows("cannot read the channels", sql, params, |row| {
            Ok(ChannelInfo {
                id: ChannelId(row.get(0)?),
                address: parsed(row, 1, |t| t.parse().ok())?,
                unit: parsed(row, 2, Unit::parse)?,
                samples: row.get::<_, Option<i64>>(3)?.unwrap_or(0).max(0) as u64,
                missing: row.get::<_, Option<i64>>(4)?.unwrap_or(0).max(0) as u64,
                first: row.get::<_, Option<i64>>(5)?.map(Timestamp::from_millis),
                last: row.get::<_, Option<i64>>(6)?.map(Timestamp::from_millis),
                latest: row.get(7)?,
            })
        })?;
        let mut list: Vec<ChannelInfo> = Vec::new();
        for row in rows {
            match list.last_mut() {
                Some(channel) if channel.id == row.id => channel.add(&row),
                _ => list.push(row),
            }
        }
        // What is not sealed yet.
        let places: HashMap<ChannelId, usize> = list.iter().enumerate().map(|(i, c)| (c.id, i)).collect();
        for more in tails::coverage(self)? {
            if let Some(place) = places.get(&more.id) {
                list[*place].add(&more);
            }
        }
        Ok(list)
    }

    /// The samples of one channel from `from` to `to`, both included, in the order of time; equal times in the
    /// order of arrival. Memory does not grow with the length.
    ///
    /// # Errors
    /// The file cannot be read, or the channel is not of this database.
    pub fn read(
        &self,
        channel: ChannelId,
        from: Option<Timestamp>,
        to: Option<Timestamp>,
    ) -> Result<Samples<'_>, StoreError> {
        let known =
            self.rows("cannot read the channel", "SELECT 1 FROM channel WHERE id = ?1", [channel.0], |_| Ok(()))?;
        if known.is_empty() {
            return Err(StoreError::Unknown { path: self.path.clone(), what: "channel", id: channel.0 });
        }
        Samples::new(self, channel, from, to)
    }

    /// [`Store::read`] into memory: 24 bytes per sample.
    ///
    /// # Errors
    /// As [`Store::read`].
    pub fn read_all(
        &self,
        channel: ChannelId,
        from: Option<Timestamp>,
        to: Option<Timestamp>,
    ) -> Result<Vec<(Timestamp, Reading)>, StoreError> {
        self.read(channel, from, to)?.all()
    }

    /// Everything that happened to the recording, in the order of time.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn events(&self) -> Result<Vec<Event>, StoreError> {
        self.rows(
            "cannot read the events",
            "SELECT e.t_ms + coalesce(s.offset_ms, 0) AS t, e.kind, e.bus, e.channel, e.text, e.details
             FROM event e LEFT JOIN segment_clock s ON s.segment = e.segment ORDER BY t, e.id",
            [],
            event,
        )
    }

    /// The last of the events of these kinds.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn newest_event(&self, kinds: &[&str]) -> Result<Option<Event>, StoreError> {
        let marks = vec!["?"; kinds.len()].join(", ");
        let sql = format!(
            "SELECT e.t_ms + coalesce(s.offset_ms, 0), e.kind, e.bus, e.channel, e.text, e.details
             FROM event e LEFT JOIN segment_clock s ON s.segment = e.segment
             WHERE e.id = (SELECT max(id) FROM event WHERE kind IN ({marks}))"
        );
        Ok(self.rows("cannot read the events", &sql, rusqlite::params_from_iter(kinds), event)?.pop())
    }

    /// Every device heard, by bus and address.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn devices(&self) -> Result<Vec<Device>, StoreError> {
        self.rows(
            "cannot read the devices",
            "SELECT d.bus, d.address, d.name, d.product,
                    d.first_ms + coalesce(f.offset_ms, 0), d.last_ms + coalesce(l.offset_ms, 0)
             FROM device d LEFT JOIN segment_clock f ON f.segment = d.first_segment
             LEFT JOIN segment_clock l ON l.segment = d.last_segment
             ORDER BY d.bus, d.address, d.name",
            [],
            |row| {
                Ok(Device {
                    bus: row.get(0)?,
                    address: row.get(1)?,
                    name: u64::from_str_radix(&row.get::<_, String>(2)?, 16).ok(),
                    product: row.get(3)?,
                    first: Timestamp::from_millis(row.get(4)?),
                    last: Timestamp::from_millis(row.get(5)?),
                })
            },
        )
    }

    /// What could not be used, by name, counted.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn problems(&self) -> Result<BTreeMap<String, u64>, StoreError> {
        let rows = self.rows("cannot read the problems", "SELECT name, count FROM problem", [], |row| {
            Ok((row.get(0)?, row.get::<_, i64>(1)?.max(0) as u64))
        })?;
        Ok(rows.into_iter().collect())
    }

    /// The segments in the order of recording, with what is known of their clocks.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn segments(&self) -> Result<Vec<Segment>, StoreError> {
        let sql = "SELECT segment, source, offset_ms, note FROM segment_clock ORDER BY segment";
        self.rows("cannot read the segments", sql, [], |row| {
            Ok(Segment { id: SegmentId(row.get(0)?), source: row.get(1)?, offset_ms: row.get(2)?, note: row.get(3)? })
        })
    }

    /// What is added to the recorder's time in each segment, ms.
    pub(crate) fn offsets(&self) -> Result<HashMap<SegmentId, i64>, StoreError> {
        Ok(self.segments()?.into_iter().map(|s| (s.id, s.offset_ms)).collect())
    }

    /// From the first sample to the last; `None` when there is none.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn period(&self) -> Result<Option<Period>, StoreError> {
        let _held = self.hold()?;
        let sql = "SELECT min(v.first_ms + s.offset_ms), max(v.last_ms + s.offset_ms)
                   FROM coverage v JOIN segment_clock s ON s.segment = v.segment";
        let row = self.rows("cannot read the period", sql, [], |row| {
            Ok(row.get::<_, Option<i64>>(0)?.zip(row.get::<_, Option<i64>>(1)?))
        })?;
        let sealed = row.into_iter().flatten();
        let tails = tails::coverage(self)?;
        let unsealed = tails.iter().filter_map(|c| Some((c.first?.millis(), c.last?.millis())));
        let whole = sealed.chain(unsealed).reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)));
        Ok(whole.map(|(start, end)| Period { start: Timestamp::from_millis(start), end: Timestamp::from_millis(end) }))
    }

    /// What SQLite finds wrong with the file as a whole; empty for a sound one. Reads all of it.
    ///
    /// # Errors
    /// The file cannot be read at all.
    pub fn damage(&self) -> Result<Vec<String>, StoreError> {
        let found = self.rows("cannot examine", "PRAGMA integrity_check", [], |row| row.get::<_, String>(0))?;
        Ok(found.into_iter().filter(|line| line != "ok").collect())
    }

    /// The first thing in the file that no database of ours has: a trigger, another view. To be asked of a file from
    /// somebody else, which could say with it what is done when it is read or written.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn strange(&self) -> Result<Option<String>, StoreError> {
        let ours = open::schema().map_err(StoreError::sqlite(&self.path, "cannot compare"))?;
        // What SQLite keeps about its own planning has no words of its own.
        let sql = "SELECT type, name, coalesce(sql, '') FROM sqlite_schema WHERE name NOT IN ('sqlite_stat1', 'sqlite_stat4')";
        let found = self.rows("cannot read the schema", sql, [], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?;
        let strange = found.into_iter().find(|row: &(String, String, String)| !ours.contains(row));
        Ok(strange.map(|(kind, name, _)| format!("{kind} {}", name.escape_default())))
    }

    /// Every stream and its columns.
    pub(crate) fn stream_columns(&self) -> Result<Vec<(StreamId, Vec<StreamColumn>)>, StoreError> {
        let sql = "SELECT stream, channel, step, shift, decimals FROM stream_column ORDER BY stream, place";
        let rows = self.rows("cannot read the streams", sql, [], |row| {
            let column = StreamColumn { channel: ChannelId(row.get(1)?), coding: coding(row, 2)? };
            Ok((StreamId(row.get(0)?), column))
        })?;
        let same = rows.chunk_by(|a, b| a.0 == b.0);
        Ok(same.map(|rows| (rows[0].0, rows.iter().map(|r| r.1).collect())).collect())
    }

    /// While it lives, all that is read is of one moment. Not for long reads: it holds the recorder's log.
    pub(crate) fn hold(&self) -> Result<Option<rusqlite::Transaction<'_>>, StoreError> {
        // One inside another is the same moment.
        if !self.connection.is_autocommit() {
            return Ok(None);
        }
        self.connection.unchecked_transaction().map(Some).map_err(StoreError::sqlite(&self.path, "cannot read"))
    }

    /// One query, all of its rows.
    pub(crate) fn rows<T>(
        &self,
        doing: &'static str,
        sql: &str,
        params: impl Params,
        read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        let query =
            || -> rusqlite::Result<Vec<T>> { self.connection.prepare_cached(sql)?.query_map(params, read)?.collect() };
        query().map_err(StoreError::sqlite(&self.path, doing))
    }
}

/// Channels and codings of a stream, in the order of its columns.
pub(crate) fn codings(c: &Connection, stream: i64) -> rusqlite::Result<Vec<(ChannelId, Coding)>> {
    let sql = "SELECT channel, step, shift, decimals FROM stream_column WHERE stream = ?1 ORDER BY place";
    let mut statement = c.prepare_cached(sql)?;
    statement.query_map([stream], |row| Ok((ChannelId(row.get(0)?), coding(row, 1)?)))?.collect()
}

/// From three columns of `stream_column`.
pub(crate) fn coding(row: &Row<'_>, at: usize) -> rusqlite::Result<Coding> {
    Ok(match row.get::<_, Option<i64>>(at)? {
        None => Coding::Float,
        Some(step) => Coding::Scaled(Scale { step, offset: row.get(at + 1)?, decimals: row.get(at + 2)? }),
    })
}

impl ChannelInfo {
    /// Adds what another stretch of the same channel holds.
    fn add(&mut self, more: &Self) {
        if more.last >= self.last {
            self.latest = more.latest;
        }
        self.first = [self.first, more.first].into_iter().flatten().min();
        self.last = self.last.max(more.last);
        self.samples += more.samples;
        self.missing += more.missing;
    }
}

/// A text column that must mean something; otherwise the file is damaged.
fn parsed<T>(row: &Row<'_>, column: usize, parse: impl FnOnce(&str) -> Option<T>) -> rusqlite::Result<T> {
    let text: String = row.get(column)?;
    parse(&text).ok_or_else(|| {
        let what = format!("`{}` stands where it cannot", text.chars().take(80).collect::<String>());
        rusqlite::Error::FromSqlConversionFailure(column, Type::Text, what.into())
    })
}
