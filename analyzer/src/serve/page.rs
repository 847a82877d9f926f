//! The page: one HTML file written here, whose parts are renewed by the same functions that wrote them first. So it reads
//! the same with and without script, and everything from the vessel goes through one template that escapes it.

mod parts;

use super::words;
use crate::live::{Snapshot, Standing};
use crate::report::format::plain;
use crate::report::html::style;
use maud::{Markup, PreEscaped, html};
use sha2::{Digest, Sha256};
use std::sync::Arc;

/// The style sheet: the report's colours and the page's own rules.
pub const CSS: &str = concat!(include_str!("../report/html/palette.css"), include_str!("page.css"));
/// The script.
pub const SCRIPT: &str = include_str!("page.js");

/// A snapshot with everything that is sent of it, written once for all who look.
pub struct Page {
    /// What it shows.
    pub snapshot: Snapshot,
    /// Parts by their ids.
    parts: Vec<(&'static str, Arc<str>)>,
    series: String,
}

type Part = (&'static str, fn(&Snapshot) -> Markup);

const PARTS: [Part; 8] = [
    ("head", parts::head),
    ("advice", parts::advice),
    ("now", parts::now),
    ("lines", parts::lines),
    ("found", parts::found),
    ("wants", parts::wants),
    ("tests", parts::tests),
    ("buses", parts::buses),
];

impl Page {
    /// Writes the parts; those that read as before are shared with the page before.
    pub fn of(snapshot: Snapshot, before: Option<&Page>) -> Self {
        let parts = PARTS
            .iter()
            .enumerate()
            .map(|(n, (id, write))| {
                let text = write(&snapshot).into_string();
                let same = before.map(|b| &b.parts[n].1).filter(|old| ***old == *text);
                (*id, same.map_or_else(|| text.into(), Arc::clone))
            })
            .collect();
        let mut hash = Sha256::new();
        for s in &snapshot.series {
            hash.update(format!("{} {} {:?};", s.id.0, s.scale, s.panel));
        }
        let series = hash.finalize()[..4].iter().map(|b| format!("{b:02x}")).collect();
        Self { snapshot, parts, series }
    }

    /// Where tiles are asked for: another place for another choice of lines.
    pub fn tiles(&self, epoch: &str) -> String {
        format!("{epoch}{}", self.series)
    }

    /// The parts that differ from those of `sent`, as a JSON object.
    pub fn changes(&self, sent: Option<&Page>) -> String {
        let changed =
            self.parts.iter().enumerate().filter(|(n, (_, text))| {
                sent.is_none_or(|s| !Arc::ptr_eq(&s.parts[*n].1, text) && s.parts[*n].1 != *text)
            });
        let object: serde_json::Map<String, serde_json::Value> =
            changed.map(|(_, (id, text))| ((*id).to_owned(), text.to_string().into())).collect();
        serde_json::Value::Object(object).to_string()
    }

    /// The snapshot for programs.
    pub fn json(&self) -> String {
        serde_json::to_string(&self.snapshot).unwrap_or_default()
    }

    fn part(&self, id: &str) -> Markup {
        let text = self.parts.iter().find(|p| p.0 == id).map_or("", |p| &p.1);
        PreEscaped(text.to_owned())
    }
}

fn frame(title: &str, head: Markup, body: Markup) -> String {
    let head = html! {
        link rel="icon" href="data:,";
        link rel="stylesheet" href="/page.css";
        (head)
    };
    crate::report::html::frame(title, head, body).into_string()
}

/// The whole page.
pub fn whole(page: &Page, epoch: &str) -> String {
    let s = &page.snapshot;
    let nothing = matches!(s.standing, Standing::Missing | Standing::Reading);
    let head = html! {
        noscript { meta http-equiv="refresh" content="5"; }
        script src="/page.js" defer {}
    };
    let body = html! {
        a.skip href="#now" { (words::SKIP) }
        (style::symbols())
        (parts::signs())
        header #head { (page.part("head")) }
        p #lost hidden role="alert" { (words::LOST) }
        main data-tiles={ "/tile/" (page.tiles(epoch)) } {
            noscript { p.note { (words::NO_SCRIPT) } }
            section #advice { (page.part("advice")) }
            div.two {
                section #now tabindex="-1" { (page.part("now")) }
                section #history hidden[nothing] aria-labelledby="history-title" {
                    h2 #history-title { (words::HISTORY) }
                    div.tools {
                        @for (does, word) in [
                            ("earlier", words::EARLIER), ("later", words::LATER), ("closer", words::CLOSER),
                            ("wider", words::WIDER), ("end", words::TO_NOW),
                        ] { button type="button" data-does=(does) { (word) } }
                    }
                    output #reading { }
                    div #charts tabindex="0" role="group" aria-label=(words::HISTORY_LABEL)
                        data-loading=(words::LOADING) data-failed=(words::NO_TILE) {}
                    div #lines hidden { (page.part("lines")) }
                }
            }
            div.two {
                section #found aria-live="polite" { (page.part("found")) }
                div {
                    section #wants { (page.part("wants")) }
                    section #tests { (page.part("tests")) }
                    section #buses { (page.part("buses")) }
                }
            }
        }
        footer { p.note { a href="/report" { (words::REPORT) } } p.note { (words::FOOT) } }
    };
    frame(&words::title(s.vessel.as_deref().map(plain).as_deref()), head, body)
}

/// The form for the token.
pub fn door(wrong: bool) -> String {
    let body = html! {
        main.door {
            h1 { (words::DOOR_TITLE) }
            p { (words::DOOR_TEXT) }
            @if wrong { p.wrong role="alert" { (words::DOOR_WRONG) } }
            form method="post" action="/enter" {
                label for="token" { (words::DOOR_LABEL) }
                input #token name="token" type="password" autocomplete="current-password" required autofocus;
                button type="submit" { (words::DOOR_BUTTON) }
            }
        }
    };
    frame(words::DOOR_TITLE, html! {}, body)
}
