//! `ampwake bundle`: one archive to send ashore.

use super::progress::bytes;
use super::range::Range;
use super::{Failure, Outcome, Streams, analyze, read_intent, source};
use crate::bundle::{BundleError, Pack, Unpacked, pack};
use crate::report::{self, ReportInput};
use std::path::{Path, PathBuf};

/// Arguments of `bundle`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The database; a recorder may go on writing into it.
    db: PathBuf,
    /// The archive to write, for example voyage.tar.zst.
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// The design intent: it goes along, and so do report and findings of the time that is taken.
    #[arg(long, value_name = "FILE")]
    intent: Option<PathBuf>,
    /// The recorder's configuration: it goes along.
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    #[command(flatten)]
    range: Range,
    /// What was packed, as JSON for programs.
    #[arg(long)]
    json: bool,
}

impl From<BundleError> for Failure {
    fn from(error: BundleError) -> Self {
        match error {
            BundleError::Store(error) => error.into(),
            BundleError::Io { .. } => Self::CouldNot(error.to_string()),
            BundleError::Refused { .. } | BundleError::Exists(_) => Self::Input(error.to_string()),
        }
    }
}

/// Runs it.
pub fn run(args: &Args, streams: &mut Streams) -> Result<Outcome, Failure> {
    args.range.check()?;
    let opened = source::database(&args.db)?;
    let (from, to) = args.range.ends(&opened.store)?;
    let created = chrono::Utc::now().to_rfc3339_opts(chrono::SecondsFormat::Secs, true);
    let mut what = Pack { from, to, created, ..Pack::default() };
    if let Some(config) = &args.config {
        what.files.push(("logger.toml", config.clone()));
    }
    let mut remark = None;
    if let Some(path) = &args.intent {
        let (intent, text) = read_intent(path)?;
        what.files.push(("vessel.toml", path.clone()));
        match analyze::analyse(&opened, &intent, from, to, streams) {
            Ok(analysis) => {
                let provenance = analyze::provenance(&opened, path, &text);
                let (findings, charts) = (&analysis.findings, &analysis.charts);
                let input = ReportInput { findings, intent: &intent, charts, provenance };
                let (mut html, mut json) = (Vec::new(), Vec::new());
                report::html(&input, &mut html)?;
                report::json(findings, &mut json)?;
                what.made.extend([("report.html", html), ("findings.json", json)]);
            }
            // Whoever gets it may find out why.
            Err(failure) => remark = Some(format!("without a report: {failure}")),
        }
    }
    let list = pack(&opened.store, &what, &args.out)?;
    let size = std::fs::metadata(&args.out)?.len();
    if args.json {
        let json = serde_json::json!({ "file": args.out, "bytes": size, "list": list, "remark": remark });
        writeln!(streams.out, "{json:#}")?;
        return Ok(Outcome::Done);
    }
    let period = list.period.as_ref().map_or("no samples".to_owned(), |(from, to)| format!("{from} to {to}"));
    writeln!(streams.out, "{}: {}, {period}", args.out.display(), bytes(size))?;
    for entry in &list.files {
        writeln!(streams.out, "  {:14} {:>10}  sha256 {}", entry.name, bytes(entry.bytes), entry.sha256)?;
    }
    if let Some(remark) = remark {
        writeln!(streams.out, "{remark}")?;
    }
    Ok(Outcome::Done)
}

/// What was taken back, in a few lines.
pub fn taken(unpacked: &Unpacked, path: &Path) -> String {
    let files: Vec<String> = unpacked.files.iter().map(|file| format!("  {}\n", file.display())).collect();
    format!(
        "{}: packed {} by version {}, every file as it was\n{}",
        path.display(),
        report::format::plain(&unpacked.list.created),
        report::format::plain(&unpacked.list.version),
        files.concat()
    )
}
