//! What can happen on a voyage.

use std::fmt;

/// What is wrong on a voyage: one thing, or nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Plot {
    /// Nothing.
    Healthy,
    /// A charger that senses volts only takes the bank for full, because another one holds the bus up.
    HeldOff,
    /// A charger no longer hears the one that leads its group, and then does the same.
    LinkLost,
    /// A source has a fault and says so.
    FaultReported,
    /// A source is switched off and says so.
    SwitchedOff,
    /// A source gets hot and gives less, which the design does not say.
    Thermal,
    /// A source or the bank gets hotter than it may.
    TooHot,
    /// One of two shore chargers has no supply.
    InputMissing,
    /// The recorder, or one source, was not heard for a while.
    DataGap,
    /// A current sensor is mounted the wrong way round.
    ReversedShunt,
    /// A charger is set to less than the design says.
    LimitedBySetting,
    /// The current sensors of two sources are exchanged in the intent.
    SensorSwapped,
    /// Without shore power an inverter feeds the charger of the bank that it draws from.
    EnergyLoop,
}

impl Plot {
    /// Every plot.
    pub const ALL: [Plot; 13] = [
        Self::Healthy,
        Self::HeldOff,
        Self::LinkLost,
        Self::FaultReported,
        Self::SwitchedOff,
        Self::Thermal,
        Self::TooHot,
        Self::InputMissing,
        Self::DataGap,
        Self::ReversedShunt,
        Self::LimitedBySetting,
        Self::SensorSwapped,
        Self::EnergyLoop,
    ];

    /// Its name on the command line and in tables.
    pub const fn text(self) -> &'static str {
        match self {
            Self::Healthy => "healthy",
            Self::HeldOff => "held_off",
            Self::LinkLost => "link_lost",
            Self::FaultReported => "fault_reported",
            Self::SwitchedOff => "switched_off",
            Self::Thermal => "thermal",
            Self::TooHot => "too_hot",
            Self::InputMissing => "input_missing",
            Self::DataGap => "data_gap",
            Self::ReversedShunt => "reversed_shunt",
            Self::LimitedBySetting => "limited_by_setting",
            Self::SensorSwapped => "sensor_swapped",
            Self::EnergyLoop => "energy_loop",
        }
    }

    /// Back from [`Plot::text`].
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|p| p.text() == text)
    }
}

impl fmt::Display for Plot {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.text())
    }
}
