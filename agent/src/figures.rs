//! The figures that every view shows: `status`, `replay`, the page, the retained MQTT state are renderings of these.

use serde::Serialize;
use tallyhook_analysis::class::{ApplianceGroup, ApplianceLoading, CycleClass, MechanismGroup, MechanismLoading};
use tallyhook_analysis::in_use::{appliance_in_use, mechanism_in_use};
use tallyhook_analysis::period::{Ledger, Part, PartKind, Recording};
use tallyhook_analysis::spectrum::{BANDS, Totals, band_edges};
use tallyhook_analysis::units::{Grams, MS_PER_HOUR, Span, Timestamp};
use tallyhook_config::model::{Config, Crane, Mechanism};

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
    /// The group that ten years of such use would need; `null` with too little record.
    pub group_in_use: Option<MechanismGroup>,
    /// Hours by band.
    pub spectrum: Vec<Band>,
    /// When S reaches D; `null` with too little record.
    pub forecast: Option<Forecast>,
    /// The parts of S, each with its recording and factor.
    pub periods: Vec<Part>,
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
}

/// Figures of a crane as a whole.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct CraneFigures {
    /// Identifier.
    pub id: String,
    /// Name.
    pub name: String,
    /// Lifts of all its hoists.
    pub lifts: u64,
    /// Kp by lifts; `null` without lifts.
    pub load_spectrum_factor: Option<f64>,
    /// Class of Kp, 1986 edition; `above Q4` with Kp over 1.
    pub state_of_loading: Option<String>,
    /// Class of the lifts so far.
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
    /// The edition behind every class and group.
    pub edition: &'static str,
    /// What these figures are not.
    pub caution: &'static str,
}

/// The sentence that goes with every figure that people might act on.
pub const CAUTION: &str = "Information for maintenance. No safety device and no release for use: it replaces neither \
                           the load limiter nor an inspection by a competent person; local codes decide.";

/// All figures of a site; `record` gives what is known of a mechanism.
pub fn of_site(config: &Config, record: impl Fn(&Mechanism) -> Record) -> SiteFigures {
    let mut mechanisms = Vec::new();
    let mut cranes = Vec::new();
    for crane in &config.cranes {
        let records: Vec<(&Mechanism, Record)> = crane.mechanisms.iter().map(|m| (m, record(m))).collect();
        cranes.push(of_crane(crane, &records));
        mechanisms.extend(records.iter().map(|(m, r)| of_mechanism(&crane.id, m, r)));
    }
    SiteFigures {
        mechanisms,
        crane: cranes.first().cloned(),
        cranes,
        edition: tallyhook_analysis::class::EDITION,
        caution: CAUTION,
    }
}

/// D of a mechanism: the maker's own or the group's.
pub fn design_full_load_hours(mechanism: &Mechanism) -> f64 {
    mechanism.design_full_load_hours.unwrap_or_else(|| mechanism.group.design_full_load_hours())
}

/// The ledger of a mechanism's working period.
pub fn ledger(mechanism: &Mechanism, totals: &Totals) -> Ledger {
    let base = mechanism.spec.base();
    let scale = mechanism.factor_scale;
    let km = totals.load_spectrum_factor(base);
    let mut parts = Vec::new();
    let mut part = |kind, hours: f64, km: f64, recording: Recording, note: &str| {
        if hours > 0.0 {
            let factor = recording.factor(scale).unwrap_or(1.0);
            let note = note.to_owned();
            parts.push(Part { kind, running_hours: hours, spectrum_factor: km, recording, scale, factor, note });
        }
    };
    for prior in &mechanism.prior {
        part(PartKind::Prior, prior.running_hours, prior.spectrum_factor, prior.recording, &prior.note);
    }
    part(PartKind::Measured, totals.known_load_hours(), km.unwrap_or(0.0), Recording::Recorder, "");
    let unread = load_unknown_hours(totals);
    part(PartKind::LoadNotRead, unread, assumed_factor(km), Recording::Counter, "load not read");
    Ledger { design_full_load_hours: design_full_load_hours(mechanism), parts }
}

/// S/D as [`ledger`] gives it, without laying the ledger out: cheap enough for every sample.
pub fn used_share(mechanism: &Mechanism, totals: &Totals) -> f64 {
    let factor = |recording: Recording| recording.factor(mechanism.factor_scale).unwrap_or(1.0);
    let base = mechanism.spec.base();
    let prior: f64 = mechanism.prior.iter().map(|p| p.spectrum_factor * p.running_hours * factor(p.recording)).sum();
    let measured = totals.full_load_hours(base) * factor(Recording::Recorder);
    let unread =
        assumed_factor(totals.load_spectrum_factor(base)) * load_unknown_hours(totals) * factor(Recording::Counter);
    (prior + measured + unread) / design_full_load_hours(mechanism)
}

