//! Writes to a time-series server that plays every class of answer: nothing is lost, nothing doubled by its timestamp,
//! and the finding names what stands in the way.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test fails by panicking")]

mod teller;

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Arc, Mutex};

use serde_json::json;
use tallyhook::clock::Clock;
use tallyhook::figures::{self, Forecast, Record};
use tallyhook::publish::outbox::{MemoryOutbox, Outbox};
use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_config::model::{Config, Influx, Precision};
use teller::line_protocol::{Line, parse};
use teller::stub::{Play, Request, Stub};
use teller::{BEGIN_MS, Teller, hasty_clock, lift, site, warning};

/// What a server has stored: by measurement, tags and time, so that a second write of a point changes nothing.
#[derive(Clone, Default)]
struct Stored(Arc<Mutex<BTreeMap<String, Line>>>);

impl Stored {
    /// Stores a body's lines, each of which must pass the strict parser.
    fn take(&self, body: &str) {
        for line in body.split('\n') {
            let line = parse(line).unwrap_or_else(|fault| panic!("{fault} in {line}"));
            self.0.lock().unwrap().insert(line.key(), line);
        }
    }

    fn of(&self, measurement: &str) -> Vec<Line> {
        self.0.lock().unwrap().values().filter(|line| line.measurement == measurement).cloned().collect()
    }

    /// The loads of the lifts, which are the messages' numbers.
    fn lifts(&self) -> Vec<usize> {
        let mut loads: Vec<usize> = self.of("crane_lift").iter().map(|l| l.float("load_kg") as usize).collect();
        loads.sort();
        loads
    }
}

fn server(url: &str, token_file: Option<&Path>) -> Config {
    let influx = Influx {
        url: url.to_owned(),
        org: "plant & yard".to_owned(),
        bucket: "cranes".to_owned(),
        token_file: token_file.map(Path::to_owned),
        tls: Default::default(),
        precision: Precision::Ms,
        batch: 8,
        timeout: Span::from_ms(300),
        health_every: Span::from_ms(86_400_000),
        from_start: false,
    };
    Config { influx: Some(influx), ..site() }
}

/// Tells 20 lifts to a server whose `play` answers the writes that hold lifts; whatever it answers with 204 is
/// stored, and so is the body of a write whose answer breaks off.
async fn told(mut play: impl FnMut(usize, &Request) -> Play + Send + 'static) -> (Teller, Stub, Stored) {
    let clock = hasty_clock(5);
    let stored = Stored::default();
    let kept = stored.clone();
    let mut lifts = 0;
    let stub = Stub::start(&clock, move |_, request| {
        let played = if request.body.contains("crane_lift") {
            lifts += 1;
            play(lifts - 1, request)
        } else {
            Play::status("204 No Content")
        };
        if matches!(&played, Play::Answer(status, _) if status.starts_with("204")) || matches!(played, Play::Half(_)) {
            kept.take(&request.body);
        }
        played
    })
    .await;
    let outbox = MemoryOutbox::default();
    let teller = Teller::start(server(&stub.url, None), &outbox, &clock);
    (0..20).for_each(|n| outbox.push(lift(n)));
    (teller, stub, stored)
}

fn all() -> Vec<usize> {
    (0..20).collect()
}

/// The times of the writes that held the first lift.
fn tries(stub: &Stub) -> Vec<i64> {
    let first = |request: &&Request| request.body.contains("load_kg=0,");
    stub.seen().iter().filter(first).map(|request| request.at).collect()
}

