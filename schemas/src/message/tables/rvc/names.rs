//! Names of RV-C codes; a list that names one code only says what all others mean by their number.

use super::super::rows::Names;

pub(super) const NO_YES: Names = &[(0, "No"), (1, "Yes")];
pub(super) const OFF_ON: Names = &[(0, "Off"), (1, "On")];

/// Chargers, solar controllers and what a bank asks for. The same words have other codes in NMEA 2000.
pub(super) const OPERATING_STATE: Names = &[
    (0, "Undefined"),
    (1, "Do not charge"),
    (2, "Bulk"),
    (3, "Absorption"),
    (4, "Overcharge"),
    (5, "Equalize"),
    (6, "Float"),
    (7, "Constant voltage/current"),
];

/// From 3 on the public sources differ: 3 is lithium iron phosphate in one, other lithium in another.
pub(super) const BATTERY_TYPE: Names = &[(0, "Flooded"), (1, "Gel"), (2, "AGM"), (3, "Lithium")];

pub(super) const ALGORITHM: Names = &[
    (0, "Constant voltage"),
    (1, "Constant current"),
    (2, "Three-stage"),
    (3, "Two-stage"),
    (4, "Trickle"),
    (249, "Custom"),
    (250, "Custom"),
];

pub(super) const CHARGER_MODE: Names = &[(0, "Stand-alone"), (1, "Primary"), (2, "Secondary"), (3, "Linked")];

pub(super) const FORCE_CHARGE: Names = &[(0, "None"), (1, "Bulk"), (2, "Float")];

pub(super) const TIME_REMAINING: Names = &[(0, "Time to empty"), (1, "Time to full")];

pub(super) const INVERTER_STATUS: Names = &[
    (0, "Disabled"),
    (1, "Invert"),
    (2, "AC pass-through"),
    (3, "APS only"),
    (4, "Load sense"),
    (5, "Waiting to invert"),
    (6, "Generator support"),
];

pub(super) const GENERATOR_STATUS: Names = &[
    (0, "Stopped"),
    (1, "Preheat"),
    (2, "Cranking"),
    (3, "Running"),
    (4, "Priming"),
    (5, "Fault"),
    (6, "Engine run only"),
    (7, "Test mode"),
    (8, "Voltage adjust mode"),
    (9, "Fault bypass mode"),
    (10, "Configuration mode"),
];
