//! The whole account over lives with a rolling or a replaced drive counter: every hour is measured, counted, or waits for an
//! estimate, and what happened to the counter is told.

#![allow(clippy::unwrap_used, reason = "tests")]

use proptest::prelude::*;
use tallyhook_analysis::account::{Account, CounterKind, Entry, State, Terms};
use tallyhook_analysis::counter::{Counter, Note};
use tallyhook_analysis::recorder::{Spec, Utc};
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::units::{Grams, MS_PER_HOUR, Span, Timestamp};

const STEP_MS: i64 = 36_000;

/// An hour: whether the hoist runs, and whether anybody sees it.
#[derive(Clone, Copy, Debug)]
struct Hour {
    runs: bool,
    seen: bool,
}

/// Stretches of up to nine hours, less than four weeks in all, so that nothing is estimated yet.
fn hours() -> impl Strategy<Value = Vec<Hour>> {
    let stretch = (1_usize..10, any::<bool>(), proptest::bool::weighted(0.7));
    proptest::collection::vec(stretch, 1..60).prop_map(|stretches| {
        stretches.iter().flat_map(|&(n, runs, seen)| std::iter::repeat_n(Hour { runs, seen }, n)).collect()
    })
}

/// Which counters the drive gives, and whether the terms name the other too: a recording may lack its column.
#[derive(Clone, Copy, Debug)]
struct Given {
    hours: bool,
    starts: bool,
    named: bool,
}

const BOTH: Given = Given { hours: true, starts: true, named: true };

/// Both counters, or but the one.
fn given(hours: bool, starts: bool) -> impl Strategy<Value = Given> {
    let one = any::<bool>().prop_map(move |named| Given { hours, starts, named });
    prop_oneof![Just(BOTH), one]
}

impl Given {
    fn terms(self, hours: Counter) -> Terms {
        Terms {
            hour_counter: (self.hours || self.named).then_some(hours),
            start_counter: (self.starts || self.named).then_some(Counter::starts(32)),
            ..Terms::plain(1600.0)
        }
    }

    fn kinds(self) -> impl Iterator<Item = CounterKind> {
        let kinds = [(CounterKind::Hours, self.hours), (CounterKind::Starts, self.starts)];
        kinds.into_iter().filter(|(_, is)| *is).map(|(kind, _)| kind)
    }
}

/// What a life came to.
struct Outcome {
    account: Account,
    notes: Vec<(CounterKind, Note)>,
    /// True running time in gaps between two readings of one drive, and in all.
    told_ms: i64,
    ran_ms: i64,
    /// Length of the gaps over which the drive was replaced, and of one that is still open.
    untold_ms: i64,
    open_ms: i64,
    /// The true starts, seen or not, that one drive's counter showed.
    starts: i64,
    rolled: bool,
    fell: bool,
}

fn live(hours: &[Hour], swap: Option<usize>, bits: u32, before_end_ms: i64, given: Given) -> Outcome {
    let counter = Counter::hours(bits, STEP_MS);
    let end = counter.rolls_at.unwrap();
    let terms = given.terms(counter);
    let spec = Spec { stale_after: Span::from_ms(2 * MS_PER_HOUR), ..Spec::hoist(Grams::from_kg(10_000.0)) };
    let mut out = Outcome {
        account: Account::resume(spec, terms, State::default()),
        notes: Vec::new(),
        told_ms: 0,
        ran_ms: 0,
        untold_ms: 0,
        open_ms: 0,
        starts: 0,
        rolled: false,
        fell: false,
    };
    let (mut ms, mut starts, mut before) = (end - before_end_ms, 500_000, false);
    let (mut shown, mut gap_ran, mut gap, mut swapped) = (None::<i64>, 0, 0, false);
    for (i, hour) in hours.iter().chain([&Hour { runs: false, seen: true }]).enumerate() {
        if swap == Some(i) {
            (ms, starts, swapped) = (MS_PER_HOUR, 3, true);
        }
        let begins = hour.runs && !before;
        before = hour.runs;
        starts += i64::from(begins);
        let mut s = Sample::at(Timestamp::from_ms(i as i64 * MS_PER_HOUR));
        if hour.seen {
            let value = ms.rem_euclid(end) / STEP_MS * STEP_MS;
            s.set_flag(Flag::Raising, Some(hour.runs));
            s.set_flag(Flag::Lowering, Some(false));
            s.set(Quantity::Load, Some(5_000_000));
            s.set(Quantity::RunHours, given.hours.then_some(value));
            s.set(Quantity::Starts, given.starts.then_some(starts));
            match shown.replace(value) {
                // Nobody has read a counter before: what ran cannot be told.
                None => out.untold_ms += gap,
                Some(_) if swapped => {
                    out.untold_ms += gap;
                    out.fell = true;
                }
                Some(last) => {
                    out.rolled |= value < last;
                    out.told_ms += gap_ran;
                }
            }
            (gap_ran, gap, swapped) = (0, 0, false);
        } else {
            gap += MS_PER_HOUR;
            gap_ran += if hour.runs { MS_PER_HOUR } else { 0 };
        }
        let notes = &mut out.notes;
        out.account.step(&s, &Utc, &mut |entry| {
            if let Entry::Counter { counter, note } = entry {
                notes.push((counter, note));
            }
        });
        if hour.runs {
            ms += MS_PER_HOUR;
            out.ran_ms += if hour.seen { MS_PER_HOUR } else { 0 };
        }
    }
    out.open_ms = gap;
    out.starts = starts;
    out
}