#[tokio::test]
async fn what_is_taken_is_told_once_with_its_address_and_token() {
    let clock = hasty_clock(5);
    let directory = tempfile::tempdir().unwrap();
    let token = directory.path().join("token");
    std::fs::write(&token, "secret\n").unwrap();
    let stub = Stub::start(&clock, |_, _| Play::status("204 No Content")).await;
    let outbox = MemoryOutbox::default();
    let teller = Teller::start(server(&stub.url, Some(&token)), &outbox, &clock);
    (0..20).for_each(|n| outbox.push(lift(n)));
    outbox.push(warning("w1"));
    teller.delivered("influx", 21).await;
    let stored = Stored::default();
    for request in stub.seen() {
        assert_eq!(
            request.line, "POST /api/v2/write?org=plant+%26+yard&bucket=cranes&precision=ms HTTP/1.1",
            "the address of a write"
        );
        assert!(request.head.contains("authorization: token secret"), "{}", request.head);
        stored.take(&request.body);
        assert!(request.body.lines().count() <= 8, "over the batch");
    }
    let lines: usize = stub.seen().iter().map(|r| r.body.lines().filter(|l| l.starts_with("crane_lift")).count()).sum();
    assert_eq!((stored.lifts(), lines), (all(), 20), "each once");
    let lift = stored.of("crane_lift").into_iter().find(|l| l.float("load_kg") == 7.0).unwrap();
    assert_eq!(lift.at, BEGIN_MS + 7 * 60_000);
    assert_eq!(stored.of("crane_warning")[0].tags["level"], "0.8");
    let health = stored.of("crane_recorder");
    assert_eq!((health.len(), health[0].tags["site"].as_str()), (1, "Eastfield precast yard"));
    teller.stop().await;
}

/// Each of these stands in the way three times and then goes away.
#[tokio::test]
async fn what_passes_by_itself_costs_pauses_that_grow_and_nothing_else() {
    for (name, play, what, mend) in [
        ("500", Play::status("500 Internal Server Error"), "answer 500", "server's own log"),
        ("503", Play::status("503 Service Unavailable"), "answer 503", "server's own log"),
        ("429", Play::status("429 Too Many Requests"), "answer 429", "slow down"),
        ("silence", Play::Silence, "no answer within 0.3 s", "not overloaded"),
        ("half a head", Play::Half("HTTP/1.1 20"), "the request failed", "the server runs"),
        ("half a refusal", Play::Half("HTTP/1.1 400 Bad Request\r\nContent-Length: 90\r\n\r\n{\"co"), "failed", "runs"),
        ("hang-up", Play::Half(""), "the request failed", "the server runs"),
    ] {
        let (teller, stub, stored) = told(move |n, _| match n {
            0..3 => play.clone(),
            _ => Play::status("204 No Content"),
        })
        .await;
        teller.wait(name, |t| t.health("influx").trouble.is_some()).await;
        let trouble = teller.health("influx").trouble.unwrap();
        assert!(trouble.what.contains(what) && trouble.mend.contains(mend), "{name}: {trouble:?}");
        teller.delivered("influx", 20).await;
        assert_eq!(stored.lifts(), all(), "{name}");
        let tries = tries(&stub);
        assert_eq!(tries.len(), 4, "{name}");
        let pauses: Vec<i64> = tries.windows(2).map(|pair| pair[1] - pair[0]).collect();
        // The hasty clock shows whole seconds.
        assert!(pauses.iter().zip([1_000, 2_000, 4_000]).all(|(pause, least)| *pause >= least), "{name}: {pauses:?}");
        teller.wait("recovery", |t| t.health("influx").trouble.is_none()).await;
        assert_eq!((teller.health("influx").failures, teller.health("influx").parked), (3, 0), "{name}");
        teller.stop().await;
    }
}

#[tokio::test]
async fn the_pause_that_the_server_asks_for_is_kept() {
    for status in ["429 Too Many Requests\r\nRetry-After: 40", "503 Service Unavailable\r\nRetry-After: 40"] {
        let (teller, stub, stored) =
            told(move |n, _| Play::status(if n == 0 { status } else { "204 No Content" })).await;
        teller.delivered("influx", 20).await;
        let tries = tries(&stub);
        assert_eq!((stored.lifts(), tries.len()), (all(), 2), "{status}");
        assert!(tries[1] - tries[0] >= 40_000, "{status}: {tries:?}");
        teller.stop().await;
    }
}

