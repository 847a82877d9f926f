//! The DC bus: which voltage balances the currents of sources, loads and bank.

use ampwake_schemas::quantity::{Amperes, Ohms, Volts};

/// Leads and droop are never below this; it keeps a source that regulates perfectly solvable in doubles.
const LEAST_RESISTANCE: Ohms = Ohms(1e-4);

/// One source as the bus sees it: a voltage behind a resistance, limited, and blocking reverse current.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Branch {
    /// The voltage that it would hold without current.
    pub set: Volts,
    /// Droop, and the leads that it does not compensate.
    pub resistance: Ohms,
    /// Its present limit.
    pub limit: Amperes,
}

impl Branch {
    /// What it gives at a bus voltage: clamp((set - V) / R, 0, limit).
    pub fn current(&self, bus: Volts) -> Amperes {
        ((self.set - bus) / self.resistance.max(LEAST_RESISTANCE)).min(self.limit).max(Amperes(0.0))
    }
}

/// The bank as the bus sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BankPort {
    /// The voltage at which no current flows.
    pub emf: Volts,
    /// Resistance while it charges.
    pub charge: Ohms,
    /// Resistance while it discharges.
    pub discharge: Ohms,
}

impl BankPort {
    /// The current into the bank at a bus voltage.
    pub fn current(&self, bus: Volts) -> Amperes {
        let over = bus - self.emf;
        over / if over.0 > 0.0 { self.charge } else { self.discharge }.max(LEAST_RESISTANCE)
    }
}

/// The balanced bus.
#[derive(Debug, Clone, PartialEq)]
pub struct Solution {
    /// The bus voltage.
    pub voltage: Volts,
    /// The current into the bank.
    pub bank: Amperes,
    /// The current of every source, in order.
    pub sources: Vec<Amperes>,
}

/// The voltage at which the sources carry the load (negative: it feeds back) and the bank takes or gives the rest.
///
/// Kirchhoff's current law, `sum clamp((V_j - V)/R_j, 0, I_max,j) = I_load + (V - E)/R_b`. The left side
/// never rises with V and the right side always does, so there is exactly one solution; bisection goes on
/// until two neighbouring doubles enclose it.
pub fn solve(branches: &[Branch], bank: &BankPort, load: Amperes) -> Solution {
    let surplus = |v: Volts| branches.iter().map(|b| b.current(v)).sum::<Amperes>() - load - bank.current(v);
    let drop = load.abs() * bank.charge.max(bank.discharge).max(LEAST_RESISTANCE).0;
    let highest = branches.iter().fold(bank.emf, |v, b| v.max(b.set));
    let (mut low, mut high) = (bank.emf.0 - drop.0 - 1.0, highest.0 + drop.0 + 1.0);
    // The halving of any two doubles in use here ends after some 60 steps; the bound is for absurd input.
    for _ in 0..200 {
        let middle = low + (high - low) / 2.0;
        if middle <= low || middle >= high {
            break;
        }
        if surplus(Volts(middle)).0 > 0.0 { low = middle } else { high = middle }
    }
    let voltage = Volts(low + (high - low) / 2.0);
    Solution { voltage, bank: bank.current(voltage), sources: branches.iter().map(|b| b.current(voltage)).collect() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn branch() -> impl Strategy<Value = Branch> {
        (40.0..60.0f64, 0.001..0.05f64, 0.0..300.0f64).prop_map(|(v, r, i)| Branch {
            set: Volts(v),
            resistance: Ohms(r),
            limit: Amperes(i),
        })
    }

    fn port() -> impl Strategy<Value = BankPort> {
        (40.0..60.0f64, 0.002..0.05f64, 0.0..1.0f64).prop_map(|(e, r, more)| BankPort {
            emf: Volts(e),
            charge: Ohms(r + more),
            discharge: Ohms(r),
        })
    }

    proptest! {
        #[test]
        fn currents_balance(branches in prop::collection::vec(branch(), 0..8), bank in port(), load in -100.0..500.0f64) {
            let s = solve(&branches, &bank, Amperes(load));
            let residual = s.sources.iter().copied().sum::<Amperes>() - Amperes(load) - s.bank;
            prop_assert!(residual.0.abs() < 1e-9, "{residual} left at {}", s.voltage);
            for (branch, current) in branches.iter().zip(&s.sources) {
                prop_assert!(current.0 >= 0.0 && *current <= branch.limit);
            }
        }

        #[test]
        fn one_more_source_never_lowers_the_bus(
            branches in prop::collection::vec(branch(), 1..6), more in branch(), bank in port(), load in 0.0..200.0f64,
        ) {
            let before = solve(&branches, &bank, Amperes(load));
            let with: Vec<Branch> = branches.iter().copied().chain([more]).collect();
            let after = solve(&with, &bank, Amperes(load));
            prop_assert!(after.voltage.0 >= before.voltage.0 - 1e-9);
            prop_assert!(after.bank.0 >= before.bank.0 - 1e-6);
            for (b, a) in before.sources.iter().zip(&after.sources) {
                prop_assert!(a.0 <= b.0 + 1e-6, "the others give no more than they did");
            }
        }
    }

    #[test]
    fn absurd_input_ends() {
        let bank = BankPort { emf: Volts(f64::NAN), charge: Ohms(0.0), discharge: Ohms(0.0) };
        assert!(solve(&[], &bank, Amperes(f64::INFINITY)).voltage.0.is_nan());
    }
}
