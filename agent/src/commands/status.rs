//! `status`: how much of each mechanism is used, and of what.

use std::fmt::Write as _;
use std::path::PathBuf;
use std::sync::Arc;

use super::ledger::Ledger;
use crate::exit::{CommandResult, Failure, Outcome};
use crate::figures::{CraneFigures, MechanismFigures, SiteFigures, limit_words};
use crate::store::asking;
use crate::web::units::{MassUnit, count, factor, hours, number, percent};
use tallyhook_analysis::period::PartKind;
use tallyhook_analysis::service::ServiceKind;
use tallyhook_analysis::units::Grams;

/// Width of the sheet, columns.
const WIDTH: usize = 80;

/// Width of the names of the figures, columns.
const NAME: usize = 24;

/// Shows how much of each mechanism's working period is used, and of what.
#[derive(clap::Args, Debug)]
pub struct StatusArgs {
    /// Directory of the store.
    #[arg(long, value_name = "DIR", default_value = "data")]
    data: PathBuf,
    /// Only this mechanism.
    #[arg(long, value_name = "ID")]
    mechanism: Option<String>,
    /// Print one JSON document.
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: StatusArgs) -> CommandResult {
    let ledger = Ledger::open(&args.data)?;
    let mut figures = ledger.figures()?;
    if let Some(id) = args.mechanism {
        let id = super::one_mechanism(&ledger.config, Some(&id))?;
        figures.mechanisms.retain(|m| m.id == id);
        figures.cranes.retain(|crane| figures.mechanisms.iter().any(|m| m.crane == crane.id));
        figures.crane = figures.cranes.first().cloned();
    }
    match (asking::is_answered(&args.data), args.json) {
        (true, json) => print(&figures, json)?,
        // What the store says of the drives is as of its last entry: without a daemon nobody knows better.
        (false, true) => {
            let mut document = serde_json::to_value(&figures).map_err(Failure::run)?;
            for drive in document["drives"].as_array_mut().into_iter().flatten() {
                drive["daemon_answers"] = false.into();
            }
            println!("{}", serde_json::to_string_pretty(&document).map_err(Failure::run)?);
        }
        (false, false) => {
            for drive in Arc::make_mut(&mut figures.drives) {
                drive.words = format!("no daemon answers; last known {}", drive.words);
            }
            print(&figures, false)?;
        }
    }
    Ok(Outcome::Done)
}

/// Prints figures to standard output, as one JSON document or for people.
///
/// # Errors
/// [`Failure::Run`] when they cannot be written as JSON.
pub fn print(figures: &SiteFigures, json: bool) -> Result<(), Failure> {
    if json {
        println!("{}", serde_json::to_string_pretty(figures).map_err(Failure::run)?);
    } else {
        print!("{}", render(figures));
    }
    Ok(())
}

/// The sheet: at most 80 columns, every figure with its unit, the edition named.
pub fn render(figures: &SiteFigures) -> String {
    let mut out = String::new();
    for mechanism in &figures.mechanisms {
        let crane = figures.cranes.iter().find(|c| c.id == mechanism.crane);
        mechanism_sheet(&mut out, mechanism, crane, figures.edition);
        out.push('\n');
    }
    for crane in &figures.cranes {
        crane_sheet(&mut out, crane, figures.edition);
        out.push('\n');
    }
    for drive in figures.drives.iter() {
        line(&mut out, &format!("Drive {}", drive.drive), &format!("{} since {}", drive.words, drive.since));
        for more in [&drive.fault, &drive.clock].into_iter().flatten() {
            line(&mut out, "", more);
        }
    }
    if !figures.drives.is_empty() {
        out.push('\n');
    }
    for (destination, lost) in &figures.messages_dropped {
        let words = format!("{} of lifts and days, before it had got them; they are in the ledger", count(*lost));
        line(&mut out, &format!("Dropped for {destination}"), &words);
    }
    wrapped(&mut out, "", figures.caution);
    // Thin spaces are for the page; a terminal may not have them.
    out.replace('\u{202f}', " ")
}

