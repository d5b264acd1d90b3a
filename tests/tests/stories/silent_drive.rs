//! A drive that is off is no alarm; one that has been silent for longer than `silent_after` is told once, and so is
//! that it answers again.

use std::time::Duration;

use tallyhook_tests::cabinet::{Cabinet, pause, wait_for};
use tallyhook_tests::modbus::{FunctionProxy, Libmodbus};
use tallyhook_tests::page::body;
use tallyhook_tests::peers::{free_port, wait_for_port};
use tallyhook_tests::receiver::Receiver;

use tallyhook_tests::yard::{configuration, status};

#[test]
fn a_silence_is_told_once_and_only_when_it_is_long() {
    let cabinet = Cabinet::new();
    let (drive_port, page_port) = (free_port(), free_port());
    let receiver = Receiver::start();
    let more = format!(
        "[[webhook]]\nname = \"maintenance\"\nurl = \"{}\"\ntemplate = '{{\"text\": \"{{{{text}}}}\"}}'\n",
        receiver.url
    );
    let proxy = FunctionProxy::before(drive_port);
    let text = configuration(proxy.port, page_port, &more);
    cabinet.write("site.toml", &text.replace("timeout = \"1s\"", "timeout = \"1s\"\nsilent_after = \"15s\""));
    let place = drive_port.to_string();
    let first = Libmodbus::start(&["tcp", &place, "1"]);
    let mut daemon = cabinet.start(&["run", "--config", "site.toml"]);
    wait_for_port("the page", page_port);
    pause(Duration::from_secs(2));

    // What the fitter sees: the words as the server has them (7 a + 1), and what they mean.
    let address = format!("127.0.0.1:{page_port}");
    let drives: serde_json::Value = serde_json::from_str(&body(&address, "/api/v1/drives")).unwrap();
    let signals = drives[0]["signals"].as_array().unwrap();
    let load = signals.iter().find(|s| s["signal"] == "load_kg").unwrap();
    assert_eq!((&load["raw"], &load["value"]), (&serde_json::json!([1, 8]), &serde_json::json!(6554.4)), "{drives}");
    let view = body(&address, "/mechanism/main-hoist/drive");
    assert!(view.contains("0001\u{a0}0008"), "{view}");

    // Off for a moment: nothing to tell.
    first.process.kill();
    pause(Duration::from_secs(3));
    let second = Libmodbus::start(&["tcp", &place, "1"]);
    pause(Duration::from_secs(4));
    assert_eq!(receiver.bodies(), Vec::<String>::new());

    // Off for longer than the limit.
    second.process.kill();
    wait_for("the finding", Duration::from_secs(40), || (!receiver.bodies().is_empty()).then_some(()));
    pause(Duration::from_secs(3));
    let said = receiver.bodies();
    assert_eq!(said.len(), 1, "{said:#?}");
    // The shell knows without asking the daemon.
    let drive = status(&cabinet)["drives"][0].clone();
    assert_eq!(drive["drive"], "panel");
    assert!(["unreachable", "silent", "broken"].contains(&drive["state"].as_str().unwrap()), "{drive}");
    let sheet = cabinet.run(&["status", "--data", "data"]).ok();
    assert!(sheet.contains("Drive panel"), "{sheet}");
    assert!(said[0].contains("the drive `panel` has not answered for 15 s"), "{said:#?}");

    let _third = Libmodbus::start(&["tcp", &place, "1"]);
    wait_for("its end", Duration::from_secs(20), || (receiver.bodies().len() > 1).then_some(()));
    let said = receiver.bodies();
    assert!(said[1].contains("the drive `panel` answers again. Nothing to do."), "{said:#?}");
    assert!(daemon.runs(), "{}", daemon.stderr());
    assert_eq!(daemon.interrupt(Duration::from_secs(20)).code(), Some(0));
    assert_eq!(proxy.functions(), [3]);
}
