//! The figures that every view shows: `status`, `replay`, the page, the retained MQTT state are renderings of these.

use std::collections::BTreeMap;
use std::sync::Arc;

use serde::{Serialize, Serializer};
use tallyhook_analysis::account::{Account, Terms};
use tallyhook_analysis::class::{ApplianceGroup, ApplianceLoading, CycleClass, MechanismGroup, MechanismLoading};
use tallyhook_analysis::daily::{self, DaySums};
use tallyhook_analysis::duty::{DayDuty, DutyLimit};
use tallyhook_analysis::forecast::DayUse;
use tallyhook_analysis::gapbook::counted_recording;
use tallyhook_analysis::in_use::{appliance_in_use, mechanism_in_use};
use tallyhook_analysis::load::doubt::Doubts;
use tallyhook_analysis::load::dynamics::{DEPTHS, HoistingClass, Tally, peak_factor};
use tallyhook_analysis::load::uncertainty::{Loads, used_share_between};
use tallyhook_analysis::mark::Mark;
use tallyhook_analysis::period::{Ledger, Part, PartKind, Recording};
use tallyhook_analysis::service::{Closed, Periods, ServiceKind};
use tallyhook_analysis::severity::{ServiceTally, Severity};
use tallyhook_analysis::spectrum::{BANDS, Totals, band_edges};
use tallyhook_analysis::units::{Grams, MS_PER_HOUR, Span, Timestamp};
use tallyhook_analysis::wear::{Limit, Used, WearCounts, WearPart};
use tallyhook_config::model::{Config, Crane, Mechanism};

use crate::drive::DriveFigures;
use crate::store::DaySum;
use crate::store::thin::Thinned;

/// What is known of one mechanism beyond its configuration.
#[derive(Clone, Debug, Default)]
pub struct Record {
    /// Sums since the first sample.
    pub totals: Totals,
    /// The first sample's time.
    pub began_at: Option<Timestamp>,
    /// Up to when time has been counted.
    pub counted_to: Option<Timestamp>,
    /// Since when the running state has not been known.
    pub gap_since: Option<Timestamp>,
    /// When the load that hangs now came onto the hook.
    pub hanging_since: Option<Timestamp>,
    /// When the working period will end.
    pub forecast: Option<Forecast>,
    /// The present working period; `None` for one that began with the record and has no gaps.
    pub period: Option<PeriodRecord>,
    /// Motor duty of the open day, and starts of the last hour.
    pub duty: (DayDuty, u64),
    /// Lifts by load and hour.
    pub service: ServiceTally,
    /// What wears parts, of the whole life.
    pub wear: WearCounts,
    /// Jerks and overloads, of the whole life.
    pub dynamics: Tally,
    /// How sure the loads of its lifts are.
    pub doubts: Doubts,
    /// Wearing parts and inspections.
    pub parts: Vec<WearPart>,
    /// The last hash of the ledger's chain, where the daemon that writes it is asked.
    pub anchor: Option<String>,
    /// What the ledger has given up for room.
    pub thinned: Thinned,
}

/// What is known of working periods.
#[derive(Clone, Debug)]
pub struct PeriodRecord {
    /// The present one's ledger.
    pub ledger: Ledger,
    /// Base (rated load and dead load) that S and D are in full-load hours of.
    pub base: Grams,
    /// The present one's sums.
    pub totals: Totals,
    /// How sure the loads of its lifts are.
    pub doubts: Doubts,
    /// The present one's first day, days since 1970-01-01; `None` before the first sample.
    pub began: Option<i32>,
    /// Those that are over.
    pub closed: Vec<Closed>,
    /// Length of gaps that are not in S yet, hours.
    pub waiting_gap_hours: f64,
    /// Starts in gaps that the drive's counter told.
    pub gap_starts: u64,
    /// Full-load hours of gaps and unread loads of the present period.
    pub unseen_full_load_hours: f64,
}

