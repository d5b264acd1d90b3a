//! Whether the signal that the load is taken from can be believed: what its readings say of themselves.
//!
//! [`Watch`] sees every sample as it was read. From a load cell it takes the *level* of each standstill, from a calibrated
//! torque that of each steady run, and looks at
//!
//! | finding | when |
//! | --- | --- |
//! | [`Finding::ZeroDrift`] | the empty hook has crept away from where it began by [`DRIFT`] |
//! | [`Finding::Step`] | four empty hooks in a row lie by [`STEP`] beside the three before them |
//! | [`Finding::Stuck`] | a lively signal shows the same number through runs up and down |
//! | [`Finding::Sign`] | three levels lie below zero by [`SIGN`], further than any hook that is laid down |
//! | [`Finding::Noise`] | readings scatter by [`NOISE`] at three levels in a row |
//! | [`Finding::NeverChanges`] | [`STARTS`] runs up and as many down, all within [`BAND`] |
//! | [`Finding::Disagrees`] | torque and cell differ by [`DISAGREE`] in five runs in a row that had a load |
//! | [`Finding::NotRead`] | a signal that was read before gave no load in five runs in a row |
//! | [`Finding::ZeroCorrected`] | what is booked was corrected by the empty hook's drift, by [`CORRECTED`] more or less |
//!
//! The limits are common practice, no source. An empty hook is the lowest level between two that are higher by [`FALL`]:
//! so a part of a load that is dropped is none. One that reads low after lowering may be laid down on slack rope, and is
//! not taken; after raising it hangs.
//!
//! A jump up to [`STEP`], 2 % of the rated load, cannot be told from a drift and counts as one: above [`DRIFT`], 1.5 %, it is
//! told of as [`Finding::ZeroDrift`] once five empty hooks have shown it, below that not at all.
//!
//! Nothing here changes what is booked, but for a drift of a cell's zero where [`Terms::correct_zero`] allows it: what is
//! booked is then the reading less the drift, up to that bound. A jump above [`STEP`] is never corrected, nor is where the
//! empty hook began.
//!
//! So a fault moves km while it stands: by no more than the share of the running time in which it stood, where what is read
//! stays within the rated load (a day of a month's 22: 0.045; the zero's drift that is told of, and the step, moved it by
//! 0.002 in the tests). No odd way of working moves it by more than 0.002: slack rope, a hook laid down, a magnet or grab as
//! permanent dead load, load added or dropped while it hangs, power off before it is set down, two hoists on one load,
//! lowering without a raise. Where a torque leads, faults and ways of working move km by no more than 0.003 from what a
//! clean month of it gives. Where torque and cell are both read, a fault of one shows as a disagreement too.

use super::stage::{Motion, is_steady};
use super::{Lead, Terms};
use crate::batch::Rows;
use crate::recorder::Spec;
use crate::sample::{Quantity, Sample};
use crate::units::{Grams, Span, Timestamp};

/// Thousandths of the rated load by which the empty hook may creep.
pub const DRIFT: i64 = 15;
/// Thousandths of the rated load by which it may jump.
pub const STEP: i64 = 20;
/// Thousandths of the rated load below zero that no hook laid down explains.
pub const SIGN: i64 = 100;
/// Standard deviation of a reading in thousandths of the rated load.
pub const NOISE: i64 = 20;
/// Width, in thousandths of the rated load, of a load that does not change.
pub const BAND: i64 = 30;
/// Runs up, and as many down, through which it must not have changed.
pub const STARTS: u32 = 50;
/// Thousandths of the rated load by which torque and cell may differ.
pub const DISAGREE: i64 = 100;
/// Thousandths of the rated load by which a level falls when a load is set down.
pub const FALL: i64 = 50;

/// Thousandths of the rated load by which a drift must have moved before the correction follows it.
pub const CORRECTED: i64 = 3;

