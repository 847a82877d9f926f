//! What must hold for every recording and every intent, however odd: no panic, finite figures, and sums that fit.

use crate::analyze::{analyze, work};
use crate::recording::Recording;
use crate::series::{Grid, Series};
use crate::testing::{AMPS, SOC, VOLTS, WARMTH, amps, heat, own_volts, state, supply, vessel};
use crate::verdict::decide;
use ampwake_schemas::findings::{Findings, Period, VerdictWord};
use ampwake_schemas::intent::{Intent, SourceKind};
use ampwake_schemas::time::Timestamp;
use proptest::prelude::*;

/// One requirement of every quantity that an intent may ask for of this vessel.
const REQUIREMENTS: &str = r#"
[[load]]
name = "house"
signals = { current = "can0/n2k/127751/9/dc_current" }
[[ac_source]]
name = "genset"
kind = "genset"
nominal_v = 230
limit_a = 30
signals = { voltage = "can0/n2k/127503/7/voltage", power = "can0/n2k/127503/7/real_power", current = "can0/n2k/127503/7/current", fuel_rate = "can0/n2k/127489/0/fuel_rate" }
"#;

fn requirements() -> String {
    let mut out = REQUIREMENTS.to_owned();
    for (n, (quantity, limit, unit, more)) in [
        ("charge_time", "at_most = 60", "min", "from_soc = 0.2\nto_soc = 0.8"),
        ("source_current", "at_least = 90", "A", "source = \"first\"\nhold_min = 10"),
        ("combined_current", "at_least = 120", "A", "sources = [\"first\", \"second\"]"),
        ("contribution_share", "at_least = 30", "%", "source = \"second\""),
        ("source_energy_per_day", "at_least = 1", "kWh", "source = \"second\""),
        ("bank_temperature", "at_most = 40", "degC", ""),
        ("source_temperature", "at_most = 70", "degC", "source = \"first\""),
        ("stage_voltage", "at_least = 56.6", "V", "stage = \"absorption\""),
        ("absorption_time", "at_most = 90", "min", ""),
        ("voltage_drop", "at_most = 0.5", "V", "source = \"first\""),
        ("input_current", "at_most = 20", "A", "source = \"first\""),
        ("charger_efficiency", "at_least = 0.9", "fraction", "source = \"first\""),
        ("specific_fuel", "at_most = 300", "g/kWh", "source = \"genset\""),
        ("genset_load", "at_most = 90", "%", "source = \"genset\""),
        ("join_time", "at_most = 2", "min", "source = \"second\""),
        ("restart_time", "at_most = 5", "min", "source = \"first\""),
        ("regeneration_power", "at_least = 500", "W", "source = \"second\""),
    ]
    .into_iter()
    .enumerate()
    {
        out.push_str(&format!(
            "[[requirement]]\nid = \"R{n}\"\ntext = \"as drawn\"\nquantity = \"{quantity}\"\n{limit}\nunit = \"{unit}\"\n{more}\n"
        ));
    }
    out
}

/// A small generator, so that one number makes a whole recording (Knuth's 64-bit constants, MMIX).
struct Dice(u64);

impl Dice {
    fn roll(&mut self, below: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % below.max(1)
    }
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.roll(1_000_001) as f64 / 1e6
    }
    fn one_in(&mut self, n: u64) -> bool {
        self.roll(n) == 0
    }
}

/// Some channel: levels that change now and then, noise, missing values, silences, and now and then nonsense.
fn channel(d: &mut Dice, seconds: i64, low: f64, high: f64) -> Series {
    let every = [1, 1, 2, 5, 10, 60, 400][d.roll(7) as usize];
    let mut level = d.between(low, high);
    let mut points = Vec::new();
    let mut t = d.roll(200) as i64 * if d.one_in(4) { 1 } else { 0 };
    while t < seconds {
        match d.roll(400) {
            0..=3 => level = d.between(low, high),
            4 => t += d.roll(2000) as i64,
            5 => points.push((t * 1000, [f64::INFINITY, -1e300, 1e30, 0.0][d.roll(4) as usize])),
            6..=20 => points.push((t * 1000, f64::NAN)),
            _ => points.push((t * 1000, level + d.between(-0.01, 0.01) * (high - low))),
        }
        t += every;
    }
    match d.roll(12) {
        0 => points.clear(),
        1 => points.truncate(1),
        2 => points.iter_mut().for_each(|p| p.1 = f64::NAN),
        _ => {}
    }
    Series::from_points(points)
}

