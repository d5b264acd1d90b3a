//! A drive that is not ours plays a known plan of lifts over Modbus TCP; the daemon's ledger, the broker's subscriber,
//! the chat's receiver and a replay of the recording must all say what the plan says.
//!
//! Apart from the other stories, because it measures: a machine that is kept busy answers late.

use std::time::Duration;

use serde_json::Value;
use tallyhook_tests::cabinet::{Cabinet, wait_for};
use tallyhook_tests::modbus::FunctionProxy;
use tallyhook_tests::peers::{Broker, free_port, wait_for_port};
use tallyhook_tests::plan::Plan;
use tallyhook_tests::receiver::Receiver;
use tallyhook_tests::yard::{RATED_KG, configuration, drive, status, unix_now};

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
    // A replay asks no drive; all else is the same.
    let mut stored = ledger.clone();
    assert_eq!(stored["drives"][0]["state"], "online", "{}", stored["drives"]);
    stored["drives"] = Value::Array(Vec::new());
    assert_eq!(replayed, stored);

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
