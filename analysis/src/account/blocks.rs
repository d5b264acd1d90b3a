//! Many samples at once: [`Account::step_all`] and [`Account::step_batch`].
//!
//! Most samples change nothing but sums: the hoist goes on running or standing, the load goes on hanging or the hook
//! goes on being empty, or a time that confirms the one or the other goes on, within one hour of the site's clock. Such a
//! run of samples is gathered into columns and booked column by column; whatever could be told, opened or closed by a
//! sample is left to [`Account::step`]. Sums are integers, so both ways give the same bits (`analysis/tests/blocks.rs`).

use super::{Account, Entry, Watched};
use crate::batch::{Batch, Counters, Piece, Rows};
use crate::gapbook::slot;
use crate::histogram::Pending;
use crate::lift::{LiftRun, LiftSteady, Payloads};
use crate::recorder::{Calendar, Day};
use crate::sample::{Quantity, Sample};
use crate::spectrum::{Bands, Totals};
use crate::units::{Grams, MS_PER_HOUR, Timestamp};

/// The readings of a run of samples. But for what is pending, empty between steps, and kept for their room.
#[derive(Clone, Debug, Default)]
pub(super) struct Columns {
    /// Of the open day's running time by load, not in its histogram yet.
    pub pending: Pending,
    /// Without dead load, where the hoist runs or its hook is not empty; times belong to them.
    payload: Vec<Grams>,
    /// As booked, where it runs.
    load: Vec<Grams>,
    ms: Vec<u32>,
    /// As `payload` and as `load`, grams, where all stand equally long.
    even: Vec<i32>,
    booked: Vec<u32>,
    /// Of the rated base.
    bands: Option<Bands>,
}

impl Columns {
    fn clear(&mut self) {
        self.payload.clear();
        self.load.clear();
        self.ms.clear();
        self.even.clear();
        self.booked.clear();
    }
}

impl Account {
    /// Takes samples in their order: the same as [`Account::step`] for each, to the bit, but several times faster where
    /// there are many of them.
    pub fn step_all(&mut self, samples: &[Sample], calendar: &impl Calendar, out: &mut impl FnMut(Entry)) {
        self.step_rows(samples, calendar, out);
    }

    /// As [`Account::step_all`], and faster again where the batch holds columns.
    pub fn step_batch(&mut self, batch: &Batch, calendar: &impl Calendar, out: &mut impl FnMut(Entry)) {
        for piece in batch.pieces() {
            match piece {
                Piece::Samples(samples) => self.step_rows(samples, calendar, out),
                Piece::Alike(rows) => self.step_rows(rows, calendar, out),
                Piece::Even(rows) => self.step_rows(rows, calendar, out),
            }
        }
    }

    fn step_rows(&mut self, rows: impl Rows, calendar: &impl Calendar, out: &mut impl FnMut(Entry)) {
        let mut rest = rows;
        while rest.len() > 0 {
            rest = rest.after(self.take_run(rest, out));
            if rest.len() > 0 {
                self.step(&rest.sample(0), calendar, out);
                rest = rest.after(1);
            }
        }
    }

    /// Takes the samples at the front that change nothing but sums; how many they were.
    fn take_run<R: Rows>(&mut self, rows: R, out: &mut impl FnMut(Entry)) -> usize {
        // Most that is no run shows at once.
        if self.recorder.standing().is_none_or(|standing| !rows.reads_like(0, standing)) {
            return 0;
        }
        let Some(course) = self.course() else { return 0 };
        if R::ALIKE && !rows.goes_on(0, &course.standing, course.counters) {
            return 0;
        }
        match self.take_even(rows, &course, out) {
            Some(taken) => taken,
            None => self.take_columns(rows, &course, out),
        }
    }

    /// What samples must be like to change nothing but sums; `None` where that cannot be said.
    fn course(&self) -> Option<Course> {
        // A zero that is corrected can move with any sample.
        let as_read = self.terms.load.passes() && self.terms.load.correct_zero.is_none();
        if !as_read || self.books.periods.is_none() {
            return None;
        }
        let steady = self.recorder.steady()?;
        let (standing, running, day) = (steady.standing, steady.running, steady.day);
        let hour = self.books.hour.as_ref()?;
        // The hours of this day; those of another can be left open by a clock that was put right.
        let begins_in_it = hour.begin <= standing.at && standing.at < hour.end;
        if !begins_in_it || day.ends.since(hour.end).as_ms().rem_euclid(MS_PER_HOUR) != 0 {
            return None;
        }
        if !self.books.duty.goes_on(standing.at, running) || self.books.ran_before != running {
            return None;
        }
        let due = |counted: bool, watched: &Watched, quantity: Quantity, waits: bool| {
            let Some(value) = standing.get(quantity).filter(|_| counted) else { return false };
            watched.look || watched.last != Some(value) || waits
        };
        let (hours, starts) = (self.terms.hour_counter.is_some(), self.terms.start_counter.is_some());
        let gaps = &self.books.gaps;
        if due(hours, &self.books.hours, Quantity::RunHours, gaps.waits_for_hours())
            || due(starts, &self.books.starts, Quantity::Starts, gaps.waits_for_starts())
        {
            return None;
        }

        let spec = self.recorder.spec();
        let (low, high) = steady.lift.payloads;
        let mut until = hour.end.min(day.ends);
        if let Some(before) = steady.lift.before {
            until = until.min(before);
        }
        let tare = if spec.gross_signal { spec.dead_load.get() } else { 0 };
        // The signal's range within which the payload stays in its own, whatever is brought into the range of its type.
        let least = (low.get() + tare).max(Grams::MIN.get());
        let least = if low == Grams::MIN { Grams::MIN.get() } else { least };
        let most = (high.get() + tare).min(Grams::MAX.get());
        let longest = spec.stale_after.as_ms().min(i64::from(u32::MAX));
        if most < least || longest <= 0 {
            return None;
        }
        // What was not read is the same in all that read alike.
        let counters = Counters {
            hours: hours && standing.get(Quantity::RunHours).is_some(),
            starts: starts && standing.get(Quantity::Starts).is_some(),
        };
        let empty = steady.lift.empty;
        let dead = spec.dead_load.get();
        Some(Course { standing, running, day, empty, until, signals: (least, most), tare, dead, longest, counters })
    }

