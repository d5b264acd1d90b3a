//! The one fold over samples: [`Recorder::step`] takes a [`Sample`] and says what follows from it.
//!
//! `run` and `replay` drive this same code. A sample stands until the next one, at most `stale_after`; beyond that is
//! a gap, in which nothing is counted. Cutting the samples anywhere, storing [`State`] and going on with it gives the
//! same sums, lifts and gaps to the bit.

use crate::account::blocks::Steady;
use crate::lift::{Lift, LiftEvent, LiftRun, LiftSettings, LiftTracker, Seen, Stretch};
use crate::sample::{Flag, Sample};
use crate::spectrum::{Totals, band_of};
use crate::units::{Grams, Span, Timestamp};

/// What the recorder must know of a mechanism.
#[derive(Clone, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Spec {
    /// Rated load (safe working load), without dead load.
    pub rated: Grams,
    /// Dead load of hook block and attachment that moves with every load; zero where it is not counted.
    pub dead_load: Grams,
    /// Whether the load signal contains the dead load.
    pub gross_signal: bool,
    /// The mechanism has a signal for raising (or forward).
    pub has_raising: bool,
    /// The mechanism has a signal for lowering (or back).
    pub has_lowering: bool,
    /// How long a sample stands when no other follows.
    pub stale_after: Span,
    /// Thresholds of the lift detection.
    pub lift: LiftSettings,
}

impl Spec {
    /// A hoist with a net load signal, both direction signals and default thresholds.
    pub fn hoist(rated: Grams) -> Self {
        Spec {
            rated,
            dead_load: Grams::ZERO,
            gross_signal: false,
            has_raising: true,
            has_lowering: true,
            stale_after: Span::from_ms(2000),
            lift: LiftSettings::for_rated(rated),
        }
    }

    /// The base that loads are divided by: rated load plus dead load, as FEM 9.511 has it (payload and dead load over
    /// the load that includes the dead load).
    pub fn base(&self) -> Grams {
        Grams::new(self.rated.get() + self.dead_load.get())
    }

    /// The payload: the signal less the dead load where the signal contains it.
    pub fn payload(&self, signal: Grams) -> Grams {
        if self.gross_signal { Grams::new(signal.get() - self.dead_load.get()) } else { signal }
    }
}

/// A stretch in which the running state was not known.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Gap {
    /// Its beginning.
    pub begin: Timestamp,
    /// Its end.
    pub end: Timestamp,
}

/// A day at the site: its number and when it ends.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Day {
    /// Days since 1970-01-01 in the site's own calendar.
    pub number: i32,
    /// The instant at which the next day begins.
    pub ends: Timestamp,
}

/// A record up to this long that is put forward over days was begun under a clock that nobody had set: a day (the hours
/// until the right time comes, and those that it must stand).
pub(crate) const NEW_RECORD: Span = Span::from_ms(86_400_000);

/// So near before its end an instant is in a day, or in the one before.
const NEAR: Span = Span::from_ms(2 * 86_400_000);

/// The site's calendar: which day an instant belongs to. Time zones live outside this crate.
pub trait Calendar {
    /// The day that contains `at`.
    fn day(&self, at: Timestamp) -> Day;
}

/// The calendar of UTC, for tests and for sites that keep it.
#[derive(Clone, Copy, Debug, Default)]
pub struct Utc;

impl Calendar for Utc {
    fn day(&self, at: Timestamp) -> Day {
        const DAY_MS: i64 = 86_400_000;
        let number = at.as_ms().div_euclid(DAY_MS);
        Day { number: number as i32, ends: Timestamp::from_ms((number + 1).saturating_mul(DAY_MS)) }
    }
}

/// A stretch of one day over which everything was constant.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Counted {
    /// Its beginning.
    pub from: Timestamp,
    /// Its end.
    pub to: Timestamp,
    /// The day it belongs to.
    pub day: Day,
    /// Whether the mechanism ran; `None` where that was not known.
    pub running: Option<bool>,
    /// The load as booked, dead load included; `None` where it was not read.
    pub load: Option<Grams>,
    /// A run began with it.
    pub started: bool,
}

