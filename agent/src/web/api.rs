//! `/api/v1`: the same figures as JSON, at full precision.

use std::sync::Arc;

use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Json, Router};
use serde::{Deserialize, Serialize};

use super::moments::parse;
use super::wording::fill;
use super::{Shared, on_history, site};
use crate::figures::LiftFigures;

/// Lifts in an answer when nothing is asked, and at most.
const LIFTS: usize = 100;
const MOST_LIFTS: usize = 1000;

/// All routes under `/api/v1`.
pub fn router() -> Router<Arc<Shared>> {
    Router::new()
        .route("/api/v1/status", get(status))
        .route("/api/v1/destinations", get(destinations))
        .route("/api/v1/mechanisms/{id}/lifts", get(lifts))
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
