//! One verdict over several recordings that follow each other, from what each measured.

use super::{Measured, Outcome, charge, judge};
use crate::battery::Life;
use crate::document::untested;
use ampwake_schemas::findings::{Period, Verdict};
use ampwake_schemas::intent::{Limit, Quantity, Requirement};
use ampwake_schemas::time::Timestamp;

/// What one recording says about one requirement.
#[derive(Debug, Clone)]
pub struct Tested {
    /// As it held then.
    pub requirement: Requirement,
    /// The bank that it was measured at; `None` where no bank has its sources.
    pub bank: Option<String>,
    /// What came of it.
    pub outcome: Outcome,
}

/// How values of several recordings make one.
enum Way {
    /// What was held once was delivered: the highest.
    Highest,
    /// The occasion that speaks most against the requirement, as within one recording.
    Worst,
    /// Weighted by what each rests on.
    Mean,
}

fn way(quantity: Quantity) -> Way {
    match quantity {
        Quantity::SourceCurrent | Quantity::CombinedCurrent | Quantity::RegenerationPower => Way::Highest,
        Quantity::ContributionShare
        | Quantity::SourceEnergyPerDay
        | Quantity::StageVoltage
        | Quantity::VoltageDrop
        | Quantity::ChargerEfficiency
        | Quantity::SpecificFuel => Way::Mean,
        _ => Way::Worst,
    }
}

/// The verdict on `r`, which must be as it was then; `banks` are the lives of the banks over the whole time.
pub fn over(r: &Requirement, pieces: &[(Period, Vec<Tested>)], banks: &[Life]) -> Verdict {
    let mine: Vec<(Timestamp, &Tested)> = pieces
        .iter()
        .flat_map(|(period, list)| list.iter().map(|t| (period.start, t)))
        .filter(|(_, t)| t.requirement == *r)
        .collect();
    if r.quantity == Quantity::BankCapacity {
        let bank = mine.iter().find_map(|(_, t)| t.bank.as_deref());
        if let Some(life) = banks.iter().find(|l| Some(l.bank.as_str()) == bank) {
            return judge(r, charge::bank_capacity(life));
        }
    }
    let measured: Vec<(Timestamp, &Measured)> =
        mine.iter().filter_map(|(at, t)| Some((*at, t.outcome.as_ref().ok()?))).collect();
    if measured.is_empty() {
        // The last reason is that of the design as it is now.
        return match mine.into_iter().filter_map(|(_, t)| t.outcome.as_ref().err()).next_back() {
            Some(reason) => judge(r, Err(reason.clone())),
            None => untested(r, "nothing was recorded while this requirement held"),
        };
    }
    judge(r, Ok(one(r, &measured)))
}

fn one(r: &Requirement, measured: &[(Timestamp, &Measured)]) -> Measured {
    let by_value = |a: &&(Timestamp, &Measured), b: &&(Timestamp, &Measured)| a.1.value.total_cmp(&b.1.value);
    let highest = || measured.iter().max_by(by_value).map(|(at, m)| (*at, (*m).clone()));
    let lowest = || measured.iter().min_by(by_value).map(|(at, m)| (*at, (*m).clone()));
    let (chosen, of) = match (way(r.quantity), r.limit) {
        (Way::Mean, _) => (mean(measured), "mean"),
        (Way::Worst, Limit::AtLeast(_)) => (lowest(), "lowest"),
        (Way::Highest, _) | (Way::Worst, Limit::AtMost(_)) => (highest(), "highest"),
    };
    let Some((at, mut m)) = chosen else { return measured[0].1.clone() };
    if measured.len() > 1 {
        let day = at.to_string().chars().take(10).collect::<String>();
        m.how = match way(r.quantity) {
            Way::Mean => format!("the mean of {} days: {}", measured.len(), m.how),
            _ => format!("{}; the {of} of {} days, on {day}", m.how, measured.len()),
        };
        m = m.with("days_measured", measured.len() as f64, 0);
    }
    m
}

/// Weighted mean. What the sensors are off by is the same every day and does not average out (JCGM 100, 4.3).
fn mean(measured: &[(Timestamp, &Measured)]) -> Option<(Timestamp, Measured)> {
    let (first, like) = measured.iter().copied().max_by(|a, b| a.1.weight.total_cmp(&b.1.weight))?;
    let total: f64 = measured.iter().map(|(_, m)| m.weight).sum();
    let over = |f: fn(&Measured) -> f64| measured.iter().map(|(_, m)| m.weight * f(m)).sum::<f64>() / total;
    (total > 0.0).then(|| {
        let mut m = Measured { value: over(|m| m.value), u: over(|m| m.u), weight: total, ..like.clone() };
        // Figures of one day are no evidence for a mean of many.
        if measured.len() > 1 {
            m.evidence.clear();
        }
        (first, m)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::vessel;
    use ampwake_schemas::findings::VerdictWord::{Met, NotMet, NotTested};

    fn days(requirement: &str, values: &[(f64, f64)]) -> Verdict {
        let text = format!("[[requirement]]\nid = \"R\"\ntext = \"as drawn\"\n{requirement}");
        let r = vessel(&text).requirements.remove(0);
        let moment = Timestamp::default();
        let tested = |(value, weight): &(f64, f64)| Tested {
            requirement: r.clone(),
            bank: None,
            outcome: if value.is_nan() {
                Err("not sailed".into())
            } else {
                Ok(Measured::new(*value, 0.1, "seen").weighing(*weight))
            },
        };
        let pieces: Vec<_> = values.iter().map(|v| (Period { start: moment, end: moment }, vec![tested(v)])).collect();
        over(&r, &pieces, &[])
    }

    #[test]
    fn what_was_held_once_was_delivered() {
        let r = "quantity = \"source_current\"\nsource = \"first\"\nat_least = 95\nunit = \"A\"";
        let v = days(r, &[(40.0, 1.0), (99.0, 1.0), (f64::NAN, 1.0)]);
        assert_eq!((v.verdict, v.measured), (Met, Some(99.0)));
        assert_eq!(days(r, &[(f64::NAN, 1.0)]).verdict, NotTested);
        assert_eq!(days(r, &[]).verdict, NotTested);
    }

    #[test]
    fn one_hot_day_is_too_hot() {
        let r = "quantity = \"bank_temperature\"\nat_most = 45\nunit = \"degC\"";
        assert_eq!(days(r, &[(30.0, 1.0), (48.0, 1.0), (31.0, 1.0)]).verdict, NotMet);
    }

    #[test]
    fn a_mean_weighs_what_it_rests_on() {
        let r = "quantity = \"source_energy_per_day\"\nsource = \"first\"\nat_least = 2\nunit = \"kWh\"";
        // Half a day of 4 kWh a day, and a day and a half of none.
        let v = days(r, &[(4000.0, 0.5), (0.0, 1.5)]);
        assert_eq!((v.verdict, v.measured), (NotMet, Some(1.0)));
        assert_eq!(v.evidence["days_seen"], 2.0);
        assert_eq!(days(r, &[(4000.0, 0.5)]).verdict, NotTested);
    }
}
