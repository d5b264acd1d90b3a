//! Group in use: what a crane or a mechanism is really being used as.
//!
//! No standard defines it; this is our arithmetic on FEM 9.755 table 1 and ISO 4301-1:1986 tables 1 to 6, both by the
//! pace of the record:
//!
//! - a mechanism is in the lowest M whose D holds ten years of the full-load hours that it now makes a year (ten years are
//!   what FEM's D stands for);
//! - a crane is in the A of the lifts that it would make in its design life, at the spectrum of its lifts so far.
//!
//! Both say nothing on less than four weeks of record. Use and span must belong together: the whole span of the record
//! with what ran in its gaps, as the ledger books it; a recorder that is switched off with its crane has nothing to add.

use crate::class::{ApplianceGroup, ApplianceLoading, CycleClass, MechanismGroup};
use crate::units::{MS_PER_HOUR, Span};

/// The years of use that FEM's D stands for.
pub const FEM_YEARS: f64 = 10.0;

/// Below this span of record nothing is said: four weeks.
pub const LEAST_RECORD: Span = Span::from_ms(28 * 24 * MS_PER_HOUR);

/// Hours in a year of 365.25 days.
const HOURS_PER_YEAR: f64 = 8766.0;

/// A group in use, or why there is none.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "kebab-case"))]
pub enum InUse<G> {
    /// The record is shorter than [`LEAST_RECORD`].
    TooLittleRecord,
    /// This group.
    Group(G),
    /// Harder use than the highest group, which is named, is made for.
    Above(G),
}

impl<G: Copy> InUse<G> {
    /// The group, the highest one where use is harder still; `None` with too little record.
    pub fn group(self) -> Option<G> {
        match self {
            InUse::TooLittleRecord => None,
            InUse::Group(group) | InUse::Above(group) => Some(group),
        }
    }
}

/// Years in a span of record; `None` where it is too short to speak.
///
/// ```
/// use tallyhook_analysis::{in_use::years, units::Span};
/// assert_eq!(years(Span::from_hours(8766.0)), Some(1.0));
/// assert_eq!(years(Span::from_hours(27.9 * 24.0)), None);
/// ```
pub fn years(observed: Span) -> Option<f64> {
    (observed >= LEAST_RECORD).then(|| observed.as_hours() / HOURS_PER_YEAR)
}

/// The group that a mechanism is used as: the lowest M whose D (FEM 9.755 table 1, full load) holds ten years of
/// `full_load_hours` in `observed`.
///
/// ```
/// use tallyhook_analysis::{class::MechanismGroup, in_use::{InUse, mechanism_in_use}, units::Span};
/// let year = Span::from_hours(8766.0);
/// assert_eq!(mechanism_in_use(160.0, year), InUse::Group(MechanismGroup::M5)); // D of M5 is 1,600 h
/// assert_eq!(mechanism_in_use(160.1, year), InUse::Group(MechanismGroup::M6));
/// assert_eq!(mechanism_in_use(1_300.0, year), InUse::Above(MechanismGroup::M8));
/// ```
pub fn mechanism_in_use(full_load_hours: f64, observed: Span) -> InUse<MechanismGroup> {
    let Some(years) = years(observed) else { return InUse::TooLittleRecord };
    let hours = full_load_hours / years * FEM_YEARS;
    let group = MechanismGroup::holding(hours);
    if hours <= group.design_full_load_hours() { InUse::Group(group) } else { InUse::Above(group) }
}

/// The group that a crane is used as: ISO 4301-1:1986 table 3 for the lifts of `design_life_years` at the pace of
/// `lifts` in `observed`, and the load spectrum factor `kp` of those lifts (cubic scale; `None` without lifts, which is
/// the lightest use).
///
/// A Kp above 1 has no state of loading. The group is then the one whose full-load cycles hold C · Kp, and never below
/// the one of Q4. A8 is open above.
///
/// ```
/// use tallyhook_analysis::{class::ApplianceGroup, in_use::{InUse, appliance_in_use}, units::Span};
/// let year = Span::from_hours(8766.0);
/// // 25,000 a year are 500,000 in twenty: U5, and with Q2 A5.
/// assert_eq!(appliance_in_use(25_000.0, Some(0.25), year, 20.0), InUse::Group(ApplianceGroup::A5));
/// assert_eq!(appliance_in_use(25_000.0, Some(1.331), year, 20.0), InUse::Group(ApplianceGroup::A8));
/// ```
pub fn appliance_in_use(lifts: f64, kp: Option<f64>, observed: Span, design_life_years: f64) -> InUse<ApplianceGroup> {
    let Some(years) = years(observed) else { return InUse::TooLittleRecord };
    let cycles = lifts / years * design_life_years;
    let kp = kp.unwrap_or(0.0);
    let class = CycleClass::of(cycles);
    let loading = ApplianceLoading::of(kp);
    let by_matrix = ApplianceGroup::of(loading.unwrap_or(ApplianceLoading::Q4), class);
    InUse::Group(if loading.is_some() { by_matrix } else { by_matrix.max(ApplianceGroup::holding(cycles * kp)) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn under_four_weeks_nothing_is_said() {
        let short = Span::from_ms(LEAST_RECORD.as_ms() - 1);
        assert_eq!(mechanism_in_use(1.0, short), InUse::TooLittleRecord);
        assert_eq!(appliance_in_use(1.0, Some(0.1), short, 20.0).group(), None);
        assert!(mechanism_in_use(1.0, LEAST_RECORD).group().is_some());
        assert!(appliance_in_use(0.0, None, LEAST_RECORD, 20.0).group().is_some());
    }

    #[test]
    fn a_mechanism_used_as_designed_is_in_its_own_group() {
        // Independent statement: D stands for about ten years of use as intended (FEM 9.755), so a tenth of D a year is
        // the group itself, and a little more the next one.
        let ten_years = Span::from_hours(10.0 * HOURS_PER_YEAR);
        for (i, &group) in MechanismGroup::ALL.iter().enumerate() {
            let design = group.design_full_load_hours();
            assert_eq!(mechanism_in_use(design, ten_years), InUse::Group(group));
            let next = MechanismGroup::ALL.get(i + 1).map_or(InUse::Above(group), |&g| InUse::Group(g));
            assert_eq!(mechanism_in_use(design * 1.001, ten_years), next);
        }
    }

    proptest! {
        #[test]
        fn harder_use_is_never_a_lower_group(
            lifts in 0.0_f64..1e6, more in 1.0_f64..3.0, kp in 0.0_f64..2.0, heavier in 1.0_f64..3.0, days in 28.0_f64..4000.0,
        ) {
            let span = Span::from_hours(days * 24.0);
            let now = appliance_in_use(lifts, Some(kp), span, 20.0).group();
            prop_assert!(appliance_in_use(lifts * more, Some(kp), span, 20.0).group() >= now);
            prop_assert!(appliance_in_use(lifts, Some(kp * heavier), span, 20.0).group() >= now);
            let hours = lifts / 100.0;
            prop_assert!(mechanism_in_use(hours * more, span).group() >= mechanism_in_use(hours, span).group());
        }
    }
}
