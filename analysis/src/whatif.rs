//! What if: the crane's own record, lived again under another rating, group or amount of work.
//!
//! Made from stored histograms alone, so it works years later. Past use stays in full-load hours of the rating it was
//! done at; S, D and the used share are those of the day. Lowering the rating from P to P' = r·P makes the same budget
//! (D − S)/r³ full-load hours of the new rating (exponent 3 as in FEM 9.755 and ISO 4301-1:1986); it leaves S/D as it
//! was, and only what the loads do afterwards changes the end.
//!
//! Weak points: a split load is taken as equal parts, each with the running time of the whole, and each added or
//! dropped lift with its share of the empty-hook running; dead load does not change with the rating.

use crate::class::MechanismGroup;
use crate::forecast::{DayUse, Forecast, Question, forecast};
use crate::histogram::Histogram;
use crate::units::{Grams, MS_PER_HOUR};

/// Years that a group's D is meant for: ten (FEM 9.755, by way of the daily classes of FEM 9.511).
pub const DESIGN_YEARS: f64 = 10.0;
/// Least record that a group in use is said from, days.
pub const LEAST_DAYS: f64 = 28.0;
/// Running at a payload up to this share of the rated load is taken as running with an empty hook (the lift
/// detection's default).
const EMPTY_SHARE: f64 = 0.05;

/// What was recorded of a mechanism.
#[derive(Clone, PartialEq, Debug)]
pub struct Observed {
    /// Rated load P, without dead load; positive.
    pub rated: Grams,
    /// Dead load that moves with every load.
    pub dead_load: Grams,
    /// Running milliseconds by load, dead load included.
    pub running: Histogram,
    /// Lifts by settled load, without dead load.
    pub lifts: Histogram,
    /// Days of record that both stand for.
    pub days: f64,
    /// S, full-load hours of P used up to now.
    pub used: f64,
    /// S when the day `as_of` began, which the forecast goes from.
    pub used_before_today: f64,
    /// D, full-load hours of P.
    pub design: f64,
}

/// What becomes of loads above a lowered rating.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Above {
    /// Lifted as before: overloads of the new rating.
    #[default]
    Lifted,
    /// Divided into the least number of equal lifts that the new rating allows.
    Split,
    /// Not lifted.
    Refused,
}

/// What is changed. The default changes nothing.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Change {
    /// Another rated load.
    pub rated: Option<Grams>,
    /// What becomes of the loads above it.
    pub above: Above,
    /// D of another duty group (or the maker's own), full-load hours of the present rating: the hoist is judged as
    /// if it were of that group, and so its used share changes.
    pub design: Option<f64>,
    /// Factor on the number of lifts, 0 or more.
    pub lifts: f64,
    /// Share of the work, 0 to 1, that another crane takes over, lifts of all loads alike.
    pub moved: f64,
}

impl Default for Change {
    fn default() -> Self {
        Change { rated: None, above: Above::Lifted, design: None, lifts: 1.0, moved: 0.0 }
    }
}

/// What follows from a change.
#[derive(Clone, PartialEq, Debug)]
pub struct Answer {
    /// S/D on the day.
    pub used_share: f64,
    /// r³ on the rated base (dead load included): full-load hours of the new rating times this are those of the old.
    pub rating_cubed: f64,
    /// (D − S)/r³, full-load hours of the new rating; negative when the period is over.
    pub remaining_full_load_hours: f64,
    /// Full-load hours a year of the new rating.
    pub full_load_hours_a_year: f64,
    /// Running hours a year.
    pub running_hours_a_year: f64,
    /// km on the new rating, cubic scale; above 1 with overload. `None` when nothing runs.
    pub spectrum_factor: Option<f64>,
    /// Lifts a year.
    pub lifts_a_year: f64,
    /// Lifts a year that are refused.
    pub refused_lifts_a_year: f64,
    /// Lifts a year above the new rating.
    pub overload_lifts_a_year: f64,
    /// Full-load hours of the *present* rating a year that another crane takes over.
    pub moved_full_load_hours_a_year: f64,
    /// Use after the change over use before it, in full-load hours of one and the same rating.
    pub pace: f64,
    /// The smallest M whose D holds ten years of such use (our definition, no standard has one); `None` with less than
    /// [`LEAST_DAYS`] of record.
    pub group_in_use: Option<MechanismGroup>,
    /// The end of the period.
    pub forecast: Forecast,
}

/// The pieces that a payload is lifted in: `None` when it is refused.
fn pieces(payload: f64, rated: f64, above: Above) -> Option<f64> {
    match above {
        _ if payload <= rated => Some(1.0),
        Above::Lifted => Some(1.0),
        Above::Split => Some((payload / rated).ceil()),
        Above::Refused => None,
    }
}

