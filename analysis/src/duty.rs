//! Motor duty: starts in a sliding hour, cyclic duration factor in sliding windows, inching; against FEM 9.683.
//!
//! ED % = 100 · running time / window (IEC 60034-1 S3: 10 min unless stated; mark A). A window slides by the
//! millisecond: while the motor runs its running time can only grow, and while it rests only shrink, so the worst window
//! ends where a run ends. It is looked at there and at the end of a day, and no cut of the record can change it. A window
//! belongs to the day in which it ends, and reaches back over midnight.
//!
//! Time that was not observed counts as rest: with gaps the figures are a lower bound, and the day's `gap_ms` says how
//! far. All starts count alike; short runs are told apart and not weighted, because the sources for the weight of an
//! inching start disagree (0.5 or 0.8).

use std::collections::VecDeque;

use crate::class::MechanismGroup;
use crate::mark::Mark;
use crate::units::{Span, Timestamp};

/// The window of starts, and the longer one of the cyclic duration factor, milliseconds.
pub const HOUR_MS: i64 = 3_600_000;
/// The shorter window of the cyclic duration factor, milliseconds (IEC 60034-1).
pub const TEN_MINUTES_MS: i64 = 600_000;
/// A run shorter than this is inching, milliseconds (common practice, no source for the second).
pub const SHORT_RUN_MS: i64 = 1000;

/// What FEM 9.683 allows the motor of a group.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct DutyLimit {
    /// Cyclic duration factor, percent.
    pub ed_percent: f64,
    /// Starts per hour.
    pub starts_per_hour: u32,
    /// How sure both are.
    pub mark: Mark,
}

impl DutyLimit {
    /// The standard.
    pub const EDITION: &str = "FEM 9.683";

    /// The values of a group; `None` for M8 (5m), for which none were found.
    ///
    /// ```
    /// use tallyhook_analysis::{class::MechanismGroup, duty::DutyLimit};
    /// let limit = DutyLimit::of(MechanismGroup::M5).unwrap();
    /// assert_eq!((limit.ed_percent, limit.starts_per_hour), (40.0, 240));
    /// assert_eq!(DutyLimit::of(MechanismGroup::M8), None);
    /// ```
    pub const fn of(group: MechanismGroup) -> Option<DutyLimit> {
        let (ed_percent, starts_per_hour, mark) = match group {
            MechanismGroup::M1 => (15.0, 90, Mark::C),
            MechanismGroup::M2 => (20.0, 120, Mark::C),
            MechanismGroup::M3 => (25.0, 150, Mark::A),
            MechanismGroup::M4 => (30.0, 180, Mark::A),
            MechanismGroup::M5 => (40.0, 240, Mark::A),
            MechanismGroup::M6 => (50.0, 300, Mark::A),
            MechanismGroup::M7 => (60.0, 360, Mark::C),
            MechanismGroup::M8 => return None,
        };
        Some(DutyLimit { ed_percent, starts_per_hour, mark })
    }

    /// What of a day's worst windows is above the limit; a value on the limit is not.
    pub fn exceeded_by(&self, day: &DayDuty) -> Exceeded {
        Exceeded {
            starts: day.worst_starts.value > u64::from(self.starts_per_hour),
            ed_ten_minutes: day.ed_ten_minutes() > self.ed_percent,
            ed_hour: day.ed_hour() > self.ed_percent,
        }
    }
}

/// Which limits a day's worst windows are above.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Exceeded {
    /// Starts in a sliding hour.
    pub starts: bool,
    /// Cyclic duration factor in 10 minutes.
    pub ed_ten_minutes: bool,
    /// Cyclic duration factor in an hour.
    pub ed_hour: bool,
}

/// The worst window of one kind.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Worst {
    /// Starts, or running milliseconds.
    pub value: u64,
    /// The window's end; of equals, the last. `None` while the value is zero.
    pub until: Option<Timestamp>,
}

impl Worst {
    fn see(&mut self, value: u64, until: Timestamp) {
        self.merge(&Worst { value, until: Some(until) });
    }

    fn merge(&mut self, other: &Worst) {
        if other.value > 0 && (other.value, other.until) > (self.value, self.until) {
            *self = *other;
        }
    }
}