fn mechanism_sheet(out: &mut String, m: &MechanismFigures, crane: Option<&CraneFigures>, edition: &str) {
    let unit = MassUnit::for_rated(Grams::from_kg(m.rated_load_kg));
    heading(out, &format!("{}, {} of {}", m.id, m.kind, crane.map_or(m.crane.as_str(), |c| &c.name)));
    line(out, "Rated load", &unit.text(Grams::from_kg(m.rated_load_kg)));
    line(out, "Group, bought for", &format!("{} ({edition}), {} (FEM 9.511)", m.group, m.group.fem_name()));
    line(out, "Used share S/D", &format!("{} of the safe working period (FEM 9.755)", percent(m.consumed)));
    let (low, high) = (percent(m.used_share_low), percent(m.used_share_high));
    let load = percent(m.load_uncertainty_kg / m.rated_load_kg);
    line(
        out,
        "",
        &format!("{low} to {high}, with a standard uncertainty of a load of {load} of rated on average, taken twice"),
    );
    line(out, "S, used", &format!("{} full-load hours", hours(m.used_full_load_hours)));
    for part in &m.periods {
        let kind = match part.kind {
            PartKind::Measured => "measured",
            PartKind::LoadNotRead => "load not read",
            PartKind::Gap => "gap",
            PartKind::Prior => "before the recorder",
        };
        let (km, t, f) = (factor(part.spectrum_factor), hours(part.running_hours), number(part.factor, 1));
        line(out, "", &format!("{} h = {km} · {t} h · {f}, {kind}", hours(part.full_load_hours())));
    }
    // FEM 9.755's factor of a recorder is the only one that is from memory.
    let unsure = m.periods.iter().find_map(|p| p.recording.mark(p.scale).caution().map(|words| (p, words)));
    if let Some((part, words)) = unsure {
        let f = number(part.factor, 1);
        line(out, "", &format!("factor {f} of a {}, {}: {words}", part.recording, part.scale.edition()));
    }
    line(out, "D, designed for", &format!("{} full-load hours", number(m.design_full_load_hours, 0)));
    if m.budget_rated_load_kg > m.rated_load_kg {
        let before = unit.text(Grams::from_kg(m.budget_rated_load_kg));
        let left = hours(m.remaining_at_rated_load_hours);
        line(
            out,
            "",
            &format!("S and D at the rated load of {before} before it was lowered; left at the present one: {left} h"),
        );
    }
    if m.gap_waiting_hours > 0.0 {
        line(
            out,
            "Not yet in S",
            &format!(
                "{} h of gaps, until the drive's hour counter is read, or four weeks were watched and those hours of the \
                 week among them",
                hours(m.gap_waiting_hours)
            ),
        );
    }
    for closed in &m.closed_periods {
        let by = match closed.by {
            ServiceKind::Overhaul => "general overhaul",
            ServiceKind::Replacement => "replacement",
            ServiceKind::NewPeriod => "new working period",
        };
        let (used, design) = (hours(closed.used_full_load_hours), number(closed.design_full_load_hours, 0));
        line(
            out,
            "Working period before",
            &format!("{} to {}, {used} of {design} h, ended by {by}", closed.began, closed.ended),
        );
        if closed.gap_left_out_hours > 0.0 {
            let left_out = hours(closed.gap_left_out_hours);
            line(out, "", &format!("{left_out} h of gaps not in it: those hours of the week were hardly ever watched"));
        }
    }
    line(out, "Load spectrum factor km", &spectrum_factor(m.load_spectrum_factor, &m.state_of_loading, edition));
    line(out, "Running time T", &format!("{} h, hoisting and lowering", hours(m.running_hours)));
    line(out, "Lifts", &format!("{}, {} above the rated load", count(m.lifts), count(m.overload_lifts)));
    if let Some(to) = &m.lifts_given_up_to {
        let more = m.histograms_given_up_to.as_ref().map_or(String::new(), |to| format!(", their histograms to {to}"));
        line(out, "", &format!("those up to {to} given up singly for room{more}; every sum still has them"));
    }
    line(out, "Starts", &count(m.starts));
    let in_use = m.group_in_use.map_or("too little record".to_owned(), |g| format!("{g} ({edition})"));
    line(out, "Group in use", &in_use);
    duty_lines(out, m);
    let severity = &m.severity;
    if let (Some(s), Some(heavy), Some(busy)) = (severity.severity, severity.heavy_share, severity.busy_share) {
        let (heavy, busy) = (percent(heavy), percent(busy));
        line(
            out,
            "Severity of service",
            &format!(
                "{} ({}): {heavy} of the lifts from 85 % of rated up, {busy} of the hours with more than 10 lifts",
                s.name(),
                severity.edition
            ),
        );
    }
    for part in &m.parts {
        let limits: Vec<String> = part
            .limits
            .iter()
            .map(|l| format!("{} of {} {}", number(l.used, 0), number(l.of, 0), limit_words(l.limit)))
            .collect();
        let due = if part.due { "DUE, " } else { "" };
        line(out, &format!("Part: {}", part.name), &format!("{due}{} since {}", limits.join(", "), part.since));
    }
    match &m.forecast {
        Some(f) => {
            let date = |d: &Option<String>| d.clone().unwrap_or_else(|| "beyond 30 years".to_owned());
            let (p50, p90) = (date(&f.date_p50), date(&f.date_p90));
            line(out, "Used up about", &format!("{p50} (10 %: {}, 90 %: {p90})", f.date_p10));
        }
        None => line(out, "Used up about", "no forecast yet"),
    }
    match (&m.record_from, &m.record_to) {
        (Some(from), Some(to)) => line(out, "Record", &format!("{from} to {to}")),
        _ => line(out, "Record", "nothing stored yet; a crane at rest is stored when it moves, or with its day"),
    }
    line(out, "Without a record", &format!("{} h (with one: {} h)", hours(m.gap_hours), hours(m.observed_hours)));
    if let Some(since) = &m.gap_since {
        line(out, "", &format!("no answer since {since}"));
    }
    out.push('\n');
    spectrum_table(out, m);
}

