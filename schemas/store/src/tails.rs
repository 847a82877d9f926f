//! What is in chunks: samples since the last sealing, found by stream without unpacking the others.

use crate::error::StoreError;
use crate::store::Store;
use crate::{ChannelId, ChannelInfo, SegmentId, StreamId, Timestamp};
use ampwake_blocks::{BlockView, chunk_parts};
use ampwake_schemas::channel::ChannelAddress;
use ampwake_schemas::quantity::Unit;
use std::collections::{BTreeMap, HashMap};

/// Calls `each` with segment, stream and block of everything in chunks, in the order of the commits.
pub(crate) fn each(store: &Store, mut each: impl FnMut(SegmentId, StreamId, &[u8])) -> Result<(), StoreError> {
    let sql = "SELECT segment, data FROM chunk ORDER BY id";
    store.rows("cannot read what is not sealed yet", sql, [], |row| {
        let segment = SegmentId(row.get(0)?);
        let data = row.get_ref(1)?.as_blob().unwrap_or_default();
        // What cannot be told apart is set aside by the next writer.
        chunk_parts(data).flatten().for_each(|(stream, block)| each(segment, StreamId(stream as i64), block));
        Ok(())
    })?;
    Ok(())
}

/// What each channel has in chunks, times corrected; address and unit are not filled in.
pub(crate) fn coverage(store: &Store) -> Result<Vec<ChannelInfo>, StoreError> {
    if store.rows("cannot read", "SELECT 1 FROM chunk LIMIT 1", [], |_| Ok(()))?.is_empty() {
        return Ok(Vec::new());
    }
    let streams: HashMap<StreamId, _> = store.stream_columns()?.into_iter().collect();
    let offsets = store.offsets()?;
    let mut found: BTreeMap<(ChannelId, SegmentId), ChannelInfo> = BTreeMap::new();
    each(store, |segment, stream, block| {
        let Some(columns) = streams.get(&stream) else { return };
        let Ok((view, unpacked)) = BlockView::read(block, |_| true) else { return };
        let Some(last_row) = view.rows().checked_sub(1) else { return };
        let offset = offsets.get(&segment).copied().unwrap_or(0);
        let time = |row: usize| Some(Timestamp::from_millis(view.time(row).saturating_add(offset)));
        for (column, spec) in unpacked.iter().zip(columns) {
            let info = found.entry((spec.channel, segment)).or_insert_with(|| nothing_of(spec.channel));
            let rows = view.rows() as u64;
            info.samples += rows;
            info.missing += rows - column.said().values() as u64;
            info.first = [info.first, time(0)].into_iter().flatten().min();
            if time(last_row) >= info.last {
                info.last = time(last_row);
                info.latest = column.last_value(spec.coding);
            }
        }
    })?;
    Ok(found.into_values().collect())
}

fn nothing_of(id: ChannelId) -> ChannelInfo {
    let address = ChannelAddress {
        bus: String::new(),
        protocol: String::new(),
        message: String::new(),
        source: None,
        instance: None,
        field: String::new(),
    };
    ChannelInfo { id, address, unit: Unit::Code, first: None, last: None, samples: 0, missing: 0, latest: None }
}
