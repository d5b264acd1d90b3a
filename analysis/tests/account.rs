//! Properties of the account: what every record must hold, whatever it looks like.

#![allow(clippy::unwrap_used, reason = "tests")]

use proptest::prelude::*;
use tallyhook_analysis::account::{Account, DayRecord, Entry, HourSums, State, Terms};
use tallyhook_analysis::counter::Counter;
use tallyhook_analysis::load::health::Note;
use tallyhook_analysis::period::{FactorScale, Part, PartKind, Recording};
use tallyhook_analysis::recorder::{Event, Spec, Utc};
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::service::ServiceKind;
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::{Grams, Span, Timestamp};
use tallyhook_analysis::wear::{Limit, Reeving, WearCounts};

const RATED_KG: f64 = 10_000.0;

fn spec() -> Spec {
    Spec {
        dead_load: Grams::from_kg(300.0),
        stale_after: Span::from_ms(900_000),
        ..Spec::hoist(Grams::from_kg(RATED_KG))
    }
}

fn terms() -> Terms {
    let prior = Part::new(PartKind::Prior, 100.0, 0.25, Recording::Estimated, FactorScale::Fem).unwrap();
    Terms {
        hour_counter: Some(Counter::hours(32, 36_000)),
        start_counter: Some(Counter::starts(32)),
        reeving: Some(Reeving { sheaves: 3, drum: true, ways: 2 }),
        rated_speed_mm_s: Some(100),
        parts: vec![("rope".to_owned(), vec![Limit::BendingCycles(100_000), Limit::Days(365)])],
        prior: vec![prior],
        ..Terms::plain(1600.0)
    }
}

/// What is done between two samples.
#[derive(Clone, Copy, Debug)]
struct Doing {
    seconds: i64,
    runs: bool,
    load_kg: i64,
    seen: bool,
    load_seen: bool,
}

fn doings() -> impl Strategy<Value = Vec<Doing>> {
    let one = (
        prop_oneof![8 => 1_i64..600, 1 => 600_i64..80_000],
        any::<bool>(),
        0_i64..11_500,
        prop::bool::weighted(0.9),
        prop::bool::weighted(0.9),
    );
    let doing = one.prop_map(|(seconds, runs, load_kg, seen, load_seen)| Doing {
        // What nobody sends is a gap anyway; what is sent stands at most its limit.
        seconds: if seen { seconds.min(900) } else { seconds },
        runs,
        load_kg,
        seen,
        load_seen,
    });
    proptest::collection::vec(doing, 2..250)
}

/// The samples of a life with true counters.
fn samples(life: &[Doing]) -> Vec<Sample> {
    let (mut at, mut ran, mut starts, mut before) = (0, 0, 0, false);
    let mut samples = Vec::new();
    for d in life {
        starts += i64::from(d.runs && !before);
        before = d.runs;
        let mut s = Sample::at(Timestamp::from_ms(at));
        if d.seen {
            s.set_flag(Flag::Raising, Some(d.runs));
            s.set_flag(Flag::Lowering, Some(false));
            s.set(Quantity::Load, d.load_seen.then_some(d.load_kg * 1000));
            s.set(Quantity::Speed, Some(100_000));
            s.set(Quantity::RunHours, Some(ran / 36_000 * 36_000));
            s.set(Quantity::Starts, Some(starts));
        }
        samples.push(s);
        at += d.seconds * 1000;
        ran += if d.runs { d.seconds * 1000 } else { 0 };
    }
    let mut last = *samples.last().unwrap();
    last.at = Timestamp::from_ms(at);
    if last.get(Quantity::RunHours).is_some() {
        last.set(Quantity::RunHours, Some(ran / 36_000 * 36_000));
    }
    samples.push(last);
    samples
}

#[derive(Default, PartialEq, Debug)]
struct Told {
    days: Vec<DayRecord>,
    hours: Vec<HourSums>,
    lifts: u64,
    odd: usize,
    health: Vec<Note>,
}

impl Told {
    fn hear(&mut self, entry: Entry) {
        match entry {
            Entry::Day(day) => self.days.push(*day),
            Entry::Hour(hour) => self.hours.push(hour),
            Entry::Lift { .. } => self.lifts += 1,
            Entry::Recorder(Event::Counted(_) | Event::DayClosed { .. }) => panic!("kept inside"),
            Entry::Recorder(_) => {}
            Entry::Counter { .. } => self.odd += 1,
            Entry::Health(note) => self.health.push(note),
        }
    }
}