#[tokio::test]
async fn lines_that_the_server_refuses_are_found_left_out_and_named() {
    let (teller, stub, stored) = told(|_, request| {
        // A partial write of InfluxDB stores the good lines; the program cannot know that and writes them again.
        if request.body.lines().any(|line| line.contains("load_kg=13,") || line.contains("load_kg=14,")) {
            let said = r#"{"code":"invalid","message":"field type conflict: \"starts\""}"#;
            return Play::Answer("400 Bad Request".to_owned(), said.to_owned());
        }
        Play::status("204 No Content")
    })
    .await;
    teller.delivered("influx", 20).await;
    assert_eq!(stored.lifts(), (0..20).filter(|n| ![13, 14].contains(n)).collect::<Vec<_>>());
    let health = teller.health("influx");
    let last = health.last_parked.unwrap();
    assert_eq!((health.parked, last.id.as_str(), health.trouble), (2, "m14", None));
    assert!(last.why.contains("field type conflict"), "{last:?}");
    // Lines 8 to 15 in halves: 8, 4 + 4, 2 + 2, 1 + 1 and 1 + 1.
    let holding = stub.seen().iter().filter(|r| r.body.contains("load_kg=13,")).count();
    assert_eq!(holding, 4, "the bad line is found by halving");
    teller.stop().await;
}

#[tokio::test]
async fn a_body_that_is_too_large_is_halved_until_it_fits() {
    let (teller, _, stored) = told(|_, request| {
        let fits = request.body.lines().count() <= 3;
        Play::status(if fits { "204 No Content" } else { "413 Request Entity Too Large" })
    })
    .await;
    teller.delivered("influx", 20).await;
    assert_eq!(stored.lifts(), all());
    assert_eq!(teller.health("influx").parked, 0);
    teller.stop().await;
}

/// Each of these stands until a person does something: here until the token file changes.
#[tokio::test]
async fn what_needs_a_person_is_a_finding_with_its_mend_and_is_tried_seldom() {
    for (status, mend) in [
        ("401 Unauthorized", "a valid token into `token_file`"),
        ("403 Forbidden", "the right to write"),
        ("404 Not Found", "make the bucket"),
        ("302 Found\r\nLocation: https://login.example/", "the final address"),
        ("200 OK", "`url` is the server's"),
    ] {
        let clock = hasty_clock(5);
        let directory = tempfile::tempdir().unwrap();
        let token = directory.path().join("token");
        std::fs::write(&token, "old").unwrap();
        let stored = Stored::default();
        let kept = stored.clone();
        let stub = Stub::start(&clock, move |_, request| {
            if request.head.contains("token new") {
                kept.take(&request.body);
                return Play::status("204 No Content");
            }
            Play::status(status)
        })
        .await;
        let outbox = MemoryOutbox::default();
        let teller = Teller::start(server(&stub.url, Some(&token)), &outbox, &clock);
        (0..20).for_each(|n| outbox.push(lift(n)));
        teller.wait("the third try", |_| tries(&stub).len() >= 3).await;
        let tries = tries(&stub);
        assert!(tries[1] - tries[0] >= 60_000 && tries[2] - tries[1] >= 120_000, "{status}: {tries:?}");
        let trouble = teller.health("influx").trouble.unwrap();
        assert!(trouble.what.contains(&status[..3]) && trouble.mend.contains(mend), "{trouble:?}");
        assert_eq!(outbox.cursor("influx").await.unwrap(), Some(0), "{status}: nothing is given up");
        std::fs::write(&token, "new").unwrap();
        teller.delivered("influx", 20).await;
        assert_eq!(stored.lifts(), all(), "{status}");
        teller.stop().await;
    }
}

/// A server that refuses whatever it is sent is no reason to leave everything out, line by line.
#[tokio::test]
async fn a_server_that_refuses_everything_empties_no_outbox() {
    let clock = hasty_clock(5);
    let stub = Stub::start(&clock, |_, _| Play::status("400 Bad Request")).await;
    let outbox = MemoryOutbox::default();
    let teller = Teller::start(server(&stub.url, None), &outbox, &clock);
    (0..20).for_each(|n| outbox.push(lift(n)));
    let refused = "even its own health is refused";
    teller.wait("the finding", |t| t.health("influx").trouble.is_some_and(|t| t.what.contains(refused))).await;
    Clock::system().sleep(Span::from_ms(1000)).await;
    assert_eq!(outbox.cursor("influx").await.unwrap(), Some(0));
    assert_eq!(teller.health("influx").parked, 0);
    assert!(stub.seen().len() < 20, "{} requests", stub.seen().len());
    teller.stop().await;
}

