//! One bank and its sources on a common time axis: everything that the analysis functions look at.

use crate::faults::{self, SourceFault};
use crate::recording::Recording;
use crate::refusal::{self, Refusal};
use crate::series::{Grid, Series};
use crate::state::Reported;
use crate::stats;
use crate::temperature::{CELLS, EQUIPMENT, plausible};
use ampwake_schemas::intent::{Bank, Intent, Source};

/// What is known about a source's input.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Input {
    /// It has it.
    Present,
    /// It has none.
    Absent,
    /// The recording does not say.
    Unknown,
}

/// One source on the axis. All vectors have the grid's length; NaN or `None` where nothing is known.
#[derive(Debug, Clone)]
pub struct SourceView<'a> {
    /// The intent's section.
    pub intent: &'a Source,
    /// Amperes into the DC bus.
    pub current: Vec<f64>,
    /// The samples behind it (empty when inferred).
    pub current_series: Series,
    /// False when the current is inferred from the balance of the others.
    pub measured: bool,
    /// Volts at its terminals.
    pub voltage: Vec<f64>,
    /// Its own statement.
    pub reported: Vec<Option<Reported>>,
    /// Its own statement about being one of a team: true = follows or leads others, false = stands alone.
    pub teamed: Vec<Option<bool>>,
    /// Its temperature, degC, implausible values left out.
    pub temperature: Vec<f64>,
    /// Its engine's speed, rpm.
    pub engine_speed: Vec<f64>,
    /// Its input.
    pub input: Vec<Input>,
    /// Its device was heard.
    pub heard: Vec<bool>,
    /// Faults that its device reported.
    pub faults: Vec<SourceFault>,
    /// It gives current, beyond measurement uncertainty.
    pub gives: Vec<bool>,
    /// Its current is inferred while that of another source was not heard for long: two unknowns in one balance, in which
    /// nobody can be blamed.
    pub blind: Vec<bool>,
}

/// A bank and everything on its DC bus.
#[derive(Debug, Clone)]
pub struct BankView<'a> {
    /// The intent's section.
    pub intent: &'a Bank,
    /// The whole intent.
    pub vessel: &'a Intent,
    /// The axis.
    pub grid: Grid,
    /// Volts.
    pub voltage: Vec<f64>,
    /// Net amperes, into the bank positive.
    pub current: Vec<f64>,
    /// The samples behind the volts.
    pub voltage_series: Series,
    /// The samples behind the amperes.
    pub current_series: Series,
    /// Mean of the plausible temperatures, degC.
    pub temperature: Vec<f64>,
    /// Lowest plausible temperature of sensors and cells, degC.
    pub coldest: Vec<f64>,
    /// Highest plausible temperature of sensors and cells, degC.
    pub hottest: Vec<f64>,
    /// State of charge, 0..1.
    pub soc: Vec<f64>,
    /// Absorption set-point, compensated, V; the battery's live limit where that is lower.
    pub absorption_v: Vec<f64>,
    /// Float set-point, compensated, V; NaN where the bank is not floated.
    pub float_v: Vec<f64>,
    /// Highest charge current, A: the battery's live limit where heard, else the intent's; NaN when neither.
    pub charge_limit: Vec<f64>,
    /// That limit is the battery's own, live.
    pub limit_is_live: Vec<bool>,
    /// The charge voltage that the battery allows now, V; NaN where it was not heard or cannot be one.
    pub voltage_limit: Vec<f64>,
    /// The battery permits charge.
    pub permitted: Vec<bool>,
    /// Why not, where it does not.
    pub refusal: Vec<Option<Refusal>>,
    /// Sum of the measured loads, A; NaN where one is unknown, 0 without loads.
    pub loads: Vec<f64>,
    /// True when the intent names at least one load and all are measured.
    pub loads_measured: bool,
    /// Its sources.
    pub sources: Vec<SourceView<'a>>,
}

impl BankView<'_> {
    /// One standard uncertainty of a current, A.
    pub fn u_current(&self, amps: f64) -> f64 {
        self.vessel.accuracy.current.of(amps)
    }
    /// One standard uncertainty of a voltage, V.
    pub fn u_voltage(&self, volts: f64) -> f64 {
        self.vessel.accuracy.voltage.of(volts)
    }
    /// Current below which the bank counts as resting, A: 0.5 % of capacity or twice the measurement
    /// uncertainty (common practice, no source).
    pub fn rest_current(&self) -> f64 {
        (0.005 * self.intent.capacity_ah).max(2.0 * self.vessel.accuracy.current.of(0.0))
    }
    /// Distance from a set-point that still counts as "at" it, V: 0.5 % or twice the measurement uncertainty
    /// (common practice, no source).
    pub fn band(&self, set_point: f64) -> f64 {
        (0.005 * set_point).max(2.0 * self.u_voltage(set_point))
    }
    /// Sum of all source currents, A; NaN where one is unknown.
    pub fn source_sum(&self, k: usize) -> f64 {
        self.sources.iter().map(|s| s.current[k]).sum()
    }
    /// True when any source gives.
    pub fn any_gives(&self, k: usize) -> bool {
        self.sources.iter().any(|s| s.gives[k])
    }
}

