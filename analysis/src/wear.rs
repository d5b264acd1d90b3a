//! Tallies for wearing parts and inspections: what a part has done since it was fitted, against its own limits.
//!
//! One set of counters runs for the whole life ([`WearCounts`]) and never falls. A part remembers where they stood at its
//! last reset and takes the difference, so any number of parts with any resets share the same exact integers.

use crate::units::{Grams, MS_PER_HOUR};

/// How a lift bends the rope section that is bent most.
///
/// Straight, bent, straight over one sheave is one bending cycle; onto or off a drum is a half (mark A; ISO 4309's way of
/// counting). The equaliser counts only where rope passes over it. Reverse bends count as any other.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Reeving {
    /// Sheaves that the section passes on its way, 0 or more.
    pub sheaves: u32,
    /// The section is wound on a drum.
    pub drum: bool,
    /// Ways of the hook in a lift: 2 for up and down with the load, 4 with the empty hook's ways counted too.
    pub ways: u32,
}

impl Reeving {
    /// Half bending cycles a lift: ways · (2 · sheaves + drum).
    ///
    /// ```
    /// use tallyhook_analysis::wear::Reeving;
    /// // Four falls with one compensating sheave: three sheaves and the drum, up and down.
    /// let reeving = Reeving { sheaves: 3, drum: true, ways: 2 };
    /// assert_eq!(reeving.halves_a_lift(), 14); // 7 bending cycles
    /// ```
    pub const fn halves_a_lift(self) -> u64 {
        self.ways as u64 * (2 * self.sheaves as u64 + self.drum as u64)
    }
}

/// What a mechanism has done in its life, as far as it wears parts. Integers that only grow.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct WearCounts {
    /// Running time, milliseconds.
    pub running_ms: u64,
    /// Lifts.
    pub lifts: u64,
    /// Starts of the drive, or closings of its contactor.
    pub starts: u64,
    /// Stops of the brake: ends of runs.
    pub stops: u64,
    /// Half bending cycles of the rope.
    pub bend_halves: u64,
    /// Σ half bending cycles · load³, cubic grams, dead load included.
    #[cfg_attr(feature = "serde", serde(with = "crate::spectrum::decimal"))]
    pub bend_cubes: u128,
    /// Work that the brake took of the load's motion, nanojoules, as far as load and speed were known.
    #[cfg_attr(feature = "serde", serde(with = "crate::spectrum::decimal"))]
    pub brake_work_nj: u128,
    /// Stops whose work is not in the sum: load or speed was not known.
    pub stops_without_work: u64,
}

impl WearCounts {
    /// Counts a lift; `load` includes the dead load that hangs on the rope. All its ways are weighted with that load,
    /// which is the careful side for those of the empty hook.
    pub fn lift(&mut self, load: Grams, reeving: Reeving) {
        let halves = reeving.halves_a_lift();
        self.lifts += 1;
        self.bend_halves += halves;
        self.bend_cubes = self.bend_cubes.saturating_add(load.cubed().saturating_mul(u128::from(halves)));
    }

    /// Counts running time, milliseconds.
    pub fn ran(&mut self, ms: u64) {
        self.running_ms += ms;
    }

    /// Counts a start.
    pub fn started(&mut self) {
        self.starts += 1;
    }

    /// Counts a stop of the brake from a load (dead load included) at a speed of the hook, mm/s of either sign, both at
    /// the moment the brake falls in: ½ · m · v².
    ///
    /// The work that the load's weight does while the brake slips and that of the motor's own inertia are not in it
    /// (neither is measured); a drive that stops electrically and brakes at rest gives none.
    pub fn stopped(&mut self, load: Option<Grams>, speed_mm_s: Option<i64>) {
        self.stops += 1;
        match (load, speed_mm_s) {
            (Some(load), Some(speed)) => {
                // g · (mm/s)² is 1e-9 J.
                let square = u128::from(speed.unsigned_abs()).pow(2);
                let twice = (load.get().max(0) as u128).saturating_mul(square);
                self.brake_work_nj = self.brake_work_nj.saturating_add(twice / 2);
            }
            _ => self.stops_without_work += 1,
        }
    }

    /// Adds another stretch.
    pub fn add(&mut self, other: &WearCounts) {
        self.running_ms += other.running_ms;
        self.lifts += other.lifts;
        self.starts += other.starts;
        self.stops += other.stops;
        self.bend_halves += other.bend_halves;
        self.bend_cubes = self.bend_cubes.saturating_add(other.bend_cubes);
        self.brake_work_nj = self.brake_work_nj.saturating_add(other.brake_work_nj);
        self.stops_without_work += other.stops_without_work;
    }

