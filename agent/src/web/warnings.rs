//! The view of warnings: each with its life (ISA-18.2 / IEC 62682), and the form with which somebody acknowledges,
//! notes or shelves one.

use maud::{Markup, html};
use serde::Deserialize;
use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_config::model::{Crane, Mechanism};

use super::layout::{Desk, View, cell, explained, number_column, sheet_table, words_column};
use super::login::Hand;
use super::mechanism::heading;
use super::wording::{Wording, fill};
use crate::access::Role;
use crate::figures::MechanismFigures;
use crate::publish::wording::{alarm_name, what};
use crate::store::alarm::{Act, ActError, Alarm, AlarmState, Done};

/// How many warnings that are over the view still shows.
const OVER: usize = 30;

/// Longest text that is taken, characters.
const LONGEST: usize = 500;

/// Longest time on the shelf, hours.
const LONGEST_SHELF_HOURS: f64 = 720.0;

/// The fields of the form.
#[derive(Deserialize, Default, Clone, PartialEq, Eq, Debug)]
pub struct WarningForm {
    /// Number of the warning.
    #[serde(default)]
    pub number: String,
    /// `acknowledge`, `note`, `shelve` or `unshelve`.
    #[serde(default)]
    pub act: String,
    /// Who does it.
    #[serde(default)]
    pub by: String,
    /// A word on it.
    #[serde(default)]
    pub note: String,
    /// For how many hours it is shelved.
    #[serde(default)]
    pub hours: String,
}

/// What a person wants to do to a warning.
#[derive(Clone, PartialEq, Debug)]
pub struct Wanted {
    /// Number of the warning.
    pub number: u64,
    /// What.
    pub act: Act,
    /// Who.
    pub by: String,
    /// A word on it.
    pub note: String,
    /// When.
    pub at: Timestamp,
}

impl WarningForm {
    /// What is wanted; an error is the sentence for the reader.
    pub fn read(&self, w: &Wording, at: Timestamp) -> Result<Wanted, String> {
        let (by, note) = (self.by.trim(), self.note.trim());
        if by.is_empty() || by.chars().count() > LONGEST || note.chars().count() > LONGEST {
            return Err(w.bad_by.to_owned());
        }
        let number = self.number.trim().parse().map_err(|_| w.bad_warning.to_owned())?;
        let act = match self.act.as_str() {
            "acknowledge" => Act::Acknowledge,
            "unshelve" => Act::Unshelve,
            "note" if note.is_empty() => return Err(w.bad_note.to_owned()),
            "note" => Act::Note,
            "shelve" => match self.hours.trim().replace(',', ".").parse::<f64>() {
                Ok(hours) if hours > 0.0 && hours <= LONGEST_SHELF_HOURS => {
                    Act::Shelve(at.plus(Span::from_hours(hours)))
                }
                _ => return Err(w.bad_shelf.to_owned()),
            },
            _ => return Err(w.bad_act.to_owned()),
        };
        Ok(Wanted { number, act, by: by.to_owned(), note: note.to_owned(), at })
    }
}

/// What the view says about the form.
pub struct Entry<'a> {
    /// Who reads.
    pub hand: &'a Hand,
    /// What came of the last entry.
    pub said: Option<Result<u64, String>>,
    /// The fields as they were sent.
    pub form: &'a WarningForm,
}

/// The view's body; `alarms` is `None` when the history cannot be read.
pub fn warnings(
    desk: &Desk,
    crane: &Crane,
    mechanism: &Mechanism,
    f: &MechanismFigures,
    alarms: Option<Vec<(Alarm, Vec<Done>)>>,
    entry: &Entry<'_>,
) -> Markup {
    let w = desk.words;
    let (open, over): (Vec<_>, Vec<_>) =
        alarms.iter().flatten().partition(|(alarm, _)| alarm.state() != AlarmState::Normal);
    html! {
        (heading(desk, crane, mechanism, f, View::Warnings))
        @match &entry.said {
            Some(Ok(number)) => p.banner role="status" { (fill(w.warning_done, &[("n", &number.to_string())])) },
            Some(Err(sentence)) => p.banner role="alert" { (sentence) },
            None => {},
        }
        @if alarms.is_none() { p.banner { (w.history_unreadable) } }
        section #open {
            h2 { (w.warnings_open) }
            @if open.is_empty() { p { (w.warnings_none_open) } } @else { (list(desk, w.warnings_open, &open)) }
            (explained(w, w.warnings_open, html! { p { (w.how_warnings) } }))
            (form(desk, f, &open, entry))
        }
        section #over {
            h2 { (w.warnings_over) }
            @if over.is_empty() { p { (w.warnings_none_over) } }
            @else {
                @if over.len() > OVER { p.remark { (fill(w.warnings_newest, &[("n", &w.count(OVER as u64)), ("count", &w.count(over.len() as u64))])) } }
                (list(desk, w.warnings_over, &over[..over.len().min(OVER)]))
            }
        }
    }
}

