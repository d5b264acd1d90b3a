//! What every request must pass and every answer carries.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::header::{self, HeaderName, HeaderValue};
use axum::http::{HeaderMap, Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::{Shared, words};

/// Everything comes from this server and nothing runs but `page.js`: text that strays into a page stays text.
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; \
                      img-src 'self' data:; base-uri 'none'; form-action 'self'; frame-ancestors 'none'";

/// Refuses other methods than GET and HEAD, and foreign names while listening on loopback; adds the headers.
pub async fn guard(State(shared): State<Arc<Shared>>, request: Request, next: Next) -> Response {
    let mut response = if ![Method::GET, Method::HEAD].contains(request.method()) {
        (StatusCode::METHOD_NOT_ALLOWED, [(header::ALLOW, "GET, HEAD")], words().only_get).into_response()
    } else if !host_allowed(shared.listens_at, request.headers()) {
        (StatusCode::MISDIRECTED_REQUEST, words().not_for_this_name).into_response()
    } else {
        next.run(request).await
    };
    let headers = response.headers_mut();
    let mut set = |name: HeaderName, value: &'static str| headers.insert(name, HeaderValue::from_static(value));
    set(header::CONTENT_SECURITY_POLICY, POLICY);
    set(header::X_FRAME_OPTIONS, "DENY");
    set(header::X_CONTENT_TYPE_OPTIONS, "nosniff");
    set(header::REFERRER_POLICY, "no-referrer");
    set(HeaderName::from_static("cross-origin-resource-policy"), "same-origin");
    set(header::CACHE_CONTROL, "no-store");
    response
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