    /// What came since an earlier standing of the same counters. A standing that is not earlier gives zeros there.
    pub fn since(&self, earlier: &WearCounts) -> WearCounts {
        WearCounts {
            running_ms: self.running_ms.saturating_sub(earlier.running_ms),
            lifts: self.lifts.saturating_sub(earlier.lifts),
            starts: self.starts.saturating_sub(earlier.starts),
            stops: self.stops.saturating_sub(earlier.stops),
            bend_halves: self.bend_halves.saturating_sub(earlier.bend_halves),
            bend_cubes: self.bend_cubes.saturating_sub(earlier.bend_cubes),
            brake_work_nj: self.brake_work_nj.saturating_sub(earlier.brake_work_nj),
            stops_without_work: self.stops_without_work.saturating_sub(earlier.stops_without_work),
        }
    }

    /// Bending cycles of the rope.
    pub fn bending_cycles(&self) -> f64 {
        self.bend_halves as f64 * 0.5
    }

    /// Bending cycles weighted by (load/base)³: as many at the full load would have taken as much of the rope (exponent
    /// 3 as for mechanisms; common practice for ropes, no source). `base` is rated plus dead load; 0 without one.
    pub fn full_load_bending_cycles(&self, base: Grams) -> f64 {
        if base.cubed() == 0 { 0.0 } else { self.bend_cubes as f64 / base.cubed() as f64 * 0.5 }
    }

    /// Work of the brake, kilojoules.
    pub fn brake_work_kj(&self) -> f64 {
        self.brake_work_nj as f64 / 1e12
    }
}

/// A limit of a part or an inspection.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "kebab-case"))]
pub enum Limit {
    /// Running hours.
    RunningHours(u32),
    /// Lifts.
    Lifts(u64),
    /// Starts.
    Starts(u64),
    /// Stops of the brake.
    Stops(u64),
    /// Bending cycles of the rope.
    BendingCycles(u64),
    /// Bending cycles weighted by the cube of the load.
    FullLoadBendingCycles(u64),
    /// Work of the brake, kilojoules.
    BrakeWorkKj(u64),
    /// Days of the calendar, see [`Every`].
    Days(u32),
}

/// Words for lengths of the calendar.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "kebab-case"))]
pub enum Every {
    /// 1 day.
    Day,
    /// 7 days.
    Week,
    /// 31 days.
    Month,
    /// 92 days.
    Quarter,
    /// 184 days.
    HalfYear,
    /// 365 days.
    Year,
}

impl Every {
    /// Its length, days: the longest the word can mean, as DOE-STD-1090-96 takes it (mark A).
    pub const fn days(self) -> u32 {
        match self {
            Every::Day => 1,
            Every::Week => 7,
            Every::Month => 31,
            Every::Quarter => 92,
            Every::HalfYear => 184,
            Every::Year => 365,
        }
    }
}

/// How far one limit is used.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Used {
    /// The limit.
    pub limit: Limit,
    /// Used since the reset, in the limit's unit.
    pub used: f64,
    /// Used over the limit; due from 1 on.
    pub share: f64,
}

/// A wearing part or an inspection with its limits and its last reset.
#[derive(Clone, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct WearPart {
    /// What it is called.
    pub name: String,
    /// Its limits; whichever comes first makes it due. A limit of 0 is due at once.
    pub limits: Vec<Limit>,
    /// Where the life's counters stood at the reset.
    pub at_reset: WearCounts,
    /// The day of the reset, days since 1970-01-01 in the site's own calendar.
    pub reset_day: i32,
}

impl WearPart {
    /// A part that is new at that standing of the counters and that day.
    pub fn new(name: &str, limits: Vec<Limit>, counts: &WearCounts, day: i32) -> Self {
        WearPart { name: name.to_owned(), limits, at_reset: *counts, reset_day: day }
    }

    /// The part was renewed, or the inspection done.
    pub fn reset(&mut self, counts: &WearCounts, day: i32) {
        self.at_reset = *counts;
        self.reset_day = day;
    }

    /// How far each limit is used. `base` is rated plus dead load.
    pub fn used(&self, counts: &WearCounts, day: i32, base: Grams) -> Vec<Used> {
        let done = counts.since(&self.at_reset);
        let days = i64::from(day) - i64::from(self.reset_day);
        let of = |limit: &Limit| {
            let (used, most) = match *limit {
                Limit::RunningHours(most) => (done.running_ms as f64 / MS_PER_HOUR as f64, f64::from(most)),
                Limit::Lifts(most) => (done.lifts as f64, most as f64),
                Limit::Starts(most) => (done.starts as f64, most as f64),
                Limit::Stops(most) => (done.stops as f64, most as f64),
                Limit::BendingCycles(most) => (done.bending_cycles(), most as f64),
                Limit::FullLoadBendingCycles(most) => (done.full_load_bending_cycles(base), most as f64),
                Limit::BrakeWorkKj(most) => (done.brake_work_kj(), most as f64),
                Limit::Days(most) => (days.max(0) as f64, f64::from(most)),
            };
            Used { limit: *limit, used, share: if most > 0.0 { used / most } else { f64::INFINITY } }
        };
        self.limits.iter().map(of).collect()
    }

