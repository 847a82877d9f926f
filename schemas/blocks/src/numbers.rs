//! An array of numbers as bytes. The kind that fits is tried in the order of cheapness: one number for all, the smallest of
//! three plain ones for short arrays, and else the `pco` codec (its format is stable and documented) in the narrowest type.

use crate::bits;
use crate::bytes::{Input, put, put_signed};
use crate::{BlockError, MOST_ROWS};
use pco::data_types::Number;
use pco::standalone::{simple_compress, simple_decompress_into};
use pco::{ChunkConfig, DeltaSpec, ModeSpec};

/// Shorter arrays are not worth the head of a `pco` stream.
const SHORT: usize = 64;
/// Between 0 and 12. From 4 on the sizes differ by a few hundredths, the time to write by halves.
const LEVEL: usize = 4;

/// The kinds as they stand in a block.
mod kind {
    pub(super) const NONE: u8 = 0;
    pub(super) const SAME: u8 = 1;
    pub(super) const DIFFERENCES: u8 = 2;
    pub(super) const PCO_16: u8 = 3;
    pub(super) const PCO_32: u8 = 4;
    pub(super) const PCO_64: u8 = 5;
    pub(super) const SAME_FLOAT: u8 = 6;
    pub(super) const FLOATS: u8 = 7;
    pub(super) const PCO_FLOATS: u8 = 8;
    pub(super) const BITS: u8 = 9;
    pub(super) const BITS_OF_DIFFERENCES: u8 = 10;
}

/// Decoded numbers in the type in which they were packed: widening costs time that a scan does not have.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Numbers {
    /// `n` times the same.
    Same(i64, usize),
    /// 16 bits.
    I16(Vec<i16>),
    /// 32 bits.
    I32(Vec<i32>),
    /// 64 bits.
    I64(Vec<i64>),
    /// Floats.
    Floats(Vec<f64>),
}

impl Numbers {
    pub(crate) fn len(&self) -> usize {
        match self {
            Self::Same(_, n) => *n,
            Self::I16(v) => v.len(),
            Self::I32(v) => v.len(),
            Self::I64(v) => v.len(),
            Self::Floats(v) => v.len(),
        }
    }

    /// The number at `i`; a float's bits. Zero beyond the end.
    pub(crate) fn raw(&self, i: usize) -> i64 {
        match self {
            Self::Same(value, _) => *value,
            Self::I16(v) => v.get(i).map_or(0, |n| i64::from(*n)),
            Self::I32(v) => v.get(i).map_or(0, |n| i64::from(*n)),
            Self::I64(v) => v.get(i).copied().unwrap_or(0),
            Self::Floats(v) => v.get(i).map_or(0, |x| x.to_bits() as i64),
        }
    }
}

/// Packs whole numbers.
pub(crate) fn put_ints(out: &mut Vec<u8>, values: &[i64]) {
    let Some(&first) = values.first() else { return out.push(kind::NONE) };
    let (low, high) = values.iter().fold((first, first), |(low, high), v| (low.min(*v), high.max(*v)));
    if low == high {
        out.push(kind::SAME);
        return put_signed(out, first);
    }
    if values.len() < SHORT {
        return put_short(out, values);
    }
    let steps = steps_are_smaller(values);
    let fits = |least: i64, most: i64| low >= least && high <= most;
    let (kind, packed) = if fits(i16::MIN.into(), i16::MAX.into()) {
        let narrow: Vec<i16> = values.iter().map(|v| *v as i16).collect();
        (kind::PCO_16, pack(&narrow, steps, ModeSpec::Classic))
    } else if fits(i32::MIN.into(), i32::MAX.into()) {
        let narrow: Vec<i32> = values.iter().map(|v| *v as i32).collect();
        (kind::PCO_32, pack(&narrow, steps, ModeSpec::Classic))
    } else {
        (kind::PCO_64, pack(values, steps, ModeSpec::Classic))
    };
    match packed {
        Some(packed) => put_packed(out, kind, &packed),
        None => put_differences(out, values),
    }
}

/// A commit of the recorder has many short arrays; every page that it needs less is written less, thousands of times a day.
fn put_short(out: &mut Vec<u8>, values: &[i64]) {
    let (mut varints, mut itself, mut steps) = (Vec::new(), vec![kind::BITS], vec![kind::BITS_OF_DIFFERENCES]);
    put_differences(&mut varints, values);
    bits::put(&mut itself, values);
    put_signed(&mut steps, values[0]);
    let differences: Vec<i64> = values.windows(2).map(|pair| pair[1].wrapping_sub(pair[0])).collect();
    bits::put(&mut steps, &differences);
    let smallest = [varints, itself, steps].into_iter().min_by_key(Vec::len);
    out.extend(smallest.unwrap_or_default());
}

fn put_differences(out: &mut Vec<u8>, values: &[i64]) {
    out.push(kind::DIFFERENCES);
    let mut before = 0;
    for value in values {
        put_signed(out, value.wrapping_sub(before));
        before = *value;
    }
}