    fn take_columns<R: Rows>(&mut self, rows: R, course: &Course, out: &mut impl FnMut(Entry)) -> usize {
        let &Course { standing, running, signals: (least, most), tare, dead, longest, .. } = course;
        // One comparison each: what lies below the range wraps round to far above it.
        let width = most.wrapping_sub(least) as u64;
        let (mut at, mut signal, mut taken) = (standing.at.as_ms(), standing.raw_load(), 0);
        for (now, load) in rows.times().zip(rows.loads()) {
            // Counted is what stood until this sample. A time that no 64 bits hold is negative here.
            let ms = now.wrapping_sub(at);
            let goes_on = signal.wrapping_sub(least) as u64 <= width
                && (ms.wrapping_sub(1) as u64) < longest as u64
                && now < course.until.as_ms()
                && (R::ALIKE || rows.goes_on(taken, &standing, course.counters));
            if !goes_on {
                break;
            }
            (at, signal, taken) = (now, load, taken + 1);
        }
        let Some(earlier) = taken.checked_sub(1) else { return 0 };
        let (run, earlier) = (rows.up_to(taken), rows.up_to(earlier));
        let payload = |signal: i64| Grams::new(signal - tare);
        let columns = &mut self.columns;
        columns.clear();
        if running || !course.empty {
            columns.payload.push(payload(standing.raw_load()));
            columns.payload.extend(earlier.loads().map(payload));
            let first = std::iter::once(standing.at.as_ms());
            let ms = run.times().zip(first.chain(earlier.times())).map(|(at, before)| at.wrapping_sub(before) as u32);
            columns.ms.extend(ms);
        }
        let mut sums = Totals::default();
        if running {
            let booked = |payload: &Grams| Grams::new(payload.get().max(0) + dead);
            columns.load.extend(columns.payload.iter().map(booked));
            sums.book_columns(&columns.load, &columns.ms, self.recorder.spec().base());
            columns.pending.add_columns(&columns.load, &columns.ms);
            self.books.load_before = columns.load.last().copied();
        }
        self.book_run(run, sums, None, course, out);
        taken
    }

    /// As [`Account::take_columns`], where all samples come at one step after each other and all readings are within the
    /// range of a load: the least and the greatest of them say most of what has to be said of each. `None` where they do
    /// not come so.
    fn take_even<R: Rows>(&mut self, rows: R, course: &Course, out: &mut impl FnMut(Entry)) -> Option<usize> {
        let (step, first, loads) = rows.even()?;
        let &Course { standing, running, signals: (least, most), tare, dead, until, .. } = course;
        let after = first.checked_sub(standing.at.as_ms())?;
        if after != step || step <= 0 || step > course.longest {
            return None;
        }
        // An instant beyond 64 bits cannot be named by `first`, a span to one can.
        let left = until.since(Timestamp::from_ms(first)).as_ms();
        if left <= 0 {
            return Some(0);
        }
        let whole = step.saturating_mul(loads.len() as i64 - 1);
        let allowed = if whole < left { loads.len() } else { ((left - 1) / step) as usize + 1 };
        let now = i32::try_from(standing.raw_load()).ok()?;
        let (least, most) = (i32::try_from(least).ok()?, i32::try_from(most).ok()?);
        if now < least || most < now {
            return Some(0);
        }
        // Counted is what stood until each of them: the last one's own reading is not asked of.
        let (counted, (low, high)) = within(loads.get(..allowed.checked_sub(1)?)?, now, (least, most));
        let (run, earlier) = (rows.up_to(counted + 1), &loads[..counted]);
        // What is brought into the range of a load is left to the columns.
        let (low, high) = (i64::from(low) - tare, i64::from(high) - tare);
        if low < Grams::MIN.get() || high > Grams::MAX.get() || high.max(0) + dead > Grams::MAX.get() {
            return None;
        }
        let ms = step as u32;
        let columns = &mut self.columns;
        columns.clear();
        if running || !course.empty {
            columns.even.push(now.wrapping_sub(tare as i32));
            columns.even.extend(earlier.iter().map(|load| load.wrapping_sub(tare as i32)));
        }
        let mut sums = Totals::default();
        if running {
            let booked = |payload: i64| payload.max(0).wrapping_add(dead) as u32;
            columns.booked.extend(columns.even.iter().map(|payload| (*payload).max(0) as u32 + dead as u32));
            let range = (booked(low), booked(high));
            let base = self.recorder.spec().base();
            let bands = columns.bands.take().filter(|bands| bands.rated() == base).unwrap_or_else(|| Bands::of(base));
            sums.book_even(&columns.booked, ms, range, &bands);
            columns.bands = Some(bands);
            columns.pending.add_even(&columns.booked, ms, range);
            self.books.load_before = columns.booked.last().map(|load| Grams::new(i64::from(*load)));
        }
        self.book_run(run, sums, Some((ms, (low as i32, high as i32))), course, out);
        Some(counted + 1)
    }

