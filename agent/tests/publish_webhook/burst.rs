//! Many messages at once, quiet hours and the week, on a webhook: what is told when, and that none of it is lost or
//! told twice, whenever the daemon dies.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use serde_json::{Value, json};
use tallyhook::clock::{Clock, Reading};
use tallyhook::publish::outbox::{MemoryOutbox, Outbox};
use tallyhook::store::Store;
use tallyhook::store::message::Message;
use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_config::model::{Alarms, Config, QuietHolds, Store as StoreConfig, Webhook};

use super::teller::stub::{Play, Stub};
use super::teller::{BEGIN_MS, Teller, hasty_clock, lift, site, warning};

const HOOK: &str = "webhook:chat";

/// A site that tells the stub's webhook.
fn chatting(stub: &Stub, alarms: Alarms) -> Config {
    let hook = Webhook {
        name: "chat".to_owned(),
        url: format!("{}/hook", stub.url),
        headers: Vec::new(),
        header_files: Vec::new(),
        tls: Default::default(),
        template:
            r#"{"text": "{{text}}", "id": "{{id}}", "ids": {{ids}}, "kind": "{{kind}}", "mechanism": {{mechanism}},
                      "quantity": {{quantity}}}"#
                .to_owned(),
    };
    Config { webhooks: vec![hook], alarms, ..site() }
}

/// An outbox of which the webhook has been told nothing yet.
async fn outbox(messages: impl IntoIterator<Item = Message>) -> MemoryOutbox {
    let outbox = MemoryOutbox::default();
    outbox.set_cursor(HOOK, 0).await.unwrap();
    messages.into_iter().for_each(|message| outbox.push(message));
    outbox
}

fn bodies(stub: &Stub) -> Vec<Value> {
    stub.seen().iter().map(|request| serde_json::from_str(&request.body).unwrap()).collect()
}

fn ids(stub: &Stub) -> Vec<String> {
    bodies(stub).iter().map(|body| body["id"].as_str().unwrap().to_owned()).collect()
}

fn overload(id: &str) -> Message {
    let body = json!({"quantity": "overload", "load_kg": 17_280.0, "rated_load_kg": 16_000.0, "fraction": 1.08,
                      "raised": true});
    Message { body, ..warning(id) }
}

fn all_taken() -> impl FnMut(usize, &super::teller::stub::Request) -> Play + Send + 'static {
    |_, _| Play::status("200 OK")
}

#[tokio::test]
async fn a_burst_is_one_message_that_lists_each_and_after_a_kill_the_same_one() {
    let clock = hasty_clock(20);
    // The first one is never answered; all that follow are taken.
    let stub = Stub::start(&clock, |n, _| if n == 0 { Play::Silence } else { Play::status("200 OK") }).await;
    let outbox = outbox((0..12).flat_map(|n| [lift(n), warning(&format!("w{n}"))])).await;
    let teller = Teller::start(chatting(&stub, Alarms::default()), &outbox, &clock);
    teller.wait("the first try", |_| !stub.seen().is_empty()).await;
    assert_eq!(outbox.cursor(HOOK).await.unwrap(), Some(0), "not acknowledged yet, none of them");
    teller.kill();
    // More come before the restart: they are no part of what was sent already.
    (12..15).for_each(|n| outbox.push(warning(&format!("w{n}"))));
    let teller = Teller::start(chatting(&stub, Alarms::default()), &outbox, &clock);
    teller.delivered(HOOK, 27).await;
    assert_eq!(ids(&stub), ["w11:group-of-12", "w11:group-of-12", "w12", "w13", "w14"]);
    let told = bodies(&stub);
    assert_eq!(told[0], told[1], "the same words under the same id");
    let all: Vec<String> = (0..12).map(|n| format!("w{n}")).collect();
    assert_eq!((&told[1]["ids"], &told[1]["kind"]), (&json!(all), &json!("group")));
    assert_eq!((&told[1]["mechanism"], &told[1]["quantity"]), (&json!("main-hoist"), &Value::Null));
    assert_eq!((&told[2]["ids"], &told[2]["quantity"]), (&json!(["w12"]), &json!("used_share")));
    let text = told[1]["text"].as_str().unwrap();
    assert!(text.starts_with("Eastfield precast yard: 12 messages that came together.\n- Crane Yard crane"), "{text}");
    assert_eq!(text.matches("Crane Yard crane (yard-1), main-hoist, since ").count(), 12, "{text}");
    assert_eq!(text.matches("81.0 %").count(), 12, "each in its own words: {text}");
    assert!(text.ends_with("no release for use."), "{text}");
    teller.stop().await;
}

