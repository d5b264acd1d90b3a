//! A Matrix room behind a server that plays what a real one does seldom: a forgotten token, a limit of speed, an
//! account that is not in the room. A real server is in the end-to-end tests.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test fails by panicking")]

mod teller;

use std::sync::{Arc, Mutex};

use serde_json::{Value, json};
use tallyhook::publish::outbox::{MemoryOutbox, Outbox};
use tallyhook_config::model::{Config, Matrix};
use teller::stub::{Play, Request, Stub};
use teller::{Teller, hasty_clock, lift, site, warning};

fn room(url: &str, password: &std::path::Path) -> Config {
    let room = Matrix {
        url: url.to_owned(),
        user: "tallyhook".to_owned(),
        password_file: password.to_owned(),
        room: "!yard:matrix.example".to_owned(),
        device_id: "cabinet-1".to_owned(),
        tls: Default::default(),
    };
    Config { matrix: Some(room), ..site() }
}

fn answer(status: &str, body: Value) -> Play {
    Play::Answer(status.to_owned(), body.to_string())
}

fn is_send(request: &Request) -> bool {
    request.line.starts_with("PUT ")
}

/// Tells `w/1 ä` and `w2` to a server whose sends are answered by `play`, which is given the number of sends before
/// and answers `None` for a success; logins answer `t1`, `t2` and so on.
async fn told(play: impl Fn(usize, &Request) -> Option<Play> + Send + 'static) -> (Teller, Stub, tempfile::TempDir) {
    let clock = hasty_clock(5);
    let (logins, sends) = (Arc::new(Mutex::new(0)), Arc::new(Mutex::new(0)));
    let stub = Stub::start(&clock, move |_, request| {
        if request.line.starts_with("POST /_matrix/client/v3/login ") {
            let mut logins = logins.lock().unwrap();
            *logins += 1;
            return answer("200 OK", json!({"access_token": format!("t{logins}")}));
        }
        if !is_send(request) {
            return play(0, request).unwrap_or_else(|| answer("404 Not Found", json!({"errcode": "M_UNRECOGNIZED"})));
        }
        let mut sends = sends.lock().unwrap();
        *sends += 1;
        play(*sends - 1, request).unwrap_or_else(|| answer("200 OK", json!({"event_id": "$e"})))
    })
    .await;
    let directory = tempfile::tempdir().unwrap();
    let password = directory.path().join("password");
    std::fs::write(&password, "word\n").unwrap();
    let outbox = MemoryOutbox::default();
    let teller = Teller::start(room(&stub.url, &password), &outbox, &clock);
    outbox.push(lift(1));
    outbox.push(warning("w/1 ä"));
    outbox.push(warning("w2"));
    (teller, stub, directory)
}

fn sends(stub: &Stub) -> Vec<Request> {
    stub.seen().into_iter().filter(is_send).collect()
}

const FIRST: &str = "PUT /_matrix/client/v3/rooms/!yard:matrix.example/send/m.room.message/w%2F1%20%C3%A4 HTTP/1.1";

#[tokio::test]
async fn each_warning_is_said_under_its_own_transaction() {
    let (teller, stub, _files) = told(|_, _| None).await;
    teller.delivered("matrix", 3).await;
    let seen = stub.seen();
    let login: Value = serde_json::from_str(&seen[0].body).unwrap();
    assert_eq!((&login["device_id"], &login["password"]), (&json!("cabinet-1"), &json!("word")));
    let sends = sends(&stub);
    assert_eq!((seen.len(), sends.len()), (3, 2), "one login, two messages");
    assert_eq!(sends[0].line, FIRST);
    assert!(sends[1].line.contains("/m.room.message/w2 "), "{}", sends[1].line);
    assert!(sends[1].head.contains("authorization: bearer t1"), "{}", sends[1].head);
    let content: Value = serde_json::from_str(&sends[0].body).unwrap();
    for part in ["Yard crane (yard-1), main-hoist", "81.0 %", "Next: plan the general overhaul", "no release for use"] {
        assert!(content["body"].as_str().unwrap().contains(part), "{part} is missing in {content}");
        assert!(content["formatted_body"].as_str().unwrap().contains(part), "{part} is missing in {content}");
    }
    teller.stop().await;
}

