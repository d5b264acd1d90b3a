//! Range counting from the shell.

// The lint's own exception for tests does not reach a test file's helper functions.
#![allow(clippy::unwrap_used)]

use std::process::{Command, Output};

fn run(text: &str, column: &str) -> Output {
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

#[test]
fn a_wrong_column_and_a_wrong_field_are_named() {
    for (text, column, words) in
        [("time,x\n0,1\n", "y", "it has time, x"), ("time,x\n0,1\n1,far\n", "x", "line 3"), ("x\nNaN\n", "x", "line 2")]
    {
        let output = run(text, column);
        assert_eq!(output.status.code(), Some(2));
        assert!(String::from_utf8_lossy(&output.stderr).contains(words));
        assert!(output.stdout.is_empty());
    }
}
