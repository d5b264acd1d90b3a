//! What the hoists do: two shifts a day, drawn from a seed, and what it adds up to by plain arithmetic.
//!
//! Times are milliseconds since the first morning, 06:00. Everything lies on a grain, the polling period, so that what
//! is seen of a stretch is all of it.

pub const HOUR_MS: i64 = 3_600_000;
pub const DAY_MS: i64 = 24 * HOUR_MS;
/// The drives are switched off so long after the morning.
pub const OFF_MS: i64 = 16 * HOUR_MS;
/// The change of shifts: nobody lifts.
pub const CHANGE_MS: (i64, i64) = (8 * HOUR_MS - 600_000, 8 * HOUR_MS + 600_000);

/// Something that lasts, up to `until_ms`.
#[derive(Clone, Copy, Debug)]
struct Stretch {
    until_ms: i64,
    load_kg: i64,
    up: bool,
    down: bool,
    /// Running time and starts before it.
    ran_ms: i64,
    starts: u64,
}

/// A lift as it is done.
#[derive(Clone, Copy, Debug)]
pub struct Planned {
    pub begin_ms: i64,
    pub end_ms: i64,
    pub load_kg: i64,
}

/// What a drive shows.
#[derive(Clone, Copy, Debug)]
pub struct Shown {
    pub load_kg: i64,
    pub up: bool,
    pub down: bool,
    pub ran_ms: i64,
    pub starts: u64,
}

/// The work of one hoist.
pub struct Work {
    stretches: Vec<Stretch>,
    pub lifts: Vec<Planned>,
    grain_ms: i64,
}

/// Sums of a day.
#[derive(Clone, Copy, Debug, Default)]
pub struct Sums {
    pub running_ms: i64,
    pub lifts: u64,
    /// Full-load time, hours: (P/rated)³ over running time.
    pub full_load_hours: f64,
}

impl Work {
    pub fn of(seed: u64, days: i64, grain_ms: i64) -> Self {
        let mut rng = fastrand::Rng::with_seed(seed);
        let mut work = Work { stretches: Vec::new(), lifts: Vec::new(), grain_ms };
        for day in 0..days {
            let shift = |from: i64, to: i64| (day * DAY_MS + from, day * DAY_MS + to);
            for (from, to) in [shift(1_200_000, CHANGE_MS.0), shift(CHANGE_MS.1, OFF_MS - 600_000)] {
                work.rest_until(from);
                // No cycle is longer than 40 grains.
                while work.until() + 40 * grain_ms < to {
                    work.cycle(&mut rng);
                }
            }
        }
        work.rest_until((days + 1) * DAY_MS);
        work
    }

    fn until(&self) -> i64 {
        self.stretches.last().map_or(0, |s| s.until_ms)
    }

    fn rest_until(&mut self, at_ms: i64) {
        let grains = (at_ms - self.until()) / self.grain_ms;
        self.push(grains, 0, false, false);
    }

    fn push(&mut self, grains: i64, load_kg: i64, up: bool, down: bool) {
        let begin = self.until();
        let before = self.at(begin - 1);
        let starts = before.starts + u64::from((up || down) && !(before.up || before.down));
        let until_ms = begin + grains * self.grain_ms;
        let ran_ms = self.stretches.last().map_or(0, |s| s.ran_ms + self.running_of(self.stretches.len() - 1));
        self.stretches.push(Stretch { until_ms, load_kg, up, down, ran_ms, starts });
    }

    fn running_of(&self, index: usize) -> i64 {
        let s = self.stretches[index];
        let begin = index.checked_sub(1).map_or(0, |i| self.stretches[i].until_ms);
        if s.up || s.down { s.until_ms - begin } else { 0 }
    }

    /// Up with a load, across, down, and at times back without.
    fn cycle(&mut self, rng: &mut fastrand::Rng) {
        let load_kg = rng.i64(1_000..=12_000);
        self.push(rng.i64(2..9), 0, false, false);
        let begin_ms = self.until();
        self.push(rng.i64(2..6), load_kg, true, false);
        self.push(rng.i64(1..5), load_kg, false, false);
        self.push(rng.i64(2..6), load_kg, false, true);
        let end_ms = self.until();
        self.push(rng.i64(2..5), 0, false, false);
        if rng.bool() {
            self.push(rng.i64(1..4), 0, true, false);
        }
        self.lifts.push(Planned { begin_ms, end_ms, load_kg });
    }

    /// What the drive shows then.
    pub fn at(&self, ms: i64) -> Shown {
        let index = self.stretches.partition_point(|s| s.until_ms <= ms);
        let Some(s) = self.stretches.get(index).or(self.stretches.last()) else {
            return Shown { load_kg: 0, up: false, down: false, ran_ms: 0, starts: 0 };
        };
        let begin = index.checked_sub(1).map_or(0, |i| self.stretches[i].until_ms);
        let since = if s.up || s.down { (ms - begin).clamp(0, s.until_ms - begin) } else { 0 };
        Shown { load_kg: s.load_kg, up: s.up, down: s.down, ran_ms: s.ran_ms + since, starts: s.starts }
    }

    /// The sums of a day's two shifts.
    pub fn sums(&self, day: i64, rated_kg: i64) -> Sums {
        let (from, to) = (day * DAY_MS, (day + 1) * DAY_MS);
        let mut sums = Sums::default();
        for (index, s) in self.stretches.iter().enumerate() {
            if s.until_ms <= from || s.until_ms > to {
                continue;
            }
            let running_ms = self.running_of(index);
            sums.running_ms += running_ms;
            let share = s.load_kg as f64 / rated_kg as f64;
            sums.full_load_hours += share.powi(3) * running_ms as f64 / HOUR_MS as f64;
        }
        sums.lifts = self.lifts.iter().filter(|l| (from..to).contains(&l.begin_ms)).count() as u64;
        sums
    }
}
