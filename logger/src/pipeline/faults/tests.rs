use super::*;
use ampwake_schemas::message::{decode, find};

const ENGINE: (DeviceKey, u8) = (DeviceKey(1), 0);

fn at(seconds: i64) -> Timestamp {
    Timestamp::from_millis(seconds * 1000)
}

struct Bench(Faults, Bus);

impl Bench {
    fn new() -> Self {
        Self(Faults::default(), Bus::new("can0".into(), Vec::new()))
    }

    fn note(&mut self, seconds: i64, protocol: Protocol, number: u32, payload: &[u8]) -> Vec<String> {
        let decoded = decode(find(protocol, number).unwrap(), payload);
        let events = self.0.note((0, &self.1), at(seconds), ENGINE, &decoded);
        events.into_iter().map(|e| format!("{} {}", e.kind, e.text)).collect()
    }

    fn dm1(&mut self, seconds: i64, faults: &[(u8, u8)]) -> Vec<String> {
        let codes = faults.iter().flat_map(|(spn, fmi)| [*spn, 0, *fmi, 1]);
        let payload: Vec<u8> = [0, 0xFF].into_iter().chain(codes).collect();
        self.note(seconds, Protocol::J1939, 65226, &payload)
    }
}

#[test]
fn a_fault_is_told_when_it_comes_and_when_it_goes() {
    let mut b = Bench::new();
    assert_eq!(b.dm1(0, &[(0, 0)]), [] as [&str; 0], "none");
    let told = "fault_reported the device at address 0 on can0 reports a fault: SPN 110, FMI 3";
    assert_eq!(b.dm1(1, &[(110, 3)]), [told]);
    assert_eq!(b.dm1(2, &[(110, 3)]), [] as [&str; 0]);
    assert_eq!(b.dm1(3, &[(110, 3), (100, 1)]).len(), 1);
    let gone = b.dm1(4, &[(0, 0)]);
    assert_eq!(gone.len(), 2);
    assert_eq!(gone[1], "fault_cleared the device at address 0 on can0 no longer reports a fault: SPN 110, FMI 3");
}

#[test]
fn one_that_flaps_is_told_every_ten_minutes() {
    let mut b = Bench::new();
    let flap = |b: &mut Bench, s| b.dm1(s, &[(110 * u8::from(s % 2 == 0), 0)]);
    let told: Vec<(i64, usize)> = (0..1201).map(|s| (s, flap(&mut b, s).len())).filter(|(_, n)| *n > 0).collect();
    assert_eq!(told, [(0, 1), (1, 1), (600, 1), (601, 1), (1200, 1)]);
}

#[test]
fn faults_in_turn_and_emergencies() {
    let mut b = Bench::new();
    // SPN 0x1234 and 0x1235 with FMI 1, then all ones: no fault.
    for (spn, told) in [(0x1234_u32, 1), (0x1235, 1), (0x1234, 0), (0x1235, 0)] {
        let payload = [0x45, 0x44, (spn >> 11) as u8, (spn >> 3) as u8, (spn << 5) as u8 | 1, 1, 0xFF, 0xFF];
        assert_eq!(b.note(1, Protocol::Rvc, 0x1FECA, &payload).len(), told, "{spn:x}");
    }
    assert_eq!(b.note(2, Protocol::Rvc, 0x1FECA, &[0x05, 0x44, 255, 255, 255, 255, 255, 255]).len(), 2);
    let mut b = Bench::new();
    let told = b.note(0, Protocol::Canopen, 0x080, &[0x00, 0x31, 0x05, 0, 0, 0, 0, 0]);
    assert_eq!(told, ["fault_reported node 0 on can0 reports error 3100 (register 05)"]);
    assert_eq!(b.note(1, Protocol::Canopen, 0x080, &[0; 8]).len(), 1);
}

