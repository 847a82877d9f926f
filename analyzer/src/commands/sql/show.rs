//! Rows as text: aligned for people, with tabs or as JSON for programs. Rows go out as they come; a table looks at the
//! first of them to know how wide its columns are.

use crate::report::format::plain;
use rusqlite::types::ValueRef;
use std::io::{Result, Write};

/// So many rows decide how wide the columns of a table are.
const ROWS_LOOKED_AT: usize = 200;
/// No column is made wider than that for the sake of one row.
const WIDEST: usize = 60;

/// How rows are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Form {
    Table,
    Tabs,
    Json,
}

/// Writes results one after the other.
pub(super) struct Show<'a> {
    form: Form,
    out: &'a mut dyn Write,
    columns: Vec<String>,
    /// Of a table: rows that wait until it is known how wide the columns are; true where a cell is a number.
    waiting: Vec<Vec<(String, bool)>>,
    /// Of a table: width, and whether numbers stand in the column.
    widths: Option<Vec<(usize, bool)>>,
    results: usize,
    rows: usize,
}

impl<'a> Show<'a> {
    pub(super) fn new(form: Form, out: &'a mut dyn Write) -> Self {
        Self { form, out, columns: Vec::new(), waiting: Vec::new(), widths: None, results: 0, rows: 0 }
    }

    /// A result with these columns begins; false where the form has no room for another.
    pub(super) fn begin(&mut self, columns: &[String]) -> Result<bool> {
        if self.form == Form::Json && self.results > 0 {
            return Ok(false);
        }
        if self.results > 0 {
            writeln!(self.out)?;
        }
        self.results += 1;
        self.rows = 0;
        self.widths = None;
        self.columns = match self.form {
            Form::Json => unique(columns),
            _ => columns.to_vec(),
        };
        if self.form == Form::Tabs {
            let names: Vec<String> = columns.iter().map(|name| escaped(name)).collect();
            writeln!(self.out, "{}", names.join("\t"))?;
        }
        Ok(true)
    }

    /// One row.
    pub(super) fn row(&mut self, values: &[ValueRef<'_>]) -> Result<()> {
        self.rows += 1;
        match self.form {
            Form::Tabs => {
                let cells: Vec<String> = values.iter().map(|v| escaped(&text(*v))).collect();
                writeln!(self.out, "{}", cells.join("\t"))
            }
            Form::Json => {
                write!(self.out, "{}", if self.rows == 1 { "[\n{" } else { ",\n{" })?;
                for (at, (name, value)) in self.columns.iter().zip(values).enumerate() {
                    let name = serde_json::Value::from(name.as_str());
                    write!(self.out, "{}{name}:{}", if at == 0 { "" } else { "," }, json(*value))?;
                }
                write!(self.out, "}}")
            }
            Form::Table => {
                let number = |v: &ValueRef<'_>| matches!(v, ValueRef::Integer(_) | ValueRef::Real(_));
                let cells: Vec<_> = values.iter().map(|v| (plain(&short(*v)), number(v))).collect();
                match &self.widths {
                    Some(widths) => line(self.out, &cells, widths),
                    None => {
                        self.waiting.push(cells);
                        if self.waiting.len() < ROWS_LOOKED_AT { Ok(()) } else { self.head() }
                    }
                }
            }
        }
    }

    /// The result has no more rows.
    pub(super) fn all_rows(&mut self) -> Result<()> {
        match self.form {
            Form::Table if self.widths.is_none() => self.head(),
            Form::Json if self.rows == 0 => writeln!(self.out, "[]"),
            Form::Json => writeln!(self.out, "\n]"),
            _ => Ok(()),
        }
    }

    /// There are no more results.
    pub(super) fn end(&mut self) -> Result<()> {
        match self.form {
            // A program that asked for JSON gets some.
            Form::Json if self.results == 0 => writeln!(self.out, "[]"),
            _ => Ok(()),
        }
    }

    /// Head of a table and the rows that waited for it.
    fn head(&mut self) -> Result<()> {
        let rows = std::mem::take(&mut self.waiting);
        let names: Vec<String> = self.columns.iter().map(|name| plain(name)).collect();
        let widths: Vec<(usize, bool)> = names
            .iter()
            .enumerate()
            .map(|(at, name)| {
                let cells = || rows.iter().map(|row| &row[at]);
                let widest = cells().map(|c| c.0.chars().count()).max().unwrap_or(0).min(WIDEST);
                let numbers = cells().all(|c| c.1 || c.0.is_empty()) && cells().any(|c| c.1);
                (widest.max(name.chars().count()), numbers)
            })
            .collect();
        line(self.out, &names.into_iter().map(|name| (name, false)).collect::<Vec<_>>(), &widths)?;
        rows.iter().try_for_each(|row| line(self.out, row, &widths))?;
        self.widths = Some(widths);
        Ok(())
    }
}

fn line(out: &mut dyn Write, cells: &[(String, bool)], widths: &[(usize, bool)]) -> Result<()> {
    let mut text = String::new();
    for (at, ((cell, _), (width, numbers))) in cells.iter().zip(widths).enumerate() {
        if at > 0 {
            text += "  ";
        }
        text += &if *numbers { format!("{cell:>width$}") } else { format!("{cell:width$}") };
    }
    writeln!(out, "{}", text.trim_end())
}

/// Names of which none is there twice: a JSON object can hold each once.
fn unique(columns: &[String]) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    for column in columns {
        let mut name = column.clone();
        let mut n = 2;
        while names.contains(&name) {
            name = format!("{column}_{n}");
            n += 1;
        }
        names.push(name);
    }
    names
}

