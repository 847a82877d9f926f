//! Tests of the bank: a full charge, its own limits, and what is only ever shown on paper.

use super::build::{Plan, test};
use super::{Finding, against};
use crate::analyze::Worked;
use crate::report::format;
use crate::stages::tail_reached;
use ampwake_schemas::findings::{Cause, Kind, Stage};
use ampwake_schemas::intent::SourceKind;
use ampwake_schemas::trial::{Coverage, TestKind};

/// Signals by which a battery tells what it allows.
const LIMITS: [&str; 4] = ["charge_current_limit", "charge_voltage_limit", "charge_permitted", "contactor"];

/// The tests of this bank.
pub(super) fn tests(w: &Worked, findings: &[Finding]) -> Vec<Plan> {
    let mut out = vec![full(w, findings)];
    if !w.view.intent.chemistry.is_lead_acid() {
        out.push(limits(w, findings));
        out.push(cold(w, findings));
        out.extend(load_dump(w, findings));
    }
    out
}

fn bank(w: &Worked) -> String {
    w.view.intent.name.clone()
}

fn full(w: &Worked, findings: &[Finding]) -> Plan {
    let (view, p) = (&w.view, &w.view.intent.profile);
    let absorptions: Vec<_> = w.spans.iter().filter(|s| s.stage == Stage::Absorption).collect();
    let tails: Vec<f64> = absorptions
        .iter()
        .filter_map(|s| Some((tail_reached(view, s)? - s.start) as f64 * view.grid.step_s()))
        .collect();
    let longest = absorptions.iter().map(|s| (s.end - s.start) as f64 * view.grid.step_s()).fold(0.0, f64::max);
    let after = p.float_v.map_or("stops".to_owned(), |v| format!("goes to float, {}", format::setting(v, "V")));
    let plan = test(TestKind::FullCharge, format!("a full charge of {}", format::plain(&view.intent.name)), [bank(w)])
        .purpose("Only a charge that goes to its tail shows that the set-points meet the bank.")
        .before("the bank at 80 % or less")
        .step(format!(
            "Charge with one leader to absorption ({}, less what temperature takes) and on to the tail of {}; then watch for an hour more.",
            format::setting(p.absorption_v, "V"),
            format::setting(p.tail_a, "A")
        ))
        .accept(format!("The bank stays at its set-point until the current is down to the tail, and then {after}; no cell above its limit."))
        .stop("a cell above the maker's limit, or an absorption that outlasts the profile")
        .with("absorptions", absorptions.len() as f64, 0)
        .with("absorptions_to_the_tail", tails.len() as f64, 0);
    let plan = match (tails.first(), longest) {
        (Some(s), _) => {
            plan.stands(Coverage::Covered, format!("absorption came to its tail after {}", format::duration(*s)))
        }
        (None, t) if t > 0.0 => plan
            .stands(
                Coverage::Begun,
                format!("absorption was seen for {} and did not come to its tail", format::duration(t)),
            )
            .missing(["the rest of it, loads steady, until the current is down to the tail".to_owned()]),
        _ => plan.missing(["a charge that reaches absorption".to_owned()]),
    };
    let early = findings
        .iter()
        .find(|f| f.cause == Some(Cause::EndedEarly) && f.severity >= ampwake_schemas::findings::Severity::Caution);
    plan.unless(against(findings, None, &[Kind::Overcharge, Kind::OverVoltage, Kind::NotFullyCharged]).or(early))
}

fn limits(w: &Worked, findings: &[Finding]) -> Plan {
    let further = &w.view.intent.signals.further;
    let named: Vec<&str> = LIMITS.into_iter().filter(|r| further.contains_key(*r)).collect();
    let heard_current = w.view.limit_is_live.iter().any(|l| *l);
    let heard_volts = w.view.voltage_limit.iter().any(|v| v.is_finite());
    let plan = test(TestKind::BatteryLimits, format!("{}'s own limits heard", format::plain(&w.view.intent.name)), [bank(w)])
        .purpose("A lithium battery says what it allows; sources that do not listen are stopped by its contactor.")
        .step("Record a charge, and compare the limits that the battery's display shows with the recorded ones.")
        .accept("Charge current limit and charge voltage limit (or permission) are heard all the time, and nothing exceeds them.")
        .caution("Never bridge a battery's protection, not even to prove that it is the cause.")
        .with("limit_signals_named", named.len() as f64, 0);
    let plan = match (named.len(), heard_current || heard_volts) {
        (0, _) => plan
            .stands(Coverage::ToSail, "the intent names none of the battery's own signals")
            .missing(["`charge_current_limit`, `charge_voltage_limit`, `charge_permitted` or `contactor` among the bank's signals".to_owned()]),
        (_, true) => plan.stands(Coverage::Covered, format!("heard: {}", named.join(", ").replace('_', " "))),
        _ => plan
            .stands(Coverage::Begun, format!("named: {}", named.join(", ").replace('_', " ")))
            .missing(["a live limit of current or voltage".to_owned()]),
    };
    let broken = [Kind::BatteryLimitExceeded, Kind::OverVoltage, Kind::OverCurrent, Kind::ContactorCycling];
    plan.unless(against(findings, None, &broken))
}

