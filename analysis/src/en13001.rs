//! The load spectrum classes Q0 to Q5 of EN 13001-1, which ISO 4301-1:2016 writes Qp0 to Qp5.
//!
//! **Same letters, other limits:** Q2 ends at 0.125 here and at 0.25 in ISO 4301-1:1986
//! ([`crate::class::ApplianceLoading`]). Both scales are cubic and by lifts. Name the edition beside the class. The 2016
//! edition's matrix of groups was not found; a group of this crate is always one of 1986.

use std::fmt;

use crate::mark::Mark;

/// Load spectrum class, by the load spectrum factor kQ (Kp), cubic scale.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum SpectrumClass {
    /// Up to 0.0313.
    Q0,
    /// Up to 0.0625.
    Q1,
    /// Up to 0.125.
    Q2,
    /// Up to 0.25.
    Q3,
    /// Up to 0.5.
    Q4,
    /// Up to 1.
    Q5,
}

/// Upper limits of kQ, Q0 to Q5 (Q0 and Q1: B; the others: C).
const LIMITS: [f64; 6] = [0.0313, 0.0625, 0.125, 0.25, 0.5, 1.0];

impl SpectrumClass {
    /// All of them, lightest first.
    pub const ALL: [SpectrumClass; 6] = [
        SpectrumClass::Q0,
        SpectrumClass::Q1,
        SpectrumClass::Q2,
        SpectrumClass::Q3,
        SpectrumClass::Q4,
        SpectrumClass::Q5,
    ];

    /// The standard of [`SpectrumClass::name`].
    pub const EDITION: &str = "EN 13001-1";

    /// The standard and edition of [`SpectrumClass::iso_name`].
    pub const ISO_EDITION: &str = "ISO 4301-1:2016";

    /// The class of a load spectrum factor; a limit belongs to its class. `None` above 1 and for NaN.
    ///
    /// ```
    /// use tallyhook_analysis::{class::ApplianceLoading, en13001::SpectrumClass};
    /// assert_eq!(SpectrumClass::of(0.125), Some(SpectrumClass::Q2));
    /// assert_eq!(ApplianceLoading::of(0.125), Some(ApplianceLoading::Q1)); // 1986
    /// ```
    pub fn of(kq: f64) -> Option<Self> {
        LIMITS.iter().position(|&limit| kq <= limit).map(|i| Self::ALL[i])
    }

    /// Upper limit of kQ.
    pub const fn limit(self) -> f64 {
        LIMITS[self as usize]
    }

    /// How sure the limit is.
    pub const fn mark(self) -> Mark {
        match self {
            SpectrumClass::Q0 | SpectrumClass::Q1 => Mark::B,
            _ => Mark::C,
        }
    }

    /// The class as EN 13001-1 writes it.
    pub const fn name(self) -> &'static str {
        ["Q0", "Q1", "Q2", "Q3", "Q4", "Q5"][self as usize]
    }

    /// The class as ISO 4301-1:2016 writes it.
    pub const fn iso_name(self) -> &'static str {
        ["Qp0", "Qp1", "Qp2", "Qp3", "Qp4", "Qp5"][self as usize]
    }
}

impl fmt::Display for SpectrumClass {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::class::ApplianceLoading;

    #[test]
    fn limits_are_halvings_of_one_rounded_up_to_four_places() {
        // Independent statement: class Q5 ends at 1 and each class below at half of the next; 1/32 = 0.03125 is printed as
        // 0.0313.
        for (i, class) in SpectrumClass::ALL.into_iter().enumerate() {
            let half = 0.5_f64.powi(5 - i as i32);
            assert_eq!(class.limit(), (half * 1e4).round() / 1e4, "{class}");
            assert_eq!(SpectrumClass::of(class.limit()), Some(class));
            assert_eq!(SpectrumClass::of(class.limit().next_up()), SpectrumClass::ALL.get(i + 1).copied());
            assert_eq!(class.iso_name(), format!("Qp{i}"));
        }
        assert_eq!((SpectrumClass::of(0.0), SpectrumClass::of(f64::NAN)), (Some(SpectrumClass::Q0), None));
    }

    #[test]
    fn from_q2_up_it_is_the_class_of_1986_one_letter_on() {
        // Independent statement: ISO 4301-1:1986 table 2, seen in several prints, has the same four limits under Q1 to Q4.
        for (old, new) in ApplianceLoading::ALL.iter().zip(&SpectrumClass::ALL[2..]) {
            assert_eq!(old.limit(), new.limit());
            assert_eq!(new.mark().caution(), Some("check against the standard"));
        }
    }
}