fn recording(d: &mut Dice) -> Recording {
    let mut r = Recording::default();
    let seconds = [1, 30, 700, 5000, 9000][d.roll(5) as usize];
    let channels = [
        (VOLTS.to_owned(), 52.0, 58.0),
        (AMPS.to_owned(), -60.0, 160.0),
        (WARMTH.to_owned(), -5.0, 60.0),
        (SOC.to_owned(), 0.1, 1.0),
        (amps(1), -5.0, 110.0),
        (amps(2), 0.0, 55.0),
        (supply(1), 0.0, 250.0),
        (supply(2), 0.0, 250.0),
        (own_volts(1), 52.0, 58.0),
        (own_volts(2), 52.0, 58.0),
        (state(1), 0.0, 10.0),
        (state(2), 0.0, 10.0),
        (heat(1), 20.0, 90.0),
        (heat(2), 20.0, 90.0),
        ("can0/n2k/127751/9/dc_current".to_owned(), 0.0, 60.0),
        ("can0/n2k/127503/7/voltage".to_owned(), 0.0, 250.0),
        ("can0/n2k/127503/7/real_power".to_owned(), 0.0, 8000.0),
        ("can0/n2k/127503/7/current".to_owned(), 0.0, 40.0),
        ("can0/n2k/127489/0/fuel_rate".to_owned(), 0.0, 5.0),
    ];
    for (address, low, high) in channels {
        if !d.one_in(8) {
            let s = channel(d, seconds, low, high);
            r.series.insert(address.parse().expect("an address"), s);
        }
    }
    let mut start = 0;
    if d.one_in(10) {
        // A clock that stood in another decade at first.
        start = -1_700_000_000_000;
    }
    let last = r.series.values().flat_map(|s| s.points().map(|p| p.0)).max().unwrap_or(0);
    r.period = Some(Period { start: Timestamp::from_millis(start), end: Timestamp::from_millis(last.max(start)) });
    if d.one_in(20) { Recording::default() } else { r }
}

fn intent(d: &mut Dice) -> Intent {
    let mut i = vessel(&requirements());
    let b = &mut i.banks[0];
    b.max_charge_a = (!d.one_in(3)).then(|| d.between(1.0, 200.0));
    if d.one_in(8) {
        b.signals.voltage = None;
    }
    if d.one_in(8) {
        b.signals.current = None;
    }
    if d.one_in(3) {
        b.profile.float_v = None;
    }
    if d.one_in(3) {
        b.profile.temp_comp_mv_per_k_cell = -4.0;
    }
    for s in &mut i.sources {
        s.kind = SourceKind::ALL[d.roll(SourceKind::ALL.len() as u64) as usize];
        if d.one_in(4) {
            s.signals.current = None;
        }
        if d.one_in(4) {
            s.available_when = None;
        }
        if d.one_in(4) {
            s.fed_by = Some("genset".into());
        }
        if d.one_in(4) {
            s.derate = vec![(40.0, 1.0), (60.0, 0.0)];
        }
        s.max_c = d.one_in(2).then_some(70.0);
        s.group = d.one_in(2).then(|| "pair".into());
    }
    if d.one_in(6) {
        i.sources.clear();
    }
    if d.one_in(4) {
        let other = ampwake_schemas::intent::Bank { name: "other".into(), ..i.banks[0].clone() };
        i.banks.push(other);
    }
    i
}

