//! What a bank lived through: charge counted, moments at which its state of charge is known, steps of its current. Lives of
//! pieces that follow each other in time join to one, so that what takes days to know does not need them in memory.

use super::anchor::{Anchor, anchors};
use super::capacity::{self, Capacity};
use super::resistance::{self, Step};
use super::{estimate, loops};
use crate::stages::Span;
use crate::view::BankView;
use ampwake_schemas::findings::BatteryFigures;
use ampwake_schemas::intent::{AccuracyOf, Chemistry, ValidFrom};

/// Counted since the beginning.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Counted {
    /// Charge, Ah, into the bank positive.
    pub net_ah: f64,
    /// What went in.
    pub in_ah: f64,
    /// What came out.
    pub out_ah: f64,
    /// Energy in, Wh.
    pub in_wh: f64,
    /// Energy out.
    pub out_wh: f64,
    /// Hours.
    pub hours: f64,
    /// Hours in which the current was seen.
    pub seen_h: f64,
    /// Hours in which current and voltage were.
    pub powered_h: f64,
}

impl Counted {
    /// What was counted from `earlier` on.
    pub(super) fn since(self, earlier: Self) -> Self {
        self.with(earlier, |a, b| a - b)
    }

    fn with(self, other: Self, f: impl Fn(f64, f64) -> f64) -> Self {
        Self {
            net_ah: f(self.net_ah, other.net_ah),
            in_ah: f(self.in_ah, other.in_ah),
            out_ah: f(self.out_ah, other.out_ah),
            in_wh: f(self.in_wh, other.in_wh),
            out_wh: f(self.out_wh, other.out_wh),
            hours: f(self.hours, other.hours),
            seen_h: f(self.seen_h, other.seen_h),
            powered_h: f(self.powered_h, other.powered_h),
        }
    }
}

/// A known state of charge, and what had been counted by then.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moment {
    /// When, ms since the epoch.
    pub at_ms: i64,
    /// What is known.
    pub anchor: Anchor,
    /// Counted since the life began.
    pub counted: Counted,
}

/// One bank over some time.
#[derive(Debug, Clone, PartialEq)]
pub struct Life {
    /// The bank's name.
    pub bank: String,
    /// Which of the bank's designs.
    design: ValidFrom,
    pub(super) chemistry: Chemistry,
    pub(super) capacity_ah: f64,
    pub(super) current: AccuracyOf,
    pub(super) moments: Vec<Moment>,
    /// Until its end.
    counted: Counted,
    end_ms: i64,
    steps: Vec<Step>,
}

impl Life {
    /// What one axis shows of it.
    pub fn of(view: &BankView, spans: &[Span]) -> Self {
        let mut life = Self {
            bank: view.intent.name.clone(),
            design: view.intent.valid_from,
            chemistry: view.intent.chemistry,
            capacity_ah: view.intent.capacity_ah,
            current: view.vessel.accuracy.current,
            moments: Vec::new(),
            counted: Counted::default(),
            end_ms: view.grid.start,
            steps: resistance::steps(view),
        };
        let mut cell = 0;
        for anchor in anchors(view, spans) {
            life.count(view, cell, anchor.at);
            cell = anchor.at;
            life.moments.push(Moment { at_ms: life.end_ms, anchor, counted: life.counted });
        }
        life.count(view, cell, view.grid.len);
        life
    }

    fn count(&mut self, view: &BankView, from: usize, to: usize) {
        let (start, end) = (view.grid.at(from), view.grid.at(to));
        let net = view.current_series.integral(start, end, |i| i);
        let into = view.current_series.integral_positive(start, end);
        let cell_h = view.grid.step_s() / 3600.0;
        let c = &mut self.counted;
        c.net_ah += net.value_h;
        c.in_ah += into.value_h;
        c.out_ah += into.value_h - net.value_h;
        c.hours += (end - start) as f64 / 3_600_000.0;
        c.seen_h += net.seen_s / 3600.0;
        for k in from..to.min(view.grid.len) {
            let watts = view.voltage[k] * view.current[k];
            if watts.is_nan() {
                continue;
            }
            c.powered_h += cell_h;
            if watts > 0.0 { c.in_wh += watts * cell_h } else { c.out_wh -= watts * cell_h }
        }
        self.end_ms = end;
    }

    /// What came next. Time between the two is time in which nothing was seen; another battery (another design) is another
    /// life, of which nothing from before is known.
    pub fn follow(&mut self, next: Self) {
        let replaced = self.design != next.design;
        let before = if replaced { Counted::default() } else { self.counted };
        if replaced {
            self.moments.clear();
            self.steps.clear();
        }
        let unseen_h = match next.started_ms() - self.end_ms {
            // A last cell reaches a little beyond the cut.
            gap if gap > 60_000 => gap as f64 / 3_600_000.0,
            _ => 0.0,
        };
        let add = |c: Counted| Counted { hours: c.hours + unseen_h, ..c }.with(before, |a, b| a + b);
        self.moments.extend(next.moments.into_iter().map(|m| Moment { counted: add(m.counted), ..m }));
        self.steps.extend(next.steps);
        self.counted = add(next.counted);
        self.end_ms = next.end_ms;
        (self.design, self.chemistry, self.capacity_ah) = (next.design, next.chemistry, next.capacity_ah);
    }

    fn started_ms(&self) -> i64 {
        self.end_ms - (self.counted.hours * 3_600_000.0).round() as i64
    }

    /// The most certain capacity that two known states of charge give.
    ///
    /// # Errors
    /// In plain words, what would be needed.
    pub fn capacity(&self) -> Result<Capacity, String> {
        capacity::capacity(self)
    }

    /// The most certain capacity of every stretch of `length_ms` since `start_ms`: (stretch, Ah, one standard uncertainty).
    pub fn capacities(&self, length_ms: i64, start_ms: i64) -> Vec<(i64, f64, f64)> {
        capacity::by_stretch(self, length_ms, start_ms)
    }

    /// Likewise its resistance near 25 degC, milliohms.
    pub fn resistances(&self, length_ms: i64, start_ms: i64) -> Vec<(i64, f64, f64)> {
        resistance::by_stretch(&self.steps, self.capacity_ah, length_ms, start_ms)
    }

    /// All figures, each `None` where nothing can be said.
    pub fn figures(&self) -> BatteryFigures {
        let efficiency = loops::efficiency(self);
        BatteryFigures {
            capacity_ah: self.capacity().ok().map(|c| estimate(c.ah, c.u_ah, 10.0)),
            resistance_mohm: resistance::resistance(&self.steps, self.capacity_ah),
            coulombic_efficiency: efficiency.map(|e| estimate(e.coulombic.0, e.coulombic.1, 1e4)),
            energy_efficiency: efficiency.map(|e| estimate(e.energy.0, e.energy.1, 1e4)),
        }
    }
}
