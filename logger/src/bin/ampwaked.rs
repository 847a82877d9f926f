//! The recorder daemon: a shell around [`ampwake_logger::run::run`].
//!
//! Exit status: 0 done, 1 could not do it, 2 wrong usage or configuration.

use ampwake_logger::arguments::{Arguments, Command};
use ampwake_logger::bus::{interface, socketcan};
use ampwake_logger::check;
use ampwake_logger::config::{self, Config};
use ampwake_logger::notify::Notifier;
use ampwake_logger::run::{self, Supervision};
use ampwake_schemas::toml_read::utf8;
use clap::error::ErrorKind;
use clap::{CommandFactory, Parser};
use std::io::IsTerminal;
use std::path::Path;
use std::process::ExitCode;
use tokio::signal::unix::{SignalKind, signal};

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let Some(path) = arguments.config else {
        let text = "name the configuration: ampwaked --config FILE";
        Arguments::command().error(ErrorKind::MissingRequiredArgument, text).exit()
    };
    tracing_subscriber::fmt()
        .with_writer(std::io::stderr)
        .with_env_filter(tracing_subscriber::EnvFilter::try_from_env("AMPWAKE_LOG").unwrap_or_else(|_| "info".into()))
        .with_target(false)
        .with_ansi(std::io::stderr().is_terminal())
        .init();
    let config = match configuration(&path) {
        Ok(config) => config,
        Err(text) => return failed(2, &text),
    };
    match arguments.command {
        Some(Command::Check) => {
            let (system, settings) = (Path::new(interface::SYSTEM), &socketcan::settings);
            match check::check(&config, system, settings, &mut std::io::stdout().lock()) {
                Ok(true) => ExitCode::SUCCESS,
                Ok(false) => ExitCode::from(1),
                Err(e) => failed(1, &format!("cannot write to standard output: {e}")),
            }
        }
        None => record(&path, &config),
    }
}

fn configuration(path: &Path) -> Result<Config, String> {
    let name = path.display().to_string();
    let bytes = std::fs::read(path).map_err(|e| format!("{name}: cannot read the configuration: {e}"))?;
    let text = utf8(&name, &bytes).map_err(|e| e.to_string())?;
    let config = config::read(&name, text, path.parent().unwrap_or(Path::new(""))).map_err(|e| e.to_string())?;
    config::maps::load(&config).map_err(|e| e.to_string())?;
    Ok(config)
}

fn record(path: &Path, config: &Config) -> ExitCode {
    let run = || -> Result<_, Box<dyn std::error::Error>> {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        runtime.block_on(async {
            let (mut interrupt, mut terminate) = (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?);
            let shutdown = async {
                tokio::select! {
                    _ = interrupt.recv() => {}
                    _ = terminate.recv() => {}
                }
                tracing::info!("stopping");
            };
            let lines = config.serial.iter().map(|line| line.name.as_str());
            let buses: Vec<&str> = config.can.iter().map(|bus| bus.name.as_str()).chain(lines).collect();
            tracing::info!("recording {} into {}", buses.join(", "), config.database.display());
            tracing::info!("{}", check::kept(&config.keep));
            let (tell, configurations) = tokio::sync::mpsc::channel(1);
            let (mut hang_up, path) = (signal(SignalKind::hangup())?, path.to_owned());
            tokio::spawn(async move {
                while hang_up.recv().await.is_some() && tell.send(configuration(&path)).await.is_ok() {}
            });
            let supervision = Supervision { notifier: Notifier::from_environment(), configurations };
            Ok(run::run_under(config, supervision, shutdown).await?)
        })
    };
    match run() {
        Ok(report) => {
            tracing::info!("recorded {} frames, {} samples", report.totals.frames, report.totals.samples);
            ExitCode::SUCCESS
        }
        Err(e) => failed(1, &e.to_string()),
    }
}

/// The one place where this program speaks to a person outside the log.
#[allow(clippy::print_stderr)]
fn failed(status: u8, text: &str) -> ExitCode {
    eprintln!("ampwaked: {text}");
    ExitCode::from(status)
}
