//! Which stage the bank is in, from volts and amps.
//!
//! Every stage is a predicate on bank voltage (against compensated set-points), net bank current and whether
//! any source gives (the predicates are the trade's own, after the I-U-U notation of DIN 41773, from memory;
//! bands are common practice, no source). A predicate that fails costs up to one second per second; changing
//! stage costs a number of seconds. The cheapest path through the recording is found by the Viterbi algorithm
//! (Viterbi 1967; Rabiner 1989 for its use on such chains). So a kettle in the middle of absorption, which
//! pulls the voltage down for four minutes, is not a new bulk; twelve minutes are.

use crate::view::BankView;
use ampwake_schemas::findings::Stage;

/// A stretch of cells in one stage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// The stage.
    pub stage: Stage,
    /// First cell.
    pub start: usize,
    /// One past the last cell.
    pub end: usize,
    /// 0..1: share of it that was seen and fitted.
    pub confidence: f64,
}

const STAGES: [Stage; 7] = [
    Stage::Rest,
    Stage::Discharge,
    Stage::Bulk,
    Stage::Absorption,
    Stage::Float,
    Stage::Equalisation,
    Stage::Unexplained,
];
const N: usize = STAGES.len();

/// What a change of stage costs, in seconds of misfit: row from, column to, in the order of [`STAGES`].
///
/// From absorption straight back to bulk needs minutes of evidence, because loads switch during it. Float follows
/// absorption; from anywhere else it needs much longer evidence, because a bank passes through its float voltage on
/// the way up and down, and lithium cells spend hours beside it. No way round through a third stage is cheaper than the
/// direct one, see [`SETTLING`].
const CHANGE_S: [[f64; N]; N] = [
    // rest    disch.  bulk    absorp. float   equal.  unexpl.
    [0.0, 60.0, 45.0, 120.0, 1500.0, 300.0, 120.0],  // rest
    [60.0, 0.0, 45.0, 120.0, 1500.0, 300.0, 120.0],  // discharge
    [60.0, 45.0, 0.0, 60.0, 2500.0, 120.0, 120.0],   // bulk
    [90.0, 90.0, 400.0, 0.0, 60.0, 120.0, 300.0],    // absorption
    [120.0, 120.0, 120.0, 120.0, 0.0, 120.0, 180.0], // float
    [120.0, 120.0, 120.0, 60.0, 60.0, 0.0, 120.0],   // equalisation
    [60.0, 60.0, 60.0, 60.0, 1500.0, 120.0, 0.0],    // unexplained
];

/// What a change costs here. A float that a charger firmly holds after a pause is seen sooner than one that voltage alone
/// suggests.
fn change_s(from: usize, to: usize, firmly_floated: bool) -> f64 {
    let sooner = firmly_floated
        && STAGES[to] == Stage::Float
        && matches!(STAGES[from], Stage::Rest | Stage::Discharge | Stage::Unexplained);
    CHANGE_S[from][to] * if sooner { 0.25 } else { 1.0 }
}

/// Every stage lasts at least this long, s (a duration-aware chain: stages that last seconds are switching, not
/// charging; common practice, no source).
const DWELL_S: f64 = 100.0;

/// While a stage settles it has to fit, at least by halves: a worse misfit counts this much more. Without that the path would slip through a stage
/// that never was, because two changes through it are cheaper than the direct one.
const SETTLING: f64 = 30.0;

/// A silence longer than this is not bridged by the stage on both sides, s.
pub(crate) const LONGEST_BRIDGE_S: f64 = 900.0;

