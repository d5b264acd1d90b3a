//! The chain and its proof: days that close, rows that somebody changed, configurations that changed.

use std::path::Path;

use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::units::{Grams, Span, Timestamp};

use super::message::MessageKind;
use super::service::{self, Service, Work};
use super::*;
use crate::commands::ledger::Ledger;
use crate::commands::whatif;
use crate::daemon::book::{Book, SiteCalendar};
use crate::store::verify::{Verification, verify};
use tallyhook_config::model::{Config, Mechanism};

pub const DAY: i64 = 86_400_000;

pub fn config(change: &str) -> Config {
    let text = tallyhook_config::starter(&tallyhook_config::StarterOptions::default());
    let text = match change.split_once('>') {
        Some((old, new)) => {
            assert!(text.contains(old), "{old} is not in\n{text}");
            text.replace(old, new)
        }
        None => text,
    };
    tallyhook_config::load(&text, "site.toml").unwrap()
}

pub fn book(store: &Store, config: &Config) -> Book {
    book_on(config, store.resume("main-hoist").unwrap())
}

/// A book of the hoist that goes on from what the store says of it.
pub fn book_on(config: &Config, left: Option<Resumed>) -> Book {
    let (crane, mechanism): (_, &Mechanism) = config.mechanisms().next().unwrap();
    Book::open(crane, mechanism, SiteCalendar(jiff::tz::TimeZone::UTC), left)
}

/// Lifts of the days `days`, three an hour; committed with each day.
pub fn work(store: &mut Store, config: &Config, days: std::ops::Range<i64>) {
    let mut book = book(store, config);
    for day in days {
        (day * 72..(day + 1) * 72).for_each(|third| lift(&mut book, third));
        store.commit(&book.commit().into_iter().collect::<Vec<_>>()).unwrap();
        book.committed();
    }
}

/// Some of those lifts, by their number from the first day on; each committed by itself.
pub fn lifts(store: &mut Store, config: &Config, thirds: std::ops::Range<i64>) {
    try_lifts(store, config, thirds).unwrap();
}

/// As [`lifts`]; ends with the first that is refused.
pub fn try_lifts(store: &mut Store, config: &Config, thirds: std::ops::Range<i64>) -> Result<(), StoreError> {
    let mut book = book(store, config);
    for third in thirds {
        lift(&mut book, third);
        store.commit(&book.commit().into_iter().collect::<Vec<_>>())?;
        book.committed();
    }
    Ok(())
}

/// One of those lifts.
pub fn lift(book: &mut Book, number: i64) {
    let (day, third) = (number.div_euclid(72), number.rem_euclid(72));
    let begin = (20_000 + day) * DAY + third * 1_200_000 + 1000;
    let load = (third * 191 + day * 77) % 1300 * 10_000;
    for (second, load, up, down) in [
        (0, 0, false, false),
        (2, load, true, false),
        (9, load, false, false),
        (12, load, false, true),
        (19, 0, false, true),
        (25, 0, false, false),
    ] {
        // Each stands for at most two seconds.
        for more in 0..7 {
            let mut sample = Sample::at(ms(begin + (second + more) * 1000));
            sample.set(Quantity::Load, Some(load));
            sample.set_flag(Flag::Raising, Some(up));
            sample.set_flag(Flag::Lowering, Some(down));
            // Once a day the drive reports a fault for some seconds.
            sample.set_flag(Flag::Fault, Some(third == 30 && up));
            if book.account().recorder().standing().is_none_or(|s| s.at < sample.at) {
                book.take(&sample);
            }
        }
    }
}

pub fn proof(dir: &Path) -> Verification {
    verify(&Reader::open(dir).unwrap()).unwrap()
}

fn by_hand(dir: &Path, sql: &str) {
    let raw = rusqlite::Connection::open(ledger_path(dir)).unwrap();
    assert_eq!(raw.execute(sql, []).unwrap(), 1, "{sql} must change one row");
}