fn play(account: &mut Account, samples: &[Sample], told: &mut Told) {
    samples.iter().for_each(|s| account.step(s, &Utc, &mut |entry| told.hear(entry)));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn cut_stored_and_resumed_anywhere_it_is_the_same_to_the_bit(life in doings(), cut in 0.0_f64..1.0) {
        let samples = samples(&life);
        let (mut whole, mut all) = (Account::resume(spec(), terms(), State::default()), Told::default());
        play(&mut whole, &samples, &mut all);
        let (first, rest) = samples.split_at((cut * samples.len() as f64) as usize);
        let (mut parts, mut pieces) = (Account::resume(spec(), terms(), State::default()), Told::default());
        play(&mut parts, first, &mut pieces);
        let stored = serde_json::to_string(&parts.state()).unwrap();
        let mut parts = Account::resume(spec(), terms(), serde_json::from_str(&stored).unwrap());
        play(&mut parts, rest, &mut pieces);
        prop_assert_eq!(whole.state(), parts.state());
        prop_assert_eq!(whole.used_share().to_bits(), parts.used_share().to_bits());
        prop_assert_eq!(all, pieces);
    }

    #[test]
    fn the_used_share_is_the_ledgers_and_falls_only_by_a_service(life in doings(), service in 0_usize..250) {
        let samples = samples(&life);
        let mut account = Account::resume(spec(), terms(), State::default());
        let mut before = account.used_share();
        for (i, sample) in samples.iter().enumerate() {
            account.step(sample, &Utc, &mut |_| {});
            let now = account.used_share();
            prop_assert!(now >= before, "{now} after {before}");
            prop_assert!((now - account.ledger().used_share()).abs() < 1e-12);
            before = now;
            if i == service {
                let used = account.ledger().used_share();
                let km = account.period_totals().load_spectrum_factor(account.budget_base());
                account.new_period(0, ServiceKind::Overhaul, Some(800.0));
                let closed = account.periods().unwrap().closed();
                prop_assert!(closed[0].ledger.used_share() >= used);
                prop_assert_eq!(closed[0].ledger.parts.iter().find(|p| p.kind == PartKind::Measured).map(|p| p.spectrum_factor), km);
                prop_assert_eq!(account.used_share(), 0.0);
                prop_assert_eq!(account.design_full_load_hours(), 800.0);
                before = 0.0;
            }
        }
    }

    #[test]
    fn days_hours_and_histograms_add_up_to_the_life(life in doings()) {
        let mut account = Account::resume(spec(), terms(), State::default());
        let mut told = Told::default();
        play(&mut account, &samples(&life), &mut told);
        told.days.extend(account.open_day());
        // An open hour is told of when it ends: a day later it has.
        let mut later = *account.recorder().standing().unwrap();
        let open_hours = told.hours.len();
        later.at = later.at.plus(Span::from_ms(3 * 86_400_000));
        let totals = account.recorder().totals().clone();
        account.step(&later, &Utc, &mut |entry| if let Entry::Hour(hour) = entry { told.hours.push(hour); });
        prop_assert!(told.hours.len() >= open_hours);

        let mut days = Totals::default();
        told.days.iter().for_each(|d| days.add(&d.totals));
        prop_assert_eq!(&days, &totals);
        let lifts: u64 = told.hours.iter().map(|h| h.lifts).sum();
        prop_assert!(lifts >= totals.lifts);
        for d in &told.days {
            prop_assert_eq!(d.running.total(), d.totals.running_ms - d.totals.load_unknown_ms);
            prop_assert_eq!(d.lifts.total(), d.totals.lifts);
            prop_assert_eq!((d.duty.running_ms, d.duty.gap_ms, d.duty.starts), (d.totals.running_ms, d.totals.gap_ms, d.totals.starts));
            if let (Some(exact), Some(binned)) = (d.totals.load_spectrum_factor(spec().base()), d.running.spectrum_factor(spec().base())) {
                prop_assert!((binned / exact - 1.0).abs() < 0.003, "{binned} for {exact}");
            }
        }
        let wear: &WearCounts = account.wear();
        let counted = account.gaps().counted();
        prop_assert_eq!(wear.lifts, totals.lifts + u64::from(account.recorder().totals().lifts > totals.lifts));
        prop_assert!(wear.running_ms >= totals.running_ms + counted.ran_ms);
    }

    #[test]
    fn a_true_counter_is_never_odd_and_gives_the_hours_of_the_gaps(life in doings()) {
        let mut told = Told::default();
        let mut account = Account::resume(spec(), terms(), State::default());
        let samples = samples(&life);
        play(&mut account, &samples, &mut told);
        prop_assert_eq!(told.odd, 0);
        // Every hour that ran up to the last reading is measured, counted, or within one step.
        let last_seen = samples.iter().rposition(|s| s.get(Quantity::RunHours).is_some());
        if let Some(last) = last_seen.filter(|&last| last > 0 && samples[0].get(Quantity::RunHours).is_some()) {
            let true_ms: i64 = life.iter().take(last).filter(|d| d.runs).map(|d| d.seconds * 1000).sum();
            let mut upto = Account::resume(spec(), terms(), State::default());
            play(&mut upto, &samples[..=last], &mut Told::default());
            let known = upto.recorder().totals().running_ms as i64 + upto.gaps().counted().ran_ms as i64;
            prop_assert!((known - true_ms).abs() <= 2 * 36_000, "{known} ms for {true_ms} ms");
        }
    }

    #[test]
    fn a_lowered_rating_leaves_the_used_share_as_it_was(life in doings(), r in 0.3_f64..1.0) {
        let mut account = Account::resume(spec(), terms(), State::default());
        play(&mut account, &samples(&life), &mut Told::default());
        let lower = Spec { rated: Grams::from_kg(RATED_KG * r), ..spec() };
        let derated = Account::resume(lower, terms(), account.state());
        prop_assert_eq!(derated.used_share().to_bits(), account.used_share().to_bits());
        prop_assert_eq!(derated.budget_base(), account.budget_base());
    }
}

