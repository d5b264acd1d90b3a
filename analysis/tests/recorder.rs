//! The recorder as a fold: what a lift is, what a gap is, and that no cut of the samples changes a bit.

#![allow(clippy::unwrap_used, reason = "tests")]

use proptest::prelude::*;
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::recorder::{Calendar, Counted, Day, Event, Gap, Recorder, Spec, State, Utc};
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::{Grams, Span, Timestamp};

const RATED_KG: f64 = 10_000.0;

fn rated() -> Grams {
    Grams::from_kg(RATED_KG)
}

/// A crane written down as a time-line: each step holds for some seconds at 10 Hz.
#[derive(Default)]
struct Plan {
    samples: Vec<Sample>,
    at_ms: i64,
}

#[derive(Clone, Copy, PartialEq)]
enum Motion {
    Still,
    Up,
    Down,
}
use Motion::{Down, Still, Up};

impl Plan {
    fn hold(mut self, seconds: f64, load_kg: f64, motion: Motion) -> Self {
        for _ in 0..(seconds * 10.0).round() as i64 {
            let mut s = Sample::at(Timestamp::from_ms(self.at_ms));
            s.set(Quantity::Load, Quantity::Load.from_outside(load_kg));
            s.set_flag(Flag::Raising, Some(motion == Up));
            s.set_flag(Flag::Lowering, Some(motion == Down));
            self.samples.push(s);
            self.at_ms += 100;
        }
        self
    }

    fn silence(mut self, seconds: f64) -> Self {
        self.at_ms += (seconds * 1000.0) as i64;
        self
    }

    fn not_read(mut self, seconds: f64) -> Self {
        for _ in 0..(seconds * 10.0).round() as i64 {
            self.samples.push(Sample::at(Timestamp::from_ms(self.at_ms)));
            self.at_ms += 100;
        }
        self
    }

    fn run(self) -> (Totals, Vec<Lift>, Vec<Gap>) {
        let mut recorder = Recorder::new(Spec::hoist(rated()));
        let (mut lifts, mut gaps) = (Vec::new(), Vec::new());
        for sample in &self.samples {
            recorder.step(sample, &Utc, &mut |event| match event {
                Event::LiftEnded(lift, _) => lifts.push(lift),
                Event::GapClosed(gap) => gaps.push(gap),
                _ => {}
            });
        }
        (recorder.totals().clone(), lifts, gaps)
    }
}

fn plan() -> Plan {
    Plan::default()
}

#[test]
fn a_load_raised_three_times_is_one_lift_and_its_starts_are_counted() {
    let (totals, lifts, _) = plan()
        .hold(5.0, 0.0, Still)
        .hold(1.0, 0.0, Up) // slack
        .hold(0.2, 3_000.0, Up)
        .hold(0.2, 7_500.0, Up) // the jerk of the take-up
        .hold(6.0, 6_000.0, Up)
        .hold(20.0, 6_000.0, Still)
        .hold(4.0, 6_000.0, Up)
        .hold(20.0, 6_000.0, Still)
        .hold(4.0, 6_000.0, Up)
        .hold(30.0, 6_000.0, Still)
        .hold(8.0, 6_000.0, Down)
        .hold(0.3, 2_000.0, Down) // set-down
        .hold(2.0, 0.0, Down)
        .hold(5.0, 0.0, Still)
        .run();
    assert_eq!((totals.lifts, totals.starts, totals.overload_lifts), (1, 4, 0));
    assert_eq!(lifts.len(), 1);
    let lift = lifts[0];
    assert_eq!(lift.load, Grams::from_kg(6_000.0), "neither the jerk nor the set-down moves the settled load");
    assert_eq!(lift.peak, Grams::from_kg(7_500.0));
    assert_eq!(lift.starts, 4, "the run that took the load up belongs to the lift");
    assert_eq!(lift.begin, Timestamp::from_ms(6_000));
    assert_eq!(lift.running_ms, 6_400 + 4_000 + 4_000 + 8_300);
    assert_eq!(totals.running_ms, 1_000 + 6_400 + 4_000 + 4_000 + 8_000 + 300 + 2_000);
    assert!(!lift.cut);
}

