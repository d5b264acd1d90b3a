//! The ledger on disk: SQLite, one writer, any number of readers. The tables and what they survive are described in
//! `README.md` beside this file; SQL is written here and nowhere else.

pub mod alarm;
pub mod asking;
pub mod backup;
pub mod message;

mod ahead;
mod care;
mod chain;
mod days;
mod drives;
mod error;
mod gap_seal;
mod handle;
mod lifts;
mod lock;
mod open_seal;
mod outbox;
mod owner;
mod pages;
mod query;
mod redo;
mod schema;
pub mod service;
mod settled;
pub mod thin;
mod touched;
pub mod trim;
pub mod verify;
mod write;

#[cfg(test)]
mod ahead_tests;
#[cfg(test)]
mod care_tests;
#[cfg(test)]
pub(crate) mod sealed_tests;
#[cfg(test)]
pub(crate) mod steps;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod thin_tests;

pub use care::Recovered;
pub use chain::{ChainEntry, EntryKind, Reckoning};
pub use error::StoreError;
pub use handle::{Refused, StoreHandle};
pub use lifts::{InShort, LiftFilter, StoredLift};
pub use query::{MessageFilter, Reader, Snapshot};
pub use schema::{FILE_NAME, FORMAT, ledger_path};
pub use settled::{DayInShort, DaySum, LoadSums, WorkDay};
pub use touched::Touched;
pub use write::{BookedLift, Closing, Committed, MechanismCommit, Resumed, Store};