/// Six days, the last still open; a service is taken on the fifth.
fn filled() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let config = config("");
    work(&mut store, &config, 0..4);
    let at = ms(20_004 * DAY);
    let service = Service {
        mechanism: "main-hoist".to_owned(),
        at,
        work: Work::Note,
        by: "Ann".to_owned(),
        note: "gear oil".to_owned(),
    };
    service::append(dir.path(), &service).unwrap();
    let mut book = book(&store, &config);
    store.open_services().unwrap().iter().for_each(|stored| book.take_service(stored, at));
    let commits: Vec<_> = book.commit().into_iter().collect();
    store.commit(&commits).unwrap();
    work(&mut store, &config, 4..6);
    dir
}

#[test]
fn days_close_into_a_chain_that_adds_up() {
    let dir = filled();
    let found = proof(dir.path());
    assert!(found.ok, "{:#?}", found.faults);
    let main = &found.mechanisms[0];
    assert_eq!((main.days, main.entries, main.days_before), (5, 7, 0));
    let reader = Reader::open(dir.path()).unwrap();
    // The day's message carries the anchor that stands in the chain.
    let filter = MessageFilter { kind: Some(MessageKind::Day), ..MessageFilter::default() };
    let told = reader.messages(&filter).unwrap();
    assert_eq!(told.len(), 5);
    let days = reader.entries("main-hoist").unwrap().into_iter().filter(|e| e.kind == EntryKind::Day);
    let anchors: Vec<_> = days.map(|e| e.hash).collect();
    let said: Vec<_> = told.iter().map(|(_, m)| m.body["anchor"].as_str().unwrap().to_owned()).collect();
    assert_eq!(said, anchors);
}

/// The first gap that began after the day before 20,002 was closed.
const GAP_OF_20_002: &str = "SELECT min(begin_ms) FROM gap WHERE begin_ms > 20002 * 86400000 + 1200000";

