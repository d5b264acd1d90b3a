//! How use went on: S at the end of each day of the record, and sums by day, week, month or year.

use std::borrow::Cow;

use jiff::civil::Date;
use serde::Serialize;
use tallyhook_analysis::class::MechanismLoading;
use tallyhook_analysis::period::Part;
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::{Grams, MS_PER_HOUR};
use tallyhook_config::model::Mechanism;

use crate::figures::{MechanismFigures, date_of, day_number};
use crate::store::DayInShort;

/// What a course needs of a day: whole totals, or the few of them that it adds up.
pub trait Sums: Clone {
    /// As totals; what is not kept is zero.
    fn totals(&self) -> Cow<'_, Totals>;
}

impl Sums for Totals {
    fn totals(&self) -> Cow<'_, Totals> {
        Cow::Borrowed(self)
    }
}

impl Sums for DayInShort {
    fn totals(&self) -> Cow<'_, Totals> {
        Cow::Owned(DayInShort::totals(self))
    }
}

/// S at the end of each day, with that day's number and its own sums.
#[derive(Clone, Debug)]
pub struct Course<T = Totals> {
    /// S before the first day: prior use.
    pub prior: f64,
    /// Day, its sums, S at its end; oldest first.
    pub days: Vec<(i32, T, f64)>,
    /// Base (rated load and dead load) that S and D are in full-load hours of.
    pub base: Grams,
    /// D of the present working period.
    design: f64,
    /// Working periods that are over, oldest first.
    ended: Vec<Ended>,
}

/// A working period that a service has ended.
#[derive(Clone, Copy, Debug)]
struct Ended {
    /// Day of the service; S at its end is of the period that begins.
    day: i32,
    /// S as it then was.
    used: f64,
    /// D that it was held against.
    design: f64,
}

/// S as the books had it at the end of each of the days, where that is kept, and as the figures have it now. To an old day
/// that has none its measured hours are added to the day before.
pub fn course<T: Sums>(
    mechanism: &Mechanism,
    figures: &MechanismFigures,
    days: impl IntoIterator<Item = (i32, T, Option<f64>)>,
) -> Course<T> {
    // From zero: the sum of nothing would be −0.
    let prior = mechanism.terms().prior.iter().map(Part::full_load_hours).fold(0.0, |sum, part| sum + part);
    let base = Grams::from_kg(figures.budget_rated_load_kg + mechanism.spec.dead_load.as_kg());
    let (mut last, mut is_kept) = (prior, true);
    let mut days: Vec<(i32, T, f64)> = days
        .into_iter()
        .map(|(day, sums, used)| {
            is_kept = used.is_some();
            last = used.unwrap_or_else(|| last + sums.totals().full_load_hours(base));
            (day, sums, last)
        })
        .collect();
    if let Some((.., now)) = days.last_mut()
        && !is_kept
    {
        *now = figures.used_full_load_hours;
    }
    let day = |text: &str| text.parse::<Date>().ok().map(day_number);
    let over = figures.closed_periods.iter().filter_map(|c| {
        Some(Ended { day: day(&c.ended)?, used: c.used_full_load_hours, design: c.design_full_load_hours })
    });
    let ended = over.collect();
    Course { prior, days, base, design: figures.design_full_load_hours, ended }
}

/// The calendar's parts that sums are made over.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, clap::ValueEnum)]
#[serde(rename_all = "lowercase")]
pub enum By {
    /// Each day.
    Day,
    /// Weeks from Monday on (ISO 8601).
    Week,
    /// Calendar months.
    Month,
    /// Calendar years.
    Year,
}

impl By {
    /// How a day's part is called: `2026-03-09`, `2026-W11`, `2026-03`, `2026`.
    pub fn label(self, day: i32) -> String {
        let text = date_of(day);
        let Ok(date) = text.parse::<Date>() else { return text };
        match self {
            By::Day => text,
            By::Week => {
                let week = date.iso_week_date();
                format!("{:04}-W{:02}", week.year(), week.week())
            }
            By::Month => date.strftime("%Y-%m").to_string(),
            By::Year => date.strftime("%Y").to_string(),
        }
    }

