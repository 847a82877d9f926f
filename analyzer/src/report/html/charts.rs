//! The chart of each bank: stages, voltage with its set-points, currents source by source, temperatures with their
//! limits, one below the other on one time axis.
//!
//! One strip per source, each on the same scale of amperes: what did not flow is as visible as what did, in print and
//! without colour.

use super::ink::Ink;
use super::marks::MOST_MARKS;
use super::panel::{Layer, NARROW, Panel, WIDE, Width, draw, plot, range_of, values};
use crate::chart::{BankCharts, Trace};
use crate::report::clock::Clock;
use crate::report::{ReportInput, format, words};
use ampwake_schemas::findings::{Finding, Kind, Period, Severity, Stage};
use maud::{Markup, PreEscaped, html};
use std::borrow::Cow;

/// The section.
pub fn section(report: &ReportInput<'_>, clock: &Clock) -> Markup {
    html! {
        section id="chart" {
            h2 { (words::CHARTS) }
            @if report.charts.is_empty() { p { (words::NO_CHARTS) } }
            @for bank in report.charts {
                h3 { (words::chart_of(
                    &format::sentence_start(&bank.bank),
                    &clock.span(bank.period.start, bank.period.end),
                    &clock.zone(bank.period),
                )) }
                (chart(report, bank, clock))
            }
        }
    }
}

/// One line of a legend: how it is drawn, and what it is.
struct Key(Ink, String);

