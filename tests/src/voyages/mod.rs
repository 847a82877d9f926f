//! Simulated voyages with known truth, and their score.
//!
//! A [`Plot`] and a seed make a [`Voyage`]: a random vessel on which that one thing goes wrong (or nothing), its
//! recording, its design intent, and the findings that an analysis owes. [`analyse`] sends the recording through
//! the whole program; [`Score`] holds what came out against the truth.
//!
//! Nothing here sailed: vessels, devices and troubles are invented.

mod dice;
mod expect;
mod figures;
mod plot;
mod score;
mod table;
mod tally;
mod trouble;
mod vessel;
mod watch;

pub use dice::Dice;
pub use expect::Expected;
pub use figures::Figures;
pub use plot::Plot;
pub use score::{Charge, Outcome, Score};
pub use table::table;
pub use tally::{Tally, report};
pub use trouble::Trouble;
pub use vessel::{Second, Vessel, Vessels};
pub use watch::Watch;

use ampwake_analyzer::analyze::{Analysis, analyze};
use ampwake_analyzer::demo::{Scenario, Sensor, Trace, Truth, What, Wiring, bus_traffic, intent_text};
use ampwake_analyzer::load::load;
use ampwake_logger::bus::recording::Input;
use ampwake_logger::import::{ImportOptions, import};
use ampwake_schemas::intent::{Chemistry, Intent, read};
use ampwake_store::Store;
use std::fmt::Write as _;
use std::fs::File;
use std::io::{BufWriter, Write as _};
use std::path::Path;

/// More draws than this for one seed mean that a plot can hardly come about: a mistake in the plot.
const MOST_DRAWS: u64 = 400;

/// A voyage with its truth.
#[derive(Debug, Clone)]
pub struct Voyage {
    /// What goes wrong.
    pub plot: Plot,
    /// The seed of everything.
    pub seed: u64,
    /// The bank's chemistry.
    pub chemistry: Chemistry,
    /// What happens.
    pub scenario: Scenario,
    /// How it truly was.
    pub trace: Trace,
    /// Who reports it, and how badly.
    pub wiring: Wiring,
    /// What is true of it.
    pub truth: Truth,
    /// `vessel.toml`.
    pub intent: String,
    /// What must be found; nothing else may be called a caution or worse.
    pub expected: Vec<Expected>,
}

impl Voyage {
    /// The voyage of this plot and seed. Draws that do not come out clear cut (a charger that is held off for two
    /// minutes, a healthy vessel on which one source happens to miss an hour) are drawn anew.
    ///
    /// # Panics
    /// When no draw comes out clear cut.
    pub fn draw(plot: Plot, seed: u64) -> Self {
        Self::on(plot, seed, Vessels::Ordinary)
    }

    /// As [`Voyage::draw`], on one of these vessels.
    ///
    /// # Panics
    /// When no draw comes out clear cut.
    pub fn on(plot: Plot, seed: u64, vessels: Vessels) -> Self {
        (0..MOST_DRAWS)
            .find_map(|attempt| Self::attempt(plot, seed, attempt, vessels))
            .unwrap_or_else(|| panic!("{plot} {seed}: nothing clear cut in {MOST_DRAWS} draws"))
    }

    fn attempt(plot: Plot, seed: u64, attempt: u64, vessels: Vessels) -> Option<Self> {
        let mut dice = Dice::new(seed, (plot as u64) << 16 | attempt);
        let second = match plot {
            Plot::HeldOff | Plot::LinkLost => Second::Charger,
            Plot::InputMissing | Plot::EnergyLoop => Second::Twin,
            Plot::SensorSwapped => Second::Alternator,
            _ => Second::Any,
        };
        let mut vessel = vessel::draw(&mut dice, second);
        if vessels == Vessels::Rough {
            vessel.wear();
        }
        let trouble = trouble::brew(plot, &mut dice, &mut vessel);
        let Vessel { chemistry, scenario, .. } = vessel;
        let trace = scenario.sail();
        let truth = Truth::of(&scenario, &trace);
        let mut wiring = Wiring::of(&scenario);
        let accuracy = imperfect(&mut dice, &mut wiring, &scenario, vessels);
        unsaid(plot, &mut dice, &mut wiring, &trouble, &scenario);
        let sailed = expect::Sailed { scenario: &scenario, trace: &trace, truth: &truth };
        let expected = expect::expect(plot, &mut dice, &sailed, &trouble, &mut wiring)?;
        let mut text = intent_text(&scenario, &wiring, "Simulated", chemistry);
        if plot == Plot::SensorSwapped {
            text = exchanged(&text);
        }
        let intent = declare(text, &scenario, &trouble, &accuracy);
        Some(Self { plot, seed, chemistry, scenario, trace, wiring, truth, intent, expected })
    }