/// Why something could not be done to a warning.
pub fn refused(w: &Wording, error: &ActError) -> String {
    match error {
        ActError::Unknown(number) => fill(w.warning_unknown, &[("n", &number.to_string())]),
        ActError::Already(number, by) => fill(w.warning_already, &[("n", &number.to_string()), ("by", by)]),
        ActError::Store(_) => w.warning_refused.to_owned(),
    }
}

/// How an alarm stands.
pub(crate) fn state_words(w: &Wording, state: AlarmState) -> &'static str {
    match state {
        AlarmState::Unacknowledged => w.warning_unacknowledged,
        AlarmState::Acknowledged => w.warning_acknowledged,
        AlarmState::ReturnedUnacknowledged => w.warning_returned,
        AlarmState::Normal => w.warning_normal,
    }
}

fn list(desk: &Desk, caption: &str, alarms: &[&(Alarm, Vec<Done>)]) -> Markup {
    let w = desk.words;
    let columns = [
        words_column(w.service_number),
        words_column(w.warning_what),
        words_column(w.warning_state),
        words_column(w.warning_raised),
        number_column(w.warning_times),
        words_column(w.warning_life),
    ];
    let rows: Vec<Vec<Markup>> = alarms
        .iter()
        .map(|(a, acts)| {
            vec![
                cell(a.seq.to_string()),
                cell(what(w, &a.message())),
                html! {
                    (state_words(w, a.state()))
                    @if let Some((until, by)) = a.shelved.as_ref().filter(|_| a.is_shelved(desk.now)) {
                        span.under { (fill(w.warning_shelved, &[("until", &desk.moments.second(*until)), ("by", by)])) }
                    }
                },
                html! { span.date { (desk.moments.second(a.raised)) } },
                cell(w.count(a.times)),
                html! {
                    @if let Some(at) = a.cleared { span.under { (fill(w.warning_cleared, &[("at", &desk.moments.second(at))])) } }
                    @for done in acts { span.under { (done_words(desk, done)) } }
                },
            ]
        })
        .collect();
    html! { (sheet_table(caption, &columns, &rows, None)) }
}

fn done_words(desk: &Desk, done: &Done) -> String {
    let w = desk.words;
    let act = match done.act.as_str() {
        "acknowledged" => w.warning_act_acknowledged,
        "shelved" => w.warning_act_shelved,
        "unshelved" => w.warning_act_unshelved,
        _ => w.warning_act_note,
    };
    let at = desk.moments.second(Timestamp::from_ms(done.at_ms));
    let said = fill(w.warning_act, &[("at", &at), ("act", act), ("by", &done.by)]);
    if done.note.is_empty() { said } else { format!("{said}: {}", done.note) }
}

fn form(desk: &Desk, f: &MechanismFigures, open: &[&(Alarm, Vec<Done>)], entry: &Entry<'_>) -> Markup {
    let w = desk.words;
    if !entry.hand.may(Role::Acknowledge) {
        let why = if entry.hand.name().is_some() { w.role_too_small } else { w.warnings_only_from_the_box };
        return html! { p.remark { strong { (why) } } };
    }
    if open.is_empty() {
        return html! {};
    }
    let q = entry.form;
    html! {
        h3 { (w.warning_act_on) }
        p.remark { (w.warning_act_about) }
        form.ask method="post" action=(format!("/mechanism/{}/warning", f.id)) {
            label { (w.warning_which)
                select name="number" {
                    @for (alarm, _) in open {
                        @let value = alarm.seq.to_string();
                        option value=(value) selected[q.number == value] { (value) ": " (alarm_name(w, &alarm.what)) }
                    }
                }
            }
            label { (w.warning_do)
                select name="act" {
                    option value="acknowledge" selected[q.act == "acknowledge"] { (w.warning_do_acknowledge) }
                    option value="note" selected[q.act == "note"] { (w.warning_do_note) }
                    option value="shelve" selected[q.act == "shelve"] { (w.warning_do_shelve) }
                    option value="unshelve" selected[q.act == "unshelve"] { (w.warning_do_unshelve) }
                }
            }
            (entry.hand.signs(w, &q.by))
            label { (w.warning_note) input type="text" name="note" maxlength="500" value=(q.note); }
            label { (w.warning_hours) input type="number" name="hours" min="0" max="720" step="any" inputmode="decimal" value=(q.hours); }
            button type="submit" { (w.warning_send) }
        }
    }
}
