//! `/api/v1`: the same figures as JSON, at full precision.

#![allow(clippy::result_large_err, reason = "an answer that refuses is made once a request and goes out at once")]

use std::sync::Arc;

use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Json, Router};
use serde::{Deserialize, Serialize};
use tallyhook_analysis::account::{DayRecord, HourSums};
use tallyhook_analysis::class::MechanismLoading;
use tallyhook_analysis::recorder::Gap;
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::{Grams, Timestamp};

use super::moments::parse;
use super::question::{asked, change};
use super::units::ms_as_hours;
use super::wording::fill;
use super::work::budget_base;
use super::{Shared, on_history, openapi, site};
use crate::exit::Failure;
use crate::figures::{Band, LiftFigures, date_of, day_number, rfc3339};
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

async fn mechanism(State(shared): State<Arc<Shared>>, Path(id): Path<String>) -> Response {
    match super::known(&shared, &id) {
        Some(at) => Json(at.figures).into_response(),
        None => no_such(&shared, &id),
    }
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
    fn days(&self, shared: &Shared) -> Result<(i32, i32), String> {
        let day = |text: &Option<String>, open: i32| match text.as_deref() {
            None => Ok(open),
            Some(text) => match text.parse::<jiff::civil::Date>() {
                Ok(date) => Ok(day_number(date)),
                Err(_) => Err(fill(shared.words().bad_date, &[("text", text)])),
            },
        };
        Ok((day(&self.from, i32::MIN)?, day(&self.to, i32::MAX)?))
    }

    fn instants(&self, shared: &Shared) -> Result<(Option<Timestamp>, Option<Timestamp>), String> {
        let instant = |text: &Option<String>| match text.as_deref().map(parse) {
            None => Ok(None),
            Some(Some(at)) => Ok(Some(at)),
            Some(None) => Err(shared.words().bad_instant.to_owned()),
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
    used_full_load_hours: f64,
}

impl DayFigures {
    /// The figures of a day on a base.
    pub fn of(record: &DayRecord, base: Grams) -> Self {
        let totals = &record.totals;
        DayFigures {
            date: date_of(record.day),
            observed_hours: ms_as_hours(totals.observed_ms),
            gap_hours: ms_as_hours(totals.gap_ms),
            running_hours: totals.running_hours(),
            full_load_hours: totals.full_load_hours(base),
            load_spectrum_factor: totals.load_spectrum_factor(base),
            lifts: totals.lifts,
            overload_lifts: totals.overload_lifts,
            starts: totals.starts,
            worst_starts_in_an_hour: record.duty.worst_starts.value,
            worst_cyclic_duration_10min_percent: record.duty.ed_ten_minutes(),
            worst_cyclic_duration_hour_percent: record.duty.ed_hour(),
            used_full_load_hours: record.used_full_load_hours,
        }
    }
}

async fn days(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    query: Result<Query<SpanQuery>, QueryRejection>,
) -> Response {
    let Some(at) = super::known(&shared, &id) else { return no_such(&shared, &id) };
    let Ok(Query(query)) = query else { return error(StatusCode::BAD_REQUEST, shared.words().bad_form.to_owned()) };
    let (from, to) = match query.days(&shared) {
        Ok(days) => days,
        Err(sentence) => return error(StatusCode::BAD_REQUEST, sentence),
    };
    let base = budget_base(at.mechanism, &at.figures);
    match on_history(&shared, move |history| history.day_records(&id, from, to)).await {
        Some(days) => Json(days.iter().map(|d| DayFigures::of(d, base)).collect::<Vec<_>>()).into_response(),
        None => unreadable(&shared),
    }
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
) -> Response {
    let Some(at) = super::known(&shared, &id) else { return no_such(&shared, &id) };
    let Ok(Query(query)) = query else { return error(StatusCode::BAD_REQUEST, shared.words().bad_form.to_owned()) };
    let (from, to) = match query.instants(&shared) {
        Ok(instants) => instants,
        Err(sentence) => return error(StatusCode::BAD_REQUEST, sentence),
    };
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
    match on_history(&shared, move |history| history.hours(&id, from, to)).await {
        Some(hours) => Json(hours.iter().map(figures).collect::<Vec<_>>()).into_response(),
        None => unreadable(&shared),
    }
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
) -> Response {
    let Some(at) = super::known(&shared, &id) else { return no_such(&shared, &id) };
    let Ok(Query(query)) = query else { return error(StatusCode::BAD_REQUEST, shared.words().bad_form.to_owned()) };
    let (from, to) = match query.days(&shared) {
        Ok(days) => days,
        Err(sentence) => return error(StatusCode::BAD_REQUEST, sentence),
    };
    let base = budget_base(at.mechanism, &at.figures);
    let Some(days) = on_history(&shared, move |history| history.days(&id, from, to)).await else {
        return unreadable(&shared);
    };
    let mut sum = Totals::default();
    days.iter().for_each(|(_, totals)| sum.add(totals));
    let km = sum.load_spectrum_factor(base);
    Json(SpectrumFigures {
        from: days.first().map(|d| date_of(d.0)),
        to: days.last().map(|d| date_of(d.0)),
        running_hours: sum.running_hours(),
        lifts: sum.lifts,
        load_spectrum_factor: km,
        state_of_loading: km.map(|km| MechanismLoading::of(km).map_or("above L4", MechanismLoading::name)),
        bands: crate::figures::bands(&sum),
    })
    .into_response()
}

/// How many of the newest are asked for.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NewestQuery {
    limit: Option<String>,
}

fn limit_of(shared: &Shared, text: Option<&str>) -> Result<usize, String> {
    match text.map(str::parse) {
        None => Ok(LIFTS),
        Some(Ok(limit)) if (1..=MOST_LIFTS).contains(&limit) => Ok(limit),
        Some(_) => {
            let most = MOST_LIFTS.to_string();
            Err(fill(shared.words().bad_limit, &[("most", &most)]))
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
) -> Response {
    let Some(_) = super::known(&shared, &id) else { return no_such(&shared, &id) };
    let Ok(Query(query)) = query else { return error(StatusCode::BAD_REQUEST, shared.words().bad_form.to_owned()) };
    let limit = match limit_of(&shared, query.limit.as_deref()) {
        Ok(limit) => limit,
        Err(sentence) => return error(StatusCode::BAD_REQUEST, sentence),
    };
    let figures = |gap: &Gap| GapFigures {
        begin: rfc3339(gap.begin),
        end: rfc3339(gap.end),
        hours: gap.end.since(gap.begin).as_hours(),
    };
    match on_history(&shared, move |history| history.gaps(&id, limit)).await {
        Some(gaps) => Json(gaps.iter().map(figures).collect::<Vec<_>>()).into_response(),
        None => unreadable(&shared),
    }
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
            text: crate::publish::wording::what(&message),
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
) -> Response {
    let Some(_) = super::known(&shared, &id) else { return no_such(&shared, &id) };
    let Ok(Query(query)) = query else { return error(StatusCode::BAD_REQUEST, shared.words().bad_form.to_owned()) };
    let limit = match limit_of(&shared, query.limit.as_deref()) {
        Ok(limit) => limit,
        Err(sentence) => return error(StatusCode::BAD_REQUEST, sentence),
    };
    let kinds = [MessageKind::Warning, MessageKind::Finding];
    match on_history(&shared, move |history| history.messages(&id, &kinds, limit)).await {
        Some(found) => Json(found.into_iter().map(MessageFigures::of).collect::<Vec<_>>()).into_response(),
        None => unreadable(&shared),
    }
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

async fn services(State(shared): State<Arc<Shared>>, Path(id): Path<String>) -> Response {
    let Some(_) = super::known(&shared, &id) else { return no_such(&shared, &id) };
    let figures = |s: StoredService| ServiceFigures {
        number: s.seq,
        recorded: rfc3339(s.service.at),
        taken: s.taken.map(rfc3339),
        by: s.service.by,
        note: s.service.note,
        work: s.service.work,
    };
    match on_history(&shared, move |history| history.services(&id)).await {
        Some(found) => Json(found.into_iter().map(figures).collect::<Vec<_>>()).into_response(),
        None => unreadable(&shared),
    }
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
) -> Response {
    let w = shared.words();
    let Some(_) = super::known(&shared, &id) else { return no_such(&shared, &id) };
    let Ok(Query(q)) = query else { return error(StatusCode::BAD_REQUEST, w.bad_form.to_owned()) };
    let rated = match q.rated_load_kg.as_deref() {
        None => None,
        Some(text) => match text.parse::<f64>() {
            Ok(kg) if kg > 0.0 && kg <= 500_000.0 && Grams::from_kg(kg) > Grams::ZERO => Some(Grams::from_kg(kg)),
            _ => return error(StatusCode::BAD_REQUEST, fill(w.bad_load, &[("text", text), ("unit", "kg")])),
        },
    };
    // A form leaves a field empty; a program leaves it out.
    let given = [&q.above, &q.group, &q.lifts_percent, &q.moved_percent, &q.from, &q.to, &q.by];
    if given.iter().any(|field| field.as_deref() == Some("")) {
        return error(StatusCode::BAD_REQUEST, w.bad_form.to_owned());
    }
    let [above, group, lifts, moved, from, to, by] = given.map(|field| field.as_deref().unwrap_or_default());
    let asked = change(w, above, group, rated, lifts, moved).and_then(|change| asked(w, &id, change, [from, to, by]));
    let asked = match asked {
        Ok(asked) => asked,
        Err(sentence) => return error(StatusCode::BAD_REQUEST, sentence),
    };
    match on_history(&shared, move |history| Ok(history.what_if(&asked))).await {
        Some(Ok(answer)) => Json(answer).into_response(),
        Some(Err(Failure::Usage(sentence))) => error(StatusCode::CONFLICT, sentence),
        Some(Err(_)) | None => unreadable(&shared),
    }
}

fn no_such(shared: &Shared, id: &str) -> Response {
    error(StatusCode::NOT_FOUND, fill(shared.words().no_such_mechanism, &[("id", id)]))
}

fn unreadable(shared: &Shared) -> Response {
    error(StatusCode::SERVICE_UNAVAILABLE, shared.words().history_unreadable.to_owned())
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
) -> Response {
    let w = shared.words();
    let Some((_, mechanism)) = site::find(&shared.config, &id) else {
        return error(StatusCode::NOT_FOUND, fill(w.no_such_mechanism, &[("id", &id)]));
    };
    let Ok(Query(query)) = query else { return error(StatusCode::BAD_REQUEST, w.bad_query.to_owned()) };
    let limit = match query.limit.as_deref().map(str::parse) {
        None => LIFTS,
        Some(Ok(limit)) if (1..=MOST_LIFTS).contains(&limit) => limit,
        Some(_) => {
            let most = MOST_LIFTS.to_string();
            return error(StatusCode::BAD_REQUEST, fill(w.bad_limit, &[("most", &most)]));
        }
    };
    let before = match query.before.as_deref().map(parse) {
        None => None,
        Some(Some(at)) => Some(at),
        Some(None) => return error(StatusCode::BAD_REQUEST, w.bad_before.to_owned()),
    };
    let rated = mechanism.spec.rated;
    match on_history(&shared, move |history| history.lifts(&id, limit, before)).await {
        Some(lifts) => Json(lifts.iter().map(|l| LiftFigures::of(l, rated)).collect::<Vec<_>>()).into_response(),
        None => error(StatusCode::SERVICE_UNAVAILABLE, w.history_unreadable.to_owned()),
    }
}

#[derive(Serialize)]
struct ErrorBody {
    error: String,
}

fn error(status: StatusCode, error: String) -> Response {
    (status, Json(ErrorBody { error })).into_response()
}
