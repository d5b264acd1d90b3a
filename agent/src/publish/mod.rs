//! Telling others what has been stored: broker, chat, time-series server.
//!
//! Everything goes through the [`outbox::Outbox`]: stored first, then told. Each destination has a task and a cursor
//! of its own, so that one that is down holds up neither the recorder nor another destination.

pub mod mqtt;
pub mod outbox;
pub mod payload;
pub mod retry;
pub mod template;
pub mod tls;
pub mod webhook;
pub mod wording;

use std::sync::Arc;

use tallyhook_config::model::Config;
use tokio::sync::watch;
use tokio::task::JoinSet;

use crate::clock::Clock;
use crate::figures::SiteFigures;
use outbox::Outbox;

/// Starts one task a destination of the configuration. None ends before `stop` turns true; after it each ends within
/// a few seconds, delivered or not: what is left stays in the outbox for the next start.
///
/// `stored` holds the number of the last message in the outbox and wakes the tasks; paths in `config` must be resolved.
pub fn spawn<O: Outbox + Clone + Send + Sync + 'static>(
    config: Arc<Config>,
    outbox: O,
    figures: watch::Receiver<Arc<SiteFigures>>,
    stored: watch::Receiver<u64>,
    clock: Clock,
    stop: watch::Receiver<bool>,
) -> JoinSet<()> {
    tls::install();
    let mut tasks = JoinSet::new();
    for hook in config.webhooks.iter().cloned() {
        let wiring =
            Wiring { outbox: outbox.clone(), stored: stored.clone(), clock: clock.clone(), stop: stop.clone() };
        tasks.spawn(webhook::run(config.clone(), hook, wiring));
    }
    if let Some(broker) = config.mqtt.clone() {
        let wiring = Wiring { outbox, stored, clock, stop };
        tasks.spawn(mqtt::run(broker, figures, wiring));
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
    /// Time, for pauses.
    pub clock: Clock,
    /// Turns true when the daemon ends.
    pub stop: watch::Receiver<bool>,
}

/// Ends when the daemon is to stop, or when who could say so is gone.
pub(crate) async fn stopped(stop: &mut watch::Receiver<bool>) {
    // An error means that the sender is gone: the daemon has ended.
    let _ = stop.wait_for(|stop| *stop).await;
}