impl Record {
    /// What an account knows.
    pub fn of(account: &Account, forecast: Option<Forecast>) -> Self {
        let recorder = account.recorder();
        let began_at = recorder.began_at();
        let ledger = account.ledger();
        let unseen_full_load_hours = ledger.unseen_full_load_hours();
        Record {
            totals: recorder.totals().clone(),
            began_at,
            counted_to: began_at.map(|_| recorder.counted_to()),
            gap_since: recorder.gap_since(),
            hanging_since: recorder.hanging_since(),
            forecast,
            period: Some(PeriodRecord {
                ledger,
                base: account.budget_base(),
                totals: account.period_totals(),
                doubts: account.period_doubts(),
                began: account.periods().map(Periods::began),
                closed: account.periods().map(|p| p.closed().to_vec()).unwrap_or_default(),
                waiting_gap_hours: account.gaps().waiting_hours(),
                gap_starts: account.gaps().counted_starts(),
                unseen_full_load_hours,
            }),
            duty: (account.duty().day(), account.duty().starts_of_the_last_hour()),
            service: account.service_tally().clone(),
            wear: *account.wear(),
            dynamics: *account.dynamics(),
            doubts: account.doubts().clone(),
            parts: account.parts().cloned().collect(),
            anchor: None,
            thinned: Thinned::default(),
        }
    }
}

/// Days that are over as the forecast reads them, in rising order: what S grew by on each. The open day comes last, for
/// what S grew by today can be of a gap of the days before it.
pub fn day_uses(days: impl IntoIterator<Item = DaySum>, account: &Account) -> Vec<DayUse> {
    let base = account.budget_base();
    let open = account.recorder().open_day();
    let today = open.map(|open| DaySum::of(open.day.number, &open.totals, Some(account.used_full_load_hours())));
    let is_over = |sum: &DaySum| today.is_none_or(|today| sum.day < today.day);
    let days: Vec<DaySums> = days
        .into_iter()
        .filter(is_over)
        .chain(today)
        .map(|sum| DaySums {
            day: sum.day,
            observed_ms: sum.observed_ms,
            gap_ms: sum.gap_ms,
            load_unknown_ms: sum.load_unknown_ms,
            measured: sum.totals().full_load_hours(base),
            used: sum.used,
        })
        .collect();
    daily::day_uses(&days, &account.unseen(), account.gaps().owed_ms())
}

/// S when the open day began, which a forecast goes from. A working period that began today had nothing then.
pub fn used_before_today(account: &Account) -> f64 {
    let measured = account.recorder().open_day().map_or(0.0, |open| open.totals.full_load_hours(account.budget_base()));
    (account.used_full_load_hours() - measured).max(0.0)
}

/// Dates at which the working period will be used up, with 10, 50 and 90 % chance of being earlier.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Forecast {
    /// With 10 % chance before this date, `YYYY-MM-DD`.
    pub date_p10: String,
    /// As likely before as after, `YYYY-MM-DD`; `null` when later than the forecast looks (30 years).
    pub date_p50: Option<String>,
    /// With 90 % chance before this date, `YYYY-MM-DD`; `null` when later than the forecast looks.
    pub date_p90: Option<String>,
}

impl Forecast {
    /// The dates of day numbers.
    pub fn of_days(p10: i32, p50: Option<i32>, p90: Option<i32>) -> Self {
        Forecast { date_p10: date_of(p10), date_p50: p50.map(date_of), date_p90: p90.map(date_of) }
    }
}

/// One load band.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Band {
    /// Lower edge, fraction of the rated load; not part of the band.
    pub from: f64,
    /// Upper edge, part of the band; `null` for the open band on top.
    pub to: Option<f64>,
    /// Running time in it, hours.
    pub running_hours: f64,
    /// Lifts whose settled load is in it.
    pub lifts: u64,
}

