//! What is wrong with a command line is said in one sentence, whatever it is.

// The lint's own exception for tests does not reach a test file's helper functions.
#![allow(clippy::unwrap_used)]

use std::process::{Command, Output};

fn run(line: &str) -> Output {
    Command::new(env!("CARGO_BIN_EXE_tallyhook")).args(line.split_whitespace()).output().unwrap()
}

/// What it says on standard error, and nothing on standard output.
#[track_caller]
fn refused(line: &str) -> String {
    let output = run(line);
    assert_eq!(output.status.code(), Some(2), "{line}");
    assert!(output.stdout.is_empty(), "{line}");
    String::from_utf8(output.stderr).unwrap()
}

#[test]
fn a_negative_number_is_the_value_of_its_option() {
    let m5 = "classify --mechanism M5";
    for (line, words) in [
        (&*format!("{m5} --spectrum-factor 0.1 --running-hours -1"), "0 or more"),
        (&format!("{m5} --spectrum-factor -0.1"), "0 or more"),
        (&format!("{m5} --spectrum-factor -1e-3"), "0 or more"),
        (&format!("{m5} --loads -1:1,0.5:1"), "-1 is no load"),
        (&format!("{m5} --period -5:0.1"), "0 or more"),
        ("classify --damage -1:5", "what was used, 0 or more"),
        ("classify --crane A5 --cycles -7 --spectrum-factor 0.1", "0 or more"),
        ("init --rated-load-kg -5", "-5"),
        ("init --rated-load-kg -inf", "-inf"),
        (&format!("{m5} --spectrum-factor 0.1 --running-hours 5 --derate -1/2"), "0 or more"),
        ("report --year -1e9", "'-1e9'"),
        ("service overhaul --by me --design-full-load-hours -3", "above 0 and up to 1000000"),
        ("lifts --limit -1", "invalid value '-1'"),
        ("demo --speed -1", "0.1 to 2000"),
        ("cycles --samples x.csv --column x --classes -2", "-2 is not in 1..=32"),
        ("probe --from -1 127.0.0.1:1", "'-1'"),
    ] {
        let text = refused(line);
        assert!(text.contains(words) && !text.contains("unexpected argument"), "{line}: {text}");
    }
    // Where no option waits for it, it is one that is not known.
    assert!(refused("status -1").contains("unexpected argument '-1'"));
}
