//! CMAA 70: mean effective load, load class, cycle class and service class A to F.
//!
//! All figures are mark B: CMAA 70 section 2 by way of an engineer's page-referenced summary. Its classes L1 to L4 are
//! **not** those of ISO 4301-1: the edges 0.53, 0.67 and 0.85 are on the cube-root scale k, where ISO's are on the cubic
//! scale km. Name the standard beside the class.

use crate::mark::Mark;
use crate::selection::{Step, StepFault, cube_root_scale, spectrum_factor};

/// The standard that every class of this module belongs to.
pub const EDITION: &str = "CMAA 70";

/// How sure the figures of this module are.
pub const MARK: Mark = Mark::B;

/// Upper limits of the mean effective load factor k, L1 to L4.
const LOAD_LIMITS: [f64; 4] = [0.53, 0.67, 0.85, 1.0];

/// Upper limits of the load cycles, N1 to N3; N4 is open above.
const CYCLE_LIMITS: [f64; 3] = [200_000.0, 600_000.0, 2_000_000.0];

/// The mean effective load of loads lifted for given times, in the unit of the loads: (Σ Fᵢ³ tᵢ / Σ tᵢ)^(1/3).
///
/// Pairs are (load, time or cycles), 0 or more; `None` where the times add up to nothing.
///
/// ```
/// use tallyhook_analysis::cmaa::mean_effective_load;
/// // Half the time at 10 t, half the time at nothing: the cube root of a half.
/// let mean = mean_effective_load(&[(10.0, 3.0), (0.0, 3.0)]).unwrap();
/// assert!((mean - 10.0 * 0.5_f64.cbrt()).abs() < 1e-12);
/// assert_eq!(mean_effective_load(&[]), None);
/// ```
pub fn mean_effective_load(parts: &[(f64, f64)]) -> Option<f64> {
    let sum: f64 = parts.iter().map(|(_, time)| time).sum();
    let cubes: f64 = parts.iter().map(|(load, time)| load.powi(3) * time).sum();
    (sum > 0.0 && cubes.is_finite()).then(|| (cubes / sum).cbrt())
}

/// k, the mean effective load factor: (Σ Wᵢ³ Pᵢ)^(1/3), a pure fraction, above 1 only with overload.
///
/// Wᵢ = (lifted + dead load) / (rated + dead load), moves with an empty hook included
/// ([`crate::selection::with_dead_load`]); Pᵢ is the share of load cycles.
pub fn mean_effective_load_factor(steps: &[Step]) -> Result<f64, StepFault> {
    spectrum_factor(steps).map(cube_root_scale)
}

/// Load class, by k.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum LoadClass {
    /// k up to 0.53 (the band begins at 0.35; below it the class is L1 as well).
    L1,
    /// k up to 0.67.
    L2,
    /// k up to 0.85.
    L3,
    /// k up to 1.
    L4,
}

impl LoadClass {
    /// All of them, lightest first.
    pub const ALL: [LoadClass; 4] = [LoadClass::L1, LoadClass::L2, LoadClass::L3, LoadClass::L4];

    /// The class of a mean effective load factor k; `None` above 1, which the standard has no class for, and for NaN.
    ///
    /// The print leaves a hole of 0.001 between two bands (0.53 and 0.531); it belongs to the class above.
    pub fn of(k: f64) -> Option<Self> {
        LOAD_LIMITS.iter().position(|&limit| k <= limit).map(|i| Self::ALL[i])
    }

    /// Upper limit of k.
    pub const fn limit(self) -> f64 {
        LOAD_LIMITS[self as usize]
    }

    /// The class as the standard writes it.
    pub const fn name(self) -> &'static str {
        ["L1", "L2", "L3", "L4"][self as usize]
    }
}

/// Cycle class, by load cycles over the design life.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum LoadCycles {
    /// Up to 200,000 (the band begins at 20,000; below it the class is N1 as well).
    N1,
    /// Up to 600,000.
    N2,
    /// Up to 2,000,000.
    N3,
    /// Above.
    N4,
}

