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

#[cfg(test)]
mod tests {
    use tallyhook_analysis::units::Timestamp;
    use tallyhook_config::model::Budget;

    use super::*;
    use crate::store::sealed_tests::{config, work};
    use crate::store::verify::verify;
    use crate::store::{LiftFilter, Store};

    #[tokio::test]
    async fn a_store_above_its_budget_gives_up_samples_then_lifts_and_says_what_it_cannot_hold() {
        let dir = tempfile::tempdir().unwrap();
        let mut store = Store::open(dir.path()).unwrap();
        work(&mut store, &config(""), 0..60);
        let lifts = || Reader::open(dir.path()).unwrap().lift_count(&LiftFilter::default()).unwrap();
        let all = lifts();
        // Two files of a ring; only the newer one has to stay.
        let ring = dir.path().join("samples/main-hoist");
        std::fs::create_dir_all(&ring).unwrap();
        for first in [1, 2] {
            std::fs::write(ring.join(format!("{first}.thr")), vec![0; 300_000]).unwrap();
        }
        let budget = |megabytes, whole_days| {
            let mut config = config("");
            config.store.directory = dir.path().to_owned();
            config.store.budget = Some(Budget { megabytes, whole_days });
            Arc::new(config)
        };
        let handle = store.into_handle().unwrap();
        let clock = Clock::time_lapse(2000.0, Timestamp::from_ms(1_790_000_000_000));
        let (said, mut heard) = mpsc::channel(1);
        // The first look comes by itself, 90 s of its clock after the start.
        let keeper = tokio::spawn(keep(budget(4096, 14), handle.clone(), clock.clone(), said));
        let first = heard.recv().await.unwrap().unwrap();
        keeper.abort();
        assert_eq!(
            (first.above, recording::ring_bytes(dir.path()), lifts()),
            (None, 600_000, all),
            "nothing without need"
        );
        assert_eq!(first.thinned, [("main-hoist".to_owned(), Thinned::default())]);

        let above = look(&budget(1, 14), &handle, &clock).await.unwrap();
        assert_eq!(recording::ring_bytes(dir.path()), 300_000, "the newest file of a ring stays");
        let gone = above.thinned[0].1.lifts_to.unwrap();
        assert_eq!(gone, 20_000 + 59 - 14 - 1, "lifts of the last fourteen days stay");
        let kept = Timestamp::from_ms(i64::from(gone + 1) * 86_400_000);
        let of_last = LiftFilter { from: Some(kept), ..LiftFilter::default() };
        assert_eq!(Reader::open(dir.path()).unwrap().lift_count(&of_last).unwrap(), lifts());
        assert!(lifts() > 900 && lifts() < all / 3, "{} of {all}", lifts());
        let (takes, ledger) = (above.above.unwrap(), std::fs::metadata(ledger_path(dir.path())).unwrap().len());
        assert!(takes > 1_000_000 && takes <= ledger + 300_000, "{takes}, the ledger {ledger}");
        handle.close().await;
        let proof = verify(&Reader::open(dir.path()).unwrap()).unwrap();
        assert!(proof.ok, "{:#?}", proof.faults);
    }
}
