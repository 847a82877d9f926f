//! The physical model of bank and sources on one DC bus.
