//! How hard loads were taken up, and how far and how long above the rated load.
//!
//! The peak of a lift over its settled load is what EN 13001-2 calls the hoist factor φ2, as it was measured. A lift whose
//! peak is above the limit was taken up with a jerk. Only lifts from a fifth of the rated load up are judged: below that
//! the noise of a signal is as large as a jerk. A load from a torque has no peak, as only steady running tells it.

use crate::lift::Lift;
use crate::mark::Mark;
use crate::units::Grams;

/// Hoisting class of EN 13001-2: how softly a hoist takes a load up.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum HoistingClass {
    /// Softest.
    Hc1,
    /// Usual for workshop cranes.
    #[default]
    Hc2,
    /// Harder.
    Hc3,
    /// Hardest.
    Hc4,
}

impl HoistingClass {
    /// All of them, softest first.
    pub const ALL: [HoistingClass; 4] =
        [HoistingClass::Hc1, HoistingClass::Hc2, HoistingClass::Hc3, HoistingClass::Hc4];

    /// How sure the values are: from memory.
    pub const MARK: Mark = Mark::C;

    /// The name in the configuration.
    pub const fn name(self) -> &'static str {
        match self {
            HoistingClass::Hc1 => "HC1",
            HoistingClass::Hc2 => "HC2",
            HoistingClass::Hc3 => "HC3",
            HoistingClass::Hc4 => "HC4",
        }
    }

    /// The class of that name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|class| class.name() == name)
    }

    /// φ2 = φ2,min + β2 · v at a steady hoisting speed, in thousandths (C: check against the standard).
    ///
    /// ```
    /// use tallyhook_analysis::load::dynamics::HoistingClass;
    /// assert_eq!(HoistingClass::Hc2.hoist_factor(100), 1_134); // 0.1 m/s
    /// ```
    pub const fn hoist_factor(self, speed_mm_s: i64) -> i64 {
        let (least, per_m_s) = match self {
            HoistingClass::Hc1 => (1_050, 170),
            HoistingClass::Hc2 => (1_100, 340),
            HoistingClass::Hc3 => (1_150, 510),
            HoistingClass::Hc4 => (1_200, 680),
        };
        least + per_m_s * speed_mm_s / 1000
    }
}

/// Upper edges of the depths of an overload, thousandths of the rated load; the last depth is open.
pub const DEPTHS: [i64; 2] = [1_100, 1_250];

/// Lifts above the rated load at one depth.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Depth {
    /// How many.
    pub lifts: u64,
    /// How long they hung, milliseconds.
    pub hung_ms: u64,
}

/// Counts over the whole life.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(default))]
pub struct Tally {
    /// Lifts that were judged.
    pub judged: u64,
    /// Those taken up with a jerk.
    pub jerks: u64,
    /// The hardest of them, peak over settled load in thousandths.
    pub hardest: i64,
    /// Overloads by depth: up to the first of [`DEPTHS`], to the second, beyond.
    pub overloads: [Depth; 3],
    /// Times that the limiter's own signal came on.
    pub limiter: u64,
}

/// Peak over settled load, thousandths; `None` for a load too light to tell.
///
/// ```
/// use tallyhook_analysis::{load::dynamics::peak_factor, units::Grams};
/// let kg = Grams::from_kg;
/// assert_eq!(peak_factor(kg(2_000.0), kg(2_500.0), kg(10_000.0)), Some(1_250));
/// assert_eq!(peak_factor(kg(1_900.0), kg(2_500.0), kg(10_000.0)), None);
/// ```
pub fn peak_factor(load: Grams, peak: Grams, rated: Grams) -> Option<i64> {
    (load.get() > 0 && load.get() >= rated.get() / 5).then(|| peak.get().saturating_mul(1000) / load.get())
}

impl Tally {
    /// Counts a lift; `limit` is the greatest peak that is no jerk, in thousandths of the settled load.
    pub fn lift(&mut self, lift: &Lift, rated: Grams, limit: i64) {
        if let Some(factor) = peak_factor(lift.load, lift.peak, rated) {
            self.judged += 1;
            self.jerks += u64::from(factor > limit);
            self.hardest = self.hardest.max(factor);
        }
        if lift.overload {
            let within = |edge: &i64| lift.load.get().saturating_mul(1000) <= edge.saturating_mul(rated.get());
            let depth = DEPTHS.iter().position(within).unwrap_or(DEPTHS.len());
            self.overloads[depth].lifts += 1;
            self.overloads[depth].hung_ms += lift.end.since(lift.begin).as_ms().max(0) as u64;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Timestamp;

    #[test]
    fn jerks_and_overloads_are_counted_by_their_limits() {
        let (rated, kg) = (Grams::from_kg(10_000.0), Grams::from_kg);
        let mut tally = Tally::default();
        let lifts = [
            // Load and peak, kg; a jerk is beyond 1.15.
            (5_000.0, 5_750.0),
            (5_000.0, 5_755.0),
            (1_000.0, 3_000.0),
            (11_000.0, 11_100.0),
            (11_001.0, 11_100.0),
            (13_000.0, 19_500.0),
        ];
        for (load, peak) in lifts {
            tally.lift(
                &Lift {
                    begin: Timestamp::from_ms(1_000),
                    end: Timestamp::from_ms(61_000),
                    load: kg(load),
                    peak: kg(peak),
                    running_ms: 10_000,
                    starts: 2,
                    band: 0,
                    overload: kg(load) > rated,
                    cut: false,
                    uncertainty: None,
                },
                rated,
                1_150,
            );
        }
        assert_eq!((tally.judged, tally.jerks, tally.hardest), (5, 2, 1_500));
        assert_eq!(tally.overloads, [Depth { lifts: 1, hung_ms: 60_000 }; 3]);
    }
}
