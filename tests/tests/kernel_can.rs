//! The daemon on a real kernel's CAN interfaces: a Linux booted as an ordinary program (User-Mode Linux), no root needed.
//! The guest plays (`kernel_can/guest`), this judges what it left.

#![allow(clippy::unwrap_used)] // a test fails by panicking

use ampwake_store::{Event, Store};
use ampwake_tests::kernel_can::{ANSWERS, CROWD, HELD_BACK, NAME, PACED, SILENT, UNBROKEN};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// What the guest left; `None` where nobody asked for it. Booted once for all tests.
fn played() -> Option<&'static Path> {
    static PLAYED: OnceLock<Option<PathBuf>> = OnceLock::new();
    PLAYED.get_or_init(boot).as_deref()
}

/// Past the harness, which keeps to itself what a test prints that passes.
fn say(text: &str) {
    let _ = writeln!(std::io::stderr(), "{text}");
}

/// Only where it is asked for: the boot fetches Debian's packages. Where it is asked for, as continuous integration does once
/// it has such a kernel, a kernel that is not to be had is a failure.
fn boot() -> Option<PathBuf> {
    if std::env::var_os("AMPWAKE_KERNEL_CAN").is_none() {
        say(
            "skipped: the tests on a real kernel's CAN interfaces. To run them (Debian; fetches packages; 1 to 10 minutes): \
             AMPWAKE_KERNEL_CAN=1 cargo test -p ampwake-tests --test kernel_can",
        );
        return None;
    }
    let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("kernel_can");
    let cache = Path::new(env!("CARGO_TARGET_TMPDIR")).join("kernel_can");
    let out = cache.join("out");
    let _ = std::fs::remove_dir_all(&out);
    let programs = [env!("CARGO_BIN_EXE_kernel-can-guest"), env!("CARGO_BIN_EXE_kernel-can-ampwaked")];
    let booted = Command::new(here.join("boot")).args([&cache, &out]).args(programs).output().unwrap();
    let said = String::from_utf8_lossy(&booted.stdout).into_owned() + &String::from_utf8_lossy(&booted.stderr);
    if !said.trim().is_empty() {
        say(said.trim());
    }
    let left = |file: &str| std::fs::read_to_string(out.join(file)).unwrap_or_default();
    assert!(booted.status.success(), "{said}");
    assert_eq!(left("rc").trim(), "0", "the guest failed:\n{}\n{}", left("guest.log"), left("console.log"));
    Some(out)
}

/// The counted numbers that a scene recorded, with their times in ms.
fn numbers(out: &Path, scene: &str, bus: &str) -> Vec<(i64, u32)> {
    let store = Store::open(out.join(format!("{scene}.db"))).unwrap();
    let address = format!("{bus}/n2k/127508/0/battery_voltage");
    let channel = store.find(&address.parse().unwrap()).unwrap().expect(&address);
    let read = store.read_all(channel.id, None, None).unwrap();
    read.iter().map(|(t, r)| (t.millis(), (r.value().unwrap() * 100.0).round() as u32)).collect()
}

fn events(out: &Path, scene: &str) -> Vec<Event> {
    Store::open(out.join(format!("{scene}.db"))).unwrap().events().unwrap()
}

fn text(out: &Path, file: &str) -> String {
    std::fs::read_to_string(out.join(file)).unwrap()
}

/// When a scene began to send and when it had sent, ms.
fn times(out: &Path, scene: &str) -> (i64, i64) {
    let text = text(out, &format!("{scene}.times"));
    let (start, end) = text.split_once(' ').unwrap();
    (start.parse().unwrap(), end.parse().unwrap())
}

#[test]
fn eight_thousand_frames_a_second_and_none_is_lost() {
    let Some(out) = played() else { return };
    let read = numbers(out, "rate", "vcan0");
    assert_eq!(read.len(), PACED as usize);
    assert!(read.iter().enumerate().all(|(i, (_, n))| *n == i as u32), "in the order in which they were sent");
    let (start, end) = times(out, "rate");
    assert!(read.is_sorted_by_key(|(t, _)| *t), "receive times rise");
    assert!(read[0].0 >= start && read.last().unwrap().0 <= end);
    assert!(events(out, "rate").iter().all(|e| e.kind != "frames_lost"));
}

#[test]
fn times_are_the_kernels_and_not_those_of_the_reading() {
    let Some(out) = played() else { return };
    let read = numbers(out, "drops", "vcan0");
    let (start, end) = times(out, "drops");
    // The daemon was held for two seconds after the last of them.
    let held = &read[..HELD_BACK as usize];
    assert!(held.iter().enumerate().all(|(i, (t, n))| *n == i as u32 && (start..=end).contains(t)), "{held:?}");
}

#[test]
fn what_the_kernel_threw_away_is_counted_to_the_frame() {
    let Some(out) = played() else { return };
    let received = numbers(out, "drops", "vcan0").len() as u64 - u64::from(HELD_BACK);
    let lost: u64 = events(out, "drops")
        .iter()
        .filter(|e| e.kind == "frames_lost")
        .map(|e| serde_json::from_str::<serde_json::Value>(&e.details).unwrap()["lost_frames"].as_u64().unwrap())
        .sum();
    assert!(lost > 0);
    let sent: u64 = text(out, "drops.sent").parse().unwrap();
    assert!(sent > CROWD.into());
    assert_eq!(received + lost, sent);
    let problems = Store::open(out.join("drops.db")).unwrap().problems().unwrap();
    assert_eq!(problems.get("frame_lost_in_kernel"), Some(&lost));
}

