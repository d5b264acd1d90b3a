//! A broker killed five times under load, and the daemon twice in between: nothing is lost, nothing comes out of order,
//! and the drive is polled as before.

use std::collections::{BTreeMap, HashSet};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use serde_json::Value;
use tallyhook_tests::cabinet::{Cabinet, Running, pause, wait_for};
use tallyhook_tests::gate::Gate;
use tallyhook_tests::modbus::FunctionProxy;
use tallyhook_tests::peers::{Broker, free_port};
use tallyhook_tests::plan::Plan;

use tallyhook_tests::yard::{RATED_KG, drive, hoist, unix_now};

/// Mechanisms that all read the same drive: each lift of the plan ends as so many at once.
const MECHANISMS: usize = 12;

fn configuration(drive_port: u16, broker_port: u16) -> String {
    let mut text = format!(
        r#"
[site]
name = "Eastfield precast yard"
time_zone = "UTC"
[store]
directory = "data"
[page]
listen = "127.0.0.1:{}"
[drive.panel]
address = "127.0.0.1:{drive_port}"
unit = 1
poll = "100ms"
timeout = "1s"
[mqtt]
host = "127.0.0.1"
port = {broker_port}
client_id = "tallyhook-test"
topic_root = "tallyhook"
[[crane]]
id = "yard-1"
name = "Yard 1"
group = "A5"
"#,
        free_port()
    );
    for n in 0..MECHANISMS {
        text += &hoist(&format!("hoist-{n}"));
        text += "\nused_share = [0.05, 0.1]\n";
    }
    text
}

/// A subscriber that is not ours, started anew when the broker has been away; what came, in order.
struct Subscriber {
    lines: Arc<Mutex<Vec<(String, String)>>>,
    _ends: std::sync::mpsc::Sender<()>,
}

impl Subscriber {
    fn start(broker: &Broker) -> Self {
        let lines: Arc<Mutex<Vec<(String, String)>>> = Arc::default();
        let (ends, ended) = std::sync::mpsc::channel::<()>();
        let mut program: Running = broker.subscribe_as("reader", "tallyhook/#");
        let kept = lines.clone();
        std::thread::spawn(move || {
            while ended.try_recv() != Err(std::sync::mpsc::TryRecvError::Disconnected) {
                for line in program.lines_so_far() {
                    if let Some((topic, payload)) = line.split_once(' ') {
                        kept.lock().unwrap().push((topic.to_owned(), payload.to_owned()));
                    }
                }
                pause(Duration::from_millis(5));
            }
        });
        Subscriber { lines, _ends: ends }
    }

    /// Waits until it hears what is published: a broker that forgets would drop what it does not.
    fn hears(&self, broker: &Broker, word: &str) {
        wait_for("the subscriber", Duration::from_secs(20), || {
            broker.publish("tallyhook/marker", word);
            self.lines.lock().unwrap().iter().any(|(_, payload)| payload == word).then_some(())
        });
    }

    /// The payloads of a mechanism under a topic's last level, each at its first coming.
    fn told(&self, mechanism: &str, kind: &str) -> Vec<Value> {
        let mut seen = HashSet::new();
        let topic = format!("tallyhook/yard-1/{mechanism}/{kind}");
        let lines = self.lines.lock().unwrap();
        let payloads = lines.iter().filter(|(t, _)| *t == topic).map(|(_, p)| serde_json::from_str::<Value>(p));
        payloads.map(Result::unwrap).filter(|p| seen.insert(p["id"].as_str().unwrap().to_owned())).collect()
    }

    /// How many messages of lifts and warnings came, doubles included.
    fn came(&self) -> usize {
        let lines = self.lines.lock().unwrap();
        lines.iter().filter(|(t, _)| t.ends_with("/lift") || t.ends_with("/warning")).count()
    }
}

/// How far the intervals between requests were from the period, milliseconds: median and 95 in 100.
fn jitter(times: &[Instant], within: &[(Instant, Instant)]) -> (f64, f64) {
    let mut off: Vec<f64> = times
        .windows(2)
        .filter(|pair| within.iter().any(|(from, to)| *from <= pair[0] && pair[1] <= *to))
        .map(|pair| ((pair[1] - pair[0]).as_secs_f64() * 1000.0 - 100.0).abs())
        .collect();
    assert!(off.len() > 40, "only {} intervals", off.len());
    off.sort_by(f64::total_cmp);
    (off[off.len() / 2], off[off.len() * 95 / 100])
}

#[allow(clippy::disallowed_methods, reason = "what is measured is the real clock's")]
fn now() -> Instant {
    Instant::now()
}

