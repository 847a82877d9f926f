use super::*;

/// 2025-09-12T12:40:00Z, s.
const T0: i64 = 1_757_680_800;

/// A recorder in small: holds frames as the pipeline does and tells what became of each.
struct Recorder {
    watch: ClockWatch,
    held: Option<Timestamp>,
    /// Segment of each frame used.
    used: Vec<usize>,
    odd: usize,
    steps: Vec<Step>,
}

impl Recorder {
    fn new(meaning: Meaning) -> Self {
        Self { watch: ClockWatch::new(meaning), held: None, used: Vec::new(), odd: 0, steps: Vec::new() }
    }

    fn settle(&mut self, next: Option<Timestamp>) {
        let Some(held) = self.held.take() else { return };
        match self.watch.settle(held, next) {
            Settled::Odd => self.odd += 1,
            Settled::Use => self.used.push(self.watch.segments()),
            Settled::Begin(step) => {
                self.steps.extend(step);
                self.used.push(self.watch.segments());
            }
        }
    }

    /// A frame at receive time `clock`, s; with the bus time, s, if it carries one.
    fn frame(&mut self, clock: f64, bus: Option<f64>) {
        let time = Timestamp::from_micros((clock * 1e6) as i64);
        self.settle(Some(time));
        match self.watch.arrive(time) {
            Arrival::Use => self.used.push(self.watch.segments()),
            Arrival::Hold => self.held = Some(time),
        }
        if let (Some(bus), None) = (bus, self.held) {
            self.watch.bus_time(7, time, Timestamp::from_micros((bus * 1e6) as i64));
        }
        self.steps.extend(self.watch.step_to_report(false));
    }

    /// `seconds` of a bus with ten frames a second; the clock shows `clock` at first. Bus time every second.
    fn run(&mut self, clock: f64, seconds: i64, bus: Option<f64>) {
        for i in 0..seconds * 10 {
            let t = i as f64 / 10.0;
            self.frame(clock + t, bus.filter(|_| i % 10 == 5).map(|b| b + t));
        }
    }

    fn finish(mut self) -> (Vec<Placement>, Vec<Step>) {
        self.settle(None);
        self.steps.extend(self.watch.step_to_report(true));
        (place(&self.watch), self.steps)
    }
}

fn offsets(placed: &[Placement]) -> Vec<(i64, Basis)> {
    placed.iter().map(|p| ((p.offset_ms as f64 / 1000.0).round() as i64, p.basis)).collect()
}

fn at(seconds: i64) -> f64 {
    (T0 + seconds) as f64
}

#[test]
fn a_good_clock_is_left_alone_even_if_the_bus_differs() {
    let mut r = Recorder::new(Meaning::Absolute);
    r.run(at(0), 100, Some(at(90)));
    let (placed, steps) = r.finish();
    assert_eq!(offsets(&placed), [(0, Basis::Clock)]);
    assert_eq!((placed[0].bus_differs_ms, steps.len()), (Some(90_000), 0));
}

#[test]
fn a_pause_of_the_bus_is_no_step() {
    let mut r = Recorder::new(Meaning::Absolute);
    r.run(at(0), 100, Some(at(0)));
    r.run(at(340), 100, Some(at(340)));
    let (placed, steps) = r.finish();
    assert!(steps.is_empty(), "{steps:?}");
    assert!(placed.iter().all(|p| p.offset_ms == 0));
    // Nor is one on a bus that nobody tells the time.
    let mut r = Recorder::new(Meaning::Absolute);
    r.run(at(0), 100, None);
    r.run(at(340), 100, None);
    let (placed, steps) = r.finish();
    assert_eq!((placed.len(), steps.len()), (1, 0));
}

#[test]
fn a_clock_set_forward_is_a_step_because_the_bus_says_so() {
    let mut r = Recorder::new(Meaning::Absolute);
    r.run(at(0), 100, Some(at(3600)));
    r.run(at(3700), 100, Some(at(3700)));
    let (placed, steps) = r.finish();
    assert_eq!(offsets(&placed), [(3600, Basis::Bus), (0, Basis::Bus)]);
    let step = steps[0];
    assert!(steps.len() == 1 && step.known_from == KnownFrom::Bus && (step.step_s - 3600.0).abs() < 0.5, "{steps:?}");
    assert_eq!(step.bus_time.unwrap().millis() / 1000, T0 + 3700);
}

#[test]
fn a_clock_set_backward_is_a_step() {
    for told in [true, false] {
        let mut r = Recorder::new(Meaning::Absolute);
        r.run(at(1000), 100, told.then_some(at(0)));
        r.run(at(100), 100, told.then_some(at(100)));
        let (placed, steps) = r.finish();
        assert_eq!(steps.len(), 1);
        assert_eq!(steps[0].known_from, if told { KnownFrom::Bus } else { KnownFrom::Nobody });
        if told {
            assert_eq!(offsets(&placed), [(-1000, Basis::Bus), (0, Basis::Bus)]);
            assert!((steps[0].step_s + 1000.0).abs() < 0.5);
        } else {
            // 1000 + 99.9 s was the last; the second follows one second later.
            assert_eq!(placed[1], Placement { offset_ms: 1_000_900, basis: Basis::Assumed, bus_differs_ms: None });
            assert_eq!(placed[0].basis, Basis::Clock);
        }
    }
}

#[test]
fn the_part_before_the_bus_tells_the_time_is_placed_before_it() {
    let mut r = Recorder::new(Meaning::Absolute);
    r.run(at(5000), 100, None);
    r.run(at(100), 100, Some(at(100)));
    let (placed, _) = r.finish();
    assert_eq!(placed[0].basis, Basis::Assumed);
    assert_eq!(placed[0].offset_ms, (T0 + 99) * 1000 - (T0 + 5099) * 1000 - 900);
    assert_eq!(placed[1].offset_ms, 0);
}

