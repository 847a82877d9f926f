//! Items that hold several: lists, repeated sections, pairs of numbers.

use super::item::Item;
use super::limits::Limits;
use toml::Spanned;
use toml::de::DeValue;

impl<'a> Item<'a> {
    /// The members of a list.
    pub fn list(&self) -> Option<Vec<Item<'a>>> {
        let DeValue::Array(list) = self.value.get_ref() else {
            let one = format!("[{}]", self.doc.slice(&self.value.span()));
            let plain = !matches!(self.value.get_ref(), DeValue::Table(_));
            self.should_be("a list in `[ ]`", &if plain { self.write(&one) } else { self.for_example() });
            return None;
        };
        Some(list.iter().map(|value| self.member(value)).collect())
    }

    fn member(&self, value: &'a Spanned<DeValue<'a>>) -> Item<'a> {
        Item { quote: value.span(), value, in_list: true, ..self.clone() }
    }

    /// The members of `[[key]]`.
    pub(super) fn sections(&self, must_be_double: bool) -> Vec<Item<'a>> {
        let name = self.key.name;
        match self.value.get_ref() {
            DeValue::Table(_) => {
                if must_be_double {
                    let problem = format!("there may be several of these, so `{name}` needs two pairs of brackets");
                    self.wrong(&problem, &format!("write `[[{name}]]`"));
                }
                vec![self.clone()]
            }
            DeValue::Array(list) => list.iter().map(|value| self.member(value)).collect(),
            _ => {
                self.should_be("a section", &self.for_example());
                Vec::new()
            }
        }
    }

    /// A list of pairs of numbers whose first members rise: `[[40, 1.0], [60, 0.5]]`.
    pub fn rising_pairs(&self, first: Limits, second: Limits) -> Option<Vec<(f64, f64)>> {
        let mut pairs = Vec::new();
        let mut good = true;
        for item in self.list()? {
            let Some(pair) = item.pair(first, second) else {
                good = false;
                continue;
            };
            if pairs.last().is_some_and(|(x, _)| *x >= pair.0) {
                let problem = format!("the first numbers of `{}` should rise from pair to pair", self.key.name);
                item.wrong(&problem, "put the pairs in rising order, each first number once");
                good = false;
            }
            pairs.push(pair);
        }
        if good && pairs.is_empty() {
            self.wrong(&format!("`{}`, {}, is an empty list", self.key.name, self.key.what), &self.for_example());
            return None;
        }
        good.then_some(pairs)
    }

    fn pair(&self, first: Limits, second: Limits) -> Option<(f64, f64)> {
        let members = if self.is_list() { self.list()? } else { Vec::new() };
        let [a, b] = members.as_slice() else {
            let problem = format!("each member of `{}`, {}, should be a pair of numbers", self.key.name, self.key.what);
            self.wrong(&problem, &format!("for example `{} = {}`", self.key.name, self.key.example));
            return None;
        };
        let (a, b) = (a.number(first), b.number(second));
        Some((a?, b?))
    }
}
