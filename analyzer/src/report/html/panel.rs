//! One panel of a chart: layers over a time axis that all panels share, as the inside of an SVG.

use super::ink::{Ink, LETTER, SCALE, Svg};
use crate::chart::Trace;
use ampwake_schemas::findings::Period;
use plotters::coord::ranged1d::{DefaultFormatting, KeyPointHint, Ranged};
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use std::ops::Range;

/// What a drawing may be as wide as, in CSS pixels at full size.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Width {
    /// Of the whole drawing.
    pub whole: i32,
    /// Of the strip on its left that holds the figures of the upright axis.
    pub left: i32,
    /// Time labels that have room.
    pub ticks: usize,
    /// CSS class that shows it where it fits.
    pub class: &'static str,
}

/// For a page of a tablet, a desktop or paper.
pub const WIDE: Width = Width { whole: 940, left: 46, ticks: 12, class: "wide" };
/// For a telephone: the same lettering in a narrower drawing, so that it stays readable.
pub const NARROW: Width = Width { whole: 400, left: 40, ticks: 5, class: "narrow" };
/// Room on the right, so that half of the last time label fits.
const RIGHT: i32 = 20;
/// Height of the time labels.
const TIMES: i32 = 18;

impl Width {
    /// Columns of the picture: what a trace is thinned to.
    pub const fn columns(self) -> usize {
        (self.whole - self.left - RIGHT) as usize
    }
}

/// What lies in a panel, the lowest first. Times in ms since the epoch.
pub enum Layer<'a> {
    /// The full height from one time to another.
    Band(i64, i64, Ink),
    /// A word in the middle of a band, where it fits.
    Word(i64, i64, &'a str),
    /// From the curve down to zero.
    Area(&'a Trace, Ink),
    /// A curve.
    Line(&'a Trace, Ink),
    /// A constant.
    Level(f64, Ink),
    /// A moment: an upright line over the full height.
    Moment(i64, Ink),
}

/// A panel.
pub struct Panel<'a> {
    /// The time axis.
    pub period: Period,
    /// Its ticks, see [`super::super::clock::Clock::ticks`].
    pub ticks: Vec<(i64, String)>,
    /// Whether the times stand below.
    pub times: bool,
    /// Height of the picture without the times, CSS pixels.
    pub height: i32,
    /// Range of the upright axis; `None`: it has no figures.
    pub range: Option<(f64, f64)>,
    /// What is drawn.
    pub layers: Vec<Layer<'a>>,
}

/// A range for an upright axis that holds all of `values` with a little air; `None` if there are none.
///
/// Values beyond a million are no volts, amperes or degrees of a vessel and would flatten everything else.
pub fn range_of(values: impl IntoIterator<Item = f64>, least_span: f64) -> Option<(f64, f64)> {
    let (low, high) = values
        .into_iter()
        .filter(|v| v.is_finite() && v.abs() < 1e6)
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    if low > high {
        return None;
    }
    let missing = (least_span - (high - low)).max(0.0) / 2.0;
    let (low, high) = (low - missing, high + missing);
    let air = (high - low) * 0.06;
    Some((low - air, high + air))
}

/// All values of a trace.
pub fn values(trace: &Trace) -> impl Iterator<Item = f64> + '_ {
    trace.parts.iter().flatten().map(|p| p.1)
}

struct TimeAxis<'a> {
    from: i64,
    to: i64,
    ticks: &'a [(i64, String)],
}

impl Ranged for TimeAxis<'_> {
    type FormatOption = DefaultFormatting;
    type ValueType = i64;

    fn map(&self, value: &i64, limit: (i32, i32)) -> i32 {
        let span = (i128::from(self.to) - i128::from(self.from)).max(1);
        let offset = (i128::from(*value) - i128::from(self.from)).clamp(0, span);
        limit.0 + (offset * i128::from(limit.1 - limit.0) / span) as i32
    }
    fn key_points<Hint: KeyPointHint>(&self, _hint: Hint) -> Vec<i64> {
        self.ticks.iter().map(|t| t.0).collect()
    }
    fn range(&self) -> Range<i64> {
        self.from..self.to
    }
}

