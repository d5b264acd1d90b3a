//! Classes and groups of the standards, strictly: a limit belongs to its class.
//!
//! Edition: ISO 4301-1:1986 (with FEM 1.001, FEM 9.511, FEM 9.755, which rest on it). The 2016 edition classes
//! mechanisms by cycles and has its own group matrix; nothing here may be labelled with it. How sure each row is, is
//! said by a [`Mark`]; what carries mark C must never be shown without [`Mark::caution`].
//!
//! Every look-up takes the lowest class whose limit holds the value. Values that are no quantity (NaN, negative) are
//! refused before they come here; NaN is answered like a value above every limit, a negative value like zero.

use std::fmt;

use crate::mark::Mark;

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

/// Upper limits of the average daily running time of T1 to T7, hours (FEM 9.511; A from T3 up, B below).
const DAILY_LIMITS: [f64; 7] = [0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0];

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
    /// The class of a load spectrum factor Kp (ISO 4301-1:1986 table 2, mark A); `None` above Q4 and for NaN.
    ///
    /// The same letters mean other limits in EN 13001-1, where Q2 ends at 0.125: name the edition beside the class.
    pub fn of(kp: f64) -> Option<Self> {
        strict(Self::ALL, &LOADING_LIMITS, kp)
    }

    /// Upper limit of Kp.
    pub const fn limit(self) -> f64 {
        LOADING_LIMITS[self as usize]
    }
}

impl TimeClass {
    /// How sure the limit is: the ends of the row are from memory.
    pub const fn mark(self) -> Mark {
        match self {
            TimeClass::T0 | TimeClass::T9 => Mark::C,
            _ => Mark::A,
        }
    }

    /// The class of a total of running hours of hoisting and lowering over the design life, T, hours (ISO
    /// 4301-1:1986 table 4); everything above 50,000 h is T9.
    ///
    /// ```
    /// use tallyhook_analysis::class::TimeClass;
    /// assert_eq!(TimeClass::of(6_300.0), TimeClass::T5); // the limit belongs to its class
    /// assert_eq!(TimeClass::of(6_300.1), TimeClass::T6);
    /// ```
    pub fn of(hours: f64) -> Self {
        strict(Self::ALL, &TIME_LIMITS, hours).unwrap_or(TimeClass::T9)
    }

    /// Upper limit, hours.
    pub const fn limit(self) -> f64 {
        TIME_LIMITS[self as usize]
    }

    /// The class of an average daily running time, hours a working day, by the daily limits that FEM 9.511 puts
    /// beside the classes: 0.25 h (T1), 0.5, 1, 2, 4, 8, 16 h (T7), above that T8. Mark A from T3 up, B below. FEM
    /// gives T0 and T9 no daily time.
    pub fn of_daily_hours(hours: f64) -> Self {
        strict(&Self::ALL[1..8], &DAILY_LIMITS, hours).unwrap_or(TimeClass::T8)
    }
}

impl CycleClass {
    /// The class of a total of hoisting cycles over the design life, C (ISO 4301-1:1986 table 1, mark A); everything
    /// above 4,000,000 is U9. One cycle: from one load ready to be lifted to the next.
    ///
    /// ```
    /// use tallyhook_analysis::class::CycleClass;
    /// assert_eq!(CycleClass::of(500_000.0), CycleClass::U5);
    /// assert_eq!(CycleClass::of(500_001.0), CycleClass::U6);
    /// ```
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
    ///
    /// ```
    /// use tallyhook_analysis::class::{MechanismGroup, MechanismLoading, TimeClass};
    /// assert_eq!(MechanismGroup::of(MechanismLoading::L2, TimeClass::T5), MechanismGroup::M5);
    /// ```
    pub fn of(loading: MechanismLoading, time: TimeClass) -> Self {
        Self::ALL[usize::from(MECHANISM_MATRIX[loading as usize][time as usize]) - 1]
    }

    /// How sure [`MechanismGroup::of`] is of a cell: the corners that one reprint leaves blank and ISO fills with M1
    /// and M8 are from memory.
    pub const fn mark(loading: MechanismLoading, time: TimeClass) -> Mark {
        // Each step along a diagonal doubles T · km; steps 2 to 9 are M1 to M8, beyond them corners are filled.
        let step = loading as usize + time as usize;
        if step < 2 || step > 9 { Mark::C } else { Mark::A }
    }

