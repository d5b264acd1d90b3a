//! Sparkplug B against a real Mosquitto and a host that is not ours: pysparkplug decodes what goes out and encodes what
//! comes in. The rules held here are those of Eclipse Sparkplug 3.0.0.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test fails by panicking")]

mod teller;

use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::{Arc, Mutex};

use serde_json::{Value, json};
use tallyhook::clock::Clock;
use tallyhook::figures::{self, Record};
use tallyhook::publish::outbox::{MemoryOutbox, Outbox};
use tallyhook::store::message::Message;
use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_config::model::{Config, Mqtt, MqttPayload};
use teller::broker::{Broker, Memory};
use teller::{Teller, lift, site, warning};

/// The host and what it has decoded.
struct Host {
    child: Child,
    commands: ChildStdin,
    lines: Arc<Mutex<Vec<Value>>>,
}

impl Host {
    async fn start(port: u16) -> Self {
        let python = std::env::var_os("TALLYHOOK_TEST_SPARKPLUG")
            .expect("TALLYHOOK_TEST_SPARKPLUG is not set: start the tests with tests/run, which installs the decoder");
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/peers/sparkplug_host.py");
        let mut child = Command::new(python)
            .args([script, &port.to_string()])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let lines: Arc<Mutex<Vec<Value>>> = Arc::default();
        let (out, kept) = (child.stdout.take().unwrap(), lines.clone());
        std::thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                kept.lock().unwrap().push(serde_json::from_str(&line).unwrap());
            }
        });
        let host = Host { commands: child.stdin.take().unwrap(), child, lines };
        host.wait("the subscription", |lines| lines.iter().any(|l| l["kind"] == "ready")).await;
        host
    }

    fn command(&mut self, what: &str) {
        writeln!(self.commands, "{what} yard cabinet-1").unwrap();
        self.commands.flush().unwrap();
    }

    async fn wait(&self, what: &str, enough: impl Fn(&[Value]) -> bool) {
        let clock = Clock::system();
        for _ in 0..2000 {
            if enough(&self.lines.lock().unwrap()) {
                return;
            }
            clock.sleep(Span::from_ms(20)).await;
        }
        let lines = self.lines.lock().unwrap();
        panic!(
            "{what} did not come within 40 s; {} lines came, the last ones {:#?}",
            lines.len(),
            lines.iter().rev().take(3).collect::<Vec<_>>()
        );
    }

    fn lines(&self) -> Vec<Value> {
        self.lines.lock().unwrap().iter().filter(|line| line["kind"] != "ready").cloned().collect()
    }
}

