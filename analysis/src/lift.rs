//! What counts as one lift: a small state machine over the load signal.
//!
//! A lift begins when a load comes onto the hook and ends when it is set down, however often it is raised, lowered
//! or left hanging in between. ISO 4301-1 counts a hoisting cycle from the moment a load is ready to be lifted to
//! the moment the next one is; one lift is one such cycle.
//!
//! ```text
//!            load >= begin            for `confirm_load`
//!   Empty ───────────────▶ TakingUp ────────────────────▶ Hanging ◀──┐ load >= end
//!     ▲  ◀─── load < end ─────┘                              │ load < end
//!     │                                                      ▼      │
//!     └─────────────── for `confirm_empty` ──────────── SettingDown ─┘
//! ```
//!
//! A load that is not read for no longer than `confirm_empty` changes nothing of that: in so little time no lift ends and
//! another begins. After longer the lift goes on where a like load is seen again within `bridge`.
//!
//! The load of a lift is its *settled* load: the mean of the middle half of its time-weighted readings after the
//! settling time, so that neither the jerk of the take-up nor the ramp of the set-down moves it. The peak is kept
//! beside it.

use std::ops::Range;

use crate::units::{Grams, Span, Timestamp};

/// Thresholds and times of the lift detection.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct LiftSettings {
    /// A load at or above this is on the hook. Grams; default 5 % of rated.
    pub begin: Grams,
    /// A load below this is no longer on the hook. Grams; below `begin`; default 3 % of rated.
    pub end: Grams,
    /// How long the load must be on before it counts, default 0.5 s.
    pub confirm_load: Span,
    /// How long it must be off before the lift has ended, default 1 s.
    pub confirm_empty: Span,
    /// Readings within this time of the take-up do not enter the settled load, default 1.5 s.
    pub settle: Span,
    /// A silence up to this long with a like load before and after it is bridged by one lift, default 10 min.
    pub bridge: Span,
    /// A settled load above rated by no more than this is not an overload; default 0.1 % of rated, finer than a
    /// crane's load cell resolves (common practice, no source).
    pub overload_margin: Grams,
}

impl LiftSettings {
    /// The defaults for a rated load.
    pub fn for_rated(rated: Grams) -> Self {
        LiftSettings {
            begin: Grams::new(rated.get() / 20),
            end: Grams::new(rated.get() * 3 / 100),
            confirm_load: Span::from_ms(500),
            confirm_empty: Span::from_ms(1000),
            settle: Span::from_ms(1500),
            bridge: Span::from_ms(600_000),
            overload_margin: Grams::new(rated.get() / 1000),
        }
    }
}

/// One finished lift.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Lift {
    /// When the load came onto the hook.
    pub begin: Timestamp,
    /// When it left the hook, or when sight of it was lost.
    pub end: Timestamp,
    /// Settled load, without dead load.
    pub load: Grams,
    /// Highest reading.
    pub peak: Grams,
    /// Running time with the load on the hook, both directions, milliseconds.
    pub running_ms: u64,
    /// Running edges with the load on the hook, and the run that took it up.
    pub starts: u32,
    /// Band of the settled load, see [`crate::spectrum::band_of`].
    pub band: u8,
    /// The settled load is above the rated load.
    pub overload: bool,
    /// The record broke off while the load was on the hook; the end is when sight of it was lost.
    pub cut: bool,
    /// Standard uncertainty of the settled load, see [`crate::load::doubt`]; `None` where nobody has reckoned it, as in
    /// records of before it was.
    #[cfg_attr(feature = "serde", serde(default))]
    pub uncertainty: Option<Grams>,
}

/// What the readings of a lift say of how sure its settled load is.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Seen {
    /// Standard uncertainty of their mean if they were one reading, see [`Seen::noise`].
    pub spread: Grams,
    /// For how long they stood.
    pub over_ms: u64,
    /// They are from after the settling time.
    pub settled: bool,
}

/// Readings that are closer together than this are taken for one: a load that swings and a drive's filter move them alike
/// (common practice, no source).
const APART_MS: u64 = 1_000;

