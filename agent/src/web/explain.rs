//! What stands behind each figure: the formula of the standard with the values put in.

use maud::{Markup, html};
use tallyhook_analysis::class::EDITION;
use tallyhook_analysis::period::{Part, PartKind, Recording};
use tallyhook_analysis::units::Grams;
use tallyhook_config::model::Mechanism;

use super::layout::Desk;
use super::moments::parse;
use super::units::duration;
use super::wording::{Wording, fill};
use crate::figures::MechanismFigures;

/// S/D.
pub fn used(desk: &Desk, mechanism: &Mechanism, figures: &MechanismFigures) -> Markup {
    let w = desk.words;
    let (used, design) = (w.hours(figures.used_full_load_hours), w.number(figures.design_full_load_hours, 0));
    let own = w.number(figures.group.design_full_load_hours(), 0);
    let behind_d = if mechanism.design_full_load_hours.is_some() {
        fill(w.how_used_design_maker, &[("group", figures.group.name()), ("group_design", &own)])
    } else {
        fill(w.how_used_design_group, &[("group", figures.group.name())])
    };
    html! {
        p { (fill(w.how_used, &[("used", &used), ("design", &design), ("share", &w.percent(figures.consumed))])) }
        ul {
            @for part in &figures.periods {
                li {
                    (fill(w.how_used_part, &[
                        ("what", part_name(w, part.kind)),
                        ("km", &w.factor(part.spectrum_factor)),
                        ("hours", &w.hours(part.running_hours)),
                        ("factor", &w.number(part.factor, 1)),
                        ("used", &w.hours(part.full_load_hours())),
                        ("scale", part.scale.edition()),
                    ]))
                }
            }
        }
        p { (behind_d) }
    }
}

/// km.
pub fn spectrum_factor(desk: &Desk, mechanism: &Mechanism, figures: &MechanismFigures) -> Markup {
    let w = desk.words;
    let km = figures.load_spectrum_factor.map_or_else(|| w.not_known.to_owned(), |km| w.factor(km));
    let known: f64 = figures.spectrum.iter().map(|b| b.running_hours).sum();
    html! {
        p {
            (fill(w.how_km, &[
                ("full", &w.hours(figures.full_load_hours)), ("hours", &w.hours(known)), ("km", &km), ("edition", EDITION),
            ]))
        }
        @if mechanism.spec.dead_load > Grams::ZERO { p { (w.how_km_dead) } }
    }
}

/// T.
pub fn running(desk: &Desk, mechanism: &Mechanism) -> Markup {
    let stale = duration_fine(desk.words, mechanism.spec.stale_after.as_ms());
    html! { p { (fill(desk.words.how_running, &[("stale", &stale)])) } }
}

/// Lifts.
pub fn lifts(desk: &Desk, mechanism: &Mechanism) -> Markup {
    let unit = desk.mass(mechanism.spec.rated);
    let s = &mechanism.spec.lift;
    html! {
        p {
            (fill(desk.words.how_lifts, &[
                ("begin", &unit.text(s.begin)), ("confirm", &duration_fine(desk.words, s.confirm_load.as_ms())),
                ("end", &unit.text(s.end)), ("confirm_end", &duration_fine(desk.words, s.confirm_empty.as_ms())),
                ("settle", &duration_fine(desk.words, s.settle.as_ms())),
            ]))
        }
    }
}

/// The group in use.
pub fn group_in_use(desk: &Desk, figures: &MechanismFigures) -> Markup {
    let w = desk.words;
    let Some(group) = figures.group_in_use else { return html! { p { (w.too_little_record_long) } } };
    let from = figures.record_from.as_deref().and_then(parse).map(|t| desk.moments.second(t)).unwrap_or_default();
    let full = w.hours(figures.full_load_hours);
    html! { p { (fill(w.how_group_in_use, &[("from", &from), ("full", &full), ("group", group.name())])) } }
}

/// What a part of S stands for.
pub fn part_name(words: &Wording, kind: PartKind) -> &'static str {
    match kind {
        PartKind::Measured => words.period_measured,
        PartKind::LoadNotRead => words.period_load_not_read,
        PartKind::Gap => words.period_gap,
        PartKind::Prior => words.period_prior,
    }
}

/// How a part was recorded.
pub fn recording_name(words: &Wording, part: &Part) -> &'static str {
    match part.recording {
        Recording::Recorder => words.recording_recorder,
        Recording::Counter => words.recording_counter,
        Recording::Estimated => words.recording_estimated,
        Recording::DocumentedProcess => words.recording_documented_process,
        Recording::DocumentedProduction => words.recording_documented_production,
        Recording::Undocumented => words.recording_undocumented,
        Recording::Unknown => words.recording_unknown,
    }
}

/// Short times keep their tenths: `0.5 s`.
fn duration_fine(w: &Wording, ms: i64) -> String {
    if ms % 1000 != 0 && ms < 60_000 { format!("{}\u{202f}s", w.number(ms as f64 / 1000.0, 1)) } else { duration(ms) }
}
