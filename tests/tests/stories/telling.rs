//! People and the time-series server are told by the built binary: a real Matrix server and a real VictoriaMetrics,
//! a daemon that is killed between a message and its answer, and a test message by hand.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use serde_json::Value;
use tallyhook_tests::cabinet::{Cabinet, SECRET, wait_for};
use tallyhook_tests::modbus::FunctionProxy;
use tallyhook_tests::peers::{Broker, free_port, python, wait_for_port};
use tallyhook_tests::plan::Plan;
use tallyhook_tests::receiver::Receiver;
use tallyhook_tests::series::{ChatServer, TimeSeries, Wire};

use tallyhook_tests::yard::{RATED_KG, configuration, drive, unix_now};

/// Levels of starts in an hour: as many warnings before the first lift.
const BURST: usize = 12;

/// What a message to people says happened, event by event: one, or those that a group lists.
fn events(text: &str) -> Vec<String> {
    let listed: Vec<String> =
        text.lines().filter_map(|line| line.strip_prefix("- Crane ")).map(|rest| format!("crane {rest}")).collect();
    if !listed.is_empty() {
        return listed;
    }
    let one = text.strip_prefix("Eastfield precast yard: ").expect(text);
    vec![one.split_once(" Look at ").expect(text).0.to_owned()]
}

/// Puts a store back by a week, as the chat knows it.
fn as_if_the_week_were_new(cabinet: &Cabinet) {
    let change = "import sqlite3, sys; c = sqlite3.connect(sys.argv[1]); \
                  n = c.execute(\"UPDATE destination SET seq = seq - 604800 WHERE name = 'matrix/digest'\").rowcount; \
                  c.commit(); sys.exit(n != 1)";
    let ledger = cabinet.path().join("data/ledger.sqlite3");
    let done = std::process::Command::new(python()).args(["-c", change]).arg(ledger).status().unwrap();
    assert!(done.success(), "the store knows no week of the chat's");
}

