//! The what-if view: plain form fields, the answer beside things as they are.

use maud::{Markup, html};
use serde::Deserialize;
use tallyhook_analysis::class::{EDITION, MechanismGroup};
use tallyhook_analysis::whatif::{Above, Change};
use tallyhook_config::model::{Crane, Mechanism};

use super::layout::{Desk, View, cell, compact_table, explained, number_column, words_column};
use super::mechanism::heading;
use super::wording::{Wording, fill};
use crate::commands::whatif::{AnswerFigures, Asked, WhatifFigures};
use crate::figures::{Forecast, MechanismFigures, day_number};
use tallyhook_analysis::units::Grams;

/// The fields of the form as they were sent; an empty field changes nothing.
#[derive(Deserialize, Default, Clone, PartialEq, Eq, Debug)]
pub struct WhatIfQuery {
    /// Another rated load, in the unit of the page.
    #[serde(default)]
    pub rated: String,
    /// `lifted`, `split` or `refused`.
    #[serde(default)]
    pub above: String,
    /// `M1` to `M8`.
    #[serde(default)]
    pub group: String,
    /// Lifts in per cent of those now.
    #[serde(default)]
    pub lifts: String,
    /// Share of the work that another crane takes over, per cent.
    #[serde(default)]
    pub moved: String,
    /// Only the record from this day on.
    #[serde(default)]
    pub from: String,
    /// Only the record up to and with this day.
    #[serde(default)]
    pub to: String,
    /// The chance that it is used up by this day.
    #[serde(default)]
    pub by: String,
}

const ABOVE: [(&str, Above); 3] = [("lifted", Above::Lifted), ("split", Above::Split), ("refused", Above::Refused)];

impl WhatIfQuery {
    /// What is asked; an error is the sentence for the reader.
    pub fn read(&self, desk: &Desk, mechanism: &Mechanism) -> Result<Asked, String> {
        let w = desk.words;
        let unit = desk.mass(mechanism.spec.rated);
        let rated = match self.rated.as_str() {
            "" => None,
            text => {
                let load = text.replace(',', ".").parse().ok().and_then(|v| unit.load(v));
                let load = load.filter(|l| *l > Grams::ZERO && l.as_kg() <= 500_000.0);
                Some(load.ok_or_else(|| fill(w.bad_load, &[("text", text), ("unit", unit.symbol())]))?)
            }
        };
        let change = change(w, &self.above, &self.group, rated, &self.lifts, &self.moved)?;
        asked(w, &mechanism.id, change, [&self.from, &self.to, &self.by])
    }
}

/// A change made of words and per cent.
pub fn change(
    w: &Wording,
    above: &str,
    group: &str,
    rated: Option<Grams>,
    lifts: &str,
    moved: &str,
) -> Result<Change, String> {
    let above = match above {
        "" => Above::Lifted,
        word => ABOVE.iter().find(|(name, _)| *name == word).map(|a| a.1).ok_or_else(|| w.bad_above.to_owned())?,
    };
    let design = match group {
        "" => None,
        text => Some(MechanismGroup::parse(text).ok_or_else(|| w.bad_group.to_owned())?.design_full_load_hours()),
    };
    let part = |text: &str, absent: f64, most: f64, sentence: &'static str| match text {
        "" => Ok(absent),
        text => match text.replace(',', ".").parse::<f64>() {
            Ok(value) if (0.0..=most).contains(&value) => Ok(value / 100.0),
            _ => Err(sentence.to_owned()),
        },
    };
    let (lifts, moved) = (part(lifts, 1.0, 10_000.0, w.bad_lifts)?, part(moved, 0.0, 100.0, w.bad_moved)?);
    Ok(Change { rated, above, design, lifts, moved })
}

/// The whole question; `days` are first and last day of the record and the day to give the chance for.
pub fn asked(w: &Wording, id: &str, change: Change, days: [&str; 3]) -> Result<Asked, String> {
    let day = |text: &str| match text {
        "" => Ok(None),
        text => match text.parse() {
            Ok(date) => Ok(Some(day_number(date))),
            Err(_) => Err(fill(w.bad_date, &[("text", text)])),
        },
    };
    let [from, to, by] = [day(days[0])?, day(days[1])?, day(days[2])?];
    Ok(Asked { mechanism: id.to_owned(), change, days: (from.unwrap_or(i32::MIN), to.unwrap_or(i32::MAX)), by })
}

/// The view's body; an error is shown in place of the answer.
pub fn what_if(
    desk: &Desk,
    crane: &Crane,
    mechanism: &Mechanism,
    f: &MechanismFigures,
    query: &WhatIfQuery,
    answer: Result<WhatifFigures, String>,
) -> Markup {
    let w = desk.words;
    html! {
        (heading(desk, crane, mechanism, f, View::WhatIf))
        p { (w.whatif_about) }
        (form(desk, mechanism, f, query))
        @match answer {
            Err(sentence) => p.banner role="alert" { (sentence) },
            Ok(answer) => {
                h2 { (w.whatif_answer) }
                p.remark role="status" {
                    (fill(w.whatif_basis, &[("days", &w.number(answer.days_of_record, 0)), ("from", &answer.record_from), ("to", &answer.record_to)]))
                }
                (answer_table(desk, mechanism, &answer))
                (explained(w, w.view_whatif, html! { p { (w.how_whatif) } }))
                p { strong { (w.whatif_caution) } }
            }
        }
    }
}

