//! What every request must pass and every answer carries.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;

use axum::extract::{ConnectInfo, Request, State};
use axum::http::header::{self, HeaderName, HeaderValue};
use axum::http::{HeaderMap, Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};

use super::Shared;
use super::door::Caller;
use super::login::{self, Hand};
use super::wording::ENGLISH;
use crate::access::Role;

/// Everything comes from this server and nothing runs but `page.js`: text that strays into a page stays text.
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; \
                      img-src 'self' data:; base-uri 'none'; form-action 'self'; frame-ancestors 'none'";

/// What is shown to those who are not logged in: what they need to log in.
const OPEN: [&str; 4] = [login::PATH, "/page.css", "/page.js", "/favicon.ico"];

/// Refuses what does not only ask, unless it comes from our own page and from the box itself or from a user who may;
/// shows nothing to strangers when there are users; refuses foreign names while listening on loopback; adds the
/// headers.
pub async fn guard(State(shared): State<Arc<Shared>>, mut request: Request, next: Next) -> Response {
    let mut response = match admitted(&shared, &request) {
        Ok(hand) => {
            request.extensions_mut().insert(hand);
            next.run(request).await
        }
        Err(refused) => *refused,
    };
    let headers = response.headers_mut();
    let mut set = |name: HeaderName, value: &'static str| headers.insert(name, HeaderValue::from_static(value));
    set(header::CONTENT_SECURITY_POLICY, POLICY);
    set(header::X_FRAME_OPTIONS, "DENY");
    set(header::X_CONTENT_TYPE_OPTIONS, "nosniff");
    // With `no-referrer` a browser would hide where a form comes from.
    set(header::REFERRER_POLICY, "same-origin");
    set(HeaderName::from_static("cross-origin-resource-policy"), "same-origin");
    set(header::CACHE_CONTROL, "no-store");
    response
}

/// Who sends the request, or the answer that it gets at once.
fn admitted(shared: &Shared, request: &Request) -> Result<Hand, Box<Response>> {
    let path = request.uri().path();
    // Programs get one language.
    let words = if path.starts_with("/api/") { &ENGLISH } else { shared.words() };
    let refuse = |status, sentence: &'static str| Err(Box::new((status, sentence).into_response()));
    let posts = *request.method() == Method::POST;
    let needs = if posts { needed(path) } else { None };
    let gate = shared.gate.as_ref();
    let logs = posts && gate.is_some() && [login::PATH, login::OUT].contains(&path);
    if !([Method::GET, Method::HEAD].contains(request.method()) || needs.is_some() || logs) {
        let allow = [(header::ALLOW, "GET, HEAD")];
        return Err(Box::new((StatusCode::METHOD_NOT_ALLOWED, allow, words.only_get).into_response()));
    }
    if gate.is_some_and(|gate| !gate.may_call(peer(request))) {
        return refuse(StatusCode::FORBIDDEN, words.only_the_proxy);
    }
    let behind_proxy = gate.is_some_and(|gate| gate.is_behind_proxy());
    if !behind_proxy && !host_allowed(shared.listens_at, request.headers()) {
        return refuse(StatusCode::MISDIRECTED_REQUEST, words.not_for_this_name);
    }
    let Some(gate) = gate else {
        let hand = if from_the_box(request) { Hand::AtTheBox } else { Hand::None };
        return match needs {
            Some(_) if hand == Hand::None || !from_our_page(request.headers(), "http://", true) => {
                refuse(StatusCode::FORBIDDEN, words.only_from_the_box)
            }
            _ => Ok(hand),
        };
    };
    let user = gate.user_of(request.headers(), shared.clock.now().mono);
    if (needs.is_some() || logs) && !from_our_page(request.headers(), gate.scheme(), false) {
        let status = if user.is_some() || logs { StatusCode::FORBIDDEN } else { StatusCode::UNAUTHORIZED };
        return refuse(status, words.only_from_our_page);
    }
    match user {
        Some(user) => match needs {
            Some(role) if user.role < role => refuse(StatusCode::FORBIDDEN, words.role_too_small),
            _ => Ok(Hand::User(user)),
        },
        None if logs || (OPEN.contains(&path) && !posts) => Ok(Hand::None),
        None if wants_a_page(request) && !posts => Err(Box::new(Redirect::to(login::PATH).into_response())),
        None => refuse(StatusCode::UNAUTHORIZED, words.log_in_first),
    }
}