#[test]
fn an_overload_is_judged_by_the_settled_load_not_by_the_peak() {
    let one = |load_kg: f64, jerk_kg: f64| {
        plan()
            .hold(2.0, 0.0, Still)
            .hold(0.5, jerk_kg, Up)
            .hold(8.0, load_kg, Up)
            .hold(8.0, load_kg, Down)
            .hold(3.0, 0.0, Still)
            .run()
            .0
    };
    assert_eq!(one(10_800.0, 11_900.0).overload_lifts, 1);
    assert_eq!(one(9_000.0, 11_900.0).overload_lifts, 0, "only the peak was above");
    assert_eq!(one(10_000.0, 10_000.0).overload_lifts, 0, "the limit belongs to its class");
    assert_eq!(one(10_005.0, 10_000.0).overload_lifts, 0, "within the margin");
    assert_eq!(one(10_011.0, 10_000.0).overload_lifts, 1);
}

#[test]
fn touching_the_hook_is_no_lift() {
    let (totals, ..) = plan().hold(3.0, 0.0, Still).hold(0.3, 2_000.0, Still).hold(3.0, 0.0, Still).run();
    assert_eq!(totals.lifts, 0, "too short");
    let (totals, ..) = plan().hold(3.0, 0.0, Still).hold(30.0, 2_000.0, Still).hold(3.0, 0.0, Still).run();
    assert_eq!(totals.lifts, 0, "nothing was hoisted: a weight leaned on the hook, or the cell was being adjusted");
}

#[test]
fn a_dip_of_the_signal_does_not_end_a_lift() {
    let (totals, lifts, _) = plan()
        .hold(2.0, 0.0, Still)
        .hold(5.0, 4_000.0, Up)
        .hold(0.5, 100.0, Down) // bounces on its supports
        .hold(5.0, 4_000.0, Down)
        .hold(3.0, 0.0, Still)
        .run();
    assert_eq!(totals.lifts, 1);
    assert_eq!(lifts[0].running_ms, 10_500);
}

#[test]
fn a_gap_adds_only_to_the_gap() {
    let (totals, lifts, gaps) = plan()
        .hold(2.0, 0.0, Still)
        .hold(5.0, 4_000.0, Up)
        .not_read(1.0)
        .silence(29.0)
        .hold(5.0, 4_000.0, Up)
        .hold(5.0, 4_000.0, Down)
        .hold(3.0, 0.0, Still)
        .run();
    assert_eq!(totals.running_ms, 15_000, "nothing of the gap counts as running");
    assert_eq!(totals.gap_ms, 30_000);
    assert_eq!(gaps, [Gap { begin: Timestamp::from_ms(7_000), end: Timestamp::from_ms(37_000) }]);
    assert_eq!(lifts.len(), 1, "the same load hung before and after");
    assert_eq!(totals.starts, 1, "it ran before and after: no new start was seen");
}

#[test]
fn a_sample_stands_no_longer_than_its_limit() {
    let (totals, ..) = plan().hold(2.0, 0.0, Up).silence(60.0).hold(2.0, 0.0, Still).run();
    // The last sample before the silence stands for 2 s (stale_after), 0.1 s of which is its own period.
    assert_eq!(totals.running_ms, 1_900 + 2_000);
    assert_eq!(totals.gap_ms, 60_100 - 2_000);
}

#[test]
fn a_load_that_changed_while_nobody_looked_is_another_lift() {
    let (_, lifts, _) = plan()
        .hold(2.0, 0.0, Still)
        .hold(5.0, 4_000.0, Up)
        .not_read(60.0)
        .hold(5.0, 8_000.0, Up)
        .hold(5.0, 8_000.0, Down)
        .hold(3.0, 0.0, Still)
        .run();
    assert_eq!(lifts.len(), 2);
    assert!(lifts[0].cut && !lifts[1].cut);
    assert_eq!(lifts[0].end, Timestamp::from_ms(7_000), "it ends where it was lost from sight");
}

