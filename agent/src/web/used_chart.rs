//! Full-load hours used over time against the design line.

use jiff::ToSpan;
use jiff::civil::Date;
use maud::{Markup, html};
use tallyhook_config::model::Mechanism;

use super::layout::{Desk, cell, compact_table, number_column, words_column};
use super::moments::{date_of, parse};
use super::plot::{Area, WIDTHS, picture, steps, text};
use super::wording::fill;
use crate::course::{By, Course, Sums};
use crate::figures::{MechanismFigures, day_number};

/// The years that D stands for, FEM 9.755.
const DESIGN_YEARS: f64 = 10.0;

/// Days in a year, on average.
const YEAR: f64 = 365.25;

/// No more points than this are drawn; a picture has no more columns of pixels.
const MOST_POINTS: usize = 360;

/// The picture at both widths, its caption and the same by month.
pub fn used_chart<T: Sums>(
    desk: &Desk,
    mechanism: &Mechanism,
    figures: &MechanismFigures,
    course: &Course<T>,
) -> Markup {
    let w = desk.words;
    let (Some((first, ..)), Some((last, ..))) = (course.days.first(), course.days.last()) else {
        return html! { p { (w.used_no_days) } };
    };
    let picture = Picture::new(desk, mechanism, figures, course, *first, *last);
    html! {
        figure {
            @for (class, width) in WIDTHS { (picture.draw(class, width)) }
            figcaption {
                (w.used_caption)
                @if picture.forecast.is_some() { " " (w.used_caption_forecast) }
            }
        }
        details { summary { (w.used_table) } (months(desk, course)) }
    }
}

struct Picture<'a, T> {
    desk: &'a Desk<'a>,
    levels: &'a [f64],
    course: &'a Course<T>,
    begin: f64,
    now: f64,
    used: f64,
    design: f64,
    /// Days of the 10, 50 and 90 % dates.
    forecast: Option<[f64; 3]>,
    until: f64,
    title: String,
}

impl<'a, T: Sums> Picture<'a, T> {
    fn new(
        desk: &'a Desk,
        mechanism: &'a Mechanism,
        figures: &MechanismFigures,
        course: &'a Course<T>,
        first: i32,
        last: i32,
    ) -> Self {
        let w = desk.words;
        let begin = figures.record_from.as_deref().and_then(parse).map_or(f64::from(first), |t| desk.moments.day(t));
        let now = figures.record_to.as_deref().and_then(parse).map_or(f64::from(last) + 1.0, |t| desk.moments.day(t));
        let now = now.max(begin);
        let day = |text: &str| text.parse::<Date>().ok().map(|d| f64::from(day_number(d)));
        let forecast = figures
            .forecast
            .as_ref()
            .and_then(|f| Some([day(&f.date_p10)?, day(f.date_p50.as_deref()?)?, day(f.date_p90.as_deref()?)?]));
        // Far dates are left to the text: beyond 20 years the curve itself would shrink to a corner.
        let far = forecast.map_or(0.0, |f| f[2]).min(begin + 20.0 * YEAR);
        let until = (begin + YEAR).max(now + (now - begin) * 0.25).max(far + (far - begin) * 0.04);
        let title = fill(
            w.used_alt,
            &[
                ("start", &w.hours(course.prior)),
                ("from", &date_text(begin)),
                ("now", &w.hours(figures.used_full_load_hours)),
                ("to", &date_text(now)),
                ("design", &w.hours(figures.design_full_load_hours)),
            ],
        );
        Picture {
            desk,
            levels: &mechanism.warn.used_share,
            course,
            begin,
            now,
            used: figures.used_full_load_hours,
            design: figures.design_full_load_hours,
            forecast,
            until,
            title,
        }
    }

    fn points(&self) -> Vec<(f64, f64)> {
        let days = &self.course.days;
        let every = days.len().div_ceil(MOST_POINTS).max(1);
        let mut points = vec![(self.begin, self.course.prior)];
        let ends = days.iter().map(|(day, _, used)| (f64::from(*day) + 1.0, *used));
        points.extend(ends.filter(|(end, _)| *end < self.now).step_by(every));
        points.push((self.now, self.used));
        points
    }

