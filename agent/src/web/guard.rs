//! What every request must pass and every answer carries.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;

use axum::extract::{ConnectInfo, Request, State};
use axum::http::header::{self, HeaderName, HeaderValue};
use axum::http::{HeaderMap, Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::Shared;

/// Everything comes from this server and nothing runs but `page.js`: text that strays into a page stays text.
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; \
                      img-src 'self' data:; base-uri 'none'; form-action 'self'; frame-ancestors 'none'";

/// Refuses what does not only ask, unless it comes from the box itself and from our own page, and foreign names while
/// listening on loopback; adds the headers.
pub async fn guard(State(shared): State<Arc<Shared>>, request: Request, next: Next) -> Response {
    let words = shared.words();
    let changes = *request.method() == Method::POST
        && ["/service", "/warning"].iter().any(|end| request.uri().path().ends_with(end));
    let mut response = if ![Method::GET, Method::HEAD].contains(request.method()) && !changes {
        (StatusCode::METHOD_NOT_ALLOWED, [(header::ALLOW, "GET, HEAD")], words.only_get).into_response()
    } else if !host_allowed(shared.listens_at, request.headers()) {
        (StatusCode::MISDIRECTED_REQUEST, words.not_for_this_name).into_response()
    } else if changes && !(from_the_box(&request) && from_our_page(request.headers())) {
        (StatusCode::FORBIDDEN, words.only_from_the_box).into_response()
    } else {
        next.run(request).await
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

/// Whether the reader sits at the box: a loopback peer that speaks for nobody else.
pub fn from_the_box(request: &Request) -> bool {
    let peer = request.extensions().get::<ConnectInfo<SocketAddr>>();
    // A relay on the box would make the whole world loopback; those that say so are not the box.
    let relayed =
        ["forwarded", "x-forwarded-for", "x-real-ip", "via"].iter().any(|h| request.headers().contains_key(*h));
    peer.is_some_and(|ConnectInfo(address)| address.ip().to_canonical().is_loopback()) && !relayed
}

/// Whether a form was sent from a page of this very address: a browser says so, and a page of another site cannot.
fn from_our_page(headers: &HeaderMap) -> bool {
    let one = |name: HeaderName| {
        let mut values = headers.get_all(name).iter();
        let first = values.next().and_then(|v| v.to_str().ok());
        first.filter(|_| values.next().is_none())
    };
    let (Some(host), Some(origin)) = (one(header::HOST), one(header::ORIGIN)) else { return false };
    is_loopback_name(host) && origin.strip_prefix("http://").is_some_and(|from| from.eq_ignore_ascii_case(host))
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
