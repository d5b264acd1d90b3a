//! How sure the load of a single lift is.
//!
//! | origin | standard uncertainty |
//! | --- | --- |
//! | the source | stated, or usual for a cell or a torque ([`Terms::standard_uncertainty`]); grows where a torque's curve goes on beyond its points ([`Curve::beyond`]) |
//! | the calibration | what a bend of the curve between its points would change there ([`Curve::bend`]), as a bound |
//! | up and down | what a torque says in raising less what it says in lowering: the load lies between |
//! | the zero | how far the empty hook lies from where it began, less what is taken off for that; how far it scatters |
//! | never settled | a twentieth of the load (common practice, no source), or the take-up's peak over it as a bound |
//! | the readings' noise | [`Seen::noise`] |
//!
//! A bound is taken as one of an even distribution, so over √3, and all are added as squares (JCGM 100:2008, 4.3.7 and
//! 5.1.2). The noise is each lift's own and evens out over many; all else may be the same in all of them.

use super::health::Watch;
use super::{Calibration, Curve, Lead, Terms};
use crate::lift::{Lift, Seen};
use crate::recorder::Spec;
use crate::spectrum::{BANDS, band_of};
use crate::units::{Grams, Span, Timestamp};

/// A load that never settled is as uncertain as this part of it: a twentieth.
const UNSETTLED: i64 = 20;

/// Stretches that are remembered until the lift that they are of has ended.
const TOLD: usize = 4;

/// Standard uncertainty of a lift's load.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Doubt {
    /// What other lifts may share.
    pub common: Grams,
    /// What is this lift's own.
    pub own: Grams,
}

impl Doubt {
    /// Both together.
    pub fn whole(self) -> Grams {
        root_of_squares(&[self.common.get() as f64, self.own.get() as f64])
    }
}

fn root_of_squares(parts: &[f64]) -> Grams {
    let most = Grams::MAX.get() as f64;
    Grams::new(parts.iter().map(|part| part * part).sum::<f64>().sqrt().min(most).round() as i64)
}

/// What a stage has said of a load that hung, until the recorder has the lift's end.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub(super) struct Told {
    /// The first and the last sample that got it.
    pub from: Timestamp,
    pub to: Timestamp,
    pub seen: Seen,
    pub ways: Ways,
    /// The same load may get more samples.
    pub open: bool,
}

/// Valid time by direction, and the load in it; milliseconds, gram-milliseconds.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub(super) struct Ways {
    up: (u64, i64),
    down: (u64, i64),
}

impl Ways {
    pub fn add(&mut self, up: bool, load: Grams, ms: u64) {
        let (of, sum) = if up { &mut self.up } else { &mut self.down };
        *of = of.saturating_add(ms);
        *sum = sum.saturating_add(load.get().saturating_mul(i64::try_from(ms).unwrap_or(i64::MAX)));
    }

    /// Half of what the directions differ by: a bound on either side.
    fn half_apart(&self) -> f64 {
        let mean = |(ms, sum): (u64, i64)| (ms > 0).then(|| sum as f64 / ms as f64);
        mean(self.up).zip(mean(self.down)).map_or(0.0, |(up, down)| (up - down).abs() / 2.0)
    }

    /// What the curves that were used may be off by at a load.
    fn bend(&self, calibration: &Calibration, load: Grams) -> f64 {
        let of = |curve: &Curve, ms: u64| if ms > 0 { curve.bend(curve.reading(load)).get() } else { 0 };
        of(&calibration.raising, self.up.0).max(of(&calibration.lowering, self.down.0)) as f64
    }
}

/// Remembers what a stretch of samples was told.
pub(super) fn tell(told: &mut Vec<Told>, new: Told) {
    if let Some(last) = told.last_mut().filter(|last| last.open) {
        *last = Told { from: last.from, ..new };
        return;
    }
    if told.len() == TOLD {
        told.remove(0);
    }
    told.push(new);
}