/// A base that is named is that of the first period, as the one that the record began with is.
#[test]
fn a_new_period_is_laid_down_at_the_present_rating_whoever_named_the_old_one() {
    let lower = Spec { rated: Grams::from_kg(8_000.0), ..spec() };
    let begun = Account::resume(spec(), terms(), State::default());
    let named = Terms { budget_base: Some(spec().base()), ..terms() };
    let mut shares = Vec::new();
    for (mut account, terms) in
        [(begun, terms()), (Account::resume(lower.clone(), named.clone(), State::default()), named)]
    {
        let mut at = 0;
        let mut run = |account: &mut Account| {
            for _ in 0..5 {
                let mut s = Sample::at(Timestamp::from_ms(at));
                s.set_flag(Flag::Raising, Some(true));
                s.set_flag(Flag::Lowering, Some(false));
                s.set(Quantity::Load, Some(7_700_000));
                account.step(&s, &Utc, &mut |_| {});
                at += 600_000;
            }
        };
        run(&mut account);
        let mut account = Account::resume(lower.clone(), terms, account.state());
        assert_eq!(account.budget_base(), spec().base());
        let before = account.used_share();
        account.new_period(0, ServiceKind::Overhaul, None);
        assert_eq!((account.budget_base(), account.used_share()), (lower.base(), 0.0));
        run(&mut account);
        shares.push((before, account.used_share()));
    }
    assert_eq!(shares[0], shares[1]);
    assert!(shares[0].1 > 0.0);
}

/// By the plan: half an hour at the rated load is km 1, and what runs unread then is no lighter; the design's L2 is 0.25.
#[test]
fn running_time_without_a_load_counts_at_what_was_measured_until_then() {
    for (first_kg, km) in [(Some(10_000_000), 1.0), (Some(0), 0.25), (None, 0.25)] {
        let plain = Terms { prior: Vec::new(), ..terms() };
        let mut account = Account::resume(spec(), plain, State::default());
        for (minutes, load, raising) in
            [(0, first_kg, true), (15, first_kg, true), (30, None, true), (45, None, true), (60, None, false)]
        {
            let mut s = Sample::at(Timestamp::from_ms(minutes * 60_000));
            s.set_flag(Flag::Raising, Some(raising));
            s.set_flag(Flag::Lowering, Some(false));
            s.set(Quantity::Load, load);
            account.step(&s, &Utc, &mut |_| {});
        }
        let ledger = account.ledger();
        let unread = ledger.parts.iter().find(|part| part.kind == PartKind::LoadNotRead).unwrap();
        let hours = if first_kg.is_some() { 0.5 } else { 1.0 };
        assert!(
            (unread.running_hours - hours).abs() < 1e-9 && (unread.spectrum_factor - km).abs() < 1e-6,
            "{unread:?}"
        );
    }
}

