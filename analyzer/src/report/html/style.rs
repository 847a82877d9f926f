//! The style sheet, the signs that every part uses, and the patterns of the pictures.

use ampwake_schemas::findings::VerdictWord;
use maud::{Markup, PreEscaped, html};

/// The whole style sheet.
pub const CSS: &str = include_str!("style.css");

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