/// A panel in the making: what a width needs is filled in by [`figure`].
struct Plan<'a> {
    title: String,
    /// Of the upright axis; empty where it has no figures.
    unit: &'static str,
    keys: Vec<Key>,
    height: i32,
    times: bool,
    range: Option<(f64, f64)>,
    /// Traces to be thinned for the width, with how they are drawn.
    traces: Vec<(&'a Trace, Drawing)>,
    levels: Vec<(f64, Ink)>,
    bands: Vec<(i64, i64, Ink)>,
    words: Vec<(i64, i64, Cow<'static, str>)>,
    moments: Vec<i64>,
}

#[derive(Clone, Copy)]
enum Drawing {
    Line(Ink),
    Filled(Ink, Ink),
}

fn chart(report: &ReportInput<'_>, bank: &BankCharts, clock: &Clock) -> Markup {
    let stack = crate::chart::stacked(&bank.sources, bank.period, WIDE.columns());
    let mut plans = vec![stages(bank), voltage(bank), current(bank)];
    let marked: Vec<i64> = report.findings.marks.iter().take(MOST_MARKS).map(|m| m.time.millis()).collect();
    if stack.len() > 1 {
        plans.push(together(&stack));
    }
    let scale = range_of(bank.sources.iter().flat_map(values).chain(bank.ratings.iter().copied()).chain([0.0]), 10.0);
    for (i, trace) in bank.sources.iter().enumerate() {
        plans.push(source(report, trace, bank.ratings.get(i).copied(), scale));
    }
    for t in &bank.temperatures {
        let mut plan = Plan::new(words::temperature_panel(&format::sentence_start(&t.trace.label)), "°C", 52);
        // A lower limit far from anything measured would only flatten the curve.
        let lowest = values(&t.trace).fold(f64::INFINITY, f64::min);
        let min = t.min_c.filter(|min| lowest - min < 15.0);
        let limits = t.max_c.into_iter().chain(min);
        plan.range = range_of(values(&t.trace).chain(limits.clone()), 10.0);
        plan.levels = limits.map(|l| (l, Ink::Limit)).collect();
        plan.keys = plan.levels.iter().map(|(l, ink)| Key(*ink, limit_key(*l))).collect();
        plan.traces = vec![(&t.trace, Drawing::Line(Ink::Temperature))];
        // The bank's curves are the ones with a lower limit; the findings about them name no source.
        let marked = |f: &&Finding| match &f.source {
            Some(name) => is_about_temperature(f.kind) && *name == t.trace.label,
            None => is_about_temperature(f.kind) && t.min_c.is_some(),
        };
        plan.mark(report.findings.findings.iter().filter(marked));
        plans.push(plan);
    }
    // Silence is drawn over everything, also over the stages.
    for plan in &mut plans {
        plan.bands.extend(bank.gaps.iter().take(MOST_BANDS).map(|g| (g.start.millis(), g.end.millis(), Ink::Gap)));
    }
    if let Some(last) = plans.last_mut() {
        last.times = true;
    }
    plans.iter_mut().for_each(|plan| plan.moments.clone_from(&marked));
    plans.splice(0..0, numbers(&marked, bank.period));
    html! {
        div.chart data-from=(bank.period.start.millis()) data-to=(bank.period.end.millis()) data-zone=(clock.zone_name())
            role="group" aria-label=(words::CHART_KEYS) {
            div.tools hidden {
                @for (does, word) in [("closer", words::ZOOM_IN), ("wider", words::ZOOM_OUT), ("whole", words::ZOOM_WHOLE)] {
                    button type="button" data-does=(does) { (word) }
                }
            }
            output.reading {}
            @for plan in &plans { (figure(plan, bank.period, clock)) }
            p.keys.note {
                @if !bank.gaps.is_empty() || plans.iter().any(|p| p.traces.iter().any(|(t, _)| t.parts.len() > 1)) { (key(&Key(Ink::Gap, words::GAP.to_owned()))) }
                @if plans.iter().any(|p| p.bands.iter().any(|b| b.2 == Ink::Finding)) {
                    (key(&Key(Ink::Finding, words::FINDING_MARK.to_owned())))
                }
                @if !marked.is_empty() { (key(&Key(Ink::Mark, words::marks::KEY.to_owned()))) }
            }
        }
    }
}

/// More bands than this cannot be told apart in a picture, and would only make the file large.
const MOST_BANDS: usize = 400;

fn limit_key(limit: f64) -> String {
    format!("{} {}", words::LIMIT, format::setting(limit, "degC"))
}

fn is_about_temperature(kind: Kind) -> bool {
    matches!(
        kind,
        Kind::TemperatureExcursion
            | Kind::TemperatureRise
            | Kind::TemperatureSpread
            | Kind::ChargeBelowMinimumTemperature
            | Kind::ThermalDerating
    )
}

impl Plan<'_> {
    fn new(title: String, unit: &'static str, height: i32) -> Self {
        Self {
            title,
            unit,
            height,
            keys: Vec::new(),
            times: false,
            range: None,
            traces: Vec::new(),
            levels: Vec::new(),
            bands: Vec::new(),
            words: Vec::new(),
            moments: Vec::new(),
        }
    }

    /// The lines that can be read off: class, unit and name, each once.
    fn lines(&self) -> String {
        let mut seen: Vec<&str> = Vec::new();
        let mut out: Vec<String> = Vec::new();
        for (trace, drawing) in &self.traces {
            let (Drawing::Line(ink) | Drawing::Filled(_, ink)) = *drawing;
            if self.unit.is_empty() || seen.contains(&ink.class()) {
                continue;
            }
            seen.push(ink.class());
            // A comma divides the lines, a bar their parts.
            let name = format::plain(&trace.label).replace([',', '|'], " ");
            out.push(format!("{}|{}|{name}", ink.class(), self.unit));
        }
        out.join(",")
    }

    fn mark<'f>(&mut self, findings: impl Iterator<Item = &'f Finding>) {
        let weighty = findings.filter(|f| f.severity >= Severity::Caution).take(MOST_BANDS);
        self.bands.extend(weighty.map(|f| (f.start.millis(), f.end.millis(), Ink::Finding)));
    }
}

fn stage_ink(stage: Stage) -> Ink {
    match stage {
        Stage::Bulk => Ink::Bulk,
        Stage::Absorption => Ink::Absorption,
        Stage::Float => Ink::Float,
        Stage::Equalisation => Ink::Equalisation,
        Stage::Rest => Ink::Rest,
        Stage::Discharge => Ink::Discharge,
        Stage::Unexplained => Ink::Unexplained,
    }
}

fn stages(bank: &BankCharts) -> Plan<'_> {
    let mut plan = Plan::new(words::STAGES_PANEL.to_owned(), "", 24);
    plan.times = true;
    // The longest stages where there are too many; of a season no more than a texture is to be seen anyway.
    let mut spans: Vec<_> = bank.stages.iter().collect();
    spans.sort_by_key(|s| std::cmp::Reverse(s.end.saturating_sub(s.start)));
    spans.truncate(MOST_BANDS);
    plan.bands = spans.iter().map(|s| (s.start, s.end, stage_ink(s.stage))).collect();
    plan.words = spans.iter().map(|s| (s.start, s.end, words::stage(s.stage).into())).collect();
    plan.keys = Stage::ALL
        .iter()
        .filter(|stage| spans.iter().any(|s| s.stage == **stage))
        .map(|stage| Key(stage_ink(*stage), words::stage(*stage).to_owned()))
        .collect();
    plan
}

