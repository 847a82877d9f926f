//! Any values at any times on the channels that an intent names, through store, analysis and every output.
//!
//! Input: a byte that chooses the intent, then steps: a byte (two bits say what, six which channel), then its fields.
//! A run or a ramp of samples begins at the present time; time passes by steps of its own, so that channels overlap.

use super::database::Scratch;
use super::feed::Feed;
use ampwake_analyzer::analyze::analyze;
use ampwake_analyzer::draft::{Heard, draft};
use ampwake_analyzer::load::load;
use ampwake_analyzer::quality::signals;
use ampwake_analyzer::report::{Provenance, ReportInput, html, json, text};
use ampwake_schemas::findings::Findings;
use ampwake_schemas::intent::{Intent, read};
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelId, Event, Store, Writer};
use std::sync::OnceLock;

/// More samples than this show nothing new.
const MOST_SAMPLES: usize = 4_000;
/// As the importers: the years 0 to 9999.
const TIMES_S: std::ops::RangeInclusive<i64> = -62_167_219_200..=253_402_300_799;

const INTENTS: [&str; 5] = [
    include_str!("../../golden/recordings/harbour-evening/vessel.toml"),
    include_str!("../../golden/voyages/isfugl-cold-and-hot/vessel.toml"),
    include_str!("../../golden/voyages/shearwater-both-ways/vessel.toml"),
    include_str!("../../../deploy/examples/intent-agm-24v-alternator.toml"),
    include_str!("../../../deploy/examples/intent-nmc-serial-hybrid.toml"),
];

fn intents() -> &'static [Intent] {
    static READ: OnceLock<Vec<Intent>> = OnceLock::new();
    READ.get_or_init(|| INTENTS.iter().map(|text| read("vessel.toml", text).expect("an intent")).collect())
}

/// Records what the bytes say and analyses it.
pub fn run(bytes: &[u8]) {
    let mut feed = Feed::new(bytes);
    let Some(intent) = intents().get(usize::from(feed.byte()) % INTENTS.len()) else { return };
    let scratch = Scratch::new();
    let mut store = scratch.writer();
    record(&mut feed, intent, &mut store);
    store.commit().expect("samples can be stored");
    let store = scratch.reader(store);
    drafted(&store);
    let recording = load(&store, intent, None, None).expect("the database can be read");
    if recording.period.is_none_or(|p| p.end <= p.start) {
        return;
    }
    let analysis = analyze(&recording, intent);
    let provenance =
        Provenance { program_version: "0".to_owned(), inputs: Vec::new(), intent_file: None, generated: None };
    let input = ReportInput { findings: &analysis.findings, intent, charts: &analysis.charts, provenance };
    let (mut words, mut page, mut document) = (Vec::new(), Vec::new(), Vec::new());
    text(&input, &mut words).expect("memory");
    html(&input, &mut page).expect("memory");
    json(&analysis.findings, &mut document).expect("memory");
    assert!(!words.is_empty() && std::str::from_utf8(&page).is_ok());
    // A value that is no number would be `null`, which reads back as nothing.
    let again: Findings =
        serde_json::from_slice(&document).unwrap_or_else(|e| panic!("the document does not read: {e}"));
    assert_eq!(again, analysis.findings);
}

/// A first intent for what was heard: whatever it says, it says it as TOML.
fn drafted(store: &Store) {
    let heard = store.channels().expect("channels").into_iter().map(|c| {
        let range = c.latest.map(|v| (v.min(0.0), v.max(0.0)));
        Heard { address: c.address, unit: c.unit, range, latest: c.latest }
    });
    let text = draft(&heard.collect::<Vec<_>>());
    if let Err(mistakes) = read("draft.toml", &text) {
        super::files::are_sound(&mistakes, &text);
    }
}

/// Stores what the steps say.
fn record(feed: &mut Feed<'_>, intent: &Intent, store: &mut Writer) {
    let channels: Vec<(ChannelId, bool)> = signals(intent)
        .iter()
        .filter_map(|(_, role, signal)| {
            let code = role.contains("state") || role.contains("mode");
            let unit = if code { Unit::Code } else { Unit::Volt };
            Some((store.channel(&signal.address, unit).ok()?, code))
        })
        .collect();
    store.begin_segment("any values");
    let (mut now_ms, mut samples) = (1_780_315_200_000_i64, 0);
    while !feed.is_empty() && samples < MOST_SAMPLES {
        let step = feed.byte();
        let Some((channel, code)) = channels.get(usize::from(step >> 2) % channels.len().max(1)).copied() else {
            break;
        };
        match step & 3 {
            kind @ (0 | 1) => {
                let (count, every_ms) = (i64::from(feed.byte()) + 1, 250 * i64::from(feed.byte()));
                let from = if code { f64::from(feed.byte()) } else { f64::from(feed.word() as i16) / 100.0 };
                let to = if kind == 0 { from } else { f64::from(feed.word() as i16) / 100.0 };
                for i in 0..count {
                    let value = from + (to - from) * i as f64 / count as f64;
                    store.append(channel, Timestamp::from_millis(now_ms + i * every_ms), Reading::Value(value));
                }
                samples += count as usize;
            }
            2 => {
                let form = feed.byte();
                let bits = u64::from(feed.long()) << 32 | u64::from(feed.long());
                store.append(
                    channel,
                    Timestamp::from_millis(now_ms),
                    Reading::from_code(form & 3, f64::from_bits(bits)),
                );
                samples += 1;
            }
            _ => now_ms = pass(now_ms, feed, store),
        }
    }
}

/// Lets time pass, or lets something happen to the recording.
fn pass(now_ms: i64, feed: &mut Feed<'_>, store: &mut Writer) -> i64 {
    let choice = feed.byte();
    match choice {
        0..=199 => now_ms + i64::from(feed.word()) * 100,
        200..=229 => {
            let kind = ["clock_step", "bus_silent", "bus_error", "frames_lost", "duplicate_instance", "fault_reported"];
            let kind = kind[usize::from(choice) % kind.len()].to_owned();
            let details = "{\"step_s\": 5, \"since\": null, \"lost_frames\": 7, \"count\": 3}".to_owned();
            let (time, bus) = (Timestamp::from_millis(now_ms), Some("can0".to_owned()));
            store.event(Event { time, kind, bus, channel: None, text: "so it is".to_owned(), details });
            now_ms
        }
        230..=249 => {
            let segment = store.begin_segment("after a jump");
            store.set_segment_offset(segment, i64::from(feed.word()) * 1000 - 30_000_000, "by the bus");
            now_ms
        }
        // Anywhere between the years 0 and 9999.
        _ => (i64::from(feed.word()) * 4_815_000 + TIMES_S.start()).min(*TIMES_S.end()) * 1000,
    }
}
