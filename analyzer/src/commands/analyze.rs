//! `ampwake analyze`: the main job.

use super::progress::{Progress, Step};
use super::range::Range;
use super::source::{self, Opened, Spoken, bus_protocol};
use super::{Failure, Outcome, Streams, dbc, output, pdf, read_intent};
use crate::analyze::{Analysis, analyze};
use crate::report::{self, InputFile, Provenance, ReportInput};
use crate::season;
use ampwake_schemas::findings::{Severity, VerdictWord};
use ampwake_schemas::intent::Intent;
use ampwake_schemas::time::Timestamp;
use std::path::{Path, PathBuf};

/// Arguments of `analyze`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The database.
    #[arg(required_unless_present = "log", conflicts_with = "log")]
    db: Option<PathBuf>,
    /// Recordings instead of a database: candump text, a pcap or pcapng capture, or NMEA 0183 sentences, plain, .gz or .zst, or the
    /// recorder's raw frames; `-` is standard input.
    #[arg(long, num_args = 1.., value_name = "LOG")]
    log: Vec<PathBuf>,
    /// The design intent.
    #[arg(long)]
    intent: PathBuf,
    /// The protocol of a bus, for example can0=rvc, several times where it speaks several; without it what the intent's addresses say.
    #[arg(long, value_name = "BUS=PROTOCOL", value_parser = bus_protocol)]
    bus: Vec<(String, Spoken)>,
    /// A DBC file that describes messages of a bus, for example can0=pack.dbc; several times for several files.
    #[arg(long, value_name = "BUS=FILE", value_parser = dbc::bus_file, requires = "log")]
    dbc: Vec<(String, PathBuf)>,
    #[command(flatten)]
    range: Range,
    /// Write the findings as JSON here; `-` is standard output.
    #[arg(long, value_name = "OUT")]
    json: Option<PathBuf>,
    /// Write the report as one HTML file here.
    #[arg(long, value_name = "OUT")]
    html: Option<PathBuf>,
    /// Print the report as PDF here, through a browser that is installed.
    #[arg(long, value_name = "OUT")]
    pdf: Option<PathBuf>,
    /// Exit with status 3 when there is a finding of this severity (or worse), or a requirement that is not met.
    #[arg(long, value_name = "WHAT", value_enum)]
    fail_on: Vec<FailOn>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum FailOn {
    Caution,
    Danger,
    #[value(name = "not_met")]
    NotMet,
}

/// Runs it.
pub fn run(args: &Args, streams: &mut Streams) -> Result<Outcome, Failure> {
    let (intent, bytes) = read_intent(&args.intent)?;
    let opened = match &args.db {
        Some(db) => source::database(db)?,
        None => {
            let mut options = source::options(&args.bus, Some(&intent))?;
            dbc::add(&mut options.bus_protocols, &args.dbc, Some(&intent), streams)?;
            source::recordings(&args.log, &options, streams)?
        }
    };
    args.range.check()?;
    let (from, to) = args.range.ends(&opened.store)?;
    let analysis = analyse(&opened, &intent, from, to, streams)?;
    let provenance = provenance(&opened, &args.intent, &bytes);
    let input = ReportInput { findings: &analysis.findings, intent: &intent, charts: &analysis.charts, provenance };
    write(&input, args.json.as_deref(), args.html.as_deref(), streams)?;
    if let Some(target) = &args.pdf {
        let mut page = Vec::new();
        report::html(&input, &mut page)?;
        pdf::write(&page, target)?;
    }
    Ok(if args.fail_on.iter().any(|f| alarms(&analysis, *f)) { Outcome::Alarm } else { Outcome::Done })
}

/// Loads and analyses.
pub fn analyse(
    opened: &Opened,
    intent: &Intent,
    from: Option<Timestamp>,
    to: Option<Timestamp>,
    streams: &mut Streams,
) -> Result<Analysis, Failure> {
    if let Some(period) = crate::load::asked(&opened.store, from, to)?.filter(|p| season::is_long(*p)) {
        let mut progress = Progress::begin(streams);
        return Ok(season::analyse(&opened.store, intent, period, |done, of| {
            progress.tell(|| Step {
                count: done as u64,
                what: "days",
                fraction: Some(done as f64 / of as f64),
                place: String::new(),
            });
        })?);
    }
    let recording = crate::load::load(&opened.store, intent, from, to)?;
    if recording.period.is_none() {
        return Err(Failure::Input(
            "nothing was decoded: the recording is empty, or its protocol is another than --bus or the intent's addresses say"
                .to_owned(),
        ));
    }
    if recording.series.is_empty() {
        let heard: Vec<String> = recording.heard.iter().take(3).map(ToString::to_string).collect();
        return Err(Failure::Input(format!(
            "none of the intent's signals is in the recording, which carries for example {}; compare the addresses with \
             `ampwake channels`",
            heard.join(", ")
        )));
    }
    let inside = recording.period.is_some_and(|p| p.end > p.start);
    if !inside {
        return Err(Failure::Input("the recording has nothing between --from and --to".to_owned()));
    }
    Ok(analyze(&recording, intent))
}

/// What the report says about where it comes from.
pub fn provenance(opened: &Opened, intent: &Path, bytes: &[u8]) -> Provenance {
    let name = intent.file_name().map_or_else(|| intent.display().to_string(), |n| n.to_string_lossy().into_owned());
    Provenance {
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        inputs: opened.inputs.clone(),
        intent_file: Some(InputFile { name, fingerprint: source::fingerprint_of(bytes) }),
        generated: Some(Timestamp::from_micros(chrono::Utc::now().timestamp_micros())),
    }
}

/// Writes the files that were asked for, and always the summary.
pub fn write(
    input: &ReportInput,
    json: Option<&Path>,
    html: Option<&Path>,
    streams: &mut Streams,
) -> Result<(), Failure> {
    if let Some(target) = json {
        output::write(target, streams, |out| report::json(input.findings, out))?;
    }
    if let Some(target) = html {
        output::write(target, streams, |out| report::html(input, out))?;
    }
    report::text(input, output::beside(&[json, html], streams))?;
    Ok(())
}

fn alarms(analysis: &Analysis, on: FailOn) -> bool {
    let worst = analysis.findings.findings.iter().map(|f| f.severity).max();
    match on {
        FailOn::Caution => worst >= Some(Severity::Caution),
        FailOn::Danger => worst >= Some(Severity::Danger),
        FailOn::NotMet => analysis.findings.verdicts.iter().any(|v| v.verdict == VerdictWord::NotMet),
    }
}
