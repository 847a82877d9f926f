//! Everything at once: what an analysis of a whole database costs.

use crate::error::StoreError;
use crate::store::Store;
use crate::{ChannelId, Summary};
use ampwake_blocks::{BlockView, Coding};
use ampwake_schemas::message::Scale;
use std::collections::{BTreeMap, HashMap};

impl Store {
    /// Minimum, maximum, sum and integral of every channel by unpacking every sealed block once, those apart of
    /// which only summaries remain. The steps between blocks
    /// are not in the integrals.
    ///
    /// # Errors
    /// The file cannot be read, or a block is damaged.
    pub fn scan_all(&self) -> Result<BTreeMap<ChannelId, Summary>, StoreError> {
        let mut columns: HashMap<i64, Vec<(ChannelId, Coding)>> = HashMap::new();
        let sql = "SELECT stream, channel, step, shift, decimals FROM stream_column ORDER BY stream, place";
        for (stream, channel, scale) in self.rows("cannot read the streams", sql, [], |row| {
            let scale: Option<(i64, i64, u8)> = match row.get::<_, Option<i64>>(2)? {
                Some(step) => Some((step, row.get(3)?, row.get(4)?)),
                None => None,
            };
            Ok((row.get::<_, i64>(0)?, ChannelId(row.get(1)?), scale))
        })? {
            let coding = scale
                .map_or(Coding::Float, |(step, offset, decimals)| Coding::Scaled(Scale { step, offset, decimals }));
            columns.entry(stream).or_default().push((channel, coding));
        }
        let mut whole = BTreeMap::new();
        let sql = "SELECT stream, data FROM block WHERE length(data) > 0 ORDER BY stream, segment, first_ms";
        let damaged = self.rows("cannot read the samples", sql, [], |row| {
            let channels = columns.get(&row.get(0)?).map(Vec::as_slice).unwrap_or_default();
            let block = row.get_ref(1)?.as_blob().unwrap_or_default();
            Ok(merge(block, channels, &mut whole).err())
        })?;
        match damaged.into_iter().flatten().next() {
            Some(source) => Err(StoreError::Block { path: self.path.clone(), source }),
            None => Ok(whole),
        }
    }
}

fn merge(
    block: &[u8],
    channels: &[(ChannelId, Coding)],
    whole: &mut BTreeMap<ChannelId, Summary>,
) -> Result<(), ampwake_blocks::BlockError> {
    let (view, columns) = BlockView::read(block, |_| true)?;
    for (column, (channel, coding)) in columns.iter().zip(channels) {
        whole.entry(*channel).or_default().merge(&view.summarise(column, *coding));
    }
    Ok(())
}