#[tokio::test]
async fn a_message_that_may_have_been_sent_is_told_again_by_itself_and_not_in_a_group() {
    let clock = hasty_clock(20);
    let stub = Stub::start(&clock, |n, _| if n == 0 { Play::Silence } else { Play::status("200 OK") }).await;
    let outbox = outbox([warning("w0")]).await;
    let teller = Teller::start(chatting(&stub, Alarms::default()), &outbox, &clock);
    teller.wait("the first try", |_| !stub.seen().is_empty()).await;
    teller.kill();
    (1..12).for_each(|n| outbox.push(warning(&format!("w{n}"))));
    let teller = Teller::start(chatting(&stub, Alarms::default()), &outbox, &clock);
    teller.delivered(HOOK, 12).await;
    assert_eq!(ids(&stub), ["w0", "w0", "w11:group-of-11"]);
    teller.stop().await;
}

#[tokio::test]
async fn a_burst_is_told_one_by_one_where_the_site_wants_it_or_the_receiver_refuses_it_together() {
    for (group_from, refuses) in [(0, false), (10, true)] {
        let clock = Clock::system();
        let stub = Stub::start(&clock, move |_, request| {
            let refused = refuses && request.body.contains("\"group\"");
            Play::status(if refused { "400 Bad Request" } else { "200 OK" })
        })
        .await;
        let outbox = outbox((0..12).map(|n| warning(&format!("w{n}")))).await;
        let teller = Teller::start(chatting(&stub, Alarms { group_from, ..Alarms::default() }), &outbox, &clock);
        teller.delivered(HOOK, 12).await;
        let told: Vec<String> = ids(&stub).into_iter().filter(|id| !id.contains("group")).collect();
        assert_eq!(told, (0..12).map(|n| format!("w{n}")).collect::<Vec<_>>());
        assert_eq!(teller.health(HOOK).parked, 0);
        teller.stop().await;
    }
}

#[tokio::test]
async fn a_group_is_no_larger_than_a_chat_takes() {
    let clock = Clock::system();
    let stub = Stub::start(&clock, all_taken()).await;
    let long = |n: usize| {
        let body = json!({"finding": "other", "raised": true, "text": "'".repeat(1_000)});
        Message { body, kind: tallyhook::store::message::MessageKind::Finding, ..warning(&format!("f{n}")) }
    };
    let outbox = outbox((0..60).map(long)).await;
    let teller = Teller::start(chatting(&stub, Alarms::default()), &outbox, &clock);
    teller.delivered(HOOK, 60).await;
    let told = bodies(&stub);
    let listed: Vec<&Value> = told.iter().flat_map(|body| body["ids"].as_array().unwrap()).collect();
    assert_eq!(listed, (0..60).map(|n| json!(format!("f{n}"))).collect::<Vec<_>>().iter().collect::<Vec<_>>());
    assert!(told.len() > 6, "{} messages", told.len());
    teller.stop().await;
}

/// The tests' clock begins at 15:06:40 UTC on a Sunday, 2025-06-15, and stands until it is moved.
fn quiet_until_half_past_three(quiet_holds: QuietHolds) -> Alarms {
    Alarms { quiet: Some((15.0, 15.5)), quiet_holds, ..Alarms::default() }
}

/// Moves a clock to a second of the hour from 15:00 on.
fn move_to(clock: &Clock, second: i64) {
    let after = Span::from_ms((second - 400) * 1000);
    clock.set(Reading { wall: Timestamp::from_ms(BEGIN_MS).plus(after), mono: after });
}

/// Real time in which something that is not held would have been told.
async fn a_moment() {
    Clock::system().sleep(Span::from_ms(300)).await;
}

