//! The account of one mechanism: the recorder and everything else that is kept of its life.
//!
//! [`Account::step`] is the one way in: `run`, `replay` and every proof drive it. From the recorder's stretches and
//! lifts it keeps the gaps' hours by the drive's counters, motor duty, severity of service, wear, histograms of the day,
//! sums of the hour, and the working periods. [`State`] holds all of it: stored and resumed anywhere it gives the same
//! bits.

pub(crate) mod blocks;
mod counters;

use std::collections::BTreeMap;

pub use counters::DISAGREES;
use counters::Watched;

use crate::counter::{Counter, Note};
use crate::daily::Unseen;
use crate::duty::{DayDuty, Duty};
use crate::gapbook::{Assumed, GapBook, Ppm, counted_recording, slot};
use crate::histogram::{Histogram, Pending};
use crate::lift::Lift;
use crate::load::doubt::{Doubt, Doubts};
use crate::load::dynamics::Tally;
use crate::load::{self, Stage};
use crate::period::{FactorScale, Ledger, Part, PartKind, Recording};
use crate::recorder::{self, Calendar, Counted, Day, Event, NEW_RECORD, Recorder, Spec};
use crate::sample::{Flag, Quantity, Sample};
use crate::service::{Periods, ServiceKind};
use crate::severity::ServiceTally;
use crate::spectrum::Totals;
use crate::units::{Grams, MS_PER_HOUR, Span, Timestamp};
use crate::wear::{Limit, Reeving, WearCounts, WearPart};

/// What the account must know of a mechanism beyond the recorder's [`Spec`].
#[derive(Clone, PartialEq, Debug)]
pub struct Terms {
    /// Which scale the recording factors are from.
    pub scale: FactorScale,
    /// D of the first working period, full-load hours; positive.
    pub design_full_load_hours: f64,
    /// Rated base (dead load included) that D of the first working period is meant at; `None` for that of the first
    /// sample's time. A rating lowered later leaves it, and so S and D, as they were.
    pub budget_base: Option<Grams>,
    /// The limit of the design's load spectrum class.
    pub design_spectrum: f64,
    /// km of running time whose load is not known; `None` for the worse of measured so far and design class.
    pub unread_spectrum: Option<f64>,
    /// Use before the recorder came; belongs to the first working period.
    pub prior: Vec<Part>,
    /// The drive's hour counter.
    pub hour_counter: Option<Counter>,
    /// The drive's start counter.
    pub start_counter: Option<Counter>,
    /// How a lift bends the rope.
    pub reeving: Option<Reeving>,
    /// Speed of the hook at rated motor speed, mm/s.
    pub rated_speed_mm_s: Option<i64>,
    /// Wearing parts and inspections: name and limits.
    pub parts: Vec<(String, Vec<Limit>)>,
    /// Where the load comes from.
    pub load: load::Terms,
}

impl Terms {
    /// Terms of a mechanism with nothing beside the recorder: FEM scale, L2 as the design's load spectrum class.
    pub fn plain(design_full_load_hours: f64) -> Self {
        Terms {
            scale: FactorScale::Fem,
            design_full_load_hours,
            budget_base: None,
            design_spectrum: 0.25,
            unread_spectrum: None,
            prior: Vec::new(),
            hour_counter: None,
            start_counter: None,
            reeving: None,
            rated_speed_mm_s: None,
            parts: Vec::new(),
            load: load::Terms::default(),
        }
    }
}

/// Sums of one hour of the site's clock.
#[derive(Clone, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct HourSums {
    /// Its beginning.
    pub begin: Timestamp,
    /// Its end; a day of 23 or 25 hours has them where its midnight puts them.
    pub end: Timestamp,
    /// Running time, milliseconds.
    pub running_ms: u64,
    /// Time without a record, milliseconds.
    pub gap_ms: u64,
    /// Σ load³ · dt, cubic grams times milliseconds.
    #[cfg_attr(feature = "serde", serde(with = "crate::spectrum::decimal"))]
    pub cube_ms: u128,
    /// Starts.
    pub starts: u64,
    /// Lifts ended.
    pub lifts: u64,
    /// The day it belongs to, days since 1970-01-01 in the site's calendar; `None` in records of before this was kept.
    #[cfg_attr(feature = "serde", serde(default))]
    pub day: Option<i32>,
}

