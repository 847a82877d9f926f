//! Everything at once: what an analysis of a whole database costs.

use crate::error::StoreError;
use crate::store::Store;
use crate::{ChannelId, StreamColumn, StreamId, Summary};
use ampwake_blocks::BlockView;
use std::collections::{BTreeMap, HashMap};

impl Store {
    /// Minimum, maximum, sum and integral of every channel by unpacking every sealed block once, those apart of
    /// which only summaries remain. The steps between blocks
    /// are not in the integrals.
    ///
    /// # Errors
    /// The file cannot be read, or a block is damaged.
    pub fn scan(&self) -> Result<BTreeMap<ChannelId, Summary>, StoreError> {
        let streams: HashMap<StreamId, Vec<StreamColumn>> = self.stream_columns()?.into_iter().collect();
        let mut whole = BTreeMap::new();
        let sql = "SELECT stream, data FROM block WHERE length(data) > 0 ORDER BY stream, segment, first_ms";
        let damaged = self.rows("cannot read the samples", sql, [], |row| {
            let columns = streams.get(&StreamId(row.get(0)?)).map(Vec::as_slice).unwrap_or_default();
            let block = row.get_ref(1)?.as_blob().unwrap_or_default();
            Ok(merge(block, columns, &mut whole).err())
        })?;
        match damaged.into_iter().flatten().next() {
            Some(source) => Err(StoreError::Block { path: self.path.clone(), source }),
            None => Ok(whole),
        }
    }
}

fn merge(
    block: &[u8],
    columns: &[StreamColumn],
    whole: &mut BTreeMap<ChannelId, Summary>,
) -> Result<(), ampwake_blocks::BlockError> {
    let (view, decoded) = BlockView::read(block, |_| true)?;
    for (column, StreamColumn { channel, coding }) in decoded.iter().zip(columns) {
        whole.entry(*channel).or_default().merge(&view.summarise(column, *coding));
    }
    Ok(())
}
