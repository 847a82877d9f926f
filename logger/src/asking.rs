//! Which device is asked what, and when: for interfaces whose configuration says `ask = true`, and no others.
//!
//! Owes its reader: it asks only devices that are heard and not yet known in this run, seldom, and it falls quiet when the
//! bus is in trouble. Pure: nothing is sent here, and a [`Request`] is made nowhere else.
//!
//! * Every device is asked for its address claim, those of NMEA 2000 for their product information too.
//! * One request in [`PACE`], so that each has its whole time to be answered before the next.
//! * [`MOST_TRIES`] for each device and question, with growing pauses. After a new claim of its address they begin
//!   anew, but not more often than every [`REST`]: two devices that quarrel about an address are no reason to talk much.
//! * An error frame, or a request that cannot be sent, makes it quiet for [`QUIET`].
//!
//! The sender's address of a request is 254, the null address: Ampwake claims none. SAE J1939-81 and ISO 11783-5 (from
//! memory; PyPI can-j1939 2.0.12 does the same) provide that for requests for an address claim. For product information
//! they provide nothing without an address of one's own; a device may leave that unanswered. The answer itself goes to
//! everybody in either case (126996 is a PDU2 number; PyPI n2k 0.5.0 answers whoever asks).

use crate::bus::Frame;
use crate::framing::{FastPackets, Outcome};
use crate::identity::name_of_claim;
use ampwake_schemas::message::{CanId, Protocol};
use std::fmt;
use std::time::Duration;

/// Least time between two requests; the standard's longest time for an answer is 1.25 s (J1939-21, T3; from memory).
pub const PACE: Duration = Duration::from_millis(1250);
/// Requests to one device with one question.
pub const MOST_TRIES: usize = 3;
/// A device's tries do not begin anew more often than this.
pub const REST: Duration = Duration::from_secs(600);
/// So long nothing is asked after an error frame.
pub const QUIET: Duration = Duration::from_secs(60);

/// A device that has just been heard may be about to say by itself who it is.
const GRACE: Duration = Duration::from_secs(2);
/// The pauses before the second try and the third.
const PAUSES: [Duration; MOST_TRIES - 1] = [Duration::from_secs(10), Duration::from_secs(60)];
/// A device that was not heard for so long is not asked: NMEA 2000 has every device say each minute that it is alive (126993).
const STILL_THERE: Duration = Duration::from_secs(120);
/// How often it is looked for somebody to ask.
const LOOK: Duration = Duration::from_millis(200);

/// The message that asks, and the null address that it comes from.
const REQUEST: u32 = 59904;
const NULL_ADDRESS: u8 = 254;
/// What a device says to a request that it cannot serve.
const ACKNOWLEDGEMENT: u32 = 59392;
/// Its first byte where it never will: negative, access denied (values of ISO_CONTROL in the published layouts).
const REFUSALS: [u8; 2] = [1, 2];

/// What a device may be asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Question {
    /// Its NAME.
    AddressClaim,
    /// Model, versions, serial number.
    ProductInformation,
}

impl Question {
    const ALL: [Self; 2] = [Self::AddressClaim, Self::ProductInformation];

    /// The number of the message that answers it.
    pub const fn pgn(self) -> u32 {
        match self {
            Self::AddressClaim => 60928,
            Self::ProductInformation => 126996,
        }
    }
}

/// One question to one device. Only [`Questions::next`] makes one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Request {
    address: u8,
    question: Question,
    attempt: usize,
}

impl Request {
    /// The 29-bit identifier.
    pub fn id(&self) -> u32 {
        CanId { priority: 6, pgn: REQUEST, source: NULL_ADDRESS, destination: self.address }.to_raw()
    }

    /// The number that is asked for, lowest byte first.
    pub fn data(&self) -> [u8; 3] {
        let [a, b, c, _] = self.question.pgn().to_le_bytes();
        [a, b, c]
    }
}

impl fmt::Display for Request {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (pgn, address, attempt) = (self.question.pgn(), self.address, self.attempt);
        let what = match self.question {
            Question::AddressClaim => "address claim",
            Question::ProductInformation => "product information",
        };
        write!(f, "the device at address {address} was asked for its {what} ({pgn}), request {attempt} of {MOST_TRIES}")
    }
}

/// How far one question to one device is. Times count from the start.
#[derive(Debug, Clone, Copy, Default)]
struct Tries {
    answered: bool,
    made: usize,
    due: Duration,
    /// When they began.
    began: Duration,
}

impl Tries {
    fn starting(began: Duration) -> Self {
        Self { due: began + GRACE, began, ..Self::default() }
    }

    fn is_due(&self, now: Duration) -> bool {
        !self.answered && self.made < MOST_TRIES && self.due <= now
    }

