//! `ampwake channels` and `ampwake devices`: what was heard.

use super::{Failure, Outcome, Streams};
use crate::report::format::plain;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelInfo, Store};
use std::path::PathBuf;

/// Arguments of `channels`.
#[derive(Debug, clap::Args)]
pub struct ChannelsArgs {
    /// The database.
    db: PathBuf,
    /// As JSON for programs.
    #[arg(long)]
    json: bool,
}

/// Arguments of `devices`.
#[derive(Debug, clap::Args)]
pub struct DevicesArgs {
    /// The database.
    db: PathBuf,
    /// As JSON for programs.
    #[arg(long)]
    json: bool,
}

/// Every channel with unit, rate, range and last value.
pub fn channels(args: &ChannelsArgs, streams: &mut Streams) -> Result<Outcome, Failure> {
    let store = Store::open(&args.db)?;
    let rows: Vec<_> = with_ranges(&store)?
        .into_iter()
        .map(|(c, range)| {
            let span = c.first.zip(c.last).map_or(0.0, |(a, b)| b.seconds_since(a));
            let rate = if span > 0.0 { (c.samples.saturating_sub(1)) as f64 / span } else { 0.0 };
            (c, rate, range)
        })
        .collect();
    if args.json {
        let list: Vec<serde_json::Value> = rows
            .iter()
            .map(|(c, rate, range)| {
                serde_json::json!({
                    "channel": c.address, "unit": c.unit.text(), "samples": c.samples, "missing": c.missing,
                    "rate_hz": (rate * 1000.0).round() / 1000.0, "min": range.map(|r| r.0), "max": range.map(|r| r.1),
                    "latest": c.latest, "first": c.first, "last": c.last,
                })
            })
            .collect();
        serde_json::to_writer_pretty(&mut *streams.out, &list).map_err(|e| Failure::CouldNot(e.to_string()))?;
        writeln!(streams.out)?;
        return Ok(Outcome::Done);
    }
    let width = rows.iter().map(|r| r.0.address.to_string().len() + 2).max().unwrap_or(20).max(9);
    writeln!(
        streams.out,
        "{:width$}  {:8}  {:>8}  {:>23}  {:>10}  {:>9}",
        "channel", "unit", "per s", "range", "last", "samples"
    )?;
    for (c, rate, range) in &rows {
        let range = range.map_or("never a value".to_owned(), |(a, b)| format!("{} .. {}", short(a), short(b)));
        let last = c.latest.map_or("-".to_owned(), short);
        let quoted = format!("\"{}\"", c.address);
        writeln!(
            streams.out,
            "{quoted:width$}  {:8}  {rate:>8.2}  {range:>23}  {last:>10}  {:>9}",
            c.unit.text(),
            c.samples
        )?;
    }
    if rows.is_empty() {
        writeln!(streams.out, "no channels: nothing was decoded (is the protocol of the bus right? see --bus)")?;
    }
    Ok(Outcome::Done)
}

/// Every channel with its lowest and highest value.
pub(super) fn with_ranges(store: &Store) -> Result<Vec<(ChannelInfo, Option<(f64, f64)>)>, Failure> {
    let mut rows = Vec::new();
    for c in store.channels()? {
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for sample in store.read(c.id, None, None)? {
            if let Some(v) = sample?.1.value() {
                (low, high) = (low.min(v), high.max(v));
            }
        }
        rows.push((c, (low <= high).then_some((low, high))));
    }
    Ok(rows)
}

/// Six significant digits at most, without trailing zeros.
fn short(v: f64) -> String {
    let decimals = if v.abs() >= 1000.0 { 1 } else { 3 };
    let text = format!("{v:.decimals$}");
    let trimmed = text.trim_end_matches('0').trim_end_matches('.');
    if trimmed == "-0" { "0".to_owned() } else { trimmed.to_owned() }
}

/// Every device with its NAME and what it said about itself.
pub fn devices(args: &DevicesArgs, streams: &mut Streams) -> Result<Outcome, Failure> {
    let store = Store::open(&args.db)?;
    let devices = store.devices()?;
    if args.json {
        let list: Vec<serde_json::Value> = devices
            .iter()
            .map(|d| {
                let product: serde_json::Value = serde_json::from_str(&d.product).unwrap_or_default();
                serde_json::json!({
                    "bus": d.bus, "address": d.address, "name": d.name.map(|n| format!("{n:016x}")),
                    "product": product, "first": d.first, "last": d.last,
                })
            })
            .collect();
        serde_json::to_writer_pretty(&mut *streams.out, &list).map_err(|e| Failure::CouldNot(e.to_string()))?;
        writeln!(streams.out)?;
        return Ok(Outcome::Done);
    }
    writeln!(
        streams.out,
        "{:8}  {:>7}  {:16}  {:24}  {:24}  says of itself",
        "bus", "address", "NAME", "first", "last"
    )?;
    for d in devices {
        let product: serde_json::Map<String, serde_json::Value> = serde_json::from_str(&d.product).unwrap_or_default();
        let words: Vec<String> = product
            .iter()
            .filter_map(|(k, v)| match v {
                serde_json::Value::String(s) if s.is_empty() => None,
                serde_json::Value::String(s) => Some(format!("{}: {}", k.replace('_', " "), plain(s))),
                v => Some(format!("{}: {v}", k.replace('_', " "))),
            })
            .collect();
        let name = d.name.map_or("not heard".to_owned(), |n| format!("{n:016x}"));
        let at = |t: Timestamp| t.to_string();
        writeln!(
            streams.out,
            "{:8}  {:>7}  {name:16}  {:24}  {:24}  {}",
            plain(&d.bus),
            d.address,
            at(d.first),
            at(d.last),
            words.join("; ")
        )?;
    }
    Ok(Outcome::Done)
}
