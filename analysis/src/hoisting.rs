//! Hoisting classes HC1 to HC4 of EN 13001-2: how much more than its weight a load may pull when it is taken up from the
//! ground.
//!
//! φ2 = φ2,min + β2 · vh, with vh the steady speed of the hook at take-up in m/s. All values are from memory (mark C): check
//! against the standard.

use crate::mark::Mark;

/// Hoisting class.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum HoistingClass {
    /// The softest: flexible crane, gentle take-up.
    HC1,
    /// Rather soft.
    HC2,
    /// Rather stiff.
    HC3,
    /// The stiffest.
    HC4,
}

impl HoistingClass {
    /// All of them, softest first.
    pub const ALL: [HoistingClass; 4] =
        [HoistingClass::HC1, HoistingClass::HC2, HoistingClass::HC3, HoistingClass::HC4];

    /// The standard.
    pub const EDITION: &str = "EN 13001-2";

    /// How sure the values are.
    pub const MARK: Mark = Mark::C;

    /// The class as the standard writes it.
    pub const fn name(self) -> &'static str {
        ["HC1", "HC2", "HC3", "HC4"][self as usize]
    }

    /// The class of a name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|class| class.name() == name)
    }

    /// φ2 at a hook speed in m/s, in thousandths: φ2,min + β2 · vh.
    ///
    /// ```
    /// use tallyhook_analysis::hoisting::HoistingClass;
    /// assert_eq!(HoistingClass::HC2.factor_permille(0.1), 1134); // 1.10 + 0.34 · 0.1
    /// ```
    pub fn factor_permille(self, hook_m_s: f64) -> u32 {
        let (least, slope) = [(1.05, 0.17), (1.10, 0.34), (1.15, 0.51), (1.20, 0.68)][self as usize];
        ((least + slope * hook_m_s.max(0.0)) * 1000.0).round() as u32
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_class_is_a_twentieth_and_one_slope_above_the_one_before() {
        // Independent statement, from memory: φ2,min rises by 0.05 a class from 1.05, β2 is a multiple of 0.17 s/m.
        for (i, class) in HoistingClass::ALL.into_iter().enumerate() {
            assert_eq!(class.factor_permille(0.0), 1050 + 50 * i as u32);
            assert_eq!(class.factor_permille(1.0), 1050 + 50 * i as u32 + 170 * (i as u32 + 1));
            assert_eq!(HoistingClass::from_name(class.name()), Some(class));
        }
        assert_eq!(HoistingClass::MARK.caution(), Some("check against the standard"));
    }
}