fn check(f: &Findings, period: Period) {
    // A number that is not finite becomes null in JSON, and does not come back.
    let text = serde_json::to_string(f).expect("the document can be written");
    let back: Findings = serde_json::from_str(&text).expect("the document can be read back");
    assert_eq!(back.sessions.len(), f.sessions.len());
    let q = &f.data_quality;
    let shares = [q.coverage, q.bank_voltage_coverage, q.bank_current_coverage];
    assert!(shares.iter().chain(q.signals.iter().map(|s| &s.coverage)).all(|c| (0.0..=1.0).contains(c)), "{q:?}");
    for x in &f.findings {
        assert!((0.0..=1.0).contains(&x.confidence) && x.start <= x.end && x.end <= period.end, "{x:?}");
    }
    for s in &f.sessions {
        assert!(s.start < s.end && s.start >= period.start && s.end <= period.end, "{s:?}");
        assert!(s.charge_ah >= 0.0 && s.charge_ah >= s.charge_net_ah - 1e-3, "{s:?}");
        assert_eq!((s.stages.first().map(|x| x.start), s.stages.last().map(|x| x.end)), (Some(s.start), Some(s.end)));
        assert!(s.stages.windows(2).all(|w| w[0].end == w[1].start), "{:?}", s.stages);
        assert!(s.stages.iter().all(|x| x.start < x.end && (0.0..=1.0).contains(&x.confidence)), "{:?}", s.stages);
        for x in &s.sources {
            assert!(x.charge_ah >= 0.0 && x.energy_wh >= 0.0 && x.lost_ah >= 0.0, "{x:?}");
            assert!(x.contributing_s <= x.opportunity_s && x.share.is_none_or(|p| (0.0..=1.0).contains(&p)), "{x:?}");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn any_recording_gives_a_sound_document(seed in any::<u64>()) {
        let mut d = Dice(seed);
        let (r, i) = (recording(&mut d), intent(&mut d));
        let f = analyze(&r, &i).findings;
        check(&f, f.period);
        prop_assert_eq!(f.verdicts.len(), i.requirements.len());
        for (v, r) in f.verdicts.iter().zip(&i.requirements) {
            match (v.measured, v.uncertainty) {
                (Some(y), Some(u)) => {
                    // Rounded to six decimals on the way.
                    let word = decide(y, u / 2.0, r.limit);
                    let near = (y - r.limit.value()).abs() - u < 1e-5;
                    prop_assert!(v.verdict == word || v.verdict == VerdictWord::Undetermined || near, "{:?}", v);
                }
                _ => prop_assert!(v.verdict == VerdictWord::NotTested && !v.reason.is_empty(), "{:?}", v),
            }
        }
    }

    #[test]
    fn nobody_loses_more_than_the_room(seed in any::<u64>()) {
        let mut d = Dice(seed);
        let (r, i) = (recording(&mut d), intent(&mut d));
        let last = r.series.values().flat_map(|s| s.points().map(|p| p.0)).max().unwrap_or(0);
        let w = work(crate::view::build(&r, &i, &i.banks[0], Grid::over(0, last)));
        for k in 0..w.view.grid.len {
            let lost: f64 = w
                .view
                .sources
                .iter()
                .zip(&w.opportunity)
                .filter(|(_, o)| o.open[k])
                .map(|(s, o)| o.could[k] - s.current[k].max(0.0))
                .sum();
            let room = (w.view.charge_limit[k] - w.view.current[k]).max(0.0);
            if w.view.charge_limit[k].is_finite() && w.view.current[k].is_finite() {
                prop_assert!(lost <= room + 1e-6, "{} A lost in a room of {} A", lost, room);
            }
            let able: f64 = w.view.sources.iter().map(|s| s.intent.rated_a).sum();
            prop_assert!((-1e-9..=able + 1e-6).contains(&lost), "{}", lost);
        }
        let covered: usize = w.spans.iter().map(|s| s.end - s.start).sum();
        prop_assert_eq!(covered, w.view.grid.len);
        prop_assert!(w.spans.windows(2).all(|p| p[0].end == p[1].start && p[0].start < p[0].end));
    }
}
