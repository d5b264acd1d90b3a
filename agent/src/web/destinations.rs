//! Who is told of what is stored, and what stands in the way.

use maud::{Markup, html};

use super::layout::{Desk, sheet_table, words_column};
use super::moments::parse;
use crate::publish::health::{DestinationHealth, Destinations};

/// The destinations with their state; nothing when nobody is to be told.
pub fn destinations(desk: &Desk, all: &Destinations) -> Markup {
    let w = desk.words;
    if all.is_empty() {
        return html! {};
    }
    let columns = [
        words_column(w.destination),
        words_column(w.destination_state),
        words_column(w.destination_since),
        words_column(w.destination_left_out),
    ];
    let rows: Vec<Vec<Markup>> = all.iter().map(|(name, health)| row(desk, name, health)).collect();
    html! {
        h2 { (w.destinations_title) }
        (sheet_table(w.destinations_title, &columns, &rows, None))
    }
}

fn row(desk: &Desk, name: &str, health: &DestinationHealth) -> Vec<Markup> {
    let w = desk.words;
    let time = |text: &str| match parse(text) {
        Some(at) => html! { span.date { (desk.moments.second(at)) } },
        None => html! { (text) },
    };
    let (state, since) = match (health.trouble.as_ref().or(health.forgot.as_ref()), &health.last_ok) {
        (Some(trouble), _) => (
            html! { strong { (w.destination_trouble) } " " span lang="en" { (trouble.what) } span.under lang="en" { (trouble.mend) } },
            time(&trouble.since),
        ),
        (None, Some(last)) => (html! { (w.destination_well) }, time(last)),
        (None, None) => (html! { (w.destination_untried) }, html! {}),
    };
    let left_out = match &health.last_parked {
        Some(last) => html! { (health.parked) ": " (last.id) span.under lang="en" { (last.why) "; " (last.mend) } },
        None => html! { (health.parked) },
    };
    let left_out = match health.dropped {
        0 => left_out,
        lost => html! { (left_out) span.under { (lost) " " (w.destination_dropped) } },
    };
    vec![html! { (name) }, state, since, left_out]
}
