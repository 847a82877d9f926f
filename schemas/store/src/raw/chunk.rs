//! A chunk read back: every number in it is held against a bound before it is believed.

use super::{FORMAT, MOST_BUSES, MOST_DATA, MOST_FRAMES, RawFrame};
use ampwake_blocks::BlockError;
use ampwake_blocks::bytes::Input;
use ampwake_schemas::time::Timestamp;

/// Bytes of a chunk, packed or not: every frame with the most data, of a kind of its own, with the longest numbers.
pub(crate) const MOST_BYTES: usize = 4 << 20;
/// The longest name of a bus.
const MOST_NAME: usize = 256;
/// The years 0 to 9999.
const TIMES_US: std::ops::Range<i64> = -62_167_219_200_000_000..253_402_300_800_000_000;

/// Frames and the names of their buses.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Chunk {
    /// By [`RawFrame::bus`].
    pub buses: Vec<String>,
    /// In the order of arrival.
    pub frames: Vec<RawFrame>,
}

/// Why a chunk cannot be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum RawDamage {
    /// Bits were changed, or it was never one.
    #[error("a chunk of raw frames is damaged ({0})")]
    Damaged(&'static str),
    /// Written by a later version.
    #[error("a chunk of raw frames is of format {0}; update this program")]
    Newer(u8),
}

impl From<BlockError> for RawDamage {
    fn from(e: BlockError) -> Self {
        Self::Damaged(match e {
            BlockError::Malformed(why) => why,
            _ => "its numbers make no sense",
        })
    }
}

/// Unpacks a chunk; some megabytes of memory at most.
///
/// # Errors
/// It is damaged, or of a later version.
pub fn unpack(data: &[u8]) -> Result<Chunk, RawDamage> {
    let unpacked = zstd::bulk::Decompressor::new().and_then(|mut d| d.decompress(data, MOST_BYTES));
    read(&unpacked.map_err(|_| RawDamage::Damaged("it cannot be unpacked"))?)
}

