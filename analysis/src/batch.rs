//! Many samples at once: a [`Batch`], for [`Account::step_batch`](crate::account::Account::step_batch).

use crate::sample::{Quantity, Sample};
use crate::units::Timestamp;

/// Samples in their order. Such as follow each other and differ in nothing but time and load are held as two columns, or as
/// one, where they come at an even step.
///
/// ```
/// use tallyhook_analysis::batch::Batch;
/// use tallyhook_analysis::sample::{Quantity, Sample};
/// use tallyhook_analysis::units::Timestamp;
///
/// let mut first = Sample::at(Timestamp::from_ms(0));
/// first.set(Quantity::Load, Some(5_000_000));
/// let mut batch = Batch::default();
/// batch.push(first);
/// batch.push_alike(first, |at_ms, loads| {
///     at_ms.push(100);
///     loads.push(5_001_000);
/// });
/// let last = batch.iter().last().unwrap();
/// assert_eq!((batch.len(), last.at.as_ms(), last.get(Quantity::Load)), (2, 100, Some(5_001_000)));
/// batch.push_even(last, 100, |loads| loads.extend([5_002_000, 5_003_000]));
/// let last = batch.iter().last().unwrap();
/// assert_eq!((batch.len(), last.at.as_ms(), last.get(Quantity::Load)), (4, 300, Some(5_003_000)));
/// ```
#[derive(Clone, Debug, Default)]
pub struct Batch {
    parts: Vec<Part>,
    samples: Vec<Sample>,
    at_ms: Vec<i64>,
    loads: Vec<i64>,
    even_loads: Vec<i32>,
}

#[derive(Clone, Copy, Debug)]
enum Part {
    Samples(usize),
    Alike(Sample, usize),
    /// The sample before them, the step in milliseconds, and how many.
    Even(Sample, i64, usize),
}

/// Where a batch ended once.
#[derive(Clone, Copy, Debug)]
pub struct Mark {
    parts: usize,
    last: Option<Part>,
    samples: usize,
    rows: usize,
    even: usize,
}

