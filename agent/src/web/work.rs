//! The view of a mechanism's work in one year: when it works, how hard the motor, and what ate the life.

use jiff::civil::Date;
use maud::{Markup, html};
use serde::Deserialize;
use tallyhook_analysis::account::HourSums;
use tallyhook_analysis::duty::{DayDuty, DutyLimit};
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::spectrum::{BANDS, Bands, Totals, band_edges};
use tallyhook_analysis::units::{Grams, MS_PER_HOUR, Timestamp};
use tallyhook_config::model::{Crane, Mechanism};

use super::calendar::{calendar, week};
use super::layout::{Column, Desk, View, cell, compact_table, explained, number_column, sheet_table, words_column};
use super::mechanism::heading;
use super::moments::date_of;
use super::plot::{Area, WIDTHS, picture, px, steps, text};
use super::source::{History, LiftOrder, LiftsAsked, cost_hours};
use super::units::duration;
use super::wording::{Wording, fill};
use crate::figures::{MechanismFigures, day_number};
use crate::store::WorkDay;

/// How many of the costliest lifts are listed.
const COSTLIEST: usize = 20;

/// Shifts that work is laid to: name, first hour. Early, late and night from six; common practice, no source.
const SHIFTS: [usize; 3] = [6, 14, 22];

/// What may be asked of this view.
#[derive(Deserialize, Default)]
pub struct WorkQuery {
    /// The year; the newest with a record when not given.
    pub year: Option<String>,
}

/// What the view needs from the history.
pub struct Past {
    years: Vec<i16>,
    year: i16,
    /// The days that are over.
    days: Vec<Day>,
    /// Full-load hours by load band.
    by_band: [f64; BANDS],
    hours: Vec<HourSums>,
    costliest: Vec<Lift>,
}

/// A day that is over: its sums and its motor duty.
struct Day {
    day: i32,
    totals: Totals,
    duty: DayDuty,
}

/// Rated load and dead load that S and D are in full-load hours of.
pub fn budget_base(mechanism: &Mechanism, f: &MechanismFigures) -> Grams {
    Grams::from_kg(f.budget_rated_load_kg + mechanism.spec.dead_load.as_kg())
}

impl Past {
    /// Reads a year; blocks. `None` as year for the newest.
    pub fn read(
        history: &dyn History,
        mechanism: &Mechanism,
        f: &MechanismFigures,
        year: Option<i16>,
        midnight: impl Fn(Date) -> Option<Timestamp>,
    ) -> Result<Past, String> {
        let years = years(f);
        let year = year.filter(|y| years.contains(y)).or(years.last().copied()).unwrap_or(1970);
        let (Ok(first), Ok(end)) = (Date::new(year, 1, 1), Date::new(year, 12, 31)) else {
            return Err(format!("there is no year {year}"));
        };
        let asked = costliest_of(mechanism, f, year, midnight);
        let base = budget_base(mechanism, f);
        let mut by_band = [0.0; BANDS];
        let bands = Bands::of(base);
        let mut book = |load: Grams, ms: u64| {
            by_band[bands.band(load)] += load.fraction_of(base).powi(3) * ms as f64 / MS_PER_HOUR as f64;
        };
        let days = history.days_of_work(&f.id, day_number(first), day_number(end), Some(&mut book))?;
        let day = |WorkDay { sums, duty }| Day { day: sums.day, totals: sums.totals(), duty };
        Ok(Past {
            years,
            year,
            days: days.into_iter().map(day).collect(),
            by_band,
            hours: history.hours(&f.id, asked.from, asked.to)?,
            costliest: history.find_lifts(&f.id, &asked)?.lifts,
        })
    }
}

/// The costliest lifts of a year.
fn costliest_of(
    mechanism: &Mechanism,
    f: &MechanismFigures,
    year: i16,
    midnight: impl Fn(Date) -> Option<Timestamp>,
) -> LiftsAsked {
    let first = |year: i16| Date::new(year, 1, 1).ok().and_then(&midnight);
    LiftsAsked {
        from: first(year),
        to: first(year.saturating_add(1)),
        order: LiftOrder::Cost,
        limit: COSTLIEST,
        base: budget_base(mechanism, f),
        dead: mechanism.spec.dead_load,
        ..LiftsAsked::default()
    }
}

