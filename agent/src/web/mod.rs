//! The page: what the daemon knows, over HTTP, for people and for programs. It only shows, but for two forms: a service
//! is recorded, and a warning is acknowledged. Where there are users, those whose role allows it do so from anywhere, and
//! nobody else sees a thing; where there are none, it is done from the box itself and from nowhere else.
//!
//! | path | what |
//! | --- | --- |
//! | `/` | all mechanisms of the site, the most used first |
//! | `/mechanism/{id}` | one mechanism; `/work`, `/lifts`, `/whatif`, `/upkeep`, `/warnings`, `/drive` behind it are its other views |
//! | `/login`, `/logout` | where there are users |
//! | `/events` | server-sent events: the figures as they change |
//! | `/api/v1/` | the same as JSON; `/api/v1/openapi.json` describes it |
//! | `/metrics` | the figures for a metrics server: OpenMetrics, or Prometheus text where that is asked for |
//!
//! Views take figures from [`crate::figures`] and history through [`History`]; nothing is reckoned here but what a
//! drawing needs. All words are in `wording`, all rounding in [`units`], all colours in `drawing.css`.

#[cfg(test)]
mod any_request_tests;
mod api;
mod calendar;
mod destinations;
mod door;
mod drive_side;
pub(crate) mod explain;
mod guard;
pub(crate) mod history_tables;
pub(crate) mod layout;
mod lift_table;
mod live;
mod login;
#[cfg(test)]
mod login_tests;
pub(crate) mod mechanism;
mod metrics;
pub(crate) mod moments;
mod openapi;
mod plot;
mod prepare;
mod question;
mod record;
mod share_bar;
pub(crate) mod site;
mod source;
pub(crate) mod spectrum_chart;
mod stored;
#[cfg(test)]
mod stored_tests;
#[cfg(test)]
mod tests;
pub mod units;
pub(crate) mod upkeep;
pub(crate) mod used_chart;
pub(crate) mod warnings;
pub(crate) mod wording;
mod work;

use std::net::SocketAddr;
use std::sync::Arc;

use axum::extract::rejection::{FormRejection, QueryRejection};
use axum::extract::{Extension, Form, Path, Query, Request, State};
use axum::http::StatusCode;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use axum::{RequestExt, Router};
use maud::{Markup, html};
use serde::Deserialize;
use tallyhook_analysis::units::Span;
use tallyhook_config::model::{Config, Crane, Mechanism};
use tokio::sync::{Semaphore, watch};

use crate::access::Remembered;
use crate::clock::Clock;
use crate::drive::DriveFigures;
use crate::exit::Failure;
use crate::figures::{MechanismFigures, SiteFigures};
use crate::publish::health::Destinations;
use crate::store::alarm::ActError;
pub use door::tls;
use door::{Caller, Door};
use layout::{Desk, View, frame};
use lift_table::{LiftsQuery, Shown};
use login::{Gate, Hand};
use moments::Moments;
use question::WhatIfQuery;
pub use source::{History, InMemory};
pub use stored::Stored;
use upkeep::{Entry, ServiceForm};
use warnings::WarningForm;
use wording::{Wording, fill};
use work::WorkQuery;

/// The page's style: the drawings' part, which reports share, and its own.
const PAGE_CSS: &str = concat!(include_str!("drawing.css"), include_str!("page.css"));

/// How long open answers may take to end after the stop.
const GRACE: Span = Span::from_ms(2_000);

/// What the page shows.
#[derive(Clone)]
pub struct WebState {
    /// The site's configuration.
    pub config: Arc<Config>,
    /// The stored history.
    pub history: Arc<dyn History>,
    /// The present figures.
    pub figures: watch::Receiver<Arc<SiteFigures>>,
    /// How the drives' links stand and what was read last.
    pub drives: watch::Receiver<Arc<Vec<DriveFigures>>>,
    /// The daemon's clock: ages are told by it.
    pub clock: Clock,
    /// How each destination stands.
    pub destinations: watch::Receiver<Destinations>,
    /// Who is logged in already.
    pub access: Arc<Remembered>,
}