/// A load that is read more seldom than the rest, or that loses a reading now and then.
#[test]
fn readings_that_are_missing_now_and_then_take_no_lift_away() {
    let whole = || {
        plan()
            .hold(5.0, 0.0, Still)
            .hold(0.3, 4_000.0, Up)
            .hold(0.3, 8_000.0, Up)
            .hold(9.0, 10_800.0, Up)
            .hold(20.0, 10_800.0, Still)
            .hold(7.0, 10_800.0, Down)
            .hold(0.4, 3_000.0, Down)
            .hold(8.0, 0.0, Still)
            .hold(12.0, 6_000.0, Up)
            .hold(9.0, 6_000.0, Down)
            .hold(6.0, 0.0, Still)
    };
    let (_, read, _) = whole().run();
    assert_eq!(read.iter().map(|lift| lift.overload).collect::<Vec<_>>(), [true, false]);
    for every in 2..=9 {
        for (first, keeps) in (0..every).flat_map(|first| [(first, true), (first, false)]) {
            let mut plan = whole();
            for (n, sample) in plan.samples.iter_mut().enumerate() {
                if (n % every == first) != keeps {
                    sample.set(Quantity::Load, None);
                }
            }
            let (_, lifts, _) = plan.run();
            let what = format!("of {every} from {first} on, one read: {keeps}");
            assert_eq!(lifts.len(), read.len(), "{what}: {lifts:?}");
            for (lift, read) in lifts.iter().zip(&read) {
                let off = |a: Timestamp, b: Timestamp| a.since(b).as_ms().abs();
                assert!(off(lift.begin, read.begin) < 1000 && off(lift.end, read.end) < 1000, "{what}: {lift:?}");
                assert!(lift.load.get().abs_diff(read.load.get()) < 1_000, "{what}: {lift:?}");
                assert!(lift.running_ms.abs_diff(read.running_ms) < 1000, "{what}: {lift:?}");
                assert_eq!((lift.starts, lift.overload, lift.cut), (read.starts, read.overload, false), "{what}");
            }
        }
    }
}

#[test]
fn a_load_set_down_while_nobody_looked_ends_where_it_was_lost_from_sight() {
    let (_, lifts, _) = plan().hold(2.0, 0.0, Still).hold(5.0, 4_000.0, Up).not_read(60.0).hold(5.0, 0.0, Still).run();
    assert_eq!(lifts.len(), 1);
    assert_eq!(lifts[0].end, Timestamp::from_ms(7_000));
    assert!(lifts[0].cut);
}

#[test]
fn the_time_of_an_unread_load_is_kept_apart() {
    let mut recorder = Recorder::new(Spec::hoist(rated()));
    for second in 0..=10 {
        let mut s = Sample::at(Timestamp::from_ms(second * 1000));
        s.set_flag(Flag::Raising, Some(true));
        s.set_flag(Flag::Lowering, Some(false));
        recorder.step(&s, &Utc, &mut |_| {});
    }
    let totals = recorder.totals();
    assert_eq!((totals.running_ms, totals.load_unknown_ms, totals.cube_ms), (10_000, 10_000, 0));
    assert_eq!(totals.load_spectrum_factor(rated()), None, "no factor without a load, and no zero either");
}

#[test]
fn dead_load_counts_in_the_spectrum_but_not_in_the_lift() {
    // FEM 9.511: the step is (payload + dead load) over (rated + dead load).
    let mut spec = Spec::hoist(rated());
    spec.dead_load = Grams::from_kg(500.0);
    spec.gross_signal = true;
    let mut recorder = Recorder::new(spec);
    let mut lifts = Vec::new();
    let hold = plan().hold(2.0, 500.0, Still).hold(10.0, 5_500.0, Up).hold(10.0, 5_500.0, Down).hold(3.0, 500.0, Still);
    for sample in &hold.samples {
        recorder.step(sample, &Utc, &mut |event| {
            if let Event::LiftEnded(lift, _) = event {
                lifts.push(lift);
            }
        });
    }
    assert_eq!(lifts[0].load, Grams::from_kg(5_000.0));
    let km = recorder.totals().load_spectrum_factor(recorder.spec().base()).unwrap();
    assert!((km - (5_500.0_f64 / 10_500.0).powi(3)).abs() < 1e-12);
}

/// Random samples: mostly steady signals that change now and then, some not read, some late, across midnights.
fn any_samples() -> impl Strategy<Value = Vec<Sample>> {
    let step = (
        prop_oneof![8 => 50_i64..400, 1 => 1_000_i64..5_000, 1 => 10_000_i64..9_000_000],
        prop_oneof![3 => Just(0_i64), 2 => 0_i64..400_000, 5 => 500_000_i64..12_000_000],
        0_u8..4,
        prop_oneof![12 => Just(0_u8), 1 => 1_u8..8],
        1_usize..40,
    );
    proptest::collection::vec(step, 1..30).prop_map(|steps| {
        let mut at = 86_400_000_i64 * 20_000 - 60_000;
        let mut samples = Vec::new();
        for (pause, load, motion, missing, repeat) in steps {
            for i in 0..repeat {
                at += if i == 0 { pause } else { 100 };
                let mut s = Sample::at(Timestamp::from_ms(at));
                s.set(Quantity::Load, (missing & 1 == 0).then_some(load));
                s.set_flag(Flag::Raising, (missing & 2 == 0).then_some(motion == 1));
                s.set_flag(Flag::Lowering, (missing & 4 == 0).then_some(motion == 2));
                samples.push(s);
            }
        }
        samples
    })
}

