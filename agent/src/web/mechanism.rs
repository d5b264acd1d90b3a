//! The view of one mechanism.

use maud::{Markup, html};
use tallyhook_analysis::class::EDITION;
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::recorder::Gap;
use tallyhook_analysis::units::Grams;
use tallyhook_config::model::{Crane, Mechanism};

use super::explain;
use super::history_tables::{gaps, latest_lifts, messages, periods};
use super::layout::{Desk, View, cell, compact_table, explained, number_column, views, words_column};
use super::moments::parse;
use super::record::RecordState;
use super::share_bar::{levels_sentence, share_bar};
use super::site::{class_name, forecast_dates, group_text, kind_name, km_text, used_words};
use super::source::History;
use super::spectrum_chart::{spectrum_chart, spectrum_table};
use super::used_chart::{day_range, used_chart};
use super::wording::{Wording, fill};
use crate::course::course;
use crate::figures::MechanismFigures;
use crate::store::DayInShort;
use crate::store::message::{Message, MessageKind};

/// How many lifts, gaps and messages the view shows.
const NEWEST: usize = 20;

/// What the view needs from the history, read in one go.
pub struct Past {
    days: Vec<DayInShort>,
    lifts: Vec<Lift>,
    gaps: Vec<Gap>,
    messages: Vec<Message>,
}

impl Past {
    /// Reads it; blocks.
    pub fn read(history: &dyn History, figures: &MechanismFigures) -> Result<Past, String> {
        let (from, to) = day_range(figures);
        let id = &figures.id;
        Ok(Past {
            days: history.days_in_short(id, from, to)?,
            lifts: history.lifts(id, NEWEST, None)?,
            gaps: history.gaps(id, NEWEST)?,
            messages: history.messages(id, &[MessageKind::Warning, MessageKind::Finding], NEWEST)?,
        })
    }
}

/// What stands above each view of a mechanism: its name, whether the record goes on, the way to the other views.
pub fn heading(desk: &Desk, crane: &Crane, mechanism: &Mechanism, f: &MechanismFigures, here: View) -> Markup {
    let w = desk.words;
    let state = RecordState::of(desk.config, mechanism, f, desk.now);
    let banner = state.banner(w, &f.id, &desk.moments, desk.now);
    html! {
        h1 { (f.id) @if here != View::Life { ": " (here.name(w)) } " " small { (kind_name(w, mechanism.kind)) ", " (crane.name) } }
        p.banner role="status" data-banner=(f.id) hidden[banner.is_empty()] { (banner) }
        @if let Some(since) = f.hanging_since.as_deref().and_then(parse) {
            p { (fill(w.hanging_since, &[("since", &desk.moments.second(since))])) }
        }
        (views(desk, &f.id, here))
    }
}

/// The view's body; `past` is `None` when the history cannot be read.
pub fn mechanism(
    desk: &Desk,
    crane: &Crane,
    mechanism: &Mechanism,
    f: &MechanismFigures,
    past: Option<Past>,
    by_lifts: bool,
) -> Markup {
    let w = desk.words;
    let state = RecordState::of(desk.config, mechanism, f, desk.now);
    let sections = [
        ("used", w.used_title),
        ("spectrum", w.spectrum_title),
        ("motor", w.duty_today),
        ("lifts", w.latest_lifts_title),
        ("periods", w.periods_title),
        ("gaps", w.gaps_title),
        ("messages", w.messages_title),
    ];
    html! {
        (heading(desk, crane, mechanism, f, View::Life))
        nav.contents aria-label=(w.on_this_page) {
            ul { @for (anchor, title) in sections { li { a href=(format!("#{anchor}")) { (title) } } } }
        }
        section #figures aria-label=(w.figures_title) { (figure_plate(desk, mechanism, f, state)) }
        @match past {
            None => {
                p.banner { (w.history_unreadable) }
                section #spectrum { h2 { (w.spectrum_title) } (spectrum(desk, mechanism, f, by_lifts)) }
                section #periods { h2 { (w.periods_title) } (periods(desk, f)) }
            }
            Some(past) => {
                section #used { h2 { (w.used_title) } (used(desk, mechanism, f, past.days)) }
                section #spectrum { h2 { (w.spectrum_title) } (spectrum(desk, mechanism, f, by_lifts)) }
                section #motor { h2 { (w.duty_today) } (motor_today(desk, f)) }
                section #lifts { h2 { (w.latest_lifts_title) } (latest_lifts(desk, mechanism, &past.lifts)) }
                section #periods { h2 { (w.periods_title) } (periods(desk, f)) }
                section #gaps { h2 { (w.gaps_title) } (gaps(desk, f, &past.gaps)) }
                section #messages { h2 { (w.messages_title) } (messages(desk, &past.messages)) }
            }
        }
    }
}