/// One row of each kind, changed by hand; the day that must be named, or nothing where it is the chain itself.
#[test]
fn one_row_changed_by_hand_is_found_with_its_day() {
    let day = "2024-10-06"; // 20_002
    let open = Some("2024-10-09"); // 20_005
    let begin = "begin_ms = (SELECT min(begin_ms) FROM lift WHERE day = 20002)";
    for (sql, named) in [
        (format!("UPDATE lift SET load_g = load_g + 1 WHERE {begin}"), Some(day)),
        (format!("UPDATE lift SET peak_over_g = peak_over_g + 1 WHERE {begin}"), Some(day)),
        (format!("UPDATE lift SET length_ms = length_ms - 1 WHERE {begin}"), Some(day)),
        (format!("UPDATE lift SET day = 20003 WHERE {begin}"), Some(day)),
        (format!("DELETE FROM lift WHERE {begin}"), Some(day)),
        ("UPDATE day SET lifts = lifts - 1 WHERE day = 20002".to_owned(), Some(day)),
        ("UPDATE day SET gap_ms = gap_ms - 1 WHERE day = 20002".to_owned(), Some(day)),
        ("UPDATE day SET used_full_load_hours = 0.001 WHERE day = 20002".to_owned(), Some(day)),
        ("UPDATE day SET duty = replace(duty, '1', '0') WHERE day = 20002".to_owned(), Some(day)),
        (
            "UPDATE day SET running_by_load = (SELECT running_by_load FROM day WHERE day = 20003) WHERE day = 20002"
                .to_owned(),
            Some(day),
        ),
        ("DELETE FROM day WHERE day = 20002".to_owned(), Some(day)),
        (
            "UPDATE hour SET starts = starts + 1 WHERE begin_ms = (SELECT min(begin_ms) FROM hour WHERE day = 20002)"
                .to_owned(),
            Some(day),
        ),
        (
            "UPDATE entry SET body = replace(body, '\"starts\":', '\"starts\":1') WHERE day = 20002".to_owned(),
            Some(day),
        ),
        ("DELETE FROM entry WHERE day = 20002".to_owned(), Some(day)),
        ("UPDATE gap SET length_ms = length_ms - 1 WHERE begin_ms = (".to_owned() + GAP_OF_20_002 + ")", Some(day)),
        ("DELETE FROM gap WHERE begin_ms = (".to_owned() + GAP_OF_20_002 + ")", Some(day)),
        ("UPDATE flag_rise SET at_ms = at_ms + 1 WHERE flag = 7 AND at_ms / 86400000 = 20002".to_owned(), Some(day)),
        ("DELETE FROM flag_rise WHERE flag = 7 AND at_ms / 86400000 = 20002".to_owned(), Some(day)),
        ("UPDATE service SET body = replace(body, 'Ann', 'Bob')".to_owned(), None),
        ("UPDATE entry SET body = replace(body, '12500', '16000') WHERE seq = 1".to_owned(), None),
        // The day that is still open, and what holds it.
        (
            "UPDATE lift SET peak_over_g = peak_over_g + 1 WHERE begin_ms = (SELECT max(begin_ms) FROM lift)"
                .to_owned(),
            open,
        ),
        (
            "UPDATE lift SET length_ms = length_ms + 1 WHERE begin_ms = (SELECT max(begin_ms) FROM lift)".to_owned(),
            open,
        ),
        (
            "UPDATE hour SET length_ms = length_ms - 1 WHERE begin_ms = (SELECT max(begin_ms) FROM hour)".to_owned(),
            open,
        ),
        ("UPDATE day SET observed_ms = observed_ms + 1 WHERE day = 20005".to_owned(), open),
        ("UPDATE gap SET length_ms = length_ms + 1 WHERE begin_ms = (SELECT max(begin_ms) FROM gap)".to_owned(), open),
        ("UPDATE book SET at_ms = at_ms + 1".to_owned(), open),
        ("UPDATE book SET warn_crossed = '{\"used share\":3}'".to_owned(), open),
        ("DELETE FROM book".to_owned(), open),
        ("UPDATE book SET seal = NULL".to_owned(), open),
        ("DELETE FROM entry WHERE seq = (SELECT max(seq) FROM entry)".to_owned(), None),
    ] {
        let dir = filled();
        by_hand(dir.path(), &sql);
        let found = proof(dir.path());
        assert!(!found.ok, "{sql} was not found");
        if let Some(named) = named {
            assert_eq!(found.faults[0].day.as_deref(), Some(named), "{sql}: {:#?}", found.faults);
        }
        // A writer that goes on does not make it good.
        if !sql.contains("FROM book") {
            let mut store = Store::open(dir.path()).unwrap();
            work(&mut store, &config(""), 6..9);
            drop(store);
            let later = proof(dir.path());
            assert!(!later.ok, "{sql} was forgotten");
            if let Some(named) = named {
                assert_eq!(later.faults[0].day.as_deref(), Some(named), "{sql}: {:#?}", later.faults);
            }
        }
    }
}

#[test]
fn a_configuration_that_touches_the_reckoning_is_an_entry_with_old_and_new() {
    let dir = filled();
    let mut store = Store::open(dir.path()).unwrap();
    work(&mut store, &config("rated_load_kg = 12500>rated_load_kg = 10000"), 6..9);
    drop(store);
    let entries = Reader::open(dir.path()).unwrap().entries("main-hoist").unwrap();
    let changes: Vec<_> = entries.iter().filter(|e| e.kind == EntryKind::Configuration).collect();
    assert_eq!(changes.len(), 1);
    let body: serde_json::Value = serde_json::from_str(&changes[0].body).unwrap();
    assert_eq!(body["changed"]["rated_load_kg"], serde_json::json!({ "old": 12500.0, "new": 10000.0 }));
    assert!(body["changed"].get("group").is_none());
    let found = proof(dir.path());
    assert!(found.ok, "{:#?}", found.faults);
}