/// What this view will ask of the lifts: the costliest of each year.
pub fn questions(
    mechanism: &Mechanism,
    f: &MechanismFigures,
    midnight: impl Fn(Date) -> Option<Timestamp>,
) -> Vec<LiftsAsked> {
    years(f).into_iter().map(|year| costliest_of(mechanism, f, year, &midnight)).collect()
}

/// The years of the record.
fn years(f: &MechanismFigures) -> Vec<i16> {
    let year_of = |text: &Option<String>| text.as_deref().and_then(|t| t.get(..4)?.parse::<i16>().ok());
    let last = year_of(&f.record_to).unwrap_or(1970);
    (year_of(&f.record_from).unwrap_or(last)..=last).collect()
}

/// The view's body.
pub fn work(desk: &Desk, crane: &Crane, mechanism: &Mechanism, f: &MechanismFigures, past: Option<Past>) -> Markup {
    let w = desk.words;
    html! {
        (heading(desk, crane, mechanism, f, View::Work))
        @match past {
            None => p.banner { (w.history_unreadable) },
            Some(past) => {
                nav.contents aria-label=(w.years) {
                    ul {
                        @for year in &past.years {
                            li {
                                @if *year == past.year { strong aria-current="page" { (year) } }
                                @else { a href=(format!("{}?year={year}", View::Work.address(&f.id))) { (year) } }
                            }
                        }
                    }
                }
                @if past.days.is_empty() { p { (w.work_no_days) } } @else {
                    (calendars(desk, &past))
                    (motor(desk, f, &past))
                    (causes(desk, mechanism, f, &past))
                    p.remark {
                        (w.as_json) " "
                        a href=(format!("/api/v1/mechanisms/{}/days?from={1}-01-01&to={1}-12-31", f.id, past.year)) { (w.json_days) }
                        ", " a href=(format!("/api/v1/mechanisms/{}/hours?from={}-01-01T00:00:00Z", f.id, past.year)) { (w.json_hours) }
                    }
                }
            }
        }
    }
}

fn calendars(desk: &Desk, past: &Past) -> Markup {
    let w = desk.words;
    let lifts: Vec<(i32, f64)> = past.days.iter().map(|r| (r.day, r.totals.lifts as f64)).collect();
    let running: Vec<(i32, f64)> = past.days.iter().map(|r| (r.day, r.totals.running_hours())).collect();
    let year = past.year.to_string();
    let caption = |template: &str, days: &[(i32, f64)], value: &dyn Fn(f64) -> String| {
        let most = days.iter().max_by(|a, b| a.1.total_cmp(&b.1));
        let (day, most) = most.map_or((String::new(), 0.0), |(d, v)| (day_text(*d), *v));
        let sum: f64 = days.iter().map(|d| d.1).sum();
        let mean = if days.is_empty() { 0.0 } else { sum / days.len() as f64 };
        fill(
            template,
            &[("year", &year), ("sum", &value(sum)), ("mean", &value(mean)), ("most", &value(most)), ("day", &day)],
        )
    };
    let whole = |v: f64| w.number(v, 0);
    let in_hours = |v: f64| w.hours(v);
    let lifts_caption = caption(w.calendar_lifts_caption, &lifts, &whole);
    let hours_caption = caption(w.calendar_hours_caption, &running, &in_hours);
    html! {
        section #calendar {
            h2 { (fill(w.calendar_title, &[("year", &year)])) }
            h3 { (w.calendar_lifts) }
            (calendar(desk, "cal-lifts", past.year, &lifts, &lifts_caption))
            p.remark { (lifts_caption) }
            h3 { (w.calendar_hours) }
            (calendar(desk, "cal-hours", past.year, &running, &hours_caption))
            p.remark { (hours_caption) " " (w.calendar_note) }
        }
    }
}