/// Motor duty of a day, or of any stretch of days merged.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct DayDuty {
    /// Running time, milliseconds.
    pub running_ms: u64,
    /// Time whose running state was not known, milliseconds.
    pub gap_ms: u64,
    /// Starts.
    pub starts: u64,
    /// Runs shorter than [`SHORT_RUN_MS`] whose begin and end were both seen, in the day they ended: inching.
    pub short_runs: u64,
    /// Most starts in a sliding hour.
    pub worst_starts: Worst,
    /// Most running milliseconds in a sliding ten minutes.
    pub worst_ten_minutes: Worst,
    /// Most running milliseconds in a sliding hour.
    pub worst_hour: Worst,
}

impl DayDuty {
    /// Largest cyclic duration factor of a sliding ten minutes, percent, 0 to 100.
    pub fn ed_ten_minutes(&self) -> f64 {
        percent(self.worst_ten_minutes.value, TEN_MINUTES_MS)
    }

    /// Largest cyclic duration factor of a sliding hour, percent, 0 to 100.
    pub fn ed_hour(&self) -> f64 {
        percent(self.worst_hour.value, HOUR_MS)
    }

    /// Mean run per start, seconds; `None` without starts. FEM 9.683 reckons with 6 s (starts per hour = 6 · ED, our
    /// arithmetic): well below that at many starts is inching.
    pub fn mean_run_seconds(&self) -> Option<f64> {
        (self.starts > 0).then(|| self.running_ms as f64 / 1000.0 / self.starts as f64)
    }

    /// Adds another day: sums add up, and the worse window stays.
    pub fn merge(&mut self, other: &DayDuty) {
        self.running_ms += other.running_ms;
        self.gap_ms += other.gap_ms;
        self.starts += other.starts;
        self.short_runs += other.short_runs;
        self.worst_starts.merge(&other.worst_starts);
        self.worst_ten_minutes.merge(&other.worst_ten_minutes);
        self.worst_hour.merge(&other.worst_hour);
    }
}

fn percent(ms: u64, window: i64) -> f64 {
    100.0 * ms as f64 / window as f64
}

/// One run of the motor.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
struct Run {
    begin: Timestamp,
    end: Timestamp,
    /// Its begin was seen as a start.
    started: bool,
}

impl Run {
    /// Milliseconds.
    fn length(&self) -> i64 {
        self.end.as_ms().wrapping_sub(self.begin.as_ms())
    }
}

/// Motor duty as a fold over stretches of constant running state.
///
/// Memory is the runs of the last hour: some hundred on a crane in hard work, and never more than half the stretches
/// that are fed in an hour.
///
/// ```
/// use tallyhook_analysis::duty::Duty;
/// use tallyhook_analysis::units::Timestamp;
/// let mut duty = Duty::default();
/// let at = |seconds: i64| Timestamp::from_ms(seconds * 1000);
/// for minute in 0..60 {
///     duty.feed(at(60 * minute), at(60 * minute + 24), Some(true), true);
///     duty.feed(at(60 * minute + 24), at(60 * minute + 60), Some(false), false);
/// }
/// let day = duty.take_day();
/// assert_eq!((day.ed_hour(), day.worst_starts.value), (40.0, 60));
/// assert_eq!(day.ed_ten_minutes(), 40.0);
/// ```
#[derive(Clone, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Duty {
    /// Oldest first, none overlapping.
    runs: VecDeque<Run>,
    /// The last run goes on.
    open: bool,
    /// Up to where time has been counted.
    counted_to: Option<Timestamp>,
    day: DayDuty,
    #[cfg_attr(feature = "serde", serde(skip))]
    sum: Sum,
}

/// Milliseconds of all runs that are kept but the last, and starts of all, where they have been added up. It follows from
/// them, so it is no part of what is stored, and two are never unlike.
#[derive(Clone, Copy, Debug, Default)]
struct Sum(Option<(i64, u64)>);

impl PartialEq for Sum {
    fn eq(&self, _: &Self) -> bool {
        true
    }
}

impl Eq for Sum {}

