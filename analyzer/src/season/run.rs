//! The edge: pieces are loaded and analysed, as many at once as there are processors.

use super::{LONGEST_MS, cut, join, pictures};
use crate::analyze::{self, Analysis, Piece};
use crate::load::{self, Catalogue};
use crate::series::Series;
use crate::trend::{self, Lead};
use ampwake_schemas::findings::Period;
use ampwake_schemas::intent::Intent;
use ampwake_store::{ChannelInfo, Store, StoreError};
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;
use std::thread;

/// More at once would cost memory: a day of sixty channels at one a second takes some hundred megabytes.
const MOST_AT_ONCE: usize = 4;

/// The analysis of `period` of a database; `tell` hears how many of how many pieces are done.
///
/// # Errors
/// The database cannot be read.
pub fn analyse(
    store: &Store,
    intent: &Intent,
    period: Period,
    mut tell: impl FnMut(usize, usize),
) -> Result<Analysis, StoreError> {
    let catalogue = Catalogue::of(store)?;
    let midnights = cut::midnights(period);
    let currents = cut::currents(&catalogue.channels, intent);
    let cuts = each(store.path(), &midnights, |store, m| cut::near(store, &currents, *m), |_| ())?;
    let parts = cut::pieces(period, cuts);
    let number = parts.len();
    let piece = |store: &Store, part: &Period| piece(store, &catalogue, intent, *part, number);
    let pieces = each(store.path(), &parts, piece, |done| tell(done, number))?;
    let (pieces, leads): (Vec<Piece>, Vec<Vec<Lead>>) = pieces.into_iter().unzip();
    Ok(join(pieces, &leads.concat(), intent, period))
}

/// True where a period is long enough to be cut.
pub fn is_long(period: Period) -> bool {
    period.end.millis() - period.start.millis() > LONGEST_MS
}

fn piece(
    store: &Store,
    catalogue: &Catalogue,
    intent: &Intent,
    part: Period,
    of: usize,
) -> Result<(Piece, Vec<Lead>), StoreError> {
    let (from, to) = (Some(part.start), Some(part.end));
    let mut read = |c: &ChannelInfo| Ok(Series::from_readings(store.read_all(c.id, from, to)?));
    let recording = load::compose(catalogue, intent, from, to, &mut read)?;
    let mut leads = Vec::new();
    let mut piece = analyze::piece(&recording, intent, &mut |w| leads.extend(trend::leads(w)));
    pictures::thin(&mut piece.analysis.charts, of);
    Ok((piece, leads))
}

/// `work` on every item, in threads that each have the database open; results in the order of the items.
fn each<T: Sync, R: Send>(
    path: &Path,
    items: &[T],
    work: impl Fn(&Store, &T) -> Result<R, StoreError> + Sync,
    mut done: impl FnMut(usize),
) -> Result<Vec<R>, StoreError> {
    let threads = thread::available_parallelism().map_or(1, usize::from).min(MOST_AT_ONCE).min(items.len());
    let next = AtomicUsize::new(0);
    let (send, receive) = mpsc::channel::<Result<(usize, R), StoreError>>();
    thread::scope(|scope| {
        for _ in 0..threads {
            let (send, next, work) = (send.clone(), &next, &work);
            scope.spawn(move || {
                let store = match Store::open(path) {
                    Ok(store) => store,
                    Err(e) => return drop(send.send(Err(e))),
                };
                while let Some((n, item)) =
                    Some(next.fetch_add(1, Ordering::Relaxed)).and_then(|n| Some((n, items.get(n)?)))
                {
                    // Nobody listens any more where another thread failed.
                    if send.send(work(&store, item).map(|r| (n, r))).is_err() {
                        return;
                    }
                }
            });
        }
        drop(send);
        let mut results: Vec<Option<R>> = items.iter().map(|_| None).collect();
        for (count, result) in receive.iter().enumerate() {
            let (n, r) = result?;
            results[n] = Some(r);
            done(count + 1);
        }
        Ok(results.into_iter().flatten().collect())
    })
}