fn used(desk: &Desk, mechanism: &Mechanism, f: &MechanismFigures, days: Vec<DayInShort>) -> Markup {
    used_chart(desk, mechanism, f, &course(mechanism, f, days.into_iter().map(|day| (day.day, day, day.used))))
}

fn spectrum(desk: &Desk, mechanism: &Mechanism, f: &MechanismFigures, by_lifts: bool) -> Markup {
    let w = desk.words;
    let other = if by_lifts { "#spectrum" } else { "?spectrum=lifts#spectrum" };
    html! {
        p { a href=(format!("{}{other}", View::Life.address(&f.id))) { @if by_lifts { (w.spectrum_by_time) } @else { (w.spectrum_by_lifts) } } }
        div.beside {
            div { (spectrum_chart(desk, f, by_lifts)) }
            div { (spectrum_table(desk, mechanism, f)) }
        }
    }
}

/// Motor duty of the day so far, against the group's values.
fn motor_today(desk: &Desk, f: &MechanismFigures) -> Markup {
    let w = desk.words;
    let duty = &f.motor_duty;
    let limit = |value: Option<String>| value.unwrap_or_else(|| "–".to_owned());
    let starts = limit(duty.limit.as_ref().map(|l| l.starts_per_hour.to_string()));
    let ed = limit(duty.limit.as_ref().map(|l| w.number(l.cyclic_duration_percent, 0)));
    let columns = [words_column(""), number_column(w.duty_worst), number_column(w.duty_limit)];
    let rows = vec![
        vec![cell(w.duty_starts), cell(w.count(duty.worst_starts_in_an_hour)), cell(&starts)],
        vec![cell(w.duty_ten), cell(w.number(duty.worst_cyclic_duration_10min_percent, 0)), cell(&ed)],
        vec![cell(w.duty_hour), cell(w.number(duty.worst_cyclic_duration_hour_percent, 0)), cell(&ed)],
        vec![cell(w.duty_starts_now), cell(w.count(duty.starts_last_hour)), cell(&starts)],
        vec![cell(w.duty_mean_run), cell(duty.mean_run_seconds.map_or("–".to_owned(), |s| w.number(s, 1))), cell("")],
        vec![cell(w.duty_short), cell(w.count(duty.short_runs)), cell("")],
    ];
    html! {
        (compact_table(w.duty_today, &columns, &rows, None))
        p.remark {
            (fill(w.duty_caption, &[("group", f.group.name()), ("fem", f.group.fem_name()), ("edition", duty.limit.as_ref().map_or("FEM 9.683", |l| l.edition))]))
            @match &duty.limit {
                None => { " " (w.duty_no_limit) }
                Some(l) if l.check_against_the_standard => { " " (w.check_against_the_standard) }
                Some(_) => {}
            }
        }
        (explained(w, w.duty_today, html! { p { (w.how_duty) } }))
    }
}

