//! Plain words for what the TOML parser calls an unexpected token: the slips of people who write such a file
//! for the first time, each with the line as it should stand.

use super::mistake::quoted;
use super::statements::{Kind, header_of};

/// Problem and fix.
type Words = (String, String);

/// A key or a section that stands there for the second time.
pub(super) fn twice(line: &str, name: &str, first_line: Option<usize>) -> Words {
    let before = first_line.map_or(String::new(), |n| format!(", first in line {n}"));
    match header_of(line) {
        Some(section) => (
            format!("the section {} is there twice{before}", quoted(section)),
            format!("join the two; where several are meant, each one needs two brackets: `[[{section}]]`"),
        ),
        None => {
            (format!("{} is given twice in the same section{before}", quoted(name)), "keep one of the two".to_owned())
        }
    }
}

/// A bracket, or three quotation marks, without an end. `from` begins with it.
pub(super) fn unclosed(from: &str) -> Words {
    let (open, close, what) = match from.as_bytes().first() {
        Some(b'[') => ("[", "]", "list"),
        Some(b'{') => ("{", "}", "table"),
        Some(b'\'') => ("'''", "'''", "text"),
        _ => ("\"\"\"", "\"\"\"", "text"),
    };
    (format!("the `{open}` opened here is never closed"), format!("write `{close}` where the {what} ends"))
}

/// A statement that is no TOML; `message` is the parser's own.
pub(super) fn broken(statement: &str, kind: Kind, message: &str) -> Words {
    let words = match kind {
        Kind::Header => header(statement),
        Kind::Entry => entry(statement, message),
    };
    words.unwrap_or_else(|| fallback(message))
}

/// Where nothing better is known than the parser's message.
pub(super) fn fallback(message: &str) -> Words {
    (
        format!("this cannot be read ({message})"),
        "write `key = value`: text in quotation marks, numbers without, lists in `[ ]`, tables in `{ }`".to_owned(),
    )
}

fn header(line: &str) -> Option<Words> {
    let bare = line.split('#').next()?.trim();
    let double = bare.starts_with("[[") || bare.ends_with("]]");
    let name = bare.trim_matches(|c: char| c == '[' || c == ']' || c.is_whitespace()).to_lowercase();
    let name: String = name.split_whitespace().collect::<Vec<_>>().join("_");
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '_' | '.' | '-');
    if name.is_empty() || !name.chars().all(plain) {
        return None;
    }
    let fixed = if double { format!("[[{name}]]") } else { format!("[{name}]") };
    let problem = "a section's name stands alone on its line, in one pair of brackets or two";
    Some((problem.to_owned(), format!("write `{fixed}`")))
}

fn entry(statement: &str, message: &str) -> Option<Words> {
    let line = statement.lines().next()?;
    let Some((key, value)) = line.split_once('=') else { return no_equals_sign(line) };
    let (key, value) = (key.trim(), without_comment(value));
    if key.is_empty() {
        return Some(("there is no key before `=`".to_owned(), format!("write `key = {value}`")));
    }
    if key.contains(char::is_whitespace) && !key.contains(['"', '\'']) {
        let joined = key.split_whitespace().collect::<Vec<_>>().join("_");
        let problem = "a key is one word, without spaces".to_owned();
        return Some((problem, format!("write `{joined} = …`")));
    }
    if value.is_empty() {
        return Some((format!("{} has no value", quoted(key)), format!("write a value after `{key} =`")));
    }
    // A slip inside a list or a table: the line as a whole cannot be rewritten, the slip can be named.
    if value.starts_with(['[', '{']) {
        return inside_brackets(message);
    }
    let (problem, right) = value_slip(value, message)?;
    Some((problem, format!("write `{key} = {right}`")))
}

fn no_equals_sign(line: &str) -> Option<Words> {
    let line = without_comment(line);
    match line.split_once(':') {
        Some((key, value)) if !key.is_empty() && !key.contains(char::is_whitespace) => {
            let fixed = format!("{} = {}", key.trim(), value.trim());
            Some(("a key and its value are joined by `=`, not by `:`".to_owned(), format!("write `{fixed}`")))
        }
        _ => Some((
            "this is neither `key = value` nor a section".to_owned(),
            "put `#` in front of it if it is a remark, else write `key = value`".to_owned(),
        )),
    }
}

fn inside_brackets(message: &str) -> Option<Words> {
    if message.contains("missing comma") || message.contains("extra assignment") {
        let fix = "put a comma between each two; text in quotation marks";
        return Some(("a comma is missing in this list or table".to_owned(), fix.to_owned()));
    }
    if message.contains("must be quoted") {
        let problem = "something in this list or table is neither a number nor text in quotation marks".to_owned();
        let fix =
            "put text in quotation marks, write numbers without a unit and with a point, and a comma between each two";
        return Some((problem, fix.to_owned()));
    }
    None
}