/// Figures of one mechanism; names, units and meaning as in the contract of `replay --json`.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct MechanismFigures {
    /// Identifier.
    pub id: String,
    /// Identifier of its crane.
    pub crane: String,
    /// `hoist`, `traverse` or `travel`.
    pub kind: &'static str,
    /// Design group, ISO 4301-1:1986.
    pub group: MechanismGroup,
    /// Rated load, kg.
    pub rated_load_kg: f64,
    /// Rated load that S and D are in full-load hours of, kg; above the rated load where that was lowered.
    pub budget_rated_load_kg: f64,
    /// Running time, hoisting and lowering, hours.
    pub running_hours: f64,
    /// Running edges.
    pub starts: u64,
    /// Lifts ended.
    pub lifts: u64,
    /// Lifts whose settled load was above the rated load.
    pub overload_lifts: u64,
    /// km by running time; `null` without running time.
    pub load_spectrum_factor: Option<f64>,
    /// Least that km may be, with the loads as uncertain as they are; `null` without running time.
    pub load_spectrum_factor_low: Option<f64>,
    /// Greatest that km may be.
    pub load_spectrum_factor_high: Option<f64>,
    /// Class of km; `above L4` with km over 1; `null` without running time.
    pub state_of_loading: Option<String>,
    /// Measured part of the full-load hours.
    pub full_load_hours: f64,
    /// Full-load hours from use before the recorder.
    pub prior_full_load_hours: f64,
    /// Full-load hours booked for gaps and for running time without a load.
    pub gap_full_load_hours: f64,
    /// S, all parts with their factors.
    pub used_full_load_hours: f64,
    /// D.
    pub design_full_load_hours: f64,
    /// S/D.
    pub consumed: f64,
    /// Mean standard uncertainty of the period's lifts' loads by their running time, kg; before the first lift the usual one.
    pub load_uncertainty_kg: f64,
    /// Least that S/D may be, with the loads as uncertain as they are.
    pub used_share_low: f64,
    /// Greatest that S/D may be.
    pub used_share_high: f64,
    /// D − S, full-load hours of the budget's rated load; negative when the period is over.
    pub remaining_full_load_hours: f64,
    /// D − S in full-load hours of the present rated load; more than the above where that was lowered.
    pub remaining_at_rated_load_hours: f64,
    /// The group that ten years of such use would need; `null` with too little record.
    pub group_in_use: Option<MechanismGroup>,
    /// Hours by band.
    pub spectrum: Vec<Band>,
    /// When S reaches D; `null` with too little record.
    pub forecast: Option<Forecast>,
    /// First day of the present working period, `YYYY-MM-DD`.
    pub period_began: Option<String>,
    /// The parts of S, each with its recording and factor.
    pub periods: Vec<Part>,
    /// Working periods that a service has ended, oldest first.
    pub closed_periods: Vec<ClosedFigures>,
    /// Length of gaps that are not in S yet, hours: they wait for the drive's hour counter, or for four weeks of record
    /// and one of the same hours of the week.
    pub gap_waiting_hours: f64,
    /// Starts in gaps that the drive's counter told.
    pub gap_starts: u64,
    /// How loads were taken up, and overloads by depth.
    pub dynamics: DynamicsFigures,
    /// Motor duty of the day so far, against FEM 9.683.
    pub motor_duty: DutyFigures,
    /// Severity of service.
    pub severity: SeverityFigures,
    /// Wearing parts and inspections.
    pub parts: Vec<PartFigures>,
    /// Time without a record, hours.
    pub gap_hours: f64,
    /// Time with a record, hours.
    pub observed_hours: f64,
    /// Running time whose load was not read, hours.
    pub load_unknown_hours: f64,
    /// The first sample.
    pub record_from: Option<String>,
    /// Up to when time has been counted.
    pub record_to: Option<String>,
    /// Since when the running state has not been known.
    pub gap_since: Option<String>,
    /// Since when a load has been hanging.
    pub hanging_since: Option<String>,
    /// The last hash of the ledger's chain; only from the daemon that writes it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub anchor: Option<String>,
    /// The last day whose lifts were given up for room, `YYYY-MM-DD`; they still count in every sum.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lifts_given_up_to: Option<String>,
    /// The last day whose histograms were given up for room.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub histograms_given_up_to: Option<String>,
    /// Rises when they are reckoned anew; with the same number two of them differ in `record_to` and in observed and gap
    /// hours at most. 0 where nobody keeps count.
    #[serde(skip)]
    pub revision: u64,
}

/// A working period that a service has ended.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct ClosedFigures {
    /// First day, `YYYY-MM-DD`.
    pub began: String,
    /// Day of the service, `YYYY-MM-DD`.
    pub ended: String,
    /// The service.
    pub by: ServiceKind,
    /// S.
    pub used_full_load_hours: f64,
    /// D.
    pub design_full_load_hours: f64,
    /// S/D.
    pub consumed: f64,
    /// Length of the gaps that are not in its S, hours: those hours of the week were hardly ever watched.
    pub gap_left_out_hours: f64,
    /// Its parts.
    pub periods: Vec<Part>,
}

/// Motor duty of the day so far.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct DutyFigures {
    /// Starts of the hour that ends now.
    pub starts_last_hour: u64,
    /// Starts of the day.
    pub starts: u64,
    /// Runs under a second: inching.
    pub short_runs: u64,
    /// Mean run per start, seconds; `null` without starts.
    pub mean_run_seconds: Option<f64>,
    /// Most starts in a sliding hour.
    pub worst_starts_in_an_hour: u64,
    /// Largest cyclic duration factor in a sliding ten minutes, percent.
    pub worst_cyclic_duration_10min_percent: f64,
    /// Largest cyclic duration factor in a sliding hour, percent.
    pub worst_cyclic_duration_hour_percent: f64,
    /// What the group's motor is made for; `null` for M8, for which no values were found.
    pub limit: Option<DutyLimitFigures>,
}

