//! The broker's side of the contract, against a real Mosquitto and its own command-line subscriber.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test fails by panicking")]

#[path = "publish_mqtt/acknowledge.rs"]
mod acknowledge;
#[path = "publish_mqtt/full_disk.rs"]
mod full_disk;
#[path = "publish_mqtt/hang_up.rs"]
mod hang_up;
#[path = "publish_mqtt/outage.rs"]
mod outage;
#[path = "publish_mqtt/slow.rs"]
mod slow;
#[path = "publish_mqtt/stub.rs"]
mod stub;
mod teller;

use std::collections::HashSet;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde_json::{Value, json};
use tallyhook::clock::Clock;
use tallyhook::figures::{self, Record, SiteFigures};
use tallyhook::publish::health::Board;
use tallyhook::publish::outbox::{MemoryOutbox, Outbox};
use tallyhook::publish::{Setup, spawn};
use tallyhook::store::message::{Message, MessageKind};
use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_config::model::{Config, Mqtt, MqttPayload};
use teller::broker::{Broker, Memory, command};
use tokio::sync::watch;
use tokio::task::JoinSet;

/// `mosquitto_sub` with a session that the broker keeps; it reconnects by itself.
struct Subscriber {
    child: Child,
    lines: Arc<Mutex<Vec<(String, String)>>>,
}

impl Subscriber {
    fn start(port: u16, id: &str, topic: &str) -> Self {
        let port = port.to_string();
        // Line by line: into a pipe it would hold back its last few kilobytes until more comes.
        let program = command("mosquitto_sub", "mosquitto-clients");
        let mut child = Command::new("stdbuf")
            .arg("-oL")
            .arg(program.get_program())
            .args(["-h", "127.0.0.1", "-p", &port, "-c", "-i", id, "-q", "1", "-t", topic, "-F", "%r %t %p"])
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let lines: Arc<Mutex<Vec<(String, String)>>> = Arc::default();
        let (out, kept) = (child.stdout.take().unwrap(), lines.clone());
        std::thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                let (topic, payload) = line[2..].split_once(' ').unwrap();
                let topic = if line.starts_with('1') { format!("retained {topic}") } else { topic.to_owned() };
                kept.lock().unwrap().push((topic, payload.to_owned()));
            }
        });
        Subscriber { child, lines }
    }

    /// Waits up to 60 s until `enough` of what has come.
    async fn wait(&self, what: &str, enough: impl Fn(&[(String, String)]) -> bool) {
        let clock = Clock::system();
        for _ in 0..3000 {
            if enough(&self.lines.lock().unwrap()) {
                return;
            }
            clock.sleep(Span::from_ms(20)).await;
        }
        panic!("{what} did not come within 60 s; {} lines came", self.lines.lock().unwrap().len());
    }

    /// Waits until it hears what is published.
    async fn hears(&self, broker: &Broker) {
        for _ in 0..600 {
            let port = broker.port.to_string();
            let mut program = command("mosquitto_pub", "mosquitto-clients");
            program.args(["-h", "127.0.0.1", "-p", &port, "-t", "eastfield/marker", "-m", "{}"]).status().unwrap();
            Clock::system().sleep(Span::from_ms(100)).await;
            if self.lines.lock().unwrap().iter().any(|(t, _)| t == "eastfield/marker") {
                return;
            }
        }
        panic!("the subscriber hears nothing");
    }

    /// The ids under `topic`, each at its first coming.
    fn ids(&self, topic: &str) -> Vec<String> {
        let mut seen = HashSet::new();
        let lines = self.lines.lock().unwrap();
        let payloads = lines.iter().filter(|(t, _)| t == topic).map(|(_, p)| serde_json::from_str::<Value>(p).unwrap());
        payloads.map(|p| p["id"].as_str().unwrap().to_owned()).filter(|id| seen.insert(id.clone())).collect()
    }
}

