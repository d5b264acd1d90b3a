//! The stage itself: what is held back, and with which load it is handed on.

use super::doubt::{self, Doubt, Told, Ways};
use super::health::Watch;
use super::ramp::RunUps;
use super::{Calibration, Lead, Terms};
use crate::lift::{Lift, LiftSettings, Readings, Seen};
use crate::recorder::Spec;
use crate::sample::{Flag, Quantity, Sample};
use crate::units::{Grams, Span, Timestamp};

/// Longest time that samples are held back; then they are handed on with what is known so far (common practice, no
/// source: as long as the silence that a lift bridges).
pub const MOST_HELD: Span = Span::from_ms(600_000);

/// Most samples that are held back, whatever their time.
const MOST_SAMPLES: usize = 4096;

/// Samples at the end of what is held back that are all kept.
const KEPT_WHOLE: usize = 40;

/// Estimates of which the median is taken: it lags by two of them and lets a single wild one pass unheard.
const WINDOW: usize = 5;

/// Estimates among which the edge of a load is looked for.
const RECENT: usize = 40;

/// How long the median must say that the hook is empty, or that another load hangs on it.
const CONFIRM_EMPTY: Span = Span::from_ms(300);
const CONFIRM_CHANGE: Span = Span::from_ms(1_000);

/// A load that differs by more than this part of the rated load from the one that hung is another load on the same lift:
/// one tenth, as for a silence that is bridged.
const CHANGED: i64 = 10;

mod edges;

/// Which way the hoist runs.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub(super) enum Motion {
    Unknown,
    Still,
    Up,
    Down,
}

impl Motion {
    pub(super) fn of(sample: &Sample, spec: &Spec) -> Motion {
        let up = spec.has_raising.then(|| sample.flag(Flag::Raising)).flatten();
        let down = spec.has_lowering.then(|| sample.flag(Flag::Lowering)).flatten();
        match (up, down) {
            // Both at once is a contradiction that says nothing of the direction.
            (Some(true), Some(true)) => Motion::Unknown,
            (Some(true), _) => Motion::Up,
            (_, Some(true)) => Motion::Down,
            _ if sample.running_of(spec.has_raising, spec.has_lowering) == Some(false) => Motion::Still,
            _ => Motion::Unknown,
        }
    }

    pub(super) fn runs(self) -> bool {
        matches!(self, Motion::Up | Motion::Down)
    }
}

/// What is on the hook as far as is known.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
enum Hook {
    #[default]
    Unknown,
    Empty,
    Loaded,
}

/// An estimate of the load at an instant, and for how long it speaks.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
struct Estimate {
    at: Timestamp,
    load: Grams,
    ms: u64,
}

/// Everything that the stage carries from one sample to the next.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(default))]
pub struct State {
    hook: Hook,
    held: Vec<Sample>,
    last: Option<(Timestamp, Motion, Option<i64>)>,
    /// Since when the hoist has turned steadily.
    steady_since: Option<Timestamp>,
    /// Estimates that the run's end may still make invalid.
    fresh: Vec<Estimate>,
    /// The last few that hold, of this run.
    window: Vec<Estimate>,
    /// More of them: those among which a load comes or goes.
    recent: Vec<Estimate>,
    /// A load has come among them, and has not settled yet.
    rising: bool,
    /// This run has said what is on the hook.
    resolved: bool,
    /// When this run began, and whether it has seen the load that hung before it.
    run_since: Option<Timestamp>,
    saw_it: bool,
    /// A run that said nothing is among what is held.
    unresolved: bool,
    /// What the empty hook reads.
    empty: Grams,
    /// Estimates of the load that hangs, and the one from before it had settled.
    readings: Readings,
    early: Option<Grams>,
    ways: Ways,
    /// What was said of the last loads that hung.
    told: Vec<Told>,
    /// Valid time since the load came onto the hook, or since another one did; milliseconds.
    valid_ms: u64,
    /// Since when, and for how much valid time, the median has said that the hook is empty or the load another.
    empty_since: Option<(Timestamp, u64)>,
    other_since: Option<(Timestamp, u64)>,
    /// Since when nothing has been read.
    blind_since: Option<Timestamp>,
    /// What ramps have told of the motor's own mass.
    run_ups: RunUps,
    /// Since when the rope has been slack, if the load was set down while the last run slowed down.
    slack_since: Option<Timestamp>,
}

impl State {
    /// Whether a load hangs on the hook; `None` while that is not known.
    pub fn is_loaded(&self) -> Option<bool> {
        match self.hook {
            Hook::Unknown => None,
            Hook::Empty => Some(false),
            Hook::Loaded => Some(true),
        }
    }