async fn mark(teller: &Teller, name: &str, at_least: u64) {
    teller.delivered(&format!("{HOOK}/{name}"), at_least).await;
}

#[tokio::test]
async fn in_quiet_hours_only_what_matters_for_life_and_limb_is_told_and_the_rest_afterwards() {
    let clock = Clock::manual(Timestamp::from_ms(BEGIN_MS));
    let stub = Stub::start(&clock, all_taken()).await;
    let mut messages: Vec<Message> = (0..12).map(|n| warning(&format!("w{n}"))).collect();
    messages.insert(4, overload("over-1"));
    let outbox = outbox(messages).await;
    let config = chatting(&stub, quiet_until_half_past_three(QuietHolds::Ordinary));
    let teller = Teller::start(config.clone(), &outbox, &clock);
    mark(&teller, "early", 5).await;
    a_moment().await;
    assert_eq!(ids(&stub), ["over-1"]);
    assert!(stub.seen()[0].body.contains("17280 kg"));
    assert_eq!(outbox.cursor(HOOK).await.unwrap(), Some(0), "what is held is not acknowledged");
    // A restart in quiet hours tells nothing again, and a second overload comes at once.
    teller.kill();
    let teller = Teller::start(config, &outbox, &clock);
    outbox.push(overload("over-2"));
    mark(&teller, "early", 14).await;
    a_moment().await;
    assert_eq!(ids(&stub), ["over-1", "over-2"]);
    move_to(&clock, 1801);
    teller.delivered(HOOK, 14).await;
    assert_eq!(ids(&stub), ["over-1", "over-2", "w11:group-of-12"], "and afterwards the others together");
    teller.stop().await;
}

#[tokio::test]
async fn everything_is_held_where_the_configuration_says_so_and_nothing_where_it_says_so() {
    for holds in [QuietHolds::Everything, QuietHolds::Nothing] {
        let clock = Clock::manual(Timestamp::from_ms(BEGIN_MS));
        let stub = Stub::start(&clock, all_taken()).await;
        let outbox = outbox([warning("w1"), overload("over-1")]).await;
        let teller = Teller::start(chatting(&stub, quiet_until_half_past_three(holds)), &outbox, &clock);
        match holds {
            QuietHolds::Everything => a_moment().await,
            _ => teller.delivered(HOOK, 2).await,
        }
        assert_eq!(ids(&stub).is_empty(), holds == QuietHolds::Everything, "{holds:?}");
        move_to(&clock, 1801);
        teller.delivered(HOOK, 2).await;
        assert_eq!(ids(&stub), ["w1", "over-1"]);
        teller.stop().await;
    }
}

#[tokio::test]
async fn a_message_that_could_not_be_told_before_the_quiet_hours_waits_for_their_end() {
    let clock = Clock::manual(Timestamp::from_ms(BEGIN_MS));
    let stub =
        Stub::start(&clock, |n, _| Play::status(if n == 0 { "503 Service Unavailable" } else { "200 OK" })).await;
    let outbox = outbox([warning("w1")]).await;
    let quiet = Alarms { quiet: Some((15.125, 15.5)), ..Alarms::default() };
    let teller = Teller::start(chatting(&stub, quiet), &outbox, &clock);
    teller.wait("the first try", |t| t.health(HOOK).failures == 1).await;
    move_to(&clock, 600);
    a_moment().await;
    assert_eq!(ids(&stub), ["w1"], "not again in the quiet hours");
    // What matters is told meanwhile, ahead of it.
    outbox.push(overload("over-1"));
    mark(&teller, "early", 2).await;
    move_to(&clock, 1801);
    teller.delivered(HOOK, 2).await;
    assert_eq!(ids(&stub), ["w1", "over-1", "w1"]);
    teller.stop().await;
}

