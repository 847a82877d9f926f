//! `ampwake alert`: tells new findings, and what could not be told before.

use super::range::Range;
use super::{Failure, Outcome, Streams, analyze, read_intent, source};
use crate::alert::{AlertError, Broker, Message, Queue, SCHEMA, publish, run_command};
use ampwake_schemas::findings::Severity;
use std::path::PathBuf;
use std::time::Duration;

/// How long a command or a broker may take over one message.
const PATIENCE: Duration = Duration::from_secs(60);
/// Findings in one message.
const MOST_FINDINGS: usize = 50;

/// Arguments of `alert`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The database; a recorder may go on writing into it.
    db: PathBuf,
    /// The design intent.
    #[arg(long, value_name = "FILE")]
    intent: PathBuf,
    /// The folder that remembers what was told and holds what waits.
    #[arg(long, value_name = "DIR")]
    state: PathBuf,
    /// The least severity that is told.
    #[arg(long, value_name = "WORD", value_enum, default_value = "caution")]
    severity: Least,
    /// Publish to this MQTT broker, for example mqtt://127.0.0.1 or mqtt://user@broker:1883, with the password in
    /// AMPWAKE_MQTT_PASSWORD. There is no encryption: let a broker on board hand on through a bridge that has it.
    #[arg(long, value_name = "URL")]
    mqtt: Option<String>,
    /// The topic.
    #[arg(long, default_value = "ampwake/findings")]
    topic: String,
    /// The most messages that may wait for a link; beyond that the oldest are given up.
    #[arg(long, value_name = "N", default_value_t = 1000, value_parser = clap::value_parser!(u32).range(1..=100_000))]
    keep: u32,
    #[command(flatten)]
    range: Range,
    /// Run this command, without a shell, with the message on its standard input; all words that follow are its arguments.
    #[arg(long, value_name = "COMMAND", num_args = 1.., allow_hyphen_values = true)]
    run: Vec<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Least {
    Info,
    Caution,
    Danger,
}

impl From<AlertError> for Failure {
    fn from(error: AlertError) -> Self {
        Self::CouldNot(error.to_string())
    }
}

/// Runs it.
pub fn run(args: &Args, streams: &mut Streams) -> Result<Outcome, Failure> {
    args.range.check()?;
    if args.run.is_empty() && args.mqtt.is_none() {
        return Err(Failure::Input("nobody is to be told: give --run COMMAND or --mqtt URL".to_owned()));
    }
    let password = std::env::var("AMPWAKE_MQTT_PASSWORD").ok();
    let broker = args.mqtt.as_ref().map(|url| Broker::parse(url, &args.topic, password)).transpose();
    let broker = broker.map_err(Failure::Input)?;
    let (intent, bytes) = read_intent(&args.intent)?;
    let queue = Queue::open(&args.state, args.keep as usize)?;
    // What waits is handed on also where there is nothing to analyse yet.
    let found = news(args, &intent, &bytes, &queue, streams);
    let handed = hand_on(args, broker.as_ref(), &queue, streams);
    found?;
    handed?;
    Ok(Outcome::Done)
}

/// Looks for new findings and puts them into the queue.
fn news(
    args: &Args,
    intent: &ampwake_schemas::intent::Intent,
    bytes: &[u8],
    queue: &Queue,
    streams: &mut Streams,
) -> Result<(), Failure> {
    let opened = source::database(&args.db)?;
    let (from, to) = args.range.ends(&opened.store)?;
    let analysis = analyze::analyse(&opened, intent, from, to, streams)?;
    let least = match args.severity {
        Least::Info => Severity::Info,
        Least::Caution => Severity::Caution,
        Least::Danger => Severity::Danger,
    };
    let mut told = queue.told();
    let news = told.news(&analysis.findings.findings, least);
    let provenance = analyze::provenance(&opened, &args.intent, bytes);
    for findings in news.chunks(MOST_FINDINGS) {
        let body = serde_json::json!({
            "schema": SCHEMA, "vessel": intent.vessel.name, "version": provenance.program_version,
            "created": provenance.generated, "findings": findings,
        });
        let message = Message { run: !args.run.is_empty(), mqtt: args.mqtt.is_some(), body };
        let over = queue.add(&message)?;
        if over > 0 {
            writeln!(streams.err, "ampwake: {over} of the oldest messages were given up: too many wait")?;
        }
    }
    // After the messages are safe: cut off in between, they are told twice and not never.
    queue.keep(&told)?;
    for finding in &news {
        writeln!(streams.out, "new: {}", crate::report::format::plain(&finding.summary))?;
    }
    Ok(())
}

/// Hands on what waits, the oldest first. A link that is gone is no failure; a command that fails is.
fn hand_on(args: &Args, broker: Option<&Broker>, queue: &Queue, streams: &mut Streams) -> Result<(), Failure> {
    let mut waiting = queue.waiting()?;
    let mut failed = None;
    for (number, message) in waiting.iter_mut().filter(|(_, m)| m.run && !args.run.is_empty()) {
        match run_command(&args.run, &message.body.to_string(), PATIENCE) {
            Ok(()) => {
                message.run = false;
                queue.taken(*number, message)?;
            }
            Err(e) => {
                failed = Some(e);
                break;
            }
        }
    }
    if let Some(broker) = broker {
        let mut due: Vec<_> = waiting.iter_mut().filter(|(_, message)| message.mqtt).collect();
        let bodies: Vec<String> = due.iter().map(|(_, message)| message.body.to_string()).collect();
        if !bodies.is_empty() {
            let published = publish(broker, &bodies, PATIENCE, |i| {
                let (number, message) = &mut *due[i];
                message.mqtt = false;
                queue.taken(*number, message)
            });
            match published {
                Ok(()) => {}
                Err(AlertError::NotTaken(text)) => writeln!(streams.err, "ampwake: {text}")?,
                Err(e) => return Err(e.into()),
            }
        }
    }
    failed.map_or(Ok(()), |e| Err(e.into()))
}
