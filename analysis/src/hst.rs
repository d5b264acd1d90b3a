//! Duty classes H1 to H5 of electric wire-rope hoists, ASME HST.
//!
//! The ratings of a class hold at a mean effective load factor K of 0.65; K is the cube-root scale
//! ([`crate::selection::cube_root_scale`]), by running time. Duty of H1 to H4 is mark A, of H5 and the life of H4 and
//! H5 mark C.

use crate::mark::Mark;

/// The standard that every class of this module belongs to.
pub const EDITION: &str = "ASME HST";

/// The mean effective load factor at which the ratings hold, cube-root scale.
pub const RATED_AT: f64 = 0.65;

/// Duty class of a hoist. H1 and H2 have the same duty; H2 has twice the life.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum HoistClass {
    /// Infrequent or standby.
    H1,
    /// Light.
    H2,
    /// Standard.
    H3,
    /// Heavy.
    H4,
    /// Severe.
    H5,
}

/// What a class is rated for, at [`RATED_AT`].
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct HoistDuty {
    /// Running minutes an hour when the work is evenly spread.
    pub minutes_an_hour: f64,
    /// Starts an hour when the work is evenly spread.
    pub starts_an_hour: u32,
    /// Longest run from cold, minutes, and starts in it; `None` for H5, which has no infrequent duty.
    pub infrequent: Option<(u32, u32)>,
    /// Design life, running hours.
    pub life_hours: u32,
    /// How sure the duty is.
    pub duty_mark: Mark,
    /// How sure the life is.
    pub life_mark: Mark,
}

impl HoistClass {
    /// All of them, lightest first.
    pub const ALL: [HoistClass; 5] = [HoistClass::H1, HoistClass::H2, HoistClass::H3, HoistClass::H4, HoistClass::H5];

    /// The class as the standard writes it.
    pub const fn name(self) -> &'static str {
        ["H1", "H2", "H3", "H4", "H5"][self as usize]
    }

    /// What the class is rated for.
    pub const fn duty(self) -> HoistDuty {
        let (minutes_an_hour, starts_an_hour, infrequent, life_hours, duty_mark, life_mark) = match self {
            HoistClass::H1 => (7.5, 75, Some((15, 100)), 1_250, Mark::A, Mark::A),
            HoistClass::H2 => (7.5, 75, Some((15, 100)), 2_500, Mark::A, Mark::A),
            HoistClass::H3 => (15.0, 150, Some((30, 200)), 5_000, Mark::A, Mark::A),
            HoistClass::H4 => (30.0, 300, Some((30, 300)), 10_000, Mark::A, Mark::C),
            HoistClass::H5 => (60.0, 600, None, 20_000, Mark::C, Mark::C),
        };
        HoistDuty { minutes_an_hour, starts_an_hour, infrequent, life_hours, duty_mark, life_mark }
    }

    /// The lightest class whose duty holds running minutes and starts an hour, evenly spread; `None` above H5.
    ///
    /// ```
    /// use tallyhook_analysis::hst::HoistClass;
    /// assert_eq!(HoistClass::holding(15.0, 150), Some(HoistClass::H3));
    /// assert_eq!(HoistClass::holding(15.0, 151), Some(HoistClass::H4));
    /// assert_eq!(HoistClass::holding(15.0, 601), None);
    /// ```
    pub fn holding(minutes_an_hour: f64, starts_an_hour: u32) -> Option<Self> {
        Self::ALL.into_iter().find(|class| {
            let duty = class.duty();
            minutes_an_hour <= duty.minutes_an_hour && starts_an_hour <= duty.starts_an_hour
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_class_has_ten_starts_a_running_minute_and_doubles_the_one_before() {
        // Independent statements: the duty table prints minutes an hour as percent of the hour, 12.5, 25, 50 and 100; ten
        // starts go with each running minute (a mean run of 6 s, as in FEM 9.683); life doubles from class to class.
        let percent: Vec<f64> = HoistClass::ALL.iter().map(|c| c.duty().minutes_an_hour / 0.6).collect();
        assert_eq!(percent, [12.5, 12.5, 25.0, 50.0, 100.0]);
        for class in HoistClass::ALL {
            let duty = class.duty();
            assert_eq!(f64::from(duty.starts_an_hour), 10.0 * duty.minutes_an_hour, "{}", class.name());
        }
        let lives: Vec<u32> = HoistClass::ALL.iter().map(|c| c.duty().life_hours).collect();
        assert!(lives.windows(2).all(|w| w[1] == 2 * w[0]), "{lives:?}");
        assert_eq!(lives[0], 1_250);
    }

    #[test]
    fn infrequent_duty_is_a_hundred_starts_a_step() {
        let rows: Vec<_> = HoistClass::ALL.iter().map(|c| c.duty().infrequent).collect();
        assert_eq!(rows, [Some((15, 100)), Some((15, 100)), Some((30, 200)), Some((30, 300)), None]);
        // Independent statement: no class allows fewer starts in its infrequent duty than in an evenly spread hour's quarter.
        for duty in HoistClass::ALL.map(HoistClass::duty) {
            if let Some((minutes, starts)) = duty.infrequent {
                assert!(f64::from(minutes) >= duty.minutes_an_hour && starts >= duty.starts_an_hour);
            }
        }
    }

    #[test]
    fn what_is_from_memory_says_so() {
        assert_eq!(HoistClass::H4.duty().life_mark.caution(), Some("check against the standard"));
        assert_eq!(HoistClass::H4.duty().duty_mark.caution(), None);
        assert_eq!(HoistClass::H5.duty().duty_mark.caution(), Some("check against the standard"));
    }
}