/// A strip with the numbers of the marks over their lines; of those too close together for two numbers the first.
fn numbers<'a>(marked: &[i64], period: Period) -> Option<Plan<'a>> {
    let (from, to) = (period.start.millis(), period.end.millis());
    // As wide as a number of two digits needs it on a telephone.
    let room = (to - from) / 26;
    let mut plan = Plan::new(words::marks::STRIP.to_owned(), "", 14);
    let mut last = i64::MIN;
    for (n, t) in marked.iter().enumerate().filter(|(_, t)| (from..=to).contains(*t)) {
        if last == i64::MIN || t - last >= room {
            plan.words.push((t - room, t + room, (n + 1).to_string().into()));
            last = *t;
        }
    }
    // A band that is not drawn, so that the strip counts as one with something in it.
    plan.bands = plan.words.first().map(|_| (from, from, Ink::Frame)).into_iter().collect();
    (!plan.words.is_empty()).then_some(plan)
}

fn voltage(bank: &BankCharts) -> Plan<'_> {
    let mut plan = Plan::new(words::VOLTAGE_PANEL.to_owned(), "V", 150);
    let all = [
        (&bank.absorption_v, Ink::AbsorptionSet, words::ABSORPTION_SET),
        (&bank.float_v, Ink::FloatSet, words::FLOAT_SET),
        (&bank.voltage, Ink::Voltage, words::MEASURED_VOLTAGE),
    ];
    plan.range = range_of(all.iter().flat_map(|(t, ..)| values(t)), 1.0);
    for (trace, ink, name) in all {
        if values(trace).next().is_some() {
            plan.traces.push((trace, Drawing::Line(ink)));
            plan.keys.push(Key(ink, name.to_owned()));
        }
    }
    plan
}

fn current(bank: &BankCharts) -> Plan<'_> {
    let mut plan = Plan::new(words::CURRENT_PANEL.to_owned(), "A", 120);
    plan.range = range_of(values(&bank.current).chain(bank.max_charge_a).chain([0.0]), 10.0);
    plan.levels = vec![(0.0, Ink::Axis)];
    plan.keys = vec![Key(Ink::Current, words::NET_CURRENT.to_owned())];
    if let Some(max) = bank.max_charge_a {
        plan.levels.push((max, Ink::Limit));
        plan.keys.push(Key(Ink::Limit, format!("{} {}", words::MAX_CHARGE, format::setting(max, "A"))));
    }
    plan.traces = vec![(&bank.current, Drawing::Line(Ink::Current))];
    plan
}

/// The sources one upon the other; each is drawn over the sum of it and those below, so that the topmost comes first.
fn together(stack: &[Trace]) -> Plan<'_> {
    let mut plan = Plan::new(words::STACK_PANEL.to_owned(), "", 120);
    plan.range = range_of(stack.iter().flat_map(values).chain([0.0]), 10.0);
    plan.keys = stack.iter().enumerate().map(|(n, t)| Key(Ink::stack(n), format::sentence_start(&t.label))).collect();
    let from_top = stack.iter().enumerate().rev();
    plan.traces = from_top.map(|(n, t)| (t, Drawing::Filled(Ink::stack(n), Ink::Edge))).collect();
    plan
}

fn source<'a>(report: &ReportInput<'_>, trace: &'a Trace, rated: Option<f64>, scale: Option<(f64, f64)>) -> Plan<'a> {
    let mut plan = Plan::new(words::source_panel(&format::sentence_start(&trace.label)), "A", 52);
    plan.range = scale;
    plan.traces = vec![(trace, Drawing::Filled(Ink::Area, Ink::Source))];
    if let Some(rated) = rated.filter(|r| r.is_finite()) {
        plan.levels.push((rated, Ink::Rated));
        plan.keys.push(Key(Ink::Rated, words::rated(&format::setting(rated, "A"))));
    }
    let about_output = |f: &&Finding| f.source.as_deref() == Some(trace.label.as_str()) && f.cause.is_some();
    plan.mark(report.findings.findings.iter().filter(about_output));
    plan
}