impl HourSums {
    fn is_empty(&self) -> bool {
        self.running_ms == 0 && self.gap_ms == 0 && self.starts == 0 && self.lifts == 0
    }
}

/// Everything that is kept of a day that is over.
#[derive(Clone, PartialEq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct DayRecord {
    /// Days since 1970-01-01 in the site's calendar.
    pub day: i32,
    /// Exact sums.
    pub totals: Totals,
    /// Motor duty with its worst windows.
    pub duty: DayDuty,
    /// Running milliseconds by load, dead load included.
    pub running: Histogram,
    /// Lifts by settled load, without dead load.
    pub lifts: Histogram,
    /// S of the working period at the day's end, full-load hours.
    pub used_full_load_hours: f64,
}

/// Which of the drive's counters.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "lowercase"))]
pub enum CounterKind {
    /// Hours; values in milliseconds.
    Hours,
    /// Starts.
    Starts,
}

/// What follows from a sample.
#[derive(Clone, PartialEq, Debug)]
pub enum Entry {
    /// What the recorder said; never its `Counted`, `DayClosed` and `LiftEnded`.
    Recorder(Event),
    /// A lift has ended.
    Lift {
        /// The lift.
        lift: Lift,
        /// The day in whose sums it is, days since 1970-01-01 in the site's calendar.
        day: i32,
    },
    /// A day is over.
    Day(Box<DayRecord>),
    /// An hour with something in it is over.
    Hour(HourSums),
    /// Something a person should be told of the load's signal.
    Health(load::health::Note),
    /// Something a person should be told of a counter. A `Disagrees` is that of a whole day, and only where it is more
    /// than [`DISAGREES`] of the day's own count and more than two steps.
    Counter {
        /// Which.
        counter: CounterKind,
        /// What.
        note: Note,
    },
}

/// Everything but the recorder's own state.
#[derive(Clone, PartialEq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(default))]
struct Books {
    gaps: GapBook,
    duty: Duty,
    service: ServiceTally,
    wear: WearCounts,
    parts: BTreeMap<String, WearPart>,
    running: Histogram,
    lifts: Histogram,
    dynamics: Tally,
    doubts: Doubts,
    /// The above at the beginning of the working period, where that is not the first.
    doubts_before: Option<Doubts>,
    hour: Option<HourSums>,
    /// Running time whose load was not read.
    unread: Assumed,
    /// km that such time is booked at just now.
    assumed: Option<Ppm>,
    ran_before: bool,
    /// Speed of the motor when it last ran, 0.001 %.
    ran_at: Option<i64>,
    load_before: Option<Grams>,
    hours: Watched,
    starts: Watched,
    /// Base that D is meant at, set with the first sample and with each service.
    base: Option<Grams>,
    periods: Option<Periods>,
}

/// What is stored of an account, and what it goes on from.
#[derive(Clone, PartialEq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct State {
    recorder: recorder::State,
    #[cfg_attr(feature = "serde", serde(default))]
    books: Books,
    #[cfg_attr(feature = "serde", serde(default))]
    stage: load::State,
    #[cfg_attr(feature = "serde", serde(default))]
    health: load::health::Watch,
}

impl State {
    /// The recorder's part.
    pub fn recorder(&self) -> &recorder::State {
        &self.recorder
    }
}

impl From<recorder::State> for State {
    /// An account that had only a recorder so far.
    fn from(recorder: recorder::State) -> Self {
        State { recorder, ..State::default() }
    }
}

/// The account of one mechanism.
#[derive(Clone, Debug)]
pub struct Account {
    recorder: Recorder,
    /// The recorder's own.
    spec: Spec,
    terms: Terms,
    books: Books,
    stage: load::State,
    health: load::health::Watch,
    /// Samples on their way from the stage to the recorder; empty between steps.
    ready: Vec<Sample>,
    columns: blocks::Columns,
    /// The clock may be behind.
    behind: bool,
}