#[test]
fn a_clock_without_a_time_that_is_set_later() {
    for told in [true, false] {
        let mut r = Recorder::new(Meaning::Absolute);
        r.run(17.0, 100, told.then_some(at(0)));
        r.run(at(100), 100, None);
        let (placed, steps) = r.finish();
        assert_eq!(steps.len(), 1);
        assert_eq!(placed[1].offset_ms, 0);
        assert_eq!(placed[0].basis, if told { Basis::Bus } else { Basis::Assumed });
        assert!((placed[0].offset_ms as f64 / 1000.0 - (T0 - 17) as f64).abs() < 2.0, "{placed:?}");
    }
}

#[test]
fn a_relative_recording_gets_its_day_from_the_bus() {
    let mut r = Recorder::new(Meaning::SinceStart);
    r.run(0.0, 100, Some(at(0)));
    assert_eq!(offsets(&r.finish().0), [(T0, Basis::Bus)]);
    let mut r = Recorder::new(Meaning::SinceStart);
    r.run(0.0, 100, None);
    assert_eq!(offsets(&r.finish().0), [(0, Basis::Unknown)]);
    let mut r = Recorder::new(Meaning::LocalDates);
    r.run(at(7200), 100, Some(at(0)));
    assert_eq!(offsets(&r.finish().0), [(-7200, Basis::Bus)]);
}

#[test]
fn one_damaged_time_is_no_step() {
    for odd in [at(500_000_000), at(40), at(-100_000), 0.0] {
        let mut r = Recorder::new(Meaning::Absolute);
        r.run(at(0), 50, Some(at(0)));
        r.frame(odd, None);
        r.run(at(50), 50, Some(at(50)));
        assert_eq!((r.odd, r.used.len()), (1, 1000), "{odd}");
        let (placed, steps) = r.finish();
        assert_eq!((placed.len(), steps.len()), (1, 0), "{odd}");
    }
}

#[test]
fn small_disorder_and_a_quiet_bus_are_tolerated() {
    let mut r = Recorder::new(Meaning::Absolute);
    for i in 0..200 {
        r.frame(at(0) + f64::from(i) * 0.1 - if i % 2 == 0 { 0.9 } else { 0.0 }, None);
    }
    assert_eq!((r.used.len(), r.watch.segments()), (200, 1));
    // One frame every 20 s: after a while that is what is usual here, and no frame is left out.
    let mut r = Recorder::new(Meaning::Absolute);
    r.run(at(0), 10, Some(at(0)));
    for i in 0..1000 {
        r.frame(at(100 + 20 * i), Some(at(100 + 20 * i)));
    }
    assert!(r.watch.segments() < 60, "{}", r.watch.segments());
    let (_, steps) = r.finish();
    assert!(steps.is_empty());
}

#[test]
fn a_sender_that_finds_its_date_late_does_not_move_the_median() {
    let mut r = Recorder::new(Meaning::SinceStart);
    r.run(0.0, 20, Some(at(-600_000_000)));
    r.run(20.0, 100, Some(at(20)));
    assert_eq!(offsets(&r.finish().0), [(T0, Basis::Bus)]);
}

#[test]
fn a_hostile_recording_keeps_the_watch_small() {
    let mut r = Recorder::new(Meaning::Absolute);
    for i in 0..30_000_i64 {
        let start = at(100_000 - i * 3);
        r.frame(start, Some(start));
        r.frame(start + 0.1, Some(start));
    }
    assert!(r.watch.segments() <= MOST_SEGMENTS && r.watch.ignored() > 0);
    let mut r = Recorder::new(Meaning::Absolute);
    r.run(at(0), 6000, Some(at(0)));
    assert!(r.watch.segments[0].readings.len() <= MOST_READINGS);
    assert_eq!(r.watch.segments[0].difference(), Some(0));
}

#[test]
fn a_step_that_the_system_tells_is_exact_and_the_later_clock_is_right() {
    // Set twice, forwards and back, and nobody on the bus tells the time. The first frames after a step were
    // received before it was noticed.
    let mut r = Recorder::new(Meaning::Absolute);
    r.run(at(0), 50, None);
    r.watch.system_stepped(86_400_000_000);
    r.run(at(50), 2, None);
    r.run(at(86_452), 50, None);
    r.watch.system_stepped(-10_000_000);
    r.run(at(86_492), 50, None);
    let (placed, steps) = r.finish();
    assert_eq!(offsets(&placed), [(86_390, Basis::System), (-10, Basis::System), (0, Basis::Clock)]);
    assert_eq!(
        steps.iter().map(|s| (s.step_s, s.known_from)).collect::<Vec<_>>(),
        [(86_400.0, KnownFrom::System), (-10.0, KnownFrom::System)]
    );
}

#[test]
fn a_step_of_the_system_that_no_frame_shows_is_forgotten() {
    let mut r = Recorder::new(Meaning::Absolute);
    r.run(at(0), 50, None);
    r.watch.system_stepped(20_000_000);
    r.run(at(50), 100, None);
    // A pause later is no step.
    r.run(at(170), 50, None);
    assert_eq!(r.finish().1, []);
}

#[test]
fn a_receiver_that_lost_count_of_the_weeks_tells_the_time_all_the_same() {
    let era = 1024.0 * 7.0 * 86_400.0;
    let mut r = Recorder::new(Meaning::Absolute);
    r.run(at(500), 50, Some(at(0) - era));
    r.run(at(50), 50, Some(at(50) - era));
    assert_eq!(offsets(&r.finish().0), [(-500, Basis::Bus), (0, Basis::Bus)]);
}
