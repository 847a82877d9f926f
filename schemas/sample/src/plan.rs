//! Which conditions of a query narrow what is read. SQLite looks at every row again, so a plan may leave too much and
//! never too little.
//!
//! A plan is a text, words with spaces between them, one for each value that SQLite hands over with it; that is also
//! what EXPLAIN QUERY PLAN shows.

use super::utc;
use rusqlite::Result;
use rusqlite::types::Value;
use rusqlite::vtab::{IndexConstraintOp, IndexInfo};

/// The columns, in the order of [`DECLARATION`].
pub(super) mod column {
    pub const ADDRESS: i32 = 0;
    pub const UTC: i32 = 1;
    pub const UTC_MS: i32 = 2;
    pub const VALUE: i32 = 3;
    pub const UNIT: i32 = 4;
    pub const SAID: i32 = 5;
    pub const SEGMENT: i32 = 6;
    pub const OFFSET_MS: i32 = 7;
}

/// What SQLite is told of the table.
pub(super) const DECLARATION: &std::ffi::CStr = c"CREATE TABLE sample (address TEXT, utc TEXT, utc_ms INTEGER, \
     value REAL, unit TEXT, said TEXT, segment INTEGER, offset_ms INTEGER)";

/// One condition that narrows.
struct Condition {
    word: &'static str,
    /// The part of the rows that is thought to be left.
    leaves: f64,
    /// SQLite compares texts by the rules of a collation; we know one.
    binary: bool,
}

const CONDITIONS: [Condition; 13] = [
    // SQLite takes a table that it knows nothing of for a million rows, table `channel` too: with a larger part here
    // a join of both would read everything and look up the channel of every sample.
    Condition { word: "address=", leaves: 1e-6, binary: true },
    Condition { word: "address-like", leaves: 0.1, binary: false },
    Condition { word: "address-glob", leaves: 0.1, binary: false },
    Condition { word: "utc=", leaves: 1e-6, binary: true },
    Condition { word: "utc>", leaves: 0.25, binary: true },
    Condition { word: "utc>=", leaves: 0.25, binary: true },
    Condition { word: "utc<", leaves: 0.25, binary: true },
    Condition { word: "utc<=", leaves: 0.25, binary: true },
    Condition { word: "utc_ms=", leaves: 1e-6, binary: false },
    Condition { word: "utc_ms>", leaves: 0.25, binary: false },
    Condition { word: "utc_ms>=", leaves: 0.25, binary: false },
    Condition { word: "utc_ms<", leaves: 0.25, binary: false },
    Condition { word: "utc_ms<=", leaves: 0.25, binary: false },
];

fn condition(at: i32, operator: &IndexConstraintOp) -> Option<&'static Condition> {
    use IndexConstraintOp as Op;
    let name = match at {
        column::ADDRESS => "address",
        column::UTC => "utc",
        column::UTC_MS => "utc_ms",
        _ => return None,
    };
    let sign = match operator {
        Op::SQLITE_INDEX_CONSTRAINT_EQ => "=",
        Op::SQLITE_INDEX_CONSTRAINT_GT => ">",
        Op::SQLITE_INDEX_CONSTRAINT_GE => ">=",
        Op::SQLITE_INDEX_CONSTRAINT_LT => "<",
        Op::SQLITE_INDEX_CONSTRAINT_LE => "<=",
        Op::SQLITE_INDEX_CONSTRAINT_LIKE => "-like",
        Op::SQLITE_INDEX_CONSTRAINT_GLOB => "-glob",
        _ => return None,
    };
    CONDITIONS.iter().find(|c| c.word.strip_prefix(name) == Some(sign))
}

/// Chooses the plan for a query.
///
/// # Errors
/// SQLite's own.
pub(super) fn choose(info: &mut IndexInfo) -> Result<()> {
    let offered: Vec<(usize, &Condition)> = info
        .constraints()
        .enumerate()
        .filter(|(_, c)| c.is_usable())
        .filter_map(|(at, c)| Some((at, condition(c.column(), &c.operator())?)))
        .collect();
    let (mut words, mut rows) = (Vec::new(), 1e9);
    for (at, condition) in offered {
        if condition.binary && info.collation(at)? != "BINARY" {
            continue;
        }
        words.push(condition.word);
        info.constraint_usage(at).set_argv_index(words.len() as i32);
        rows *= condition.leaves;
    }
    let one_channel = words.contains(&"address=");
    let in_order = is_our_order(info, one_channel);
    info.set_order_by_consumed(in_order);
    info.set_estimated_rows(rows.max(1.0) as i64);
    // The heads of blocks are read in any case.
    info.set_estimated_cost(rows + 20.0);
    info.set_idx_str(&words.join(" "));
    Ok(())
}