fn motor(desk: &Desk, f: &MechanismFigures, past: &Past) -> Markup {
    let w = desk.words;
    let limit = DutyLimit::of(f.group);
    let series =
        |value: &dyn Fn(&Day) -> f64| -> Vec<(i32, f64)> { past.days.iter().map(|r| (r.day, value(r))).collect() };
    let starts = series(&|r| r.duty.worst_starts.value as f64);
    let ten = series(&|r| r.duty.ed_ten_minutes());
    let hour = series(&|r| r.duty.ed_hour());
    let edge = limit.as_ref();
    let edition = DutyLimit::EDITION;
    let check = match (edge.and_then(|l| l.mark.caution()), edge) {
        (Some(_), _) => w.check_against_the_standard,
        (None, Some(_)) => "",
        (None, None) => w.duty_no_limit,
    };
    let stick = |name: &str, axis: &str, days: &[(i32, f64)], at: Option<f64>| {
        let over = days.iter().filter(|d| at.is_some_and(|at| d.1 > at)).count();
        let most = days.iter().map(|d| d.1).fold(0.0, f64::max);
        let title = fill(
            w.duty_alt,
            &[
                ("what", axis),
                ("most", &w.number(most, 0)),
                ("limit", &at.map_or("–".to_owned(), |v| w.number(v, 0))),
                ("over", &w.count(over as u64)),
                ("days", &w.count(days.len() as u64)),
            ],
        );
        html! {
            figure {
                @for (class, width) in WIDTHS { (sticks(w, &format!("{name}-{class}"), class, width, past.year, days, at, (axis, w.used_axis_date), &title)) }
                figcaption { (title) }
            }
        }
    };
    html! {
        section #duty {
            h2 { (w.duty_title) }
            p.remark { (fill(w.duty_caption, &[("group", f.group.name()), ("fem", f.group.fem_name()), ("edition", edition)])) " " (check) }
            (stick("duty-starts", w.duty_starts, &starts, edge.map(|l| f64::from(l.starts_per_hour))))
            (stick("duty-ten", w.duty_ten, &ten, edge.map(|l| l.ed_percent)))
            (stick("duty-hour", w.duty_hour, &hour, edge.map(|l| l.ed_percent)))
            (explained(w, w.duty_title, html! { p { (w.how_duty) } }))
            (duty_months(desk, past))
        }
    }
}

#[expect(clippy::too_many_arguments, reason = "a drawing's parts")]
fn sticks(
    w: &Wording,
    name: &str,
    class: &str,
    width: f64,
    year: i16,
    days: &[(i32, f64)],
    limit: Option<f64>,
    axes: (&str, &str),
    title: &str,
) -> Markup {
    let (Ok(first), Ok(last)) = (Date::new(year, 1, 1), Date::new(year, 12, 31)) else { return html! {} };
    let most = days.iter().map(|d| d.1).fold(limit.unwrap_or(1.0), f64::max);
    let wide = width > 500.0;
    let area = Area {
        width,
        height: 190.0,
        left: 44.0,
        right: width - 8.0,
        top: 26.0,
        bottom: 148.0,
        x: (f64::from(day_number(first)), f64::from(day_number(last)) + 1.0),
        y: (0.0, most * 1.1),
    };
    let across: Vec<(f64, String)> = (1..=12)
        .filter(|m| wide || m % 3 == 1)
        .filter_map(|m| Date::new(year, m, 1).ok())
        .map(|d| (f64::from(day_number(d)), format!("{:02}", d.month())))
        .collect();
    let upright: Vec<(f64, String)> = steps(area.y.1, 4).into_iter().map(|v| (v, w.number(v, 0))).collect();
    let floor = px(area.bottom);
    let path: String = days
        .iter()
        .filter(|d| d.1 > 0.0)
        .map(|(day, value)| format!("M{} {floor}V{}", px(area.at_x(f64::from(*day) + 0.5)), px(area.at_y(*value))))
        .collect();
    picture(
        &area,
        name,
        class,
        title,
        html! {
            (area.frame(&across, &upright, (axes.1, axes.0)))
            path class="sticks" d=(path) {}
            @if let Some(limit) = limit {
                (area.line((area.x.0, limit), (area.x.1, limit), "limit"))
                (text(area.right - 4.0, area.at_y(limit) - 4.0, "note strong halo end", &w.number(limit, 0)))
            }
        },
    )
}