/// Draws the panel at this width: `(width, height, inside of the SVG)`, in drawing units.
///
/// # Errors
/// What the plotting library reports, as text; it does so only when the drawing has no room.
pub fn draw(panel: &Panel<'_>, width: Width) -> Result<(i32, i32, String), String> {
    let times = if panel.times { TIMES } else { 0 };
    // Air above and below keeps the topmost figure of the axis inside the drawing.
    let air = if panel.range.is_some() { 7 } else { 1 };
    let (w, h) = (width.whole * SCALE, (panel.height + times + 2 * air) * SCALE);
    let mut out = String::new();
    draw_into(panel, width, &mut out, (w, h), times, air).map_err(|e| e.to_string())?;
    Ok((w, h, out))
}

/// Where the panel's plot lies in its drawing, and what its upright axis holds: left, right, top, bottom (drawing units), lowest and
/// highest value (both 0 where the axis has no figures).
pub fn plot(panel: &Panel<'_>, width: Width) -> String {
    let (air, (low, high)) = match panel.range {
        Some(range) => (7, range),
        None => (1, (0.0, 0.0)),
    };
    let (left, right) = (width.left * SCALE, (width.whole - RIGHT) * SCALE);
    // The lowest value lies on the last unit of the plot, not below it.
    format!("{left},{right},{},{},{low:.4},{high:.4}", air * SCALE, (panel.height + air) * SCALE - 1)
}

type DrawError = DrawingAreaErrorKind<std::convert::Infallible>;

fn draw_into(
    panel: &Panel<'_>,
    width: Width,
    out: &mut String,
    (w, h): (i32, i32),
    times: i32,
    air: i32,
) -> Result<(), DrawError> {
    let root = Svg::new(out, (w as u32, h as u32)).into_drawing_area();
    let axis = TimeAxis { from: panel.period.start.millis(), to: panel.period.end.millis(), ticks: &panel.ticks };
    let (low, high) = panel.range.unwrap_or((0.0, 1.0));
    let mut chart = ChartBuilder::on(&root)
        .margin_top(air * SCALE)
        .margin_bottom(air * SCALE)
        .margin_right(RIGHT * SCALE)
        .set_label_area_size(LabelAreaPosition::Left, width.left * SCALE)
        .set_label_area_size(LabelAreaPosition::Bottom, times * SCALE)
        .build_cartesian_2d(axis, low..high)?;

    let letters = ("sans-serif", LETTER).into_font().color(&Ink::Label.color());
    let decimals = if high - low < 3.0 { 1 } else { 0 };
    let figure = |v: &f64| super::super::format::fixed(*v, decimals);
    let time = |t: &i64| panel.ticks.iter().find(|tick| tick.0 == *t).map(|tick| tick.1.clone()).unwrap_or_default();
    let mut mesh = chart.configure_mesh();
    mesh.axis_style(Ink::Axis.line())
        .bold_line_style(Ink::Grid.line())
        .light_line_style(TRANSPARENT)
        .label_style(letters)
        .x_labels(panel.ticks.len().max(1))
        // About one figure per 28 pixels of height.
        .y_labels((panel.height / 28).clamp(2, 6) as usize)
        .x_label_formatter(&time)
        .y_label_formatter(&figure)
        .set_all_tick_mark_size(3 * SCALE);
    if panel.range.is_none() {
        mesh.disable_y_mesh().disable_y_axis().disable_x_mesh().y_labels(0);
    }
    mesh.draw()?;
    drop(mesh);
    for layer in &panel.layers {
        draw_layer(&mut chart, panel, layer, (low, high))?;
    }
    Ok(())
}

type Chart<'c, 'a, 't> = ChartContext<'c, Svg<'a>, Cartesian2d<TimeAxis<'t>, plotters::coord::types::RangedCoordf64>>;