impl Account {
    /// An account that goes on from a state; [`State::default`] for a new one.
    pub fn resume(spec: Spec, terms: Terms, state: State) -> Self {
        let recorder = Recorder::resume(spec.clone(), state.recorder);
        let State { books, stage, health, .. } = state;
        let columns = Default::default();
        Account { recorder, spec, terms, books, stage, health, ready: Vec::new(), columns, behind: false }
    }

    /// The state to store.
    pub fn state(&self) -> State {
        let mut books = self.books.clone();
        self.columns.pending.add_to(&mut books.running);
        State { recorder: self.recorder.state().clone(), books, stage: self.stage.clone(), health: self.health.clone() }
    }

    /// The recorder, for its sums.
    pub fn recorder(&self) -> &Recorder {
        &self.recorder
    }

    /// What the account was told.
    pub fn terms(&self) -> &Terms {
        &self.terms
    }

    /// Gaps in the record and what ran in them.
    pub fn gaps(&self) -> &GapBook {
        &self.books.gaps
    }

    /// Motor duty; its day is the open one.
    pub fn duty(&self) -> &Duty {
        &self.books.duty
    }

    /// Lifts by load and hour, of the whole life.
    pub fn service_tally(&self) -> &ServiceTally {
        &self.books.service
    }

    /// What wears parts, of the whole life; gaps with it as far as counters told or hours were estimated.
    pub fn wear(&self) -> &WearCounts {
        &self.books.wear
    }

    /// The wearing parts and inspections of the terms, each with its last reset.
    pub fn parts(&self) -> impl Iterator<Item = &WearPart> {
        self.terms.parts.iter().filter_map(|(name, _)| self.books.parts.get(name))
    }

    /// Working periods that are over, and the present one; `None` before the first sample.
    pub fn periods(&self) -> Option<&Periods> {
        self.books.periods.as_ref()
    }

    /// The day that is being added to, as far as it has come; `None` before the first sample.
    pub fn open_day(&self) -> Option<DayRecord> {
        let open = self.recorder.open_day()?;
        let mut running = self.books.running.clone();
        self.columns.pending.add_to(&mut running);
        Some(DayRecord {
            day: open.day.number,
            totals: open.totals.clone(),
            duty: self.books.duty.day(),
            running,
            lifts: self.books.lifts.clone(),
            used_full_load_hours: self.used_full_load_hours(),
        })
    }

    /// Base (rated load and dead load) that S and D are in full-load hours of. Not the present rating where that was
    /// lowered within the working period.
    pub fn budget_base(&self) -> Grams {
        let is_first = self.books.periods.as_ref().is_none_or(|periods| periods.closed().is_empty());
        let told = self.terms.budget_base.filter(|_| is_first);
        told.or(self.books.base).unwrap_or_else(|| self.recorder.spec().base())
    }

    /// D of the present working period, full-load hours.
    pub fn design_full_load_hours(&self) -> f64 {
        match &self.books.periods {
            Some(periods) if !periods.closed().is_empty() => periods.design(),
            _ => self.terms.design_full_load_hours,
        }
    }

    /// The sums of the present working period.
    pub fn period_totals(&self) -> Totals {
        let life = self.recorder.totals();
        self.books.periods.as_ref().map_or_else(|| life.clone(), |periods| periods.totals(life))
    }

    /// S of the present working period, full-load hours: [`Account::ledger`]'s without laying it out, cheap enough for every sample.
    pub fn used_full_load_hours(&self) -> f64 {
        let life = self.recorder.totals();
        let (start, first) = match &self.books.periods {
            Some(periods) => (periods.at_start().cube_ms, periods.closed().is_empty()),
            None => (0, true),
        };
        let measured = Totals { cube_ms: life.cube_ms.saturating_sub(start), ..Totals::default() };
        let prior = if first { self.terms.prior.iter().map(Part::full_load_hours).sum() } else { 0.0 };
        let factor = |recording: Recording| recording.factor(self.terms.scale).unwrap_or(1.0);
        prior
            + measured.full_load_hours(self.budget_base()) * factor(Recording::Recorder)
            + self.books.unread.full_load_hours() * factor(counted_recording(self.terms.scale))
            + self.books.gaps.full_load_hours(self.terms.scale)
    }

