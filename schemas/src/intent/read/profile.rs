//! `[bank.profile]` and `[bank.temperature]`: what the designer left out comes from the chemistry, and is named
//! in `defaulted`.

use super::context::Cells;
use crate::intent::Chemistry;
use crate::intent::model::{BankTemperature, Profile};
use crate::toml_read::{Item, Key, Limits, Table, key};

pub(super) const ABSORPTION_V: Key = key("absorption_v", "the absorption set-point in volts of the whole bank", "56.8");
pub(super) const FLOAT_V: Key = key("float_v", "the float set-point in volts of the whole bank", "54.0");
const REBULK_V: Key = key("rebulk_v", "the volts of the whole bank below which charging starts again", "53.0");
const TAIL_A: Key = key("tail_a", "the current in A at which absorption ends", "28");
const ABSORPTION_MAX: Key = key("absorption_max_min", "the longest absorption in minutes", "90");
const TEMP_COMP: Key = key("temp_comp_mv_per_k_cell", "the temperature compensation in mV per kelvin and cell", "-4.0");
const CHARGE_MIN: Key = key("charge_min_c", "the lowest temperature for charging in degC", "0");
const CHARGE_MAX: Key = key("charge_max_c", "the highest temperature for charging in degC", "45");
const WARN_MARGIN: Key = key("warn_margin_c", "how far from a limit a remark is made, in K", "5");
const RISE_MAX: Key = key("rise_max_c_per_min", "the fastest rise in K per minute", "1.0");
const SPREAD_MAX: Key = key("spread_max_c", "the largest difference between two sensors in K", "8");

/// Defaults of [`BankTemperature`] that no chemistry has a say in: K, K/min, K (common practice, no source).
const WARN_RISE_SPREAD: [f64; 3] = [5.0, 1.0, 8.0];

const VOLTS: Limits = Limits::positive(10_000.0, "V");

/// A value that the file gives. Not a number where the file's value could not be read: that was reported, and
/// comparisons with it are then silent.
#[derive(Clone)]
struct Given<'a> {
    item: Item<'a>,
    value: f64,
}

fn given<'a>(t: Option<&Table<'a>>, key: Key, limits: Limits) -> Option<Given<'a>> {
    let item = t?.take(key)?;
    let value = item.number(limits).unwrap_or(f64::NAN);
    Some(Given { item, value })
}

/// A value with its default; notes in `defaulted` when the default is used.
fn or(given: Option<&Given<'_>>, key: Key, default: f64, defaulted: &mut Vec<&'static str>) -> f64 {
    given.map_or_else(
        || {
            defaulted.push(key.name);
            default
        },
        |g| g.value,
    )
}

/// Reads the profile, or makes it from the defaults when there is no such section. `None` without `cells`.
pub(super) fn profile(
    item: Option<Item<'_>>,
    cells: Option<Cells>,
    capacity_ah: Option<f64>,
    max_charge_a: Option<f64>,
) -> Option<Profile> {
    let read = |t: Option<&Table<'_>>| profile_of(t, cells, capacity_ah, max_charge_a);
    match item {
        Some(item) => item.table(|t| read(Some(t))).flatten(),
        None => read(None),
    }
}

fn profile_of(
    t: Option<&Table<'_>>,
    cells: Option<Cells>,
    capacity_ah: Option<f64>,
    max_charge_a: Option<f64>,
) -> Option<Profile> {
    let absorption = given(t, ABSORPTION_V, VOLTS);
    let float = float(t);
    let rebulk = given(t, REBULK_V, VOLTS);
    let tail = given(t, TAIL_A, Limits::positive(1e5, "A"));
    let longest = given(t, ABSORPTION_MAX, Limits::positive(2880.0, "min"));
    let comp = given(t, TEMP_COMP, Limits::within(-1000.0, 1000.0, "mV/K per cell"));

    let cells = cells?;
    let d = cells.chemistry.defaults();
    let n = cells.in_series;
    let mut defaulted = Vec::new();
    let absorption_v = or(absorption.as_ref(), ABSORPTION_V, d.absorption_v * n, &mut defaulted);
    let float_v = match &float {
        Float::Given(g) => Some(g.value),
        Float::Never => None,
        Float::LeftOut => {
            defaulted.push(FLOAT_V.name);
            d.float_v.map(|v| v * n)
        }
    };
    // A default must not contradict what the designer did write: charging starts again below float, never above.
    let highest_rebulk = float_v.unwrap_or(absorption_v);
    let rebulk_v = or(rebulk.as_ref(), REBULK_V, (d.rebulk_v * n).min(highest_rebulk), &mut defaulted);
    let tail_a = or(tail.as_ref(), TAIL_A, d.tail_per_ah * capacity_ah.unwrap_or(f64::NAN), &mut defaulted);
    let profile = Profile {
        absorption_v,
        float_v,
        rebulk_v,
        tail_a,
        absorption_max_min: or(longest.as_ref(), ABSORPTION_MAX, d.absorption_max_min, &mut defaulted),
        temp_comp_mv_per_k_cell: or(comp.as_ref(), TEMP_COMP, d.temp_comp_mv_per_k_cell, &mut defaulted),
        defaulted,
    };
    let given_float = if let Float::Given(g) = &float { Some(g) } else { None };
    let judge = |g: Option<&Given<'_>>, lowest| g.is_none_or(|g| set_point(&g.item, g.value, cells, lowest));
    // All three are judged; only volts that are plausible by themselves are compared with one another.
    let plausible = [
        judge(absorption.as_ref(), SET_POINT_LOWEST),
        judge(given_float, SET_POINT_LOWEST),
        judge(rebulk.as_ref(), REBULK_LOWEST),
    ];
    if plausible == [true; 3] {
        order(&profile, absorption.as_ref(), given_float, rebulk.as_ref());
    }
    if let Some(g) = &tail {
        tail_current(g, capacity_ah, max_charge_a);
    }
    if let Some(g) = &comp {
        compensation(g, cells);
    }
    Some(profile)
}