impl LoadCycles {
    /// All of them, fewest first.
    pub const ALL: [LoadCycles; 4] = [LoadCycles::N1, LoadCycles::N2, LoadCycles::N3, LoadCycles::N4];

    /// The class of a number of load cycles over the design life.
    pub fn of(cycles: f64) -> Self {
        CYCLE_LIMITS.iter().position(|&limit| cycles <= limit).map_or(LoadCycles::N4, |i| Self::ALL[i])
    }

    /// Upper limit, cycles; N4 has none.
    pub const fn limit(self) -> Option<f64> {
        let i = self as usize;
        if i < CYCLE_LIMITS.len() { Some(CYCLE_LIMITS[i]) } else { None }
    }

    /// The class as the standard writes it.
    pub const fn name(self) -> &'static str {
        ["N1", "N2", "N3", "N4"][self as usize]
    }
}

/// Service class of the crane.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum ServiceClass {
    /// Standby or infrequent service.
    A,
    /// Light service.
    B,
    /// Moderate service.
    C,
    /// Heavy service.
    D,
    /// Severe service.
    E,
    /// Continuous severe service.
    F,
}

impl ServiceClass {
    /// All of them, lightest first.
    pub const ALL: [ServiceClass; 6] =
        [ServiceClass::A, ServiceClass::B, ServiceClass::C, ServiceClass::D, ServiceClass::E, ServiceClass::F];

    /// The service class of a load class and a cycle class (CMAA 70 section 2).
    ///
    /// ```
    /// use tallyhook_analysis::cmaa::{LoadClass, LoadCycles, ServiceClass};
    /// assert_eq!(ServiceClass::of(LoadClass::L2, LoadCycles::N2), ServiceClass::C);
    /// ```
    pub fn of(load: LoadClass, cycles: LoadCycles) -> Self {
        use ServiceClass::{A, B, C, D, E, F};
        const MATRIX: [[ServiceClass; 4]; 4] = [[A, B, C, D], [B, C, D, E], [C, D, E, F], [D, E, F, F]];
        MATRIX[load as usize][cycles as usize]
    }

    /// The class as the standard writes it.
    pub const fn name(self) -> &'static str {
        ["A", "B", "C", "D", "E", "F"][self as usize]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_service_class_is_one_step_harder_per_load_or_cycle_class() {
        // Independent statement: each class of load about doubles k³ and each class of cycles about triples N; the
        // service class is the number of such steps, ending at F.
        for load in LoadClass::ALL {
            for cycles in LoadCycles::ALL {
                let steps = (load as usize + cycles as usize).min(5);
                assert_eq!(ServiceClass::of(load, cycles), ServiceClass::ALL[steps], "{load:?} {cycles:?}");
            }
        }
    }

    #[test]
    fn load_limits_cubed_double_as_the_cubic_classes_do() {
        // Independent statement: cubed, the edges are .149 .301 .614 1, each about double the one before.
        let cubes: Vec<f64> = LoadClass::ALL.iter().map(|l| l.limit().powi(3)).collect();
        for (got, expected) in cubes.iter().zip([0.149, 0.301, 0.614, 1.0]) {
            assert!((got - expected).abs() < 0.0005, "{got}");
        }
        assert!(cubes.windows(2).all(|w| (1.6..2.1).contains(&(w[1] / w[0]))));
    }

    #[test]
    fn limits_belong_to_their_class_and_the_next_value_does_not() {
        for (i, class) in LoadClass::ALL.into_iter().enumerate() {
            assert_eq!(LoadClass::of(class.limit()), Some(class));
            assert_eq!(LoadClass::of(class.limit().next_up()), LoadClass::ALL.get(i + 1).copied());
        }
        assert_eq!((LoadClass::of(0.0), LoadClass::of(f64::NAN)), (Some(LoadClass::L1), None));
        for (i, class) in LoadCycles::ALL.into_iter().enumerate() {
            if let Some(limit) = class.limit() {
                assert_eq!(LoadCycles::of(limit), class);
                assert_eq!(LoadCycles::of(limit + 1.0), LoadCycles::ALL[i + 1]);
            }
        }
    }
}
