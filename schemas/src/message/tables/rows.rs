//! Short words for rows. `const`, so that a table is plain data in the program.

use crate::message::{Field, FieldKind, MessageDef, Protocol, Repeat, Scale, Transport};
use crate::quantity::Unit;

/// Names of codes or bits.
pub(super) type Names = &'static [(u8, &'static str)];

/// A message of one frame.
pub(super) const fn single(number: u32, title: &'static str, priority: u8, fields: &'static [Field]) -> MessageDef {
    MessageDef { protocol: Protocol::N2k, number, title, transport: Transport::Single, priority, fields, repeat: None }
}

/// A fast packet.
pub(super) const fn fast(number: u32, title: &'static str, priority: u8, fields: &'static [Field]) -> MessageDef {
    MessageDef { protocol: Protocol::N2k, number, title, transport: Transport::Fast, priority, fields, repeat: None }
}

impl MessageDef {
    /// The same of another protocol.
    pub(super) const fn of(mut self, protocol: Protocol) -> Self {
        self.protocol = protocol;
        self
    }

    /// The fields from index `first` on repeat.
    pub(super) const fn repeating_from(mut self, first: usize) -> Self {
        self.repeat = Some(Repeat { first });
        self
    }
}

const fn field(name: &'static str, bit: u16, bits: u16, kind: FieldKind) -> Field {
    Field { name, bit, bits, kind }
}

/// A number with everything said.
pub(super) const fn number(
    name: &'static str,
    bit: u16,
    bits: u16,
    signed: bool,
    resolution: f64,
    offset: f64,
    unit: Unit,
) -> Field {
    let scale = Scale::new(resolution, offset);
    field(name, bit, bits, FieldKind::Number { signed, scale, unit, also_missing: None })
}

/// A number that is never negative.
pub(super) const fn unsigned(name: &'static str, bit: u16, bits: u16, resolution: f64, unit: Unit) -> Field {
    number(name, bit, bits, false, resolution, 0.0, unit)
}

/// A number in two's complement.
pub(super) const fn signed(name: &'static str, bit: u16, bits: u16, resolution: f64, unit: Unit) -> Field {
    number(name, bit, bits, true, resolution, 0.0, unit)
}

/// Kelvin on the bus, degrees Celsius in the channel.
pub(super) const fn kelvin(name: &'static str, bit: u16, bits: u16, resolution: f64) -> Field {
    number(name, bit, bits, false, resolution, -273.15, Unit::Celsius)
}

/// Whole per cent on the bus, a fraction in the channel.
pub(super) const fn percent(name: &'static str, bit: u16, bits: u16) -> Field {
    number(name, bit, bits, false, 0.01, 0.0, Unit::Fraction)
}

/// The same with a sign.
pub(super) const fn signed_percent(name: &'static str, bit: u16, bits: u16) -> Field {
    number(name, bit, bits, true, 0.01, 0.0, Unit::Fraction)
}

impl Field {
    /// Some encoders say "not available" with this code too.
    pub(super) const fn also_missing(self, raw: u64) -> Self {
        match self.kind {
            FieldKind::Number { signed, scale, unit, .. } => Self {
                name: self.name,
                bit: self.bit,
                bits: self.bits,
                kind: FieldKind::Number { signed, scale, unit, also_missing: Some(raw) },
            },
            _ => self,
        }
    }
}

/// An enumeration.
pub(super) const fn code(name: &'static str, bit: u16, bits: u16, names: Names) -> Field {
    field(name, bit, bits, FieldKind::Code { names })
}

/// A set of flags.
pub(super) const fn flags(name: &'static str, bit: u16, bits: u16, names: Names) -> Field {
    field(name, bit, bits, FieldKind::Flags { names })
}

/// A part of an identification.
pub(super) const fn ident(name: &'static str, bit: u16, bits: u16) -> Field {
    field(name, bit, bits, FieldKind::Ident)
}

/// Text of fixed length.
pub(super) const fn text(name: &'static str, bit: u16, bits: u16) -> Field {
    field(name, bit, bits, FieldKind::Text)
}

/// A number in pieces (bit, length, place within the number); `shift` is the place of the field's own bits.
pub(super) const fn joined(
    name: &'static str,
    bit: u16,
    bits: u16,
    shift: u16,
    pieces: &'static [(u16, u16, u16)],
) -> Field {
    field(name, bit, bits, FieldKind::Joined { shift, pieces })
}

/// A piece of a number that another field joins.
pub(super) const fn piece(bit: u16, bits: u16) -> Field {
    field("piece", bit, bits, FieldKind::Piece)
}

/// The sender's rank.
pub(super) const fn rank(name: &'static str, bit: u16) -> Field {
    field(name, bit, 8, FieldKind::Rank)
}

/// The side of the device; `plain` goes without saying.
pub(super) const fn side(name: &'static str, bit: u16, bits: u16, plain: u8) -> Field {
    field(name, bit, bits, FieldKind::Side { plain })
}

/// An instance of fewer bits than a byte.
pub(super) const fn narrow_instance(name: &'static str, bit: u16, bits: u16) -> Field {
    field(name, bit, bits, FieldKind::Instance)
}

/// The instance, whatever the standard calls it here.
pub(super) const fn instance(name: &'static str, bit: u16) -> Field {
    field(name, bit, 8, FieldKind::Instance)
}

/// The sequence identifier.
pub(super) const fn sid(bit: u16) -> Field {
    field("sid", bit, 8, FieldKind::Sequence)
}

/// The number of repeating sets.
pub(super) const fn count(name: &'static str, bit: u16) -> Field {
    field(name, bit, 8, FieldKind::Count)
}

/// Which set it is.
pub(super) const fn set_index(name: &'static str, bit: u16, bits: u16) -> Field {
    field(name, bit, bits, FieldKind::SetIndex)
}

/// Nothing.
pub(super) const fn reserved(bit: u16, bits: u16) -> Field {
    field("reserved", bit, bits, FieldKind::Reserved)
}

/// Nothing, sent as zeros.
pub(super) const fn spare(bit: u16, bits: u16) -> Field {
    field("spare", bit, bits, FieldKind::Spare)
}
