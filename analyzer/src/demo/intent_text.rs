//! A design intent for any scenario, so that a test can hand a simulated vessel to the whole program.

use super::scenario::{Input, Scenario, SourcePlan};
use super::wiring::{What, Wiring};
use crate::model::ChargeProfile;
use ampwake_schemas::intent::{Chemistry, SCHEMA};
use std::fmt::Write;

/// The `vessel.toml` of a designer who knows everything about this scenario and promises nothing: requirements
/// are for the caller to append. Signals that `wiring` does not carry are left out.
pub fn intent_text(scenario: &Scenario, wiring: &Wiring, vessel: &str, chemistry: Chemistry) -> String {
    let mut out = String::new();
    // Writing to a string cannot fail.
    let _ = sections(&mut out, scenario, wiring, vessel, chemistry);
    out
}

fn sections(
    out: &mut String,
    scenario: &Scenario,
    wiring: &Wiring,
    vessel: &str,
    chemistry: Chemistry,
) -> std::fmt::Result {
    let bank = &scenario.bank;
    let cells = bank.cells_in_series;
    writeln!(out, "schema = \"{SCHEMA}\"\n\n[vessel]\nname = {vessel:?}\n\n[bank]")?;
    writeln!(out, "chemistry = \"{chemistry}\"\ncells_in_series = {cells}\ncapacity_ah = {}", bank.capacity.0)?;
    writeln!(out, "nominal_v = {}", f64::from(cells) * chemistry.defaults().nominal_v)?;
    writeln!(out, "max_charge_a = {}", scenario.max_charge.0)?;
    let is_bank = |w: &What| matches!(w, What::Bank { .. });
    let temperature = wiring.channel("battery_temperature", is_bank).map(|t| format!("[\"{t}\"]"));
    signals(
        out,
        [
            ("voltage", quoted(wiring.channel("battery_voltage", is_bank))),
            ("current", quoted(wiring.channel("battery_current", is_bank))),
            ("temperature", temperature),
            ("state_of_charge", quoted(wiring.channel("state_of_charge", |w| matches!(w, What::StateOfCharge)))),
        ],
    )?;
    profile(out, &scenario.profile)?;
    for (j, plan) in scenario.sources.iter().enumerate() {
        source(out, wiring, j, plan)?;
    }
    for (k, load) in scenario.loads.iter().enumerate() {
        writeln!(out, "\n[[load]]\nname = {:?}", load.name)?;
        let current = wiring.channel("dc_current", |w| matches!(w, What::Load { load, .. } if *load == k));
        signals(out, [("current", quoted(current))])?;
    }
    Ok(())
}

fn profile(out: &mut String, profile: &ChargeProfile) -> std::fmt::Result {
    writeln!(out, "\n[bank.profile]\nabsorption_v = {}\nrebulk_v = {}", profile.absorption.0, profile.rebulk.0)?;
    match profile.float {
        Some(float) => writeln!(out, "float_v = {}", float.0)?,
        // Left out it would be the chemistry's.
        None => writeln!(out, "float_v = \"none\"")?,
    }
    writeln!(out, "tail_a = {}\ntemp_comp_mv_per_k_cell = 0.0", profile.tail.0)?;
    if profile.absorption_max.0.is_finite() {
        writeln!(out, "absorption_max_min = {}", profile.absorption_max.0 / 60.0)?;
    }
    Ok(())
}

fn source(out: &mut String, wiring: &Wiring, j: usize, plan: &SourcePlan) -> std::fmt::Result {
    writeln!(out, "\n[[source]]\nname = {:?}\nkind = \"{}\"\nrated_a = {}", plan.name, plan.kind, plan.source.rated.0)?;
    writeln!(out, "coordination = \"{}\"\nsense = \"{}\"", plan.source.coordination, plan.source.sense)?;
    let own = |w: &What| matches!(w, What::Source { source, .. } if *source == j);
    let state = |w: &What| matches!(w, What::ChargerState { source } if *source == j);
    let heat = |w: &What| matches!(w, What::Temperature { source, .. } if *source == j);
    signals(
        out,
        [
            ("current", quoted(wiring.channel("dc_current", own))),
            ("voltage", quoted(wiring.channel("dc_voltage", own))),
            ("state", quoted(wiring.channel("operating_state", state))),
            ("temperature", quoted(wiring.channel("temperature", heat))),
        ],
    )?;
    let fed = match plan.input {
        Input::Ac(n) => wiring
            .channel("voltage", |w| matches!(w, What::AcInput { input, .. } if *input == n))
            .map(|signal| (signal, 180.0)),
        Input::Engine(n, ref output) => wiring
            .channel("engine_speed", |w| matches!(w, What::EngineSpeed { engine, .. } if *engine == n))
            // The highest speed at which it still gives nothing.
            .map(|signal| (signal, output.points().iter().filter(|p| p.1 <= 0.0).map(|p| p.0).fold(100.0, f64::max))),
        Input::Amperes(_) => None,
    };
    if let Some((signal, above)) = fed {
        writeln!(out, "available_when = {{ signal = \"{signal}\", above = {above} }}")?;
        if let Input::Engine(_, output) = &plan.input {
            let points: Vec<String> = output.points().iter().map(|(n, i)| format!("[{n}, {i}]")).collect();
            writeln!(out, "engine_speed = \"{signal}\"\ncurve = [{}]\nload_dump = \"clamp\"", points.join(", "))?;
        }
    }
    if let Some(max) = plan.max {
        writeln!(out, "max_c = {}", max.0)?;
    }
    Ok(())
}

fn quoted(address: Option<String>) -> Option<String> {
    address.map(|a| format!("\"{a}\""))
}

fn signals<const N: usize>(out: &mut String, pairs: [(&str, Option<String>); N]) -> std::fmt::Result {
    let known: Vec<String> = pairs.iter().filter_map(|(k, v)| v.as_ref().map(|v| format!("{k} = {v}"))).collect();
    if known.is_empty() { Ok(()) } else { writeln!(out, "signals = {{ {} }}", known.join(", ")) }
}