/// Rows come channel by channel in the order of the addresses, and in the order of time within each.
fn is_our_order(info: &IndexInfo, one_channel: bool) -> bool {
    let asked: Vec<(i32, bool)> = info.order_bys().map(|o| (o.column(), o.is_order_by_desc())).collect();
    let mut rest = asked.as_slice();
    let mut known = one_channel;
    if let [(column::ADDRESS, desc), after @ ..] = rest
        && (!desc || one_channel)
    {
        rest = after;
        known = true;
    }
    match rest {
        [] => !asked.is_empty(),
        [(column::UTC | column::UTC_MS, false)] => known,
        _ => false,
    }
}

/// What a query leaves to be read.
#[derive(Debug, PartialEq)]
pub(super) struct Narrowed {
    /// Conditions on `address` for SQLite itself to judge.
    pub(super) addresses: String,
    /// Their values.
    pub(super) values: Vec<Value>,
    /// Corrected ms, both included.
    pub(super) from_ms: i64,
    /// Corrected ms, both included.
    pub(super) to_ms: i64,
    /// No row can be left.
    pub(super) nothing: bool,
}

impl Narrowed {
    /// Of a plan and the values that SQLite hands over with it.
    pub(super) fn by(plan: &str, values: impl Iterator<Item = Result<Value>>) -> Result<Self> {
        let mut narrowed = Self {
            addresses: String::from("1"),
            values: Vec::new(),
            from_ms: i64::MIN,
            to_ms: i64::MAX,
            nothing: false,
        };
        for (word, value) in plan.split_ascii_whitespace().zip(values) {
            narrowed.narrow(word, value?);
        }
        Ok(narrowed)
    }

    fn narrow(&mut self, word: &str, value: Value) {
        if value == Value::Null {
            // Nothing is equal to, before or after what is not known.
            self.nothing = true;
            return;
        }
        let split = word.find(['=', '<', '>', '-']).unwrap_or(word.len());
        let (name, sign) = word.split_at(split);
        let times = match (name, &value) {
            ("address", _) => {
                let operator = match sign {
                    "-like" => "LIKE",
                    "-glob" => "GLOB",
                    _ => "=",
                };
                self.values.push(value);
                self.addresses += &format!(" AND address {operator} ?{}", self.values.len());
                return;
            }
            ("utc", Value::Text(text)) => utc::span(text),
            ("utc_ms", Value::Integer(ms)) => Some((*ms, *ms)),
            // Saturates, which is what is wanted.
            ("utc_ms", Value::Real(ms)) => Some((ms.floor() as i64, ms.ceil() as i64)),
            _ => None,
        };
        // What else may stand there (numbers as text) is left to SQLite.
        let Some((first, last)) = times else { return };
        if sign != "<" && sign != "<=" {
            self.from_ms = self.from_ms.max(first);
        }
        if sign != ">" && sign != ">=" {
            self.to_ms = self.to_ms.min(last);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn by(plan: &str, values: &[Value]) -> Narrowed {
        Narrowed::by(plan, values.iter().cloned().map(Ok)).unwrap()
    }

    #[test]
    fn conditions_become_bounds() {
        let text = |t: &str| Value::Text(t.to_owned());
        let n = by("utc_ms>= address= utc_ms<", &[5.into(), text("a/b/c/d"), Value::Real(9.5)]);
        assert_eq!((n.from_ms, n.to_ms, n.addresses.as_str()), (5, 10, "1 AND address = ?1"));
        assert_eq!(n.values, [text("a/b/c/d")]);
        let n = by("utc_ms= utc_ms>", &[7.into(), Value::Real(-1e300)]);
        assert_eq!((n.from_ms, n.to_ms), (7, 7));
        let n = by("utc>= utc_ms<= utc_ms=", &[text("1970-01-01T00:00:01"), text("12"), Value::Blob(vec![1])]);
        assert_eq!((n.from_ms, n.to_ms, n.nothing), (1000, i64::MAX, false));
        assert!(by("address-like utc<", &[text("%"), Value::Null]).nothing);
    }
}
