//! `ampwake serve`: the live page.

use super::{Failure, Outcome, Streams};
use crate::live;
use crate::serve::{Options, ServeError, read_token, serve};
use std::net::SocketAddr;
use std::path::PathBuf;

/// Arguments of `serve`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The database that the recorder writes; it may come later.
    db: PathBuf,
    /// The design intent; it may come later, and is read again when it changes.
    #[arg(long)]
    intent: PathBuf,
    /// Where to listen. Anything but this computer itself needs --token-file.
    #[arg(long, value_name = "ADDRESS:PORT", default_value = "127.0.0.1:8733")]
    listen: SocketAddr,
    /// A file, closed to other users, with the token that whoever looks has to know.
    #[arg(long, value_name = "FILE")]
    token_file: Option<PathBuf>,
    /// A name under which the page is reached beside addresses and localhost, for example boat.local; several times for several.
    #[arg(long, value_name = "NAME")]
    name: Vec<String>,
    /// Hours that are judged.
    #[arg(long, default_value_t = 8.0, value_parser = super::hours)]
    hours: f64,
}

/// Runs it.
pub fn run(args: &Args, streams: &mut Streams) -> Result<Outcome, Failure> {
    let token = args.token_file.as_deref().map(read_token).transpose().map_err(|e| Failure::Input(e.to_string()))?;
    let live = live::Options { db: args.db.clone(), intent: args.intent.clone(), hours: args.hours };
    let options = Options { live, listen: args.listen, token, names: args.name.clone() };
    serve(options, streams.out).map_err(|e| match e {
        ServeError::NeedsToken(_) => Failure::Input(e.to_string()),
        _ => Failure::CouldNot(e.to_string()),
    })?;
    Ok(Outcome::Done)
}
