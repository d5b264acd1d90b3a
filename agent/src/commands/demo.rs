//! `demo`: the whole job in one process tree. A simulated drive on a loopback Modbus TCP port, the daemon polling it over
//! that port, the store, the page; fourteen months of the same crane's work filled in first.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_config::model::Config;
use tokio::net::TcpListener;
use tokio::sync::watch;

use super::ledger::kept_configuration;
use super::site_file::SiteFile;
use crate::clock::Clock;
use crate::daemon::book::{Book, SiteCalendar};
use crate::daemon::site::CONFIGURATION_COPY;
use crate::daemon::{self, Setup};
use crate::drive::effective_period;
use crate::exit::{CommandResult, Failure, Outcome, say};
use crate::simulate::{Plan, Player, Sampling, Scenario, demo_config, serve};
use crate::store::message::MessageKind;
use crate::store::{self, Store};

/// How far back the demo's record reaches.
const FILLED_DAYS: i64 = 425;

/// Shows the whole job on this machine: simulated drive, daemon, store, page. No set-up.
#[derive(clap::Args, Debug)]
pub struct DemoArgs {
    /// Where to keep what is counted; without it everything is thrown away at the end.
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// How many times as fast as real time, 0.1 to 2000.
    #[arg(long, default_value_t = 20.0)]
    speed: f64,
    /// Where the page listens; port 0 takes a free one.
    #[arg(long, value_name = "ADDR", default_value = "127.0.0.1:8420")]
    listen: SocketAddr,
}

/// Runs the command.
pub fn run(args: DemoArgs) -> CommandResult {
    if !(0.1..=2000.0).contains(&args.speed) {
        return Err(Failure::Usage(format!("--speed is {}; give a number from 0.1 to 2000", args.speed)));
    }
    super::log_to_stderr();
    let passing =
        args.data.is_none().then(|| std::env::temp_dir().join(format!("tallyhook-demo-{}", std::process::id())));
    let directory = args.data.clone().or(passing.clone()).unwrap_or_default();
    let result = super::runtime()?.block_on(play(&args, &directory));
    if let Some(passing) = passing {
        // A directory that cannot be removed is the system's to clean: it is in the place for such things.
        let _ = std::fs::remove_dir_all(passing);
    }
    result
}

async fn play(args: &DemoArgs, directory: &Path) -> CommandResult {
    let scenario = Scenario::eastfield().map_err(Failure::run)?;
    let plan = Plan::new(scenario, Timestamp::default());
    let drive = TcpListener::bind(("127.0.0.1", 0)).await.map_err(Failure::run)?;
    let drive_address = drive.local_addr().map_err(Failure::run)?;
    let listener = super::run::listen(args.listen).await?;
    let page = listener.local_addr().map_err(Failure::run)?;
    let text = demo_config(drive_address, directory, page);
    let file = SiteFile::check(Path::new("the demo's configuration"), text)?;
    let mut config = file.config;
    config.store.directory = directory.to_owned();
    let config = Arc::new(config);

    refuse_another_site(&config)?;
    let begin = fill(&config, &file.text, &plan)?;
    let clock = Clock::time_lapse(args.speed, begin);
    let mut player = Player::new(plan);
    // Adds up the drive's counters before the first client waits for it.
    player.at(begin);
    let (simulation_ends, ending) = watch::channel(false);
    let simulation = tokio::spawn(serve(drive, player, clock.clone(), Span::ZERO, ending));

    say(format_args!(
        "A simulated 16 t crane of a precast yard at {} times real time; its drive is Modbus TCP {drive_address}.",
        args.speed
    ));
    for drive in config.drives.values() {
        let held = effective_period(drive.poll, args.speed);
        if held != drive.poll {
            say(format_args!(
                "At this speed it is polled every {} s of the crane's time instead of {} s.",
                held.as_seconds(),
                drive.poll.as_seconds()
            ));
        }
    }
    say(format_args!("Page: http://{page}/"));
    say(format_args!("Store: {} (`tallyhook status --data {0}`)", directory.display()));
    say("Information for maintenance; no safety device. Ctrl-C stops.");
    let setup = Setup { config, config_text: file.text, clock, listener };
    let result = daemon::run(setup, super::run::interrupted()?).await.map_err(Failure::run);
    simulation_ends.send_replace(true);
    // Whatever it ends with, it was asked to end.
    let _ = simulation.await;
    result.map(|()| Outcome::Done)
}

