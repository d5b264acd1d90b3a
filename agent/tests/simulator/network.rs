//! Those who are told, over a network that fails: nobody there, or the answer lost on its way back. What arrives must
//! be what is stored, in its order, nothing left out.

use std::sync::{Arc, Mutex};

use tallyhook::clock::Clock;
use tallyhook::publish::chat::{Chat, Telling};
use tallyhook::publish::http::{Outcome, Why};
use tallyhook::publish::outbox::Outbox;
use tallyhook::store::message::Message;
use tallyhook_analysis::units::Span;

use super::disk::Disk;
use super::tally::Counts;

/// A receiver, and all that it has got.
pub struct Receiver {
    rng: fastrand::Rng,
    /// What is stored for it, by identifier.
    pub owed: Vec<String>,
    /// How many of them have arrived.
    pub got: usize,
    pub doubles: u64,
    /// What came last, by its own identifier: only that may come twice.
    last: String,
    pub down: bool,
    /// One in so many answers is lost.
    pub lost_every: u32,
    pub counts: Counts,
    pub broken: Option<String>,
}

impl Receiver {
    pub fn new(seed: u64) -> Self {
        Receiver {
            rng: fastrand::Rng::with_seed(seed),
            owed: Vec::new(),
            got: 0,
            doubles: 0,
            last: String::new(),
            down: false,
            lost_every: 8,
            counts: Counts::default(),
            broken: None,
        }
    }

    fn receive(&mut self, telling: &Telling) {
        let id = telling.id();
        if id == self.last {
            self.doubles += 1;
            return;
        }
        if telling.messages().len() > 1 {
            self.counts.add("group told");
        }
        for message in telling.messages() {
            match self.owed.get(self.got) {
                Some(due) if *due == message.id => self.got += 1,
                due => {
                    let told = &message.id;
                    self.broken.get_or_insert(format!("message `{told}` was told in `{id}`, but {due:?} is due"));
                }
            }
        }
        self.last = id;
    }
}

/// The way to a receiver.
pub struct Way(pub Arc<Mutex<Receiver>>, pub Clock);

impl Chat for Way {
    async fn say(&mut self, telling: &Telling) -> Outcome {
        self.1.sleep(Span::from_ms(40)).await;
        let mut there = self.0.lock().unwrap();
        let again = |what| Outcome::Again(Why::new(what, "wait"), None);
        if there.down {
            return again("nobody is there");
        }
        there.receive(telling);
        let every = there.lost_every;
        if there.rng.u32(0..every) == 0 {
            there.counts.add("answer of a receiver lost");
            return again("no answer");
        }
        Outcome::Done
    }
}

/// The store's outbox, served on the one thread there is.
#[derive(Clone)]
pub struct Shelf(pub Arc<Mutex<Disk>>);

impl Shelf {
    fn disk<R>(&self, ask: impl FnOnce(&mut Disk) -> R) -> Option<R> {
        let mut disk = self.0.lock().unwrap();
        let done = ask(&mut disk);
        (!disk.is_dead()).then_some(done)
    }
}

/// Without power nobody gets an answer.
async fn unless_dead<T>(done: Option<Result<T, tallyhook::store::StoreError>>) -> Result<T, String> {
    match done {
        Some(done) => done.map_err(|error| error.to_string()),
        None => std::future::pending().await,
    }
}

impl Outbox for Shelf {
    async fn messages_after(&self, seq: u64, limit: usize) -> Result<Vec<(u64, Message)>, String> {
        let read = self.disk(|disk| disk.store().messages_after(seq, limit));
        unless_dead(read).await
    }

    async fn urgent_between(&self, seq: u64, to: u64, limit: usize) -> Result<Vec<(u64, Message)>, String> {
        let read = self.disk(|disk| disk.store().urgent_between(seq, to, limit));
        unless_dead(read).await
    }

    async fn cursor(&self, destination: &str) -> Result<Option<u64>, String> {
        let read = self.disk(|disk| disk.store().cursor(destination));
        unless_dead(read).await
    }

    async fn set_cursor(&self, destination: &str, seq: u64) -> Result<(), String> {
        let written = self.disk(|disk| disk.write(|store| store.set_cursor(destination, seq)));
        unless_dead(written).await
    }

    async fn set_mark(&self, name: &str, number: u64) -> Result<(), String> {
        let written = self.disk(|disk| disk.write(|store| store.set_mark(name, number)));
        unless_dead(written).await
    }
}
