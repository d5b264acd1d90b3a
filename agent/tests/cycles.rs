//! Range counting from the shell.

// The lint's own exception for tests does not reach a test file's helper functions.
#![allow(clippy::unwrap_used)]

use std::process::{Command, Output};

fn run(text: impl AsRef<[u8]>, column: &str) -> Output {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("samples.csv");
    std::fs::write(&file, text).unwrap();
    Command::new(env!("CARGO_BIN_EXE_tallyhook"))
        .args(["cycles", "--json", "--column", column, "--samples"])
        .arg(&file)
        .output()
        .unwrap()
}

#[test]
fn e8_the_example_of_astm_e1049_figure_6() {
    let output = run("time,x\n0,-2\n1,1\n2,-3\n3,\n4,5\n5,-1\n6,3\n7,-4\n8,4\n9,-2\n", "x");
    assert!(output.status.success());
    let answer: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let of = |field: &str| -> Vec<f64> {
        answer["cycles"].as_array().unwrap().iter().map(|row| row[field].as_f64().unwrap()).collect()
    };
    assert_eq!(of("range"), [3.0, 4.0, 4.0, 6.0, 8.0, 8.0, 9.0]);
    assert_eq!(of("mean"), [-0.5, -1.0, 1.0, 1.0, 0.0, 1.0, 0.5]);
    assert_eq!(of("count"), [0.5, 0.5, 1.0, 0.5, 0.5, 0.5, 0.5]);
}

/// The series of ASTM E1049-85 figure 6.
const FIGURE_6: &str = "time,x\n0,-2\n1,1\n2,-3\n3,5\n4,-1\n5,3\n6,-4\n7,4\n8,-2\n";

#[test]
fn damage_stress_history_and_matrix_stand_beside_the_cycles() {
    let output = run(FIGURE_6, "x");
    let answer: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    // By hand from the standard's totals by range, 3: 0.5, 4: 1.5, 6: 0.5, 8: 1.0, 9: 0.5: 13.5 + 96 + 108 + 512 + 364.5, and
    // 121.5 + 1536 + 3888 + 32768 + 29524.5.
    assert_eq!(answer["damage"]["m3"], 1_094.0);
    assert_eq!(answer["damage"]["m5"], 67_838.0);
    // EN 13001: s3 = sum of n (range / largest)^3 over two million cycles, here 1094 / 729 / 2e6: far below S02's limit.
    let s3 = answer["stress_history"]["s3"].as_f64().unwrap();
    assert!((s3 - 1_094.0 / 729.0 / 2e6).abs() < 1e-18, "{s3}");
    assert_eq!(answer["stress_history"]["class"], "S02");
    assert_eq!(answer["stress_history"]["caution"], "check against the standard");
    let cells = answer["matrix"]["cycles"].as_array().unwrap();
    let all: f64 = cells.iter().flat_map(|row| row.as_array().unwrap()).map(|c| c.as_f64().unwrap()).sum();
    assert_eq!((cells.len(), all), (8, 4.0));
    assert_eq!(answer["matrix"]["range_edges"][8], 9.0);
}

#[test]
fn the_text_has_the_table_the_matrix_and_the_caution() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("samples.csv");
    std::fs::write(&file, FIGURE_6).unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_tallyhook"))
        .args(["cycles", "--column", "x", "--classes", "3", "--samples"])
        .arg(&file)
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    for words in
        ["ASTM E1049-85", "range \\ mean", "power 3: 1094", "class S02", "EN 13001-3-1; check against the standard"]
    {
        assert!(text.contains(words), "{words} is missing in\n{text}");
    }
    // Three classes of 3: up to 3 half a cycle, up to 6 two, up to 9 one and a half.
    let row = |edge: &str| -> f64 {
        let line = text.lines().find(|l| l.trim_start().starts_with(&format!("{edge} |"))).unwrap();
        line.split_whitespace().skip(2).filter_map(|cell| cell.parse::<f64>().ok()).sum()
    };
    assert_eq!((row("3"), row("6"), row("9")), (0.5, 2.0, 1.5), "{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
}

#[test]
fn a_wrong_column_and_a_wrong_field_are_named() {
    let wide: Vec<u8> = "\u{feff}time,x\n0,1\n".encode_utf16().flat_map(u16::to_le_bytes).collect();
    for (text, column, words) in [
        (&b""[..], "x", "samples.csv is empty; begin it with a header row"),
        (b"time,x\n0,1\n", "y", "samples.csv:1: there is no column `y`; it has time, x"),
        (b"time,x\n0,1\n1,far\n", "x", "samples.csv:3: `far` in `x` is no number"),
        (b"x\nNaN\n", "x", "samples.csv:2: `NaN` in `x` is no number"),
        (b"time,x\n0,1\n1,2,3\n", "x", "samples.csv:3: the row has 3 fields, the header 2; leave a field empty"),
        (b"time,x\n0,1\n1\n", "x", "samples.csv:3: the row has 1 fields"),
        (b"time,x\n0,1\n1,\xff\n", "x", "samples.csv:3: `\u{fffd}` in `x` is no number; mend it"),
        (b"time,\xfcber\n0,1\n", "x", "samples.csv:1: the header is no UTF-8 text; save the file as UTF-8"),
        (&wide, "x", "samples.csv:1: the header is no UTF-8 text; save the file as UTF-8"),
        (b"time;x\n0;1\n", "x", "separate the columns with commas"),
        (b"time,x\n0,1e308\n1,-1e308\n2,1e308\n", "x", "samples.csv:2: `1e308` in `x` is beyond 1e60"),
        (b"time,x\n0,1\n1,-inf\n", "x", "samples.csv:3: `-inf` in `x` is beyond 1e60"),
    ] {
        let output = run(text, column);
        let text = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2));
        assert!(text.contains(words) && text.lines().count() == 1, "{text}");
        assert!(output.stdout.is_empty());
    }
    let output = Command::new(env!("CARGO_BIN_EXE_tallyhook"))
        .args(["cycles", "--column", "x", "--samples", env!("CARGO_MANIFEST_DIR")])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8(output.stderr).unwrap().ends_with("is a directory; give a CSV file to --samples\n"));
}

#[test]
fn the_largest_number_still_gives_numbers() {
    let output = run("x\n1e60\n-1e60\n1e60\n", "x");
    let answer: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(answer["cycles"][0]["range"], 2e60);
    assert!(answer["damage"]["m5"].is_f64() && answer["stress_history"]["s3"].is_f64(), "{answer}");
}
