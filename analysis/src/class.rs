//! Classes and groups of the standards, strictly: a limit belongs to its class.
//!
//! Edition: ISO 4301-1:1986 (with FEM 1.001, FEM 9.511, FEM 9.755, which rest on it). The 2016 edition classes
//! mechanisms by cycles and has its own group matrix; nothing here may be labelled with it. Confidence marks: A seen
//! in two or more independent places, B in one, C from memory (check against the standard).

use std::fmt;

/// The edition that every class and group of this module belongs to.
pub const EDITION: &str = "ISO 4301-1:1986";

macro_rules! classes {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Hash)]
        #[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
        pub enum $name { $($(#[$vdoc])* $variant),+ }

        impl $name {
            /// All of them, lowest first.
            pub const ALL: &[$name] = &[$($name::$variant),+];

            /// The class as the standard writes it.
            pub const fn name(self) -> &'static str {
                match self { $($name::$variant => stringify!($variant)),+ }
            }

            /// The class of that name, upper or lower case.
            pub fn from_name(name: &str) -> Option<Self> {
                Self::ALL.iter().copied().find(|c| c.name().eq_ignore_ascii_case(name))
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(self.name())
            }
        }
    };
}

classes! {
    /// Group of a mechanism as a whole, ISO 4301-1:1986 table 6.
    MechanismGroup {
        /// FEM 9.511: 1Dm.
        M1,
        /// FEM 9.511: 1Cm.
        M2,
        /// FEM 9.511: 1Bm.
        M3,
        /// FEM 9.511: 1Am.
        M4,
        /// FEM 9.511: 2m.
        M5,
        /// FEM 9.511: 3m.
        M6,
        /// FEM 9.511: 4m.
        M7,
        /// FEM 9.511: 5m.
        M8,
    }
}

classes! {
    /// Group of the appliance as a whole, ISO 4301-1:1986 table 3.
    ApplianceGroup {
        /// Lightest use.
        A1,
        /// Second of eight.
        A2,
        /// Third of eight.
        A3,
        /// Fourth of eight.
        A4,
        /// Fifth of eight.
        A5,
        /// Sixth of eight.
        A6,
        /// Seventh of eight.
        A7,
        /// Hardest use.
        A8,
    }
}

classes! {
    /// Class of utilisation of a mechanism, ISO 4301-1:1986 table 4.
    TimeClass {
        /// Up to 200 h (mark C).
        T0,
        /// Up to 400 h.
        T1,
        /// Up to 800 h.
        T2,
        /// Up to 1,600 h.
        T3,
        /// Up to 3,200 h.
        T4,
        /// Up to 6,300 h.
        T5,
        /// Up to 12,500 h.
        T6,
        /// Up to 25,000 h.
        T7,
        /// Up to 50,000 h.
        T8,
        /// Up to 100,000 h, and above (mark C).
        T9,
    }
}

classes! {
    /// Class of utilisation of the appliance, ISO 4301-1:1986 table 1.
    CycleClass {
        /// Up to 16,000 cycles.
        U0,
        /// Up to 32,000 cycles (some reprints: 31,500).
        U1,
        /// Up to 63,000 cycles.
        U2,
        /// Up to 125,000 cycles.
        U3,
        /// Up to 250,000 cycles.
        U4,
        /// Up to 500,000 cycles.
        U5,
        /// Up to 1,000,000 cycles.
        U6,
        /// Up to 2,000,000 cycles.
        U7,
        /// Up to 4,000,000 cycles.
        U8,
        /// Above 4,000,000 cycles.
        U9,
    }
}

classes! {
    /// Load spectrum class of a mechanism, ISO 4301-1:1986 table 5, by km.
    MechanismLoading {
        /// km up to 0.125.
        L1,
        /// km up to 0.25.
        L2,
        /// km up to 0.5.
        L3,
        /// km up to 1.
        L4,
    }
}

