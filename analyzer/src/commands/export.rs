//! `ampwake export`: samples as files for other programs.

use super::progress::{Progress, Step, bytes};
use super::range::Range;
use super::{Failure, Outcome, Streams, read_intent};
use crate::export::{ExportError, Exported, Format, Options, export};
use ampwake_store::Store;
use std::path::{Path, PathBuf};

/// The vessel where nobody names it.
const UNNAMED: &str = "unnamed";

/// Arguments of `export`.
#[derive(Debug, clap::Args)]
#[command(group(clap::ArgGroup::new("format").required(true).args(["csv", "parquet"])))]
pub struct Args {
    /// The database.
    db: PathBuf,
    /// Write text files (RFC 4180) into this folder: DIR/vessel=…/day=YYYY-MM-DD/<database>.csv, days in UTC.
    #[arg(long, value_name = "DIR")]
    csv: Option<PathBuf>,
    /// Write Parquet files into this folder, in the same way. The files of days that are exported again are replaced, others stay; a
    /// folder that holds anything else is refused.
    #[arg(long, value_name = "DIR")]
    parquet: Option<PathBuf>,
    #[command(flatten)]
    range: Range,
    /// Only channels that fit this pattern, for example "can0/*current" (* is any text, ? any one character); several times for
    /// several.
    #[arg(long, value_name = "PATTERN")]
    channel: Vec<String>,
    /// The vessel's name; without it that of the intent file, else `unnamed`.
    #[arg(long, value_name = "NAME")]
    vessel: Option<String>,
    /// An intent file that tells the vessel's name.
    #[arg(long, value_name = "FILE", conflicts_with = "vessel")]
    intent: Option<PathBuf>,
    /// What was written, as JSON for programs.
    #[arg(long)]
    json: bool,
}

impl From<ExportError> for Failure {
    fn from(error: ExportError) -> Self {
        match error {
            ExportError::Store(error) => error.into(),
            ExportError::Write { .. } | ExportError::Read { .. } | ExportError::Busy { .. } => {
                Self::CouldNot(error.to_string())
            }
            _ => Self::Input(error.to_string()),
        }
    }
}

/// Runs it.
pub fn run(args: &Args, streams: &mut Streams) -> Result<Outcome, Failure> {
    args.range.check()?;
    let (format, root) = match (&args.csv, &args.parquet) {
        (Some(root), _) => (Format::Csv, root),
        (None, Some(root)) => (Format::Parquet, root),
        (None, None) => return Err(Failure::Input("name a folder with --csv or --parquet".to_owned())),
    };
    let intent = args.intent.as_deref().map(read_intent).transpose()?.map(|i| i.0);
    let vessel = args.vessel.clone().or(intent.map(|i| i.vessel.name)).unwrap_or_else(|| UNNAMED.to_owned());
    let store = Store::open(&args.db)?;
    let (from, to) = args.range.ends(&store)?;
    let options = Options { format, root, vessel: &vessel, channels: &args.channel, from, to };
    let mut progress = Progress::begin(streams);
    let exported = export(&store, &options, &mut |done, total| {
        let fraction = Some((done as f64 / total.max(1) as f64).min(1.0));
        progress.tell(|| Step { count: done, what: "samples", fraction, place: String::new() });
    });
    drop(progress);
    let exported = exported?;
    if args.json {
        let json = as_json(&exported, format, root, &vessel);
        serde_json::to_writer_pretty(&mut *streams.out, &json).map_err(|e| Failure::CouldNot(e.to_string()))?;
        writeln!(streams.out)?;
    } else {
        write!(streams.out, "{}", as_text(&exported, root))?;
    }
    Ok(Outcome::Done)
}

fn as_json(e: &Exported, format: Format, root: &Path, vessel: &str) -> serde_json::Value {
    serde_json::json!({
        "format": format.extension(), "folder": root, "vessel": vessel, "channels": e.channels,
        "samples": e.samples(), "missing": e.missing(), "left_out": e.left_out, "files": e.files,
    })
}

/// What was written, in a few lines.
fn as_text(e: &Exported, root: &Path) -> String {
    let size = bytes(e.files.iter().map(|f| f.bytes).sum());
    let days = match (e.files.first(), e.files.last()) {
        (Some(first), Some(last)) if first.day != last.day => format!("{} to {}", first.day, last.day),
        (Some(only), _) => only.day.clone(),
        _ => String::new(),
    };
    let mut out = format!(
        "{} samples ({} without a value) of {} channels, {days}\n{} file(s), {size}, in {}\n",
        e.samples(),
        e.missing(),
        e.channels,
        e.files.len(),
        root.display()
    );
    if e.left_out > 0 {
        out.push_str(&format!("{} samples have times that no calendar can name and were left out\n", e.left_out));
    }
    out
}
