//! Severity of service: normal, heavy, severe, from measured lifts and loads, and the inspection lengths that go with it.
//!
//! Definitions: DOE-STD-1090-96, 7.2.2 (a US government text that carries ASME B30.2), mark A. Normal is below 85 % of the
//! rated load and at most 10 lift cycles an hour, isolated lifts excepted; heavy is 85 to 100 % or more than 10 an hour as
//! a regular thing; severe is either under abnormal conditions. What is isolated and what is regular the text leaves open:
//! up to [`ISOLATED_SHARE`] here (our reading, no source). For cranes only: below-hook gear has another "heavy".

use crate::mark::Mark;
use crate::units::{Grams, Timestamp};

/// Up to this share of the lifts (or of the hours with lifts) is isolated, above it regular: one in twenty. Our reading,
/// no source.
pub const ISOLATED_SHARE: f64 = 0.05;
/// More lifts than this in an hour are heavy service.
pub const LIFTS_AN_HOUR: u32 = 10;
/// A load from this percentage of the rated load up is heavy service.
pub const HEAVY_PERCENT: i64 = 85;

const HOUR_MS: i64 = 3_600_000;

/// Severity of service of a crane.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "lowercase"))]
pub enum Severity {
    /// Below 85 % of rated and at most 10 lifts an hour, isolated lifts excepted.
    Normal,
    /// 85 to 100 % of rated, or more than 10 lifts an hour, as a regular thing.
    Heavy,
    /// Under abnormal conditions: heat, corrosion and the like.
    Severe,
}

/// A length of time between inspections, in days, from most to least often.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Interval {
    /// Shortest, days.
    pub from_days: u32,
    /// Longest, days.
    pub to_days: u32,
    /// How sure it is.
    pub mark: Mark,
}

impl Severity {
    /// The text that defines it.
    pub const EDITION: &str = "DOE-STD-1090-96, 7.2.2";

    /// The severity by how often service is heavy: the share of lifts from [`HEAVY_PERCENT`] of the rated load up, and of
    /// hours with more than [`LIFTS_AN_HOUR`] lifts, both 0 to 1; `abnormal` says that the crane works in heat, corrosion
    /// or the like.
    pub fn of(heavy_share: f64, busy_share: f64, abnormal: bool) -> Self {
        match (abnormal, heavy_share.max(busy_share) > ISOLATED_SHARE) {
            (true, _) => Severity::Severe,
            (false, true) => Severity::Heavy,
            (false, false) => Severity::Normal,
        }
    }

    /// The word in the configuration and in JSON.
    pub const fn name(self) -> &'static str {
        match self {
            Severity::Normal => "normal",
            Severity::Heavy => "heavy",
            Severity::Severe => "severe",
        }
    }

    /// Between frequent inspections: monthly; weekly to monthly (mark C); daily to weekly. Week 7 d, month 31 d, as the
    /// same text takes the words.
    pub const fn frequent(self) -> Interval {
        match self {
            Severity::Normal => Interval { from_days: 31, to_days: 31, mark: Mark::B },
            Severity::Heavy => Interval { from_days: 7, to_days: 31, mark: Mark::C },
            Severity::Severe => Interval { from_days: 1, to_days: 7, mark: Mark::B },
        }
    }

    /// Between periodic inspections: yearly; yearly (mark C); quarterly. Quarter 92 d, year 365 d.
    pub const fn periodic(self) -> Interval {
        match self {
            Severity::Normal => Interval { from_days: 365, to_days: 365, mark: Mark::B },
            Severity::Heavy => Interval { from_days: 365, to_days: 365, mark: Mark::C },
            Severity::Severe => Interval { from_days: 92, to_days: 92, mark: Mark::B },
        }
    }
}

/// Lifts and the clock hours they fell into. Whole numbers; counts of two stretches that share no hour add up.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct ServiceTally {
    /// Lifts.
    pub lifts: u64,
    /// Lifts from [`HEAVY_PERCENT`] of the rated load up.
    pub heavy_lifts: u64,
    /// Clock hours (of UTC) with at least one lift.
    pub hours: u64,
    /// Of those, hours with more than [`LIFTS_AN_HOUR`] lifts.
    pub busy_hours: u64,
    /// The hour of the last lift, hours since 1970, and its lifts so far.
    last: Option<(i64, u32)>,
}

impl ServiceTally {
    /// Takes a finished lift: its begin, settled load and the rated load. Lifts come in the order of their begins; one
    /// of an earlier hour begins an hour of its own.
    ///
    /// ```
    /// use tallyhook_analysis::severity::{ServiceTally, Severity};
    /// use tallyhook_analysis::units::{Grams, Timestamp};
    /// let mut tally = ServiceTally::default();
    /// for minute in 0..11 {
    ///     tally.lift(Timestamp::from_ms(minute * 60_000), Grams::from_kg(2_000.0), Grams::from_kg(10_000.0));
    /// }
    /// assert_eq!(tally.severity(false), Some(Severity::Heavy)); // eleven in the hour
    /// ```
    pub fn lift(&mut self, begin: Timestamp, load: Grams, rated: Grams) {
        let hour = begin.as_ms().div_euclid(HOUR_MS);
        self.lifts += 1;
        self.heavy_lifts += u64::from(load.get() * 100 >= rated.get() * HEAVY_PERCENT);
        let so_far = match self.last {
            Some((last, lifts)) if last == hour => lifts,
            _ => {
                self.hours += 1;
                0
            }
        };
        let lifts = so_far.saturating_add(1);
        self.busy_hours += u64::from(lifts == LIFTS_AN_HOUR + 1);
        self.last = Some((hour, lifts));
    }

