//! A ledger above its budget: what goes, in which order, and what still adds up.

use super::message::MessageKind;
use super::sealed_tests::{book, config, proof, work};
use super::thin::{Bounds, Step, Thinned};
use super::*;

const WHOLE: u32 = 31;

fn filled(days: i64) -> (tempfile::TempDir, Store) {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    work(&mut store, &config(""), 0..days);
    (dir, store)
}

/// Steps until nothing more is to be done.
fn thin(store: &mut Store, bytes: u64) -> Step {
    (0..10_000).map(|_| store.thin(&Bounds { bytes, whole_days: WHOLE }).unwrap()).find(|s| *s != Step::Done).unwrap()
}

fn bytes(store: &Store) -> u64 {
    let number =
        |pragma: &str| store.connection().pragma_query_value(None, pragma, |row| row.get::<_, i64>(0)).unwrap();
    (number("page_count") * number("page_size")) as u64
}

#[test]
fn the_finest_detail_goes_first_and_sums_and_chain_stay() {
    let (dir, mut store) = filled(120);
    let reader = Reader::open(dir.path()).unwrap();
    let id = "main-hoist";
    let lifts = || reader.lift_count(&LiftFilter::default()).unwrap();
    let told = |kind| reader.messages(&MessageFilter { kind: Some(kind), ..MessageFilter::default() }).unwrap().len();
    let sums = reader.days(id, i32::MIN, i32::MAX).unwrap();
    let used = reader.used(id).unwrap();
    let (all, hours) = (lifts(), reader.hours(id, None, None).unwrap());
    let (messages, last) = (reader.messages_after(0, usize::MAX).unwrap().len(), store.last_seq().unwrap());

    assert_eq!(thin(&mut store, u64::MAX), Step::Within);
    assert_eq!((lifts(), reader.thinned(id).unwrap()), (all, Thinned::default()), "nothing goes without need");

    // A destination that has not got them keeps the messages of lifts; the lifts go, but not those of the last days.
    store.set_cursor("mqtt", 0).unwrap();
    let before = bytes(&store);
    let budget = before - 100_000;
    thin(&mut store, budget);
    assert_eq!(reader.messages_after(0, usize::MAX).unwrap().len(), messages);
    let first = reader.thinned(id).unwrap();
    assert!(first.lifts_to.is_some() && first.histograms_to.is_none(), "{first:?}");
    assert!(bytes(&store) <= budget, "the room goes back to the disk");
    assert!(lifts() < all);

    // Once it has got them they go before any more lifts.
    store.set_cursor("mqtt", last).unwrap();
    let left = lifts();
    let mut next = || store.thin(&Bounds { bytes: 4096, whole_days: WHOLE }).unwrap();
    while told(MessageKind::Lift) > 72 * (WHOLE as usize + 2) {
        assert_eq!(next(), Step::Done);
        assert_eq!(lifts(), left);
    }
    let Step::Above { .. } = thin(&mut store, 4096) else { panic!("4 kB are too few") };
    let all_gone = reader.thinned(id).unwrap();
    let newest = sums.last().unwrap().0;
    assert_eq!(all_gone.lifts_to, Some(newest - WHOLE as i32 - 1), "the last days stay whole");
    assert_eq!(all_gone.histograms_to, all_gone.lifts_to);
    let kept: u64 = sums.iter().filter(|(day, _)| Some(*day) > all_gone.lifts_to).map(|(_, t)| t.lifts).sum();
    assert_eq!(lifts(), kept);
    assert!(kept > 1000);

    // What stays.
    assert_eq!(reader.days(id, i32::MIN, i32::MAX).unwrap(), sums);
    assert_eq!(reader.used(id).unwrap(), used);
    assert_eq!(reader.hours(id, None, None).unwrap(), hours);
    assert_eq!(told(MessageKind::Day), sums.len() - 1);
    assert_eq!(store.last_seq().unwrap(), last, "the outbox ends where it ended");
    assert_eq!(reader.day_records(id, i32::MIN, i32::MAX).unwrap().len(), WHOLE as usize);

    // It adds up, and says which days are held by the chain alone.
    let found = proof(dir.path());
    assert!(found.ok, "{:#?}", found.faults);
    let main = &found.mechanisms[0];
    assert_eq!(main.days as usize, sums.len() - 1);
    assert_eq!(main.days_without_lifts as usize, sums.len() - 1 - WHOLE as usize);
    assert_eq!(main.days_without_histograms, main.days_without_lifts);

    // A day whose lifts are gone can still not be changed.
    let raw = rusqlite::Connection::open(ledger_path(dir.path())).unwrap();
    raw.execute("UPDATE day SET starts = starts + 1 WHERE day = 20002", []).unwrap();
    let found = proof(dir.path());
    assert_eq!(found.faults[0].day.as_deref(), Some("2024-10-06"), "{:#?}", found.faults);
    raw.execute("UPDATE day SET starts = starts - 1 WHERE day = 20002", []).unwrap();

    // And the book goes on.
    assert!(book(&store, &config("")).record().totals.lifts >= all);
    work(&mut store, &config(""), 120..123);
    let found = proof(dir.path());
    assert!(found.ok, "{:#?}", found.faults);
}

#[test]
fn lifts_that_are_gone_without_an_entry_are_still_found() {
    let (dir, mut store) = filled(80);
    thin(&mut store, 4096);
    let to = Reader::open(dir.path()).unwrap().thinned("main-hoist").unwrap().lifts_to.unwrap();
    let raw = rusqlite::Connection::open(ledger_path(dir.path())).unwrap();
    raw.execute("DELETE FROM lift WHERE day = ?1", [to + 1]).unwrap();
    let found = proof(dir.path());
    assert_eq!(found.faults[0].day, Some(crate::figures::date_of(to + 1)), "{:#?}", found.faults);
}
