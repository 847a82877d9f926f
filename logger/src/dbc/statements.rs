//! A DBC file cut into its statements, each with its lines. Only those that say how a frame is read are kept: files
//! carry much else (nodes, comments, attributes of tools), and what is not needed cannot stand in the way.

/// What a kept statement says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// A message with its signals.
    Message,
    /// The names of a signal's codes, whether it is a floating-point number, its multiplexer, a long name.
    About,
}

/// One statement.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Statement {
    pub(super) kind: Kind,
    /// Its lines with their numbers, from 1; those of a message are its head and its signals.
    pub(super) lines: Vec<(usize, String)>,
}

impl Statement {
    /// As the parser takes it.
    pub(super) fn text(&self) -> String {
        let mut text = String::new();
        for (_, line) in &self.lines {
            text.push_str(line);
            text.push('\n');
        }
        text
    }
}

/// Words that begin a statement at the start of a line, and what is kept of them.
const WORDS: &[(&str, Option<Kind>)] = &[
    ("BO_", Some(Kind::Message)),
    ("VAL_", Some(Kind::About)),
    ("SIG_VALTYPE_", Some(Kind::About)),
    ("SG_MUL_VAL_", Some(Kind::About)),
    ("BA_", Some(Kind::About)),
];
/// Attributes that are kept: the names that are too long for the statement itself.
pub(super) const LONG_NAMES: [&str; 2] = ["SystemMessageLongSymbol", "SystemSignalLongSymbol"];

/// The kept statements of a file.
///
/// # Errors
/// The line in which a text in quotes begins that never ends: everything behind it would be lost.
pub(super) fn split(text: &str) -> Result<Vec<Statement>, usize> {
    let mut out: Vec<Statement> = Vec::new();
    // Of what the present line is a part, and the line in which an unfinished text in quotes began.
    let mut within = None;
    let mut quoted: Option<usize> = None;
    for (index, line) in text.lines().enumerate() {
        let number = index + 1;
        let word = first_word(line);
        let begins = quoted.is_none() && line.starts_with(|c: char| c.is_ascii_uppercase());
        if begins && word != "SG_" && (word.contains('_') || word == "VERSION") {
            within = WORDS.iter().find(|(w, _)| *w == word).and_then(|(_, kind)| *kind);
            if let Some(kind) = within {
                let line = if kind == Kind::Message { with_sender(line) } else { line.to_owned() };
                out.push(Statement { kind, lines: vec![(number, line)] });
            }
        } else if let (Some(kind), Some(statement)) = (within, out.last_mut()) {
            match kind {
                Kind::Message if word == "SG_" => statement.lines.push((number, without_receivers(line))),
                // Between signals there are blank lines and comments.
                Kind::Message => {}
                Kind::About => statement.lines.push((number, line.to_owned())),
            }
        }
        quoted = match (quoted, ends_in_quotes(line, quoted.is_some())) {
            (_, false) => None,
            (None, true) => Some(number),
            (began, true) => began,
        };
    }
    if let Some(line) = quoted {
        return Err(line);
    }
    let is_needed =
        |s: &Statement| first_word(&s.lines[0].1) != "BA_" || LONG_NAMES.iter().any(|name| s.lines[0].1.contains(name));
    out.retain(is_needed);
    Ok(out)
}

fn first_word(line: &str) -> &str {
    line.trim_start().split(|c: char| c.is_whitespace() || matches!(c, ':' | '"' | ';')).next().unwrap_or_default()
}

/// Whether a text in quotes goes on behind this line; `\"` is a quote within a text.
fn ends_in_quotes(line: &str, mut within: bool) -> bool {
    // A comment may hold a single quote.
    if !within && line.trim_start().starts_with("//") {
        return false;
    }
    let mut escaped = false;
    for c in line.chars() {
        if c == '"' && !(within && escaped) {
            within = !within;
        }
        escaped = c == '\\' && !escaped;
    }
    within
}

/// Who sends it does not matter here, and some files do not say it.
fn with_sender(line: &str) -> String {
    match line.split_once(':') {
        Some((head, rest)) => {
            let size = rest.split_whitespace().next().unwrap_or_default();
            format!("{head}: {size} N")
        }
        None => line.to_owned(),
    }
}

/// Who receives it does not matter either.
fn without_receivers(line: &str) -> String {
    let closing = line.char_indices().filter(|(_, c)| *c == '"').nth(1).map(|(i, _)| i);
    closing.map_or_else(|| line.to_owned(), |end| format!("{} N", &line[..=end]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_needed_is_kept_with_its_lines() {
        let text = "VERSION \"\"\n\nNS_ :\n\tBA_\n\tCM_\n\nBU_: A B\n\nBO_ 1 One: 8\n SG_ a : 0|8@1+ (1,0) [0|0] \"V\"\n\n\
                    // \" a comment\nSG_ b : 8|8@1+ (1,0) [0|0] \"A\" B A\nCM_ SG_ 1 a \"first line\nBO_ 2 NotOne: 8 A\n\
                    last\";\nVAL_ 1 a 0 \"Off\"\n 1 \"On\";\nBA_ \"Cycle\" BO_ 1 10;\n\
                    BA_ \"SystemMessageLongSymbol\" BO_ 1 \"Long\";\n";
        let statements = split(text).unwrap();
        let lines: Vec<Vec<(usize, &str)>> =
            statements.iter().map(|s| s.lines.iter().map(|(n, l)| (*n, l.as_str())).collect()).collect();
        assert_eq!(
            lines,
            [
                vec![
                    (9, "BO_ 1 One: 8 N"),
                    (10, " SG_ a : 0|8@1+ (1,0) [0|0] \"V\" N"),
                    (13, "SG_ b : 8|8@1+ (1,0) [0|0] \"A\" N"),
                ],
                vec![(17, "VAL_ 1 a 0 \"Off\""), (18, " 1 \"On\";")],
                vec![(20, "BA_ \"SystemMessageLongSymbol\" BO_ 1 \"Long\";")],
            ]
        );
    }

    #[test]
    fn a_text_without_end_has_its_line() {
        assert_eq!(split("BO_ 1 One: 8 A\nCM_ \"never closed;\nBO_ 2 Two: 8 A\n"), Err(2));
        assert!(split("CM_ \"an \\\" escaped one\";\n").is_ok());
    }
}
