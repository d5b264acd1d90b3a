//! What a book tells, and that it tells it once.

use serde_json::Value;
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::service::ServiceKind;
use tallyhook_analysis::units::Timestamp;
use tallyhook_config::model::{Config, Mechanism};

use super::book::{Book, Left, SiteCalendar};
use crate::store::message::{Message, MessageKind};
use crate::store::service::{Service, StoredService, Work};

/// The starter's hoist with what `change` says.
fn config(change: impl FnOnce(&mut Mechanism)) -> Config {
    let text = tallyhook_config::starter(&tallyhook_config::StarterOptions::default());
    let mut config = tallyhook_config::load(&text, "site.toml").unwrap();
    let hoist = &mut config.cranes[0].mechanisms[0];
    hoist.spec.stale_after = tallyhook_analysis::units::Span::from_ms(120_000);
    change(hoist);
    config
}

fn book(config: &Config, left: Option<Left>) -> Book {
    let crane = &config.cranes[0];
    Book::open(crane, &crane.mechanisms[0], SiteCalendar(config.time_zone.clone()), left)
}

/// A sample `seconds` after midnight of 2026-03-02.
fn sample(seconds: i64, runs: bool, load_kg: i64) -> Sample {
    let mut s = Sample::at(Timestamp::from_ms(1_772_409_600_000 + seconds * 1000));
    s.set_flag(Flag::Raising, Some(runs));
    s.set_flag(Flag::Lowering, Some(false));
    s.set(Quantity::Load, Some(load_kg * 1000));
    s
}

/// What was told since the last commit, which is taken to go through.
fn told(book: &mut Book) -> Vec<Message> {
    let messages = book.commit().map(|commit| commit.messages).unwrap_or_default();
    book.committed();
    messages
}

fn warnings<'a>(messages: &'a [Message], quantity: &str) -> Vec<&'a Value> {
    let warns = messages.iter().filter(|m| m.kind == MessageKind::Warning && m.body["quantity"] == quantity);
    warns.map(|m| &m.body).collect()
}

fn overhaul(at: Timestamp) -> Service {
    Service {
        mechanism: "main-hoist".to_owned(),
        at,
        work: Work::Period { by: ServiceKind::Overhaul, design_full_load_hours: None },
        by: "R. Field".to_owned(),
        note: String::new(),
    }
}

#[test]
fn the_last_stretch_of_a_run_is_news_although_the_hoist_rests_by_then() {
    let mut book = book(&config(|_| ()), None);
    book.take(&sample(0, true, 0));
    assert!(book.has_news());
    book.committed();
    book.take(&sample(10, false, 0));
    assert!(book.has_news(), "ten seconds of running that are in no commit yet");
    assert_eq!(book.account().recorder().totals().running_ms, 10_000);
    book.committed();
    book.take(&sample(20, false, 0));
    assert!(!book.has_news(), "rest is committed with what follows it");
}

#[test]
fn starts_that_hover_about_a_level_are_told_once_and_once_when_they_have_fallen() {
    let config = config(|hoist| hoist.warn.starts_per_hour = vec![30.0]);
    let mut book = book(&config, None);
    let mut messages = Vec::new();
    let mut at = 0;
    // A start every two minutes: 30 in the hour, give or take one, for three hours.
    for start in 0..90 {
        book.take(&sample(at, true, 0));
        book.take(&sample(at + 10, false, 0));
        at += if start % 2 == 0 { 117 } else { 123 };
        messages.extend(told(&mut book));
        // Stored and opened again it must not say it twice.
        if start == 60 {
            let commit = book.commit().unwrap();
            book = self::book(&config, Some((commit.state, commit.warn_crossed)));
        }
    }
    let said = warnings(&messages, "starts_per_hour");
    assert_eq!(said.len(), 1, "{said:?}");
    assert_eq!((&said[0]["level"], &said[0]["raised"]), (&Value::from(30.0), &Value::from(true)));
    // An hour in which it hardly moves.
    for minute in 0..60 {
        book.take(&sample(at + minute * 60, minute % 20 == 0, 0));
    }
    let messages = told(&mut book);
    let said = warnings(&messages, "starts_per_hour");
    assert_eq!(said.len(), 1, "{said:?}");
    assert_eq!(said[0]["raised"], false);
}

#[test]
fn a_used_share_is_told_once_a_level_and_cleared_by_an_overhaul() {
    let config = config(|hoist| hoist.design_full_load_hours = Some(1.0));
    let mut book = book(&config, None);
    for minute in 0..70 {
        book.take(&sample(minute * 60, true, 12_500));
    }
    let messages = told(&mut book);
    let levels: Vec<f64> =
        warnings(&messages, "used_share").iter().map(|body| body["level"].as_f64().unwrap()).collect();
    assert_eq!(levels, [0.8, 0.9, 1.0]);

    let now = Timestamp::from_ms(1_772_409_600_000 + 70 * 60_000);
    book.take_service(&StoredService { seq: 7, service: overhaul(now), taken: None }, now);
    let commit = book.commit().unwrap();
    assert_eq!(commit.services, [7], "the entry is marked in the transaction that stores what it did");
    let cleared = warnings(&commit.messages, "used_share");
    assert!(cleared.len() == 3 && cleared.iter().all(|body| body["raised"] == false), "{cleared:?}");
    assert_eq!(book.account().used_share(), 0.0);
}

