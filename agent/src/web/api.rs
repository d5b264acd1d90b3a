//! `/api/v1`: the same figures as JSON, at full precision.

use std::sync::Arc;

use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Json, Router};
use serde::{Deserialize, Serialize};
use tallyhook_analysis::account::HourSums;
use tallyhook_analysis::class::MechanismLoading;
use tallyhook_analysis::recorder::Gap;
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::{Grams, Timestamp};

use super::moments::parse;
use super::question::{asked, change};
use super::units::ms_as_hours;
use super::wording::{ENGLISH, fill};
use super::work::budget_base;
use super::{History, Known, Shared, known, on_history, openapi, site};
use crate::exit::Failure;
use crate::figures::{Band, LiftFigures, date_of, day_number, rfc3339};
use crate::store::WorkDay;
use crate::store::message::{Message, MessageKind};
use crate::store::service::{StoredService, Work};

/// Lifts in an answer when nothing is asked, and at most.
const LIFTS: usize = 100;
const MOST_LIFTS: usize = 1000;

/// All routes under `/api/v1`.
pub fn router() -> Router<Arc<Shared>> {
    Router::new()
        .route("/api/v1/openapi.json", get(async || Json(openapi::document())))
        .route("/api/v1/status", get(status))
        .route("/api/v1/mechanisms", get(mechanisms))
        .route("/api/v1/mechanisms/{id}", get(mechanism))
        .route("/api/v1/mechanisms/{id}/lifts", get(lifts))
        .route("/api/v1/mechanisms/{id}/days", get(days))
        .route("/api/v1/mechanisms/{id}/hours", get(hours))
        .route("/api/v1/mechanisms/{id}/spectrum", get(spectrum))
        .route("/api/v1/mechanisms/{id}/gaps", get(gaps))
        .route("/api/v1/mechanisms/{id}/messages", get(messages))
        .route("/api/v1/mechanisms/{id}/services", get(services))
        .route("/api/v1/mechanisms/{id}/whatif", get(whatif))
        .route("/api/v1/drives", get(drives))
        .route("/api/v1/destinations", get(destinations))
}

/// `/api/v1/status`: the site's figures.
pub async fn status(State(shared): State<Arc<Shared>>) -> Response {
    let figures = shared.figures.borrow().clone();
    Json(&*figures).into_response()
}

/// `/api/v1/destinations`: how each destination stands, by its name.
pub async fn destinations(State(shared): State<Arc<Shared>>) -> Response {
    let destinations = shared.destinations.borrow().clone();
    Json(&destinations).into_response()
}

async fn mechanisms(State(shared): State<Arc<Shared>>) -> Response {
    let figures = shared.figures.borrow().clone();
    let mut ranked: Vec<_> = figures.mechanisms.iter().collect();
    ranked.sort_by(|a, b| b.consumed.total_cmp(&a.consumed));
    Json(ranked).into_response()
}

async fn mechanism(State(shared): State<Arc<Shared>>, Path(id): Path<String>) -> Answer {
    Ok(Json(find(&shared, &id)?.figures).into_response())
}

async fn drives(State(shared): State<Arc<Shared>>) -> Response {
    let drives = shared.drives.borrow().clone();
    Json(&*drives).into_response()
}

/// What may be asked of days, hours and the spectrum.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SpanQuery {
    from: Option<String>,
    to: Option<String>,
}

impl SpanQuery {
    fn days(&self) -> Result<(i32, i32), Refused> {
        let day = |text: &Option<String>, open: i32| match text.as_deref() {
            None => Ok(open),
            Some(text) => match text.parse::<jiff::civil::Date>() {
                Ok(date) => Ok(day_number(date)),
                Err(_) => Err(Refused::asked(fill(ENGLISH.bad_date, &[("text", text)]))),
            },
        };
        Ok((day(&self.from, i32::MIN)?, day(&self.to, i32::MAX)?))
    }

    fn instants(&self) -> Result<(Option<Timestamp>, Option<Timestamp>), Refused> {
        let instant = |text: &Option<String>| match text.as_deref().map(parse) {
            None => Ok(None),
            Some(Some(at)) => Ok(Some(at)),
            Some(None) => Err(Refused::asked(ENGLISH.bad_instant)),
        };
        Ok((instant(&self.from)?, instant(&self.to)?))
    }
}