#[test]
fn a_lift_that_finds_its_place_taken_is_kept_in_the_chain_and_counted() {
    let dir = filled();
    let mut store = Store::open(dir.path()).unwrap();
    let last = Reader::open(dir.path()).unwrap();
    let filter = LiftFilter { newest_first: true, limit: Some(1), ..LiftFilter::default() };
    let standing = last.lifts(&filter).unwrap()[0].lift;
    let other = Lift { load: Grams::new(standing.load.get() + 5), ..standing };
    let mut commit = book(&store, &config("")).commit().unwrap();
    let day = commit.days[0].0;
    commit.lifts = vec![BookedLift { lift: other, day: Some(day) }];
    commit.days.clear();
    for _ in 0..2 {
        assert_eq!(store.commit(std::slice::from_ref(&commit)).unwrap().lifts_refused, 1);
    }
    let kept: Vec<_> = last.entries("main-hoist").unwrap();
    let kept: Vec<_> = kept.iter().filter(|e| e.kind == EntryKind::Lift).collect();
    assert_eq!(kept.len(), 1, "once, however often it is tried");
    assert!(kept[0].body.contains(&other.load.get().to_string()));
}

fn ms(at: i64) -> Timestamp {
    Timestamp::from_ms(at)
}

#[test]
fn a_clock_that_is_set_back_over_days_that_are_closed_leaves_their_hours_alone() {
    let (dir, config) = (tempfile::tempdir().unwrap(), config(""));
    let mut store = Store::open(dir.path()).unwrap();
    work(&mut store, &config, 0..3);
    let mut book = book(&store, &config);
    for (days, hours) in [(-2, 30), (2, 30)] {
        let by = tallyhook_analysis::units::Span::from_ms(days * DAY);
        let last = *book.account().recorder().standing().unwrap();
        book.rebase(by);
        book.note_clock(last.at.plus(by), by, true);
        for second in 1..=hours * 3600 {
            let mut sample = Sample::at(last.at.plus(by).plus(tallyhook_analysis::units::Span::from_ms(second * 1000)));
            sample.set(Quantity::Load, Some(0));
            // Minutes of work with rest between them, also where a day ends.
            sample.set_flag(Flag::Raising, Some(second % 600 > 300 && (second + 900) % 3600 > 1800));
            sample.set_flag(Flag::Lowering, Some(false));
            sample.set_flag(Flag::Fault, Some(second % 7200 < 5));
            book.take(&sample);
        }
        let commits: Vec<_> = book.commit().into_iter().collect();
        store.commit(&commits).unwrap();
        book.committed();
    }
    drop(store);
    let found = proof(dir.path());
    assert!(found.ok, "{:?}", found.faults);
    // Flags of the two days that were closed already stand in the chain, and are held by it.
    let entries = Reader::open(dir.path()).unwrap().entries("main-hoist").unwrap();
    let late: Vec<_> = entries.iter().filter(|e| e.kind == EntryKind::Late).collect();
    assert!(late.len() > 5, "{}", late.len());
    let body: serde_json::Value = serde_json::from_str(&late[3].body).unwrap();
    by_hand(dir.path(), &format!("DELETE FROM flag_rise WHERE flag = 7 AND at_ms = {}", body["at_ms"]));
    let found = proof(dir.path());
    assert_eq!(found.faults[0].entry, Some(late[3].seq), "{:?}", found.faults);
}

/// Rests for so many seconds after the last sample, but for some minutes of each hour, in the book's calendar.
fn rest(book: &mut Book, seconds: i64) {
    let last = *book.account().recorder().standing().unwrap();
    for second in 1..=seconds {
        let mut sample = Sample::at(last.at.plus(Span::from_ms(second * 1000)));
        sample.set(Quantity::Load, Some(0));
        sample.set_flag(Flag::Raising, Some(second % 3600 < 200));
        sample.set_flag(Flag::Lowering, Some(false));
        sample.set_flag(Flag::Fault, Some(second % 7200 < 5));
        book.take(&sample);
    }
}

fn commit(store: &mut Store, book: &mut Book) {
    let commits: Vec<_> = book.commit().into_iter().collect();
    store.commit(&commits).unwrap();
    book.committed();
}