/// Compensated set-point: V = V_ref + N·k·(T − 25 degC), with T clipped to the charge window
/// (linear compensation, common practice; the coefficient is the designer's).
pub fn compensated(bank: &Bank, set_point: f64, temperature: f64) -> f64 {
    let k = bank.profile.temp_comp_mv_per_k_cell / 1000.0;
    if k == 0.0 || temperature.is_nan() {
        return set_point;
    }
    let t = temperature.clamp(bank.temperature.charge_min_c.min(25.0), bank.temperature.charge_max_c.max(25.0));
    set_point + f64::from(bank.cells_in_series) * k * (t - 25.0)
}

/// Builds the view of `bank`. Sensor corrections (reversed shunts) are the caller's, see `sensors`.
pub fn build<'a>(recording: &Recording, vessel: &'a Intent, bank: &'a Bank, grid: Grid) -> BankView<'a> {
    let voltage_series = recording.optional(bank.signals.voltage.as_ref());
    let current_series = recording.optional(bank.signals.current.as_ref());
    let temperatures: Vec<Vec<f64>> =
        bank.signals.temperature.iter().map(|s| grid.means(&plausible(&recording.signal(s), CELLS).0)).collect();
    let further = |name: &str| bank.signals.further.get(name).map(|s| recording.signal(s));
    // The battery's own coldest and hottest cell stand beside its sensors.
    let cell = |name: &str| further(name).map(|s| grid.means(&plausible(&s, CELLS).0));
    let (low, high) = (cell("cell_temperature_min"), cell("cell_temperature_max"));
    let known = |k: usize, own: &Option<Vec<f64>>| -> Vec<f64> {
        temperatures.iter().chain(own).map(|t| t[k]).filter(|v| !v.is_nan()).collect()
    };
    let cells = 0..grid.len;
    let temperature: Vec<f64> = cells.clone().map(|k| stats::mean(known(k, &None)).unwrap_or(f64::NAN)).collect();
    let coldest: Vec<f64> = cells.clone().map(|k| known(k, &low).into_iter().fold(f64::NAN, f64::min)).collect();
    let hottest: Vec<f64> = cells.map(|k| known(k, &high).into_iter().fold(f64::NAN, f64::max)).collect();
    let set_point = |v: Option<f64>| -> Vec<f64> {
        temperature.iter().map(|t| v.map_or(f64::NAN, |v| compensated(bank, v, *t))).collect()
    };
    let voltage_limit = voltage_limit(bank, further("charge_voltage_limit").map(|s| grid.means(&s)), grid);
    // The battery may ask for less than the profile; a limit above it gives nobody leave to go there.
    let absorption_v = set_point(Some(bank.profile.absorption_v))
        .into_iter()
        .zip(&voltage_limit)
        .map(|(target, limit): (f64, &f64)| target.min(*limit))
        .collect();
    let live_limit = further("charge_current_limit").map(|s| grid.means(&s));
    let live_limit = live_limit.unwrap_or_else(|| vec![f64::NAN; grid.len]);
    let usual = bank.max_charge_a.unwrap_or(f64::NAN);
    let charge_limit = live_limit.iter().map(|live| if live.is_nan() { usual } else { *live }).collect();
    let refusal = refusal::refusals(recording, bank, grid, &live_limit, (&coldest, &hottest));
    let mine: Vec<&ampwake_schemas::intent::Load> = vessel.loads.iter().filter(|l| l.bank == bank.name).collect();
    let load_currents: Vec<Vec<f64>> =
        mine.iter().map(|l| grid.means(&recording.optional(l.current.as_ref()))).collect();
    // What a link brings from another bank is a load the other way round. What a link takes is measured on one side of a
    // converter only, so the balance of a bank with links does not close.
    let fed: Vec<Vec<f64>> = vessel
        .links
        .iter()
        .filter(|l| l.to == bank.name)
        .filter_map(|l| Some(grid.means(&recording.signal(l.signals.get("current")?))))
        .collect();
    let known = |x: f64| if x.is_nan() { 0.0 } else { x };
    let loads = (0..grid.len)
        .map(|k| load_currents.iter().map(|l| l[k]).sum::<f64>() - fed.iter().map(|l| known(l[k])).sum::<f64>())
        .collect();
    let linked = vessel.links.iter().any(|l| l.from == bank.name || l.to == bank.name);
    let loads_measured = !mine.is_empty() && mine.iter().all(|l| l.current.is_some()) && !linked;
    let mut view = BankView {
        intent: bank,
        vessel,
        grid,
        voltage: grid.means(&voltage_series),
        current: grid.means(&current_series),
        voltage_series,
        current_series,
        temperature: temperature.clone(),
        coldest,
        hottest,
        soc: grid.means(&recording.optional(bank.signals.state_of_charge.as_ref())),
        absorption_v,
        float_v: set_point(bank.profile.float_v),
        charge_limit,
        limit_is_live: live_limit.iter().map(|l| !l.is_nan()).collect(),
        voltage_limit,
        permitted: refusal.iter().map(Option::is_none).collect(),
        refusal,
        loads,
        loads_measured,
        sources: Vec::new(),
    };
    view.sources =
        vessel.sources.iter().filter(|s| s.bank == bank.name).map(|s| source(recording, vessel, s, grid)).collect();
    infer_unmeasured(&mut view);
    for s in &mut view.sources {
        finish(s, vessel);
    }
    let live: Vec<Vec<Input>> = (0..view.sources.len()).map(|j| infer_input(recording, &view, j)).collect();
    for (s, input) in view.sources.iter_mut().zip(live) {
        s.input = input;
        // A small reading without input is the sensor's offset. Sun, wind and water have no such sharp end.
        if !s.intent.kind.depends_on_weather() {
            for (gives, input) in s.gives.iter_mut().zip(&s.input) {
                *gives &= *input != Input::Absent;
            }
        }
    }
    view
}

