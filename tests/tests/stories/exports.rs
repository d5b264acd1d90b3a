//! The exports: read by DuckDB and pandas, they add up to what `status` says.

use std::process::Stdio;
use std::time::Duration;

use serde_json::Value;
use tallyhook_tests::cabinet::{Cabinet, binary};
use tallyhook_tests::peers::{on_a_terminal, python_script};
use tallyhook_tests::yard::{demo_store, status};

const ALL: [&str; 6] = ["lifts", "days", "spectrum", "findings", "ledger", "samples"];

/// On a terminal, of which not a byte is lost: util-linux's `script` loses all where the program has gone before it reads.
fn shows_how_far_it_has_come_to_people_only(cabinet: &Cabinet) {
    for work in
        ["export --data data --what lifts --out seen.csv", "verify --data data", "backup --data data --to copies"]
    {
        let seen = on_a_terminal(&binary())
            .args(work.split(' '))
            .current_dir(cabinet.path())
            .stdin(Stdio::null())
            .output()
            .expect("tests/run installs Python");
        assert!(seen.status.success(), "{work}: {seen:?}");
        let seen = String::from_utf8_lossy(&seen.stdout).into_owned();
        let counted = [("export", " rows, "), ("verify", " days, "), ("backup", " verifying the copy, ")];
        let (_, counted) = counted.into_iter().find(|(command, _)| work.starts_with(command)).unwrap();
        assert!(seen.contains(counted), "{work}: {seen:?}");
        assert!(seen.contains("\u{1b}["), "a line that is drawn over: {seen:?}");
        let words: Vec<&str> = work.split(' ').collect();
        let quiet = cabinet.run(&words);
        assert!(quiet.status.success() && quiet.stderr.is_empty(), "{work}: {quiet:?}");
    }
}

/// A day given to `export` is the day of the site, as for `lifts`: here of a site nine hours ahead of UTC, whose day
/// begins in the late shift of the day before.
fn a_day_is_the_day_of_the_site(cabinet: &Cabinet) {
    let run = |arguments: &[&str]| cabinet.run(&[arguments, &["--data", "data"]].concat());
    let column = |csv: &str, n: usize| -> Vec<String> {
        csv.lines().skip(1).map(|row| row.split(',').nth(n).unwrap().to_owned()).collect()
    };
    let all = run(&["export", "--what", "days"]).ok();
    let (days, lifts) = (column(&all, 1), column(&all, 7));
    let works = |n: &usize| lifts[n - 1] != "0" && lifts[*n] != "0";
    let at = (1..days.len() - 1).rev().find(works).expect("two days of work in a row");
    let (before, day, after) = (&days[at - 1], &days[at], &days[at + 1]);

    let copy = cabinet.path().join("data/configuration.toml");
    let text = std::fs::read_to_string(&copy).unwrap();
    assert!(text.contains("Europe/Dublin"));
    std::fs::write(&copy, text.replace("Europe/Dublin", "Asia/Tokyo")).unwrap();
    let stretch = ["--from", day, "--to", after];
    let listed: Value = run(&[&["lifts", "--json"], &stretch[..]].concat()).json();
    let begins: Vec<&str> = listed.as_array().unwrap().iter().rev().map(|l| l["begin"].as_str().unwrap()).collect();
    let (from, to) = (format!("{before}T15:00:00.000Z"), format!("{day}T15:00:00.000Z"));
    assert!(begins.iter().all(|begin| (from.as_str()..to.as_str()).contains(begin)), "{begins:?}");
    assert!(begins[0] < day.as_str(), "the late shift of the day before: {begins:?}");
    let exported = run(&[&["export", "--what", "lifts"], &stretch[..]].concat()).ok();
    assert_eq!(column(&exported, 1), begins);
    let exported = run(&[&["export", "--what", "days"], &stretch[..]].concat()).ok();
    assert_eq!(column(&exported, 1), [day.as_str()]);
    std::fs::write(&copy, text).unwrap();
}

