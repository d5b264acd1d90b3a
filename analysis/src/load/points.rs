//! Calibration points from a recording of known weights: the steady stretch of each run, and how far each weight lies
//! from the straight line through all.

use super::Calibration;
use crate::sample::{Flag, Quantity, Sample};
use crate::units::{Grams, Span, Timestamp};

/// What counts as steady.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Steadiness {
    /// Slowest speed at which a reading holds, 0.001 % of rated.
    pub min_speed: i64,
    /// Steepest change of speed at which a reading holds, 0.001 % of rated a second.
    pub max_slope: i64,
    /// How long the hoist must have turned steadily before a reading holds.
    pub settle: Span,
    /// Readings within this time of a run's end do not hold.
    pub tail: Span,
}

impl Steadiness {
    /// With a speed signal: 20 % of rated speed, 20 %/s, 0.3 s; without: 1.5 s at both ends (common practice, no source).
    pub const fn usual(has_speed: bool) -> Self {
        let blind = Span::from_ms(1_500);
        if has_speed {
            Steadiness { min_speed: 20_000, max_slope: 20_000, settle: Span::from_ms(300), tail: Span::ZERO }
        } else {
            Steadiness { min_speed: 0, max_slope: 20_000, settle: blind, tail: blind }
        }
    }

    /// As a calibration has it.
    pub const fn of(calibration: &Calibration) -> Self {
        let Calibration { min_speed, max_slope, settle, tail, .. } = calibration;
        Steadiness { min_speed: *min_speed, max_slope: *max_slope, settle: *settle, tail: *tail }
    }
}

/// A run in one direction with its steady stretch.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Run {
    /// Up, and not down.
    pub raising: bool,
    /// When it began.
    pub begin: Timestamp,
    /// Steady readings in it.
    pub readings: u64,
    /// From the first to the last of them.
    pub steady: Span,
    /// Mean of their middle half, 0.001 %: what is not steady for a moment does not move it.
    pub mean: i64,
    /// Standard deviation of one of them, 0.001 %, from the distance of their quartiles.
    pub deviation: f64,
}

/// How far the quartiles of a normal distribution lie apart, in standard deviations.
const QUARTILES: f64 = 1.349;

/// A run that goes on.
#[derive(Debug)]
struct Open {
    raising: bool,
    begin: Timestamp,
    /// Those that were steady when they came.
    readings: Vec<(Timestamp, i64)>,
}

/// Finds the runs of a recording. Samples come in their order.
#[derive(Debug)]
pub struct Runs {
    steadiness: Steadiness,
    found: Vec<Run>,
    /// Runs that had no steady stretch.
    unsteady: u64,
    open: Option<Open>,
    steady_since: Option<Timestamp>,
    before: Option<(Timestamp, i64)>,
}

impl Runs {
    /// None found yet.
    pub const fn new(steadiness: Steadiness) -> Self {
        Runs { steadiness, found: Vec::new(), unsteady: 0, open: None, steady_since: None, before: None }
    }

    /// Takes the next sample.
    pub fn push(&mut self, sample: &Sample) {
        let motion = match (sample.flag(Flag::Raising), sample.flag(Flag::Lowering)) {
            (Some(true), Some(false) | None) => Some(true),
            (Some(false) | None, Some(true)) => Some(false),
            _ => None,
        };
        if self.open.as_ref().map(|open| open.raising) != motion {
            self.close(sample.at);
            self.open = motion.map(|raising| Open { raising, begin: sample.at, readings: Vec::new() });
        }
        let speed = sample.get(Quantity::Speed);
        let before = self.before.take();
        self.before = speed.map(|speed| (sample.at, speed));
        let even = match (speed, before) {
            // Without a speed signal time alone tells.
            (None, _) => self.steadiness.min_speed == 0,
            (Some(now), _) if now.abs() < self.steadiness.min_speed => false,
            (Some(now), Some((at, was))) => {
                let ms = i128::from(sample.at.since(at).as_ms().max(1));
                i128::from(now.abs_diff(was)) * 1000 <= i128::from(self.steadiness.max_slope) * ms
            }
            (Some(_), None) => false,
        };
        let Some(open) = &mut self.open else { return };
        if !even {
            self.steady_since = None;
            return;
        }
        let since = *self.steady_since.get_or_insert(sample.at);
        if let Some(torque) = sample.get(Quantity::Torque)
            && sample.at.since(since) >= self.steadiness.settle
        {
            open.readings.push((sample.at, torque));
        }
    }

