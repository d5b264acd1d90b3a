//! Every type in every order of words and bytes, set in a pymodbus server, reads as it was set; `mbpoll`, another reader
//! that is not ours, reads the same wherever it knows the type.

use std::collections::BTreeMap;
use std::process::Command;

use serde_json::Value;
use tallyhook_tests::cabinet::Cabinet;
use tallyhook_tests::panel::{Device, Row};

const ORDERS: [(&str, &str); 4] = [
    ("high-first", "high-first"),
    ("low-first", "high-first"),
    ("high-first", "low-first"),
    ("low-first", "low-first"),
];

/// Values of every type; those of more than one word have words that differ, so that no order passes for another.
fn values() -> Vec<(&'static str, Value)> {
    let mut all: Vec<(&str, Value)> = Vec::new();
    for value in [0, 1, 258, 65_535] {
        all.push(("u16", value.into()));
    }
    for value in [-32_768, -2, 32_767] {
        all.push(("i16", value.into()));
    }
    for value in [16_909_060_u64, 4_294_967_295, 131_072] {
        all.push(("u32", value.into()));
    }
    for value in [-2_147_483_648_i64, -16_909_060, 123_456] {
        all.push(("i32", value.into()));
    }
    for value in [5_000_000_007_u64, 9_007_199_254_740] {
        all.push(("u64", value.into()));
    }
    for value in [-5_000_000_007_i64, 4_294_967_296] {
        all.push(("i64", value.into()));
    }
    for value in [12.5, -1234.125, 0.125] {
        all.push(("f32", value.into()));
    }
    for value in [12_345.678, -0.001] {
        all.push(("f64", value.into()));
    }
    all.extend([("bcd16", 9876.into()), ("bcd32", 12_345_678.into()), ("bcd64", 1_234_567_890_123_i64.into())]);
    for value in [-5, -32_767, 32_767] {
        all.push(("sm16", value.into()));
    }
    for value in [-70_000, 2_147_483_647] {
        all.push(("sm32", value.into()));
    }
    all
}

fn words(kind: &str) -> u16 {
    kind.trim_start_matches(char::is_alphabetic).parse::<u16>().unwrap() / 16
}

fn rows() -> Vec<Row> {
    let mut rows = Vec::new();
    let mut address = 0;
    for (kind, value) in values() {
        for (word_order, byte_order) in ORDERS {
            if words(kind) == 1 && word_order == "low-first" {
                continue;
            }
            let table = if rows.len() % 2 == 0 { "holding" } else { "input" };
            rows.push(Row { table, address, kind, word_order, byte_order, value: value.clone() });
            // A gap after each, so that no value hides behind its neighbour.
            address += words(kind) + 1;
        }
    }
    rows
}

/// A site with a mechanism for each row, whose trolley position is that row.
fn site(port: u16, rows: &[Row]) -> String {
    let mut text = format!(
        "[drive.panel]\naddress = \"127.0.0.1:{port}\"\npoll = \"1s\"\n[[crane]]\nid = \"yard-1\"\ngroup = \"A5\"\n"
    );
    for (n, row) in rows.iter().enumerate() {
        let Row { table, address, kind, word_order, byte_order, .. } = row;
        let order = if words(kind) == 1 { String::new() } else { format!(", word_order = \"{word_order}\"") };
        text += &format!(
            "[[crane.mechanism]]\nid = \"m{n}\"\nkind = \"traverse\"\ngroup = \"M5\"\nrated_load_kg = 12500\n\
             stale_after = \"5s\"\n[crane.mechanism.signals]\nraising = {{ table = \"coil\", address = 8 }}\n\
             trolley_m = {{ table = \"{table}\", address = {address}, type = \"{kind}\"{order}, \
             byte_order = \"{byte_order}\" }}\n"
        );
    }
    text
}

/// What `check --live --json` says of each signal, by mechanism and signal.
fn look(text: &str) -> BTreeMap<(String, String), Value> {
    let cabinet = Cabinet::new();
    cabinet.write("site.toml", text);
    let answer = cabinet.run(&["check", "--config", "site.toml", "--live", "--json"]);
    let document: Value =
        serde_json::from_str(&answer.stdout).unwrap_or_else(|e| panic!("{e}\n{}\n{}", answer.stdout, answer.stderr));
    let drives = document["drives"].as_array().unwrap();
    let signals = drives.iter().flat_map(|drive| drive["signals"].as_array().unwrap());
    let name = |signal: &Value, key: &str| signal[key].as_str().unwrap().to_owned();
    signals.map(|s| ((name(s, "mechanism"), name(s, "signal")), s.clone())).collect()
}

