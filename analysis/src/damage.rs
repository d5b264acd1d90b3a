//! What counted ranges add up to: damage sums, the stress history parameter of EN 13001, a range-mean matrix.
//!
//! Palmgren-Miner: D = Σ nᵢ/Nᵢ, failure taken at 1 (mark A). Observed sums at failure scatter from about 0.3 to 3, so D
//! is a measure for comparing, not a date. With an S-N line of slope m the life at a range is N ~ range⁻ᵐ; what is left of
//! D without the material's constant is Σ nᵢ · rangeᵢᵐ, and that is what a damage sum here is.

use std::fmt;

use crate::mark::Mark;
use crate::rainflow::Cycle;

/// Damage by Palmgren and Miner: Σ nᵢ/Nᵢ, a pure number, failure taken at 1.
///
/// Pairs are (used, life): cycles or hours spent at a load, 0 or more, and how many of them would use it up, above 0.
///
/// ```
/// use tallyhook_analysis::damage::miner;
/// assert_eq!(miner(&[(10.0, 100.0), (1.0, 4.0)]), 0.35);
/// ```
pub fn miner(parts: &[(f64, f64)]) -> f64 {
    parts.iter().map(|(used, life)| used / life).sum()
}

/// Σ nᵢ · rangeᵢᵐ, in the series' unit to the power m; a half cycle is 0.5.
///
/// m = 3 for welded details, 5 for plain material (EN 13001-3-1; mark C, check against the standard).
///
/// ```
/// use tallyhook_analysis::{damage::damage_sum, rainflow::Cycle};
/// let cycles = [Cycle { from: 0.0, to: 2.0, halves: 2 }, Cycle { from: 4.0, to: 0.0, halves: 1 }];
/// assert_eq!(damage_sum(&cycles, 3), 8.0 + 32.0);
/// ```
pub fn damage_sum(cycles: &[Cycle<f64>], m: i32) -> f64 {
    // Not `sum`: that of nothing is −0.
    cycles.iter().fold(0.0, |sum, c| sum + c.count() * c.range().powi(m))
}

/// The cycles that EN 13001 relates a stress history to.
pub const REFERENCE_CYCLES: f64 = 2e6;

/// s_m = ν · k_m, the stress history parameter of EN 13001-1, a pure number.
///
/// k_m = Σ (Δσᵢ/Δσmax)ᵐ nᵢ/Nt and ν = Nt / 2·10⁶ (mark A), so s_m = Σ (Δσᵢ/Δσmax)ᵐ nᵢ / 2·10⁶. The largest range is
/// taken from the count itself unless `largest` gives another, as for a stretch of a longer history. `None` without a
/// range. Ranges of the load on the hook stand for those of the stress where the detail sees nothing but the load.
pub fn stress_history(cycles: &[Cycle<f64>], m: i32, largest: Option<f64>) -> Option<f64> {
    let largest = largest.unwrap_or_else(|| cycles.iter().map(Cycle::range).fold(0.0, f64::max));
    (largest > 0.0)
        .then(|| cycles.iter().map(|c| c.count() * (c.range() / largest).powi(m)).sum::<f64>() / REFERENCE_CYCLES)
}

/// Stress history class of EN 13001-3-1. The whole row is from memory ([`StressClass::MARK`]).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum StressClass {
    /// s up to 0.002.
    S02,
    /// s up to 0.004.
    S01,
    /// s up to 0.008.
    S0,
    /// s up to 0.016.
    S1,
    /// s up to 0.032.
    S2,
    /// s up to 0.063.
    S3,
    /// s up to 0.125.
    S4,
    /// s up to 0.25.
    S5,
    /// s up to 0.5.
    S6,
    /// s up to 1.
    S7,
    /// s up to 2.
    S8,
    /// s up to 4.
    S9,
}

/// Upper limits of s, S02 to S9 (C).
const STRESS_LIMITS: [f64; 12] = [0.002, 0.004, 0.008, 0.016, 0.032, 0.063, 0.125, 0.25, 0.5, 1.0, 2.0, 4.0];

impl StressClass {
    /// All of them, lightest first.
    #[rustfmt::skip]
    pub const ALL: [StressClass; 12] = [
        StressClass::S02, StressClass::S01, StressClass::S0, StressClass::S1, StressClass::S2, StressClass::S3,
        StressClass::S4, StressClass::S5, StressClass::S6, StressClass::S7, StressClass::S8, StressClass::S9,
    ];

    /// The standard.
    pub const EDITION: &str = "EN 13001-3-1";

    /// How sure the row is: not to be shown without [`Mark::caution`].
    pub const MARK: Mark = Mark::C;

    /// The class of a stress history parameter; `None` above 4 and for NaN.
    pub fn of(s: f64) -> Option<Self> {
        STRESS_LIMITS.iter().position(|&limit| s <= limit).map(|i| Self::ALL[i])
    }

    /// Upper limit of s.
    pub const fn limit(self) -> f64 {
        STRESS_LIMITS[self as usize]
    }

