//! The view of upkeep: wearing parts with what is left, services, working periods; and the form that records a service.

use maud::{Markup, html};
use serde::Deserialize;
use tallyhook_analysis::service::ServiceKind;
use tallyhook_analysis::severity::Severity;
use tallyhook_analysis::units::Timestamp;
use tallyhook_config::model::{Crane, Mechanism};

use super::layout::{Desk, View, cell, explained, number_column, sheet_table, words_column};
use super::login::Hand;
use super::mechanism::heading;
use super::wording::{Wording, fill};
use crate::access::Role;
use crate::figures::MechanismFigures;
use crate::store::service::{Service, StoredService, Work};

/// The fields of the form.
#[derive(Deserialize, Default, Clone, PartialEq, Eq, Debug)]
pub struct ServiceForm {
    /// `note`, `part:NAME`, `overhaul`, `replacement` or `new-period`.
    #[serde(default)]
    pub what: String,
    /// Who says so.
    #[serde(default)]
    pub by: String,
    /// A word on it.
    #[serde(default)]
    pub note: String,
    /// D of the new period, full-load hours.
    #[serde(default)]
    pub design: String,
    /// `1`: the period is really to be ended.
    #[serde(default)]
    pub sure: String,
}

/// Longest text that is taken, characters.
const LONGEST: usize = 500;

impl ServiceForm {
    /// The service; an error is the sentence for the reader.
    pub fn read(&self, w: &Wording, mechanism: &Mechanism, at: Timestamp) -> Result<Service, String> {
        let by = self.by.trim();
        if by.is_empty() || by.chars().count() > LONGEST || self.note.chars().count() > LONGEST {
            return Err(w.bad_by.to_owned());
        }
        let period = |by| {
            if self.sure.is_empty() {
                return Err(w.bad_sure.to_owned());
            }
            let design = match self.design.trim() {
                "" => None,
                text => match text.replace(',', ".").parse::<f64>() {
                    Ok(hours) if hours > 0.0 && hours <= 1e6 => Some(hours),
                    _ => return Err(w.bad_design.to_owned()),
                },
            };
            Ok(Work::Period { by, design_full_load_hours: design })
        };
        let work = match self.what.as_str() {
            "note" => Work::Note,
            "overhaul" => period(ServiceKind::Overhaul)?,
            "replacement" => period(ServiceKind::Replacement)?,
            "new-period" => period(ServiceKind::NewPeriod)?,
            other => match other.strip_prefix("part:").filter(|n| mechanism.parts.iter().any(|(name, _)| name == n)) {
                Some(name) => Work::Part { name: name.to_owned() },
                None => return Err(w.bad_what.to_owned()),
            },
        };
        Ok(Service { mechanism: mechanism.id.clone(), at, work, by: by.to_owned(), note: self.note.trim().to_owned() })
    }
}

/// What the view says about the form.
pub struct Entry<'a> {
    /// Who reads.
    pub hand: &'a Hand,
    /// What came of the last entry.
    pub said: Option<Result<u64, String>>,
    /// The fields as they were sent.
    pub form: &'a ServiceForm,
}

/// The view's body; `services` is `None` when the history cannot be read.
pub fn upkeep(
    desk: &Desk,
    crane: &Crane,
    mechanism: &Mechanism,
    f: &MechanismFigures,
    services: Option<Vec<StoredService>>,
    entry: &Entry<'_>,
) -> Markup {
    let w = desk.words;
    html! {
        (heading(desk, crane, mechanism, f, View::Upkeep))
        @match &entry.said {
            Some(Ok(number)) => p.banner role="status" { (fill(w.service_recorded, &[("n", &number.to_string())])) },
            Some(Err(sentence)) => p.banner role="alert" { (sentence) },
            None => {},
        }
        section #parts { h2 { (w.parts_title) } (parts(desk, f)) }
        section #severity { h2 { (w.severity_title) } (severity(desk, f)) }
        section #services {
            h2 { (w.services_title) }
            @match services {
                None => p.banner { (w.history_unreadable) },
                Some(services) => (service_table(desk, &services)),
            }
            (form(desk, mechanism, f, entry))
        }
        section #closed { h2 { (w.closed_title) } (closed(desk, f)) }
    }
}

