//! The daemon: wiring, and the one loop that everything wakes.
//!
//! Drives send readings; readings become samples; each mechanism's [`book::Book`] takes them; what follows is committed
//! to the store in one transaction, and only then told to others. Nothing here sleeps, reads a clock or opens a
//! socket by itself: the clock, the listener and the store's directory come from outside.

pub mod book;
#[cfg(test)]
mod book_tests;
pub mod bounds;
mod copies;
#[cfg(test)]
mod forecast_tests;
mod load_health;
mod page;
pub mod reckoning;
pub mod reminders;
mod rings;
mod shown;
pub mod site;
mod standing;
pub mod supervision;
#[cfg(test)]
mod tests;
pub mod thinning;
pub mod timeline;
pub mod wake;

use std::sync::Arc;

use futures_util::StreamExt;
use futures_util::stream::FuturesUnordered;
use tallyhook_analysis::units::Span;
use tallyhook_config::model::Config;
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;

use crate::access::Remembered;
use crate::clock::{Clock, Reading};
use crate::drive::Repeats;
use crate::store::backup::Made;
use crate::store::{Store, StoreError, StoreHandle, Touched, asking};
use crate::{drive, publish, web};
use bounds::Loss;
use site::{Site, Timelines};
use supervision::{Manager, Progress};
use thinning::Looked;
use wake::Wake;

/// How often the daemon looks whether there is something to do that no drive brings.
const TICK: Span = Span::from_ms(1000);

/// A drive wakes it most often, at rest about once a second: for so long a look waits for that.
const TICK_WAITS: Span = Span::from_ms(250);

/// After so long without a commit the ledger gets what it lacks, for whoever reads its file without asking.
const REST: Span = Span::from_ms(900_000);

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

/// A configuration that has come while the daemon runs.
pub enum Change {
    /// A checked one, to go on with.
    Take(Box<Next>),
    /// One that cannot be taken, and why, in a sentence.
    Refuse(String),
}

/// What the daemon is to go on with.
pub struct Next {
    /// The checked configuration.
    pub config: Arc<Config>,
    /// The text it was made from.
    pub config_text: String,
    /// Where the page is served from now on; `None` where that stays as it is.
    pub listener: Option<std::net::TcpListener>,
}

/// Who watches over the daemon, who may change its configuration, and what one run leaves to the next.
#[derive(Default)]
pub struct Surroundings {
    /// Who is told that the daemon works.
    pub manager: Manager,
    /// New configurations; `None` where there cannot be any.
    pub changes: Option<mpsc::Receiver<Change>>,
    /// Each drive's time-line: a run that goes on from another in the same process dates as that one did.
    pub timelines: Timelines,
    /// The configuration that was offered last was refused.
    pub refused: bool,
    /// The last reading that the run before this one took, on the same clock.
    pub last_reading: Option<Span>,
    /// Who is logged in to the page: a new configuration puts nobody out.
    pub access: Arc<Remembered>,
    /// From how many bytes on a ledger's structure is proved beside the first polls and not before them; `None`: never.
    pub prove_later_from: Option<u64>,
    /// The run before this one found the ledger damaged.
    pub prove_at_once: bool,
}

impl Surroundings {
    fn look_again(&mut self, fault: String) -> Ended {
        tracing::error!("{fault}; nothing was written to it, and a good copy is looked for");
        self.prove_at_once = true;
        self.last_reading = None;
        Ended::Damaged(fault)
    }
}

/// Why a run ended in good order.
pub enum Ended {
    /// Somebody asked the daemon to stop.
    Stopped,
    /// A new configuration is to be taken: run again with it.
    Changed(Box<Next>),
    /// The ledger, proved while the drives were polled already, is damaged, and why; nothing was written to it. The run
    /// that comes next puts a good copy in its place, or says that there is none.
    Damaged(String),
}

/// Runs until `stop` turns true or a part of the daemon fails; commits everything before it returns.
///
/// # Errors
/// [`DaemonError`] says which part ended and what to do.
pub async fn run(setup: Setup, stop: watch::Receiver<bool>) -> Result<(), DaemonError> {
    // By default a ledger is proved before it is opened.
    run_watched(setup, stop, &mut Surroundings::default()).await.map(|_| ())
}

