//! `simulate`: a Modbus server that plays a scenario.

use std::io::Write;
use std::net::SocketAddr;
use std::path::PathBuf;

use tallyhook_analysis::units::{Span, Timestamp};
use tokio::net::TcpListener;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::watch;

use crate::clock::Clock;
use crate::exit::{CommandResult, Failure, Outcome};
use crate::simulate::{Plan, Player, Scenario, serve};

/// A drive simulator: a Modbus TCP server that plays a scenario until Ctrl-C.
#[derive(clap::Args, Debug)]
pub struct SimulateArgs {
    /// Scenario file.
    #[arg(long)]
    scenario: PathBuf,
    /// Where to listen; port 0 takes a free one.
    #[arg(long, default_value = "127.0.0.1:0")]
    listen: SocketAddr,
    /// How many times as fast as the clock, 0.001 to 100000.
    #[arg(long, default_value_t = 1.0)]
    speed: f64,
    /// The instant that play begins at, RFC 3339; now unless given.
    #[arg(long)]
    start: Option<jiff::Timestamp>,
}

/// Runs the command.
pub fn run(args: SimulateArgs) -> CommandResult {
    let place = args.scenario.display();
    if !(0.001..=100_000.0).contains(&args.speed) {
        return Err(Failure::Usage(format!("--speed is {}; give a number from 0.001 to 100000", args.speed)));
    }
    let text = std::fs::read_to_string(&args.scenario)
        .map_err(|error| Failure::Usage(format!("cannot read {place}: {error}; give the path of a scenario file")))?;
    let scenario = Scenario::parse(&text).map_err(|error| Failure::Usage(format!("{place}: {error}")))?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(Failure::run)?;
    runtime.block_on(play(scenario, args))
}

async fn play(scenario: Scenario, args: SimulateArgs) -> CommandResult {
    let listener = TcpListener::bind(args.listen)
        .await
        .map_err(|error| Failure::Run(format!("cannot listen at {}: {error}; give another --listen", args.listen)))?;
    let address = listener.local_addr().map_err(Failure::run)?;
    let mut terminate = signal(SignalKind::terminate()).map_err(Failure::run)?;
    let clock = Clock::system_at_speed(args.speed);
    let now = clock.now().wall;
    let start = args.start.map_or(now, |start| Timestamp::from_ms(start.as_millisecond()));
    let mut player = Player::new(Plan::new(scenario, start));
    // Adds up the counters before the first client waits for it.
    player.at(start);

    let shift: Span = start.since(now);
    let (stop, stopped) = watch::channel(false);
    let mut server = tokio::spawn(serve(listener, player, clock, shift, stopped));
    let mut out = std::io::stdout();
    writeln!(out, "{address}").and_then(|()| out.flush()).map_err(Failure::run)?;
    tokio::select! {
        ended = &mut server => {
            let reason = match ended {
                Ok(Ok(())) => return Ok(Outcome::Done),
                Ok(Err(error)) => error.to_string(),
                Err(error) => error.to_string(),
            };
            return Err(Failure::Run(format!("the simulator stopped: {reason}")));
        }
        interrupted = tokio::signal::ctrl_c() => interrupted.map_err(Failure::run)?,
        _ = terminate.recv() => {}
    }
    stop.send_replace(true);
    // Whatever it ends with, it was asked to end.
    let _ = server.await;
    Ok(Outcome::Done)
}
