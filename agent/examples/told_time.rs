//! The whole daemon, with a clock that somebody else moves: for a soak that plays weeks in minutes.
//!
//! usage: told_time CONFIG CLOCK
//!
//! From the address CLOCK come lines `MONO WALL`, milliseconds: what both clocks show from now on. Until the first one
//! nothing is started. All else is as `tallyhook run` has it: real sockets to drives, broker and server, the real disk,
//! SIGTERM. The daemon ends with the clock.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a tool for tests; it ends with the reason")]

use std::path::Path;
use std::sync::Arc;

use tallyhook::clock::{Clock, Reading};
use tallyhook::daemon::{self, Setup};
use tallyhook_analysis::units::{Span, Timestamp};
use tokio::io::{AsyncBufReadExt as _, BufReader, Lines};
use tokio::net::{TcpListener, TcpStream};
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::watch;

/// On one thread, as the daemon runs.
#[tokio::main(flavor = "current_thread")]
async fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [file, clock] = arguments.as_slice() else {
        eprintln!("usage: told_time CONFIG CLOCK");
        std::process::exit(2);
    };
    tracing_subscriber::fmt().with_writer(std::io::stderr).with_ansi(false).init();
    let config_text = std::fs::read_to_string(file).unwrap();
    let mut config = tallyhook_config::load(&config_text, file).unwrap_or_else(|faults| panic!("{}", faults.report()));
    config.store.directory = Path::new(file).parent().unwrap().join(&config.store.directory);
    let mut told = BufReader::new(TcpStream::connect(clock).await.unwrap()).lines();
    let first = next(&mut told).await.expect("somebody moves the clock");
    let clock = Clock::manual(first.wall);
    clock.set(first);
    let listener = TcpListener::bind(config.page.listen).await.unwrap();
    println!("page: http://{}/", listener.local_addr().unwrap());
    let moved = clock.clone();
    let clock_ends = tokio::spawn(async move {
        while let Some(reading) = next(&mut told).await {
            moved.set(reading);
        }
    });
    let (asked, stop) = watch::channel(false);
    let mut terminate = signal(SignalKind::terminate()).unwrap();
    tokio::spawn(async move {
        terminate.recv().await;
        asked.send_replace(true);
        asked.closed().await;
    });
    let setup = Setup { config: Arc::new(config), config_text, clock, listener };
    tokio::select! {
        done = daemon::run(setup, stop) => done.unwrap_or_else(|error| panic!("{error}")),
        _ = clock_ends => panic!("nobody moves the clock any more"),
    }
}

async fn next(told: &mut Lines<BufReader<TcpStream>>) -> Option<Reading> {
    let line = told.next_line().await.ok()??;
    let (mono, wall) = line.split_once(' ').unwrap();
    Some(Reading { mono: Span::from_ms(mono.parse().unwrap()), wall: Timestamp::from_ms(wall.parse().unwrap()) })
}
