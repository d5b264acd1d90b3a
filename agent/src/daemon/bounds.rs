//! Keeps the outbox within its bounds, and says what was dropped before a destination had got it.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_config::model::{Config, Outbox};
use tokio::sync::mpsc;

use crate::clock::Clock;
use crate::publish::health::Board;
use crate::publish::{influx, mqtt};
use crate::store::trim::{Bound, dropped_of};
use crate::store::{Reader, StoreError, StoreHandle};

/// How often the outbox is looked at.
const LOOK: Span = Span::from_ms(600_000);
/// The first look: when a start is over and done with.
const FIRST: Span = Span::from_ms(30_000);
/// Without a loss for this long the finding is over.
const OVER_AFTER: Span = Span::from_ms(86_400_000);
const DAY_MS: i64 = 86_400_000;

/// What has become of the outbox's bounds since the last word.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Loss {
    /// Messages were dropped that a destination had not got: a sentence.
    Lost(String),
    /// For a day there was no loss.
    Over,
}

/// Destinations of the configuration that are told of lifts and days.
fn owed_to(config: &Config) -> Vec<String> {
    let mqtt = config.mqtt.as_ref().map(|_| mqtt::DESTINATION.to_owned());
    let influx = config.influx.as_ref().map(|_| influx::DESTINATION.to_owned());
    mqtt.into_iter().chain(influx).collect()
}

/// Looks at the outbox now and then for as long as the store stands. Ends when nobody listens.
pub async fn keep(
    (bounds, directory, owed_to): (Outbox, PathBuf, Vec<String>),
    store: StoreHandle,
    board: Board,
    clock: Clock,
    said: mpsc::Sender<Loss>,
) {
    let lines: BTreeMap<String, _> = owed_to.iter().map(|name| (name.clone(), board.line(name, &clock))).collect();
    for (name, line) in &lines {
        if let Ok(Some(lost)) = store.cursor(&dropped_of(name)).await {
            line.lost(lost);
        }
    }
    let mut keeper = Keeper { bounds, directory, owed_to, seen: 0, room: 0 };
    let mut last_loss = None;
    clock.sleep(FIRST).await;
    loop {
        match keeper.look(&store, &clock).await {
            Ok(owed) if !owed.is_empty() => {
                for name in owed.keys() {
                    if let (Some(line), Ok(Some(lost))) = (lines.get(name), store.cursor(&dropped_of(name)).await) {
                        line.lost(lost);
                    }
                }
                last_loss = Some(clock.now().mono);
                if said.send(Loss::Lost(words(&owed, bounds))).await.is_err() {
                    return;
                }
            }
            Ok(_) if last_loss.is_some_and(|at| clock.now().mono >= at.plus(OVER_AFTER)) => {
                last_loss = None;
                if said.send(Loss::Over).await.is_err() {
                    return;
                }
            }
            Ok(_) => {}
            // Tried again at the next look; what is too much meanwhile does no harm.
            Err(error) => tracing::warn!("the outbox could not be kept within its bounds: {error}"),
        }
        clock.sleep(LOOK).await;
    }
}

/// The task of a run, for [`keep`].
pub fn of(config: &Config) -> (Outbox, PathBuf, Vec<String>) {
    (config.outbox, config.store.directory.clone(), owed_to(config))
}

fn words(owed: &BTreeMap<String, u64>, bounds: Outbox) -> String {
    let each: Vec<String> = owed.iter().map(|(name, lost)| format!("{name} {lost}")).collect();
    format!(
        "messages of lifts and days were dropped before they could be delivered: {}. The outbox holds {} days and {} \
         MB; what they told is in the ledger (`tallyhook lifts`). See why the destination is away, or raise `keep_days` \
         or `max_mb` in [outbox]",
        each.join(", "),
        bounds.keep_days,
        bounds.max_mb,
    )
}

struct Keeper {
    bounds: Outbox,
    directory: PathBuf,
    owed_to: Vec<String>,
    /// Messages up to this number are in `room`.
    seen: u64,
    /// What stands of them, bytes on the disk.
    room: u64,
}