    /// From the beginning, as soon as that is allowed.
    fn again(&mut self, now: Duration) {
        self.answered = false;
        if self.made > 0 {
            *self = Self::starting(now.max(self.began + REST));
        }
    }
}

/// Who is at an address.
#[derive(Debug, Clone, Copy)]
struct Seat {
    heard: Duration,
    name: Option<u64>,
    /// It has said something that NMEA 2000 has and J1939 has not.
    marine: bool,
    /// By [`Question`].
    tries: [Tries; 2],
}

/// The questions of one interface.
pub struct Questions {
    /// By address, 0 to 253.
    seats: Vec<Option<Seat>>,
    asks_products: bool,
    /// Not every device of the bus speaks NMEA 2000.
    mixed: bool,
    packets: FastPackets,
    /// Nothing is asked before.
    next: Duration,
}

impl fmt::Debug for Questions {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Questions").field("next", &self.next).finish_non_exhaustive()
    }
}

impl Questions {
    /// Nothing is known yet; `None` where none of these protocols has anything to be asked.
    pub fn on(protocols: &[Protocol]) -> Option<Self> {
        let speaks = |p| protocols.contains(&p);
        let others = speaks(Protocol::J1939) || speaks(Protocol::Rvc);
        (speaks(Protocol::N2k) || others).then(|| Self {
            seats: vec![None; usize::from(NULL_ADDRESS)],
            asks_products: speaks(Protocol::N2k),
            mixed: others,
            packets: FastPackets::default(),
            next: Duration::ZERO,
        })
    }

    /// Takes a frame of the bus, `now` counted from the start.
    pub fn heard(&mut self, now: Duration, frame: &Frame) {
        if frame.flags.error {
            return self.be_quiet(now);
        }
        if !frame.flags.extended || frame.flags.remote || frame.flags.fd {
            return;
        }
        let (id, data) = (CanId::from_raw(frame.id), frame.data());
        let Some(seat) = self.seats.get_mut(usize::from(id.source)) else { return };
        let seat = seat.get_or_insert(Seat { heard: now, name: None, marine: false, tries: [Tries::starting(now); 2] });
        seat.heard = now;
        // Numbers of NMEA 2000's own lie in data page 1, from 126208 on; J1939's lie in page 0.
        seat.marine |= id.pgn >= 126_208;
        let [claim, product] = &mut seat.tries;
        if id.pgn == Question::AddressClaim.pgn() {
            let Some(name) = name_of_claim(data) else { return };
            let other = seat.name.replace(name).is_some_and(|before| before != name);
            claim.answered = true;
            if other || (!product.answered && product.made >= MOST_TRIES) {
                product.again(now);
            }
        } else if id.pgn == Question::ProductInformation.pgn() {
            product.answered |= matches!(self.packets.push(frame.time, id, data), Outcome::Complete(_));
        } else if id.pgn == ACKNOWLEDGEMENT
            && let [control, _, _, _, _, number @ ..] = data
            && REFUSALS.contains(control)
        {
            for (question, tries) in Question::ALL.iter().zip(&mut seat.tries) {
                if number.starts_with(&question.pgn().to_le_bytes()[..3]) {
                    tries.made = MOST_TRIES;
                }
            }
        }
    }

    /// The bus is in trouble, or cannot be sent on: nothing is asked for a while.
    pub fn be_quiet(&mut self, now: Duration) {
        self.next = self.next.max(now + QUIET);
    }

    /// The request that is to be sent now, if any; it counts as sent.
    pub fn next(&mut self, now: Duration) -> Option<Request> {
        if now < self.next {
            return None;
        }
        self.next = now + LOOK;
        let mut first: Option<(Duration, u8, Question)> = None;
        for (address, seat) in (0..NULL_ADDRESS).zip(&self.seats) {
            let Some(seat) = seat.filter(|s| now.saturating_sub(s.heard) <= STILL_THERE) else { continue };
            for (question, tries) in Question::ALL.into_iter().zip(&seat.tries) {
                let asked = question == Question::AddressClaim || self.asks_products && (seat.marine || !self.mixed);
                if asked && tries.is_due(now) && first.is_none_or(|(due, ..)| tries.due < due) {
                    first = Some((tries.due, address, question));
                }
            }
        }
        let (_, address, question) = first?;
        let tries = &mut self.seats.get_mut(usize::from(address))?.as_mut()?.tries[question as usize];
        tries.made += 1;
        tries.due = now + PAUSES.get(tries.made - 1).copied().unwrap_or_default();
        self.next = now + PACE;
        Some(Request { address, question, attempt: tries.made })
    }
}

#[cfg(test)]
mod tests;