#[tokio::test]
async fn the_week_is_told_once_and_after_a_kill_under_the_same_id() {
    let clock = Clock::manual(Timestamp::from_ms(BEGIN_MS));
    let stub = Stub::start(&clock, |n, _| if n == 0 { Play::Silence } else { Play::status("200 OK") }).await;
    let directory = tempfile::tempdir().unwrap();
    drop(Store::open(directory.path()).unwrap());
    let outbox = outbox([]).await;
    let alarms = Alarms { digest: Some((7, 15.25)), ..Alarms::default() };
    let config = Config { store: StoreConfig::plain(directory.path()), ..chatting(&stub, alarms) };
    let teller = Teller::start(config.clone(), &outbox, &clock);
    // A new chat is told of no week that is over.
    mark(&teller, "digest", 1).await;
    a_moment().await;
    assert!(stub.seen().is_empty());
    move_to(&clock, 900);
    teller.wait("the week", |_| !stub.seen().is_empty()).await;
    teller.kill();
    let teller = Teller::start(config.clone(), &outbox, &clock);
    mark(&teller, "digest", 1_750_000_500).await;
    teller.kill();
    let teller = Teller::start(config, &outbox, &clock);
    outbox.push(warning("w1"));
    teller.delivered(HOOK, 1).await;
    a_moment().await;
    let told = bodies(&stub);
    let due = "week:yard-1:1750000500";
    assert_eq!(ids(&stub), [due, due, "w1"]);
    let text = told[1]["text"].as_str().unwrap();
    for part in
        ["the week from 2025-06-08 to 2025-06-14.", "- Crane Yard crane (yard-1), main-hoist: 0.0 h", "No warning"]
    {
        assert!(text.contains(part), "{part} is missing in {text}");
    }
    assert_eq!((&told[1]["kind"], &told[1]["ids"]), (&json!("digest"), &json!([])));
    teller.stop().await;
}

/// A clock that stands, a receiver that refuses what it is told to, and its webhook at work on an outbox.
struct Refusing {
    clock: Clock,
    stub: Stub,
    outbox: MemoryOutbox,
    teller: Teller,
}

impl Refusing {
    async fn start(
        messages: impl IntoIterator<Item = Message>,
        alarms: Alarms,
        refuses: impl Fn(&str) -> bool + Send + 'static,
    ) -> Self {
        let clock = Clock::manual(Timestamp::from_ms(BEGIN_MS));
        let stub = Stub::start(&clock, move |_, request| {
            let id = serde_json::from_str::<Value>(&request.body).unwrap()["id"].as_str().unwrap().to_owned();
            Play::status(if refuses(&id) { "422 Unprocessable Content" } else { "200 OK" })
        })
        .await;
        let outbox = outbox(messages).await;
        let teller = Teller::start(chatting(&stub, alarms), &outbox, &clock);
        Refusing { clock, stub, outbox, teller }
    }

    /// Waits for so many requests, and sees that there are no more of them.
    async fn asked(&self, count: usize) {
        self.teller.wait(&format!("request {count}"), |_| self.stub.seen().len() >= count).await;
        a_moment().await;
        assert_eq!(self.stub.seen().len(), count, "{:?}", ids(&self.stub));
    }

    async fn nothing_is_left_out(&self) {
        assert_eq!(self.teller.health(HOOK).parked, 0);
        assert_eq!(self.outbox.cursor(HOOK).await.unwrap(), Some(0));
        let trouble = self.teller.health(HOOK).trouble.unwrap();
        assert!(trouble.what.contains("422") && trouble.mend.contains("template"), "{trouble:?}");
    }
}

#[tokio::test]
async fn a_receiver_that_refuses_everything_does_not_empty_the_outbox() {
    let mended = Arc::new(AtomicBool::new(false));
    let seen = mended.clone();
    let three = (0..3).map(|n| warning(&format!("w{n}")));
    let site = Refusing::start(three, Alarms::default(), move |_| !seen.load(Ordering::SeqCst)).await;
    site.asked(3).await;
    site.nothing_is_left_out().await;
    // What is no news for people begins nothing anew; what is does, at once.
    site.outbox.push(lift(1));
    site.asked(3).await;
    site.outbox.push(warning("w3"));
    site.asked(7).await;
    // Otherwise all is told again after a pause, and the pauses grow.
    let now = site.clock.now();
    for (seconds, asked) in [(59, 7), (121, 11), (180, 11), (370, 15)] {
        let after = Span::from_ms(seconds * 1000);
        site.clock.set(Reading { wall: now.wall.plus(after), mono: now.mono.plus(after) });
        site.asked(asked).await;
    }
    site.nothing_is_left_out().await;
    let told = site.stub.seen().len();
    mended.store(true, Ordering::SeqCst);
    site.outbox.push(warning("w4"));
    site.teller.delivered(HOOK, 6).await;
    assert_eq!(ids(&site.stub)[told..], ["w0", "w1", "w2", "w3", "w4"], "all of them, in their order");
    assert_eq!((site.teller.health(HOOK).parked, site.teller.health(HOOK).trouble), (0, None));
    site.teller.stop().await;
}

