//! Simulated voyages: the demonstration, and what tests need to sail their own with a known truth.
//!
//! A [`Scenario`] says what happens; [`sail`](Scenario::sail) turns it into a second-by-second [`Trace`] with the
//! physical model; [`Wiring`] says which instrument puts what on the data bus, how often and how badly, and
//! [`bus_traffic`] writes the recording; [`Truth`] is what an analysis of it should find. Everything follows
//! from the scenario and one number: the same seed gives the same bytes.
//!
//! Nothing here sailed: vessels, devices and events are invented.

mod intent_text;
mod noise;
mod scenario;
mod story;
mod traffic;
mod truth;
mod wiring;

pub use intent_text::intent_text;
pub use noise::Noise;
pub use scenario::{AcInput, AcMoment, Input, Instant, NamedLoad, Scenario, SourcePlan, Trace};
pub use story::{DemoFiles, SEED, Voyage, sail, write};
pub use traffic::bus_traffic;
pub use truth::{BankTruth, HeldOff, SourceTruth, Stretch, TooHot, Truth};
pub use wiring::{Device, Sender, Sensor, What, Wiring};
