//! Minutes and hours of UTC: what a stock SQLite client, a spreadsheet or a dashboard reads.

use crate::SegmentId;
use crate::gather::{FinishedColumn, MINUTE_MS, cuts};
use crate::retain::FULL_FROM;
use crate::store::codings;
use ampwake_blocks::{BlockView, Carry, Summary};
use rusqlite::types::Value;
use rusqlite::{OptionalExtension, Statement, Transaction, params};
use std::collections::HashMap;
use std::ops::Range;

const HOUR_MS: i64 = 3_600_000;
/// Rows that are made anew wait for their order, some megabytes of them.
const MOST_ROWS_AT_ONCE: usize = 50_000;

/// Adds what finished columns come to.
pub(crate) fn add<'a>(
    tx: &Transaction<'_>,
    columns: impl Iterator<Item = (SegmentId, &'a FinishedColumn)>,
) -> rusqlite::Result<()> {
    let mut rows: Vec<Row> = Vec::new();
    for (segment, column) in columns {
        cut(segment.0, column.channel.0, &column.minutes, &mut rows);
    }
    Rollup::of(tx)?.put_all(rows)
}

/// What a minute or an hour of a channel comes to: where it belongs, segment and summary.
type Row = (Key, i64, Summary);

/// Rows of minutes that are in the order of time, and of their hours.
fn cut(segment: i64, channel: i64, minutes: &[(i64, Summary)], rows: &mut Vec<Row>) {
    rows.extend(minutes.iter().map(|(start, summary)| (Key::minute(*start, channel), segment, *summary)));
    for minutes in minutes.chunk_by(|a, b| Key::hour(a.0, channel) == Key::hour(b.0, channel)) {
        let mut whole = Summary::default();
        minutes.iter().for_each(|m| whole.merge(&m.1));
        rows.push((Key::hour(minutes[0].0, channel), segment, whole));
    }
}

/// Writes minutes and hours; what a channel's numbers mean is looked up once.
pub(crate) struct Rollup<'a> {
    minute: Statement<'a>,
    hour: Statement<'a>,
    decimals: Statement<'a>,
    /// 10^decimals of channels.
    powers: HashMap<i64, f64>,
}

/// The order of the rows on the disk. Hour since 1970, channel, minute of the hour; without a minute it is the hour's.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Key(i64, i64, Option<i64>);

/// The hour since 1970 of a time in ms.
pub(crate) fn hour(ms: i64) -> i64 {
    ms.div_euclid(HOUR_MS)
}

impl Key {
    pub(crate) fn minute(start_ms: i64, channel: i64) -> Self {
        Self(hour(start_ms), channel, Some(start_ms.rem_euclid(HOUR_MS) / MINUTE_MS))
    }

    pub(crate) fn hour(start_ms: i64, channel: i64) -> Self {
        Self(hour(start_ms), channel, None)
    }
}

impl<'a> Rollup<'a> {
    pub(crate) fn of(tx: &'a Transaction<'_>) -> rusqlite::Result<Self> {
        let sql = |table: &str, minute: &str| {
            format!(
                "INSERT INTO {table} (hour, channel, segment, count, missing, min, max, sum, integral, covered_ms {minute})
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10 {})
                 ON CONFLICT (hour, channel {minute}, segment) DO UPDATE SET
                   count = count + excluded.count, missing = missing + excluded.missing,
                   min = coalesce(min(min, excluded.min), min, excluded.min),
                   max = coalesce(max(max, excluded.max), max, excluded.max),
                   sum = sum + excluded.sum, integral = integral + excluded.integral,
                   covered_ms = covered_ms + excluded.covered_ms",
                if minute.is_empty() { "" } else { ", ?11" }
            )
        };
        Ok(Self {
            minute: tx.prepare(&sql("rollup_minute", ", minute"))?,
            hour: tx.prepare(&sql("rollup_hour", ""))?,
            decimals: tx.prepare("SELECT decimals FROM channel WHERE id = ?1")?,
            powers: HashMap::new(),
        })
    }

    /// In the order of the keys: what is written together lies together.
    fn put_all(&mut self, mut rows: Vec<Row>) -> rusqlite::Result<()> {
        rows.sort_by_key(|row| (row.0, row.1));
        rows.iter().try_for_each(|(key, segment, summary)| self.put(*key, *segment, summary))
    }

    pub(crate) fn put(&mut self, key: Key, segment: i64, s: &Summary) -> rusqlite::Result<()> {
        let Key(hour, channel, minute) = key;
        let power = match self.powers.get(&channel) {
            Some(power) => *power,
            None => {
                let decimals: Option<i64> = self.decimals.query_row([channel], |row| row.get(0)).optional()?;
                *self.powers.entry(channel).or_insert(10_f64.powi(decimals.unwrap_or(0).clamp(0, 16) as i32))
            }
        };
        let (min, max) = (s.first.map(|_| number(s.min * power)), s.first.map(|_| number(s.max * power)));
        let (sum, integral) = (number(s.sum * power), number(s.integral * power * HALF_MS_PER_S));
        let (count, missing) = (s.count as i64, s.missing as i64);
        let values = params![hour, channel, segment, count, missing, min, max, sum, integral, s.covered_ms, minute];
        match minute {
            Some(_) => self.minute.execute(values).map(drop),
            None => self.hour.execute(&values[..10]).map(drop),
        }
    }
}