/// What FEM 9.683 gives for the motor of a group.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct DutyLimitFigures {
    /// Starts per hour.
    pub starts_per_hour: u32,
    /// Cyclic duration factor, percent.
    pub cyclic_duration_percent: f64,
    /// The standard.
    pub edition: &'static str,
    /// The values are from memory: check against the standard.
    pub check_against_the_standard: bool,
}

/// How loads were taken up, and overloads by depth.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct DynamicsFigures {
    /// Lifts heavy enough to be judged: from a fifth of the rated load up.
    pub judged_lifts: u64,
    /// Those taken up with a jerk.
    pub jerks: u64,
    /// Peak over settled load of the hardest; `null` without lifts.
    pub hardest_peak_factor: Option<f64>,
    /// Peak over settled load above which it is a jerk.
    pub jerk_factor: f64,
    /// The limit is one of EN 13001-2 from memory: check against the standard.
    pub check_against_the_standard: bool,
    /// Overloads by depth.
    pub overloads: Vec<DepthFigures>,
    /// Times that the limiter's own signal came on.
    pub limiter_signals: u64,
}

/// Overloads at one depth.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct DepthFigures {
    /// Above this, settled load over rated load.
    pub from: f64,
    /// Up to this; `null` for the deepest.
    pub to: Option<f64>,
    /// Lifts.
    pub lifts: u64,
    /// How long they hung, hours.
    pub hung_hours: f64,
}

impl DynamicsFigures {
    fn of(mechanism: &Mechanism, tally: &Tally) -> Self {
        let edge = |i: usize| DEPTHS.get(i).map(|edge| *edge as f64 / 1000.0);
        let depths = tally.overloads.iter().enumerate();
        DynamicsFigures {
            judged_lifts: tally.judged,
            jerks: tally.jerks,
            hardest_peak_factor: (tally.judged > 0).then_some(tally.hardest as f64 / 1000.0),
            jerk_factor: mechanism.load.greatest_peak(mechanism.rated_speed_mm_s) as f64 / 1000.0,
            check_against_the_standard: mechanism.load.jerk_limit.is_none() && HoistingClass::MARK == Mark::C,
            overloads: depths
                .map(|(i, depth)| DepthFigures {
                    from: i.checked_sub(1).and_then(edge).unwrap_or(1.0),
                    to: edge(i),
                    lifts: depth.lifts,
                    hung_hours: depth.hung_ms as f64 / MS_PER_HOUR as f64,
                })
                .collect(),
            limiter_signals: tally.limiter,
        }
    }
}

/// Severity of service.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct SeverityFigures {
    /// `normal`, `heavy` or `severe`; `null` without lifts.
    pub severity: Option<Severity>,
    /// Share of the lifts from 85 % of the rated load up.
    pub heavy_share: Option<f64>,
    /// Share of the hours with lifts that had more than ten.
    pub busy_share: Option<f64>,
    /// Longest time between frequent inspections, days; `null` without lifts.
    pub frequent_inspection_days: Option<u32>,
    /// Longest time between periodic inspections, days; `null` without lifts.
    pub periodic_inspection_days: Option<u32>,
    /// The text that defines it.
    pub edition: &'static str,
}

impl SeverityFigures {
    fn of(tally: &ServiceTally, abnormal: bool) -> Self {
        let severity = tally.severity(abnormal);
        SeverityFigures {
            severity,
            heavy_share: tally.heavy_share(),
            busy_share: tally.busy_share(),
            frequent_inspection_days: severity.map(|s| s.frequent().to_days),
            periodic_inspection_days: severity.map(|s| s.periodic().to_days),
            edition: Severity::EDITION,
        }
    }
}

/// A wearing part or an inspection.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct PartFigures {
    /// Its name.
    pub name: String,
    /// Its last reset, `YYYY-MM-DD`.
    pub since: String,
    /// How far its limits are used; the furthest first.
    pub limits: Vec<LimitFigures>,
    /// The furthest share; due from 1 on.
    pub share: f64,
    /// Whether it is due.
    pub due: bool,
}

/// How far a limit is used.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct LimitFigures {
    /// What is counted: `running_hours`, `lifts`, `starts`, `stops`, `bending_cycles`, `full_load_bending_cycles`,
    /// `brake_work_kj` or `days`.
    pub limit: &'static str,
    /// Used since the reset.
    pub used: f64,
    /// The limit.
    pub of: f64,
    /// Used over the limit.
    pub share: f64,
}

