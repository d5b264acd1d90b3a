//! What the tests of the destinations share: a site, messages, the running tasks, a server that plays what it is told.

#![allow(dead_code, reason = "each test file uses a part of it")]

pub mod broker;
pub mod line_protocol;
pub mod stub;

use std::sync::Arc;
use std::time::Duration;

use serde_json::json;
use tallyhook::clock::{Clock, Reading};
use tallyhook::figures::{self, Record, SiteFigures};
use tallyhook::publish::health::{Board, DestinationHealth};
use tallyhook::publish::outbox::{MemoryOutbox, Outbox};
use tallyhook::publish::{Setup, spawn};
use tallyhook::store::message::{Message, MessageKind};
use tallyhook_analysis::class::{ApplianceGroup, MechanismGroup};
use tallyhook_analysis::recorder::Spec;
use tallyhook_analysis::units::{Grams, Span, Timestamp};
use tallyhook_config::model::{Config, Crane, Mechanism, Page, Store};
use tokio::sync::watch;
use tokio::task::JoinSet;

/// A site with one hoist that tells nobody.
pub fn site() -> Config {
    let hoist = Mechanism::plain("main-hoist", MechanismGroup::M5, Spec::hoist(Grams::from_kg(16_000.0)));
    Config {
        site_name: "Eastfield precast yard".to_owned(),
        time_zone: jiff::tz::TimeZone::UTC,
        units: Default::default(),
        language: Default::default(),
        store: Store::plain("store"),
        page: Page::plain(([127, 0, 0, 1], 0).into()),
        alarms: Default::default(),
        outbox: Default::default(),
        drives: Default::default(),
        cranes: vec![Crane {
            id: "yard-1".to_owned(),
            name: "Yard crane".to_owned(),
            group: ApplianceGroup::A5,
            design_life_years: 20.0,
            mechanisms: vec![hoist],
        }],
        mqtt: None,
        webhooks: Vec::new(),
        influx: None,
        matrix: None,
    }
}

/// The first message's time.
pub const BEGIN_MS: i64 = 1_750_000_000_000;

/// A lift; its load is its number in kilograms.
pub fn lift(n: usize) -> Message {
    Message {
        id: format!("m{n}"),
        at: Timestamp::from_ms(BEGIN_MS + n as i64 * 60_000),
        kind: MessageKind::Lift,
        crane: "yard-1".to_owned(),
        mechanism: "main-hoist".to_owned(),
        body: json!({"load_kg": n as f64, "fraction": n as f64 / 16_000.0, "peak_kg": n as f64 + 0.5,
                     "running_seconds": 12.25, "starts": 3, "band": 0, "overload": false, "cut": false}),
    }
}

/// A warning that a level of the used share was reached.
pub fn warning(id: &str) -> Message {
    Message {
        id: id.to_owned(),
        at: Timestamp::from_ms(BEGIN_MS),
        kind: MessageKind::Warning,
        crane: "yard-1".to_owned(),
        mechanism: "main-hoist".to_owned(),
        body: json!({"quantity": "used_share", "level": 0.8, "value": 0.81, "raised": true,
                     "used_full_load_hours": 1296.0, "design_full_load_hours": 1600.0, "group": "M5"}),
    }
}

/// The destinations' tasks of a configuration, at work.
pub struct Teller<O = MemoryOutbox> {
    pub outbox: O,
    pub board: Board,
    pub figures: watch::Sender<Arc<SiteFigures>>,
    tasks: JoinSet<()>,
    stop: watch::Sender<bool>,
}

impl Teller {
    pub fn start(config: Config, outbox: &MemoryOutbox, clock: &Clock) -> Self {
        Teller::start_on(config, outbox.clone(), outbox.stored(), clock)
    }
}

impl<O: Outbox + Clone + Send + Sync + 'static> Teller<O> {
    pub fn start_on(config: Config, outbox: O, stored: watch::Receiver<u64>, clock: &Clock) -> Self {
        let config = Arc::new(config);
        let (figures, seen) = watch::channel(Arc::new(figures::of_site(&config, |_| Record::default())));
        let (stop, stopped) = watch::channel(false);
        let board = Board::default();
        let tasks = spawn(Setup {
            config,
            outbox: outbox.clone(),
            figures: seen,
            stored,
            clock: clock.clone(),
            board: board.clone(),
            stop: stopped,
        });
        Teller { outbox, board, figures, tasks, stop }
    }

    pub fn health(&self, destination: &str) -> DestinationHealth {
        self.board.watch().borrow()[destination].clone()
    }

    /// Waits up to 30 s of real time for something.
    pub async fn wait(&self, what: &str, mut ready: impl FnMut(&Self) -> bool) {
        let real = Clock::system();
        for _ in 0..3000 {
            if ready(self) {
                return;
            }
            real.sleep(Span::from_ms(10)).await;
        }
        panic!("{what} did not come within 30 s; {:?}", self.board.watch().borrow());
    }

    /// Waits until the destination has got everything up to a message.
    pub async fn delivered(&self, destination: &str, seq: u64) {
        let real = Clock::system();
        for _ in 0..3000 {
            if self.outbox.cursor(destination).await.unwrap().is_some_and(|cursor| cursor >= seq) {
                return;
            }
            real.sleep(Span::from_ms(10)).await;
        }
        panic!("message {seq} not delivered within 30 s; {:?}", self.board.watch().borrow());
    }

    /// Stops the tasks, none of which may have ended before.
    pub async fn stop(mut self) {
        assert!(self.tasks.try_join_next().is_none(), "a task ended before it was told to");
        self.stop.send_replace(true);
        let all = async {
            while let Some(ended) = self.tasks.join_next().await {
                ended.unwrap()
            }
        };
        tokio::time::timeout(Duration::from_secs(8), all).await.expect("the tasks end within their bounds");
    }

    /// Lets the tasks die without a good-bye, as a power cut does.
    pub fn kill(mut self) {
        self.tasks.abort_all();
    }
}

/// A clock that goes on by a second every `real_ms` milliseconds: pauses of minutes take moments, and servers answer in
/// their own time all the same.
pub fn hasty_clock(real_ms: i64) -> Clock {
    let clock = Clock::manual(Timestamp::from_ms(BEGIN_MS));
    let moved = clock.clone();
    tokio::spawn(async move {
        let real = Clock::system();
        loop {
            real.sleep(Span::from_ms(real_ms)).await;
            let now = moved.now();
            let second = Span::from_ms(1000);
            moved.set(Reading { wall: now.wall.plus(second), mono: now.mono.plus(second) });
        }
    });
    clock
}
