//! A process that is killed at any moment, and cut at any call by which it changes a file: what was committed stands, the
//! ledger adds up, at most `commit_every` is owed, and the drive's own counters account for it.
//! So too with a disk that is full, and one that turns read-only.
//!
//! In the killing the disk itself stays: what a power cut may leave of writes that were not synced is asked in the store's own tests,
//! which cut its log at every frame.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "tests")]

mod bench;
mod cut;
mod disk;
mod killed;
