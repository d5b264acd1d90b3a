//! `report`: the periodic record that an inspector files.

use std::collections::BTreeSet;
use std::io::Write as _;
use std::path::PathBuf;

use jiff::ToSpan as _;
use jiff::civil::Date;

use super::ledger::{Ledger, site_day, spares_the_store};
use crate::clock::Clock;
use crate::exit::{CommandResult, Failure, Outcome};
use crate::figures::{date_of, day_number};
use crate::report::{Days, gather, sheet};
use crate::web::wording::{ENGLISH, Wording, fill};

/// Writes the periodic record to be filed: one self-contained HTML sheet for A4, or one JSON document.
///
/// Any browser prints it or makes a PDF of it, `chromium --headless --print-to-pdf=record.pdf record.html` for one.
#[derive(clap::Args, Debug)]
pub struct ReportArgs {
    /// Directory of the store.
    #[arg(long, value_name = "DIR", default_value = "data")]
    data: PathBuf,
    /// Only this mechanism.
    #[arg(long, value_name = "ID")]
    mechanism: Option<String>,
    /// Of this month.
    #[arg(long, value_name = "YYYY-MM", group = "days")]
    month: Option<String>,
    /// Of this year.
    #[arg(long, value_name = "YYYY", group = "days")]
    year: Option<i16>,
    /// Of the present working period: since the last overhaul, or since the record began.
    #[arg(long, group = "days")]
    since_overhaul: bool,
    /// From this day of the site on: a date, or RFC 3339.
    #[arg(long, value_name = "WHEN", conflicts_with = "days")]
    from: Option<String>,
    /// Before this day of the site.
    #[arg(long, value_name = "WHEN", conflicts_with = "days")]
    to: Option<String>,
    /// The file to write; standard output without it.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// One JSON document in place of the sheet.
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: ReportArgs) -> CommandResult {
    let ledger = Ledger::open(&args.data)?;
    let id = match args.mechanism.as_deref() {
        Some(id) => Some(super::one_mechanism(&ledger.config, Some(id))?),
        None => None,
    };
    let words = if args.json { &ENGLISH } else { Wording::of(ledger.config.language) };
    let (days, about) = asked(&args, &ledger, words)?;
    let report = gather(&ledger, id.as_deref(), &days, about, Clock::system().now().wall)?;
    if let Some(year) = args.year
        && report.mechanisms.iter().all(|mechanism| mechanism.days.is_none())
    {
        return Err(nothing_in(year, &ledger, id.as_deref())?);
    }
    let text = if args.json {
        serde_json::to_string_pretty(&report).map_err(Failure::run)? + "\n"
    } else {
        sheet::sheet(&ledger.config, &report).into_string()
    };
    if let Some(out) = &args.out {
        spares_the_store(&args.data, out)?;
    }
    match &args.out {
        Some(path) => std::fs::write(path, text).map_err(|error| {
            Failure::Usage(format!("cannot write {}: {error}; give another file to --out", path.display()))
        })?,
        None => match std::io::stdout().write_all(text.as_bytes()) {
            // Whoever reads has seen enough.
            Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => {}
            written => written.map_err(|error| Failure::Run(format!("the report cannot be written: {error}")))?,
        },
    }
    Ok(Outcome::Done)
}

/// That a year has no record, and which have.
fn nothing_in(year: i16, ledger: &Ledger, id: Option<&str>) -> Result<Failure, Failure> {
    let mut years = BTreeSet::new();
    for (_, mechanism) in ledger.config.mechanisms().filter(|(_, m)| id.is_none_or(|id| m.id == id)) {
        let days = ledger.reader.days(&mechanism.id, i32::MIN, i32::MAX).map_err(Failure::run)?;
        years.extend(days.into_iter().filter_map(|(day, _)| date_of(day).split('-').next().map(str::to_owned)));
    }
    let years: Vec<String> = years.into_iter().collect();
    let mend = if years.is_empty() {
        "nothing is on record yet".to_owned()
    } else {
        format!("give one that has: {}", years.join(", "))
    };
    Ok(Failure::Usage(format!("--year {year} has no record; {mend}")))
}

/// The days asked for, and their name.
fn asked(args: &ReportArgs, ledger: &Ledger, w: &Wording) -> Result<(Days, String), Failure> {
    let range = |first: Date, next: Result<Date, jiff::Error>, name: String| {
        let last = next.and_then(|next| next.checked_sub(1.day())).map_err(Failure::usage)?;
        Ok((Days::Range(Some(day_number(first)), Some(day_number(last))), name))
    };
    if let Some(text) = &args.month {
        let first: Date = format!("{text}-01")
            .parse()
            .map_err(|_| Failure::Usage(format!("--month is `{text}`; give a year and a month such as 2026-03")))?;
        return range(first, first.checked_add(1.month()), text.clone());
    }
    if let Some(year) = args.year {
        let first = Date::new(year, 1, 1).map_err(|_| Failure::Usage(format!("there is no year {year}")))?;
        return range(first, first.checked_add(1.year()), year.to_string());
    }
    if args.since_overhaul {
        return Ok((Days::SincePeriodBegan, w.report_period.to_owned()));
    }
    let zone = &ledger.config.time_zone;
    let first = site_day("--from", args.from.as_deref(), zone)?;
    let last = site_day("--to", args.to.as_deref(), zone)?.map(|day| day.saturating_sub(1));
    if let (Some(first), Some(last)) = (first, last)
        && last < first
    {
        return Err(Failure::Usage("--to is not after --from; the days asked for are none".to_owned()));
    }
    let name = match (first, last) {
        (None, None) => w.report_whole.to_owned(),
        (Some(first), None) => fill(w.report_from, &[("from", &date_of(first))]),
        (None, Some(last)) => fill(w.report_up_to, &[("to", &date_of(last))]),
        (Some(first), Some(last)) => fill(w.report_days, &[("from", &date_of(first)), ("to", &date_of(last))]),
    };
    Ok((Days::Range(first, last), name))
}
