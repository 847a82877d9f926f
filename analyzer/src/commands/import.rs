//! `ampwake import`: recordings into a database.

use super::bundle::taken;
use super::source::{self, Spoken, bus_protocol};
use super::{Failure, Outcome, Streams, dbc, read_intent};
use crate::bundle::{is_bundle, unpack};
use ampwake_logger::import::ImportReport;
use ampwake_store::Store;
use std::path::{Path, PathBuf};

/// Arguments of `import`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Recordings: candump text, a pcap or pcapng capture, or NMEA 0183 sentences, plain, .gz or .zst, or the recorder's raw
    /// frames; `-` is standard input. Or one archive of `ampwake bundle`.
    #[arg(required = true)]
    logs: Vec<PathBuf>,
    /// The database; made if it does not exist, added to if it does.
    #[arg(long)]
    db: PathBuf,
    /// The protocol of a bus, for example can0=rvc, several times where it speaks several; without it NMEA 2000.
    /// aft=nmea0183 names the line of sentences whose recording does not.
    #[arg(long, value_name = "BUS=PROTOCOL", value_parser = bus_protocol)]
    bus: Vec<(String, Spoken)>,
    /// A DBC file that describes messages of a bus, for example can0=pack.dbc; several times for several files.
    #[arg(long, value_name = "BUS=FILE", value_parser = dbc::bus_file)]
    dbc: Vec<(String, PathBuf)>,
    /// An intent file whose addresses tell the protocols of the buses.
    #[arg(long)]
    intent: Option<PathBuf>,
    /// What was imported, as JSON for programs.
    #[arg(long)]
    json: bool,
}

/// Runs it.
pub fn run(args: &Args, streams: &mut Streams) -> Result<Outcome, Failure> {
    if let Some(archive) = args.logs.iter().find(|log| is_bundle(log)) {
        return take_back(archive, args, streams);
    }
    let intent = args.intent.as_deref().map(read_intent).transpose()?.map(|i| i.0);
    let mut options = source::options(&args.bus, intent.as_ref())?;
    dbc::add(&mut options.bus_protocols, &args.dbc, intent.as_ref(), streams)?;
    // Before there is a database: a wrong name leaves none behind.
    source::look(&args.logs)?;
    let mut writer = Store::create(&args.db)?;
    let report = source::import(&args.logs, &options, &mut writer, streams)?;
    if args.json {
        serde_json::to_writer_pretty(&mut *streams.out, &as_json(&report))
            .map_err(|e| Failure::CouldNot(e.to_string()))?;
        writeln!(streams.out)?;
    } else {
        write!(streams.out, "{}", as_text(&report))?;
    }
    Ok(Outcome::Done)
}

/// An archive makes a database of its own.
fn take_back(archive: &Path, args: &Args, streams: &mut Streams) -> Result<Outcome, Failure> {
    if args.logs.len() > 1 {
        let text = format!("{}: an archive is taken back by itself, into a new database", archive.display());
        return Err(Failure::Input(text));
    }
    let unpacked = unpack(archive, &args.db)?;
    if args.json {
        let json = serde_json::json!({ "list": unpacked.list, "files": unpacked.files });
        writeln!(streams.out, "{json:#}")?;
    } else {
        write!(streams.out, "{}", taken(&unpacked, archive))?;
    }
    Ok(Outcome::Done)
}

fn as_json(r: &ImportReport) -> serde_json::Value {
    serde_json::json!({
        "frames": r.frames, "messages": r.messages, "samples": r.samples, "segments": r.segments,
        "clock_steps": r.clock_steps, "first": r.first, "last": r.last, "problems": r.problems,
        "remarks": r.remarks,
    })
}

/// What was imported, in a few lines.
pub fn as_text(r: &ImportReport) -> String {
    let mut out = format!("{} frames, {} messages, {} samples", r.frames, r.messages, r.samples);
    if let (Some(first), Some(last)) = (r.first, r.last) {
        out.push_str(&format!(", {first} to {last}"));
    }
    out.push('\n');
    if r.clock_steps > 0 {
        out.push_str(&format!("the recorder's clock was stepped {} time(s); see the report\n", r.clock_steps));
    }
    for remark in &r.remarks {
        out.push_str(&format!("{remark}\n"));
    }
    for (name, n) in &r.problems {
        out.push_str(&format!("{}: {n}\n", name.replace('_', " ")));
    }
    out
}
