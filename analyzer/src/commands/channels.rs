//! `ampwake channels` and `ampwake devices`: what was heard.

use super::{Failure, Outcome, Streams};
use crate::report::format::plain;
use ampwake_schemas::message::{Protocol, find};
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelInfo, Store};
use std::path::PathBuf;

/// Arguments of `channels`.
#[derive(Debug, clap::Args)]
pub struct ChannelsArgs {
    /// The database.
    db: PathBuf,
    /// Only channels with this text in their address, for example 127751 or current.
    only: Option<String>,
    /// Those that never had a value too.
    #[arg(long)]
    all: bool,
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
    let all = with_ranges(&store)?;
    let heard = all.len();
    let mut rows: Vec<_> = all
        .into_iter()
        .filter(|(c, _)| args.only.as_ref().is_none_or(|part| c.address.to_string().contains(part.as_str())))
        .map(|(c, range)| {
            let span = c.first.zip(c.last).map_or(0.0, |(a, b)| b.seconds_since(a));
            let rate = if span > 0.0 { (c.samples.saturating_sub(1)) as f64 / span } else { 0.0 };
            (c, rate, range)
        })
        .collect();
    rows.sort_by_cached_key(|(c, ..)| natural(&c.address.to_string()));
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
    if rows.is_empty() {
        let text = match &args.only {
            Some(part) if heard > 0 => format!("none of the {heard} channels has `{part}` in its address"),
            _ => "no channels: nothing was decoded (is the protocol of the bus right? see --bus)".to_owned(),
        };
        writeln!(streams.out, "{text}")?;
        return Ok(Outcome::Done);
    }
    let found = rows.len();
    rows.retain(|(.., range)| args.all || range.is_some());
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
        let says = code_name(c).map(|name| format!("  last: {name}")).unwrap_or_default();
        writeln!(
            streams.out,
            "{quoted:width$}  {:8}  {rate:>8.2}  {range:>23}  {last:>10}  {:>9}{says}",
            c.unit.text(),
            c.samples
        )?;
    }
    if found > rows.len() {
        writeln!(streams.out, "and {} channels that never had a value (--all shows them)", found - rows.len())?;
    }
    Ok(Outcome::Done)
}

/// Text that sorts `6` before `11`: every number gets its length in front.
fn natural(address: &str) -> String {
    let mut out = String::with_capacity(address.len() + 8);
    let mut rest = address;
    while let Some(c) = rest.chars().next() {
        let digits = rest.len() - rest.trim_start_matches(|c: char| c.is_ascii_digit()).len();
        if digits == 0 {
            out.push(c);
            rest = &rest[c.len_utf8()..];
        } else {
            out.push(char::from(b'0' + digits.min(70) as u8));
            out.push_str(&rest[..digits]);
            rest = &rest[digits..];
        }
    }
    out
}

/// What the standard calls the last code of an enumeration.
fn code_name(c: &ChannelInfo) -> Option<&'static str> {
    let protocol = Protocol::parse(&c.address.protocol)?;
    // RV-C numbers are written in hexadecimal.
    let radix = if protocol == Protocol::Rvc { 16 } else { 10 };
    let def = find(protocol, u32::from_str_radix(&c.address.message, radix).ok()?)?;
    let code = c.latest.filter(|v| c.unit == Unit::Code && *v >= 0.0)?;
    def.fields.iter().find(|f| f.name == c.address.field)?.code_name(code as u64)
}

/// A channel with its lowest and highest value, where it had any.
pub(super) type Ranged = (ChannelInfo, Option<(f64, f64)>);

/// Every channel with its range.
pub(super) fn with_ranges(store: &Store) -> Result<Vec<Ranged>, Failure> {
    let mut rows = Vec::new();
    for c in store.channels()? {
        let whole = store.summary(c.id, None, None)?;
        rows.push((c, (whole.min <= whole.max).then_some((whole.min, whole.max))));
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