/// A day that is over, as JSON gives it.
#[derive(Serialize)]
pub struct DayFigures {
    date: String,
    observed_hours: f64,
    gap_hours: f64,
    running_hours: f64,
    full_load_hours: f64,
    load_spectrum_factor: Option<f64>,
    lifts: u64,
    overload_lifts: u64,
    starts: u64,
    worst_starts_in_an_hour: u64,
    worst_cyclic_duration_10min_percent: f64,
    worst_cyclic_duration_hour_percent: f64,
    used_full_load_hours: Option<f64>,
}

impl DayFigures {
    /// The figures of a day on a base.
    pub fn of(WorkDay { sums, duty }: &WorkDay, base: Grams) -> Self {
        let totals = sums.totals();
        DayFigures {
            date: date_of(sums.day),
            observed_hours: ms_as_hours(totals.observed_ms),
            gap_hours: ms_as_hours(totals.gap_ms),
            running_hours: totals.running_hours(),
            full_load_hours: totals.full_load_hours(base),
            load_spectrum_factor: totals.load_spectrum_factor(base),
            lifts: totals.lifts,
            overload_lifts: totals.overload_lifts,
            starts: totals.starts,
            worst_starts_in_an_hour: duty.worst_starts.value,
            worst_cyclic_duration_10min_percent: duty.ed_ten_minutes(),
            worst_cyclic_duration_hour_percent: duty.ed_hour(),
            used_full_load_hours: sums.used,
        }
    }
}

async fn days(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    query: Result<Query<SpanQuery>, QueryRejection>,
) -> Answer {
    let (at, query) = place(&shared, &id, query)?;
    let (from, to) = query.days()?;
    let base = budget_base(at.mechanism, &at.figures);
    let days = from_history(&shared, move |history| history.days_of_work(&id, from, to, None)).await?;
    Ok(Json(days.iter().map(|d| DayFigures::of(d, base)).collect::<Vec<_>>()).into_response())
}

#[derive(Serialize)]
struct HourFigures {
    begin: String,
    end: String,
    running_hours: f64,
    gap_hours: f64,
    full_load_hours: f64,
    starts: u64,
    lifts: u64,
}

async fn hours(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    query: Result<Query<SpanQuery>, QueryRejection>,
) -> Answer {
    let (at, query) = place(&shared, &id, query)?;
    let (from, to) = query.instants()?;
    let base = budget_base(at.mechanism, &at.figures);
    let figures = |sum: &HourSums| HourFigures {
        begin: rfc3339(sum.begin),
        end: rfc3339(sum.end),
        running_hours: ms_as_hours(sum.running_ms),
        gap_hours: ms_as_hours(sum.gap_ms),
        full_load_hours: Totals { cube_ms: sum.cube_ms, ..Totals::default() }.full_load_hours(base),
        starts: sum.starts,
        lifts: sum.lifts,
    };
    let hours = from_history(&shared, move |history| history.hours(&id, from, to)).await?;
    Ok(Json(hours.iter().map(figures).collect::<Vec<_>>()).into_response())
}

#[derive(Serialize)]
struct SpectrumFigures {
    from: Option<String>,
    to: Option<String>,
    running_hours: f64,
    lifts: u64,
    load_spectrum_factor: Option<f64>,
    state_of_loading: Option<&'static str>,
    bands: Vec<Band>,
}

async fn spectrum(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    query: Result<Query<SpanQuery>, QueryRejection>,
) -> Answer {
    let (at, query) = place(&shared, &id, query)?;
    let (from, to) = query.days()?;
    let base = budget_base(at.mechanism, &at.figures);
    let days = from_history(&shared, move |history| history.days(&id, from, to)).await?;
    let mut sum = Totals::default();
    days.iter().for_each(|(_, totals)| sum.add(totals));
    let km = sum.load_spectrum_factor(base);
    Ok(Json(SpectrumFigures {
        from: days.first().map(|d| date_of(d.0)),
        to: days.last().map(|d| date_of(d.0)),
        running_hours: sum.running_hours(),
        lifts: sum.lifts,
        load_spectrum_factor: km,
        state_of_loading: km.map(|km| MechanismLoading::of(km).map_or("above L4", MechanismLoading::name)),
        bands: crate::figures::bands(&sum),
    })
    .into_response())
}

