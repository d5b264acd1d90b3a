//! The periodic record that an inspector files: what was used in some days, of what, and what is left; gathered here,
//! drawn as one self-contained HTML sheet in [`sheet`].

pub mod sheet;

use serde::Serialize;
use tallyhook_analysis::class::EDITION;
use tallyhook_analysis::duty::DutyLimit;
use tallyhook_analysis::period::FactorScale;
use tallyhook_analysis::severity::Severity;
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::Timestamp;
use tallyhook_config::model::Mechanism;

use crate::commands::alarms::AlarmFigures;
use crate::commands::ledger::Ledger;
use crate::course::{By, Course, Stretch, course};
use crate::exit::Failure;
use crate::figures::{
    Band, CAUTION, CraneFigures, LiftFigures, MechanismFigures, SiteFigures, bands, date_of, rfc3339,
};
use crate::publish::wording::what;
use crate::store::EntryKind;
use crate::store::LiftFilter;
use crate::store::message::Message;
use crate::store::service::StoredService;
use crate::web::wording::ENGLISH;

/// Which days a report is about.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Days {
    /// These, both ends in; `None` is the end of the record.
    Range(Option<i32>, Option<i32>),
    /// From the first day of the present working period on: since the last overhaul.
    SincePeriodBegan,
}

/// The longest list of single lifts or gaps that is printed; what is left out is counted.
pub const MOST_ROWS: usize = 60;

/// A report.
#[derive(Serialize)]
pub struct Report {
    /// Name of the site.
    pub site: String,
    /// What it is about, in words: `2026-10`, `since the last overhaul`.
    pub about: String,
    /// When it was made, RFC 3339.
    pub made: String,
    /// Version of the program.
    pub version: &'static str,
    /// The mechanisms, in the order of the configuration.
    pub mechanisms: Vec<MechanismReport>,
    /// Their cranes.
    pub cranes: Vec<CraneFigures>,
    /// Edition behind classes and groups.
    pub edition: &'static str,
    /// The other texts that figures rest on.
    pub texts: Vec<&'static str>,
    /// What these figures are not.
    pub caution: &'static str,
}

/// The report of one mechanism.
#[derive(Serialize)]
pub struct MechanismReport {
    /// All figures as of the end of the record, as `status --json` has them.
    pub now: MechanismFigures,
    /// Sums of the days asked for, with S and S/D at their end; `null` without a record in them.
    pub days: Option<Stretch>,
    /// The same by calendar month.
    pub months: Vec<Stretch>,
    /// Hours and lifts of those days by load band.
    pub spectrum: Vec<Band>,
    /// The longest gaps that began in those days.
    pub gaps: Listed<GapFigures>,
    /// Lifts of those days above the rated load, the heaviest first.
    pub overloads: Listed<LiftFigures>,
    /// Alarms that were raised in those days or are open, newest first.
    pub alarms: Vec<Warned>,
    /// Services recorded in those days, oldest first.
    pub services: Vec<ServiceFigures>,
    /// What vouches for the figures.
    pub ledger: LedgerFigures,
    /// The course of the whole life, for the drawing.
    #[serde(skip)]
    pub course: Course,
    #[serde(skip)]
    services_as_stored: Vec<StoredService>,
}

/// An alarm with what it is of in plain words.
#[derive(Serialize)]
pub struct Warned {
    /// Its life.
    #[serde(flatten)]
    pub alarm: AlarmFigures,
    /// What crossed what.
    pub words: String,
    /// The same for the sheet, which has a language.
    #[serde(skip)]
    message: Message,
}

/// A list that may be cut.
#[derive(Serialize)]
pub struct Listed<T> {
    /// How many there are.
    pub count: u64,
    /// The first of them.
    pub rows: Vec<T>,
}

impl<T> Listed<T> {
    fn of(mut rows: Vec<T>) -> Self {
        let count = rows.len() as u64;
        rows.truncate(MOST_ROWS);
        Listed { count, rows }
    }
}