impl Seen {
    /// Standard uncertainty of the mean for the readings' noise. How many readings there were need not be known: each
    /// stands for `stale_after` at most.
    pub fn noise(&self, stale_after: Span) -> Grams {
        let each = (stale_after.as_ms().max(0) as u64).max(APART_MS);
        let readings = (self.over_ms / each).max(1);
        Grams::new((self.spread.get() as f64 / (readings as f64).sqrt()).round() as i64)
    }
}

/// Bins that [`Readings::add_even`] fills edge by edge, and loads that it looks at together.
const FEW_BINS: usize = 4;
const AT_ONCE: usize = 64;

/// How many loads are below `edge`, and their sum. None is below `low`, and [`AT_ONCE`] times their range is within 32 bits.
fn below(loads: &[i32], edge: i32, low: i32) -> (u64, i64) {
    let (mut count, mut sum) = (0, 0);
    for loads in loads.chunks(AT_ONCE) {
        let (mut some, mut above) = (0_u32, 0_u32);
        for &load in loads {
            let under = u32::from(load < edge);
            some += under;
            above += under.wrapping_neg() & load.wrapping_sub(low) as u32;
        }
        count += u64::from(some);
        sum += i64::from(above) + i64::from(some) * i64::from(low);
    }
    (count, sum)
}

/// Number of bins the readings of an open lift are sorted into, from zero to twice the rated load.
const BINS: usize = 512;

/// Time-weighted readings of an open lift, from which the settled load is read off.
///
/// Each bin keeps its milliseconds and the exact sum of load times milliseconds, so the width of a bin (1/256 of the
/// rated load) limits robustness, not accuracy: the mean inside a bin is exact.
#[derive(Clone, Debug)]
#[cfg_attr(
    feature = "serde",
    derive(serde::Serialize, serde::Deserialize),
    serde(from = "SparseReadings", into = "SparseReadings")
)]
pub(crate) struct Readings {
    bins: Vec<(u64, i128)>,
    total_ms: u64,
    /// The bins that can hold something: a lift's readings lie in few.
    within: Range<usize>,
}

impl PartialEq for Readings {
    fn eq(&self, other: &Self) -> bool {
        (self.total_ms, &self.bins) == (other.total_ms, &other.bins)
    }
}

impl Eq for Readings {}

/// What of [`Readings`] is written to a snapshot: only the bins that hold something.
#[cfg(feature = "serde")]
#[derive(Clone, serde::Serialize, serde::Deserialize)]
struct SparseReadings(Vec<(u16, u64, i64)>);

#[cfg(feature = "serde")]
impl From<Readings> for SparseReadings {
    fn from(full: Readings) -> Self {
        let held = full.bins.iter().enumerate().filter(|(_, (ms, _))| *ms > 0);
        SparseReadings(held.map(|(i, (ms, sum))| (i as u16, *ms, *sum as i64)).collect())
    }
}

#[cfg(feature = "serde")]
impl From<SparseReadings> for Readings {
    fn from(sparse: SparseReadings) -> Self {
        let mut full = Readings::new();
        for (bin, ms, sum) in sparse.0 {
            if let Some(slot) = full.bins.get_mut(usize::from(bin)) {
                slot.0 += ms;
                slot.1 += i128::from(sum);
                full.total_ms += ms;
                full.touch(usize::from(bin), usize::from(bin));
            }
        }
        full
    }
}

impl Default for Readings {
    fn default() -> Self {
        Readings::new()
    }
}

impl Readings {
    pub(crate) fn new() -> Self {
        Readings { bins: vec![(0, 0); BINS], total_ms: 0, within: 0..0 }
    }

    pub(crate) fn clear(&mut self) {
        self.bins[self.within.clone()].fill((0, 0));
        self.total_ms = 0;
        self.within = 0..0;
    }

    /// The bins from `first` to `last` can hold something from now on.
    fn touch(&mut self, first: usize, last: usize) {
        let within = &mut self.within;
        *within = if within.start == within.end {
            first..last + 1
        } else {
            within.start.min(first)..within.end.max(last + 1)
        };
    }

