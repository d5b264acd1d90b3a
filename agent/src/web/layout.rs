//! The frame that every view stands in, and the parts that views share.

use maud::{DOCTYPE, Markup, html};
use tallyhook_analysis::class::EDITION;
use tallyhook_analysis::units::{Grams, Timestamp};
use tallyhook_config::model::Config;

use super::moments::Moments;
use super::units::{Loads, MassUnit};
use super::wording::Wording;

/// What every view is drawn with.
pub struct Desk<'a> {
    /// Words.
    pub words: &'static Wording,
    /// The site's configuration.
    pub config: &'a Config,
    /// How instants are written at this site.
    pub moments: Moments,
    /// When the view was drawn.
    pub now: Timestamp,
    /// How many times as fast as real time the site's clock runs; more than 1 in the demo only.
    pub pace: f64,
}

impl Desk<'_> {
    /// The unit that loads of a mechanism of this rated load are written in.
    pub fn mass(&self, rated: Grams) -> Loads {
        self.words.loads_in(MassUnit::at_site(self.config.units, rated))
    }
}

/// The views of one mechanism: the end of their address.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum View {
    /// Figures, S over time, spectrum, periods, gaps, findings.
    Life,
    /// Calendar, motor duty, what ate the life.
    Work,
    /// The table of lifts.
    Lifts,
    /// What-if.
    WhatIf,
    /// Parts, services, working periods.
    Upkeep,
    /// Warnings with their life.
    Warnings,
    /// The drive side.
    Drive,
}

impl View {
    /// All of them in the order of the contents.
    pub const ALL: [View; 7] =
        [View::Life, View::Work, View::Lifts, View::WhatIf, View::Upkeep, View::Warnings, View::Drive];

    /// The view's address.
    pub fn address(self, id: &str) -> String {
        let end = match self {
            View::Life => "",
            View::Work => "/work",
            View::Lifts => "/lifts",
            View::WhatIf => "/whatif",
            View::Upkeep => "/upkeep",
            View::Warnings => "/warnings",
            View::Drive => "/drive",
        };
        format!("/mechanism/{id}{end}")
    }

    /// Its name.
    pub fn name(self, words: &Wording) -> &'static str {
        match self {
            View::Life => words.view_life,
            View::Work => words.view_work,
            View::Lifts => words.view_lifts,
            View::WhatIf => words.view_whatif,
            View::Upkeep => words.view_upkeep,
            View::Warnings => words.view_warnings,
            View::Drive => words.view_drive,
        }
    }
}

/// The way from one view of a mechanism to the others.
pub fn views(desk: &Desk, id: &str, here: View) -> Markup {
    let w = desk.words;
    html! {
        nav.views aria-label=(w.views) {
            ul {
                @for view in View::ALL {
                    li {
                        @if view == here { span aria-current="page" { (view.name(w)) } }
                        @else { a href=(view.address(id)) { (view.name(w)) } }
                    }
                }
            }
        }
    }
}

/// A whole view. `title` is plain text; `home` marks the view of all mechanisms.
pub fn frame(desk: &Desk, title: &str, home: bool, body: Markup) -> Markup {
    let w = desk.words;
    html! {
        (DOCTYPE)
        html lang=(w.language) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) " – " (desk.config.site_name) " – " (w.product) }
                link rel="icon" href="data:,";
                link rel="stylesheet" href="/page.css";
                script src="/page.js" defer {}
            }
            body {
                a.skip href="#content" { (w.skip_to_content) }
                header.plate {
                    div.cell { span.label { (w.site) } span.value { (desk.config.site_name) } }
                    div.cell { span.label { (w.as_of) } span.value data-live="at" { (desk.moments.second(desk.now)) } }
                    div.cell { span.label { (w.time_zone) } span.value { (desk.moments.zone_name()) } }
                    div.cell { span.label { (w.edition) } span.value { (EDITION) } }
                    nav.cell aria-label=(w.all_mechanisms) {
                        @if home {
                            span.value aria-current="page" { (w.all_mechanisms) }
                        } @else {
                            a.value href="/" { "← " (w.all_mechanisms) }
                        }
                    }
                }
                p.banner #lost role="status" hidden { (w.banner_lost) }
                main #content tabindex="-1" { (body) }
                footer {
                    p { (w.caution) }
                    @if desk.config.page.users_file.is_some() { p { a href=(super::login::PATH) { (w.log_in_or_out) } } }
                    p.product { (w.product) " " (env!("CARGO_PKG_VERSION")) }
                }
            }
        }
    }
}

/// The fold-out that explains a figure.
pub fn explained(words: &Wording, what: &str, body: Markup) -> Markup {
    html! {
        details.how {
            summary { (words.how_reckoned) span.unseen { ": " (what) } }
            (body)
        }
    }
}

/// A column of a table.
pub struct Column {
    /// Its head.
    pub head: String,
    /// Numbers stand to the right.
    pub number: bool,
}

/// A column of words.
pub fn words_column(head: impl Into<String>) -> Column {
    Column { head: head.into(), number: false }
}

/// A column of numbers.
pub fn number_column(head: impl Into<String>) -> Column {
    Column { head: head.into(), number: true }
}

/// A table that becomes a list of labelled values on a narrow screen. The roles are said outright because browsers
/// forget them when the style changes how a table is laid out.
pub fn table(caption: &str, columns: &[Column], rows: &[Vec<Markup>], foot: Option<Vec<Markup>>) -> Markup {
    let row = |cells: &Vec<Markup>| {
        html! {
            tr role="row" {
                @for (i, cell) in cells.iter().enumerate() {
                    @let column = columns.get(i);
                    @let number = column.is_some_and(|c| c.number);
                    @let head = column.map(|c| c.head.as_str()).unwrap_or_default();
                    @if i == 0 {
                        th role="rowheader" scope="row" class=[number.then_some("number")] data-head=(head) { (cell) }
                    } @else {
                        td role="cell" class=[number.then_some("number")] data-head=(head) { (cell) }
                    }
                }
            }
        }
    };
    html! {
        table role="table" {
            caption { (caption) }
            thead role="rowgroup" {
                tr role="row" {
                    @for c in columns {
                        th role="columnheader" scope="col" class=[c.number.then_some("number")] { (c.head) }
                    }
                }
            }
            tbody role="rowgroup" { @for cells in rows { (row(cells)) } }
            @if let Some(cells) = &foot { tfoot role="rowgroup" { (row(cells)) } }
        }
    }
}

/// A small table: on a narrow screen it keeps its shape and scrolls, by keyboard too.
pub fn compact_table(caption: &str, columns: &[Column], rows: &[Vec<Markup>], foot: Option<Vec<Markup>>) -> Markup {
    html! { div.compact tabindex="0" role="group" aria-label=(caption) { (table(caption, columns, rows, foot)) } }
}

/// A wide table: on a narrow screen its rows become lists.
pub fn sheet_table(caption: &str, columns: &[Column], rows: &[Vec<Markup>], foot: Option<Vec<Markup>>) -> Markup {
    html! { div.sheet tabindex="0" role="group" aria-label=(caption) { (table(caption, columns, rows, foot)) } }
}

/// Plain text as a cell.
pub fn cell(text: impl AsRef<str>) -> Markup {
    html! { (text.as_ref()) }
}