/// The float set-point: lithium banks are often not floated at all.
enum Float<'a> {
    LeftOut,
    Never,
    Given(Given<'a>),
}

fn float<'a>(t: Option<&Table<'a>>) -> Float<'a> {
    match t.and_then(|t| t.take(FLOAT_V)) {
        None => Float::LeftOut,
        Some(item) if item.is_text() && item.text() == Some("none") => Float::Never,
        Some(item) => {
            let value = item.number(VOLTS).unwrap_or(f64::NAN);
            Float::Given(Given { item, value })
        }
    }
}

/// The highest set-point per cell that is no mistake, V: the chemistry's hard stop; for NMC the published range
/// of the hard stop goes on to 4.25 V (common practice, no source: the battery maker's data decide).
fn highest_per_cell(chemistry: Chemistry) -> f64 {
    let stop = chemistry.defaults().hard_stop_v;
    if chemistry == Chemistry::Nmc { stop.max(4.25) } else { stop }
}

/// Lowest plausible set-point over the nominal voltage: nobody charges to less than nominal (common practice, no source).
pub(super) const SET_POINT_LOWEST: f64 = 0.95;
/// The same for the voltage at which charging starts again: a bank may be let down a good deal.
const REBULK_LOWEST: f64 = 0.8;

/// Says whether volts of the whole bank are plausible for its cells: at least `lowest` times nominal, at most
/// the hard stop. What is wrong by a power of ten, or is the voltage of one cell, is named in the fix.
pub(super) fn set_point(item: &Item<'_>, volts: f64, cells: Cells, lowest: f64) -> bool {
    let Cells { chemistry, in_series: n } = cells;
    let (low, high) = (lowest * chemistry.defaults().nominal_v, highest_per_cell(chemistry));
    // A hair of room for sums such as 16 × 3.65.
    let holds = |v: f64| v >= low * n && v <= high * n * (1.0 + 1e-9);
    if volts.is_nan() || holds(volts) {
        return true;
    }
    let name = item.key().name;
    let range = format!("between {:.1} and {:.1} V", low * n, high * n);
    let fix = if let Some(k) = [10.0, 100.0, 1000.0, 0.1, 0.01].into_iter().find(|k| holds(volts / k)) {
        format!("{}, if a decimal point has slipped", item.write(&tidy(volts / k)))
    } else if volts >= low && volts <= high {
        format!("{}: the volts of the whole bank, not of one cell", item.write(&tidy(volts * n)))
    } else {
        format!("write the volts of the whole bank at 25 degC, {range}")
    };
    let problem = format!(
        "`{name}` = {volts} V is {:.2} V per cell over {n} cells; {chemistry} cells are charged to at most {high} V, here this lies {range}",
        volts / n
    );
    item.wrong(&problem, &fix);
    false
}

/// Six digits are more than a volt needs, and hide that 5.68 × 10 is not quite 56.8 in binary.
fn tidy(v: f64) -> String {
    ((v * 1e6).round() / 1e6).to_string()
}

