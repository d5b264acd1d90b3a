//! Every hour and every start that the drive counted is in our own record, in the book of gaps, or in a note: whatever the
//! counter does, nothing is added or lost in silence.

#![allow(clippy::unwrap_used, reason = "tests")]

use proptest::prelude::*;
use tallyhook_analysis::counter::{Counter, Note, Reading};
use tallyhook_analysis::gapbook::{GapBook, Ppm, slot};
use tallyhook_analysis::units::{MS_PER_HOUR, Timestamp};

const HOUR: i64 = MS_PER_HOUR;
const KM: Ppm = Ppm(250_000);

/// Hours of one day: watched at rest, watched running, in a gap; and starts that were seen.
fn day(book: &mut GapBook, rest: i64, ran: i64, gap: i64, starts: i64) {
    let ms = |hours: i64| (hours * HOUR) as u64;
    book.watch(0, Some(false), ms(rest), true);
    book.watch(0, Some(true), ms(ran), true);
    book.watch(0, None, ms(gap), true);
    (0..starts).for_each(|_| book.started());
}

/// A day. Half of the watched time runs, so that an estimate of a gap is half of it.
#[derive(Clone, Copy, Debug)]
struct Life {
    /// Hours watched, half of them running.
    watched: i64,
    /// Hours of gap, and how many of them ran.
    gap: i64,
    ran: i64,
    /// Starts seen, and starts in the gap.
    starts: i64,
    unseen: i64,
    /// Whether the counters are read in the evening.
    read: bool,
    /// The drive is replaced at noon, by one whose counters stand at nearly nothing.
    swap: bool,
}

fn lives(swaps: bool) -> impl Strategy<Value = Vec<Life>> {
    let day = (0_i64..6, 0_i64..12, 0.0_f64..=1.0, 0_i64..50, 0_i64..50, 0..3, 0..8).prop_map(
        move |(half, gap, share, starts, unseen, read, swap)| Life {
            watched: 2 * half,
            gap,
            ran: (gap as f64 * share) as i64,
            starts,
            unseen: if gap > 0 { unseen } else { 0 },
            read: read > 0,
            swap: swaps && swap == 0,
        },
    );
    // One swap at most: a second one may bring a drive that stands above the first, which nobody can see.
    proptest::collection::vec(day, 1..60).prop_map(|mut days| {
        days.iter_mut().filter(|day| day.swap).skip(1).for_each(|day| day.swap = false);
        days
    })
}

/// What the book and the plan came to.
#[derive(Default)]
struct Outcome {
    book: GapBook,
    hour_notes: Vec<Note>,
    start_notes: Vec<Note>,
    /// Hours that ran in gaps between two readings of one drive, and the gap hours of the others.
    told_hours: i64,
    untold_gap: i64,
    /// Starts in gaps between two readings of one drive.
    told_starts: i64,
    swaps: usize,
    rolls: usize,
}

/// Lives the days with an hour counter of `bits` and 0.1 h, beginning `from` hours before its end, and a start counter.
fn live(days: &[Life], bits: u32, from: i64) -> Outcome {
    let (hours, starts) = (Counter::hours(bits, HOUR / 10), Counter::starts(32));
    let end = hours.rolls_at.unwrap();
    let mut out = Outcome::default();
    let (mut ms, mut count) = (end - from * HOUR, 1_000_000);
    out.book.hours(&hours, Reading { at: Timestamp::from_ms(0), value: ms }, KM);
    out.book.starts(&starts, Reading { at: Timestamp::from_ms(0), value: count });
    let mut shown = ms;
    let (mut since_hours, mut since_gap, mut since_starts, mut swapped) = (0, 0, 0, false);
    for (i, day) in days.iter().enumerate() {
        self::day(&mut out.book, day.watched / 2, day.watched / 2, day.gap, day.starts);
        if day.swap {
            // What the old one would have shown is lost with it.
            (ms, count) = (3 * HOUR, 7);
            swapped = true;
        } else {
            ms += (day.watched / 2 + day.ran) * HOUR;
            count += day.starts + day.unseen;
        }
        since_hours += day.ran;
        since_gap += day.gap;
        since_starts += day.unseen;
        if day.read || i + 1 == days.len() {
            let at = Timestamp::from_ms((i as i64 + 1) * 24 * HOUR);
            let value = ms % end;
            out.start_notes.extend(out.book.starts(&starts, Reading { at, value: count }).1);
            out.hour_notes.extend(out.book.hours(&hours, Reading { at, value }, KM).1);
            if swapped {
                out.swaps += 1;
                out.untold_gap += since_gap;
            } else {
                out.rolls += usize::from(value < shown);
                out.told_hours += since_hours;
                out.told_starts += since_starts;
            }
            shown = value;
            (since_hours, since_gap, since_starts, swapped) = (0, 0, 0, false);
        }
    }
    out
}