    /// The last day of the part that a day is in; `None` beyond the calendar.
    fn last_day(self, day: i32) -> Option<i32> {
        let date: Date = date_of(day).parse().ok()?;
        match self {
            By::Day => Some(day),
            By::Week => day.checked_add(i32::from(6 - date.weekday().to_monday_zero_offset())),
            By::Month => Some(day_number(date.last_of_month())),
            By::Year => Some(day_number(date.last_of_year())),
        }
    }
}

/// Sums of one part of the calendar.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Stretch {
    /// The day, week, month or year.
    pub label: String,
    /// First day with a record in it, `YYYY-MM-DD`.
    pub from: String,
    /// Last day with a record in it, `YYYY-MM-DD`.
    pub to: String,
    /// Time with a record, hours.
    pub observed_hours: f64,
    /// Time without, hours.
    pub gap_hours: f64,
    /// Running time, hours.
    pub running_hours: f64,
    /// Running time whose load was not read, hours.
    pub load_unknown_hours: f64,
    /// Measured full-load hours, of the load that S and D are of.
    pub full_load_hours: f64,
    /// What was added to S: measured, gaps and all, each with its factor.
    pub booked_full_load_hours: f64,
    /// S at the end.
    pub used_full_load_hours: f64,
    /// D of the working period at the end.
    pub design_full_load_hours: f64,
    /// S/D at the end.
    pub consumed: f64,
    /// km by running time; `null` without running time.
    pub load_spectrum_factor: Option<f64>,
    /// Class of km.
    pub state_of_loading: Option<String>,
    /// Running edges.
    pub starts: u64,
    /// Lifts ended.
    pub lifts: u64,
    /// Lifts whose settled load was above the rated load.
    pub overload_lifts: u64,
}

impl<T: Sums> Course<T> {
    /// The days `from ..= to` alone; S before them is that of the last day left out.
    #[must_use]
    pub fn between(&self, from: Option<i32>, to: Option<i32>) -> Course<T> {
        let wanted = |day: i32| from.is_none_or(|from| day >= from) && to.is_none_or(|to| day <= to);
        let before = self.days.iter().take_while(|(day, ..)| from.is_some_and(|from| *day < from)).last();
        Course {
            prior: before.map_or(self.prior, |(.., used)| *used),
            days: self.days.iter().filter(|(day, ..)| wanted(*day)).cloned().collect(),
            ended: self.ended.clone(),
            ..*self
        }
    }

    /// Sums by calendar, oldest first; parts without a record are left out.
    pub fn by(&self, by: By) -> Vec<Stretch> {
        let mut parts: Vec<(String, std::ops::Range<usize>)> = Vec::new();
        // To name a day takes longer than to add it up; each part is named once.
        let mut until = None;
        for (i, (day, ..)) in self.days.iter().enumerate() {
            match parts.last_mut() {
                Some((_, days)) if until.is_some_and(|until| *day <= until) => days.end = i + 1,
                _ => {
                    parts.push((by.label(*day), i..i + 1));
                    until = by.last_day(*day);
                }
            }
        }
        let mut before = self.prior;
        parts
            .into_iter()
            .filter_map(|(label, days)| {
                let stretch = self.stretch(label, before, self.days.get(days)?)?;
                before = stretch.used_full_load_hours;
                Some(stretch)
            })
            .collect()
    }

    /// The sum of all days; `None` without any.
    pub fn total(&self) -> Option<Stretch> {
        self.stretch("all".to_owned(), self.prior, &self.days)
    }

