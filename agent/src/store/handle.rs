//! The writer behind a door: it lives on a thread of its own, because a commit waits for the disk.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, OnceLock};

use tallyhook_analysis::units::Timestamp;
use tokio::sync::{mpsc, oneshot, watch};

use super::ahead::Behind;
use super::alarm::Alarm;
use super::error::StoreError;
use super::message::Message;
use super::service::StoredService;
use super::thin;
use super::trim::{Bound, Dropped};
use super::write::{Committed, MechanismCommit, Resumed, Store};
use crate::drive::DriveFigures;

/// Requests that wait for the disk before a caller has to.
const QUEUE: usize = 64;

/// A commit that did not come about, with what was to be committed.
#[derive(Debug, thiserror::Error)]
#[error("{error}")]
pub struct Refused {
    /// Why.
    #[source]
    pub error: StoreError,
    /// What was handed over: hold on to it and try again.
    pub commits: Vec<MechanismCommit>,
}

enum Request {
    Commit(Vec<MechanismCommit>, oneshot::Sender<Result<Committed, Refused>>),
    Resume(String, oneshot::Sender<Result<Option<Resumed>, StoreError>>),
    MessagesAfter(u64, usize, oneshot::Sender<Result<Vec<(u64, Message)>, StoreError>>),
    UrgentBetween(u64, u64, usize, oneshot::Sender<Result<Vec<(u64, Message)>, StoreError>>),
    Cursor(String, oneshot::Sender<Result<Option<u64>, StoreError>>),
    SetCursor(String, u64, oneshot::Sender<Result<(), StoreError>>),
    NoteCursor(String, u64, oneshot::Sender<Result<(), StoreError>>),
    SetMark(String, u64, oneshot::Sender<Result<(), StoreError>>),
    DropOldest(Bound, oneshot::Sender<Result<Dropped, StoreError>>),
    KeepDrives(Vec<DriveFigures>, Timestamp, oneshot::Sender<Result<(), StoreError>>),
    OpenAlarms(oneshot::Sender<Result<Vec<Alarm>, StoreError>>),
    Thin(thin::Bounds, oneshot::Sender<Result<thin::Step, StoreError>>),
    OpenServices(oneshot::Sender<Result<Vec<StoredService>, StoreError>>),
    Settle(oneshot::Sender<Result<(), StoreError>>),
    Close(oneshot::Sender<()>),
}

/// A door to the store's one writer; clones lead to the same one.
#[derive(Clone, Debug)]
pub struct StoreHandle {
    requests: mpsc::Sender<Request>,
    stored: watch::Receiver<u64>,
    /// What came of proving the ledger's structure; empty while that goes on.
    proved: Arc<OnceLock<Result<(), StoreError>>>,
    behind: Behind,
}

/// While it lives, every commit goes to the ledger at once.
#[derive(Debug)]
pub struct Held(Arc<AtomicUsize>);

impl Drop for Held {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::SeqCst);
    }
}

impl Store {
    /// Hands the store to a thread of its own. The thread ends, and the store is closed, with [`StoreHandle::close`]
    /// or when the last handle is gone.
    ///
    /// # Errors
    /// [`StoreError::Io`] when the system gives no thread.
    pub fn into_handle(self) -> Result<StoreHandle, StoreError> {
        let (requests, queue) = mpsc::channel(QUEUE);
        let (seen, stored) = watch::channel(self.last_seq()?);
        let proved = Arc::new(OnceLock::new());
        let (found, behind) = (proved.clone(), self.ahead.behind.clone());
        std::thread::Builder::new()
            .name("store".to_owned())
            .spawn(move || serve(self, queue, &seen, &found))
            .map_err(|error| StoreError::Io { path: "writer thread".into(), what: error.to_string() })?;
        Ok(StoreHandle { requests, stored, proved, behind })
    }
}

