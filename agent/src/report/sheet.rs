//! The report as one HTML document that needs nothing else and prints on A4.

use maud::{DOCTYPE, Markup, PreEscaped, html};
use tallyhook_analysis::class::EDITION;
use tallyhook_analysis::units::Timestamp;
use tallyhook_config::model::{Config, Mechanism};

use super::{Listed, MechanismReport, Report};
use crate::figures::MechanismFigures;
use crate::publish::wording::what;
use crate::web::explain::recording_name;
use crate::web::history_tables::periods;
use crate::web::layout::{Desk, cell, compact_table, number_column, table, words_column};
use crate::web::mechanism::interval_words;
use crate::web::moments::{Moments, parse};
use crate::web::site::{class_name, cranes, forecast_dates, group_text, kind_name, km_text};
use crate::web::spectrum_chart::{spectrum_chart, spectrum_table};
use crate::web::upkeep::{closed, parts, service_table, severity};
use crate::web::used_chart::used_chart;
use crate::web::warnings::state_words;
use crate::web::wording::{Wording, fill};

/// The whole document.
pub fn sheet(config: &Config, report: &Report) -> Markup {
    let w = Wording::of(config.language);
    let made = parse(&report.made).unwrap_or(Timestamp::from_ms(0));
    let desk = Desk { words: w, config, moments: Moments::new(config.time_zone.clone()), now: made, pace: 1.0 };
    html! {
        (DOCTYPE)
        html lang=(w.language) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (w.report_title) ", " (report.about) " – " (report.site) }
                link rel="icon" href="data:,";
                style {
                    (PreEscaped(include_str!("../web/drawing.css")))
                    (PreEscaped(include_str!("report.css")))
                }
            }
            body {
                h1 { (w.report_title) ": " (report.site) }
                (lines(&[
                    (w.report_about, cell(&report.about)),
                    (w.report_made, cell(format!("{} ({}), {} {}", desk.moments.second(made), desk.moments.zone_name(), w.product, report.version))),
                    (w.edition, cell(report.edition)),
                    (w.report_texts, cell(report.texts.join("; "))),
                ]))
                p.caution { (w.caution) }
                @for (i, m) in report.mechanisms.iter().enumerate() {
                    @if let Some((crane, mechanism)) = config.mechanisms().find(|(_, c)| c.id == m.now.id) {
                        (of_mechanism(&desk, &crane.name, mechanism, m, i == 0))
                    }
                }
                section.wrap { (cranes(&desk, &report.cranes)) }
                (limits(&desk, report))
                (signatures(&desk))
            }
        }
    }
}

/// Names with values, one below the other.
fn lines(rows: &[(&str, Markup)]) -> Markup {
    html! { dl.lines { @for (name, value) in rows { dt { (name) } dd { (value) } } } }
}

fn date(desk: &Desk, text: Option<&str>) -> String {
    text.and_then(parse).map_or(desk.words.not_known.to_owned(), |at| desk.moments.second(at))
}