    /// The load that hangs, as far as it is settled, without dead load; `None` with an empty hook or when not known.
    pub fn load_so_far(&self) -> Option<Grams> {
        (self.hook == Hook::Loaded).then(|| self.level()).flatten()
    }

    /// Samples held back.
    pub fn held(&self) -> &[Sample] {
        &self.held
    }

    /// The site's clock was put right by `by`.
    pub fn rebase(&mut self, by: Span) {
        let moved = |at: &mut Timestamp| *at = at.plus(by);
        self.held.iter_mut().for_each(|s| moved(&mut s.at));
        self.fresh.iter_mut().chain(&mut self.window).chain(&mut self.recent).for_each(|e| moved(&mut e.at));
        self.steady_since.iter_mut().chain(&mut self.blind_since).chain(&mut self.run_since).for_each(moved);
        self.slack_since.iter_mut().for_each(moved);
        doubt::rebase(&mut self.told, by);
        self.last.iter_mut().for_each(|(at, ..)| moved(at));
        self.empty_since.iter_mut().chain(&mut self.other_since).for_each(|(at, _)| moved(at));
    }

    fn level(&self) -> Option<Grams> {
        self.readings.midmean().or(self.early)
    }

    /// How sure the load of a lift is that has just ended in the recorder; `seen` is what the recorder saw of it.
    pub(crate) fn doubt(&self, terms: &Terms, spec: &Spec, lift: &Lift, seen: Seen, watch: &Watch) -> Doubt {
        doubt::of_lift(terms, spec, lift, seen, &self.told, watch)
    }
}

/// The stage of one mechanism, for the length of a step: what it was told, and its state.
pub struct Stage<'a> {
    terms: &'a Terms,
    spec: &'a Spec,
    state: &'a mut State,
}

impl<'a> Stage<'a> {
    /// A stage that goes on from a state.
    pub fn new(terms: &'a Terms, spec: &'a Spec, state: &'a mut State) -> Self {
        Stage { terms, spec, state }
    }

    /// Takes the next sample; `out` gets those whose load is settled, in their order. Gives the estimate that this
    /// sample has made valid, if it has one: payload, grams.
    pub fn step(&mut self, sample: &Sample, out: &mut impl FnMut(&Sample)) -> Option<Grams> {
        let at = sample.at;
        if self.state.last.is_some_and(|(before, ..)| at < before) {
            // The clock went back: nothing of before can be set against what comes.
            self.lose(out);
        }
        let motion = Motion::of(sample, self.spec);
        if motion == Motion::Unknown {
            self.state.blind_since.get_or_insert(at);
        } else if let Some(blind) = self.state.blind_since.take().or(self.state.last.map(|l| l.0))
            && at.since(blind) > self.spec.lift.bridge
        {
            self.lose(out);
        }
        let before = self.state.last.map_or(Motion::Unknown, |l| l.1);
        let estimate = self.estimate(sample, motion);
        let cell = self.terms.lead == Lead::Cell;
        if before != motion && !cell {
            self.end_run(before, at, out);
            self.state.run_since = motion.runs().then_some(at);
        }
        self.state.last = Some((at, motion, sample.get(Quantity::Speed)));
        self.hold(sample);
        let valid = estimate.and_then(|estimate| self.ripe(estimate, at));
        if let Some(estimate) = valid {
            self.weigh(estimate, out);
        }
        self.let_go(motion, cell, out);
        valid.map(|estimate| estimate.load)
    }

    /// The estimate of this sample, where its signal tells the load.
    fn estimate(&mut self, sample: &Sample, motion: Motion) -> Option<Estimate> {
        let speed = sample.get(Quantity::Speed);
        let last = self.state.last;
        let passed = last.map_or(0, |(before, ..)| sample.at.since(before).as_ms().max(0));
        let ms = passed.min(self.spec.stale_after.as_ms()).max(1) as u64;
        if self.terms.lead == Lead::Cell {
            let load = self.spec.payload(sample.load()?);
            return Some(Estimate { at: sample.at, load, ms });
        }
        let calibration = self.terms.calibration.as_ref();
        let steady = motion.runs()
            && last.is_some_and(|(_, before, was)| {
                before == motion
                    && passed <= self.spec.stale_after.as_ms()
                    && is_steady(calibration, speed, was, passed)
            });
        if !steady {
            self.state.steady_since = None;
            return None;
        }
        let calibration = calibration?;
        let since = *self.state.steady_since.get_or_insert(sample.at);
        if sample.at.since(since) < calibration.settle {
            return None;
        }
        let torque = sample.get(Quantity::Torque)?;
        let curve = if motion == Motion::Up { &calibration.raising } else { &calibration.lowering };
        Some(Estimate { at: sample.at, load: curve.load(torque), ms })
    }