/// An hour of the record gives one set of sums, at the record's own time; the month's figures are differences.
#[tokio::test]
async fn each_hour_of_the_record_gives_its_sums_once() {
    let clock = hasty_clock(5);
    let stub = Stub::start(&clock, |_, _| Play::status("204 No Content")).await;
    let config = server(&stub.url, None);
    let teller = Teller::start(config.clone(), &MemoryOutbox::default(), &clock);
    let hour = 3_600_000;
    let first = BEGIN_MS.div_euclid(hour) * hour + 60_000;
    // Two looks in the first hour, then one in the second and one in the third.
    for (n, at) in [first, first + 1_000, first + hour, first + 2 * hour].into_iter().enumerate() {
        let mut record = Record { counted_to: Some(Timestamp::from_ms(at)), ..Record::default() };
        record.totals.running_ms = 3_600_000 * (n as u64 + 1);
        record.totals.band_ms[3] = record.totals.running_ms;
        record.totals.starts = 10 * n as u64;
        record.forecast = Some(Forecast::of_days(20_000, Some(20_100), None));
        teller.figures.send_replace(Arc::new(figures::of_site(&config, |_| record.clone())));
        let needle = at.to_string();
        match n {
            1 => Clock::system().sleep(Span::from_ms(200)).await,
            _ => teller.wait("the hour", |_| stub.seen().iter().any(|r| r.body.contains(&needle))).await,
        }
    }
    let stored = Stored::default();
    stub.seen().iter().for_each(|request| stored.take(&request.body));
    let uses = stored.of("crane_use");
    let seen: Vec<(i64, f64)> = uses.iter().map(|l| (l.at, l.float("running_hours"))).collect();
    assert_eq!(seen, [(first, 1.0), (first + hour, 3.0), (first + 2 * hour, 4.0)]);
    assert_eq!(uses[0].tags["group"], "M5");
    let end = teller::line_protocol::Value::Whole(20_100 * 86_400);
    assert_eq!((&uses[0].fields["end_p50_seconds"], uses[0].fields.contains_key("end_p90_seconds")), (&end, false));
    let bands: Vec<Line> = stored.of("crane_spectrum").into_iter().filter(|l| l.at == first).collect();
    let hours: f64 = bands.iter().map(|band| band.float("running_hours")).sum();
    assert_eq!((bands.len(), hours), (tallyhook_analysis::spectrum::BANDS, 1.0));
    assert_eq!(bands.iter().find(|b| b.float("running_hours") > 0.0).unwrap().tags["band"], "030-040");
    teller.stop().await;
}

/// Two levels that one sample crosses, and the same level reached and left, are points of their own.
#[tokio::test]
async fn no_two_events_become_one_point() {
    let clock = hasty_clock(5);
    let stub = Stub::start(&clock, |_, _| Play::status("204 No Content")).await;
    let outbox = MemoryOutbox::default();
    let teller = Teller::start(server(&stub.url, None), &outbox, &clock);
    let mut events = Vec::new();
    for (n, level) in [0.8, 0.9].into_iter().enumerate() {
        let mut event = warning(&format!("w{n}"));
        event.body["level"] = json!(level);
        events.push(event);
    }
    let mut back = warning("w2");
    back.body["raised"] = json!(false);
    back.at = back.at.plus(Span::from_ms(1));
    events.push(back);
    events.into_iter().for_each(|event| outbox.push(event));
    teller.delivered("influx", 3).await;
    let stored = Stored::default();
    stub.seen().iter().for_each(|request| stored.take(&request.body));
    assert_eq!(stored.of("crane_warning").len(), 3);
    teller.stop().await;
}