/// Empty hooks within this many thousandths agree.
const AGREE: i64 = 10;
/// Thousandths below which an empty hook may lie on slack rope.
const LAID: i64 = 5;
/// A load that was set down swings out, and a hook with it.
const SWING: Span = Span::from_ms(1_500);
/// Readings of which a level is the median, at most and at least.
const READINGS: (usize, usize) = (15, 4);
/// Levels in a row that make a finding, and that end it.
const LEVELS: u8 = 3;
/// Runs in a row in which torque and cell must disagree, or agree again; in which nothing is read, or something again.
const RUNS: u8 = 5;
/// Torque and cell are compared where one of them tells at least this part of the rated load: a quarter.
const LOADED: i64 = 4;
/// Changes of the signal after which it is known how lively it is, and readings a change up to which it is.
const LIVELY: (u64, u64) = (100, 4);
/// Readings and starts with the same number that make a lively signal stuck, under load and with what may be an empty
/// hook: many an amplifier holds its zero.
const SAME: (u32, [u32; 2]) = (40, [4, 20]);

/// What is wrong with a load signal.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum Finding {
    /// The empty hook creeps away from zero.
    ZeroDrift = 0,
    /// The empty hook has jumped.
    Step = 1,
    /// The same number, whatever happens.
    Stuck = 2,
    /// A load reads as less than nothing.
    Sign = 3,
    /// Readings scatter.
    Noise = 4,
    /// No load was ever seen, or always the same.
    NeverChanges = 5,
    /// Torque and cell tell different loads.
    Disagrees = 6,
    /// The drift of the empty hook is taken off what is booked.
    ZeroCorrected = 7,
    /// The hoist runs, and nothing is read.
    NotRead = 8,
}

impl Finding {
    /// All of them.
    pub const ALL: [Finding; 9] = [
        Finding::ZeroDrift,
        Finding::Step,
        Finding::Stuck,
        Finding::Sign,
        Finding::Noise,
        Finding::NeverChanges,
        Finding::Disagrees,
        Finding::ZeroCorrected,
        Finding::NotRead,
    ];

    /// The word for programs.
    pub const fn code(self) -> &'static str {
        match self {
            Finding::ZeroDrift => "load_zero_drift",
            Finding::Step => "load_step",
            Finding::Stuck => "load_stuck",
            Finding::Sign => "load_sign",
            Finding::Noise => "load_noise",
            Finding::NeverChanges => "load_never_changes",
            Finding::Disagrees => "load_disagrees",
            Finding::ZeroCorrected => "load_zero_corrected",
            Finding::NotRead => "load_not_read",
        }
    }
}

/// A finding that has come up, or gone.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Note {
    /// Which.
    pub finding: Finding,
    /// It has come up; `false` when it is over.
    pub raised: bool,
    /// The sample that showed it.
    pub at: Timestamp,
    /// The signal that leads, and that it is about.
    pub signal: Lead,
    /// How far off: the empty hook from where it was, the level, the standard deviation, the difference. The reading
    /// that stands still. What is taken off from now on.
    pub by: Grams,
}

/// Everything that is kept from one sample to the next.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(default))]
pub struct Watch {
    last: Option<(Timestamp, Motion, Option<i64>)>,
    steady_since: Option<Timestamp>,
    /// Since when the hoist has stood still or run one way.
    since: Option<Timestamp>,
    /// The last run was up.
    raised: bool,
    /// The last few readings of this standstill or run.
    readings: Vec<(Timestamp, Grams)>,
    /// Cell less torque, in this run.
    apart: Vec<(Timestamp, Grams)>,
    /// The number that is read, through how many readings of running, and how many starts.
    number: Option<i64>,
    same: (u32, u32),
    /// Readings, and changes among them.
    lively: (u64, u64),
    /// Least and most since it changed last, runs up and down.
    range: Option<(Grams, Grams)>,
    runs: (u32, u32),
    level: Option<Grams>,
    /// A load was set down, and the lowest level since.
    fell: bool,
    low: Option<Grams>,
    zeros: Vec<Grams>,
    base: Option<Grams>,
    below: u8,
    above: u8,
    noisy: u8,
    quiet: u8,
    off: u8,
    at_one: u8,
    reads: Reads,
    /// A bit a finding.
    standing: u16,
    /// What is taken off the cell's reading.
    correction: Grams,
}