/// The battery's live voltage limit where it can be one: batteries say 0 when they want no charge at all, which is
/// what [`BankView::permitted`] is for, and codes for "no value" lie far above.
fn voltage_limit(bank: &Bank, live: Option<Vec<f64>>, grid: Grid) -> Vec<f64> {
    // Half as much again is no charge voltage of any chemistry; below 0.9 of nominal none can be charged.
    let possible = 0.9 * bank.nominal_v..=1.5 * bank.nominal_v;
    let believed = |v: f64| if possible.contains(&v) { v } else { f64::NAN };
    live.map_or_else(|| vec![f64::NAN; grid.len], |l| l.into_iter().map(believed).collect())
}

fn source<'a>(recording: &Recording, vessel: &Intent, s: &'a Source, grid: Grid) -> SourceView<'a> {
    let current_series = recording.optional(s.signals.current.as_ref());
    let voltage = grid.means(&recording.optional(s.signals.voltage.as_ref()));
    let state = s.signals.state.as_ref();
    let reported = grid
        .codes(&recording.optional(state))
        .into_iter()
        .map(|c| Reported::from_code(&state?.address, c?))
        .collect::<Vec<_>>();
    let switch = state.map(|s| grid.codes(&recording.sibling(&s.address, "enabled")));
    let reported = reported
        .iter()
        .enumerate()
        .map(|(k, r)| match switch.as_ref().and_then(|e| e[k]) {
            // The message's own switch says off: that outranks a state left over from before.
            Some(0) if *r != Some(Reported::Fault) => Some(Reported::Disabled),
            _ => *r,
        })
        .collect();
    let teamed = state
        .map(|s| grid.codes(&recording.sibling(&s.address, "charge_mode")))
        .unwrap_or_else(|| vec![None; grid.len])
        .into_iter()
        .map(|c| c.map(|c| c != 0))
        .collect();
    let temperature = grid.means(&plausible(&recording.optional(s.signals.temperature.as_ref()), EQUIPMENT).0);
    let ac = s.fed_by.as_ref().and_then(|name| vessel.ac_sources.iter().find(|a| a.name == *name));
    let input = available_when(recording, s, ac, grid);
    SourceView {
        intent: s,
        current: grid.means(&current_series),
        measured: s.signals.current.is_some(),
        current_series,
        voltage,
        reported,
        teamed,
        temperature,
        engine_speed: grid.means(&recording.optional(s.engine_speed.as_ref())),
        input,
        faults: faults::of_source(recording, vessel, s, grid),
        heard: Vec::new(),
        gives: Vec::new(),
        blind: vec![false; grid.len],
    }
}

