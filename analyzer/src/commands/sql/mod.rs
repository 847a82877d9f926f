//! `ampwake sql`: a question to a database, every sample as a row of table `sample`. Reads and cannot write.

mod show;

use super::{Failure, Outcome, Streams};
use ampwake_store::Store;
use rusqlite::fallible_iterator::FallibleIterator;
use rusqlite::{Batch, Connection, Statement};
use show::{Form, Show};
use std::io::{IsTerminal, Read};
use std::path::PathBuf;

/// SQLite takes no longer ones (SQLITE_MAX_SQL_LENGTH).
const LONGEST_QUERY: u64 = 1_000_000;

/// Arguments of `sql`.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub struct Args {
    /// The database.
    db: PathBuf,
    /// What to ask, in SQL; from standard input where it is left out or `-`.
    query: Option<String>,
    /// As an aligned table even where the output is no terminal.
    #[arg(long, conflicts_with = "json")]
    table: bool,
    /// As JSON for programs: an array with an object for each row.
    #[arg(long)]
    json: bool,
}

const EXAMPLES: &str = "\
In a pipe the rows come with tabs between the columns, the first line names them; in texts \\t, \\n, \\r and \\\\ stand for
tab, line ends and backslash.

Examples:
  ampwake sql voyage.db \"SELECT utc, value, said FROM sample WHERE address = 'can0/n2k/127508/0/battery_voltage'
                          AND utc >= '2026-05-01T10:00' AND utc < '2026-05-01T10:05'\"
  ampwake sql voyage.db \"SELECT * FROM latest_utc\"
  ampwake sql voyage.db \"SELECT name, sql FROM sqlite_schema\"      # every table, with what its columns mean";

/// Runs the command.
pub fn run(args: &Args, streams: &mut Streams) -> Result<Outcome, Failure> {
    let store = Store::open(&args.db)?;
    let query = match args.query.as_deref() {
        Some(query) if query != "-" => query.to_owned(),
        _ => {
            let input = std::io::stdin();
            if input.is_terminal() {
                writeln!(streams.err, "type the query and end it with Ctrl-D")?;
            }
            read_query(input)?
        }
    };
    let name = args.db.display().to_string();
    let wrong = |e: rusqlite::Error| Failure::Input(format!("{name}: {e}"));
    let connection = store.into_connection();
    let counts = ready(&connection).map_err(wrong)?;
    let form = match () {
        () if args.json => Form::Json,
        // Two questions: is anybody looking, and at this?
        () if args.table || streams.terminal && std::io::stdout().is_terminal() => Form::Table,
        () => Form::Tabs,
    };
    let done = match answer(&connection, &query, Show::new(form, streams.out)) {
        // A reader that went away (`| head`) has all that it wanted.
        Err(Stopped::Output(e)) if e.kind() == std::io::ErrorKind::BrokenPipe => Ok(Outcome::Done),
        Err(Stopped::Output(e)) => Err(e.into()),
        Err(Stopped::Sql(e)) => Err(wrong(e)),
        Err(Stopped::Refused(why)) => Err(Failure::Input(format!("{name}: {why}"))),
        Ok(()) => Ok(Outcome::Done),
    };
    if counts.damaged() > 0 {
        writeln!(
            streams.err,
            "{name}: {} blocks of samples are damaged; a row that says `damaged` stands where each begins (keep a copy of \
             the file)",
            counts.damaged()
        )?;
    }
    done
}

/// Table `sample`, and nothing that writes: the file is open for reading alone, so that this is the second lock.
fn ready(c: &Connection) -> rusqlite::Result<std::sync::Arc<ampwake_sample::Counts>> {
    c.pragma_update(None, "query_only", true)?;
    // What stands in the file as a view may call nothing that could do harm.
    c.pragma_update(None, "trusted_schema", false)?;
    ampwake_sample::register(c)
}

/// The query as text.
fn read_query(input: impl Read) -> Result<String, Failure> {
    let mut query = String::new();
    let read = input.take(LONGEST_QUERY + 1).read_to_string(&mut query);
    match read {
        Ok(n) if n as u64 <= LONGEST_QUERY => Ok(query),
        Ok(_) => Err(Failure::Input(format!("standard input: a query has at most {LONGEST_QUERY} bytes"))),
        Err(e) => Err(Failure::Input(format!("standard input: cannot read the query: {e}"))),
    }
}

/// Why an answer ends early.
enum Stopped {
    Sql(rusqlite::Error),
    Output(std::io::Error),
    Refused(String),
}

impl From<rusqlite::Error> for Stopped {
    fn from(e: rusqlite::Error) -> Self {
        Self::Sql(e)
    }
}

impl From<std::io::Error> for Stopped {
    fn from(e: std::io::Error) -> Self {
        Self::Output(e)
    }
}

/// Runs one statement after the other and shows the rows as they come.
fn answer(c: &Connection, query: &str, mut show: Show<'_>) -> Result<(), Stopped> {
    let mut statements = Batch::new(c, query);
    let mut any = false;
    while let Some(mut statement) = statements.next()? {
        any = true;
        if !statement.readonly() {
            return Err(Stopped::Refused("`ampwake sql` only reads; this query would write".to_owned()));
        }
        rows(&mut statement, &mut show)?;
    }
    match any {
        true => Ok(show.end()?),
        false => Err(Stopped::Refused("there is no query; try \"SELECT * FROM latest_utc\"".to_owned())),
    }
}

fn rows(statement: &mut Statement<'_>, show: &mut Show<'_>) -> Result<(), Stopped> {
    let columns: Vec<String> = statement.column_names().map(str::to_owned).collect();
    let mut rows = statement.raw_query();
    if columns.is_empty() {
        while rows.next()?.is_some() {}
        return Ok(());
    }
    if !show.begin(&columns)? {
        return Err(Stopped::Refused("with --json one query may give rows, and here are several".to_owned()));
    }
    while let Some(row) = rows.next()? {
        let values = (0..columns.len()).map(|at| row.get_ref(at)).collect::<rusqlite::Result<Vec<_>>>()?;
        show.row(&values)?;
    }
    Ok(show.all_rows()?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_query_is_text_of_bounded_length() {
        assert_eq!(read_query(&b"SELECT 1"[..]).unwrap(), "SELECT 1");
        assert!(read_query(std::io::repeat(b' ')).unwrap_err().to_string().contains("at most 1000000 bytes"));
        assert!(read_query(&[0xFF][..]).is_err());
    }
}
