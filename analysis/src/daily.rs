//! What each day used of S, as the forecast reads it: all that S grew by, not only what was measured.
//!
//! S grows by running time with its load, by running time whose load was not read, and by gaps, when a counter tells of
//! them or they are estimated. The first is the day's own. The others are what S grew by beyond it, and may be booked
//! days after they ran: such a growth is shared out over the days since the last one, by the time of each that was not
//! seen. So over the days S is used up as fast as it was, and a crane whose load is never read has a pace too.
//!
//! A day is known as far as its gaps are settled. Those that a counter or an estimate is still to tell of are not; those of
//! hours of the week that nobody ever watches are, for S hears nothing of them either: a crane that is switched off every
//! night uses nothing by night, and is not scaled up to a day of 24 hours. Nor is a day of which more than a tenth is still
//! owed: to scale it up would take its evening for its shift, so it is not known at all.
//!
//! Weak points: a growth that was booked late is spread evenly over what was not seen, not by its weekly pattern. Growth
//! that no gap and no unread load of its period accounts for (use before the recorder, written down later) is left out;
//! where both came in one period, the later of the two is believed first.

use crate::forecast::DayUse;

/// What is kept of a day.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct DaySums {
    /// Days since 1970-01-01 in the site's calendar.
    pub day: i32,
    /// Time with a record, milliseconds.
    pub observed_ms: u64,
    /// Time without, milliseconds.
    pub gap_ms: u64,
    /// Running time whose load was not read, milliseconds.
    pub load_unknown_ms: u64,
    /// Full-load hours of running time whose load was read.
    pub measured: f64,
    /// S at its end, full-load hours; `None` where that was not kept.
    pub used: Option<f64>,
}

/// What of a working period's S was not measured.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Unseen {
    /// First day of the period, days since 1970-01-01.
    pub began: i32,
    /// Full-load hours of its gaps and of its running time without a load, with their factors.
    pub full_load_hours: f64,
}

/// A day of which a greater share is still to come into S is not known. Our judgement, no source.
const MOST_OWED: f64 = 0.1;

/// Less than this S does not grow: differences of sums have no more digits, full-load hours.
const LEAST_GROWTH: f64 = 1e-6;

impl DaySums {
    fn whole_ms(&self) -> u64 {
        self.observed_ms.saturating_add(self.gap_ms)
    }

    fn unseen_ms(&self) -> u64 {
        self.gap_ms.saturating_add(self.load_unknown_ms)
    }

    /// The day by its own sums, where nothing is known of the growth of S: scaled up later from what was seen of it, and
    /// unknown where it ran with a load that was not.
    fn alone(&self) -> DayUse {
        let seen = if self.load_unknown_ms == 0 { self.observed_ms } else { 0 };
        self.with_share(seen)
    }

    fn with_share(&self, known_ms: u64) -> DayUse {
        let observed = known_ms as f64 / self.whole_ms().max(1) as f64;
        DayUse { day: self.day, full_load_hours: self.measured, observed }
    }

    /// Whether S goes on from the day before to this one: the next day, in the same period.
    fn follows(&self, before: &DaySums, periods: &[Unseen]) -> bool {
        let (Some(used), Some(used_before)) = (self.used, before.used) else { return false };
        let begins = periods.iter().skip(1).any(|period| period.began == self.day);
        self.day.checked_sub(1) == Some(before.day) && !begins && used >= used_before * (1.0 - 1e-9)
    }
}

/// The days, in rising order as they come, with what S grew by on each. `periods`: the working periods, oldest first.
/// `owed_ms`: length of the gaps that are still to come into S ([`crate::gapbook::GapBook::owed_ms`]); they are taken to
/// be the latest.
///
/// ```
/// use tallyhook_analysis::daily::{DaySums, Unseen, day_uses};
/// const H: u64 = 3_600_000;
/// // Two days of 8 hours with 1 h measured each; on the third the counter tells of 16 hours between them: 2 h of S.
/// let day = |day, used| DaySums {
///     day, observed_ms: 8 * H, gap_ms: 16 * H, load_unknown_ms: 0, measured: 1.0, used: Some(used),
/// };
/// let uses = day_uses(
///     &[day(0, 1.0), day(1, 2.0), day(2, 5.0)],
///     &[Unseen { began: 0, full_load_hours: 2.0 }],
///     0,
/// );
/// assert_eq!((uses[1].full_load_hours, uses[1].observed), (2.0, 1.0));
/// ```
pub fn day_uses(days: &[DaySums], periods: &[Unseen], owed_ms: u64) -> Vec<DayUse> {
    let mut uses: Vec<DayUse> = days.iter().map(DaySums::alone).collect();
    let mut owed = owed_ms;
    let mut left: Vec<f64> = periods.iter().map(|period| period.full_load_hours).collect();
    let mut end = days.len();
    while end > 0 {
        // The newest stretch of days over which S goes on; of its first day the growth is not known.
        let steps = days[..end].windows(2).rev().take_while(|pair| pair[1].follows(&pair[0], periods)).count();
        let first = end - 1 - steps;
        for at in (first..end).rev() {
            let waits = owed.min(days[at].gap_ms);
            owed -= waits;
            if at > first {
                let whole = days[at].whole_ms();
                let known = if waits as f64 > MOST_OWED * whole as f64 { 0 } else { whole - waits };
                uses[at] = days[at].with_share(known);
            }
        }
        let period = periods.iter().rposition(|period| period.began <= days[first].day).unwrap_or(0);
        let mut none = 0.0;
        share_growth(&days[first..end], &mut uses[first..end], left.get_mut(period).unwrap_or(&mut none));
        end = first;
    }
    uses
}