    fn draw(&self, class: &str, width: f64) -> Markup {
        let w = self.desk.words;
        let wide = width > 500.0;
        let highest = self.levels.iter().copied().fold(1.0, f64::max) * self.design;
        let area = Area {
            width,
            height: if wide { 360.0 } else { 300.0 },
            left: 52.0,
            right: width - 12.0,
            top: 30.0,
            bottom: if wide { 316.0 } else { 256.0 },
            x: (self.begin, self.until),
            y: (0.0, highest.max(self.used) * 1.08),
        };
        let upright: Vec<(f64, String)> =
            steps(area.y.1, 6).into_iter().map(|v| (v, w.number(v, decimals(area.y.1)))).collect();
        let across = dates(area.x, if wide { 9 } else { 4 });
        let rate = self.design / (DESIGN_YEARS * YEAR);
        let design_end = ((area.y.1 - self.course.prior) / rate + self.begin).min(self.until);
        let design_at = |day: f64| self.course.prior + (day - self.begin) * rate;
        let points = self.points();
        let name = format!("used-{class}");
        let body = html! {
            (area.frame(&across, &upright, (w.used_axis_date, w.used_axis_hours)))
            @for l in self.levels.iter().filter(|l| **l < 1.0) {
                (area.line((self.begin, l * self.design), (self.until, l * self.design), "level"))
                (text(area.left + 6.0, area.at_y(l * self.design) + 12.0, "note", &fill(w.used_level_line, &[("level", &w.level(*l))])))
            }
            (area.line((self.begin, self.design), (self.until, self.design), "limit"))
            (text(area.left + 6.0, area.at_y(self.design) - 5.0, "note strong", &fill(w.used_limit_line, &[("design", &w.number(self.design, 0))])))
            (area.line((self.begin, self.course.prior), (design_end, design_at(design_end)), "design"))
            (self.design_label(&area, design_at))
            @if let Some(f) = self.forecast { (self.forecast_band(&area, &name, f)) }
            path class="curve" d=(area.path(&points)) {}
            circle class="now" cx=(super::plot::px(area.at_x(self.now))) cy=(super::plot::px(area.at_y(self.used))) r="4" {}
            (self.now_label(&area))
        };
        picture(&area, &name, class, &self.title, body)
    }

    fn now_label(&self, area: &Area) -> Markup {
        let w = self.desk.words;
        let words = fill(w.used_now_line, &[("used", &w.hours(self.used))]);
        let x = area.at_x(self.now);
        // Left of the point and above it while there is room, since the design line and the forecast go to the right.
        let y = (area.at_y(self.used) - 10.0).max(area.top + 12.0);
        if x - area.left > 110.0 {
            text(x - 4.0, y, "note strong halo end", &words)
        } else {
            text(area.left + 6.0, y, "note strong halo", &words)
        }
    }

    fn design_label(&self, area: &Area, design_at: impl Fn(f64) -> f64) -> Markup {
        let day = self.begin + (self.until - self.begin) * 0.97;
        let y = area.at_y(design_at(day).min(area.y.1 * 0.97));
        text(area.right - 8.0, (y + 18.0).min(area.bottom - 6.0), "note halo end", self.desk.words.used_design_line)
    }

    fn forecast_band(&self, area: &Area, name: &str, [p10, p50, p90]: [f64; 3]) -> Markup {
        let from = (self.now, self.used);
        // A date beyond the picture's edge is drawn up to the edge, along its own line.
        let to = |day: f64| {
            if day <= self.until || day <= self.now {
                return (day.max(self.now), self.design);
            }
            let part = (self.until - self.now) / (day - self.now);
            (self.until, self.used + (self.design - self.used) * part)
        };
        let (early, late) = (to(p10), to(p90));
        let mut corners = vec![from, early];
        if p10 <= self.until && p90 > self.until {
            corners.push((self.until, self.design));
        }
        corners.push(late);
        html! {
            path class="band" fill=(format!("url(#{name}-h)")) d=(format!("{}Z", area.path(&corners))) {}
            path class="forecast" d=(area.path(&[from, to(p50)])) {}
            // Above the band, whose other side the design line has.
            (text(
                (area.at_x(from.0) + area.at_x(early.0)) / 2.0 - 8.0,
                (area.at_y(from.1) + area.at_y(early.1)) / 2.0 - 4.0,
                "note strong halo end", self.desk.words.used_forecast_line,
            ))
        }
    }
}