fn figure(plan: &Plan<'_>, period: Period, clock: &Clock) -> Markup {
    let nothing = plan.range.is_none() && plan.bands.iter().all(|b| b.2 == Ink::Gap);
    let (low, high) = plan
        .traces
        .iter()
        .flat_map(|(t, _)| values(t))
        .filter(|v| v.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    let alt = if low <= high {
        words::panel_alt(&plan.title, &format::fixed(low, 1), &format::fixed(high, 1))
    } else {
        plan.title.clone()
    };
    html! {
        figure {
            figcaption { b { (plan.title) } span.keys { @for k in &plan.keys { (key(k)) } } }
            @if nothing { p.note { @if plan.traces.is_empty() { (words::NO_STAGES) } @else { (words::NO_CHARTS) } } }
            @else { @for width in [WIDE, NARROW] { (picture(plan, period, clock, width, &alt)) } }
        }
    }
}

fn picture(plan: &Plan<'_>, period: Period, clock: &Clock, width: Width, alt: &str) -> Markup {
    let thinned: Vec<(Trace, Drawing)> =
        plan.traces.iter().map(|(t, d)| (t.thinned(period, width.columns()), *d)).collect();
    let mut layers: Vec<Layer<'_>> = Vec::new();
    let below = |ink: Ink| ink == Ink::Finding;
    layers.extend(plan.bands.iter().filter(|b| below(b.2)).map(|&(a, b, ink)| Layer::Band(a, b, ink)));
    layers.extend(thinned.iter().filter_map(|(t, d)| match d {
        Drawing::Filled(area, _) => Some(Layer::Area(t, *area)),
        Drawing::Line(_) => None,
    }));
    layers.extend(plan.levels.iter().map(|&(v, ink)| Layer::Level(v, ink)));
    layers.extend(thinned.iter().map(|(t, d)| match d {
        Drawing::Filled(_, line) | Drawing::Line(line) => Layer::Line(t, *line),
    }));
    layers.extend(plan.bands.iter().filter(|b| !below(b.2)).map(|&(a, b, ink)| Layer::Band(a, b, ink)));
    layers.extend(plan.words.iter().map(|(a, b, word)| Layer::Word(*a, *b, word)));
    layers.extend(plan.moments.iter().map(|&t| Layer::Moment(t, Ink::Mark)));
    // The last trace is the one the panel is about: where it is missing, that is shown as missing.
    if let Some((trace, _)) = thinned.last() {
        layers.extend(missing(trace, period).map(|(a, b)| Layer::Band(a, b, Ink::Gap)));
    }
    let ticks = clock.ticks(period, width.ticks);
    let panel = Panel { period, ticks, times: plan.times, height: plan.height, range: plan.range, layers };
    match draw(&panel, width) {
        Ok((w, h, inside)) => html! {
            svg class=(width.class) viewBox={ "0 0 " (w) " " (h) } role="img" aria-label=(alt)
                data-plot=(plot(&panel, width)) data-lines=(plan.lines()) { (PreEscaped(inside)) }
        },
        Err(why) => html! { p.note { (why) } },
    }
}

/// The stretches of the period in which the trace has no value.
fn missing(trace: &Trace, period: Period) -> impl Iterator<Item = (i64, i64)> + '_ {
    let ends = trace.parts.iter().filter_map(|p| Some((p.first()?.0, p.last()?.0)));
    let starts = ends.clone().map(|e| e.0).chain([period.end.millis()]);
    [period.start.millis()].into_iter().chain(ends.map(|e| e.1)).zip(starts).filter(move |(a, b)| {
        // The first and the last sample never stand on the period's very ends.
        b - a > (period.end.millis() - period.start.millis()) / 400
    })
}

fn key(Key(ink, name): &Key) -> Markup {
    html! {
        span.key {
            svg viewBox="0 0 104 48" aria-hidden="true" {
                @if ink.fills() { rect class=(ink.class()) x="4" y="4" width="96" height="40" {} rect.frm x="4" y="4" width="96" height="40" {} }
                @else { path class=(ink.class()) d="M4,24h96" {} }
            }
            (name)
        }
    }
}