/// As [`run`], watched over by a service manager, and also until a new configuration is to be taken.
///
/// # Errors
/// [`DaemonError`] says which part ended and what to do.
pub async fn run_watched(
    setup: Setup,
    stop: watch::Receiver<bool>,
    around: &mut Surroundings,
) -> Result<Ended, DaemonError> {
    let Setup { config, config_text, clock, .. } = &setup;
    let directory = &config.store.directory.clone();
    let copies = config.store.backup_directory();
    let (wall, copies) = (clock.now().wall, copies.as_deref());
    let later = around.prove_later_from.filter(|_| !std::mem::take(&mut around.prove_at_once));
    let (mut store, recovered) = match later {
        Some(large) => Store::open_soon(directory, copies, wall, large)?,
        None => Store::open_sound(directory, copies, wall)?,
    };
    site::keep_configuration(directory, config_text)
        .map_err(|error| DaemonError::Copy(directory.display().to_string(), error))?;
    let mut site = match Site::open(config.clone(), &store, clock.now()) {
        Err(fault) if store.is_unproved() => return Ok(around.look_again(fault.to_string())),
        opened => opened?,
    };
    // One finding, so that neither takes the other's place.
    let found: Vec<String> =
        recovered.map(|recovered| recovered.to_string()).into_iter().chain(store.take_left()).collect();
    if !found.is_empty() {
        site.raise("ledger", clock.now().wall, found.join(". "));
    }
    site.set_timelines(std::mem::take(&mut around.timelines));
    // Only who can be asked to bring the ledger up may let it fall behind.
    let asked = match asking::listen(directory) {
        Ok(listener) => Some(listener),
        Err(error) => {
            tracing::warn!("every commit goes to the ledger itself, for nobody can ask for what it lacks: {error}");
            None
        }
    };
    if asked.is_some() {
        store.write_ahead();
    }
    let store = store.into_handle()?;
    let mut asking = JoinSet::new();
    if let Some(listener) = asked {
        asking.spawn(asking::serve(listener, store.clone(), clock.clone()));
    }
    let ended = run_on(setup, site, store.clone(), stop, around).await;
    if let Some(fault) = store.fault() {
        return Ok(around.look_again(fault.to_string()));
    }
    around.manager.tell(match &ended {
        Ok(Ended::Changed(_)) => "STATUS=takes a new configuration",
        _ => "STOPPING=1",
    });
    ended
}

/// What seldom wakes the loop.
struct Parts<'a> {
    stop: &'a mut watch::Receiver<bool>,
    store: &'a StoreHandle,
    pollers: &'a mut JoinSet<()>,
    tellers: &'a mut JoinSet<()>,
    page: &'a mut JoinSet<()>,
    copier: &'a mut JoinSet<()>,
    changes: &'a mut Option<mpsc::Receiver<Change>>,
    copied: &'a mut mpsc::Receiver<Result<Made, StoreError>>,
    lost: &'a mut mpsc::Receiver<Loss>,
    room: &'a mut mpsc::Receiver<Result<Looked, StoreError>>,
}

impl Parts<'_> {
    /// What comes first of it; `goes_on`: no other configuration waits for those who tell to end.
    async fn wake(self, goes_on: bool) -> Wake {
        tokio::select! {
            biased;
            _ = self.stop.wait_for(|asked| *asked) => Wake::Stop,
            () = self.store.ended() => Wake::Closed,
            Some(ended) = self.pollers.join_next() => Wake::PartEnded("the polling of a drive", ended.err()),
            Some(ended) = self.tellers.join_next() => match goes_on {
                true => Wake::PartEnded("the telling of a destination", ended.err()),
                false => Wake::Gone(ended.err()),
            },
            Some(ended) = self.page.join_next() => match goes_on {
                true => Wake::PartEnded("the page", ended.err()),
                false => Wake::Gone(ended.err()),
            },
            // One that has nothing to keep ends at once, and in order; one that fails would leave copies unmade for years.
            Some(Err(failed)) = self.copier.join_next() => {
                Wake::PartEnded("the keeping of copies, room and outbox", Some(failed))
            }
            change = changed(self.changes), if goes_on => Wake::Change(change),
            Some(result) = self.copied.recv() => Wake::Copied(result),
            Some(loss) = self.lost.recv() => Wake::Lost(loss),
            Some(result) = self.room.recv() => Wake::Room(result),
        }
    }
}

async fn changed(changes: &mut Option<mpsc::Receiver<Change>>) -> Change {
    match changes {
        Some(changes) => match changes.recv().await {
            Some(change) => change,
            None => std::future::pending().await,
        },
        None => std::future::pending().await,
    }
}

