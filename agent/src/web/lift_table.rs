//! The view of a mechanism's lifts: a table to sort, filter and page, by plain form fields.

use maud::{Markup, html};
use serde::Deserialize;
use tallyhook_analysis::lift::Lift;
use tallyhook_config::model::{Crane, Mechanism};

use super::layout::{Desk, View, cell, number_column, sheet_table, words_column};
use super::mechanism::heading;
use super::source::{LiftOrder, LiftsAsked, LiftsFound, cost_hours};
use super::units::duration;
use super::wording::fill;
use super::work::budget_base;
use crate::figures::MechanismFigures;

/// Lifts on a page.
pub const PAGE: usize = 50;

/// So many pages of each order are prepared: further on nobody looks for the heaviest lifts.
const PAGES_PREPARED: usize = 10;

/// The fields of the form as they were sent; an empty field asks for nothing.
#[derive(Deserialize, Default, Clone, PartialEq, Eq, Debug)]
pub struct LiftsQuery {
    /// First day, `YYYY-MM-DD` of the site.
    #[serde(default)]
    pub from: String,
    /// Last day, `YYYY-MM-DD` of the site.
    #[serde(default)]
    pub to: String,
    /// Least load, in the unit of the page.
    #[serde(default)]
    pub least: String,
    /// Most load, in the unit of the page.
    #[serde(default)]
    pub most: String,
    /// `1` for those above the rated load only.
    #[serde(default)]
    pub overload: String,
    /// `begin`, `load`, `running` or `cost`.
    #[serde(default)]
    pub sort: String,
    /// `1` for the least first.
    #[serde(default)]
    pub rising: String,
    /// The page, from 1.
    #[serde(default)]
    pub page: String,
}

const ORDERS: [(&str, LiftOrder); 4] = [
    ("begin", LiftOrder::Begin),
    ("load", LiftOrder::Load),
    ("running", LiftOrder::Running),
    ("cost", LiftOrder::Cost),
];

impl LiftsQuery {
    /// What is asked of the history, and the number of the page; an error is the sentence for the reader.
    pub fn read(
        &self,
        desk: &Desk,
        mechanism: &Mechanism,
        f: &MechanismFigures,
    ) -> Result<(LiftsAsked, usize), String> {
        let w = desk.words;
        let unit = desk.mass(mechanism.spec.rated);
        let day = |text: &str, after: i64| -> Result<_, String> {
            let bad = || fill(w.bad_date, &[("text", text)]);
            if text.is_empty() {
                return Ok(None);
            }
            let date: jiff::civil::Date = text.parse().map_err(|_| bad())?;
            let date = date.checked_add(jiff::Span::new().days(after)).map_err(|_| bad())?;
            desk.moments.midnight(date).map(Some).ok_or_else(bad)
        };
        let load = |text: &str| match text {
            "" => Ok(None),
            text => match text.replace(',', ".").parse().ok().and_then(|v| unit.load(v)) {
                Some(load) => Ok(Some(load)),
                None => Err(fill(w.bad_load, &[("text", text), ("unit", unit.symbol())])),
            },
        };
        let page = match self.page.as_str() {
            "" => 1,
            text => text.parse().ok().filter(|p| (1..=1_000_000).contains(p)).ok_or_else(|| w.bad_page.to_owned())?,
        };
        let order = match self.sort.as_str() {
            "" => LiftOrder::Begin,
            word => ORDERS.iter().find(|(name, _)| *name == word).map(|o| o.1).ok_or_else(|| w.bad_sort.to_owned())?,
        };
        let (from, to) = (day(&self.from, 0)?, day(&self.to, 1)?);
        if from.zip(to).is_some_and(|(from, to)| to <= from) {
            return Err(w.bad_span.to_owned());
        }
        let asked = LiftsAsked {
            from,
            to,
            least: load(&self.least)?,
            most: load(&self.most)?,
            overload: !self.overload.is_empty(),
            order,
            rising: !self.rising.is_empty(),
            offset: (page - 1) * PAGE,
            limit: PAGE,
            base: budget_base(mechanism, f),
            dead: mechanism.spec.dead_load,
        };
        Ok((asked, page))
    }

    /// The address of another page of the same question.
    fn address(&self, id: &str, page: usize) -> String {
        let mut out = format!("{}?", View::Lifts.address(id));
        let fields = [
            ("from", &self.from),
            ("to", &self.to),
            ("least", &self.least),
            ("most", &self.most),
            ("overload", &self.overload),
            ("sort", &self.sort),
            ("rising", &self.rising),
        ];
        for (name, value) in fields.into_iter().filter(|(_, v)| !v.is_empty()) {
            // What passed the check is made of digits, letters, `-`, `.` and `,`.
            let safe: String = value.chars().filter(|c| c.is_ascii_alphanumeric() || "-.,".contains(*c)).collect();
            out.push_str(&format!("{name}={safe}&"));
        }
        out.push_str(&format!("page={page}"));
        out
    }
}

/// What this view will ask of all lifts: the first pages of each order, the most first.
pub fn questions(mechanism: &Mechanism, f: &MechanismFigures) -> Vec<LiftsAsked> {
    let asked = LiftsAsked { base: budget_base(mechanism, f), dead: mechanism.spec.dead_load, ..LiftsAsked::default() };
    let orders = ORDERS.into_iter().map(|(_, order)| order).filter(|order| *order != LiftOrder::Begin);
    orders.map(|order| LiftsAsked { order, limit: PAGES_PREPARED * PAGE, ..asked }).collect()
}

