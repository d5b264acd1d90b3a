//! The day's copy of the ledger.

use tallyhook_analysis::units::Span;
use tallyhook_config::model::Store;
use tokio::sync::mpsc;

use crate::clock::Clock;
use crate::store::StoreError;
use crate::store::backup::{self, Made};

/// How old the newest copy may be.
const EVERY: Span = Span::from_ms(86_400_000);

/// How often it is looked at.
const LOOK: Span = Span::from_ms(3_600_000);

/// The first look: when a start is over and done with.
const FIRST: Span = Span::from_ms(60_000);

/// Makes a copy whenever the newest one is a day old, and says how that went. Ends when nobody listens.
pub async fn keep(store: Store, clock: Clock, said: mpsc::Sender<Result<Made, StoreError>>) {
    let Some(to) = store.backup_directory() else { return };
    clock.sleep(FIRST).await;
    loop {
        let now = clock.now().wall;
        let (from, to, keep) = (store.directory.clone(), to.clone(), store.backup_keep as usize);
        let copying = tokio::task::spawn_blocking(move || {
            let newest = backup::copies(&to)?.first().and_then(|copy| backup::made_at(copy).ok().flatten());
            // One from the future was made while the clock was wrong.
            let due = newest.is_none_or(|made| now.since(made).as_ms().unsigned_abs() >= EVERY.as_ms().unsigned_abs());
            if due { backup::make(&from, &to, keep, now).map(Some) } else { Ok(None) }
        });
        let result = match copying.await {
            Ok(Ok(None)) => None,
            Ok(Ok(Some(made))) => Some(Ok(made)),
            Ok(Err(error)) => Some(Err(error)),
            Err(error) => Some(Err(StoreError::Io { path: store.directory.clone(), what: error.to_string() })),
        };
        if let Some(result) = result
            && said.send(result).await.is_err()
        {
            return;
        }
        clock.sleep(LOOK).await;
    }
}