impl Drop for Subscriber {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn config(port: u16) -> Arc<Config> {
    let broker = Mqtt {
        host: "127.0.0.1".to_owned(),
        port,
        client_id: "eastfield".to_owned(),
        topic_root: "eastfield".to_owned(),
        username: None,
        password_file: None,
        payload: MqttPayload::Json,
        tls: None,
        from_start: false,
        acknowledge: false,
    };
    Arc::new(Config { mqtt: Some(broker), ..teller::site() })
}

fn message(n: usize) -> Message {
    Message {
        id: format!("m{n}"),
        at: Timestamp::from_ms(1_750_000_000_000 + n as i64),
        kind: MessageKind::Lift,
        crane: "yard-1".to_owned(),
        mechanism: "main-hoist".to_owned(),
        body: json!({"load_kg": 8000.0, "fraction": 0.5}),
    }
}

struct Publisher {
    tasks: JoinSet<()>,
    stop: watch::Sender<bool>,
    figures: watch::Sender<Arc<SiteFigures>>,
}

fn publisher(port: u16, outbox: &MemoryOutbox) -> Publisher {
    publisher_of(config(port), outbox.clone(), outbox.stored(), &Clock::system(), &Board::default())
}

fn publisher_of<O: Outbox + Clone + Send + Sync + 'static>(
    config: Arc<Config>,
    outbox: O,
    stored: watch::Receiver<u64>,
    clock: &Clock,
    board: &Board,
) -> Publisher {
    let (figures, seen) = watch::channel(Arc::new(figures::of_site(&config, |_| Record::default())));
    let (stop, stopped) = watch::channel(false);
    let tasks = spawn(Setup {
        config,
        outbox,
        figures: seen,
        stored,
        clock: clock.clone(),
        board: board.clone(),
        stop: stopped,
    });
    Publisher { tasks, stop, figures }
}

impl Publisher {
    async fn stop(mut self) {
        assert!(self.tasks.try_join_next().is_none(), "the task ended before it was told to");
        self.stop.send_replace(true);
        let all = async {
            while let Some(ended) = self.tasks.join_next().await {
                ended.unwrap()
            }
        };
        tokio::time::timeout(Duration::from_secs(8), all).await.expect("the task ends within its bounds");
    }
}

const LIFT: &str = "eastfield/yard-1/main-hoist/lift";