/// The integral of whole numbers by the trapezoid rule is a whole number of these.
const HALF_MS_PER_S: f64 = 2000.0;

/// A whole number where the float is one but for its last bits: half the bytes, and exact.
fn number(x: f64) -> Value {
    let whole = x.round();
    match whole.abs() < (1_u64 << 53) as f64 && (x - whole).abs() <= whole.abs() * 1e-14 {
        true => Value::Integer(whole as i64),
        false => Value::Real(x),
    }
}

/// A clock that was corrected by less than this leaves its rollups as they are, ms: what the minute begins and ends
/// with is not known better than that, and a slow drift must not cost a season's rollups every hour.
const WORTH_RENEWING_MS: i64 = 1000;

/// Makes the rollups of segments anew whose clock was corrected since they were made; returns those, with their new
/// offset.
pub(crate) fn renew_moved(tx: &Transaction<'_>) -> rusqlite::Result<Vec<(SegmentId, i64)>> {
    // With the hours in which the old ones lie.
    let moved: Vec<(i64, i64, i64, i64)> = tx
        .prepare_cached(
            "SELECT s.id, c.offset_ms, (SELECT min(first_ms) FROM coverage v WHERE v.segment = s.id) + s.rollup_offset_ms,
                    (SELECT max(last_ms) FROM coverage v WHERE v.segment = s.id) + s.rollup_offset_ms
             FROM segment s JOIN segment_clock c ON c.segment = s.id
             WHERE abs(c.offset_ms - s.rollup_offset_ms) >= ?1
               AND NOT EXISTS (SELECT 1 FROM meta m JOIN coverage v ON v.segment = s.id
                               WHERE m.key = ?2 AND v.first_ms + c.offset_ms < CAST(m.value AS INTEGER))",
        )?
        // What was cut from blocks whose rows are gone cannot be cut anew.
        .query_map((WORTH_RENEWING_MS, FULL_FROM), |row| {
            let hour = |at| Ok::<_, rusqlite::Error>(row.get::<_, Option<i64>>(at)?.unwrap_or(0).div_euclid(HOUR_MS));
            Ok((row.get(0)?, row.get(1)?, hour(2)?, hour(3)?))
        })?
        .collect::<Result<_, _>>()?;
    for (segment, offset_ms, from, to) in &moved {
        for table in ["rollup_minute", "rollup_hour"] {
            let sql = format!("DELETE FROM {table} WHERE hour BETWEEN ?1 AND ?2 AND segment = ?3");
            tx.execute(&sql, (from, to, segment))?;
        }
        tx.execute("UPDATE segment SET rollup_offset_ms = ?2 WHERE id = ?1", (segment, offset_ms))?;
        renew(tx, *segment, *offset_ms)?;
    }
    Ok(moved.into_iter().map(|(segment, offset_ms, ..)| (SegmentId(segment), offset_ms)).collect())
}

fn renew(tx: &Transaction<'_>, segment: i64, offset_ms: i64) -> rusqlite::Result<()> {
    let mut renewed: Vec<Row> = Vec::new();
    let mut rollup = Rollup::of(tx)?;
    let mut carries: Vec<Carry> = Vec::new();
    let mut present = None;
    let mut blocks = tx.prepare("SELECT stream, data FROM block WHERE segment = ?1 ORDER BY stream, first_ms, id")?;
    let mut rows = blocks.query([segment])?;
    while let Some(row) = rows.next()? {
        let stream: i64 = row.get(0)?;
        if present != Some(stream) {
            present = Some(stream);
            carries.clear();
        }
        let columns = codings(tx, stream)?;
        carries.resize_with(columns.len(), Carry::default);
        // A block that is damaged now is no reason not to record on.
        let Ok(unpacked) = BlockView::rows_of(row.get_ref(1)?.as_blob().unwrap_or_default()) else { continue };
        let cuts = cuts(&unpacked.times, offset_ms);
        let ranges: Vec<Range<usize>> = cuts.iter().map(|cut| cut.1.clone()).collect();
        for ((column, (channel, coding)), carry) in unpacked.columns.iter().zip(&columns).zip(&mut carries) {
            let summaries = column.summaries(&unpacked.times, &ranges, *coding, carry);
            let minutes: Vec<(i64, Summary)> = cuts.iter().map(|c| c.0).zip(summaries).collect();
            cut(segment, channel.0, &minutes, &mut renewed);
        }
        if renewed.len() > MOST_ROWS_AT_ONCE {
            rollup.put_all(std::mem::take(&mut renewed))?;
        }
    }
    rollup.put_all(renewed)
}
