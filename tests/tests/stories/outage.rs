//! The drive's server is pulled for 30 s and comes back; the daemon is killed and started again.

use std::time::Duration;

use tallyhook_tests::cabinet::{Cabinet, wait_for};
use tallyhook_tests::modbus::FunctionProxy;
use tallyhook_tests::peers::{free_port, wait_for_port};
use tallyhook_tests::plan::Plan;

use tallyhook_tests::yard::{RATED_KG, configuration, drive, status, unix_now};

/// Three lifts, a load that hangs through 40 s in which the server is away for 30, then three more.
#[test]
fn a_server_away_for_30_seconds_leaves_a_gap_and_nothing_else() {
    let mut plan = Plan::new(RATED_KG);
    plan.rest(2.0);
    for i in 0..3 {
        plan.lift(4_000.0 + 1_000.0 * f64::from(i), 1, 1.0);
    }
    // The hoist runs up with a load when the server goes away, and is still up there when it is back.
    plan.lift(6_000.0, 1, 45.0);
    for i in 0..3 {
        plan.lift(5_000.0 + 1_000.0 * f64::from(i), 2, 1.0);
    }
    plan.rest(2.0);
    let away_from = 2.0 + 3.0 * 4.6 + 8.0;

    let cabinet = Cabinet::new();
    let (drive_port, page_port) = (free_port(), free_port());
    let proxy = FunctionProxy::before(drive_port);
    cabinet.write("site.toml", &configuration(proxy.port, page_port, ""));
    let start = unix_now() + 6.0;
    let until = |seconds: f64| {
        wait_for("the plan's time", Duration::from_secs(300), || (unix_now() >= start + seconds).then_some(()));
    };
    let server = drive(&cabinet, &plan, drive_port, start);
    let mut daemon = cabinet.start(&["run", "--config", "site.toml"]);
    wait_for_port("the page", page_port);
    until(away_from);
    server.kill();
    until(away_from + 30.0);
    let _server = drive(&cabinet, &plan, drive_port, start);
    until(plan.seconds() + 2.0);
    assert!(daemon.runs(), "{}", daemon.stderr());
    assert_eq!(daemon.interrupt(Duration::from_secs(20)).code(), Some(0));

    let ledger = status(&cabinet);
    let hoist = &ledger["mechanisms"][0];
    assert_eq!(hoist["lifts"], plan.lifts, "no lift doubled, none missing");
    assert_eq!(hoist["starts"], plan.starts());
    let gap_s = hoist["gap_hours"].as_f64().unwrap() * 3600.0;
    let running_s = hoist["running_hours"].as_f64().unwrap() * 3600.0;
    println!("gap {gap_s:.1} s; running {running_s:.1} s of {:.1} s in the plan", plan.running_seconds());
    // Back-off and the server's start add some seconds to the 30.
    assert!((29.0..45.0).contains(&gap_s), "gap {gap_s} s");
    // The hoist ran all through the gap; not a second of that is counted, and none is missing outside it.
    assert!((running_s + gap_s - plan.running_seconds()).abs() < 2.5, "running {running_s} s, gap {gap_s} s");
}

#[test]
fn a_power_cut_loses_no_lift_that_was_stored_and_doubles_none() {
    let mut plan = Plan::new(RATED_KG);
    plan.rest(1.0);
    for i in 0..8 {
        plan.lift(4_000.0 + 500.0 * f64::from(i), 1, 1.0);
    }
    plan.rest(2.0);
    let cabinet = Cabinet::new();
    let (drive_port, page_port) = (free_port(), free_port());
    let proxy = FunctionProxy::before(drive_port);
    cabinet.write("site.toml", &configuration(proxy.port, page_port, ""));
    let start = unix_now() + 6.0;
    let _server = drive(&cabinet, &plan, drive_port, start);
    let lifts_of = |cabinet: &Cabinet| status(cabinet)["mechanisms"][0]["lifts"].as_u64().unwrap();
    let mut daemon = cabinet.start(&["run", "--config", "site.toml"]);
    wait_for_port("the page", page_port);
    for stored in [2, 4, 6] {
        wait_for("the next lift in the store", Duration::from_secs(60), || {
            (lifts_of(&cabinet) >= stored).then_some(())
        });
        daemon.kill();
        assert!(lifts_of(&cabinet) >= stored, "what was stored is still there");
        daemon = cabinet.start(&["run", "--config", "site.toml"]);
    }
    wait_for("the plan's end", Duration::from_secs(120), || (unix_now() > start + plan.seconds() + 2.0).then_some(()));
    assert_eq!(daemon.interrupt(Duration::from_secs(20)).code(), Some(0));
    let lifts = cabinet.run(&["lifts", "--data", "data", "--json"]).json();
    let begins: Vec<String> =
        lifts.as_array().unwrap().iter().map(|l| l["begin"].as_str().unwrap().to_owned()).collect();
    let mut once = begins.clone();
    once.sort();
    once.dedup();
    assert_eq!(begins.len(), once.len(), "no lift stands twice: {begins:?}");
    // A lift whose take-up fell into one of the three restarts may begin late; it is still one lift.
    assert_eq!(begins.len() as u64, plan.lifts, "{begins:?}");
}