fn near(ms: i64, hours: f64) -> bool {
    (hours - ms as f64 / MS_PER_HOUR as f64).abs() <= 2.0 * STEP_MS as f64 / MS_PER_HOUR as f64
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn a_roll_over_neither_adds_nor_loses_an_hour_and_is_told(
        life in hours(), before_end in 1_i64..200 * MS_PER_HOUR, given in given(true, false),
    ) {
        let out = live(&life, None, 16, before_end, given);
        let gaps = out.account.gaps();
        prop_assert_eq!(out.account.recorder().totals().running_ms as i64, out.ran_ms);
        prop_assert!(near(out.told_ms, gaps.counted().hours()), "{} h for {} ms", gaps.counted().hours(), out.told_ms);
        prop_assert!(near(out.untold_ms + out.open_ms, gaps.waiting_hours()));
        prop_assert_eq!(gaps.estimated().ran_ms, 0);
        let rolled = out.notes.iter().filter(|(_, n)| matches!(n, Note::RolledOver { .. })).count();
        prop_assert_eq!((rolled, out.notes.len()), (usize::from(out.rolled), usize::from(out.rolled)), "{:?}", out.notes);
    }

    #[test]
    fn a_replaced_drive_neither_adds_nor_loses_an_hour_and_is_told(
        life in hours(), at in 0.0_f64..1.0, given in given(true, false),
    ) {
        let swap = (at * life.len() as f64) as usize;
        let out = live(&life, Some(swap), 32, 1_000_000 * MS_PER_HOUR, given);
        let gaps = out.account.gaps();
        prop_assert_eq!(out.account.recorder().totals().running_ms as i64, out.ran_ms);
        prop_assert!(near(out.told_ms, gaps.counted().hours()), "{} h for {} ms", gaps.counted().hours(), out.told_ms);
        prop_assert!(near(out.untold_ms + out.open_ms, gaps.waiting_hours()), "{} h wait", gaps.waiting_hours());
        prop_assert_eq!(gaps.estimated().ran_ms, 0);
        for kind in given.kinds() {
            let of_it: Vec<_> = out.notes.iter().filter(|(k, _)| *k == kind).collect();
            let replaced = of_it.iter().filter(|(_, n)| matches!(n, Note::Replaced { .. })).count();
            prop_assert_eq!((replaced, of_it.len()), (usize::from(out.fell), usize::from(out.fell)), "{:?}", of_it);
        }
    }

    #[test]
    fn every_start_of_one_drive_is_seen_or_counted(life in hours(), given in given(false, true)) {
        let first = life.iter().position(|h| h.seen);
        let out = live(&life, None, 32, 1_000_000 * MS_PER_HOUR, given);
        // Starts before the first reading, and that of a run that was on at it, are nobody's.
        let first = first.unwrap_or(life.len());
        let (mut before, mut unknown) = (false, 0);
        for hour in life.iter().take(first + 1) {
            unknown += i64::from(hour.runs && !before);
            before = hour.runs;
        }
        let known = out.account.recorder().totals().starts + out.account.gaps().counted_starts();
        prop_assert!((known as i64 - (out.starts - 500_000 - unknown)).abs() <= 1, "{known} of {}", out.starts - 500_000 - unknown);
        prop_assert!(out.notes.is_empty(), "{:?}", out.notes);
    }
}

/// An account of which the drive gives the hours in steps of 0.1 h and no starts, fed hour by hour.
struct Shift {
    account: Account,
    hour: i64,
    notes: Vec<Note>,
}