    fn close(&mut self, at: Timestamp) {
        self.steady_since = None;
        let Some(Open { raising, begin, mut readings }) = self.open.take() else { return };
        readings.retain(|(when, _)| at.since(*when) >= self.steadiness.tail);
        let (Some(&(first, _)), Some(&(last, _))) = (readings.first(), readings.last()) else {
            self.unsteady += 1;
            return;
        };
        let steady = last.since(first);
        let mut values: Vec<i64> = readings.iter().map(|(_, reading)| *reading).collect();
        values.sort_unstable();
        // At the shoulders of a ramp the speed is nearly even and the torque is not: they are left of the middle half.
        let quarter = values.len() / 4;
        let middle = &values[quarter..values.len() - quarter];
        let sum: i64 = middle.iter().sum();
        let count = middle.len() as i64;
        let mean = (sum + sum.signum() * (count / 2)) / count;
        let deviation = (middle[middle.len() - 1] - middle[0]) as f64 / QUARTILES;
        let readings = values.len() as u64;
        self.found.push(Run { raising, begin, readings, steady, mean, deviation });
    }

    /// The runs that have ended since the last call, and how many of them were never steady; for whoever looks on.
    pub fn take(&mut self) -> (Vec<Run>, u64) {
        (std::mem::take(&mut self.found), std::mem::take(&mut self.unsteady))
    }

    /// The run that goes on: whether it goes up, and how long it has been steady for at `now`.
    pub fn going(&self, now: Timestamp) -> Option<(bool, Span)> {
        let open = self.open.as_ref()?;
        let holds = |at: &Timestamp| now.since(*at) >= self.steadiness.tail;
        let steady = open.readings.iter().map(|(at, _)| *at).filter(holds);
        let ends = steady.clone().min().zip(steady.max());
        Some((open.raising, ends.map_or(Span::ZERO, |(first, last)| last.since(first))))
    }

    /// The runs with a steady stretch, and how many had none. A run that the recording breaks off is not one of them.
    pub fn end(self) -> (Vec<Run>, u64) {
        (self.found, self.unsteady)
    }
}

/// The runs of one weight: up, and down again.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Set {
    /// Its runs in their order.
    pub runs: Vec<Run>,
}

impl Set {
    /// Mean reading of its runs in one direction, 0.001 %, half away from zero; `None` without any.
    pub fn reading(&self, raising: bool) -> Option<i64> {
        let runs = || self.runs.iter().filter(|run| run.raising == raising);
        let count: i64 = runs().map(|run| run.readings as i64).sum();
        let sum: i64 = runs().map(|run| run.mean * run.readings as i64).sum();
        (count > 0).then(|| (sum + sum.signum() * (count / 2)) / count)
    }
}

/// Each weight's runs: a run up after a run down begins the next one; where nothing runs down, every run up does.
pub fn sets(runs: &[Run]) -> Vec<Set> {
    let both = runs.iter().any(|run| !run.raising);
    let mut sets: Vec<Set> = Vec::new();
    for run in runs {
        let last = sets.last().and_then(|set| set.runs.last());
        let next = last.is_none_or(|last| run.raising && (!last.raising || !both));
        if next {
            sets.push(Set::default());
        }
        if let Some(set) = sets.last_mut() {
            set.runs.push(*run);
        }
    }
    sets
}

/// How far each point's load lies above the straight line through all (least squares of load over reading); `None` with
/// fewer than two readings that differ.
///
/// ```
/// use tallyhook_analysis::{load::off_the_line, units::Grams};
/// let kg = |kg| Grams::from_kg(kg);
/// let off = off_the_line(&[(10_000, kg(0.0)), (20_000, kg(1_300.0)), (30_000, kg(2_000.0))]).unwrap();
/// assert_eq!(off, [kg(-100.0), kg(200.0), kg(-100.0)]);
/// ```
pub fn off_the_line(points: &[(i64, Grams)]) -> Option<Vec<Grams>> {
    let count = points.len() as f64;
    let (x, y) = (|p: &(i64, Grams)| p.0 as f64, |p: &(i64, Grams)| p.1.get() as f64);
    let (mean_x, mean_y) = (points.iter().map(x).sum::<f64>() / count, points.iter().map(y).sum::<f64>() / count);
    let spread: f64 = points.iter().map(|p| (x(p) - mean_x).powi(2)).sum();
    if points.len() < 2 || spread == 0.0 {
        return None;
    }
    let slope = points.iter().map(|p| (x(p) - mean_x) * (y(p) - mean_y)).sum::<f64>() / spread;
    let off = |p: &(i64, Grams)| Grams::new((y(p) - mean_y - slope * (x(p) - mean_x)).round() as i64);
    Some(points.iter().map(off).collect())
}