/// What the handlers share.
struct Shared {
    config: Arc<Config>,
    history: Arc<dyn History>,
    figures: watch::Receiver<Arc<SiteFigures>>,
    drives: watch::Receiver<Arc<Vec<DriveFigures>>>,
    clock: Clock,
    destinations: watch::Receiver<Destinations>,
    listens_at: SocketAddr,
    gate: Option<Arc<Gate>>,
    listeners: Arc<Semaphore>,
    stop: watch::Receiver<bool>,
}

impl Shared {
    /// The language of the page.
    fn words(&self) -> &'static Wording {
        Wording::of(self.config.language)
    }
}

/// Serves the page until `stop` turns true. Fails only when the listener does.
pub async fn serve(
    listener: tokio::net::TcpListener,
    state: WebState,
    stop: watch::Receiver<bool>,
) -> std::io::Result<()> {
    let listens_at = listener.local_addr()?;
    let clock = state.clock.clone();
    let tls = tls(&state.config.page).map_err(std::io::Error::other)?;
    let mut door = Door::new(listener, tls, clock.clone())?;
    let (broken, stops) = (door.broken(), stop.clone());
    let broken = async move {
        broken.await;
        // The door is also closed at the stop, while open answers still go out.
        if *stops.borrow() {
            std::future::pending::<()>().await;
        }
    };
    let WebState { config, history, figures, .. } = state.clone();
    tokio::spawn(prepare::prepare(config, history, figures, clock.clone(), stop.clone()));
    let router = router(state, listens_at, stop.clone());
    let mut asked = stop.clone();
    let stopping = async move {
        // An error is a sender that is gone, which is a stop as well.
        let _ = asked.wait_for(|stop| *stop).await;
    };
    let mut stopped = stop;
    let overdue = async move {
        let _ = stopped.wait_for(|stop| *stop).await;
        clock.sleep(Span::from_seconds(GRACE.as_seconds() * clock.speed())).await;
    };
    tokio::select! {
        ended = axum::serve(door, router.into_make_service_with_connect_info::<Caller>()).with_graceful_shutdown(stopping) => ended,
        // A reader that does not take its answer must not hold the daemon.
        () = overdue => Ok(()),
        // A page that takes no call any more is no page: the daemon ends in order, and is started anew.
        () = broken => Err(std::io::Error::other("what takes the calls broke off")),
    }
}

/// All routes. `listens_at` decides whether foreign host names are refused.
fn router(state: WebState, listens_at: SocketAddr, stop: watch::Receiver<bool>) -> Router {
    let WebState { config, history, figures, drives, clock, destinations, access } = state;
    let listeners = Arc::new(Semaphore::new(live::MOST_LISTENERS));
    let gate = Gate::of(&config.page, access).map(Arc::new);
    let shared =
        Arc::new(Shared { config, history, figures, drives, clock, destinations, listens_at, gate, listeners, stop });
    let script = "text/javascript; charset=utf-8";
    Router::new()
        .route("/", get(site_view))
        .route("/mechanism/{id}", get(mechanism_view))
        .route("/mechanism/{id}/work", get(work_view))
        .route("/mechanism/{id}/lifts", get(lifts_view))
        .route("/mechanism/{id}/whatif", get(whatif_view))
        .route("/mechanism/{id}/upkeep", get(upkeep_view))
        .route("/mechanism/{id}/drive", get(drive_view))
        .route("/mechanism/{id}/service", post(record_service))
        .route("/mechanism/{id}/warnings", get(warnings_view))
        .route("/mechanism/{id}/warning", post(act_on_warning))
        .route(login::PATH, get(login::view).post(login::enter))
        .route(login::OUT, post(login::leave))
        .route("/events", get(live::events))
        .route("/metrics", get(metrics::metrics))
        .merge(api::router())
        .route("/page.css", get(([(CONTENT_TYPE, "text/css; charset=utf-8")], PAGE_CSS)))
        .route("/page.js", get(([(CONTENT_TYPE, script)], include_str!("page.js"))))
        .route("/favicon.ico", get(StatusCode::NO_CONTENT))
        .fallback(async |State(shared): State<Arc<Shared>>| not_found(&shared, shared.words().not_found))
        .layer(axum::middleware::from_fn_with_state(shared.clone(), guard::guard))
        .with_state(shared)
}

fn desk(shared: &Shared) -> Desk<'_> {
    Desk {
        words: shared.words(),
        config: &shared.config,
        moments: Moments::new(shared.config.time_zone.clone()),
        now: shared.clock.now().wall,
        pace: shared.clock.speed(),
    }
}

