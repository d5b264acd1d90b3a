//! The daemon: wiring, and the one loop that everything wakes.
//!
//! Drives send readings; readings become samples; each mechanism's [`book::Book`] takes them; what follows is committed
//! to the store in one transaction, and only then told to others. Nothing here sleeps, reads a clock or opens a
//! socket by itself: the clock, the listener and the store's directory come from outside.

pub mod book;
#[cfg(test)]
mod book_tests;
mod copies;
pub mod reckoning;
pub mod reminders;
pub mod site;
pub mod timeline;
pub mod wake;

use std::sync::Arc;

use tallyhook_analysis::units::Span;
use tallyhook_config::model::Config;
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;

use crate::clock::{Clock, Reading};
use crate::store::{Store, StoreError, StoreHandle};
use crate::{drive, publish, web};
use site::Site;
use wake::Wake;

/// How often the daemon looks whether a commit is due when no drive wakes it.
const TICK: Span = Span::from_ms(1000);

/// What the daemon is given.
pub struct Setup {
    /// The checked configuration, its store directory as it is to be opened.
    pub config: Arc<Config>,
    /// The text it was made from; a copy is kept with the ledger.
    pub config_text: String,
    /// Where time comes from.
    pub clock: Clock,
    /// Where the page is served.
    pub listener: TcpListener,
}

/// Why the daemon ended.
#[derive(Debug, thiserror::Error)]
pub enum DaemonError {
    /// The store could not be opened, or cannot be written and will not heal by itself.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The copy of the configuration could not be kept.
    #[error("the configuration could not be copied into {0}: {1}; check the rights to that directory")]
    Copy(String, std::io::Error),
    /// A part of the daemon ended unasked; nothing goes on half-alive.
    #[error(
        "{0}; the daemon has stopped so that nothing goes on half-alive: start it again, and report it if it comes back"
    )]
    PartEnded(String),
}

/// Runs until `stop` turns true or a part of the daemon fails; commits everything before it returns.
///
/// # Errors
/// [`DaemonError`] says which part ended and what to do.
pub async fn run(setup: Setup, mut stop: watch::Receiver<bool>) -> Result<(), DaemonError> {
    let Setup { config, config_text, clock, listener } = setup;
    let directory = &config.store.directory;
    let copies = config.store.backup_directory();
    let (store, recovered) = Store::open_sound(directory, copies.as_deref(), clock.now().wall)?;
    site::keep_configuration(directory, &config_text)
        .map_err(|error| DaemonError::Copy(directory.display().to_string(), error))?;
    let mut site = Site::open(config.clone(), &store, clock.now())?;
    if let Some(recovered) = recovered {
        site.raise("ledger", clock.now().wall, recovered.to_string());
    }
    let store = store.into_handle()?;
    let (copied_sender, mut copied) = mpsc::channel(1);
    let mut copier = JoinSet::new();
    copier.spawn(copies::keep(config.store.clone(), clock.clone(), copied_sender));

    let (figures_sender, figures) = watch::channel(Arc::new(site.figures()));
    let (drives_sender, drives) = watch::channel(Arc::new(site.drives()));
    // Pollers end first, so that what they have sent is stored and told before those who tell it end.
    let (polling_ends, polling) = watch::channel(false);
    let (telling_ends, telling) = watch::channel(false);
    let (readings_sender, mut readings) = mpsc::channel(drive::QUEUE);
    let mut pollers = drive::spawn(&config, clock.clone(), readings_sender, polling);
    let board = publish::health::Board::default();
    let mut tellers = publish::spawn(publish::Setup {
        config: config.clone(),
        outbox: store.clone(),
        figures: figures.clone(),
        stored: store.stored(),
        clock: clock.clone(),
        board: board.clone(),
        stop: telling.clone(),
    });
    let mut page = JoinSet::new();
    let history = Arc::new(web::Stored(directory.clone()));
    let destinations = board.watch();
    let state = web::WebState { config: config.clone(), history, figures, drives, clock: clock.clone(), destinations };
    page.spawn(async move {
        if let Err(error) = web::serve(listener, state, telling).await {
            tracing::error!("the page cannot be served: {error}");
        }
    });

    let mut next_tick = clock.now().mono.plus(TICK);
    let mut next_reminders = next_tick;
    let result = loop {
        let wake = tokio::select! {
            biased;
            _ = stop.wait_for(|asked| *asked) => Wake::Stop,
            Some(ended) = pollers.join_next() => Wake::PartEnded("the polling of a drive", ended.err()),
            Some(ended) = tellers.join_next() => Wake::PartEnded("the telling of a destination", ended.err()),
            Some(ended) = page.join_next() => Wake::PartEnded("the page", ended.err()),
            Some(reading) = readings.recv() => Wake::Reading(reading),
            Some(result) = copied.recv() => Wake::Copied(result),
            () = clock.sleep_until(next_tick) => Wake::Tick,
        };
        let now = clock.now();
        match wake {
            Wake::Stop => break Ok(()),
            Wake::PartEnded(what, None) => break Err(DaemonError::PartEnded(format!("{what} ended"))),
            Wake::PartEnded(what, Some(why)) => break Err(DaemonError::PartEnded(format!("{what} failed: {why}"))),
            Wake::Reading(reading) => site.take(reading),
            Wake::Copied(result) => site.copied(result, now),
            Wake::Tick => {
                next_tick = now.mono.plus(TICK);
                // A store that cannot be read just now keeps them for the next tick.
                if let Ok(services) = store.open_services().await {
                    site.take_services(&services, now);
                }
                if let Some(drives) = site.changed_drives()
                    && let Err(error) = store.keep_drives(drives, now.wall).await
                {
                    tracing::warn!("the drives' states could not be kept: {error}");
                }
                if now.mono >= next_reminders {
                    next_reminders = now.mono.plus(reminders::LOOK_EVERY);
                    if let Ok(open) = store.open_alarms().await {
                        site.remind(&open, now);
                    }
                }
            }
        }
        if site.commit_is_due(now)
            && let Err(error) = commit(&mut site, &store, now, false).await
        {
            break Err(error);
        }
        if let Some(new) = site.figures_when_due(now, clock.speed()) {
            figures_sender.send_replace(Arc::new(new));
            drives_sender.send_replace(Arc::new(site.drives()));
        }
    };

    polling_ends.send_replace(true);
    while let Some(reading) = readings.recv().await {
        site.take(reading);
    }
    let stored = commit(&mut site, &store, clock.now(), true).await;
    site.flush();
    figures_sender.send_replace(Arc::new(site.figures()));
    telling_ends.send_replace(true);
    for mut part in [pollers, tellers, page] {
        while let Some(ended) = part.join_next().await {
            if let Err(error) = ended {
                tracing::error!("a part of the daemon failed while it was stopping: {error}");
            }
        }
    }
    store.close().await;
    result.and(stored)
}

/// Stores what the books hold. A failure that may pass leaves it in the books; one that will not ends the run.
async fn commit(site: &mut Site, store: &StoreHandle, now: Reading, all: bool) -> Result<(), DaemonError> {
    match store.commit(site.commits(now, all)).await {
        Ok(done) => {
            site.stored(done, now);
            Ok(())
        }
        Err(refused) if refused.error.may_pass() => {
            site.not_stored(&refused.error, now);
            Ok(())
        }
        Err(refused) => Err(refused.error.into()),
    }
}

#[cfg(test)]
mod site_tests;