/// The demo's lifts are no real crane's: they go into no ledger but its own.
fn refuse_another_site(demo: &Config) -> Result<(), Failure> {
    let directory = &demo.store.directory;
    if ![store::ledger_path(directory), directory.join(CONFIGURATION_COPY)].iter().any(|path| path.exists()) {
        return Ok(());
    }
    let its_own = |kept: &Config| {
        let mechanisms = |config: &Config| -> Vec<(String, String)> {
            config.mechanisms().map(|(crane, mechanism)| (crane.name.clone(), mechanism.id.clone())).collect()
        };
        kept.site_name == demo.site_name && mechanisms(kept) == mechanisms(demo)
    };
    if kept_configuration(directory).as_ref().is_some_and(its_own) {
        return Ok(());
    }
    Err(Failure::Usage(format!(
        "{} holds the ledger of a crane that is not the demo's, and simulated lifts would be booked into it; give --data a \
         directory of the demo's own",
        directory.display()
    )))
}

/// Fills an empty store with the crane's past through the same recorder, and gives the instant at which the demo goes
/// on: where the store was left, or the last working morning.
fn fill(config: &Config, text: &str, plan: &Plan) -> Result<Timestamp, Failure> {
    let mut store = Store::open(&config.store.directory).map_err(Failure::run)?;
    // The store can be asked before the daemon has looked it through, and is known as the demo's if this ends half-way.
    daemon::site::keep_configuration(&config.store.directory, text).map_err(Failure::run)?;
    let morning = last_working_morning(plan, Clock::system().now().wall);
    let calendar = SiteCalendar(config.time_zone.clone());
    for (crane, mechanism) in config.mechanisms() {
        if let Some((state, warn)) = store.resume(&mechanism.id).map_err(Failure::run)? {
            let book = Book::open(crane, mechanism, calendar.clone(), Some((state, warn)));
            return Ok(book.record().counted_to.unwrap_or(morning));
        }
        say(format_args!("Filling in {FILLED_DAYS} days of its past; a few seconds."));
        let from = morning.plus(Span::from_ms(-FILLED_DAYS * 86_400_000));
        let mut book = Book::open(crane, mechanism, calendar.clone(), None);
        let stale_after = mechanism.spec.stale_after;
        for sample in plan.samples(from, morning, Sampling::Changes { stale_after }) {
            book.take(&sample);
            if book.has_closed_days(7) {
                commit_past(&mut store, &mut book)?;
            }
        }
        commit_past(&mut store, &mut book)?;
        say(format_args!("Filled in {FILLED_DAYS} days of its past: {} lifts.", book.record().totals.lifts));
    }
    Ok(morning)
}

fn commit_past(store: &mut Store, book: &mut Book) -> Result<(), Failure> {
    let mut commit: Vec<_> = book.commit().into_iter().collect();
    // Nobody is told of single lifts that are months old.
    commit.iter_mut().for_each(|c| c.messages.retain(|m| m.kind != MessageKind::Lift));
    store.commit(&commit).map_err(Failure::run)?;
    book.committed();
    Ok(())
}

/// Half past six of the last day up to `now` on which the yard works.
fn last_working_morning(plan: &Plan, now: Timestamp) -> Timestamp {
    let zone = plan.scenario().time_zone().clone();
    let morning = |date: jiff::civil::Date| {
        let half_past_six = date.at(6, 30, 0, 0).to_zoned_datetime(zone.clone()).ok()?;
        Some(Timestamp::from_ms(half_past_six.timestamp().as_millisecond()))
    };
    let mut date = plan.date(now);
    for _ in 0..14 {
        if let Some(at) = morning(date)
            && at <= now
            && plan.day(date).lifts.len() > 50
        {
            return at;
        }
        let Ok(yesterday) = date.yesterday() else { break };
        date = yesterday;
    }
    now
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "tests")]

    use super::*;

    #[test]
    fn the_demo_goes_into_no_ledger_but_its_own() {
        let dir = tempfile::tempdir().unwrap();
        let address = "127.0.0.1:1502".parse().unwrap();
        let text = demo_config(address, dir.path(), address);
        let demo = tallyhook_config::load(&text, "demo.toml").unwrap();
        let keep = |text: &str| std::fs::write(dir.path().join(CONFIGURATION_COPY), text).unwrap();
        refuse_another_site(&demo).expect("an empty directory");
        drop(Store::open(dir.path()).unwrap());
        let refused = refuse_another_site(&demo).unwrap_err();
        assert!(matches!(refused, Failure::Usage(text) if text.contains("not the demo's")), "nobody knows whose it is");
        // Another run of the demo had other ports.
        keep(&text.replace("1502", "1503"));
        refuse_another_site(&demo).expect("the demo's own");
        let starter = tallyhook_config::starter(&tallyhook_config::StarterOptions::default());
        for another in [&starter, "no configuration"] {
            keep(another);
            assert!(matches!(refuse_another_site(&demo), Err(Failure::Usage(_))), "{another}");
        }
    }
}