async fn site_view(State(shared): State<Arc<Shared>>) -> Response {
    let figures = shared.figures.borrow().clone();
    let desk = desk(&shared);
    let destinations = shared.destinations.borrow().clone();
    let body = html! { (site::site(&desk, &figures)) (destinations::destinations(&desk, &destinations)) };
    frame(&desk, desk.words.site_title, true, body).into_response()
}

/// A mechanism of the site, what is known of it, and the figures that it is part of.
struct Known<'a> {
    crane: &'a Crane,
    mechanism: &'a Mechanism,
    figures: MechanismFigures,
}

fn known<'a>(shared: &'a Shared, id: &str) -> Option<Known<'a>> {
    let figures = shared.figures.borrow().clone();
    let (crane, mechanism) = site::find(&shared.config, id)?;
    let figures = figures.mechanisms.iter().find(|f| f.id == id)?.clone();
    Some(Known { crane, mechanism, figures })
}

fn unknown(shared: &Shared, id: &str) -> Response {
    not_found(shared, &fill(shared.words().no_such_mechanism, &[("id", id)]))
}

/// A view of a mechanism in its frame.
fn shown(desk: &Desk, at: &Known, view: View, status: StatusCode, body: Markup) -> Response {
    let title = match view {
        View::Life => format!("{}, {}", at.figures.id, at.crane.name),
        _ => format!("{}, {}", view.name(desk.words), at.figures.id),
    };
    (status, frame(desk, &title, false, body)).into_response()
}

/// What may be asked of a mechanism's own view.
#[derive(Deserialize, Default)]
struct LifeQuery {
    /// `lifts` for the spectrum by cycles.
    #[serde(default)]
    spectrum: String,
}

async fn mechanism_view(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    query: Result<Query<LifeQuery>, QueryRejection>,
) -> Response {
    let Some(at) = known(&shared, &id) else { return unknown(&shared, &id) };
    let own = at.figures.clone();
    let past = on_history(&shared, move |history| mechanism::Past::read(history, &own)).await;
    let desk = desk(&shared);
    let by_lifts = query.is_ok_and(|Query(q)| q.spectrum == "lifts");
    let body = mechanism::mechanism(&desk, at.crane, at.mechanism, &at.figures, past, by_lifts);
    shown(&desk, &at, View::Life, StatusCode::OK, body)
}

async fn work_view(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    query: Result<Query<WorkQuery>, QueryRejection>,
) -> Response {
    let Some(at) = known(&shared, &id) else { return unknown(&shared, &id) };
    let year = query.ok().and_then(|Query(q)| work::year(&q));
    let (own, mechanism, zone) = (at.figures.clone(), at.mechanism.clone(), shared.config.time_zone.clone());
    let past = on_history(&shared, move |history| {
        let moments = Moments::new(zone);
        work::Past::read(history, &mechanism, &own, year, |date| moments.midnight(date))
    })
    .await;
    let desk = desk(&shared);
    let body = work::work(&desk, at.crane, at.mechanism, &at.figures, past);
    shown(&desk, &at, View::Work, StatusCode::OK, body)
}

async fn lifts_view(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    query: Result<Query<LiftsQuery>, QueryRejection>,
) -> Response {
    let Some(at) = known(&shared, &id) else { return unknown(&shared, &id) };
    let desk = desk(&shared);
    let (query, asked) = match query {
        Ok(Query(query)) => {
            let asked = query.read(&desk, at.mechanism, &at.figures);
            (query, asked)
        }
        Err(_) => (LiftsQuery::default(), Err(desk.words.bad_form.to_owned())),
    };
    let (status, under) = match asked {
        Err(sentence) => (StatusCode::BAD_REQUEST, Shown::Refused(sentence)),
        Ok((asked, page)) => match on_history(&shared, move |history| history.find_lifts(&id, &asked)).await {
            Some(found) => (StatusCode::OK, Shown::Found(found, page)),
            None => (StatusCode::SERVICE_UNAVAILABLE, Shown::Unreadable),
        },
    };
    let body = lift_table::lifts(&desk, at.crane, at.mechanism, &at.figures, &query, under);
    shown(&desk, &at, View::Lifts, status, body)
}