    /// An estimate holds once the run has gone on for the calibration's tail.
    fn ripe(&mut self, new: Estimate, now: Timestamp) -> Option<Estimate> {
        let tail = match (&self.terms.calibration, self.terms.lead) {
            (Some(calibration), Lead::Torque) => calibration.tail,
            _ => Span::ZERO,
        };
        if tail == Span::ZERO {
            return Some(new);
        }
        self.state.fresh.push(new);
        // One comes in at a time, so one goes out at most, unless the pace of the samples changes.
        let first = self.state.fresh.first()?;
        (now.since(first.at) >= tail).then(|| self.state.fresh.remove(0))
    }

    /// What an estimate that holds says of the hook.
    fn weigh(&mut self, new: Estimate, out: &mut impl FnMut(&Sample)) {
        let set = &self.spec.lift;
        if self.state.window.len() == WINDOW {
            self.state.window.remove(0);
        }
        self.state.window.push(new);
        if self.state.recent.len() == RECENT {
            self.state.recent.remove(0);
        }
        self.state.recent.push(new);
        let full = self.state.window.len() == WINDOW;
        match self.state.hook {
            Hook::Unknown | Hook::Empty if full => {
                let (begin, median) = (set.begin, self.median());
                let first = !self.state.resolved && !self.state.unresolved;
                self.state.resolved = true;
                if median >= begin {
                    let was_empty = self.state.hook == Hook::Empty;
                    if first && was_empty && self.state.window.iter().all(|e| e.load >= begin) {
                        let count = self.slack_before();
                        self.emit(count, out);
                    }
                    self.take_up();
                    self.state.saw_it = true;
                    self.state.rising = true;
                } else {
                    if first && self.state.window.iter().all(|e| e.load < begin) {
                        self.learn_ramp();
                    }
                    self.state.hook = Hook::Empty;
                    self.state.empty = median;
                    let certain = self.state.window[WINDOW - 2].at;
                    self.emit_before(certain, out);
                    self.state.unresolved = false;
                }
            }
            Hook::Unknown | Hook::Empty => {}
            Hook::Loaded => {
                // The first that this run says: what hung before it still does, or the hook was empty from its beginning.
                if full && !self.state.saw_it && self.state.empty_since.is_none() && self.one_load() {
                    self.learn_ramp();
                }
                self.state.resolved = true;
                self.add_reading(new);
                self.find_rise(out);
                if full {
                    // A run that never saw the load has begun without it.
                    let middle = self.state.window[WINDOW / 2].at;
                    let since = if self.state.saw_it { middle } else { self.state.run_since.unwrap_or(middle) };
                    let median = self.median();
                    let slack = self.state.slack_since.filter(|_| !self.state.saw_it);
                    self.watch_empty(median, slack.unwrap_or(since), new.ms, out);
                    self.watch_other(median, since, new.ms, out);
                }
            }
        }
    }

    fn median(&self) -> Grams {
        let mut loads = [Grams::ZERO; WINDOW];
        let count = self.state.window.len().min(WINDOW);
        for (slot, estimate) in loads.iter_mut().zip(&self.state.window) {
            *slot = estimate.load;
        }
        loads[..count].sort_unstable();
        loads[count / 2]
    }

    /// A load is on the hook; all that is held is its lift's.
    fn take_up(&mut self) {
        let state = &mut *self.state;
        state.hook = Hook::Loaded;
        state.readings.clear();
        state.early = None;
        state.ways = Ways::default();
        if let Some(last) = state.told.last_mut() {
            last.open = false;
        }
        state.valid_ms = 0;
        state.unresolved = false;
        state.empty_since = None;
        state.other_since = None;
        state.slack_since = None;
        let begin = self.spec.lift.begin;
        let of_it: Vec<Estimate> = state.window.iter().copied().filter(|e| e.load >= begin).collect();
        for estimate in of_it {
            self.add_reading(estimate);
        }
    }

    /// Readings from before the load has settled are only taken where there are no later ones.
    fn add_reading(&mut self, new: Estimate) {
        let LiftSettings { settle, end, .. } = self.spec.lift;
        let state = &mut *self.state;
        let settled_before = state.valid_ms >= settle.as_ms() as u64;
        let level = if settled_before { state.level() } else { None };
        let another = level.is_some_and(|level| (new.load.get() - level.get()).abs() > self.spec.rated.get() / CHANGED);
        if new.load < end || another {
            return;
        }
        state.valid_ms += new.ms;
        if !settled_before && state.valid_ms >= settle.as_ms() as u64 {
            state.early = state.readings.midmean();
            state.readings.clear();
            state.ways = Ways::default();
        }
        state.readings.add(new.load, self.spec.rated, new.ms);
        let up = state.last.is_some_and(|(_, motion, _)| motion == Motion::Up);
        state.ways.add(up, new.load, new.ms);
    }

