//! `whatif`: the crane's own record, lived again under another rating, group or amount of work.

use std::fmt::Write as _;
use std::path::PathBuf;

use serde::Serialize;
use tallyhook_analysis::class::MechanismGroup;
use tallyhook_analysis::forecast::Outlook;
use tallyhook_analysis::units::Grams;
use tallyhook_analysis::whatif::{Above, Answer, Change, Observed, what_if};
use tallyhook_config::model::Mechanism;

use super::ledger::{Ledger, between};
use crate::daemon::book::{Book, SiteCalendar};
use crate::exit::{CommandResult, Failure, Outcome};
use crate::figures::{CAUTION, Forecast, date_of, day_number, day_uses, used_before_today};
use crate::store::LoadSums;
use crate::web::units::{count, hours, number, percent};

/// The same draws at every look, as the daemon's own forecast.
const SEED: u64 = 9755;

/// Answers what would follow from another rating, group or amount of work, from the stored record alone.
///
/// The used share of the day stays as it is; only what follows changes. Lowering a rated load is a change of the crane:
/// it is decided, marked and certified by those who may.
#[derive(clap::Args, Debug)]
pub struct WhatifArgs {
    /// Directory of the store.
    #[arg(long, value_name = "DIR", default_value = "data")]
    data: PathBuf,
    /// Which mechanism; needed when the store has several.
    #[arg(long, value_name = "ID")]
    mechanism: Option<String>,
    /// A lower (or higher) rated load.
    #[arg(long, value_name = "KG")]
    rated_load_kg: Option<f64>,
    /// What becomes of loads above it.
    #[arg(long, value_name = "WHAT", value_enum, default_value_t = AboveWord::Lifted)]
    above: AboveWord,
    /// Another duty group: the hoist is judged as if it were of that group.
    #[arg(long, value_name = "GROUP", value_parser = group)]
    group: Option<MechanismGroup>,
    /// Factor on the number of lifts: 0.8 for a fifth fewer.
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0)]
    lifts: f64,
    /// Share of the work, 0 to 1, that another crane takes over.
    #[arg(long, value_name = "SHARE", default_value_t = 0.0)]
    moved: f64,
    /// Only the record from this day on, YYYY-MM-DD.
    #[arg(long, value_name = "DATE")]
    from: Option<String>,
    /// Only the record up to and with this day, YYYY-MM-DD.
    #[arg(long, value_name = "DATE")]
    to: Option<String>,
    /// Also the chance that the working period is used up by this day, YYYY-MM-DD.
    #[arg(long, value_name = "DATE")]
    by: Option<String>,
    /// Print one JSON document.
    #[arg(long)]
    json: bool,
}

#[derive(clap::ValueEnum, Clone, Copy, Debug)]
enum AboveWord {
    /// Lifted as before: overloads of the new rating.
    Lifted,
    /// Divided into as few equal lifts as the new rating allows.
    Split,
    /// Not lifted.
    Refused,
}

fn group(text: &str) -> Result<MechanismGroup, String> {
    MechanismGroup::parse(text).ok_or_else(|| "give M1 to M8, or 1Dm to 5m".to_owned())
}

/// What follows, as `--json` gives it.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct AnswerFigures {
    /// Rated load, kg.
    pub rated_load_kg: f64,
    /// S/D on the day.
    pub used_share: f64,
    /// What is left, full-load hours of that rated load; negative when the period is over.
    pub remaining_full_load_hours: f64,
    /// Full-load hours a year of that rated load.
    pub full_load_hours_a_year: f64,
    /// Running hours a year.
    pub running_hours_a_year: f64,
    /// km on that rated load; `null` when nothing runs.
    pub load_spectrum_factor: Option<f64>,
    /// Lifts a year.
    pub lifts_a_year: f64,
    /// Lifts a year above that rated load.
    pub overload_lifts_a_year: f64,
    /// Lifts a year that are refused.
    pub refused_lifts_a_year: f64,
    /// Full-load hours a year of the budget's rated load that another crane takes over.
    pub moved_full_load_hours_a_year: f64,
    /// The group that ten years of such use would need; `null` with too little record.
    pub group_in_use: Option<MechanismGroup>,
    /// When the working period is used up; `null` with too little record, when it is over, or beyond 30 years.
    pub forecast: Option<Forecast>,
    /// Why there is no forecast: `too little record`, `already over`, `beyond 30 years`.
    pub no_forecast: Option<&'static str>,
    /// Chance, 0 to 1, that it is used up by the day asked for.
    pub chance_by_the_day: Option<f64>,
}

/// The whole answer.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct WhatifFigures {
    /// Identifier of the mechanism.
    pub mechanism: String,
    /// Days of record that it rests on.
    pub days_of_record: f64,
    /// First day of that record.
    pub record_from: String,
    /// Last day of that record.
    pub record_to: String,
    /// As things are.
    pub now: AnswerFigures,
    /// With the change.
    pub then: AnswerFigures,
    /// What these figures are not.
    pub caution: &'static str,
}

