//! The week in words: for each mechanism hours, lifts, used share and what it changed by, expected end; then what is
//! open. Made from the ledger when it is told, so nothing of it has to be kept but that it was.

use std::ops::RangeInclusive;

use jiff::civil::Weekday;
use jiff::tz::TimeZone;
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::{MS_PER_HOUR, Timestamp};
use tallyhook_config::model::Config;

use crate::figures::{self, MechanismFigures, SiteFigures};
use crate::publish::wording::{self, Said};
use crate::store::alarm::{Alarm, AlarmState};
use crate::store::{Reader, StoreError};
use crate::web::moments::parse;
use crate::web::wording::ENGLISH;

/// Before it a clock has not been set: 2020-01-01, in seconds since 1970.
const EARLIEST: u64 = 1_577_836_800;
/// A week that was told is not due this long after now, seconds; 8 days, for clocks are put right by minutes.
const MOST_AHEAD: i64 = 8 * 86_400;
/// Most open warnings that are named.
const MOST_NAMED: usize = 20;

/// The last instant at which a week was due, seconds since 1970: the day of the week (1 for Monday) and the hour of the
/// site's day. `None` when the clock cannot be right.
pub fn last_due(zone: &TimeZone, (day, hour): (u8, f64), now: Timestamp) -> Option<u64> {
    let weekday = Weekday::from_monday_one_offset(i8::try_from(day).ok()?).ok()?;
    let minutes = (hour * 60.0).round() as u16;
    let (hour, minute) = (i8::try_from(minutes / 60).ok()?, i8::try_from(minutes % 60).ok()?);
    let now = jiff::Timestamp::from_millisecond(now.as_ms()).ok()?;
    let today = now.to_zoned_datetime(zone.clone()).date();
    let back = today.weekday().since(weekday);
    [back, back + 7].into_iter().find_map(|days| {
        let date = today.checked_sub(jiff::Span::new().days(days)).ok()?;
        let at = date.at(hour, minute, 0, 0).to_zoned_datetime(zone.clone()).ok()?.timestamp();
        u64::try_from(at.as_second()).ok().filter(|seconds| at <= now && *seconds >= EARLIEST)
    })
}

/// Up to when the record goes.
pub fn recorded_to(figures: &SiteFigures) -> Option<Timestamp> {
    figures.mechanisms.iter().filter_map(|figures| parse(figures.record_to.as_deref()?)).max()
}

/// Whether the mark of a week that was told, seconds since 1970, is of a clock that was wrong.
pub fn is_ahead(told: u64, now: Timestamp) -> bool {
    i64::try_from(told).map_or(true, |told| told > now.as_ms().div_euclid(1000) + MOST_AHEAD)
}

/// The words of the seven days before the one on which the week was due.
///
/// # Errors
/// When the ledger cannot be read.
pub fn digest(config: &Config, figures: &SiteFigures, due: u64) -> Result<Said, StoreError> {
    let reader = Reader::open(&config.store.directory)?;
    let due = jiff::Timestamp::from_second(i64::try_from(due).unwrap_or(i64::MAX)).unwrap_or_default();
    let ends = figures::day_number(due.to_zoned_datetime(config.time_zone.clone()).date()) - 1;
    let mut items = Vec::new();
    for (crane, mechanism) in config.mechanisms() {
        let Some(present) = figures.mechanisms.iter().find(|figures| figures.id == mechanism.id) else { continue };
        let sums = |days: RangeInclusive<i32>| -> Result<Totals, StoreError> {
            let mut sums = Totals::default();
            reader.days(&mechanism.id, *days.start(), *days.end())?.iter().for_each(|(_, day)| sums.add(day));
            Ok(sums)
        };
        let used = reader.used(&mechanism.id)?;
        let used_at = |day: i32| used.range(..=day).next_back().map(|(_, hours)| *hours);
        let week = Week {
            present,
            this: sums(ends - 6..=ends)?,
            before: sums(ends - 13..=ends - 7)?,
            used: used_at(ends),
            used_before: used_at(ends - 7),
        };
        items.push(format!("Crane {}, {}: {}", wording::crane(config, &crane.id), mechanism.id, week.words()));
    }
    items.push(open_warnings(&reader.alarms(None, true)?));
    let head =
        format!("{}: the week from {} to {}.", config.site_name, figures::date_of(ends - 6), figures::date_of(ends));
    Ok(Said::list(head, items, wording::look_at(config, "")))
}

/// A mechanism's week.
struct Week<'a> {
    present: &'a MechanismFigures,
    this: Totals,
    before: Totals,
    /// S at its end and at that of the week before, full-load hours; `None` before the first day that is over.
    used: Option<f64>,
    used_before: Option<f64>,
}

impl Week<'_> {
    fn words(&self) -> String {
        let mut words = vec![self.work(), self.share()];
        words.extend(self.end());
        let missing = self.this.gap_ms as f64 / MS_PER_HOUR as f64;
        if missing >= 0.05 {
            words.push(format!("{missing:.1} h were not recorded"));
        }
        format!("{}.", words.join("; "))
    }

    fn work(&self) -> String {
        let (hours, before) = (self.this.running_hours(), self.before.running_hours());
        match self.present.kind {
            "hoist" => format!(
                "{hours:.1} h of running time and {} lifts (the week before {before:.1} h and {})",
                self.this.lifts, self.before.lifts
            ),
            _ => format!("{hours:.1} h of running time (the week before {before:.1} h)"),
        }
    }

    fn share(&self) -> String {
        let design = self.present.design_full_load_hours;
        let percent = |hours: f64| hours / design * 100.0;
        let used = self.used.unwrap_or(self.present.used_full_load_hours);
        let now = format!("used share {:.2} %", percent(used));
        match self.used_before.map(|before| percent(used - before)) {
            None => format!("{now}, the first week of the record"),
            Some(change) if change < 0.0 => format!("{now}, for a new working period has begun"),
            Some(change) => format!("{now}, {change:.2} points more than a week before"),
        }
    }

    fn end(&self) -> Option<String> {
        let forecast = self.present.forecast.as_ref()?;
        let earliest = &forecast.date_p10;
        Some(match (&forecast.date_p50, &forecast.date_p90) {
            (Some(middle), Some(latest)) => {
                format!("expected to be used up about {middle}, between {earliest} and {latest}")
            }
            (Some(middle), None) => format!("expected to be used up about {middle}, not before {earliest}"),
            (None, _) => format!("expected to be used up in more than 30 years, not before {earliest}"),
        })
    }
}

