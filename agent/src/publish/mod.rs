//! Telling others what has been stored: broker, chat, time-series server.
//!
//! Everything goes through the [`outbox::Outbox`]: stored first, then told. Each destination has a task and a cursor
//! of its own, so that one that is down holds up neither the recorder nor another destination.

pub mod chat;
pub mod health;
pub mod http;
pub mod influx;
pub mod matrix;
pub mod mqtt;
pub mod outbox;
pub mod payload;
pub mod retry;
pub mod secret;
pub mod template;
pub mod tls;
pub mod trial;
pub mod webhook;
pub mod wording;

use std::sync::Arc;

use tallyhook_config::model::Config;
use tokio::sync::watch;
use tokio::task::JoinSet;

use crate::clock::Clock;
use crate::figures::SiteFigures;
use health::{Board, Line};
use outbox::Outbox;

/// What the destinations' tasks are given.
pub struct Setup<O> {
    /// The configuration; its paths are resolved.
    pub config: Arc<Config>,
    /// What is to be told.
    pub outbox: O,
    /// The figures as of now.
    pub figures: watch::Receiver<Arc<SiteFigures>>,
    /// The number of the last message in the outbox; wakes the tasks.
    pub stored: watch::Receiver<u64>,
    /// Time, for pauses.
    pub clock: Clock,
    /// Where the tasks write down how their destinations stand.
    pub board: Board,
    /// Turns true when the daemon ends.
    pub stop: watch::Receiver<bool>,
}

/// Starts one task a destination of the configuration. None ends before `stop` turns true; after it each ends within
/// a few seconds, delivered or not: what is left stays in the outbox for the next start.
pub fn spawn<O: Outbox + Clone + Send + Sync + 'static>(setup: Setup<O>) -> JoinSet<()> {
    tls::install();
    let Setup { config, outbox, figures, stored, clock, board, stop } = setup;
    // Read here, before anything more can be stored: what comes from now on is owed to a new destination.
    let end = *stored.borrow();
    let wiring = |name: &str| Wiring {
        outbox: outbox.clone(),
        stored: stored.clone(),
        end,
        clock: clock.clone(),
        health: board.line(name, &clock),
        stop: stop.clone(),
    };
    let about = chat::About { config: config.clone(), figures: figures.clone() };
    let mut tasks = JoinSet::new();
    for hook in config.webhooks.iter().cloned() {
        let wiring = wiring(&webhook::Hook::destination(&hook));
        let hook = webhook::Hook { config: config.clone(), hook, clock: clock.clone() };
        tasks.spawn(chat::run(hook, about.clone(), wiring));
    }
    if let Some(room) = config.matrix.clone() {
        let room = matrix::Room::new(config.clone(), room, clock.clone());
        tasks.spawn(chat::run(room, about.clone(), wiring(matrix::DESTINATION)));
    }
    if let Some(server) = config.influx.clone() {
        tasks.spawn(influx::run(config.clone(), server, figures.clone(), wiring(influx::DESTINATION)));
    }
    if let Some(broker) = config.mqtt.clone() {
        tasks.spawn(mqtt::run(broker, config.store.directory.clone(), figures, wiring(mqtt::DESTINATION)));
    }
    tasks
}

/// What every destination's task is wired to.
#[derive(Clone, Debug)]
pub struct Wiring<O> {
    /// What is to be told.
    pub outbox: O,
    /// The number of the last message in it.
    pub stored: watch::Receiver<u64>,
    /// The last message that stood when the program started.
    pub end: u64,
    /// Time, for pauses.
    pub clock: Clock,
    /// How the destination stands.
    pub health: Line,
    /// Turns true when the daemon ends.
    pub stop: watch::Receiver<bool>,
}

/// Ends when the daemon is to stop, or when who could say so is gone.
pub(crate) async fn stopped(stop: &mut watch::Receiver<bool>) {
    // An error means that the sender is gone: the daemon has ended.
    let _ = stop.wait_for(|stop| *stop).await;
}