    /// The limit that is used furthest; `None` without limits. The part is due when its share is 1 or more.
    pub fn first(&self, counts: &WearCounts, day: i32, base: Grams) -> Option<Used> {
        self.used(counts, day, base).into_iter().max_by(|a, b| a.share.total_cmp(&b.share))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn kg(kg: f64) -> Grams {
        Grams::from_kg(kg)
    }

    #[test]
    fn whichever_comes_first_makes_an_inspection_due() {
        // 8 CCR 5031(c), a public law: at least four times a year and at most 750 operating hours apart.
        let limits = vec![Limit::RunningHours(750), Limit::Days(Every::Quarter.days())];
        let part = WearPart::new("periodic inspection", limits, &WearCounts::default(), 100);
        let mut counts = WearCounts::default();
        counts.ran(749 * MS_PER_HOUR as u64);
        let first = part.first(&counts, 130, kg(1.0)).unwrap();
        assert_eq!((first.limit, first.used), (Limit::RunningHours(750), 749.0));
        assert!(first.share < 1.0);
        counts.ran(MS_PER_HOUR as u64);
        assert_eq!(part.first(&counts, 130, kg(1.0)).unwrap().share, 1.0);
        let by_calendar = part.first(&WearCounts::default(), 192, kg(1.0)).unwrap();
        assert_eq!((by_calendar.limit, by_calendar.share), (Limit::Days(92), 1.0));
    }

    #[test]
    fn the_words_of_the_calendar_hold_the_longest_of_their_kind() {
        // Independent statement: no month, quarter (July to September), half-year (July to December) is longer.
        let months = [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];
        let longest = |n: usize| (0..12).step_by(n).map(|i| months[i..i + n].iter().sum::<u32>()).max();
        assert_eq!(longest(1), Some(Every::Month.days()));
        assert_eq!(longest(3), Some(Every::Quarter.days()));
        assert_eq!(longest(6), Some(Every::HalfYear.days()));
        assert_eq!(longest(12), Some(Every::Year.days()));
    }

    #[test]
    fn a_rope_bends_as_the_rule_says_and_half_the_load_weighs_an_eighth() {
        // By hand: one sheave up and down is two cycles, the drum a half each way: three in all.
        let reeving = Reeving { sheaves: 1, drum: true, ways: 2 };
        let mut counts = WearCounts::default();
        (0..8).for_each(|_| counts.lift(kg(5_000.0), reeving));
        assert_eq!(counts.bending_cycles(), 24.0);
        assert_eq!(counts.full_load_bending_cycles(kg(10_000.0)), 3.0);
        assert_eq!(counts.full_load_bending_cycles(Grams::ZERO), 0.0);
    }

    #[test]
    fn brake_work_is_the_loads_kinetic_energy() {
        // By hand: 10 t at 0.2 m/s is 200 J.
        let mut counts = WearCounts::default();
        counts.stopped(Some(kg(10_000.0)), Some(-200));
        assert_eq!(counts.brake_work_kj(), 0.2);
        counts.stopped(None, Some(200));
        counts.stopped(Some(kg(10_000.0)), None);
        assert_eq!((counts.stops, counts.stops_without_work, counts.brake_work_kj()), (3, 2, 0.2));
    }

    proptest! {
        #[test]
        fn a_reset_anywhere_counts_what_came_after_and_nothing_else(
            doings in prop::collection::vec((0_u8..4, 0_i64..20_000_000, 0_i64..400), 0..60), cut in 0_usize..60,
        ) {
            let reeving = Reeving { sheaves: 3, drum: true, ways: 4 };
            let count = |counts: &mut WearCounts, &(what, load, speed): &(u8, i64, i64)| match what {
                0 => counts.lift(Grams::new(load), reeving),
                1 => counts.started(),
                2 => counts.ran(load as u64),
                _ => counts.stopped((load % 3 > 0).then(|| Grams::new(load)), Some(speed)),
            };
            let cut = cut.min(doings.len());
            let (mut life, mut after) = (WearCounts::default(), WearCounts::default());
            doings[..cut].iter().for_each(|d| count(&mut life, d));
            let before = life;
            let mut part = WearPart::new("rope", vec![Limit::Lifts(10)], &WearCounts::default(), 0);
            part.reset(&life, 7);
            doings[cut..].iter().for_each(|d| { count(&mut life, d); count(&mut after, d); });
            prop_assert_eq!(life.since(&part.at_reset), after);
            prop_assert_eq!(part.used(&life, 7, kg(1.0))[0].used, after.lifts as f64);
            let mut sum = before;
            sum.add(&after);
            prop_assert_eq!(sum, life);
            let stored = serde_json::to_string(&part).unwrap();
            prop_assert_eq!(serde_json::from_str::<WearPart>(&stored).unwrap(), part);
        }
    }
}
