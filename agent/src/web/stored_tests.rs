//! What is added up once for many looks: it must be what adding up anew gives, whatever came, went or closed between.

use tallyhook_analysis::account::DayRecord;
use tallyhook_analysis::histogram::Histogram;
use tallyhook_analysis::service::ServiceKind;
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::{Grams, Timestamp};
use tallyhook_analysis::whatif::{Above, Change};

use super::source::{History, InMemory, LiftOrder, LiftsAsked};
use super::stored::Stored;
use crate::commands::ledger::Ledger;
use crate::commands::whatif::{Asked, answer};
use crate::daemon::site::keep_configuration;
use crate::store::sealed_tests::{DAY, book, config, work};
use crate::store::service::{Service, Work, append};
use crate::store::steps;
use crate::store::thin::{Bounds, Step};
use crate::store::{DayInShort, DaySum, LiftFilter, Reader, Store};

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
            let Totals { observed_ms, gap_ms, load_unknown_ms, cube_ms, .. } = r.totals;
            let used = Some(r.used_full_load_hours);
            DaySum { day: r.day, observed_ms, gap_ms, load_unknown_ms, cube_ms, used }
        };
        assert_eq!(sums.days, records.iter().map(of_day).collect::<Vec<_>>());
        // What the daemon asks for when it starts is the same, and has the open day behind it.
        let all = reader.day_sums(ID).unwrap();
        let over = all.iter().filter(|sum| sum.used.is_some() && (from..=to).contains(&sum.day)).copied();
        assert_eq!(sums.days, over.collect::<Vec<_>>());
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
    let all = Reader::open(dir.path()).unwrap();
    let mut look = |what: &str| {
        let lifts = all.lifts(&LiftFilter::default()).unwrap().into_iter().map(|l| l.lift).collect();
        let memory = InMemory { lifts: [(ID.to_owned(), lifts)].into(), ..InMemory::default() };
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
            for (from, to) in [(i32::MIN, i32::MAX), (20_003, 20_059), (20_058, 20_062)] {
                assert_eq!(
                    page.days_in_short(ID, from, to).unwrap(),
                    all.days_in_short(ID, from, to).unwrap(),
                    "{what}"
                );
            }
            for asked in [prepared(), vec![LiftsAsked { base: Grams::from_kg(9_000.0), ..prepared()[2] }]].concat() {
                assert_eq!(page.find_lifts(ID, &asked), memory.find_lifts(ID, &asked), "{what}: {asked:?}");
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
    page.prepare(ID, &prepared()).unwrap();
    look("prepared");
    work(&mut store, &config(""), 60..61);
    look("a day more");
    let at = Timestamp::from_ms(20_061 * DAY);
    let ended = Work::Period { by: ServiceKind::Overhaul, design_full_load_hours: None };
    let (by, note) = ("Ann".to_owned(), String::new());
    append(dir.path(), &Service { mechanism: ID.to_owned(), at, work: ended, by, note }).unwrap();
    let mut taken = book(&store, &config(""));
    store.open_services().unwrap().iter().for_each(|stored| taken.take_service(stored, at));
    store.commit(&taken.commit().into_iter().collect::<Vec<_>>()).unwrap();
    look("an overhaul");
    let lowered = config("rated_load_kg = 12500>rated_load_kg = 10000");
    work(&mut store, &lowered, 61..62);
    look("another rated load");
    work(&mut store, &lowered, 62..66);
    look("days more");
    let Step::Above { .. } = (0..1000)
        .map(|_| store.thin(&Bounds { bytes: 4096, whole_days: 31 }).unwrap())
        .find(|step| *step != Step::Done)
        .unwrap()
    else {
        panic!("4 kB are too few")
    };
    look("old days given up");
    let [open, months, more, later, thinned] = [0, 2, 6, 12, 14].map(|look| seen[look]);
    assert!(0 < open && open < months && months < more && more < later && thinned < later, "{seen:?}");
}

/// The first lifts of each order, and the costliest of a stretch of days.
fn prepared() -> Vec<LiftsAsked> {
    let (base, dead) = (Grams::from_kg(12_500.0), Grams::from_kg(100.0));
    let all = LiftsAsked { base, dead, limit: 30, ..LiftsAsked::default() };
    let at = |day: i64| Some(Timestamp::from_ms(day * DAY));
    let orders = [LiftOrder::Load, LiftOrder::Running, LiftOrder::Cost].map(|order| LiftsAsked { order, ..all });
    let year = LiftsAsked { from: at(20_030), to: at(20_061), order: LiftOrder::Cost, ..all };
    orders.into_iter().chain([year]).collect()
}

/// Held by steps of SQLite's machine, which on any machine are the same.
#[test]
fn what_a_look_costs_does_not_grow_with_the_years() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let page = Stored::new(dir.path().to_owned());
    let everything = |page: &Stored| {
        let days = steps::of(|| page.days_in_short(ID, i32::MIN, i32::MAX).unwrap()).1;
        let newest = LiftsAsked { limit: 50, ..LiftsAsked::default() };
        let newest = steps::of(|| page.find_lifts(ID, &newest).unwrap()).1;
        let first = prepared().into_iter().map(|asked| steps::of(|| page.find_lifts(ID, &asked).unwrap()).1);
        (days, newest, first.max().unwrap())
    };
    work(&mut store, &config(""), 0..30);
    page.prepare(ID, &prepared()).unwrap();
    let month = everything(&page);
    let again = everything(&page);
    work(&mut store, &config(""), 30..31);
    let day = everything(&page);
    work(&mut store, &config(""), 31..90);
    page.prepare(ID, &prepared()).unwrap();
    everything(&page);
    let quarter = everything(&page);
    let cold = everything(&Stored::new(dir.path().to_owned()));
    println!("{month:?}, again {again:?}, a day more {day:?}; a quarter {quarter:?}, nothing kept {cold:?}");
    // A day has 72 lifts, each read in some twenty steps.
    assert!(month.0 < 400 && month.2 < 4_000 && month.1 < 4_000, "what was prepared is not read again: {month:?}");
    assert!(again.0 < 400, "days that are over are not read again: {again:?}");
    assert!(day.0 < 600 && day.1 < 6_000 && day.2 < 6_000, "a day more costs a day: {day:?}");
    let near = |one: u64, other: u64| one.abs_diff(other) <= one / 5 + 50;
    assert!(near(again.0, quarter.0) && near(again.1, quarter.1) && near(again.2, quarter.2), "{again:?} {quarter:?}");
    assert!(cold.0 > 5 * quarter.0 && cold.2 > 5 * quarter.2, "the counting counts nothing: {cold:?} {quarter:?}");
    // The days in short, without what was kept: some thirty steps each.
    assert!(cold.0 < 90 * 60, "{cold:?}");
}