    /// The bins that hold something, in rising order.
    fn held(&self) -> impl Iterator<Item = &(u64, i128)> {
        self.bins[self.within.clone()].iter().filter(|bin| bin.0 > 0)
    }

    pub(crate) fn add(&mut self, load: Grams, rated: Grams, ms: u64) {
        let rated = rated.get().max(1);
        let bin = (load.get().max(0).saturating_mul(256) / rated).min(BINS as i64 - 1) as usize;
        self.bins[bin].0 += ms;
        self.bins[bin].1 += i128::from(load.get()) * i128::from(ms);
        self.total_ms += ms;
        self.touch(bin, bin);
    }

    /// The same as [`Readings::add`] for each.
    fn add_columns(&mut self, loads: &[Grams], ms: &[u32], rated: Grams) {
        let rated = rated.get().max(1) as u64;
        // The bin that a product with it gives is right or one too low.
        let inverse = u64::MAX / rated;
        let (mut total_ms, mut first, mut last) = (0, BINS - 1, 0);
        for (&load, &ms) in loads.iter().zip(ms) {
            let scaled = load.get().max(0) as u64 * 256;
            let low = ((u128::from(scaled) * u128::from(inverse)) >> 64) as u64;
            let bin = low + u64::from((low + 1) * rated <= scaled);
            let bin = bin.min(BINS as u64 - 1) as usize;
            (first, last) = (first.min(bin), last.max(bin));
            let slot = &mut self.bins[bin];
            slot.0 += u64::from(ms);
            // Grams::MAX · u32::MAX is within 64 bits.
            slot.1 += i128::from(load.get() * i64::from(ms));
            total_ms += u64::from(ms);
        }
        self.total_ms += total_ms;
        if first <= last {
            self.touch(first, last);
        }
    }

    /// The same as [`Readings::add`] for each, all within `low` and `high`.
    fn add_even(&mut self, loads: &[i32], ms: u32, (low, high): (i32, i32), rated: Grams) {
        let rated = rated.get().max(1);
        let bin_of = |load: i32| (i64::from(load.max(0)) * 256 / rated).min(BINS as i64 - 1) as usize;
        let (first, last) = (bin_of(low), bin_of(high));
        self.touch(first, last);
        self.total_ms += loads.len() as u64 * u64::from(ms);
        let mut book = |bin: usize, count: u64, sum: i64| {
            self.bins[bin].0 += count * u64::from(ms);
            self.bins[bin].1 += i128::from(sum) * i128::from(ms);
        };
        if last - first > FEW_BINS || high.abs_diff(low) > u32::MAX / AT_ONCE as u32 {
            loads.iter().for_each(|&load| book(bin_of(load), 1, i64::from(load)));
            return;
        }
        // What lies below each edge in turn; an edge is not above the highest load.
        let mut before = (0, 0);
        for bin in first..last {
            let edge = ((bin as i64 + 1) * rated + 255) / 256;
            let below = below(loads, edge as i32, low);
            book(bin, below.0 - before.0, below.1 - before.1);
            before = below;
        }
        let sum: i64 = loads.iter().map(|&load| i64::from(load)).sum();
        book(last, loads.len() as u64 - before.0, sum - before.1);
    }

    /// What they say of how sure their [`Readings::midmean`] is.
    ///
    /// The standard error of a mean without the outer quarters is that of the readings with each outer quarter moved to
    /// where the middle half ends, over the half that is left (Tukey and McLaughlin, Sankhya A 25, 1963; from memory). A
    /// bin's readings are taken to lie evenly in it.
    pub(crate) fn seen(&self, rated: Grams, settled: bool) -> Seen {
        let quarter = self.total_ms as f64 / 4.0;
        let (mut before, mut middle) = (0.0, Vec::new());
        for &(ms, load_ms) in self.held() {
            let after = before + ms as f64;
            let part = after.min(3.0 * quarter) - f64::max(before, quarter);
            if part > 0.0 {
                middle.push((part, load_ms as f64 / ms as f64));
            }
            before = after;
        }
        for end in [0, middle.len().saturating_sub(1)] {
            if let Some((part, _)) = middle.get_mut(end) {
                *part += quarter;
            }
        }
        let over = |of: &dyn Fn(f64) -> f64| -> f64 {
            middle.iter().map(|(part, load)| part * of(*load)).sum::<f64>() / (4.0 * quarter).max(1.0)
        };
        let mean = over(&|load| load);
        let width = rated.get() as f64 / 256.0;
        let variance = over(&|load| (load - mean).powi(2)) + width * width / 12.0;
        let spread = if middle.is_empty() { 0.0 } else { 2.0 * variance.sqrt() };
        Seen {
            spread: Grams::new(spread.round() as i64),
            over_ms: self.total_ms,
            settled: settled && self.total_ms > 0,
        }
    }