fn decimals(top: f64) -> usize {
    if top >= 10.0 { 0 } else { 1 }
}

fn date_text(day: f64) -> String {
    date_of(day.floor() as i32).map(|d| d.to_string()).unwrap_or_default()
}

/// At most `most` dates inside the range, on the first of months a round number apart.
fn dates((from, to): (f64, f64), most: usize) -> Vec<(f64, String)> {
    let (Some(first), Some(last)) = (date_of(from.floor() as i32), date_of(to.floor() as i32)) else {
        return Vec::new();
    };
    let index = |d: Date| i32::from(d.year()) * 12 + i32::from(d.month()) - 1;
    let months = (index(last) - index(first)).max(1) as usize;
    let step = [1, 2, 3, 6, 12, 24, 60, 120].into_iter().find(|s| months / s < most).unwrap_or(120) as i32;
    let mut out = Vec::new();
    let mut month = index(first).div_euclid(step) * step;
    while month <= index(last) {
        let date = Date::new((month.div_euclid(12)) as i16, (month.rem_euclid(12) + 1) as i8, 1);
        if let Ok(date) = date {
            let day = f64::from(day_number(date));
            if day >= from && day <= to {
                let label = if step >= 12 { format!("{}", date.year()) } else { date.strftime("%Y-%m").to_string() };
                out.push((day, label));
            }
        }
        month += step;
    }
    out
}

/// Sums by calendar month, newest first.
fn months<T: Sums>(desk: &Desk, course: &Course<T>) -> Markup {
    let w = desk.words;
    let columns = [
        words_column(w.month),
        number_column(w.month_running),
        number_column(w.month_full_load),
        number_column(w.month_used_end),
        number_column(w.month_lifts),
    ];
    let rows: Vec<Vec<Markup>> = course
        .by(By::Month)
        .iter()
        .rev()
        .map(|m| {
            let (running, grown) = (w.hours(m.running_hours), w.hours(m.booked_full_load_hours));
            vec![
                cell(&m.label),
                cell(running),
                cell(grown),
                cell(w.hours(m.used_full_load_hours)),
                cell(w.count(m.lifts)),
            ]
        })
        .collect();
    compact_table(w.used_table, &columns, &rows, None)
}

/// The days to ask the history for: from the day before the record began to the day after it ends.
pub fn day_range(figures: &MechanismFigures) -> (i32, i32) {
    let day = |text: &Option<String>| {
        let time = text.as_deref()?.parse::<jiff::Timestamp>().ok()?;
        Some(time.to_zoned_datetime(jiff::tz::TimeZone::UTC).date())
    };
    let from = day(&figures.record_from).and_then(|d| d.checked_sub(1.day()).ok()).map_or(i32::MIN, day_number);
    let to = day(&figures.record_to).and_then(|d| d.checked_add(1.day()).ok()).map_or(i32::MAX, day_number);
    (from, to)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_are_few_and_round() {
        let from = f64::from(day_number(jiff::civil::date(2025, 9, 17)));
        let labels = |years: f64, most| -> Vec<String> {
            dates((from, from + years * YEAR), most).into_iter().map(|d| d.1).collect()
        };
        assert_eq!(labels(1.0, 4), ["2026-01", "2026-07"]);
        assert_eq!(labels(10.0, 9), ["2026", "2028", "2030", "2032", "2034"]);
        for years in [0.1, 0.5, 1.0, 3.0, 8.0, 25.0] {
            assert!(labels(years, 9).len() <= 9 && !labels(years, 9).is_empty(), "{years}");
        }
    }
}
