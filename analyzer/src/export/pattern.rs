//! Patterns of channel addresses: `*` stands for any text, slashes included, `?` for any one character.

/// Whether the whole of a text fits a pattern. Time grows with the product of the lengths at most.
pub(super) fn fits(pattern: &str, text: &str) -> bool {
    let (pattern, text) = (pattern.as_bytes(), text.as_bytes());
    let (mut p, mut t) = (0, 0);
    // The last star, and how far it reaches.
    let mut star: Option<(usize, usize)> = None;
    while t < text.len() {
        match pattern.get(p) {
            Some(b'*') => {
                star = Some((p, t));
                p += 1;
            }
            Some(c) if *c == b'?' || *c == text[t] => {
                p += 1;
                t += 1;
            }
            _ => {
                let Some((at, reach)) = star else { return false };
                star = Some((at, reach + 1));
                (p, t) = (at + 1, reach + 1);
            }
        }
    }
    pattern[p..].iter().all(|c| *c == b'*')
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn stars_and_question_marks() {
        let address = "can0/n2k/127508/1/battery_voltage";
        for pattern in [address, "*", "*voltage", "can?/*/battery_*", "can0*", "*127508*", "**", "*/1/*"] {
            assert!(fits(pattern, address), "{pattern}");
        }
        for pattern in ["", "voltage", "*current", "can0", "?", "*voltage?", "can0/*/2/*", "*127507*"] {
            assert!(!fits(pattern, address), "{pattern}");
        }
        assert!(fits("", "") && fits("*", ""));
    }

    proptest! {
        #[test]
        fn as_a_simpler_and_slower_one_says(pattern in "[ab*?]{0,8}", text in "[ab]{0,8}") {
            fn slow(p: &[u8], t: &[u8]) -> bool {
                match (p.first(), t.first()) {
                    (None, None) => true,
                    (Some(b'*'), _) => slow(&p[1..], t) || (!t.is_empty() && slow(p, &t[1..])),
                    (Some(b'?'), Some(_)) => slow(&p[1..], &t[1..]),
                    (Some(c), Some(d)) => c == d && slow(&p[1..], &t[1..]),
                    _ => false,
                }
            }
            prop_assert_eq!(fits(&pattern, &text), slow(pattern.as_bytes(), text.as_bytes()));
        }
    }
}