/// The loop, on a store that is open.
async fn run_on(
    setup: Setup,
    mut site: Site,
    store: StoreHandle,
    mut stop: watch::Receiver<bool>,
    around: &mut Surroundings,
) -> Result<Ended, DaemonError> {
    let Setup { config, config_text: _, clock, listener } = setup;
    let directory = &config.store.directory;
    let (copied_sender, mut copied) = mpsc::channel(1);
    let mut copier = JoinSet::new();
    copier.spawn(copies::keep(config.store.clone(), clock.clone(), copied_sender));
    let (room_sender, mut room) = mpsc::channel(1);
    copier.spawn(thinning::keep(config.clone(), store.clone(), clock.clone(), room_sender));
    let (figures_sender, figures) = watch::channel(Arc::new(site.figures(clock.now())));
    let (drives_sender, drives) = watch::channel(Arc::new(site.drives()));
    // Pollers end first, so that what they have sent is stored and told before those who tell it end.
    let (polling_ends, polling) = watch::channel(false);
    let (telling_ends, telling) = watch::channel(false);
    let (readings_sender, mut readings) = mpsc::channel(drive::QUEUE);
    let mut pollers = drive::spawn(&config, clock.clone(), Repeats::HeldBack, readings_sender, polling);
    let board = publish::health::Board::default();
    let (lost_sender, mut lost) = mpsc::channel(1);
    copier.spawn(bounds::keep(bounds::of(&config), store.clone(), board.clone(), clock.clone(), lost_sender));
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
    let history = Arc::new(web::Stored::new(directory.clone()));
    let destinations = board.watch();
    let (access, web_clock) = (around.access.clone(), clock.clone());
    let state =
        web::WebState { config: config.clone(), history, figures, drives, clock: web_clock, destinations, access };
    page.spawn(page::serve(listener, state, telling));

    let begun = clock.now().mono;
    let mut progress = Progress::new(&config, begun, clock.speed());
    around.manager.tell("READY=1\nWATCHDOG=1\nSTATUS=polls and counts");
    if std::mem::take(&mut around.refused) {
        site.configuration_taken(clock.now());
    }
    let mut next_tick = begun.plus(TICK);
    // Kept across the turns: most of them are over long before it.
    let mut tick = Box::pin(clock.sleep_until(next_tick.plus(TICK_WAITS)));
    let mut touched = Touched::new(directory);
    let mut next_reminders = next_tick;
    let mut next_settling = next_tick;
    // What comes after this run, while those who tell are still ending: a slow broker must not stop the counting.
    let mut next: Option<Box<Next>> = None;
    let mut last_reading = None;
    let result = 'run: loop {
        if next.is_some() && tellers.is_empty() && page.is_empty() {
            break Ok(());
        }
        let parts = Parts {
            stop: &mut stop,
            store: &store,
            pollers: &mut pollers,
            tellers: &mut tellers,
            page: &mut page,
            copier: &mut copier,
            changes: &mut around.changes,
            copied: &mut copied,
            lost: &mut lost,
            room: &mut room,
        };
        // Asked only when something of it has woken: to ask all of it takes longer than a poll.
        let mut seldom = FuturesUnordered::from_iter([parts.wake(next.is_none())]);
        loop {
            let wake = tokio::select! {
                biased;
                Some(wake) = seldom.next() => wake,
                Some(reading) = readings.recv() => Wake::Reading(reading),
                () = &mut tick => Wake::Tick,
            };
            let again = matches!(wake, Wake::Reading(_) | Wake::Tick);
            let now = clock.now();
            match wake {
                Wake::Stop => {
                    next = None;
                    break 'run Ok(());
                }
                Wake::Closed => break 'run Err(StoreError::Closed.into()),
                Wake::Gone(failed) => log_end(failed),
                Wake::PartEnded(what, None) => break 'run Err(DaemonError::PartEnded(format!("{what} ended"))),
                Wake::PartEnded(what, Some(why)) => {
                    break 'run Err(DaemonError::PartEnded(format!("{what} failed: {why}")));
                }
                Wake::Change(change) => match accept(change, &config) {
                    Ok(new) => {
                        tracing::info!("a new configuration has been checked and is taken");
                        telling_ends.send_replace(true);
                        next = Some(new);
                    }
                    Err(why) => {
                        tracing::error!("the new configuration is refused, the old one stays in force: {why}");
                        site.configuration_refused(&why, now);
                        around.refused = true;
                    }
                },
                Wake::Copied(result) => site.copied(result, now),
                Wake::Lost(Loss::Lost(text)) => site.raise("outbox", now.wall, text),
                Wake::Lost(Loss::Over) => {
                    site.clear("outbox", now.wall, "no more messages are dropped from the outbox")
                }
                Wake::Room(result) => site.looked_at_room(result, now),
                Wake::Reading(reading) => {
                    progress.polled(&reading.drive, now.mono);
                    if let Some(last) = around.last_reading.take() {
                        let without = reading.at.mono.as_ms() - last.as_ms();
                        tracing::info!("counts by the new configuration; {without} ms lay without a reading");
                    }
                    last_reading = Some(reading.at.mono);
                    site.take(reading);
                    // Drives that tick together are one turn.
                    for _ in 0..drive::QUEUE {
                        let Ok(reading) = readings.try_recv() else { break };
                        progress.polled(&reading.drive, now.mono);
                        last_reading = Some(reading.at.mono);
                        site.take(reading);
                    }
                }
                Wake::Tick => {}
            }
            // Until its structure is proved the store answers nothing: what is read stays in the books.
            let answers = store.is_proved();
            if now.mono >= next_tick {
                // Set anew in any case: one that has rung must not be waited for again.
                next_tick = now.mono.plus(TICK);
                tick.set(clock.sleep_until(next_tick.plus(TICK_WAITS)));
                site.look_at_rings(now);
                if answers && touched.since_the_last_look() {
                    match store.open_services().await {
                        Ok(services) => site.take_services(&services, now),
                        // A store that cannot be read just now keeps them for the next look.
                        Err(_) => touched.forget(),
                    }
                }
                if answers
                    && let Some(drives) = site.changed_drives()
                    && let Err(error) = store.keep_drives(drives, now.wall).await
                {
                    tracing::warn!("the drives' states could not be kept: {error}");
                }
                let rested = now.mono.as_ms() - site.committed().mono.as_ms();
                if answers && store.is_behind() && rested >= REST.as_ms() && now.mono >= next_settling {
                    next_settling = now.mono.plus(REST);
                    if let Err(error) = store.settle().await {
                        tracing::warn!("the ledger stays behind, it is tried again: {error}");
                    }
                }
                if answers && now.mono >= next_reminders {
                    next_reminders = now.mono.plus(reminders::LOOK_EVERY);
                    if let Ok(open) = store.open_alarms().await {
                        site.remind(&open, now);
                    }
                }
            }
            if answers
                && site.commit_is_due(now)
                && let Err(error) = commit(&mut site, &store, now, false).await
            {
                break 'run Err(error);
            }
            if let Some(new) = site.figures_when_due(now, clock.speed()) {
                drives_sender.send_replace(new.drives.clone());
                figures_sender.send_replace(Arc::new(new));
            }
            // Only here: the loop has come round, and the commit, if one was due, has come back from the disk.
            if progress.feeds(now.mono) {
                around.manager.tell("WATCHDOG=1");
            }
            // What has woken once is made anew: it may be about something else now.
            if !again {
                break;
            }
        }
    };

    polling_ends.send_replace(true);
    while let Some(reading) = readings.recv().await {
        last_reading = Some(reading.at.mono);
        site.take(reading);
    }
    let stored = commit(&mut site, &store, clock.now(), true).await;
    site.flush();
    figures_sender.send_replace(Arc::new(site.figures(clock.now())));
    telling_ends.send_replace(true);
    for mut part in [pollers, tellers, page] {
        while let Some(ended) = part.join_next().await {
            log_end(ended.err());
        }
    }
    // While the lock is held: after it the socket may be that of the next daemon.
    if let Err(error) = asking::close(directory) {
        tracing::warn!("the socket in the store's directory stays: {error}");
    }
    store.close().await;
    around.timelines = site.into_timelines();
    around.last_reading = last_reading;
    result.and(stored)?;
    Ok(next.map_or(Ended::Stopped, Ended::Changed))
}

fn log_end(failed: Option<tokio::task::JoinError>) {
    if let Some(error) = failed {
        tracing::error!("a part of the daemon failed while it was stopping: {error}");
    }
}

/// Whether a change can be taken by a daemon that runs.
fn accept(change: Change, present: &Config) -> Result<Box<Next>, String> {
    match change {
        Change::Refuse(why) => Err(why),
        Change::Take(next) if next.config.store.directory != present.store.directory => Err(format!(
            "it names another store, {} instead of {}; move the store with the daemon stopped, then start it",
            next.config.store.directory.display(),
            present.store.directory.display(),
        )),
        Change::Take(next) => Ok(next),
    }
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
mod clock_tests;
#[cfg(test)]
mod site_tests;
#[cfg(test)]
mod written_tests;