/// What is wrong with a single value, and how it should stand.
fn value_slip(value: &str, message: &str) -> Option<(String, String)> {
    let said = |problem: &str, right: String| Some((problem.to_owned(), right));
    let lower = value.to_ascii_lowercase();
    if let Some(right) = match lower.as_str() {
        "true" | "yes" | "on" => Some("true"),
        "false" | "no" | "off" => Some("false"),
        _ => None,
    } {
        return said("yes and no are written `true` and `false`, in small letters", right.to_owned());
    }
    if value.contains(['“', '”', '„', '‘', '’', '«', '»']) && !value.starts_with('"') {
        let inner = value.trim_matches(|c: char| "“”„‘’«»\"'".contains(c));
        return said("these quotation marks are typographic ones", format!("\"{inner}\""));
    }
    if value.starts_with('"') {
        if message.contains("escaped") || message.contains("unicode") {
            let right = value.replace('\\', "/");
            return said("a backslash in text has a meaning of its own", right);
        }
        let inner = value.trim_matches('"');
        if message.contains("expected `\"`") && !inner.contains('"') {
            return said("the quotation mark is not closed", format!("\"{inner}\""));
        }
        return None;
    }
    if let Some((number, rest)) = leading_number(value) {
        return match rest {
            "" if value.contains(',') => said("decimals are written with a point", number),
            "" => said("a number has digits on both sides of its point and no zero in front", number),
            "%" => said("a number is written without its unit", number),
            unit if unit.chars().all(|c| c.is_alphabetic() || "°/²µ ".contains(c)) => {
                said("a number is written without its unit", number)
            }
            _ => None,
        };
    }
    let words = value.chars().all(|c| c.is_alphanumeric() || " _-./&+()".contains(c));
    if words && message.contains("must be quoted") {
        return said("text needs quotation marks", format!("\"{value}\""));
    }
    None
}

/// A number at the start of `text`, as TOML writes it, and what follows it. A decimal comma is understood.
pub(super) fn leading_number(text: &str) -> Option<(String, &str)> {
    let end = text.find(|c: char| !(c.is_ascii_digit() || "+-.,_".contains(c))).unwrap_or(text.len());
    let (digits, rest) = text.split_at(end);
    let plain = digits.replace(',', ".").replace('_', "");
    if plain.matches('.').count() > 1 || digits.matches(',').count() > 1 {
        return None;
    }
    let number: f64 = plain.parse().ok()?;
    Some((number.to_string(), rest.trim()))
}

/// A value without the remark behind it (a `#` inside quotation marks stays).
fn without_comment(value: &str) -> &str {
    let mut inside = false;
    let end = value.char_indices().find(|(_, c)| {
        inside ^= *c == '"';
        *c == '#' && !inside
    });
    value[..end.map_or(value.len(), |(at, _)| at)].trim()
}

#[cfg(test)]
mod tests {
    use super::super::statements::split;
    use super::*;

    /// The fix for a line that stands alone in a file.
    fn fix(line: &str) -> String {
        let error = toml::de::DeTable::parse(line).unwrap_err();
        let kind = split(line)[0].kind;
        broken(line, kind, error.message()).1
    }

    #[test]
    fn the_usual_slips_get_the_line_as_it_should_stand() {
        for (line, right) in [
            ("nominal_v = 51,2   # volts", "write `nominal_v = 51.2`"),
            ("capacity_ah = 560 Ah", "write `capacity_ah = 560`"),
            ("max_c = 85 °C", "write `max_c = 85`"),
            ("from_soc = 20%", "write `from_soc = 20`"),
            ("name = port shore charger # aft", "write `name = \"port shore charger\"`"),
            ("name = “Sandpiper”", "write `name = \"Sandpiper\"`"),
            ("name = \"Sandpiper", "write `name = \"Sandpiper\"`"),
            ("parallel = True", "write `parallel = true`"),
            ("parallel = no", "write `parallel = false`"),
            ("tail_a = .5", "write `tail_a = 0.5`"),
            ("tail_a = 05", "write `tail_a = 5`"),
            ("port = \"C:\\dev\"", "write `port = \"C:/dev\"`"),
            ("name: \"Sandpiper\"", "write `name = \"Sandpiper\"`"),
            ("rated a = 5", "write `rated_a = …`"),
            ("rated_a =", "write a value after `rated_a =`"),
            ("= 5", "write `key = 5`"),
            ("[Bank profile]", "write `[bank_profile]`"),
            ("[[source]", "write `[[source]]`"),
            ("source]]", "write `[[source]]`"),
            ("derate = [[40, 1.0] [60, 0.5]]", "put a comma between each two; text in quotation marks"),
        ] {
            assert_eq!(fix(line), right, "{line}");
        }
    }

    #[test]
    fn numbers_are_found_at_the_start_of_a_text() {
        assert_eq!(leading_number("51,2 V"), Some(("51.2".into(), "V")));
        assert_eq!(leading_number("-4"), Some(("-4".into(), "")));
        assert_eq!(leading_number("about 5"), None);
        assert_eq!(leading_number("1.2.3"), None);
    }
}