/// What a limit counts, in words for people.
pub fn limit_words(limit: &str) -> &str {
    match limit {
        "running_hours" => "running hours",
        "bending_cycles" => "bending cycles",
        "full_load_bending_cycles" => "full-load bending cycles",
        "brake_work_kj" => "kJ of brake work",
        other => other,
    }
}

impl LimitFigures {
    /// The figures of a limit.
    pub fn of(used: &Used) -> Self {
        let (limit, of) = match used.limit {
            Limit::RunningHours(n) => ("running_hours", f64::from(n)),
            Limit::Lifts(n) => ("lifts", n as f64),
            Limit::Starts(n) => ("starts", n as f64),
            Limit::Stops(n) => ("stops", n as f64),
            Limit::BendingCycles(n) => ("bending_cycles", n as f64),
            Limit::FullLoadBendingCycles(n) => ("full_load_bending_cycles", n as f64),
            Limit::BrakeWorkKj(n) => ("brake_work_kj", n as f64),
            Limit::Days(n) => ("days", f64::from(n)),
        };
        LimitFigures { limit, used: used.used, of, share: used.share }
    }
}

/// Figures of a crane as a whole.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct CraneFigures {
    /// Identifier.
    pub id: String,
    /// Name.
    pub name: String,
    /// Lifts of all its hoists since the record began.
    pub lifts: u64,
    /// Lifts of all its hoists before that, as the configuration has them.
    pub prior_lifts: u64,
    /// Kp by lifts on record; `null` without lifts.
    pub load_spectrum_factor: Option<f64>,
    /// Class of Kp, 1986 edition; `above Q4` with Kp over 1.
    pub state_of_loading: Option<String>,
    /// Class of the lifts so far, those before the record too.
    pub class_of_utilization: CycleClass,
    /// Design group, ISO 4301-1:1986.
    pub group: ApplianceGroup,
    /// The group that such use over the design life would need; `null` with too little record.
    pub group_in_use: Option<ApplianceGroup>,
    /// Full-load cycles used over those of the group.
    pub consumed: f64,
}

/// Figures of a site.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct SiteFigures {
    /// Every mechanism, in the order of the configuration.
    pub mechanisms: Vec<MechanismFigures>,
    /// The first crane, `null` without cranes; what a site of one crane is about.
    pub crane: Option<CraneFigures>,
    /// All cranes, in the order of the configuration.
    pub cranes: Vec<CraneFigures>,
    /// The drives and how they answer, by name; empty where no drive is asked (`replay`).
    #[serde(serialize_with = "shared")]
    pub drives: Arc<Vec<DriveFigures>>,
    /// The edition behind every class and group.
    pub edition: &'static str,
    /// What these figures are not.
    pub caution: &'static str,
    /// What is wrong with the record just now; only from the daemon that keeps it.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<FindingFigures>,
    /// Messages of lifts and days that were dropped before a destination had got them, by its name; only from the store.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub messages_dropped: BTreeMap<String, u64>,
}

fn shared<S: Serializer>(drives: &Arc<Vec<DriveFigures>>, serializer: S) -> Result<S::Ok, S::Error> {
    (**drives).serialize(serializer)
}

/// Something that is wrong with the record just now.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct FindingFigures {
    /// `not_recorded`, `backup`, `ledger`, `outbox`, `budget` or `raw_samples`.
    pub finding: &'static str,
    /// Since when, RFC 3339.
    pub since: String,
    /// In a sentence.
    pub text: String,
}

/// The sentence that goes with every figure that people might act on.
pub const CAUTION: &str = "Information for maintenance. No safety device and no release for use: it replaces neither \
                           the load limiter nor an inspection by a competent person; local codes decide.";

/// What the figures of a crane need of the record of one of its mechanisms.
#[derive(Clone, Copy, Debug, Default)]
pub struct CraneShare {
    lifts: u64,
    lift_cubes: u128,
    span: Span,
}

impl CraneShare {
    /// That of a record.
    pub fn of(record: &Record) -> Self {
        let Totals { lifts, lift_cubes, .. } = record.totals;
        CraneShare { lifts, lift_cubes, span: record_span(record) }
    }
}

/// All figures of a site; `record` gives what is known of a mechanism.
pub fn of_site(config: &Config, record: impl Fn(&Mechanism) -> Record) -> SiteFigures {
    of_site_with(config, |crane, mechanism| {
        let record = record(mechanism);
        (of_mechanism(&crane.id, mechanism, &record), CraneShare::of(&record))
    })
}