/// The figures as a ruled sheet: name, value, what it rests on, how it is reckoned.
fn figure_plate(desk: &Desk, mechanism: &Mechanism, f: &MechanismFigures, state: RecordState) -> Markup {
    let w = desk.words;
    let unit = desk.mass(mechanism.spec.rated);
    let live = |field: &str| format!("{}/{field}", f.id);
    let class = f.state_of_loading.as_deref().map_or_else(|| w.none_yet.to_owned(), |class| class_name(w, class));
    let entry = |name: &str, value: Markup, basis: String, how: Option<Markup>| {
        html! {
            div.figure {
                dt { (name) }
                dd {
                    div.number { (value) }
                    div.basis { (basis) }
                    @if let Some(how) = how { (explained(w, name, how)) }
                }
            }
        }
    };
    html! {
        dl.figures {
            div.figure.first {
                dt { (w.used_share_long) }
                dd {
                    div.number { span data-live=(live("share")) { (w.percent(f.consumed)) } }
                    div.basis { (w.used_share_basis) }
                    div.basis { (interval_words(w, f)) }
                    (share_bar(desk, "bar-share", f.consumed, &mechanism.warn.used_share))
                    p data-live=(live("used")) { (used_words(w, f)) }
                    p data-live=(live("levels")) { (levels_sentence(desk, f.consumed, &mechanism.warn.used_share)) }
                    (explained(w, w.used_share_long, explain::used(desk, mechanism, f)))
                }
            }
            @if f.gap_waiting_hours > 0.0 {
                (entry(w.gap_waiting, html! { (w.hours(f.gap_waiting_hours)) "\u{202f}" (w.hours_unit) }, w.gap_waiting_basis.to_owned(), None))
            }
            @if f.budget_rated_load_kg > f.rated_load_kg {
                (entry(w.lowered, html! { (w.hours(f.remaining_at_rated_load_hours)) "\u{202f}" (w.hours_unit) },
                    fill(w.lowered_basis, &[("before", &unit.text(Grams::from_kg(f.budget_rated_load_kg)))]), None))
            }
            (entry(w.record, html! { span.state.stale[state.is_stale()] data-state=(f.id) data-live=(live("state")) { (state.text(w, &desk.moments, desk.now)) } },
                fill(w.gaps_total, &[("gap", &w.hours(f.gap_hours)), ("observed", &w.hours(f.observed_hours))]), None))
            (entry(w.group, html! { (group_text(w, f)) }, fill(w.group_basis, &[("edition", EDITION)]), None))
            (entry(w.rated_load, html! { (unit.text(mechanism.spec.rated)) }, w.how_rated.to_owned(), None))
            (entry(w.spectrum_factor, html! { span data-live=(live("km")) { (km_text(w, f)) } },
                fill(w.spectrum_factor_basis, &[("class", &class), ("edition", EDITION)]),
                Some(explain::spectrum_factor(desk, mechanism, f))))
            (entry(w.running_hours, html! { span data-live=(live("hours")) { (w.hours(f.running_hours)) } "\u{202f}" (w.hours_unit) },
                w.running_hours_basis.to_owned(), Some(explain::running(desk, mechanism))))
            (entry(w.lifts, html! { span data-live=(live("lifts")) { (w.count(f.lifts)) } },
                fill(w.lifts_basis, &[("overload", &w.count(f.overload_lifts))]), Some(explain::lifts(desk, mechanism))))
            (entry(w.starts, html! { span data-live=(live("starts")) { (w.count(f.starts)) } },
                w.starts_basis.to_owned(), Some(html! { p { (w.how_starts) } })))
            (entry(w.group_in_use, html! { (f.group_in_use.map_or(w.too_little_record, |g| g.name())) },
                fill(w.group_in_use_basis, &[("edition", EDITION)]), Some(explain::group_in_use(desk, f))))
            (entry(w.forecast, forecast_dates(w, f), w.forecast_basis.to_owned(),
                Some(html! { p { (w.how_forecast) } })))
        }
    }
}

/// Between which shares the used share lies, and by which uncertainty of a load.
pub fn interval_words(w: &Wording, f: &MechanismFigures) -> String {
    let (low, high) = (w.percent(f.used_share_low), w.percent(f.used_share_high));
    let load = w.percent(f.load_uncertainty_kg / f.rated_load_kg);
    fill(w.interval, &[("low", &low), ("high", &high), ("load", &load)])
}
