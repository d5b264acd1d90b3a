//! Stores that earlier versions left open, are brought up with a copy kept, and say what they said before.

#![allow(clippy::unwrap_used)]

use std::path::Path;
use std::process::Command;

use serde_json::Value;
use tallyhook::store::verify::verify;
use tallyhook::store::{FORMAT, Reader, Store};

fn status(data: &Path) -> Value {
    let out =
        Command::new(env!("CARGO_BIN_EXE_tallyhook")).args(["status", "--json", "--data"]).arg(data).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).unwrap()
}

/// Every value of `old` stands in `new`; `new` may hold more. The ends of intervals are left out: how sure a figure is
/// follows from the present reckoning of uncertainty, not from what is stored.
fn holds(new: &Value, old: &Value, place: &str) {
    match (new, old) {
        (Value::Object(new), Value::Object(old)) => {
            for (key, value) in old.iter().filter(|(key, _)| !key.ends_with("_low") && !key.ends_with("_high")) {
                holds(new.get(key).unwrap_or(&Value::Null), value, &format!("{place}.{key}"));
            }
        }
        (Value::Array(new), Value::Array(old)) => {
            assert_eq!(new.len(), old.len(), "{place}");
            new.iter().zip(old).enumerate().for_each(|(i, (n, o))| holds(n, o, &format!("{place}[{i}]")));
        }
        (Value::Number(new), Value::Number(old)) => {
            let (new, old) = (new.as_f64().unwrap(), old.as_f64().unwrap());
            assert!((new - old).abs() <= 1e-12 * old.abs(), "{place}: {new}, was {old}");
        }
        _ => assert_eq!(new, old, "{place}"),
    }
}

fn opens_with_a_copy_kept_and_the_same_figures(format: i64) {
    let fixture = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("tests/fixtures/format-{format}"));
    let dir = tempfile::tempdir().unwrap();
    for file in std::fs::read_dir(&fixture).unwrap().map(|file| file.unwrap()) {
        std::fs::copy(file.path(), dir.path().join(file.file_name())).unwrap();
    }
    std::fs::remove_file(dir.path().join("status.json")).unwrap();
    // A reader does not change what it reads, and says what to do.
    let refused = Reader::open(dir.path()).unwrap_err().to_string();
    assert!(refused.contains(&format!("format {format}")) && refused.contains("tallyhook run"), "{refused}");

    drop(Store::open(dir.path()).unwrap());
    let copy = dir.path().join(format!("ledger.format-{format}.sqlite3"));
    assert!(copy.is_file(), "the older ledger is kept");
    assert!(FORMAT > format);

    let old: Value = serde_json::from_slice(&std::fs::read(fixture.join("status.json")).unwrap()).unwrap();
    assert!(old["mechanisms"][0]["lifts"].as_u64() > Some(10), "the fixture must hold something");
    holds(&status(dir.path()), &old, "status");

    let proof = verify(&Reader::open(dir.path()).unwrap()).unwrap();
    assert!(proof.ok, "{:#?}", proof.faults);

    // Opened again nothing more happens, and the copy stays as it was.
    let kept = std::fs::read(&copy).unwrap();
    drop(Store::open(dir.path()).unwrap());
    assert_eq!(std::fs::read(&copy).unwrap(), kept);
}

#[test]
fn format_1_opens() {
    opens_with_a_copy_kept_and_the_same_figures(1);
}

#[test]
fn format_2_opens() {
    opens_with_a_copy_kept_and_the_same_figures(2);
}

#[test]
fn format_3_opens() {
    opens_with_a_copy_kept_and_the_same_figures(3);
}

#[test]
fn format_4_opens() {
    opens_with_a_copy_kept_and_the_same_figures(4);
}

#[test]
fn format_5_opens() {
    opens_with_a_copy_kept_and_the_same_figures(5);
}

#[test]
fn format_6_opens() {
    opens_with_a_copy_kept_and_the_same_figures(6);
}