fn play(samples: &[Sample]) -> (State, Vec<Event>) {
    let mut recorder = Recorder::new(Spec::hoist(rated()));
    let mut events = Vec::new();
    for s in samples {
        recorder.step(s, &Utc, &mut |e| events.push(e));
    }
    (recorder.state().clone(), events)
}

/// Events with neighbouring stretches of the same signals made one: where a stretch is cut is nobody's business.
fn joined(events: Vec<Event>) -> (Vec<Counted>, Vec<Event>) {
    let (mut stretches, mut others) = (Vec::<Counted>::new(), Vec::new());
    for event in events {
        match (event, stretches.last_mut()) {
            (Event::Counted(s), Some(last))
                if Counted { from: last.from, started: last.started, ..s } == (Counted { to: s.to, ..*last })
                    && s.from == last.to
                    && !s.started =>
            {
                last.to = s.to;
            }
            (Event::Counted(s), _) => stretches.push(s),
            (other, _) => others.push(other),
        }
    }
    (stretches, others)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// Stored as JSON after any sample and taken up again: the same state and the same events to the bit.
    #[test]
    fn any_cut_and_resume_gives_the_same_bits(samples in any_samples(), cuts in proptest::collection::vec(0.0..1.0_f64, 0..4)) {
        let (whole, events) = play(&samples);
        let cuts: Vec<usize> = cuts.iter().map(|c| (c * samples.len() as f64) as usize).collect();
        let mut recorder = Recorder::new(Spec::hoist(rated()));
        let mut resumed = Vec::new();
        for (i, s) in samples.iter().enumerate() {
            if cuts.contains(&i) {
                let stored = serde_json::to_string(recorder.state()).unwrap();
                recorder = Recorder::resume(Spec::hoist(rated()), serde_json::from_str(&stored).unwrap());
            }
            recorder.step(s, &Utc, &mut |e| resumed.push(e));
        }
        prop_assert_eq!(recorder.state(), &whole);
        prop_assert_eq!(resumed, events);
    }

    /// Counting on in between, as the daemon does before a commit, changes nothing in the end.
    #[test]
    fn counting_on_between_samples_changes_nothing(samples in any_samples(), steps in proptest::collection::vec(1_i64..70, 1..20)) {
        let (whole, events) = play(&samples);
        let mut recorder = Recorder::new(Spec::hoist(rated()));
        let mut seen = Vec::new();
        let mut steps = steps.iter().cycle();
        for s in &samples {
            let mut out = |e| seen.push(e);
            if let Some(step) = steps.next() && recorder.standing().is_some() {
                let between = recorder.counted_to().plus(Span::from_ms(*step)).min(s.at);
                recorder.advance(between, &Utc, &mut out);
            }
            recorder.step(s, &Utc, &mut out);
        }
        prop_assert_eq!(recorder.state(), &whole);
        prop_assert_eq!(joined(seen), joined(events));
    }

    /// The clock is put right at any moment, by any amount: hours and lifts are those of a good clock.
    #[test]
    fn a_clock_put_right_changes_no_hour_and_no_lift(samples in any_samples(), at in 0.0..1.0_f64, hours in -30_i64..400_000) {
        let (whole, _) = play(&samples);
        let whole = Recorder::resume(Spec::hoist(rated()), whole);
        let jump = (at * samples.len() as f64) as usize;
        let by = Span::from_ms(hours * 3_600_000);
        let mut recorder = Recorder::new(Spec::hoist(rated()));
        for (i, s) in samples.iter().enumerate() {
            if i == jump {
                recorder.rebase(by, &mut |_| {});
            }
            let mut dated = *s;
            dated.at = if i >= jump { s.at.plus(by) } else { s.at };
            recorder.step(&dated, &Utc, &mut |_| {});
        }
        prop_assert_eq!(recorder.totals(), whole.totals());
    }

    /// Band times add up to running time, observed and gap time to the whole; days add up to the life.
    #[test]
    fn the_sums_add_up(samples in any_samples()) {
        let (state, events) = play(&samples);
        let recorder = Recorder::resume(Spec::hoist(rated()), state);
        let t = recorder.totals();
        prop_assert_eq!(t.band_ms.iter().sum::<u64>(), t.running_ms - t.load_unknown_ms);
        prop_assert_eq!(t.band_lifts.iter().sum::<u64>(), t.lifts);
        let all = samples[samples.len() - 1].at.since(samples[0].at).as_ms() as u64;
        prop_assert_eq!(t.observed_ms + t.gap_ms, all);
        let mut days = recorder.open_day().map(|d| d.totals.clone()).unwrap_or_default();
        let mut lifts = 0;
        for event in &events {
            match event {
                Event::DayClosed { totals, .. } => days.add(totals),
                Event::LiftEnded(..) => lifts += 1,
                _ => {}
            }
        }
        prop_assert_eq!(&days, t, "merging days equals counting in one go");
        prop_assert_eq!(lifts, t.lifts);
    }

    /// The exact sums against a plain second reckoning in floating point.
    #[test]
    fn the_spectrum_factor_is_the_mean_cube_over_running_time(samples in any_samples()) {
        let (state, _) = play(&samples);
        let recorder = Recorder::resume(Spec::hoist(rated()), state);
        let (mut hours, mut cubes) = (0.0_f64, 0.0_f64);
        for pair in samples.windows(2) {
            let stood = pair[1].at.since(pair[0].at).as_ms().min(2_000) as f64;
            if pair[0].running_of(true, true) == Some(true) && let Some(load) = pair[0].load() {
                hours += stood;
                cubes += (load.as_kg() / RATED_KG).powi(3) * stood;
            }
        }
        match recorder.totals().load_spectrum_factor(rated()) {
            None => prop_assert_eq!(hours, 0.0),
            Some(km) => prop_assert!((km - cubes / hours).abs() <= 1e-9 * km.max(1e-9)),
        }
    }
}

