//! The forecast goes by what S really grows by, whatever of the week is watched and by whom.

use tallyhook_analysis::batch::Batch;
use tallyhook_analysis::counter::Counter;
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::units::{Span, Timestamp};

use super::book::{Book, SiteCalendar};
use crate::figures::{date_of, day_number};

const STEP_MS: i64 = 300_000;
const DAY_MS: i64 = 86_400_000;
/// Monday, 2026-03-02.
const FIRST: i64 = 20_514;
const WEEKS: i64 = 12;
const DESIGN: f64 = 80.0;

/// Of the day of the week from Monday and the hour, whether.
type When = fn(i64, i64) -> bool;

/// A crane: the first quarter of each hour that it works in it runs, with 60 % of its rated load.
struct Crane {
    works: When,
    watched: When,
    load_read: bool,
    counter: bool,
    /// Hour of the last day at which it is asked.
    asked_at: i64,
}

fn shift(weekday: i64, hour: i64) -> bool {
    weekday < 5 && (6..14).contains(&hour)
}

impl Crane {
    /// The middle of the forecast after twelve weeks, and the day on which S comes to D at its pace of the last eight.
    fn ends(&self) -> (Option<i32>, f64) {
        let text = tallyhook_config::starter(&tallyhook_config::StarterOptions::default());
        let mut config = tallyhook_config::load(&text, "site.toml").unwrap();
        config.cranes[0].mechanisms[0].spec.stale_after = Span::from_ms(STEP_MS);
        let crane = &config.cranes[0];
        let rated = crane.mechanisms[0].spec.rated.get();
        let mut book =
            Book::open_with(crane, &crane.mechanisms[0], SiteCalendar(jiff::tz::TimeZone::UTC), None, |terms| {
                terms.design_full_load_hours = DESIGN;
                terms.hour_counter = self.counter.then_some(Counter::hours(32, 36_000));
            });
        let mut batch = Batch::default();
        let (mut ran, mut after_four) = (0, 0.0);
        for tick in 0..=(7 * WEEKS * 24 + self.asked_at) * 12 {
            let at = FIRST * DAY_MS + tick * STEP_MS;
            let (weekday, hour) = (tick / 288 % 7, tick / 12 % 24);
            let runs = (self.works)(weekday, hour) && tick % 12 < 3;
            let mut sample = Sample::at(Timestamp::from_ms(at));
            if (self.watched)(weekday, hour) {
                sample.set_flag(Flag::Raising, Some(runs));
                sample.set_flag(Flag::Lowering, Some(false));
                let load = if runs { rated * 6 / 10 } else { 0 };
                sample.set(Quantity::Load, self.load_read.then_some(load));
                sample.set(Quantity::RunHours, self.counter.then_some(ran / 36_000 * 36_000));
            }
            // A drive that does not answer is asked all the same.
            batch.push(sample);
            ran += if runs { STEP_MS } else { 0 };
            if tick == 28 * 288 + 8 * 12 {
                book.replay(&std::mem::take(&mut batch));
                after_four = book.account().used_full_load_hours();
            }
        }
        book.replay(&batch);
        let used = book.account().used_full_load_hours();
        let pace = (used - after_four) / (7 * WEEKS - 28) as f64;
        let forecast = book.record().forecast;
        let middle = forecast.and_then(|f| f.date_p50).map(|date| day_number(date.parse().unwrap()));
        (middle, (FIRST + 7 * WEEKS) as f64 + (DESIGN - used) / pace)
    }

    fn is_forecast_by_its_pace(&self) {
        let (middle, by_pace) = self.ends();
        let today = (FIRST + 7 * WEEKS) as f64;
        let Some(middle) = middle else { panic!("no forecast, but S comes to D on {}", date_of(by_pace as i32)) };
        let off = (f64::from(middle) - by_pace) / (by_pace - today);
        assert!(off.abs() < 0.06, "{} for {}", date_of(middle), date_of(by_pace as i32));
    }
}

/// Asked in a shift, when all gaps before it are over.
const MORNING: i64 = 8;

#[test]
fn a_crane_that_is_watched_by_day_and_night() {
    let crane = Crane { works: shift, watched: |_, _| true, load_read: true, counter: false, asked_at: MORNING };
    crane.is_forecast_by_its_pace();
}

#[test]
fn a_crane_that_is_switched_off_outside_its_shift() {
    for counter in [false, true] {
        // By night the evening before is still to be told of.
        for asked_at in [3, MORNING] {
            let crane = Crane { works: shift, watched: shift, load_read: true, counter, asked_at };
            crane.is_forecast_by_its_pace();
        }
    }
}

#[test]
fn a_crane_of_which_sixteen_hours_are_watched_and_the_counter_says_the_rest_was_still() {
    let watched = |_, hour| (6..22).contains(&hour);
    for asked_at in [3, MORNING] {
        Crane { works: shift, watched, load_read: true, counter: true, asked_at }.is_forecast_by_its_pace();
    }
}

#[test]
fn a_crane_whose_load_is_never_read() {
    let cases: [(When, bool); 2] = [(|_, _| true, false), (shift, true)];
    for (watched, counter) in cases {
        Crane { works: shift, watched, load_read: false, counter, asked_at: MORNING }.is_forecast_by_its_pace();
    }
}

#[test]
fn a_crane_that_runs_in_gaps_that_come_into_s_later() {
    // Three hours of each day, and from Thursday noon to Saturday noon.
    let cases: [When; 2] =
        [|_, hour| !(10..13).contains(&hour), |weekday, hour| !(84..132).contains(&(24 * weekday + hour))];
    for watched in cases {
        Crane { works: shift, watched, load_read: true, counter: true, asked_at: MORNING }.is_forecast_by_its_pace();
    }
}
