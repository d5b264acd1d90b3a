//! When a load came onto the hook, and when it left it: seen among the estimates, or read off a ramp as a whole.

use super::super::ramp::Ramp;
use super::{CHANGED, Estimate, Hook, Motion, Stage};
use crate::sample::{Quantity, Sample};
use crate::units::{Grams, Timestamp};

/// The edge of a load that comes or goes evenly: with as much time before it as after, the cubes of the load are booked
/// right where three quarters of it hang (the cube of a straight rise is a quarter of the whole).
const EDGE: (i64, i64) = (3, 4);

impl Stage<'_> {
    /// The ramp that this run began with, up to the first of the window's estimates, and what those show; of a run
    /// upwards with all its samples at hand.
    fn ramp_up(&self) -> Option<(Ramp<'_>, i64)> {
        let since =
            self.state.run_since.filter(|_| self.state.last.is_some_and(|(_, motion, _)| motion == Motion::Up))?;
        let until = self.state.window.first()?.at;
        let held = &self.state.held;
        let begin = held.iter().position(|s| s.at == since)?;
        let end = begin + held[begin..].iter().take_while(|s| s.at < until).count();
        let speed = held.get(end).filter(|s| s.at == until)?.get(Quantity::Speed);
        Some((Ramp::new(&held[begin..end], until, speed, self.spec.stale_after)?, self.shown()?))
    }

    /// What the motor shows over the window's estimates, 0.001 %: their median, which no shoulder of a ramp moves.
    fn shown(&self) -> Option<i64> {
        let at =
            |estimate: &Estimate| self.state.held.iter().rev().find(|s| s.at == estimate.at)?.get(Quantity::Torque);
        let mut shown = self.state.window.iter().map(at).collect::<Option<Vec<i64>>>()?;
        shown.sort_unstable();
        shown.get(shown.len() / 2).copied()
    }

    /// The load was the same all through the ramp.
    pub(super) fn learn_ramp(&mut self) {
        let mut run_ups = std::mem::take(&mut self.state.run_ups);
        if let Some((ramp, shown)) = self.ramp_up() {
            run_ups.learn(&ramp, shown);
        }
        self.state.run_ups = run_ups;
    }

    /// How many of the samples that are held came before the rope was tight, where that was within the ramp.
    pub(super) fn slack_before(&self) -> usize {
        let found = self.terms.calibration.as_ref().zip(self.ramp_up()).and_then(|(calibration, (ramp, shown))| {
            self.state.run_ups.slack_before(&ramp, shown, self.state.empty, calibration)
        });
        // All that is held is of this run: the hook was empty before it.
        found.unwrap_or(0)
    }

    /// Since when the rope has been slack, where a run downwards that is over has set its load down while it slowed.
    pub(super) fn slack_from(&self, end: Timestamp) -> Option<Timestamp> {
        let hangs = self.state.hook == Hook::Loaded && self.state.empty_since.is_none();
        let since = self.state.window.first().filter(|_| hangs)?.at;
        let held = &self.state.held;
        let begin = held.iter().position(|s| s.at == since)?;
        let ramp = Ramp::new(&held[begin..], end, held[begin].get(Quantity::Speed), self.spec.stale_after)?;
        self.state.run_ups.slack_from(&ramp, self.shown()?, self.state.empty, self.terms.calibration.as_ref()?)
    }

    /// The window's estimates all say what hung before this run, or all an empty hook.
    pub(super) fn one_load(&self) -> bool {
        let near = |level: Grams, e: &Estimate| (e.load.get() - level.get()).abs() <= self.spec.rated.get() / CHANGED;
        let window = &self.state.window;
        self.state.level().is_some_and(|level| window.iter().all(|e| near(level, e)))
            || window.iter().all(|e| e.load < self.spec.lift.end)
    }

    /// Once a load that came while it was looked at has settled: what was held before its edge is the empty hook's.
    pub(super) fn find_rise(&mut self, out: &mut impl FnMut(&Sample)) {
        let settled = self.state.valid_ms >= self.spec.lift.settle.as_ms() as u64;
        let Some(level) = self.state.level().filter(|_| settled && self.state.rising) else { return };
        self.state.rising = false;
        let below = |e: &Estimate| e.load.get() * EDGE.1 < level.get() * EDGE.0;
        let recent = &self.state.recent;
        // Those before the edge have been seen too, or it was not seen.
        let Some(edge) = recent.iter().position(|e| !below(e)).filter(|edge| *edge > 0).map(|i| recent[i].at) else {
            return;
        };
        let empty = self.empty();
        let count = self.state.held.iter().take_while(|s| s.at < edge).count();
        self.emit_as(count, Some(empty), out);
    }

    /// When a load that is gone went: the first of the last estimates that are all below its edge.
    pub(super) fn fall(&self, since: Timestamp) -> Timestamp {
        let Some(level) = self.state.level() else { return since };
        let below = |e: &&Estimate| e.load.get() * EDGE.1 < level.get() * EDGE.0;
        self.state.recent.iter().rev().take_while(below).last().map_or(since, |e| e.at.min(since))
    }
}