/// A value as text, NULL as none. Floats are as short as they can be without losing a bit.
fn text(value: ValueRef<'_>) -> String {
    match value {
        ValueRef::Null => String::new(),
        ValueRef::Integer(n) => n.to_string(),
        ValueRef::Real(x) => format!("{x:?}"),
        ValueRef::Text(text) => String::from_utf8_lossy(text).into_owned(),
        ValueRef::Blob(bytes) => hexadecimal(bytes),
    }
}

/// For the eye: of bytes, how many.
fn short(value: ValueRef<'_>) -> String {
    match value {
        ValueRef::Blob(bytes) if bytes.len() > 16 => format!("({} bytes)", bytes.len()),
        value => text(value),
    }
}

fn json(value: ValueRef<'_>) -> serde_json::Value {
    match value {
        ValueRef::Null => serde_json::Value::Null,
        ValueRef::Integer(n) => n.into(),
        // Not finite: JSON has no word for it.
        ValueRef::Real(x) => x.into(),
        value => text(value).into(),
    }
}

fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().fold(String::with_capacity(bytes.len() * 2), |out, byte| out + &format!("{byte:02x}"))
}

/// Without tabs and line ends, so that a line stays a line.
fn escaped(text: &str) -> String {
    if !text.contains(['\t', '\n', '\r', '\\']) {
        return text.to_owned();
    }
    text.replace('\\', "\\\\").replace('\t', "\\t").replace('\n', "\\n").replace('\r', "\\r")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(form: Form, columns: &[&str], rows: &[&[ValueRef<'_>]]) -> String {
        let mut out = Vec::new();
        let mut show = Show::new(form, &mut out);
        assert!(show.begin(&columns.iter().map(ToString::to_string).collect::<Vec<_>>()).unwrap());
        rows.iter().for_each(|row| show.row(row).unwrap());
        show.all_rows().unwrap();
        show.end().unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn every_kind_of_value_in_every_form() {
        let rows: [&[ValueRef<'_>]; 2] = [
            &[
                ValueRef::Integer(-5),
                ValueRef::Real(53.28),
                ValueRef::Text(b"a\tb\\\n\x1b[1m"),
                ValueRef::Blob(&[1; 20]),
            ],
            &[ValueRef::Integer(1000), ValueRef::Real(1e300), ValueRef::Null, ValueRef::Blob(&[0xAB])],
        ];
        let columns = ["n", "value", "text", "n"];
        assert_eq!(
            shown(Form::Table, &columns, &rows),
            "   n  value  text       n\n  -5  53.28  a b\\  [1m  (20 bytes)\n1000  1e300             ab\n"
        );
        let twenty = "01".repeat(20);
        assert_eq!(
            shown(Form::Tabs, &columns, &rows),
            format!("n\tvalue\ttext\tn\n-5\t53.28\ta\\tb\\\\\\n\u{1b}[1m\t{twenty}\n1000\t1e300\t\tab\n")
        );
        assert_eq!(
            shown(Form::Json, &columns, &rows),
            format!(
                "[\n{{\"n\":-5,\"value\":53.28,\"text\":\"a\\tb\\\\\\n\\u001b[1m\",\"n_2\":\"{twenty}\"}},\n\
                 {{\"n\":1000,\"value\":1e+300,\"text\":null,\"n_2\":\"ab\"}}\n]\n"
            )
        );
        assert_eq!(shown(Form::Json, &columns, &[]), "[]\n");
        assert_eq!(shown(Form::Tabs, &columns, &[]), "n\tvalue\ttext\tn\n");
    }

    #[test]
    fn a_long_table_goes_out_before_it_ends() {
        let mut out = Vec::new();
        let mut show = Show::new(Form::Table, &mut out);
        show.begin(&["n".to_owned()]).unwrap();
        (0..ROWS_LOOKED_AT as i64).for_each(|n| show.row(&[ValueRef::Integer(n)]).unwrap());
        assert!(show.waiting.is_empty());
        show.row(&[ValueRef::Integer(1 << 40)]).unwrap();
        show.all_rows().unwrap();
        assert_eq!(String::from_utf8(out).unwrap().lines().last(), Some("1099511627776"));
    }
}