fn of_mechanism(desk: &Desk, crane: &str, mechanism: &Mechanism, m: &MechanismReport, first: bool) -> Markup {
    let w = desk.words;
    let unit = desk.mass(mechanism.spec.rated);
    let now = &m.now;
    let to = date(desk, now.record_to.as_deref());
    html! {
        section.mechanism.first[first] {
            h2 { (now.id) ", " (kind_name(w, mechanism.kind)) ", " (crane) }
            (lines(&[
                (w.rated_load, cell(unit.text(mechanism.spec.rated))),
                (w.group, html! { (group_text(w, now)) span.under { (fill(w.group_basis, &[("edition", EDITION)])) } }),
                (w.record, cell(fill(w.report_days, &[("from", &date(desk, now.record_from.as_deref())), ("to", &to)]))),
            ]))
            @match &m.days {
                None => p { (w.report_no_days) },
                Some(days) => {
                    h3 { (w.report_in_these_days) ": " (fill(w.report_days, &[("from", &days.from), ("to", &days.to)])) }
                    (lines(&[
                        (w.running_hours, html! { (w.hours(days.running_hours)) "\u{202f}" (w.hours_unit) }),
                        (w.lifts, cell(w.count(days.lifts))),
                        (w.report_overload_count, cell(w.count(days.overload_lifts))),
                        (w.starts, cell(w.count(days.starts))),
                        (w.spectrum_factor, cell(match (days.load_spectrum_factor, &days.state_of_loading) {
                            (Some(km), Some(class)) => fill(w.spectrum_class, &[("km", &w.factor(km)), ("class", &class_name(w, class))]),
                            _ => w.none_yet.to_owned(),
                        })),
                        (w.report_observed, html! { (w.hours(days.observed_hours)) "\u{202f}" (w.hours_unit) }),
                        (w.report_without, html! { (w.hours(days.gap_hours)) "\u{202f}" (w.hours_unit) }),
                        (w.report_used_days, html! { (w.hours(days.booked_full_load_hours)) "\u{202f}" (w.hours_unit) }),
                        (w.report_used_end, html! { (w.hours(days.used_full_load_hours)) "\u{202f}" (w.hours_unit) }),
                        (w.used_share_long, html! { (w.percent(days.consumed)) span.under { (w.used_share_basis) } }),
                    ]))
                },
            }
            h3 { (fill(w.report_now, &[("to", &to)])) }
            (lines(&[
                (w.used_share_long, html! { (w.percent(now.consumed)) span.under { (w.used_share_basis) } }),
                (w.report_interval, cell(interval_words(w, now))),
                (w.report_design, html! { (w.number(now.design_full_load_hours, 0)) "\u{202f}" (w.hours_unit) }),
                (w.report_left, html! { (w.hours(now.remaining_full_load_hours)) "\u{202f}" (w.hours_unit) }),
                (w.spectrum_factor, cell(km_text(w, now))),
                (w.group_in_use, cell(now.group_in_use.map_or(w.too_little_record, |g| g.name()))),
                (w.forecast, html! { (forecast_dates(w, now)) span.under { (w.forecast_basis) } }),
                (w.gap_waiting, html! { (w.hours(now.gap_waiting_hours)) "\u{202f}" (w.hours_unit) span.under { (w.gap_waiting_basis) } }),
            ]))
            h3 { (w.periods_title) }
            (periods(desk, now))
            (closed(desk, now))
            h3 { (w.report_course) }
            (used_chart(desk, mechanism, now, &m.course))
            (months(desk, m))
            @if m.days.is_some() {
                h3 { (w.report_spectrum) }
                @let of_days = of_days(m);
                div.spectrum { (spectrum_chart(desk, &of_days, false)) }
                (spectrum_table(desk, mechanism, &of_days))
            }
            h3 { (w.report_overloads) }
            (overloads(desk, mechanism, m))
            h3 { (w.severity_title) }
            (severity(desk, now))
            h3 { (fill(w.report_parts, &[("to", &to)])) }
            (parts(desk, now))
            h3 { (w.report_services) }
            @if m.services_as_stored.is_empty() { p { (w.report_alarms_none) } }
            @else { (service_table(desk, &m.services_as_stored)) }
            h3 { (w.report_alarms) }
            (alarms(desk, m))
            h3 { (w.report_gaps) }
            (gaps(desk, m))
            h3 { (w.report_ledger) }
            (ledger(desk, m))
        }
    }
}

/// The figures with the spectrum of the days in place of the whole record's.
fn of_days(m: &MechanismReport) -> MechanismFigures {
    let days = m.days.as_ref();
    MechanismFigures {
        spectrum: m.spectrum.clone(),
        load_spectrum_factor: days.and_then(|d| d.load_spectrum_factor),
        state_of_loading: days.and_then(|d| d.state_of_loading.clone()),
        load_unknown_hours: days.map_or(0.0, |d| d.load_unknown_hours),
        ..m.now.clone()
    }
}