/// Time without a record.
#[derive(Serialize)]
pub struct GapFigures {
    /// Its beginning, RFC 3339.
    pub begin: String,
    /// Its end, RFC 3339.
    pub end: String,
    /// Its length, hours.
    pub hours: f64,
}

/// A service.
#[derive(Serialize)]
pub struct ServiceFigures {
    /// Its number.
    pub number: u64,
    /// When it was recorded, RFC 3339.
    pub at: String,
    /// What was done.
    pub what: String,
    /// Who says so.
    pub by: String,
    /// A word on it.
    pub note: String,
}

/// What vouches for the figures.
#[derive(Serialize)]
pub struct LedgerFigures {
    /// Fingerprint of everything in the configuration that touches the reckoning, at the end of the days.
    pub configuration: Option<String>,
    /// Changes of it in those days.
    pub changes: Vec<ChangeFigures>,
    /// The last day that is closed in the chain, among those asked for.
    pub closed_day: Option<String>,
    /// The hash of its entry: the anchor that `verify --anchor` takes.
    pub hash: Option<String>,
    /// The last day whose lifts were given up for room: overloads up to it cannot be listed singly.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lifts_given_up_to: Option<String>,
}

/// A change of the configuration.
#[derive(Serialize)]
pub struct ChangeFigures {
    /// The last sample before it, RFC 3339.
    pub at: String,
    /// Old and new values by name.
    pub changed: serde_json::Value,
}

/// Gathers a report of the store's mechanism `asked`, of all with `None`.
///
/// # Errors
/// [`Failure::Run`] when the store cannot be read.
pub fn gather(
    ledger: &Ledger,
    asked: Option<&str>,
    days: &Days,
    about: String,
    made: Timestamp,
) -> Result<Report, Failure> {
    let SiteFigures { mechanisms: figures, mut cranes, .. } = ledger.figures()?;
    let mut mechanisms = Vec::new();
    for (_, mechanism) in ledger.config.mechanisms().filter(|(_, m)| asked.is_none_or(|id| m.id == id)) {
        if let Some(f) = figures.iter().find(|f| f.id == mechanism.id) {
            mechanisms.push(of_mechanism(ledger, mechanism, f.clone(), days)?);
        }
    }
    cranes.retain(|c| mechanisms.iter().any(|m| m.now.crane == c.id));
    Ok(Report {
        site: ledger.config.site_name.clone(),
        about,
        made: rfc3339(made),
        version: env!("CARGO_PKG_VERSION"),
        mechanisms,
        cranes,
        edition: EDITION,
        texts: vec![FactorScale::Fem.edition(), DutyLimit::EDITION, Severity::EDITION],
        caution: CAUTION,
    })
}