/// Sums of each month of the year and its worst day.
fn duty_months(desk: &Desk, past: &Past) -> Markup {
    let w = desk.words;
    let mut months: Vec<(String, Totals, Option<&Day>, f64)> = Vec::new();
    for record in &past.days {
        let name = day_text(record.day).chars().take(7).collect::<String>();
        if months.last().is_none_or(|m| m.0 != name) {
            months.push((name, Totals::default(), None, 0.0));
        }
        let Some(month) = months.last_mut() else { continue };
        month.1.add(&record.totals);
        if month.2.is_none_or(|worst| record.duty.worst_starts.value > worst.duty.worst_starts.value) {
            month.2 = Some(record);
        }
        month.3 = month.3.max(record.duty.ed_hour());
    }
    let columns = [
        words_column(w.month),
        number_column(w.lifts),
        number_column(w.month_running),
        number_column(w.duty_starts),
        words_column(w.duty_on_day),
        number_column(w.duty_hour),
        number_column(w.duty_mean_run),
    ];
    let rows: Vec<Vec<Markup>> = months
        .iter()
        .map(|(name, sum, worst, ed)| {
            let mean = if sum.starts > 0 { sum.running_ms as f64 / 1000.0 / sum.starts as f64 } else { 0.0 };
            vec![
                cell(name),
                cell(w.count(sum.lifts)),
                cell(w.hours(sum.running_hours())),
                cell(w.count(worst.map_or(0, |r| r.duty.worst_starts.value))),
                cell(worst.filter(|r| r.duty.worst_starts.value > 0).map_or("–".to_owned(), |r| day_text(r.day))),
                cell(w.number(*ed, 0)),
                cell(w.number(mean, 1)),
            ]
        })
        .collect();
    sheet_table(w.duty_months, &columns, &rows, None)
}

fn causes(desk: &Desk, mechanism: &Mechanism, f: &MechanismFigures, past: &Past) -> Markup {
    let w = desk.words;
    let base = budget_base(mechanism, f);
    let sum: f64 = past.days.iter().map(|r| r.totals.full_load_hours(base)).sum();
    let grid = by_hour(desk, &past.hours, base);
    let bands: Vec<(String, f64)> = (0..BANDS)
        .rev()
        .map(|band| {
            let (from, to) = band_edges(band);
            let from = w.number(from * 100.0, 0);
            let name = match to {
                Some(to) => fill(w.band_range, &[("from", &from), ("to", &w.level(to))]),
                None => fill(w.band_above, &[("from", &from)]),
            };
            (name, past.by_band[band])
        })
        .collect();
    let mut months: Vec<(String, f64)> = Vec::new();
    for record in &past.days {
        let name: String = day_text(record.day).chars().take(7).collect();
        match months.last_mut() {
            Some((last, hours)) if *last == name => *hours += record.totals.full_load_hours(base),
            _ => months.push((name, record.totals.full_load_hours(base))),
        }
    }
    let days: Vec<&str> = w.weekdays.split(' ').collect();
    html! {
        section #causes {
            h2 { (w.causes_title) }
            p.remark { (fill(w.causes_caption, &[("sum", &w.hours(sum)), ("year", &past.year.to_string())])) }
            h3 { (w.causes_by_band) }
            (shares(desk, w.causes_by_band, w.band, &bands))
            h3 { (w.causes_by_hour) }
            (week(desk, "week", &grid, w.causes_week_alt))
            (shift_table(desk, &grid, &days))
            p.remark { (w.causes_shift_note) }
            h3 { (w.causes_by_month) }
            (shares(desk, w.causes_by_month, w.month, &months))
            h3 { (fill(w.causes_lifts, &[("n", &w.count(past.costliest.len() as u64))])) }
            (costliest(desk, mechanism, base, sum, &past.costliest))
            (explained(w, w.causes_title, html! { p { (w.how_causes) } }))
        }
    }
}

/// Full-load hours by weekday (Monday first) and hour of the site's day.
fn by_hour(desk: &Desk, sums: &[HourSums], base: Grams) -> [[f64; 24]; 7] {
    let mut grid = [[0.0; 24]; 7];
    for sum in sums {
        let (weekday, hour) = desk.moments.week_hour(sum.begin);
        let totals = Totals { cube_ms: sum.cube_ms, ..Totals::default() };
        grid[weekday][hour] += totals.full_load_hours(base);
    }
    grid
}

