//! What the unit tests of the analysis share: a small vessel, and recordings written as functions of time.

use crate::analyze::work;
use crate::cause::{Diagnosis, experiments, explain_idle, idle_stretches};
use crate::recording::Recording;
use crate::series::{Grid, Series};
use crate::view::{self, BankView};
use ampwake_schemas::findings::Period;
use ampwake_schemas::intent::{Intent, Signal, read};
use ampwake_schemas::time::Timestamp;

/// Bank voltage.
pub(crate) const VOLTS: &str = "can0/n2k/127508/0/battery_voltage";
/// Bank current.
pub(crate) const AMPS: &str = "can0/n2k/127508/0/battery_current";
/// Bank temperature.
pub(crate) const WARMTH: &str = "can0/n2k/127508/0/battery_temperature";
/// State of charge.
pub(crate) const SOC: &str = "can0/n2k/127506/0/state_of_charge";

/// Two shore chargers, "first" (100 A) and "second" (50 A), on 16 cells of 400 Ah: absorption 56.8 V (band 0.284 V),
/// float 54.0 V, re-bulk 53.0 V, tail 20 A. One standard uncertainty is 0.5 % and 0.5 A, and 0.05 V.
const VESSEL: &str = r#"
schema = "ampwake-intent/1"
[vessel]
name = "Test"
[bank]
chemistry = "lfp"
nominal_v = 51.2
cells_in_series = 16
capacity_ah = 400
[bank.signals]
voltage = "can0/n2k/127508/0/battery_voltage"
current = "can0/n2k/127508/0/battery_current"
temperature = ["can0/n2k/127508/0/battery_temperature"]
state_of_charge = "can0/n2k/127506/0/state_of_charge"
[bank.profile]
absorption_v = 56.8
float_v = 54.0
rebulk_v = 53.0
tail_a = 20
absorption_max_min = 90
[[source]]
name = "first"
kind = "shore_charger"
rated_a = 100
available_when = { signal = "can0/n2k/127503/1/voltage", above = 200 }
[source.signals]
current = "can0/n2k/127751/1/dc_current"
voltage = "can0/n2k/127751/1/dc_voltage"
state = "can0/n2k/127507/1/operating_state"
temperature = "can0/n2k/130316/1/temperature"
[[source]]
name = "second"
kind = "shore_charger"
rated_a = 50
available_when = { signal = "can0/n2k/127503/2/voltage", above = 200 }
[source.signals]
current = "can0/n2k/127751/2/dc_current"
voltage = "can0/n2k/127751/2/dc_voltage"
state = "can0/n2k/127507/2/operating_state"
temperature = "can0/n2k/130316/2/temperature"
"#;

/// The vessel, with more sections behind it.
pub(crate) fn vessel(more: &str) -> Intent {
    read("test.toml", &format!("{VESSEL}\n{more}")).expect("the intent of the test reads")
}

/// A signal by its address.
pub(crate) fn signal(address: &str) -> Signal {
    Signal { address: address.parse().expect("an address"), scale: 1.0 }
}

/// Addresses of a charger of the vessel: current, AC voltage, own voltage, state, temperature.
pub(crate) fn amps(n: u8) -> String {
    format!("can0/n2k/127751/{n}/dc_current")
}
/// As above.
pub(crate) fn supply(n: u8) -> String {
    format!("can0/n2k/127503/{n}/voltage")
}
/// As above.
pub(crate) fn own_volts(n: u8) -> String {
    format!("can0/n2k/127751/{n}/dc_voltage")
}
/// As above.
pub(crate) fn state(n: u8) -> String {
    format!("can0/n2k/127507/{n}/operating_state")
}
/// As above.
pub(crate) fn heat(n: u8) -> String {
    format!("can0/n2k/130316/{n}/temperature")
}

/// Two hours of bulk at 55.0 V: the first gives 80 A, the second stands idle and reports `says`.
pub(crate) fn second_idle(says: f64) -> Tape {
    Tape::new(7200)
        .fed()
        .with(VOLTS, |_| 55.0)
        .with(AMPS, |_| 80.0)
        .with(&amps(1), |_| 80.0)
        .with(&amps(2), |_| 0.0)
        .with(&state(1), |_| 1.0)
        .with(&state(2), move |_| says)
}

/// Why the second stood idle, stretch by stretch.
pub(crate) fn why_second(intent: &Intent, tape: &Tape) -> Vec<Diagnosis> {
    let w = work(tape.view(intent));
    let stage = crate::stages::per_cell(&w.spans, w.view.grid.len);
    let o = &w.opportunity[1];
    let trials = experiments(&w.view, 1, &o.open);
    let found = idle_stretches(&w.view, 1, o).into_iter();
    found.map(|s| explain_idle(&w.view, 1, s, &stage, &w.progress, &trials)).collect()
}

/// A recording of `seconds`, one sample per channel every `every` seconds.
#[derive(Clone)]
pub(crate) struct Tape {
    seconds: i64,
    every: i64,
    recording: Recording,
}

impl Tape {
    /// One sample a second.
    pub(crate) fn new(seconds: i64) -> Self {
        Self::every(seconds, 1)
    }
    /// One sample every `every` seconds, from the epoch on.
    pub(crate) fn every(seconds: i64, every: i64) -> Self {
        let mut recording = Recording::default();
        let end = Timestamp::from_millis(seconds * 1000);
        recording.period = Some(Period { start: Timestamp::default(), end });
        Self { seconds, every, recording }
    }
    /// A channel; NaN where its sender has no value.
    pub(crate) fn with(mut self, address: &str, value: impl Fn(i64) -> f64) -> Self {
        let points = (0..self.seconds).step_by(self.every as usize).map(|t| (t * 1000, value(t)));
        self.recording.series.insert(address.parse().expect("an address"), Series::from_points(points));
        self
    }
    /// Faults that devices reported.
    pub(crate) fn with_faults(mut self, faults: Vec<crate::faults::DeviceFault>) -> Self {
        self.recording.faults = faults;
        self
    }
    /// Both chargers with their supply, all the time.
    pub(crate) fn fed(self) -> Self {
        self.with(&supply(1), |_| 230.0).with(&supply(2), |_| 230.0)
    }
    /// The recording.
    pub(crate) fn recording(self) -> Recording {
        self.recording
    }
    /// The axis of the analysis, without the cell of the period's very end.
    pub(crate) fn grid(&self) -> Grid {
        let whole = Grid::over(0, self.seconds * 1000);
        Grid { len: whole.len - 1, ..whole }
    }
    /// The first bank of the intent.
    pub(crate) fn view<'a>(&self, intent: &'a Intent) -> BankView<'a> {
        view::build(&self.recording, intent, &intent.banks[0], self.grid())
    }
}