    /// The class as the standard writes it.
    pub const fn name(self) -> &'static str {
        ["S02", "S01", "S0", "S1", "S2", "S3", "S4", "S5", "S6", "S7", "S8", "S9"][self as usize]
    }
}

impl fmt::Display for StressClass {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// Counted ranges of a load in classes of range and mean, with exact damage sums beside them.
///
/// Integers throughout: two matrices of the same classes add up exactly, and cutting a record changes nothing.
#[derive(Clone, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct RangeMean {
    width: i64,
    classes: usize,
    halves: Vec<u64>,
    largest: i64,
    #[cfg_attr(feature = "serde", serde(with = "crate::spectrum::decimal"))]
    cubes: u128,
    #[cfg_attr(feature = "serde", serde(with = "crate::spectrum::decimal"))]
    fifths: u128,
}

/// Grams in the unit of the exact sums.
const GRAMS_PER_KG: u128 = 1000;

impl RangeMean {
    /// An empty matrix of `classes` by `classes` (1 or more), each `width` grams wide (1 or more). The last class of
    /// either axis is open above, the first class of the mean open below; an edge belongs to the class below it, as a
    /// limit belongs to its class in the standards' tables.
    pub fn new(width: i64, classes: usize) -> Self {
        let (width, classes) = (width.max(1), classes.max(1));
        let halves = vec![0; classes * classes];
        RangeMean { width, classes, halves, largest: 0, cubes: 0, fifths: 0 }
    }

    /// Ten classes up to the rated load and two above it, as the load bands of [`crate::spectrum`].
    pub fn for_rated(rated: crate::units::Grams) -> Self {
        Self::new(rated.get() / 10, crate::spectrum::BANDS)
    }

    fn class(&self, twice: i128) -> usize {
        // The smallest i with value <= (i + 1) · width; the value comes doubled, so that a mean stays whole.
        let width = 2 * i128::from(self.width);
        let above = twice.max(1) - 1;
        ((above / width) as usize).min(self.classes - 1)
    }

    /// Books a counted range of loads in grams.
    pub fn book(&mut self, cycle: Cycle<i64>) {
        let (from, to) = (i128::from(cycle.from), i128::from(cycle.to));
        let range = (to - from).abs();
        let at = self.class(2 * range) * self.classes + self.class(from + to);
        self.halves[at] += u64::from(cycle.halves);
        self.largest = self.largest.max(i64::try_from(range).unwrap_or(i64::MAX));
        // Whole kilograms to the nearest: a fifth power of grams would not fit.
        let kg = (range.unsigned_abs() + GRAMS_PER_KG / 2) / GRAMS_PER_KG;
        let cube = kg.saturating_pow(3).saturating_mul(u128::from(cycle.halves));
        self.cubes = self.cubes.saturating_add(cube);
        self.fifths = self.fifths.saturating_add(cube.saturating_mul(kg * kg));
    }

    /// Adds another matrix of the same classes; one of other classes is left out and `false` comes back.
    #[must_use]
    pub fn add(&mut self, other: &RangeMean) -> bool {
        if (self.width, self.classes) != (other.width, other.classes) {
            return false;
        }
        for (mine, theirs) in self.halves.iter_mut().zip(&other.halves) {
            *mine += theirs;
        }
        self.largest = self.largest.max(other.largest);
        self.cubes = self.cubes.saturating_add(other.cubes);
        self.fifths = self.fifths.saturating_add(other.fifths);
        true
    }

    /// Classes of either axis.
    pub fn classes(&self) -> usize {
        self.classes
    }

    /// Width of a class, grams.
    pub fn width(&self) -> i64 {
        self.width
    }

    /// Cycles in a class of range and a class of mean; a half cycle is 0.5. Zero outside the matrix.
    pub fn cycles(&self, range: usize, mean: usize) -> f64 {
        if mean >= self.classes {
            return 0.0;
        }
        self.halves.get(range * self.classes + mean).map_or(0.0, |&halves| halves as f64 * 0.5)
    }

    /// All cycles.
    pub fn total(&self) -> f64 {
        self.halves.iter().sum::<u64>() as f64 * 0.5
    }

    /// The largest range, grams.
    pub fn largest(&self) -> i64 {
        self.largest
    }

    /// Σ nᵢ · rangeᵢ³, cubic kilograms (slope m = 3).
    pub fn damage_m3(&self) -> f64 {
        self.cubes as f64 * 0.5
    }

    /// Σ nᵢ · rangeᵢ⁵, kilograms to the fifth (slope m = 5).
    pub fn damage_m5(&self) -> f64 {
        self.fifths as f64 * 0.5
    }

