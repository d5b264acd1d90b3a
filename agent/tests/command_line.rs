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

#[test]
fn whatever_is_wrong_is_said_in_one_sentence_with_where_to_look() {
    for (line, sentence) in [
        ("verify --bogus", "unexpected argument '--bogus' found; `tallyhook verify --help` lists what it takes"),
        (
            "verify --dat x",
            "unexpected argument '--dat' found; a similar argument exists: '--data'; `tallyhook verify --help` lists what \
             it takes",
        ),
        (
            "replay",
            "the following required arguments were not provided: --config <FILE>, --samples <FILE>; `tallyhook replay \
             --help` lists what it takes",
        ),
        (
            "stat",
            "unrecognized subcommand 'stat'; some similar subcommands exist: 'simulate', 'status'; `tallyhook --help` \
             lists what it takes",
        ),
        (
            "completions foo",
            "invalid value 'foo' for '<SHELL>' [possible values: bash, elvish, fish, powershell, zsh]; `tallyhook \
             completions --help` lists what it takes",
        ),
        (
            "service list extra",
            "unexpected argument 'extra' found; `tallyhook service list --help` lists what it takes",
        ),
        (
            "lifts --limit -1",
            "invalid value '-1' for '--limit <N>': give a whole number, 0 or more; `tallyhook lifts --help` lists what it \
             takes",
        ),
        (
            "classify --mechanism M5 --spectrum-factor -0.1",
            "invalid value '-0.1' for '--spectrum-factor <FACTOR>': give a number, 0 or more; `tallyhook classify --help` \
             lists what it takes",
        ),
    ] {
        assert_eq!(refused(line), format!("tallyhook: {sentence}\n"), "{line}");
    }
    // A value with line ends in it brings none into the sentence.
    let output =
        Command::new(env!("CARGO_BIN_EXE_tallyhook")).args(["lifts", "--limit", "1\n2\nUsage: 3"]).output().unwrap();
    let text = String::from_utf8(output.stderr).unwrap();
    assert_eq!((output.status.code(), text.lines().count()), (Some(2), 1), "{text}");
    assert!(text.ends_with("`tallyhook lifts --help` lists what it takes\n"), "{text}");
}

#[test]
fn help_and_version_are_answers() {
    for line in ["--help", "-h", "--version", "verify --help", "help verify", "service list -h"] {
        let output = run(line);
        assert_eq!((output.status.code(), output.stderr.len()), (Some(0), 0), "{line}");
        let text = String::from_utf8(output.stdout).unwrap();
        assert!(text.contains("Usage: tallyhook") || text.starts_with("tallyhook 0."), "{line}: {text}");
    }
}

#[test]
fn init_names_the_option_that_is_wrong() {
    for (line, option) in [
        ("init --rated-load-kg 0", "--rated-load-kg: "),
        ("init --rated-load-kg -5", "--rated-load-kg: "),
        ("init --drive 10.0.0.5", "--drive: "),
    ] {
        let text = refused(line);
        assert!(text.starts_with(&format!("tallyhook: {option}")) && text.lines().count() == 1, "{line}: {text}");
        assert!(!text.contains("starter"), "{line}: {text}");
    }
}

#[test]
fn a_replay_without_a_load_says_what_that_means() {
    let dir = tempfile::tempdir().unwrap();
    let place = |name: &str| dir.path().join(name);
    std::fs::write(place("site.toml"), run("init").stdout).unwrap();
    for (header, told) in [("raising", true), ("raising,load_kg", false)] {
        std::fs::write(place("samples.csv"), format!("time,{header}\n")).unwrap();
        let output = Command::new(env!("CARGO_BIN_EXE_tallyhook"))
            .args(["replay", "--json", "--config"])
            .arg(place("site.toml"))
            .arg("--samples")
            .arg(place("samples.csv"))
            .output()
            .unwrap();
        let text = String::from_utf8(output.stderr).unwrap();
        assert!(output.status.success(), "{text}");
        assert_eq!(text.contains("neither `load_kg` nor `torque_pct`"), told, "{text}");
    }
}
