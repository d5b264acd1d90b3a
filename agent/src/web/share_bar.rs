//! The used share as a plain straight scale with the warn levels on it.

use maud::{Markup, html};

use super::layout::Desk;
use super::plot::{Area, picture, text};
use super::wording::fill;

/// A bar from nothing to D (or to the used share where that is more). `name` is unique on the view.
pub fn share_bar(desk: &Desk, name: &str, used: f64, levels: &[f64]) -> Markup {
    let w = desk.words;
    let used = if used.is_finite() { used.max(0.0) } else { 0.0 };
    let highest = levels.iter().copied().fold(1.0, f64::max);
    let top = if used > highest { used * 1.05 } else { highest * 1.05 };
    let area = Area {
        width: 300.0,
        height: 46.0,
        left: 4.0,
        right: 284.0,
        top: 4.0,
        bottom: 20.0,
        x: (0.0, top),
        y: (0.0, 1.0),
    };
    let listed: Vec<String> = levels.iter().map(|l| w.level(*l)).collect();
    let template = if listed.is_empty() { w.bar_description_plain } else { w.bar_description };
    let title = fill(template, &[("top", &w.level(top)), ("share", &w.percent(used)), ("levels", &listed.join(", "))]);
    let mut marks: Vec<f64> = levels.to_vec();
    if !marks.iter().any(|l| (l - 1.0).abs() < 1e-9) {
        marks.push(1.0);
    }
    let body = html! {
        (area.rect((0.0, top), (0.0, 1.0), "frame", Some("none")))
        (area.rect((0.0, used), (0.0, 1.0), "amount", None))
        (text(area.left, area.bottom + 18.0, "tick", "0"))
        @for mark in &marks {
            (area.line((*mark, -0.35), (*mark, 1.0), if *mark >= 1.0 { "limit" } else { "level" }))
        }
        @for mark in roomy(&area, marks) {
            (text(area.at_x(mark), area.bottom + 18.0, "tick middle", &w.level(mark)))
        }
    };
    picture(&area, name, "bar", &title, body)
}

/// The marks that have room for their number: the highest first, then what does not print over it.
fn roomy(area: &Area, mut marks: Vec<f64>) -> Vec<f64> {
    const ROOM: f64 = 38.0;
    marks.sort_by(|a, b| b.total_cmp(a));
    let mut kept: Vec<f64> = Vec::new();
    for mark in marks {
        let x = area.at_x(mark);
        if x > area.left + ROOM && kept.last().is_none_or(|last| area.at_x(*last) - x >= ROOM) {
            kept.push(mark);
        }
    }
    kept
}

/// The sentence on warn levels.
pub fn levels_sentence(desk: &Desk, used: f64, levels: &[f64]) -> String {
    let w = desk.words;
    let reached =
        levels.iter().copied().filter(|l| used >= *l).fold(None, |a: Option<f64>, l| Some(a.map_or(l, |a| a.max(l))));
    let next =
        levels.iter().copied().filter(|l| used < *l).fold(None, |a: Option<f64>, l| Some(a.map_or(l, |a| a.min(l))));
    match (reached, next) {
        (None, None) => w.levels_none_set.to_owned(),
        (None, Some(next)) => fill(w.levels_below, &[("next", &w.level(next))]),
        (Some(at), Some(next)) => fill(w.levels_between, &[("level", &w.level(at)), ("next", &w.level(next))]),
        (Some(at), None) => fill(w.levels_above, &[("level", &w.level(at))]),
    }
}
