//! A changed configuration is taken while the crane works: no lift is lost, no gap appears; a bad one changes nothing.

use std::time::Duration;

use tallyhook_tests::cabinet::{Cabinet, wait_for};
use tallyhook_tests::manager::Manager;
use tallyhook_tests::modbus::FunctionProxy;
use tallyhook_tests::peers::{Broker, free_port, wait_for_port};
use tallyhook_tests::plan::Plan;
use tallyhook_tests::receiver::Receiver;

use tallyhook_tests::yard::{RATED_KG, configuration, drive, status, unix_now};

#[test]
fn a_new_configuration_is_taken_in_the_middle_of_a_lift_and_a_bad_one_is_refused() {
    let mut plan = Plan::new(RATED_KG);
    plan.rest(1.0);
    for i in 0..8 {
        plan.lift(4_000.0 + 500.0 * f64::from(i), 1, 1.0);
    }
    plan.rest(2.0);
    let cabinet = Cabinet::new();
    let (drive_port, page_port) = (free_port(), free_port());
    let proxy = FunctionProxy::before(drive_port);
    let broker = Broker::start();
    let receiver = Receiver::start();
    // A broker, so that the taking has somebody to say good-bye to.
    let more = format!(
        "[mqtt]\nhost = \"127.0.0.1\"\nport = {}\nclient_id = \"tallyhook-reload\"\ntopic_root = \"tallyhook\"\n\
         [[webhook]]\nname = \"maintenance\"\nurl = \"{}\"\ntemplate = '{{\"text\": \"{{{{text}}}}\"}}'\n",
        broker.port, receiver.url
    );
    let first = configuration(proxy.port, page_port, &more);
    cabinet.write("site.toml", &first);
    let start = unix_now() + 6.0;
    let _server = drive(&cabinet, &plan, drive_port, start);
    let manager = Manager::start();
    let mut daemon =
        cabinet.start_with(&[("NOTIFY_SOCKET", manager.socket.as_os_str())], &["run", "--config", "site.toml"]);
    wait_for_port("the page", page_port);
    let until = |seconds: f64| {
        wait_for("the plan's time", Duration::from_secs(300), || (unix_now() >= start + seconds).then_some(()));
    };
    let copy = cabinet.path().join("data/configuration.toml");
    let kept = || std::fs::read_to_string(&copy).unwrap();

    // Four times a good one, at different places of the lifts of 4.6 s.
    for (n, at) in [2.5, 8.0, 13.6, 19.3].into_iter().enumerate() {
        until(at);
        let name = format!("Eastfield precast yard {n}");
        cabinet.write("site.toml", &first.replace("Eastfield precast yard", &name));
        daemon.signal("HUP");
        wait_for("the new copy", Duration::from_secs(10), || kept().contains(&name).then_some(()));
    }
    // A bad one: it does not even name a group that there is.
    until(24.0);
    let good = kept();
    cabinet.write("site.toml", &first.replace("\"M5\"", "\"M55\""));
    daemon.signal("HUP");
    wait_for("the finding", Duration::from_secs(20), || {
        receiver.bodies().iter().any(|said| said.contains("a new configuration was refused")).then_some(())
    });
    assert_eq!(kept(), good, "the old one stays in force");
    assert!(daemon.stderr().contains("is refused, the old one stays in force"), "{}", daemon.stderr());
    // Put right again.
    cabinet.write("site.toml", &first);
    daemon.signal("HUP");
    wait_for("the end of the finding", Duration::from_secs(20), || {
        receiver.bodies().iter().any(|said| said.contains("a new configuration has been taken. Nothing")).then_some(())
    });
    until(plan.seconds() + 2.0);
    assert!(daemon.runs(), "{}", daemon.stderr());
    assert!(manager.was_told("STATUS=takes a new configuration"));
    let log = daemon.stderr();
    assert_eq!(daemon.interrupt(Duration::from_secs(20)).code(), Some(0));

    let without: Vec<u64> = log
        .lines()
        .filter_map(|line| {
            line.split_once("configuration; ")?.1.strip_suffix(" ms lay without a reading")?.parse().ok()
        })
        .collect();
    println!("without a reading, ms: {without:?}");
    assert_eq!(without.len(), 5, "{log}");
    assert!(without.iter().all(|ms| *ms < 2_000), "under `stale_after`, so that no gap appears: {without:?}");
    let ledger = status(&cabinet);
    let hoist = &ledger["mechanisms"][0];
    assert_eq!(hoist["lifts"], plan.lifts, "no lift doubled, none missing");
    assert_eq!(hoist["starts"], plan.starts());
    let running_s = hoist["running_hours"].as_f64().unwrap() * 3600.0;
    let gap_s = hoist["gap_hours"].as_f64().unwrap() * 3600.0;
    println!("running {running_s:.2} s of {:.2} s in the plan, gap {gap_s:.2} s", plan.running_seconds());
    assert!((running_s - plan.running_seconds()).abs() < 1.0, "running {running_s} s");
    // The daemon's own start is a gap of its own; a change of the configuration adds none.
    assert!(gap_s < 0.5, "gap {gap_s} s");
}
