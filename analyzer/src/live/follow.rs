//! The one thread that reads the database and judges. Everything else gets what it publishes.

use super::snapshot::{ChartSeries, FindingNow, Happening, Kept, Panel, Snapshot, Standing};
use super::window::Window;
use super::{buses, missing, now};
use crate::analyze::{Analysis, piece};
use crate::load::{Catalogue, compose};
use crate::recording::Recording;
use crate::report::{Fingerprint, InputFile, Provenance};
use ampwake_schemas::findings::{Finding, Period};
use ampwake_schemas::intent::{Intent, Signal};
use ampwake_schemas::time::Timestamp;
use ampwake_schemas::trial::{TestStanding, Trial};
use ampwake_store::{ChannelId, ChannelInfo, Store, StoreError, writer_of};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::{Duration, Instant, SystemTime};

/// What to follow.
#[derive(Debug, Clone)]
pub struct Options {
    /// The database.
    pub db: PathBuf,
    /// The design intent.
    pub intent: PathBuf,
    /// Hours that are judged.
    pub hours: f64,
}

/// How often to look whether somebody has written something; that costs next to nothing.
const LOOK: Duration = Duration::from_secs(1);
/// Not judged more often than this.
const LEAST_PAUSE: Duration = Duration::from_secs(3);
/// Judging takes one part in so many of a core's time,
const SHARE: u32 = 20;
/// but whoever looks on is not left without news for longer than this, however slow the computer.
const MOST_PAUSE: Duration = Duration::from_secs(20);
/// The list of channels, devices and events is read again after this, or when there is a new channel.
const CATALOGUE_AGE: Duration = Duration::from_secs(60);
/// What is said of the age of the data is renewed this often when nothing else is.
const AGE: Duration = Duration::from_secs(5);
/// No new data for longer than this, s: the longest commit interval of a passage, twice.
const STILL_S: f64 = 120.0;
/// Later than this computer's clock by more than this is no time of a recording, s.
const AHEAD_S: i64 = 86_400;
/// Lines of a picture.
const MOST_SERIES: usize = 40;
/// What happened lately.
const MOST_HAPPENINGS: usize = 8;

/// Follows the database and publishes snapshots until `stop` is told or gone, or `publish` says false.
pub fn follow(options: &Options, stop: &Receiver<()>, publish: &mut dyn FnMut(Snapshot) -> bool) {
    let mut watcher = Watcher::new(options.clone());
    loop {
        if let Some(snapshot) = watcher.look()
            && !publish(snapshot)
        {
            return;
        }
        match stop.recv_timeout(LOOK) {
            Err(RecvTimeoutError::Timeout) => {}
            Ok(()) | Err(RecvTimeoutError::Disconnected) => return,
        }
    }
}

/// What tells one file from the next under the same name.
type Stamp = Option<(SystemTime, u64)>;

/// The intent with its hash, or what is wrong with it.
type ReadIntent = Result<(Arc<Intent>, String), String>;

struct Watcher {
    options: Options,
    intent: Option<(Stamp, ReadIntent)>,
    open: Option<Open>,
    /// When each finding was seen first.
    seen: BTreeMap<(String, i64), Timestamp>,
    /// How the commissioning tests stand, with the hash of the intent that asks for them.
    trial: Option<(String, Trial)>,
    last: Option<Snapshot>,
    published: Instant,
}

struct Open {
    store: Store,
    file: u64,
    revision: Option<i64>,
    catalogue: Option<(Catalogue, Instant, u64)>,
    window: Option<Window>,
    judged: Option<Instant>,
    pause: Duration,
}

/// This computer's time.
pub(crate) fn clock() -> Timestamp {
    Timestamp::from_micros(chrono::Utc::now().timestamp_micros())
}

/// The number of the file, so that one that took its place is noticed.
fn file_number(path: &Path) -> u64 {
    #[cfg(unix)]
    {
        use std::os::unix::fs::MetadataExt;
        std::fs::metadata(path).map_or(0, |m| m.ino())
    }
    #[cfg(not(unix))]
    {
        std::fs::metadata(path).ok().and_then(|m| m.created().ok()).map_or(0, |_| 1)
    }
}