    /// The mean of the middle half of the readings (by time), `None` when there are none.
    pub(crate) fn midmean(&self) -> Option<Grams> {
        if self.total_ms == 0 {
            return None;
        }
        // Work in quarters of milliseconds so that the quartiles are whole numbers.
        let (low, high) = (u128::from(self.total_ms), 3 * u128::from(self.total_ms));
        let mut before = 0_u128;
        let mut sum = 0_i128;
        for &(ms, load_ms) in self.held() {
            let after = before + 4 * u128::from(ms);
            let part = after.min(high).saturating_sub(before.max(low));
            // The bin's mean, weighted by the part of it that lies in the middle half; exact where whole bins do.
            sum += load_ms * part as i128 / i128::from(ms);
            before = after;
        }
        let weight = (high - low) as i128;
        Some(Grams::new(((sum + sum.signum() * weight / 2) / weight) as i64))
    }
}

/// Counters of a stretch of an open lift.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
struct Work {
    running_ms: u64,
    starts: u32,
    peak: Grams,
}

impl Work {
    fn add(&mut self, other: Work) {
        self.running_ms += other.running_ms;
        self.starts += other.starts;
        self.peak = self.peak.max(other.peak);
    }
}

/// Where the state machine stands.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
enum Phase {
    Empty,
    TakingUp { since: Timestamp },
    Hanging { since: Timestamp, settled: bool },
    SettingDown { since: Timestamp, off_at: Timestamp, settled: bool, aside: Work },
}

/// What the tracker has to say about a stretch of time.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum LiftEvent {
    /// A load has been taken up.
    Begun {
        /// When it came onto the hook.
        at: Timestamp,
    },
    /// The load has been set down, or lost sight of. How uncertain it is follows from what was seen of it.
    Ended(Lift, Seen),
}

/// A stretch of time over which everything that matters to a lift was constant.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Stretch {
    /// Its beginning.
    pub from: Timestamp,
    /// Its end, not before `from`.
    pub to: Timestamp,
    /// The load without dead load, if known.
    pub load: Option<Grams>,
    /// Whether the hoist runs, if known.
    pub running: Option<bool>,
    /// Whether a run began at `from`.
    pub started: bool,
}

/// What [`LiftTracker::steady`] says.
pub(crate) struct LiftSteady {
    /// Nothing is on the hook, and no lift is open.
    pub empty: bool,
    /// The lowest and the highest payload with which it stays so.
    pub payloads: (Grams, Grams),
    /// Stretches that end before this leave it so.
    pub before: Option<Timestamp>,
}

/// Payloads of stretches, grams, and their lengths.
pub(crate) enum Payloads<'a> {
    /// Each with its own milliseconds.
    Columns(&'a [Grams], &'a [u32]),
    /// All of as many milliseconds, and all within a lowest and a highest payload.
    Even(&'a [i32], u32, (i32, i32)),
}

impl Payloads<'_> {
    fn peak(&self) -> Grams {
        let highest = match *self {
            Payloads::Columns(payloads, _) => payloads.iter().copied().fold(Grams::ZERO, Grams::max),
            Payloads::Even(_, _, (_, high)) => Grams::new(i64::from(high)),
        };
        highest.max(Grams::ZERO)
    }
}

