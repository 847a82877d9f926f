//! The outputs for people, from one day of an invented vessel.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_analyzer::chart::StageBand;
use ampwake_analyzer::report::{atomic, html, text};
use ampwake_schemas::findings::{Session, Severity, VerdictWord};
use ampwake_tests::golden::{check, project};
use ampwake_tests::report_fixture::{Fixture, day};
use std::path::Path;

fn page(fixture: &Fixture) -> String {
    let mut out = Vec::new();
    html(&fixture.report(), &mut out).unwrap();
    String::from_utf8(out).unwrap()
}

fn summary(fixture: &Fixture) -> String {
    let mut out = Vec::new();
    text(&fixture.report(), &mut out).unwrap();
    String::from_utf8(out).unwrap()
}

/// The page without its markup, white space joined.
fn visible(page: &str) -> String {
    let body = page.split("<body>").nth(1).unwrap();
    let mut out = String::new();
    let mut inside = false;
    for c in body.chars() {
        match c {
            '<' => {
                inside = true;
                out.push(' ');
            }
            '>' => inside = false,
            c if !inside => out.push(c),
            _ => {}
        }
    }
    out.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Leaves the page where a person can look at it: `target/tmp/report.html`.
#[test]
fn a_day_is_one_small_file_that_loads_nothing() {
    let page = page(&day());
    let file = Path::new(env!("CARGO_TARGET_TMPDIR")).join("report.html");
    atomic::write(&file, |out| out.write_all(page.as_bytes())).unwrap();
    assert!(page.len() < 1_500_000, "{} bytes", page.len());
    assert!(!page.contains("http://") && !page.contains("https://"));
    assert_eq!(page.to_lowercase().matches("<script").count(), 1, "the one that reads values off the charts");
    for tag in ["<script src", "<link", "<img", "<iframe", "<object", "<embed", "@import", "javascript:"] {
        assert!(!page.to_lowercase().contains(tag), "{tag}");
    }
    // All that is referred to by url() or href stands in the page itself.
    for reference in ["url(", "href=\""] {
        for (at, _) in page.match_indices(reference) {
            let target = &page[at + reference.len()..];
            let id = target.strip_prefix('#').unwrap_or_else(|| panic!("{}", &target[..40]));
            let id = &id[..id.find([')', '"']).unwrap()];
            assert!(page.contains(&format!("id=\"{id}\"")), "no {id}");
        }
    }
}

#[test]
fn the_answer_stands_before_everything_else() {
    let page = visible(&page(&day()));
    let order = [
        "2 of 5 charging sources did not contribute as designed. One finding is a danger.",
        "Engine alternator reached 118.4 °C",
        "Check next: Let it cool",
        "Starboard shore charger gave 0.0 ± 0.5 A for 3 h 40 min in which it could have given 80 A",
        "Design requirements",
        "at most 120 min",
        "Bank voltage, V",
        "Opportunity is time in which",
        "Session 1, 12 Sep 2025 07:10 to 11:40",
        "Anything heard",
        "This report is advice",
        "SHA-256",
    ];
    let places: Vec<usize> =
        order.iter().map(|t| page.find(t).unwrap_or_else(|| panic!("{t:?} is not in the page"))).collect();
    assert!(places.is_sorted(), "{places:?}");
}

#[test]
fn every_caution_of_the_trade_is_there() {
    // The usual cautions of marine battery work: common practice, no source.
    let page = visible(&page(&day())).to_lowercase();
    for word in [
        "no certificate",
        "local codes",
        "class rules",
        "licensed",
        "lithium cell that is too hot",
        "commonly 0 °c",
        "field off first",
        "short circuit",
        "prove dead",
        "synchronising equipment",
        "never bypass",
        "hydrogen",
        "fire plan",
        "residual-current",
        "only listens",
    ] {
        assert!(page.contains(word), "{word:?} is missing");
    }
}

#[test]
fn verdicts_read_without_colour_and_the_unmeasured_is_no_zero() {
    let page = visible(&page(&day()));
    assert!(page.contains("Design requirements 2 not met 1 undetermined 1 not tested 2 met"));
    assert!(page.contains("not measured"));
    assert!(page.contains("never heard"));
    assert!(page.contains("12 Sep 2025 12:20 to 12:45, 25 min"), "the gap stands in the vessel's time");
    assert!(page.contains("Europe/Lisbon, UTC+01:00"));
}

/// Every name and sentence that came from a bus or a file is replaced by this.
const HOSTILE: &str = "<script>alert(1)</script>\"'&\u{202e}evil\u{1b}[31m\u{0}\u{200b}";

fn hostile() -> Fixture {
    let mut f = day();
    let name = |s: &mut String| *s = HOSTILE.to_owned();
    name(&mut f.findings.vessel);
    f.intent.vessel.time_zone = Some(HOSTILE.to_owned());
    for s in &mut f.intent.sources {
        name(&mut s.name);
        s.group = Some(HOSTILE.to_owned());
    }
    for x in &mut f.findings.findings {
        name(&mut x.summary);
        x.source = x.source.as_ref().map(|_| HOSTILE.to_owned());
        x.check_next.push(HOSTILE.to_owned());
        x.evidence.insert(HOSTILE.to_owned(), HOSTILE.into());
    }
    for v in &mut f.findings.verdicts {
        for text in [&mut v.id, &mut v.text, &mut v.reason, &mut v.unit] {
            name(text);
        }
    }
    for s in &mut f.findings.sessions {
        s.bank = Some(HOSTILE.to_owned());
        s.sources.iter_mut().for_each(|x| name(&mut x.source));
        s.stages.iter_mut().for_each(|x| {
            x.reported.insert(HOSTILE.to_owned(), HOSTILE.to_owned());
        });
    }
    let q = &mut f.findings.data_quality;
    q.notes.push(HOSTILE.to_owned());
    q.problems.insert(HOSTILE.to_owned(), 3);
    q.signals.iter_mut().for_each(|s| name(&mut s.owner));
    for c in &mut f.charts {
        name(&mut c.bank);
        c.sources.iter_mut().for_each(|t| name(&mut t.label));
        c.temperatures.iter_mut().for_each(|t| name(&mut t.trace.label));
    }
    f
}

#[test]
fn hostile_names_are_text() {
    let fixture = hostile();
    let page = page(&fixture);
    assert_eq!(page.to_lowercase().matches("<script").count(), 1, "our own");
    assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt;"));
    let forbidden = |c: char| (c.is_control() && c != '\n') || matches!(c, '\u{202e}' | '\u{200b}');
    assert_eq!(page.chars().filter(|c| forbidden(*c)).count(), 0);
    assert_eq!(summary(&fixture).chars().filter(|c| forbidden(*c)).count(), 0);
}

#[test]
fn hostile_figures_draw_and_print() {
    let mut f = day();
    for value in [f64::NAN, f64::INFINITY, -1e300, 1e300] {
        for c in &mut f.charts {
            c.max_charge_a = Some(value);
            c.ratings.iter_mut().for_each(|r| *r = value);
            for t in [&mut c.voltage, &mut c.current, &mut c.float_v] {
                t.parts.push(vec![(i64::MAX, value), (i64::MIN, value), (0, 1.0)]);
            }
        }
        for v in &mut f.findings.verdicts {
            (v.limit, v.measured, v.uncertainty) = (value, Some(value), Some(value));
        }
        for s in f.findings.sessions.iter_mut().flat_map(|s| &mut s.sources) {
            (s.charge_ah, s.lost_ah, s.opportunity_s) = (value, value, value);
        }
        assert!(!page(&f).contains("NaN") && !summary(&f).contains("NaN"));
    }
}

#[test]
fn a_season_is_cut_to_what_a_page_can_hold_and_says_so() {
    let mut f = day();
    let session = f.findings.sessions[0].clone();
    f.findings.sessions = (1..=400).map(|id| Session { id, ..session.clone() }).collect();
    let finding = f.findings.findings[1].clone();
    f.findings.findings = vec![finding; 500];
    let gap = f.findings.data_quality.gaps[0];
    f.findings.data_quality.gaps = vec![gap; 5000];
    for c in &mut f.charts {
        c.gaps = vec![gap; 5000];
        c.stages = (0..20_000).map(|i| StageBand { start: i, end: i + 1, ..c.stages[1] }).collect();
    }
    let page = page(&f);
    assert!(page.len() < 1_500_000, "{} bytes", page.len());
    for cut in ["and 340 more", "and 460 more", "and 4980 more"] {
        assert!(page.contains(cut), "{cut}");
    }
    assert!(summary(&f).lines().count() < 80);
}

#[test]
fn an_empty_recording_is_said_and_not_praised() {
    let mut f = day();
    f.findings.sessions.clear();
    f.findings.findings.clear();
    f.charts.clear();
    f.findings.data_quality = Default::default();
    for v in &mut f.findings.verdicts {
        (v.verdict, v.measured, v.uncertainty) = (VerdictWord::NotTested, None, None);
    }
    let page = visible(&page(&f));
    assert!(page.contains("6 requirements are not shown"), "{}", &page[..600]);
    assert!(page.contains("data heard in 0 % of this time"));
    assert!(page.contains("Nothing can be said (no opportunity to contribute was seen): port shore charger"));
    assert!(page.contains("No charging session was seen."));
}

#[test]
fn without_dangers_none_is_claimed() {
    let mut f = day();
    f.findings.findings.retain(|x| x.severity != Severity::Danger);
    assert!(!summary(&f).to_lowercase().contains("danger"));
}

#[test]
fn the_terminal_summary_is_as_expected() {
    let text = summary(&day());
    assert!(text.lines().all(|l| l.chars().count() <= 100));
    check(&project().join("tests/golden/report/summary.txt"), &text);
}