proptest! {
    #[test]
    fn a_roll_over_neither_adds_nor_loses_an_hour_and_is_told(days in lives(false), from in 1_i64..200) {
        let out = live(&days, 16, from);
        prop_assert!((out.book.counted().hours() - out.told_hours as f64).abs() <= 0.1 + 1e-9);
        prop_assert_eq!(out.book.waiting_hours(), 0.0);
        prop_assert!(out.hour_notes.iter().all(|n| matches!(n, Note::RolledOver { .. })), "{:?}", out.hour_notes);
        prop_assert_eq!(out.hour_notes.len(), out.rolls);
    }

    #[test]
    fn a_swapped_drive_neither_adds_nor_loses_an_hour_and_is_told(days in lives(true)) {
        // Far from its end: a fall is a swap.
        let out = live(&days, 32, 1_000_000);
        let replaced = out.hour_notes.iter().filter(|n| matches!(n, Note::Replaced { .. })).count();
        prop_assert_eq!(replaced, out.swaps);
        prop_assert!((out.book.counted().hours() - out.told_hours as f64).abs() <= 0.1 + 1e-9);
        prop_assert_eq!(out.hour_notes.len(), out.swaps, "{:?}", out.hour_notes);
        // The gaps of which nothing is known wait for the estimate, which is the share that runs: none is forgotten, none
        // counted twice.
        prop_assert_eq!(out.book.waiting_hours(), out.untold_gap as f64);
        let mut book = out.book;
        book.settle(KM);
        let watched = days.iter().any(|d| d.watched > 0);
        let estimate = if watched { out.untold_gap as f64 / 2.0 } else { 0.0 };
        prop_assert!((book.estimated().hours() - estimate).abs() < 1e-6, "{} {estimate}", book.estimated().hours());
        prop_assert_eq!(book.waiting_hours(), 0.0);
    }

    #[test]
    fn starts_of_gaps_are_the_counters_own(days in lives(true)) {
        let out = live(&days, 32, 1_000_000);
        let replaced = out.start_notes.iter().filter(|n| matches!(n, Note::Replaced { .. })).count();
        prop_assert_eq!(replaced, out.swaps);
        prop_assert_eq!(out.book.counted_starts() as i64, out.told_starts);
        prop_assert_eq!(out.start_notes.len(), out.swaps, "{:?}", out.start_notes);
    }

    #[test]
    fn a_counter_that_counts_otherwise_than_we_is_told_and_its_surplus_is_given_to_no_gap(
        days in lives(false), surplus in 2_i64..20,
    ) {
        // The drive counts some starts more than we do every day, with no gap that could hold them.
        let counter = Counter::starts(32);
        let (mut book, mut value, mut said, mut notes) = (GapBook::default(), 0, 0, 0);
        book.starts(&counter, Reading { at: Timestamp::from_ms(0), value });
        for (i, day) in days.iter().enumerate() {
            self::day(&mut book, 1, 0, 0, day.starts);
            value += day.starts + surplus;
            let at = Timestamp::from_ms((i as i64 + 1) * 24 * HOUR);
            for note in book.starts(&counter, Reading { at, value }).1 {
                let Note::Disagrees { by, .. } = note else { panic!("{note:?}") };
                said += by;
                notes += 1;
            }
        }
        prop_assert_eq!(book.counted_starts(), 0);
        prop_assert!((said - surplus * days.len() as i64).abs() <= 1, "{} of {}", said, surplus * days.len() as i64);
        prop_assert!(notes > 0);
    }

    #[test]
    fn after_a_gap_without_an_hour_counter_a_surplus_of_starts_is_still_told(quiet in 1_usize..30, surplus in 2_i64..20) {
        // One gap of an hour with five starts; then days without any, on which the drive counts more than we do.
        let counter = Counter::starts(32);
        let mut book = GapBook::default();
        let read = |day: i64, value| Reading { at: Timestamp::from_ms(day * 24 * HOUR), value };
        book.starts(&counter, read(0, 0));
        day(&mut book, 1, 0, 1, 10);
        prop_assert_eq!(book.starts(&counter, read(1, 15)), (5, vec![]));
        prop_assert_eq!(book.counted_starts(), 5);
        let mut value = 15;
        for i in 0..quiet as i64 {
            day(&mut book, 1, 0, 0, 10);
            value += 10 + surplus;
            let (_, notes) = book.starts(&counter, read(2 + i, value));
            prop_assert!(!notes.is_empty(), "day {i}");
        }
        prop_assert_eq!(book.counted_starts(), 5, "no start may be added without a gap");
    }
}