async fn whatif_view(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    query: Result<Query<WhatIfQuery>, QueryRejection>,
) -> Response {
    let Some(at) = known(&shared, &id) else { return unknown(&shared, &id) };
    let desk = desk(&shared);
    let (query, asked) = match query {
        Ok(Query(query)) => {
            let asked = query.read(&desk, at.mechanism);
            (query, asked)
        }
        Err(_) => (WhatIfQuery::default(), Err(desk.words.bad_form.to_owned())),
    };
    let (status, answer) = match asked {
        Err(sentence) => (StatusCode::BAD_REQUEST, Err(sentence)),
        Ok(asked) => match on_history(&shared, move |history| Ok(history.what_if(&asked))).await {
            Some(Ok(answer)) => (StatusCode::OK, Ok(answer)),
            Some(Err(Failure::Usage(_))) => (StatusCode::OK, Err(desk.words.whatif_no_days.to_owned())),
            Some(Err(_)) | None => (StatusCode::SERVICE_UNAVAILABLE, Err(desk.words.history_unreadable.to_owned())),
        },
    };
    let body = question::what_if(&desk, at.crane, at.mechanism, &at.figures, &query, answer);
    shown(&desk, &at, View::WhatIf, status, body)
}

/// What may be asked of the view of upkeep.
#[derive(Deserialize, Default)]
struct UpkeepQuery {
    /// Number of the service that was just recorded.
    recorded: Option<u64>,
}

async fn upkeep_view(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    Extension(hand): Extension<Hand>,
    request: Request,
) -> Response {
    let query = Query::<UpkeepQuery>::try_from_uri(request.uri()).map(|Query(q)| q).unwrap_or_default();
    let said = query.recorded.map(Ok);
    upkeep_with(&shared, &id, StatusCode::OK, &hand, said, &ServiceForm::default()).await
}

async fn upkeep_with(
    shared: &Shared,
    id: &str,
    status: StatusCode,
    hand: &Hand,
    said: Option<Result<u64, String>>,
    form: &ServiceForm,
) -> Response {
    let Some(at) = known(shared, id) else { return unknown(shared, id) };
    let own = id.to_owned();
    let services = on_history(shared, move |history| history.services(&own)).await;
    let desk = desk(shared);
    let entry = Entry { hand, said, form };
    let body = upkeep::upkeep(&desk, at.crane, at.mechanism, &at.figures, services, &entry);
    shown(&desk, &at, View::Upkeep, status, body)
}

/// The guard has made sure that this comes from our own page, and from a hand that may.
async fn record_service(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    Extension(hand): Extension<Hand>,
    request: Request,
) -> Response {
    let Some(at) = known(&shared, &id) else { return unknown(&shared, &id) };
    let form: Result<Form<ServiceForm>, FormRejection> = request.extract().await;
    let Ok(Form(mut form)) = form else {
        let said = Some(Err(shared.words().bad_form.to_owned()));
        return upkeep_with(&shared, &id, StatusCode::BAD_REQUEST, &hand, said, &ServiceForm::default()).await;
    };
    // Who is named books under that name, whatever the form says.
    form.by = hand.name().map_or(form.by, str::to_owned);
    let service = match form.read(shared.words(), at.mechanism, shared.clock.now().wall) {
        Ok(service) => service,
        Err(sentence) => {
            return upkeep_with(&shared, &id, StatusCode::BAD_REQUEST, &hand, Some(Err(sentence)), &form).await;
        }
    };
    match on_history(&shared, move |history| history.record_service(&service)).await {
        Some(number) => {
            tracing::info!("service {number} of {id} was recorded at the page by {:?}", form.by);
            Redirect::to(&format!("{}?recorded={number}", View::Upkeep.address(&id))).into_response()
        }
        None => {
            let said = Some(Err(shared.words().service_refused.to_owned()));
            upkeep_with(&shared, &id, StatusCode::SERVICE_UNAVAILABLE, &hand, said, &form).await
        }
    }
}

/// What may be asked of the view of warnings.
#[derive(Deserialize, Default)]
struct WarningsQuery {
    /// Number of the warning that was just acted on.
    done: Option<u64>,
}