impl Keeper {
    /// Drops what has to go; answers what was owed of it, by destination.
    async fn look(&mut self, store: &StoreHandle, clock: &Clock) -> Result<BTreeMap<String, u64>, StoreError> {
        let (directory, after) = (self.directory.clone(), self.seen);
        // Only what is new is counted, and beside the writer: a full count of a large outbox takes a second.
        let counting = tokio::task::spawn_blocking(move || count(&directory, after));
        let counted = counting.await;
        let (seen, room, newest) =
            counted.map_err(|error| StoreError::Io { path: self.directory.clone(), what: error.to_string() })??;
        self.seen = seen;
        self.room += room;
        let Some(newest) = newest else { return Ok(BTreeMap::new()) };
        // A clock that has run ahead must not make all of the outbox old.
        let now = newest.min(clock.now().wall);
        let days = i64::from(self.bounds.keep_days).saturating_mul(DAY_MS);
        let before = Timestamp::from_ms(now.as_ms().saturating_sub(days));
        let most = u64::from(self.bounds.max_mb) * 1_000_000;
        let mut owed = BTreeMap::new();
        let mut after = 0;
        loop {
            let excess = self.room.saturating_sub(most);
            let bound = Bound { after, before, excess, owed_to: self.owed_to.clone() };
            let dropped = store.drop_oldest(bound).await?;
            if dropped.messages == 0 {
                return Ok(owed);
            }
            tracing::info!("{} messages of the outbox dropped, up to number {}", dropped.messages, dropped.last);
            after = dropped.last;
            self.room = self.room.saturating_sub(dropped.bytes);
            for (name, lost) in dropped.owed {
                *owed.entry(name).or_insert(0) += lost;
            }
        }
    }
}

/// Number and room of what is new after `after`, and the newest instant.
fn count(directory: &Path, after: u64) -> Result<(u64, u64, Option<Timestamp>), StoreError> {
    // What the ledger does not have yet is counted at the next look.
    let reader = Reader::open_as_it_lies(directory)?;
    let (seen, room) = reader.droppable_room(after)?;
    Ok((seen, room, reader.newest_droppable()?))
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::store::message::{Message, MessageKind};
    use crate::store::{MechanismCommit, Store};

    fn commit(from: i64, to: i64) -> Vec<MechanismCommit> {
        let message = |n: i64| Message {
            id: format!("m{n}"),
            at: Timestamp::from_ms(n * 3_600_000),
            kind: MessageKind::Lift,
            crane: "yard-1".to_owned(),
            mechanism: "main-hoist".to_owned(),
            body: json!({"filler": "x".repeat(10_000)}),
        };
        let messages = (from..to).map(message).collect();
        vec![MechanismCommit { mechanism: "main-hoist".to_owned(), messages, ..MechanismCommit::default() }]
    }

    #[tokio::test]
    async fn the_outbox_stays_within_its_room_and_its_age_whatever_the_clock_says() {
        let dir = tempfile::tempdir().unwrap();
        let store = Store::open(dir.path()).unwrap().into_handle().unwrap();
        store.set_cursor("mqtt", 0).await.unwrap();
        // The clock has run ahead by a century; the record has not.
        let clock = Clock::manual(Timestamp::from_ms(100 * 365 * DAY_MS));
        let bounds = Outbox { keep_days: 2, max_mb: 1 };
        let (owed_to, directory) = (vec!["mqtt".to_owned()], dir.path().to_owned());
        let mut keeper = Keeper { bounds, directory, owed_to, seen: 0, room: 0 };
        store.commit(commit(0, 40)).await.unwrap();
        assert!(keeper.look(&store, &clock).await.unwrap().is_empty(), "40 hours and 0.4 MB are within the bounds");
        store.commit(commit(40, 100)).await.unwrap();
        let owed = keeper.look(&store, &clock).await.unwrap();
        assert_eq!(owed["mqtt"], 51, "the hours 0 to 50 are older than two days at hour 99");
        store.set_cursor("mqtt", 70).await.unwrap();
        let more: Vec<_> = (0..110)
            .map(|n| Message {
                id: format!("k{n}"),
                at: Timestamp::from_ms(99 * 3_600_000),
                ..commit(0, 1)[0].messages[0].clone()
            })
            .collect();
        let more = MechanismCommit { mechanism: "main-hoist".to_owned(), messages: more, ..MechanismCommit::default() };
        store.commit(vec![more]).await.unwrap();
        let owed = keeper.look(&store, &clock).await.unwrap();
        let left = store.messages_after(0, 1000).await.unwrap();
        assert!(keeper.room <= 1_000_000, "{} bytes", keeper.room);
        assert!((95..100).contains(&left.len()), "{} messages of 10 kB are within 1 MB", left.len());
        assert_eq!(owed["mqtt"], left[0].0 - 71, "of what went, numbers up to 70 had been delivered");
        assert_eq!(store.cursor(&dropped_of("mqtt")).await.unwrap(), Some(51 + owed["mqtt"]));
        assert!(keeper.look(&store, &clock).await.unwrap().is_empty());
        store.close().await;
    }
}