#[test]
fn the_brake_takes_the_motion_of_the_load() {
    // 9.7 t and 300 kg at 0.1 m/s: ½ · 10,000 · 0.01 = 50 J each stop.
    let mut account = Account::resume(spec(), terms(), State::default());
    for i in 0..20 {
        let mut s = Sample::at(Timestamp::from_ms(i * 10_000));
        s.set_flag(Flag::Raising, Some(i % 2 == 0));
        s.set_flag(Flag::Lowering, Some(false));
        s.set(Quantity::Load, Some(9_700_000));
        s.set(Quantity::Speed, Some(100_000));
        account.step(&s, &Utc, &mut |_| {});
    }
    // The last sample stands and is not counted yet.
    assert_eq!((account.wear().stops, account.wear().stops_without_work), (9, 0));
    assert!((account.wear().brake_work_kj() - 0.45).abs() < 1e-9, "{}", account.wear().brake_work_kj());
    let (rope, day) = (account.parts().next().unwrap().clone(), 400);
    assert_eq!(rope.first(account.wear(), day, spec().base()).unwrap().limit, Limit::Days(365));
    assert!(account.renew("rope", day));
    assert!(!account.renew("mast", day));
    assert_eq!(account.parts().next().unwrap().reset_day, day);
}

#[test]
fn nights_that_nobody_watched_are_not_in_s_and_the_period_that_ends_owns_up_to_them() {
    let plain = Terms::plain(1600.0);
    let mut account = Account::resume(spec(), plain.clone(), State::default());
    // Six to fourteen o'clock is watched, a quarter of it running with half the load; then the crane is isolated.
    for quarter in 0..18 * 7 * 96 {
        if !(24..56).contains(&(quarter % 96)) {
            continue;
        }
        let mut s = Sample::at(Timestamp::from_ms(quarter * 900_000));
        s.set_flag(Flag::Raising, Some(quarter % 4 == 0));
        s.set_flag(Flag::Lowering, Some(false));
        s.set(Quantity::Load, Some(5_000_000));
        account.step(&s, &Utc, &mut |_| {});
    }
    let kinds = |account: &Account| account.ledger().parts.iter().map(|part| part.kind).collect::<Vec<_>>();
    assert_eq!(kinds(&account), [PartKind::Measured], "nothing is made up for the nights");
    let waiting = account.gaps().waiting_hours();
    assert_eq!(waiting, 16.0 * 125.0, "every night is shown as waiting");

    account.new_period(126, ServiceKind::Overhaul, None);
    let left_out = |account: &Account| account.periods().unwrap().closed()[0].gap_left_out_hours;
    assert_eq!((left_out(&account), account.gaps().waiting_hours()), (waiting, 0.0));
    assert_eq!(account.used_full_load_hours(), 0.0);
    let stored = serde_json::to_string(&account.state()).unwrap();
    let again = Account::resume(spec(), plain.clone(), serde_json::from_str(&stored).unwrap());
    assert_eq!((left_out(&again), again.state()), (waiting, account.state()));
    // A state of before this was kept.
    let before = stored.replace(&format!(",\"gap_left_out_hours\":{waiting:?}"), "");
    assert_ne!(before, stored);
    let old = Account::resume(spec(), plain, serde_json::from_str(&before).unwrap());
    assert_eq!(left_out(&old), 0.0);
}

/// Days on which the wearing part and the working period began, after the clock was put right by so many days, and how
/// far the yearly inspection is used then.
fn begun_after(hours: i64, days: i64) -> (i32, i32, f64) {
    const HOUR: i64 = 3_600_000;
    let mut account = Account::resume(spec(), terms(), State::default());
    let step = |account: &mut Account, minute: i64, off: i64| {
        let mut s = Sample::at(Timestamp::from_ms(20_000 * 24 * HOUR + minute * 60_000 + off));
        s.set_flag(Flag::Raising, Some(false));
        s.set_flag(Flag::Lowering, Some(false));
        account.step(&s, &Utc, &mut |_| {});
    };
    let off = days * 24 * HOUR;
    (0..hours * 60).for_each(|minute| step(&mut account, minute, 0));
    account.rebase(Span::from_ms(off), &mut |_| {});
    (hours * 60..hours * 60 + 5).for_each(|minute| step(&mut account, minute, off));
    let rope = account.parts().next().unwrap();
    let today = account.recorder().open_day().unwrap().day.number;
    let days = rope.used(account.wear(), today, spec().base()).into_iter().find(|used| used.limit == Limit::Days(365));
    (rope.reset_day, account.periods().unwrap().began(), days.unwrap().used)
}