/// A table of parts of a whole, each with a bar.
fn shares(desk: &Desk, caption: &str, what: &str, rows: &[(String, f64)]) -> Markup {
    let w = desk.words;
    let sum: f64 = rows.iter().map(|r| r.1).sum();
    let most = rows.iter().map(|r| r.1).fold(0.0, f64::max);
    let columns: Vec<Column> =
        vec![words_column(what), number_column(w.full_load_hours_h), number_column(w.share), words_column("")];
    let rows: Vec<Vec<Markup>> = rows
        .iter()
        .map(|(name, value)| {
            let share = if sum > 0.0 { value / sum } else { 0.0 };
            vec![
                cell(name),
                cell(w.hours(*value)),
                cell(w.percent(share)),
                bar(if most > 0.0 { value / most } else { 0.0 }),
            ]
        })
        .collect();
    let foot = vec![cell(w.sum), cell(w.hours(sum)), cell(""), cell("")];
    compact_table(caption, &columns, &rows, Some(foot))
}

/// A bar of the given length, 0 to 1; the number stands beside it.
pub fn bar(length: f64) -> Markup {
    html! {
        svg.length aria-hidden="true" viewBox="0 0 100 8" preserveAspectRatio="none" {
            rect class="amount" x="0" y="0" width=(px(length.clamp(0.0, 1.0) * 100.0)) height="8" {}
        }
    }
}

fn shift_table(desk: &Desk, grid: &[[f64; 24]; 7], days: &[&str]) -> Markup {
    let w = desk.words;
    let shift = |hours: &[f64; 24], n: usize| -> f64 { (0..8).map(|h| hours[(SHIFTS[n] + h) % 24]).sum() };
    let sum: f64 = grid.iter().flatten().sum();
    let share = |value: f64| if sum > 0.0 { w.percent(value / sum) } else { "–".to_owned() };
    let names: Vec<String> = SHIFTS
        .iter()
        .map(|from| fill(w.shift, &[("from", &format!("{from:02}")), ("to", &format!("{:02}", (from + 8) % 24))]))
        .collect();
    let mut columns = vec![words_column(w.weekday)];
    columns.extend(names.into_iter().map(number_column));
    columns.push(number_column(w.sum));
    let rows: Vec<Vec<Markup>> = grid
        .iter()
        .zip(days)
        .map(|(hours, day)| {
            let mut row = vec![cell(day)];
            row.extend((0..3).map(|n| cell(share(shift(hours, n)))));
            row.push(cell(share(hours.iter().sum())));
            row
        })
        .collect();
    let mut foot = vec![cell(w.sum)];
    foot.extend((0..3).map(|n| cell(share(grid.iter().map(|hours| shift(hours, n)).sum()))));
    foot.push(cell(share(sum)));
    compact_table(w.causes_by_hour, &columns, &rows, Some(foot))
}

fn costliest(desk: &Desk, mechanism: &Mechanism, base: Grams, sum: f64, lifts: &[Lift]) -> Markup {
    let w = desk.words;
    let unit = desk.mass(mechanism.spec.rated);
    let columns = [
        words_column(w.lift_begin),
        number_column(fill(w.lift_load, &[("unit", unit.symbol())])),
        number_column(fill(w.lift_give_or_take, &[("unit", unit.symbol())])),
        number_column(w.lift_fraction),
        number_column(w.lift_running),
        number_column(w.lift_cost),
        number_column(w.share),
        words_column(w.lift_lasted),
    ];
    let rows: Vec<Vec<Markup>> = lifts
        .iter()
        .map(|l| {
            let cost = cost_hours(l, base, mechanism.spec.dead_load);
            vec![
                cell(desk.moments.second(l.begin)),
                cell(unit.number(l.load)),
                cell(unit.give_or_take(l.uncertainty)),
                cell(w.number(l.load.fraction_of(mechanism.spec.rated) * 100.0, 1)),
                cell(w.number(l.running_ms as f64 / 1000.0, 1)),
                cell(w.hours(cost)),
                cell(if sum > 0.0 { w.percent(cost / sum) } else { "–".to_owned() }),
                cell(duration(l.end.since(l.begin).as_ms())),
            ]
        })
        .collect();
    sheet_table(w.costliest_title, &columns, &rows, None)
}

fn day_text(day: i32) -> String {
    date_of(day).map(|d| d.to_string()).unwrap_or_default()
}

/// The year asked for.
pub fn year(query: &WorkQuery) -> Option<i16> {
    query.year.as_deref()?.parse().ok()
}