/// As [`of_site`], where somebody keeps the figures of each mechanism.
pub fn of_site_with(
    config: &Config,
    mut figures: impl FnMut(&Crane, &Mechanism) -> (MechanismFigures, CraneShare),
) -> SiteFigures {
    let mut mechanisms = Vec::new();
    let mut cranes = Vec::new();
    for crane in &config.cranes {
        let mut shares = Vec::new();
        for mechanism in &crane.mechanisms {
            let (figures, share) = figures(crane, mechanism);
            mechanisms.push(figures);
            shares.push((mechanism, share));
        }
        cranes.push(of_crane(crane, &shares));
    }
    SiteFigures {
        mechanisms,
        crane: cranes.first().cloned(),
        cranes,
        drives: Arc::default(),
        edition: tallyhook_analysis::class::EDITION,
        caution: CAUTION,
        findings: Vec::new(),
        messages_dropped: BTreeMap::new(),
    }
}

/// The period of a mechanism that has no account, from its sums alone.
fn plain_period(mechanism: &Mechanism, totals: &Totals) -> PeriodRecord {
    let Terms { scale, design_full_load_hours, mut prior, design_spectrum, .. } = mechanism.terms();
    let base = mechanism.spec.base();
    let km = totals.load_spectrum_factor(base);
    let parts = [
        (PartKind::Measured, totals.known_load_hours(), km.unwrap_or(0.0), Recording::Recorder),
        (
            PartKind::LoadNotRead,
            load_unknown_hours(totals),
            km.unwrap_or(0.0).max(design_spectrum),
            counted_recording(scale),
        ),
    ];
    let parts = parts.into_iter().filter(|(_, hours, ..)| *hours > 0.0);
    prior.extend(parts.filter_map(|(kind, hours, km, recording)| Part::new(kind, hours, km, recording, scale).ok()));
    let ledger = Ledger { design_full_load_hours, parts: prior };
    PeriodRecord {
        unseen_full_load_hours: ledger.full_load_hours_of(PartKind::LoadNotRead),
        ledger,
        base,
        totals: totals.clone(),
        doubts: Doubts::default(),
        began: None,
        closed: Vec::new(),
        waiting_gap_hours: totals.gap_ms as f64 / MS_PER_HOUR as f64,
        gap_starts: 0,
    }
}

/// Hours and lifts by load band.
pub fn bands(totals: &Totals) -> Vec<Band> {
    (0..BANDS)
        .map(|band| {
            let (from, to) = band_edges(band);
            let running_hours = totals.band_ms[band] as f64 / MS_PER_HOUR as f64;
            Band { from, to, running_hours, lifts: totals.band_lifts[band] }
        })
        .collect()
}

fn load_unknown_hours(totals: &Totals) -> f64 {
    totals.load_unknown_ms as f64 / MS_PER_HOUR as f64
}

fn closed_figures(closed: &Closed) -> ClosedFigures {
    ClosedFigures {
        began: date_of(closed.began),
        ended: date_of(closed.ended),
        by: closed.by,
        used_full_load_hours: closed.ledger.used_full_load_hours(),
        design_full_load_hours: closed.ledger.design_full_load_hours,
        consumed: closed.ledger.used_share(),
        gap_left_out_hours: closed.gap_left_out_hours,
        periods: closed.ledger.parts.clone(),
    }
}

fn duty_figures(group: MechanismGroup, day: &DayDuty, starts_last_hour: u64) -> DutyFigures {
    DutyFigures {
        starts_last_hour,
        starts: day.starts,
        short_runs: day.short_runs,
        mean_run_seconds: day.mean_run_seconds(),
        worst_starts_in_an_hour: day.worst_starts.value,
        worst_cyclic_duration_10min_percent: day.ed_ten_minutes(),
        worst_cyclic_duration_hour_percent: day.ed_hour(),
        limit: DutyLimit::of(group).map(|limit| DutyLimitFigures {
            starts_per_hour: limit.starts_per_hour,
            cyclic_duration_percent: limit.ed_percent,
            edition: DutyLimit::EDITION,
            check_against_the_standard: limit.mark == Mark::C,
        }),
    }
}

fn part_figures(part: &WearPart, record: &Record, base: Grams) -> PartFigures {
    let day = record.counted_to.map_or(part.reset_day, |at| (at.as_ms().div_euclid(86_400_000)) as i32);
    let mut limits: Vec<LimitFigures> = part.used(&record.wear, day, base).iter().map(LimitFigures::of).collect();
    limits.sort_by(|a, b| b.share.total_cmp(&a.share));
    let share = limits.first().map_or(0.0, |first| first.share);
    PartFigures { name: part.name.clone(), since: date_of(part.reset_day), limits, share, due: share >= 1.0 }
}