/// What follows from a sample. Each carries the instant that caused it.
#[derive(Clone, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Event {
    /// A stretch has been counted. Comes before what else follows from it, and before its day's `DayClosed`.
    Counted(Counted),
    /// A load has been taken up.
    LiftBegun {
        /// When it came onto the hook.
        at: Timestamp,
    },
    /// A lift has ended, and what was seen of its load.
    LiftEnded(Lift, Seen),
    /// The running state is no longer known.
    GapOpened {
        /// Since when.
        at: Timestamp,
    },
    /// The running state is known again.
    GapClosed(Gap),
    /// A two-state signal other than the directions went from off to on.
    FlagRose {
        /// Which.
        flag: Flag,
        /// When it was first read as on.
        at: Timestamp,
    },
    /// A day of the site's calendar is complete.
    DayClosed {
        /// Its number, days since 1970-01-01.
        day: i32,
        /// Its sums.
        totals: Box<Totals>,
    },
    /// A sample is older than what has been counted already: the clock went back, or the file is out of order.
    ClockWentBack {
        /// Up to when time had been counted.
        counted_to: Timestamp,
        /// The sample's time.
        at: Timestamp,
    },
}

/// A day that is still being added to.
#[derive(Clone, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct OpenDay {
    /// Which day, and when it ends.
    pub day: Day,
    /// Its sums so far.
    pub totals: Totals,
}

/// Everything the recorder carries from one sample to the next.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct State {
    totals: Totals,
    day: Option<OpenDay>,
    /// Where a clock has jumped over days: the stretches of days that were opened before the present one, first and last
    /// of each, in their order.
    #[cfg_attr(feature = "serde", serde(default, skip_serializing_if = "Vec::is_empty"))]
    stretches: Vec<(i32, i32)>,
    /// And the first day of the present one; `None` for that of the first sample.
    #[cfg_attr(feature = "serde", serde(default, skip_serializing_if = "Option::is_none"))]
    stretch_began: Option<i32>,
    standing: Option<Sample>,
    /// The first sample's time.
    began_at: Option<Timestamp>,
    /// Up to where the standing sample has been counted.
    counted_to: Timestamp,
    /// The running state when it was last known.
    last_running: Option<bool>,
    /// A run began with the standing sample and has not been told to the lift detection yet.
    start_pending: bool,
    gap_since: Option<Timestamp>,
    tracker: LiftTracker,
}

/// The recorder of one mechanism.
///
/// ```
/// use tallyhook_analysis::recorder::{Recorder, Spec, Utc};
/// use tallyhook_analysis::sample::{Flag, Quantity, Sample};
/// use tallyhook_analysis::units::{Grams, Timestamp};
///
/// let mut recorder = Recorder::new(Spec::hoist(Grams::from_kg(10_000.0)));
/// for second in 0..=3600 {
///     let mut s = Sample::at(Timestamp::from_ms(second * 1000));
///     s.set(Quantity::Load, Some(5_000_000));
///     s.set_flag(Flag::Raising, Some(true));
///     s.set_flag(Flag::Lowering, Some(false));
///     recorder.step(&s, &Utc, &mut |_| {});
/// }
/// let totals = recorder.totals();
/// assert_eq!(totals.running_hours(), 1.0);
/// assert_eq!(totals.full_load_hours(Grams::from_kg(10_000.0)), 0.125); // (1/2)³ of an hour
/// ```
#[derive(Clone, Debug)]
pub struct Recorder {
    spec: Spec,
    state: State,
}

impl Recorder {
    /// A recorder that has seen nothing.
    pub fn new(spec: Spec) -> Self {
        Self::resume(spec, State::default())
    }

    /// A recorder that goes on from a stored state.
    pub fn resume(spec: Spec, state: State) -> Self {
        Recorder { spec, state }
    }

    /// The state to store.
    pub fn state(&self) -> &State {
        &self.state
    }

    /// What the recorder was told of the mechanism.
    pub fn spec(&self) -> &Spec {
        &self.spec
    }

    /// Sums since the first sample.
    pub fn totals(&self) -> &Totals {
        &self.state.totals
    }

    /// The day that is being added to.
    pub fn open_day(&self) -> Option<&OpenDay> {
        self.state.day.as_ref()
    }

    /// When the load that hangs now came onto the hook.
    pub fn hanging_since(&self) -> Option<Timestamp> {
        self.state.tracker.hanging_since()
    }

    /// The first sample's time.
    pub fn began_at(&self) -> Option<Timestamp> {
        self.state.began_at
    }

    /// Since when the running state has not been known.
    pub fn gap_since(&self) -> Option<Timestamp> {
        self.state.gap_since
    }

    /// Whether a start was seen of which no time has been counted yet.
    pub fn start_waits(&self) -> bool {
        self.state.start_pending
    }

    /// Up to when time has been counted.
    pub fn counted_to(&self) -> Timestamp {
        self.state.counted_to
    }

    /// The sample that stands now.
    pub fn standing(&self) -> Option<&Sample> {
        self.state.standing.as_ref()
    }