#[tokio::test]
async fn what_is_refused_by_itself_is_left_out_once_another_one_is_taken_and_stands_in_nobodys_way() {
    let site =
        Refusing::start([warning("bad-1"), warning("bad-2")], Alarms::default(), |id| id.starts_with("bad")).await;
    site.asked(2).await;
    site.nothing_is_left_out().await;
    // At once, without waiting for the end of a pause.
    site.outbox.push(warning("good"));
    site.teller.delivered(HOOK, 3).await;
    assert_eq!(ids(&site.stub), ["bad-1", "bad-2", "bad-1", "bad-2", "good"]);
    let health = site.teller.health(HOOK);
    assert_eq!((health.parked, health.trouble), (2, None));
    let last = health.last_parked.unwrap();
    assert_eq!(last.id, "bad-2");
    assert!(last.why.contains("422"), "{last:?}");
    site.teller.stop().await;
}

#[tokio::test]
async fn after_a_kill_what_was_refused_is_no_group_where_the_site_wants_none() {
    let alarms = Alarms { group_from: 0, ..Alarms::default() };
    let site = Refusing::start([warning("w0"), warning("w1")], alarms, |_| true).await;
    site.asked(2).await;
    let Refusing { clock, stub, outbox, teller } = site;
    teller.kill();
    let teller = Teller::start(chatting(&stub, alarms), &outbox, &clock);
    let site = Refusing { clock, stub, outbox, teller };
    site.asked(4).await;
    assert_eq!(ids(&site.stub), ["w0", "w1", "w0", "w1"]);
    site.nothing_is_left_out().await;
    site.teller.stop().await;
}

#[tokio::test]
async fn what_is_refused_in_quiet_hours_is_told_once_the_receiver_takes_it_and_what_they_hold_afterwards() {
    let mended = Arc::new(AtomicBool::new(false));
    let seen = mended.clone();
    let alarms = quiet_until_half_past_three(QuietHolds::Ordinary);
    let messages = [warning("w1"), overload("over-1"), warning("w2"), overload("over-2")];
    let site = Refusing::start(messages, alarms, move |_| !seen.load(Ordering::SeqCst)).await;
    site.asked(2).await;
    move_to(&site.clock, 400 + 61);
    site.asked(4).await;
    site.nothing_is_left_out().await;
    assert_eq!(site.outbox.cursor(&format!("{HOOK}/early")).await.unwrap(), None);
    mended.store(true, Ordering::SeqCst);
    move_to(&site.clock, 400 + 61 + 121);
    mark(&site.teller, "early", 4).await;
    move_to(&site.clock, 1801);
    site.teller.delivered(HOOK, 4).await;
    assert_eq!(ids(&site.stub)[4..], ["over-1", "over-2", "w1", "w2"]);
    assert_eq!(site.teller.health(HOOK).parked, 0);
    site.teller.stop().await;
}

#[tokio::test]
async fn a_backlog_is_not_hurled_at_a_receiver_that_refuses_everything() {
    let many = (0..200).map(|n| warning(&format!("w{n}")));
    let site = Refusing::start(many, Alarms::default(), |_| true).await;
    // Two groups, and 64 messages of theirs.
    site.asked(66).await;
    site.outbox.push(warning("another"));
    site.asked(66).await;
    site.nothing_is_left_out().await;
    site.teller.stop().await;
}