#[test]
fn a_day_in_which_the_time_zone_was_changed_closes_once_with_all_of_its_hours() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let config = config("");
    work(&mut store, &config, 0..2);
    lifts(&mut store, &config, 144..189);
    let (crane, mechanism): (_, &Mechanism) = config.mechanisms().next().unwrap();
    let chicago = SiteCalendar(jiff::tz::TimeZone::get("America/Chicago").unwrap());
    let mut book = Book::open(crane, mechanism, chicago, store.resume("main-hoist").unwrap());
    for third in 189..306 {
        lift(&mut book, third);
        commit(&mut store, &mut book);
    }
    drop(store);
    let found = proof(dir.path());
    assert!(found.ok, "{:#?}", found.faults);
    let reader = Reader::open(dir.path()).unwrap();
    let closed: Vec<_> = reader.entries("main-hoist").unwrap().into_iter().filter_map(|entry| entry.day).collect();
    assert_eq!(closed, [20_000, 20_001, 20_002, 20_003]);
    // It ends at midnight in Chicago.
    let (from, to) = (Some(ms(20_002 * DAY)), Some(ms(20_003 * DAY + 5 * 3_600_000)));
    let lifts = reader.lift_count(&LiftFilter { from, to, ..LiftFilter::default() }).unwrap();
    assert!(lifts > 80, "{lifts}");
    assert_eq!(reader.days("main-hoist", 20_002, 20_002).unwrap()[0].1.lifts, lifts);
}

#[test]
fn days_that_a_wrong_clock_left_ahead_of_the_record_stay_and_the_record_goes_on_before_them() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let config = config("");
    // The store is new, and the board's date half a year ahead; midnight passes before the clock is put right.
    lifts(&mut store, &config, 183 * 72 + 60..184 * 72 + 6);
    let mut book = book(&store, &config);
    let by = Span::from_ms(-183 * DAY);
    book.rebase(by);
    book.note_clock(book.counted_to().unwrap(), by, true);
    for day in 0..3 {
        rest(&mut book, 24 * 3600);
        commit(&mut store, &mut book);
        let found = proof(dir.path());
        assert!(found.ok, "day {day}: {:#?}", found.faults);
    }
    let reader = Reader::open(dir.path()).unwrap();
    let rows: Vec<i32> = reader.days("main-hoist", i32::MIN, i32::MAX).unwrap().iter().map(|(day, _)| *day).collect();
    assert_eq!(rows, [20_001, 20_002, 20_003, 20_004, 20_183, 20_184]);
    assert_eq!(reader.last_closed_day("main-hoist").unwrap(), Some(20_003));
    assert!(book.record().began_at < Some(ms(20_001 * DAY)));
    // The seal holds the day that is open now, not those ahead.
    by_hand(dir.path(), "UPDATE day SET observed_ms = observed_ms + 1 WHERE day = 20004");
    assert_eq!(proof(dir.path()).faults[0].day.as_deref(), Some("2024-10-08"));
    by_hand(dir.path(), "UPDATE day SET observed_ms = observed_ms - 1 WHERE day = 20004");
    assert!(proof(dir.path()).ok);
    // When those days come they are added to the one before them, and the chain still adds up.
    let by = Span::from_ms(178 * DAY);
    book.rebase(by);
    book.note_clock(book.counted_to().unwrap(), by, true);
    for _ in 0..4 {
        rest(&mut book, 24 * 3600);
        commit(&mut store, &mut book);
    }
    drop(store);
    let found = proof(dir.path());
    assert!(found.ok, "{:#?}", found.faults);
    let closed = reader.entries("main-hoist").unwrap().into_iter().filter_map(|entry| entry.day);
    assert_eq!(closed.collect::<Vec<_>>(), [20_183, 20_184, 20_001, 20_002, 20_003, 20_004, 20_182, 20_185]);
    // What is asked of the record rests on the days that there were, not on those that the clock leapt over.
    let asked = whatif::Asked {
        mechanism: "main-hoist".to_owned(),
        change: Default::default(),
        days: (i32::MIN, i32::MAX),
        by: None,
    };
    let answer = whatif::answer(&Ledger { config, reader }, &asked).unwrap();
    assert_eq!(answer.days_of_record, 8.0);
}