    /// Takes the next sample: counts the one before it up to this instant, then lets this one stand.
    pub fn step(&mut self, sample: &Sample, calendar: &impl Calendar, out: &mut impl FnMut(Event)) {
        match self.state.standing {
            None => {
                self.state.counted_to = sample.at;
                self.state.began_at.get_or_insert(sample.at);
            }
            Some(_) if sample.at < self.state.counted_to => {
                out(Event::ClockWentBack { counted_to: self.state.counted_to, at: sample.at });
                self.state.counted_to = sample.at;
            }
            Some(_) => self.advance(sample.at, calendar, out),
        }
        self.enter_day(sample.at, calendar, out);
        self.note_edges(sample, out);
        self.state.standing = Some(*sample);
    }

    /// Counts the standing sample up to `to` without a new one; beyond its stale limit that is a gap.
    pub fn advance(&mut self, to: Timestamp, calendar: &impl Calendar, out: &mut impl FnMut(Event)) {
        let Some(standing) = self.state.standing else { return };
        let stale_at = standing.at.plus(self.spec.stale_after);
        while self.state.counted_to < to {
            let from = self.state.counted_to;
            self.enter_day(from, calendar, out);
            let mut until = to;
            if let Some(day) = &self.state.day {
                until = until.min(day.day.ends);
            }
            let fresh = from < stale_at;
            if fresh {
                until = until.min(stale_at);
            }
            self.count(&standing, fresh, from, until, out);
            self.state.counted_to = until;
        }
    }

    /// The site's clock was put right by `by`: what stands and hangs is dated anew, and nothing is counted.
    ///
    /// Durations come from a clock that nobody can set; without this a jump of the date would look like a gap. A start
    /// that waits for the time that follows it is told of first: it belongs to the day and the hour in which it was seen.
    pub fn rebase(&mut self, by: Span, out: &mut impl FnMut(Event)) {
        if let Some(standing) = self.state.standing.filter(|_| self.state.start_pending) {
            let at = self.state.counted_to;
            self.count(&standing, true, at, at, out);
        }
        let moved = |at: &mut Timestamp| *at = at.plus(by);
        moved(&mut self.state.counted_to);
        self.state.standing.iter_mut().for_each(|s| moved(&mut s.at));
        self.state.gap_since.iter_mut().for_each(moved);
        self.state.tracker.rebase(by);
    }

    /// Whether an instant is in the open day, or so near before it that it counts as in it: then no day closes.
    pub(crate) fn stays_in_its_day(&self, at: Timestamp) -> bool {
        let left = self.state.day.as_ref().map(|open| open.day.ends.since(at));
        left.is_some_and(|left| Span::ZERO < left && left <= NEAR)
    }

    /// Closes the open day if `at` lies in one that was not opened yet, and opens that.
    ///
    /// No day is ever opened twice: one that a clock comes back to, or that a changed time zone would begin anew, is added
    /// to the day that is open. So is the day before the open one.
    fn enter_day(&mut self, at: Timestamp, calendar: &impl Calendar, out: &mut impl FnMut(Event)) {
        if self.stays_in_its_day(at) {
            return;
        }
        let day = calendar.day(at);
        if let Some(open) = &mut self.state.day {
            let (number, last) = (day.number, open.day.number);
            let within = |&(first, last): &(i32, i32)| (first..=last).contains(&number);
            let follows = Some(number) == last.checked_add(1);
            let began = || self.state.stretch_began.or(self.state.began_at.map(|began| calendar.day(began).number));
            let present = if follows { (last, last) } else { (began().map_or(last, |first| first.min(last)), last) };
            let before = Some(number) == last.checked_sub(1);
            if before || within(&present) || self.state.stretches.iter().any(within) {
                open.day.ends = day.ends;
                return;
            }
            if !follows {
                self.leap(present, at, number);
            }
        }
        let next = OpenDay { day, totals: Totals::default() };
        if let Some(done) = self.state.day.replace(next) {
            out(Event::DayClosed { day: done.day.number, totals: Box::new(done.totals) });
        }
    }

    /// The clock was put right over days: those of the stretch `present` are followed by `number`.
    fn leap(&mut self, present: (i32, i32), at: Timestamp, number: i32) {
        let stretches = &mut self.state.stretches;
        stretches.push(present);
        stretches.sort_unstable();
        stretches.dedup_by(|next, one| {
            let joins = next.0 <= one.1.saturating_add(1);
            if joins {
                one.1 = one.1.max(next.1);
            }
            joins
        });
        self.state.stretch_began = Some(number);
        // A record that lies ahead of its clock, or has just begun under one that was not set, was dated wrongly as a whole.
        let length = self.state.totals.span();
        let wrong = self.state.began_at.is_some_and(|began| began > at) || number > present.1 && length <= NEW_RECORD;
        if wrong {
            self.state.began_at = Some(at.plus(Span::from_ms(-length.as_ms())));
        }
    }