/// What is to be shown under the form.
pub enum Shown {
    /// The page that was found, and its number.
    Found(LiftsFound, usize),
    /// The question cannot be read: the sentence.
    Refused(String),
    /// The history cannot be read.
    Unreadable,
}

/// The view's body.
pub fn lifts(
    desk: &Desk,
    crane: &Crane,
    mechanism: &Mechanism,
    f: &MechanismFigures,
    query: &LiftsQuery,
    shown: Shown,
) -> Markup {
    let w = desk.words;
    html! {
        (heading(desk, crane, mechanism, f, View::Lifts))
        (form(desk, mechanism, f, query))
        @match shown {
            Shown::Unreadable => p.banner { (w.history_unreadable) },
            Shown::Refused(sentence) => p.banner role="alert" { (sentence) },
            Shown::Found(found, page) => {
                @let pages = (found.total as usize).div_ceil(PAGE).max(1);
                p role="status" { (fill(w.lifts_found, &[("total", &w.count(found.total)), ("page", &page.to_string()), ("pages", &w.count(pages as u64))])) }
                @if let Some(day) = &f.lifts_given_up_to {
                    p.remark { (fill(w.lifts_given_up, &[("day", day)])) }
                }
                @if !found.lifts.is_empty() {
                    (rows(desk, mechanism, f, &found.lifts))
                }
                (pager(desk, &f.id, query, page, pages))
                p.remark { (w.lift_meaning) " " (w.give_or_take_meaning) " " (w.lift_cost_meaning) }
            }
        }
    }
}

fn pager(desk: &Desk, id: &str, query: &LiftsQuery, page: usize, pages: usize) -> Markup {
    let w = desk.words;
    html! {
        @if pages > 1 {
            nav.pager aria-label=(w.pages) {
                @if page > 1 { a href=(query.address(id, 1)) { (w.page_first) } " " a rel="prev" href=(query.address(id, page - 1)) { (w.page_before) } }
                " " @if page < pages { a rel="next" href=(query.address(id, page + 1)) { (w.page_after) } " " a href=(query.address(id, pages)) { (w.page_last) } }
            }
        }
    }
}

fn form(desk: &Desk, mechanism: &Mechanism, f: &MechanismFigures, query: &LiftsQuery) -> Markup {
    let w = desk.words;
    let unit = desk.mass(mechanism.spec.rated).symbol();
    let orders = [w.order_begin, w.order_load, w.order_running, w.order_cost];
    html! {
        form.ask method="get" action=(View::Lifts.address(&f.id)) {
            label { (w.field_from) input type="date" name="from" value=(query.from); }
            label { (w.field_to) input type="date" name="to" value=(query.to); }
            label { (fill(w.field_least, &[("unit", unit)])) input type="number" name="least" min="0" step="any" inputmode="decimal" value=(query.least); }
            label { (fill(w.field_most, &[("unit", unit)])) input type="number" name="most" min="0" step="any" inputmode="decimal" value=(query.most); }
            label { (w.field_sort)
                select name="sort" {
                    @for ((name, _), words) in ORDERS.iter().zip(orders) {
                        option value=(name) selected[query.sort == *name] { (words) }
                    }
                }
            }
            label.tick { input type="checkbox" name="rising" value="1" checked[!query.rising.is_empty()]; " " (w.field_rising) }
            label.tick { input type="checkbox" name="overload" value="1" checked[!query.overload.is_empty()]; " " (w.field_overload) }
            button type="submit" { (w.ask) }
            a href=(View::Lifts.address(&f.id)) { (w.ask_all) }
        }
    }
}

/// What is said beside a lift.
pub fn note(desk: &Desk, lift: &Lift) -> String {
    let w = desk.words;
    let overload = lift.overload.then_some(w.lift_overload);
    let cut = lift.cut.then_some(w.lift_cut);
    overload.into_iter().chain(cut).collect::<Vec<_>>().join("; ")
}

fn rows(desk: &Desk, mechanism: &Mechanism, f: &MechanismFigures, lifts: &[Lift]) -> Markup {
    let w = desk.words;
    let unit = desk.mass(mechanism.spec.rated);
    let (base, dead) = (budget_base(mechanism, f), mechanism.spec.dead_load);
    let columns = [
        words_column(w.lift_begin),
        number_column(w.lift_lasted),
        number_column(fill(w.lift_load, &[("unit", unit.symbol())])),
        number_column(fill(w.lift_give_or_take, &[("unit", unit.symbol())])),
        number_column(w.lift_fraction),
        number_column(fill(w.lift_peak, &[("unit", unit.symbol())])),
        number_column(w.lift_running),
        number_column(w.lift_starts),
        number_column(w.lift_cost),
        words_column(w.lift_note),
    ];
    let rows: Vec<Vec<Markup>> = lifts
        .iter()
        .map(|l| {
            vec![
                cell(desk.moments.second(l.begin)),
                cell(duration(l.end.since(l.begin).as_ms())),
                cell(unit.number(l.load)),
                cell(unit.give_or_take(l.uncertainty)),
                cell(w.number(l.load.fraction_of(mechanism.spec.rated) * 100.0, 1)),
                cell(unit.number(l.peak)),
                cell(w.number(l.running_ms as f64 / 1000.0, 1)),
                cell(w.count(u64::from(l.starts))),
                cell(w.hours(cost_hours(l, base, dead))),
                cell(note(desk, l)),
            ]
        })
        .collect();
    sheet_table(w.view_lifts, &columns, &rows, None)
}
