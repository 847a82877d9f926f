//! One finding in full: what was seen, since when, how sure, what to check, and the figures for the electrician.

use super::style::symbol;
use crate::report::clock::Clock;
use crate::report::{format, words};
use ampwake_schemas::findings::{Evidence, Finding, Severity};
use maud::{Markup, html};
use serde_json::Value;

/// A severity as sign and word.
pub fn severity(severity: Severity) -> Markup {
    let (id, class) = match severity {
        Severity::Info => ("i-info", "sev info"),
        Severity::Caution => ("i-caution", "sev caution"),
        Severity::Danger => ("i-danger", "sev danger"),
    };
    html! { span class=(class) { (symbol(id)) (words::severity(severity)) } }
}

/// The finding as a block; `named` where no heading above it names its source.
pub fn block(f: &Finding, clock: &Clock, named: bool) -> Markup {
    html! {
        article.finding {
            h4 {
                (severity(f.severity)) ": "
                @if let Some(name) = f.source.as_deref().filter(|_| named) { (format::plain(name)) ", " }
                (words::kind(f.kind))
                @if let Some(cause) = f.cause { ", " (words::cause(cause)) }
            }
            p { (format::sentence(&f.summary)) }
            p.note {
                (words::WHEN) ": " (clock.span(f.start, f.end)) ". "
                (format::glued(&words::sure(&format::percent(f.confidence)))) "."
                @if let Some(channel) = &f.channel { " " (words::CHANNEL) ": " code { (channel) } }
            }
            @if !f.check_next.is_empty() {
                p.lead { (words::CHECK_NEXT_ALL) }
                ol { @for check in &f.check_next { li { (format::sentence(check)) } } }
            }
            (details(&f.evidence))
        }
    }
}

/// Named figures, folded away. The sense of a limit stands with the limit.
pub fn details(evidence: &Evidence) -> Markup {
    let figures: Vec<_> = evidence.iter().filter(|(name, _)| *name != "sense").take(MOST_FIGURES).collect();
    html! {
        @if !figures.is_empty() {
            details {
                summary { (words::EVIDENCE) }
                dl.figures {
                    @for (name, value) in figures {
                        @let (label, unit) = label(name);
                        div { dt { (label) } dd { (figure(value, unit)) } }
                    }
                }
            }
        }
    }
}

/// A finding with more figures than this is damaged.
const MOST_FIGURES: usize = 60;

/// Evidence names carry their unit at the end: `bus_voltage_mean_v` is "bus voltage mean", V.
fn label(name: &str) -> (String, &'static str) {
    const UNITS: [(&str, &str); 24] = [
        ("_mv", "mV"),
        ("_v", "V"),
        ("_ma", "mA"),
        ("_ah", "Ah"),
        ("_a", "A"),
        ("_kwh", "kWh"),
        ("_wh", "Wh"),
        ("_kw", "kW"),
        ("_w", "W"),
        ("_c_per_min", "°C/min"),
        ("_k_per_min", "K/min"),
        ("_c", "°C"),
        ("_degc", "°C"),
        ("_k", "K"),
        ("_hz", "Hz"),
        ("_rpm", "rpm"),
        ("_mohm", "mΩ"),
        ("_ohm", "Ω"),
        ("_percent", "%"),
        ("_fraction", "fraction"),
        ("_share", "fraction"),
        ("_min", "min"),
        ("_ms", "ms"),
        ("_s", "s"),
    ];
    let spaced = |text: &str| format::sentence_start(&text.replace('_', " "));
    match UNITS.iter().find(|(suffix, _)| name.len() > suffix.len() && name.ends_with(suffix)) {
        Some(("_share", unit)) => (spaced(name), unit),
        Some((suffix, unit)) => (spaced(&name[..name.len() - suffix.len()]), unit),
        None => (spaced(name), ""),
    }
}

fn figure(value: &Value, unit: &str) -> String {
    match value {
        Value::Null => format::UNKNOWN.to_owned(),
        Value::Bool(yes) => (if *yes { words::YES } else { words::NO }).to_owned(),
        Value::String(text) => format::plain(text),
        Value::Number(n) => match (n.as_f64(), unit) {
            (Some(seconds), "s") if seconds.abs() >= 60.0 => format::duration(seconds),
            (Some(seconds), "s") => format::interval(seconds),
            (Some(part), "fraction") => format::percent(part),
            // A count carries no unit and no decimals.
            (Some(count), "") if count.fract() == 0.0 => format::setting(count, ""),
            (Some(v), unit) => format::quantity(v, unit),
            (None, _) => format::plain(&n.to_string()),
        },
        Value::Array(items) if items.iter().all(|i| !i.is_array() && !i.is_object()) && items.len() <= 12 => {
            items.iter().map(|i| figure(i, unit)).collect::<Vec<_>>().join(", ")
        }
        other => {
            let text = format::plain(&other.to_string());
            if text.chars().count() > 160 { text.chars().take(160).chain(['\u{2026}']).collect() } else { text }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn evidence_names_give_label_and_unit() {
        assert_eq!(label("bus_voltage_mean_v"), ("Bus voltage mean".to_owned(), "V"));
        assert_eq!(label("rise_max_c_per_min"), ("Rise max".to_owned(), "°C/min"));
        assert_eq!(label("lost_ah"), ("Lost".to_owned(), "Ah"));
        assert_eq!(label("samples"), ("Samples".to_owned(), ""));
        assert_eq!(label("_v"), (" v".to_owned(), ""));
    }

    #[test]
    fn figures_of_every_sort_are_text() {
        assert_eq!(figure(&json!(13_200), "s"), "3 h 40 min");
        assert_eq!(figure(&json!(56.789), "V"), "56.79 V");
        assert_eq!(figure(&json!(0.42), "fraction"), "42 %");
        assert_eq!(figure(&json!(12), ""), "12");
        assert_eq!(figure(&json!(["float", "bulk"]), ""), "float, bulk");
        assert_eq!(figure(&json!(null), "V"), "unknown");
        assert_eq!(figure(&json!(true), ""), "yes");
        assert!(figure(&json!({"a": [1, 2]}), "").contains("\"a\""));
    }
}