/// How badly each stage's predicate fits at one moment, 0 (fits) to 1; all zero where nothing is known.
fn misfit(view: &BankView, k: usize) -> Option<[f64; N]> {
    let (v, i) = (view.voltage[k], view.current[k]);
    if v.is_nan() || i.is_nan() {
        return None;
    }
    let rest = view.rest_current();
    let (v_abs, v_float) = (view.absorption_v[k], view.float_v[k]);
    let band = view.band(v_abs);
    // 0 while x <= 0, 1 from one unit on.
    let beyond = |x: f64, unit: f64| (x / unit).clamp(0.0, 1.0);
    // Without any source sensor the bank's own current has to stand for them.
    let known = view.sources.iter().any(|s| !s.current[k].is_nan());
    let gives = if known { view.any_gives(k) } else { i > rest };
    let requested = view.sources.iter().any(|s| s.reported[k] == Some(crate::state::Reported::Equalise));
    let held = if gives { 0.0 } else { 1.0 };
    let at = |set_point: f64| if set_point.is_nan() { 1.0 } else { beyond((v - set_point).abs() - band, band) };

    let tail = view.intent.profile.tail_a.max(rest);
    let resting = beyond(i.abs() - rest, rest)
        .max(if firmly_floated(view, k) { 0.9 } else { 0.0 })
        .max(if gives && at(v_float) == 0.0 { 0.3 } else { 0.0 })
        // While sources give and the bank gives too, nothing rests, however little it is.
        .max(if known && gives && i < -rest { 0.7 } else { 0.0 });
    // Sources that give while loads take more: a discharge, but with less of a voice against a charging stage
    // that is only interrupted.
    let beside = if firmly_floated(view, k) && i > -rest { 0.9 } else { 0.5 };
    let discharging = beyond(i + rest, rest).max(if known && gives { beside } else { 0.0 });
    // What a float may still carry: some tails, or a twentieth of the capacity (common practice, no source).
    let most = (1.5 * tail).max(0.05 * view.intent.capacity_ah);
    // A small current at the float voltage may be either; a little in favour of float decides over an hour.
    let idling = if at(v_float) == 0.0 && gives && i < most { 0.1 } else { 0.0 };
    let bulk = beyond(rest - i, rest).max(beyond(v - (v_abs - band), band / 2.0)).max(idling);
    let absorbing = at(v_abs).max(held).max(if i < -rest { 0.7 } else { 0.0 });
    // On the way down from absorption the sources already regulate on float: they wait, and the bank carries the loads.
    let settling = if !v_float.is_nan() && v > v_float && v < v_abs - band && i < rest { 0.25 } else { 1.0 };
    // A bank that gives beside its sources is not floated, at whatever voltage.
    let giving = if v > v_float + band { 0.0 } else { beyond(-i - rest, rest) };
    let floating = at(v_float).max(held).max(giving).min(settling).max(beyond(i - most, tail));
    let equalising = if view.intent.chemistry.is_lead_acid() && requested && v > v_abs + band { 0.0 } else { 1.0 };
    Some([resting, discharging, bulk, absorbing, floating, equalising, 0.6])
}

/// The bank is at its float voltage, takes next to nothing, and a source with a firm input gives less than it could: it
/// regulates. Nothing rests by chance for minutes beside a charger that could lift it. An engine may turn too slowly and a
/// sky may be grey, so what they give less says nothing.
fn firmly_floated(view: &BankView, k: usize) -> bool {
    let (v, i, set) = (view.voltage[k], view.current[k], view.float_v[k]);
    let regulates = |s: &crate::view::SourceView| {
        s.gives[k] && s.intent.kind.is_ac_fed() && s.current[k] < 0.8 * s.intent.set_a.unwrap_or(s.intent.rated_a)
    };
    // NaN compares false: what is not known is not floated.
    (v - set).abs() <= view.band(set)
        && i.abs() < view.intent.profile.tail_a.max(view.rest_current())
        && view.sources.iter().any(regulates)
}

/// The stages of the whole axis, in order and without holes.
pub fn decode(view: &BankView) -> Vec<Span> {
    let n = view.grid.len;
    if n == 0 {
        return Vec::new();
    }
    // Five-second steps: stages last minutes, and a long recording stays quick.
    let stride = view.grid.cells(5.0);
    let step_s = view.grid.step_s() * stride as f64;
    let steps = n.div_ceil(stride);
    let mut costs: Vec<Option<[f64; N]>> = Vec::with_capacity(steps);
    let mut firm: Vec<bool> = Vec::with_capacity(steps);
    for s in 0..steps {
        let cells = (s * stride)..((s + 1) * stride).min(n);
        let mut sum = [0.0; N];
        let mut seen = 0.0;
        for m in cells.filter_map(|k| misfit(view, k)) {
            for (a, b) in sum.iter_mut().zip(m) {
                *a += b;
            }
            seen += 1.0;
        }
        firm.push(firmly_floated(view, s * stride));
        costs.push((seen > 0.0).then(|| sum.map(|x| x / seen)));
    }
    let seen = costs.clone();
    unbridge(&mut costs, (LONGEST_BRIDGE_S / step_s) as usize);
    let path = cheapest_path(&costs, &firm, step_s);
    let mut out = spans(&path, &seen, stride, n);
    sharpen(view, &mut out);
    out
}

/// Moves the edge from bulk to absorption from where the band around the set-point was entered to where the voltage
/// came to the level at which it then stays: the sources' own regulation, which may be a little off the profile.
fn sharpen(view: &BankView, spans: &mut [Span]) {
    let (look, most) = (view.grid.cells(1200.0), view.grid.cells(900.0));
    for k in 1..spans.len() {
        if spans[k - 1].stage != Stage::Bulk || spans[k].stage != Stage::Absorption {
            continue;
        }
        let cells = spans[k].start..spans[k].end.min(spans[k].start + look);
        let Some(level) = crate::stats::quantile(cells.clone().map(|c| view.voltage[c]), 0.8) else { continue };
        // 0.15 %: above the noise of a voltage reading, below the band (common practice, no source).
        let reached = cells.take(most).find(|c| view.voltage[*c] >= level * 0.9985);
        if let Some(c) = reached.filter(|c| spans[k].end > *c) {
            spans[k].start = c;
            spans[k - 1].end = c;
        }
    }
}