fn form(desk: &Desk, mechanism: &Mechanism, f: &MechanismFigures, q: &WhatIfQuery) -> Markup {
    let w = desk.words;
    let unit = desk.mass(mechanism.spec.rated);
    let above = [w.above_lifted, w.above_split, w.above_refused];
    html! {
        form.ask method="get" action=(View::WhatIf.address(&f.id)) {
            label { (fill(w.whatif_rated, &[("unit", unit.symbol()), ("now", &unit.number(mechanism.spec.rated))]))
                input type="number" name="rated" min="0" step="any" inputmode="decimal" value=(q.rated); }
            label { (w.whatif_above)
                select name="above" {
                    @for ((name, _), words) in ABOVE.iter().zip(above) { option value=(name) selected[q.above == *name] { (words) } }
                }
            }
            label { (fill(w.whatif_group, &[("now", f.group.name())]))
                select name="group" {
                    option value="" { (w.whatif_as_it_is) }
                    @for group in MechanismGroup::ALL {
                        option value=(group.name()) selected[q.group == group.name()] { (group.name()) " (" (group.fem_name()) ")" }
                    }
                }
            }
            label { (w.whatif_lifts) input type="number" name="lifts" min="0" max="10000" step="any" inputmode="decimal" placeholder="100" value=(q.lifts); }
            label { (w.whatif_moved) input type="number" name="moved" min="0" max="100" step="any" inputmode="decimal" placeholder="0" value=(q.moved); }
            label { (w.whatif_from) input type="date" name="from" value=(q.from); }
            label { (w.whatif_to) input type="date" name="to" value=(q.to); }
            label { (w.whatif_by) input type="date" name="by" value=(q.by); }
            button type="submit" { (w.ask) }
            a href=(View::WhatIf.address(&f.id)) { (w.ask_none) }
        }
    }
}

fn answer_table(desk: &Desk, mechanism: &Mechanism, answer: &WhatifFigures) -> Markup {
    let w = desk.words;
    let unit = desk.mass(mechanism.spec.rated);
    let whole = |n: f64| w.number(n.round().max(0.0), 0);
    let date = |a: &AnswerFigures, pick: &dyn Fn(&Forecast) -> Option<String>| match &a.forecast {
        Some(forecast) => pick(forecast).unwrap_or_else(|| w.forecast_beyond.to_owned()),
        None => match a.no_forecast {
            Some("already over") => w.forecast_over,
            Some("beyond 30 years") => w.forecast_beyond,
            _ => w.forecast_none,
        }
        .to_owned(),
    };
    let row = |name: String, value: &dyn Fn(&AnswerFigures) -> String| {
        vec![cell(name), cell(value(&answer.now)), cell(value(&answer.then))]
    };
    let mut rows = vec![
        row(fill(w.whatif_row_rated, &[("unit", unit.symbol())]), &|a| unit.number(Grams::from_kg(a.rated_load_kg))),
        row(w.whatif_row_used.to_owned(), &|a| w.percent(a.used_share)),
        row(w.whatif_row_left.to_owned(), &|a| w.hours(a.remaining_full_load_hours)),
        row(w.whatif_row_rate.to_owned(), &|a| w.hours(a.full_load_hours_a_year)),
        row(w.whatif_row_running.to_owned(), &|a| w.hours(a.running_hours_a_year)),
        row(fill(w.whatif_row_km, &[("edition", EDITION)]), &|a| {
            a.load_spectrum_factor.map_or("–".to_owned(), |km| w.factor(km))
        }),
        row(w.whatif_row_lifts.to_owned(), &|a| whole(a.lifts_a_year)),
        row(w.whatif_row_overload.to_owned(), &|a| whole(a.overload_lifts_a_year)),
        row(w.whatif_row_refused.to_owned(), &|a| whole(a.refused_lifts_a_year)),
        row(w.whatif_row_moved.to_owned(), &|a| w.hours(a.moved_full_load_hours_a_year)),
        row(fill(w.whatif_row_group, &[("edition", EDITION)]), &|a| {
            a.group_in_use.map_or(w.too_little_record.to_owned(), |g| g.name().to_owned())
        }),
        row(w.whatif_row_p10.to_owned(), &|a| date(a, &|d| Some(d.date_p10.clone()))),
        row(w.whatif_row_p50.to_owned(), &|a| date(a, &|d| d.date_p50.clone())),
        row(w.whatif_row_p90.to_owned(), &|a| date(a, &|d| d.date_p90.clone())),
    ];
    if answer.now.chance_by_the_day.is_some() || answer.then.chance_by_the_day.is_some() {
        rows.push(row(w.whatif_row_chance.to_owned(), &|a| {
            a.chance_by_the_day.map_or("–".to_owned(), |p| w.percent(p))
        }));
    }
    let columns = [words_column(""), number_column(w.whatif_now), number_column(w.whatif_then)];
    compact_table(w.whatif_answer, &columns, &rows, None)
}