#[test]
fn every_type_in_every_order_reads_as_it_was_set() {
    let rows = rows();
    assert!(rows.len() > 90, "{}", rows.len());
    let mut all = rows.clone();
    all.push(Row::contacts("coil", 8, &[true]));
    let device = Device::start(&all);
    let registers = device.registers();
    let signals = look(&site(device.port, &rows));
    for (n, row) in rows.iter().enumerate() {
        let signal = &signals[&(format!("m{n}"), "trolley_m".to_owned())];
        // A sample has millimetres, and every value here is a whole number of them.
        assert_eq!(signal["value"].as_f64(), row.value.as_f64(), "{row:?}\n{signal}");
        let raw: Vec<&str> = signal["words"].as_array().unwrap().iter().map(|w| w.as_str().unwrap()).collect();
        assert_eq!(raw, registers[n], "{row:?}");
        assert_eq!(signal["request"]["function"], if row.table == "holding" { 3 } else { 4 }, "{row:?}");
        assert_eq!(signals[&(format!("m{n}"), "raising".to_owned())]["value"], true);
    }
    assert!(device.requests().iter().all(|(function, _)| (1..=4).contains(function)));
}

#[test]
fn the_right_order_stands_beside_a_wrong_one() {
    let rows: Vec<Row> = rows().into_iter().filter(|row| words(row.kind) > 1).collect();
    let mut all = rows.clone();
    all.push(Row::contacts("coil", 8, &[true]));
    let device = Device::start(&all);
    // All are read high word first, and three in four of them wrongly.
    let plain = |row: &Row| Row { word_order: "high-first", byte_order: "high-first", ..row.clone() };
    let signals = look(&site(device.port, &rows.iter().map(plain).collect::<Vec<_>>()));
    for (n, row) in rows.iter().enumerate() {
        let signal = &signals[&(format!("m{n}"), "trolley_m".to_owned())];
        let others = signal["other_orders"].as_array().unwrap();
        assert_eq!(others.len(), 3, "{signal}");
        if (row.word_order, row.byte_order) == ORDERS[0] {
            assert_eq!(signal["value"].as_f64(), row.value.as_f64());
            continue;
        }
        let right = others
            .iter()
            .find(|other| other["word_order"] == row.word_order && other["byte_order"] == row.byte_order)
            .unwrap();
        assert_eq!(right["value"].as_f64(), row.value.as_f64(), "{row:?}\n{signal}");
    }
}

/// What `mbpoll` reads at an address of the holding registers.
fn mbpoll(port: u16, address: u16, more: &[&str]) -> f64 {
    let mut command = Command::new("mbpoll");
    command.args(["-m", "tcp", "-p", &port.to_string(), "-a", "1", "-r", &address.to_string(), "-c", "1", "-1", "-0"]);
    let output = command.args(more).arg("127.0.0.1").output().expect("mbpoll; tests/run installs it");
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let value = text.lines().find_map(|line| line.strip_prefix(&format!("[{address}]:"))).expect(&text);
    // It shows a 16-bit value above 32,767 with its negative beside it.
    value.split_whitespace().next().unwrap().parse().expect(&text)
}

#[test]
fn another_reader_reads_the_same() {
    let rows: Vec<Row> = rows()
        .into_iter()
        .filter(|row| matches!(row.kind, "u16" | "i32" | "f32") && row.byte_order == "high-first")
        .map(|row| Row { table: "holding", ..row })
        .collect();
    let mut all = rows.clone();
    all.push(Row::contacts("coil", 8, &[true]));
    let device = Device::start(&all);
    let signals = look(&site(device.port, &rows));
    for (n, row) in rows.iter().enumerate() {
        let ours = signals[&(format!("m{n}"), "trolley_m".to_owned())]["value"].as_f64().unwrap();
        let big = if row.word_order == "high-first" { &["-B"][..] } else { &[] };
        let theirs = match row.kind {
            "u16" => mbpoll(device.port, row.address, &["-t", "4"]),
            "i32" => mbpoll(device.port, row.address, &[&["-t", "4:int"], big].concat()),
            _ => mbpoll(device.port, row.address, &[&["-t", "4:float"], big].concat()),
        };
        // It prints six digits of a float.
        assert!((ours - theirs).abs() <= 1e-5 * ours.abs(), "{row:?}: ours {ours}, theirs {theirs}");
    }
}