#[test]
fn a_short_gap_holds_no_more_starts_than_a_drive_can_make() {
    // A gap of one second: two starts at most are believed in it, the others are told.
    let counter = Counter::starts(32);
    let mut book = GapBook::default();
    book.starts(&counter, Reading { at: Timestamp::from_ms(0), value: 0 });
    book.watch(0, None, 1_000, false);
    let (given, notes) = book.starts(&counter, Reading { at: Timestamp::from_ms(HOUR), value: 50 });
    assert_eq!(given, 2);
    assert!(matches!(notes[..], [Note::Disagrees { by: 47, .. }]), "{notes:?}, one may still be owed");
}

#[test]
fn a_counter_that_comes_late_gives_nothing_to_a_gap_that_we_saw_run() {
    // The drive writes its hours down once a shift: for six hours it stands still, then it has them all.
    let counter = Counter::hours(32, HOUR / 10);
    let read = |hour: i64, value: i64| Reading { at: Timestamp::from_ms(hour * HOUR), value: value * HOUR };
    let mut book = GapBook::default();
    book.hours(&counter, read(0, 100), KM);
    let mut notes = Vec::new();
    for hour in 1..=6 {
        day(&mut book, 0, 1, 0, 0);
        notes.extend(book.hours(&counter, read(hour, 100), KM).1);
    }
    assert!(notes.iter().all(|n| matches!(n, Note::Stuck { .. })) && !notes.is_empty(), "{notes:?}");
    // A gap of eight hours at rest, in which the drive writes the six hours down.
    day(&mut book, 0, 0, 8, 0);
    assert_eq!(book.hours(&counter, read(14, 106), KM).0, 0, "our own record has these six hours");
    assert_eq!(book.waiting_hours(), 8.0, "the gap is estimated");
    // From here on it is believed again.
    day(&mut book, 0, 1, 2, 0);
    assert_eq!(book.hours(&counter, read(17, 109), KM).0, 2 * HOUR as u64);
}

#[test]
fn the_gaps_of_a_stuck_counter_are_estimated() {
    let counter = Counter::hours(32, HOUR / 10);
    let mut book = GapBook::default();
    book.hours(&counter, Reading { at: Timestamp::from_ms(0), value: 0 }, KM);
    for number in 1..=10 {
        day(&mut book, 10, 10, 4, 0);
        let (given, notes) = book.hours(&counter, Reading { at: Timestamp::from_ms(number * 24 * HOUR), value: 0 }, KM);
        assert_eq!(given, 0);
        assert!(matches!(notes[..], [Note::Stuck { since, .. }] if since.as_ms() == 0), "{notes:?}");
    }
    book.settle(KM);
    assert_eq!((book.counted().hours(), book.estimated().hours()), (0.0, 20.0));
}

