//! The reader on small files of its own; the intent's and the logger's tests use it on real ones.

use super::*;
use proptest::prelude::*;

const NAME: Key = key("name", "what it is called", "\"x\"");
const SIZE: Key = key("size", "its size in m", "3");
const PART: Key = key("part", "a part", "[[part]]");

/// A file with `name`, `size` and `[[part]]`s of a `name` each.
fn sizes(text: &str) -> Result<(String, f64, usize), Mistakes> {
    read("sizes.toml", text, &[], |root| {
        let name = root.need(NAME).and_then(|i| i.text()).map(str::to_owned);
        let size = root.need(SIZE).and_then(|i| i.number(Limits::positive(100.0, "m")));
        let parts = root.sections(PART);
        let named = parts.iter().filter_map(|p| p.table(|t| t.need(NAME)?.text()).flatten()).count();
        Some((name?, size?, named))
    })
}

/// Place and quoted text of every mistake.
fn places(text: &str) -> Vec<(usize, usize, String)> {
    sizes(text).unwrap_err().list.into_iter().map(|m| (m.line, m.column, m.text)).collect()
}

fn only(text: &str) -> (usize, usize, String, String) {
    let mistakes = sizes(text).unwrap_err();
    assert_eq!(mistakes.list.len(), 1, "{mistakes}");
    let m = mistakes.list.into_iter().next().unwrap();
    (m.line, m.column, m.problem, m.fix)
}

#[test]
fn a_good_file_reads() {
    assert_eq!(sizes("name = \"a\"\nsize = 0x10\n[[part]]\nname = 'b'"), Ok(("a".into(), 16.0, 1)));
    assert_eq!(sizes("\u{feff}name = \"a\"\r\nsize = 2.5\r\n"), Ok(("a".into(), 2.5, 0)));
}

#[test]
fn a_misspelt_required_key_is_one_mistake() {
    let (line, column, problem, fix) = only("name = \"a\"\nsise = 3\n");
    assert_eq!((line, column), (2, 1));
    assert_eq!(problem, "`sise` is not known in the file's top level");
    assert_eq!(fix, "did you mean `size`?");
}

#[test]
fn one_slip_is_one_mistake_and_the_rest_is_read() {
    // What is broken: a list, a header, a text, a number. What is wrong besides: an unknown key, a number too large.
    for (text, expect) in [
        ("name = [\"a\"\nsize = 300\n", vec![(1, 8), (2, 8)]),
        ("name = \"a\"\nsize = 300\n[[part]\nname = 1\n", vec![(2, 8), (3, 8)]),
        ("name = \"a\nsize = 300\n[[part]]\ncolour = 1\nname = \"b\"\n", vec![(1, 10), (2, 8), (4, 1)]),
        ("name = a\nsize = 3,5\n[[part]]\nnaem = 1\n", vec![(1, 8), (2, 9), (4, 1)]),
        ("name = \"a\"\nsize = 3\nsize = 4\n", vec![(3, 1)]),
        ("name = \"a\"\nsize = 3\nwhat = { x = 1, y = [2 }\n", vec![(3, 21)]),
    ] {
        let found: Vec<(usize, usize)> = places(text).into_iter().map(|(l, c, _)| (l, c)).collect();
        assert_eq!(found, expect, "{text}");
    }
}

#[test]
fn what_may_stand_in_an_unreadable_part_is_not_said_to_be_missing() {
    assert_eq!(places("name = \"a\"\nsize = 3,5\n").len(), 1, "size is there, in some way");
    assert_eq!(places("size = 3,5\n").len(), 2, "the name is missing in any case");
    assert_eq!(places("size = 3\n[my part]\nname = \"a\"\n").len(), 1);
}

#[test]
fn things_that_are_there_twice_name_the_first_line() {
    let (line, column, problem, _) = only("name = \"a\"\nsize = 3\nname = \"b\"\n");
    assert_eq!((line, column, problem.as_str()), (3, 1, "`name` is given twice in the same section, first in line 1"));
    let mistakes = sizes("name = \"a\"\nsize = 3\n[q]\n[q]\n").unwrap_err();
    let (problem, fix) = (&mistakes.list[1].problem, &mistakes.list[1].fix);
    assert_eq!(problem, "the section `q` is there twice, first in line 3");
    assert_eq!(fix, "join the two; where several are meant, each one needs two brackets: `[[q]]`");
}

#[test]
fn single_brackets_for_a_repeated_section_are_read_and_reported() {
    let (line, column, _, fix) = only("name = \"a\"\nsize = 3\n[part]\nname = \"b\"\n");
    assert_eq!((line, column, fix.as_str()), (3, 1, "write `[[part]]`"));
}

#[test]
fn numbers_must_be_finite_and_text_visible() {
    for (value, fix) in [
        ("inf", "write it like this: `size = 3`"),
        ("1e999", "write it like this: `size = 3`"),
        ("\"2,5 m\"", "write `size = 2.5`"),
        ("true", "write it like this: `size = 3`"),
        ("0", "write it like this: `size = 3`"),
    ] {
        assert_eq!(only(&format!("name = \"a\"\nsize = {value}")).3, fix, "{value}");
    }
    for (value, fix) in [
        ("7", "write `name = \"7\"`"),
        ("\" a \"", "write `name = \"a\"`"),
        ("\"a\\u202eb\"", "write `name = \"ab\"`"),
        ("\"\"", "write it like this: `name = \"x\"`"),
    ] {
        assert_eq!(only(&format!("name = {value}\nsize = 1")).3, fix, "{value}");
    }
}

