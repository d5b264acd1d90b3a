//! Logging in and out: the gate that knows the users, and the form.

use std::net::{IpAddr, Ipv4Addr};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use axum::RequestExt;
use axum::extract::rejection::FormRejection;
use axum::extract::{Extension, Form, Request, State};
use axum::http::header::{COOKIE, RETRY_AFTER, SET_COOKIE};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Redirect, Response};
use maud::{Markup, html};
use serde::Deserialize;
use tallyhook_analysis::units::Span;
use tallyhook_config::model::Page;
use tokio::sync::Semaphore;

use super::layout::{Desk, frame};
use super::wording::{Wording, fill};
use super::{Shared, desk, guard};
use crate::access::{Remembered, Role, SESSION_LASTS, Tried, User, Users};

/// Where one logs in.
pub const PATH: &str = "/login";

/// Where one logs out.
pub const OUT: &str = "/logout";

/// Log-ins that wait for their password to be hashed; each hash takes memory, so one is reckoned at a time.
const MOST_WAITING: usize = 8;

/// Who sends a request.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Hand {
    /// Nobody that could change anything.
    None,
    /// Somebody at the box itself, where there are no users: the form asks for a name.
    AtTheBox,
    /// A named user.
    User(User),
}

impl Hand {
    /// Whether forms that need this role are shown.
    pub fn may(&self, role: Role) -> bool {
        match self {
            Hand::None => false,
            Hand::AtTheBox => true,
            Hand::User(user) => user.role >= role,
        }
    }

    /// The name under which what is done is booked, when it is known.
    pub fn name(&self) -> Option<&str> {
        match self {
            Hand::User(user) => Some(&user.name),
            Hand::None | Hand::AtTheBox => None,
        }
    }

    /// The part of a form that says who does it: the user's name, or a field for one.
    pub fn signs(&self, w: &Wording, by: &str) -> Markup {
        match self.name() {
            Some(name) => html! { p { (fill(w.logged_in_as, &[("name", name)])) } },
            None => html! { label { (w.service_by) input type="text" name="by" maxlength="200" required value=(by); } },
        }
    }
}

/// What tells one state of a file from the next.
type Stamp = (i64, i64, u64, u64);

/// Who may come in, where there are users.
pub struct Gate {
    file: PathBuf,
    proxy: Option<IpAddr>,
    secured: bool,
    users: Mutex<(Option<Stamp>, Arc<Users>)>,
    remembered: Arc<Remembered>,
    waiting: Semaphore,
    hashing: Arc<Semaphore>,
}

/// A thread that fell over while it held the book left it in order: each step of it is one call.
fn book<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Gate {
    /// The gate of a page that has users; it goes on from what is remembered of them.
    pub fn of(page: &Page, remembered: Arc<Remembered>) -> Option<Self> {
        let file = page.users_file.clone()?;
        let gate = Gate {
            file,
            proxy: page.proxy,
            secured: page.is_secured(),
            users: Mutex::default(),
            remembered,
            waiting: Semaphore::new(MOST_WAITING),
            hashing: Arc::new(Semaphore::new(1)),
        };
        // Said at the start, where somebody looks.
        if gate.users().all().is_empty() {
            tracing::warn!(
                "nobody can log in to the page: {} names no user; `tallyhook user add` makes one",
                gate.file.display()
            );
        }
        Some(gate)
    }

    /// Whether this caller may speak to us at all.
    pub fn may_call(&self, peer: Option<IpAddr>) -> bool {
        self.proxy.is_none_or(|proxy| peer == Some(proxy))
    }

    /// Whether readers come through a proxy.
    pub fn is_behind_proxy(&self) -> bool {
        self.proxy.is_some()
    }

    /// How the addresses of our pages begin.
    pub fn scheme(&self) -> &'static str {
        if self.secured { "https://" } else { "http://" }
    }

    /// With TLS the name itself makes a browser keep the cookie to this host and to TLS.
    fn cookie_name(&self) -> &'static str {
        if self.secured { "__Host-tallyhook" } else { "tallyhook" }
    }

    fn cookie(&self, token: &str, seconds: i64) -> String {
        let secure = if self.secured { "; Secure" } else { "" };
        format!("{}={token}; Path=/; Max-Age={seconds}; HttpOnly; SameSite=Strict{secure}", self.cookie_name())
    }

    fn token<'a>(&self, headers: &'a HeaderMap) -> Option<&'a str> {
        let cookies = headers.get_all(COOKIE).iter().filter_map(|v| v.to_str().ok()).flat_map(|v| v.split(';'));
        cookies.filter_map(|c| c.trim().split_once('=')).find(|(name, _)| *name == self.cookie_name()).map(|(_, t)| t)
    }

    /// The user that a request comes from.
    pub fn user_of(&self, headers: &HeaderMap, now: Span) -> Option<User> {
        self.holder_of(self.token(headers)?, now)
    }

    /// What a request shows of its session, to be asked for later.
    pub fn pass(&self, headers: &HeaderMap) -> Option<String> {
        self.token(headers).map(str::to_owned)
    }

    /// The user whose session that is, as long as it lasts and the users' file names them.
    pub fn holder_of(&self, token: &str, now: Span) -> Option<User> {
        let users = self.users();
        book(&self.remembered.sessions).find(token, &users, now)
    }

    /// The users as the file stands now. A file that cannot be read names nobody.
    fn users(&self) -> Arc<Users> {
        let stamp = stamp(&self.file);
        let mut kept = book(&self.users);
        if stamp.is_none() || kept.0 != stamp {
            let users = Users::read(&self.file).unwrap_or_else(|error| {
                tracing::error!("nobody can log in to the page: {error}");
                Users::default()
            });
            *kept = (stamp, Arc::new(users));
        }
        kept.1.clone()
    }

    /// Where a log-in comes from. What the proxy adds to the header stands last; what stands before it was sent by
    /// the reader and may be a lie.
    fn place(&self, request: &Request) -> IpAddr {
        let told = || {
            let last = request.headers().get_all("x-forwarded-for").iter().next_back()?.to_str().ok()?;
            last.rsplit(',').next()?.trim().parse::<IpAddr>().ok()
        };
        let peer = guard::peer(request);
        self.proxy.and_then(|_| told()).or(peer).unwrap_or(IpAddr::V4(Ipv4Addr::UNSPECIFIED))
    }
}

