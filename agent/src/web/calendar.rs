//! A year as a calendar: a square a day, weeks across, Monday on top. The square's area says how much, so that nothing
//! hangs on a colour.

use jiff::civil::Date;
use maud::{Markup, html};

use super::layout::Desk;
use super::plot::{Area, WIDTHS, picture, px, text};
use crate::figures::day_number;

/// One year of values by day number; days without a value are left empty.
pub fn calendar(desk: &Desk, name: &str, year: i16, days: &[(i32, f64)], title: &str) -> Markup {
    html! {
        figure { @for (class, width) in WIDTHS { (draw(desk, &format!("{name}-{class}"), class, width, year, days, title)) } }
    }
}

fn draw(desk: &Desk, name: &str, class: &str, width: f64, year: i16, days: &[(i32, f64)], title: &str) -> Markup {
    // A phone has room for half a year in a row.
    let rows = if width > 500.0 { 1 } else { 2 };
    let weeks = 54.0_f64.div_euclid(f64::from(rows)) + if rows > 1 { 1.0 } else { 0.0 };
    let (left, top) = (30.0, 18.0);
    let side = (width - left - 4.0) / weeks;
    let block = side * 7.0 + top + 8.0;
    let height = block * f64::from(rows);
    let area = Area { width, height, left, right: width - 4.0, top, bottom: height, x: (0.0, 1.0), y: (0.0, 1.0) };
    let (Ok(first), Ok(last)) = (Date::new(year, 1, 1), Date::new(year, 12, 31)) else { return html! {} };
    let offset = i32::from(first.weekday().to_monday_zero_offset());
    let (begin, end) = (day_number(first), day_number(last));
    let place = |day: i32| {
        let index = day - begin + offset;
        let (week, weekday) = (f64::from(index.div_euclid(7)), f64::from(index.rem_euclid(7)));
        let row = if week >= weeks { 1.0 } else { 0.0 };
        (left + (week - row * weeks) * side, row * block + top + weekday * side)
    };
    let most = days.iter().map(|(_, v)| *v).fold(0.0, f64::max);
    let mut squares = String::new();
    let mut dots = String::new();
    for (day, value) in days.iter().filter(|(day, _)| (begin..=end).contains(day)) {
        let (x, y) = place(*day);
        if *value <= 0.0 || most <= 0.0 {
            dots.push_str(&format!("M{} {}h1v1h-1z", px(x + side / 2.0 - 0.5), px(y + side / 2.0 - 0.5)));
            continue;
        }
        let length = (value / most).sqrt() * (side - 1.0);
        let (x, y) = (x + (side - length) / 2.0, y + (side - length) / 2.0);
        squares.push_str(&format!("M{} {}h{2}v{2}h-{2}z", px(x), px(y), px(length.max(1.0))));
    }
    let months = (1..=12).filter_map(|month| Date::new(year, month, 1).ok());
    let body = html! {
        @for date in months {
            @let (x, y) = place(day_number(date) + 6);
            @let row = (y / block).floor();
            (text(x, row * block + 12.0, "tick", &format!("{:02}", date.month())))
        }
        @for row in 0..rows {
            @for (n, day) in desk.words.weekdays_short.split(' ').enumerate().filter(|(n, _)| n % 2 == 0) {
                (text(left - 6.0, f64::from(row) * block + top + (n as f64 + 0.8) * side, "tick end", day))
            }
        }
        path class="dots" d=(dots) {}
        path class="amount" d=(squares) {}
    };
    picture(&area, name, class, title, body)
}

/// Hours of the week as a grid: weekdays down, hours across; the square's area says how much. `cells[weekday][hour]`.
pub fn week(desk: &Desk, name: &str, cells: &[[f64; 24]; 7], title: &str) -> Markup {
    html! {
        figure {
            @for (class, width) in WIDTHS {
                @let name = format!("{name}-{class}");
                @let (left, top) = (30.0, 18.0);
                @let side = ((width - left - 4.0) / 24.0).min(24.0);
                @let area = Area { width, height: top + 7.0 * side + 4.0, left, right: width, top, bottom: top + 7.0 * side, x: (0.0, 1.0), y: (0.0, 1.0) };
                @let most = cells.iter().flatten().copied().fold(0.0, f64::max);
                (picture(&area, &name, class, title, html! {
                    @for hour in (0..24).step_by(2) { (text(left + (f64::from(hour) + 0.5) * side, 12.0, "tick middle", &format!("{hour:02}"))) }
                    @for (n, day) in desk.words.weekdays_short.split(' ').enumerate() {
                        (text(left - 6.0, top + (n as f64 + 0.75) * side, "tick end", day))
                    }
                    path class="amount" d=(week_squares(cells, most, side, left, top)) {}
                }))
            }
        }
    }
}

fn week_squares(cells: &[[f64; 24]; 7], most: f64, side: f64, left: f64, top: f64) -> String {
    let mut out = String::new();
    for (weekday, hours) in cells.iter().enumerate() {
        for (hour, value) in hours.iter().enumerate().filter(|(_, v)| **v > 0.0) {
            let length = ((value / most).sqrt() * (side - 1.0)).max(1.0);
            let x = left + hour as f64 * side + (side - length) / 2.0;
            let y = top + weekday as f64 * side + (side - length) / 2.0;
            out.push_str(&format!("M{} {}h{2}v{2}h-{2}z", px(x), px(y), px(length)));
        }
    }
    out
}