    /// S/D of the present working period.
    pub fn used_share(&self) -> f64 {
        self.used_full_load_hours() / self.design_full_load_hours()
    }

    /// The ledger of the present working period: S as the sum of its parts, against D.
    pub fn ledger(&self) -> Ledger {
        let scale = self.terms.scale;
        let sums = self.period_totals();
        let first = self.books.periods.as_ref().is_none_or(|p| p.closed().is_empty());
        let mut parts = if first { self.terms.prior.clone() } else { Vec::new() };
        let km = sums.load_spectrum_factor(self.budget_base());
        if let Some(km) = km
            && let Ok(part) = Part::new(PartKind::Measured, sums.known_load_hours(), km, Recording::Recorder, scale)
        {
            parts.push(part);
        }
        let unread = counted_recording(scale);
        parts.extend(self.books.unread.part(PartKind::LoadNotRead, unread, scale, "seen to run, load not read"));
        parts.extend(self.books.gaps.parts(scale));
        Ledger { design_full_load_hours: self.design_full_load_hours(), parts }
    }

    /// What of S was not measured, by working period, oldest first; none before the first sample.
    pub fn unseen(&self) -> Vec<Unseen> {
        let Some(periods) = &self.books.periods else { return Vec::new() };
        let of = |began: i32, ledger: &Ledger| Unseen { began, full_load_hours: ledger.unseen_full_load_hours() };
        let closed = periods.closed().iter().map(|closed| of(closed.began, &closed.ledger));
        closed.chain([of(periods.began(), &self.ledger())]).collect()
    }

    /// What the stage before the recorder holds back, and what hangs on the hook as far as it knows.
    pub fn stage(&self) -> &load::State {
        &self.stage
    }

    /// Jerks and overloads of the whole life.
    pub fn dynamics(&self) -> &Tally {
        &self.books.dynamics
    }

    /// How sure the loads of the whole life's lifts are.
    pub fn doubts(&self) -> &Doubts {
        &self.books.doubts
    }

    /// As [`Account::doubts`], of the present working period.
    pub fn period_doubts(&self) -> Doubts {
        let life = &self.books.doubts;
        self.books.doubts_before.as_ref().map_or_else(|| life.clone(), |start| life.since(start))
    }

    /// What is known of the load signal's own health.
    pub fn health(&self) -> &load::health::Watch {
        &self.health
    }

    /// Takes the next sample. Where the load is settled with its lift, what follows from a sample may come with a later
    /// one, see [`crate::load`].
    pub fn step(&mut self, sample: &Sample, calendar: &impl Calendar, out: &mut impl FnMut(Entry)) {
        let spec = self.recorder.spec();
        self.health.step(&self.terms.load, spec, sample, &mut |note| out(Entry::Health(note)));
        let mut sample = *sample;
        let correction = self.health.correction(&self.terms.load, spec.rated);
        if let Some(load) = sample.get(Quantity::Load).filter(|_| correction != Grams::ZERO) {
            sample.set(Quantity::Load, Some(load - correction.get()));
        }
        if self.terms.load.passes() {
            self.take(&sample, calendar, out);
            return;
        }
        let mut ready = std::mem::take(&mut self.ready);
        let mut stage = Stage::new(&self.terms.load, self.recorder.spec(), &mut self.stage);
        stage.step(&sample, &mut |settled| ready.push(*settled));
        ready.drain(..).for_each(|settled| self.take(&settled, calendar, out));
        self.ready = ready;
    }