/// A calendar that is as many hours behind UTC.
struct Behind(i64);

impl Calendar for Behind {
    fn day(&self, at: Timestamp) -> Day {
        let by = Span::from_ms(self.0 * HOUR);
        let Day { number, ends } = Utc.day(at.plus(Span::from_ms(-by.as_ms())));
        Day { number, ends: ends.plus(by) }
    }
}

const HOUR: i64 = 3_600_000;
const DAY: i64 = 24 * HOUR;

/// Runs for half of each minute from one instant up to another; the days that closed with their sums.
fn work(recorder: &mut Recorder, calendar: &impl Calendar, span: std::ops::Range<i64>) -> Vec<(i32, Totals)> {
    let mut closed = Vec::new();
    for at in span.step_by(1000) {
        let mut s = Sample::at(Timestamp::from_ms(at));
        s.set(Quantity::Load, Some(5_000_000));
        s.set_flag(Flag::Raising, Some(at / 30_000 % 2 == 0));
        s.set_flag(Flag::Lowering, Some(false));
        recorder.step(&s, calendar, &mut |event| {
            if let Event::DayClosed { day, totals } = event {
                closed.push((day, *totals));
            }
        });
    }
    closed
}

fn put_right(recorder: &mut Recorder, by: i64) {
    recorder.rebase(Span::from_ms(by), &mut |_| {});
}

fn stored_and_resumed(recorder: &Recorder) -> Recorder {
    let stored = serde_json::to_string(recorder.state()).unwrap();
    Recorder::resume(Spec::hoist(rated()), serde_json::from_str(&stored).unwrap())
}

#[test]
fn a_day_that_a_changed_time_zone_would_begin_anew_goes_on() {
    for (first, then) in [(0, 5), (0, 12), (-14, 11), (5, 0)] {
        let mut recorder = Recorder::new(Spec::hoist(rated()));
        let mut closed = work(&mut recorder, &Behind(first), 20_000 * DAY..20_000 * DAY + 15 * HOUR);
        let mut recorder = stored_and_resumed(&recorder);
        closed.extend(work(&mut recorder, &Behind(then), 20_000 * DAY + 15 * HOUR..20_002 * DAY + 20 * HOUR));
        let days: Vec<i32> = closed.iter().map(|(day, _)| *day).collect();
        assert!(days.is_sorted_by(|a, b| a < b), "from {first} to {then}: {days:?}");
        let mut sum = recorder.open_day().unwrap().totals.clone();
        closed.iter().for_each(|(_, totals)| sum.add(totals));
        assert_eq!(&sum, recorder.totals());
        // The day in which it was changed has what was counted before and after.
        let changed = Behind(first).day(Timestamp::from_ms(20_000 * DAY + 15 * HOUR - 1)).number;
        let (_, whole) = closed.iter().find(|(day, _)| *day == changed).unwrap();
        assert!(whole.observed_ms >= 9 * HOUR as u64, "from {first} to {then}: {} ms", whole.observed_ms);
    }
}

