//! The day's copy of the ledger.

use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_config::model::Store;
use tokio::sync::mpsc;

use crate::clock::Clock;
use crate::store::StoreError;
use crate::store::backup::{self, Kept, Made};

/// How far apart copies are made.
const EVERY: Span = Span::from_ms(86_400_000);

/// How often it is looked at.
const LOOK: Span = Span::from_ms(3_600_000);

/// The first look: when a start is over and done with.
const FIRST: Span = Span::from_ms(60_000);

/// Whether a copy has to be made: none was within a day. The date of one that was made while the clock was wrong says
/// nothing, whether it lies ahead or behind.
fn is_due(kept: &[Kept], now: Timestamp) -> bool {
    !kept
        .iter()
        .filter_map(|copy| copy.made)
        .any(|made| now.since(made).as_ms().unsigned_abs() < EVERY.as_ms().unsigned_abs())
}

/// Makes a copy whenever none was made within a day, and says how that went. Ends when nobody listens.
pub async fn keep(store: Store, clock: Clock, said: mpsc::Sender<Result<Made, StoreError>>) {
    let Some(to) = store.backup_directory() else { return };
    clock.sleep(FIRST).await;
    let mut stood_back = false;
    loop {
        let now = clock.now().wall;
        let (from, to, keep) = (store.directory.clone(), to.clone(), store.backup_keep as usize);
        let copying = tokio::task::spawn_blocking(move || {
            let due = is_due(&backup::copies(&to, now)?, now);
            if due { backup::make(&from, &to, keep, now).map(Some) } else { Ok(None) }
        });
        let result = match copying.await {
            Ok(Ok(None)) => None,
            Ok(Ok(Some(made))) => Some(Ok(made)),
            // Somebody makes one there just now, and it will do. Whoever is still at it after an hour is told of.
            Ok(Err(StoreError::Copying { .. })) if !stood_back => {
                stood_back = true;
                clock.sleep(LOOK).await;
                continue;
            }
            Ok(Err(error)) => Some(Err(error)),
            Err(error) => Some(Err(StoreError::Io { path: store.directory.clone(), what: error.to_string() })),
        };
        stood_back = false;
        if let Some(result) = result
            && said.send(result).await.is_err()
        {
            return;
        }
        clock.sleep(LOOK).await;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR: i64 = 3_600_000;

    #[test]
    fn one_look_at_a_wrong_clock_leaves_one_copy_a_day() {
        let at = |hour: i64| Timestamp::from_ms(1_790_000_000_000 + hour * HOUR);
        for wrong in [Timestamp::from_ms(2_147_483_000_000), Timestamp::from_ms(0)] {
            let mut kept: Vec<Kept> = Vec::new();
            let mut made = Vec::new();
            for hour in 0..200 {
                let now = if hour == 50 { wrong } else { at(hour) };
                if is_due(&kept, now) {
                    made.push(hour);
                    kept.insert(0, Kept::made_at(now));
                }
            }
            assert_eq!(made, [0, 24, 48, 50, 72, 96, 120, 144, 168, 192]);
        }
    }
}