fn serve(
    mut store: Store,
    mut queue: mpsc::Receiver<Request>,
    seen: &watch::Sender<u64>,
    proved: &OnceLock<Result<(), StoreError>>,
) {
    // What is asked meanwhile waits; of a damaged ledger nothing is answered and nothing is written to it.
    let result = store.prove();
    let sound = result.is_ok();
    let _ = proved.set(result);
    if !sound {
        return;
    }
    // What a crash left. Should it fail, the first commit says so.
    if let Err(error) = store.settle() {
        tracing::warn!("the redo log of the last run stays: {error}");
    }
    let mut closing = Vec::new();
    while let Some(request) = queue.blocking_recv() {
        // A caller that has gone away does not want its answer: every failed send is in order.
        match request {
            Request::Commit(commits, answer) => {
                let result = store.commit(&commits);
                if let Ok(done) = &result {
                    seen.send_if_modified(|last| std::mem::replace(last, done.last_seq) != done.last_seq);
                }
                let _ = answer.send(result.map_err(|error| Refused { error, commits }));
            }
            Request::Resume(mechanism, answer) => drop(answer.send(store.resume(&mechanism))),
            Request::MessagesAfter(seq, limit, answer) => drop(answer.send(store.messages_after(seq, limit))),
            Request::UrgentBetween(seq, to, limit, answer) => {
                drop(answer.send(store.urgent_between(seq, to, limit)));
            }
            Request::Cursor(destination, answer) => drop(answer.send(store.cursor(&destination))),
            Request::SetCursor(destination, seq, answer) => drop(answer.send(store.set_cursor(&destination, seq))),
            Request::NoteCursor(destination, seq, answer) => drop(answer.send(store.note_cursor(&destination, seq))),
            Request::SetMark(name, number, answer) => drop(answer.send(store.set_mark(&name, number))),
            Request::DropOldest(bound, answer) => drop(answer.send(store.drop_oldest(&bound))),
            Request::KeepDrives(drives, at, answer) => drop(answer.send(store.keep_drives(&drives, at))),
            Request::OpenAlarms(answer) => drop(answer.send(store.open_alarms())),
            Request::Thin(bounds, answer) => drop(answer.send(store.thin(&bounds))),
            Request::OpenServices(answer) => drop(answer.send(store.open_services())),
            Request::Settle(answer) => drop(answer.send(store.settle())),
            Request::Close(answer) => {
                // No more is let in, but what is in already is carried out: a request that were dropped with the
                // queue might never be answered, and its data would be gone.
                queue.close();
                closing.push(answer);
            }
        }
    }
    if let Err(error) = store.settle() {
        tracing::error!("the ledger is left behind, the next start or look at it takes in the redo log: {error}");
    }
    drop(store);
    for answer in closing {
        let _ = answer.send(());
    }
}

impl StoreHandle {
    /// Commits in one transaction; see [`Store::commit`]. Once handed over it is carried out even when the caller
    /// stops waiting.
    ///
    /// # Errors
    /// With the data given back, so that the caller can hold on to it and try again.
    pub async fn commit(&self, commits: Vec<MechanismCommit>) -> Result<Committed, Refused> {
        let (answer, result) = oneshot::channel();
        if let Err(unsent) = self.requests.send(Request::Commit(commits, answer)).await {
            let commits = if let Request::Commit(commits, _) = unsent.0 { commits } else { Vec::new() };
            return Err(Refused { error: StoreError::Closed, commits });
        }
        result.await.unwrap_or_else(|_| Err(Refused { error: StoreError::Closed, commits: Vec::new() }))
    }

    /// See [`Store::resume`].
    ///
    /// # Errors
    /// As there; [`StoreError::Closed`] when the writer has ended.
    pub async fn resume(&self, mechanism: &str) -> Result<Option<Resumed>, StoreError> {
        self.ask(|answer| Request::Resume(mechanism.to_owned(), answer)).await
    }

    /// See [`Store::messages_after`].
    ///
    /// # Errors
    /// As there; [`StoreError::Closed`] when the writer has ended.
    pub async fn messages_after(&self, seq: u64, limit: usize) -> Result<Vec<(u64, Message)>, StoreError> {
        self.ask(|answer| Request::MessagesAfter(seq, limit, answer)).await
    }

    /// See [`Store::urgent_between`].
    ///
    /// # Errors
    /// As there; [`StoreError::Closed`] when the writer has ended.
    pub async fn urgent_between(&self, seq: u64, to: u64, limit: usize) -> Result<Vec<(u64, Message)>, StoreError> {
        self.ask(|answer| Request::UrgentBetween(seq, to, limit, answer)).await
    }

    /// See [`Store::cursor`].
    ///
    /// # Errors
    /// As there; [`StoreError::Closed`] when the writer has ended.
    pub async fn cursor(&self, destination: &str) -> Result<Option<u64>, StoreError> {
        self.ask(|answer| Request::Cursor(destination.to_owned(), answer)).await
    }

    /// See [`Store::set_cursor`].
    ///
    /// # Errors
    /// As there; [`StoreError::Closed`] when the writer has ended.
    pub async fn set_cursor(&self, destination: &str, seq: u64) -> Result<(), StoreError> {
        self.ask(|answer| Request::SetCursor(destination.to_owned(), seq, answer)).await
    }