    /// Takes a sample whose load is as it will be booked.
    fn take(&mut self, sample: &Sample, calendar: &impl Calendar, out: &mut impl FnMut(Entry)) {
        self.assume();
        // What the gaps of a day are estimated at when it closes; settled before, as for a load that was not read.
        let km = if self.recorder.stays_in_its_day(sample.at) { Ppm::default() } else { self.assumed() };
        let speed = self.recorder.standing().and_then(|s| s.get(Quantity::Speed));
        let (books, terms, pending) = (&mut self.books, &self.terms, &mut self.columns.pending);
        let (spec, stage, health) = (&self.spec, &self.stage, &self.health);
        let mut over: Vec<DayRecord> = Vec::new();
        let mut today = self.recorder.open_day().map_or(0, |open| open.day.number);
        self.recorder.step(sample, calendar, &mut |event| match event {
            Event::Counted(stretch) => {
                today = stretch.day.number;
                books.count(&stretch, terms, speed, pending, out);
            }
            Event::DayClosed { day, totals } => {
                pending.settle(&mut books.running);
                // Each day's gaps with that day: what of a gap is today's waits for its end.
                books.book_estimate(|gaps| gaps.close_day(km));
                over.push(books.close_day(day, *totals, terms, out));
            }
            Event::LiftEnded(mut lift, seen) => {
                let doubt = stage.doubt(&terms.load, spec, &lift, seen, health);
                lift.uncertainty = Some(doubt.whole());
                books.lift(&lift, doubt, spec, terms);
                out(Entry::Lift { lift, day: today });
            }
            other => {
                let limiter = matches!(other, Event::FlagRose { flag: Flag::Overload, .. });
                books.dynamics.limiter += u64::from(limiter);
                out(Entry::Recorder(other));
            }
        });
        if self.books.periods.is_none() {
            self.open_books(sample.at, calendar);
        }
        self.redate(over.iter().map(|record| record.day));
        for mut record in over {
            record.used_full_load_hours = self.used_full_load_hours();
            out(Entry::Day(Box::new(record)));
        }
        self.read_counters(sample, out);
    }

    /// The site's clock was put right by `by`: what stands is dated anew, and nothing is counted.
    pub fn rebase(&mut self, by: Span, out: &mut impl FnMut(Entry)) {
        self.assume();
        let speed = self.recorder.standing().and_then(|s| s.get(Quantity::Speed));
        let today = self.recorder.open_day().map_or(0, |open| open.day.number);
        let (spec, stage, health) = (&self.spec, &self.stage, &self.health);
        let (books, terms, pending) = (&mut self.books, &self.terms, &mut self.columns.pending);
        self.recorder.rebase(by, &mut |event| match event {
            Event::Counted(stretch) => books.count(&stretch, terms, speed, pending, out),
            Event::LiftEnded(mut lift, seen) => {
                let doubt = stage.doubt(&terms.load, spec, &lift, seen, health);
                lift.uncertainty = Some(doubt.whole());
                books.lift(&lift, doubt, spec, terms);
                out(Entry::Lift { lift, day: today });
            }
            other => out(Entry::Recorder(other)),
        });
        self.stage.rebase(by);
        self.health.break_off();
        self.books.duty.rebase(by);
        // Hours begin anew with the clock: the one that was open keeps its place.
        self.books.hours.look = true;
    }

    /// Records a service that ends the working period: the old one is closed with its ledger as it stands and kept, the
    /// new one begins at S = 0 with D of `design_full_load_hours` (the present D when `None`) at the present rating.
    pub fn new_period(&mut self, day: i32, by: ServiceKind, design_full_load_hours: Option<f64>) {
        let km = self.assumed();
        self.books.book_estimate(|gaps| gaps.settle(km));
        let ledger = self.ledger();
        let design = design_full_load_hours.unwrap_or(ledger.design_full_load_hours);
        let life = self.recorder.totals().clone();
        let began = self.recorder.open_day().map_or(day, |open| open.day.number);
        let first = Periods::new(began, ledger.design_full_load_hours);
        let periods = self.books.periods.get_or_insert(first);
        periods.service(day, by, ledger, &life, design);
        periods.leave_out(self.books.gaps.left_out_hours());
        self.books.gaps.begin_period();
        self.books.unread = Assumed::default();
        self.books.base = Some(self.recorder.spec().base());
        self.books.doubts_before = Some(self.books.doubts.clone());
        self.assume();
    }

    /// A wearing part was renewed, or an inspection done: its tallies begin anew. `false` when the terms have no such
    /// part.
    pub fn renew(&mut self, part: &str, day: i32) -> bool {
        let counts = self.books.wear;
        let Some((name, limits)) = self.terms.parts.iter().find(|(name, _)| name == part) else { return false };
        let new = WearPart::new(name, limits.clone(), &counts, day);
        self.books.parts.insert(name.clone(), new);
        true
    }

