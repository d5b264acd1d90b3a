//! `status`: how much of each mechanism is used, and of what.

use std::fmt::Write as _;
use std::path::PathBuf;

use super::ledger::Ledger;
use crate::exit::{CommandResult, Failure, Outcome};
use crate::figures::{MechanismFigures, SiteFigures};

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
    }
    print(&figures, args.json)?;
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

/// The figures for a terminal of 80 columns.
pub fn render(figures: &SiteFigures) -> String {
    let mut text = String::new();
    for mechanism in &figures.mechanisms {
        text.push_str(&of_mechanism(mechanism, figures.edition));
        text.push('\n');
    }
    for crane in &figures.cranes {
        let kp = crane.load_spectrum_factor.map_or("no lifts yet".to_owned(), |kp| format!("Kp {kp:.4}"));
        let state = crane.state_of_loading.as_deref().unwrap_or("-");
        let in_use = crane.group_in_use.map_or("too little record (under 4 weeks)".to_owned(), |g| g.to_string());
        let _ = writeln!(text, "crane {} ({}), group {} of {}", crane.id, crane.name, crane.group, figures.edition);
        let _ = writeln!(text, "  lifts {}, {kp}, {state}, {}", crane.lifts, crane.class_of_utilization);
        let _ = writeln!(text, "  used share of the design's full-load cycles {:.2} %", crane.consumed * 100.0);
        let _ = writeln!(text, "  group in use {in_use}");
    }
    let _ = writeln!(text, "\n{}", figures.caution);
    text
}

fn of_mechanism(m: &MechanismFigures, edition: &str) -> String {
    let mut text = String::new();
    let mut row = |name: &str, value: String| {
        let _ = writeln!(text, "  {name:<34} {value}");
    };
    row("used share S/D", format!("{:.2} %", m.consumed * 100.0));
    row("S, full-load hours used", format!("{:.3} h", m.used_full_load_hours));
    row("  measured", format!("{:.3} h", m.full_load_hours));
    row("  before the recorder", format!("{:.3} h", m.prior_full_load_hours));
    row("  gaps and unread loads", format!("{:.3} h", m.gap_full_load_hours));
    row("D, designed (FEM 9.755, 06.1993)", format!("{:.0} h", m.design_full_load_hours));
    match &m.forecast {
        Some(f) => {
            let date = |d: &Option<String>| d.clone().unwrap_or_else(|| "beyond 30 years".to_owned());
            let dates = format!("{}, {}, {}", f.date_p10, date(&f.date_p50), date(&f.date_p90));
            row("S reaches D (10, 50, 90 %)", dates);
        }
        None => row("S reaches D", "too little record for a forecast".to_owned()),
    }
    let km =
        m.load_spectrum_factor.map_or("-".to_owned(), |km| format!("{km:.4} (cubic), {:.3} (cube root)", km.cbrt()));
    row("km, load spectrum factor", km);
    row("state of loading", m.state_of_loading.clone().unwrap_or_else(|| "-".to_owned()));
    row("group in use", m.group_in_use.map_or("too little record (under 4 weeks)".to_owned(), |g| g.to_string()));
    row("running hours, up and down", format!("{:.3} h", m.running_hours));
    row("starts", m.starts.to_string());
    row("lifts", m.lifts.to_string());
    row("lifts above the rated load", m.overload_lifts.to_string());
    row("time without a record", format!("{:.2} h", m.gap_hours));
    let mut head = format!(
        "{} ({}), {:.0} kg, group {} of {edition} ({} of FEM 9.511)\n",
        m.id,
        m.kind,
        m.rated_load_kg,
        m.group,
        m.group.fem_name()
    );
    if let (Some(from), Some(to)) = (&m.record_from, &m.record_to) {
        let _ = writeln!(head, "  record from {from} to {to}");
    }
    if let Some(since) = &m.gap_since {
        let _ = writeln!(head, "  NO READING since {since}");
    }
    head + &text + &bands(m)
}

/// Running hours and lifts by load band, with a bar for the share of running time.
fn bands(m: &MechanismFigures) -> String {
    let most = m.spectrum.iter().map(|b| b.running_hours).fold(0.0, f64::max);
    let mut text = String::from("  load, % of rated   running hours     lifts\n");
    for band in m.spectrum.iter().rev() {
        let range = match band.to {
            Some(to) => format!("{:.0} to {:.0}", band.from * 100.0, to * 100.0),
            None => format!("above {:.0}", band.from * 100.0),
        };
        let bar = if most > 0.0 { (band.running_hours / most * 30.0).round() as usize } else { 0 };
        let _ = writeln!(text, "  {range:>16} {:>15.3} {:>9}  {}", band.running_hours, band.lifts, "#".repeat(bar));
    }
    text
}
