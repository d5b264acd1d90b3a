//! What is added up once for many looks: it must be what adding up anew gives, whatever came, went or closed between.

use tallyhook_analysis::account::DayRecord;
use tallyhook_analysis::histogram::Histogram;
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::whatif::{Above, Change};

use super::source::{History, InMemory, LiftOrder, LiftsAsked};
use super::stored::Stored;
use crate::commands::ledger::Ledger;
use crate::commands::whatif::{Asked, answer};
use crate::daemon::site::keep_configuration;
use crate::store::sealed_tests::{config, work};
use crate::store::thin::{Bounds, Step};
use crate::store::{DaySum, LiftFilter, Reader, Store};

const ID: &str = "main-hoist";

#[test]
fn days_added_up_are_the_days_one_by_one() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    work(&mut store, &config(""), 0..40);
    let reader = Reader::open(dir.path()).unwrap();
    for (from, to) in [(i32::MIN, i32::MAX), (20_003, 20_017), (20_090, 20_099)] {
        let sums = reader.load_sums(ID, from, to).unwrap();
        let records = reader.day_records(ID, from, to).unwrap();
        let (mut running, mut lifts) = (Histogram::default(), Histogram::default());
        for record in &records {
            running.merge(&record.running);
            lifts.merge(&record.lifts);
        }
        assert_eq!((sums.running, sums.lifts), (running, lifts));
        let of_day = |r: &DayRecord| {
            let Totals { observed_ms, gap_ms, cube_ms, .. } = r.totals;
            DaySum { day: r.day, observed_ms, gap_ms, cube_ms }
        };
        assert_eq!(sums.days, records.iter().map(of_day).collect::<Vec<_>>());
    }
}

#[test]
fn the_page_answers_as_if_it_kept_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let text = tallyhook_config::starter(&tallyhook_config::StarterOptions::default());
    keep_configuration(dir.path(), &text).unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let page = Stored::new(dir.path().to_owned());
    let changed = Change { lifts: 0.8, above: Above::Split, ..Change::default() };
    let mut seen = Vec::new();
    let mut look = |what: &str| {
        // Twice: the second time what was kept is used.
        for _ in 0..2 {
            for (change, days) in [
                (Change::default(), (i32::MIN, i32::MAX)),
                (changed, (i32::MIN, i32::MAX)),
                (changed, (20_010, 20_020)),
                (changed, (20_011, 20_020)),
            ] {
                let asked = Asked { mechanism: ID.to_owned(), change, days, by: Some(20_500) };
                let anew = answer(&Ledger::open(dir.path()).unwrap(), &asked);
                let kept = page.what_if(&asked);
                match (anew, kept) {
                    (Ok(anew), Ok(kept)) => assert_eq!(anew, kept, "{what}"),
                    (anew, kept) => assert!(anew.is_err() && kept.is_err(), "{what}: {anew:?} {kept:?}"),
                }
            }
            let total = page.find_lifts(ID, &LiftsAsked { limit: 1, ..LiftsAsked::default() }).unwrap().total;
            let anew = Reader::open(dir.path()).unwrap().lift_count(&LiftFilter::default()).unwrap();
            assert_eq!(total, anew, "{what}");
            seen.push(total);
        }
    };
    work(&mut store, &config(""), 0..1);
    look("a day that is not over");
    work(&mut store, &config(""), 1..60);
    look("two months");
    work(&mut store, &config(""), 60..61);
    look("a day more");
    let Step::Above { .. } = (0..1000)
        .map(|_| store.thin(&Bounds { bytes: 4096, whole_days: 31 }).unwrap())
        .find(|step| *step != Step::Done)
        .unwrap()
    else {
        panic!("4 kB are too few")
    };
    look("old days given up");
    assert!(seen[0] > 0 && seen[2] > seen[0] && seen[4] > seen[2] && seen[6] < seen[4], "{seen:?}");
}

#[test]
fn lifts_are_put_in_order_as_if_all_were_held() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    work(&mut store, &config(""), 0..9);
    let lifts: Vec<_> = Reader::open(dir.path()).unwrap().lifts(&LiftFilter::default()).unwrap();
    let lifts: Vec<_> = lifts.into_iter().map(|l| l.lift).collect();
    assert!(lifts.len() > 500 && lifts.iter().any(|l| l.overload));
    let (page, early) = (Stored::new(dir.path().to_owned()), lifts[90].begin);
    let heavy = tallyhook_analysis::units::Grams::from_kg(9_000.0);
    let memory = InMemory { lifts: [(ID.to_owned(), lifts)].into(), ..InMemory::default() };
    let base = LiftsAsked { base: heavy, limit: 20, ..LiftsAsked::default() };
    let filters = [
        base,
        LiftsAsked { from: Some(early), least: Some(heavy), ..base },
        LiftsAsked { to: Some(early), most: Some(heavy), ..base },
        LiftsAsked { overload: true, dead: heavy, ..base },
        LiftsAsked { least: Some(heavy), most: Some(heavy), ..base },
        LiftsAsked { limit: 0, ..base },
    ];
    for filter in filters {
        for order in [LiftOrder::Begin, LiftOrder::Load, LiftOrder::Running, LiftOrder::Cost] {
            for (rising, offset) in [(false, 0), (true, 0), (false, 40), (true, 40), (false, 100_000)] {
                let asked = LiftsAsked { order, rising, offset, ..filter };
                assert_eq!(page.find_lifts(ID, &asked), memory.find_lifts(ID, &asked), "{asked:?}");
            }
        }
    }
    assert_eq!(page.find_lifts("another", &base).unwrap().total, 0);
}
