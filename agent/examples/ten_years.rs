//! Fills a store with years of synthetic work through the product's own books and store: 600 lifts a day, one hoist.
//!
//! usage: ten_years DIRECTORY DAYS DRIVE PAGE
//!
//! `DIRECTORY/site.toml` is its configuration (the drive at the address DRIVE, the page at PAGE), `DIRECTORY/data` the
//! store. The last day is yesterday. Tests and benchmarks ask the store that it leaves; the work in it is invented.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a tool for tests; it ends with the reason")]

use std::path::Path;

use tallyhook::clock::Clock;
use tallyhook::daemon::book::{Book, SiteCalendar};
use tallyhook::daemon::site::keep_configuration;
use tallyhook::store::Store;
use tallyhook::store::message::MessageKind;
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::units::{Span, Timestamp};

const DAY_MS: i64 = 86_400_000;
const LIFTS_A_DAY: i64 = 600;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [directory, days, drive, page] = arguments.as_slice() else {
        eprintln!("usage: ten_years DIRECTORY DAYS DRIVE PAGE");
        std::process::exit(2);
    };
    let (directory, days) = (Path::new(directory), days.parse().expect("DAYS is a number"));
    std::fs::create_dir_all(directory).unwrap();
    let text = configuration(drive, page);
    let file = directory.join("site.toml");
    std::fs::write(&file, &text).unwrap();
    let mut config = tallyhook_config::load(&text, "site.toml").unwrap_or_else(|faults| panic!("{}", faults.report()));
    config.store.directory = directory.join("data");

    let mut store = Store::open(&config.store.directory).unwrap();
    let (crane, mechanism) = config.mechanisms().next().unwrap();
    let calendar = SiteCalendar(config.time_zone.clone());
    let mut book = Book::open(crane, mechanism, calendar.clone(), None);
    let today = Clock::system().now().wall.as_ms().div_euclid(DAY_MS) * DAY_MS;
    let mut rng = fastrand::Rng::with_seed(600);
    for day in 0..days {
        work(&mut book, today - (days - day) * DAY_MS, day, &mut rng);
        if book.has_closed_days(7) || day + 1 == days {
            let mut commit: Vec<_> = book.commit().into_iter().collect();
            // Lifts and days were told long ago; warnings have a life of their own.
            commit.iter_mut().for_each(|c| c.messages.retain(|m| m.kind == MessageKind::Warning));
            store.commit(&commit).unwrap();
            // Opened anew: it would make a forecast from all days so far at the end of each.
            let left = store.resume(&mechanism.id).unwrap();
            book = Book::open(crane, mechanism, calendar.clone(), left);
        }
    }
    keep_configuration(&config.store.directory, &text).unwrap();
    println!("{} lifts in {days} days", book.record().totals.lifts);
}

/// One day: a lift every two minutes for twenty hours, then rest. Loads drift over the years.
fn work(book: &mut Book, midnight: i64, day: i64, rng: &mut fastrand::Rng) {
    let mut take = |at_ms: i64, load_kg: i64, raising: bool, lowering: bool| {
        let mut sample = Sample::at(Timestamp::from_ms(midnight).plus(Span::from_ms(at_ms)));
        sample.set(Quantity::Load, Some(load_kg * 1000));
        sample.set_flag(Flag::Raising, Some(raising));
        sample.set_flag(Flag::Lowering, Some(lowering));
        book.take(&sample);
    };
    for lift in 0..LIFTS_A_DAY {
        let at = lift * 120_000;
        // Most lifts are middling, some are heavy, one in two thousand is too heavy.
        let load = match rng.u32(0..2000) {
            0 => 16_500,
            1..200 => 14_500 + rng.i64(0..1_400),
            _ => 3_000 + rng.i64(0..8_000) + day / 4,
        };
        let (up, down) = (15_000 + rng.i64(0..10_000), 10_000 + rng.i64(0..10_000));
        take(at, 200, true, false);
        take(at + 2_000, load, true, false);
        take(at + up, load, false, false);
        take(at + 60_000, load, false, true);
        take(at + 60_000 + down, 200, false, true);
        take(at + 62_000 + down, 200, false, false);
    }
    // Somebody looks at the drive at night too.
    for hour in 20..24 {
        take(hour * 3_600_000 + 1_800_000, 200, false, false);
    }
}

fn configuration(drive: &str, page: &str) -> String {
    format!(
        r#"[site]
name = "Eastfield precast yard"
time_zone = "UTC"

[store]
directory = "data"

[page]
listen = "{page}"

[drive.panel]
address = "{drive}"

[[crane]]
id = "yard-1"
name = "Yard crane 1"
group = "A7"

[[crane.mechanism]]
id = "main-hoist"
kind = "hoist"
group = "M7"
rated_load_kg = 16000
drive = "panel"
stale_after = "1h"

[crane.mechanism.signals]
load_kg = {{ table = "holding", address = 0, type = "i32", word_order = "high-first", scale = 0.1, unit = "kg" }}
raising = {{ table = "holding", address = 2, type = "bit", bit = 0 }}
lowering = {{ table = "holding", address = 2, type = "bit", bit = 1 }}

[crane.mechanism.warn]
used_share = [0.5, 0.8, 0.9, 1.0]
"#
    )
}
