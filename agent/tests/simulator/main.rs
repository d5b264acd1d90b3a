//! The simulator: the product's own poller, links, decoder, books, store and teller over a clock that is played, with
//! drive, disk and network in memory, and faults drawn from a seed.
//!
//! ```text
//! device ─bytes─▶ drive::poll ─▶ daemon::site ─▶ store (crash images, full disk) ─outbox─▶ publish::chat ─▶ receivers
//!    └───────────▶ tally ◀── held against each other at each commit and each start ──▶ model of what was committed
//! ```
//!
//! One thread, one order of tasks: a seed gives the same run each time. `TALLYHOOK_SIM_SEED=N` plays that seed alone,
//! with `TALLYHOOK_SIM_SEEDS` so many from there on.
//!
//! Does it find anything? Planted in the code one at a time: a teller's cursor committed before it tells (found in 8 of 10
//! seeds, first by what a receiver is due); the last values given again after a time-out, and a gap counted as running (each
//! in all of 10 seeds, by the device's own list of answers and by the second reckoning); the fence after a start taken out
//! (seed 591, by the list of answers).
//!
//! Not in it: the daemon's own loop and its watchdog, the page, the broker and the time-series server, whose stories are
//! told with real peers in `tests/`.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "tests")]

mod device;
mod disk;
mod network;
mod tally;
mod tasks;
mod world;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use tallyhook::drive::Repeats;
use world::{Report, World};

/// Readings a seed is played for, before everything comes to rest.
const READINGS: u64 = 1_500;

/// Seeds of the long form: enough for a thousand faults of each kind.
const LONG: u64 = 1_500;

/// Every kind of fault that is drawn.
const KINDS: [&str; 19] = [
    "answer lost",
    "answer late",
    "answer garbled",
    "answer broken off",
    "read refused",
    "connection cut",
    "drive switched off",
    "call not answered",
    "killed",
    "killed between two tellings",
    "stopped in order",
    "power cut in mid-commit",
    "power cut while a cursor was written",
    "disk full",
    "receiver away",
    "answer of a receiver lost",
    "clock put right by a little",
    "clock far off",
    "clock unset at a start",
];

fn play(seed: u64) -> Result<Report, String> {
    play_as(seed, Repeats::HeldBack)
}

fn play_as(seed: u64, repeats: Repeats) -> Result<Report, String> {
    let played = catch_unwind(AssertUnwindSafe(|| World::new(seed, repeats).play(READINGS)));
    let panicked = |panic: Box<dyn std::any::Any + Send>| {
        let words = panic.downcast_ref::<String>().cloned();
        words.or_else(|| panic.downcast_ref::<&str>().map(|w| (*w).to_owned())).unwrap_or_else(|| "it panicked".into())
    };
    played.unwrap_or_else(|panic| Err(panicked(panic)))
}

fn number(name: &str) -> Option<u64> {
    std::env::var(name).ok()?.parse().ok()
}

#[test]
fn no_fault_breaks_an_invariant() {
    let long = number("TALLYHOOK_LONG") == Some(1);
    let first = number("TALLYHOOK_SIM_SEED");
    let usual = if long { LONG } else { 10 };
    let seeds = number("TALLYHOOK_SIM_SEEDS").unwrap_or(if first.is_some() { 1 } else { usual });
    let first = first.unwrap_or(1);
    let next = AtomicU64::new(first);
    let (whole, failed) = (Mutex::new(Report::default()), Mutex::new(Vec::new()));
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                loop {
                    let seed = next.fetch_add(1, Ordering::SeqCst);
                    if seed >= first + seeds {
                        return;
                    }
                    match play(seed) {
                        Ok(report) => add(&mut whole.lock().unwrap(), &report),
                        Err(what) => {
                            println!("seed {seed} fails: {what}; TALLYHOOK_SIM_SEED={seed} plays it again");
                            failed.lock().unwrap().push(seed);
                        }
                    }
                }
            });
        }
    });
    let (report, failed) = (whole.into_inner().unwrap(), failed.into_inner().unwrap());
    let years = |ms: i64| ms as f64 / (365.0 * 86_400_000.0);
    println!(
        "seeds {first} to {}: {:.2} crane-years ({:.2} site-years), {} readings, {} commits, {} lifts, {} messages",
        first + seeds - 1,
        years(report.hoist_ms),
        years(report.site_ms),
        report.readings,
        report.commits,
        report.lifts,
        report.messages,
    );
    report.counts.0.iter().for_each(|(what, n)| println!("{n:>9}  {what}"));
    assert!(failed.is_empty(), "these seeds fail: {failed:?}");
    if seeds >= 10 {
        let least = if seeds >= LONG { 1_000 } else { 1 };
        for kind in KINDS {
            let drawn = report.counts.0.get(kind).copied().unwrap_or(0);
            assert!(drawn >= least, "`{kind}` was drawn {drawn} times, not {least}");
        }
    }
}

/// The first five: two lifts of like loads with a silence between them count as one, whose load is neither's. The others: a
/// start seen just before the clock jumped to another day stood in that day's hours, and in the sums of the one before. 591: an
/// answer of an RTU line that outlived a restart was taken for that to the first question after it. 763 and 1388
/// were faults of the simulator's own: a lift counted with the like one before a silence, and one whose end was not sure yet;
/// 240 too: it took up the next load 999 ms after the last one, by the samples, and a hook is empty after a second.
const FAILED_ONCE: [u64; 13] = [75, 240, 259, 269, 312, 325, 565, 591, 640, 689, 763, 931, 1388];

#[test]
fn seeds_that_failed_once_hold() {
    // Told each by each, as they were when they failed: what is held back makes another history of a seed.
    for (seed, repeats) in FAILED_ONCE.into_iter().flat_map(|seed| [(seed, Repeats::Told), (seed, Repeats::HeldBack)]) {
        play_as(seed, repeats).unwrap_or_else(|what| panic!("seed {seed}, {repeats:?}, fails: {what}"));
    }
}

#[test]
fn a_seed_plays_the_same_each_time() {
    let (once, again) = (format!("{:?}", play(5)), format!("{:?}", play(5)));
    assert_eq!(once, again);
}

fn add(whole: &mut Report, report: &Report) {
    whole.counts.add_all(&report.counts);
    whole.readings += report.readings;
    whole.lifts += report.lifts;
    whole.commits += report.commits;
    whole.messages += report.messages;
    whole.hoist_ms += report.hoist_ms;
    whole.site_ms += report.site_ms;
}
