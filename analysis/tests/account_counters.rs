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

fn live(hours: &[Hour], swap: Option<usize>, bits: u32, before_end_ms: i64) -> Outcome {
    let counter = Counter::hours(bits, STEP_MS);
    let end = counter.rolls_at.unwrap();
    let terms = Terms { hour_counter: Some(counter), start_counter: Some(Counter::starts(32)), ..Terms::plain(1600.0) };
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
            s.set(Quantity::RunHours, Some(value));
            s.set(Quantity::Starts, Some(starts));
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
    fn a_roll_over_neither_adds_nor_loses_an_hour_and_is_told(life in hours(), before_end in 1_i64..200 * MS_PER_HOUR) {
        let out = live(&life, None, 16, before_end);
        let gaps = out.account.gaps();
        prop_assert_eq!(out.account.recorder().totals().running_ms as i64, out.ran_ms);
        prop_assert!(near(out.told_ms, gaps.counted().hours()), "{} h for {} ms", gaps.counted().hours(), out.told_ms);
        prop_assert!(near(out.untold_ms + out.open_ms, gaps.waiting_hours()));
        prop_assert_eq!(gaps.estimated().ran_ms, 0);
        let rolled = out.notes.iter().filter(|(_, n)| matches!(n, Note::RolledOver { .. })).count();
        prop_assert_eq!((rolled, out.notes.len()), (usize::from(out.rolled), usize::from(out.rolled)), "{:?}", out.notes);
    }

    #[test]
    fn a_replaced_drive_neither_adds_nor_loses_an_hour_and_is_told(life in hours(), at in 0.0_f64..1.0) {
        let swap = (at * life.len() as f64) as usize;
        let out = live(&life, Some(swap), 32, 1_000_000 * MS_PER_HOUR);
        let gaps = out.account.gaps();
        prop_assert_eq!(out.account.recorder().totals().running_ms as i64, out.ran_ms);
        prop_assert!(near(out.told_ms, gaps.counted().hours()), "{} h for {} ms", gaps.counted().hours(), out.told_ms);
        prop_assert!(near(out.untold_ms + out.open_ms, gaps.waiting_hours()), "{} h wait", gaps.waiting_hours());
        prop_assert_eq!(gaps.estimated().ran_ms, 0);
        for kind in [CounterKind::Hours, CounterKind::Starts] {
            let of_it: Vec<_> = out.notes.iter().filter(|(k, _)| *k == kind).collect();
            let replaced = of_it.iter().filter(|(_, n)| matches!(n, Note::Replaced { .. })).count();
            prop_assert_eq!((replaced, of_it.len()), (usize::from(out.fell), usize::from(out.fell)), "{:?}", of_it);
        }
    }

    #[test]
    fn every_start_of_one_drive_is_seen_or_counted(life in hours()) {
        let first = life.iter().position(|h| h.seen);
        let out = live(&life, None, 32, 1_000_000 * MS_PER_HOUR);
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
