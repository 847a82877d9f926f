//! `ampwake mark`: what the engineer did or read by hand goes into the database, also while it is recorded into.

use super::{Failure, Outcome, Streams};
use crate::marks::{Details, KIND};
use crate::report::format;
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelInfo, Event, Store, writer_of};
use chrono::NaiveDate;
use serde_json::json;
use std::path::PathBuf;

/// A longer text belongs into a logbook.
const LONGEST: usize = 2000;

/// Arguments of `mark`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The database; a recorder may be writing to it.
    db: PathBuf,
    /// What was done or seen, in your own words: "port shore charger switched off".
    text: String,
    /// When, for example 2026-05-01T10:05:00Z; now, if left out.
    #[arg(long, value_name = "TIME", value_parser = super::range::time)]
    at: Option<Timestamp>,
    /// The channel that a reading is to be compared with, as `ampwake channels` lists it.
    #[arg(long, requires = "reading")]
    channel: Option<ChannelAddress>,
    /// What your instrument showed, in the channel's sense (current into the DC bus or into the bank is positive).
    #[arg(long, allow_negative_numbers = true, requires = "unit")]
    reading: Option<f64>,
    /// Its unit: A, V, degC, ...
    #[arg(long, requires = "reading")]
    unit: Option<String>,
    /// The instrument's limits of error at this reading, ± in the unit, from its data sheet; a usual figure, if left out.
    #[arg(long, value_name = "LIMITS", requires = "reading")]
    plus_minus: Option<f64>,
    /// Which instrument: its name or serial number.
    #[arg(long, value_name = "ID", requires = "reading")]
    instrument: Option<String>,
    /// When it was last calibrated, for example 2026-01-31.
    #[arg(long, value_name = "DATE", requires = "reading", value_parser = date)]
    calibrated: Option<NaiveDate>,
    /// Say what was written as JSON.
    #[arg(long)]
    json: bool,
}

fn date(text: &str) -> Result<NaiveDate, String> {
    NaiveDate::parse_from_str(text, "%Y-%m-%d").map_err(|e| format!("{e}; write a date such as 2026-01-31"))
}

/// Runs it.
pub fn run(args: &Args, streams: &mut Streams) -> Result<Outcome, Failure> {
    let text = words("the text", &args.text)?;
    if args.reading.is_some_and(|v| !v.is_finite()) || args.plus_minus.is_some_and(|u| !(u.is_finite() && u > 0.0)) {
        return Err(Failure::Input("--reading has to be a number, and --plus-minus one above zero".to_owned()));
    }
    let instrument = args.instrument.as_deref().map(|i| words("--instrument", i)).transpose()?;
    let unit = args.unit.as_deref().map(|u| words("--unit", u)).transpose()?;
    let channel = match &args.channel {
        Some(address) => Store::open(&args.db)?.find(address)?,
        None => None,
    };
    let unit = unit.map(|u| in_units_of(channel.as_ref(), args.channel.as_ref(), u)).transpose()?;
    let now = Timestamp::from_millis(chrono::Utc::now().timestamp_millis());
    let details = Details {
        reading: args.reading,
        unit,
        plus_minus: args.plus_minus,
        instrument,
        calibrated: args.calibrated.map(|d| d.to_string()),
    };
    let event = Event {
        time: args.at.unwrap_or(now),
        kind: KIND.to_owned(),
        bus: None,
        channel: args.channel.clone(),
        text,
        details: serde_json::to_string(&details).map_err(|e| Failure::CouldNot(e.to_string()))?,
    };
    // Whoever reads the time off this computer while it records shares the recorder's clock, right or wrong.
    let recorder_clock = args.at.is_none() && writer_of(&args.db).is_some();
    Store::mark(&args.db, &event, recorder_clock)?;
    say(args, &event, &details, channel.as_ref(), streams)?;
    Ok(Outcome::Done)
}

/// Text without what could deceive the eye; refused where nothing is left, or too much.
fn words(what: &str, text: &str) -> Result<String, Failure> {
    if text.chars().count() > LONGEST {
        return Err(Failure::Input(format!(
            "{what} is longer than {LONGEST} characters; the rest belongs into the logbook"
        )));
    }
    let clean = format::plain(text).trim().to_owned();
    if clean.is_empty() { Err(Failure::Input(format!("{what} is empty"))) } else { Ok(clean) }
}

/// A reading is compared in the channel's own unit, and in no other.
fn in_units_of(channel: Option<&ChannelInfo>, named: Option<&ChannelAddress>, unit: String) -> Result<String, Failure> {
    let unit = match unit.as_str() {
        "C" | "\u{b0}C" => "degC".to_owned(),
        _ => unit,
    };
    match (channel, named) {
        (Some(c), _) if c.unit.text() != unit => Err(Failure::Input(format!(
            "{} is recorded in `{}`: give the reading and --unit in that",
            c.address, c.unit
        ))),
        (None, Some(_)) if Unit::parse(&unit).is_none() => Err(Failure::Input(format!(
            "`{unit}` is no unit of any channel; they are A, V, degC, W, Hz, rpm and the like"
        ))),
        _ => Ok(unit),
    }
}

fn say(
    args: &Args,
    event: &Event,
    details: &Details,
    channel: Option<&ChannelInfo>,
    streams: &mut Streams,
) -> Result<(), Failure> {
    let unheard = args.channel.as_ref().filter(|_| channel.is_none());
    let last = channel.and_then(|c| c.latest.zip(c.last));
    if args.json {
        let written = json!({
            "time": event.time, "text": event.text, "channel": event.channel.as_ref().map(ToString::to_string),
            "reading": details.reading, "unit": details.unit, "plus_minus": details.plus_minus,
            "instrument": details.instrument, "calibrated": details.calibrated,
            "latest": last.map(|l| json!({ "value": l.0, "time": l.1 })), "channel_heard": args.channel.is_some().then_some(unheard.is_none()),
        });
        serde_json::to_writer_pretty(&mut *streams.out, &written).map_err(|e| Failure::CouldNot(e.to_string()))?;
        writeln!(streams.out)?;
        return Ok(());
    }
    writeln!(streams.out, "marked {}: {}", event.time, event.text)?;
    if let (Some(reading), Some(unit)) = (details.reading, &details.unit) {
        let by = details.instrument.as_ref().map_or(String::new(), |i| format!(", {i}"));
        writeln!(streams.out, "read by hand: {}{by}", format::setting(reading, unit))?;
        if let Some((value, time)) = last {
            writeln!(streams.out, "the channel's latest: {} at {time}", format::quantity(value, unit))?;
        }
    }
    if let Some(address) = unheard {
        writeln!(
            streams.err,
            "{address} was never heard so far: the reading has nothing to be compared with (`ampwake channels` lists what was)"
        )?;
    }
    Ok(())
}