/// Shares out what S grew by over a stretch beyond what was measured, no more than `left` of it, the newest first.
fn share_growth(days: &[DaySums], uses: &mut [DayUse], left: &mut f64) {
    let used = |at: usize| days[at].used.unwrap_or(0.0);
    let (mut measured, mut told, mut from) = (0.0, 0.0, 1);
    let mut growths = Vec::new();
    for at in 1..days.len() {
        measured += days[at].measured;
        let unseen = used(at) - used(0) - measured;
        if unseen - told < LEAST_GROWTH {
            continue;
        }
        // Days that closed together with this one, at the end of a gap of days, have the same S.
        let silent = days[at + 1..].iter().take_while(|day| day.observed_ms == 0 && day.used == days[at].used);
        let last = at + silent.count();
        growths.push((from, last, unseen - told));
        (told, from) = (unseen, last + 1);
    }
    for (from, last, growth) in growths.into_iter().rev() {
        let growth = growth.min(*left);
        *left -= growth;
        // One of the days that closed together with the last growth may be looked at again, and has nothing then.
        let from = from.min(last);
        let unseen: f64 = days[from..=last].iter().map(|day| day.unseen_ms() as f64).sum();
        for (day, of) in uses[from..=last].iter_mut().zip(&days[from..=last]) {
            let share = if unseen > 0.0 { of.unseen_ms() as f64 / unseen } else { 1.0 / (last + 1 - from) as f64 };
            day.full_load_hours += growth * share;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const H: u64 = 3_600_000;

    fn day(day: i32, seen: u64, gap: u64, measured: f64, used: f64) -> DaySums {
        let (observed_ms, gap_ms) = (seen * H, gap * H);
        DaySums { day, observed_ms, gap_ms, load_unknown_ms: 0, measured, used: Some(used) }
    }

    fn of(hours: f64) -> [Unseen; 1] {
        [Unseen { began: 0, full_load_hours: hours }]
    }

    fn hours(uses: &[DayUse]) -> Vec<f64> {
        uses.iter().map(|u| u.full_load_hours).collect()
    }

    fn shares(uses: &[DayUse]) -> Vec<f64> {
        uses.iter().map(|u| u.observed).collect()
    }

    #[test]
    fn a_whole_record_is_as_it_was_measured() {
        let days: Vec<DaySums> = (0..5).map(|d| day(d, 24, 0, 1.5, 1.5 * f64::from(d + 1))).collect();
        let uses = day_uses(&days, &of(0.0), 0);
        assert_eq!((hours(&uses), shares(&uses)), (vec![1.5; 5], vec![1.0; 5]));
    }

    #[test]
    fn a_gap_of_days_that_the_counter_tells_of_is_shared_out_over_it() {
        // A day, five without any record, and one on which the counter says what ran: 6 h of S, 0.5 measured that day.
        let mut days = vec![day(0, 24, 0, 1.0, 1.0), day(1, 24, 0, 1.0, 2.0)];
        days.extend((2..7).map(|d| day(d, 0, 24, 0.0, 2.0)));
        days.push(day(7, 24, 0, 0.5, 8.5));
        let uses = day_uses(&days, &of(6.0), 0);
        let expected = [1.0, 1.0, 1.2, 1.2, 1.2, 1.2, 1.2, 0.5];
        let near = |uses: &[DayUse]| hours(uses).iter().zip(expected).all(|(h, e)| (h - e).abs() < 1e-12);
        assert!(near(&uses), "{uses:?}");
        assert_eq!(shares(&uses), [1.0; 8]);
        // Until it has spoken those days are not known.
        let uses = day_uses(&days[..7], &of(0.0), 5 * 24 * H);
        assert_eq!(shares(&uses), [1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0]);
        // An estimate is booked with the first of the days, when all of them are closed at once: it is theirs all the same.
        days[2..7].iter_mut().for_each(|d| d.used = Some(8.0));
        let uses = day_uses(&days, &of(6.0), 0);
        assert!(near(&uses), "{uses:?}");
    }

    #[test]
    fn nights_that_nobody_watches_neither_hide_a_day_nor_scale_it_up() {
        let days: Vec<DaySums> = (0..5).map(|d| day(d, 8, 16, 1.0, f64::from(d + 1))).collect();
        let uses = day_uses(&days, &of(0.0), 0);
        assert_eq!((hours(&uses), &shares(&uses)[1..]), (vec![1.0; 5], &[1.0; 4][..]));
        // Where a counter is still to tell of the last night, that evening is not known yet.
        assert_eq!(shares(&day_uses(&days, &of(0.0), 8 * H))[3..], [1.0, 0.0]);
        assert_eq!(shares(&day_uses(&days, &of(0.0), H))[3..], [1.0, 23.0 / 24.0]);
    }

    #[test]
    fn running_without_a_load_is_what_s_grew_by() {
        let days: Vec<DaySums> =
            (0..4).map(|d| DaySums { load_unknown_ms: 2 * H, ..day(d, 24, 0, 0.0, 0.6 * f64::from(d + 1)) }).collect();
        let uses = day_uses(&days, &of(2.4), 0);
        assert!(hours(&uses)[1..].iter().all(|h| (h - 0.6).abs() < 1e-12), "{uses:?}");
        // Of the first day the growth is not known: it is no day without use.
        assert_eq!(shares(&uses), [0.0, 1.0, 1.0, 1.0]);
    }

    #[test]
    fn use_before_the_recorder_that_is_written_down_later_is_no_pace() {
        let mut days: Vec<DaySums> = (0..8).map(|d| day(d, 20, 4, 1.0, f64::from(d + 1))).collect();
        days[4..].iter_mut().for_each(|d| d.used = d.used.map(|s| s + 300.0));
        assert_eq!(hours(&day_uses(&days, &of(0.0), 0)), [1.0; 8]);
        // With a gap of 0.8 h booked after it, that gap alone.
        days[6..].iter_mut().for_each(|d| d.used = d.used.map(|s| s + 0.8));
        let sum: f64 = hours(&day_uses(&days, &of(0.8), 0)).iter().sum();
        assert!((sum - 8.8).abs() < 1e-9, "{sum}");
    }

    #[test]
    fn a_service_is_no_growth_and_no_fall() {
        // S begins anew on day 3; of that day both periods have a part.
        let used = [1.0, 2.0, 3.0, 0.5, 1.5, 2.5];
        let days: Vec<DaySums> = used.iter().zip(0..).map(|(&s, d)| day(d, 24, 0, 1.0, s)).collect();
        let periods = [Unseen { began: 0, full_load_hours: 0.0 }, Unseen { began: 3, full_load_hours: 0.0 }];
        assert_eq!(hours(&day_uses(&days, &periods, 0)), [1.0; 6]);
        // One so soon after the last that S does not fall by it.
        let used = [0.1, 0.2, 0.3, 1.3, 2.3, 3.3];
        let days: Vec<DaySums> = used.iter().zip(0..).map(|(&s, d)| day(d, 23, 1, 0.1, s)).collect();
        let periods = [Unseen { began: 0, full_load_hours: 0.0 }, Unseen { began: 3, full_load_hours: 1.8 }];
        let uses = hours(&day_uses(&days, &periods, 0));
        assert_eq!(uses[..4], [0.1; 4]);
        assert!(uses[4..].iter().all(|h| (h - 1.0).abs() < 1e-12), "{uses:?}");
    }

    #[test]
    fn days_of_before_s_was_kept_are_taken_by_their_own_sums() {
        let days: Vec<DaySums> = (0..5).map(|d| DaySums { used: None, ..day(d, 18, 6, 1.0, 0.0) }).collect();
        let uses = day_uses(&days, &of(7.0), 0);
        assert_eq!((hours(&uses), shares(&uses)), (vec![1.0; 5], vec![0.75; 5]));
    }

    proptest! {
        #[test]
        fn the_days_add_up_to_what_s_grew_by(
            life in proptest::collection::vec((0_u64..25, 0.0_f64..2.0, prop_oneof![2 => Just(0.0), 1 => 0.01_f64..3.0]), 2..60),
        ) {
            let mut used = 0.0;
            let mut days = Vec::new();
            for (number, &(seen, measured, late)) in life.iter().enumerate() {
                let measured = if seen == 0 { 0.0 } else { measured };
                used += measured + late;
                days.push(day(number as i32, seen, 24 - seen, measured, used));
            }
            let unseen: f64 = life.iter().map(|(.., late)| late).sum();
            let uses = day_uses(&days, &of(unseen), 0);
            let sum: f64 = hours(&uses)[1..].iter().sum();
            let grown = used - days[0].used.unwrap();
            prop_assert!((sum - grown).abs() < 1e-4, "{} for {}", sum, grown);
            prop_assert!(uses.iter().zip(&days).all(|(u, d)| u.full_load_hours >= d.measured && (0.0..=1.0).contains(&u.observed)));
        }

        #[test]
        fn odd_days_give_an_answer(
            life in proptest::collection::vec((any::<i32>(), any::<u64>(), any::<u64>(), any::<f64>(), any::<Option<f64>>()), 0..40),
            began in any::<i32>(), owed: u64, some in any::<bool>(),
        ) {
            let days: Vec<DaySums> = life
                .iter()
                .map(|&(day, observed_ms, gap_ms, measured, used)| DaySums {
                    day, observed_ms, gap_ms, load_unknown_ms: gap_ms / 3, measured, used,
                })
                .collect();
            let periods = [Unseen { began, full_load_hours: 1.0 }];
            prop_assert_eq!(day_uses(&days, if some { &periods } else { &[] }, owed).len(), days.len());
        }
    }
}