/// Whether the signal that leads is read at all.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(default))]
struct Reads {
    /// It was, at some time: a mechanism without one has nothing to miss.
    ever: bool,
    /// In a run, and whether it was read in it.
    run: Option<bool>,
    /// Runs in a row without it, and with it.
    without: u8,
    with: u8,
}

impl Watch {
    /// The findings that stand.
    pub fn standing(&self) -> impl Iterator<Item = Finding> + '_ {
        Finding::ALL.into_iter().filter(|finding| self.stands(*finding))
    }

    /// What is taken off a load signal before it is booked; zero where the terms do not allow it.
    pub fn correction(&self, terms: &Terms, rated: Grams) -> Grams {
        let most = terms.correct_zero.unwrap_or(0) * rated.get() / 1000;
        Grams::new(self.correction.get().clamp(-most, most))
    }

    /// How far the empty hook reads from where it began, less what is taken off for that, and the standard uncertainty of
    /// where it is: a quarter of the range of the last five (their deviation is 1/2.326 of it, their median's 0.54 of that;
    /// common practice, no source). Nothing before there were five.
    pub fn zero_off(&self, terms: &Terms, rated: Grams) -> (Grams, Grams) {
        let Some((base, first)) = self.base.zip(self.zeros.len().checked_sub(5)) else { return Default::default() };
        let mut last: Vec<i64> = self.zeros[first..].iter().map(|zero| zero.get()).collect();
        let off = median(&mut last) - base.get() - self.correction(terms, rated).get();
        (Grams::new(off), Grams::new(spread(&last) / 4))
    }

    fn stands(&self, finding: Finding) -> bool {
        self.standing & (1 << finding as u16) != 0
    }

    /// The site's clock was put right, or sight was lost: a standstill or run that is broken off says nothing.
    pub fn break_off(&mut self) {
        self.last = None;
        self.since = None;
        self.steady_since = None;
        self.level = None;
        self.fell = false;
        self.low = None;
        self.reads.run = None;
        self.readings.clear();
        self.apart.clear();
    }

    /// Takes the next sample as it was read.
    pub fn step(&mut self, terms: &Terms, spec: &Spec, sample: &Sample, out: &mut impl FnMut(Note)) {
        let cell = sample.load().map(|signal| spec.payload(signal));
        let (at, motion) = (sample.at, Motion::of(sample, spec));
        let is_read = match terms.lead {
            Lead::Cell => cell.is_some(),
            Lead::Torque => sample.get(Quantity::Torque).is_some(),
        };
        Look { watch: self, terms, spec, at, out: &mut *out }.is_read(motion, is_read);
        if cell.is_none() && (terms.calibration.is_none() || sample.get(Quantity::Torque).is_none()) {
            return;
        }
        if self.last.is_some_and(|(before, ..)| at < before || at.since(before) > spec.stale_after) {
            self.break_off();
        }
        let before = self.last.map_or(Motion::Unknown, |last| last.1);
        let mut look = Look { watch: self, terms, spec, at, out };
        if before != motion {
            look.end_stretch(before);
            look.begin_stretch(before, motion);
        }
        let torque = look.torque(sample, motion);
        let watch = &mut *look.watch;
        watch.last = Some((at, motion, sample.get(Quantity::Speed)));
        let new = match terms.lead {
            // A load at rest tells its weight, one that is being taken up does not.
            Lead::Cell => cell.filter(|_| motion == Motion::Still && watch.lasts(at) >= SWING),
            Lead::Torque => torque,
        };
        keep(&mut watch.readings, new.map(|load| (at, load)));
        // With an empty hook two signals agree that have nothing else in common.
        let much = Grams::new(spec.rated.get() / LOADED);
        let both = cell.zip(torque).filter(|(cell, torque)| *cell.max(torque) >= much);
        let apart = both.map(|(cell, torque)| Grams::new(cell.get() - torque.get()));
        keep(&mut watch.apart, apart.map(|apart| (at, apart)));
        if motion.runs() {
            let (number, load) = match terms.lead {
                Lead::Cell => (sample.get(Quantity::Load), cell),
                Lead::Torque => (sample.get(Quantity::Torque), torque),
            };
            if let Some(number) = number {
                look.number(number, load);
            }
            if let Some(load) = load {
                let band = look.limit(BAND);
                look.range(load, band);
            }
        }
    }

    /// As [`Watch::step`] for each of a run of samples: they follow each other in time within the stale limit, and the
    /// same signals were read in all, the two-state ones as in the first.
    pub(crate) fn step_run(&mut self, terms: &Terms, spec: &Spec, rows: impl Rows, out: &mut impl FnMut(Note)) {
        let Some(count) = rows.len().checked_sub(1) else { return };
        let first = rows.sample(0);
        self.step(terms, spec, &first, out);
        if count == 0 {
            return;
        }
        if terms.calibration.is_some() || terms.lead != Lead::Cell {
            (1..=count).for_each(|i| self.step(terms, spec, &rows.sample(i), out));
            return;
        }
        if first.load().is_none() {
            return;
        }
        let motion = Motion::of(&first, spec);
        self.last = Some((rows.at(count), motion, rows.sample(count).get(Quantity::Speed)));
        if motion == Motion::Still {
            // More than these are not kept.
            let latest = (count + 1).saturating_sub(READINGS.0).max(1)..=count;
            let rest = latest.clone().find(|i| self.lasts(rows.at(*i)) >= SWING).map_or(0, |first| count + 1 - first);
            let over = (self.readings.len() + rest).saturating_sub(READINGS.0);
            self.readings.drain(..over.min(self.readings.len()));
            let reading = |i| (rows.at(i), spec.payload(Grams::new(rows.load(i))));
            self.readings.extend((count + 1 - rest..=count).map(reading));
        }
        if motion.runs() {
            let mut look = Look { watch: self, terms, spec, at: first.at, out };
            let band = look.limit(BAND);
            let mut i = 1;
            while i <= count {
                i += look.watch.nothing_to_say(spec, band, rows.after(i));
                if i <= count {
                    let load = spec.payload(Grams::new(rows.load(i)));
                    look.at = rows.at(i);
                    look.number(rows.load(i), Some(load));
                    look.range(load, band);
                    i += 1;
                }
            }
        }
    }

    /// Takes readings of a run as [`Look::number`] and [`Look::range`] do, up to one of which they might have to tell; how
    /// many.
    fn nothing_to_say(&mut self, spec: &Spec, band: i64, rows: impl Rows) -> usize {
        if rows.even().is_some_and(|(_, _, loads)| self.takes_all(spec, band, loads).is_some()) {
            return rows.len();
        }
        let stands = self.stands(Finding::Stuck) || self.stands(Finding::NeverChanges);
        let (Some(mut number), Some((mut low, mut high)), false) = (self.number, self.range, stands) else { return 0 };
        let ((mut same, mut starts), (mut readings, mut changes)) = (self.same, self.lively);
        let mut runs = self.runs;
        let mut taken = 0;
        for now in rows.loads() {
            if runs.0.min(runs.1) >= STARTS {
                break;
            }
            if now == number {
                if same >= SAME.0 - 1 && starts >= SAME.1[0] {
                    break;
                }
                same += 1;
            } else {
                number = now;
                readings += u64::from(same) + 1;
                changes += 1;
                if changes > 10 * LIVELY.0 {
                    (readings, changes) = (readings / 2, changes / 2);
                }
                (same, starts) = (0, 0);
            }
            let load = spec.payload(Grams::new(now));
            (low, high) = (low.min(load), high.max(load));
            if high.get() - low.get() > band {
                (low, high, runs) = (load, load, (0, 0));
            }
            taken += 1;
        }
        self.number = Some(number);
        self.range = Some((low, high));
        (self.same, self.lively, self.runs) = ((same, starts), (readings, changes), runs);
        taken
    }

    /// As [`Watch::nothing_to_say`] for all readings together, where no number can have been read for long, and all stay
    /// within the range of a load that does not change, but no such load has been seen for long; `None` where that is not so.
    fn takes_all(&mut self, spec: &Spec, band: i64, loads: &[i32]) -> Option<()> {
        let (number, (low, high)) = (self.number?, self.range?);
        let (first, last) = (*loads.first()?, *loads.last()?);
        let stands = self.stands(Finding::Stuck) || self.stands(Finding::NeverChanges);
        let changes = usize::from(number != i64::from(first))
            + loads.windows(2).map(|pair| u32::from(pair[0] != pair[1])).sum::<u32>() as usize;
        let longest = self.same.0 as usize + loads.len() - changes;
        let halved = self.lively.1 + changes as u64 > 10 * LIVELY.0;
        if stands || halved || longest + 1 >= SAME.0 as usize || self.runs.0.min(self.runs.1) >= STARTS {
            return None;
        }
        let (least, most) = loads.iter().fold((first, first), |(least, most), &load| (least.min(load), most.max(load)));
        let payload = |load: i32| spec.payload(Grams::new(i64::from(load)));
        let (low, high) = (low.min(payload(least)), high.max(payload(most)));
        if high.get() - low.get() > band {
            return None;
        }
        if changes > 0 {
            let since = loads.iter().rev().take_while(|load| **load == last).count();
            self.lively.0 += u64::from(self.same.0) + (loads.len() - since) as u64 + 1;
            self.lively.1 += changes as u64;
            self.same = (since as u32 - 1, 0);
        } else {
            self.same.0 += loads.len() as u32;
        }
        (self.number, self.range) = (Some(i64::from(last)), Some((low, high)));
        Some(())
    }

    fn lasts(&self, at: Timestamp) -> Span {
        self.since.map_or(Span::ZERO, |since| at.since(since))
    }
}