    /// See [`Store::note_cursor`].
    ///
    /// # Errors
    /// As there; [`StoreError::Closed`] when the writer has ended.
    pub async fn note_cursor(&self, destination: &str, seq: u64) -> Result<(), StoreError> {
        self.ask(|answer| Request::NoteCursor(destination.to_owned(), seq, answer)).await
    }

    /// See [`Store::set_mark`].
    ///
    /// # Errors
    /// As there; [`StoreError::Closed`] when the writer has ended.
    pub async fn set_mark(&self, name: &str, number: u64) -> Result<(), StoreError> {
        self.ask(|answer| Request::SetMark(name.to_owned(), number, answer)).await
    }

    /// See [`Store::drop_oldest`].
    ///
    /// # Errors
    /// As there; [`StoreError::Closed`] when the writer has ended.
    pub async fn drop_oldest(&self, bound: Bound) -> Result<Dropped, StoreError> {
        self.ask(|answer| Request::DropOldest(bound, answer)).await
    }

    /// See [`Store::keep_drives`].
    ///
    /// # Errors
    /// As there; [`StoreError::Closed`] when the writer has ended.
    pub async fn keep_drives(&self, drives: Vec<DriveFigures>, at: Timestamp) -> Result<(), StoreError> {
        self.ask(|answer| Request::KeepDrives(drives, at, answer)).await
    }

    /// See [`Store::open_alarms`].
    ///
    /// # Errors
    /// As there; [`StoreError::Closed`] when the writer has ended.
    pub async fn open_alarms(&self) -> Result<Vec<Alarm>, StoreError> {
        self.ask(Request::OpenAlarms).await
    }

    /// See [`Store::open_services`].
    ///
    /// # Errors
    /// As there; [`StoreError::Closed`] when the writer has ended.
    pub async fn open_services(&self) -> Result<Vec<StoredService>, StoreError> {
        self.ask(Request::OpenServices).await
    }

    /// See [`Store::thin`].
    ///
    /// # Errors
    /// As there; [`StoreError::Closed`] when the writer has ended.
    pub async fn thin(&self, bounds: thin::Bounds) -> Result<thin::Step, StoreError> {
        self.ask(|answer| Request::Thin(bounds, answer)).await
    }

    /// See [`Store::settle`].
    ///
    /// # Errors
    /// As there; [`StoreError::Closed`] when the writer has ended.
    pub async fn settle(&self) -> Result<(), StoreError> {
        self.ask(Request::Settle).await
    }

    /// From now on, and while the answer lives, every commit goes to the ledger at once. [`StoreHandle::settle`] brings in
    /// what was before.
    pub fn hold(&self) -> Held {
        self.behind.holds.fetch_add(1, Ordering::SeqCst);
        Held(self.behind.holds.clone())
    }

    /// See [`Store::is_behind`].
    pub fn is_behind(&self) -> bool {
        self.behind.is_behind.load(Ordering::SeqCst)
    }

    /// Whether requests are answered at once: the structure of the ledger has been proved.
    pub fn is_proved(&self) -> bool {
        matches!(self.proved.get(), Some(Ok(())))
    }

    /// What is wrong with the ledger, where proving its structure ended the writer.
    pub fn fault(&self) -> Option<&StoreError> {
        self.proved.get().and_then(|result| result.as_ref().err())
    }

    /// The number of the last message stored, and a wake-up whenever there are new ones.
    pub fn stored(&self) -> watch::Receiver<u64> {
        self.stored.clone()
    }

    /// Waits until the writer's thread has ended. Nothing can be stored after that: the run must end as well.
    pub async fn ended(&self) {
        self.requests.closed().await;
    }

    /// Carries out what is queued, closes the store and waits until it is closed.
    pub async fn close(&self) {
        let (answer, done) = oneshot::channel();
        if self.requests.send(Request::Close(answer)).await.is_ok() {
            // An error means that the thread has ended already, which is what was asked for.
            let _ = done.await;
        }
    }

    async fn ask<T>(
        &self,
        request: impl FnOnce(oneshot::Sender<Result<T, StoreError>>) -> Request,
    ) -> Result<T, StoreError> {
        let (answer, result) = oneshot::channel();
        self.requests.send(request(answer)).await.map_err(|_| StoreError::Closed)?;
        result.await.unwrap_or(Err(StoreError::Closed))
    }
}