#[test]
fn each_warning_is_in_the_room_once_though_the_daemon_dies_before_the_answer() {
    let mut plan = Plan::new(RATED_KG);
    plan.rest(1.0);
    // Each start crosses a level, faster than a chat that does not answer is told.
    for _ in 0..BURST {
        plan.run(0.35);
        plan.rest(0.35);
    }
    // Here the daemon dies.
    plan.rest(4.0);
    for i in 0..8 {
        // The first, the fourth and the seventh are over the rated load.
        plan.lift(if i % 3 == 0 { 1.05 } else { 0.5 } * RATED_KG + 10.0 * f64::from(i), 1, 1.0);
    }
    plan.rest(2.0);
    let cabinet = Cabinet::new();
    let (drive_port, page_port) = (free_port(), free_port());
    let proxy = FunctionProxy::before(drive_port);
    let (chat, series, receiver) = (ChatServer::start(), TimeSeries::start(), Receiver::start());
    let wire = Wire::that_loses_answers(chat.port);
    cabinet.write("password", &format!("{SECRET}\n"));
    let levels: Vec<String> = (1..=BURST).map(|level| level.to_string()).collect();
    let levels = levels.join(", ");
    let more = format!(
        "starts_per_hour = [{levels}]\n[alarms]\ndigest_day = \"monday\"\n\
         [matrix]\nurl = \"http://127.0.0.1:{}\"\nuser = \"crane\"\npassword_file = \"password\"\nroom = \"{}\"\n\
         [influx]\nurl = \"http://127.0.0.1:{}\"\norg = \"plant\"\nbucket = \"cranes\"\nhealth_every = \"1s\"\n\
         [[webhook]]\nname = \"list\"\nurl = \"{}\"\ntemplate = '{{\"id\": \"{{{{id}}}}\", \"text\": \"{{{{text}}}}\"}}'\n",
        wire.port, chat.room, series.port, receiver.url
    );
    cabinet.write("site.toml", &configuration(proxy.port, page_port, &more));
    let start = unix_now() + 6.0;
    let _drive = drive(&cabinet, &plan, drive_port, start);
    let daemon = cabinet.start(&["run", "--config", "site.toml"]);
    wait_for_port("the page", page_port);
    wait_for("a message whose answer is lost", Duration::from_secs(60), || wire.has_lost().then_some(()));
    // The server answers a moment before readers of the room can see the message.
    wait_for("the message in the room, of which the daemon does not know", Duration::from_secs(10), || {
        (chat.said().len() == 1).then_some(())
    });
    wait_for("the burst, which waits for the room", Duration::from_secs(60), || {
        (receiver.bodies().len() >= BURST).then_some(())
    });
    assert_eq!(chat.said().len(), 1, "the same message each time");
    daemon.kill();
    wire.mend();
    as_if_the_week_were_new(&cabinet);
    let daemon = cabinet.start(&["run", "--config", "site.toml"]);
    wait_for("the plan's end", Duration::from_secs(120), || (unix_now() > start + plan.seconds() + 2.0).then_some(()));

    // What was to be told, by its ids: the webhook may have it twice after the kill.
    let warnings = || -> BTreeMap<String, String> {
        let bodies = receiver.bodies();
        let parsed = bodies.iter().map(|body| serde_json::from_str::<Value>(body).unwrap());
        parsed.map(|b| (b["id"].as_str().unwrap().to_owned(), b["text"].as_str().unwrap().to_owned())).collect()
    };
    let in_the_room = || -> (Vec<String>, Vec<String>) {
        let texts = chat.said().into_iter().map(|c| c["body"].as_str().unwrap().to_owned());
        texts.partition(|text: &String| text.contains(": the week from "))
    };
    let told = || -> Vec<String> { in_the_room().1.iter().flat_map(|text| events(text)).collect() };
    let wanted: BTreeSet<String> = warnings().values().flat_map(|text| events(text)).collect();
    wait_for("the last message in the room", Duration::from_secs(30), || (told().len() >= wanted.len()).then_some(()));
    let mut said = told();
    said.sort();
    assert!(wanted.len() > 3 + BURST, "three overloads, the burst and a level at least: {wanted:#?}");
    assert_eq!(said, Vec::from_iter(wanted), "each warning once");
    let (weeks, texts) = in_the_room();
    let groups: Vec<&String> = texts.iter().filter(|text| text.contains("messages that came together")).collect();
    assert!(groups.len() == 1 && events(groups[0]).len() >= BURST - 1, "the burst in one message: {texts:#?}");
    assert!(
        weeks.len() == 1 && weeks[0].contains("main-hoist: ") && weeks[0].contains("Open warnings, "),
        "{weeks:#?}"
    );
    assert!(chat.said()[0]["formatted_body"].as_str().unwrap().starts_with("<strong>Eastfield precast yard: crane "));

    // The series against the store.
    let lifts = cabinet.run(&["lifts", "--data", "data", "--json"]).json();
    let lifts = lifts.as_array().unwrap();
    assert_eq!(lifts.len() as u64, plan.lifts);
    let loads = wait_for("the last lift in the series", Duration::from_secs(30), || {
        Some(series.all_of("crane_lift_load_kg")).filter(|found| found.len() == lifts.len())
    });
    let sum = |field: &str| -> f64 { lifts.iter().map(|l| l[field].as_f64().unwrap()).sum() };
    let near = |one: f64, other: f64| (one - other).abs() < 1e-6 * other.abs();
    assert!(near(loads.values().sum(), sum("load_kg")), "{loads:?}");
    let seconds: f64 = series.all_of("crane_lift_running_seconds").values().sum();
    assert!(near(seconds, sum("running_seconds")), "{seconds}");
    let overloads = wait_for("the warnings in the series", Duration::from_secs(30), || {
        let found = series.all_of("crane_warning_load_kg");
        (found.len() == 3).then_some(found)
    });
    let over: BTreeSet<i64> = loads.iter().filter(|(_, kg)| **kg > RATED_KG).map(|(at, _)| *at).collect();
    assert_eq!(overloads.keys().copied().collect::<BTreeSet<_>>(), over, "a warning at the end of each overload");
    assert!(!series.all_of("crane_recorder_uptime_seconds").is_empty());
    assert!(!series.all_of("crane_use_consumed").is_empty());

    // A test message by hand, beside the running daemon, which goes on undisturbed.
    let before = chat.said().len();
    let answer = cabinet.run(&["notify", "--test", "--config", "site.toml"]);
    assert_eq!(answer.status.code(), Some(0), "{answer:?}");
    for line in ["matrix: told;", "influx: told;", "webhook:list: told;"] {
        assert!(answer.stdout.contains(line), "{line} is missing in {}", answer.stdout);
    }
    let said = chat.said();
    assert_eq!(said.len(), before + 1);
    assert!(said[before]["body"].as_str().unwrap().contains("a test message"), "{said:?}");
    assert_eq!(daemon.interrupt(Duration::from_secs(20)).code(), Some(0));
}

