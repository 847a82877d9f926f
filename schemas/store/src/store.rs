//! Reading: what channels there are, what happened to the recording, who was heard.

use crate::error::StoreError;
use crate::samples::{Samples, Stretch};
use crate::{ChannelId, ChannelInfo, Device, Event, Segment, SegmentId, open};
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::findings::Period;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use rusqlite::types::Type;
use rusqlite::{Connection, Params, Row};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// An open database, for reading. All times are corrected ones.
#[derive(Debug)]
pub struct Store {
    pub(crate) connection: Connection,
    pub(crate) path: PathBuf,
}

const CHANNELS: &str = "SELECT c.id, c.address, c.unit, v.samples, v.missing,
           v.first_ms + s.offset_ms, v.last_ms + s.offset_ms, v.latest
    FROM channel c LEFT JOIN coverage v ON v.channel = c.id LEFT JOIN segment s ON s.id = v.segment";

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
                Some(channel) if channel.id == row.id => {
                    if row.last >= channel.last {
                        channel.latest = row.latest;
                    }
                    channel.first = channel.first.min(row.first);
                    channel.last = channel.last.max(row.last);
                    channel.samples += row.samples;
                    channel.missing += row.missing;
                }
                _ => list.push(row),
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
        let stretches = self.rows(
            "cannot read the channel",
            "SELECT v.segment, v.first_ms, v.last_ms, s.offset_ms
             FROM coverage v JOIN segment s ON s.id = v.segment WHERE v.channel = ?1",
            [channel.0],
            |row| {
                Ok(Stretch {
                    segment: row.get(0)?,
                    first_ms: row.get(1)?,
                    last_ms: row.get(2)?,
                    offset_ms: row.get(3)?,
                })
            },
        )?;
        Samples::new(self, channel, stretches, from, to)
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
        self.read(channel, from, to)?.collect()
    }

    /// Everything that happened to the recording, in the order of time.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn events(&self) -> Result<Vec<Event>, StoreError> {
        self.rows(
            "cannot read the events",
            "SELECT e.t_ms + coalesce(s.offset_ms, 0) AS t, e.kind, e.bus, e.channel, e.text, e.details
             FROM event e LEFT JOIN segment s ON s.id = e.segment ORDER BY t, e.id",
            [],
            |row| {
                Ok(Event {
                    time: Timestamp::from_millis(row.get(0)?),
                    kind: row.get(1)?,
                    bus: row.get(2)?,
                    channel: row.get::<_, Option<String>>(3)?.and_then(|t| t.parse().ok()),
                    text: row.get(4)?,
                    details: row.get(5)?,
                })
            },
        )
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
             FROM device d LEFT JOIN segment f ON f.id = d.first_segment LEFT JOIN segment l ON l.id = d.last_segment
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
        let sql = "SELECT id, source, offset_ms, note FROM segment ORDER BY id";
        self.rows("cannot read the segments", sql, [], |row| {
            Ok(Segment { id: SegmentId(row.get(0)?), source: row.get(1)?, offset_ms: row.get(2)?, note: row.get(3)? })
        })
    }

    /// From the first sample to the last; `None` when there is none.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn period(&self) -> Result<Option<Period>, StoreError> {
        let sql = "SELECT min(v.first_ms + s.offset_ms), max(v.last_ms + s.offset_ms)
                   FROM coverage v JOIN segment s ON s.id = v.segment";
        let row = self.rows("cannot read the period", sql, [], |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(match row[..] {
            [(Some(start), Some(end))] => {
                Some(Period { start: Timestamp::from_millis(start), end: Timestamp::from_millis(end) })
            }
            _ => None,
        })
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

/// A text column that must mean something; otherwise the file is damaged.
fn parsed<T>(row: &Row<'_>, column: usize, parse: impl FnOnce(&str) -> Option<T>) -> rusqlite::Result<T> {
    let text: String = row.get(column)?;
    parse(&text).ok_or_else(|| {
        let what = format!("`{}` stands where it cannot", text.chars().take(80).collect::<String>());
        rusqlite::Error::FromSqlConversionFailure(column, Type::Text, what.into())
    })
}