impl Watcher {
    fn new(options: Options) -> Self {
        Self {
            options,
            intent: None,
            open: None,
            seen: BTreeMap::new(),
            trial: None,
            last: None,
            published: Instant::now(),
        }
    }

    /// A new snapshot, where there is something new to say.
    fn look(&mut self) -> Option<Snapshot> {
        let changed = self.read_intent();
        let snapshot = match self.judge(changed) {
            Ok(Some(snapshot)) => snapshot,
            Ok(None) => {
                let last = self.last.as_ref().filter(|_| self.published.elapsed() >= AGE)?;
                self.aged(last.clone())
            }
            Err(error) => {
                self.open = None;
                self.nothing(missing::database(&error))
            }
        };
        // What is missing is said once.
        let same = snapshot.standing == Standing::Missing
            && self.last.as_ref().is_some_and(|l| l.standing == Standing::Missing && l.advice == snapshot.advice);
        if same {
            return None;
        }
        self.published = Instant::now();
        self.last = Some(snapshot.clone());
        Some(snapshot)
    }

    /// Reads the intent where it has changed; true when it has.
    fn read_intent(&mut self) -> bool {
        let path = &self.options.intent;
        let stamp: Stamp = std::fs::metadata(path).ok().and_then(|m| Some((m.modified().ok()?, m.len())));
        if self.intent.as_ref().is_some_and(|(before, _)| *before == stamp) {
            return false;
        }
        let read = crate::commands::read_intent(path)
            .map(|(intent, bytes)| (Arc::new(intent), crate::commands::sha256_of(&bytes)))
            .map_err(|e| e.to_string());
        self.intent = Some((stamp, read));
        if let Some(open) = &mut self.open {
            open.window = None;
            open.judged = None;
        }
        true
    }

    fn nothing(&self, advice: super::Advice) -> Snapshot {
        let mut snapshot = Snapshot::nothing(Standing::Missing, clock());
        if let Some((_, Ok((intent, _)))) = &self.intent {
            snapshot.vessel = Some(intent.vessel.name.clone());
            snapshot.time_zone.clone_from(&intent.vessel.time_zone);
        }
        snapshot.recording = writer_of(&self.options.db).is_some();
        snapshot.advice = vec![advice];
        snapshot
    }

    /// The same again, a little older.
    fn aged(&self, mut snapshot: Snapshot) -> Snapshot {
        snapshot.made = clock();
        snapshot.age_s = snapshot.newest.map(|t| snapshot.made.seconds_since(t));
        snapshot.recording = writer_of(&self.options.db).is_some();
        stand(&mut snapshot);
        snapshot
    }