impl Shift {
    fn new(named: bool) -> Shift {
        let given = Given { hours: true, starts: false, named };
        let spec = Spec { stale_after: Span::from_ms(120_000), ..Spec::hoist(Grams::from_kg(10_000.0)) };
        let terms = given.terms(Counter::hours(32, MS_PER_HOUR / 10));
        Shift { account: Account::resume(spec, terms, State::default()), hour: 0, notes: Vec::new() }
    }

    /// So many hours with a sample a minute, at which the counter shows `tenths`; `None`: nobody looks.
    fn pass(&mut self, hours: i64, runs: bool, tenths: Option<i64>) {
        let minutes = self.hour * 60..(self.hour + hours) * 60;
        self.hour += hours;
        let Some(tenths) = tenths else { return };
        let notes = &mut self.notes;
        for minute in minutes {
            let mut s = Sample::at(Timestamp::from_ms(minute * 60_000));
            s.set_flag(Flag::Raising, Some(runs));
            s.set_flag(Flag::Lowering, Some(false));
            s.set(Quantity::Load, Some(5_000_000));
            s.set(Quantity::RunHours, Some(tenths * MS_PER_HOUR / 10));
            self.account.step(&s, &Utc, &mut |entry| {
                if let Entry::Counter { note, .. } = entry {
                    notes.push(note);
                }
            });
        }
    }
}

#[test]
fn an_hour_counter_that_is_written_once_a_shift_gives_a_gap_nothing_that_was_seen() {
    for named in [false, true] {
        let mut shift = Shift::new(named);
        // A first gap, at rest; there is no start counter that could speak of it.
        shift.pass(1, false, Some(1_000));
        shift.pass(2, false, None);
        shift.pass(1, false, Some(1_000));
        // Six hours seen running, and a gap at rest in which the drive writes them down.
        shift.pass(6, true, Some(1_000));
        shift.pass(8, false, None);
        shift.pass(1, false, Some(1_060));
        let gaps = shift.account.gaps();
        assert_eq!(gaps.counted().hours(), 0.0, "named {named}");
        assert_eq!(shift.notes, [], "named {named}");
    }
}

#[test]
fn an_hour_counter_that_stands_still_is_told_and_its_gaps_are_estimated() {
    for named in [false, true] {
        let mut shift = Shift::new(named);
        // It runs from 08:00 to 16:00; on every tenth day nobody looks from 09:00 to 12:00. The counter is dead.
        for day in 0..40 {
            // The first gap, at rest, comes before the counter can be seen to stand still.
            shift.pass(1, false, Some(1_000));
            shift.pass(6, false, (day > 0).then_some(1_000));
            shift.pass(1, false, Some(1_000));
            shift.pass(1, true, Some(1_000));
            shift.pass(3, true, (day % 10 != 0).then_some(1_000));
            shift.pass(4, true, Some(1_000));
            shift.pass(8, false, Some(1_000));
        }
        assert!(matches!(shift.notes[..], [Note::Stuck { .. }, ..]), "named {named}: {:?}", shift.notes);
        let gaps = shift.account.gaps();
        let (told, estimated) = (gaps.counted().hours(), gaps.estimated().hours());
        // Four times three hours, less what the last sample before a gap stands for.
        assert!(
            told == 0.0 && (11.5..=12.0).contains(&estimated),
            "named {named}: {told} h told, {estimated} h estimated"
        );
    }
}

#[test]
fn gaps_do_not_wait_for_an_hour_counter_that_is_never_read() {
    // The terms name one, the drive does not give it: three hours of every tenth shift are estimated without it.
    let given = Given { hours: false, starts: false, named: true };
    let spec = Spec { stale_after: Span::from_ms(120_000), ..Spec::hoist(Grams::from_kg(10_000.0)) };
    let mut account = Account::resume(spec, given.terms(Counter::hours(32, STEP_MS)), State::default());
    for minute in 0..40 * 1440 {
        let (day, hour) = (minute / 1440, minute / 60 % 24);
        if day % 10 == 0 && (9..12).contains(&hour) {
            continue;
        }
        let mut s = Sample::at(Timestamp::from_ms(minute * 60_000));
        s.set_flag(Flag::Raising, Some((8..16).contains(&hour)));
        s.set_flag(Flag::Lowering, Some(false));
        s.set(Quantity::Load, Some(5_000_000));
        account.step(&s, &Utc, &mut |_| {});
    }
    let (estimated, waiting) = (account.gaps().estimated().hours(), account.gaps().waiting_hours());
    assert!((11.5..=12.0).contains(&estimated) && waiting == 0.0, "{estimated} h estimated, {waiting} h wait");
}