#[tokio::test(flavor = "multi_thread")]
async fn a_thousand_messages_arrive_in_order_though_the_broker_is_killed_twice() {
    let mut broker = Broker::start(Memory::AtOnce);
    let subscriber = Subscriber::start(broker.port, "reader", "eastfield/#");
    let outbox = MemoryOutbox::default();
    let publisher = publisher(broker.port, &outbox);
    subscriber
        .wait("the birth", |lines| lines.iter().any(|(t, p)| t.ends_with("eastfield/status") && p == "online"))
        .await;
    let clock = Clock::system();
    for n in 0..1000 {
        outbox.push(message(n));
        if n == 300 || n == 700 {
            broker.kill();
        }
        if n == 400 || n == 800 {
            broker.again();
            let reached = format!("\"m{}\"", n - 50);
            subscriber.wait("delivery after a restart", |l| l.iter().any(|(_, p)| p.contains(&reached))).await;
        }
        clock.sleep(Span::from_ms(1)).await;
    }
    subscriber.wait("the last message", |lines| lines.iter().any(|(_, p)| p.contains("\"m999\""))).await;
    let plan: Vec<String> = (0..1000).map(|n| format!("m{n}")).collect();
    assert_eq!(subscriber.ids(LIFT), plan);
    publisher.stop().await;
    assert_eq!(outbox.cursor("mqtt").await.unwrap(), Some(1000));
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_so_now_does_not_wait_behind_a_backlog() {
    let broker = Broker::start(Memory::AtOnce);
    let reader = Subscriber::start(broker.port, "reader", "eastfield/#");
    for round in 0..6 {
        let outbox = MemoryOutbox::default();
        outbox.set_cursor("mqtt", 0).await.unwrap();
        (0..3000).for_each(|n| outbox.push(message(round * 10_000 + n)));
        let before = reader.lines.lock().unwrap().len();
        let publisher = publisher(broker.port, &outbox);
        let last = format!("\"m{}\"", round * 10_000 + 2_999);
        reader.wait("the backlog's end", |lines| lines.iter().any(|(_, p)| p.contains(&last))).await;
        let ahead = {
            let lines = reader.lines.lock().unwrap();
            let lines = &lines[before..];
            let state = lines.iter().position(|(t, _)| t.ends_with("eastfield/yard-1/main-hoist/state")).unwrap();
            lines[..state].iter().filter(|(t, _)| t == LIFT).count()
        };
        println!("round {round}: {ahead} old messages before the state");
        assert_eq!(ahead, 0, "old messages came before the state as it is");
        publisher.stop().await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_late_subscriber_gets_the_state_and_a_clean_end_says_offline_after_the_last_message() {
    let broker = Broker::start(Memory::AtOnce);
    let outbox = MemoryOutbox::default();
    let publisher = publisher(broker.port, &outbox);
    let early = Subscriber::start(broker.port, "early", "eastfield/#");
    let state = "eastfield/yard-1/main-hoist/state";
    early.wait("the state", |lines| lines.iter().any(|(t, _)| t.ends_with(state))).await;
    let late = Subscriber::start(broker.port, "late", "eastfield/#");
    let held = format!("retained {state}");
    late.wait("the retained state", |lines| lines.iter().any(|(t, _)| *t == held)).await;
    let payload = late.lines.lock().unwrap().iter().find(|(t, _)| *t == held).unwrap().1.clone();
    let payload: Value = serde_json::from_str(&payload).unwrap();
    assert_eq!((&payload["schema"], &payload["rated_load_kg"]), (&json!(1), &json!(16000.0)));

    let mut changed = (**publisher.figures.borrow()).clone();
    changed.mechanisms[0].lifts = 7;
    publisher.figures.send_replace(Arc::new(changed));
    late.wait("the new state", |lines| lines.iter().any(|(t, p)| t == state && p.contains("\"lifts\":7,"))).await;

    outbox.push(message(1));
    publisher.stop().await;
    late.wait("the good-bye", |lines| lines.iter().any(|(_, p)| p == "offline")).await;
    let lines = late.lines.lock().unwrap();
    let at = |topic: &str, payload: &str| lines.iter().position(|(t, p)| t == topic && p.contains(payload)).unwrap();
    assert!(at(LIFT, "\"m1\"") < at("eastfield/status", "offline"));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_daemon_that_dies_is_said_to_be_offline_by_the_broker() {
    let broker = Broker::start(Memory::AtOnce);
    let subscriber = Subscriber::start(broker.port, "reader", "eastfield/status");
    let mut publisher = publisher(broker.port, &MemoryOutbox::default());
    subscriber.wait("the birth", |lines| lines.iter().any(|(_, p)| p == "online")).await;
    publisher.tasks.abort_all();
    subscriber.wait("the will", |lines| lines.last().is_some_and(|(_, p)| p == "offline")).await;
}

/// A server that lets a client in (CONNACK, MQTT 3.1.1 section 3.2) and hangs up at once; answers how often it was
/// called within five seconds.
fn hang_up_at_once(listener: TcpListener) -> std::thread::JoinHandle<usize> {
    std::thread::spawn(move || {
        let (ends, ended) = std::sync::mpsc::channel::<()>();
        let port = listener.local_addr().unwrap().port();
        let calls = std::thread::spawn(move || {
            let mut calls = 0;
            for stream in listener.incoming() {
                if ended.try_recv().is_ok() {
                    break;
                }
                calls += 1;
                let mut stream = stream.unwrap();
                let mut connect = [0; 512];
                let _ = stream.read(&mut connect);
                let _ = stream.write_all(&[0x20, 2, 0, 0]);
            }
            calls
        });
        std::thread::park_timeout(Duration::from_secs(5));
        ends.send(()).unwrap();
        drop(TcpStream::connect(("127.0.0.1", port)));
        calls.join().unwrap()
    })
}

#[tokio::test(flavor = "multi_thread")]
async fn a_broker_that_lets_us_in_and_hangs_up_is_called_less_and_less_often() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let calls = hang_up_at_once(listener);
    let outbox = MemoryOutbox::default();
    let publisher = publisher(port, &outbox);
    outbox.push(message(1));
    let calls = tokio::task::spawn_blocking(move || calls.join().unwrap()).await.unwrap();
    // At 0, 0.5, 1.5 and 3.5 s; a publisher that forgot its failures would call ten times.
    assert!((2..=4).contains(&calls), "{calls} calls");
    publisher.stop().await;
    assert_eq!(outbox.cursor("mqtt").await.unwrap(), Some(0), "nobody acknowledged it");
}