    fn judge(&mut self, changed: bool) -> Result<Option<Snapshot>, StoreError> {
        let file = file_number(&self.options.db);
        if self.open.as_ref().is_none_or(|o| o.file != file) {
            let store = Store::open(&self.options.db)?;
            let open =
                Open { store, file, revision: None, catalogue: None, window: None, judged: None, pause: LEAST_PAUSE };
            self.open = Some(open);
        }
        let (intent, hash) = match &self.intent {
            Some((_, Ok((intent, hash)))) => (Arc::clone(intent), hash.clone()),
            Some((_, Err(why))) => {
                return Ok(Some(self.nothing(missing::intent(&self.options.intent, why))));
            }
            None => return Ok(None),
        };
        let recording = writer_of(&self.options.db).is_some();
        let Some(open) = &mut self.open else { return Ok(None) };
        let revision = open.store.revision()?;
        let due = open.judged.is_none_or(|t| t.elapsed() >= open.pause);
        if !changed && (open.revision == Some(revision) || !due) {
            return Ok(None);
        }
        open.revision = Some(revision);
        open.refresh()?;
        let Some((catalogue, ..)) = &open.catalogue else { return Ok(None) };
        if catalogue.channels.iter().all(|c| c.samples == 0) {
            return Ok(Some(self.nothing(missing::empty(recording))));
        }
        let latest = Timestamp::from_micros(clock().micros().saturating_add(AHEAD_S * 1_000_000));
        let newest = catalogue.channels.iter().filter_map(|c| c.last).filter(|t| *t <= latest).max();
        let Some(newest) = newest else { return Ok(Some(self.nothing(missing::no_period()))) };
        let began = Instant::now();
        let window = open.window.get_or_insert_with(|| Window::new(self.options.hours, newest));
        window.add(&open.store, &buses::health(&catalogue.channels))?;
        window.catch_up(&open.store)?;
        let newest = window.newest(latest).unwrap_or(newest).max(newest);
        let from = window.forget(newest);
        let mut wanted: BTreeSet<ChannelId> = BTreeSet::new();
        let mut read = |c: &ChannelInfo| {
            wanted.insert(c.id);
            Ok(window.series(c))
        };
        let mut recorded = compose(catalogue, &intent, Some(from), Some(newest), &mut read)?;
        if window.add(&open.store, &wanted)? {
            // What was not followed yet was read as nothing.
            recorded = compose(catalogue, &intent, Some(from), Some(newest), &mut |c| Ok(window.series(c)))?;
        }
        if recorded.series.is_empty() {
            let advice = missing::not_named(catalogue);
            let buses = buses::buses(catalogue, &intent, window, newest);
            let mut snapshot = self.nothing(advice);
            snapshot.buses = buses;
            return Ok(Some(snapshot));
        }
        recorded.period = Some(Period { start: recorded.period.map_or(from, |p| p.start.max(from)), end: newest });
        let mut banks = Vec::new();
        let analysis = piece(&recorded, &intent, &mut |w| banks.push(now::bank(w, newest))).analysis;
        now::with_findings(&mut banks, &analysis.findings.findings, newest);
        let took = began.elapsed();
        open.judged = Some(Instant::now());
        open.pause = (took * SHARE).clamp(LEAST_PAUSE, MOST_PAUSE);
        let made = clock();
        let mut snapshot = Snapshot::nothing(Standing::Live, made);
        snapshot.vessel = Some(intent.vessel.name.clone());
        snapshot.time_zone.clone_from(&intent.vessel.time_zone);
        snapshot.recording = recording;
        snapshot.newest = Some(newest);
        snapshot.age_s = Some(made.seconds_since(newest));
        snapshot.window = Some(analysis.findings.period);
        snapshot.recorded = catalogue.period.map(|p| Period { start: p.start, end: p.end.min(latest).max(newest) });
        snapshot.banks = banks;
        snapshot.findings = seen(&mut self.seen, &analysis.findings.findings, newest, made);
        snapshot.verdicts.clone_from(&analysis.findings.verdicts);
        snapshot.trial = tests(&mut self.trial, &analysis, &hash);
        snapshot.buses = buses::buses(catalogue, &intent, window, newest);
        snapshot.problems.clone_from(&catalogue.problems);
        snapshot.happenings = happenings(catalogue);
        snapshot.series = series(&intent, &recorded, catalogue);
        snapshot.advice.extend(missing::unheard(&analysis.findings.data_quality));
        snapshot.judged_in_ms = took.as_millis() as u64;
        let provenance = provenance(&self.options, hash, made);
        snapshot.kept = Some(Arc::new(Kept { analysis, intent: (*intent).clone(), provenance }));
        stand(&mut snapshot);
        Ok(Some(snapshot))
    }
}

impl Open {
    fn refresh(&mut self) -> Result<(), StoreError> {
        let count = self.store.channel_count()?;
        let fresh = |(_, read, n): &(Catalogue, Instant, u64)| *n == count && read.elapsed() < CATALOGUE_AGE;
        // An empty one is looked into again and again until there is something.
        let something = |c: &Catalogue| c.channels.iter().any(|c| c.samples > 0);
        if !self.catalogue.as_ref().is_some_and(|c| fresh(c) && something(&c.0)) {
            self.catalogue = Some((Catalogue::of(&self.store)?, Instant::now(), count));
        }
        Ok(())
    }
}

/// Live or still, with the advice that belongs to it.
fn stand(snapshot: &mut Snapshot) {
    if snapshot.standing == Standing::Missing {
        return;
    }
    let still = snapshot.age_s.is_none_or(|age| age > STILL_S);
    snapshot.standing = if still { Standing::Still } else { Standing::Live };
    let words = [missing::still(true), missing::still(false)];
    snapshot.advice.retain(|a| !words.contains(a));
    if still {
        snapshot.advice.insert(0, missing::still(snapshot.recording));
    }
}