impl Drop for Host {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn node(port: u16) -> Config {
    let broker = Mqtt {
        host: "127.0.0.1".to_owned(),
        port,
        client_id: "cabinet-1".to_owned(),
        topic_root: "unused".to_owned(),
        username: None,
        password_file: None,
        payload: MqttPayload::SparkplugB { group: "yard".to_owned() },
        tls: None,
        from_start: false,
        acknowledge: false,
    };
    Config { mqtt: Some(broker), ..site() }
}

fn metric(line: &Value, name: &str) -> Value {
    let found = line["metrics"].as_array().unwrap().iter().find(|m| m["name"] == name);
    found.unwrap_or_else(|| panic!("{name} is not in {line:#}")).clone()
}

fn is(line: &Value, kind: &str) -> bool {
    line["kind"] == kind
}

/// The lifts' identifiers in the order of their first coming, and whether each coming was historical.
fn lifts(lines: &[Value]) -> (Vec<String>, BTreeMap<String, Vec<bool>>) {
    let (mut order, mut comings) = (Vec::new(), BTreeMap::new());
    for line in lines.iter().filter(|l| is(l, "DDATA")) {
        let Some(id) = line["metrics"].as_array().unwrap().iter().find(|m| m["name"] == "lift/id") else { continue };
        let name = id["value"].as_str().unwrap().to_owned();
        let seen: &mut Vec<bool> = comings.entry(name.clone()).or_default();
        if seen.is_empty() {
            order.push(name);
        }
        seen.push(id["historical"].as_bool().unwrap());
    }
    (order, comings)
}

/// Within each session: numbers rise by one from the birth's 0 and wrap at 255; nothing comes before the node's birth,
/// no data before its device's; quality and retention are those of the specification. Gives the sessions' bdSeqs, one
/// for each birth of the node.
fn check_sessions(lines: &[Value]) -> Vec<i64> {
    let mut sessions = Vec::new();
    let mut next: Option<i64> = None;
    let mut alive = BTreeSet::new();
    for line in lines {
        let device = line["device"].as_str().map(str::to_owned);
        assert_eq!(line["retain"], false, "{line}");
        if is(line, "NDEATH") {
            let number = metric(line, "bdSeq")["value"].as_i64();
            assert_eq!(number, sessions.last().copied(), "the death of another session");
            (next, alive) = (None, BTreeSet::new());
            continue;
        }
        assert_eq!(line["qos"], 0, "{line}");
        if is(line, "NBIRTH") {
            sessions.push(metric(line, "bdSeq")["value"].as_i64().unwrap());
            assert_eq!(metric(line, "Node Control/Rebirth")["value"], false);
            (next, alive) = (Some(0), BTreeSet::new());
        }
        let seq = line["seq"].as_i64().unwrap();
        assert_eq!(Some(seq), next, "a number is missing before {line}");
        next = Some((seq + 1) % 256);
        match line["kind"].as_str().unwrap() {
            "DBIRTH" => drop(alive.insert(device.unwrap())),
            "DDATA" => assert!(alive.contains(&device.unwrap()), "data of a device that is not born: {line}"),
            "DDEATH" => assert!(alive.remove(&device.unwrap()), "the death of a device that is not born: {line}"),
            _ => {}
        }
    }
    sessions
}

/// A lift of now: not late.
fn fresh(n: usize) -> Message {
    let mut message = lift(n);
    message.at = Clock::system().now().wall;
    message
}

#[tokio::test(flavor = "multi_thread")]
async fn births_data_and_a_rebirth_on_command() {
    let broker = Broker::start(Memory::None);
    let mut host = Host::start(broker.port).await;
    let outbox = MemoryOutbox::default();
    let config = node(broker.port);
    let teller = Teller::start(config.clone(), &outbox, &Clock::system());
    host.wait("the births", |lines| lines.iter().any(|l| is(l, "DBIRTH"))).await;
    let lines = host.lines();
    let topics: Vec<&str> = lines.iter().map(|l| l["topic"].as_str().unwrap()).collect();
    assert_eq!(topics[..2], ["spBv1.0/yard/NBIRTH/cabinet-1", "spBv1.0/yard/DBIRTH/cabinet-1/main-hoist"]);
    assert_eq!(metric(&lines[1], "state/rated_load_kg")["value"], 16_000.0);
    assert_eq!(metric(&lines[1], "state/starts")["type"], "UINT64");
    assert_eq!(metric(&lines[1], "lift/load_kg")["null"], true, "no lift yet");
    let all: Vec<Value> = lines[..2].iter().flat_map(|l| l["metrics"].as_array().unwrap().clone()).collect();
    let aliases: BTreeSet<i64> = all.iter().map(|m| m["alias"].as_i64().unwrap()).collect();
    assert_eq!(aliases.len(), all.len(), "an alias is there twice");

    // A lift, a warning, a late lift, and a change of the state.
    outbox.push(fresh(1));
    outbox.push(lift(2));
    outbox.push(warning("w1"));
    teller.delivered("mqtt", 3).await;
    let mut record = Record::default();
    record.totals.lifts = 7;
    teller.figures.send_replace(Arc::new(figures::of_site(&config, |_| record.clone())));
    host.wait("the state", |lines| lines.iter().any(|l| l.to_string().contains("state/lifts") && is(l, "DDATA"))).await;
    let lines = host.lines();
    let with = |name: &str, value: Value| {
        let fits = |l: &&Value| {
            is(l, "DDATA") && l["metrics"].as_array().unwrap().iter().any(|m| m["name"] == name && m["value"] == value)
        };
        lines.iter().find(fits).unwrap_or_else(|| panic!("{name} {value} did not come")).clone()
    };
    let one = with("lift/id", json!("m1"));
    assert_eq!(metric(&one, "lift/load_kg")["value"], 1.0);
    assert_eq!(
        (&metric(&one, "lift/starts")["value"], &metric(&one, "lift/overload")["value"]),
        (&json!(3), &json!(false))
    );
    assert_eq!(metric(&one, "lift/load_kg")["historical"], false);
    let late = with("lift/id", json!("m2"));
    assert_eq!(metric(&late, "lift/load_kg")["historical"], true, "two minutes of the past are late");
    assert_eq!(metric(&late, "lift/load_kg")["at"], lift(2).at.as_ms());
    let warned = with("warning/id", json!("w1"));
    assert_eq!(
        (&metric(&warned, "warning/level")["value"], &metric(&warned, "warning/raised")["value"]),
        (&json!(0.8), &json!(true))
    );
    let state = with("state/lifts", json!(7));
    assert_eq!(state["metrics"].as_array().unwrap().len(), 1, "only what has changed: {state}");

    // A command that nobody has to obey, then a rebirth.
    host.command("other");
    host.command("rebirth");
    let births = |lines: &[Value]| lines.iter().filter(|l| is(l, "DBIRTH")).count();
    host.wait("the rebirth", |lines| births(lines) == 2).await;
    let reborn = host.lines();
    assert_eq!(metric(reborn.iter().rev().find(|l| is(l, "DBIRTH")).unwrap(), "state/lifts")["value"], 7);
    outbox.push(fresh(3));
    host.wait("a lift after the rebirth", |lines| lifts(lines).0.contains(&"m3".to_owned())).await;
    teller.stop().await;
    host.wait("the death", |lines| lines.iter().any(|l| is(l, "NDEATH"))).await;
    assert_eq!(check_sessions(&host.lines()), [0, 0], "a rebirth keeps its session's number");
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_is_lost_when_the_broker_dies_and_what_is_late_is_historical() {
    let mut broker = Broker::start(Memory::None);
    let host = Host::start(broker.port).await;
    let outbox = MemoryOutbox::default();
    let teller = Teller::start(node(broker.port), &outbox, &Clock::system());
    host.wait("the birth", |lines| lines.iter().any(|l| is(l, "DBIRTH"))).await;
    let clock = Clock::system();
    for n in 0..1_000 {
        outbox.push(fresh(n));
        if n == 300 || n == 700 {
            broker.kill();
        }
        if n == 400 || n == 800 {
            let ready = |lines: &[Value]| lines.iter().filter(|l| l["kind"] == "ready").count();
            let before = ready(&host.lines.lock().unwrap());
            broker.again();
            host.wait("the host's return", |lines| ready(lines) > before).await;
            let id = format!("m{}", n - 50);
            host.wait("delivery after a restart", |lines| lifts(lines).0.contains(&id)).await;
        }
        clock.sleep(Span::from_ms(1)).await;
    }
    host.wait("the last lift", |lines| lifts(lines).0.contains(&"m999".to_owned())).await;
    let lines = host.lines();
    let (order, comings) = lifts(&lines);
    let plan: Vec<String> = (0..1_000).map(|n| format!("m{n}")).collect();
    assert_eq!(order, plan, "each at least once, in order");
    // What comes again is marked each time after the first.
    let doubles = comings.values().filter(|c| c.len() > 1).count();
    assert!(comings.values().all(|c| c[1..].iter().all(|historical| *historical)), "a double is taken for a new lift");
    println!("{doubles} of 1000 came more than once");
    assert!(!comings["m999"][0], "the present is not historical");
    let sessions = check_sessions(&lines.iter().filter(|l| !is(l, "NDEATH")).cloned().collect::<Vec<_>>());
    assert!(sessions.len() >= 3 && sessions.windows(2).all(|pair| pair[1] > pair[0]), "{sessions:?}");
    teller.stop().await;
    assert_eq!(outbox.cursor("mqtt").await.unwrap(), Some(1_000));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_killed_daemon_is_dead_by_its_will_and_a_silent_drive_is_a_dead_device() {
    let broker = Broker::start(Memory::None);
    let host = Host::start(broker.port).await;
    let config = node(broker.port);
    let outbox = MemoryOutbox::default();
    let teller = Teller::start(config.clone(), &outbox, &Clock::system());
    let count = |lines: &[Value], kind: &str| lines.iter().filter(|l| is(l, kind)).count();
    host.wait("the birth", |lines| count(lines, "DBIRTH") == 1).await;
    let silent = Record { gap_since: Some(Timestamp::from_ms(teller::BEGIN_MS)), ..Record::default() };
    teller.figures.send_replace(Arc::new(figures::of_site(&config, |_| silent.clone())));
    host.wait("the device's death", |lines| count(lines, "DDEATH") == 1).await;
    // A word of a dead device is not lost: it is born to say it.
    outbox.push(fresh(1));
    host.wait("the lift", |lines| lifts(lines).0 == ["m1"]).await;
    host.wait("the second death", |lines| count(lines, "DDEATH") == 2).await;
    teller.figures.send_replace(Arc::new(figures::of_site(&config, |_| Record::default())));
    host.wait("the device's rebirth", |lines| count(lines, "DBIRTH") == 3).await;
    teller.kill();
    host.wait("the will", |lines| count(lines, "NDEATH") == 1).await;
    assert_eq!(check_sessions(&host.lines()), [0]);
}
