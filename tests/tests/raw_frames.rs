//! Raw frames beside a recording: what comes back is what was recorded, and no trouble with them costs a sample.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_logger::bus::Frame;
use ampwake_logger::bus::recording::{Input, Recording};
use ampwake_logger::bus::source::{Outlet, Source};
use ampwake_logger::import::{ImportError, ImportOptions, import};
use ampwake_logger::raw::RawOptions;
use ampwake_logger::record::{RecordOptions, record};
use ampwake_store::{Store, StoreError, raw};
use ampwake_tests::counter::{CHANNEL, Counter, options};
use ampwake_tests::crash::refuser;
use ampwake_tests::file;
use std::path::{Path, PathBuf};
use std::process::{Child, Command};
use std::time::Duration;

/// The numbers of the counting bus, in the order of time.
fn numbers(path: &Path) -> Vec<u32> {
    let Ok(store) = Store::open(path) else { return Vec::new() };
    let Ok(Some(channel)) = store.find(&CHANNEL.parse().unwrap()) else { return Vec::new() };
    let read = store.read_all(channel.id, None, None).unwrap();
    read.iter().map(|(_, r)| (r.value().unwrap() * 100.0).round() as u32).collect()
}

/// The raw frames' numbers, through an import into a new database.
fn imported(raw: &Path) -> Vec<u32> {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("other.db");
    let mut writer = Store::create(&path).unwrap();
    import(&[Input::File(raw.to_owned())], &ImportOptions::default(), &mut writer, &mut |_| {}).unwrap();
    drop(writer);
    numbers(&path)
}

fn chunks(raw: &Path) -> usize {
    let Ok(mut reader) = raw::RawReader::open(raw) else { return 0 };
    std::iter::from_fn(|| reader.next_chunk().unwrap()).filter(Result::is_ok).count()
}

/// A recorder in a process of its own; calls to files of this name are refused while `refusing` is there.
struct Running {
    child: Child,
    refusing: PathBuf,
}

impl Running {
    fn start(path: &Path, refuse: Option<(&Path, &str, &str)>) -> Self {
        let refusing = path.with_file_name("refusing");
        let mut command = Command::new(env!("CARGO_BIN_EXE_endless-recorder"));
        command.arg(path).arg("raw");
        if let Some((library, name, error)) = refuse {
            command.env("LD_PRELOAD", library).env("AMPWAKE_REFUSE_PATH", name).env("AMPWAKE_REFUSE_ERROR", error);
            command.env("AMPWAKE_REFUSE_CALL", "1").env("AMPWAKE_REFUSE_FROM", "1");
            command.env("AMPWAKE_REFUSE_WHILE", &refusing);
            if error == "28" {
                command.env("AMPWAKE_REFUSE_GROWTH", "1");
            }
        }
        Self { child: command.spawn().unwrap(), refusing }
    }