/// A look at one sample.
struct Look<'a, F> {
    watch: &'a mut Watch,
    terms: &'a Terms,
    spec: &'a Spec,
    at: Timestamp,
    out: &'a mut F,
}

impl<F: FnMut(Note)> Look<'_, F> {
    fn limit(&self, thousandths: i64) -> i64 {
        self.spec.rated.get() * thousandths / 1000
    }

    fn say(&mut self, finding: Finding, raised: bool, by: Grams) {
        if self.watch.stands(finding) != raised {
            self.watch.standing ^= 1 << finding as u16;
            (self.out)(Note { finding, raised, at: self.at, signal: self.terms.lead, by });
        }
    }

    /// Whether the signal that leads was read.
    fn is_read(&mut self, motion: Motion, is_read: bool) {
        let reads = &mut self.watch.reads;
        reads.ever |= is_read;
        if motion.runs() {
            reads.run = Some(is_read || reads.run == Some(true));
            return;
        }
        let Some(was_read) = reads.run.take() else { return };
        (reads.with, reads.without) =
            if was_read { (reads.with.saturating_add(1), 0) } else { (0, reads.without.saturating_add(1)) };
        if reads.without >= RUNS && reads.ever {
            self.say(Finding::NotRead, true, Grams::ZERO);
        } else if reads.with >= RUNS {
            self.say(Finding::NotRead, false, Grams::ZERO);
        }
    }

    /// What the torque of this sample says of the load.
    fn torque(&mut self, sample: &Sample, motion: Motion) -> Option<Grams> {
        let calibration = self.terms.calibration.as_ref()?;
        let steady = motion.runs()
            && self.watch.last.is_some_and(|(before, last, was)| {
                let passed = self.at.since(before).as_ms();
                last == motion && is_steady(Some(calibration), sample.get(Quantity::Speed), was, passed)
            });
        if !steady {
            self.watch.steady_since = None;
            return None;
        }
        let since = *self.watch.steady_since.get_or_insert(self.at);
        let curve = if motion == Motion::Up { &calibration.raising } else { &calibration.lowering };
        sample.get(Quantity::Torque).filter(|_| self.at.since(since) >= calibration.settle).map(|t| curve.load(t))
    }

    fn begin_stretch(&mut self, before: Motion, motion: Motion) {
        let watch = &mut *self.watch;
        watch.since = Some(self.at);
        watch.readings.clear();
        watch.apart.clear();
        if motion.runs() {
            watch.raised = motion == Motion::Up;
            if !before.runs() {
                let runs = &mut watch.runs;
                *(if motion == Motion::Up { &mut runs.0 } else { &mut runs.1 }) += 1;
                watch.same.1 += 1;
            }
        }
    }

    /// A standstill or a run is over: its level and its scatter are known.
    fn end_stretch(&mut self, motion: Motion) {
        // Readings of a run that slows down, where its speed is not read, do not hold.
        let tail = self.terms.calibration.as_ref().map_or(Span::ZERO, |calibration| calibration.tail);
        let holds = |stretch: &[(Timestamp, Grams)], at: Timestamp| -> Vec<i64> {
            stretch.iter().filter(|(when, _)| at.since(*when) >= tail).map(|(_, load)| load.get()).collect()
        };
        let mut apart = holds(&self.watch.apart, self.at);
        if motion.runs() && apart.len() >= READINGS.1 {
            self.apart(median(&mut apart));
        }
        let mut loads = match self.terms.lead {
            Lead::Cell if motion == Motion::Still => self.watch.readings.iter().map(|(_, load)| load.get()).collect(),
            Lead::Torque if motion.runs() => holds(&self.watch.readings, self.at),
            _ => return,
        };
        // One number over and over is neither a level nor quiet.
        if loads.len() < READINGS.1 || self.watch.stands(Finding::Stuck) {
            return;
        }
        let mut steps: Vec<i64> = loads.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect();
        // Half of the differences of readings of standard deviation σ lie within 0.954 σ.
        let deviation = median(&mut steps) * 1000 / 954;
        if !self.scatter(deviation) {
            self.level(median(&mut loads));
        }
    }

    /// Whether it is beyond its bound.
    fn scatter(&mut self, deviation: i64) -> bool {
        let wild = deviation > self.limit(NOISE);
        let watch = &mut *self.watch;
        (watch.noisy, watch.quiet) =
            if wild { (watch.noisy.saturating_add(1), 0) } else { (0, watch.quiet.saturating_add(1)) };
        if watch.noisy >= LEVELS {
            self.say(Finding::Noise, true, Grams::new(deviation));
        } else if watch.quiet >= LEVELS {
            self.say(Finding::Noise, false, Grams::new(deviation));
        }
        wild
    }

    fn level(&mut self, level: i64) {
        let (sign, fall, laid) = (self.limit(SIGN), self.limit(FALL), self.limit(LAID));
        let dead = if self.spec.gross_signal { self.spec.dead_load.get() } else { 0 };
        let now = Grams::new(level);
        if level < -sign - dead {
            self.watch.below = self.watch.below.saturating_add(1);
            self.watch.above = 0;
            // Neither this nor what comes next says anything of an empty hook.
            self.watch.level = None;
            self.watch.fell = false;
            self.watch.low = None;
            if self.watch.below >= LEVELS {
                self.say(Finding::Sign, true, now);
            }
            return;
        }
        if level > sign {
            self.watch.below = 0;
            self.watch.above = self.watch.above.saturating_add(1);
            if self.watch.above >= LEVELS {
                self.say(Finding::Sign, false, now);
            }
        }
        let before = self.watch.level.replace(now);
        let base = self.watch.base.map_or(0, Grams::get);
        let hangs = self.watch.raised || level >= base - laid;
        if before.is_some_and(|before| before.get() - level > fall) {
            self.watch.fell = true;
        }
        if !self.watch.fell {
            return;
        }
        let lowest = self.watch.low.or(before).map_or(level, Grams::get);
        if level - lowest > fall {
            self.watch.fell = false;
            if let Some(zero) = self.watch.low.take() {
                self.zero(zero);
            }
        } else if hangs && self.watch.low.is_none_or(|low| level < low.get()) {
            self.watch.low = Some(now);
        }
    }

    /// An empty hook between two loads.
    fn zero(&mut self, zero: Grams) {
        let zeros = &mut self.watch.zeros;
        zeros.push(zero);
        if zeros.len() > 7 {
            zeros.remove(0);
        }
        let all: Vec<i64> = zeros.iter().map(|zero| zero.get()).collect();
        let Some(last) = all.len().checked_sub(5).map(|first| &all[first..]) else { return };
        let base = self.watch.base.get_or_insert_with(|| Grams::new(median(&mut last.to_vec()))).get();
        let agree = self.limit(AGREE);
        if let ([a, b, c], four) = all.split_at(all.len() - 4)
            && spread(&[*a, *b, *c]) <= agree
            && spread(four) <= agree
        {
            let jump = median(&mut four.to_vec()) - median(&mut [*a, *b, *c]);
            let back = (median(&mut four.to_vec()) - base).abs() <= agree;
            if jump.abs() > self.limit(STEP) && !back {
                self.say(Finding::Step, true, Grams::new(jump));
            }
        }
        let off = median(&mut last.to_vec()) - base;
        if off.abs() > self.limit(DRIFT) {
            // What jumped has not crept.
            if !self.watch.stands(Finding::Step) && spread(last) <= self.limit(DRIFT) {
                self.say(Finding::ZeroDrift, true, Grams::new(off));
            }
        } else if off.abs() <= self.limit(DRIFT) / 2 {
            self.say(Finding::ZeroDrift, false, Grams::new(off));
            self.say(Finding::Step, false, Grams::new(off));
        }
        if spread(last) <= agree {
            self.correct(off);
        }
    }

    /// The correction follows a drift, but no jump.
    fn correct(&mut self, off: i64) {
        let Some(bound) = self.terms.correct_zero.filter(|_| self.terms.lead == Lead::Cell) else { return };
        if self.watch.stands(Finding::Step) {
            return;
        }
        let (most, enough) = (self.limit(bound), self.limit(CORRECTED));
        let near_zero = off.abs() < enough;
        let wanted = if near_zero { 0 } else { off.clamp(-most, most) };
        let moved = (wanted - self.watch.correction.get()).abs();
        if moved == 0 || (moved < enough && wanted.abs() < most && !near_zero) {
            return;
        }
        let by = Grams::new(wanted);
        self.watch.correction = by;
        // Each step of it is told, not only the first.
        let bit = 1 << Finding::ZeroCorrected as u16;
        self.watch.standing = if near_zero { self.watch.standing & !bit } else { self.watch.standing | bit };
        let (at, signal) = (self.at, self.terms.lead);
        (self.out)(Note { finding: Finding::ZeroCorrected, raised: !near_zero, at, signal, by });
    }

    /// The number that was read while the hoist ran.
    #[inline]
    fn number(&mut self, number: i64, load: Option<Grams>) {
        let end = self.spec.lift.end;
        let watch = &mut *self.watch;
        if watch.number != Some(number) {
            watch.number = Some(number);
            let (readings, changes) = &mut watch.lively;
            *readings += u64::from(watch.same.0) + 1;
            *changes += 1;
            if *changes > 10 * LIVELY.0 {
                (*readings, *changes) = (*readings / 2, *changes / 2);
            }
            watch.same = (0, 0);
            self.say(Finding::Stuck, false, load.unwrap_or_default());
            return;
        }
        watch.same.0 += 1;
        let ((readings, changes), (same, starts)) = (watch.lively, watch.same);
        let lively = changes >= LIVELY.0 && readings <= changes * LIVELY.1;
        let empty = load.is_none_or(|load| load < end);
        if lively && same >= SAME.0 && starts >= SAME.1[usize::from(empty)] {
            self.say(Finding::Stuck, true, load.unwrap_or_default());
        }
    }

    /// How far the load has moved through how many runs; `band`: the limit of [`BAND`].
    #[inline]
    fn range(&mut self, load: Grams, band: i64) {
        let watch = &mut *self.watch;
        let (low, high) = watch.range.map_or((load, load), |(low, high)| (low.min(load), high.max(load)));
        if high.get() - low.get() > band {
            watch.range = Some((load, load));
            watch.runs = (0, 0);
            self.say(Finding::NeverChanges, false, load);
            return;
        }
        watch.range = Some((low, high));
        // A signal that is stuck is told of as such.
        if watch.runs.0.min(watch.runs.1) >= STARTS && !watch.stands(Finding::Stuck) {
            self.say(Finding::NeverChanges, true, load);
        }
    }

    /// By how much the cell of a run read more than its torque.
    fn apart(&mut self, apart: i64) {
        let far = apart.abs() > self.limit(DISAGREE);
        let watch = &mut *self.watch;
        (watch.off, watch.at_one) =
            if far { (watch.off.saturating_add(1), 0) } else { (0, watch.at_one.saturating_add(1)) };
        if watch.off >= RUNS {
            self.say(Finding::Disagrees, true, Grams::new(apart));
        } else if watch.at_one >= RUNS {
            self.say(Finding::Disagrees, false, Grams::new(apart));
        }
    }
}