fn of_mechanism(
    ledger: &Ledger,
    mechanism: &Mechanism,
    now: MechanismFigures,
    days: &Days,
) -> Result<MechanismReport, Failure> {
    let (id, reader) = (now.id.as_str(), &ledger.reader);
    let day = |text: &str| text.parse().ok().map(crate::figures::day_number);
    let (first, last) = match days {
        Days::Range(first, last) => (*first, *last),
        Days::SincePeriodBegan => (now.period_began.as_deref().and_then(day), None),
    };
    let all = reader.days(id, i32::MIN, i32::MAX).map_err(Failure::run)?;
    let used = reader.used(id).map_err(Failure::run)?;
    let with_used = |(day, totals): (i32, Totals)| (day, totals, used.get(&day).copied());
    let course = course(mechanism, &now, all.into_iter().map(with_used));
    let part = course.between(first, last);
    let mut sum = Totals::default();
    part.days.iter().for_each(|(_, totals, _)| sum.add(totals));

    let from = first.and_then(|day| ledger.midnight(day));
    let to = last.and_then(|day| ledger.midnight(day.saturating_add(1)));
    let inside = |at: Timestamp| from.is_none_or(|from| at >= from) && to.is_none_or(|to| at < to);
    let mut gaps = reader.gaps(id, from, to).map_err(Failure::run)?;
    gaps.sort_by_key(|g| std::cmp::Reverse(g.end.since(g.begin).as_ms()));
    let gaps = gaps.iter().map(|g| GapFigures {
        begin: rfc3339(g.begin),
        end: rfc3339(g.end),
        hours: g.end.since(g.begin).as_ms() as f64 / 3_600_000.0,
    });
    // Days without an overload need not be read lift by lift.
    let mut overloads = Vec::new();
    for (day, ..) in part.days.iter().filter(|(_, totals, _)| totals.overload_lifts > 0) {
        // A lift of that day may have begun on the day before.
        let (from, to) = (ledger.midnight(day.saturating_sub(1)), ledger.midnight(day.saturating_add(1)));
        let filter = LiftFilter { mechanism: Some(id), from, to, ..LiftFilter::default() };
        let lifts = reader.lifts(&filter).map_err(Failure::run)?;
        overloads.extend(lifts.into_iter().map(|l| l.lift).filter(|l| l.overload));
    }
    overloads.sort_by_key(|l| (std::cmp::Reverse(l.load), l.begin));
    overloads.dedup_by_key(|l| l.begin);
    overloads.retain(|l| inside(l.end));
    let overloads = overloads.iter().map(|l| LiftFigures::of(l, mechanism.spec.rated));

    let mut alarms = Vec::new();
    for alarm in reader.alarms(Some(id), false).map_err(Failure::run)? {
        let open = alarm.cleared.is_none() || alarm.acknowledged.is_none();
        if open || inside(alarm.raised) {
            let acts = reader.alarm_acts(alarm.seq).map_err(Failure::run)?;
            let figures = AlarmFigures::of(&ledger.config, &alarm, acts);
            alarms.push(Warned { alarm: figures, words: what(&ENGLISH, &alarm.message()), message: alarm.message() });
        }
    }
    let mut services = reader.services(Some(id)).map_err(Failure::run)?;
    services.retain(|s| inside(s.service.at));
    let listed = services.iter().map(|s| ServiceFigures {
        number: s.seq,
        at: rfc3339(s.service.at),
        what: crate::web::upkeep::work_words(&ENGLISH, &s.service.work),
        by: s.service.by.clone(),
        note: s.service.note.clone(),
    });
    let services_figures = listed.collect();
    let entries = reader.entries(id).map_err(Failure::run)?;
    let body = |text: &str| serde_json::from_str::<serde_json::Value>(text).unwrap_or_default();
    let closed = entries.iter().rfind(|e| e.day.is_some_and(|day| last.is_none_or(|last| day <= last)));
    let ledger_figures = LedgerFigures {
        configuration: closed
            .or(entries.iter().rfind(|e| matches!(e.kind, EntryKind::Begin | EntryKind::Configuration)))
            .and_then(|e| body(&e.body)["configuration"].as_str().map(str::to_owned)),
        changes: entries
            .iter()
            .filter(|e| e.kind == EntryKind::Configuration && inside(e.at))
            .map(|e| ChangeFigures { at: rfc3339(e.at), changed: body(&e.body)["changed"].clone() })
            .collect(),
        closed_day: closed.and_then(|e| e.day).map(date_of),
        hash: closed.map(|e| e.hash.clone()),
        lifts_given_up_to: reader.thinned(id).map_err(Failure::run)?.lifts_to.map(date_of),
    };
    Ok(MechanismReport {
        days: part.total(),
        months: part.by(By::Month),
        spectrum: bands(&sum),
        gaps: Listed::of(gaps.collect()),
        overloads: Listed::of(overloads.collect()),
        alarms,
        services: services_figures,
        ledger: ledger_figures,
        course,
        services_as_stored: services,
        now,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cut_list_still_says_how_many_there_are() {
        let listed = Listed::of((0..MOST_ROWS + 5).collect::<Vec<_>>());
        assert_eq!((listed.count, listed.rows.len()), (MOST_ROWS as u64 + 5, MOST_ROWS));
    }
}