fn cold(w: &Worked, findings: &[Finding]) -> Plan {
    let view = &w.view;
    let limit = view.intent.temperature.charge_min_c;
    let coldest = view.coldest.iter().copied().fold(f64::NAN, f64::min);
    let refused =
        view.coldest.iter().zip(&view.current).filter(|(t, i)| **t < limit && **i <= view.rest_current()).count()
            as f64
            * view.grid.step_s();
    let plan = test(TestKind::ColdCharge, format!("no charge of {} below {}", format::plain(&view.intent.name), format::setting(limit, "degC")), [bank(w)])
        .purpose("Charging a lithium cell below its maker's limit plates metal inside it, damage that stays.")
        .step("Do not cool the battery to try it. Read in the maker's papers what stops charge when it is cold, and that every source obeys it: which signal, which relay, which set-point.")
        .accept("For every source it is written down what stops it.")
        .caution("Provoking it can ruin cells; only the maker's own procedure may.")
        .with("coldest_c", coldest, 1)
        .stands(Coverage::OnPaper, if coldest.is_nan() { "no temperature of it was heard".to_owned() } else { format!("the coldest that was seen: {}", format::celsius(coldest)) })
        .missing(["what stops each source when the battery is cold, in writing".to_owned()]);
    let plan = if refused >= 600.0 {
        plan.stands(
            Coverage::Covered,
            format!("it was below the limit for {} and took no charge", format::duration(refused)),
        )
    } else {
        plan
    };
    plan.unless(against(findings, None, &[Kind::ChargeBelowMinimumTemperature]))
}

/// A battery disconnect under an alternator is never sailed.
fn load_dump(w: &Worked, findings: &[Finding]) -> Vec<Plan> {
    let alternators = w.view.sources.iter().filter(|s| s.intent.kind == SourceKind::Alternator);
    alternators
        .map(|s| {
            let name = format::plain(&s.intent.name);
            let protection = s.intent.load_dump.map_or("nothing is declared (`load_dump`)".to_owned(), |d| format!("declared: {}", d.text().replace('_', " ")));
            let found = findings.iter().find(|f| {
                matches!(f.kind, Kind::BatteryDisconnect | Kind::LoadDumpRisk)
                    && f.severity >= ampwake_schemas::findings::Severity::Caution
                    && (f.source.is_none() || f.source.as_deref() == Some(&s.intent.name))
            });
            test(TestKind::LoadDump, format!("{name} when the battery disconnects itself"), [s.intent.name.clone()])
                .purpose("A lithium battery may open its contactor at any moment; an alternator that loses its load so destroys itself and what hangs on the DC bus.")
                .step("Do not sail this: never open a switch, breaker or contactor between this alternator and the battery while it charges.")
                .step("Read in the battery maker's papers how long before it opens it warns, and by what.")
                .step("Follow on the drawings that this warning stops the alternator's field, or which clamp or battery stays connected, and that no other breaker or switch lies between.")
                .step("Let the makers say in writing that the combination is protected; where the battery's maker has a procedure for its stop signal alone (field seen to fall before anything opens, engine at idle), a licensed person does it, with an instrument made for it.")
                .accept("Field off first, then open, at least a second apart (common practice, no source), shown on paper and signed.")
                .caution("A recording at one to ten values a second can neither pass nor fail this: such a jump lasts a few tenths of a second.")
                .stands(Coverage::OnPaper, protection)
                .missing(["a signature under the makers' papers".to_owned()])
                .unless(found)
        })
        .collect()
}
