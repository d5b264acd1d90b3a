//! A drive that is not ours plays a known plan of lifts over Modbus TCP; the daemon's ledger, the broker's subscriber,
//! the chat's receiver and a replay of the recording must all say what the plan says.

use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde_json::Value;
use tallyhook_tests::cabinet::{Cabinet, Running, wait_for};
use tallyhook_tests::modbus::FunctionProxy;
use tallyhook_tests::peers::{Broker, free_port, python_script, wait_for_port};
use tallyhook_tests::plan::Plan;
use tallyhook_tests::receiver::Receiver;

pub const RATED_KG: f64 = 12_500.0;

/// Unix time, seconds.
#[allow(clippy::disallowed_methods, reason = "the plan must begin at a known time of the real clock")]
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
[[crane.mechanism]]
id = "main-hoist"
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
[crane.mechanism.warn]
used_share = [0.2, 0.5]
{more}
"#
    )
}

pub fn status(cabinet: &Cabinet) -> Value {
    cabinet.run(&["status", "--data", "data", "--json"]).json()
}

#[test]
fn a_known_plan_on_a_real_wire() {
    let plan = Plan::of_lifts(RATED_KG, 52, 31);
    let cabinet = Cabinet::new();
    let (drive_port, page_port) = (free_port(), free_port());
    let proxy = FunctionProxy::before(drive_port);
    let broker = Broker::start();
    let receiver = Receiver::start();
    let more = format!(
        "[mqtt]\nhost = \"127.0.0.1\"\nport = {}\nclient_id = \"tallyhook-test\"\ntopic_root = \"tallyhook\"\n\
         [[webhook]]\nname = \"maintenance\"\nurl = \"{}\"\ntemplate = '{{\"text\": \"{{{{text}}}}\", \"level\": \"{{{{level}}}}\"}}'\n",
        broker.port, receiver.url
    );
    cabinet.write("site.toml", &configuration(proxy.port, page_port, &more));
    let subscriber = std::thread::spawn({
        let mut lines = broker.subscribe("tallyhook/#");
        let wanted = plan.lifts;
        move || {
            let mut lifts = Vec::new();
            lines.line(Duration::from_secs(900), |line| {
                let (topic, payload) = line.split_once(' ')?;
                if topic.ends_with("/lift") {
                    lifts.push(serde_json::from_str::<Value>(payload).unwrap());
                }
                (lifts.len() as u64 == wanted).then_some(())
            });
            lifts
        }
    });

    let start = unix_now() + 6.0;
    let _drive = drive(&cabinet, &plan, drive_port, start);
    let mut daemon = cabinet.start(&["run", "--config", "site.toml"]);
    wait_for_port("the page", page_port);
    assert!(unix_now() < start, "this machine was too slow to begin before the plan did");

    // People are told while the plan still runs, not at its end.
    wait_for("the first warning", Duration::from_secs(400), || (!receiver.bodies().is_empty()).then_some(()));
    let end = start + plan.seconds() + 2.0;
    wait_for("the end of the plan", Duration::from_secs(600), || (unix_now() > end).then_some(()));
    assert!(daemon.runs(), "{}", daemon.stderr());
    assert_eq!(daemon.interrupt(Duration::from_secs(20)).code(), Some(0));

    assert_eq!(proxy.functions(), [3], "holding registers were read, and nothing else was asked");

    // The ledger against the plan.
    let ledger = status(&cabinet);
    let hoist = &ledger["mechanisms"][0];
    assert_eq!(hoist["lifts"], plan.lifts);
    assert_eq!(hoist["starts"], plan.starts());
    assert_eq!(hoist["overload_lifts"], 1);
    let hours = hoist["running_hours"].as_f64().unwrap();
    let off_s = (hours * 3600.0 - plan.running_seconds()).abs();
    println!("running time off by {off_s:.2} s of {:.1} s in {} lifts", plan.running_seconds(), plan.lifts);
    assert!(off_s <= 0.1 * plan.lifts as f64, "running time is off by {off_s:.2} s");
    let km = hoist["load_spectrum_factor"].as_f64().unwrap();
    let off = km / plan.spectrum_factor() - 1.0;
    println!("km {km:.6}, plan {:.6}, off by {:.3} %", plan.spectrum_factor(), off * 100.0);
    assert!(off.abs() <= 0.005, "km {km} is off by {:.3} %", off * 100.0);
    let lifts = cabinet.run(&["lifts", "--data", "data", "--json"]).json();
    let mut loads: Vec<f64> = lifts.as_array().unwrap().iter().map(|l| l["load_kg"].as_f64().unwrap()).collect();
    loads.sort_by(f64::total_cmp);
    let mut planned = plan.loads_kg.clone();
    planned.sort_by(f64::total_cmp);
    for (load, planned) in loads.iter().zip(&planned) {
        assert!((load - planned).abs() <= 0.002 * RATED_KG, "a lift of {planned} kg was recorded as {load} kg");
    }

    // The recording, replayed, gives the stored numbers to the last digit.
    let csv = cabinet.run(&["export", "--data", "data", "--what", "samples", "--mechanism", "main-hoist"]).ok();
    cabinet.write("samples.csv", &csv);
    let replayed = cabinet.run(&["replay", "--config", "site.toml", "--samples", "samples.csv", "--json"]).json();
    assert_eq!(replayed, ledger);

    // The broker's subscriber got each lift once.
    let told = subscriber.join().unwrap();
    let mut ids: Vec<&str> = told.iter().map(|l| l["id"].as_str().unwrap()).collect();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len() as u64, plan.lifts, "each lift once");
    // A late subscriber gets the retained state.
    let state = broker.subscribe("tallyhook/yard-1/main-hoist/state").line(Duration::from_secs(10), |line| {
        line.split_once(' ').map(|(_, payload)| serde_json::from_str::<Value>(payload).unwrap())
    });
    assert_eq!(state["lifts"], plan.lifts);

    // The chat got one message a crossing, and one for the overload.
    let said = receiver.bodies();
    for level in ["0.2", "0.5"] {
        let count = said.iter().filter(|body| body.contains(&format!("\"level\": \"{level}\""))).count();
        assert_eq!(count, 1, "level {level}: {said:#?}");
    }
    assert_eq!(said.len(), 3, "{said:#?}");
}