/// The wearing parts with what is left.
pub fn parts(desk: &Desk, f: &MechanismFigures) -> Markup {
    let w = desk.words;
    if f.parts.is_empty() {
        return html! { p { (w.parts_none) } };
    }
    let columns = [
        words_column(w.part),
        words_column(w.part_counted),
        number_column(w.part_used),
        number_column(w.part_limit),
        number_column(w.part_left),
        number_column(w.share),
        words_column(w.part_since),
        words_column(w.part_state),
    ];
    let mut rows = Vec::new();
    for part in &f.parts {
        for limit in &part.limits {
            let left = limit.of - limit.used;
            rows.push(vec![
                cell(&part.name),
                cell(limit_name(w, limit.limit)),
                cell(w.number(limit.used, 0)),
                cell(w.number(limit.of, 0)),
                cell(w.number(left, 0)),
                cell(w.percent(limit.share)),
                cell(&part.since),
                if limit.share >= 1.0 {
                    html! { strong { (w.part_due) } }
                } else {
                    cell(w.part_not_due)
                },
            ]);
        }
    }
    html! {
        (sheet_table(w.parts_title, &columns, &rows, None))
        p.remark { (w.parts_note) }
    }
}

fn limit_name(w: &Wording, limit: &str) -> &'static str {
    match limit {
        "running_hours" => w.limit_running_hours,
        "lifts" => w.limit_lifts,
        "starts" => w.limit_starts,
        "stops" => w.limit_stops,
        "bending_cycles" => w.limit_bending,
        "full_load_bending_cycles" => w.limit_full_bending,
        "brake_work_kj" => w.limit_brake,
        _ => w.limit_days,
    }
}

/// Severity of service with its inspection intervals.
pub fn severity(desk: &Desk, f: &MechanismFigures) -> Markup {
    let w = desk.words;
    let s = &f.severity;
    let (Some(severity), Some(heavy), Some(busy)) = (s.severity, s.heavy_share, s.busy_share) else {
        return html! { p { (w.lifts_none) } };
    };
    let days = |n: Option<u32>| n.map_or("–".to_owned(), |n| n.to_string());
    html! {
        p {
            (fill(w.severity_text, &[
                ("severity", severity_name(w, severity)), ("edition", s.edition), ("heavy", &w.percent(heavy)), ("busy", &w.percent(busy)),
                ("frequent", &days(s.frequent_inspection_days)), ("periodic", &days(s.periodic_inspection_days)),
            ]))
        }
    }
}

fn severity_name(w: &Wording, severity: Severity) -> &'static str {
    match severity {
        Severity::Normal => w.severity_normal,
        Severity::Heavy => w.severity_heavy,
        Severity::Severe => w.severity_severe,
    }
}

/// What was done, in words.
pub fn work_words(w: &Wording, work: &Work) -> String {
    match work {
        Work::Period { by, design_full_load_hours } => {
            let name = kind_words(w, *by);
            match design_full_load_hours {
                Some(design) => format!("{name}, D = {} h", w.number(*design, 0)),
                None => name.to_owned(),
            }
        }
        Work::Part { name } => fill(w.service_part, &[("name", name)]),
        Work::Note => w.service_note_only.to_owned(),
    }
}

fn kind_words(w: &Wording, by: ServiceKind) -> &'static str {
    match by {
        ServiceKind::Overhaul => w.service_overhaul,
        ServiceKind::Replacement => w.service_replacement,
        ServiceKind::NewPeriod => w.service_new_period,
    }
}

