//! Putting messages together from what a bus carries, as pure state machines: no sockets, no clocks of their own,
//! "incomplete" is a normal outcome, and memory has a fixed bound.

mod fast_packet;
pub mod modbus;
pub mod sentence;
mod transport;

pub use fast_packet::{Counters, DropReason, FastPackets, Outcome};
pub use transport::{TransportCounters, TransportDrop, TransportOutcome, Transports};
