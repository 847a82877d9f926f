//! The style sheet, the signs that every part uses, and the patterns of the pictures.

use ampwake_schemas::findings::VerdictWord;
use maud::{Markup, PreEscaped, html};

/// The whole style sheet. The live page has the same colours.
pub const CSS: &str = concat!(include_str!("palette.css"), include_str!("style.css"));

/// Signs and patterns, defined once per page.
///
/// The element has no size instead of `display: none`, because patterns inside an undisplayed element do not paint.
pub fn symbols() -> Markup {
    PreEscaped(include_str!("symbols.svg").to_owned())
}

/// A sign by its id.
pub fn symbol(id: &str) -> Markup {
    html! { svg.sign viewBox="0 0 16 16" aria-hidden="true" { use href={ "#" (id) } {} } }
}

/// The sign of a verdict: four different shapes, so that colour only helps.
pub fn verdict_mark(word: VerdictWord) -> Markup {
    symbol(match word {
        VerdictWord::Met => "v-met",
        VerdictWord::NotMet => "v-not-met",
        VerdictWord::Undetermined => "v-undetermined",
        VerdictWord::NotTested => "v-not-tested",
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    /// The colour variables of the light and of the dark page.
    fn palettes() -> [BTreeMap<String, [f64; 3]>; 2] {
        let mut blocks = CSS.split(":root {").skip(1).map(|b| b.split('}').next().unwrap());
        [(); 2].map(|()| {
            let declarations = blocks.next().unwrap().split(';').filter_map(|d| d.trim().split_once(": #"));
            declarations
                .map(|(name, hex)| {
                    let part = |i: usize| f64::from(u8::from_str_radix(&hex[2 * i..2 * i + 2], 16).unwrap()) / 255.0;
                    (name.trim_start_matches("--").to_owned(), [part(0), part(1), part(2)])
                })
                .collect()
        })
    }

    /// WCAG 2.2, definition of contrast ratio and relative luminance.
    fn contrast(a: [f64; 3], b: [f64; 3]) -> f64 {
        let luminance = |c: [f64; 3]| {
            let [r, g, b] = c.map(|v| if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) });
            0.2126 * r + 0.7152 * g + 0.0722 * b
        };
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn text_and_lines_keep_their_contrast() {
        // WCAG 2.2: 1.4.3 (text, 4.5 to 1) and 1.4.11 (graphics, 3 to 1). What fills an area is told by pattern and outline.
        for palette in palettes() {
            let least = |names: &[&str], grounds: &[&str], ratio: f64| {
                for (name, ground) in names.iter().flat_map(|n| grounds.iter().map(move |g| (n, g))) {
                    let found = contrast(palette[*name], palette[*ground]);
                    assert!(found >= ratio, "{name} on {ground}: {found:.2}");
                }
            };
            least(&["text", "soft", "link"], &["page", "tint"], 4.5);
            least(&["text"], &["bulk", "abs", "flo", "dis", "rest", "mark"], 4.5);
            least(&["blue", "green", "red", "purple"], &["page"], 3.0);
            least(&["blue", "text"], &["area", "mark", "flo"], 3.0);
            least(&["good", "bad"], &["on", "tint"], 3.0);
        }
    }
}
