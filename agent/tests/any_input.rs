//! Whatever comes in, a parser ends with an answer or a refusal: no panic, no hang.
//!
//! Seeds lie in `tests/corpus/`, a directory a parser; an input that once broke something is added there and stays. From
//! a seed or from nothing, bytes are changed, cut, doubled, spliced and strewn with pieces of the format, by numbers
//! drawn from a fixed seed: a failure names the round, and comes again. Some tens of thousands of inputs a parser as a
//! rule, more than ten million in sum with `TALLYHOOK_LONG=1`.

#![allow(clippy::unwrap_used, clippy::disallowed_methods, reason = "a test fails by panicking, and times a hang")]

use std::io::Cursor;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use prost::Message;
use tallyhook::access::Users;
use tallyhook::drive::frame::{Question, late_frame};
use tallyhook::publish::mqtt::sparkplug::{metrics::asks_for_rebirth, payload::Payload};
use tallyhook::publish::template::fill;
use tallyhook::samples::csv::CsvSamples;
use tallyhook::samples::recording::{Recording, RingWriter, ring_folder};
use tallyhook::simulate::Scenario;
use tallyhook_analysis::sample::{Quantity, Sample};
use tallyhook_analysis::units::Timestamp;
use tallyhook_config::model::{Framing, RecordingRing, Table};
use tallyhook_config::wire::Request;

/// No single input takes longer than this, by far, on whatever machine; a hang does.
const HANG: Duration = Duration::from_secs(60);

/// What the recorder itself writes, as a seed: a file of another version of it would be no good input.
fn own_recording() -> Vec<u8> {
    let place = tempfile::tempdir().unwrap();
    let mut ring = RingWriter::open(place.path(), "hoist", RecordingRing { days: 9, megabytes: 9 }).unwrap();
    for n in 0..40 {
        let mut sample = Sample::at(Timestamp::from_ms(1_000 + n * 100));
        sample.set(Quantity::Load, Some(n * n));
        ring.append(&sample).unwrap();
        if n % 15 == 14 {
            ring.flush().unwrap();
        }
    }
    drop(ring);
    let file = ring_folder(place.path(), "hoist").read_dir().unwrap().next().unwrap().unwrap().path();
    std::fs::read(file).unwrap()
}

fn seeds(parser: &str) -> Vec<Vec<u8>> {
    if parser == "recording" {
        return vec![own_recording()];
    }
    let place = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/corpus").join(parser);
    let mut files: Vec<PathBuf> = place.read_dir().unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    assert!(!files.is_empty(), "{} has no seed", place.display());
    files.iter().map(|file| std::fs::read(file).unwrap()).collect()
}

/// A changed seed.
fn changed(random: &mut fastrand::Rng, seeds: &[Vec<u8>], pieces: &[&str]) -> Vec<u8> {
    let mut bytes = match random.u8(..8) {
        0 => (0..random.usize(..200)).map(|_| random.u8(..)).collect(),
        1 => (0..random.usize(..40)).flat_map(|_| pieces[random.usize(..pieces.len())].bytes()).collect(),
        _ => seeds[random.usize(..seeds.len())].clone(),
    };
    for _ in 0..random.usize(..6) {
        let at = random.usize(..=bytes.len());
        match random.u8(..7) {
            0 if at < bytes.len() => bytes[at] = random.u8(..),
            1 if at < bytes.len() => bytes[at] ^= 1 << random.u8(..8),
            2 => bytes.truncate(at),
            3 => bytes.insert(at, random.u8(..)),
            4 => {
                let piece = pieces[random.usize(..pieces.len())].as_bytes();
                bytes.splice(at..at, piece.iter().copied());
            }
            5 if bytes.len() < 20_000 => {
                let from = random.usize(..=at);
                let part = bytes[from..at].to_vec();
                bytes.splice(at..at, part);
            }
            _ => {
                let to = (at + random.usize(..16)).min(bytes.len());
                bytes.drain(at..to);
            }
        }
    }
    bytes
}

/// Puts `rounds` inputs, `times` as many in the long form, before a parser; `took` says whether one was accepted.
fn fuzz(parser: &str, rounds: u64, times: u64, pieces: &[&str], took: impl Fn(&[u8]) -> bool) {
    let long = std::env::var_os("TALLYHOOK_LONG").is_some();
    let rounds = if long { rounds * times } else { rounds };
    let seeds = seeds(parser);
    for (n, seed) in seeds.iter().enumerate() {
        took(seed);
        assert!(n > 0 || took(seed), "the first seed of {parser} is a good input");
    }
    let mut random = fastrand::Rng::with_seed(4_301);
    let (mut accepted, mut slowest) = (0_u64, Duration::ZERO);
    for round in 0..rounds {
        let input = changed(&mut random, &seeds, pieces);
        let begun = Instant::now();
        match catch_unwind(AssertUnwindSafe(|| took(&input))) {
            Ok(good) => accepted += u64::from(good),
            Err(_) => {
                let file = std::env::temp_dir().join(format!("{parser}-{round}"));
                std::fs::write(&file, &input).unwrap();
                panic!("{parser} fell over at round {round}; the input is {}: add it to the corpus", file.display());
            }
        }
        slowest = slowest.max(begun.elapsed());
        assert!(slowest < HANG, "{parser} took {slowest:?} at round {round}");
    }
    println!("{parser}: {rounds} inputs, {accepted} accepted, {} seeds, slowest {slowest:?}", seeds.len());
    assert!(accepted > 0 && accepted < rounds, "{parser}: {accepted} of {rounds} accepted: one side was never tried");
}

