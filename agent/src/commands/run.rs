//! `run`: the daemon, for the cabinet.

use std::path::PathBuf;
use std::sync::Arc;

use tokio::net::TcpListener;
use tokio::sync::watch;

use super::site_file::SiteFile;
use crate::clock::Clock;
use crate::daemon::{self, Setup};
use crate::exit::{CommandResult, Failure, Outcome};

/// Runs the daemon until Ctrl-C or SIGTERM.
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
    super::runtime()?.block_on(async {
        let config = Arc::new(file.config);
        let listener = listen(config.page.listen).await?;
        println!("page: http://{}/", listener.local_addr().map_err(Failure::run)?);
        println!("Information for maintenance; no safety device. Ctrl-C stops.");
        let setup = Setup { config, config_text: file.text, clock: Clock::system(), listener };
        daemon::run(setup, interrupted()?).await.map_err(Failure::run)?;
        Ok(Outcome::Done)
    })
}

/// Opens the page's listener.
pub async fn listen(address: std::net::SocketAddr) -> Result<TcpListener, Failure> {
    TcpListener::bind(address).await.map_err(|error| {
        Failure::Run(format!("cannot listen on {address} for the page: {error}; choose another `listen` address"))
    })
}

/// A receiver that turns true at the first Ctrl-C or SIGTERM.
pub fn interrupted() -> Result<watch::Receiver<bool>, Failure> {
    use tokio::signal::unix::{SignalKind, signal};
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
