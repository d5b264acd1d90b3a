//! The store's budget: what is given up when ledger and raw samples have outgrown it.

use std::sync::Arc;

use tallyhook_analysis::units::Span;
use tallyhook_config::model::Config;
use tokio::sync::mpsc;

use crate::clock::Clock;
use crate::samples::recording;
use crate::store::thin::{Bounds, Step, Thinned};
use crate::store::{Reader, StoreError, StoreHandle, ledger_path};

/// How often it is looked at.
const LOOK: Span = Span::from_ms(3_600_000);

/// The first look: when a start is over and done with.
const FIRST: Span = Span::from_ms(90_000);

/// Between two steps: commits come first.
const PAUSE: Span = Span::from_ms(500);

/// What a look came to.
pub struct Looked {
    /// What each mechanism has given up so far.
    pub thinned: Vec<(String, Thinned)>,
    /// What the store takes, bytes, where that is above the budget and nothing is left that may be given up.
    pub above: Option<u64>,
}

/// Holds the store within its budget, and says what was given up. Ends when nobody listens.
pub async fn keep(
    config: Arc<Config>,
    store: StoreHandle,
    clock: Clock,
    said: mpsc::Sender<Result<Looked, StoreError>>,
) {
    if config.store.budget.is_none() {
        return;
    }
    clock.sleep(FIRST).await;
    loop {
        if said.send(look(&config, &store, &clock).await).await.is_err() {
            return;
        }
        clock.sleep(LOOK).await;
    }
}

async fn look(config: &Config, store: &StoreHandle, clock: &Clock) -> Result<Looked, StoreError> {
    let budget = config.store.budget.unwrap_or(tallyhook_config::model::Budget { megabytes: u32::MAX, whole_days: 0 });
    let bytes = u64::from(budget.megabytes) * 1_000_000;
    let directory = config.store.directory.clone();
    let ring = on_the_side(&directory, move |directory| {
        let ledger = std::fs::metadata(ledger_path(directory)).map_or(0, |m| m.len());
        let over = (ledger + recording::ring_bytes(directory)).saturating_sub(bytes);
        if over > 0 {
            let freed = recording::give_up_oldest(directory, over)
                .map_err(|error| StoreError::Io { path: directory.to_owned(), what: error.to_string() })?;
            if freed > 0 {
                tracing::warn!("{freed} bytes of the oldest raw samples were given up: the store is above its budget");
            }
        }
        Ok(recording::ring_bytes(directory))
    })
    .await?;
    let bounds = Bounds { bytes: bytes.saturating_sub(ring), whole_days: budget.whole_days };
    let above = loop {
        match store.thin(bounds).await? {
            Step::Within => break None,
            Step::Above { bytes } => break Some(bytes + ring),
            Step::Done => clock.sleep(PAUSE).await,
        }
    };
    let thinned = on_the_side(&directory, |directory| {
        let reader = Reader::open(directory)?;
        reader.mechanisms()?.into_iter().map(|id| reader.thinned(&id).map(|thinned| (id, thinned))).collect()
    })
    .await?;
    Ok(Looked { thinned, above })
}

/// Off the loop's threads: it waits for the disk.
async fn on_the_side<T: Send + 'static>(
    directory: &std::path::Path,
    work: impl FnOnce(&std::path::Path) -> Result<T, StoreError> + Send + 'static,
) -> Result<T, StoreError> {
    let directory = directory.to_owned();
    let path = directory.clone();
    match tokio::task::spawn_blocking(move || work(&directory)).await {
        Ok(result) => result,
        Err(error) => Err(StoreError::Io { path, what: error.to_string() }),
    }
}
