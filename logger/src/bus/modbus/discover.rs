//! Finding the SunSpec models of a device.

use super::link::{Failure, Link};
use ampwake_schemas::modbus_map::sunspec::{BASES, MARKER, MOST_MODELS, ModelHead, Step, step};
use ampwake_schemas::modbus_map::{Function, ReadRequest};

/// Attempts to read one head.
const ATTEMPTS: usize = 3;

/// Walks from model to model; `None` where the device has no marker at any of the three places.
///
/// # Errors
/// The device does not answer, or the line has failed.
pub async fn discover(link: &mut Link, unit: u8) -> Result<Option<Vec<ModelHead>>, Failure> {
    for base in BASES {
        match pair(link, unit, base).await {
            Ok(MARKER) => {}
            // A device answers for addresses that it does not have with an exception, or with zeros.
            Ok(_) | Err(Failure::Exception(1..=4)) => continue,
            Err(e) => return Err(e),
        }
        let mut heads = Vec::new();
        let mut next = Some(base + 2);
        while let Some(address) = next.take().filter(|_| heads.len() < MOST_MODELS) {
            match pair(link, unit, address).await {
                Ok(head) => {
                    if let Step::Model(head, behind) = step(address, head) {
                        heads.push(head);
                        next = behind;
                    }
                }
                // What was found so far is there all the same.
                Err(Failure::Exception(_)) => {}
                Err(e) => return Err(e),
            }
        }
        return Ok(Some(heads));
    }
    Ok(None)
}

async fn pair(link: &mut Link, unit: u8, address: u16) -> Result<[u16; 2], Failure> {
    let request = ReadRequest { function: Function::HoldingRegisters, address, count: 2, every_s: 1.0 };
    let mut attempt = 1;
    loop {
        match link.ask(unit, &request).await {
            Ok(words) => return Ok([words[0], words[1]]),
            Err(Failure::Heard(_)) if attempt < ATTEMPTS => attempt += 1,
            Err(e) => return Err(e),
        }
    }
}
