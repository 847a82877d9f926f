//! x

pub mod config;