fn read(bytes: &[u8]) -> Result<Chunk, RawDamage> {
    let mut input = Input(bytes);
    match input.byte()? {
        FORMAT => {}
        later => return Err(RawDamage::Newer(later)),
    }
    let mut buses = Vec::new();
    for _ in 0..input.count(MOST_BUSES)? {
        let length = input.count(MOST_NAME)?;
        buses.push(String::from_utf8_lossy(input.take(length)?).into_owned());
    }
    let mut kinds = Vec::new();
    for _ in 0..input.count(MOST_FRAMES)? {
        let (bus, id, flags, len) = (input.number()?, input.number()?, input.byte()?, input.byte()?);
        if bus >= buses.len() as u64 || id >> 29 != 0 || flags > 15 || usize::from(len) > MOST_DATA {
            return Err(RawDamage::Damaged("there is no such frame"));
        }
        let time = Timestamp::default();
        let kind = RawFrame { bus: bus as u16, time, id: id as u32, flags, len, data: [0; MOST_DATA] };
        kinds.push((kind, Vec::new()));
    }
    let count = input.count(MOST_FRAMES)?;
    let (mut times, mut time_us) = (Vec::new(), 0_i64);
    for _ in 0..count {
        time_us = time_us.wrapping_add(input.signed()?);
        if !TIMES_US.contains(&time_us) {
            return Err(RawDamage::Damaged("a time is in no year"));
        }
        times.push(time_us);
    }
    let mut frames: Vec<RawFrame> = Vec::new();
    for time_us in times {
        let place = input.number()? as usize;
        let (kind, members) = kinds.get_mut(place).ok_or(RawDamage::Damaged("there is no such kind of frame"))?;
        members.push(frames.len());
        frames.push(RawFrame { time: Timestamp::from_micros(time_us), ..*kind });
    }
    for (kind, members) in &kinds {
        for byte in 0..usize::from(kind.len) {
            let row = input.take(members.len())?;
            members.iter().zip(row).for_each(|(frame, value)| frames[*frame].data[byte] = *value);
        }
    }
    match input.0.is_empty() {
        true => Ok(Chunk { buses, frames }),
        false => Err(RawDamage::Damaged("something stands behind its end")),
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Batch, ERROR, EXTENDED, FD, REMOTE};
    use super::*;
    use proptest::prelude::*;

    type Given = (u8, i64, u32, u8, Vec<u8>);

    /// Any frame: of both lengths of identifiers, remote, error, FD with up to 64 bytes; at any time, in any order.
    fn any_frame() -> impl Strategy<Value = Given> {
        let id = prop_oneof![0_u32..4, 0_u32..1 << 29];
        let time = prop_oneof![1_757_680_800_000_000..1_757_680_801_000_000_i64, TIMES_US];
        (0_u8..3, time, id, 0_u8..16, proptest::collection::vec(any::<u8>(), 0..65))
    }

    fn buses() -> Vec<String> {
        ["can0", "can1", "house-bus"].map(str::to_owned).to_vec()
    }

    fn batch(frames: &[Given]) -> Batch {
        let mut batch = Batch::default();
        for (bus, time, id, flags, data) in frames {
            assert!(batch.push(usize::from(*bus), Timestamp::from_micros(*time), *id, *flags, data));
        }
        batch
    }

    proptest! {
        #[test]
        fn any_frames_come_back_as_they_were(frames in proptest::collection::vec(any_frame(), 0..200)) {
            let packed = batch(&frames).pack(&buses()).unwrap();
            let chunk = unpack(&packed.data).unwrap();
            prop_assert_eq!(packed.frames, frames.len() as u64);
            prop_assert_eq!(chunk.frames.len(), frames.len());
            for (frame, (bus, time, id, flags, data)) in chunk.frames.iter().zip(&frames) {
                prop_assert_eq!(&chunk.buses[usize::from(frame.bus)], &buses()[usize::from(*bus)]);
                prop_assert_eq!((frame.time.micros(), frame.id, frame.flags), (*time, *id, *flags));
                prop_assert_eq!(frame.data(), &data[..]);
            }
            let times = || frames.iter().map(|f| f.1);
            prop_assert_eq!(packed.first_us, times().min().unwrap_or(0));
            prop_assert_eq!(packed.last_us, times().max().unwrap_or(0));
        }

        #[test]
        fn a_flipped_bit_is_noticed(frames in proptest::collection::vec(any_frame(), 1..40), at in any::<prop::sample::Index>(), bit in 0_u8..8) {
            let mut data = batch(&frames).pack(&buses()).unwrap().data;
            let whole = unpack(&data).unwrap();
            let at = at.index(data.len());
            data[at] ^= 1_u8 << bit;
            // A few bits of a zstd frame mean nothing; then it is as it was.
            prop_assert!(unpack(&data).map_or(true, |read| read == whole));
        }

        #[test]
        fn any_bytes_are_read_or_refused(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
            let _ = read(&bytes);
            let _ = unpack(&bytes);
            let _ = unpack(&zstd::encode_all(&bytes[..], 1).unwrap());
        }
    }

    #[test]
    fn the_largest_batch_fits_and_no_frame_more() {
        let mut batch = Batch::default();
        let time =
            |n: usize| Timestamp::from_micros(if n.is_multiple_of(2) { TIMES_US.start } else { TIMES_US.end - 1 });
        for n in 0..MOST_FRAMES {
            assert!(batch.push(255, time(n), (1 << 29) - 1 - n as u32, FD | EXTENDED, &[n as u8; MOST_DATA]));
        }
        assert!(batch.is_full() && !batch.push(0, time(0), 1, REMOTE, &[]));
        let chunk = unpack(&batch.pack(&buses()).unwrap().data).unwrap();
        assert_eq!((chunk.frames.len(), chunk.buses.len()), (MOST_FRAMES, 256));
        assert_eq!(chunk.frames[MOST_FRAMES - 1].data(), [255; MOST_DATA]);
        let mut batch = Batch::default();
        assert!(!batch.push(0, time(0), 1 << 29, EXTENDED, &[]) && !batch.push(0, time(0), 1, FD, &[0; 65]));
        assert!(!batch.push(256, time(0), 1, ERROR, &[]) && batch.is_empty());
    }

    /// The example of `RAW.md`, written by hand from that page.
    #[test]
    fn the_written_format_is_the_one_that_is_read() {
        let bytes = [
            &[1, 1, 4][..],
            b"can0",
            &[2, 0, 0xA3, 0xA8, 0xC8, 0xCF, 0x01, 1, 2, 0, 0x40, 2, 1],
            &[3, 0xD0, 0x0F, 0x02, 0x01],
            &[0, 1, 0],
            &[0x11, 0x21, 0x12, 0x22, 0x99],
        ]
        .concat();
        let chunk = read(&bytes).unwrap();
        let seen: Vec<_> = chunk.frames.iter().map(|f| (f.time.micros(), f.id, f.flags, f.data())).collect();
        let id = 0x19F2_1423;
        let expected: [(i64, u32, u8, &[u8]); 3] =
            [(1000, id, EXTENDED, &[0x11, 0x12]), (1001, 0x40, ERROR, &[0x99]), (1000, id, EXTENDED, &[0x21, 0x22])];
        assert_eq!(seen, expected);
        assert_eq!(read(&[2, 0]), Err(RawDamage::Newer(2)));
        assert!(read(&[&bytes[..], &[0]].concat()).is_err() && read(&bytes[..bytes.len() - 1]).is_err());
    }
}
