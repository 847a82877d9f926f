//! Seasons: months and years of one vessel at one sample a second, written straight into a database, with known truth.
//!
//! Invented, and with physics of its own (a bus that is solved second by second, a bank with one slow polarisation), so
//! that what reads years has something to read in minutes. The same seed gives the same season.

mod days;
mod plant;
mod wiring;

pub use days::Day;
pub use wiring::INTENT;

use ampwake_schemas::time::Timestamp;
use ampwake_store::{Store, StoreError};
use plant::Plant;
use std::path::Path;
use wiring::Wiring;

/// What changes over the years; nothing does by default.
#[derive(Debug, Clone, Copy, Default)]
pub struct Ageing {
    /// Part of the bank's capacity that is lost in a year.
    pub fade_per_year: f64,
    /// Part by which its resistance grows in a year.
    pub stiffening_per_year: f64,
    /// Milliohms that the port charger's cable gains in a year.
    pub cable_mohm_per_year: f64,
    /// Day from which on half of the solar panels give nothing.
    pub string_lost: Option<u32>,
    /// Day on which the bank is replaced by a new one.
    pub battery_swapped: Option<u32>,
}

/// A season to be sailed.
#[derive(Debug, Clone, Copy)]
pub struct Season {
    /// Of weather, plans and noise.
    pub seed: u64,
    /// How long.
    pub days: u32,
    /// What changes.
    pub ageing: Ageing,
}

/// What was so.
#[derive(Debug, Clone, Copy, Default)]
pub struct Truth {
    /// Samples written.
    pub samples: u64,
    /// Ampere-hours into and out of the bank.
    pub in_ah: f64,
    /// The same, out.
    pub out_ah: f64,
    /// Ampere-hours of every source.
    pub source_ah: [f64; plant::SOURCES],
}

/// The first moment of every season: 2025-01-01T00:00:00Z.
pub const START_MS: i64 = 1_735_689_600_000;

impl Season {
    /// Sails it into a new database.
    ///
    /// # Errors
    /// The database cannot be written.
    pub fn sail(&self, database: &Path) -> Result<Truth, StoreError> {
        let mut writer = Store::create(database)?;
        writer.begin_segment("season");
        writer.begin_bulk();
        let mut wiring = Wiring::new(&mut writer, self.seed)?;
        let mut plant = Plant::new();
        let mut truth = Truth::default();
        let mut day = Day::first();
        for number in 0..self.days {
            day = day.next(self.seed, number, plant.soc);
            plant.age(self.ageing, number);
            for second in 0..86_400 {
                let now = plant.step(&day, f64::from(second));
                truth.in_ah += now.bank_a.max(0.0) / 3600.0;
                truth.out_ah += (-now.bank_a).max(0.0) / 3600.0;
                for (sum, a) in truth.source_ah.iter_mut().zip(now.source_a) {
                    *sum += a / 3600.0;
                }
                let at = START_MS + (i64::from(number) * 86_400 + i64::from(second)) * 1000;
                truth.samples += wiring.write(&mut writer, Timestamp::from_millis(at), &now);
            }
            writer.commit()?;
        }
        writer.end_bulk();
        writer.commit()?;
        writer.seal()?;
        Ok(truth)
    }
}