    /// The first sample has come, or terms have changed since: the base is set, parts that are new begin today.
    fn open_books(&mut self, at: Timestamp, calendar: &impl Calendar) {
        let day = calendar.day(at).number;
        let design = self.terms.design_full_load_hours;
        self.books.periods.get_or_insert_with(|| Periods::new(day, design));
        let base = self.recorder.spec().base();
        self.books.base.get_or_insert(base);
        self.fit_parts(day);
    }

    /// Days have closed. Where a clock was put right over days, what began on days that are still to come, or with a record
    /// that was begun under a clock that nobody had set, began as many days before today as before the day that closed.
    fn redate(&mut self, closed: impl Iterator<Item = i32>) {
        let Some(open) = self.recorder.open_day().map(|open| open.day.number) else { return };
        let new = self.recorder.totals().span() <= NEW_RECORD;
        let mut closed = closed.peekable();
        while let Some(last) = closed.next() {
            let today = closed.peek().copied().unwrap_or(open);
            let by = today.saturating_sub(last);
            if by == 1 {
                continue;
            }
            let redate = |day: &mut i32| {
                if *day > today || by > 1 && new {
                    *day = day.saturating_add(by).min(today);
                }
            };
            self.books.parts.values_mut().for_each(|part| redate(&mut part.reset_day));
            self.books.periods.iter_mut().for_each(|periods| redate(periods.began_mut()));
        }
    }

    /// Parts that the terms name for the first time begin today, and limits that were changed hold from now on.
    pub fn fit_parts(&mut self, day: i32) {
        for (name, limits) in &self.terms.parts {
            match self.books.parts.get_mut(name) {
                Some(part) => part.limits.clone_from(limits),
                None => {
                    let new = WearPart::new(name, limits.clone(), &self.books.wear, day);
                    self.books.parts.insert(name.clone(), new);
                }
            }
        }
    }

    /// km that running time without a load is booked at: the worse of measured so far and the design's class, unless
    /// the owner said another.
    fn assumed(&self) -> Ppm {
        let worse = || {
            let measured = self.period_totals().load_spectrum_factor(self.budget_base());
            measured.map_or(self.terms.design_spectrum, |km| km.max(self.terms.design_spectrum))
        };
        Ppm::of(self.terms.unread_spectrum.unwrap_or_else(worse))
    }

    /// Where the load of what stands was not read, km for it is settled before it is counted: nothing is measured until
    /// then, and what is measured later does not take back what was used.
    fn assume(&mut self) {
        if self.recorder.standing().is_some_and(|standing| standing.load().is_none()) {
            self.books.assumed = Some(self.assumed());
        }
    }
}

impl Books {
    fn count(
        &mut self,
        s: &Counted,
        terms: &Terms,
        speed: Option<i64>,
        pending: &mut Pending,
        out: &mut impl FnMut(Entry),
    ) {
        let ms = s.to.since(s.from).as_ms().max(0) as u64;
        let runs = s.running == Some(true);
        if s.started {
            self.gaps.started();
            self.wear.started();
            self.starts.own += 1;
        }
        self.split(s, terms, out);
        self.duty.feed(s.from, s.to, s.running, s.started);
        match s.running {
            Some(true) => {
                self.wear.ran(ms);
                self.hours.own = self.hours.own.saturating_add(ms as i64);
                self.ran_at = speed;
                match s.load {
                    Some(load) if pending.add(load, ms) => {}
                    Some(load) => self.running.add(load, ms),
                    None => self.unread.book(ms, self.assumed.unwrap_or_else(|| Ppm::of(terms.design_spectrum))),
                }
                self.load_before = s.load;
            }
            Some(false) if self.ran_before => {
                let rated = terms.rated_speed_mm_s;
                // mm/s · 0.001 %
                let speed = rated.zip(self.ran_at).map(|(rated, at)| rated.saturating_mul(at) / 100_000);
                self.wear.stopped(self.load_before, speed);
            }
            _ => {}
        }
        self.ran_before = runs;
        if s.running.is_none() {
            self.hours.look = true;
            self.starts.look = true;
        }
    }

