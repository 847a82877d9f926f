//! One plan over several recordings that follow each other: every test stands as it last stood where it was made.

use super::{open_points, requirement};
use ampwake_schemas::findings::{Mark, Period, Verdict};
use ampwake_schemas::trial::{Coverage, Test, TestKind, Trial};

/// The plan of the whole from those of its pieces. Requirements stand as their verdicts over the whole time do.
pub(crate) fn over(plans: Vec<Trial>, verdicts: &[Verdict], marks: &[Mark], period: Period) -> Option<Trial> {
    let mut plans = plans.into_iter();
    let mut whole = plans.next()?;
    whole.tests.retain(|t| t.standing.kind != TestKind::Requirement);
    for next in plans {
        for test in next.tests.into_iter().filter(|t| t.standing.kind != TestKind::Requirement) {
            let of = |t: &Test| (t.standing.kind, t.standing.title.clone(), t.standing.subjects.clone());
            match whole.tests.iter_mut().find(|t| of(t) == of(&test)) {
                Some(known) if weight(test.standing.coverage) >= weight(known.standing.coverage) => *known = test,
                Some(_) => {}
                None => whole.tests.push(test),
            }
        }
        // The design as it is now.
        whole.set_points = next.set_points;
    }
    whole.tests.extend(verdicts.iter().zip(1..).map(|(v, number)| requirement(v).finish(number)));
    for (test, number) in whole.tests.iter_mut().zip(1..) {
        test.standing.number = number;
    }
    whole.open_points = open_points(&whole.tests);
    (whole.period, whole.marks) = (Some(period), marks.to_vec());
    Some(whole)
}

/// What was made counts more than what was begun; of two that were made the later one counts.
fn weight(coverage: Coverage) -> u8 {
    match coverage {
        Coverage::Covered | Coverage::Failed => 2,
        Coverage::Begun => 1,
        Coverage::ToSail | Coverage::OnPaper => 0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analyze::analyze;
    use crate::testing::{AMPS, Tape, VOLTS, amps, vessel};
    use ampwake_schemas::time::Timestamp;

    #[test]
    fn what_was_made_once_stays_made() {
        let intent = vessel("");
        let plan = |first: f64| {
            let tape = Tape::new(4000).fed().with(VOLTS, |_| 53.5).with(AMPS, move |_| first);
            analyze(&tape.with(&amps(1), move |_| first).with(&amps(2), |_| 0.0).recording(), &intent).trial
        };
        let standing = |t: &Trial| {
            let alone = |x: &&Test| x.standing.kind == TestKind::SourceAlone && x.standing.subjects == ["first"];
            t.tests.iter().find(alone).expect("the first charger alone").standing.coverage
        };
        let (made, not_made) = (plan(100.0), plan(f64::NAN));
        assert_ne!(standing(&made), standing(&not_made));
        let moment = Timestamp::default();
        let period = Period { start: moment, end: moment };
        let both = |a: &Trial, b: &Trial| over(vec![a.clone(), b.clone()], &[], &[], period).expect("a plan");
        assert_eq!(standing(&both(&made, &not_made)), standing(&made));
        assert_eq!(standing(&both(&not_made, &made)), standing(&made));
        let numbers: Vec<u32> = both(&made, &not_made).tests.iter().map(|t| t.standing.number).collect();
        assert!(numbers.iter().copied().eq(1..=numbers.len() as u32));
    }
}