/// Stretches that follow each other.
pub(crate) struct LiftRun<'a> {
    /// May be empty with an empty hook.
    pub payloads: Payloads<'a>,
    /// Of all.
    pub total_ms: u64,
    /// The last payload.
    pub last: Grams,
    /// Whether the hoist ran in all of them.
    pub running: bool,
}

/// The open end of the lift detection; see the module's text.
#[derive(Clone, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct LiftTracker {
    phase: Phase,
    readings: Readings,
    /// The estimate from before the settling time was over, for lifts that end sooner.
    early: Option<Grams>,
    work: Work,
    last_load: Option<Grams>,
    /// Since when the load has not been known, while one was on the hook.
    unseen_since: Option<Timestamp>,
    /// Whether the hoist was running at the end of the last stretch.
    running: bool,
}

impl Default for LiftTracker {
    fn default() -> Self {
        Self::new()
    }
}

impl LiftTracker {
    /// A tracker with an empty hook.
    pub fn new() -> Self {
        LiftTracker {
            phase: Phase::Empty,
            readings: Readings::new(),
            early: None,
            work: Work::default(),
            last_load: None,
            unseen_since: None,
            running: false,
        }
    }

    /// When the load that hangs now came onto the hook, `None` with an empty hook or one not yet confirmed.
    pub fn hanging_since(&self) -> Option<Timestamp> {
        match self.phase {
            Phase::Hanging { since, .. } | Phase::SettingDown { since, .. } => Some(since),
            Phase::Empty | Phase::TakingUp { .. } => None,
        }
    }

    /// The site's clock was put right by `by`: what hangs is dated anew.
    pub fn rebase(&mut self, by: Span) {
        let moved = |at: &mut Timestamp| *at = at.plus(by);
        self.unseen_since.iter_mut().for_each(moved);
        match &mut self.phase {
            Phase::Empty => {}
            Phase::TakingUp { since } | Phase::Hanging { since, .. } => moved(since),
            Phase::SettingDown { since, off_at, .. } => {
                moved(since);
                moved(off_at);
            }
        }
    }

    /// Takes one stretch of constant signals, in order of time; `out` is called for each thing that follows.
    ///
    /// Cutting a stretch in two at any instant and feeding both parts gives the same lifts.
    pub fn feed(&mut self, s: Stretch, rated: Grams, set: &LiftSettings, out: &mut impl FnMut(LiftEvent)) {
        let ms = s.to.since(s.from).as_ms().max(0) as u64;
        let running = s.running.unwrap_or(false);
        let Some(load) = s.load else {
            self.unseen(s, ms, running);
            return;
        };
        if let Some(lost) = self.unseen_since.take() {
            self.seen_again(lost, s.from, load, rated, set, out);
        }
        let work = Work {
            running_ms: if running { ms } else { 0 },
            starts: u32::from(s.started),
            peak: load.max(Grams::ZERO),
        };
        if let Phase::Empty = self.phase
            && load >= set.begin
        {
            self.open(s.from, s.started);
        }
        match self.phase {
            Phase::Empty => {}
            Phase::TakingUp { since } => {
                if load < set.end {
                    self.phase = Phase::Empty;
                } else {
                    self.hang(since, false, s, load, work, rated, set);
                    if s.to.since(since) >= set.confirm_load {
                        out(LiftEvent::Begun { at: since });
                    } else {
                        self.phase = Phase::TakingUp { since };
                    }
                }
            }
            Phase::Hanging { since, settled } => {
                if load < set.end {
                    self.phase = Phase::SettingDown { since, off_at: s.from, settled, aside: work };
                    self.set_down(s.to, rated, set, out);
                } else {
                    self.hang(since, settled, s, load, work, rated, set);
                }
            }
            Phase::SettingDown { since, off_at, settled, mut aside } => {
                if load < set.end {
                    aside.add(work);
                    self.phase = Phase::SettingDown { since, off_at, settled, aside };
                    self.set_down(s.to, rated, set, out);
                } else {
                    self.work.add(aside);
                    self.hang(since, settled, s, load, work, rated, set);
                }
            }
        }
        self.last_load = Some(load);
        self.running = running;
    }