#[test]
fn a_gap_that_waits_at_a_service_stays_with_the_old_period() {
    let counter = Counter::hours(32, 1000);
    let read = |hour: i64, value: i64| Reading { at: Timestamp::from_ms(hour * HOUR), value: value * HOUR };
    let mut book = GapBook::default();
    book.hours(&counter, read(0, 0), KM);
    // Six hours of gap, all of them running; before the counter is read again the overhaul is recorded.
    day(&mut book, 4, 4, 6, 0);
    assert_eq!(book.settle(KM), 3 * HOUR as u64, "the old period's part, by the share of time that runs");
    book.begin_period();
    // Then six hours of gap at rest.
    day(&mut book, 4, 4, 6, 0);
    book.hours(&counter, read(48, 14), KM);
    assert_eq!(book.counted().hours(), 0.0, "nothing of the old period may come into the new one");
}

/// Weeks of a crane that is isolated outside Monday to Friday, 06:00 to 14:00, in which a quarter of the time runs. Of the two
/// hours after that `late` minutes are watched, all of them running.
fn day_shifts(book: &mut GapBook, weeks: i32, late: i64) -> u64 {
    const MINUTE: i64 = HOUR / 60;
    let watch = |book: &mut GapBook, day: i32, hour: i64, running: Option<bool>, minutes: i64| {
        book.watch(slot(day, (24 - hour) * HOUR), running, (minutes * MINUTE) as u64, false);
    };
    let mut booked = 0;
    // 1970-01-05 was a Monday.
    for day in 4..4 + 7 * weeks {
        for hour in (0..24).step_by(2) {
            match hour {
                6..14 if (day + 3) % 7 < 5 => {
                    watch(book, day, hour, Some(true), 30);
                    watch(book, day, hour, Some(false), 90);
                }
                14 if (day + 3) % 7 < 5 => {
                    watch(book, day, hour, Some(true), late);
                    watch(book, day, hour, None, 120 - late);
                }
                _ => watch(book, day, hour, None, 120),
            }
        }
        booked += book.close_day(KM);
    }
    booked
}

#[test]
fn nights_that_nobody_ever_watched_are_not_taken_for_days() {
    let mut book = GapBook::default();
    assert_eq!(day_shifts(&mut book, 100, 0), 0);
    assert_eq!((book.estimated().hours(), book.waiting_hours()), (0.0, 100.0 * 128.0), "they wait, and that is shown");
    assert_eq!(book.owed_ms(), 0, "nothing is known that they could wait for");
    // A shift that nobody saw is as those of other weeks.
    for hour in 6..14 {
        book.watch(slot(4, (24 - hour) * HOUR), None, HOUR as u64, false);
    }
    assert_eq!(book.owed_ms(), 8 * HOUR as u64);
    assert_eq!(book.close_day(KM), 2 * HOUR as u64);
    assert_eq!((book.owed_ms(), book.waiting_hours()), (0, 100.0 * 128.0));
}

#[test]
fn minutes_after_the_shift_are_not_taken_for_the_hours_after_it() {
    // In a hundred weeks of five minutes they come to more than eight hours a slot, all running.
    let mut book = GapBook::default();
    assert_eq!(day_shifts(&mut book, 100, 5), 0);
    // Where most of those hours is watched, the rest is as that.
    let mut book = GapBook::default();
    let booked = day_shifts(&mut book, 100, 80);
    assert_eq!(booked, 500 * 2 * HOUR as u64 / 3);
}

#[test]
fn hours_are_estimated_when_they_have_been_watched_in_their_turn() {
    let mut book = GapBook::default();
    day_shifts(&mut book, 17, 0);
    // From now on the crane stays on: nights are seen at rest, and after so many weeks the nights before them are known.
    for day in 0..7 * 18 {
        for hour in 0..24 {
            book.watch(slot(day, (24 - hour) * HOUR), Some(false), HOUR as u64, false);
        }
        book.close_day(KM);
    }
    assert_eq!((book.waiting_hours(), book.estimated().hours()), (0.0, 0.0));
}

#[test]
fn what_was_never_watched_is_left_out_of_a_period_that_ends_and_owned_up_to() {
    let mut book = GapBook::default();
    day_shifts(&mut book, 4, 0);
    assert_eq!(book.settle(KM), 0);
    assert_eq!((book.waiting_hours(), book.left_out_hours()), (0.0, 4.0 * 128.0));
    book.begin_period();
    assert_eq!((book.waiting_hours(), book.left_out_hours()), (0.0, 0.0), "the next period is not charged with it");
}
