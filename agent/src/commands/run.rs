//! `run`: the daemon, for the cabinet.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use tallyhook_config::model::Config;
use tokio::net::TcpListener;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::{mpsc, watch};

use super::site_file::SiteFile;
use crate::clock::Clock;
use crate::daemon::supervision::Manager;
use crate::daemon::{self, Change, Ended, Next, Setup, Surroundings};
use crate::exit::{CommandResult, Failure, Outcome, say};
use crate::web;

/// From here on reading the whole ledger takes longer than a person waits for the first poll, bytes.
const LARGE_LEDGER: u64 = 8 << 20;

/// Runs the daemon until Ctrl-C or SIGTERM. SIGHUP takes the configuration anew, if it is right.
#[derive(clap::Args, Debug)]
pub struct RunArgs {
    /// The configuration, as `tallyhook init` prints one.
    #[arg(long, value_name = "FILE")]
    config: PathBuf,
}

/// Runs the command.
pub fn run(args: RunArgs) -> CommandResult {
    let file = SiteFile::read(&args.config)?;
    super::log_to_stderr();
    // Said before anything is opened; the page loads it for itself.
    web::tls(&file.config.page).map_err(Failure::Run)?;
    super::on_one_thread(async move {
        let mut config = Arc::new(file.config);
        let mut config_text = file.text;
        let clock = Clock::system();
        // Kept over every change of the configuration: who calls in between waits for a moment and is not refused.
        let mut door = listen(config.page.listen).await?.into_std().map_err(Failure::run)?;
        say_where(&config, &door)?;
        say("Information for maintenance; no safety device. Ctrl-C stops.");
        let stop = interrupted()?;
        let (moved, listens) = watch::channel(config.page.listen);
        let mut around = Surroundings {
            manager: Manager::of_environment(),
            changes: Some(changes(args.config, listens)?),
            prove_later_from: Some(LARGE_LEDGER),
            ..Surroundings::default()
        };
        loop {
            let listener = door.try_clone().and_then(TcpListener::from_std).map_err(Failure::run)?;
            let setup =
                Setup { config: config.clone(), config_text: config_text.clone(), clock: clock.clone(), listener };
            match daemon::run_watched(setup, stop.clone(), &mut around).await.map_err(Failure::run)? {
                Ended::Stopped => return Ok(Outcome::Done),
                Ended::Damaged(_) => {}
                Ended::Changed(next) => {
                    (config, config_text) = (next.config, next.config_text);
                    moved.send_replace(config.page.listen);
                    if let Some(new) = next.listener {
                        door = new;
                        say_where(&config, &door)?;
                    }
                }
            }
        }
    })
}

fn say_where(config: &Config, door: &std::net::TcpListener) -> Result<(), Failure> {
    let scheme = if config.page.tls.is_some() { "https" } else { "http" };
    say(format_args!("page: {scheme}://{}/", door.local_addr().map_err(Failure::run)?));
    Ok(())
}

/// The configurations that come with SIGHUP, each read and checked before the daemon hears of it.
fn changes(path: PathBuf, listens: watch::Receiver<SocketAddr>) -> Result<mpsc::Receiver<Change>, Failure> {
    let mut asked: Signal = signal(SignalKind::hangup()).map_err(Failure::run)?;
    let (sender, receiver) = mpsc::channel(1);
    tokio::spawn(async move {
        while asked.recv().await.is_some() {
            let present = *listens.borrow();
            let change = match next(&path, present).await {
                Ok(next) => Change::Take(Box::new(next)),
                Err(why) => Change::Refuse(why),
            };
            if sender.send(change).await.is_err() {
                return;
            }
        }
    });
    Ok(receiver)
}

/// What the file says now; an error is a sentence that says why it cannot be taken.
async fn next(path: &Path, listens: SocketAddr) -> Result<Next, String> {
    let file = path.to_owned();
    let read = tokio::task::spawn_blocking(move || SiteFile::read(&file)).await.map_err(|error| error.to_string())?;
    let SiteFile { config, text } = read.map_err(|failure| match failure {
        Failure::Usage(why) | Failure::Run(why) => why,
        Failure::Reported => {
            format!("{} has faults; `tallyhook check --config {0}` names them", path.display())
        }
    })?;
    web::tls(&config.page)?;
    // A port that nobody named was chosen by the system at the start, and stays.
    let moved = config.page.listen != listens;
    let listener = match moved {
        true => {
            let opened = listen(config.page.listen).await.and_then(|door| door.into_std().map_err(Failure::run));
            Some(opened.map_err(|failure| match failure {
                Failure::Usage(why) | Failure::Run(why) => why,
                Failure::Reported => "the page's address cannot be opened".to_owned(),
            })?)
        }
        false => None,
    };
    Ok(Next { config: Arc::new(config), config_text: text, listener })
}

/// Opens the page's listener.
pub async fn listen(address: SocketAddr) -> Result<TcpListener, Failure> {
    TcpListener::bind(address).await.map_err(|error| {
        Failure::Run(format!("cannot listen on {address} for the page: {error}; choose another `listen` address"))
    })
}

/// A receiver that turns true at the first Ctrl-C or SIGTERM.
pub fn interrupted() -> Result<watch::Receiver<bool>, Failure> {
    let mut terminate = signal(SignalKind::terminate()).map_err(Failure::run)?;
    let mut interrupt = signal(SignalKind::interrupt()).map_err(Failure::run)?;
    let (sender, receiver) = watch::channel(false);
    tokio::spawn(async move {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
        sender.send_replace(true);
        // Kept so that the receiver does not read a dropped sender as something that happened.
        sender.closed().await;
    });
    Ok(receiver)
}