    /// What the next stretches must be like to do no more than add up; `None` where that cannot be said.
    pub(crate) fn steady(&self, set: &LiftSettings) -> Option<LiftSteady> {
        if self.unseen_since.is_some() {
            return None;
        }
        let below = |limit: Grams| (Grams::MIN, Grams::new(limit.get().saturating_sub(1)));
        let loaded = (set.end, Grams::MAX);
        let (empty, payloads, before) = match self.phase {
            Phase::Empty => (true, below(set.begin), None),
            Phase::TakingUp { since } => (false, loaded, Some(since.plus(set.confirm_load.min(set.settle)))),
            Phase::Hanging { since, settled: false } => (false, loaded, Some(since.plus(set.settle))),
            Phase::Hanging { settled: true, .. } => (false, loaded, None),
            Phase::SettingDown { off_at, .. } => (false, below(set.end), Some(off_at.plus(set.confirm_empty))),
        };
        Some(LiftSteady { empty, payloads, before })
    }

    /// The same as [`LiftTracker::feed`] for stretches that all lie within [`LiftTracker::steady`], `total_ms` in all, the
    /// last of them at the load `last`. The columns are not read where the hook is empty.
    pub(crate) fn feed_run(&mut self, run: &LiftRun<'_>, rated: Grams) {
        let running_ms = if run.running { run.total_ms } else { 0 };
        let peak = || run.payloads.peak();
        match &mut self.phase {
            Phase::Empty => {}
            Phase::TakingUp { .. } | Phase::Hanging { .. } => {
                self.work.add(Work { running_ms, starts: 0, peak: peak() });
                match run.payloads {
                    Payloads::Columns(payloads, ms) => self.readings.add_columns(payloads, ms, rated),
                    Payloads::Even(payloads, ms, range) => self.readings.add_even(payloads, ms, range, rated),
                }
            }
            Phase::SettingDown { aside, .. } => aside.add(Work { running_ms, starts: 0, peak: peak() }),
        }
        self.last_load = Some(run.last);
        self.running = run.running;
    }

    /// A load has come onto the hook at `at`.
    fn open(&mut self, at: Timestamp, started: bool) {
        self.phase = Phase::TakingUp { since: at };
        self.readings.clear();
        self.early = None;
        // The run that takes the load up began before the load was felt; it belongs to the lift.
        let carried = self.running && !started;
        self.work = Work { starts: u32::from(carried), ..Work::default() };
    }

    /// The load hangs through the stretch: readings before and after the settling time are kept apart.
    #[allow(clippy::too_many_arguments)]
    fn hang(
        &mut self,
        since: Timestamp,
        mut settled: bool,
        s: Stretch,
        load: Grams,
        work: Work,
        rated: Grams,
        set: &LiftSettings,
    ) {
        self.work.add(work);
        let settles_at = since.plus(set.settle);
        let mut from = s.from;
        if !settled && s.to > settles_at {
            let head = settles_at.since(from).as_ms().max(0) as u64;
            self.readings.add(load, rated, head);
            self.early = self.readings.midmean();
            self.readings.clear();
            from = from.max(settles_at);
            settled = true;
        }
        self.readings.add(load, rated, s.to.since(from).as_ms().max(0) as u64);
        self.phase = Phase::Hanging { since, settled };
    }

    /// Ends the lift once the hook has been empty for long enough.
    fn set_down(&mut self, now: Timestamp, rated: Grams, set: &LiftSettings, out: &mut impl FnMut(LiftEvent)) {
        if let Phase::SettingDown { since, off_at, .. } = self.phase
            && now.since(off_at) >= set.confirm_empty
        {
            self.close(since, off_at, false, rated, set, out);
        }
    }