fn keep(readings: &mut Vec<(Timestamp, Grams)>, new: Option<(Timestamp, Grams)>) {
    let Some(new) = new else { return };
    if readings.len() == READINGS.0 {
        readings.remove(0);
    }
    readings.push(new);
}

/// The upper one of the middle two where their count is even; of none, zero.
fn median(values: &mut [i64]) -> i64 {
    if let Some(median) = few_median(values) {
        return median;
    }
    values.sort_unstable();
    values.get(values.len() / 2).copied().unwrap_or(0)
}

/// [`median`] of up to sixteen numbers that are not far apart: the greatest of those with at most half of them below. Readings
/// come in no order, so that each branch of a sort would be a guess; here is none.
fn few_median(values: &[i64]) -> Option<i64> {
    const FEW: usize = 16;
    let least = *values.iter().min()?;
    let mut above = [i32::MAX; FEW];
    for (above, value) in above.get_mut(..values.len())?.iter_mut().zip(values) {
        *above = i32::try_from(value.checked_sub(least)?).ok()?;
    }
    let mut below = [0; FEW];
    for &other in &above[..values.len()] {
        for (below, value) in below.iter_mut().zip(&above) {
            *below += i32::from(other < *value);
        }
    }
    let half = (values.len() / 2) as i32;
    let low = |(value, below): (&i32, &i32)| if *below <= half { *value } else { 0 };
    above[..values.len()].iter().zip(&below).map(low).max().map(|above| least + i64::from(above))
}

fn spread(values: &[i64]) -> i64 {
    let (least, most) = (values.iter().min(), values.iter().max());
    most.zip(least).map_or(0, |(most, least)| most - least)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_median_of_few_is_that_of_their_order(
            mut values in prop_oneof![
                proptest::collection::vec(-20_i64..20, 0..20),
                proptest::collection::vec(-500_000_000_i64..2_000_000_000, 0..20),
                proptest::collection::vec(any::<i64>(), 0..20),
            ],
        ) {
            let median = median(&mut values.clone());
            values.sort_unstable();
            prop_assert_eq!(median, values.get(values.len() / 2).copied().unwrap_or(0));
        }
    }
}
