//! The library's inner loops over columns in memory, for `tests/bench`, which measures them from outside.
//!
//! usage: speed bands COLUMNS REPETITIONS
//!        speed ranges COLUMNS REPETITIONS PERCENT
//!        speed account COLUMNS REPETITIONS
//!        speed batches COLUMNS REPETITIONS
//!
//! `COLUMNS`: a load in grams and its running milliseconds a row, each 64 bits, little-endian. `PERCENT` of the rated
//! load: smaller reversals are no reversals.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a tool for tests; it ends with the reason")]

use std::hint::black_box;

use tallyhook_analysis::account::{Account, State, Terms};
use tallyhook_analysis::batch::Batch;
use tallyhook_analysis::rainflow::Counter;
use tallyhook_analysis::recorder::{Spec, Utc};
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::{Grams, Timestamp};

const RATED: Grams = Grams::new(12_500_000);

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    match words.as_slice() {
        ["bands", file, repetitions] => bands(file, repetitions.parse().expect("a number")),
        ["account", file, repetitions] => account(file, repetitions.parse().expect("a number")),
        ["batches", file, repetitions] => batches(file, repetitions.parse().expect("a number")),
        ["ranges", file, repetitions, percent] => {
            ranges(file, repetitions.parse().expect("a number"), percent.parse().expect("a number"));
        }
        _ => {
            eprintln!(
                "usage: speed bands|account|batches COLUMNS REPETITIONS | speed ranges COLUMNS REPETITIONS PERCENT"
            );
            std::process::exit(2);
        }
    }
}

fn columns(file: &str) -> (Vec<Grams>, Vec<u32>) {
    let bytes = std::fs::read(file).unwrap();
    let (numbers, _) = bytes.as_chunks::<8>();
    let (rows, _) = numbers.as_chunks::<2>();
    rows.iter().map(|row| (Grams::new(i64::from_le_bytes(row[0])), i64::from_le_bytes(row[1]) as u32)).unzip()
}

fn bands(file: &str, repetitions: u32) {
    let (loads, running_ms) = columns(file);
    let mut totals = Totals::default();
    for _ in 0..repetitions {
        totals.book_columns(black_box(&loads), &running_ms, RATED);
    }
    println!("km {:.9} over {} ms", totals.load_spectrum_factor(RATED).unwrap_or(0.0), totals.running_ms);
}

fn sample(at_ms: i64, load: Grams, runs: bool) -> Sample {
    let mut sample = Sample::at(Timestamp::from_ms(at_ms));
    sample.set(Quantity::Load, Some(load.get()));
    sample.set_flag(Flag::Raising, Some(runs));
    sample.set_flag(Flag::Lowering, Some(false));
    sample
}

fn tell(account: &Account) {
    let totals = account.recorder().totals();
    println!("{} lifts, km {:.9}", totals.lifts, totals.load_spectrum_factor(RATED).unwrap_or(0.0));
}

/// The whole account, ten samples a second.
fn account(file: &str, repetitions: u32) {
    let (loads, running_ms) = columns(file);
    let mut account = Account::resume(Spec::hoist(RATED), Terms::plain(1600.0), State::default());
    let mut at_ms = 0;
    let mut block = Vec::new();
    for _ in 0..repetitions {
        for (loads, running_ms) in loads.chunks(600).zip(running_ms.chunks(600)) {
            block.clear();
            for (load, &ms) in loads.iter().zip(running_ms) {
                block.push(sample(at_ms, *load, ms > 0));
                at_ms += 100;
            }
            account.step_all(black_box(&block), &Utc, &mut |_| {});
        }
    }
    tell(&account);
}

/// As [`account`], in columns as the reader of a recording makes them.
fn batches(file: &str, repetitions: u32) {
    let (loads, running_ms) = columns(file);
    let mut account = Account::resume(Spec::hoist(RATED), Terms::plain(1600.0), State::default());
    let mut at_ms = 0;
    let mut batch = Batch::default();
    for _ in 0..repetitions {
        for (mut loads, running_ms) in loads.chunks(600).zip(running_ms.chunks(600)) {
            batch.clear();
            for alike in running_ms.chunk_by(|one, other| one == other) {
                let (these, rest) = loads.split_at(alike.len());
                loads = rest;
                let first = sample(at_ms, these[0], alike[0] > 0);
                batch.push(first);
                batch.push_even(first, 100, |column| column.extend(these[1..].iter().map(|load| load.get() as i32)));
                at_ms += 100 * alike.len() as i64;
            }
            account.step_batch(black_box(&batch), &Utc, &mut |_| {});
        }
    }
    tell(&account);
}

fn ranges(file: &str, repetitions: u32, percent: f64) {
    let loads: Vec<f64> = columns(file).0.into_iter().map(Grams::as_kg).collect();
    let (mut halves, mut sum) = (0_u64, 0.0);
    for _ in 0..repetitions {
        let mut counter = Counter::new(percent / 100.0 * RATED.as_kg());
        let mut out = |cycle: tallyhook_analysis::rainflow::Cycle<f64>| {
            halves += u64::from(cycle.halves);
            sum += cycle.range();
        };
        counter.extend(black_box(&loads), &mut out);
    }
    println!("{halves} half cycles, {sum:.3}");
}
