//! The ledger on disk: SQLite, one writer.
pub mod message;