fn kills(name: &str, mut broker: Broker) {
    let rounds = if std::env::var_os("TALLYHOOK_LONG").is_some() { 4 } else { 1 };
    let mut plan = Plan::new(RATED_KG);
    plan.rest(1.0);
    for i in 0..13 * rounds {
        // Every second one is over the rated load.
        plan.lift((if i % 2 == 0 { 1.05 } else { 0.5 } + 0.002 * f64::from(i)) * RATED_KG, 1, 0.7);
    }
    plan.rest(2.0);
    let cabinet = Cabinet::new();
    let drive_port = free_port();
    let proxy = FunctionProxy::before(drive_port);
    let gate = Gate::before(broker.port);
    cabinet.write("site.toml", &configuration(proxy.port, gate.port));
    let subscriber = Subscriber::start(&broker);
    subscriber.hears(&broker, "begin");

    let start = unix_now() + 6.0;
    let _drive = drive(&cabinet, &plan, drive_port, start);
    let mut daemon = cabinet.start(&["run", "--config", "site.toml"]);
    wait_for("the daemon's birth", Duration::from_secs(20), || {
        subscriber.lines.lock().unwrap().iter().any(|(_, payload)| payload == "online").then_some(())
    });
    let (mut up, mut down) = (Vec::new(), Vec::new());
    let share = plan.seconds() / 5.5;
    for kill in 0..5 {
        let at = start + share * (f64::from(kill) + 0.4);
        let before = subscriber.came();
        let up_from = now();
        wait_for("the time of the kill", Duration::from_secs(600), || (unix_now() >= at).then_some(()));
        // Under load: just while the messages of a lift's end come in.
        wait_for("messages", Duration::from_secs(60), || (subscriber.came() > before).then_some(()));
        broker.kill();
        gate.shut();
        if kill > 0 {
            up.push((up_from, now()));
        }
        let down_from = now();
        pause(Duration::from_secs_f64(share * 0.3));
        down.push((down_from, now()));
        if kill == 1 || kill == 3 {
            // The broker is away, and what waits for it is in the store alone.
            daemon.kill();
            daemon = cabinet.start(&["run", "--config", "site.toml"]);
            wait_for("polls of the new daemon", Duration::from_secs(20), || {
                proxy.times().last().is_some_and(|last| last.elapsed() < Duration::from_millis(80)).then_some(())
            });
        }
        broker.up();
        subscriber.hears(&broker, &format!("after {kill}"));
        gate.open();
    }
    wait_for("the plan's end", Duration::from_secs(600), || (unix_now() > start + plan.seconds() + 1.5).then_some(()));
    assert!(daemon.runs(), "{}", daemon.stderr());
    let overloads = |told: &[Value]| told.iter().filter(|w| w["quantity"] == "overload").count() as u64;
    wait_for("the last message", Duration::from_secs(90), || {
        (0..MECHANISMS)
            .all(|n| {
                let id = format!("hoist-{n}");
                subscriber.told(&id, "lift").len() as u64 >= plan.lifts
                    && overloads(&subscriber.told(&id, "warning")) >= plan.overload_lifts
            })
            .then_some(())
    });
    assert_eq!(daemon.interrupt(Duration::from_secs(20)).code(), Some(0));

    let mut warnings = 0;
    for n in 0..MECHANISMS {
        let id = format!("hoist-{n}");
        let lifts = subscriber.told(&id, "lift");
        // Against the plan: its loads, in its order.
        assert_eq!(lifts.len() as u64, plan.lifts, "{id}: each lift once after dropping doubles");
        for (lift, planned) in lifts.iter().zip(&plan.loads_kg) {
            let load = lift["load_kg"].as_f64().unwrap();
            assert!((load - planned).abs() <= 0.005 * RATED_KG, "{id}: {load} kg where {planned} kg was due");
        }
        let told = subscriber.told(&id, "warning");
        let over: Vec<f64> =
            told.iter().filter(|w| w["quantity"] == "overload").map(|w| w["load_kg"].as_f64().unwrap()).collect();
        let planned: Vec<f64> = plan.loads_kg.iter().copied().filter(|kg| *kg > RATED_KG).collect();
        assert_eq!(over.len(), planned.len(), "{id}: each overload once");
        assert!(over.iter().zip(&planned).all(|(a, b)| (a - b).abs() <= 0.005 * RATED_KG), "{id}: {over:?}");
        let levels: Vec<f64> = told
            .iter()
            .filter(|w| w["quantity"] == "used_share" && w["raised"] == true)
            .map(|w| w["level"].as_f64().unwrap())
            .collect();
        assert_eq!(levels, [0.05, 0.1], "{id}: each level once, in order");
        // A topic's order is the store's; lifts and warnings are topics of their own.
        let listed = cabinet.run(&["lifts", "--data", "data", "--mechanism", &id, "--json"]).json();
        let begins =
            |all: &[Value]| -> Vec<String> { all.iter().map(|l| l["begin"].as_str().unwrap().to_owned()).collect() };
        let mut stored = begins(listed.as_array().unwrap());
        stored.sort();
        assert_eq!(begins(&lifts), stored, "{id}: in the order of the store");
        warnings += told.len();
    }
    let due = MECHANISMS * plan.lifts as usize + warnings;
    println!("{name}: {due} messages due, {} came, doubles included", subscriber.came());
    let (times, mut by_kind) = (proxy.times(), BTreeMap::new());
    for (kind, spans) in [("broker up", &up), ("broker down", &down)] {
        let (median, most) = jitter(&times, spans);
        println!(
            "{name}, {kind}: an interval is off the period by {median:.2} ms in the median, 95 in 100 under {most:.2} ms"
        );
        by_kind.insert(kind, (median, most));
    }
    let ((up, up_most), (down, down_most)) = (by_kind["broker up"], by_kind["broker down"]);
    // Bounds for a busy machine; a poller that waited for the broker would be off by whole periods.
    assert!(down <= up + 5.0 && down_most <= up_most + 25.0, "polling suffers while the broker is away: {by_kind:?}");
}

#[test]
fn nothing_is_lost_with_a_broker_that_keeps_its_sessions() {
    kills("sessions kept", Broker::start());
}

#[test]
fn nothing_is_lost_with_a_broker_that_forgets_its_sessions() {
    kills("sessions forgotten", Broker::forgetful());
}
