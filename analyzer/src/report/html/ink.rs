//! A drawing backend that writes SVG whose colours, patterns and line styles are CSS classes.
//!
//! Why an own one: the picture has to follow the page between light, dark and paper, and has to read without colour.
//! So what is drawn carries its meaning ([`Ink`]) and the style sheet decides how that looks. Inks travel through the
//! plotting library as the red part of a colour.

use plotters::style::{RGBAColor, RGBColor, ShapeStyle};
use plotters_backend::text_anchor::{HPos, VPos};
use plotters_backend::{BackendColor, BackendCoord, BackendStyle, BackendTextStyle, DrawingBackend, DrawingErrorKind};
use std::convert::Infallible;
use std::fmt::Write as _;

/// Drawing units per CSS pixel at full size: coordinates are whole numbers, a quarter pixel keeps slow curves smooth.
pub const SCALE: i32 = 4;
/// Size of the lettering in drawing units; the style sheet says the same.
pub const LETTER: i32 = 50;

macro_rules! inks {
    ($($(#[$doc:meta])* $name:ident = $class:literal),+ $(,)?) => {
        /// What a stroke or a filled shape means.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum Ink { $($(#[$doc])* $name),+ }
        impl Ink {
            const ALL: &'static [Ink] = &[$(Ink::$name),+];
            /// The CSS class.
            pub const fn class(self) -> &'static str { match self { $(Ink::$name => $class),+ } }
        }
    };
}

inks! {
    Grid = "grid",
    Axis = "axis",
    Label = "lab",
    Voltage = "vol",
    AbsorptionSet = "abs",
    FloatSet = "flo",
    Current = "cur",
    Limit = "lim",
    Area = "are",
    Source = "src",
    Rated = "rat",
    Temperature = "tem",
    Gap = "gap",
    Finding = "fnd",
    Bulk = "s-bulk",
    Absorption = "s-abs",
    Float = "s-flo",
    Equalisation = "s-equ",
    Rest = "s-rest",
    Discharge = "s-dis",
    Unexplained = "s-une",
    /// Sources one upon the other, from below.
    Stack0 = "k0",
    Stack1 = "k1",
    Stack2 = "k2",
    Stack3 = "k3",
    Stack4 = "k4",
    Stack5 = "k5",
    /// Their edges.
    Edge = "kedge",
    /// Outline of a stage.
    Frame = "frm",
    StageName = "snm",
    /// Something that was done by hand.
    Mark = "mrk",
}

impl Ink {
    /// Of the source with this number in a stack.
    pub const fn stack(n: usize) -> Self {
        [Self::Stack0, Self::Stack1, Self::Stack2, Self::Stack3, Self::Stack4, Self::Stack5][n % 6]
    }
    /// It fills an area.
    pub fn fills(self) -> bool {
        matches!(self.class().as_bytes(), [b's', b'-', ..] | [b'k', b'0'..=b'9'])
            || matches!(self, Self::Gap | Self::Finding)
    }
    /// As the plotting library's colour.
    pub fn color(self) -> RGBColor {
        RGBColor(self as u8, 0, 0)
    }
    /// As a line style.
    pub fn line(self) -> ShapeStyle {
        ShapeStyle { color: RGBAColor(self as u8, 0, 0, 1.0), filled: false, stroke_width: 1 }
    }
    /// As a filled shape's style.
    pub fn fill(self) -> ShapeStyle {
        ShapeStyle { filled: true, ..self.line() }
    }
    fn of(color: BackendColor) -> &'static str {
        Self::ALL.get(color.rgb.0 as usize).map_or("", |ink| ink.class())
    }
}

/// Writes the elements; the frame around them is the page's.
pub struct Svg<'a> {
    out: &'a mut String,
    size: (u32, u32),
}

impl<'a> Svg<'a> {
    /// A drawing of this size in drawing units, appended to `out`.
    pub fn new(out: &'a mut String, size: (u32, u32)) -> Self {
        Self { out, size }
    }

    fn path(&mut self, class: &str, points: impl IntoIterator<Item = BackendCoord>, close: bool) {
        // Relative coordinates: half the bytes of absolute ones for a dense trace.
        let mut last: Option<BackendCoord> = None;
        let mut drawn = 0usize;
        for (x, y) in points {
            match last {
                None => {
                    let _ = write!(self.out, "<path class=\"{class}\" d=\"M{x},{y}l");
                }
                // Points that fall on the same place of the drawing are one.
                Some(at) if at == (x, y) => continue,
                Some((px, py)) => {
                    let gap = if drawn > 0 { " " } else { "" };
                    let _ = write!(self.out, "{gap}{},{}", x.wrapping_sub(px), y.wrapping_sub(py));
                    drawn += 1;
                }
            }
            last = Some((x, y));
        }
        if last.is_some() {
            // A part of a single sample: a line of no length, which a round cap makes a dot.
            self.out.push_str(if drawn == 0 { "0,0" } else { "" });
            self.out.push_str(if close { "z\"/>" } else { "\"/>" });
        }
    }
}