/// The designer's own rule for "has its input", else that of the AC source that feeds it, else unknown.
fn available_when(
    recording: &Recording,
    s: &Source,
    ac: Option<&ampwake_schemas::intent::AcSource>,
    grid: Grid,
) -> Vec<Input> {
    let from = |series: &Series, above: Option<f64>, below: Option<f64>| -> Vec<Input> {
        grid.means(series)
            .into_iter()
            .map(|v| match v {
                v if v.is_nan() => Input::Unknown,
                v if above.is_none_or(|a| v > a) && below.is_none_or(|b| v < b) => Input::Present,
                _ => Input::Absent,
            })
            .collect()
    };
    if let Some(rule) = &s.available_when {
        return from(&recording.signal(&rule.signal), rule.above, rule.below);
    }
    // Half the nominal voltage is no supply for any charger (common practice, no source).
    if let Some(signal) = &s.signals.input_voltage {
        let nominal = ac.and_then(|a| a.nominal_v).unwrap_or(120.0);
        return from(&recording.signal(signal), Some(0.5 * nominal), None);
    }
    if let Some((ac, signal)) = ac.and_then(|a| a.signals.get("voltage").map(|v| (a, v))) {
        return from(&recording.signal(signal), Some(0.5 * ac.nominal_v.unwrap_or(120.0)), None);
    }
    if let Some(signal) = &s.engine_speed {
        // A turning engine; what it gives at that speed is another matter (`curve`).
        return from(&recording.signal(signal), Some(300.0), None);
    }
    vec![Input::Unknown; grid.len]
}

/// A source without a current sensor gives what the others and the loads leave unexplained:
/// I_j = I_bank + ΣI_load − ΣI_others (Kirchhoff). With two such sources nothing can be said.
fn infer_unmeasured(view: &mut BankView) {
    let open: Vec<usize> = (0..view.sources.len()).filter(|j| !view.sources[*j].measured).collect();
    let [j] = open[..] else { return };
    let minutes = view.grid.cells(600.0);
    let mut others = vec![0.0; view.grid.len];
    let mut blind = vec![false; view.grid.len];
    for (_, s) in view.sources.iter().enumerate().filter(|(o, _)| *o != j) {
        let mut last = 0.0; // what it gave on average over its last ten minutes
        let mut silent = 0;
        for (k, sum) in others.iter_mut().enumerate() {
            if !s.current[k].is_nan() {
                last += (s.current[k] - last) / minutes as f64;
                silent = 0;
            } else {
                silent += 1;
            }
            // What it does after ten minutes of silence, nobody knows; one that gave nothing when last heard is asleep.
            blind[k] |= silent > minutes && s.input[k] != Input::Absent && last > view.u_current(last);
            *sum += match (s.current[k].is_nan(), s.input[k]) {
                (false, _) => s.current[k],
                // Silent and without its input it gives nothing.
                (true, Input::Absent) => 0.0,
                // A source that fell silent is taken to go on as it did; leaving it out would credit its current to another.
                (true, _) => last.max(0.0),
            };
        }
    }
    view.sources[j].blind = blind;
    view.sources[j].current = (0..view.grid.len).map(|k| view.current[k] + view.loads[k] - others[k]).collect();
}

fn finish(s: &mut SourceView, vessel: &Intent) {
    let n = s.current.len();
    let u = vessel.accuracy.current;
    // An inferred current carries the uncertainty of everything it was inferred from.
    let factor = if s.measured { 2.0 } else { 4.0 };
    s.gives = s.current.iter().map(|i| *i > factor * u.of(*i)).collect();
    s.heard = (0..n)
        .map(|k| (s.measured && !s.current[k].is_nan()) || !s.voltage[k].is_nan() || s.reported[k].is_some())
        .collect();
    if !s.measured && s.intent.signals.voltage.is_none() && s.intent.signals.state.is_none() {
        // Nothing of its own to be heard by: it counts as heard where its current can be inferred.
        s.heard = s.current.iter().map(|i| !i.is_nan()).collect();
    }
}

