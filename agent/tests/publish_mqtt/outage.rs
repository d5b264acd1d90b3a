//! Thirty days without a broker in time-lapse: memory stays flat, the disk within its bound, and afterwards everything
//! that the bound left comes, people's warnings first and what is fresh before what is old.

use std::collections::HashSet;
use std::time::Instant;

use serde_json::{Value, json};
use tallyhook::clock::{Clock, Reading};
use tallyhook::daemon::bounds;
use tallyhook::publish::health::Board;
use tallyhook::store::message::{Message, MessageKind};
use tallyhook::store::{MechanismCommit, Reader, Store, StoreHandle};
use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_config::model::Outbox as Bounds;
use tokio::sync::mpsc;

use super::teller::broker::{Broker, Memory};
use super::{LIFT, Subscriber, config, publisher_of};

const BEGIN_MS: i64 = 1_750_000_000_000;
const HOUR_MS: i64 = 3_600_000;
/// Room of the outbox; about a third of what thirty days fill.
const ROOM_MB: u32 = 8;

fn message(id: String, kind: MessageKind, at_ms: i64) -> Message {
    // Twice as long as a lift's, so that a backlog held in memory would show.
    let body = match kind {
        MessageKind::Warning => json!({"quantity": "used_share", "level": 0.8, "value": 0.81, "raised": true}),
        _ => json!({"load_kg": 8000.0, "note": "x".repeat(950)}),
    };
    let (crane, mechanism) = ("yard-1".to_owned(), "main-hoist".to_owned());
    Message { id, at: Timestamp::from_ms(at_ms), kind, crane, mechanism, body }
}

async fn store_all(store: &StoreHandle, messages: Vec<Message>) {
    let commit = MechanismCommit { mechanism: "main-hoist".to_owned(), messages, ..MechanismCommit::default() };
    store.commit(vec![commit]).await.unwrap();
}

/// What this process holds in memory, bytes.
fn resident() -> i64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|line| line.starts_with("VmRSS:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse::<i64>().unwrap() * 1024
}

fn advance(clock: &Clock, ms: i64) {
    let now = clock.now();
    let by = Span::from_ms(ms);
    clock.set(Reading { wall: now.wall.plus(by), mono: now.mono.plus(by) });
}

fn ledger_bytes(dir: &std::path::Path) -> u64 {
    std::fs::metadata(tallyhook::store::ledger_path(dir)).unwrap().len()
}

#[allow(clippy::disallowed_methods, reason = "what is measured is the real clock's")]
fn now() -> Instant {
    Instant::now()
}

