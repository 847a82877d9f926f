//! Published defaults per chemistry, used for what the intent's profile leaves out.
//!
//! The figures are the middle of the ranges that the trade quotes; there is no single public source for
//! them (common practice, no source, unless a line says otherwise). The battery maker's data override them,
//! and no verdict hangs on them alone.

use crate::findings::words;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

words! {
    /// The chemistry of the bank.
    Chemistry {
        /// Lithium iron phosphate.
        Lfp = "lfp",
        /// Lithium nickel manganese cobalt oxide.
        Nmc = "nmc",
        /// Lithium titanate.
        Lto = "lto",
        /// Vented lead-acid.
        Flooded = "flooded",
        /// Absorbed-glass-mat lead-acid.
        Agm = "agm",
        /// Gelled lead-acid.
        Gel = "gel",
    }
}

/// Defaults of one chemistry; voltages per cell at 25 degC, currents as a fraction of capacity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChemistryDefaults {
    /// Absorption voltage per cell, V.
    pub absorption_v: f64,
    /// Float voltage per cell, V; `None` where the chemistry is not floated.
    pub float_v: Option<f64>,
    /// Voltage per cell below which charging starts again, V.
    pub rebulk_v: f64,
    /// Tail current over capacity, 1/h.
    pub tail_per_ah: f64,
    /// Longest absorption, min.
    pub absorption_max_min: f64,
    /// Temperature compensation, mV/K per cell.
    pub temp_comp_mv_per_k_cell: f64,
    /// Lowest cell temperature for charging, degC.
    pub charge_min_c: f64,
    /// Highest cell temperature for charging, degC.
    pub charge_max_c: f64,
    /// Hard stop per cell, V (lead-acid: at 25 degC, compensated as the set-point).
    pub hard_stop_v: f64,
    /// Nominal voltage per cell, V.
    pub nominal_v: f64,
}

impl Chemistry {
    /// True for the lead-acid family.
    pub const fn is_lead_acid(self) -> bool {
        matches!(self, Self::Flooded | Self::Agm | Self::Gel)
    }

    /// The defaults, see the module's remark on their standing.
    pub const fn defaults(self) -> ChemistryDefaults {
        // One row per chemistry: absorption, float (0: never), rebulk, tail, longest absorption, compensation, window, hard stop, nominal.
        const fn row(
            v: [f64; 3],
            tail: f64,
            max_min: f64,
            comp: f64,
            window: [f64; 2],
            stop: f64,
            nominal: f64,
        ) -> ChemistryDefaults {
            ChemistryDefaults {
                absorption_v: v[0],
                float_v: if v[1] > 0.0 { Some(v[1]) } else { None },
                rebulk_v: v[2],
                tail_per_ah: tail,
                absorption_max_min: max_min,
                temp_comp_mv_per_k_cell: comp,
                charge_min_c: window[0],
                charge_max_c: window[1],
                hard_stop_v: stop,
                nominal_v: nominal,
            }
        }
        match self {
            Self::Lfp => row([3.55, 3.37, 3.30], 0.05, 90.0, 0.0, [0.0, 45.0], 3.65, 3.2),
            Self::Nmc => row([4.15, 0.0, 3.95], 0.05, 90.0, 0.0, [0.0, 45.0], 4.20, 3.65),
            Self::Lto => row([2.75, 0.0, 2.40], 0.05, 60.0, 0.0, [-30.0, 55.0], 2.85, 2.3),
            Self::Flooded => row([2.43, 2.22, 2.12], 0.02, 240.0, -4.0, [0.0, 45.0], 2.67, 2.0),
            Self::Agm => row([2.40, 2.27, 2.13], 0.01, 240.0, -4.0, [-15.0, 45.0], 2.47, 2.0),
            Self::Gel => row([2.36, 2.27, 2.13], 0.015, 240.0, -4.0, [-15.0, 45.0], 2.40, 2.0),
        }
    }
}