/// What a form needs that changes something.
fn needed(path: &str) -> Option<Role> {
    match path {
        path if path.ends_with("/service") => Some(Role::Service),
        path if path.ends_with("/warning") => Some(Role::Acknowledge),
        _ => None,
    }
}

/// A person with a browser, who is better sent to the log-in than told a number.
fn wants_a_page(request: &Request) -> bool {
    let accept = request.headers().get(header::ACCEPT).and_then(|v| v.to_str().ok());
    let program = ["/api/", "/metrics", "/events"].iter().any(|begin| request.uri().path().starts_with(begin));
    !program && accept.is_some_and(|accept| accept.contains("text/html"))
}

/// The address at the other end of the connection.
pub fn peer(request: &Request) -> Option<IpAddr> {
    request.extensions().get::<ConnectInfo<Caller>>().map(|ConnectInfo(Caller(at))| at.ip().to_canonical())
}

/// Whether the reader sits at the box: a loopback peer that speaks for nobody else.
fn from_the_box(request: &Request) -> bool {
    // A relay on the box would make the whole world loopback; those that say so are not the box.
    let relayed =
        ["forwarded", "x-forwarded-for", "x-real-ip", "via"].iter().any(|h| request.headers().contains_key(*h));
    peer(request).is_some_and(|address| address.is_loopback()) && !relayed
}

/// Whether a form was sent from a page of this very address: a browser says so, and a page of another site cannot.
fn from_our_page(headers: &HeaderMap, scheme: &str, loopback_only: bool) -> bool {
    let one = |name: HeaderName| {
        let mut values = headers.get_all(name).iter();
        let first = values.next().and_then(|v| v.to_str().ok());
        first.filter(|_| values.next().is_none())
    };
    let (Some(host), Some(origin)) = (one(header::HOST), one(header::ORIGIN)) else { return false };
    (!loopback_only || is_loopback_name(host))
        && origin.strip_prefix(scheme).is_some_and(|from| from.eq_ignore_ascii_case(host))
}

/// On loopback only a loopback name may be asked for: a foreign web page whose name was made to point here could
/// otherwise read the figures through the visitor's browser.
fn host_allowed(listens_at: SocketAddr, headers: &HeaderMap) -> bool {
    if !listens_at.ip().is_loopback() {
        return true;
    }
    let mut hosts = headers.get_all(header::HOST).iter();
    let (Some(host), None) = (hosts.next().and_then(|h| h.to_str().ok()), hosts.next()) else { return false };
    is_loopback_name(host)
}

/// `localhost`, a loopback address, either with or without a port.
fn is_loopback_name(host: &str) -> bool {
    let name = match host.strip_prefix('[') {
        Some(rest) => match rest.split_once(']') {
            Some((inside, after)) if after.is_empty() || is_port(after) => inside,
            _ => return false,
        },
        None => match host.find(':') {
            Some(colon) if is_port(&host[colon..]) => &host[..colon],
            Some(_) => return false,
            None => host,
        },
    };
    name.eq_ignore_ascii_case("localhost") || name.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

fn is_port(text: &str) -> bool {
    text.strip_prefix(':').is_some_and(|digits| digits.parse::<u16>().is_ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn loopback_names_and_no_others() {
        for good in ["localhost", "LOCALHOST:8080", "127.0.0.1:80", "127.3.2.1", "[::1]:8080", "[::1]"] {
            assert!(is_loopback_name(good), "{good}");
        }
        for bad in [
            "",
            "evil.test",
            "localhost.evil.test",
            "127.0.0.1.evil.test",
            "10.0.0.1",
            "[::2]",
            "[::1",
            "localhost:x",
            "::1",
            "0.0.0.0",
        ] {
            assert!(!is_loopback_name(bad), "{bad}");
        }
    }
}