fn open_warnings(open: &[Alarm]) -> String {
    if open.is_empty() {
        return "No warning is open.".to_owned();
    }
    let named: Vec<String> = open.iter().take(MOST_NAMED).map(open_warning).collect();
    let more = match open.len() - named.len() {
        0 => String::new(),
        more => format!("; and {more} more, see `tallyhook alarms`"),
    };
    format!("Open warnings, {}: {}{more}.", open.len(), named.join("; "))
}

fn open_warning(alarm: &Alarm) -> String {
    let state = match alarm.state() {
        AlarmState::Unacknowledged => "not acknowledged",
        AlarmState::Acknowledged => "acknowledged",
        AlarmState::ReturnedUnacknowledged => "returned, not acknowledged",
        AlarmState::Normal => "returned",
    };
    let (name, since) = (wording::alarm_name(&ENGLISH, &alarm.what), figures::rfc3339(alarm.raised));
    format!("number {} on {}, {name}, since {}, {state}", alarm.seq, alarm.mechanism, &since[..10])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn due(zone: &str, when: (u8, f64), now: &str) -> Option<String> {
        let zone = TimeZone::get(zone).unwrap();
        let now = Timestamp::from_ms(now.parse::<jiff::Timestamp>().unwrap().as_millisecond());
        let due = last_due(&zone, when, now)?;
        Some(jiff::Timestamp::from_second(due as i64).unwrap().to_string())
    }

    #[test]
    fn the_week_is_due_at_the_sites_own_hour_in_winter_and_in_summer() {
        let due = |now| due("Europe/Berlin", (1, 7.0), now).unwrap();
        // 2026-03-02 is a Monday, at UTC+1; on the 30th the site is at UTC+2.
        assert_eq!(due("2026-03-02T05:59:59Z"), "2026-02-23T06:00:00Z");
        assert_eq!(due("2026-03-02T06:00:00Z"), "2026-03-02T06:00:00Z");
        assert_eq!(due("2026-03-08T22:00:00Z"), "2026-03-02T06:00:00Z");
        assert_eq!(due("2026-03-30T04:59:00Z"), "2026-03-23T06:00:00Z");
        assert_eq!(due("2026-03-30T05:00:00Z"), "2026-03-30T05:00:00Z");
    }

    #[test]
    fn a_mechanisms_week_says_what_changed_and_where_it_leads() {
        use tallyhook_analysis::class::{ApplianceGroup, MechanismGroup};
        use tallyhook_analysis::recorder::Spec;
        use tallyhook_analysis::units::Grams;
        use tallyhook_config::model::{Crane, Mechanism};

        let hoist = Mechanism::plain("main-hoist", MechanismGroup::M5, Spec::hoist(Grams::from_kg(16_000.0)));
        let crane = Crane {
            id: "yard-1".to_owned(),
            name: String::new(),
            group: ApplianceGroup::A5,
            design_life_years: 20.0,
            mechanisms: vec![hoist],
        };
        let config = Config { cranes: vec![crane], ..wording::tests::config() };
        let mut figures = figures::of_site(&config, |_| figures::Record::default());
        let present = &mut figures.mechanisms[0];
        present.forecast = Some(figures::Forecast::of_days(24_000, Some(24_500), None));
        let design = present.design_full_load_hours;
        let hours = |h: u64, lifts: u64, gap: u64| Totals {
            running_ms: h * 3_600_000,
            gap_ms: gap * 3_600_000,
            lifts,
            ..Totals::default()
        };
        let week = |used: Option<f64>, before: Option<f64>| {
            let share = |part: f64| part * design;
            let (used, used_before) = (used.map(share), before.map(share));
            Week { present, this: hours(31, 812, 2), before: hours(29, 777, 0), used, used_before }.words()
        };
        assert_eq!(
            week(Some(0.4321), Some(0.4286)),
            "31.0 h of running time and 812 lifts (the week before 29.0 h and 777); used share 43.21 %, 0.35 points more \
             than a week before; expected to be used up about 2037-01-29, not before 2035-09-17; \
             2.0 h were not recorded."
        );
        assert!(week(Some(0.01), Some(0.97)).contains("used share 1.00 %, for a new working period has begun;"));
        assert!(week(Some(0.01), None).contains("used share 1.00 %, the first week of the record;"));
    }

    #[test]
    fn the_date_is_the_sites_and_a_clock_that_was_never_set_is_not_followed() {
        // It is Monday in Auckland (UTC+13) while it is Sunday in Greenwich.
        let auckland = due("Pacific/Auckland", (1, 6.5), "2026-03-01T18:00:00Z");
        assert_eq!(auckland.as_deref(), Some("2026-03-01T17:30:00Z"));
        assert_eq!(due("UTC", (7, 0.0), "2026-03-01T00:00:00Z").as_deref(), Some("2026-03-01T00:00:00Z"));
        assert_eq!(due("UTC", (1, 7.0), "1970-02-01T00:00:00Z"), None);
    }
}