type Drawn = Result<(), DrawingErrorKind<Infallible>>;

impl DrawingBackend for Svg<'_> {
    type ErrorType = Infallible;

    fn get_size(&self) -> (u32, u32) {
        self.size
    }
    fn ensure_prepared(&mut self) -> Drawn {
        Ok(())
    }
    fn present(&mut self) -> Drawn {
        Ok(())
    }
    fn draw_pixel(&mut self, point: BackendCoord, color: BackendColor) -> Drawn {
        self.draw_rect(point, (point.0 + 1, point.1 + 1), &color, true)
    }
    fn draw_line<S: BackendStyle>(&mut self, from: BackendCoord, to: BackendCoord, style: &S) -> Drawn {
        self.draw_path([from, to], style)
    }
    fn draw_rect<S: BackendStyle>(&mut self, a: BackendCoord, b: BackendCoord, style: &S, _fill: bool) -> Drawn {
        if style.color().alpha > 0.0 {
            let class = Ink::of(style.color());
            let (x, y) = (a.0.min(b.0), a.1.min(b.1));
            let (w, h) = (a.0.abs_diff(b.0), a.1.abs_diff(b.1));
            let _ = write!(self.out, "<rect class=\"{class}\" x=\"{x}\" y=\"{y}\" width=\"{w}\" height=\"{h}\"/>");
        }
        Ok(())
    }
    fn draw_path<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(&mut self, path: I, style: &S) -> Drawn {
        if style.color().alpha > 0.0 {
            self.path(Ink::of(style.color()), path, false);
        }
        Ok(())
    }
    fn fill_polygon<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(&mut self, path: I, style: &S) -> Drawn {
        if style.color().alpha > 0.0 {
            self.path(Ink::of(style.color()), path, true);
        }
        Ok(())
    }
    fn draw_text<S: BackendTextStyle>(&mut self, text: &str, style: &S, (x, y): BackendCoord) -> Drawn {
        let anchor = match style.anchor().h_pos {
            HPos::Left => "start",
            HPos::Center => "middle",
            HPos::Right => "end",
        };
        // Heights of digits and capitals in most sans-serif faces, as parts of the letter size (common practice, no source).
        let down = match style.anchor().v_pos {
            VPos::Top => 0.8,
            VPos::Center => 0.35,
            VPos::Bottom => -0.25,
        };
        let y = y + (f64::from(LETTER) * down) as i32;
        let class = Ink::of(style.color());
        let _ = write!(self.out, "<text class=\"{class}\" x=\"{x}\" y=\"{y}\" text-anchor=\"{anchor}\">");
        for c in text.chars() {
            match c {
                '<' => self.out.push_str("&lt;"),
                '>' => self.out.push_str("&gt;"),
                '&' => self.out.push_str("&amp;"),
                c => self.out.push(c),
            }
        }
        self.out.push_str("</text>");
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shapes_carry_their_meaning_and_no_colour() {
        let mut out = String::new();
        let mut svg = Svg::new(&mut out, (100, 100));
        svg.draw_path([(0, 0), (4, 8), (4, 8), (5, 6)], &Ink::Voltage.line().color.to_backend()).unwrap();
        svg.draw_path([(7, 7)], &Ink::Voltage.line().color.to_backend()).unwrap();
        svg.draw_rect((9, 9), (1, 2), &Ink::Gap.fill().color.to_backend(), true).unwrap();
        assert_eq!(
            out,
            "<path class=\"vol\" d=\"M0,0l4,8 1,-2\"/><path class=\"vol\" d=\"M7,7l0,0\"/>\
             <rect class=\"gap\" x=\"1\" y=\"2\" width=\"8\" height=\"7\"/>"
        );
    }

    trait ToBackend {
        fn to_backend(&self) -> BackendColor;
    }
    impl ToBackend for RGBAColor {
        fn to_backend(&self) -> BackendColor {
            BackendColor { rgb: (self.0, self.1, self.2), alpha: self.3 }
        }
    }
}
