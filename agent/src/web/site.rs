//! The first view: all mechanisms of the site, and the cranes as a whole.

use maud::{Markup, html};
use tallyhook_analysis::class::EDITION;
use tallyhook_config::model::{Config, Crane, Kind, Mechanism};

use super::explain;
use super::layout::{Column, Desk, cell, explained, number_column, sheet_table, words_column};
use super::mechanism::interval_words;
use super::record::RecordState;
use super::share_bar::{levels_sentence, share_bar};
use super::wording::{Wording, fill};
use crate::figures::{CraneFigures, MechanismFigures, SiteFigures};

/// The view's body.
pub fn site(desk: &Desk, figures: &SiteFigures) -> Markup {
    let w = desk.words;
    let found = |id: &str| figures.mechanisms.iter().find(|f| f.id == id);
    let mut ranked: Vec<_> = desk.config.mechanisms().filter_map(|(c, m)| found(&m.id).map(|f| (c, m, f))).collect();
    ranked.sort_by(|a, b| b.2.consumed.total_cmp(&a.2.consumed));
    let rows: Vec<Vec<Markup>> = ranked.iter().map(|(c, m, f)| mechanism_row(desk, c, m, f)).collect();
    let columns = [
        words_column(w.mechanism),
        words_column(w.crane),
        words_column(w.group),
        words_column(w.used_share),
        words_column(w.spectrum_factor_short),
        number_column(format!("{}, {}", w.running_hours, w.hours_unit)),
        number_column(w.lifts),
        words_column(w.group_in_use),
        words_column(w.forecast),
        words_column(w.record),
    ];
    html! {
        h1 { (w.site_title) }
        @if rows.is_empty() {
            p { (w.no_mechanisms) }
        } @else {
            p.remark { (w.site_ranked) }
            (sheet_table(w.site_title, &columns, &rows, None))
            @for (_, m, f) in &ranked {
                @if f.consumed.is_finite() {
                    (explained(w, &format!("{}, {}", w.used_share, m.id), html! {
                        p { strong { (m.id) } }
                        (explain::used(desk, m, f))
                        (explain::spectrum_factor(desk, m, f))
                        (explain::group_in_use(desk, f))
                    }))
                }
            }
        }
        (cranes(desk, &figures.cranes))
    }
}

fn mechanism_row(desk: &Desk, crane: &Crane, mechanism: &Mechanism, f: &MechanismFigures) -> Vec<Markup> {
    let w = desk.words;
    let state = RecordState::of(desk.config, mechanism, f, desk.now);
    let unit = desk.mass(mechanism.spec.rated);
    let live = |field: &str| format!("{}/{field}", f.id);
    vec![
        html! {
            a href=(format!("/mechanism/{}", f.id)) { (f.id) }
            span.under { (kind_name(w, mechanism.kind)) ", " (unit.text(mechanism.spec.rated)) }
        },
        html! { (crane.name) },
        html! { (group_text(w, f)) span.under { (EDITION) } },
        html! {
            strong data-live=(live("share")) { (w.percent(f.consumed)) }
            span.under { (w.used_share_basis) }
            span.under { (interval_words(w, f)) }
            (share_bar(desk, &format!("bar-{}", f.id), f.consumed, &mechanism.warn.used_share))
            span.under data-live=(live("used")) { (used_words(w, f)) }
            span.under data-live=(live("levels")) { (levels_sentence(desk, f.consumed, &mechanism.warn.used_share)) }
        },
        html! { span data-live=(live("km")) { (km_text(w, f)) } },
        html! { span data-live=(live("hours")) { (w.hours(f.running_hours)) } },
        html! { span data-live=(live("lifts")) { (w.count(f.lifts)) } },
        html! {
            @match f.group_in_use {
                Some(group) => { (group.name()) span.under { (EDITION) } }
                None => (w.too_little_record),
            }
        },
        forecast_dates(w, f),
        html! { span.state.stale[state.is_stale()] data-state=(f.id) data-live=(live("state")) { (state.text(w, &desk.moments, desk.now)) } },
    ]
}

