//! How instants and days are written: in the site's time zone, largest part first.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use tallyhook_analysis::units::{Span, Timestamp};

use crate::figures::day_number;

/// Writes instants at one site.
#[derive(Clone, Debug)]
pub struct Moments {
    zone: TimeZone,
}

impl Moments {
    /// For a site in `zone`.
    pub fn new(zone: TimeZone) -> Self {
        Moments { zone }
    }

    /// The zone's name, or its present offset where it has none.
    pub fn zone_name(&self) -> String {
        self.zone.iana_name().unwrap_or("UTC").to_owned()
    }

    fn written(&self, at: Timestamp, format: &str) -> String {
        match jiff::Timestamp::from_millisecond(at.as_ms()) {
            Ok(time) => time.to_zoned_datetime(self.zone.clone()).strftime(format).to_string(),
            Err(_) => crate::figures::rfc3339(at),
        }
    }

    /// `2026-03-09 06:00:12`.
    pub fn second(&self, at: Timestamp) -> String {
        self.written(at, "%Y-%m-%d %H:%M:%S")
    }

    /// Weekday, 0 for Monday, and hour of the site's clock at `at`.
    pub fn week_hour(&self, at: Timestamp) -> (usize, usize) {
        match jiff::Timestamp::from_millisecond(at.as_ms()) {
            Ok(time) => {
                let local = time.to_zoned_datetime(self.zone.clone());
                let weekday = local.weekday().to_monday_zero_offset();
                (usize::try_from(weekday).unwrap_or(0).min(6), usize::try_from(local.hour()).unwrap_or(0).min(23))
            }
            Err(_) => (0, 0),
        }
    }

    /// The midnight that a day of the site begins with.
    pub fn midnight(&self, date: Date) -> Option<Timestamp> {
        let midnight = date.to_zoned_datetime(self.zone.clone()).ok()?;
        Some(Timestamp::from_ms(midnight.timestamp().as_millisecond()))
    }

    /// The site's day that contains `at`, with the part of the day that has passed.
    pub fn day(&self, at: Timestamp) -> f64 {
        match jiff::Timestamp::from_millisecond(at.as_ms()) {
            Ok(time) => {
                let local = time.to_zoned_datetime(self.zone.clone());
                let passed = f64::from(local.hour()) / 24.0 + f64::from(local.minute()) / 1440.0;
                f64::from(day_number(local.date())) + passed
            }
            Err(_) => at.as_ms() as f64 / 86_400_000.0,
        }
    }
}

/// The date of a day number.
pub fn date_of(day: i32) -> Option<Date> {
    let time = jiff::Timestamp::from_second(i64::from(day) * 86_400).ok()?;
    Some(time.to_zoned_datetime(TimeZone::UTC).date())
}

/// An instant in RFC 3339.
pub fn parse(text: &str) -> Option<Timestamp> {
    text.parse::<jiff::Timestamp>().ok().map(|t| Timestamp::from_ms(t.as_millisecond()))
}

/// Time from `then` to `now`, never negative.
pub fn age(now: Timestamp, then: Timestamp) -> Span {
    Span::from_ms(now.since(then).as_ms().max(0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_and_dates_go_both_ways() {
        for day in [-1, 0, 20_521, 40_000] {
            assert_eq!(date_of(day).map(day_number), Some(day));
        }
        assert_eq!(day_number(jiff::civil::date(2026, 3, 9)), 20_521);
    }

    #[test]
    fn instants_are_written_in_the_sites_zone() {
        let at = parse("2026-03-09T05:00:12Z").unwrap();
        let moments = Moments::new(TimeZone::fixed(jiff::tz::offset(2)));
        assert_eq!(moments.second(at), "2026-03-09 07:00:12");
        assert!((moments.day(at) - 20_521.291_666).abs() < 1e-3);
    }
}