/// What a question is made of.
pub struct Asked {
    /// Identifier of the mechanism.
    pub mechanism: String,
    /// The change; its `rated` is `None` for the present rating.
    pub change: Change,
    /// First and last day of the record to rest on, days since 1970-01-01.
    pub days: (i32, i32),
    /// The day to give the chance for.
    pub by: Option<i32>,
}

/// Runs the command.
pub fn run(args: WhatifArgs) -> CommandResult {
    let ledger = Ledger::open(&args.data)?;
    let id = super::one_mechanism(&ledger.config, args.mechanism.as_deref())?;
    let bad = |what: &str, range: &str| Err(Failure::Usage(format!("{what} must be {range}")));
    if !(0.0..=100.0).contains(&args.lifts) {
        return bad("--lifts", "a factor from 0 to 100");
    }
    if !(0.0..=1.0).contains(&args.moved) {
        return bad("--moved", "a share from 0 to 1");
    }
    if args.rated_load_kg.is_some_and(|kg| !(kg > 0.0 && kg <= 500_000.0)) {
        return bad("--rated-load-kg", "above 0 and up to 500000");
    }
    let change = Change {
        rated: args.rated_load_kg.map(Grams::from_kg),
        above: match args.above {
            AboveWord::Lifted => Above::Lifted,
            AboveWord::Split => Above::Split,
            AboveWord::Refused => Above::Refused,
        },
        design: args.group.map(MechanismGroup::design_full_load_hours),
        lifts: args.lifts,
        moved: args.moved,
    };
    // The last day is asked for as well.
    let end = day("--to", args.to.as_deref())?.map(|last| last.saturating_add(1));
    let (first, end) = between(day("--from", args.from.as_deref())?, end)?;
    let asked = Asked {
        mechanism: id,
        change,
        days: (first.unwrap_or(i32::MIN), end.map_or(i32::MAX, |end| end - 1)),
        by: day("--by", args.by.as_deref())?,
    };
    let figures = answer(&ledger, &asked)?;
    if args.json {
        println!("{}", serde_json::to_string_pretty(&figures).map_err(Failure::run)?);
    } else {
        print!("{}", render(&figures));
    }
    Ok(Outcome::Done)
}

fn day(option: &str, text: Option<&str>) -> Result<Option<i32>, Failure> {
    let Some(text) = text else { return Ok(None) };
    match text.parse::<jiff::civil::Date>() {
        Ok(date) => Ok(Some(day_number(date))),
        Err(_) => Err(Failure::Usage(format!("{option} is `{text}`; give a date such as 2026-03-01"))),
    }
}

/// Answers a question from the store.
///
/// # Errors
/// [`Failure::Usage`] when the record has no day to rest on, [`Failure::Run`] when the store cannot be read.
pub fn answer(ledger: &Ledger, asked: &Asked) -> Result<WhatifFigures, Failure> {
    let (from, to) = asked.days;
    answer_from(ledger, asked, &ledger.reader.load_sums(&asked.mechanism, from, to).map_err(Failure::run)?)
}

/// As [`answer`], with the days asked for added up already.
///
/// # Errors
/// As [`answer`].
pub fn answer_from(ledger: &Ledger, asked: &Asked, sums: &LoadSums) -> Result<WhatifFigures, Failure> {
    let unknown = || Failure::Usage(format!("there is no mechanism `{}`", asked.mechanism));
    let (crane, mechanism) = ledger.config.mechanisms().find(|(_, m)| m.id == asked.mechanism).ok_or_else(unknown)?;
    let (Some(first), Some(last)) = (sums.days.first().map(|d| d.day), sums.days.last().map(|d| d.day)) else {
        return Err(Failure::Usage(
            "no day of the record is over in that time; ask again tomorrow, or widen --from and --to".to_owned(),
        ));
    };
    let left = ledger.reader.state(&mechanism.id).map_err(Failure::run)?.map(|s| (s.state, s.warn_crossed));
    let book = Book::open(crane, mechanism, SiteCalendar(ledger.config.time_zone.clone()), left);
    let account = book.account();
    let base = account.budget_base();
    let seen = Observed {
        rated: Grams::new(base.get() - mechanism.spec.dead_load.get()),
        dead_load: mechanism.spec.dead_load,
        running: sums.running.clone(),
        lifts: sums.lifts.clone(),
        // Days that a clock has jumped over are no days of the record.
        days: sums.days.len() as f64,
        used: account.used_full_load_hours(),
        used_before_today: used_before_today(account),
        design: account.design_full_load_hours(),
    };
    let days = day_uses(sums.days.iter().copied(), account);
    let today = account.recorder().open_day().map_or(last + 1, |open| open.day.number);
    // A rating that was lowered already is how things are.
    let present = Some(mechanism.spec.rated);
    let ask = |change: &Change| {
        let change = Change { rated: change.rated.or(present), ..*change };
        figures(mechanism, &what_if(&seen, &change, &days, today, SEED), &change, asked.by)
    };
    let (now, then) = if asked.change == Change::default() {
        let now = ask(&Change::default());
        (now.clone(), now)
    } else {
        // Each draws a thousand paths: side by side.
        std::thread::scope(|both| {
            let now = both.spawn(|| ask(&Change::default()));
            let then = ask(&asked.change);
            now.join().map(|now| (now, then)).map_err(|_| Failure::Run("the reckoning broke off".to_owned()))
        })?
    };
    Ok(WhatifFigures {
        mechanism: mechanism.id.clone(),
        days_of_record: seen.days,
        record_from: date_of(first),
        record_to: date_of(last),
        now,
        then,
        caution: CAUTION,
    })
}