/// The board's date is half a year ahead; what the clock is put back by has to be left behind, also by a record that an
/// earlier version left there.
#[test]
fn a_record_that_began_ahead_of_its_time_goes_on_day_by_day_when_the_clock_is_put_right() {
    let (began, ahead) = (20_000 * DAY + 20 * HOUR, 183 * DAY);
    for left_by_earlier in [false, true] {
        let mut recorder = Recorder::new(Spec::hoist(rated()));
        let mut closed = work(&mut recorder, &Utc, began + ahead..began + ahead + 6 * HOUR);
        put_right(&mut recorder, -ahead);
        if left_by_earlier {
            recorder = stored_and_resumed(&recorder);
        }
        let after = began + 6 * HOUR..began + 3 * DAY;
        closed.extend(work(&mut recorder, &Utc, after));
        let days: Vec<i32> = closed.iter().map(|(day, _)| *day).collect();
        assert_eq!(days, [20_183, 20_184, 20_001, 20_002]);
        assert_eq!(recorder.open_day().unwrap().day, Utc.day(Timestamp::from_ms(20_003 * DAY)));
        assert_eq!(recorder.began_at(), Some(Timestamp::from_ms(began)));
        // When the days come that are in the record already, they are added to the one before them.
        put_right(&mut recorder, 179 * DAY);
        closed.extend(work(&mut recorder, &Utc, began + 182 * DAY..began + 186 * DAY));
        let days: Vec<i32> = closed.iter().map(|(day, _)| *day).collect();
        assert_eq!(days, [20_183, 20_184, 20_001, 20_002, 20_003, 20_182, 20_185]);
        let last = &closed.last().unwrap().1;
        assert_eq!(last.observed_ms, DAY as u64);
        let mut sum = recorder.open_day().unwrap().totals.clone();
        closed.iter().for_each(|(_, totals)| sum.add(totals));
        assert_eq!(&sum, recorder.totals());
        assert_eq!(recorder.began_at(), Some(Timestamp::from_ms(began)));
    }
}

#[test]
fn a_record_that_began_under_a_clock_that_was_not_set_begins_when_it_did() {
    let (image, right) = (20_000 * DAY, 20_382 * DAY + 7 * HOUR);
    for minutes in [2, 9 * 60] {
        let mut recorder = Recorder::new(Spec::hoist(rated()));
        let length = minutes * 60_000;
        work(&mut recorder, &Utc, image..image + length);
        put_right(&mut recorder, right - image);
        work(&mut recorder, &Utc, right + length..right + length + HOUR);
        assert_eq!(recorder.began_at(), Some(Timestamp::from_ms(right)));
    }
    // A record of days is no longer taken for such a one.
    let mut recorder = Recorder::new(Spec::hoist(rated()));
    work(&mut recorder, &Utc, image..image + 2 * DAY);
    put_right(&mut recorder, 30 * DAY);
    work(&mut recorder, &Utc, image + 32 * DAY..image + 32 * DAY + HOUR);
    assert_eq!(recorder.began_at(), Some(Timestamp::from_ms(image)));
}

/// What goes back by less is added to the day that was open, as ever.
#[test]
fn a_clock_put_back_into_days_of_the_record_opens_none_of_them_again() {
    let mut recorder = Recorder::new(Spec::hoist(rated()));
    let mut closed = work(&mut recorder, &Utc, 20_000 * DAY..20_003 * DAY + 20 * HOUR);
    for back in [1, 3] {
        let to = recorder.counted_to().as_ms() - back * DAY;
        put_right(&mut recorder, -back * DAY);
        closed.extend(work(&mut recorder, &Utc, to + 1000..to + 6 * HOUR));
        put_right(&mut recorder, back * DAY - 6 * HOUR);
    }
    let to = recorder.counted_to().as_ms();
    closed.extend(work(&mut recorder, &Utc, to + 1000..20_005 * DAY));
    let days: Vec<i32> = closed.iter().map(|(day, _)| *day).collect();
    assert_eq!(days, [20_000, 20_001, 20_002, 20_003]);
    assert_eq!(closed[3].1.observed_ms / 3_600_000, 24 + 12);
}