#[test]
fn what_the_controller_says_becomes_events() {
    let Some(out) = played() else { return };
    let events = events(out, "errors");
    let texts: Vec<&str> = events.iter().filter(|e| e.kind == "bus_error").map(|e| e.text.as_str()).collect();
    for words in ["receive error passive", "bus off", "nobody acknowledges"] {
        assert!(texts.iter().any(|t| t.contains(words)), "{words}: {texts:?}");
    }
}

#[test]
fn an_interface_that_goes_away_is_waited_for() {
    let Some(out) = played() else { return };
    let kinds: Vec<(String, String)> = events(out, "away").into_iter().filter_map(|e| Some((e.bus?, e.kind))).collect();
    let of = |bus: &str| -> Vec<&str> { kinds.iter().filter(|(b, _)| b == bus).map(|(_, k)| k.as_str()).collect() };
    assert_eq!(of("vcan0"), ["bus_lost", "bus_back"]);
    assert_eq!(of("vcan7"), ["bus_lost", "bus_back", "bus_lost", "bus_back"]);
    for bus in ["vcan0", "vcan7"] {
        let heard: Vec<u32> = numbers(out, "away", bus).into_iter().map(|(_, n)| n).collect();
        assert!(heard.first() == Some(&0) && heard.last().unwrap() >= &1000, "before and after: {heard:?}");
    }
}

#[test]
fn a_changed_configuration_loses_and_repeats_no_frame() {
    let Some(out) = played() else { return };
    let heard: Vec<u32> = numbers(out, "reload", "vcan0").into_iter().map(|(_, n)| n).collect();
    let firsts: Vec<_> = heard.iter().zip(0..).filter(|(n, i)| n != &i).take(5).collect();
    assert!(heard.len() == UNBROKEN as usize && firsts.is_empty(), "{} frames, {firsts:?}", heard.len());
    let changes = events(out, "reload").into_iter().filter(|e| e.kind == "configuration_changed");
    assert_eq!(changes.count(), 4);
}

/// The lines by which the kernel had frames sent.
fn sent(out: &Path, file: &str) -> Vec<String> {
    text(out, file).lines().filter(|l| l.starts_with(['t', 'T', 'r', 'R'])).map(str::to_owned).collect()
}

#[test]
fn nothing_is_sent_unless_it_is_told_to_ask() {
    let Some(out) = played() else { return };
    let heard = numbers(out, "adapter", "can0");
    assert_eq!(heard.iter().filter(|(_, n)| *n < 400).count(), 400, "what came in is heard");
    assert!(heard[399].0 - heard[0].0 > 5_000, "long enough for somebody to be asked");
    assert_eq!(sent(out, "adapter.silent"), [] as [String; 0]);
    assert_eq!(sent(out, "adapter.control").len(), 1, "somebody who does send is seen");
}

#[test]
fn with_ask_the_requests_are_sent_and_nothing_else() {
    let Some(out) = played() else { return };
    let sent = sent(out, "asking.lines");
    let asked =
        |address: u8, number: &str| sent.iter().filter(|l| **l == format!("T18EA{address:02X}FE3{number}")).count();
    // From the null address to one device: 59904 for 60928, then for 126996.
    assert_eq!((asked(ANSWERS, "00EE00"), asked(ANSWERS, "14F001")), (1, 1), "{sent:?}");
    let silent = [asked(SILENT, "00EE00"), asked(SILENT, "14F001")];
    assert!(silent.iter().all(|n| (2..=3).contains(n)), "{sent:?}");
    assert_eq!(sent.len(), 2 + silent[0] + silent[1], "{sent:?}");

    let store = Store::open(out.join("asking.db")).unwrap();
    let devices = store.devices().unwrap();
    let known = devices.iter().find(|d| d.name == Some(NAME)).unwrap();
    assert!(known.address == ANSWERS && known.product.contains("test charger"), "{known:?}");
    let asked = events(out, "asking").into_iter().filter(|e| e.kind == "asked");
    assert_eq!(asked.count(), sent.len(), "all of it stands in the recording");
}

#[test]
fn asking_is_refused_on_a_listen_only_interface() {
    let Some(out) = played() else { return };
    let remedy = "ip link set can0 down; ip link set can0 up type can bitrate 250000 listen-only off";
    let check = text(out, "listen_ask.check");
    assert!(check.contains("problem the CAN interface `can0` is listen-only, so that `ask = true`"), "{check}");
    assert!(check.contains(remedy), "{check}");
    let refused = text(out, "listen_ask.refused");
    assert!(refused.starts_with("Some(1) ") && refused.contains("set `ask = false`"), "{refused}");
    assert!(refused.contains(remedy), "{refused}");
    let normal = text(out, "normal_ask.check");
    assert!(normal.contains("only the requests of `ask = true` are sent"), "{normal}");
    assert!(normal.contains("note    devices on can0 are asked what they are"), "{normal}");
}

#[test]
fn check_says_how_an_interface_is_set_and_how_to_change_it() {
    let Some(out) = played() else { return };
    let (down, normal, listen) = (text(out, "down.check"), text(out, "normal.check"), text(out, "listen.check"));
    assert!(down.contains("problem the CAN interface `can0` is down"), "{down}");
    assert!(normal.contains("ok      bus can0 (n2k) is up: 250000 bit/s, normal mode"), "{normal}");
    assert!(normal.contains("up type can bitrate 250000 listen-only on"), "{normal}");
    assert!(listen.contains("ok      bus can0 (n2k) is up: 250000 bit/s, listen-only"), "{listen}");
    assert!(listen.contains("nobody acknowledges"), "{listen}");
}