/// How many of the newest are asked for.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NewestQuery {
    limit: Option<String>,
}

fn limit_of(text: Option<&str>) -> Result<usize, Refused> {
    match text.map(str::parse) {
        None => Ok(LIFTS),
        Some(Ok(limit)) if (1..=MOST_LIFTS).contains(&limit) => Ok(limit),
        Some(_) => {
            let most = MOST_LIFTS.to_string();
            Err(Refused::asked(fill(ENGLISH.bad_limit, &[("most", &most)])))
        }
    }
}

#[derive(Serialize)]
struct GapFigures {
    begin: String,
    end: String,
    hours: f64,
}

async fn gaps(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    query: Result<Query<NewestQuery>, QueryRejection>,
) -> Answer {
    let (_, query) = place(&shared, &id, query)?;
    let limit = limit_of(query.limit.as_deref())?;
    let figures = |gap: &Gap| GapFigures {
        begin: rfc3339(gap.begin),
        end: rfc3339(gap.end),
        hours: gap.end.since(gap.begin).as_hours(),
    };
    let gaps = from_history(&shared, move |history| history.gaps(&id, limit)).await?;
    Ok(Json(gaps.iter().map(figures).collect::<Vec<_>>()).into_response())
}

/// A warning or finding, as JSON gives it.
#[derive(Serialize)]
pub struct MessageFigures {
    id: String,
    at: String,
    kind: &'static str,
    crane: String,
    mechanism: String,
    text: String,
    body: serde_json::Value,
}

impl MessageFigures {
    /// The figures of a message.
    pub fn of(message: Message) -> Self {
        MessageFigures {
            at: rfc3339(message.at),
            kind: message.kind.name(),
            text: crate::publish::wording::what(&ENGLISH, &message),
            id: message.id,
            crane: message.crane,
            mechanism: message.mechanism,
            body: message.body,
        }
    }
}

async fn messages(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    query: Result<Query<NewestQuery>, QueryRejection>,
) -> Answer {
    let (_, query) = place(&shared, &id, query)?;
    let limit = limit_of(query.limit.as_deref())?;
    let kinds = [MessageKind::Warning, MessageKind::Finding];
    let found = from_history(&shared, move |history| history.messages(&id, &kinds, limit)).await?;
    Ok(Json(found.into_iter().map(MessageFigures::of).collect::<Vec<_>>()).into_response())
}

#[derive(Serialize)]
struct ServiceFigures {
    number: u64,
    recorded: String,
    taken: Option<String>,
    by: String,
    note: String,
    work: Work,
}

async fn services(State(shared): State<Arc<Shared>>, Path(id): Path<String>) -> Answer {
    find(&shared, &id)?;
    let figures = |s: StoredService| ServiceFigures {
        number: s.seq,
        recorded: rfc3339(s.service.at),
        taken: s.taken.map(rfc3339),
        by: s.service.by,
        note: s.service.note,
        work: s.service.work,
    };
    let found = from_history(&shared, move |history| history.services(&id)).await?;
    Ok(Json(found.into_iter().map(figures).collect::<Vec<_>>()).into_response())
}

/// What may be asked of a what-if; loads in kilograms whatever the page shows.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WhatIfParameters {
    rated_load_kg: Option<String>,
    above: Option<String>,
    group: Option<String>,
    lifts_percent: Option<String>,
    moved_percent: Option<String>,
    from: Option<String>,
    to: Option<String>,
    by: Option<String>,
}

