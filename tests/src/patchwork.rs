//! A small database with everything in it that a reader can stumble over: whole numbers and floats, the three ways of
//! having no value, a corrected clock, recordings that overlap, equal times, a midnight, years of silence, a channel in
//! two streams, figures at the ends of what fits, and samples that are not sealed yet.

use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::message::Scale;
use ampwake_schemas::quantity::Unit;
use ampwake_schemas::sample::Reading;
use ampwake_schemas::time::Timestamp;
use ampwake_store::{ChannelId, Coding, Store, StoreError, StreamColumn, StreamId, Writer};
use std::path::Path;

/// 2025-09-12T23:00:00Z, ms: an hour before midnight.
pub const BEGIN_MS: i64 = 1_757_718_000_000;
/// 2019-03-04T05:06:07.008Z, ms: what is recorded years before.
pub const LONG_AGO_MS: i64 = 1_551_675_967_008;

/// Its channels, in the order of the addresses.
pub const CHANNELS: [(&str, Unit); 4] = [
    ("can0/dbc/pack/ends", Unit::None),
    ("can0/n2k/127508/0/battery_current", Unit::Ampere),
    ("can0/n2k/127508/0/battery_voltage", Unit::Volt),
    ("rs485/modbus/7/temperature", Unit::Celsius),
];

/// Makes it. The writer that is returned holds what is not sealed; dropped, it leaves that to the next one.
///
/// # Errors
/// The disk.
pub fn patchwork(path: &Path) -> Result<Writer, StoreError> {
    let mut w = Store::create(path)?;
    let mut ids = Vec::new();
    for (address, unit) in CHANNELS {
        let address: ChannelAddress = address.parse().unwrap_or_else(|e| panic!("{address}: {e}"));
        ids.push(w.channel(&address, unit)?);
    }
    let [ends, current, voltage, temperature]: [ChannelId; 4] = ids.try_into().unwrap_or_else(|_| unreachable!());
    let scaled = |channel, step, offset, decimals| StreamColumn {
        channel,
        coding: Coding::Scaled(Scale { step, offset, decimals }),
    };
    let battery = w.stream(&[scaled(voltage, 1, 0, 2), scaled(current, -1, 0, 1)])?;
    // The same channel as another device description has it.
    let other = w.stream(&[scaled(current, 5, -32_000, 2)])?;
    let extremes = w.stream(&[scaled(ends, 3, 1, 16)])?;

    w.begin_segment("years before");
    w.append_row(battery, Timestamp::from_millis(LONG_AGO_MS), &[5123, -70], &[0, 0]);

    // Two hours over midnight at three rows a second: more than two blocks, and equal times among them.
    let segment = w.begin_segment("an hour slow");
    w.set_segment_offset(segment, 3_600_000, "set by the test");
    for row in 0..21_600_i64 {
        let time = Timestamp::from_millis(BEGIN_MS - 3_600_000 + row / 2 * 666);
        two_values(&mut w, battery, time, row);
        if row % 10 == 0 {
            w.append(temperature, time, temperature_of(row));
        }
    }
    for (at, raw) in [i64::MIN, -1, 0, 1, i64::MAX / 3, i64::MAX].into_iter().enumerate() {
        w.append_row(extremes, Timestamp::from_millis(BEGIN_MS + at as i64), &[raw], &[0]);
    }
    w.commit()?;

    // Somebody else's recording of the same evening, one millisecond beside it.
    w.begin_segment("another recorder");
    for row in 0..300_i64 {
        w.append_row(other, Timestamp::from_millis(BEGIN_MS + 1 + row * 2_000), &[row * 100], &[0]);
    }
    w.seal()?;
    // Two commits that nobody has sealed.
    for part in 0..2_i64 {
        for row in 0..50_i64 {
            two_values(&mut w, battery, Timestamp::from_millis(BEGIN_MS + 7_300_000 + part * 60_000 + row * 333), row);
        }
        w.append(temperature, Timestamp::from_millis(BEGIN_MS + 7_300_000 + part), Reading::Value(f64::MIN_POSITIVE));
        w.commit()?;
    }
    Ok(w)
}

fn two_values(w: &mut Writer, stream: StreamId, time: Timestamp, row: i64) {
    let code = match row % 1000 {
        990..993 => Reading::NotAvailable,
        993..996 => Reading::OutOfRange,
        996.. => Reading::Reserved,
        _ => Reading::Value(0.0),
    };
    let noise = (row * 2_654_435_761).rem_euclid(97);
    w.append_row(stream, time, &[5_200 + noise, row % 400 - 200], &[0, code.code()]);
}

fn temperature_of(row: i64) -> Reading {
    match row % 70 {
        0 => Reading::NotAvailable,
        10 => Reading::Value(f64::NAN),
        20 => Reading::Value(-0.0),
        30 => Reading::Value(1e300),
        _ => Reading::Value((row as f64).sqrt() / 7.0),
    }
}
