//! The page: what the daemon knows, over HTTP, for people and for programs. It only shows.
//!
//! | path | what |
//! | --- | --- |
//! | `/` | all mechanisms of the site |
//! | `/mechanism/{id}` | one mechanism |
//! | `/events` | server-sent events: the figures as they change |
//! | `/api/v1/status` | the site's figures as JSON, as `status --json` |
//! | `/api/v1/destinations` | how each destination stands, as JSON |
//! | `/api/v1/mechanisms/{id}/lifts` | lifts as JSON, as `lifts --json`; `?limit=` and `?before=` |
//!
//! Views take figures from [`crate::figures`] and history through [`History`]; nothing is reckoned here but what a
//! drawing needs. All words are in `wording`, all rounding in [`units`], all colours in `page.css`.

mod api;
mod destinations;
mod explain;
mod guard;
mod history_tables;
mod layout;
mod live;
mod mechanism;
mod moments;
mod plot;
mod record;
mod share_bar;
mod site;
mod source;
mod spectrum_chart;
mod stored;
#[cfg(test)]
mod tests;
pub mod units;
mod used_chart;
mod wording;

use std::net::SocketAddr;
use std::sync::Arc;

use axum::Router;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use maud::html;
use tallyhook_analysis::units::Span;
use tallyhook_config::model::Config;
use tokio::sync::{Semaphore, watch};

use crate::clock::Clock;
use crate::figures::SiteFigures;
use crate::publish::health::Destinations;
use layout::{Desk, frame};
use moments::Moments;
pub use source::{History, InMemory};
pub use stored::Stored;
use wording::{ENGLISH, Wording, fill};

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
    /// The daemon's clock: ages are told by it.
    pub clock: Clock,
    /// How each destination stands.
    pub destinations: watch::Receiver<Destinations>,
}

/// What the handlers share.
struct Shared {
    config: Arc<Config>,
    history: Arc<dyn History>,
    figures: watch::Receiver<Arc<SiteFigures>>,
    clock: Clock,
    destinations: watch::Receiver<Destinations>,
    listens_at: SocketAddr,
    listeners: Arc<Semaphore>,
    stop: watch::Receiver<bool>,
}

/// Serves the page until `stop` turns true. Fails only when the listener does.
pub async fn serve(
    listener: tokio::net::TcpListener,
    state: WebState,
    stop: watch::Receiver<bool>,
) -> std::io::Result<()> {
    let listens_at = listener.local_addr()?;
    let clock = state.clock.clone();
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
        ended = axum::serve(listener, router).with_graceful_shutdown(stopping) => ended,
        // A reader that does not take its answer must not hold the daemon.
        () = overdue => Ok(()),
    }
}

/// All routes. `listens_at` decides whether foreign host names are refused.
fn router(state: WebState, listens_at: SocketAddr, stop: watch::Receiver<bool>) -> Router {
    let WebState { config, history, figures, clock, destinations } = state;
    let listeners = Arc::new(Semaphore::new(live::MOST_LISTENERS));
    let shared = Arc::new(Shared { config, history, figures, clock, destinations, listens_at, listeners, stop });
    let script = "text/javascript; charset=utf-8";
    Router::new()
        .route("/", get(site_view))
        .route("/mechanism/{id}", get(mechanism_view))
        .route("/events", get(live::events))
        .route("/api/v1/status", get(api::status))
        .route("/api/v1/destinations", get(api::destinations))
        .route("/api/v1/mechanisms/{id}/lifts", get(api::lifts))
        .route("/page.css", get(([(CONTENT_TYPE, "text/css; charset=utf-8")], include_str!("page.css"))))
        .route("/page.js", get(([(CONTENT_TYPE, script)], include_str!("page.js"))))
        .route("/favicon.ico", get(StatusCode::NO_CONTENT))
        .fallback(async |State(shared): State<Arc<Shared>>| not_found(&shared, words().not_found))
        .layer(axum::middleware::from_fn_with_state(shared.clone(), guard::guard))
        .with_state(shared)
}

/// The language of the page.
fn words() -> &'static Wording {
    &ENGLISH
}

fn desk(shared: &Shared) -> Desk<'_> {
    Desk {
        words: words(),
        config: &shared.config,
        moments: Moments::new(shared.config.time_zone.clone()),
        now: shared.clock.now().wall,
    }
}

async fn site_view(State(shared): State<Arc<Shared>>) -> Response {
    let figures = shared.figures.borrow().clone();
    let desk = desk(&shared);
    let destinations = shared.destinations.borrow().clone();
    let body = html! { (site::site(&desk, &figures)) (destinations::destinations(&desk, &destinations)) };
    frame(&desk, desk.words.site_title, true, body).into_response()
}

async fn mechanism_view(State(shared): State<Arc<Shared>>, Path(id): Path<String>) -> Response {
    let figures = shared.figures.borrow().clone();
    let known = figures.mechanisms.iter().find(|f| f.id == id);
    let (Some((crane, mechanism)), Some(own)) = (site::find(&shared.config, &id), known) else {
        return not_found(&shared, &fill(words().no_such_mechanism, &[("id", &id)]));
    };
    let asked = own.clone();
    let past = on_history(&shared, move |history| mechanism::Past::read(history, &asked)).await;
    let desk = desk(&shared);
    let title = format!("{id}, {}", crane.name);
    frame(&desk, &title, false, mechanism::mechanism(&desk, crane, mechanism, own, past)).into_response()
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