/// The one point that does not fit: without it the others, three or more, lie on a line within `bound`, and it lies
/// beyond. `None` where none or more than one would do.
pub fn odd_one(points: &[(i64, Grams)], bound: Grams) -> Option<usize> {
    if points.len() < 4 {
        return None;
    }
    let fits = |points: &[(i64, Grams)]| {
        off_the_line(points).is_some_and(|off| off.iter().all(|off| off.get().abs() <= bound.get()))
    };
    if fits(points) {
        return None;
    }
    let without = |i: usize| {
        let mut rest = points.to_vec();
        rest.remove(i);
        fits(&rest)
    };
    let mut odd = (0..points.len()).filter(|&i| without(i));
    odd.next().filter(|_| odd.next().is_none())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kg(kg: f64) -> Grams {
        Grams::from_kg(kg)
    }

    #[test]
    fn the_odd_one_is_named_only_where_it_can_be_known() {
        let bound = kg(100.0);
        let mut points = vec![(10, kg(0.0)), (20, kg(1_000.0)), (30, kg(2_000.0)), (40, kg(3_000.0))];
        assert_eq!(odd_one(&points, bound), None, "all fit");
        points[2].1 = kg(2_900.0);
        assert_eq!(odd_one(&points, bound), Some(2));
        assert_eq!(odd_one(&points[..3], bound), None, "of three any may be wrong");
        points[1].1 = kg(300.0);
        assert_eq!(odd_one(&points, bound), None, "two are wrong");
    }

    #[test]
    fn the_shoulders_of_a_ramp_do_not_move_a_reading() {
        let mut runs = Runs::new(Steadiness::usual(true));
        let torque = |i: i64| match i {
            ..6 => 60_000 - 8_000 * i,
            25.. => 20_000 - 15_000 * (i - 24),
            _ => 20_000 + (i % 3 - 1) * 300,
        };
        for i in 0..28 {
            let mut sample = Sample::at(Timestamp::from_ms(i * 100));
            sample.set(Quantity::Torque, Some(torque(i)));
            sample.set(Quantity::Speed, Some(100_000 - 1_500 * (i - 24).max(0)));
            sample.set_flag(Flag::Raising, Some(i < 27));
            sample.set_flag(Flag::Lowering, Some(false));
            runs.push(&sample);
            assert_eq!(runs.going(sample.at).is_some(), i < 27);
        }
        let (found, unsteady) = runs.take();
        assert_eq!((found.len(), unsteady), (1, 0));
        let run = found[0];
        assert!((run.mean - 20_000).abs() < 100 && run.deviation < 500.0, "{run:?}");
        assert_eq!((run.readings, run.steady), (23, Span::from_ms(2_200)));
        assert_eq!(runs.take(), (Vec::new(), 0), "told once");
    }

    #[test]
    fn each_up_after_a_down_is_the_next_weight() {
        let run = |raising| Run {
            raising,
            begin: Timestamp::from_ms(0),
            readings: 3,
            steady: Span::ZERO,
            mean: 10,
            deviation: 0.0,
        };
        let (up, down) = (run(true), run(false));
        let lengths = |runs: &[Run]| sets(runs).iter().map(|s| s.runs.len()).collect::<Vec<_>>();
        assert_eq!(lengths(&[up, down, up, up, down, up, down]), [2, 3, 2]);
        assert_eq!(lengths(&[up, up, up]), [1, 1, 1], "a winch without a signal for down");
        assert_eq!(sets(&[up, up, down])[0].reading(true), Some(10));
        assert_eq!(sets(&[up])[0].reading(false), None);
    }
}