/// Absorption above float above re-bulk.
fn order(p: &Profile, absorption: Option<&Given<'_>>, float: Option<&Given<'_>>, rebulk: Option<&Given<'_>>) {
    let from_default = |given: bool| if given { "" } else { " (the chemistry's default)" };
    if let Some(float_v) = p.float_v
        && float_v >= p.absorption_v
    {
        let problem = format!(
            "`float_v` = {}{} V should be below `absorption_v` = {}{} V",
            tidy(float_v),
            from_default(float.is_some()),
            tidy(p.absorption_v),
            from_default(absorption.is_some()),
        );
        if let Some(g) = float.or(absorption) {
            g.item.wrong(
                &problem,
                "write both, float below absorption; `float_v = \"none\"` for a bank that is never floated",
            );
        }
        return;
    }
    let Some(g) = rebulk else { return };
    let below = p.float_v.unwrap_or(p.absorption_v);
    // Half a per cent: many chargers start again right at float.
    if g.value > below * 1.005 {
        let what = if p.float_v.is_some() { "float_v" } else { "absorption_v" };
        let problem = format!(
            "`rebulk_v` = {} V should not be above `{what}` = {} V: charging would never end",
            g.value,
            tidy(below)
        );
        g.item.wrong(&problem, "write the volts to which the resting bank falls before charging starts again");
    }
}

fn tail_current(g: &Given<'_>, capacity_ah: Option<f64>, max_charge_a: Option<f64>) {
    let most = "the tail current is what the full bank still takes, usually 1 to 5 % of the capacity";
    if let Some(capacity) = capacity_ah
        && g.value > 0.5 * capacity
    {
        let problem = format!("`tail_a` = {} A is more than half of `capacity_ah` = {capacity}; {most}", g.value);
        g.item.wrong(&problem, &g.item.write(&tidy(0.05 * capacity)));
    } else if let Some(max) = max_charge_a
        && g.value >= max
    {
        let problem = format!("`tail_a` = {} A should be below `max_charge_a` = {max}; {most}", g.value);
        g.item.wrong(&problem, "correct one of the two");
    }
}

/// 0 for lithium, -3 to -5 mV/K per cell for lead-acid (common practice, no source; see `chemistry`). Usual
/// slips: the sign, volts for millivolts, the whole bank for one cell.
fn compensation(g: &Given<'_>, cells: Cells) {
    let v = g.value;
    let usual = |v: f64| (-10.0..=-0.5).contains(&v);
    if v.is_nan() || v == 0.0 || usual(v) {
        return;
    }
    let candidates = [-v, v * 1000.0, -v * 1000.0, v / cells.in_series, -v / cells.in_series];
    let problem = format!(
        "`temp_comp_mv_per_k_cell` = {v} should be 0, or from -10 to -0.5: millivolts per kelvin for one cell, negative because a warm battery needs fewer volts"
    );
    let fix = match candidates.into_iter().find(|c| usual(*c)) {
        Some(right) => g.item.write(&tidy(right)),
        None => "write 0 for lithium, for lead-acid what the maker says, about -4".to_owned(),
    };
    g.item.wrong(&problem, &fix);
}

/// Reads the temperature limits, or makes them from the defaults. `None` without a chemistry.
pub(super) fn temperature(item: Option<Item<'_>>, chemistry: Option<Chemistry>) -> Option<BankTemperature> {
    match item {
        Some(item) => item.table(|t| temperature_of(Some(t), chemistry)).flatten(),
        None => temperature_of(None, chemistry),
    }
}

fn temperature_of(t: Option<&Table<'_>>, chemistry: Option<Chemistry>) -> Option<BankTemperature> {
    const DEGREES: Limits = Limits::within(-60.0, 120.0, "degC");
    let low = given(t, CHARGE_MIN, DEGREES);
    let high = given(t, CHARGE_MAX, DEGREES);
    let margin = given(t, WARN_MARGIN, Limits::within(0.0, 40.0, "K"));
    let rise = given(t, RISE_MAX, Limits::positive(100.0, "K/min"));
    let spread = given(t, SPREAD_MAX, Limits::positive(100.0, "K"));

    let d = chemistry?.defaults();
    let [d_margin, d_rise, d_spread] = WARN_RISE_SPREAD;
    let mut defaulted = Vec::new();
    let limits = BankTemperature {
        charge_min_c: or(low.as_ref(), CHARGE_MIN, d.charge_min_c, &mut defaulted),
        charge_max_c: or(high.as_ref(), CHARGE_MAX, d.charge_max_c, &mut defaulted),
        warn_margin_c: or(margin.as_ref(), WARN_MARGIN, d_margin, &mut defaulted),
        rise_max_c_per_min: or(rise.as_ref(), RISE_MAX, d_rise, &mut defaulted),
        spread_max_c: or(spread.as_ref(), SPREAD_MAX, d_spread, &mut defaulted),
        defaulted,
    };
    if limits.charge_min_c >= limits.charge_max_c
        && let Some(g) = low.as_ref().or(high.as_ref())
    {
        let problem = format!(
            "`charge_min_c` = {} should be below `charge_max_c` = {}",
            limits.charge_min_c, limits.charge_max_c
        );
        g.item.wrong(&problem, "correct one of the two, in degrees Celsius");
    }
    Some(limits)
}