    fn watch_empty(&mut self, median: Grams, since: Timestamp, ms: u64, out: &mut impl FnMut(&Sample)) {
        if median >= self.spec.lift.end {
            self.state.empty_since = None;
            return;
        }
        let (since, valid) = self.state.empty_since.map_or((since, 0), |(since, valid)| (since, valid + ms));
        self.state.empty_since = Some((since, valid));
        if valid >= CONFIRM_EMPTY.as_ms() as u64 {
            let since = if self.state.saw_it { self.fall(since) } else { since };
            self.set_down(since, median, out);
        }
    }

    /// The load has left the hook at `since`; what came before is its lift's.
    fn set_down(&mut self, since: Timestamp, empty: Grams, out: &mut impl FnMut(&Sample)) {
        self.emit_before(since, out);
        self.state.hook = Hook::Empty;
        self.state.empty = empty;
        self.state.empty_since = None;
        self.state.other_since = None;
        self.state.resolved = true;
    }

    /// Load that is added or dropped while it hangs: what ran before is booked at what hung before.
    fn watch_other(&mut self, median: Grams, since: Timestamp, ms: u64, out: &mut impl FnMut(&Sample)) {
        let settled = self.state.valid_ms >= self.spec.lift.settle.as_ms() as u64;
        let Some(level) = self.state.level().filter(|_| settled && self.state.hook == Hook::Loaded) else { return };
        let off = (median.get() - level.get()).abs();
        if off <= self.spec.rated.get() / CHANGED || self.state.empty_since.is_some() {
            self.state.saw_it |= self.state.empty_since.is_none();
            self.state.other_since = None;
            return;
        }
        let (since, valid) = self.state.other_since.map_or((since, 0), |(since, valid)| (since, valid + ms));
        self.state.other_since = Some((since, valid));
        if valid >= CONFIRM_CHANGE.as_ms() as u64 {
            self.emit_before(since, out);
            self.take_up();
            self.state.saw_it = true;
        }
    }

    /// A run is over: what it has said holds until the next one does.
    fn end_run(&mut self, before: Motion, at: Timestamp, out: &mut impl FnMut(&Sample)) {
        if before.runs() {
            self.state.slack_since = if before == Motion::Down { self.slack_from(at) } else { None };
        }
        if before.runs() && !self.state.resolved && self.state.hook != Hook::Loaded {
            match self.state.window.is_empty() {
                true => self.state.unresolved = true,
                // A short run had a word to say, if not five.
                false if self.median() >= self.spec.lift.begin => self.take_up(),
                false => {
                    self.state.hook = Hook::Empty;
                    self.state.empty = self.median();
                    self.state.unresolved = false;
                }
            }
        }
        if before.runs() && self.state.resolved && self.state.hook == Hook::Empty && !self.state.unresolved {
            self.emit_all(out);
        }
        self.state.window.clear();
        self.state.recent.clear();
        self.state.rising = false;
        self.state.fresh.clear();
        self.state.steady_since = None;
        self.state.resolved = false;
        self.state.saw_it = false;
        self.state.empty_since = None;
        self.state.other_since = None;
    }

    /// Holds a sample back; of a long stretch in which nothing changes only as many as the recorder needs to see no gap.
    /// The last few are all kept: an edge of the load may still be found among them.
    fn hold(&mut self, sample: &Sample) {
        let held = &mut self.state.held;
        held.push(*sample);
        let Some(i) = held.len().checked_sub(KEPT_WHOLE).filter(|i| *i > 0) else { return };
        let thin = held[i + 1].at.since(held[i - 1].at).as_ms() <= self.spec.stale_after.as_ms() / 2;
        if thin && alike(&held[i - 1], &held[i], self.spec) {
            held.remove(i);
        }
    }

