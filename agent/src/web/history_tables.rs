//! The tables of one mechanism's view that hold what happened: lifts, periods, gaps, messages.

use maud::{Markup, html};
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::recorder::Gap;
use tallyhook_config::model::Mechanism;

use super::explain::{part_name, recording_name};
use super::layout::{Desk, View, cell, number_column, sheet_table, words_column};
use super::moments::{age, parse};
use super::units::duration;
use super::wording::{Wording, fill};
use crate::figures::MechanismFigures;
use crate::publish::wording::{finding_said, what};
use crate::store::message::{Message, MessageKind};

/// The newest lifts.
pub fn latest_lifts(desk: &Desk, mechanism: &Mechanism, lifts: &[Lift]) -> Markup {
    let w = desk.words;
    if lifts.is_empty() {
        return html! { p { (w.lifts_none) } };
    }
    let rated = mechanism.spec.rated;
    let unit = desk.mass(rated);
    let columns = [
        words_column(w.lift_begin),
        number_column(w.lift_lasted),
        number_column(fill(w.lift_load, &[("unit", unit.symbol())])),
        number_column(fill(w.lift_give_or_take, &[("unit", unit.symbol())])),
        number_column(w.lift_fraction),
        number_column(fill(w.lift_peak, &[("unit", unit.symbol())])),
        number_column(w.lift_running),
        number_column(w.lift_starts),
        words_column(w.lift_note),
    ];
    let note = |lift: &Lift| {
        let overload = lift.overload.then_some(w.lift_overload);
        let cut = lift.cut.then_some(w.lift_cut);
        overload.into_iter().chain(cut).collect::<Vec<_>>().join("; ")
    };
    let row = |lift: &Lift| {
        vec![
            cell(desk.moments.second(lift.begin)),
            cell(duration(lift.end.since(lift.begin).as_ms())),
            cell(unit.number(lift.load)),
            cell(unit.give_or_take(lift.uncertainty)),
            cell(w.number(lift.load.fraction_of(rated) * 100.0, 1)),
            cell(unit.number(lift.peak)),
            cell(w.number(lift.running_ms as f64 / 1000.0, 1)),
            cell(w.count(u64::from(lift.starts))),
            cell(note(lift)),
        ]
    };
    let rows: Vec<Vec<Markup>> = lifts.iter().map(row).collect();
    html! {
        p.remark { (fill(w.lifts_caption, &[("n", &w.count(lifts.len() as u64))])) " " (w.give_or_take_meaning) }
        (sheet_table(w.latest_lifts_title, &columns, &rows, None))
        p {
            a href=(View::Lifts.address(&mechanism.id)) { (w.lifts_all) } ", "
            a href=(format!("/api/v1/mechanisms/{}/lifts", mechanism.id)) { (w.lifts_more) }
        }
    }
}

/// The parts of S.
pub fn periods(desk: &Desk, figures: &MechanismFigures) -> Markup {
    let w = desk.words;
    if figures.periods.is_empty() {
        return html! { p { (w.periods_none) } };
    }
    let columns = [
        words_column(w.period_kind),
        words_column(w.period_recording),
        words_column(w.period_scale),
        number_column(w.period_hours),
        number_column(w.period_km),
        number_column(w.period_factor),
        number_column(w.period_used),
        words_column(w.period_note),
    ];
    let rows: Vec<Vec<Markup>> = figures
        .periods
        .iter()
        .map(|p| {
            vec![
                cell(part_name(w, p.kind)),
                cell(recording_name(w, p)),
                cell(p.scale.edition()),
                cell(w.hours(p.running_hours)),
                cell(w.factor(p.spectrum_factor)),
                cell(w.number(p.factor, 1)),
                cell(w.hours(p.full_load_hours())),
                cell(&p.note),
            ]
        })
        .collect();
    let mut foot = vec![cell(""); columns.len()];
    foot[0] = cell(w.periods_sum);
    foot[6] = cell(w.hours(figures.used_full_load_hours));
    let mixed = figures.periods.windows(2).any(|pair| pair[0].scale != pair[1].scale);
    html! {
        p.remark { (w.periods_caption) @if mixed { " " (w.periods_mixed) } }
        (sheet_table(w.periods_title, &columns, &rows, Some(foot)))
    }
}

/// The newest gaps.
pub fn gaps(desk: &Desk, figures: &MechanismFigures, gaps: &[Gap]) -> Markup {
    let w = desk.words;
    let open = figures.gap_since.as_deref().and_then(parse);
    if gaps.is_empty() && open.is_none() {
        return html! { p { (w.gaps_none) } };
    }
    let totals = [
        ("gap", &*w.hours(figures.gap_hours)),
        ("observed", &w.hours(figures.observed_hours)),
        ("n", &w.count(gaps.len() as u64)),
    ];
    let columns = [words_column(w.gap_begin), words_column(w.gap_end), number_column(w.gap_lasted)];
    let mut rows: Vec<Vec<Markup>> = Vec::new();
    if let Some(since) = open {
        let lasted = duration(age(desk.now, since).as_ms());
        rows.push(vec![cell(desk.moments.second(since)), cell(w.gap_open), cell(lasted)]);
    }
    rows.extend(gaps.iter().map(|g| {
        let lasted = duration(g.end.since(g.begin).as_ms());
        vec![cell(desk.moments.second(g.begin)), cell(desk.moments.second(g.end)), cell(lasted)]
    }));
    html! {
        p.remark { (fill(w.gaps_caption, &totals)) }
        (sheet_table(w.gaps_title, &columns, &rows, None))
    }
}

/// The newest warnings and findings.
pub fn messages(desk: &Desk, messages: &[Message]) -> Markup {
    let w = desk.words;
    if messages.is_empty() {
        return html! { p { (w.messages_none) } };
    }
    let columns = [words_column(w.message_at), words_column(w.message_kind), words_column(w.message_text)];
    let kind = |kind: MessageKind| match kind {
        MessageKind::Warning => w.message_warning,
        MessageKind::Finding => w.message_finding,
        // Not asked for, but shown under its own word if it comes.
        MessageKind::Lift | MessageKind::Day => kind.name(),
    };
    let rows: Vec<Vec<Markup>> = messages
        .iter()
        .map(|m| vec![cell(desk.moments.second(m.at)), cell(kind(m.kind)), cell(message_text(w, m))])
        .collect();
    html! {
        p.remark { (fill(w.messages_caption, &[("n", &w.count(messages.len() as u64))])) }
        (sheet_table(w.messages_title, &columns, &rows, None))
    }
}

/// A message in the words that go to people, without where to look and the caution: the reader is there.
fn message_text(w: &Wording, message: &Message) -> String {
    match (message.kind, message.body["text"].as_str()) {
        (MessageKind::Finding, Some(_)) => finding_said(w, message),
        (_, Some(text)) => text.to_owned(),
        (_, None) => what(w, message),
    }
}