#[test]
fn a_destination_that_cannot_be_told_is_named_with_its_mend() {
    let (cabinet, broker, receiver) = (Cabinet::new(), Broker::start(), Receiver::start());
    let dead = free_port();
    let more = format!(
        "[mqtt]\nhost = \"127.0.0.1\"\nport = {}\n[[webhook]]\nname = \"list\"\nurl = \"{}\"\n\
         [influx]\nurl = \"http://127.0.0.1:{dead}\"\norg = \"plant\"\nbucket = \"cranes\"\n\
         [matrix]\nurl = \"http://127.0.0.1:{dead}\"\nuser = \"crane\"\npassword_file = \"missing\"\nroom = \"!a:b\"\n",
        broker.port, receiver.url
    );
    cabinet.write("site.toml", &configuration(free_port(), free_port(), &more));
    let mut subscriber = broker.subscribe("tallyhook/test");
    // The subscriber does not say when it is in place.
    let subscribed = unix_now();
    wait_for("the subscription", Duration::from_secs(5), || (unix_now() > subscribed + 0.5).then_some(()));
    let answer = cabinet.run(&["notify", "--test", "--config", "site.toml"]);
    assert_eq!(answer.status.code(), Some(3), "{answer:?}");
    assert!(answer.stdout.contains("mqtt: told;") && answer.stdout.contains("webhook:list: told;"), "{answer:?}");
    assert!(answer.stdout.contains("influx: NOT told: no connection"), "{answer:?}");
    assert!(answer.stdout.contains("check that the server runs"), "{answer:?}");
    assert!(answer.stdout.contains("matrix: NOT told: the file missing cannot be used"), "{answer:?}");
    assert!(answer.stdout.contains("check `password_file` in [matrix]"), "{answer:?}");
    assert!(answer.stderr.contains("2 of 4 destinations"), "{answer:?}");
    let told = subscriber.line(Duration::from_secs(10), |line| Some(line.to_owned()));
    assert!(told.contains("\"finding\":\"test\""), "{told}");
    assert!(receiver.bodies()[0].contains("a test message"), "{:?}", receiver.bodies());

    let nobody = cabinet.run(&["notify", "--test", "--config", "none.toml"]);
    assert_eq!(nobody.status.code(), Some(2));
    assert_eq!(cabinet.run(&["notify", "--config", "site.toml"]).status.code(), Some(2), "without --test");
    cabinet.write("site.toml", &configuration(free_port(), free_port(), ""));
    let nobody = cabinet.run(&["notify", "--test", "--config", "site.toml"]);
    assert_eq!(nobody.status.code(), Some(2));
    assert!(nobody.stderr.contains("nobody is configured"), "{nobody:?}");
}