impl Duty {
    /// Takes a stretch over which the running state was constant: `None` where it was not known. `started` says that
    /// a run begins with it, and is said once, with the first piece of the run.
    ///
    /// Stretches follow one another. One that begins before the last one ended is a clock that went back: what the
    /// windows held is dropped, for it cannot be put in order.
    pub fn feed(&mut self, from: Timestamp, to: Timestamp, running: Option<bool>, started: bool) {
        if self.counted_to.is_some_and(|counted| from != counted) {
            self.end_run(false);
            if self.counted_to.is_some_and(|counted| from < counted) {
                self.runs.clear();
                self.sum = Sum::default();
            }
        }
        let ms = to.since(from).as_ms().max(0) as u64;
        match running {
            Some(true) => {
                if started {
                    self.end_run(true);
                }
                self.run(from, to, started);
                self.day.running_ms += ms;
            }
            Some(false) => self.end_run(true),
            None => {
                self.end_run(false);
                self.day.gap_ms += ms;
            }
        }
        self.counted_to = Some(to.max(from));
    }

    /// Ends the day: its duty comes back, and the next day begins. To be called between the stretch that ends with the
    /// day and the one that begins the next.
    pub fn take_day(&mut self) -> DayDuty {
        self.look();
        std::mem::take(&mut self.day)
    }

    /// The day up to now.
    pub fn day(&self) -> DayDuty {
        let mut now = self.clone();
        now.take_day()
    }

    /// Starts of the hour that ends now.
    pub fn starts_of_the_last_hour(&self) -> u64 {
        self.counted_to.map_or(0, |now| self.starts_since(now.plus(Span::from_ms(-HOUR_MS))))
    }

    /// The clock was put right by `by`: what the windows hold is dated anew.
    pub fn rebase(&mut self, by: Span) {
        for run in &mut self.runs {
            run.begin = run.begin.plus(by);
            run.end = run.end.plus(by);
        }
        self.counted_to.iter_mut().for_each(|at| *at = at.plus(by));
    }

    /// Whether a stretch from `from` on, running or at rest, only goes on with what the last one did.
    pub(crate) fn goes_on(&self, from: Timestamp, running: bool) -> bool {
        self.counted_to == Some(from) && self.open == running && !(running && self.runs.is_empty())
    }

    /// The same as [`Duty::feed`] for stretches that only go on ([`Duty::goes_on`]), up to `to`.
    pub(crate) fn go_on(&mut self, to: Timestamp, running: bool, ms: u64) {
        if let Some(last) = self.runs.back_mut().filter(|_| running) {
            last.end = to;
            self.day.running_ms += ms;
        }
        self.counted_to = Some(to);
    }

    fn run(&mut self, from: Timestamp, to: Timestamp, started: bool) {
        if self.open
            && let Some(last) = self.runs.back_mut()
        {
            last.end = to;
            return;
        }
        let hour_ago = from.plus(Span::from_ms(-HOUR_MS));
        let (mut ms, mut starts) = self.sum();
        ms = ms.wrapping_add(self.runs.back().map_or(0, Run::length));
        while let Some(run) = self.runs.front().filter(|run| run.end <= hour_ago) {
            (ms, starts) = (ms.wrapping_sub(run.length()), starts - u64::from(run.started));
            self.runs.pop_front();
        }
        self.runs.push_back(Run { begin: from, end: to, started });
        starts += u64::from(started);
        self.sum = Sum(Some((ms, starts)));
        self.open = true;
        if started {
            self.day.starts += 1;
            // One that goes on from before the hour did not start in it.
            let before = self.runs.iter().take_while(|run| run.begin <= hour_ago).filter(|run| run.started).count();
            self.day.worst_starts.see(starts - before as u64, from);
        }
    }

    /// Ends the run that goes on; `seen` when its end was.
    fn end_run(&mut self, seen: bool) {
        self.look();
        if std::mem::take(&mut self.open)
            && let Some(last) = self.runs.back()
            && seen
            && last.started
            && last.end.since(last.begin).as_ms() < SHORT_RUN_MS
        {
            self.day.short_runs += 1;
        }
    }