/// How sure the load of a lift that has ended is. `told` is the stage's, where the load came through one.
pub(super) fn of_lift(terms: &Terms, spec: &Spec, lift: &Lift, seen: Seen, told: &[Told], watch: &Watch) -> Doubt {
    let bound = |most: f64| most / 3.0_f64.sqrt();
    let load = lift.load.get() as f64;
    let source = terms.standard_uncertainty() * spec.rated.get() as f64;
    let (off, scatter) = watch.zero_off(terms, spec.rated);
    let zero = root_of_squares(&[off.get() as f64, scatter.get() as f64]).get() as f64;
    let unsettled = (load / UNSETTLED as f64).max(bound((lift.peak.get() - lift.load.get()) as f64));
    let of = |seen: Seen, ways: Ways| {
        let calibration = terms.calibration.as_ref().filter(|_| terms.lead == Lead::Torque);
        let (bend, beyond) = calibration.map_or((0.0, 1.0), |c| {
            (ways.bend(c, lift.load), c.raising.beyond(lift.load).max(c.lowering.beyond(lift.load)))
        });
        let apart = if terms.lead == Lead::Torque { ways.half_apart() } else { 0.0 };
        let never = if seen.settled { 0.0 } else { unsettled };
        let common = root_of_squares(&[source * beyond, bound(bend), bound(apart), zero, never]);
        Doubt { common, own: seen.noise(spec.stale_after) }
    };
    if terms.passes() {
        return of(seen, Ways::default());
    }
    // More than one load may have hung on the same lift: the least sure of them.
    let its = told.iter().filter(|told| told.from < lift.end && told.to >= lift.begin);
    its.map(|told| of(told.seen, told.ways))
        .max_by_key(|doubt| doubt.whole())
        .unwrap_or_else(|| of(Seen { settled: false, ..seen }, Ways::default()))
}

/// The doubts of many lifts, by band of the load with dead load. Sums are whole gram-seconds; seconds weigh as running time.
#[derive(Clone, PartialEq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(default))]
pub struct Doubts {
    seconds: [u64; BANDS],
    common: [u64; BANDS],
    whole: u64,
    /// Σ (3 · load² · own · time)², (t³·s)².
    own: f64,
}

impl Doubts {
    /// Adds a lift; `base` is rated load and dead load.
    pub(crate) fn add(&mut self, doubt: Doubt, lift: &Lift, (base, dead): (Grams, Grams)) {
        let grams = |load: Grams| load.get().max(0) as u64;
        let load = Grams::new(lift.load.get().max(0) + dead.get());
        let (band, seconds) = (band_of(load, base), (lift.running_ms + 500) / 1000);
        self.seconds[band] = self.seconds[band].saturating_add(seconds);
        self.common[band] = self.common[band].saturating_add(grams(doubt.common).saturating_mul(seconds));
        self.whole = self.whole.saturating_add(grams(doubt.whole()).saturating_mul(seconds));
        let tonnes = |load: Grams| load.as_kg() / 1000.0;
        self.own += (3.0 * tonnes(load).powi(2) * tonnes(doubt.own) * seconds as f64).powi(2);
    }

    /// What came since `start`, which is an earlier state of this one.
    pub fn since(&self, start: &Doubts) -> Doubts {
        let mut since = self.clone();
        since.seconds.iter_mut().zip(start.seconds).for_each(|(now, then)| *now = now.saturating_sub(then));
        since.common.iter_mut().zip(start.common).for_each(|(now, then)| *now = now.saturating_sub(then));
        since.whole = since.whole.saturating_sub(start.whole);
        since.own = (since.own - start.own).max(0.0);
        since
    }

    /// Mean standard uncertainty of a load over the lifts' running time; `None` without lifts.
    pub fn mean(&self) -> Option<Grams> {
        let seconds: u64 = self.seconds.iter().sum();
        (seconds > 0).then(|| Grams::new(i64::try_from(self.whole / seconds).unwrap_or(i64::MAX)))
    }

    /// What the lifts of a band may share, a fraction of `base`; the `usual` fraction for the part of the band's running
    /// time that was in no lift whose doubt is known.
    pub(super) fn common(&self, band: usize, running_ms: u64, base: Grams, usual: f64) -> f64 {
        let seconds = self.seconds[band];
        if seconds == 0 {
            return usual;
        }
        let mean = self.common[band] as f64 / seconds as f64 / base.get().max(1) as f64;
        let known = (seconds as f64 * 1000.0 / running_ms.max(1) as f64).min(1.0);
        mean * known + usual * (1.0 - known)
    }

    /// Standard uncertainty of km for the lifts' own doubts alone.
    pub(super) fn own(&self, running_ms: u64, base: Grams) -> f64 {
        let all = (base.as_kg() / 1000.0).powi(3) * running_ms as f64 / 1000.0;
        if all > 0.0 { self.own.sqrt() / all } else { 0.0 }
    }
}

/// The site's clock was put right by `by`.
pub(super) fn rebase(told: &mut [Told], by: Span) {
    for told in told {
        (told.from, told.to) = (told.from.plus(by), told.to.plus(by));
    }
}

#[cfg(test)]
#[path = "doubt_tests.rs"]
mod tests;