classes! {
    /// State of loading of the appliance, ISO 4301-1:1986 table 2, by Kp.
    ApplianceLoading {
        /// Kp up to 0.125.
        Q1,
        /// Kp up to 0.25.
        Q2,
        /// Kp up to 0.5.
        Q3,
        /// Kp up to 1.
        Q4,
    }
}

/// Upper limits of the load spectrum factor, classes 1 to 4 (A).
const LOADING_LIMITS: [f64; 4] = [0.125, 0.25, 0.5, 1.0];

/// Upper limits of T0 to T9, hours (A; T0 and T9: C).
const TIME_LIMITS: [f64; 10] =
    [200.0, 400.0, 800.0, 1_600.0, 3_200.0, 6_300.0, 12_500.0, 25_000.0, 50_000.0, 100_000.0];

/// Upper limits of U0 to U8, cycles (A).
const CYCLE_LIMITS: [f64; 9] =
    [16_000.0, 32_000.0, 63_000.0, 125_000.0, 250_000.0, 500_000.0, 1_000_000.0, 2_000_000.0, 4_000_000.0];

/// The lowest class whose limit is not below the value.
fn strict<T: Copy>(classes: &[T], limits: &[f64], value: f64) -> Option<T> {
    limits.iter().position(|&limit| value <= limit).and_then(|i| classes.get(i)).copied()
}

impl MechanismLoading {
    /// The class of a load spectrum factor km; `None` above L4 (km > 1), which the standard has no class for, and for
    /// NaN.
    ///
    /// ```
    /// use tallyhook_analysis::class::MechanismLoading;
    /// assert_eq!(MechanismLoading::of(0.125), Some(MechanismLoading::L1)); // the limit belongs to its class
    /// assert_eq!(MechanismLoading::of(0.1261), Some(MechanismLoading::L2));
    /// assert_eq!(MechanismLoading::of(1.331), None);
    /// ```
    pub fn of(km: f64) -> Option<Self> {
        strict(Self::ALL, &LOADING_LIMITS, km)
    }

    /// Upper limit of km.
    pub const fn limit(self) -> f64 {
        LOADING_LIMITS[self as usize]
    }
}

impl ApplianceLoading {
    /// The class of a load spectrum factor Kp; `None` above Q4 and for NaN.
    pub fn of(kp: f64) -> Option<Self> {
        strict(Self::ALL, &LOADING_LIMITS, kp)
    }

    /// Upper limit of Kp.
    pub const fn limit(self) -> f64 {
        LOADING_LIMITS[self as usize]
    }
}

impl TimeClass {
    /// The class of a total of running hours; everything above 50,000 h is T9.
    pub fn of(hours: f64) -> Self {
        strict(Self::ALL, &TIME_LIMITS, hours).unwrap_or(TimeClass::T9)
    }

    /// Upper limit, hours.
    pub const fn limit(self) -> f64 {
        TIME_LIMITS[self as usize]
    }
}

impl CycleClass {
    /// The class of a total of hoisting cycles; everything above 4,000,000 is U9.
    pub fn of(cycles: f64) -> Self {
        strict(Self::ALL, &CYCLE_LIMITS, cycles).unwrap_or(CycleClass::U9)
    }

    /// Upper limit, cycles; U9 has none.
    pub const fn limit(self) -> Option<f64> {
        let i = self as usize;
        if i < CYCLE_LIMITS.len() { Some(CYCLE_LIMITS[i]) } else { None }
    }
}

/// Rows L1 to L4, columns T0 to T9 (ISO 4301-1:1986 table 6; diagonal A, filled corners C).
#[rustfmt::skip]
const MECHANISM_MATRIX: [[u8; 10]; 4] = [
    [1, 1, 1, 2, 3, 4, 5, 6, 7, 8],
    [1, 1, 2, 3, 4, 5, 6, 7, 8, 8],
    [1, 2, 3, 4, 5, 6, 7, 8, 8, 8],
    [2, 3, 4, 5, 6, 7, 8, 8, 8, 8],
];