    /// Looks at the windows that end with the run that goes on.
    fn look(&mut self) {
        let Some(last) = self.runs.back().copied().filter(|_| self.open) else { return };
        let ten_minutes = self.running_within(last.end, TEN_MINUTES_MS);
        let sum = self.sum();
        self.sum = Sum(Some(sum));
        // Few of the runs that are kept are not all within the hour.
        let begin = last.end.plus(Span::from_ms(-HOUR_MS));
        let outside = |run: &Run| Run { end: run.end.min(begin), ..*run }.length();
        let gone = self.runs.iter().take_while(|run| run.begin < begin).map(outside).fold(0, i64::wrapping_add);
        let hour = sum.0.wrapping_add(last.length()).wrapping_sub(gone).max(0) as u64;
        self.day.worst_ten_minutes.see(ten_minutes, last.end);
        self.day.worst_hour.see(hour, last.end);
    }

    /// See [`Sum`].
    fn sum(&self) -> (i64, u64) {
        self.sum.0.unwrap_or_else(|| {
            let others = self.runs.len().saturating_sub(1);
            let ms = self.runs.iter().take(others).map(Run::length).fold(0, i64::wrapping_add);
            (ms, self.runs.iter().filter(|run| run.started).count() as u64)
        })
    }

    /// Running milliseconds of the window that ends at `end`.
    fn running_within(&self, end: Timestamp, window: i64) -> u64 {
        let begin = end.plus(Span::from_ms(-window));
        let inside = self.runs.iter().rev().take_while(|run| run.end > begin);
        inside.map(|run| run.end.since(run.begin.max(begin)).as_ms().max(0) as u64).sum()
    }

