//! What a ramp tells: when the rope came tight, or slack, while the motor was turning its own mass up or down.
//!
//! A motor that brings itself to speed needs torque of its own, so no reading within a ramp is a load. Their sum is: with
//! the readings t of a ramp, the reading of the load f(L) and of the empty hook f(0), both at steady speed,
//!
//! ```text
//! Σ (t − f(L)) · dt = run-up · speed − (f(L) − f(0)) · slack
//! ```
//!
//! The run-up is the time in which rated torque alone would bring the motor to rated speed. It is the same for every
//! ramp, whatever its shape, and is learned from ramps in which the load cannot have changed: the empty hook's, and those
//! of a load that hung before and after. What is left is the time for which the rope was slack. Braking in lowering is the
//! same with the sign of the curve's slope.
//!
//! Needs a speed signal; where there is none, a ramp's time is booked at the lift's load.

use super::{Calibration, Curve};
use crate::sample::{Quantity, Sample};
use crate::units::{Grams, Span, Timestamp};

/// Ramps that are remembered; their median is the run-up.
const KEPT: usize = 9;

/// Ramps without which nothing is said.
const LEAST: usize = 3;

/// The load must show by this much at least, 0.001 %: with less the noise of a reading hides when it came.
const LEAST_SHOWN: i64 = 2_000;

/// Run-ups as they were found, the last ones; microseconds, below zero where the torque's sign is turned.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(default))]
pub(super) struct RunUps {
    found: Vec<i64>,
}

/// A ramp: the samples from its beginning to its end, each of which stands until the next one.
pub(super) struct Ramp<'a> {
    samples: &'a [Sample],
    end: Timestamp,
    /// Speed at its steady side, 0.001 %, without a sign.
    speed: i64,
}

impl<'a> Ramp<'a> {
    /// `None` where a reading lacks, or a silence is longer than a sample stands.
    pub fn new(samples: &'a [Sample], end: Timestamp, speed: Option<i64>, stale_after: Span) -> Option<Self> {
        let ramp = Ramp { samples, end, speed: speed?.checked_abs().filter(|speed| *speed > 0)? };
        let whole = |(sample, stood): (&Sample, Span)| {
            sample.get(Quantity::Torque).is_some() && stood > Span::ZERO && stood <= stale_after
        };
        (!samples.is_empty() && ramp.standing().all(whole)).then_some(ramp)
    }

    fn standing(&self) -> impl Iterator<Item = (&Sample, Span)> {
        let ends = self.samples.iter().skip(1).map(|next| next.at).chain([self.end]);
        self.samples.iter().zip(ends).map(|(sample, end)| (sample, end.since(sample.at)))
    }

    /// Σ (t − steady) · dt, 0.001 % · ms.
    fn beyond(&self, steady: i64) -> i128 {
        self.standing()
            .map(|(sample, stood)| {
                let torque = sample.get(Quantity::Torque).unwrap_or(steady);
                (i128::from(torque) - i128::from(steady)) * i128::from(stood.as_ms())
            })
            .sum()
    }

    /// How long a rope that was slack in it has been so, where a load shows `full` and the hook `empty`, and the motor
    /// itself takes `run_up` (microseconds); within the ramp.
    fn slack(&self, full: i64, empty: i64, run_up: i64) -> Option<Span> {
        let shown = i128::from(full) - i128::from(empty);
        if shown.unsigned_abs() < LEAST_SHOWN.unsigned_abs().into() {
            return None;
        }
        let own = i128::from(run_up) * i128::from(self.speed) / 1000;
        let all = self.end.since(self.samples.first()?.at).as_ms();
        let slack = (own - self.beyond(full)) / shown;
        Some(Span::from_ms(slack.clamp(0, i128::from(all)) as i64))
    }

    /// How many of its samples stand for the most part before an instant.
    fn before(&self, at: Timestamp) -> usize {
        let most = |(sample, stood): &(&Sample, Span)| sample.at.plus(Span::from_ms(stood.as_ms() / 2)) < at;
        self.standing().take_while(most).count()
    }
}

impl RunUps {
    /// A ramp in which the load cannot have changed; it shows `steady`.
    pub fn learn(&mut self, ramp: &Ramp<'_>, steady: i64) {
        let run_up = ramp.beyond(steady) * 1000 / i128::from(ramp.speed);
        let Ok(run_up) = i64::try_from(run_up) else { return };
        if self.found.len() == KEPT {
            self.found.remove(0);
        }
        self.found.push(run_up);
    }

    fn usual(&self) -> Option<i64> {
        let mut sorted = self.found.clone();
        sorted.sort_unstable();
        (sorted.len() >= LEAST).then(|| sorted[sorted.len() / 2])
    }

    /// How many samples of a ramp upwards, at whose steady side a load shows `full`, came before the rope was tight.
    pub fn slack_before(&self, ramp: &Ramp<'_>, full: i64, empty: Grams, terms: &Calibration) -> Option<usize> {
        let slack = ramp.slack(full, terms.raising.reading(empty), self.usual()?)?;
        Some(ramp.before(ramp.samples.first()?.at.plus(slack)))
    }

    /// From which sample of a braking ramp downwards on the rope was slack; `None` where it was tight to the end.
    pub fn slack_from(&self, ramp: &Ramp<'_>, full: i64, empty: Grams, terms: &Calibration) -> Option<Timestamp> {
        let same = rises(&terms.raising) == rises(&terms.lowering);
        let run_up = if same { self.usual()? } else { -self.usual()? };
        let slack = ramp.slack(full, terms.lowering.reading(empty), run_up)?;
        let from = ramp.before(ramp.end.plus(Span::from_ms(-slack.as_ms())));
        ramp.samples.get(from).map(|sample| sample.at)
    }
}

/// Whether the reading rises with the load.
fn rises(curve: &Curve) -> bool {
    let points = curve.points();
    points.first().zip(points.last()).is_some_and(|(first, last)| first.1 < last.1)
}

#[cfg(test)]
#[path = "ramp_tests.rs"]
mod tests;