    /// The design intent as read from its text.
    ///
    /// # Panics
    /// When the text has a mistake.
    pub fn design(&self) -> Intent {
        read("vessel.toml", &self.intent)
            .unwrap_or_else(|mistakes| panic!("{} {}: {mistakes}\n{}", self.plot, self.seed, self.intent))
    }

    /// Seconds in which source `j` was not heard; `None`: the bank.
    pub fn unheard(&self, j: Option<usize>) -> Vec<(f64, f64)> {
        let own = |what: &What| match (what, j) {
            (What::Source { source, .. }, Some(j)) => *source == j,
            (What::Bank { .. }, None) => true,
            _ => false,
        };
        let sender = self.wiring.senders.iter().find(|s| own(&s.what));
        self.wiring.silences.iter().chain(sender.iter().flat_map(|s| &s.silences)).copied().collect()
    }
}

/// Makes the sensors as good as real ones are, and returns the `[accuracy]` that a designer would declare for them.
fn imperfect(dice: &mut Dice, wiring: &mut Wiring, scenario: &Scenario, vessels: Vessels) -> String {
    let cells = f64::from(scenario.bank.cells_in_series);
    // Instruments of larger banks have a larger range: some 0.01 V at 12 V, 0.04 V at 48 V.
    let volt_error = 0.003 * scenario.bank.ocv.at(0.5) * cells / 4.0;
    let volts = |dice: &mut Dice| Sensor::new(dice.between(-1.0, 1.0) * volt_error, 0.5 * volt_error);
    let rough = vessels == Vessels::Rough;
    let (scale, offset, noise, percent, floor) =
        if rough { (0.008, 0.4, 0.5, 0.6, 0.4) } else { (0.003, 0.1, 0.12, 0.5, 0.25) };
    let amps = |dice: &mut Dice| {
        let scale = dice.between(1.0 - scale, 1.0 + scale);
        let sensor = Sensor::new(dice.between(-offset, offset), dice.between(0.25 * noise, noise));
        // Unsynchronised senders are late by up to two seconds.
        Sensor { scale, delay: if rough { dice.between(0.3, 1.8) } else { sensor.delay }, ..sensor }
    };
    for sender in &mut wiring.senders {
        match &mut sender.what {
            What::Bank { voltage, current, .. }
            | What::Source { voltage, current, .. }
            | What::Load { voltage, current, .. } => (*voltage, *current) = (volts(dice), amps(dice)),
            _ => {}
        }
    }
    format!(
        "\n[accuracy]\ncurrent = {{ percent = {percent}, floor = {floor} }}\nvoltage = {{ floor = {:.3} }}\n",
        (1.5 * volt_error).max(0.02)
    )
}

