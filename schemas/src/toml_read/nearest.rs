//! "Did you mean": the known word nearest to the one that was written.

/// Optimal string alignment distance: insertions, deletions, substitutions and swaps of neighbours, one each.
///
/// Damerau, F. J. (1964), "A technique for computer detection and correction of spelling errors", in its
/// restricted form (no part is edited twice).
fn distance(a: &[char], b: &[char]) -> usize {
    let mut before: Vec<usize> = vec![0; b.len() + 1];
    let mut last: Vec<usize> = (0..=b.len()).collect();
    for i in 1..=a.len() {
        let mut row = vec![i; b.len() + 1];
        for j in 1..=b.len() {
            let cost = usize::from(a[i - 1] != b[j - 1]);
            row[j] = (last[j] + 1).min(row[j - 1] + 1).min(last[j - 1] + cost);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                row[j] = row[j].min(before[j - 2] + 1);
            }
        }
        before = last;
        last = row;
    }
    last[b.len()]
}

/// Longest word that is compared, in characters: keys and names are shorter, and the work grows with the square.
const LONGEST: usize = 64;

/// The one of `known` that was probably meant by `written`: at most two slips of the pen away (one in short
/// words), or the same but for the unit at the end (`max_charge` for `max_charge_a`).
pub(super) fn nearest<'k>(written: &str, known: impl IntoIterator<Item = &'k str>) -> Option<&'k str> {
    let plain =
        |s: &str| -> Vec<char> { s.to_lowercase().replace([' ', '-'], "_").chars().take(LONGEST + 1).collect() };
    let w = plain(written);
    if w.is_empty() || w.len() > LONGEST {
        return None;
    }
    let slips = if w.len() <= 4 { 1 } else { 2 };
    let w_stem = stem(&w);
    known
        .into_iter()
        .filter_map(|k| {
            let kc = plain(k);
            // The lengths alone say that most words are too far away.
            let far = kc.len().abs_diff(w.len()) > slips;
            let d = if far { usize::MAX } else { distance(&w, &kc) };
            let same_stem = w_stem.len() >= 4 && (stem(&kc) == w || w_stem == kc.as_slice() || w_stem == stem(&kc));
            match d {
                d if d <= slips && d < kc.len() => Some((d, k)),
                _ if same_stem => Some((slips + 1, k)),
                _ => None,
            }
        })
        .min_by_key(|(d, _)| *d)
        .map(|(_, k)| k)
}

/// The word without its last part: `max_charge` of `max_charge_a`.
fn stem(word: &[char]) -> &[char] {
    word.iter().rposition(|c| *c == '_').map_or(word, |end| &word[..end])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slips_of_the_pen_are_understood() {
        let keys = ["capacity_ah", "max_charge_a", "nominal_v", "name", "kind"];
        for (written, meant) in [
            ("capasity_ah", Some("capacity_ah")),
            ("capacity", Some("capacity_ah")),
            ("max_charge", Some("max_charge_a")),
            ("nominal_volts", Some("nominal_v")),
            ("Name", Some("name")),
            ("nmae", Some("name")),
            ("colour", None),
            ("", None),
            ("k", None),
        ] {
            assert_eq!(nearest(written, keys), meant, "{written}");
        }
    }

    #[test]
    fn distances_of_known_pairs() {
        // "kitten" to "sitting" is 3: the customary example of the literature.
        let d = |a: &str, b: &str| distance(&a.chars().collect::<Vec<_>>(), &b.chars().collect::<Vec<_>>());
        assert_eq!(d("kitten", "sitting"), 3);
        assert_eq!(d("ab", "ba"), 1);
        assert_eq!(d("", "abc"), 3);
    }
}