/// Long silences, and one without anything beside it, cost every stage but "unexplained".
fn unbridge(costs: &mut [Option<[f64; N]>], longest: usize) {
    let longest = if costs.iter().all(Option::is_none) { 0 } else { longest };
    let mut k = 0;
    while k < costs.len() {
        let from = k;
        while k < costs.len() && costs[k].is_none() {
            k += 1;
        }
        if k - from > longest {
            let mut blind = [1.0; N];
            blind[N - 1] = 0.0;
            costs[from..k].fill(Some(blind));
        }
        k += 1;
    }
}

/// The Viterbi path. A state is a stage and for how many steps it has lasted, up to the shortest stay; only from
/// there it may change.
fn cheapest_path(costs: &[Option<[f64; N]>], firm: &[bool], step_s: f64) -> Vec<usize> {
    let dwell = ((DWELL_S / step_s).round() as usize).clamp(1, 64);
    let settled = dwell - 1;
    // The recording may begin and end in the middle of any stage.
    let mut total = vec![[f64::INFINITY; N]; dwell];
    total[settled] = [0.0; N];
    // For every step: where the first step of a stage came from, and whether the settled state stayed or arrived.
    let mut entered: Vec<[u8; N]> = Vec::with_capacity(costs.len());
    let mut stayed: Vec<[bool; N]> = Vec::with_capacity(costs.len());
    for (s, cost) in costs.iter().enumerate() {
        let mut next = vec![[f64::INFINITY; N]; dwell];
        let (mut from, mut stay) = ([0_u8; N], [true; N]);
        for to in 0..N {
            let misfit = cost.map_or(0.0, |c| c[to]);
            let here = misfit * step_s;
            let first = if misfit > 0.55 { SETTLING * here } else { here };
            if s == 0 {
                next[settled][to] = here;
                continue;
            }
            let (was, change) = (0..N)
                .filter(|was| *was != to)
                .map(|was| (was, total[settled][was] + change_s(was, to, firm[s])))
                .min_by(|a, b| a.1.total_cmp(&b.1))
                .unwrap_or((to, f64::INFINITY));
            from[to] = was as u8;
            for d in (1..dwell).rev() {
                next[d][to] = total[d - 1][to] + if d == settled { here } else { first };
            }
            next[0][to] = change + if settled == 0 { here } else { first };
            if settled == 0 {
                stay[to] = total[0][to] <= change;
                next[0][to] = total[0][to].min(change) + here;
            } else if total[settled][to] + here <= next[settled][to] {
                next[settled][to] = total[settled][to] + here;
            } else {
                stay[to] = false;
            }
        }
        total = next;
        entered.push(from);
        stayed.push(stay);
    }
    let ends = (0..dwell).flat_map(|d| (0..N).map(move |s| (d, s)));
    let (mut d, mut at) = ends.min_by(|a, b| total[a.0][a.1].total_cmp(&total[b.0][b.1])).unwrap_or((settled, N - 1));
    let mut path = vec![0; costs.len()];
    for s in (0..costs.len()).rev() {
        path[s] = at;
        if d == settled && stayed[s][at] {
            continue;
        }
        if d == 0 {
            (at, d) = (entered[s][at] as usize, settled);
        } else {
            d -= 1;
        }
    }
    path
}

fn spans(path: &[usize], costs: &[Option<[f64; N]>], stride: usize, n: usize) -> Vec<Span> {
    let mut out: Vec<Span> = Vec::new();
    let mut s = 0;
    while s < path.len() {
        let from = s;
        let mut fit = 0.0;
        while s < path.len() && path[s] == path[from] {
            fit += costs[s].map_or(0.0, |c| 1.0 - c[path[s]]);
            s += 1;
        }
        out.push(Span {
            stage: STAGES[path[from]],
            start: from * stride,
            end: (s * stride).min(n),
            confidence: fit / (s - from) as f64,
        });
    }
    out
}

/// The stage of every cell.
pub fn per_cell(spans: &[Span], n: usize) -> Vec<Stage> {
    let mut out = vec![Stage::Unexplained; n];
    for span in spans {
        out[span.start..span.end].fill(span.stage);
    }
    out
}