/// The figures of one mechanism.
pub fn of_mechanism(crane: &str, mechanism: &Mechanism, record: &Record) -> MechanismFigures {
    let totals = &record.totals;
    let period = record.period.clone().unwrap_or_else(|| plain_period(mechanism, totals));
    let PeriodRecord { ledger, base, .. } = &period;
    let km = totals.load_spectrum_factor(*base);
    let remaining = ledger.design_full_load_hours - ledger.used_full_load_hours();
    // FEM 9.755: D stands for full-load hours, so the same budget is more hours of a lower rating, over the cube.
    let lowered = mechanism.spec.base().fraction_of(*base).powi(3);
    let standard = mechanism.load.standard_uncertainty();
    let off = standard * mechanism.spec.rated.fraction_of(*base);
    let km_between = Loads::of(totals, &record.doubts, *base, off).between();
    let share_between = used_share_between(ledger, &Loads::of(&period.totals, &period.doubts, *base, off), off);
    let usual = standard * mechanism.spec.rated.as_kg();
    let ten_years_from = totals.full_load_hours(*base) + period.unseen_full_load_hours;
    MechanismFigures {
        id: mechanism.id.clone(),
        crane: crane.to_owned(),
        kind: mechanism.kind.name(),
        group: mechanism.group,
        rated_load_kg: mechanism.spec.rated.as_kg(),
        budget_rated_load_kg: base.as_kg() - mechanism.spec.dead_load.as_kg(),
        running_hours: totals.running_hours(),
        starts: totals.starts,
        lifts: totals.lifts,
        overload_lifts: totals.overload_lifts,
        load_spectrum_factor: km,
        load_spectrum_factor_low: km_between.map(|km| km.low),
        load_spectrum_factor_high: km_between.map(|km| km.high),
        state_of_loading: km.map(|km| MechanismLoading::of(km).map_or("above L4", MechanismLoading::name).to_owned()),
        full_load_hours: period.totals.full_load_hours(*base),
        prior_full_load_hours: ledger.full_load_hours_of(PartKind::Prior),
        gap_full_load_hours: period.unseen_full_load_hours,
        used_full_load_hours: ledger.used_full_load_hours(),
        design_full_load_hours: ledger.design_full_load_hours,
        consumed: ledger.used_share(),
        load_uncertainty_kg: period.doubts.mean().map_or(usual, Grams::as_kg),
        used_share_low: share_between.low,
        used_share_high: share_between.high,
        remaining_full_load_hours: remaining,
        remaining_at_rated_load_hours: remaining / lowered,
        group_in_use: mechanism_in_use(ten_years_from, record_span(record)).group(),
        spectrum: bands(totals),
        forecast: record.forecast.clone(),
        period_began: period.began.map(date_of),
        closed_periods: period.closed.iter().map(closed_figures).collect(),
        gap_waiting_hours: period.waiting_gap_hours,
        gap_starts: period.gap_starts,
        dynamics: DynamicsFigures::of(mechanism, &record.dynamics),
        motor_duty: duty_figures(mechanism.group, &record.duty.0, record.duty.1),
        severity: SeverityFigures::of(&record.service, mechanism.abnormal_environment),
        parts: record.parts.iter().map(|part| part_figures(part, record, *base)).collect(),
        periods: period.ledger.parts,
        gap_hours: totals.gap_ms as f64 / MS_PER_HOUR as f64,
        observed_hours: totals.observed_ms as f64 / MS_PER_HOUR as f64,
        load_unknown_hours: load_unknown_hours(totals),
        record_from: record.began_at.map(rfc3339),
        record_to: record.counted_to.map(rfc3339),
        gap_since: record.gap_since.map(rfc3339),
        hanging_since: record.hanging_since.map(rfc3339),
        anchor: record.anchor.clone(),
        lifts_given_up_to: record.thinned.lifts_to.map(date_of),
        histograms_given_up_to: record.thinned.histograms_to.map(date_of),
        revision: 0,
    }
}

