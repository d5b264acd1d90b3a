//! Reading drives over Modbus, and only reading: function codes 1 to 4 and no other.
//!
//! ```text
//! config ─▶ plan (which words) ─▶ poll (when, over which link) ─▶ decode (what they mean) ─▶ assemble (whose sample)
//! ```
//!
//! Each drive has a task of its own, so that a dead one delays no other. What a task finds goes out as one
//! [`DriveReading`] a tick, failed ones included: a value that was not read is absent, never the last one again.

pub mod assemble;
pub mod decode;
#[cfg(test)]
pub(crate) mod fixture;
mod link;
pub mod plan;
pub mod poll;
mod state;

use tallyhook_config::model::{Config, Target};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;

use crate::clock::{Clock, Reading};

pub use decode::Decoded;
pub use poll::{LEAST_REAL_PERIOD_MS, effective_period};
pub use state::{DriveHealth, LinkState};

/// How many readings may wait for the daemon; beyond that the pollers wait too.
pub const QUEUE: usize = 64;

/// One signal of one mechanism, as it was read.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Value {
    /// Index of the mechanism in [`Config::mechanisms`] order.
    pub mechanism: usize,
    /// Which signal.
    pub target: Target,
    /// What was read.
    pub value: Decoded,
}

/// What one tick of a drive's poller found.
#[derive(Clone, PartialEq, Debug)]
pub struct DriveReading {
    /// The drive's name, a key of [`Config::drives`].
    pub drive: String,
    /// When the first answer came; the tick's own time when nothing was read.
    pub at: Reading,
    /// How the link stands.
    pub link: LinkState,
    /// Every signal that this drive feeds, read or not.
    pub values: Vec<Value>,
}

/// Starts a polling task for each drive that feeds something. They end when `stop` turns true, when its sender is
/// gone, or when nobody takes the readings any more.
///
/// Make the channel with [`QUEUE`] places.
pub fn spawn(
    config: &Config,
    clock: Clock,
    readings: mpsc::Sender<DriveReading>,
    stop: watch::Receiver<bool>,
) -> JoinSet<()> {
    let mut tasks = JoinSet::new();
    for drive in config.drives.values() {
        let plan = plan::ReadPlan::of(config, drive);
        if plan.places.is_empty() {
            tracing::warn!(drive = %drive.name, "no signal is read from this drive; it is not polled");
            continue;
        }
        tasks.spawn(poll::run(drive.clone(), plan, clock.clone(), readings.clone(), stop.clone()));
    }
    tasks
}