    /// Adds another stretch, whose hours are others than this one's.
    pub fn add(&mut self, later: &ServiceTally) {
        self.lifts += later.lifts;
        self.heavy_lifts += later.heavy_lifts;
        self.hours += later.hours;
        self.busy_hours += later.busy_hours;
        self.last = later.last.or(self.last);
    }

    /// Share of the lifts from 85 % of rated up, 0 to 1; `None` without lifts.
    pub fn heavy_share(&self) -> Option<f64> {
        (self.lifts > 0).then(|| self.heavy_lifts as f64 / self.lifts as f64)
    }

    /// Share of the hours with lifts that had more than ten, 0 to 1; `None` without lifts.
    pub fn busy_share(&self) -> Option<f64> {
        (self.hours > 0).then(|| self.busy_hours as f64 / self.hours as f64)
    }

    /// The severity; `None` without lifts. `abnormal` says that the crane works in heat, corrosion or the like.
    pub fn severity(&self, abnormal: bool) -> Option<Severity> {
        Some(Severity::of(self.heavy_share()?, self.busy_share()?, abnormal))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Hours of so many lifts each, all of one load in percent of rated.
    fn tally(hours: &[u32], percent: i64) -> ServiceTally {
        let mut tally = ServiceTally::default();
        for (hour, &lifts) in hours.iter().enumerate() {
            for i in 0..i64::from(lifts) {
                let begin = Timestamp::from_ms(hour as i64 * HOUR_MS + i * 1_000);
                tally.lift(begin, Grams::new(percent * 100_000), Grams::new(10_000_000));
            }
        }
        tally
    }

    #[test]
    fn the_definitions_of_the_text() {
        // DOE-STD-1090-96, 7.2.2: below 85 % and at most 10 an hour is normal; from 85 % or above 10 an hour heavy.
        assert_eq!(tally(&[10, 10, 10], 84).severity(false), Some(Severity::Normal));
        assert_eq!(tally(&[10, 10, 10], 85).severity(false), Some(Severity::Heavy));
        assert_eq!(tally(&[11, 10, 10], 84).severity(false), Some(Severity::Heavy));
        assert_eq!(tally(&[1], 10).severity(true), Some(Severity::Severe));
        assert_eq!(ServiceTally::default().severity(true), None);
    }

    #[test]
    fn isolated_lifts_and_hours_are_excepted() {
        // One busy hour of twenty is isolated, two are regular; so are heavy lifts.
        let mut hours = [3; 20];
        hours[4] = 30;
        assert_eq!(tally(&hours, 50).severity(false), Some(Severity::Normal));
        hours[9] = 30;
        assert_eq!(tally(&hours, 50).severity(false), Some(Severity::Heavy));
        let mut light = tally(&[5; 19], 50);
        for (i, severity) in
            [(0, Severity::Normal), (1, Severity::Normal), (2, Severity::Normal), (3, Severity::Normal)]
        {
            light.lift(Timestamp::from_ms((30 + i) * HOUR_MS), Grams::new(9), Grams::new(10));
            assert_eq!(light.severity(false), Some(severity), "{i}");
        }
        for i in 0..2 {
            light.lift(Timestamp::from_ms((40 + i) * HOUR_MS), Grams::new(9), Grams::new(10));
        }
        assert_eq!(light.severity(false), Some(Severity::Heavy), "6 of 101");
    }

    #[test]
    fn harder_service_is_never_inspected_less_often() {
        // Independent statement: 29 CFR 1910.179 (j)(1)(ii) has frequent inspections daily to monthly, periodic ones 1 to
        // 12 months apart; and the harder the service, the shorter.
        let all = [Severity::Normal, Severity::Heavy, Severity::Severe];
        for severity in all {
            assert!(severity.frequent().from_days >= 1 && severity.frequent().to_days <= 31);
            assert!(severity.periodic().from_days >= 31 && severity.periodic().to_days <= 365);
        }
        for pair in all.windows(2) {
            assert!(pair[1].frequent().to_days <= pair[0].frequent().to_days);
            assert!(pair[1].periodic().to_days <= pair[0].periodic().to_days);
        }
        assert_eq!(Severity::Heavy.frequent().mark.caution(), Some("check against the standard"));
    }

    proptest! {
        #[test]
        fn hours_counted_apart_add_up(hours in prop::collection::vec(0_u32..25, 0..30), more in prop::collection::vec(0_u32..25, 0..30)) {
            let mut apart = tally(&hours, 50);
            apart.add(&tally(&more, 90));
            prop_assert_eq!(apart.lifts, u64::from(hours.iter().chain(&more).sum::<u32>()));
            prop_assert_eq!(apart.heavy_lifts, u64::from(more.iter().sum::<u32>()));
            prop_assert_eq!(apart.hours, hours.iter().chain(&more).filter(|&&h| h > 0).count() as u64);
            prop_assert_eq!(apart.busy_hours, hours.iter().chain(&more).filter(|&&h| h > 10).count() as u64);
        }
    }
}