/// Services, newest first.
pub fn service_table(desk: &Desk, services: &[StoredService]) -> Markup {
    let w = desk.words;
    if services.is_empty() {
        return html! { p { (w.services_none) } };
    }
    let columns = [
        words_column(w.service_number),
        words_column(w.message_at),
        words_column(w.service_what),
        words_column(w.service_by),
        words_column(w.lift_note),
        words_column(w.service_taken),
    ];
    let rows: Vec<Vec<Markup>> = services
        .iter()
        .rev()
        .map(|s| {
            vec![
                cell(s.seq.to_string()),
                cell(desk.moments.second(s.service.at)),
                cell(work_words(w, &s.service.work)),
                cell(&s.service.by),
                cell(&s.service.note),
                cell(s.taken.map_or(w.service_not_taken.to_owned(), |at| desk.moments.second(at))),
            ]
        })
        .collect();
    html! { (sheet_table(w.services_title, &columns, &rows, None)) }
}

fn form(desk: &Desk, mechanism: &Mechanism, f: &MechanismFigures, entry: &Entry<'_>) -> Markup {
    let w = desk.words;
    if !entry.hand.may(Role::Service) {
        let why = if entry.hand.name().is_some() { w.role_too_small } else { w.only_from_the_box };
        return html! { p.remark { strong { (why) } } };
    }
    let q = entry.form;
    html! {
        details open[!q.what.is_empty()] {
            summary { (w.service_record) }
            p { (w.service_record_about) }
            form.ask method="post" action=(format!("/mechanism/{}/service", f.id)) {
                label { (w.service_what)
                    select name="what" {
                        option value="note" selected[q.what == "note"] { (w.service_note_only) }
                        @for (name, _) in &mechanism.parts {
                            @let value = format!("part:{name}");
                            option value=(value) selected[q.what == value] { (fill(w.service_part, &[("name", name)])) }
                        }
                        option value="overhaul" selected[q.what == "overhaul"] { (w.service_overhaul) }
                        option value="replacement" selected[q.what == "replacement"] { (w.service_replacement) }
                        option value="new-period" selected[q.what == "new-period"] { (w.service_new_period) }
                    }
                }
                (entry.hand.signs(w, &q.by))
                label { (w.service_note) input type="text" name="note" maxlength="500" value=(q.note); }
                label { (w.service_design) input type="number" name="design" min="0" step="any" inputmode="decimal" value=(q.design); }
                label.tick { input type="checkbox" name="sure" value="1"; " " (w.service_sure) }
                button type="submit" { (w.service_send) }
            }
        }
    }
}

/// Working periods that are over.
pub fn closed(desk: &Desk, f: &MechanismFigures) -> Markup {
    let w = desk.words;
    let began = f.period_began.as_deref().unwrap_or(w.not_known);
    let present = fill(
        w.closed_present,
        &[
            ("began", began),
            ("used", &w.hours(f.used_full_load_hours)),
            ("design", &w.number(f.design_full_load_hours, 0)),
        ],
    );
    if f.closed_periods.is_empty() {
        return html! { p { (present) " " (w.closed_none) } };
    }
    let columns = [
        words_column(w.closed_began),
        words_column(w.closed_ended),
        words_column(w.closed_by),
        number_column(w.closed_used),
        number_column(w.closed_design),
        number_column(w.used_share),
    ];
    let rows: Vec<Vec<Markup>> = f
        .closed_periods
        .iter()
        .map(|p| {
            vec![
                cell(&p.began),
                cell(&p.ended),
                cell(kind_words(w, p.by)),
                html! {
                    (w.hours(p.used_full_load_hours))
                    @if p.gap_left_out_hours > 0.0 {
                        span.under { (fill(w.closed_left_out, &[("hours", &w.hours(p.gap_left_out_hours))])) }
                    }
                },
                cell(w.number(p.design_full_load_hours, 0)),
                cell(w.percent(p.consumed)),
            ]
        })
        .collect();
    html! {
        p { (present) }
        (sheet_table(w.closed_title, &columns, &rows, None))
        (explained(w, w.closed_title, html! { p { (w.how_closed) } }))
    }
}