#[tokio::test]
async fn a_week_that_is_refused_is_told_again_and_left_out_once_something_else_is_taken() {
    let directory = tempfile::tempdir().unwrap();
    drop(Store::open(directory.path()).unwrap());
    let clock = Clock::manual(Timestamp::from_ms(BEGIN_MS));
    let stub = Stub::start(&clock, |_, request| {
        Play::status(if request.body.contains("\"digest\"") { "400 Bad Request" } else { "200 OK" })
    })
    .await;
    let outbox = outbox([]).await;
    let alarms = Alarms { digest: Some((7, 15.25)), ..Alarms::default() };
    let config = Config { store: StoreConfig::plain(directory.path()), ..chatting(&stub, alarms) };
    let teller = Teller::start(config, &outbox, &clock);
    mark(&teller, "digest", 1).await;
    a_moment().await;
    let due = "week:yard-1:1750000500";
    for (second, tries) in [(900, 1), (1_000, 1), (1_801, 2)] {
        move_to(&clock, second);
        teller.wait("the week", |_| stub.seen().len() >= tries).await;
        a_moment().await;
        assert_eq!(ids(&stub), vec![due; tries], "at second {second}");
        assert_eq!(teller.health(HOOK).parked, 0);
        assert!(outbox.cursor(&format!("{HOOK}/digest")).await.unwrap() < Some(1_750_000_500));
    }
    outbox.push(warning("w1"));
    mark(&teller, "digest", 1_750_000_500).await;
    assert_eq!(ids(&stub), [due, due, "w1", due]);
    assert_eq!(teller.health(HOOK).last_parked.unwrap().id, due);
    teller.stop().await;
}

/// 2038-01-19, as a worn clock shows it for a minute; the seconds of the hour go on.
fn in_2038(clock: &Clock, second: i64) {
    let mono = Span::from_ms((second - 400) * 1000);
    clock.set(Reading { wall: Timestamp::from_ms(2_147_483_640_000).plus(mono), mono });
}

#[tokio::test]
async fn a_jump_of_the_clock_does_not_silence_the_weeks_after_it() {
    for recorded in [false, true] {
        let clock = Clock::manual(Timestamp::from_ms(BEGIN_MS));
        let stub = Stub::start(&clock, all_taken()).await;
        let directory = tempfile::tempdir().unwrap();
        let store = Store::open(directory.path()).unwrap().into_handle().unwrap();
        store.set_cursor(HOOK, 0).await.unwrap();
        let alarms = Alarms { digest: Some((7, 15.25)), ..Alarms::default() };
        let config = Config { store: StoreConfig::plain(directory.path()), ..chatting(&stub, alarms) };
        let key = format!("{HOOK}/digest");
        let (real, stored) = (Clock::system(), store.clone());
        let marked = async |wanted: u64| {
            for _ in 0..3000 {
                if stored.cursor(&key).await.unwrap() == Some(wanted) {
                    return;
                }
                real.sleep(Span::from_ms(10)).await;
            }
            panic!("{wanted} is not marked: {:?}", stored.cursor(&key).await);
        };
        let teller = Teller::start_on(config, store.clone(), store.stored(), &clock);
        // The week before is not told to a new chat.
        marked(1_749_395_700).await;
        if recorded {
            let mut figures = (**teller.figures.borrow()).clone();
            figures.mechanisms[0].record_to = Some("2025-06-15T15:06:30Z".to_owned());
            teller.figures.send_replace(Arc::new(figures));
        }
        in_2038(&clock, 500);
        if recorded {
            a_moment().await;
            assert!(stub.seen().is_empty(), "no such week is on record: {:?}", ids(&stub));
        } else {
            teller.wait("the week of 2038", |_| !stub.seen().is_empty()).await;
            marked(2_147_354_100).await;
        }
        // The clock is right again, and the week is over.
        move_to(&clock, 600);
        marked(1_749_395_700).await;
        a_moment().await;
        move_to(&clock, 900);
        marked(1_750_000_500).await;
        assert_eq!(ids(&stub).last().unwrap(), "week:yard-1:1750000500");
        teller.stop().await;
    }
}