const TOML: [&str; 24] = [
    "[",
    "]",
    "[[",
    "]]",
    "{",
    "}",
    "=",
    "\"",
    "'",
    ",",
    "\n",
    ".",
    "#",
    "-1",
    "1e400",
    "nan",
    "true",
    "0x",
    "group",
    "drive",
    "signals",
    "address",
    "\u{0}",
    "1979-05-27",
];

#[test]
fn any_configuration() {
    fuzz("config", 1_500, 250, &TOML, |bytes| tallyhook_config::load_bytes(bytes, "any.toml").is_ok());
}

#[test]
fn any_scenario() {
    fuzz("scenario", 4_000, 150, &TOML, |bytes| {
        std::str::from_utf8(bytes).is_ok_and(|text| Scenario::parse(text).is_ok())
    });
}

#[test]
fn any_samples_file() {
    let pieces = [
        "time",
        "load_kg",
        "raising",
        "lowering",
        ",",
        "\n",
        "\r\n",
        "\"",
        "0",
        "1",
        "-",
        ".",
        "1e309",
        "nan",
        "inf",
        "2026-03-09T06:00:00Z",
        "9999-12-31T23:59:59Z",
        ";",
        "\u{feff}",
        "99999999999999999999",
    ];
    fuzz("csv", 20_000, 110, &pieces, |bytes| {
        let rows = CsvSamples::read(Cursor::new(bytes.to_vec()), Path::new("any.csv"));
        rows.is_ok_and(|rows| rows.collect::<Result<Vec<_>, _>>().is_ok_and(|rows| !rows.is_empty()))
    });
}

#[test]
fn any_recording() {
    let place = tempfile::tempdir().unwrap();
    let file = place.path().join("any.thr");
    fuzz("recording", 3_000, 70, &["\u{0}", "\u{1}", "\n", "THkR", "0000", "~~~~"], |bytes| {
        std::fs::write(&file, bytes).unwrap();
        Recording::of_file(&file)
            .is_ok_and(|samples| samples.collect::<Result<Vec<_>, _>>().is_ok_and(|s| !s.is_empty()))
    });
}

/// The first two bytes choose the question, the rest is what comes in answer to it.
#[test]
fn any_modbus_answer() {
    fuzz("modbus", 40_000, 100, &["\u{0}\u{0}", "\u{3}", "\u{11}", "\u{1}", "\u{4}", "\u{83}"], |bytes| {
        let [kind, count, answer @ ..] = bytes else { return false };
        let framing = if kind & 1 == 0 { Framing::Tcp } else { Framing::Rtu };
        let table = [Table::Coil, Table::Discrete, Table::Holding, Table::Input][usize::from(kind >> 1 & 3)];
        let request = Request { table, address: 0, count: u16::from(*count % 125) + 1 };
        let question = Question { framing, transaction: 0x1501, unit: 0x11, request };
        let _ = late_frame(answer, 0x11, 3, u32::from(*count));
        question.hear(answer).is_ok()
    });
}

#[test]
fn any_command_from_the_broker() {
    fuzz("sparkplug", 40_000, 50, &["\u{8}", "\u{12}", "\n", "Node Control/Rebirth", "\u{ff}", "P\u{1}"], |bytes| {
        Payload::decode(bytes).is_ok_and(|command| {
            asks_for_rebirth(&command.metrics);
            true
        })
    });
}

#[test]
fn any_users_file() {
    let pieces = ["fitter", " ", "\n", "service", "look", "$argon2id$v=19$m=8,t=1,p=1$", "#", "$", "c2FsdHNhbHQ"];
    fuzz("users", 20_000, 50, &pieces, |bytes| {
        std::str::from_utf8(bytes).is_ok_and(|text| Users::of_text(text).is_ok_and(|users| !users.all().is_empty()))
    });
}

/// A template filled with values that others chose is JSON still, if it was.
#[test]
fn any_json_template() {
    fuzz("template", 20_000, 50, &["{{", "}}", "{{text}}", "\"", "\\", "{", "}", ":", "\n"], |bytes| {
        let Ok(template) = std::str::from_utf8(bytes) else { return false };
        let evil = serde_json::Value::from("\"}\\\n{{text}}\u{0}");
        let filled = fill(template, |name| (name == "text").then(|| evil.clone()));
        serde_json::from_str::<serde_json::Value>(&filled).is_ok()
    });
}