    /// s₃ of EN 13001-1 on the largest range, see [`stress_history`]; `None` without a range.
    pub fn stress_history_m3(&self) -> Option<f64> {
        let largest = self.largest as f64 / 1000.0;
        (self.largest > 0).then(|| self.damage_m3() / largest.powi(3) / REFERENCE_CYCLES)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rainflow::Counter;
    use proptest::prelude::*;

    #[test]
    fn the_damage_of_the_standards_example() {
        // ASTM E1049-85 figure 6 prints its totals by range: 3: 0.5, 4: 1.5, 6: 0.5, 8: 1.0, 9: 0.5. By hand from those:
        // m = 3: 13.5 + 96 + 108 + 512 + 364.5; m = 5: 121.5 + 1536 + 3888 + 32768 + 29524.5.
        let mut cycles = Vec::new();
        let mut counter = Counter::new(0.0);
        counter.extend(&[-2.0, 1.0, -3.0, 5.0, -1.0, 3.0, -4.0, 4.0, -2.0], &mut |c| cycles.push(c));
        counter.close(&mut |c| cycles.push(c));
        assert_eq!(damage_sum(&cycles, 3), 1_094.0);
        assert_eq!(damage_sum(&cycles, 5), 67_838.0);
        let s = stress_history(&cycles, 3, None).unwrap();
        assert!((s - 1_094.0 / 729.0 / 2e6).abs() < 1e-18);
        assert_eq!(stress_history(&[], 3, None), None);
        // The same series in tonnes, in the exact matrix: classes of 1 t.
        let mut matrix = RangeMean::new(1_000_000, 9);
        for c in &cycles {
            matrix.book(Cycle { from: (c.from * 1e6) as i64, to: (c.to * 1e6) as i64, halves: c.halves });
        }
        assert_eq!(matrix.damage_m3(), 1_094.0 * 1e9);
        assert_eq!(matrix.damage_m5(), 67_838.0 * 1e15);
        assert_eq!(matrix.largest(), 9_000_000);
        let by_range: Vec<f64> = (0..9).map(|r| (0..9).map(|m| matrix.cycles(r, m)).sum()).collect();
        assert_eq!(by_range, [0.0, 0.0, 0.5, 1.5, 0.0, 0.5, 0.0, 1.0, 0.5]);
        assert_eq!(matrix.total(), 4.0);
        assert_eq!(matrix.cycles(3, 0), 1.5); // means -1 and 1, both up to 1 t
        assert!((matrix.stress_history_m3().unwrap() - s).abs() < 1e-18);
    }

    #[test]
    fn two_million_equal_cycles_are_s_of_one() {
        // Independent statement: nu = N / 2e6 and k = 1 where all ranges are the largest, so s = 1, which is S7.
        let cycles: Vec<_> = (0..20).map(|_| Cycle { from: 0.0, to: 7.0, halves: 200_000 }).collect();
        let s = stress_history(&cycles, 3, None).unwrap();
        assert_eq!((s, StressClass::of(s)), (1.0, Some(StressClass::S7)));
        assert_eq!(StressClass::of(s.next_up()), Some(StressClass::S8));
        // On twice the range it is an eighth.
        assert_eq!(stress_history(&cycles, 3, Some(14.0)), Some(0.125));
        assert_eq!(StressClass::MARK.caution(), Some("check against the standard"));
    }

    #[test]
    fn stress_limits_are_rounded_doublings() {
        // Independent statement: each class doubles s, within the rounding of preferred numbers, and S7 is 1.
        assert!(StressClass::ALL.windows(2).all(|w| (w[1].limit() / w[0].limit() - 2.0).abs() <= 0.032));
        assert_eq!(StressClass::S7.limit(), 1.0);
        assert_eq!(StressClass::of(4.1), None);
    }

    proptest! {
        #[test]
        fn a_matrix_holds_every_cycle_and_two_add_up_to_one(
            ranges in prop::collection::vec((-5_000_000_i64..40_000_000, 0_i64..40_000_000, 1_u32..3), 0..60), cut in 0_usize..60,
        ) {
            let cycles: Vec<Cycle<i64>> =
                ranges.iter().map(|&(from, up, halves)| Cycle { from, to: from + up, halves }).collect();
            let book = |cycles: &[Cycle<i64>]| {
                let mut matrix = RangeMean::for_rated(crate::units::Grams::from_kg(10_000.0));
                cycles.iter().for_each(|&c| matrix.book(c));
                matrix
            };
            let whole = book(&cycles);
            let cut = cut.min(cycles.len());
            let mut parts = book(&cycles[..cut]);
            prop_assert!(parts.add(&book(&cycles[cut..])));
            prop_assert_eq!(&parts, &whole);
            prop_assert_eq!(whole.total(), cycles.iter().map(|c| f64::from(c.halves) * 0.5).sum::<f64>());
            prop_assert!(!parts.add(&RangeMean::new(1, 1)));
            // The class of each is what its edges say.
            for c in &cycles {
                let mut one = RangeMean::new(1_000_000, 12);
                one.book(*c);
                let at = (0..144).find(|i| one.cycles(i / 12, i % 12) > 0.0).unwrap();
                let inside = |value: f64, class: usize| {
                    (class == 0 || value > class as f64 * 1e6) && (class == 11 || value <= (class + 1) as f64 * 1e6)
                };
                prop_assert!(inside((c.to - c.from) as f64, at / 12));
                prop_assert!(inside((c.to + c.from) as f64 / 2.0, at % 12));
            }
            let text = serde_json::to_string(&whole).unwrap();
            prop_assert_eq!(serde_json::from_str::<RangeMean>(&text).unwrap(), whole);
        }
    }
}
