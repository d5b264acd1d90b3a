//! Server-sent events: the figures as they change, written out, so that the page only has to put them in place.

use std::collections::BTreeMap;
use std::convert::Infallible;
use std::sync::Arc;

use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use tallyhook_analysis::units::Span;
use tokio::sync::{OwnedSemaphorePermit, watch};

use super::login::Gate;
use super::moments::{age, parse};
use super::record::RecordState;
use super::share_bar::levels_sentence;
use super::site::{km_text, used_words};
use super::{Shared, desk};

/// Real time between two events.
const EVERY: Span = Span::from_ms(2_000);

/// How many pages may listen at once.
pub const MOST_LISTENERS: usize = 32;

/// One event.
#[derive(Serialize, Debug)]
pub struct Now {
    /// When it was made, as the page writes it.
    pub at: String,
    /// Each mechanism.
    pub mechanisms: Vec<MechanismNow>,
}

/// One mechanism in an event.
#[derive(Serialize, Debug)]
pub struct MechanismNow {
    /// Identifier.
    pub id: String,
    /// Up to when time has been counted, RFC 3339.
    pub record_to: Option<String>,
    /// How long ago that was, seconds of the daemon's clock.
    pub age_seconds: Option<f64>,
    /// What is shown is not of now.
    pub stale: bool,
    /// S/D.
    pub consumed: f64,
    /// The banner's sentence; empty while readings come.
    pub banner: String,
    /// Written values by the name of their place.
    pub text: BTreeMap<&'static str, String>,
}

/// The figures of this moment.
pub fn now(shared: &Shared) -> Now {
    let figures = shared.figures.borrow().clone();
    let desk = desk(shared);
    let w = desk.words;
    let mechanisms = desk.config.mechanisms().filter_map(|(_, m)| {
        let f = figures.mechanisms.iter().find(|f| f.id == m.id)?;
        let state = RecordState::of(desk.config, m, f, desk.now);
        let text = BTreeMap::from([
            ("share", w.percent(f.consumed)),
            ("used", used_words(w, f)),
            ("levels", levels_sentence(&desk, f.consumed, &m.warn.used_share)),
            ("km", km_text(w, f)),
            ("hours", w.hours(f.running_hours)),
            ("lifts", w.count(f.lifts)),
            ("starts", w.count(f.starts)),
            ("state", state.text(w, &desk.moments, desk.now)),
        ]);
        Some(MechanismNow {
            id: f.id.clone(),
            record_to: f.record_to.clone(),
            age_seconds: f.record_to.as_deref().and_then(parse).map(|to| age(desk.now, to).as_seconds()),
            stale: state.is_stale(),
            consumed: f.consumed,
            banner: state.banner(w, &f.id, &desk.moments, desk.now),
            text,
        })
    });
    Now { at: desk.moments.second(desk.now), mechanisms: mechanisms.collect() }
}

/// `/events`.
pub async fn events(State(shared): State<Arc<Shared>>, headers: HeaderMap) -> Response {
    let Ok(seat) = shared.listeners.clone().try_acquire_owned() else {
        return (StatusCode::SERVICE_UNAVAILABLE, shared.words().too_many_readers).into_response();
    };
    // The guard has let this request in, but an event goes out hours later.
    let pass = shared.gate.clone().map(|gate| (gate.pass(&headers), gate));
    let listener = Listener { stop: shared.stop.clone(), shared, pass, _seat: seat, first: true };
    let stream = futures_util::stream::unfold(listener, |mut listener| async move {
        let text = listener.next().await?;
        Some((Ok::<_, Infallible>(Event::default().data(text)), listener))
    });
    Sse::new(stream).into_response()
}

/// A page that listens.
struct Listener {
    shared: Arc<Shared>,
    stop: watch::Receiver<bool>,
    /// Where there are users: the session that it listens by, and who knows whether that is still one.
    pass: Option<(Option<String>, Arc<Gate>)>,
    _seat: OwnedSemaphorePermit,
    first: bool,
}

impl Listener {
    /// The next event; `None` at the stop, and when the user is out.
    async fn next(&mut self) -> Option<String> {
        let clock = &self.shared.clock;
        if !std::mem::take(&mut self.first) {
            // Paced in real time: a time-lapse must not flood the browser.
            let pause = Span::from_seconds(EVERY.as_seconds() * clock.speed());
            tokio::select! {
                () = clock.sleep(pause) => {}
                _ = self.stop.wait_for(|stop| *stop) => return None,
            }
        }
        if let Some((token, gate)) = &self.pass {
            gate.holder_of(token.as_deref()?, clock.now().mono)?;
        }
        Some(serde_json::to_string(&now(&self.shared)).unwrap_or_default())
    }
}