fn months(desk: &Desk, m: &MechanismReport) -> Markup {
    let w = desk.words;
    if m.months.len() < 2 {
        return html! {};
    }
    let columns = [
        words_column(w.month),
        number_column(w.month_running),
        number_column(w.month_lifts),
        number_column(w.spectrum_factor),
        number_column(w.month_full_load),
        number_column(w.month_used_end),
        number_column(w.report_month_design),
        number_column(w.used_share),
    ];
    let rows: Vec<Vec<Markup>> = m
        .months
        .iter()
        .map(|s| {
            vec![
                cell(&s.label),
                cell(w.hours(s.running_hours)),
                cell(w.count(s.lifts)),
                cell(s.load_spectrum_factor.map_or("–".to_owned(), |km| w.factor(km))),
                cell(w.hours(s.booked_full_load_hours)),
                cell(w.hours(s.used_full_load_hours)),
                cell(w.number(s.design_full_load_hours, 0)),
                cell(w.percent(s.consumed)),
            ]
        })
        .collect();
    html! { h3 { (w.report_months) } (compact_table(w.report_months, &columns, &rows, None)) }
}

/// The sentence above a list that was cut.
fn cut<T>(w: &Wording, listed: &Listed<T>, words: &str) -> Markup {
    let shown = listed.rows.len() as u64;
    html! {
        @if shown < listed.count {
            p.remark { (fill(words, &[("n", &w.count(shown)), ("count", &w.count(listed.count))])) }
        }
    }
}

fn overloads(desk: &Desk, mechanism: &Mechanism, m: &MechanismReport) -> Markup {
    let w = desk.words;
    if m.overloads.rows.is_empty() {
        return html! { p { (w.report_overloads_none) } };
    }
    let unit = desk.mass(mechanism.spec.rated);
    let kg = |kg: f64| unit.number(tallyhook_analysis::units::Grams::from_kg(kg));
    let columns = [
        words_column(w.lift_begin),
        words_column(w.lift_end),
        number_column(fill(w.lift_load, &[("unit", unit.symbol())])),
        number_column(fill(w.lift_give_or_take, &[("unit", unit.symbol())])),
        number_column(w.lift_fraction),
        number_column(fill(w.lift_peak, &[("unit", unit.symbol())])),
        number_column(w.lift_running),
    ];
    let rows: Vec<Vec<Markup>> = m
        .overloads
        .rows
        .iter()
        .map(|l| {
            vec![
                cell(date(desk, Some(&l.begin))),
                cell(date(desk, Some(&l.end))),
                cell(kg(l.load_kg)),
                cell(unit.give_or_take(l.load_uncertainty_kg.map(tallyhook_analysis::units::Grams::from_kg))),
                cell(w.number(l.fraction * 100.0, 1)),
                cell(kg(l.peak_kg)),
                cell(w.number(l.running_seconds, 1)),
            ]
        })
        .collect();
    html! {
        (cut(w, &m.overloads, w.report_first_of))
        (table(w.report_overloads, &columns, &rows, None))
        p.remark { (w.give_or_take_meaning) }
    }
}

fn gaps(desk: &Desk, m: &MechanismReport) -> Markup {
    let w = desk.words;
    if m.gaps.rows.is_empty() {
        return html! { p { (w.report_gaps_none) } };
    }
    let columns = [words_column(w.gap_begin), words_column(w.gap_end), number_column(w.hours_unit)];
    let rows: Vec<Vec<Markup>> = m
        .gaps
        .rows
        .iter()
        .map(|g| vec![cell(date(desk, Some(&g.begin))), cell(date(desk, Some(&g.end))), cell(w.hours(g.hours))])
        .collect();
    html! { (cut(w, &m.gaps, w.report_longest_of)) (table(w.report_gaps, &columns, &rows, None)) }
}