fn stamp(file: &Path) -> Option<Stamp> {
    let now = std::fs::metadata(file).ok()?;
    Some((now.mtime(), now.mtime_nsec(), now.ino(), now.size()))
}

/// The fields of the form.
#[derive(Deserialize, Default)]
struct LoginForm {
    #[serde(default)]
    name: String,
    #[serde(default)]
    password: String,
}

/// The form.
pub async fn view(State(shared): State<Arc<Shared>>, Extension(hand): Extension<Hand>) -> Response {
    if shared.gate.is_none() {
        return super::not_found(&shared, shared.words().not_found);
    }
    page(&desk(&shared), StatusCode::OK, &hand, None)
}

fn page(desk: &Desk, status: StatusCode, hand: &Hand, said: Option<&str>) -> Response {
    let w = desk.words;
    let body = html! {
        h1 { (w.log_in_title) }
        @if let Some(sentence) = said { p.banner role="alert" { (sentence) } }
        @if let Some(name) = hand.name() {
            p { (fill(w.logged_in_as, &[("name", name)])) }
            form.ask method="post" action=(OUT) { button type="submit" { (w.log_out) } }
        } @else {
            form.ask method="post" action=(PATH) {
                label { (w.user_name) input type="text" name="name" maxlength="64" required autocomplete="username"; }
                label { (w.password) input type="password" name="password" maxlength="200" required autocomplete="current-password"; }
                button type="submit" { (w.log_in) }
            }
            p.remark { (w.log_in_about) }
        }
    };
    (status, frame(desk, w.log_in_title, false, body)).into_response()
}

/// Takes the form; the guard has made sure that it comes from our own page.
pub async fn enter(State(shared): State<Arc<Shared>>, request: Request) -> Response {
    let Some(gate) = shared.gate.clone() else { return super::not_found(&shared, shared.words().not_found) };
    let words = shared.words();
    let refuse = |status, said: &str| page(&desk(&shared), status, &Hand::None, Some(said));
    let place = gate.place(&request);
    let form: Result<Form<LoginForm>, FormRejection> = request.extract().await;
    let Ok(Form(form)) = form else { return refuse(StatusCode::BAD_REQUEST, words.bad_form) };
    let Ok(_waits) = gate.waiting.try_acquire() else {
        return later(refuse(StatusCode::TOO_MANY_REQUESTS, words.log_in_later), Span::from_ms(1_000));
    };
    let at = shared.clock.now().mono;
    match book(&gate.remembered.brake).try_from(place, at) {
        Tried::Look => {}
        Tried::Wait { left, wrong, first } => {
            if first {
                let seconds = left.as_seconds().ceil();
                tracing::warn!("log-ins from {place} are refused for {seconds} s after {wrong} wrong ones");
            }
            return later(refuse(StatusCode::TOO_MANY_REQUESTS, words.log_in_later), left);
        }
    }
    let Ok(turn) = gate.hashing.clone().acquire_owned().await else {
        return refuse(StatusCode::SERVICE_UNAVAILABLE, words.log_in_later);
    };
    let users = gate.users();
    let name = form.name.trim().to_owned();
    // A password typed into the wrong field must not get into the log: only names that are known do.
    let known = users.find(&name).map_or_else(|| "an unknown name".to_owned(), |user| user.name.clone());
    let checked = tokio::task::spawn_blocking(move || {
        let _turn = turn;
        users.check(&name, &form.password).cloned()
    });
    let Ok(Some(user)) = checked.await else {
        let (wrong, unseen) = book(&gate.remembered.brake).wrong(place);
        tracing::warn!("wrong log-in as {known} from {place}: {wrong} wrong by now, {unseen} refused unseen");
        return refuse(StatusCode::UNAUTHORIZED, words.wrong_log_in);
    };
    book(&gate.remembered.brake).right(place, at);
    match book(&gate.remembered.sessions).begin(&user, shared.clock.now().mono) {
        Ok(token) => {
            tracing::info!("{user:?} logged in from {place}");
            let seconds = SESSION_LASTS.as_ms() / 1000;
            ([(SET_COOKIE, gate.cookie(&token, seconds))], Redirect::to("/")).into_response()
        }
        Err(error) => {
            tracing::error!("nobody can log in to the page: {error}");
            refuse(StatusCode::SERVICE_UNAVAILABLE, words.log_in_later)
        }
    }
}

fn later(mut answer: Response, wait: Span) -> Response {
    let seconds = wait.as_ms().div_euclid(1000).max(0) + 1;
    answer.headers_mut().insert(RETRY_AFTER, seconds.into());
    answer
}

/// Logs out: the session is over here, whatever the browser does with its cookie.
pub async fn leave(State(shared): State<Arc<Shared>>, request: Request) -> Response {
    let Some(gate) = shared.gate.clone() else { return super::not_found(&shared, shared.words().not_found) };
    if let Some(token) = gate.token(request.headers()) {
        book(&gate.remembered.sessions).end(token);
    }
    ([(SET_COOKIE, gate.cookie("", 0))], Redirect::to(PATH)).into_response()
}
