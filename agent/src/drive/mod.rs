//! Reading drives over Modbus, and only reading: function codes 1 to 4 and no other.
//!
//! ```text
//! config ─▶ plan (which words) ─▶ poll (when, over which link) ─▶ decode (what they mean) ─▶ assemble (whose sample)
//! ```
//!
//! Each line has a task of its own: a device with a socket of its own, or a bus with all its devices. So a dead device
//! delays no other line, and takes a tenth of its own line at most. What a task finds at a tick goes out as a
//! [`DriveReading`], failed ticks included: a value that was not read is absent, never the last one again. A tick that says
//! the same again may be told with a later one ([`Repeats`]).
//!
//! The bytes are in `frame`, what makes an answer belong to its question is in `link`, whose turn it is in `poll`.

pub mod assemble;
pub mod decode;
pub mod doubt;
#[cfg(test)]
pub(crate) mod fixture;
pub mod frame;
pub mod link;
pub mod look;
pub mod plan;
pub mod poll;
pub mod port;
mod state;
pub mod survey;

use std::collections::BTreeMap;
use std::sync::Arc;

use smallvec::SmallVec;
use tallyhook_analysis::units::Span;
use tallyhook_config::model::{Config, Drive, Link, Target};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;

use crate::clock::{Clock, Reading};

pub use decode::{Decoded, RawWords};
pub use poll::{LEAST_REAL_PERIOD_MS, effective_period};
pub use state::{DriveFigures, DriveHealth, LinkState, SignalFigures, Silence, exception_words};

/// How many readings, each with what it repeats, may wait for the daemon; beyond that the pollers wait too.
pub const QUEUE: usize = 64;

/// So many devices with a socket of their own tick at once: they share a wake-up, which costs as much as many polls. In
/// the time that their requests take to go out the last one is no more than a few milliseconds late, on a small board too.
const TOGETHER: i64 = 32;

/// Where there are more they tick in turns, which lie at least so far apart. Lines of several devices always do: what
/// lies on a serial line is told apart by time, so that they are not to wait for one another.
const TURN: Span = Span::from_ms(25);

/// The signals of a reading: in place, where a drive has no more of them than most.
pub type Values = SmallVec<[Value; 16]>;

/// One signal of one mechanism, as it was read.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Value {
    /// Index of the mechanism in [`Config::mechanisms`] order.
    pub mechanism: usize,
    /// Which signal.
    pub target: Target,
    /// What was read.
    pub value: Decoded,
    /// The words that it was read from, as they came.
    pub raw: RawWords,
}

/// How many readings are held back at most, to be told with one that says the same.
pub const MOST_HELD: usize = 12;

/// When readings came that are told with a later one: in place.
pub type Times = SmallVec<[Reading; MOST_HELD]>;

/// What becomes of readings that say nothing new.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Repeats {
    /// They are told as they come.
    Told,
    /// While nothing moves they are held back for about a second, and then told as one with the time of each: who takes it
    /// has to take it as often ([`DriveReading::times`]). Not so where a mechanism is fed by several drives, whose values
    /// have to be brought together as they come.
    HeldBack,
}

/// What one tick of a drive's poller found, and how often before.
#[derive(Clone, PartialEq, Debug)]
pub struct DriveReading {
    /// The drive's name, a key of [`Config::drives`].
    pub drive: Arc<str>,
    /// When the same was read before, since the reading that was told last; see [`Repeats::HeldBack`].
    pub before: Times,
    /// When the first answer came; the tick's own time when nothing was read.
    pub at: Reading,
    /// How the link stands.
    pub link: LinkState,
    /// What the drive says is wrong with it, in words, where its `fault` signal is on and has words.
    pub fault: Option<String>,
    /// Every signal that this drive feeds, read or not.
    pub values: Values,
}

impl DriveReading {
    /// When it was read, the earliest first.
    pub fn times(&self) -> impl Iterator<Item = Reading> {
        self.before.iter().copied().chain([self.at])
    }
}

/// Starts a polling task for each line whose drives feed something. They end when `stop` turns true, when its sender
/// is gone, or when nobody takes the readings any more.
///
/// Make the channel with [`QUEUE`] places.
pub fn spawn(
    config: &Config,
    clock: Clock,
    repeats: Repeats,
    readings: mpsc::Sender<DriveReading>,
    stop: watch::Receiver<bool>,
) -> JoinSet<()> {
    spawn_through(Arc::new(port::SystemPorts), config, clock, repeats, readings, stop)
}

/// As [`spawn`], through ports of the caller's.
pub fn spawn_through(
    ports: Arc<dyn port::Ports>,
    config: &Config,
    clock: Clock,
    repeats: Repeats,
    readings: mpsc::Sender<DriveReading>,
    stop: watch::Receiver<bool>,
) -> JoinSet<()> {
    struct Waiting {
        route: Link,
        drives: Vec<(Drive, plan::ReadPlan)>,
    }
    let mut queues: Vec<Waiting> = Vec::new();
    let mut buses: BTreeMap<&str, usize> = BTreeMap::new();
    for drive in config.drives.values() {
        let plan = plan::ReadPlan::of(config, drive);
        if plan.places.is_empty() {
            tracing::warn!(drive = %drive.name, "no signal is read from this drive; it is not polled");
            continue;
        }
        let known = match &drive.link {
            Link::Bus(bus) => buses.get(bus.name.as_str()),
            Link::Tcp { .. } => None,
        };
        if let Some(queue) = known.and_then(|&i| queues.get_mut(i)) {
            queue.drives.push((drive.clone(), plan));
            continue;
        }
        if let Link::Bus(bus) = &drive.link {
            buses.insert(&bus.name, queues.len());
        }
        let drives = vec![(drive.clone(), plan)];
        queues.push(Waiting { route: drive.link.clone(), drives });
    }
    let mut tasks = JoinSet::new();
    let began = clock.now().mono;
    let mut alarms = BTreeMap::new();
    let sockets = queues.iter().filter(|queue| matches!(queue.route, Link::Tcp { .. })).count() as i64;
    for (Waiting { route, drives }, n) in queues.into_iter().zip(0..) {
        let period = drives.iter().map(|(drive, _)| drive.poll.as_ms()).min().unwrap_or(0);
        let most = if matches!(route, Link::Tcp { .. }) { (sockets + TOGETHER - 1) / TOGETHER } else { i64::MAX };
        let turns = (period / TURN.as_ms()).clamp(1, most);
        let after = period * (n % turns) / turns;
        let origin = began.plus(Span::from_ms(after));
        let alarm = alarms.entry((period, after)).or_insert_with(|| clock.alarm()).clone();
        let queue = poll::Queue { route, drives, origin, alarm, repeats };
        tasks.spawn(poll::run(queue, ports.clone(), clock.clone(), readings.clone(), stop.clone()));
    }
    tasks
}
