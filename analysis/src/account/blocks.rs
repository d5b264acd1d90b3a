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
use crate::lift::{LiftRun, LiftSteady};
use crate::recorder::{Calendar, Day};
use crate::sample::{Quantity, Sample};
use crate::spectrum::Totals;
use crate::units::{Grams, MS_PER_HOUR};

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
}

impl Columns {
    fn clear(&mut self) {
        self.payload.clear();
        self.load.clear();
        self.ms.clear();
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
        // A zero that is corrected can move with any sample.
        let as_read = self.terms.load.passes() && self.terms.load.correct_zero.is_none();
        if !as_read || self.books.periods.is_none() {
            return 0;
        }
        let Some(steady) = self.recorder.steady() else { return 0 };
        let (standing, running, day) = (steady.standing, steady.running, steady.day);
        let Some(hour) = &mut self.books.hour else { return 0 };
        // The hours of this day; those of another can be left open by a clock that was put right.
        let begins_in_it = hour.begin <= standing.at && standing.at < hour.end;
        if !begins_in_it || day.ends.since(hour.end).as_ms().rem_euclid(MS_PER_HOUR) != 0 {
            return 0;
        }
        if !self.books.duty.goes_on(standing.at, running) || self.books.ran_before != running {
            return 0;
        }
        let due = |counted: bool, watched: &Watched, quantity: Quantity| {
            let Some(value) = standing.get(quantity).filter(|_| counted) else { return false };
            watched.look || watched.last != Some(value) || self.books.gaps.waits_for_counter()
        };
        let (hours, starts) = (self.terms.hour_counter.is_some(), self.terms.start_counter.is_some());
        if due(hours, &self.books.hours, Quantity::RunHours) || due(starts, &self.books.starts, Quantity::Starts) {
            return 0;
        }

        let spec = self.recorder.spec().clone();
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
            return 0;
        }
        // One comparison each: what lies below the range wraps round to far above it.
        let width = most.wrapping_sub(least) as u64;
        // What was not read is the same in all that read alike.
        let counters = Counters {
            hours: hours && standing.get(Quantity::RunHours).is_some(),
            starts: starts && standing.get(Quantity::Starts).is_some(),
        };
        if R::ALIKE && !rows.goes_on(0, &standing, counters) {
            return 0;
        }
        let (mut at, mut signal, mut taken) = (standing.at.as_ms(), standing.raw_load(), 0);
        for (now, load) in rows.times().zip(rows.loads()) {
            // Counted is what stood until this sample. A time that no 64 bits hold is negative here.
            let ms = now.wrapping_sub(at);
            let goes_on = signal.wrapping_sub(least) as u64 <= width
                && (ms.wrapping_sub(1) as u64) < longest as u64
                && now < until.as_ms()
                && (R::ALIKE || rows.goes_on(taken, &standing, counters));
            if !goes_on {
                break;
            }
            (at, signal, taken) = (now, load, taken + 1);
        }
        let Some(earlier) = taken.checked_sub(1) else { return 0 };
        let (run, earlier) = (rows.up_to(taken), rows.up_to(earlier));
        let last = run.sample(earlier.len());
        let before = if earlier.len() == 0 { standing } else { earlier.sample(earlier.len() - 1) };
        if running {
            self.books.ran_at = before.get(Quantity::Speed);
        }
        let payload = |signal: i64| Grams::new(signal - tare);
        let columns = &mut self.columns;
        columns.clear();
        if running || !steady.lift.empty {
            columns.payload.push(payload(standing.raw_load()));
            columns.payload.extend(earlier.loads().map(payload));
            let first = std::iter::once(standing.at.as_ms());
            let ms = run.times().zip(first.chain(earlier.times())).map(|(at, before)| at.wrapping_sub(before) as u32);
            columns.ms.extend(ms);
        }
        if running {
            let booked = |payload: &Grams| Grams::new(payload.get().max(0) + spec.dead_load.get());
            columns.load.extend(columns.payload.iter().map(booked));
        }
        let (last_payload, total_ms) = (payload(before.raw_load()), last.at.since(standing.at).as_ms() as u64);
        // The health of the load's signal hangs on nothing else in the account.
        self.health.step_run(&self.terms.load, &spec, run, &mut |note| out(Entry::Health(note)));
        let slot = slot(day.number, day.ends.since(standing.at).as_ms());
        self.book_run(&last, last_payload, running, total_ms, slot);
        run.len()
    }

    fn book_run(&mut self, last: &Sample, payload: Grams, running: bool, total_ms: u64, slot: usize) {
        let (columns, books) = (&mut self.columns, &mut self.books);
        let mut sums = Totals { observed_ms: total_ms, ..Totals::default() };
        if running {
            sums.book_columns(&columns.load, &columns.ms, self.recorder.spec().base());
            if let Some(hour) = &mut books.hour {
                hour.running_ms += total_ms;
                hour.cube_ms = hour.cube_ms.saturating_add(sums.cube_ms);
            }
            books.wear.ran(total_ms);
            books.hours.own = books.hours.own.saturating_add(total_ms as i64);
            columns.pending.add_columns(&columns.load, &columns.ms);
            books.load_before = columns.load.last().copied();
        }
        books.duty.go_on(last.at, running, total_ms);
        books.gaps.watch(slot, Some(running), total_ms, self.terms.hour_counter.is_some());
        let lift = LiftRun { payloads: &columns.payload, ms: &columns.ms, total_ms, last: payload, running };
        self.recorder.book_run(&sums, &lift, last);
    }
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
