//! The drive side, for the fitter in front of the panel: does the box see the drive, and what does it read?

use maud::{Markup, html};
use tallyhook_config::model::{Crane, Mechanism, On, RawType, Units};

use super::layout::{Desk, View, cell, number_column, sheet_table, words_column};
use super::mechanism::heading;
use super::moments::{age, parse};
use super::units::duration;
use super::wording::{Wording, fill};
use crate::drive::{DriveFigures, SignalFigures};
use crate::figures::MechanismFigures;

/// The view's body.
pub fn drive(
    desk: &Desk,
    crane: &Crane,
    mechanism: &Mechanism,
    f: &MechanismFigures,
    drives: &[DriveFigures],
) -> Markup {
    let w = desk.words;
    let mine = drives.iter().filter(|d| d.signals.iter().any(|s| *s.mechanism == *f.id));
    html! {
        (heading(desk, crane, mechanism, f, View::Drive))
        p.remark { (w.drive_about) }
        @for drive in mine {
            section {
                h2 { (drive.drive) }
                p { strong { (link_state(w, drive)) } " " (fill(w.drive_since, &[("since", &instant(desk, Some(&drive.since)))])) }
                @if let Some(fault) = &drive.fault { p.banner { (fill(w.drive_fault, &[("fault", fault)])) } }
                @if let Some(clock) = &drive.clock { p lang="en" { (clock) } }
                p.remark {
                    (fill(w.drive_counts, &[
                        ("polls", &w.count(drive.polls)), ("failures", &w.count(drive.failures)), ("refusals", &w.count(drive.refusals)),
                        ("implausible", &w.count(drive.implausible)), ("last", &instant(desk, drive.last_answer.as_ref())),
                    ]))
                }
                (signals(desk, mechanism, f, drive))
            }
        }
    }
}

/// How the link stands. What the reason is made of (addresses, what the system says) is in the words of the record.
fn link_state(w: &Wording, drive: &DriveFigures) -> Markup {
    let name = match drive.state.as_str() {
        "online" => w.link_online,
        "connecting" => w.link_connecting,
        "silent" => w.link_silent,
        "exception" => w.link_exception,
        "implausible" => w.link_implausible,
        "unreachable" => w.link_unreachable,
        "broken" => w.link_broken,
        "garbled" => w.link_garbled,
        _ => "",
    };
    // These have no reason behind them.
    let whole = matches!(drive.state.as_str(), "online" | "connecting" | "silent");
    html! {
        @if w.language == "en" || name.is_empty() { (drive.words) }
        @else if whole { (name) }
        @else { (name) ": " span lang="en" { (drive.words) } }
    }
}

fn instant(desk: &Desk, text: Option<&String>) -> String {
    text.and_then(|t| parse(t)).map_or(desk.words.never.to_owned(), |t| desk.moments.second(t))
}

fn signals(desk: &Desk, mechanism: &Mechanism, f: &MechanismFigures, drive: &DriveFigures) -> Markup {
    let w = desk.words;
    let columns = [
        words_column(w.signal),
        words_column(w.signal_place),
        number_column(w.signal_raw),
        number_column(w.signal_value),
        words_column(w.signal_age),
    ];
    let rows: Vec<Vec<Markup>> = drive
        .signals
        .iter()
        .filter(|s| *s.mechanism == *f.id)
        .map(|s| {
            let since = s.read_at.as_deref().and_then(parse);
            let passed = since.map(|at| age(desk.now, at));
            // The slow counters have a cadence of their own; with a spare of as much again a value is old. Under a
            // time-lapse that cadence and what is drawn between two figures are so many times as long for the site.
            let spare = (15_000.0 * desk.pace) as i64;
            let old = passed.is_none_or(|p| p.as_ms() > mechanism.spec.stale_after.as_ms().max(spare));
            vec![
                cell(s.signal),
                cell(place(w, mechanism, s)),
                html! { code { (raw_words(s)) } },
                cell(s.value.map_or(w.not_read.to_owned(), |v| value(desk, s, v))),
                html! {
                    @match passed {
                        None => (w.never),
                        Some(passed) => {
                            span.state.stale[old] { (fill(w.signal_ago, &[("age", &duration(passed.as_ms()))])) @if old { ", " (w.old) } }
                        }
                    }
                },
            ]
        })
        .collect();
    sheet_table(&drive.drive, &columns, &rows, None)
}

/// Where the signal stands, down to the bits of its word.
fn place(w: &Wording, mechanism: &Mechanism, s: &SignalFigures) -> String {
    let word = fill(w.signal_at, &[("table", s.table), ("address", &s.address.to_string())]);
    let Some(signal) = mechanism.signals.iter().find(|signal| signal.target.name() == s.signal) else { return word };
    match (signal.register.raw, &signal.mask, &signal.on) {
        (RawType::Bit(bit), ..) => fill(w.signal_bit, &[("word", &word), ("bit", &bit.to_string())]),
        (_, Some(mask), _) | (_, _, On::Differs { mask } | On::Matches { mask, .. }) => {
            fill(w.signal_mask, &[("word", &word), ("mask", &format!("{mask:04X}"))])
        }
        _ => word,
    }
}

/// The words in the order in which the device gave them, as its manual prints them.
fn raw_words(signal: &SignalFigures) -> String {
    match (signal.table, signal.raw.as_slice()) {
        (_, []) => "–".to_owned(),
        ("coil" | "discrete", words) => words.iter().map(u16::to_string).collect(),
        (_, words) => words.iter().map(|word| format!("{word:04X}")).collect::<Vec<_>>().join("\u{a0}"),
    }
}

fn value(desk: &Desk, signal: &SignalFigures, value: f64) -> String {
    let w = desk.words;
    let units = desk.config.units;
    match signal.signal {
        "load_kg" => {
            let unit = match units {
                Units::Metric => super::units::MassUnit::Kilogram,
                Units::Us => super::units::MassUnit::Pound,
            };
            w.loads_in(unit).text(tallyhook_analysis::units::Grams::from_kg(value))
        }
        "height_m" | "trolley_m" | "bridge_m" => w.length(units, value),
        "torque_pct" | "speed_pct" => format!("{}\u{202f}%", w.number(value, 1)),
        "run_hours" => format!("{}\u{202f}h", w.number(value, 2)),
        "starts" => w.number(value, 0),
        _ if value == 0.0 => w.off.to_owned(),
        _ => w.on.to_owned(),
    }
}