fn of_crane(crane: &Crane, shares: &[(&Mechanism, CraneShare)]) -> CraneFigures {
    let hoists = || shares.iter().filter(|(m, _)| m.kind == tallyhook_config::model::Kind::Hoist);
    // The crane's own rated load is that of its strongest hoist.
    let rated = hoists().map(|(m, _)| m.spec.rated).max().unwrap_or(Grams::ZERO);
    let recorded: u64 = hoists().map(|(_, share)| share.lifts).sum();
    let cubes: u128 = hoists().map(|(_, share)| share.lift_cubes).fold(0, u128::saturating_add);
    let full_load = Totals { lift_cubes: cubes, ..Totals::default() }.full_load_cycles(rated);
    let prior = || hoists().flat_map(|(m, _)| &m.prior);
    let prior_lifts = prior().map(|p| p.lifts).sum();
    let prior_full_load: f64 = prior().map(|p| p.lifts as f64 * p.lifts_spectrum_factor).sum();
    let kp = (recorded > 0).then(|| full_load / recorded as f64);
    let span = hoists().map(|(_, share)| share.span).max().unwrap_or(Span::ZERO);
    CraneFigures {
        id: crane.id.clone(),
        name: crane.name.clone(),
        lifts: recorded,
        prior_lifts,
        load_spectrum_factor: kp,
        state_of_loading: kp.map(|kp| ApplianceLoading::of(kp).map_or("above Q4", ApplianceLoading::name).to_owned()),
        class_of_utilization: CycleClass::of((recorded + prior_lifts) as f64),
        group: crane.group,
        group_in_use: appliance_in_use(recorded as f64, kp, span, crane.design_life_years).group(),
        consumed: (full_load + prior_full_load) / crane.group.design_full_load_cycles(),
    }
}

/// The span of the record, gaps and all, by what was counted: a clock that was put right makes it no longer.
fn record_span(record: &Record) -> Span {
    record.totals.span()
}

/// One lift, as the contract of `lifts --json` has it.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct LiftFigures {
    /// When the load came onto the hook, RFC 3339.
    pub begin: String,
    /// When it left the hook, RFC 3339.
    pub end: String,
    /// Settled load, kg.
    pub load_kg: f64,
    /// Settled load over rated load.
    pub fraction: f64,
    /// Highest reading, kg.
    pub peak_kg: f64,
    /// Highest reading over settled load; `null` for a load below a fifth of the rated load.
    pub peak_factor: Option<f64>,
    /// Running time with the load on the hook, seconds.
    pub running_seconds: f64,
    /// Running edges, the one that took it up among them.
    pub starts: u32,
    /// Index of the load band.
    pub band: u8,
    /// The settled load is above the rated load.
    pub overload: bool,
    /// The record broke off while the load was on the hook.
    pub cut: bool,
    /// Standard uncertainty of the settled load, kg; `null` for a lift of before it was reckoned.
    pub load_uncertainty_kg: Option<f64>,
}

impl LiftFigures {
    /// The figures of a lift on a mechanism of that rated load.
    pub fn of(lift: &tallyhook_analysis::lift::Lift, rated: Grams) -> Self {
        LiftFigures {
            begin: rfc3339(lift.begin),
            end: rfc3339(lift.end),
            load_kg: lift.load.as_kg(),
            fraction: lift.load.fraction_of(rated),
            peak_kg: lift.peak.as_kg(),
            peak_factor: peak_factor(lift.load, lift.peak, rated).map(|factor| factor as f64 / 1000.0),
            running_seconds: lift.running_ms as f64 / 1000.0,
            starts: lift.starts,
            band: lift.band,
            overload: lift.overload,
            cut: lift.cut,
            load_uncertainty_kg: lift.uncertainty.map(Grams::as_kg),
        }
    }
}

/// Days since 1970-01-01 of a calendar date.
pub fn day_number(date: jiff::civil::Date) -> i32 {
    let midnight = date.to_datetime(jiff::civil::Time::midnight()).to_zoned_datetime(jiff::tz::TimeZone::UTC);
    midnight.map_or(0, |m| m.timestamp().as_second().div_euclid(86_400) as i32)
}

/// The calendar date of a day number, `YYYY-MM-DD`.
pub fn date_of(day: i32) -> String {
    match jiff::Timestamp::from_second(i64::from(day) * 86_400) {
        Ok(time) => time.to_zoned_datetime(jiff::tz::TimeZone::UTC).date().to_string(),
        Err(_) => format!("day {day}"),
    }
}

/// RFC 3339 in UTC, to the millisecond.
pub fn rfc3339(at: Timestamp) -> String {
    match jiff::Timestamp::from_millisecond(at.as_ms()) {
        Ok(time) => format!("{time:.3}"),
        // Beyond the calendar (years before -9999 or after 9999): the bare number is all there is to say.
        Err(_) => format!("{} ms", at.as_ms()),
    }
}