/// A part of a batch.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Piece<'a> {
    Samples(&'a [Sample]),
    Alike(Alike<'a>),
    Even(Even<'a>),
}

impl Batch {
    /// How many samples there are.
    pub fn len(&self) -> usize {
        self.samples.len() + self.at_ms.len() + self.even_loads.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Empties it; its room is kept.
    pub fn clear(&mut self) {
        self.parts.clear();
        self.samples.clear();
        self.at_ms.clear();
        self.loads.clear();
        self.even_loads.clear();
    }

    /// Puts a sample at the end.
    #[inline]
    pub fn push(&mut self, sample: Sample) {
        match self.parts.last_mut() {
            Some(Part::Samples(count)) => *count += 1,
            _ => self.parts.push(Part::Samples(1)),
        }
        self.samples.push(sample);
    }

    /// Puts samples at the end that are like `like` but for their times in milliseconds and loads in grams: those that `fill`
    /// puts at the end of both columns, as many as both have. Each has a load, whether `like` has one or not.
    pub fn push_alike(&mut self, mut like: Sample, fill: impl FnOnce(&mut Vec<i64>, &mut Vec<i64>)) {
        let before = self.at_ms.len();
        fill(&mut self.at_ms, &mut self.loads);
        let rows = self.at_ms.len().min(self.loads.len());
        self.at_ms.truncate(rows);
        self.loads.truncate(rows);
        if like.load().is_none() {
            like.set(Quantity::Load, Some(0));
        }
        if rows > before {
            self.parts.push(Part::Alike(like, rows - before));
        }
    }

    /// As [`Batch::push_alike`], but the first comes `step_ms` after `like`, and each other as long after the one before it.
    pub fn push_even(&mut self, mut like: Sample, step_ms: i64, fill: impl FnOnce(&mut Vec<i32>)) {
        let before = self.even_loads.len();
        fill(&mut self.even_loads);
        if like.load().is_none() {
            like.set(Quantity::Load, Some(0));
        }
        if self.even_loads.len() > before {
            self.parts.push(Part::Even(like, step_ms, self.even_loads.len() - before));
        }
    }

    /// Where it ends now.
    pub fn mark(&self) -> Mark {
        let (parts, last) = (self.parts.len(), self.parts.last().copied());
        Mark { parts, last, samples: self.samples.len(), rows: self.at_ms.len(), even: self.even_loads.len() }
    }

    /// Takes back what was put in since `mark`.
    pub fn take_back(&mut self, mark: Mark) {
        self.parts.truncate(mark.parts);
        if let (Some(last), Some(then)) = (self.parts.last_mut(), mark.last) {
            *last = then;
        }
        self.samples.truncate(mark.samples);
        self.at_ms.truncate(mark.rows);
        self.loads.truncate(mark.rows);
        self.even_loads.truncate(mark.even);
    }

    /// Takes what is larger than this, up or down, as not read; how many readings that were, and when the first.
    pub fn disbelieve(&mut self, beyond: impl Fn(Quantity) -> Option<i64>) -> (u64, Option<Timestamp>) {
        let limits = Quantity::ALL.map(|quantity| (quantity, beyond(quantity).map_or(u64::MAX, i64::unsigned_abs)));
        let most = limits[Quantity::Load as usize].1;
        let sound = |sample: &Sample| {
            limits.iter().all(|&(quantity, most)| sample.get(quantity).is_none_or(|value| value.unsigned_abs() <= most))
        };
        let like = |part: &Part| match part {
            Part::Samples(_) => true,
            Part::Alike(like, _) | Part::Even(like, ..) => sound(like),
        };
        let found = !self.loads.iter().all(|load| load.unsigned_abs() <= most)
            || !self.even_loads.iter().all(|load| u64::from(load.unsigned_abs()) <= most)
            || !self.parts.iter().all(like)
            || !self.samples.iter().all(sound);
        if !found {
            return (0, None);
        }
        let (mut count, mut first) = (0, None);
        let samples: Vec<Sample> = self.iter().collect();
        self.clear();
        for mut sample in samples {
            for &(quantity, most) in &limits {
                if sample.get(quantity).is_some_and(|value| value.unsigned_abs() > most) {
                    sample.set(quantity, None);
                    count += 1;
                    first = first.or(Some(sample.at));
                }
            }
            self.push(sample);
        }
        (count, first)
    }

    /// All samples, one by one.
    pub fn iter(&self) -> impl Iterator<Item = Sample> + '_ {
        self.pieces().flat_map(|piece| {
            let count = match piece {
                Piece::Samples(samples) => samples.len(),
                Piece::Alike(rows) => rows.len(),
                Piece::Even(rows) => rows.len(),
            };
            (0..count).map(move |i| match piece {
                Piece::Samples(samples) => samples[i],
                Piece::Alike(rows) => rows.sample(i),
                Piece::Even(rows) => rows.sample(i),
            })
        })
    }

    pub(crate) fn pieces(&self) -> impl Iterator<Item = Piece<'_>> {
        let (mut samples, mut at_ms, mut loads) = (&self.samples[..], &self.at_ms[..], &self.loads[..]);
        let mut even_loads = &self.even_loads[..];
        self.parts.iter().map(move |part| match part {
            Part::Samples(count) => {
                let (these, rest) = samples.split_at(*count);
                samples = rest;
                Piece::Samples(these)
            }
            Part::Alike(like, count) => {
                let ((these_at, rest_at), (these_loads, rest_loads)) = (at_ms.split_at(*count), loads.split_at(*count));
                (at_ms, loads) = (rest_at, rest_loads);
                Piece::Alike(Alike { like, at_ms: these_at, loads: these_loads })
            }
            Part::Even(like, step_ms, count) => {
                let (loads, rest) = even_loads.split_at(*count);
                even_loads = rest;
                Piece::Even(Even { like, before_ms: like.at.as_ms(), step_ms: *step_ms, loads })
            }
        })
    }
}

/// Samples in a row, however they are held.
pub(crate) trait Rows: Copy {
    /// All read like the first, but for time and load.
    const ALIKE: bool;
    fn len(&self) -> usize;
    fn sample(&self, i: usize) -> Sample;
    fn at(&self, i: usize) -> Timestamp;
    /// As [`Sample::raw_load`].
    fn load(&self, i: usize) -> i64;
    /// Milliseconds of all times, in their order.
    fn times(&self) -> impl Iterator<Item = i64> + '_;
    /// [`Rows::load`] of all, in their order.
    fn loads(&self) -> impl Iterator<Item = i64> + '_;
    /// Whether a sample reads like another.
    fn reads_like(&self, i: usize, other: &Sample) -> bool;
    /// Whether a sample reads like another, and says the same of the counters where they are asked of.
    fn goes_on(&self, i: usize, other: &Sample, counters: Counters) -> bool;
    /// Those from `i` on.
    fn after(&self, i: usize) -> Self;
    /// Those up to `i`.
    fn up_to(&self, i: usize) -> Self;
    /// Where all come at one step after each other and all times are within 64 bits: the step in milliseconds, the first
    /// one's time, and all loads.
    fn even(&self) -> Option<(i64, i64, &[i32])> {
        None
    }
}

/// Which of a drive's counters are asked of.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Counters {
    pub hours: bool,
    pub starts: bool,
}

impl Counters {
    #[inline]
    fn say_as(self, sample: &Sample, other: &Sample) -> bool {
        (!self.hours || sample.says_as(other, Quantity::RunHours))
            && (!self.starts || sample.says_as(other, Quantity::Starts))
    }
}

impl Rows for &[Sample] {
    const ALIKE: bool = false;

    #[inline]
    fn len(&self) -> usize {
        (**self).len()
    }

