//! Everything that can wake the daemon, in one closed list.

use tokio::task::JoinError;

use super::Change;
use super::bounds::Loss;
use super::thinning::Looked;
use crate::drive::DriveReading;
use crate::store::StoreError;
use crate::store::backup::Made;

/// Why the daemon's loop has something to do.
#[expect(
    clippy::large_enum_variant,
    reason = "the large one comes at every poll, and a box of its own would be made for each"
)]
pub enum Wake {
    /// A drive was polled, with or without an answer.
    Reading(DriveReading),
    /// The day's copy of the ledger was made, or could not be.
    Copied(Result<Made, StoreError>),
    /// What the outbox's bounds have dropped.
    Lost(Loss),
    /// The store was looked at for its budget, or could not be.
    Room(Result<Looked, StoreError>),
    /// For too long nothing else has woken it.
    Tick,
    /// A part of the daemon has ended although nobody asked it to; which, and the panic if there was one.
    PartEnded(&'static str, Option<JoinError>),
    /// One of those who tell, or the page, has ended as it was asked to; with the panic if there was one.
    Gone(Option<JoinError>),
    /// The store takes nothing any more.
    Closed,
    /// A new configuration has come.
    Change(Change),
    /// Somebody asked the daemon to stop.
    Stop,
}