#[tokio::test(flavor = "multi_thread")]
async fn thirty_days_without_a_broker_are_made_up_for() {
    let lifts_an_hour = if std::env::var_os("TALLYHOOK_LONG").is_some() { 100 } else { 25 };
    let room_mb = ROOM_MB * lifts_an_hour as u32 / 25;
    let dir = tempfile::tempdir().unwrap();
    let store = Store::open(dir.path()).unwrap().into_handle().unwrap();
    store.set_cursor("mqtt", 0).await.unwrap();
    let mut broker = Broker::stopped(Memory::AtEnd);
    let clock = Clock::manual(Timestamp::from_ms(BEGIN_MS));
    let board = Board::default();
    let publisher = publisher_of(config(broker.port), store.clone(), store.stored(), &clock, &board);
    let (said, mut losses) = mpsc::channel(1000);
    let kept = (Bounds { keep_days: 400, max_mb: room_mb }, dir.path().to_owned(), vec!["mqtt".to_owned()]);
    let keeper = tokio::spawn(bounds::keep(kept, store.clone(), board.clone(), clock.clone(), said));
    let real = Clock::system();

    let (mut early, mut lifts, mut warnings) = (0, 0, 0);
    for hour in 0..30 * 24 {
        let at = BEGIN_MS + hour * HOUR_MS;
        let mut messages: Vec<Message> = (0..lifts_an_hour)
            .map(|n| message(format!("m{}", lifts + n), MessageKind::Lift, at + n as i64 * 30_000))
            .collect();
        lifts += lifts_an_hour;
        if hour % 72 == 0 {
            messages.push(message(format!("w{warnings}"), MessageKind::Warning, at));
            warnings += 1;
        }
        store_all(&store, messages).await;
        advance(&clock, HOUR_MS);
        real.sleep(Span::from_ms(1)).await;
        if hour % 12 == 0 {
            // The keeper has its turn as it would have in real time; time-lapse must not outrun it.
            let mut within = false;
            for _ in 0..2000 {
                let (_, room) = Reader::open(dir.path()).unwrap().droppable_room(0).unwrap();
                within = room <= u64::from(room_mb) * 1_000_000 + 24 * lifts_an_hour as u64 * 1_300;
                if within {
                    break;
                }
                advance(&clock, 60_000);
                real.sleep(Span::from_ms(10)).await;
            }
            assert!(within, "the outbox is over its bound at hour {hour}");
        }
        if hour == 5 * 24 {
            early = resident();
        }
    }
    let grown = resident() - early;
    println!("{lifts} lifts stored while nobody listened; memory grew by {} kB since day 5", grown / 1000);
    assert!(grown < 12_000_000, "memory is flat: {grown} bytes more than on day 5, of 25 days of 0.7 MB and more each");
    let trouble = board.watch().borrow()["mqtt"].trouble.clone().expect("nobody was there");
    assert!(trouble.mend.contains("check that the broker runs"), "{trouble:?}");

    // Let the keeper come to rest, so that what it counts is settled.
    let mut dropped = 0;
    for _ in 0..500 {
        advance(&clock, 700_000);
        real.sleep(Span::from_ms(10)).await;
        let (_, room) = Reader::open(dir.path()).unwrap().droppable_room(0).unwrap();
        dropped = board.watch().borrow()["mqtt"].dropped as usize;
        if room <= u64::from(room_mb) * 1_000_000 && dropped > 0 {
            break;
        }
    }
    keeper.abort();
    let disk = ledger_bytes(dir.path());
    println!("{dropped} of them dropped by the bound of {room_mb} MB; the ledger has {:.1} MB", disk as f64 / 1e6);
    assert!(losses.try_recv().is_ok(), "the loss is said");
    assert!(disk < u64::from(room_mb) * 1_100_000 + 4_000_000, "the ledger has {disk} bytes");
    assert_eq!(store.cursor("mqtt/dropped").await.unwrap(), Some(dropped as u64));
    let owed: Vec<String> = (dropped..lifts).map(|n| format!("m{n}")).collect();

    broker.again();
    let reader = Subscriber::start(broker.port, "reader", "eastfield/#");
    let heard = || reader.lines.lock().unwrap().iter().filter(|(t, _)| t == LIFT).count();
    reader.hears(&broker).await;
    advance(&clock, 120_000);
    let ticking = clock.clone();
    tokio::spawn(async move {
        let real = Clock::system();
        loop {
            real.sleep(Span::from_ms(20)).await;
            advance(&ticking, 20);
        }
    });
    reader.wait("the first lift", |lines| lines.iter().any(|(t, _)| t == LIFT)).await;
    let (begun, had) = (now(), heard());
    reader.wait("some of the backlog", |lines| lines.iter().filter(|(t, _)| t == LIFT).count() >= 300).await;
    let at = clock.now().wall.as_ms();
    store_all(&store, vec![message("fresh".to_owned(), MessageKind::Lift, at)]).await;
    // Longer than the usual wait: a debug build on a busy machine takes its time.
    for _ in 0..15_000 {
        if heard() > owed.len() {
            break;
        }
        real.sleep(Span::from_ms(20)).await;
    }
    assert!(heard() > owed.len(), "{} of {} came within five minutes", heard(), owed.len() + 1);
    let (took, came) = (begun.elapsed(), heard() - had);
    let rate = came as f64 / took.as_secs_f64();
    println!("{came} messages in {took:.2?}, {rate:.0} a second");
    assert!(rate > 20.0, "{rate} messages a second, even for a debug build on a busy machine");

    let lines = reader.lines.lock().unwrap().clone();
    let of = |topic: &str| -> Vec<(usize, Value)> {
        let at = lines.iter().enumerate().filter(|(_, (t, _))| t == topic);
        at.map(|(n, (_, p))| (n, serde_json::from_str(p).unwrap())).collect()
    };
    let lifts = of(LIFT);
    let old: Vec<&(usize, Value)> = lifts.iter().filter(|(_, p)| p["late"] == true).collect();
    let mut seen = HashSet::new();
    let ids: Vec<&str> = old.iter().map(|(_, p)| p["id"].as_str().unwrap()).filter(|id| seen.insert(*id)).collect();
    assert_eq!(ids, owed, "all that the bound left, in order");
    let warned = of("eastfield/yard-1/main-hoist/warning");
    assert_eq!(warned.len(), warnings, "warnings are never dropped");
    assert!(warned.iter().all(|(n, p)| *n < lifts[0].0 && p["late"] == true), "people's warnings come first");
    let fresh = lifts.iter().find(|(_, p)| p["id"] == "fresh").unwrap();
    let behind = old.iter().filter(|(n, _)| *n > fresh.0).count();
    println!("{behind} old messages came after the fresh one");
    assert!(behind > 0 && fresh.1.get("late").is_none(), "what is fresh does not wait behind the backlog");
    publisher.stop().await;
    store.close().await;
}