    fn close(
        &mut self,
        begin: Timestamp,
        end: Timestamp,
        cut: bool,
        rated: Grams,
        set: &LiftSettings,
        out: &mut impl FnMut(LiftEvent),
    ) {
        self.phase = Phase::Empty;
        let load = self.readings.midmean().or(self.early).or(self.last_load).unwrap_or(Grams::ZERO);
        // A load that never moved was not lifted: somebody leaned on the hook, or the cell was being adjusted.
        if self.work.running_ms > 0 {
            let settled = self.early.is_some() || set.settle <= Span::ZERO;
            let seen = self.readings.seen(rated, settled);
            let overload = load.get() > rated.get() + set.overload_margin.get();
            let lift = Lift {
                begin,
                end,
                load,
                peak: self.work.peak.max(load),
                running_ms: self.work.running_ms,
                starts: self.work.starts,
                band: crate::spectrum::band_of(load, rated) as u8,
                overload,
                cut,
                uncertainty: None,
            };
            out(LiftEvent::Ended(lift, seen));
        }
        self.work = Work::default();
    }

    /// A stretch of unknown load: what hangs goes on hanging, and running time goes on counting for it.
    fn unseen(&mut self, s: Stretch, ms: u64, running: bool) {
        self.unseen_since.get_or_insert(s.from);
        let work = Work { running_ms: if running { ms } else { 0 }, starts: u32::from(s.started), peak: Grams::ZERO };
        match &mut self.phase {
            Phase::Empty => {}
            Phase::TakingUp { .. } | Phase::Hanging { .. } => self.work.add(work),
            Phase::SettingDown { aside, .. } => aside.add(work),
        }
        if s.running.is_some() {
            self.running = running;
        }
    }

    /// The load is known again: is it still the same lift?
    fn seen_again(
        &mut self,
        lost: Timestamp,
        now: Timestamp,
        load: Grams,
        rated: Grams,
        set: &LiftSettings,
        out: &mut impl FnMut(LiftEvent),
    ) {
        // In less than it takes to be sure of an empty hook no load is set down and another taken up: a reading that is
        // missing now and then is no loss of sight.
        if now.since(lost) <= set.confirm_empty {
            return;
        }
        let begin = match self.phase {
            Phase::Empty => return,
            Phase::TakingUp { .. } => {
                // Never confirmed; if it is still there it is taken up anew.
                self.phase = Phase::Empty;
                return;
            }
            Phase::Hanging { since, .. } | Phase::SettingDown { since, .. } => since,
        };
        let before = self.last_load.unwrap_or(Grams::ZERO);
        let alike = (load.get() - before.get()).abs() <= rated.get() / 10;
        let went_on = load >= set.end && alike && now.since(lost) <= set.bridge;
        if !went_on {
            let end = match self.phase {
                Phase::SettingDown { off_at, .. } => off_at,
                _ => lost,
            };
            self.close(begin, end, true, rated, set, out);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn even_readings_are_added_as_one_by_one(
            rated in prop_oneof![Just(1), 1_000_i64..100_000_000, Just(2_000_000_000)],
            runs in proptest::collection::vec(
                (-0.2_f64..3.0, prop_oneof![Just(0.001), Just(0.01), Just(3.0)],
                    proptest::collection::vec(0.0_f64..1.0, 1..150), prop_oneof![Just(100), any::<u32>()]),
                1..4,
            ),
        ) {
            let rated = Grams::new(rated);
            let (mut one_by_one, mut columns, mut even) = (Readings::new(), Readings::new(), Readings::new());
            for (from, spread, places, ms) in runs {
                let load = |place: &f64| Grams::new(((from + spread * place) * rated.get() as f64) as i64);
                let loads: Vec<Grams> = places.iter().map(load).collect();
                let short: Vec<i32> = loads.iter().map(|load| load.get() as i32).collect();
                let range = (*short.iter().min().unwrap_or(&0), *short.iter().max().unwrap_or(&0));
                loads.iter().for_each(|&load| one_by_one.add(load, rated, u64::from(ms)));
                columns.add_columns(&loads, &vec![ms; loads.len()], rated);
                even.add_even(&short, ms, range, rated);
            }
            prop_assert_eq!(&even, &one_by_one);
            prop_assert_eq!(&columns, &one_by_one);
            prop_assert_eq!((even.midmean(), even.seen(rated, true)), (one_by_one.midmean(), one_by_one.seen(rated, true)));
            even.clear();
            prop_assert_eq!(even, Readings::new());
        }
    }
}