fn alarms(desk: &Desk, m: &MechanismReport) -> Markup {
    let w = desk.words;
    if m.alarms.is_empty() {
        return html! { p { (w.report_alarms_none) } };
    }
    let columns = [
        words_column(w.service_number),
        words_column(w.report_alarm_raised),
        words_column(w.message_text),
        words_column(w.report_alarm_state),
        number_column(w.report_alarm_times),
        words_column(w.report_alarm_cleared),
        words_column(w.report_alarm_known),
    ];
    let rows: Vec<Vec<Markup>> = m
        .alarms
        .iter()
        .map(|warned| {
            let a = &warned.alarm;
            let known = match (&a.acknowledged, &a.acknowledged_by) {
                (Some(at), Some(by)) => {
                    fill(w.report_alarm_known_by, &[("at", &date(desk, Some(at))), ("by", by)])
                }
                _ => "–".to_owned(),
            };
            vec![
                cell(a.number.to_string()),
                html! { span.date { (date(desk, Some(&a.raised))) } },
                html! { div.told { (what(w, &warned.message)) @for act in a.acts.iter().filter(|act| !act.note.is_empty()) { span.under { (act.by) ": " (act.note) } } } },
                cell(state_words(w, a.state)),
                cell(w.count(a.times)),
                html! { span.date { (a.cleared.as_deref().map_or("–".to_owned(), |at| date(desk, Some(at)))) } },
                cell(known),
            ]
        })
        .collect();
    table(w.report_alarms, &columns, &rows, None)
}

fn ledger(desk: &Desk, m: &MechanismReport) -> Markup {
    let w = desk.words;
    let ledger = &m.ledger;
    let hash = match (&ledger.closed_day, &ledger.hash) {
        (Some(day), Some(hash)) => html! { span.hash { (hash) } span.under { (fill(w.report_hash, &[("day", day)])) } },
        _ => cell(w.report_hash_none),
    };
    let changes = html! {
        @if ledger.changes.is_empty() { (w.report_changes_none) }
        @for change in &ledger.changes {
            div {
                (date(desk, Some(&change.at)))
                @for (name, values) in change.changed.as_object().into_iter().flatten() {
                    span.under { (name) ": " (values["old"]) " → " (values["new"]) }
                }
            }
        }
    };
    html! {
        (lines(&[
            (w.report_fingerprint, html! { span.hash { (ledger.configuration.as_deref().unwrap_or(w.none_yet)) } }),
            (w.report_changes, changes),
            (w.report_anchor, hash),
        ]))
        p.remark { (w.report_hash_about) }
        @if let Some(day) = &ledger.lifts_given_up_to {
            p.remark { (fill(w.report_given_up, &[("day", day)])) }
        }
    }
}

/// What the figures are not, and which of them are from memory.
fn limits(desk: &Desk, report: &Report) -> Markup {
    let w = desk.words;
    let mut unsure = std::collections::BTreeSet::new();
    for m in &report.mechanisms {
        for part in &m.now.periods {
            if part.recording.mark(part.scale).caution().is_some() {
                unsure.insert(fill(
                    w.report_unsure,
                    &[
                        ("factor", &w.number(part.factor, 1)),
                        ("recording", recording_name(w, part)),
                        ("edition", part.scale.edition()),
                        ("words", w.check_short),
                    ],
                ));
            }
        }
        if let Some(limit) = m.now.motor_duty.limit.as_ref().filter(|l| l.check_against_the_standard) {
            let words = w.check_against_the_standard.trim_end_matches('.');
            unsure.insert(fill(w.report_duty_unsure, &[("edition", limit.edition), ("words", words)]));
        }
    }
    html! {
        section {
            h2 { (w.report_limits) }
            p { (w.caution) }
            p { (w.report_limits_local) }
            @for sentence in &unsure { p { (sentence) } }
        }
    }
}

fn signatures(desk: &Desk) -> Markup {
    let w = desk.words;
    html! {
        section {
            h2 { (w.report_sign) }
            div.sign {
                @for who in [w.report_sign_keeper, w.report_sign_inspector] {
                    div {
                        strong { (who) }
                        @for line in [w.report_sign_name, w.report_sign_place, w.report_sign_hand] { p { (line) } }
                    }
                }
            }
        }
    }
}
