//! What a day brings: where the vessel lies, when engines and generator run, sun and wind.

use super::plant::SOURCES;
use crate::voyages::Dice;
use std::f64::consts::PI;

/// Where the vessel spends a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Place {
    Dock,
    Leaving,
    Sea,
    Arriving,
    Anchor,
}

/// One day, drawn from the season's seed.
#[derive(Debug, Clone, Copy)]
pub struct Day {
    place: Place,
    /// Part of the clear sky's sun that comes through.
    clear: f64,
    /// Highest sun, part of the year's best.
    noon: f64,
    /// Half of the day's length, hours.
    half_h: f64,
    /// Metres a second through the water under sail.
    wind_mps: f64,
    /// House loads, A.
    house_a: f64,
    /// The generator runs from this hour on, for so many hours.
    genset: Option<(f64, f64)>,
    /// Degrees Celsius at night.
    pub cold_c: f64,
}

/// What the day offers at one moment.
#[derive(Debug, Clone, Copy, Default)]
pub struct Offer {
    /// Shore power is there.
    pub shore: bool,
    /// The generator runs.
    pub genset: bool,
    /// Engine speed, rpm.
    pub rpm: f64,
    /// Sun, part of the best.
    pub sun: f64,
    /// Speed through the water, m/s.
    pub water_mps: f64,
    /// Loads, A: house, propulsion.
    pub loads_a: [f64; 2],
}

impl Day {
    /// The day before the first.
    pub(super) fn first() -> Self {
        Self {
            place: Place::Dock,
            clear: 1.0,
            noon: 0.5,
            half_h: 5.0,
            wind_mps: 3.0,
            house_a: 8.0,
            genset: None,
            cold_c: 12.0,
        }
    }

    /// The next one.
    pub(super) fn next(self, seed: u64, number: u32, soc: f64) -> Self {
        let mut dice = Dice::new(seed, u64::from(number));
        // Longest day: 21 June, the 172nd. Half days of 7.4 and 4.7 h: about 40 degrees north.
        let season = (2.0 * PI * (f64::from(number % 365) - 172.0) / 365.0).cos();
        let stays = if season < -0.3 { 0.9 } else { 0.55 };
        let place = match self.place {
            Place::Dock | Place::Arriving if dice.chance(stays) => Place::Dock,
            Place::Dock | Place::Arriving => Place::Leaving,
            Place::Leaving | Place::Sea | Place::Anchor => {
                if dice.chance(0.35) {
                    Place::Arriving
                } else if dice.chance(0.5) {
                    Place::Anchor
                } else {
                    Place::Sea
                }
            }
        };
        let away = matches!(place, Place::Anchor | Place::Sea);
        Self {
            place,
            clear: if dice.chance(0.6) { dice.between(0.8, 1.0) } else { dice.between(0.15, 0.7) },
            noon: 0.72 + 0.28 * season,
            half_h: 6.05 + 1.35 * season,
            wind_mps: dice.between(1.5, 4.2),
            house_a: dice.between(6.0, 14.0),
            genset: (away && soc < 0.55).then(|| (dice.between(16.0, 19.0), dice.between(1.5, 3.0))),
            cold_c: 15.0 + 8.0 * season + dice.between(-3.0, 3.0),
        }
    }

    /// What there is at this hour of the day.
    pub(super) fn at(&self, hour: f64) -> Offer {
        let within = |from: f64, to: f64| (from..to).contains(&hour);
        let leaving = matches!(self.place, Place::Leaving);
        let arriving = matches!(self.place, Place::Arriving);
        let motoring = (leaving && within(9.0, 10.2))
            || (arriving && within(15.0, 16.5))
            || (self.place == Place::Sea && within(7.0, 7.8));
        let sailing = (leaving && within(10.2, 18.0))
            || (arriving && within(9.0, 15.0))
            || (self.place == Place::Sea && within(8.0, 20.0));
        let electric = (leaving && within(8.7, 9.0)) || (arriving && within(16.5, 16.8));
        let from_noon = (hour - 12.2) / self.half_h;
        Offer {
            shore: match self.place {
                Place::Dock => true,
                Place::Leaving => hour < 8.5,
                Place::Arriving => hour > 17.0,
                Place::Sea | Place::Anchor => false,
            },
            genset: self.genset.is_some_and(|(from, hours)| within(from, from + hours)),
            rpm: if motoring { 1500.0 } else { 0.0 },
            sun: if from_noon.abs() < 1.0 {
                self.noon * self.clear * (0.5 * PI * from_noon).cos().powf(1.3)
            } else {
                0.0
            },
            water_mps: if sailing {
                self.wind_mps
            } else if motoring {
                3.2
            } else {
                0.0
            },
            loads_a: [self.house_a * if within(18.0, 23.0) { 1.8 } else { 1.0 }, if electric { 120.0 } else { 0.0 }],
        }
    }
}

/// What each source could give of that, A: port and starboard shore chargers, the generator's, alternator, two solar
/// controllers, hydrogenerator.
pub(super) fn limits(offer: &Offer, string_lost: bool) -> [f64; SOURCES] {
    let shore = if offer.shore { 110.0 } else { 0.0 };
    let panels = 22.0 * offer.sun;
    [
        shore,
        shore,
        if offer.genset { 150.0 } else { 0.0 },
        if offer.rpm > 900.0 { 90.0 } else { 0.0 },
        panels,
        if string_lost { 0.5 * panels } else { panels },
        if offer.rpm > 0.0 { 0.0 } else { 0.55 * offer.water_mps.powi(2) },
    ]
}