/// Rows Q1 to Q4, columns U0 to U9 (ISO 4301-1:1986 table 3, A).
#[rustfmt::skip]
const APPLIANCE_MATRIX: [[u8; 10]; 4] = [
    [1, 1, 1, 2, 3, 4, 5, 6, 7, 8],
    [1, 1, 2, 3, 4, 5, 6, 7, 8, 8],
    [1, 2, 3, 4, 5, 6, 7, 8, 8, 8],
    [2, 3, 4, 5, 6, 7, 8, 8, 8, 8],
];

/// D of FEM 9.755 (06.1993) table 1, hours: rows L1 to L4, columns M1 to M8 (A).
#[rustfmt::skip]
const DESIGN_HOURS: [[f64; 8]; 4] = [
    [800.0, 1_600.0, 3_200.0, 6_300.0, 12_500.0, 25_000.0, 50_000.0, 100_000.0],
    [400.0, 800.0, 1_600.0, 3_200.0, 6_300.0, 12_500.0, 25_000.0, 50_000.0],
    [200.0, 400.0, 800.0, 1_600.0, 3_200.0, 6_300.0, 12_500.0, 25_000.0],
    [100.0, 200.0, 400.0, 800.0, 1_600.0, 3_200.0, 6_300.0, 12_500.0],
];

/// Full-load cycles of A1 to A8: the product C · Kp that is constant along a diagonal of the group matrix (our
/// arithmetic on ISO 4301-1:1986 tables 1 to 3; it reproduces every cell). A8 is open above this.
const DESIGN_CYCLES: [f64; 8] = [8_000.0, 16_000.0, 32_000.0, 63_000.0, 125_000.0, 250_000.0, 500_000.0, 1_000_000.0];

impl MechanismGroup {
    /// The group for a class of utilisation and a load spectrum class, ISO 4301-1:1986 table 6.
    pub fn of(loading: MechanismLoading, time: TimeClass) -> Self {
        Self::ALL[usize::from(MECHANISM_MATRIX[loading as usize][time as usize]) - 1]
    }

    /// The name of the same group in FEM 9.511.
    pub const fn fem_name(self) -> &'static str {
        ["1Dm", "1Cm", "1Bm", "1Am", "2m", "3m", "4m", "5m"][self as usize]
    }

    /// The group of either name, ISO (`M5`) or FEM (`2m`).
    pub fn parse(name: &str) -> Option<Self> {
        Self::from_name(name).or_else(|| Self::ALL.iter().copied().find(|g| g.fem_name().eq_ignore_ascii_case(name)))
    }

    /// D, the theoretical service life in full-load hours: the L4 row of FEM 9.755 table 1.
    pub const fn design_full_load_hours(self) -> f64 {
        DESIGN_HOURS[3][self as usize]
    }

    /// D in running hours at the limit of a load spectrum class: the other rows of FEM 9.755 table 1.
    pub const fn design_hours_at(self, loading: MechanismLoading) -> f64 {
        DESIGN_HOURS[loading as usize][self as usize]
    }

    /// The lowest group whose full-load hours hold `full_load_hours`; M8 when none does.
    pub fn holding(full_load_hours: f64) -> Self {
        strict(Self::ALL, &DESIGN_HOURS[3], full_load_hours).unwrap_or(MechanismGroup::M8)
    }
}

impl ApplianceGroup {
    /// The group for a class of utilisation and a state of loading, ISO 4301-1:1986 table 3.
    pub fn of(loading: ApplianceLoading, cycles: CycleClass) -> Self {
        Self::ALL[usize::from(APPLIANCE_MATRIX[loading as usize][cycles as usize]) - 1]
    }

    /// The group's design duty in full-load cycles (C · Kp).
    pub const fn design_full_load_cycles(self) -> f64 {
        DESIGN_CYCLES[self as usize]
    }
}