#[tokio::test]
async fn a_forgotten_token_costs_a_login_and_no_message() {
    let forgotten = || answer("401 Unauthorized", json!({"errcode": "M_UNKNOWN_TOKEN", "error": "unknown"}));
    let (teller, stub, _files) = told(move |n, _| (n == 1).then(forgotten)).await;
    teller.delivered("matrix", 3).await;
    let tokens: Vec<bool> = sends(&stub).iter().map(|r| r.head.contains("bearer t2")).collect();
    assert_eq!(tokens, [false, false, true]);
    assert_eq!(teller.health("matrix").trouble, None);
    teller.stop().await;
}

#[tokio::test]
async fn the_pause_of_a_speed_limit_is_kept() {
    let limit = || answer("429 Too Many Requests", json!({"errcode": "M_LIMIT_EXCEEDED", "retry_after_ms": 20_000}));
    let (teller, stub, _files) = told(move |n, _| (n == 0).then(limit)).await;
    teller.delivered("matrix", 3).await;
    let sends = sends(&stub);
    assert_eq!((sends.len(), sends[0].line == sends[1].line), (3, true));
    assert!(sends[1].at - sends[0].at >= 20_000, "{} ms", sends[1].at - sends[0].at);
    teller.stop().await;
}

#[tokio::test]
async fn an_invitation_is_accepted_with_the_first_message() {
    let joined = Arc::new(Mutex::new(false));
    let (teller, stub, _files) = told(move |_, request| {
        let mut joined = joined.lock().unwrap();
        if request.line.starts_with("POST /_matrix/client/v3/rooms/!yard:matrix.example/join ") {
            *joined = true;
            return Some(answer("200 OK", json!({"room_id": "!yard:matrix.example"})));
        }
        let forbidden = json!({"errcode": "M_FORBIDDEN", "error": "not in the room"});
        (!*joined).then(|| answer("403 Forbidden", forbidden))
    })
    .await;
    teller.delivered("matrix", 3).await;
    assert_eq!(sends(&stub).len(), 3, "the first message twice, the second once");
    teller.stop().await;
}

/// Nothing is left out for what a person has to mend, and the room is not stormed meanwhile.
#[tokio::test]
async fn what_needs_a_person_is_a_finding_with_its_mend_and_is_tried_seldom() {
    let body = || json!({"errcode": "M_X", "error": "said"});
    for (status, mend) in [
        ("401 Unauthorized", "the account's password"),
        ("403 Forbidden", "invite the account"),
        ("404 Not Found", "check `url` and `room`"),
        ("302 Found", "the final address"),
    ] {
        let (teller, stub, _files) = told(move |_, r| is_send(r).then(|| answer(status, body()))).await;
        teller.wait("the third try", |_| sends(&stub).len() >= 3).await;
        let sends = sends(&stub);
        assert!(sends[1].at - sends[0].at >= 60_000 && sends[2].at - sends[1].at >= 120_000, "{status}");
        let trouble = teller.health("matrix").trouble.unwrap();
        assert!(trouble.what.contains(&status[..3]) && trouble.mend.contains(mend), "{trouble:?}");
        assert_eq!((teller.outbox.cursor("matrix").await.unwrap(), teller.health("matrix").parked), (Some(0), 0));
        teller.stop().await;
    }
}

#[tokio::test]
async fn a_message_that_the_server_cannot_take_is_left_out_and_named() {
    let large = || answer("413 Payload Too Large", json!({"errcode": "M_TOO_LARGE"}));
    let (teller, stub, _files) = told(move |n, _| (n == 0).then(large)).await;
    teller.delivered("matrix", 3).await;
    assert_eq!(sends(&stub).len(), 2);
    assert_eq!(teller.health("matrix").last_parked.unwrap().id, "w/1 ä");
    teller.stop().await;
}

/// Its answer is a few hundred bytes; whatever sends more is not read to its end, which there need not be.
#[tokio::test]
async fn an_endless_answer_is_none_of_a_matrix_server() {
    let endless = || answer("200 OK", json!({"event_id": "$e", "padding": "x".repeat(1 << 20)}));
    let (teller, _stub, _files) = told(move |n, _| (n < 2).then(endless)).await;
    teller.wait("a finding", |t| t.health("matrix").trouble.is_some()).await;
    let trouble = teller.health("matrix").trouble.unwrap();
    assert!(trouble.mend.contains("no answer of a Matrix server"), "{trouble:?}");
    assert_eq!((teller.outbox.cursor("matrix").await.unwrap(), teller.health("matrix").parked), (Some(0), 0));
    teller.delivered("matrix", 3).await;
    teller.stop().await;
}