    /// Books the samples of a run, of whose readings `sums` are. `even`: the milliseconds of each and the range of their
    /// payloads, where they stand in the column for that.
    fn book_run<R: Rows>(
        &mut self,
        run: R,
        mut sums: Totals,
        even: Option<(u32, (i32, i32))>,
        course: &Course,
        out: &mut impl FnMut(Entry),
    ) {
        let &Course { standing, running, day, tare, .. } = course;
        let last = run.sample(run.len() - 1);
        let before = if run.len() == 1 { standing } else { run.sample(run.len() - 2) };
        let total_ms = last.at.since(standing.at).as_ms() as u64;
        // The health of the load's signal hangs on nothing else in the account.
        self.health.step_run(&self.terms.load, &self.spec, run, &mut |note| out(Entry::Health(note)));
        let books = &mut self.books;
        sums.observed_ms = total_ms;
        if running {
            books.ran_at = before.get(Quantity::Speed);
            if let Some(hour) = &mut books.hour {
                hour.running_ms += total_ms;
                hour.cube_ms = hour.cube_ms.saturating_add(sums.cube_ms);
            }
            books.wear.ran(total_ms);
            books.hours.own = books.hours.own.saturating_add(total_ms as i64);
        }
        let slot = slot(day.number, day.ends.since(standing.at).as_ms());
        books.duty.go_on(last.at, running, total_ms);
        books.gaps.watch(slot, Some(running), total_ms, self.terms.hour_counter.is_some());
        let payloads = match even {
            None => Payloads::Columns(&self.columns.payload, &self.columns.ms),
            Some((ms, range)) => Payloads::Even(&self.columns.even, ms, range),
        };
        let lift = LiftRun { payloads, total_ms, last: Grams::new(before.raw_load() - tare), running };
        self.recorder.book_run(&sums, &lift, &last);
    }
}

/// Readings that [`within`] looks at together: no branch hangs on one of them.
const AT_ONCE: usize = 64;

/// How many of the loads at the front are between `least` and `most`, and the range of them and of `now`.
fn within(loads: &[i32], now: i32, (least, most): (i32, i32)) -> (usize, (i32, i32)) {
    let (mut low, mut high, mut count) = (now, now, 0);
    for loads in loads.chunks(AT_ONCE) {
        let (mut lows, mut highs) = ([now; 4], [now; 4]);
        let (fours, few) = loads.as_chunks::<4>();
        for four in fours {
            for ((low, high), load) in lows.iter_mut().zip(&mut highs).zip(four) {
                (*low, *high) = ((*low).min(*load), (*high).max(*load));
            }
        }
        let lowest = lows.iter().chain(few).fold(low, |low, &load| low.min(load));
        let highest = highs.iter().chain(few).fold(high, |high, &load| high.max(load));
        if lowest < least || most < highest {
            for &load in loads.iter().take_while(|load| (least..=most).contains(load)) {
                (low, high, count) = (low.min(load), high.max(load), count + 1);
            }
            break;
        }
        (low, high, count) = (lowest, highest, count + loads.len());
    }
    (count, (low, high))
}

/// What samples must be like that only add to sums.
struct Course {
    /// The sample that stands, counted up to its own time.
    standing: Sample,
    running: bool,
    day: Day,
    /// Nothing is on the hook.
    empty: bool,
    /// Samples come before this.
    until: Timestamp,
    /// The least and the greatest signal, grams.
    signals: (i64, i64),
    /// What the signal contains beside the payload, grams.
    tare: i64,
    /// What is booked beside the payload, grams.
    dead: i64,
    /// The longest time between two samples, milliseconds.
    longest: i64,
    counters: Counters,
}

/// What [`Recorder::steady`](crate::recorder::Recorder) says: as long as it holds, samples only add to sums.
pub(crate) struct Steady {
    /// The sample that stands, counted up to its own time.
    pub standing: Sample,
    pub running: bool,
    pub day: Day,
    /// Of the lift detection.
    pub lift: LiftSteady,
}