#[test]
fn times_need_their_offset_from_utc() {
    let time = |value: &str| {
        read("t.toml", &format!("at = {value}"), &[], |root| {
            root.need(key("at", "when", "2026-05-01T00:00:00Z"))?.time()
        })
    };
    let expect = crate::time::Timestamp::parse_rfc3339("2026-05-01T10:00:00Z").unwrap();
    for value in ["2026-05-01T10:00:00Z", "2026-05-01 12:00+02:00", "\"2026-05-01T10:00:00Z\"", "2026-05-01T10:00Z"] {
        assert_eq!(time(value), Ok(expect), "{value}");
    }
    for (value, fix) in [
        ("2026-05-01", "write `at = 2026-05-01T00:00:00Z`"),
        ("2026-05-01T10:00:00", "write `at = 2026-05-01T10:00:00Z`"),
        ("2026-05-01T10:00", "write `at = 2026-05-01T10:00:00Z`"),
        ("\"1 May 2026\"", "write it like this: `at = 2026-05-01T00:00:00Z`"),
        ("10:00", "write it like this: `at = 2026-05-01T00:00:00Z`"),
    ] {
        assert_eq!(time(value).unwrap_err().list[0].fix, fix, "{value}");
    }
}

#[test]
fn the_message_is_two_lines_with_file_line_and_column() {
    let text = sizes("name = \"a\"\nsize = \"12 m\"\n").unwrap_err().to_string();
    assert_eq!(
        text,
        "sizes.toml:2:8: `size = \"12 m\"`: `size`, its size in m, should be a number without quotation marks, and this is text\n    write `size = 12`"
    );
}

#[test]
fn bytes_that_are_no_utf8_have_a_place() {
    // "Sjövik" as an old editor writes it (ISO 8859-1).
    let mistakes = utf8("v.toml", b"a = 1\nname = \"Sj\xf6vik\"\n").unwrap_err();
    assert_eq!((mistakes.list[0].line, mistakes.list[0].column), (2, 11));
    assert_eq!(utf8("v.toml", "ö".as_bytes()), Ok("ö"));
}

#[test]
fn too_long_a_file_is_one_mistake() {
    let text = "garbage ".repeat(5 * 1024 * 1024 / 8);
    let mistakes = sizes(&text).unwrap_err();
    assert_eq!((mistakes.list.len(), mistakes.more), (1, 0));
    assert!(mistakes.to_string().len() < 500);
}

#[test]
fn broken_headers_and_brackets_in_one_another_are_survived() {
    // Found by the property test below: an unclosed bracket inside a section that was given up already.
    assert!(!places("[name = \"a\"\n{\n[[part]]\nname").is_empty());
    assert!(
        !places("name = \"a\"\n[['''[part.name]\n\"}namesize = 3\npart{ namesize = 3\n\n[part.name]\n''''size")
            .is_empty()
    );
}

#[test]
fn long_hostile_texts_are_answered_briefly() {
    // Long enough for the reader to stop listing every error of the syntax.
    let fill = |unit: &str| unit.repeat(200 * 1024 / unit.len());
    for unit in
        ["[", "{", "\"", "a", "a=1\n", "a=\n", "[a]\n", "[[a]]\n", "a=[[1],\n", "a.", "\"\"\"", "\u{1b}\n", "a={b="]
    {
        let mistakes = sizes(&fill(unit)).unwrap_err();
        assert!(!mistakes.list.is_empty() && mistakes.list.len() <= MOST_REPORTED, "{unit:?}");
        assert!(mistakes.to_string().len() < 200_000, "{unit:?}");
    }
}

#[test]
fn many_mistakes_are_counted_and_the_first_hundred_told() {
    let text: String = (0..300).map(|n| format!("key{n:03} = 1\n")).collect();
    let mistakes = sizes(&format!("name = \"a\"\nsize = 1\n{text}")).unwrap_err();
    assert_eq!((mistakes.list.len(), mistakes.more), (MOST_REPORTED, 200));
    assert_eq!(mistakes.list[0].line, 3);
    assert!(mistakes.to_string().ends_with("\nand 200 more"));
}

/// Text made of what TOML is made of, so that it reaches deep into the reader.
fn toml_like() -> impl Strategy<Value = String> {
    let piece = prop::sample::select(vec![
        "name",
        "size",
        "part",
        "=",
        " = ",
        "\n",
        "\n",
        "[",
        "]",
        "[[",
        "]]",
        "{",
        "}",
        ",",
        ".",
        "\"",
        "'",
        "\"\"\"",
        "'''",
        "1",
        "2.5",
        "1,5",
        "true",
        "2026-05-01",
        "#",
        "ä",
        "\u{202e}",
        "\\",
        "name = \"a\"\n",
        "size = 3\n",
        "[[part]]\n",
        "[part.name]\n",
        "\r",
        "\0",
    ]);
    prop::collection::vec(piece, 0..60).prop_map(|pieces| pieces.concat())
}

proptest! {
    #[test]
    fn any_text_is_read_or_refused_with_reasons(text in "\\PC{0,300}") {
        if let Err(mistakes) = sizes(&text) {
            prop_assert!(!mistakes.list.is_empty());
        }
    }

    #[test]
    fn any_toml_like_text_is_read_or_refused_with_reasons(text in toml_like()) {
        if let Err(mistakes) = sizes(&text) {
            prop_assert!(!mistakes.list.is_empty());
            let lines = text.split('\n').count();
            prop_assert!(mistakes.list.iter().all(|m| m.line >= 1 && m.line <= lines && m.column >= 1));
            let shown = mistakes.to_string().contains(['\0', '\u{202e}', '\r']);
            prop_assert!(!shown);
        }
    }
}