fn figures(mechanism: &Mechanism, answer: &Answer, change: &Change, by: Option<i32>) -> AnswerFigures {
    let (forecast, no_forecast) = match answer.forecast.outlook() {
        Outlook::Band { p10, p50, p90 } => (Some(Forecast::of_days(p10, p50, p90)), None),
        Outlook::NotEnough { .. } => (None, Some("too little record")),
        Outlook::AlreadyOver => (None, Some("already over")),
        Outlook::BeyondHorizon => (None, Some("beyond 30 years")),
    };
    AnswerFigures {
        rated_load_kg: change.rated.unwrap_or(mechanism.spec.rated).as_kg(),
        used_share: answer.used_share,
        remaining_full_load_hours: answer.remaining_full_load_hours,
        full_load_hours_a_year: answer.full_load_hours_a_year,
        running_hours_a_year: answer.running_hours_a_year,
        load_spectrum_factor: answer.spectrum_factor,
        lifts_a_year: answer.lifts_a_year,
        overload_lifts_a_year: answer.overload_lifts_a_year,
        refused_lifts_a_year: answer.refused_lifts_a_year,
        moved_full_load_hours_a_year: answer.moved_full_load_hours_a_year,
        group_in_use: answer.group_in_use,
        forecast,
        no_forecast,
        chance_by_the_day: by.and_then(|day| answer.forecast.chance_of_passing(day)),
    }
}

fn render(f: &WhatifFigures) -> String {
    let mut out = String::new();
    let _ = writeln!(
        out,
        "{}, on {} days of record, {} to {}",
        f.mechanism,
        number(f.days_of_record, 0),
        f.record_from,
        f.record_to
    );
    let _ = writeln!(out, "{:<38}{:>18}{:>18}", "", "as things are", "with the change");
    let mut row = |name: &str, value: &dyn Fn(&AnswerFigures) -> String| {
        let _ = writeln!(out, "{name:<38}{:>18}{:>18}", value(&f.now), value(&f.then));
    };
    let whole = |n: f64| count(n.round().max(0.0) as u64);
    row("Rated load, kg", &|a| number(a.rated_load_kg, 0));
    row("Used share S/D", &|a| percent(a.used_share));
    row("Left, full-load hours of that load", &|a| hours(a.remaining_full_load_hours));
    row("Full-load hours a year of that load", &|a| hours(a.full_load_hours_a_year));
    row("Running hours a year", &|a| hours(a.running_hours_a_year));
    row("km on that load (ISO 4301-1:1986)", &|a| a.load_spectrum_factor.map_or("-".into(), |km| number(km, 4)));
    row("Lifts a year", &|a| whole(a.lifts_a_year));
    row("  above that load", &|a| whole(a.overload_lifts_a_year));
    row("  refused", &|a| whole(a.refused_lifts_a_year));
    row("Moved to another crane, f.l. hours a year", &|a| hours(a.moved_full_load_hours_a_year));
    row("Group in use (ISO 4301-1:1986)", &|a| a.group_in_use.map_or("too little".into(), |g| g.to_string()));
    let date = |a: &AnswerFigures, pick: &dyn Fn(&Forecast) -> Option<String>| match &a.forecast {
        Some(forecast) => pick(forecast).unwrap_or_else(|| "beyond 30 years".to_owned()),
        None => a.no_forecast.unwrap_or("-").to_owned(),
    };
    row("Used up, 10 % chance before", &|a| date(a, &|d| Some(d.date_p10.clone())));
    row("  as likely before as after", &|a| date(a, &|d| d.date_p50.clone()));
    row("  90 % chance before", &|a| date(a, &|d| d.date_p90.clone()));
    if f.now.chance_by_the_day.is_some() || f.then.chance_by_the_day.is_some() {
        row("Chance by the day asked for", &|a| a.chance_by_the_day.map_or("-".into(), percent));
    }
    let _ =
        writeln!(out, "The used share of the day does not change; only what follows does. A change of the rated load");
    let _ = writeln!(out, "is decided and certified by those who may; this is arithmetic on the record.");
    super::status::wrapped(&mut out, "", f.caution);
    out.replace('\u{202f}', " ")
}