#[test]
fn duckdb_and_pandas_get_the_totals_of_the_status() {
    let cabinet = Cabinet::new();
    demo_store(&cabinet);
    for what in ALL {
        for form in ["csv", "parquet"] {
            let out = format!("{what}.{form}");
            let answer =
                cabinet.run(&["export", "--data", "data", "--what", what, "--format", form, "--out", &out]).ok();
            assert_eq!(answer, "", "a file was asked for");
        }
        // The same to standard output.
        let said = cabinet.run(&["export", "--data", "data", "--what", what]).ok();
        assert_eq!(said, std::fs::read_to_string(cabinet.path().join(format!("{what}.csv"))).unwrap());
    }
    shows_how_far_it_has_come_to_people_only(&cabinet);
    let mut reader = python_script("read_exports.py", &[&cabinet.path().display().to_string()]);
    let found: Value = reader.line(Duration::from_secs(120), |line| serde_json::from_str(line).ok());

    let now = status(&cabinet);
    let hoist = &now["mechanisms"][0];
    let number = |value: &Value| value.as_f64().unwrap_or_else(|| panic!("{value} is no number"));
    let near = |one: &Value, other: f64| (number(one) - other).abs() <= 1e-9 * other.abs();
    for form in ["csv", "parquet"] {
        let by = &found["duckdb"][form];
        assert!(near(&by["lifts"][0], number(&hoist["lifts"])), "{form}: {}", by["lifts"]);
        assert!(near(&by["lifts"][1], number(&hoist["overload_lifts"])), "{form}: {}", by["lifts"]);
        let sums = ["running_hours", "starts", "lifts", "observed_hours", "gap_hours"];
        for (i, name) in sums.into_iter().enumerate() {
            assert!(near(&by["days"][i], number(&hoist[name])), "{form}, {name}: {} {}", by["days"][i], hoist[name]);
        }
        let bands = hoist["spectrum"].as_array().unwrap();
        assert_eq!(by["bands"].as_array().unwrap().len(), bands.len());
        for (read, band) in by["bands"].as_array().unwrap().iter().zip(bands) {
            assert!(near(&read[1], number(&band["running_hours"])), "{form}: {read} {band}");
            assert!(near(&read[2], number(&band["lifts"])), "{form}: {read} {band}");
        }
        // An overload is told each time; the alarm counts how often.
        let alarms: Value = cabinet.run(&["alarms", "--data", "data", "--all", "--json"]).json();
        assert!(number(&by["told"]["warning"]) >= alarms.as_array().unwrap().len() as f64, "{}", by["told"]);
        assert_eq!(by["told_without_words"], 0, "{form}: each says what it is about");
        assert!(number(&by["samples"][0]) > 0.0);
    }
    let (csv, parquet) = (&found["duckdb"]["csv"], &found["duckdb"]["parquet"]);
    assert_eq!(csv["told"], parquet["told"]);
    assert_eq!(csv["samples"][0], parquet["samples"][0], "samples, row by row");
    assert!(near(&csv["samples"][1], number(&parquet["samples"][1])));
    assert!((number(&csv["lifts"][3]) - number(&parquet["lifts"][3])).abs() < 0.001 * number(&hoist["lifts"]));

    let types = &found["types"];
    for (what, column, kind) in [
        ("lifts", "begin", "TIMESTAMP WITH TIME ZONE"),
        ("lifts", "load_kg", "DOUBLE"),
        ("lifts", "overload", "BOOLEAN"),
        ("lifts", "starts", "BIGINT"),
        ("days", "day", "DATE"),
        ("ledger", "body", "VARCHAR"),
        ("samples", "time", "TIMESTAMP WITH TIME ZONE"),
        ("samples", "raising", "BOOLEAN"),
    ] {
        assert_eq!(types[what][column], kind, "{what}.{column}");
    }

    let by = &found["pandas"];
    assert_eq!(by["lifts"], hoist["lifts"]);
    assert_eq!(by["lifts_of_days"], hoist["lifts"]);
    assert_eq!(by["overload_lifts"], hoist["overload_lifts"]);
    assert!(near(&by["running_hours"], number(&hoist["running_hours"])));
    assert!(near(&by["running_seconds"], number(&by["running_seconds_of_csv"])), "{by}");

    let verified: Value = cabinet.run(&["verify", "--data", "data", "--json"]).json();
    assert_eq!(found["chain"]["entries"], verified["mechanisms"][0]["entries"]);
    assert_eq!(found["chain"]["sound"], found["chain"]["entries"], "the chain, walked without this program");
    assert_eq!(found["chain"]["anchor"], verified["mechanisms"][0]["anchor"]);

    a_day_is_the_day_of_the_site(&cabinet);
    let refused = cabinet.run(&["export", "--data", "data", "--what", "lifts", "--format", "xlsx"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(refused.stderr.contains("--format csv or parquet"), "{}", refused.stderr);
}