    /// Starts after an instant.
    fn starts_since(&self, after: Timestamp) -> u64 {
        self.runs.iter().rev().take_while(|run| run.begin > after).filter(|run| run.started).count() as u64
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(ms: i64) -> Timestamp {
        Timestamp::from_ms(ms)
    }

    #[test]
    fn starts_per_hour_are_six_times_the_duration_factor() {
        // Independent statement: FEM 9.683's table reckons with a mean run of 6 s in every row: ED · 3600 / c/h = 6.
        let mut rows = 0;
        for limit in MechanismGroup::ALL.iter().filter_map(|&g| DutyLimit::of(g)) {
            assert_eq!(limit.ed_percent / 100.0 * 3600.0 / f64::from(limit.starts_per_hour), 6.0);
            rows += 1;
        }
        assert_eq!(rows, 7);
        // The hoist selection sheet of E5 allows M6 300 starts/h, and its 4 · 3 · 16 = 192 are below that.
        assert_eq!(DutyLimit::of(MechanismGroup::M6).map(|l| l.starts_per_hour), Some(300));
    }

    #[test]
    fn forty_percent_is_four_minutes_in_any_ten() {
        // IEC 60034-1 S3: 40 % is at most 4 min in 10. A run of 4 min 1 ms is above it, in ten minutes and not in the hour.
        let limit = DutyLimit::of(MechanismGroup::M5).unwrap();
        let one = |ms: i64| {
            let mut duty = Duty::default();
            duty.feed(at(0), at(ms), Some(true), true);
            duty.feed(at(ms), at(HOUR_MS), Some(false), false);
            limit.exceeded_by(&duty.take_day())
        };
        assert_eq!(one(240_000), Exceeded::default());
        assert_eq!(one(240_001), Exceeded { ed_ten_minutes: true, ..Exceeded::default() });
    }

    #[test]
    fn inching_is_told_apart_and_a_run_cut_by_a_gap_is_not_judged() {
        let mut duty = Duty::default();
        let mut now = 0;
        let mut step = |ms: i64, running: Option<bool>, started: bool| {
            duty.feed(at(now), at(now + ms), running, started);
            now += ms;
        };
        for _ in 0..3 {
            step(400, Some(true), true);
            step(5_000, Some(false), false);
        }
        step(1_000, Some(true), true);
        step(1, Some(false), false);
        step(300, Some(true), true);
        step(60_000, None, false);
        step(300, Some(true), false); // after a gap: nobody saw it start
        step(10, Some(false), false);
        let day = duty.take_day();
        assert_eq!((day.starts, day.short_runs, day.gap_ms), (5, 3, 60_000));
        assert_eq!(day.mean_run_seconds(), Some(2.8 / 5.0));
    }

    #[test]
    fn a_run_over_midnight_is_in_both_days_windows() {
        let mut duty = Duty::default();
        duty.feed(at(0), at(200_000), Some(true), true);
        let first = duty.take_day();
        duty.feed(at(200_000), at(300_000), Some(true), false);
        duty.feed(at(300_000), at(400_000), Some(false), false);
        let second = duty.take_day();
        assert_eq!((first.worst_hour.value, second.worst_hour.value), (200_000, 300_000));
        assert_eq!((first.running_ms, second.running_ms), (200_000, 100_000));
        assert_eq!((first.starts, second.starts), (1, 0));
    }

    #[test]
    fn a_clock_that_went_back_drops_the_windows_and_one_put_right_keeps_them() {
        let mut duty = Duty::default();
        duty.feed(at(100_000), at(200_000), Some(true), true);
        let mut back = duty.clone();
        back.feed(at(50_000), at(60_000), Some(true), false);
        assert_eq!(back.take_day().worst_hour.value, 100_000, "never more than the clock passed");
        duty.rebase(Span::from_ms(-50_000));
        duty.feed(at(150_000), at(160_000), Some(true), false);
        assert_eq!(duty.take_day().worst_hour, Worst { value: 110_000, until: Some(at(160_000)) });
    }

    /// The same by looking at every millisecond window's end, on a line of tenths of a minute.
    fn by_hand(line: &[bool], window: usize) -> u64 {
        let running = |end: usize| line[end.saturating_sub(window)..end].iter().filter(|&&r| r).count() as u64;
        (1..=line.len()).map(running).max().unwrap_or(0)
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        #[test]
        fn windows_are_those_found_by_looking_at_every_one(
            stretches in prop::collection::vec((1_usize..90, prop::option::weighted(0.9, any::<bool>())), 1..60),
        ) {
            const TICK: i64 = 6_000;
            let mut duty = Duty::default();
            let (mut line, mut starts) = (Vec::new(), Vec::new());
            let mut before = Some(false);
            for &(ticks, running) in &stretches {
                let from = line.len() as i64 * TICK;
                let started = running == Some(true) && before == Some(false);
                duty.feed(at(from), at(from + ticks as i64 * TICK), running, started);
                if started {
                    starts.push(from);
                }
                before = running.or(before);
                line.extend(std::iter::repeat_n(running == Some(true), ticks));
            }
            let day = duty.take_day();
            prop_assert_eq!(day.worst_ten_minutes.value, by_hand(&line, 100) * TICK as u64);
            prop_assert_eq!(day.worst_hour.value, by_hand(&line, 600) * TICK as u64);
            let most = starts.iter().map(|&s| starts.iter().filter(|&&o| o <= s && o > s - HOUR_MS).count() as u64).max();
            prop_assert_eq!(day.worst_starts.value, most.unwrap_or(0));
            prop_assert_eq!(day.starts, starts.len() as u64);
        }

        #[test]
        fn cut_stored_and_resumed_anywhere_it_is_the_same(
            stretches in prop::collection::vec((1_i64..400_000, prop::option::weighted(0.9, any::<bool>()), any::<bool>()), 1..40),
            cuts in prop::collection::vec(0.0_f64..1.0, 40), days in 0_usize..40,
        ) {
            let (mut whole, mut parts) = (Duty::default(), Duty::default());
            let mut now = 0;
            for (i, (&(ms, running, started), &cut)) in stretches.iter().zip(&cuts).enumerate() {
                let started = started && running == Some(true);
                let middle = now + (cut * ms as f64) as i64;
                whole.feed(at(now), at(now + ms), running, started);
                parts.feed(at(now), at(middle), running, started);
                let stored = serde_json::to_string(&parts).unwrap();
                parts = serde_json::from_str(&stored).unwrap();
                parts.feed(at(middle), at(now + ms), running, false);
                now += ms;
                if i == days {
                    prop_assert_eq!(whole.take_day(), parts.take_day());
                }
                prop_assert_eq!(whole.day(), parts.day());
            }
            prop_assert_eq!(whole, parts);
        }
    }
}