    /// The group that FEM 9.511 asks for at an average daily running time, hours a working day, and a load spectrum
    /// class; `None` where its table names none (harder than 4m). Mark B, agrees with the matrix of table 6.
    ///
    /// ```
    /// use tallyhook_analysis::class::{MechanismGroup, MechanismLoading};
    /// assert_eq!(MechanismGroup::for_daily_hours(MechanismLoading::L3, 3.2), Some(MechanismGroup::M6));
    /// assert_eq!(MechanismGroup::for_daily_hours(MechanismLoading::L4, 5.0), None);
    /// ```
    pub fn for_daily_hours(loading: MechanismLoading, hours: f64) -> Option<Self> {
        // 1Bm to 4m; the row of light loads has no upper end.
        const ROWS: [[f64; 5]; 4] = [
            [2.0, 4.0, 8.0, 16.0, f64::INFINITY],
            [1.0, 2.0, 4.0, 8.0, 16.0],
            [0.5, 1.0, 2.0, 4.0, 8.0],
            [0.25, 0.5, 1.0, 2.0, 4.0],
        ];
        strict(&Self::ALL[2..7], &ROWS[loading as usize], hours)
    }

    /// The name of the same group in FEM 9.511.
    pub const fn fem_name(self) -> &'static str {
        ["1Dm", "1Cm", "1Bm", "1Am", "2m", "3m", "4m", "5m"][self as usize]
    }

    /// The group of either name, ISO (`M5`) or FEM (`2m`).
    pub fn parse(name: &str) -> Option<Self> {
        Self::from_name(name).or_else(|| Self::ALL.iter().copied().find(|g| g.fem_name().eq_ignore_ascii_case(name)))
    }

    /// D, the theoretical service life in full-load hours: the L4 row of FEM 9.755 (06.1993) table 1, mark A. A
    /// calculated value for about ten years of use as intended, no promise: early failure remains possible.
    ///
    /// ```
    /// use tallyhook_analysis::class::MechanismGroup;
    /// assert_eq!(MechanismGroup::M5.design_full_load_hours(), 1600.0);
    /// ```
    pub const fn design_full_load_hours(self) -> f64 {
        DESIGN_HOURS[3][self as usize]
    }

    /// D in running hours at the limit of a load spectrum class: the other rows of FEM 9.755 (06.1993) table 1, mark
    /// A. These hours are not to be held against S, which is in full-load hours: that would count a light spectrum
    /// twice.
    pub const fn design_hours_at(self, loading: MechanismLoading) -> f64 {
        DESIGN_HOURS[loading as usize][self as usize]
    }

    /// The lowest group whose D holds `full_load_hours`; M8 when none does. Our arithmetic on FEM 9.755 table 1; no
    /// standard defines a "group in use".
    pub fn holding(full_load_hours: f64) -> Self {
        strict(Self::ALL, &DESIGN_HOURS[3], full_load_hours).unwrap_or(MechanismGroup::M8)
    }
}

impl ApplianceGroup {
    /// The group for a class of utilisation and a state of loading, ISO 4301-1:1986 table 3.
    pub fn of(loading: ApplianceLoading, cycles: CycleClass) -> Self {
        Self::ALL[usize::from(APPLIANCE_MATRIX[loading as usize][cycles as usize]) - 1]
    }

    /// The lowest group whose full-load cycles hold `full_load_cycles`; A8, which is open above, when none does.
    pub fn holding(full_load_cycles: f64) -> Self {
        strict(Self::ALL, &DESIGN_CYCLES, full_load_cycles).unwrap_or(ApplianceGroup::A8)
    }

