//! Working periods: a service closes the old one as it stood, and the periods add up to the life.

#![allow(clippy::unwrap_used, reason = "tests")]

use proptest::prelude::*;
use tallyhook_analysis::period::{FactorScale, Ledger, Part, PartKind, Recording};
use tallyhook_analysis::service::{Budget, Periods, ServiceKind, derated};
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::{Grams, Span};

const RATED: Grams = Grams::new(10_000_000);

fn day(hours: u64, load_kg: u32, lifts: u64) -> Totals {
    let mut totals = Totals { observed_ms: 24 * 3_600_000, starts: 4 * lifts, lifts, ..Totals::default() };
    totals.gap_ms = 1_000 * hours;
    totals.load_unknown_ms = 500 * hours;
    totals.running_ms = totals.load_unknown_ms;
    let load = Grams::from_kg(f64::from(load_kg));
    totals.book_running(load, RATED, Span::from_ms(hours as i64 * 3_600_000));
    totals.band_lifts[3] = lifts;
    totals.overload_lifts = lifts / 7;
    totals.lift_cubes = load.cubed() * u128::from(lifts);
    totals
}

/// S of sums that were recorded whole.
fn ledger(totals: &Totals, design: f64) -> Ledger {
    let km = totals.load_spectrum_factor(RATED).unwrap_or(0.0);
    let part = Part::new(PartKind::Measured, totals.known_load_hours(), km, Recording::Recorder, FactorScale::Fem);
    Ledger { design_full_load_hours: design, parts: vec![part.unwrap()] }
}

#[test]
fn an_overhaul_closes_the_period_as_it_stood_and_begins_one_of_its_own_d() {
    let mut life = Totals::default();
    (0..100).for_each(|_| life.add(&day(8, 10_000, 20)));
    let mut periods = Periods::new(7, 1600.0);
    let before = ledger(&periods.totals(&life), periods.design());
    assert_eq!(before.used_share(), 0.5, "800 full-load hours of 1,600");
    periods.service(107, ServiceKind::Overhaul, before.clone(), &life, 3200.0);

    assert_eq!((periods.began(), periods.design()), (107, 3200.0));
    assert_eq!(periods.totals(&life), Totals::default(), "the new period begins at nothing");
    (0..10).for_each(|_| life.add(&day(8, 10_000, 20)));
    let now = ledger(&periods.totals(&life), periods.design());
    assert_eq!(now.used_share(), 0.025);
    let [closed] = periods.closed() else { panic!("one period is over") };
    assert_eq!((closed.began, closed.ended, closed.by), (7, 107, ServiceKind::Overhaul));
    assert_eq!(closed.ledger, before, "what the old period came to stays as it was");
}

proptest! {
    #[test]
    fn the_periods_add_up_to_the_life(
        days in proptest::collection::vec((0_u64..24, 0_u32..13_000, 0_u64..200, proptest::bool::weighted(0.1)), 1..120),
    ) {
        let (mut life, mut all) = (Totals::default(), Totals::default());
        let mut periods = Periods::new(0, 1600.0);
        let mut frozen: Vec<Ledger> = Vec::new();
        let mut before = 0.0;
        for (number, &(hours, load, lifts, service)) in days.iter().enumerate() {
            life.add(&day(hours, load, lifts));
            let now = periods.totals(&life);
            let share = ledger(&now, periods.design()).used_share();
            // km · T in two roundings may miss the exact sum by its last place.
            prop_assert!(share >= before * (1.0 - 1e-12), "{share} after {before}: it falls only by a service");
            before = share;
            if service {
                let kind = [ServiceKind::Overhaul, ServiceKind::Replacement, ServiceKind::NewPeriod][number % 3];
                frozen.push(ledger(&now, periods.design()));
                all.add(&now);
                periods.service(number as i32 + 1, kind, ledger(&now, periods.design()), &life, 800.0);
                before = 0.0;
            }
            // A store keeps them all.
            let text = serde_json::to_string(&periods).unwrap();
            periods = serde_json::from_str(&text).unwrap();
        }
        all.add(&periods.totals(&life));
        prop_assert_eq!(&all, &life);
        prop_assert_eq!(periods.closed().iter().map(|c| c.ledger.clone()).collect::<Vec<_>>(), frozen);
        let ends: Vec<(i32, i32)> = periods.closed().iter().map(|c| (c.began, c.ended)).collect();
        prop_assert!(ends.windows(2).all(|w| w[0].1 == w[1].0), "each begins where the last ended: {ends:?}");
        prop_assert_eq!(periods.began(), ends.last().map_or(0, |e| e.1));
    }

    #[test]
    fn merging_two_days_is_counting_both(
        a in (0_u64..24, 0_u32..13_000, 0_u64..200), b in (0_u64..24, 0_u32..13_000, 0_u64..200),
    ) {
        let (first, second) = (day(a.0, a.1, a.2), day(b.0, b.1, b.2));
        let mut merged = first.clone();
        merged.add(&second);
        let mut other_way = second.clone();
        other_way.add(&first);
        prop_assert_eq!(&merged, &other_way);
        // Full-load hours and cycles of both are those of each, added.
        let close = |x: f64, y: f64| (x - y).abs() <= 1e-9 * y.abs().max(1e-9);
        prop_assert!(close(merged.full_load_hours(RATED), first.full_load_hours(RATED) + second.full_load_hours(RATED)));
        prop_assert!(close(merged.full_load_cycles(RATED), first.full_load_cycles(RATED) + second.full_load_cycles(RATED)));
        prop_assert_eq!(merged.band_ms.iter().sum::<u64>(), merged.running_ms - merged.load_unknown_ms);
    }

    #[test]
    fn a_lowered_rating_leaves_the_share_and_grows_what_is_left(
        design in 100.0_f64..20_000.0, share in 0.0_f64..1.5, r in 0.1_f64..=1.0,
    ) {
        let (old, new) = derated(Budget { design, used: share * design }, r);
        prop_assert!((new.used / new.design - old.used / old.design).abs() < 1e-12);
        let (left, more) = (old.design - old.used, new.design - new.used);
        prop_assert!((more * r * r * r - left).abs() <= 1e-9 * design);
        prop_assert!(left <= 0.0 || more >= left);
    }
}