fn duty_lines(out: &mut String, m: &MechanismFigures) {
    let duty = &m.motor_duty;
    let mut worst = format!(
        "{} starts in an hour, {} % cyclic duration in 10 min, {} % in an hour",
        count(duty.worst_starts_in_an_hour),
        number(duty.worst_cyclic_duration_10min_percent, 0),
        number(duty.worst_cyclic_duration_hour_percent, 0)
    );
    if let Some(limit) = &duty.limit {
        let check = if limit.check_against_the_standard { ", check against the standard" } else { "" };
        let _ = write!(
            worst,
            "; {} made for {} and {} % ({}{check})",
            m.group,
            limit.starts_per_hour,
            number(limit.cyclic_duration_percent, 0),
            limit.edition
        );
    }
    line(out, "Motor, worst today", &worst);
    let mean = duty.mean_run_seconds.map_or("-".to_owned(), |s| format!("{} s", number(s, 1)));
    line(out, "", &format!("{mean} mean run per start; runs under 1 s: {}", count(duty.short_runs)));
}

fn crane_sheet(out: &mut String, crane: &CraneFigures, edition: &str) {
    heading(out, &format!("{} ({}), the crane as a whole", crane.name, crane.id));
    line(out, "Group, bought for", &format!("{} ({edition})", crane.group));
    let before = match crane.prior_lifts {
        0 => String::new(),
        lifts => format!(" and {} before the recorder", count(lifts)),
    };
    let class = crane.class_of_utilization;
    line(out, "Lifts C", &format!("{}{before}, class of utilization {class}", count(crane.lifts)));
    line(
        out,
        "Load spectrum factor Kp",
        &spectrum_factor(crane.load_spectrum_factor, &crane.state_of_loading, edition),
    );
    line(out, "Used share", &format!("{} of the group's full-load cycles", percent(crane.consumed)));
    let in_use = crane.group_in_use.map_or("too little record".to_owned(), |g| format!("{g} ({edition})"));
    line(out, "Group in use", &in_use);
}

fn spectrum_factor(value: Option<f64>, class: &Option<String>, edition: &str) -> String {
    match (value, class) {
        (Some(value), Some(class)) => format!("{}, {class} ({edition}, cubic)", factor(value)),
        _ => "none yet".to_owned(),
    }
}

/// Bands from the heaviest down, with a bar a band.
fn spectrum_table(out: &mut String, m: &MechanismFigures) {
    const BAR: usize = 24;
    let known: f64 = m.spectrum.iter().map(|b| b.running_hours).sum();
    let _ = writeln!(out, "  {:<14}{:>12}{:>10}{:>10}  share of time", "% of rated", "running, h", "share, %", "lifts");
    for band in m.spectrum.iter().rev() {
        let from = number(band.from * 100.0, 0);
        let range = band.to.map_or(format!("above {from}"), |to| format!("{from} to {}", number(to * 100.0, 0)));
        let share = if known > 0.0 { band.running_hours / known } else { 0.0 };
        let bar = "#".repeat((share * BAR as f64).round() as usize);
        let (hours, percent) = (hours(band.running_hours), number(share * 100.0, 1));
        let row = format!("  {range:<14}{hours:>12}{percent:>10}{:>10}  {bar}", count(band.lifts));
        let _ = writeln!(out, "{}", row.trim_end());
    }
}

fn heading(out: &mut String, text: &str) {
    let text: String = text.chars().filter(|c| !c.is_control()).take(WIDTH).collect();
    let _ = writeln!(out, "{text}");
    let _ = writeln!(out, "{}", "-".repeat(text.chars().count()));
}