    /// Running edges and flags that rose, between the standing sample and the new one.
    fn note_edges(&mut self, sample: &Sample, out: &mut impl FnMut(Event)) {
        let running = self.running(sample);
        if running == Some(true) && self.state.last_running == Some(false) {
            self.state.start_pending = true;
            self.book(|t| t.starts += 1);
        }
        if running.is_some() {
            self.state.last_running = running;
        }
        for flag in Flag::ALL.into_iter().filter(|f| !matches!(f, Flag::Raising | Flag::Lowering)) {
            let before = self.state.standing.and_then(|s| s.flag(flag));
            if sample.flag(flag) == Some(true) && before == Some(false) {
                out(Event::FlagRose { flag, at: sample.at });
            }
        }
    }

    fn running(&self, sample: &Sample) -> Option<bool> {
        sample.running_of(self.spec.has_raising, self.spec.has_lowering)
    }

    /// Adds to the life's sums and to the open day's alike.
    fn book(&mut self, mut add: impl FnMut(&mut Totals)) {
        add(&mut self.state.totals);
        if let Some(day) = &mut self.state.day {
            add(&mut day.totals);
        }
    }

    /// Where nothing is open but what the sums are of: `None` where the next sample could do more than add to them.
    pub(crate) fn steady(&self) -> Option<Steady> {
        let state = &self.state;
        let (standing, open) = (state.standing?, state.day.as_ref()?);
        let running = self.running(&standing)?;
        let counted = standing.at == state.counted_to && standing.load().is_some();
        if !counted || state.start_pending || state.gap_since.is_some() || state.last_running != Some(running) {
            return None;
        }
        let lift = state.tracker.steady(&self.spec.lift)?;
        Some(Steady { standing, running, day: open.day, lift })
    }

    /// Books a run of samples over which [`Recorder::steady`] held: their sums, what the lift detection takes of them, and
    /// the last one, which stands now.
    pub(crate) fn book_run(&mut self, sums: &Totals, lift: &LiftRun<'_>, last: &Sample) {
        self.book(|t| t.add_time(sums));
        self.state.tracker.feed_run(lift, self.spec.rated);
        self.state.counted_to = last.at;
        self.state.standing = Some(*last);
    }

    /// Counts one stretch over which everything was constant.
    fn count(&mut self, s: &Sample, fresh: bool, from: Timestamp, to: Timestamp, out: &mut impl FnMut(Event)) {
        let span = to.since(from);
        let ms = span.as_ms().max(0) as u64;
        let running = if fresh { self.running(s) } else { None };
        let payload = if fresh { s.load().map(|signal| self.spec.payload(signal)) } else { None };
        let dead = self.spec.dead_load.get();
        let load = payload.map(|p| Grams::new(p.get().max(0) + dead));
        let started = std::mem::take(&mut self.state.start_pending);
        if let Some(OpenDay { day, .. }) = self.state.day {
            out(Event::Counted(Counted { from, to, day, running, load, started }));
        }

        match running {
            None => {
                if self.state.gap_since.is_none() {
                    self.state.gap_since = Some(from);
                    out(Event::GapOpened { at: from });
                }
                self.book(|t| t.gap_ms += ms);
            }
            Some(runs) => {
                if let Some(begin) = self.state.gap_since.take() {
                    out(Event::GapClosed(Gap { begin, end: from }));
                }
                let base = self.spec.base();
                self.book(|t| {
                    t.observed_ms += ms;
                    match (runs, load) {
                        (false, _) => {}
                        (true, Some(load)) => t.book_running(load, base, span),
                        (true, None) => {
                            t.running_ms += ms;
                            t.load_unknown_ms += ms;
                        }
                    }
                });
            }
        }

        let stretch = Stretch { from, to, load: payload, running, started };
        let mut ended = None;
        let (rated, set) = (self.spec.rated, self.spec.lift);
        self.state.tracker.feed(stretch, rated, &set, &mut |event| match event {
            LiftEvent::Begun { at } => out(Event::LiftBegun { at }),
            LiftEvent::Ended(lift, seen) => {
                // One stretch ends at most one lift: the next could only be in its take-up.
                ended = Some(lift);
                out(Event::LiftEnded(lift, seen));
            }
        });
        if let Some(lift) = ended {
            self.book(|t| {
                t.lifts += 1;
                t.overload_lifts += u64::from(lift.overload);
                t.band_lifts[band_of(lift.load, rated)] += 1;
                t.lift_cubes = t.lift_cubes.saturating_add(lift.load.cubed());
            });
        }
    }
}