    fn stretch(&self, label: String, before: f64, days: &[(i32, T, f64)]) -> Option<Stretch> {
        let ((first, ..), (last, _, used)) = (days.first()?, days.last()?);
        let mut sum = Totals::default();
        days.iter().for_each(|(_, sums, _)| sum.add(&sums.totals()));
        // A service that ends a working period puts S back; what was used of the period that ended counts on.
        let ended: f64 = self.ended.iter().filter(|e| (*first..=*last).contains(&e.day)).map(|e| e.used).sum();
        let design = self.ended.iter().find(|e| e.day > *last).map_or(self.design, |e| e.design);
        let km = sum.load_spectrum_factor(self.base);
        let hours = |ms: u64| ms as f64 / MS_PER_HOUR as f64;
        Some(Stretch {
            label,
            from: date_of(*first),
            to: date_of(*last),
            observed_hours: hours(sum.observed_ms),
            gap_hours: hours(sum.gap_ms),
            running_hours: sum.running_hours(),
            load_unknown_hours: hours(sum.load_unknown_ms),
            full_load_hours: sum.full_load_hours(self.base),
            booked_full_load_hours: used + ended - before,
            used_full_load_hours: *used,
            design_full_load_hours: design,
            consumed: used / design,
            load_spectrum_factor: km,
            state_of_loading: km
                .map(|km| MechanismLoading::of(km).map_or("above L4", MechanismLoading::name).to_owned()),
            starts: sum.starts,
            lifts: sum.lifts,
            overload_lifts: sum.overload_lifts,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Ten days, an hour of S each; on day 4 a service ends a period of D = 10 h at S = 4.5 h, and the next has D = 40 h.
    fn course() -> Course {
        let day = |day: i32| (day, Totals { lifts: 1, ..Totals::default() }, if day < 4 { day + 1 } else { day - 4 });
        Course {
            prior: 0.0,
            days: (0..10).map(day).map(|(day, totals, used)| (day, totals, f64::from(used))).collect(),
            base: Grams::from_kg(1_000.0),
            design: 40.0,
            ended: vec![Ended { day: 4, used: 4.5, design: 10.0 }],
        }
    }

    #[test]
    fn a_share_is_of_the_working_period_it_was_used_in() {
        let days = course().by(By::Day);
        assert_eq!((days[3].design_full_load_hours, days[3].consumed), (10.0, 0.4), "before the service");
        assert_eq!((days[4].design_full_load_hours, days[4].consumed), (40.0, 0.0), "from its day on");
        assert_eq!(days[9].consumed, 5.0 / 40.0);
        assert_eq!(days[4].booked_full_load_hours, 0.5, "what the old period used on that day");
        let booked: f64 = days.iter().map(|d| d.booked_full_load_hours).sum();
        assert_eq!(booked, 4.5 + 5.0, "nothing is lost where S begins anew");
        assert_eq!(course().total().map(|t| t.booked_full_load_hours), Some(booked));
    }

    /// The parts are those that naming each day would give, over years, a leap day and a hole.
    #[test]
    fn each_day_is_in_the_part_that_bears_its_name() {
        let days: Vec<i32> = (18_900..20_200).filter(|day| !(19_000..19_047).contains(day)).collect();
        let sums = |day: &i32| (*day, Totals { lifts: 1, ..Totals::default() }, 0.0);
        let course = Course { days: days.iter().map(sums).collect(), ..course() };
        for by in [By::Day, By::Week, By::Month, By::Year] {
            let mut named: Vec<(String, u64)> = Vec::new();
            for day in &days {
                match named.last_mut() {
                    Some((label, lifts)) if *label == by.label(*day) => *lifts += 1,
                    _ => named.push((by.label(*day), 1)),
                }
            }
            let parts: Vec<_> = course.by(by).into_iter().map(|part| (part.label, part.lifts)).collect();
            assert_eq!(parts, named, "{by:?}");
        }
    }

    #[test]
    fn days_before_the_service_alone_keep_their_own_d() {
        let early = course().between(Some(1), Some(2));
        assert_eq!(early.prior, 1.0);
        let total = early.total().map(|t| (t.booked_full_load_hours, t.design_full_load_hours, t.lifts));
        assert_eq!(total, Some((2.0, 10.0, 2)));
        assert!(early.between(Some(7), None).total().is_none());
    }
}