#[test]
fn memory_is_bounded() {
    let mut b = Bench::new();
    for n in 0..100_000_u32 {
        let code = (n % 60_000 + 1).to_le_bytes();
        let decoded = decode(find(Protocol::Canopen, 0x080).unwrap(), &[code[0], code[1], 1, 0, 0, 0, 0, 0]);
        b.0.note((0, &b.1), at(0), (DeviceKey(u64::from(n % 1000)), 1), &decoded);
    }
    assert_eq!(b.0.devices.len(), MOST_DEVICES);
    assert!(b.0.devices.values().all(|watched| watched.faults.len() <= MOST_FAULTS));
}

#[test]
fn one_that_comes_back_for_good_is_told_at_last() {
    let mut b = Bench::new();
    assert_eq!(b.dm1(0, &[(110, 0)]).len() + b.dm1(1, &[(0, 0)]).len(), 2);
    let told: Vec<i64> = (10..700).filter(|s| !b.dm1(*s, &[(110, 0)]).is_empty()).collect();
    assert_eq!(told, [600]);
    let state = &b.0.devices.values().next().unwrap().faults[&(110, 0)];
    assert_eq!(state.since, at(10), "when it began is not forgotten");
}

#[test]
fn a_device_that_stops_talking_no_longer_reports() {
    let mut b = Bench::new();
    b.dm1(0, &[(110, 0)]);
    let bus = [Bus::new("can0".into(), Vec::new())];
    assert_eq!(b.0.pass(&bus, at(60)), []);
    let gone = b.0.pass(&bus, at(61));
    assert_eq!(gone[0].text, "the device at address 0 on can0 no longer reports a fault: SPN 110, FMI 0");
    assert_eq!(b.0.pass(&bus, at(600)), []);
    // An emergency is said once and lasts.
    b.note(700, Protocol::Canopen, 0x080, &[0x00, 0x31, 0x05, 0, 0, 0, 0, 0]);
    assert_eq!(b.0.pass(&bus, at(7000)), []);
}

#[test]
fn lamps_of_an_engine() {
    let mut b = Bench::new();
    let mut says = |seconds, engine: u8, one: u16, two: u16| {
        let mut payload = [0xFF; 26];
        payload[0] = engine;
        payload[20..22].copy_from_slice(&one.to_le_bytes());
        payload[22..24].copy_from_slice(&two.to_le_bytes());
        b.note(seconds, Protocol::N2k, 127_489, &payload)
    };
    // Preheating and maintenance are no faults, and all ones are not available.
    assert_eq!(says(0, 0, 1 << 10, 1 << 3), [] as [&str; 0]);
    assert_eq!(says(1, 0, 0xFFFF, 0xFFFF), [] as [&str; 0]);
    let told = "fault_reported engine 0 at address 0 on can0 reports \"Charge Indicator\"";
    assert_eq!(says(2, 0, 1 << 9, 0), [told]);
    assert_eq!(says(3, 1, 0, 0), [] as [&str; 0], "the other engine's lamps are its own");
    assert_eq!(says(4, 0, 0, 0).len(), 1);
}

#[test]
fn what_else_a_device_with_a_fault_sends_is_told_once() {
    let mut b = Bench::new();
    let bus = [Bus::new("can0".into(), Vec::new())];
    let tell = |faults: &mut Faults, sends: &[&str]| -> Vec<String> {
        let sends: BTreeSet<String> = sends.iter().map(|s| (*s).to_owned()).collect();
        faults.senders(&bus, |_, _, _| sends.clone()).into_iter().map(|e| e.text).collect()
    };
    assert_eq!(tell(&mut b.0, &["n2k/127507/3"]), [] as [&str; 0]);
    b.dm1(0, &[(110, 0)]);
    let told = "the device at address 0 on can0, which reported a fault, sends n2k/127507/3";
    assert_eq!(tell(&mut b.0, &["n2k/127507/3"]), [told]);
    assert_eq!(tell(&mut b.0, &["n2k/127507/3"]), [] as [&str; 0]);
    assert_eq!(tell(&mut b.0, &["n2k/127507/3", "n2k/127751/3"]).len(), 1);
}