    #[inline]
    fn sample(&self, i: usize) -> Sample {
        self[i]
    }

    #[inline]
    fn at(&self, i: usize) -> Timestamp {
        self[i].at
    }

    #[inline]
    fn load(&self, i: usize) -> i64 {
        self[i].raw_load()
    }

    #[inline]
    fn times(&self) -> impl Iterator<Item = i64> + '_ {
        self.iter().map(|sample| sample.at.as_ms())
    }

    #[inline]
    fn loads(&self) -> impl Iterator<Item = i64> + '_ {
        self.iter().map(Sample::raw_load)
    }

    #[inline]
    fn reads_like(&self, i: usize, other: &Sample) -> bool {
        self[i].reads_like(other)
    }

    #[inline]
    fn goes_on(&self, i: usize, other: &Sample, counters: Counters) -> bool {
        let sample = &self[i];
        sample.reads_like(other) && counters.say_as(sample, other)
    }

    fn after(&self, i: usize) -> Self {
        &self[i..]
    }

    fn up_to(&self, i: usize) -> Self {
        &self[..i]
    }
}

/// Rows of columns; both are of one length.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Alike<'a> {
    like: &'a Sample,
    at_ms: &'a [i64],
    loads: &'a [i64],
}

impl Rows for Alike<'_> {
    const ALIKE: bool = true;

    #[inline]
    fn len(&self) -> usize {
        self.at_ms.len().min(self.loads.len())
    }

    fn sample(&self, i: usize) -> Sample {
        let mut sample = *self.like;
        sample.at = self.at(i);
        sample.set(Quantity::Load, Some(self.loads[i]));
        sample
    }

    #[inline]
    fn at(&self, i: usize) -> Timestamp {
        Timestamp::from_ms(self.at_ms[i])
    }

    #[inline]
    fn load(&self, i: usize) -> i64 {
        self.loads[i]
    }

    #[inline]
    fn times(&self) -> impl Iterator<Item = i64> + '_ {
        self.at_ms.iter().copied()
    }

    #[inline]
    fn loads(&self) -> impl Iterator<Item = i64> + '_ {
        self.loads.iter().copied()
    }

    fn reads_like(&self, _: usize, other: &Sample) -> bool {
        self.like.reads_like(other)
    }

    fn goes_on(&self, _: usize, other: &Sample, counters: Counters) -> bool {
        self.like.reads_like(other) && counters.say_as(self.like, other)
    }

    fn after(&self, i: usize) -> Self {
        Alike { like: self.like, at_ms: &self.at_ms[i..], loads: &self.loads[i..] }
    }

    fn up_to(&self, i: usize) -> Self {
        Alike { like: self.like, at_ms: &self.at_ms[..i], loads: &self.loads[..i] }
    }
}

/// Rows at an even step, held as one column.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Even<'a> {
    like: &'a Sample,
    /// The time one step before the first of them.
    before_ms: i64,
    step_ms: i64,
    loads: &'a [i32],
}

impl Rows for Even<'_> {
    const ALIKE: bool = true;

    #[inline]
    fn len(&self) -> usize {
        self.loads.len()
    }

    fn sample(&self, i: usize) -> Sample {
        let mut sample = *self.like;
        sample.at = self.at(i);
        sample.set(Quantity::Load, Some(i64::from(self.loads[i])));
        sample
    }

    #[inline]
    fn at(&self, i: usize) -> Timestamp {
        Timestamp::from_ms(self.before_ms.wrapping_add(self.step_ms.wrapping_mul(i as i64 + 1)))
    }

    #[inline]
    fn load(&self, i: usize) -> i64 {
        i64::from(self.loads[i])
    }

    #[inline]
    fn times(&self) -> impl Iterator<Item = i64> + '_ {
        (0..self.loads.len()).map(|i| self.at(i).as_ms())
    }

    #[inline]
    fn loads(&self) -> impl Iterator<Item = i64> + '_ {
        self.loads.iter().copied().map(i64::from)
    }

    fn reads_like(&self, _: usize, other: &Sample) -> bool {
        self.like.reads_like(other)
    }

    fn goes_on(&self, _: usize, other: &Sample, counters: Counters) -> bool {
        self.like.reads_like(other) && counters.say_as(self.like, other)
    }

    fn after(&self, i: usize) -> Self {
        let before_ms = self.before_ms.wrapping_add(self.step_ms.wrapping_mul(i as i64));
        Even { before_ms, loads: &self.loads[i..], ..*self }
    }

    fn up_to(&self, i: usize) -> Self {
        Even { loads: &self.loads[..i], ..*self }
    }

    fn even(&self) -> Option<(i64, i64, &[i32])> {
        let whole = self.step_ms.checked_mul(self.loads.len() as i64)?;
        self.before_ms.checked_add(whole)?;
        Some((self.step_ms, self.before_ms.checked_add(self.step_ms)?, self.loads))
    }
}