/// Where no rule says so: a source that gives, or says that it charges, has its input.
fn infer_input(recording: &Recording, view: &BankView, j: usize) -> Vec<Input> {
    let s = &view.sources[j];
    let ruled = s.intent.available_when.as_ref().is_some_and(|r| !recording.signal(&r.signal).is_empty());
    (0..view.grid.len)
        .map(|k| match s.input[k] {
            Input::Unknown if s.gives[k] => Input::Present,
            // A clear current outranks the designer's rule; a reading within noise does not.
            Input::Absent if s.measured && s.current[k] > (0.1 * s.intent.rated_a).max(4.0 * view.u_current(0.0)) => {
                Input::Present
            }
            Input::Unknown if ruled => Input::Unknown,
            Input::Unknown if s.reported[k].is_some_and(Reported::is_on) => Input::Present,
            other => other,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{AMPS, Tape, VOLTS, amps, vessel};

    /// Check values A1 and A1b (V = N·(V_ref + k·(T − 25 degC))): 12 cells of 2.40 V and −4 mV/K are 28.080 V at 40 degC
    /// and 29.760 V at 5 degC.
    #[test]
    fn compensation_follows_the_temperature_within_the_charge_window() {
        let mut bank = vessel("").banks.remove(0);
        bank.cells_in_series = 12;
        bank.profile.temp_comp_mv_per_k_cell = -4.0;
        (bank.temperature.charge_min_c, bank.temperature.charge_max_c) = (0.0, 45.0);
        let at = |t: f64| compensated(&bank, 28.8, t);
        assert!((at(40.0) - 28.08).abs() < 1e-6 && (at(5.0) - 29.76).abs() < 1e-6);
        assert_eq!((at(60.0), at(-20.0)), (at(45.0), at(0.0)));
        assert_eq!(at(f64::NAN), 28.8);
    }

    #[test]
    fn one_source_without_a_sensor_gives_what_the_others_leave() {
        let mut intent = vessel("[[load]]\nname = \"house\"\nsignals = { current = \"can0/n2k/127751/9/dc_current\" }");
        intent.sources[1].signals.current = None;
        let tape = Tape::new(600)
            .fed()
            .with(VOLTS, |_| 53.5)
            .with(AMPS, |_| 70.0)
            .with("can0/n2k/127751/9/dc_current", |_| 15.0)
            .with(&amps(1), |_| 60.0);
        let view = tape.view(&intent);
        assert_eq!(view.sources[1].current[300], 25.0); // 70 + 15 − 60
        assert!(!view.sources[1].measured && view.sources[1].gives[300]);
        // Of two nothing can be said.
        intent.sources[0].signals.current = None;
        let view = tape.view(&intent);
        assert!(view.sources.iter().all(|s| s.current.iter().all(|i| i.is_nan()) && !s.gives.contains(&true)));
    }

    #[test]
    fn a_giver_that_fell_silent_is_no_excuse_to_credit_another() {
        let mut intent = vessel("");
        intent.sources[1].signals.current = None;
        // The first gives 50 A until it falls silent at 1000 s; the bank goes on with 60 A.
        let tape = Tape::new(4000)
            .fed()
            .with(VOLTS, |_| 53.5)
            .with(AMPS, |_| 60.0)
            .with(&amps(1), |t| if t < 1000 { 50.0 } else { f64::NAN });
        let view = tape.view(&intent);
        assert_eq!(view.sources[1].current[900], 10.0);
        // Ten minutes' running mean of 50 A after 1000 s: 50·(1 − e^(−1000/600)) A.
        let believed = 50.0 * (1.0 - (-1000.0_f64 / 600.0).exp());
        assert!((view.sources[1].current[3000] - (60.0 - believed)).abs() < 0.1, "{}", view.sources[1].current[3000]);
        // Without its input it gives nothing, silent or not; nor does one that was not giving when last heard.
        let dark = tape.clone().with(&crate::testing::supply(1), |t| if t < 1000 { 230.0 } else { 0.0 });
        assert_eq!(dark.view(&intent).sources[1].current[3000], 60.0);
        let asleep = tape.with(&amps(1), |t| if t < 1000 { 0.0 } else { f64::NAN });
        assert_eq!(asleep.view(&intent).sources[1].current[3000], 60.0);
    }

    #[test]
    fn cell_temperatures_count_where_the_battery_tells_them() {
        let mut intent = vessel("");
        let (low, high) = ("can0/dbc/pack/cell_temperature_min", "can0/dbc/pack/cell_temperature_max");
        let further = &mut intent.banks[0].signals.further;
        further.insert("cell_temperature_min".into(), crate::testing::signal(low));
        further.insert("cell_temperature_max".into(), crate::testing::signal(high));
        let tape = Tape::new(600).with(VOLTS, |_| 53.5).with(low, |_| -2.0).with(high, |_| 31.0);
        let view = tape.view(&intent);
        assert_eq!((view.coldest[300], view.hottest[300]), (-2.0, 31.0));
        assert!(!view.permitted[300]);
        let view = tape.with(crate::testing::WARMTH, |_| 40.0);
        let view = view.view(&intent);
        assert_eq!((view.coldest[300], view.hottest[300], view.temperature[300]), (-2.0, 40.0, 40.0));
    }
}
