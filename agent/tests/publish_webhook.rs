//! Webhooks against a small HTTP server of the test's own, which answers what each test tells it to.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test fails by panicking")]

#[path = "publish_webhook/burst.rs"]
mod burst;
mod teller;

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use serde_json::{Value, json};
use tallyhook::clock::Clock;
use tallyhook::figures::{self, Record};
use tallyhook::publish::health::Board;
use tallyhook::publish::outbox::{MemoryOutbox, Outbox};
use tallyhook::publish::{Setup, spawn};
use tallyhook::store::message::{Message, MessageKind};
use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_config::model::{Config, Page, Store, Webhook};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};

struct Request {
    head: String,
    body: Value,
    /// Milliseconds since the test began.
    at: i64,
}

/// Answers the n-th request with the n-th of `answers`, and 200 to all that follow.
async fn server(answers: Vec<&'static str>, clock: Clock) -> (String, mpsc::UnboundedReceiver<Request>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("http://{}/hook", listener.local_addr().unwrap());
    let (seen, requests) = mpsc::unbounded_channel();
    let count = AtomicUsize::new(0);
    tokio::spawn(async move {
        loop {
            let (mut socket, _) = listener.accept().await.unwrap();
            let mut bytes = Vec::new();
            let (head, body) = loop {
                let mut chunk = [0; 4096];
                let n = socket.read(&mut chunk).await.unwrap();
                assert!(n > 0, "the request ends early");
                bytes.extend_from_slice(&chunk[..n]);
                let text = String::from_utf8(bytes.clone()).unwrap();
                let Some((head, body)) = text.split_once("\r\n\r\n") else { continue };
                let head = head.to_lowercase();
                let length = head.lines().find_map(|l| l.strip_prefix("content-length: ")).unwrap();
                if body.len() == length.parse::<usize>().unwrap() {
                    break (head, body.to_owned());
                }
            };
            let answer = answers.get(count.fetch_add(1, Ordering::Relaxed)).copied().unwrap_or("200 OK");
            let at = clock.now().mono.as_ms();
            seen.send(Request { head, body: serde_json::from_str(&body).unwrap(), at }).unwrap();
            let answer = format!("HTTP/1.1 {answer}\r\nContent-Length: 0\r\nConnection: close\r\n\r\n");
            socket.write_all(answer.as_bytes()).await.unwrap();
        }
    });
    (url, requests)
}

fn message(id: &str, kind: MessageKind) -> Message {
    Message {
        id: id.to_owned(),
        at: Timestamp::from_ms(1_750_000_000_000),
        kind,
        crane: "yard-1".to_owned(),
        mechanism: "main-hoist".to_owned(),
        body: json!({"quantity": "used_share", "level": 0.8, "value": 0.81, "raised": true}),
    }
}

/// Tells a lift, the warnings w1 and w2 and a day; gives back what the server saw once the cursor is at the end.
async fn told(answers: Vec<&'static str>) -> Vec<Request> {
    let clock = Clock::system();
    let (url, mut requests) = server(answers, clock.clone()).await;
    let secrets = tempfile::tempdir().unwrap();
    let secret = secrets.path().join("token");
    std::fs::write(&secret, "Bearer abc\n").unwrap();
    let config = Arc::new(Config {
        site_name: "Eastfield precast yard".to_owned(),
        time_zone: jiff::tz::TimeZone::UTC,
        units: Default::default(),
        language: Default::default(),
        store: Store::plain("store"),
        page: Page::plain(([127, 0, 0, 1], 0).into()),
        alarms: Default::default(),
        outbox: Default::default(),
        drives: Default::default(),
        cranes: Vec::new(),
        mqtt: None,
        influx: None,
        matrix: None,
        webhooks: vec![Webhook {
            name: "chat".to_owned(),
            url,
            headers: vec![("X-Site".to_owned(), "eastfield".to_owned())],
            header_files: vec![("Authorization".to_owned(), secret)],
            tls: Default::default(),
            template: r#"{"text": "{{text}}", "id": "{{id}}", "value": {{value}}}"#.to_owned(),
        }],
    });
    let figures = watch::channel(Arc::new(figures::of_site(&config, |_| Record::default()))).1;
    let outbox = MemoryOutbox::default();
    outbox.push(message("l1", MessageKind::Lift));
    let (stop, stopped) = watch::channel(false);
    let mut tasks = spawn(Setup {
        config,
        outbox: outbox.clone(),
        figures,
        stored: outbox.stored(),
        clock: clock.clone(),
        board: Board::default(),
        stop: stopped,
    });
    outbox.push(message("w1", MessageKind::Warning));
    outbox.push(message("w2", MessageKind::Warning));
    outbox.push(message("d1", MessageKind::Day));
    let begun = clock.now().mono;
    while outbox.cursor("webhook:chat").await.unwrap() < Some(4) {
        assert!(clock.now().mono < begun.plus(Span::from_ms(20_000)), "not told in 20 s");
        clock.sleep(Span::from_ms(10)).await;
    }
    // Long enough for a double to show.
    clock.sleep(Span::from_ms(300)).await;
    assert!(tasks.try_join_next().is_none(), "the task ended before it was told to");
    stop.send_replace(true);
    tokio::time::timeout(Duration::from_secs(5), async { while tasks.join_next().await.is_some() {} }).await.unwrap();
    let mut seen = Vec::new();
    while let Ok(request) = requests.try_recv() {
        seen.push(request);
    }
    seen
}

fn ids(seen: &[Request]) -> Vec<&str> {
    seen.iter().map(|request| request.body["id"].as_str().unwrap()).collect()
}

#[tokio::test]
async fn each_warning_is_told_once_with_its_headers_and_other_kinds_are_not() {
    let seen = told(vec![]).await;
    assert_eq!(ids(&seen), ["w1", "w2"]);
    for line in
        ["idempotency-key: w1", "x-site: eastfield", "authorization: bearer abc", "content-type: application/json"]
    {
        assert!(seen[0].head.lines().any(|l| l == line), "{line:?} is missing in {:?}", seen[0].head);
    }
    assert_eq!(seen[0].body["value"], 0.81);
    assert!(seen[0].body["text"].as_str().unwrap().contains("yard-1, main-hoist"));
}

#[tokio::test]
async fn a_server_in_trouble_gets_the_same_message_again_before_the_next() {
    let seen = told(vec!["500 Internal Server Error"]).await;
    assert_eq!(ids(&seen), ["w1", "w1", "w2"]);
    assert!(seen[1].head.contains("idempotency-key: w1"));
    assert!(seen[1].at - seen[0].at >= 990, "no pause before the second try");
}

#[tokio::test]
async fn the_pause_that_the_server_asks_for_is_kept() {
    let seen = told(vec!["429 Too Many Requests\r\nRetry-After: 3"]).await;
    assert_eq!(ids(&seen), ["w1", "w1", "w2"]);
    assert!(seen[1].at - seen[0].at >= 2_990, "{} ms", seen[1].at - seen[0].at);
}

#[tokio::test]
async fn a_refused_message_is_left_out_and_the_next_one_told() {
    assert_eq!(ids(&told(vec!["400 Bad Request"]).await), ["w1", "w2"]);
}