fn draw_layer(
    chart: &mut Chart<'_, '_, '_>,
    panel: &Panel<'_>,
    layer: &Layer<'_>,
    (low, high): (f64, f64),
) -> Result<(), DrawError> {
    let (from, to) = (panel.period.start.millis(), panel.period.end.millis());
    // A value beyond the axis is drawn at its end; it cannot leave the panel.
    let held = |part: &[(i64, f64)]| part.iter().map(|&(t, v)| (t, v.clamp(low, high))).collect::<Vec<_>>();
    match *layer {
        Layer::Band(a, b, ink) => {
            let (a, b) = (a.max(from), b.min(to));
            if a < b {
                chart.draw_series([Rectangle::new([(a, low), (b, high)], ink.fill())])?;
            }
        }
        Layer::Word(a, b, word) => {
            let (a, b) = (a.max(from), b.min(to));
            let (left, _) = chart.backend_coord(&(a, low));
            let (right, _) = chart.backend_coord(&(b, low));
            // A letter is about 0.55 of its size wide in most sans-serif faces (common practice, no source).
            if right - left > (word.chars().count() as i32 + 3) * LETTER * 55 / 100 {
                let centre = Pos::new(HPos::Center, VPos::Center);
                let style = ("sans-serif", LETTER).into_font().color(&Ink::StageName.color()).pos(centre);
                chart.draw_series([Text::new(word.to_owned(), (a + (b - a) / 2, (low + high) / 2.0), style)])?;
            }
        }
        Layer::Area(trace, ink) => {
            let base = 0f64.clamp(low, high);
            let shapes = trace.parts.iter().filter(|p| p.len() > 1).map(|part| {
                let mut points = held(part);
                points.push((part[part.len() - 1].0, base));
                points.push((part[0].0, base));
                Polygon::new(points, ink.fill())
            });
            chart.draw_series(shapes)?;
        }
        Layer::Line(trace, ink) => {
            chart.draw_series(trace.parts.iter().map(|part| PathElement::new(held(part), ink.line())))?;
        }
        Layer::Moment(t, ink) => {
            if (from..=to).contains(&t) {
                chart.draw_series([PathElement::new(vec![(t, low), (t, high)], ink.line())])?;
            }
        }
        Layer::Level(value, ink) => {
            if (low..=high).contains(&value) {
                chart.draw_series([PathElement::new(vec![(from, value), (to, value)], ink.line())])?;
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use ampwake_schemas::time::Timestamp;

    fn panel(layers: Vec<Layer<'_>>) -> Panel<'_> {
        let period = Period { start: Timestamp::from_millis(0), end: Timestamp::from_millis(1000) };
        Panel { period, ticks: vec![(500, "12:00".into())], times: true, height: 100, range: Some((0.0, 10.0)), layers }
    }

    #[test]
    fn curves_stay_in_the_panel_and_names_are_escaped() {
        let trace = Trace { label: String::new(), parts: vec![vec![(0, 5.0), (900, 1e300)], vec![(950, 2.0)]] };
        let p =
            panel(vec![Layer::Line(&trace, Ink::Voltage), Layer::Word(0, 1000, "<b>"), Layer::Level(99.0, Ink::Limit)]);
        let (w, h, svg) = draw(&p, WIDE).unwrap();
        assert_eq!((w, h), (940 * SCALE, (100 + 18 + 14) * SCALE));
        assert_eq!(svg.matches("class=\"vol\"").count(), 2);
        assert!(svg.contains("&lt;b&gt;") && svg.contains(">12:00</text>"));
        assert!(!svg.contains("class=\"lim\""));
    }

    #[test]
    fn an_axis_holds_its_values_and_no_nonsense() {
        assert_eq!(range_of([f64::NAN, 1e9], 1.0), None);
        let (low, high) = range_of([53.0], 2.0).unwrap();
        assert!(low < 52.1 && high > 53.9);
    }
}