/// The cranes as a whole.
pub fn cranes(desk: &Desk, cranes: &[CraneFigures]) -> Markup {
    let w = desk.words;
    let columns: Vec<Column> = vec![
        words_column(w.crane),
        words_column(w.crane_group),
        number_column(w.crane_cycles),
        words_column(w.crane_factor),
        words_column(w.crane_class),
        words_column(w.crane_used),
        words_column(w.crane_group_in_use),
    ];
    let row = |c: &CraneFigures| {
        let kp = match (c.load_spectrum_factor, &c.state_of_loading) {
            (Some(kp), Some(class)) => {
                fill(w.spectrum_class, &[("km", &w.factor(kp)), ("class", &class_name(w, class))])
            }
            _ => w.none_yet.to_owned(),
        };
        vec![
            html! { (c.name) span.under { (c.id) } },
            cell(c.group.name()),
            html! {
                (w.count(c.lifts))
                @if c.prior_lifts > 0 { span.under { (fill(w.crane_prior, &[("lifts", &w.count(c.prior_lifts))])) } }
            },
            cell(kp),
            cell(c.class_of_utilization.name()),
            cell(w.percent(c.consumed)),
            cell(c.group_in_use.map_or(w.too_little_record, |g| g.name())),
        ]
    };
    let rows: Vec<Vec<Markup>> = cranes.iter().map(row).collect();
    html! {
        @if !rows.is_empty() {
            h2 { (w.cranes_title) }
            (sheet_table(w.cranes_title, &columns, &rows, None))
            (explained(w, w.cranes_title, html! { p { (fill(w.crane_note, &[("edition", EDITION)])) } }))
        }
    }
}

/// The design group in both standards' names.
pub fn group_text(words: &Wording, f: &MechanismFigures) -> String {
    fill(words.group_text, &[("iso", f.group.name()), ("fem", f.group.fem_name())])
}

/// The used share with its hours.
pub fn used_words(words: &Wording, f: &MechanismFigures) -> String {
    let left = f.design_full_load_hours - f.used_full_load_hours;
    let rest = if left >= 0.0 {
        fill(words.left_words, &[("left", &words.number(left, 1))])
    } else {
        fill(words.over_words, &[("over", &words.number(-left, 1))])
    };
    let used = fill(
        words.used_words,
        &[
            ("share", &words.percent(f.consumed)),
            ("used", &words.hours(f.used_full_load_hours)),
            ("design", &words.number(f.design_full_load_hours, 0)),
        ],
    );
    format!("{used}, {rest}.")
}

/// A state of loading as the figures name it; only one beyond the last class has a word in it.
pub fn class_name(words: &Wording, class: &str) -> String {
    match class.strip_prefix("above ") {
        Some(last) => fill(words.class_above, &[("class", last)]),
        None => class.to_owned(),
    }
}

/// km with its class.
pub fn km_text(words: &Wording, f: &MechanismFigures) -> String {
    match (f.load_spectrum_factor, &f.state_of_loading) {
        (Some(km), Some(class)) => {
            fill(words.spectrum_class, &[("km", &words.factor(km)), ("class", &class_name(words, class))])
        }
        _ => words.none_yet.to_owned(),
    }
}

/// The forecast's dates, each on a line of its own.
pub fn forecast_dates(words: &Wording, f: &MechanismFigures) -> Markup {
    let edge = |chance: f64, date: &str| fill(words.forecast_edge, &[("chance", &words.level(chance)), ("date", date)]);
    html! {
        @match &f.forecast {
            None => (words.forecast_none),
            Some(d) => {
                span.date { (d.date_p50.as_deref().unwrap_or(words.forecast_beyond)) }
                span.under.date { (edge(0.1, &d.date_p10)) }
                @if let Some(late) = &d.date_p90 { span.under.date { (edge(0.9, late)) } }
            }
        }
    }
}

/// What a mechanism moves.
pub fn kind_name(words: &Wording, kind: Kind) -> &'static str {
    match kind {
        Kind::Hoist => words.kind_hoist,
        Kind::Traverse => words.kind_traverse,
        Kind::Travel => words.kind_travel,
    }
}

/// A mechanism of the configuration with its crane.
pub fn find<'a>(config: &'a Config, id: &str) -> Option<(&'a Crane, &'a Mechanism)> {
    config.mechanisms().find(|(_, m)| m.id == id)
}