/// Packs floats.
pub(crate) fn put_floats(out: &mut Vec<u8>, values: &[f64]) {
    let Some(first) = values.first() else { return out.push(kind::NONE) };
    if values.iter().all(|v| v.to_bits() == first.to_bits()) {
        out.push(kind::SAME_FLOAT);
        return out.extend(first.to_bits().to_le_bytes());
    }
    if values.len() >= SHORT
        && let Some(packed) = pack(values, true, ModeSpec::Auto).filter(|p| p.len() < values.len() * 8)
    {
        return put_packed(out, kind::PCO_FLOATS, &packed);
    }
    out.push(kind::FLOATS);
    values.iter().for_each(|v| out.extend(v.to_bits().to_le_bytes()));
}

fn put_packed(out: &mut Vec<u8>, kind: u8, packed: &[u8]) {
    out.push(kind);
    put(out, packed.len() as u64);
    out.extend(packed);
}

/// True where neighbours differ less than the values do among themselves (the variance of the differences against that
/// of the values): a walk is packed by its steps, noise around a level by itself.
fn steps_are_smaller(values: &[i64]) -> bool {
    let n = values.len() as f64;
    let zero = values[0];
    let (mut sum, mut squares, mut steps, mut before) = (0.0, 0.0, 0.0, 0.0);
    for value in values {
        let x = value.wrapping_sub(zero) as f64;
        sum += x;
        squares += x * x;
        steps += (x - before) * (x - before);
        before = x;
    }
    steps < squares - sum * sum / n
}

fn pack<T: Number>(values: &[T], steps: bool, mode: ModeSpec) -> Option<Vec<u8>> {
    let delta = if steps { DeltaSpec::TryConsecutive(1) } else { DeltaSpec::NoOp };
    let config = ChunkConfig::default().with_compression_level(LEVEL).with_delta_spec(delta).with_mode_spec(mode);
    simple_compress(values, &config).ok()
}

/// Unpacks `n` numbers.
pub(crate) fn take(input: &mut Input<'_>, n: usize) -> Result<Numbers, BlockError> {
    debug_assert!(n <= MOST_ROWS);
    let kind = input.byte()?;
    Ok(match kind {
        kind::NONE if n == 0 => Numbers::Same(0, 0),
        kind::SAME => Numbers::Same(input.signed()?, n),
        kind::SAME_FLOAT => Numbers::Floats(vec![float(input)?; n]),
        kind::FLOATS => Numbers::Floats((0..n).map(|_| float(input)).collect::<Result<_, _>>()?),
        kind::DIFFERENCES => {
            let mut value = 0_i64;
            let mut next = || {
                value = value.wrapping_add(input.signed()?);
                Ok(value)
            };
            Numbers::I64((0..n).map(|_| next()).collect::<Result<_, _>>()?)
        }
        kind::BITS => Numbers::I64(bits::take(input, n)?),
        kind::BITS_OF_DIFFERENCES => {
            let mut value = input.signed()?;
            let mut all = vec![value];
            all.extend(bits::take(input, n.saturating_sub(1))?.into_iter().map(|difference| {
                value = value.wrapping_add(difference);
                value
            }));
            all.truncate(n);
            Numbers::I64(all)
        }
        kind::PCO_16 => Numbers::I16(unpack(input, n)?),
        kind::PCO_32 => Numbers::I32(unpack(input, n)?),
        kind::PCO_64 => Numbers::I64(unpack(input, n)?),
        kind::PCO_FLOATS => Numbers::Floats(unpack(input, n)?),
        _ => return Err(BlockError::Malformed("a column is of no known kind")),
    })
}

fn float(input: &mut Input<'_>) -> Result<f64, BlockError> {
    let bytes = input.take(8)?;
    Ok(f64::from_bits(u64::from_le_bytes(bytes.try_into().unwrap_or_default())))
}

fn unpack<T: Number>(input: &mut Input<'_>, n: usize) -> Result<Vec<T>, BlockError> {
    let length = input.count(MOST_ROWS * 16)?;
    let packed = input.take(length)?;
    // One more than there may be: a stream that holds more numbers than the block has rows is found out.
    let mut values = vec![T::default(); n + 1];
    let progress = simple_decompress_into(packed, &mut values)
        .map_err(|_| BlockError::Malformed("a column cannot be unpacked"))?;
    if progress.n_processed != n || !progress.finished {
        return Err(BlockError::Malformed("a column has another number of values than the block says"));
    }
    values.truncate(n);
    Ok(values)
}

/// Steps over `n` numbers.
pub(crate) fn skip(input: &mut Input<'_>, n: usize) -> Result<(), BlockError> {
    let mut ahead = *input;
    if matches!(ahead.byte()?, kind::PCO_16..=kind::PCO_64 | kind::PCO_FLOATS) {
        let length = ahead.count(MOST_ROWS * 16)?;
        ahead.take(length)?;
        *input = ahead;
        return Ok(());
    }
    take(input, n).map(|_| ())
}