    fn until(&mut self, reached: impl Fn() -> bool) {
        while !reached() {
            assert!(self.child.try_wait().unwrap().is_none(), "the recorder ended by itself");
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    fn refuse_for_a_while(&mut self, seen: impl Fn() -> bool) {
        std::fs::write(&self.refusing, "").unwrap();
        self.until(seen);
        std::fs::remove_file(&self.refusing).unwrap();
    }

    fn kill(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn said(path: &Path, kind: &str) -> Option<String> {
    let events = Store::open(path).and_then(|s| s.events()).unwrap_or_default();
    events.into_iter().find(|e| e.kind == kind).map(|e| e.text)
}

#[test]
fn a_killed_recorder_leaves_raw_frames_that_say_what_the_samples_say() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("voyage.db");
    let own = raw::beside(&path);
    let mut recorder = Running::start(&path, None);
    recorder.until(|| chunks(&own) >= 10);
    recorder.kill();
    let (samples, frames) = (numbers(&path), imported(&own));
    assert!(frames.len() >= 100 && samples.len() >= 100);
    assert!(frames.iter().zip(&samples).all(|(f, s)| f == s), "no number twice, none left out");
    assert!(samples.iter().enumerate().all(|(i, n)| *n == i as u32));
    // A second run goes on in the same file.
    let before = chunks(&own);
    let mut recorder = Running::start(&path, None);
    recorder.until(|| chunks(&own) > before);
    recorder.kill();
    assert!(imported(&own).len() > frames.len());
    // Into its own database it would double what is there.
    let mut writer = Store::create(&path).unwrap();
    let again = import(&[Input::File(own)], &ImportOptions::default(), &mut writer, &mut |_| {});
    assert!(matches!(again, Err(ImportError::Own { .. })), "{again:?}");
}

#[test]
fn a_disk_that_refuses_raw_frames_costs_no_sample_and_what_was_given_up_is_counted() {
    let tools = tempfile::tempdir().unwrap();
    let library = refuser(tools.path());
    for error in ["5", "30"] {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("voyage.db");
        let own = raw::beside(&path);
        let mut recorder = Running::start(&path, Some((&library, "voyage.raw.db", error)));
        recorder.until(|| chunks(&own) >= 5);
        recorder.refuse_for_a_while(|| said(&path, "raw_frames_given_up").is_some());
        recorder.until(|| said(&path, "raw_frames_back").is_some());
        // What was given up last is told with a commit or two.
        let kept = chunks(&own);
        recorder.until(|| chunks(&own) > kept + 5);
        recorder.kill();
        let samples = numbers(&path);
        assert!(samples.iter().enumerate().all(|(i, n)| *n == i as u32 % 30_000), "error {error}: each sample once");
        let frames = imported(&own);
        let store = Store::open(&path).unwrap();
        let given_up = problem(&store, "raw_frame_given_up");
        assert!(given_up > 0, "error {error}");
        // A write that was refused may have reached the disk all the same.
        let missing = u64::from(*frames.last().unwrap()) + 1 - frames.len() as u64;
        assert!(missing > 0 && missing <= given_up, "error {error}: {missing} missing, {given_up} given up");
        assert_eq!(problem(&store, "raw_frame_let_go"), 0, "error {error}: only a full disk asks for room");
    }
}

/// No room for a log of what is let go either: then all of them go, and for an hour none are kept.
#[test]
fn a_disk_without_room_for_raw_frames_costs_no_sample() {
    let tools = tempfile::tempdir().unwrap();
    let library = refuser(tools.path());
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("voyage.db");
    let own = raw::beside(&path);
    let mut recorder = Running::start(&path, Some((&library, "voyage.raw.db", "28")));
    recorder.until(|| chunks(&own) >= 5);
    recorder.refuse_for_a_while(|| said(&path, "raw_frames_let_go").is_some());
    recorder.until(|| said(&path, "raw_frames_given_up").is_some());
    recorder.kill();
    let samples = numbers(&path);
    assert!(samples.iter().enumerate().all(|(i, n)| *n == i as u32 % 30_000), "each sample once");
    let store = Store::open(&path).unwrap();
    assert!(problem(&store, "raw_frame_let_go") >= 5 && problem(&store, "raw_frame_given_up") > 0);
}

fn problem(store: &Store, name: &str) -> u64 {
    store.problems().unwrap().get(name).copied().unwrap_or(0)
}

#[test]
fn on_a_full_disk_raw_frames_make_room_for_samples() {
    let tools = tempfile::tempdir().unwrap();
    let library = refuser(tools.path());
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("voyage.db");
    let own = raw::beside(&path);
    let mut recorder = Running::start(&path, Some((&library, "voyage.db", "28")));
    recorder.until(|| chunks(&own) >= 20);
    recorder.refuse_for_a_while(|| chunks(&own) == 0);
    recorder.until(|| said(&path, "raw_frames_let_go").is_some() && said(&path, "disk_back").is_some());
    recorder.kill();
    let samples = numbers(&path);
    assert!(samples.iter().enumerate().all(|(i, n)| *n == i as u32 % 30_000), "each sample once");
    assert!(said(&path, "disk_back").unwrap().contains("0 samples were given up"));
    let store = Store::open(&path).unwrap();
    assert!(problem(&store, "raw_frame_let_go") >= 20 && problem(&store, "raw_frame_given_up") > 0);
}

/// Frames that come at the pace of a quick disk.
struct Paced(Vec<Frame>);

impl Source for Paced {
    fn name(&self) -> &str {
        "can0"
    }

    fn run(self: Box<Self>, out: &Outlet) {
        for (n, frame) in self.0.into_iter().enumerate() {
            if n.is_multiple_of(500) {
                std::thread::sleep(Duration::from_millis(2));
            }
            if !out.frame(frame) {
                return;
            }
        }
    }
}

fn recorded(path: &Path, source: Box<dyn Source>, max_bytes: u64) -> u64 {
    let kept = RawOptions { path: raw::beside(path), days: 36_500, max_bytes };
    let options = RecordOptions { raw: Some(kept), ..options(Duration::from_millis(50)) };
    let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
    let store = Store::create(path).unwrap();
    runtime.block_on(record(vec![source], store, options, std::future::pending())).unwrap().totals.frames
}

#[test]
fn raw_frames_of_a_voyage_give_what_its_recording_gives() {
    let golden = Input::File(file("golden/recordings/two-on-one-bus/log.candump.gz"));
    let mut recording = Recording::open(&golden).unwrap();
    let frames: Vec<Frame> = std::iter::from_fn(|| recording.next_frame().unwrap()).map(|r| r.frame).collect();
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("voyage.db");
    assert_eq!(recorded(&path, Box::new(Paced(frames.clone())), 1 << 40), frames.len() as u64);
    let mut own = Recording::open(&Input::File(raw::beside(&path))).unwrap();
    let again: Vec<Frame> = std::iter::from_fn(|| own.next_frame().unwrap()).map(|r| r.frame).collect();
    assert!(again == frames, "to the microsecond");
    assert_eq!((own.buses(), own.progress()), (&["can0".to_owned()][..], Some(1.0)));
    let channels = |input: Input, name: &str| {
        let mut writer = Store::create(dir.path().join(name)).unwrap();
        import(&[input], &ImportOptions::default(), &mut writer, &mut |_| {}).unwrap();
        let channels = writer.channels().unwrap().into_iter();
        channels.map(|c| (c.address, c.samples, c.missing, c.first, c.last, c.latest)).collect::<Vec<_>>()
    };
    let of_raw = channels(Input::File(raw::beside(&path)), "a.db");
    assert_eq!(of_raw, channels(golden, "b.db"));
    assert!(of_raw.len() > 10);
}

#[test]
fn where_there_is_no_room_within_max_gb_samples_come_first() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("voyage.db");
    let counter = Counter { frames: Some(3000), pace: Duration::from_micros(100) };
    assert_eq!(recorded(&path, Box::new(counter), 10_000), 3000);
    assert_eq!(numbers(&path), (0..3000).collect::<Vec<_>>());
    let store = Store::open(&path).unwrap();
    assert_eq!((problem(&store, "raw_frame_given_up"), chunks(&raw::beside(&path))), (3000, 0));
    assert!(said(&path, "raw_frames_given_up").is_some());
}

#[test]
fn a_damaged_or_foreign_file_of_raw_frames_costs_no_sample() {
    for damaged in [true, false] {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("voyage.db");
        let own = raw::beside(&path);
        let counter = Counter { frames: Some(2000), pace: Duration::from_micros(200) };
        if damaged {
            recorded(&path, Box::new(Counter { frames: Some(10), ..counter }), 1 << 40);
            let mut bytes = std::fs::read(&own).unwrap();
            bytes.iter_mut().skip(100).for_each(|b| *b ^= 0x5A);
            std::fs::write(&own, bytes).unwrap();
            std::fs::remove_file(&path).unwrap();
        } else {
            std::fs::write(&own, "a letter").unwrap();
        }
        recorded(&path, Box::new(counter), 1 << 40);
        assert_eq!(numbers(&path), (0..2000).collect::<Vec<_>>());
        let aside = said(&path, "raw_file_set_aside");
        let given_up = problem(&Store::open(&path).unwrap(), "raw_frame_given_up");
        if damaged {
            assert!(aside.unwrap().contains("voyage.raw.db.damaged-") && given_up < 2000);
            assert_eq!(imported(&own).len() as u64 + given_up, 2000);
        } else {
            assert_eq!((aside, given_up, std::fs::read(&own).unwrap()), (None, 2000, b"a letter".to_vec()));
        }
    }
}

#[test]
fn what_is_no_file_of_raw_frames_is_said_in_words() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("voyage.db");
    recorded(&path, Box::new(Counter { frames: Some(10), pace: Duration::ZERO }), 1 << 40);
    let refused = Recording::open(&Input::File(path.clone())).unwrap_err().to_string();
    assert!(refused.contains("ampwake analyze") && refused.contains("voyage.db"), "{refused}");
    let bytes = std::fs::read(raw::beside(&path)).unwrap();
    let piped = Recording::from_reader(Input::Standard, Box::new(std::io::Cursor::new(bytes))).unwrap_err();
    assert!(piped.to_string().contains("name the file"), "{piped}");
    assert!(matches!(Store::open(raw::beside(&path)), Err(StoreError::RawFrames { .. })));
    // Told by what it holds, not by its name.
    std::fs::rename(raw::beside(&path), dir.path().join("log.candump")).unwrap();
    let mut recording = Recording::open(&Input::File(dir.path().join("log.candump"))).unwrap();
    assert_eq!(std::iter::from_fn(|| recording.next_frame().unwrap()).count(), 10);
}
