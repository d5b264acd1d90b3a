//! The border to the store: messages in the order in which they were stored, and how far each destination has come.

use std::collections::BTreeMap;
use std::future::Future;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::sync::watch;

use crate::store::StoreHandle;
use crate::store::message::Message;

/// An append-only log of messages with a cursor for each destination. Errors are sentences for the log; every call
/// may be made again after one.
pub trait Outbox {
    /// At most `limit` messages whose number is greater than `seq`, in rising order.
    fn messages_after(
        &self,
        seq: u64,
        limit: usize,
    ) -> impl Future<Output = Result<Vec<(u64, Message)>, String>> + Send;

    /// The number of the last message that `destination` has acknowledged, 0 before the first.
    fn cursor(&self, destination: &str) -> impl Future<Output = Result<u64, String>> + Send;

    /// Keeps that `destination` has acknowledged all messages up to `seq`.
    fn set_cursor(&self, destination: &str, seq: u64) -> impl Future<Output = Result<(), String>> + Send;
}

/// The store's own outbox.
impl Outbox for StoreHandle {
    async fn messages_after(&self, seq: u64, limit: usize) -> Result<Vec<(u64, Message)>, String> {
        StoreHandle::messages_after(self, seq, limit).await.map_err(|error| error.to_string())
    }

    async fn cursor(&self, destination: &str) -> Result<u64, String> {
        StoreHandle::cursor(self, destination).await.map_err(|error| error.to_string())
    }

    async fn set_cursor(&self, destination: &str, seq: u64) -> Result<(), String> {
        StoreHandle::set_cursor(self, destination, seq).await.map_err(|error| error.to_string())
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
        Ok((1..).zip(content.messages.iter().cloned()).filter(|(n, _)| *n > seq).take(limit).collect())
    }

    async fn cursor(&self, destination: &str) -> Result<u64, String> {
        Ok(self.content().cursors.get(destination).copied().unwrap_or(0))
    }

    async fn set_cursor(&self, destination: &str, seq: u64) -> Result<(), String> {
        self.content().cursors.insert(destination.to_owned(), seq);
        Ok(())
    }
}
