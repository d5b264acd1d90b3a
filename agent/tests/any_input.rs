//! Whatever comes in, a parser ends with an answer or a refusal: no panic, no hang.
//!
//! Seeds lie in `tests/corpus/`, a directory a parser; an input that once broke something is added there and stays. How
//! inputs are made of them is in `tests/src/fuzz.rs`. Some tens of thousands of inputs a parser as a rule, more than ten
//! million in sum with `TALLYHOOK_LONG=1`. What is private has its own beside it: forms and questions of the page in
//! `src/web/any_request_tests.rs`, answers of the chat server in `src/publish/matrix.rs`.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use std::io::Cursor;
use std::path::Path;

use prost::Message;
use tallyhook::access::Users;
use tallyhook::drive::frame::{Question, late_frame};
use tallyhook::publish::mqtt::inbox;
use tallyhook::publish::mqtt::sparkplug::{metrics::asks_for_rebirth, payload::Payload};
use tallyhook::publish::template::fill;
use tallyhook::samples::csv::CsvSamples;
use tallyhook::samples::recording::{Recording, RingWriter, ring_folder};
use tallyhook::simulate::Scenario;
use tallyhook_analysis::sample::{Quantity, Sample};
use tallyhook_analysis::units::Timestamp;
use tallyhook_config::model::{Framing, RecordingRing, Table};
use tallyhook_config::wire::Request;
use tallyhook_tests::fuzz;

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
    fuzz::seeds_in(&Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/corpus").join(parser))
}

fn fuzz(parser: &str, rounds: u64, times: u64, pieces: &[&str], took: impl Fn(&[u8]) -> bool) {
    fuzz::fuzz(parser, &seeds(parser), rounds, times, pieces, took);
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

#[test]
fn any_acknowledgement_from_the_broker() {
    let pieces = [
        "{",
        "}",
        "\"alarm\"",
        "\"by\"",
        "\"note\"",
        ":",
        ",",
        "3",
        "-1",
        "1e99",
        "null",
        "[",
        "]",
        "\\u0000",
        "\\ud800",
    ];
    fuzz("acknowledge", 40_000, 50, &pieces, |bytes| inbox::read(false, bytes).is_ok());
}