fn line(out: &mut String, name: &str, value: &str) {
    wrapped(out, &format!("  {name:<NAME$}"), value);
}

/// `text` after `first`, broken between words; further lines stand under the first one's text.
pub(super) fn wrapped(out: &mut String, first: &str, text: &str) {
    let indent = first.chars().count();
    let mut column = indent;
    out.push_str(first);
    for (i, word) in text.split(' ').enumerate() {
        let length = word.chars().count();
        if i > 0 && column + 1 + length > WIDTH {
            out.push('\n');
            out.push_str(&" ".repeat(indent));
            column = indent;
        } else if i > 0 {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += length;
    }
    out.push('\n');
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::figures::{Record, of_site};
    use tallyhook_analysis::spectrum::Totals;
    use tallyhook_analysis::units::{Span, Timestamp};

    fn figures() -> SiteFigures {
        figures_with("")
    }

    fn figures_with(prior: &str) -> SiteFigures {
        let text = tallyhook_config::starter(&tallyhook_config::StarterOptions::default());
        let config = tallyhook_config::load(&format!("{text}\n{prior}"), "site.toml").unwrap();
        of_site(&config, |m| {
            let mut totals = Totals { lifts: 200, overload_lifts: 3, starts: 829, ..Totals::default() };
            // Two fifths of the base for two hours: km 0.4³ = 0.064.
            let base = m.spec.base();
            totals.book_running(Grams::new(base.get() * 2 / 5), base, Span::from_hours(2.0));
            let at = Timestamp::from_ms(1_773_000_000_000);
            Record {
                totals,
                began_at: Some(at),
                counted_to: Some(at.plus(Span::from_hours(40.0))),
                ..Record::default()
            }
        })
    }

    #[test]
    fn lifts_before_the_recorder_stand_beside_the_class_that_counts_them() {
        let prior = "[[crane.mechanism.prior]]\nrunning_hours = 5300\nspectrum_factor = 0.16\n\
                     recording = \"counter\"\nlifts = 118000\n";
        let flat = |sheet: String| sheet.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat(render(&figures())).contains("Lifts C 200, class of utilization U0"));
        let by_time = figures_with(prior);
        let sheet = flat(render(&by_time));
        assert!(sheet.contains("Lifts C 200 and 118 000 before the recorder, class of utilization U3"), "{sheet}");
        // Group A5 has 125,000 full-load cycles (ISO 4301-1:1986, U4 with Q3); no lift on record has a load here.
        let by_lift = figures_with(&format!("{prior}lifts_spectrum_factor = 0.32\n"));
        for (site, kp) in [(by_time, 0.16), (by_lift, 0.32)] {
            let crane = site.crane.unwrap();
            assert_eq!((crane.lifts, crane.prior_lifts), (200, 118_000));
            assert!((crane.consumed - 118_000.0 * kp / 125_000.0).abs() < 1e-12, "{kp}: {}", crane.consumed);
        }
    }

    #[test]
    fn the_sheet_holds_the_figures_with_units_and_edition_in_eighty_columns() {
        let sheet = render(&figures());
        for part in [
            "main-hoist, hoist of",
            "12.50 t",
            "M5 (ISO 4301-1:1986), 2m (FEM 9.511)",
            "0.0080 % of the safe working period (FEM 9.755)",
            "0.128 h = 0.0640 · 2.000 h · 1.0, measured",
            "factor 1.0 of a recorder, FEM 9.755 (06.1993): check against the standard",
            "1600 full-load hours",
            "0.0640, L1 (ISO 4301-1:1986, cubic)",
            "200, 3 above the rated load",
            "too little record",
            "no safety device",
        ] {
            let flat = sheet.lines().map(str::trim).collect::<Vec<_>>().join(" ").to_lowercase();
            assert!(flat.contains(&part.to_lowercase()), "{part} is not in\n{sheet}");
        }
        let widest = sheet.lines().map(|l| l.chars().count()).max();
        assert!(widest <= Some(WIDTH), "{widest:?}\n{sheet}");
    }

    #[test]
    fn a_band_without_time_has_no_bar_and_the_whole_time_fills_it() {
        let sheet = render(&figures());
        let row = |range: &str| sheet.lines().find(|l| l.trim_start().starts_with(range)).unwrap().to_owned();
        assert!(row("30 to 40").ends_with(&"#".repeat(24)));
        assert!(!row("above 110").contains('#'));
    }
}