    /// The group's design duty in full-load cycles (C · Kp); for A8, which is open above, its least.
    pub const fn design_full_load_cycles(self) -> f64 {
        DESIGN_CYCLES[self as usize]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The step of the doubling row that a product stands on; R10 numbers are up to 2.4 % off a doubling.
    fn doubling(product: f64, first: f64) -> i32 {
        let step = (product / first).log2();
        assert!((step - step.round()).abs() < 0.05, "{product} is on no diagonal");
        step.round() as i32
    }

    #[test]
    fn every_mechanism_cell_is_on_its_diagonal_of_constant_time_times_spectrum_factor() {
        // Independent statement: T · km is constant along a diagonal, M1 being 100 full-load hours (FEM 9.755's
        // lowest D), and the corners are filled with M1 and M8.
        for &loading in MechanismLoading::ALL {
            for &time in TimeClass::ALL {
                let step = doubling(time.limit() * loading.limit(), 100.0);
                let expected = step.clamp(0, 7) as usize;
                assert_eq!(MechanismGroup::of(loading, time) as usize, expected, "{loading} {time}");
                let filled = !(0..=7).contains(&step);
                assert_eq!(MechanismGroup::mark(loading, time) == Mark::C, filled, "{loading} {time}");
            }
        }
    }

    #[test]
    fn every_appliance_cell_is_on_its_diagonal_of_constant_cycles_times_spectrum_factor() {
        // Independent statement: C · Kp is constant along a diagonal, A1 being 8,000 full-load cycles. U9 is read as
        // the 8,000,000 that the 2016 edition ends it at.
        for &loading in ApplianceLoading::ALL {
            for &cycles in CycleClass::ALL {
                let step = doubling(cycles.limit().unwrap_or(8_000_000.0) * loading.limit(), 8_000.0);
                let expected = step.clamp(0, 7) as usize;
                assert_eq!(ApplianceGroup::of(loading, cycles) as usize, expected, "{loading} {cycles}");
            }
        }
    }

    #[test]
    fn every_design_life_times_its_spectrum_factor_is_the_full_load_row() {
        // Independent statement: all rows of FEM 9.755 table 1 are one budget; R10 rounding moves it by at most 2.4 %.
        for &group in MechanismGroup::ALL {
            for &loading in MechanismLoading::ALL {
                let full = group.design_hours_at(loading) * loading.limit();
                let off = full / group.design_full_load_hours() - 1.0;
                assert!(off.abs() < 0.024, "{group} {loading}: {off}");
            }
        }
    }

    #[test]
    fn design_life_is_the_limit_of_the_time_class_that_gives_the_group() {
        // Independent statement: FEM 9.755 table 1 and ISO 4301-1:1986 tables 4 to 6 are the same budget, so each D is
        // the limit of a time class, and that class with that spectrum gives the group back.
        for &group in MechanismGroup::ALL {
            for &loading in MechanismLoading::ALL {
                let hours = group.design_hours_at(loading);
                if hours < 200.0 {
                    continue; // M1 at full load, 100 h, is below T0's limit
                }
                assert_eq!(TimeClass::of(hours).limit(), hours, "{group} {loading}");
                assert_eq!(MechanismGroup::of(loading, TimeClass::of(hours)), group, "{loading} {hours}");
            }
        }
    }

    #[test]
    fn design_cycles_are_the_lowest_and_highest_product_of_the_group() {
        // Independent statement: no cell of group A asks for more full-load cycles than the group stands for.
        for &loading in ApplianceLoading::ALL {
            for &cycles in &CycleClass::ALL[..9] {
                let product = cycles.limit().unwrap() * loading.limit();
                let group = ApplianceGroup::of(loading, cycles);
                if group == ApplianceGroup::A8 {
                    assert!(product >= 0.98 * group.design_full_load_cycles(), "{loading} {cycles}");
                } else {
                    assert!(product <= 1.024 * group.design_full_load_cycles(), "{loading} {cycles}");
                    assert!(ApplianceGroup::holding(product * 0.976) <= group, "{loading} {cycles}");
                }
            }
        }
    }

    #[test]
    fn limits_are_the_rounded_doublings_of_the_preferred_numbers() {
        // Independent statement: every row doubles in the R10 series of preferred numbers (ISO 3), 1.6 2 … 6.3 12.5,
        // within its rounding.
        for row in [&TIME_LIMITS[..], &CYCLE_LIMITS[..], &LOADING_LIMITS[..], &DAILY_LIMITS[..]] {
            for pair in row.windows(2) {
                assert!((pair[1] / pair[0] - 2.0).abs() <= 0.032, "{pair:?}");
            }
        }
        // The anchors, one of each row, as the standards' text names them.
        assert_eq!((TimeClass::T5.limit(), CycleClass::U5.limit()), (6_300.0, Some(500_000.0)));
        assert_eq!((MechanismLoading::L4.limit(), ApplianceLoading::Q1.limit()), (1.0, 0.125));
    }

    #[test]
    fn time_classes_are_the_daily_hours_of_fem_over_ten_years_of_250_days() {
        // Independent statement (a trade article on FEM 9.755): ten years of 250 days, at the middle of the daily
        // class, are the class's hours. The middle is 0.64 of the upper daily limit.
        for (&daily, &time) in DAILY_LIMITS.iter().zip(&TimeClass::ALL[1..8]) {
            let hours = daily * 0.64 * 250.0 * 10.0;
            assert!((hours / time.limit() - 1.0).abs() < 0.03, "{time}: {hours}");
            assert_eq!(TimeClass::of_daily_hours(daily), time);
            assert!(TimeClass::of_daily_hours(daily * 1.001) > time);
        }
        assert_eq!(TimeClass::of_daily_hours(24.0), TimeClass::T8);
    }

    #[test]
    fn every_daily_cell_of_fem_9511_is_the_matrix_at_the_daily_class() {
        // Independent statement: FEM 9.511's selection by daily hours and ISO's matrix by T are the same table.
        for &loading in MechanismLoading::ALL {
            for daily in [0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 24.0] {
                let by_matrix = MechanismGroup::of(loading, TimeClass::of_daily_hours(daily));
                match MechanismGroup::for_daily_hours(loading, daily) {
                    Some(MechanismGroup::M3) => assert!(by_matrix <= MechanismGroup::M3, "{loading} {daily}"),
                    Some(group) => assert_eq!(group, by_matrix, "{loading} {daily}"),
                    None => assert_eq!(by_matrix, MechanismGroup::M8, "{loading} {daily}"),
                }
            }
        }
    }

    #[test]
    fn limits_belong_to_their_class_and_the_next_value_does_not() {
        for (i, &class) in MechanismLoading::ALL.iter().enumerate() {
            assert_eq!(MechanismLoading::of(class.limit()), Some(class));
            let above = MechanismLoading::of(class.limit().next_up());
            assert_eq!(above, MechanismLoading::ALL.get(i + 1).copied());
            assert_eq!(ApplianceLoading::of(class.limit()).map(|q| q as usize), Some(i));
            assert_eq!(ApplianceLoading::of(class.limit().next_up()).map(|q| q as usize), above.map(|l| l as usize));
        }
        for (i, &class) in TimeClass::ALL.iter().enumerate() {
            assert_eq!(TimeClass::of(class.limit()), class);
            assert_eq!(TimeClass::of(class.limit().next_up()) as usize, (i + 1).min(9));
        }
        for (i, &class) in CycleClass::ALL.iter().enumerate() {
            if let Some(limit) = class.limit() {
                assert_eq!(CycleClass::of(limit), class);
                assert_eq!(CycleClass::of(limit + 1.0) as usize, i + 1);
            }
        }
        assert_eq!(CycleClass::of(f64::INFINITY), CycleClass::U9);
        assert_eq!(MechanismLoading::of(f64::NAN), None);
    }

    #[test]
    fn every_group_holds_its_own_design_duty_and_not_more() {
        for (i, &group) in MechanismGroup::ALL.iter().enumerate() {
            assert_eq!(MechanismGroup::holding(group.design_full_load_hours()), group);
            assert_eq!(MechanismGroup::holding(group.design_full_load_hours().next_up()) as usize, (i + 1).min(7));
        }
        for (i, &group) in ApplianceGroup::ALL.iter().enumerate() {
            assert_eq!(ApplianceGroup::holding(group.design_full_load_cycles()), group);
            assert_eq!(ApplianceGroup::holding(group.design_full_load_cycles() + 1.0) as usize, (i + 1).min(7));
        }
    }

    #[test]
    fn fem_names_are_read_as_the_iso_group() {
        // FEM 9.511 section 2 and the motor table of FEM 9.683 name the same rows in rising order.
        let names: Vec<&str> = MechanismGroup::ALL.iter().map(|g| g.fem_name()).collect();
        assert_eq!(names, ["1Dm", "1Cm", "1Bm", "1Am", "2m", "3m", "4m", "5m"]);
        for &group in MechanismGroup::ALL {
            assert_eq!(MechanismGroup::parse(group.fem_name()), Some(group));
            assert_eq!(MechanismGroup::parse(&group.name().to_lowercase()), Some(group));
        }
        assert_eq!(MechanismGroup::parse("1Em"), None); // a maker's word, not in FEM 9.511
    }
}