    /// Hands on what need not wait, and what has waited too long.
    fn let_go(&mut self, motion: Motion, cell: bool, out: &mut impl FnMut(&Sample)) {
        let waits = match self.state.hook {
            Hook::Loaded => true,
            // A load signal says at any time what is on the hook, five readings late.
            Hook::Empty | Hook::Unknown if cell => motion != Motion::Unknown && !self.state.window.is_empty(),
            Hook::Empty | Hook::Unknown => motion.runs() || self.state.unresolved,
        };
        if !waits {
            self.emit_all(out);
            return;
        }
        let Some(first) = self.state.held.first().map(|s| s.at) else { return };
        let now = self.state.last.map_or(first, |l| l.0);
        if now.since(first) >= MOST_HELD || self.state.held.len() >= MOST_SAMPLES {
            if self.state.unresolved {
                self.state.hook = Hook::Unknown;
                self.state.unresolved = false;
            }
            self.emit_all(out);
        }
    }

    /// The hook has been out of sight for too long to say what hangs on it.
    fn lose(&mut self, out: &mut impl FnMut(&Sample)) {
        self.emit_all(out);
        let state = &mut *self.state;
        state.hook = Hook::Unknown;
        state.unresolved = false;
        state.resolved = false;
        state.last = None;
        state.steady_since = None;
        state.window.clear();
        state.recent.clear();
        state.rising = false;
        state.fresh.clear();
        state.empty_since = None;
        state.other_since = None;
        state.slack_since = None;
    }

    fn emit_all(&mut self, out: &mut impl FnMut(&Sample)) {
        self.emit(self.state.held.len(), out);
    }

    fn emit_before(&mut self, at: Timestamp, out: &mut impl FnMut(&Sample)) {
        let count = self.state.held.iter().take_while(|s| s.at < at).count();
        self.emit(count, out);
    }

    /// Hands on the first `count` samples with the load that is known now.
    fn emit(&mut self, count: usize, out: &mut impl FnMut(&Sample)) {
        let load = match self.state.hook {
            Hook::Unknown => None,
            Hook::Empty => Some(self.empty()),
            Hook::Loaded => self.state.level(),
        };
        if self.state.hook == Hook::Loaded && load.is_some() {
            self.tell(count);
        }
        self.emit_as(count, load, out);
    }

    /// Keeps what is known of the load that the first `count` samples are handed on with.
    fn tell(&mut self, count: usize) {
        let state = &mut *self.state;
        let Some((first, last)) = state.held[..count].first().zip(state.held[..count].last()) else { return };
        let settled = state.early.is_some() || self.spec.lift.settle <= Span::ZERO;
        let seen = state.readings.seen(self.spec.rated, settled);
        let new = Told { from: first.at, to: last.at, seen, ways: state.ways, open: true };
        doubt::tell(&mut state.told, new);
    }

    /// What the empty hook is booked at: what it reads, but no load.
    fn empty(&self) -> Grams {
        let most = self.spec.lift.end.get().min(self.spec.lift.begin.get()) - 1;
        Grams::new(self.state.empty.get().clamp(0, most.max(0)))
    }

    fn emit_as(&mut self, count: usize, load: Option<Grams>, out: &mut impl FnMut(&Sample)) {
        let dead = if self.spec.gross_signal { self.spec.dead_load.get() } else { 0 };
        for sample in &mut self.state.held[..count] {
            let seen = sample.running_of(self.spec.has_raising, self.spec.has_lowering).is_some();
            sample.set(Quantity::Load, load.filter(|_| seen).map(|load| load.get() + dead));
            out(sample);
        }
        self.state.held.drain(..count);
    }
}

/// Whether the motor turns fast enough, and evenly; a speed that is not read is taken to be steady.
pub(super) fn is_steady(calibration: Option<&Calibration>, now: Option<i64>, before: Option<i64>, ms: i64) -> bool {
    let Some(calibration) = calibration else { return false };
    if calibration.min_speed == 0 && now.is_none() {
        return true;
    }
    let (Some(now), Some(before)) = (now, before) else { return false };
    let change = i128::from(now) - i128::from(before);
    now.abs() >= calibration.min_speed
        && change.unsigned_abs() * 1000 <= calibration.max_slope.unsigned_abs() as u128 * ms.max(1) as u128
}

/// Whether two samples say the same of everything but the load's signals. A motor's speed may differ by a twentieth.
fn alike(a: &Sample, b: &Sample, spec: &Spec) -> bool {
    let flags = Flag::ALL.into_iter().all(|flag| a.flag(flag) == b.flag(flag));
    let near = |q: Quantity, by: i64| match (a.get(q), b.get(q)) {
        (Some(a), Some(b)) => (a - b).abs() <= by,
        (a, b) => a.is_none() && b.is_none(),
    };
    flags
        && near(Quantity::Speed, if Motion::of(a, spec).runs() { 5_000 } else { i64::MAX })
        && near(Quantity::RunHours, 0)
        && near(Quantity::Starts, 0)
}
