//! The border to the store: messages in the order in which they were stored, and how far each destination has come.

use std::collections::BTreeMap;
use std::future::Future;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::sync::watch;
use tracing::info;

use crate::store::StoreHandle;
use crate::store::message::{Message, MessageKind};

/// An append-only log of messages with a cursor for each destination. Errors are sentences for the log; every call
/// may be made again after one.
pub trait Outbox {
    /// At most `limit` messages whose number is greater than `seq`, in rising order.
    fn messages_after(
        &self,
        seq: u64,
        limit: usize,
    ) -> impl Future<Output = Result<Vec<(u64, Message)>, String>> + Send;

    /// At most `limit` warnings and findings whose number is greater than `seq` and not over `to`, in rising order.
    fn urgent_between(
        &self,
        seq: u64,
        to: u64,
        limit: usize,
    ) -> impl Future<Output = Result<Vec<(u64, Message)>, String>> + Send;

    /// The number of the last message that `destination` has acknowledged; `None` for one that is new to the store.
    fn cursor(&self, destination: &str) -> impl Future<Output = Result<Option<u64>, String>> + Send;

    /// Keeps that `destination` has acknowledged all messages up to `seq`.
    fn set_cursor(&self, destination: &str, seq: u64) -> impl Future<Output = Result<(), String>> + Send;

    /// As [`Outbox::set_cursor`], but it may wait for the next commit of the ledger: for a destination that drops what
    /// it gets twice. After a crash it may get again what it had acknowledged since the commit before.
    fn note_cursor(&self, destination: &str, seq: u64) -> impl Future<Output = Result<(), String>> + Send {
        self.set_cursor(destination, seq)
    }

    /// Keeps a number under a name beside the cursors. Unlike a cursor it may go back.
    fn set_mark(&self, name: &str, number: u64) -> impl Future<Output = Result<(), String>> + Send;
}

/// Where `destination` begins: behind what it has acknowledged. One that is new to the store begins behind `end`, the
/// last message that stood when the program started, and not with years of old ones, unless `from_start` asks for them.
///
/// # Errors
/// When the outbox cannot be read or written; the call may be made again.
pub async fn begin<O: Outbox>(outbox: &O, destination: &str, end: u64, from_start: bool) -> Result<u64, String> {
    if let Some(cursor) = outbox.cursor(destination).await? {
        return Ok(cursor);
    }
    let begin = if from_start { 0 } else { end };
    // Kept at once: what is stored from now on is owed to it, also after a restart.
    outbox.set_cursor(destination, begin).await?;
    match begin {
        0 => info!(%destination, "new destination: it gets everything that is in the store"),
        _ => info!(
            %destination,
            "new destination: it begins with what comes next; the {begin} messages that are in the store already stay \
             there (`from_start = true`, where a destination has it, would have sent them)"
        ),
    }
    Ok(begin)
}

/// The store's own outbox.
impl Outbox for StoreHandle {
    async fn messages_after(&self, seq: u64, limit: usize) -> Result<Vec<(u64, Message)>, String> {
        StoreHandle::messages_after(self, seq, limit).await.map_err(|error| error.to_string())
    }

    async fn urgent_between(&self, seq: u64, to: u64, limit: usize) -> Result<Vec<(u64, Message)>, String> {
        StoreHandle::urgent_between(self, seq, to, limit).await.map_err(|error| error.to_string())
    }

    async fn cursor(&self, destination: &str) -> Result<Option<u64>, String> {
        StoreHandle::cursor(self, destination).await.map_err(|error| error.to_string())
    }

    async fn set_cursor(&self, destination: &str, seq: u64) -> Result<(), String> {
        StoreHandle::set_cursor(self, destination, seq).await.map_err(|error| error.to_string())
    }

    async fn note_cursor(&self, destination: &str, seq: u64) -> Result<(), String> {
        StoreHandle::note_cursor(self, destination, seq).await.map_err(|error| error.to_string())
    }

    async fn set_mark(&self, name: &str, number: u64) -> Result<(), String> {
        StoreHandle::set_mark(self, name, number).await.map_err(|error| error.to_string())
    }
}

/// An outbox in memory, for tests. Clones share their content. Numbers start at 1.
#[derive(Clone, Debug)]
pub struct MemoryOutbox {
    content: Arc<Mutex<Content>>,
    stored: Arc<watch::Sender<u64>>,
}

#[derive(Debug, Default)]
struct Content {
    messages: Vec<Message>,
    cursors: BTreeMap<String, u64>,
}

impl Default for MemoryOutbox {
    fn default() -> Self {
        MemoryOutbox { content: Arc::default(), stored: Arc::new(watch::channel(0).0) }
    }
}

impl MemoryOutbox {
    /// Appends a message and wakes the publishers.
    pub fn push(&self, message: Message) {
        let count = {
            let mut content = self.content();
            content.messages.push(message);
            content.messages.len() as u64
        };
        self.stored.send_replace(count);
    }

    /// The number of the last message.
    pub fn stored(&self) -> watch::Receiver<u64> {
        self.stored.subscribe()
    }

    fn content(&self) -> MutexGuard<'_, Content> {
        self.content.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Outbox for MemoryOutbox {
    async fn messages_after(&self, seq: u64, limit: usize) -> Result<Vec<(u64, Message)>, String> {
        let content = self.content();
        let from = usize::try_from(seq).unwrap_or(usize::MAX).min(content.messages.len());
        Ok((seq + 1..).zip(content.messages[from..].iter().cloned()).take(limit).collect())
    }

    async fn urgent_between(&self, seq: u64, to: u64, limit: usize) -> Result<Vec<(u64, Message)>, String> {
        let content = self.content();
        let urgent = |m: &Message| matches!(m.kind, MessageKind::Warning | MessageKind::Finding);
        let within = (1..).zip(content.messages.iter().cloned()).filter(|(n, m)| seq < *n && *n <= to && urgent(m));
        Ok(within.take(limit).collect())
    }

    async fn cursor(&self, destination: &str) -> Result<Option<u64>, String> {
        Ok(self.content().cursors.get(destination).copied())
    }

    async fn set_cursor(&self, destination: &str, seq: u64) -> Result<(), String> {
        let mut content = self.content();
        let cursor = content.cursors.entry(destination.to_owned()).or_default();
        *cursor = seq.max(*cursor);
        Ok(())
    }

    async fn set_mark(&self, name: &str, number: u64) -> Result<(), String> {
        self.content().cursors.insert(name.to_owned(), number);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;
    use tallyhook_analysis::units::Timestamp;

    use super::*;

    #[tokio::test]
    async fn a_new_destination_begins_at_the_end_and_a_known_one_where_it_was() {
        let outbox = MemoryOutbox::default();
        for n in 0..3 {
            outbox.push(Message {
                id: format!("m{n}"),
                at: Timestamp::from_ms(n),
                kind: MessageKind::Lift,
                crane: "yard-1".to_owned(),
                mechanism: "main-hoist".to_owned(),
                body: json!({}),
            });
        }
        assert_eq!(begin(&outbox, "new", 3, false).await, Ok(3));
        assert_eq!(begin(&outbox, "eager", 3, true).await, Ok(0));
        outbox.set_cursor("known", 2).await.unwrap();
        assert_eq!(begin(&outbox, "known", 3, true).await, Ok(2));
        // The second start finds the cursor of the first, though nothing was acknowledged between them.
        assert_eq!(begin(&outbox, "new", 9, false).await, Ok(3));
    }
}