#[test]
fn an_overhaul_clears_a_level_that_is_no_greater_than_the_hysteresis() {
    for (level, hysteresis) in [(0.3, 0.5), (0.01, 0.01)] {
        let config = config(|hoist| {
            hoist.design_full_load_hours = Some(1.0);
            hoist.warn.used_share = vec![level];
            hoist.warn.used_share_hysteresis = hysteresis;
        });
        let mut book = book(&config, None);
        for minute in 0..30 {
            book.take(&sample(minute * 60, true, 12_500));
        }
        assert_eq!(warnings(&told(&mut book), "used_share").len(), 1);
        let now = Timestamp::from_ms(1_772_409_600_000 + 30 * 60_000);
        book.take_service(&StoredService { seq: 7, service: overhaul(now), taken: None }, now);
        let messages = told(&mut book);
        let said = warnings(&messages, "used_share");
        assert!(said.len() == 1 && said[0]["raised"] == false, "{level} {hysteresis}: {said:?}");
        // From there on it can be told again.
        for minute in 31..60 {
            book.take(&sample(minute * 60, true, 12_500));
        }
        let messages = told(&mut book);
        let said = warnings(&messages, "used_share");
        assert!(said.len() == 1 && said[0]["raised"] == true, "{level} {hysteresis}: {said:?}");
    }
}

/// The third of three levels is the second of two: a count alone would take 0.9 for crossed.
#[test]
fn a_level_that_was_not_reached_is_told_under_a_changed_configuration_too() {
    let with = |levels: &[f64]| {
        config(|hoist| {
            hoist.design_full_load_hours = Some(1.0);
            hoist.warn.used_share = levels.to_vec();
        })
    };
    let mut first = book(&with(&[0.8, 0.9, 1.0]), None);
    for second in (0..3_222).step_by(60).chain([3_222]) {
        first.take(&sample(second, true, 12_500));
    }
    let commit = first.commit().unwrap();
    assert!((first.account().used_share() - 0.895).abs() < 1e-9);
    let levels = |messages: &[Message]| -> Vec<(f64, bool)> {
        let said = warnings(messages, "used_share").into_iter();
        said.map(|body| (body["level"].as_f64().unwrap(), body["raised"] == true)).collect()
    };
    assert_eq!(levels(&commit.messages), [(0.8, true)]);
    let mut store_of_before = commit.warn_crossed.clone();
    store_of_before.retain(|key, _| !key.contains(':'));
    for (now, left, then) in [
        (&[0.9, 1.0][..], &commit.warn_crossed, &[(0.9, true)][..]),
        (&[0.7, 0.8, 0.85, 0.9], &commit.warn_crossed, &[(0.85, true), (0.9, true)]),
        (&[0.8, 0.9, 1.0], &commit.warn_crossed, &[(0.9, true)]),
        (&[0.8, 0.9, 1.0], &store_of_before, &[(0.9, true)]),
    ] {
        let mut book = book(&with(now), Some((commit.state.clone(), left.clone())));
        book.take(&sample(3_282, true, 12_500));
        assert_eq!(levels(&told(&mut book)), then, "{now:?} {left:?}");
    }
}

#[test]
fn a_replaced_drive_is_a_finding_in_words() {
    let mut config = config(|_| {});
    let hoist = &mut config.cranes[0].mechanisms[0];
    hoist.signals.clear();
    let crane = &config.cranes[0];
    let calendar = SiteCalendar(config.time_zone.clone());
    let mut book = Book::open_with(crane, &crane.mechanisms[0], calendar, None, |terms| {
        terms.hour_counter = Some(tallyhook_analysis::counter::Counter::hours(32, 36_000));
    });
    for (seconds, hours) in [(0, 900), (60, 900), (120, 3)] {
        let mut s = sample(seconds, false, 0);
        s.set(Quantity::RunHours, Some(hours * 3_600_000));
        book.take(&s);
    }
    let messages = told(&mut book);
    let findings: Vec<&str> =
        messages.iter().filter(|m| m.kind == MessageKind::Finding).map(|m| m.body["text"].as_str().unwrap()).collect();
    assert_eq!(findings.len(), 1, "{findings:?}");
    assert!(findings[0].contains("from 900.00 h to 3.00 h") && findings[0].contains("replaced"), "{findings:?}");
}

#[test]
fn a_load_signal_that_stands_still_is_a_finding_with_what_to_check() {
    let config = config(|_| {});
    let mut book = book(&config, None);
    let mut messages = Vec::new();
    let mut at = 0;
    // Forty seconds up, ten still, forty down, ten still; the reading trembles until it sticks.
    for cycle in 0..12 {
        for second in 0..100_i64 {
            let load = if cycle < 8 { 4_000 + (at * 7_919) % 90 } else { 4_321 };
            let mut s = sample(at, second < 40, load);
            s.set_flag(Flag::Lowering, Some((50..90).contains(&second)));
            book.take(&s);
            at += 1;
        }
        messages.extend(told(&mut book));
    }
    let findings: Vec<&Message> = messages.iter().filter(|m| m.kind == MessageKind::Finding).collect();
    assert_eq!(findings.len(), 1, "{findings:?}");
    assert_eq!((&findings[0].body["finding"], &findings[0].body["raised"]), (&"load_stuck".into(), &true.into()));
    assert_eq!(findings[0].body["by_kg"], 4_321.0);
    let words = crate::publish::wording::what(&crate::web::wording::ENGLISH, findings[0]);
    assert!(words.contains("stands at 4321 kg") && words.contains("Next: check the cell's plug"), "{words}");
}