async fn whatif(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    query: Result<Query<WhatIfParameters>, QueryRejection>,
) -> Answer {
    let w = &ENGLISH;
    let (_, q) = place(&shared, &id, query)?;
    let rated = match q.rated_load_kg.as_deref() {
        None => None,
        Some(text) => match text.parse::<f64>() {
            Ok(kg) if kg > 0.0 && kg <= 500_000.0 && Grams::from_kg(kg) > Grams::ZERO => Some(Grams::from_kg(kg)),
            _ => return Err(Refused::asked(fill(w.bad_load, &[("text", text), ("unit", "kg")]))),
        },
    };
    // A form leaves a field empty; a program leaves it out.
    let given = [&q.above, &q.group, &q.lifts_percent, &q.moved_percent, &q.from, &q.to, &q.by];
    if given.iter().any(|field| field.as_deref() == Some("")) {
        return Err(Refused::asked(w.bad_form));
    }
    let [above, group, lifts, moved, from, to, by] = given.map(|field| field.as_deref().unwrap_or_default());
    let asked = change(w, above, group, rated, lifts, moved).and_then(|change| asked(w, &id, change, [from, to, by]));
    let asked = asked.map_err(Refused::asked)?;
    match from_history(&shared, move |history| Ok(history.what_if(&asked))).await? {
        Ok(answer) => Ok(Json(answer).into_response()),
        Err(Failure::Usage(sentence)) => Err(Refused(StatusCode::CONFLICT, sentence)),
        Err(_) => Err(Refused::unreadable()),
    }
}

/// What may be asked of the lifts.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LiftsQuery {
    limit: Option<String>,
    before: Option<String>,
}

/// `/api/v1/mechanisms/{id}/lifts`: the newest lifts, newest first. `limit` 1 to 1000; `before` leaves out lifts that
/// began at or after it, so that the last answer's oldest `begin` asks for the next page.
pub async fn lifts(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    query: Result<Query<LiftsQuery>, QueryRejection>,
) -> Answer {
    let w = &ENGLISH;
    let Some((_, mechanism)) = site::find(&shared.config, &id) else { return Err(Refused::no_such(&id)) };
    let Query(query) = query.map_err(|_| Refused::asked(w.bad_query))?;
    let limit = limit_of(query.limit.as_deref())?;
    let before = match query.before.as_deref().map(parse) {
        None => None,
        Some(Some(at)) => Some(at),
        Some(None) => return Err(Refused::asked(w.bad_before)),
    };
    let rated = mechanism.spec.rated;
    let lifts = from_history(&shared, move |history| history.lifts(&id, limit, before)).await?;
    Ok(Json(lifts.iter().map(|l| LiftFigures::of(l, rated)).collect::<Vec<_>>()).into_response())
}

/// What a question gets.
type Answer = Result<Response, Refused>;

/// A question that is not answered: why, as a status and as a sentence.
pub struct Refused(StatusCode, String);

impl Refused {
    /// What was asked is not right.
    fn asked(sentence: impl Into<String>) -> Self {
        Refused(StatusCode::BAD_REQUEST, sentence.into())
    }

    fn no_such(id: &str) -> Self {
        Refused(StatusCode::NOT_FOUND, fill(ENGLISH.no_such_mechanism, &[("id", id)]))
    }

    fn unreadable() -> Self {
        Refused(StatusCode::SERVICE_UNAVAILABLE, ENGLISH.history_unreadable.to_owned())
    }
}

impl IntoResponse for Refused {
    fn into_response(self) -> Response {
        #[derive(Serialize)]
        struct Body {
            error: String,
        }
        (self.0, Json(Body { error: self.1 })).into_response()
    }
}

fn find<'a>(shared: &'a Shared, id: &str) -> Result<Known<'a>, Refused> {
    known(shared, id).ok_or_else(|| Refused::no_such(id))
}

/// The mechanism that a question is about, and what it asks.
fn place<'a, T>(
    shared: &'a Shared,
    id: &str,
    query: Result<Query<T>, QueryRejection>,
) -> Result<(Known<'a>, T), Refused> {
    let at = find(shared, id)?;
    let Query(query) = query.map_err(|_| Refused::asked(ENGLISH.bad_form))?;
    Ok((at, query))
}

async fn from_history<T: Send + 'static>(
    shared: &Shared,
    ask: impl FnOnce(&dyn History) -> Result<T, String> + Send + 'static,
) -> Result<T, Refused> {
    on_history(shared, ask).await.ok_or_else(Refused::unreadable)
}
