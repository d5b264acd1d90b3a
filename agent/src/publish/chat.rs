//! People are told: each warning and finding, one after the other, until it is answered.

use std::time::Duration;

use tracing::{info, warn};

use super::http::{Outcome, Why};
use super::outbox::{Outbox, begin};
use super::retry::{Backoff, pause};
use super::{Wiring, stopped};
use crate::store::message::{Message, MessageKind};

/// Pause after the first failure.
const FIRST_PAUSE: Duration = Duration::from_secs(1);
/// Longest pause of our own.
const LONGEST_PAUSE: Duration = Duration::from_secs(300);
/// Pauses while a person has to do something first.
pub(super) const FIRST_BARRED: Duration = Duration::from_secs(60);
pub(super) const LONGEST_BARRED: Duration = Duration::from_secs(900);
/// Messages taken from the outbox at a time.
const BATCH: usize = 64;

/// A way to people.
pub trait Chat {
    /// Says it once. When the daemon stops meanwhile, the answer is never seen and it is said again at the next start,
    /// so whoever is told must be able to know a double by the message's `id`.
    fn say(&mut self, message: &Message) -> impl Future<Output = Outcome> + Send;
}

/// Tells `chat` of every warning and finding until the daemon stops.
pub async fn run<O: Outbox, C: Chat>(mut chat: C, wiring: Wiring<O>) {
    let mut stop = wiring.stop.clone();
    let mut teller = Teller { chat: &mut chat, wiring };
    tokio::select! {
        () = teller.tell_all() => {}
        () = stopped(&mut stop) => {}
    }
}

struct Teller<'a, O, C> {
    chat: &'a mut C,
    wiring: Wiring<O>,
}

impl<O: Outbox, C: Chat> Teller<'_, O, C> {
    async fn tell_all(&mut self) {
        let mut backoff = Backoff::new(FIRST_PAUSE, LONGEST_PAUSE);
        let mut cursor = None;
        loop {
            match self.tell_stored(&mut cursor).await {
                Ok(()) => {
                    backoff.succeeded();
                    if self.wiring.stored.changed().await.is_err() {
                        // Nothing will be stored any more; the task still ends only with the daemon.
                        std::future::pending::<()>().await;
                    }
                }
                Err(what) => {
                    let destination = self.wiring.health.name();
                    warn!(%destination, "the outbox cannot be read or written: {what}");
                    pause(&self.wiring.clock, backoff.failed()).await;
                }
            }
        }
    }

    /// Tells what is in the outbox after `cursor`; an error is the outbox's own.
    async fn tell_stored(&mut self, cursor: &mut Option<u64>) -> Result<(), String> {
        let destination = self.wiring.health.name().to_owned();
        let mut told = match *cursor {
            Some(told) => told,
            // Nobody wants to read the warnings of years when a chat is new.
            None => begin(&self.wiring.outbox, &destination, self.wiring.end, false).await?,
        };
        loop {
            // Marked as seen before reading: what is stored from here on wakes us again.
            self.wiring.stored.borrow_and_update();
            let batch = self.wiring.outbox.messages_after(told, BATCH).await?;
            let Some(&(last, _)) = batch.last() else { return Ok(()) };
            for (seq, message) in batch {
                if matches!(message.kind, MessageKind::Warning | MessageKind::Finding) {
                    self.tell(&message).await;
                    // Kept in memory first: an outbox that fails to keep it must not make us tell it twice.
                    *cursor = Some(seq);
                    told = seq;
                    self.wiring.outbox.set_cursor(&destination, seq).await?;
                }
            }
            if told < last {
                told = last;
                *cursor = Some(last);
                self.wiring.outbox.set_cursor(&destination, last).await?;
            }
        }
    }

    /// Says one message until it is answered.
    async fn tell(&mut self, message: &Message) {
        let mut backoff = Backoff::new(FIRST_PAUSE, LONGEST_PAUSE);
        let mut barred = Backoff::new(FIRST_BARRED, LONGEST_BARRED);
        loop {
            let (Why { what, mend }, wait) = match self.chat.say(message).await {
                Outcome::Done => {
                    info!(destination = %self.wiring.health.name(), id = %message.id, "told");
                    return self.wiring.health.well();
                }
                Outcome::Refused(why) => return self.wiring.health.parked(&message.id, &why.what, &why.mend),
                Outcome::Again(why, after) => (why, backoff.failed().max(after.unwrap_or_default())),
                Outcome::Barred(why) => (why, barred.failed()),
            };
            self.wiring.health.trouble(&what, &mend);
            pause(&self.wiring.clock, wait).await;
        }
    }
}
