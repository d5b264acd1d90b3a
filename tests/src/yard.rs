//! The site of the stories: one crane whose drive is a pymodbus server that plays a plan.

use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde_json::Value;

use crate::cabinet::{Cabinet, Running, wait_for};
use crate::peers::{python_script, wait_for_port};
use crate::plan::Plan;

/// Rated load of the stories' hoist, kg.
pub const RATED_KG: f64 = 12_500.0;

/// Unix time, seconds.
pub fn unix_now() -> f64 {
    SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_secs_f64()
}

/// Starts pymodbus playing the plan from `start` on.
pub fn drive(cabinet: &Cabinet, plan: &Plan, port: u16, start: f64) -> Running {
    cabinet.write("plan.json", &plan.to_json());
    let file = cabinet.path().join("plan.json").display().to_string();
    let process = python_script("drive.py", &[&port.to_string(), &file, &start.to_string()]);
    wait_for_port("the drive", port);
    process
}

/// A hoist of the yard up to its warn levels; thresholds are short because the plan's lifts are.
pub fn hoist(id: &str) -> String {
    format!(
        r#"
[[crane.mechanism]]
id = "{id}"
kind = "hoist"
group = "M5"
rated_load_kg = {RATED_KG}
design_full_load_hours = 0.012
drive = "panel"
stale_after = "2s"
[crane.mechanism.signals]
load_kg = {{ table = "holding", address = 0, type = "i32", word_order = "high-first", scale = 0.1, unit = "kg" }}
raising = {{ table = "holding", address = 2, type = "bit", bit = 0 }}
lowering = {{ table = "holding", address = 2, type = "bit", bit = 1 }}
[crane.mechanism.lift]
confirm_load = "200ms"
confirm_empty = "600ms"
settle = "400ms"
[crane.mechanism.warn]"#
    )
}

/// A configuration for that drive; thresholds are short because the plan's lifts are.
pub fn configuration(drive_port: u16, page_port: u16, more: &str) -> String {
    format!(
        r#"
[site]
name = "Eastfield precast yard"
time_zone = "UTC"
[store]
directory = "data"
samples = {{ days = 2, megabytes = 50 }}
[page]
listen = "127.0.0.1:{page_port}"
[drive.panel]
address = "127.0.0.1:{drive_port}"
unit = 1
poll = "100ms"
timeout = "1s"
[[crane]]
id = "yard-1"
name = "Yard 1"
group = "A5"
{}
used_share = [0.2, 0.5]
{more}
"#,
        hoist("main-hoist")
    )
}

/// The figures of the cabinet's store. A daemon that has just begun listens before its store is there: that is waited for.
pub fn status(cabinet: &Cabinet) -> Value {
    wait_for("a store", Duration::from_secs(30), || {
        let answer = cabinet.run(&["status", "--data", "data", "--json"]);
        let too_early = ["there is no store", "cut off while it was being made"];
        let waits = !answer.status.success() && too_early.iter().any(|why| answer.stderr.contains(why));
        (!waits).then(|| answer.json())
    })
}

/// Fills the cabinet's store with the demo's fourteen months and the first of its raw samples, and ends the demo.
pub fn demo_store(cabinet: &Cabinet) {
    let mut demo = cabinet.start(&["demo", "--data", "data", "--listen", "127.0.0.1:0"]);
    // The page's address is printed when the past is in the store.
    demo.line(Duration::from_secs(240), |line| line.contains("http://").then_some(()));
    let samples = cabinet.path().join("data/samples/main-hoist");
    wait_for("raw samples", Duration::from_secs(120), || samples.read_dir().ok()?.next().map(drop));
    assert_eq!(demo.interrupt(Duration::from_secs(30)).code(), Some(0));
}