/// km of running time whose load was not read: the worse of what was measured so far and a moderate spectrum.
fn assumed_factor(measured: Option<f64>) -> f64 {
    measured.unwrap_or(0.0).max(MechanismLoading::L2.limit())
}

fn load_unknown_hours(totals: &Totals) -> f64 {
    totals.load_unknown_ms as f64 / MS_PER_HOUR as f64
}

fn of_mechanism(crane: &str, mechanism: &Mechanism, record: &Record) -> MechanismFigures {
    let totals = &record.totals;
    let base = mechanism.spec.base();
    let ledger = ledger(mechanism, totals);
    let km = totals.load_spectrum_factor(base);
    MechanismFigures {
        id: mechanism.id.clone(),
        crane: crane.to_owned(),
        kind: mechanism.kind.name(),
        group: mechanism.group,
        rated_load_kg: mechanism.spec.rated.as_kg(),
        running_hours: totals.running_hours(),
        starts: totals.starts,
        lifts: totals.lifts,
        overload_lifts: totals.overload_lifts,
        load_spectrum_factor: km,
        state_of_loading: km.map(|km| MechanismLoading::of(km).map_or("above L4", MechanismLoading::name).to_owned()),
        full_load_hours: totals.full_load_hours(base),
        prior_full_load_hours: ledger.full_load_hours_of(PartKind::Prior),
        gap_full_load_hours: ledger.full_load_hours_of(PartKind::Gap)
            + ledger.full_load_hours_of(PartKind::LoadNotRead),
        used_full_load_hours: ledger.used_full_load_hours(),
        design_full_load_hours: ledger.design_full_load_hours,
        consumed: ledger.used_share(),
        group_in_use: mechanism_in_use(totals.full_load_hours(base), record_span(record)).group(),
        spectrum: (0..BANDS)
            .map(|band| {
                let (from, to) = band_edges(band);
                let running_hours = totals.band_ms[band] as f64 / MS_PER_HOUR as f64;
                Band { from, to, running_hours, lifts: totals.band_lifts[band] }
            })
            .collect(),
        forecast: record.forecast.clone(),
        periods: ledger.parts,
        gap_hours: totals.gap_ms as f64 / MS_PER_HOUR as f64,
        observed_hours: totals.observed_ms as f64 / MS_PER_HOUR as f64,
        load_unknown_hours: load_unknown_hours(totals),
        record_from: record.began_at.map(rfc3339),
        record_to: record.counted_to.map(rfc3339),
        gap_since: record.gap_since.map(rfc3339),
        hanging_since: record.hanging_since.map(rfc3339),
    }
}

fn of_crane(crane: &Crane, records: &[(&Mechanism, Record)]) -> CraneFigures {
    let hoists = || records.iter().filter(|(m, _)| m.kind == tallyhook_config::model::Kind::Hoist);
    // The crane's own rated load is that of its strongest hoist.
    let rated = hoists().map(|(m, _)| m.spec.rated).max().unwrap_or(Grams::ZERO);
    let recorded: u64 = hoists().map(|(_, r)| r.totals.lifts).sum();
    let cubes: u128 = hoists().map(|(_, r)| r.totals.lift_cubes).fold(0, u128::saturating_add);
    let full_load = Totals { lift_cubes: cubes, ..Totals::default() }.full_load_cycles(rated);
    let prior = |f: &dyn Fn(&tallyhook_config::model::PriorUse) -> f64| -> f64 {
        hoists().flat_map(|(m, _)| &m.prior).map(f).sum()
    };
    let prior_full_load = prior(&|p| p.lifts as f64 * p.spectrum_factor);
    let kp = (recorded > 0).then(|| full_load / recorded as f64);
    let span = hoists().map(|(_, r)| record_span(r)).max().unwrap_or(Span::ZERO);
    CraneFigures {
        id: crane.id.clone(),
        name: crane.name.clone(),
        lifts: recorded,
        load_spectrum_factor: kp,
        state_of_loading: kp.map(|kp| ApplianceLoading::of(kp).map_or("above Q4", ApplianceLoading::name).to_owned()),
        class_of_utilization: CycleClass::of(recorded as f64 + prior(&|p| p.lifts as f64)),
        group: crane.group,
        group_in_use: appliance_in_use(recorded as f64, kp, span, crane.design_life_years).group(),
        consumed: (full_load + prior_full_load) / crane.group.design_full_load_cycles(),
    }
}

/// The span of the record, gaps and all; zero before the first sample.
fn record_span(record: &Record) -> Span {
    record.counted_to.zip(record.began_at).map_or(Span::ZERO, |(to, from)| to.since(from))
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
            running_seconds: lift.running_ms as f64 / 1000.0,
            starts: lift.starts,
            band: lift.band,
            overload: lift.overload,
            cut: lift.cut,
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
