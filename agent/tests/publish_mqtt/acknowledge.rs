//! An acknowledgement comes in by the broker, and nothing else does.

use std::sync::Arc;

use serde_json::{Value, json};
use tallyhook::clock::Clock;
use tallyhook::publish::health::Board;
use tallyhook::store::alarm::Alarm;
use tallyhook::store::message::{Message, MessageKind};
use tallyhook::store::{MechanismCommit, Reader, Store as Ledger};
use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_config::model::{Config, Mqtt, Store};

use super::teller::broker::{Broker, Memory, command};
use super::{config, publisher_of};

fn warning(level: f64) -> Message {
    Message {
        id: format!("main-hoist:used_share:{level}:raised:1"),
        at: Timestamp::from_ms(1_750_000_000_000),
        kind: MessageKind::Warning,
        crane: "yard-1".to_owned(),
        mechanism: "main-hoist".to_owned(),
        body: json!({"quantity": "used_share", "level": level, "value": level, "raised": true}),
    }
}

fn send(broker: &Broker, payload: &str, retained: bool) {
    let port = broker.port.to_string();
    let mut program = command("mosquitto_pub", "mosquitto-clients");
    program.args(["-h", "127.0.0.1", "-p", &port, "-q", "1", "-t", "eastfield/acknowledge", "-m", payload]);
    if retained {
        program.arg("-r");
    }
    assert!(program.status().unwrap().success());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_warning_is_acknowledged_by_the_broker_and_nothing_else_comes_in() {
    let dir = tempfile::tempdir().unwrap();
    let store = Ledger::open(dir.path()).unwrap().into_handle().unwrap();
    let messages = vec![warning(0.8), warning(0.9)];
    let commit = MechanismCommit { mechanism: "main-hoist".to_owned(), messages, ..MechanismCommit::default() };
    store.commit(vec![commit]).await.unwrap();
    let broker = Broker::start(Memory::AtOnce);
    let alarms = || -> Vec<Alarm> { Reader::open(dir.path()).unwrap().alarms(None, true).unwrap() };
    let numbers: Vec<u64> = alarms().iter().map(|alarm| alarm.seq).collect();
    assert_eq!(numbers, [2, 1]);

    // Retained before we come: it would acknowledge the second one at every connection.
    send(&broker, r#"{"alarm": 2, "by": "nobody"}"#, true);
    let base = config(broker.port);
    let mqtt = base.mqtt.clone().map(|mqtt| Mqtt { acknowledge: true, ..mqtt });
    let site = Config { mqtt, store: Store::plain(dir.path()), ..(*base).clone() };
    let (clock, board) = (Clock::system(), Board::default());
    let publisher = publisher_of(Arc::new(site), store.clone(), store.stored(), &clock, &board);
    let good = r#"{"alarm": 1, "by": "R. Fitter", "note": "on the list"}"#;
    let mut acknowledged = None;
    for _ in 0..100 {
        for bad in ["", "{", r#"{"alarm": 2, "by": "R", "act": "shelve"}"#, r#"{"alarm": 99, "by": "R"}"#] {
            send(&broker, bad, false);
        }
        send(&broker, good, false);
        clock.sleep(Span::from_ms(300)).await;
        acknowledged = alarms().iter().find(|alarm| alarm.seq == 1).and_then(|alarm| alarm.acknowledged.clone());
        if acknowledged.is_some() {
            break;
        }
    }
    assert_eq!(acknowledged.expect("it is acknowledged").1, "R. Fitter (MQTT)");
    let other = alarms().into_iter().find(|alarm| alarm.seq == 2).unwrap();
    assert_eq!((other.acknowledged, other.shelved), (None, None), "what is retained or malformed is left alone");
    let told: Vec<Value> = Reader::open(dir.path())
        .unwrap()
        .messages_after(2, 10)
        .unwrap()
        .into_iter()
        .map(|(_, message)| message.body)
        .collect();
    assert_eq!(told.len(), 1, "told once, though it came again: {told:?}");
    assert_eq!((&told[0]["act"], &told[0]["note"]), (&json!("acknowledged"), &json!("on the list")));
    publisher.stop().await;
    store.close().await;
}