/// Where an absorption came to its tail: the first cell with the voltage at its set-point and the bank current at or
/// below the tail, from which on three quarters of such cells over ten minutes stay there (common practice, no source).
///
/// Net bank current is not charge current: a load that takes the charger's output away also takes the voltage down, and
/// for a while after it the bank takes more. So only cells at the set-point count, and a burst of load does not
/// start the count anew.
pub fn tail_reached(view: &BankView, span: &Span) -> Option<usize> {
    let (window, least) = (view.grid.cells(600.0), view.grid.cells(15.0));
    let (tail, u) = (view.intent.profile.tail_a, 2.0 * view.u_current(view.intent.profile.tail_a));
    // Running counts of cells at the set-point, and of those within the uncertainty of the tail.
    let n = span.end - span.start;
    let (mut at, mut low) = (vec![0_u32; n + 1], vec![0_u32; n + 1]);
    for c in 0..n {
        let k = span.start + c;
        let holds = view.voltage[k] >= view.absorption_v[k] - view.band(view.absorption_v[k]);
        at[c + 1] = at[c] + u32::from(holds && !view.current[k].is_nan());
        low[c + 1] = low[c] + u32::from(holds && view.current[k] <= tail + u);
    }
    (0..n)
        .find(|&c| {
            let end = (c + window).min(n);
            let (seen, below) = (at[end] - at[c], low[end] - low[c]);
            // A charger that stops at the tail leaves no ten minutes to see.
            view.current[span.start + c] <= tail
                && at[c + 1] > at[c]
                && end - c >= least
                && seen >= least as u32
                && below * 4 >= seen * 3
        })
        .map(|c| span.start + c)
}

/// Where the bank stands with its profile.
#[derive(Debug, Clone)]
pub struct Progress {
    /// It counts as filled: the profile asks for its float set-point, not for absorption.
    pub filled: Vec<bool>,
    /// After an absorption that ended before its tail: the current that the bank still took at that moment, A;
    /// it would not have taken more since. NaN elsewhere.
    pub acceptance: Vec<f64>,
}

/// Follows the profile: absorption until the bank has been filled (tail reached, or the longest absorption of
/// the profile has passed), then float, until it has fallen to the re-bulk voltage for a minute or has been in
/// bulk again for ten minutes. A float that follows an absorption cut short does not count as filled.
pub fn progress(view: &BankView, spans: &[Span]) -> Progress {
    let n = view.grid.len;
    let mut out = Progress { filled: vec![false; n], acceptance: vec![f64::NAN; n] };
    let low_for = view.grid.cells(60.0);
    let bulk_for = view.grid.cells(600.0);
    // A recording may begin with a full bank that waits for its re-bulk threshold.
    let first_v = view.voltage.iter().find(|v| !v.is_nan()).copied().unwrap_or(0.0);
    let first_soc = view.soc.iter().find(|v| !v.is_nan()).copied().unwrap_or(0.0);
    let mut full = first_soc >= 0.97 && first_v >= view.intent.profile.rebulk_v;
    let mut acceptance = f64::NAN;
    let (mut low, mut bulk) = (0, 0);
    let mut last_absorption: Option<&Span> = None;
    for span in spans {
        if span.stage == Stage::Float {
            (full, acceptance) = match last_absorption {
                Some(a) if !completed(view, a) => (false, taken_at_end(view, a)),
                _ => (true, f64::NAN),
            };
        }
        let rest_or_out = matches!(span.stage, Stage::Rest | Stage::Discharge);
        if let Some(a) = last_absorption.filter(|a| rest_or_out && a.end == span.start) {
            full = completed(view, a);
        }
        for k in span.start..span.end {
            let rebulk = crate::view::compensated(view.intent, view.intent.profile.rebulk_v, view.temperature[k]);
            low = if view.voltage[k] < rebulk { low + 1 } else { 0 };
            if span.stage == Stage::Bulk && view.current[k] > view.intent.profile.tail_a {
                bulk += 1;
            } else if span.stage != Stage::Bulk {
                bulk = 0;
            }
            if low >= low_for || bulk >= bulk_for {
                (full, acceptance, last_absorption) = (false, f64::NAN, None);
            }
            out.filled[k] = full;
            out.acceptance[k] = acceptance;
        }
        if span.stage == Stage::Absorption {
            last_absorption = Some(span);
        }
    }
    out
}

/// An absorption is complete when the tail was reached or nine tenths of the profile's longest absorption passed.
fn completed(view: &BankView, absorption: &Span) -> bool {
    let minutes = (absorption.end - absorption.start) as f64 * view.grid.step_s() / 60.0;
    minutes >= 0.9 * view.intent.profile.absorption_max_min || tail_reached(view, absorption).is_some()
}

/// Mean bank current over the last three minutes of an absorption but the very last half minute, A.
fn taken_at_end(view: &BankView, absorption: &Span) -> f64 {
    let end = absorption.end.saturating_sub(view.grid.cells(30.0)).max(absorption.start + 1);
    let start = end.saturating_sub(view.grid.cells(180.0)).max(absorption.start);
    crate::stats::mean(view.current[start..end].iter().copied()).unwrap_or(f64::NAN).max(0.0)
}

#[cfg(test)]
#[path = "stages_tests.rs"]
mod tests;
