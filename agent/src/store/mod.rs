//! The ledger on disk: SQLite, one writer, any number of readers. The tables and what they survive are described in
//! `README.md` beside this file; SQL is written here and nowhere else.

pub mod alarm;
pub mod message;

mod error;
mod handle;
mod outbox;
mod query;
mod schema;
pub mod service;
mod write;

#[cfg(test)]
mod tests;

pub use error::StoreError;
pub use handle::{Refused, StoreHandle};
pub use query::{LiftFilter, MessageFilter, Reader, Snapshot, StoredLift};
pub use schema::{FILE_NAME, FORMAT, ledger_path};
pub use write::{Committed, MechanismCommit, Resumed, Store};