#[test]
fn inspections_and_working_periods_that_began_under_a_wrong_clock_began_when_they_did() {
    // On a board whose date was half a year ahead, and on one that had none: on the day itself, whatever it was called.
    assert_eq!(begun_after(7, -183), (19_817, 19_817, 0.0));
    assert_eq!(begun_after(31, -183), (19_817, 19_817, 1.0));
    assert_eq!(begun_after(1, 382), (20_382, 20_382, 0.0));
    // A record of days was begun under a clock that was right: the calendar has gone on.
    assert_eq!(begun_after(48, 30), (20_000, 20_000, 32.0));
}

#[test]
fn a_days_end_estimates_the_gaps_of_that_day_and_leaves_today_its_own() {
    let mut account = Account::resume(spec(), Terms::plain(1600.0), State::default());
    let mut days = Vec::new();
    let mut take = |account: &mut Account, quarter: i64| {
        let mut s = Sample::at(Timestamp::from_ms(quarter * 900_000));
        s.set_flag(Flag::Raising, Some(quarter % 4 == 0));
        s.set_flag(Flag::Lowering, Some(false));
        s.set(Quantity::Load, Some(5_000_000));
        account.step(&s, &Utc, &mut |entry| {
            if let Entry::Day(day) = entry {
                days.push(day.day);
            }
        });
    };
    // Five weeks day and night; then nothing from noon of one day to noon of the third after it.
    (0..=35 * 96 + 48).for_each(|quarter| take(&mut account, quarter));
    assert_eq!(account.gaps().waiting_hours(), 0.0);
    take(&mut account, 38 * 96 + 48);
    let gaps = account.gaps();
    assert_eq!(gaps.waiting_hours(), 12.0, "today's");
    // A quarter runs, and a little more of the noon's two hours, of which a run more was seen.
    let near = |hours: f64, gap: f64| (hours - gap / 4.0).abs() < 0.05;
    assert!(near(gaps.estimated().hours(), 12.0 - 0.25 + 48.0), "{} h", gaps.estimated().hours());
    (38 * 96 + 49..=39 * 96).for_each(|quarter| take(&mut account, quarter));
    let (waiting, estimated) = (account.gaps().waiting_hours(), account.gaps().estimated().hours());
    assert!(waiting == 0.0 && near(estimated, 72.0 - 0.25), "{waiting} h wait, {estimated} h estimated");
    assert_eq!(days, (0..39).collect::<Vec<_>>());
}

#[test]
fn a_day_that_a_clock_closes_by_going_back_has_its_gaps_at_the_worth_of_any_other() {
    let mut account = Account::resume(spec(), Terms::plain(1600.0), State::default());
    let take = |account: &mut Account, quarter: i64, days: i64| {
        let mut s = Sample::at(Timestamp::from_ms(quarter * 900_000 + days * 86_400_000));
        s.set_flag(Flag::Raising, Some(quarter % 4 == 0));
        s.set_flag(Flag::Lowering, Some(false));
        s.set(Quantity::Load, Some(5_000_000));
        account.step(&s, &Utc, &mut |_| {});
    };
    (0..=35 * 96 + 24).for_each(|quarter| take(&mut account, quarter, 100));
    take(&mut account, 35 * 96 + 72, 100);
    assert_eq!(account.gaps().waiting_hours(), 12.0 - 0.25);
    account.rebase(Span::from_ms(-90 * 86_400_000), &mut |_| {});
    take(&mut account, 35 * 96 + 73, 10);
    let (hours, worth) = (account.gaps().estimated().hours(), account.gaps().estimated().full_load_hours());
    assert!(account.gaps().waiting_hours() == 0.0 && (hours - 3.0).abs() < 0.2, "{hours} h");
    // At M5's design class, L2.
    assert!((worth - 0.25 * hours).abs() < 1e-6, "{worth} full-load hours of {hours} h");
}