    /// Books a stretch into the hours of the day and the slots of the week that it touches.
    fn split(&mut self, s: &Counted, terms: &Terms, out: &mut impl FnMut(Entry)) {
        let mut from = s.from;
        let mut started = s.started;
        while from < s.to || started {
            let hour = self.hour_of(from, s.day, out);
            let until = s.to.min(hour.end.max(from));
            let ms = until.since(from).as_ms().max(0) as u64;
            match s.running {
                Some(true) => {
                    hour.running_ms += ms;
                    let cubes = s.load.map_or(0, Grams::cubed);
                    hour.cube_ms = hour.cube_ms.saturating_add(cubes.saturating_mul(u128::from(ms)));
                }
                Some(false) => {}
                None => hour.gap_ms += ms,
            }
            hour.starts += u64::from(std::mem::take(&mut started));
            let slot = slot(s.day.number, s.day.ends.since(from).as_ms());
            self.gaps.watch(slot, s.running, ms, terms.hour_counter.is_some());
            if until == from {
                break;
            }
            from = until;
        }
    }

    /// The sums of the hour that `at` is in; tells of the one before it when that is over.
    fn hour_of(&mut self, at: Timestamp, day: Day, out: &mut impl FnMut(Entry)) -> &mut HourSums {
        let holds = self.hour.as_ref().is_some_and(|h| h.begin <= at && at < h.end);
        if !holds {
            self.close_hour(out);
        }
        self.hour.get_or_insert_with(|| {
            let left = day.ends.since(at).as_ms().max(1);
            let end = day.ends.plus(Span::from_ms(-((left - 1) / MS_PER_HOUR * MS_PER_HOUR)));
            HourSums {
                begin: end.plus(Span::from_ms(-MS_PER_HOUR)),
                end,
                running_ms: 0,
                gap_ms: 0,
                cube_ms: 0,
                starts: 0,
                lifts: 0,
                day: Some(day.number),
            }
        })
    }

    fn close_hour(&mut self, out: &mut impl FnMut(Entry)) {
        if let Some(hour) = self.hour.take().filter(|hour| !hour.is_empty()) {
            out(Entry::Hour(hour));
        }
    }

    fn book_estimate(&mut self, book: impl FnOnce(&mut GapBook) -> u64) {
        let ran = book(&mut self.gaps);
        self.wear.ran(ran);
    }

    fn lift(&mut self, lift: &Lift, doubt: Doubt, spec: &Spec, terms: &Terms) {
        let (rated, dead) = (spec.rated, spec.dead_load);
        self.doubts.add(doubt, lift, (spec.base(), dead));
        self.service.lift(lift.begin, lift.load, rated);
        self.lifts.add(lift.load, 1);
        self.dynamics.lift(lift, rated, terms.load.greatest_peak(terms.rated_speed_mm_s));
        let loaded = Grams::new(lift.load.get() + dead.get());
        let reeving = terms.reeving.unwrap_or(Reeving { sheaves: 0, drum: false, ways: 0 });
        self.wear.lift(loaded, reeving);
        if let Some(hour) = &mut self.hour {
            hour.lifts += 1;
        }
    }

    fn close_day(&mut self, day: i32, totals: Totals, terms: &Terms, out: &mut impl FnMut(Entry)) -> DayRecord {
        let at = self.hour.as_ref().map_or(Timestamp::from_ms(0), |hour| hour.end);
        self.close_hour(out);
        let told = |counter: CounterKind| move |note: Note| Entry::Counter { counter, note };
        let steps = [terms.hour_counter, terms.start_counter].map(|c| c.map(|c| c.step));
        self.hours.close_day(steps[0], at, |note| out(told(CounterKind::Hours)(note)));
        self.starts.close_day(steps[1], at, |note| out(told(CounterKind::Starts)(note)));
        DayRecord {
            day,
            totals,
            duty: self.duty.take_day(),
            running: std::mem::take(&mut self.running),
            lifts: std::mem::take(&mut self.lifts),
            // Known when the day's gaps are booked.
            used_full_load_hours: 0.0,
        }
    }
}
