//! Raw frames as somebody else's program, or a failing card, could have left them.
//!
//! Input: a byte that says what follows. Even: a chunk as it is when unpacked, which is packed around it, so that the content
//! is reached. Odd: the chunk as it lies in the file.

use ampwake_store::raw::{Batch, Chunk, MOST_BUSES, MOST_DATA, MOST_FRAMES, unpack};

/// The longest name of a bus that a chunk may have.
const MOST_NAME: usize = 256;

/// Reads a chunk, and writes what was in it again.
pub fn run(bytes: &[u8]) {
    let Some((kind, rest)) = bytes.split_first() else { return };
    let packed = match kind & 1 {
        0 => zstd::bulk::compress(rest, 1).expect("memory"),
        _ => rest.to_vec(),
    };
    let Ok(chunk) = unpack(&packed) else { return };
    assert!(chunk.frames.len() <= MOST_FRAMES && chunk.buses.len() <= MOST_BUSES);
    for frame in &chunk.frames {
        assert!(usize::from(frame.bus) < chunk.buses.len() && frame.id >> 29 == 0 && frame.flags < 16);
        assert!(frame.data().len() <= MOST_DATA);
        assert!((0..=9999).contains(&year(&frame.time.to_string())), "{}", frame.time);
    }
    again(&chunk, rest);
}

fn year(text: &str) -> i32 {
    text.get(..4).and_then(|year| year.parse().ok()).unwrap_or(-1)
}

/// What was read can be written, and is the same; a bit that flips on the way is noticed or means nothing.
fn again(chunk: &Chunk, bytes: &[u8]) {
    // A name that was no UTF-8 grows when it is made some.
    if chunk.buses.iter().any(|name| name.len() > MOST_NAME) {
        return;
    }
    let mut batch = Batch::default();
    for frame in &chunk.frames {
        assert!(batch.push(usize::from(frame.bus), frame.time, frame.id, frame.flags, frame.data()));
    }
    let mut packed = batch.pack(&chunk.buses).expect("memory");
    let read = unpack(&packed.data).expect("what was read can be written");
    assert_eq!(read.frames, chunk.frames);
    assert_eq!(read.buses, chunk.buses[..read.buses.len()]);
    let at = bytes.iter().map(|b| usize::from(*b)).sum::<usize>() % packed.data.len();
    packed.data[at] ^= 1 << (at % 8);
    assert!(unpack(&packed.data).map_or(true, |other| other == read), "a flipped bit at {at}");
}