/// Answers a change. `days` is the daily record at the present rating, `as_of` and `seed` as in [`Question`].
///
/// ```
/// use tallyhook_analysis::{histogram::Histogram, units::Grams};
/// use tallyhook_analysis::whatif::{what_if, Change, Observed};
/// // C3: M5, D 1600, S 1200 at 10 t, lowered to 5 t: 3,200 h of 5 t are left, and the used share stays 75 %.
/// let seen = Observed {
///     rated: Grams::from_kg(10_000.0), dead_load: Grams::ZERO,
///     running: Histogram::default(), lifts: Histogram::default(),
///     days: 365.0, used: 1200.0, used_before_today: 1200.0, design: 1600.0,
/// };
/// let lower = Change { rated: Some(Grams::from_kg(5_000.0)), ..Change::default() };
/// let answer = what_if(&seen, &lower, &[], 0, 1);
/// assert_eq!((answer.used_share, answer.remaining_full_load_hours), (0.75, 3_200.0));
/// ```
pub fn what_if(seen: &Observed, change: &Change, days: &[DayUse], as_of: i32, seed: u64) -> Answer {
    let rated = change.rated.unwrap_or(seen.rated);
    let dead = seen.dead_load.get() as f64;
    let base_before = seen.rated.get() as f64 + dead;
    let base = rated.get() as f64 + dead;
    let ratio = base / base_before;
    let rating_cubed = ratio * ratio * ratio;
    let design = change.design.unwrap_or(seen.design);
    let work = change.lifts.max(0.0) * (1.0 - change.moved.clamp(0.0, 1.0));
    let yearly = if seen.days > 0.0 { 365.0 / seen.days } else { 0.0 };
    let limit = rated.get() as f64;

    let (mut lifts_before, mut lifts_after, mut refused, mut overloads) = (0.0, 0.0, 0.0, 0.0);
    for (load, n) in seen.lifts.loads() {
        let (load, n) = (load.get() as f64, n as f64);
        lifts_before += n;
        match pieces(load, limit, change.above) {
            Some(parts) => {
                lifts_after += parts * n;
                overloads += if load / parts > limit { n } else { 0.0 };
            }
            None => refused += n,
        }
    }
    // Each lift has its way back with an empty hook.
    let ways_back = if lifts_before > 0.0 { lifts_after / lifts_before } else { 1.0 };

    let (mut running, mut cubes, mut cubes_before) = (0.0, 0.0, 0.0);
    for (load, ms) in seen.running.loads() {
        let (load, ms) = (load.get() as f64, ms as f64);
        cubes_before += (load / base_before).powi(3) * ms;
        let payload = (load - dead).max(0.0);
        if payload <= EMPTY_SHARE * seen.rated.get() as f64 {
            running += ms * ways_back;
            cubes += (load / base).powi(3) * ms * ways_back;
        } else if let Some(parts) = pieces(payload, limit, change.above) {
            let each = load - payload + payload / parts;
            running += ms * parts;
            cubes += (each / base).powi(3) * ms * parts;
        }
    }
    let a_year = |ms: f64| ms * yearly / MS_PER_HOUR as f64;
    let full_load_hours_a_year = a_year(cubes) * work;
    // Both in full-load hours of the present rating.
    let pace = if cubes_before > 0.0 { cubes * rating_cubed / cubes_before * work } else { work };
    let after: Vec<DayUse> = days.iter().map(|d| DayUse { full_load_hours: d.full_load_hours * pace, ..*d }).collect();
    let asked = Question { used: seen.used_before_today, design, as_of, seed };
    Answer {
        used_share: seen.used / design,
        rating_cubed,
        remaining_full_load_hours: (design - seen.used) / rating_cubed,
        full_load_hours_a_year,
        running_hours_a_year: a_year(running) * work,
        spectrum_factor: (running > 0.0).then(|| cubes / running),
        lifts_a_year: lifts_after * yearly * work,
        refused_lifts_a_year: refused * yearly * work,
        overload_lifts_a_year: overloads * yearly * work,
        moved_full_load_hours_a_year: a_year(cubes)
            * rating_cubed
            * change.lifts.max(0.0)
            * change.moved.clamp(0.0, 1.0),
        pace,
        group_in_use: (seen.days >= LEAST_DAYS).then(|| MechanismGroup::holding(full_load_hours_a_year * DESIGN_YEARS)),
        forecast: forecast(&after, &asked),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn kg(kg: f64) -> Grams {
        Grams::from_kg(kg)
    }

    /// 10 t hoist, 100 days: 100 h at 8 t in 3,000 lifts, 100 h at 2 t in 3,000 lifts, 60 h empty.
    fn seen() -> Observed {
        let hours = |h: u64| h * MS_PER_HOUR as u64;
        let (mut running, mut lifts) = (Histogram::default(), Histogram::default());
        running.add(kg(8_000.0), hours(100));
        running.add(kg(2_000.0), hours(100));
        running.add(kg(0.0), hours(60));
        lifts.add(kg(8_000.0), 3_000);
        lifts.add(kg(2_000.0), 3_000);
        Observed {
            rated: kg(10_000.0),
            dead_load: Grams::ZERO,
            running,
            lifts,
            days: 100.0,
            used: 400.0,
            used_before_today: 400.0,
            design: 1600.0,
        }
    }

    fn days() -> Vec<DayUse> {
        (0..100).map(|day| DayUse { day, full_load_hours: 0.52, observed: 1.0 }).collect()
    }

    fn ask(change: Change) -> Answer {
        what_if(&seen(), &change, &days(), 100, 1)
    }

    fn check(got: f64, expected: f64) {
        assert!((got / expected - 1.0).abs() < 0.003, "{got}, not {expected}");
    }

    #[test]
    fn e12_two_thirds_of_the_load_give_3_375_times_the_budget() {
        // Iancu & Vilceanu 2015 for contrast; the arithmetic is (3/2)^3.
        let answer = ask(Change { rated: Some(kg(20_000.0 / 3.0)), ..Change::default() });
        check(answer.remaining_full_load_hours, 1200.0 * 3.375);
    }

    #[test]
    fn nothing_changed_is_what_was_seen() {
        let answer = ask(Change::default());
        check(answer.full_load_hours_a_year, 3.65 * 52.0); // 100 · 0.512 + 100 · 0.008
        check(answer.running_hours_a_year, 3.65 * 260.0);
        check(answer.lifts_a_year, 3.65 * 6_000.0);
        check(answer.pace, 1.0);
        // 1,898 in ten years: above M5's 1,600, within M6's 3,200.
        assert_eq!(answer.group_in_use, Some(MechanismGroup::M6));
    }

    #[test]
    fn loads_above_the_new_rating_are_split_refused_or_overloads() {
        let lower = |above| ask(Change { rated: Some(kg(5_000.0)), above, ..Change::default() });
        let split = lower(Above::Split);
        // 8 t in two lifts of 4 t: 9,000 lifts, 200 h at 0.8³, 100 h at 0.4³, 90 h empty.
        check(split.lifts_a_year, 3.65 * 9_000.0);
        check(split.running_hours_a_year, 3.65 * 390.0);
        check(split.full_load_hours_a_year, 3.65 * (200.0 * 0.512 + 100.0 * 0.064));
        let refused = lower(Above::Refused);
        check(refused.lifts_a_year, 3.65 * 3_000.0);
        check(refused.refused_lifts_a_year, 3.65 * 3_000.0);
        check(refused.running_hours_a_year, 3.65 * 130.0);
        let lifted = lower(Above::Lifted);
        check(lifted.overload_lifts_a_year, 3.65 * 3_000.0);
        // Same loads, same wear: only its unit is another.
        check(lifted.pace, 1.0);
        check(lifted.full_load_hours_a_year, 8.0 * 3.65 * 52.0);
        let end = |a: &Answer| a.forecast.chance_of_passing(2600).unwrap();
        assert!(end(&refused) <= end(&split) && end(&split) < end(&lifted));
    }

    #[test]
    fn another_group_fewer_lifts_and_another_crane() {
        check(ask(Change { design: Some(3200.0), ..Change::default() }).used_share, 0.125);
        let fewer = ask(Change { lifts: 0.5, ..Change::default() });
        check(fewer.pace, 0.5);
        assert_eq!(fewer.group_in_use, Some(MechanismGroup::M5));
        let shared = ask(Change { moved: 0.25, ..Change::default() });
        check(shared.moved_full_load_hours_a_year, 0.25 * 3.65 * 52.0);
        check(shared.pace, 0.75);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]

        #[test]
        fn derating_leaves_the_used_share_and_never_brings_the_end_nearer(
            to in 500.0_f64..10_000.0, above in 0..3_usize, dead in 0.0_f64..400.0, lifts in 0.0_f64..1.0, moved in 0.0_f64..1.0,
        ) {
            let above = [Above::Lifted, Above::Split, Above::Refused][above];
            let seen = Observed { dead_load: kg(dead), ..seen() };
            let now = what_if(&seen, &Change::default(), &days(), 100, 1);
            let then = what_if(&seen, &Change { rated: Some(kg(to)), above, lifts, moved, design: None }, &days(), 100, 1);
            prop_assert_eq!(now.used_share, then.used_share);
            prop_assert!(then.remaining_full_load_hours >= now.remaining_full_load_hours);
            // The same budget in another unit.
            let old_units = then.remaining_full_load_hours * then.rating_cubed;
            prop_assert!((old_units / now.remaining_full_load_hours - 1.0).abs() < 1e-9);
            // With no dead load to carry again, no way of lowering wears faster.
            if dead < 1.0 || above != Above::Split {
                prop_assert!(then.pace <= now.pace * (1.0 + 1e-9), "{} {}", then.pace, now.pace);
            }
        }
    }
}
