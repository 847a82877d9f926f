//! Why a battery takes no charge: its own word, or its temperature.

use crate::recording::Recording;
use crate::series::Grid;
use ampwake_schemas::intent::Bank;

/// Why a battery takes no charge now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refusal {
    /// Its contactor is open.
    Open,
    /// It withdrew its permission.
    NotPermitted,
    /// Its live charge current limit is nothing.
    NoCurrent,
    /// It is colder than it may be charged.
    Cold,
    /// It is hotter than it may be charged.
    Hot,
}

impl Refusal {
    /// Every one.
    pub const ALL: [Refusal; 5] = [Self::Open, Self::NotPermitted, Self::NoCurrent, Self::Cold, Self::Hot];

    /// In words, to follow "because".
    pub const fn text(self) -> &'static str {
        match self {
            Self::Open => "its contactor was open",
            Self::NotPermitted => "it did not permit charge",
            Self::NoCurrent => "its own live limit was no current at all",
            Self::Cold => "it was colder than it may be charged",
            Self::Hot => "it was hotter than it may be charged",
        }
    }
}

/// What keeps the bank from being charged, cell by cell. `live_limit` is its own charge current limit, A, NaN where not heard;
/// the temperatures are those of its coldest and hottest place, degC.
pub fn refusals(
    recording: &Recording,
    bank: &Bank,
    grid: Grid,
    live_limit: &[f64],
    (coldest, hottest): (&[f64], &[f64]),
) -> Vec<Option<Refusal>> {
    let said = |name: &str| bank.signals.further.get(name).map(|s| grid.codes(&recording.signal(s)));
    let (permit, contactor) = (said("charge_permitted"), said("contactor"));
    let code = |codes: &Option<Vec<Option<u16>>>, k: usize| codes.as_ref().and_then(|c| c[k]);
    let why = |k: usize| match () {
        () if code(&contactor, k) == Some(0) => Some(Refusal::Open),
        () if code(&permit, k).is_some_and(|c| c != 1) => Some(Refusal::NotPermitted),
        () if live_limit[k] <= 0.0 => Some(Refusal::NoCurrent),
        () if coldest[k] < bank.temperature.charge_min_c => Some(Refusal::Cold),
        () if hottest[k] > bank.temperature.charge_max_c => Some(Refusal::Hot),
        () => None,
    };
    (0..grid.len).map(why).collect()
}
