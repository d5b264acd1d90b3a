//! `trend`: how use went on, month by month.

use std::fmt::Write as _;
use std::path::PathBuf;

use serde::Serialize;
use tallyhook_analysis::class::{EDITION, MechanismGroup};

use super::ledger::{Ledger, site_days};
use crate::course::{By, Stretch, course};
use crate::exit::{CommandResult, Failure, Outcome};
use crate::figures::CAUTION;
use crate::web::units::{count, factor, hours, number, percent};

/// Columns of the longest bar.
const BAR: f64 = 20.0;

/// Shows how use went on: full-load hours, running hours, lifts and load spectrum factor by month.
#[derive(clap::Args, Debug)]
pub struct TrendArgs {
    /// Directory of the store.
    #[arg(long, value_name = "DIR", default_value = "data")]
    data: PathBuf,
    /// Only this mechanism.
    #[arg(long, value_name = "ID")]
    mechanism: Option<String>,
    /// From this day of the site on: a date, or RFC 3339.
    #[arg(long, value_name = "WHEN")]
    from: Option<String>,
    /// Before this day of the site.
    #[arg(long, value_name = "WHEN")]
    to: Option<String>,
    /// Sums over each day, week, month or year.
    #[arg(long, value_enum, default_value_t = By::Month)]
    by: By,
    /// Print one JSON document.
    #[arg(long)]
    json: bool,
}

/// The answer, as JSON has it.
#[derive(Serialize)]
struct Trend {
    by: By,
    mechanisms: Vec<MechanismTrend>,
    edition: &'static str,
    caution: &'static str,
}

/// The trend of one mechanism.
#[derive(Serialize)]
struct MechanismTrend {
    id: String,
    crane: String,
    group: MechanismGroup,
    design_full_load_hours: f64,
    /// S before the first step.
    prior_full_load_hours: f64,
    /// Oldest first; what has no record is left out.
    steps: Vec<Stretch>,
    /// All steps together; `null` without any.
    total: Option<Stretch>,
}

/// Runs the command.
pub fn run(args: TrendArgs) -> CommandResult {
    let ledger = Ledger::open(&args.data)?;
    let zone = &ledger.config.time_zone;
    let (from, end) = site_days(args.from.as_deref(), args.to.as_deref(), zone)?;
    let to = end.map(|day| day - 1);
    let asked = match &args.mechanism {
        Some(id) => Some(super::one_mechanism(&ledger.config, Some(id))?),
        None => None,
    };
    let figures = ledger.figures()?;
    let mut mechanisms = Vec::new();
    for (_, mechanism) in ledger.config.mechanisms().filter(|(_, m)| asked.as_ref().is_none_or(|id| m.id == *id)) {
        let Some(f) = figures.mechanisms.iter().find(|f| f.id == mechanism.id) else { continue };
        let days = ledger.reader.days_in_short(&f.id, i32::MIN, i32::MAX).map_err(Failure::run)?;
        let course = course(mechanism, f, days.into_iter().map(|day| (day.day, day, day.used))).between(from, to);
        mechanisms.push(MechanismTrend {
            id: f.id.clone(),
            crane: f.crane.clone(),
            group: f.group,
            design_full_load_hours: f.design_full_load_hours,
            prior_full_load_hours: course.prior,
            steps: course.by(args.by),
            total: course.total(),
        });
    }
    let trend = Trend { by: args.by, mechanisms, edition: EDITION, caution: CAUTION };
    if args.json {
        println!("{}", serde_json::to_string_pretty(&trend).map_err(Failure::run)?);
    } else {
        print!("{}", render(&trend));
    }
    Ok(Outcome::Done)
}

/// The tables: at most 80 columns.
fn render(trend: &Trend) -> String {
    let mut out = String::new();
    for mechanism in &trend.mechanisms {
        let (id, group, design) = (&mechanism.id, mechanism.group, number(mechanism.design_full_load_hours, 0));
        let _ = writeln!(out, "{id} of {}: {group} ({}), D = {design} full-load hours", mechanism.crane, trend.edition);
        let present = mechanism.design_full_load_hours;
        if let Some(step) = mechanism.steps.iter().rev().find(|step| step.design_full_load_hours != present) {
            let before = number(step.design_full_load_hours, 0);
            let _ = writeln!(out, "up to {} the working period before it, D = {before} full-load hours", step.to);
        }
        let Some(total) = &mechanism.total else {
            let _ = writeln!(out, "no record in these days\n");
            continue;
        };
        let most = mechanism.steps.iter().map(|s| s.booked_full_load_hours).fold(0.0, f64::max);
        let mut row = |cells: [&str; 6], bar: &str| {
            let [label, lifts, running, km, added, used] = cells;
            let text = format!("{label:<10} {lifts:>7} {running:>8} {km:>7} {added:>8} {used:>9}  {bar}");
            let _ = writeln!(out, "{}", text.trim_end());
        };
        row(["", "lifts", "run, h", "km", "to S, h", "S/D"], "to S");
        for step in &mechanism.steps {
            let share = if most > 0.0 { step.booked_full_load_hours / most } else { 0.0 };
            let bar = "#".repeat((share * BAR).round().max(0.0) as usize);
            row(cells(step).each_ref().map(String::as_str), &bar);
        }
        row(cells(total).each_ref().map(String::as_str), "");
        out.push('\n');
    }
    let _ = writeln!(
        out,
        "to S: full-load hours added, measured and unseen, each with its factor (FEM 9.755).\n\
         km: load spectrum factor by running time. S/D: at the end of the row."
    );
    super::status::wrapped(&mut out, "", trend.caution);
    out.replace('\u{202f}', " ")
}

fn cells(step: &Stretch) -> [String; 6] {
    [
        step.label.clone(),
        count(step.lifts),
        hours(step.running_hours),
        step.load_spectrum_factor.map_or("-".to_owned(), factor),
        hours(step.booked_full_load_hours),
        percent(step.consumed),
    ]
}