/// The findings with when they were seen first; those that are gone are forgotten.
fn seen(
    known: &mut BTreeMap<(String, i64), Timestamp>,
    findings: &[Finding],
    newest: Timestamp,
    made: Timestamp,
) -> Vec<FindingNow> {
    // The beginning of a finding moves a little as the window does.
    let key = |f: &Finding| {
        let about = format!("{:?} {:?} {:?}", f.kind, f.source, f.channel);
        (about, f.start.millis().div_euclid(600_000))
    };
    let keys: BTreeSet<(String, i64)> = findings.iter().map(key).collect();
    known.retain(|k, _| keys.contains(k));
    findings
        .iter()
        .map(|f| FindingNow {
            finding: f.clone(),
            ongoing: newest.seconds_since(f.end) <= now::ONGOING_S,
            seen: *known.entry(key(f)).or_insert(made),
        })
        .collect()
}

/// How the tests stand: what was covered stays so when its hours are no longer looked at.
fn tests(known: &mut Option<(String, Trial)>, analysis: &Analysis, hash: &str) -> Vec<TestStanding> {
    let before = known.take().filter(|(of, _)| of == hash).map(|(_, plan)| plan);
    let plans = before.into_iter().chain([analysis.trial.clone()]).collect();
    let f = &analysis.findings;
    let plan = crate::trial::over(plans, &f.verdicts, &f.marks, f.period).unwrap_or_default();
    let standings = plan.tests.iter().map(|t| t.standing.clone()).collect();
    *known = Some((hash.to_owned(), plan));
    standings
}

fn happenings(catalogue: &Catalogue) -> Vec<Happening> {
    let newest = catalogue.events.iter().rev().take(MOST_HAPPENINGS);
    newest.map(|e| Happening { time: e.time, text: e.text.clone() }).collect()
}

fn provenance(options: &Options, hash: String, made: Timestamp) -> Provenance {
    let name = |path: &Path| path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned();
    let size = std::fs::metadata(&options.db).map_or(0, |m| m.len());
    Provenance {
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        inputs: vec![InputFile { name: name(&options.db), fingerprint: Fingerprint::Bytes(size) }],
        intent_file: Some(InputFile { name: name(&options.intent), fingerprint: Fingerprint::Sha256(hash) }),
        generated: Some(made),
    }
}

/// What can be drawn of this intent.
fn series(intent: &Intent, recording: &Recording, catalogue: &Catalogue) -> Vec<ChartSeries> {
    let mut out: Vec<ChartSeries> = Vec::new();
    let mut add = |panel: Panel, label: &str, unit: &'static str, level: Option<f64>, signal: Option<&Signal>| {
        let Some(signal) = signal else { return };
        let sent = recording.sent(signal);
        let all = &catalogue.channels;
        let channel = all.iter().find(|c| c.address == sent).or_else(|| {
            let plain = sent.without_source();
            all.iter().find(|c| c.address == plain)
        });
        if let Some(c) = channel.filter(|_| out.len() < MOST_SERIES) {
            let (channel, id, scale) = (c.address.clone(), c.id, signal.scale);
            out.push(ChartSeries { panel, label: label.to_owned(), unit, level, channel, id, scale });
        }
    };
    for b in &intent.banks {
        let g = &b.signals;
        add(Panel::Voltage, &b.name, "V", Some(b.profile.absorption_v), g.voltage.as_ref());
        add(Panel::Current, &b.name, "A", b.max_charge_a, g.current.as_ref());
        for s in intent.sources.iter().filter(|s| s.bank == b.name) {
            add(Panel::Source, &s.name, "A", Some(s.set_a.unwrap_or(s.rated_a)), s.signals.current.as_ref());
        }
        for t in &g.temperature {
            add(Panel::Temperature, &b.name, "°C", Some(b.temperature.charge_max_c), Some(t));
        }
        for s in intent.sources.iter().filter(|s| s.bank == b.name) {
            add(Panel::Temperature, &s.name, "°C", s.max_c, s.signals.temperature.as_ref());
        }
        add(Panel::Charge, &b.name, "%", None, g.state_of_charge.as_ref());
    }
    for s in out.iter_mut().filter(|s| s.panel == Panel::Charge) {
        s.scale *= 100.0;
    }
    out
}