/// Takes away what vessels often do not say, where the plot can be told without: what the loads draw, what a charger
/// thinks of itself, and anything from a charger that has no supply.
fn unsaid(plot: Plot, dice: &mut Dice, wiring: &mut Wiring, trouble: &Trouble, scenario: &Scenario) {
    let loads = dice.chance(0.3) && !(plot == Plot::ReversedShunt && trouble.source.is_none());
    let mute: Vec<bool> = (0..scenario.sources.len())
        .map(|j| dice.chance(0.2) && (trouble.source != Some(j) || plot == Plot::HeldOff) && plot != Plot::LinkLost)
        .collect();
    wiring.senders.retain(|s| match s.what {
        What::Load { .. } => !loads,
        What::ChargerState { source } => !mute[source],
        _ => true,
    });
    // A busy bus loses messages: some senders go unheard for some seconds, now and then.
    if dice.chance(0.4) {
        for sender in &mut wiring.senders {
            for _ in 0..dice.pick(&[0, 1, 3, 8]) {
                let from = dice.between(0.0, f64::from(scenario.seconds));
                sender.silences.push((from, from + dice.between(5.0, 15.0)));
            }
        }
    }
    let asleep = dice.chance(0.5);
    for sender in wiring.senders.iter_mut().filter(|_| asleep && plot == Plot::InputMissing) {
        let own = |source: usize| trouble.source == Some(source);
        if matches!(sender.what, What::Source { source, .. } | What::ChargerState { source } | What::Temperature { source, .. } if own(source))
        {
            sender.silences.push((trouble.from + 5.0, f64::from(scenario.seconds)));
        }
    }
}

/// What the designer adds to the intent of a vessel.
fn declare(text: String, scenario: &Scenario, trouble: &Trouble, accuracy: &str) -> String {
    let mut out = String::new();
    let mut source: Option<usize> = None;
    for line in text.lines() {
        match (source, trouble.promised) {
            (Some(j), Some((promised, rated))) if j == promised && line.starts_with("rated_a") => {
                // Writing to a string cannot fail.
                let _ = writeln!(out, "rated_a = {rated}");
                continue;
            }
            _ => {}
        }
        out.push_str(line);
        out.push('\n');
        if line == "[[source]]" {
            let j = source.map_or(0, |j| j + 1);
            source = Some(j).filter(|j| *j < scenario.sources.len());
            for (_, more) in trouble.lines.iter().filter(|(to, _)| *to == j) {
                out.push_str(more);
                out.push('\n');
            }
        }
    }
    out.push_str(&trouble.sections);
    out.push_str(accuracy);
    out
}

/// The intent of a designer who took the current sensors of the first two sources for each other's.
fn exchanged(text: &str) -> String {
    let [first, second] = [10, 11].map(|n| format!("current = \"can0/n2k/127751/{n}/dc_current\""));
    text.replace(&first, "\u{0}").replace(&second, &first).replace('\u{0}', &second)
}

/// Sends the recording through the whole program in folder `dir`: recorded as text, imported, loaded, analysed.
/// Leaves `recording.log`, `voyage.db` and `vessel.toml` there.
///
/// # Panics
/// On anything that does not work: this is a test.
pub fn analyse(voyage: &Voyage, dir: &Path) -> Analysis {
    let name = format!("{} {}", voyage.plot, voyage.seed);
    let (log, db) = (dir.join("recording.log"), dir.join("voyage.db"));
    let mut out = BufWriter::new(File::create(&log).expect("a recording that can be written"));
    bus_traffic(&voyage.trace, &voyage.wiring, voyage.seed, &mut out).unwrap_or_else(|e| panic!("{name}: {e}"));
    out.flush().expect("a recording that can be written");
    std::fs::write(dir.join("vessel.toml"), &voyage.intent).expect("an intent that can be written");

    let mut writer = Store::create(&db).unwrap_or_else(|e| panic!("{name}: {e}"));
    let report = import(&[Input::from_argument(&log)], &ImportOptions::default(), &mut writer, &mut |_| {})
        .unwrap_or_else(|e| panic!("{name}: {e}"));
    assert!(report.problems.is_empty(), "{name}: {:?}", report.problems);
    drop(writer);
    let intent = voyage.design();
    let store = Store::open(&db).unwrap_or_else(|e| panic!("{name}: {e}"));
    let recording = load(&store, &intent, None, None).unwrap_or_else(|e| panic!("{name}: {e}"));
    analyze(&recording, &intent)
}

/// Draws, sails, records, analyses and scores a voyage in a temporary folder.
///
/// # Panics
/// On anything that does not work.
pub fn sail(plot: Plot, seed: u64) -> (Voyage, Analysis, Score) {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let voyage = Voyage::draw(plot, seed);
    let analysis = analyse(&voyage, dir.path());
    let score = Score::of(&voyage, &analysis.findings);
    (voyage, analysis, score)
}