async fn warnings_view(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    Extension(hand): Extension<Hand>,
    request: Request,
) -> Response {
    let query = Query::<WarningsQuery>::try_from_uri(request.uri()).map(|Query(q)| q).unwrap_or_default();
    warnings_with(&shared, &id, StatusCode::OK, &hand, query.done.map(Ok), &WarningForm::default()).await
}

async fn warnings_with(
    shared: &Shared,
    id: &str,
    status: StatusCode,
    hand: &Hand,
    said: Option<Result<u64, String>>,
    form: &WarningForm,
) -> Response {
    let Some(at) = known(shared, id) else { return unknown(shared, id) };
    let own = id.to_owned();
    let alarms = on_history(shared, move |history| history.alarms(&own)).await;
    let desk = desk(shared);
    let entry = warnings::Entry { hand, said, form };
    let body = warnings::warnings(&desk, at.crane, at.mechanism, &at.figures, alarms, &entry);
    shown(&desk, &at, View::Warnings, status, body)
}

/// The guard has made sure that this comes from our own page, and from a hand that may.
async fn act_on_warning(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    Extension(hand): Extension<Hand>,
    request: Request,
) -> Response {
    if known(&shared, &id).is_none() {
        return unknown(&shared, &id);
    }
    let words = shared.words();
    let form: Result<Form<WarningForm>, FormRejection> = request.extract().await;
    let Ok(Form(mut form)) = form else {
        let said = Some(Err(words.bad_form.to_owned()));
        return warnings_with(&shared, &id, StatusCode::BAD_REQUEST, &hand, said, &WarningForm::default()).await;
    };
    form.by = hand.name().map_or(form.by, str::to_owned);
    let wanted = match form.read(words, shared.clock.now().wall) {
        Ok(wanted) => wanted,
        Err(sentence) => {
            return warnings_with(&shared, &id, StatusCode::BAD_REQUEST, &hand, Some(Err(sentence)), &form).await;
        }
    };
    let (own, number) = (id.clone(), wanted.number);
    let done = on_history(&shared, move |history| {
        // A form of one mechanism's page does nothing to another's warnings.
        if !history.alarms(&own)?.iter().any(|(alarm, _)| alarm.seq == wanted.number) {
            return Ok(Err(ActError::Unknown(wanted.number)));
        }
        match history.act(&wanted) {
            Err(ActError::Store(error)) => Err(error.to_string()),
            done => Ok(done),
        }
    })
    .await;
    let (status, sentence) = match done {
        Some(Ok(_)) => {
            tracing::info!("warning {number} of {id}: {} at the page by {:?}", form.act, form.by);
            let place = format!("{}?done={number}", View::Warnings.address(&id));
            return Redirect::to(&place).into_response();
        }
        Some(Err(refused)) => (StatusCode::BAD_REQUEST, warnings::refused(words, &refused)),
        None => (StatusCode::SERVICE_UNAVAILABLE, words.warning_refused.to_owned()),
    };
    warnings_with(&shared, &id, status, &hand, Some(Err(sentence)), &form).await
}

async fn drive_view(State(shared): State<Arc<Shared>>, Path(id): Path<String>) -> Response {
    let Some(at) = known(&shared, &id) else { return unknown(&shared, &id) };
    let desk = desk(&shared);
    let drives = shared.drives.borrow().clone();
    let body = drive_side::drive(&desk, at.crane, at.mechanism, &at.figures, &drives);
    shown(&desk, &at, View::Drive, StatusCode::OK, body)
}

fn not_found(shared: &Shared, sentence: &str) -> Response {
    let desk = desk(shared);
    let body = html! { h1 { (desk.words.not_found_title) } p { (sentence) } };
    (StatusCode::NOT_FOUND, frame(&desk, desk.words.not_found_title, false, body)).into_response()
}

/// Asks the history on a thread that may block; an error is logged and gives `None`.
async fn on_history<T: Send + 'static>(
    shared: &Shared,
    ask: impl FnOnce(&dyn History) -> Result<T, String> + Send + 'static,
) -> Option<T> {
    let history = shared.history.clone();
    let answer = tokio::task::spawn_blocking(move || ask(&*history)).await;
    match answer {
        Ok(Ok(found)) => Some(found),
        Ok(Err(sentence)) => {
            tracing::error!("the page cannot read the history: {sentence}");
            None
        }
        Err(broken) => {
            tracing::error!("reading the history for the page broke off: {broken}");
            None
        }
    }
}