#[test]
fn days_of_work_are_the_days_records() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    work(&mut store, &config(""), 0..12);
    let (page, reader) = (Stored::new(dir.path().to_owned()), Reader::open(dir.path()).unwrap());
    let records = reader.day_records(ID, i32::MIN, 20_009).unwrap();
    assert_eq!(records.len(), 10);
    let mut loads = Vec::new();
    let with_loads = page.days_of_work(ID, i32::MIN, 20_009, Some(&mut |load, ms| loads.push((load, ms)))).unwrap();
    assert_eq!(loads, records.iter().flat_map(|r| r.running.loads()).collect::<Vec<_>>());
    let of_day = |r: &DayRecord, used: Option<f64>| (DayInShort::of(r.day, &r.totals, used), r.duty.clone());
    let bare: Vec<_> = with_loads.into_iter().map(|day| (day.sums, day.duty)).collect();
    assert_eq!(bare, records.iter().map(|r| of_day(r, None)).collect::<Vec<_>>());
    let whole = page.days_of_work(ID, i32::MIN, 20_009, None).unwrap();
    let whole: Vec<_> = whole.into_iter().map(|day| (day.sums, day.duty)).collect();
    assert_eq!(whole, records.iter().map(|r| of_day(r, Some(r.used_full_load_hours))).collect::<Vec<_>>());
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
