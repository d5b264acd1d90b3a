//! Whatever a reader sends, the page gives an answer: forms and questions of every kind, changed at random. How they are
//! changed is in `tests/src/fuzz.rs`.

use axum::body::Body;
use axum::extract::{ConnectInfo, Form, FromRequest, Query};
use axum::http::header::{CONTENT_TYPE, HOST, ORIGIN};
use axum::http::{Request, Uri};
use serde::de::DeserializeOwned;
use tallyhook_tests::fuzz::fuzz;
use tokio::runtime::{Builder, Runtime};
use tokio::sync::watch;
use tower::ServiceExt;

use super::door::Caller;
use super::lift_table::LiftsQuery;
use super::question::WhatIfQuery;
use super::router;
use super::tests::{config, counted_to, figures_of, history, state};
use super::upkeep::ServiceForm;
use super::warnings::WarningForm;
use super::wording::ENGLISH;

const HERE: &str = "127.0.0.1:8420";

const PIECES: [&str; 26] = [
    "&",
    "=",
    "+",
    "%",
    "%00",
    "%ff",
    "%C3%28",
    "%F0%9F%92%A9",
    ";",
    "?",
    "/",
    "by=",
    "what=",
    "note=",
    "design=1e999",
    "sure=1",
    "part:rope",
    "number=-1",
    "from=2026-02-30",
    "to=9999-12-31",
    "least=nan",
    "rated=0",
    "page=9999999999",
    "id=18446744073709551616",
    "..",
    "\u{0}",
];

fn runtime() -> Runtime {
    Builder::new_current_thread().enable_all().build().unwrap()
}

fn form<T: DeserializeOwned>(runtime: &Runtime, bytes: &[u8]) -> Option<T> {
    let request = Request::builder().method("POST").header(CONTENT_TYPE, "application/x-www-form-urlencoded");
    let request = request.body(Body::from(bytes.to_vec())).unwrap();
    runtime.block_on(Form::<T>::from_request(request, &())).ok().map(|Form(form)| form)
}

#[test]
fn any_form() {
    let seeds = [
        "what=note&by=R.+Fitter&note=sheet+12",
        "what=overhaul&by=R.+Fitter&design=1600%2C5&sure=1",
        "number=3&act=shelve&by=R.+Fitter&hours=8&note=",
    ];
    let (runtime, config) = (runtime(), config("Yard crane 1"));
    let mechanism = &config.cranes[0].mechanisms[0];
    fuzz("forms", &seeds.map(|seed| seed.as_bytes().to_vec()), 20_000, 50, &PIECES, |bytes| {
        let service = form::<ServiceForm>(&runtime, bytes);
        let warning = form::<WarningForm>(&runtime, bytes);
        service.is_some_and(|form| form.read(&ENGLISH, mechanism, counted_to()).is_ok())
            | warning.is_some_and(|form| form.read(&ENGLISH, counted_to()).is_ok())
    });
}

#[test]
fn any_question() {
    let seeds = [
        "from=2026-01-01&to=2026-02-01&least=1.5&most=12&overload=1&sort=cost",
        "rated=12&above=split&group=M6&from=2026-01-01",
    ];
    fuzz("questions", &seeds.map(|seed| seed.as_bytes().to_vec()), 20_000, 50, &PIECES, |bytes| {
        let Some(uri) = std::str::from_utf8(bytes).ok().and_then(|text| format!("/?{text}").parse::<Uri>().ok()) else {
            return false;
        };
        Query::<LiftsQuery>::try_from_uri(&uri).is_ok() & Query::<WhatIfQuery>::try_from_uri(&uri).is_ok()
    });
}

/// The first line is what is asked for, the rest is the form; with a form it is a POST.
#[test]
fn any_request() {
    let seeds = [
        "/mechanism/main-hoist/lifts?from=2026-01-01&least=1.5&sort=cost\n",
        "/mechanism/main-hoist/whatif?rated=12&above=split\n",
        "/api/v1/mechanisms/main-hoist/hours?from=2026-01-01T00:00:00Z\n",
        "/mechanism/main-hoist/service\nwhat=note&by=R.+Fitter&note=sheet+12",
        "/mechanism/main-hoist/warning\nnumber=3&act=acknowledge&by=R.+Fitter",
    ];
    let (runtime, config, history) = (runtime(), config("Yard crane 1"), history());
    let figures = figures_of(&config, &history, true);
    let (state, _figures) = state(config, history, figures, 0);
    let (_stop, stopped) = watch::channel(false);
    let router = router(state, HERE.parse().unwrap(), stopped);
    fuzz("requests", &seeds.map(|seed| seed.as_bytes().to_vec()), 250, 200, &PIECES, |bytes| {
        let mut parts = bytes.splitn(2, |byte| *byte == b'\n');
        let (uri, form) = (parts.next().unwrap_or_default(), parts.next().unwrap_or_default().to_vec());
        let Ok(uri) = Uri::try_from(uri) else { return false };
        let request = Request::builder()
            .method(if form.is_empty() { "GET" } else { "POST" })
            .uri(uri)
            .header(HOST, HERE)
            .header(ORIGIN, format!("http://{HERE}"))
            .header(CONTENT_TYPE, "application/x-www-form-urlencoded");
        let mut request = request.body(Body::from(form)).unwrap();
        request.extensions_mut().insert(ConnectInfo(Caller("127.0.0.1:50000".parse().unwrap())));
        let status = runtime.block_on(router.clone().oneshot(request)).unwrap().status();
        assert!(!status.is_server_error(), "{status}");
        status.is_success() || status.is_redirection()
    });
}

/// The path, then a line a field of the head: hosts, sessions, origins and a proxy's word are read before anybody is known.
#[test]
fn any_head() {
    let seeds = [
        "/login\nhost: crane-box.example\ncookie: __Host-tallyhook=0123456789abcdef; other=1\nx-forwarded-for: 203.0.113.1",
        "/\nhost: [::1]:8420\naccept: text/html,*/*;q=0.8\nx-forwarded-for: 2001:db8::1, 198.51.100.9\norigin: null",
    ];
    let pieces = [
        "\n",
        ":",
        ";",
        ",",
        "=",
        "[",
        "]",
        "\"",
        " ",
        "\t",
        "%",
        "host: ",
        "cookie: ",
        "x-forwarded-for: ",
        "::",
        "\u{e9}",
    ];
    let place = tempfile::tempdir().unwrap();
    let users = place.path().join("users");
    crate::access::Users::default().write(&users).unwrap();
    let (runtime, mut config, history) = (runtime(), config("Yard crane 1"), history());
    config.page.users_file = Some(users);
    config.page.proxy = Some("127.0.0.1".parse().unwrap());
    let figures = figures_of(&config, &history, true);
    let (state, _figures) = state(config, history, figures, 0);
    let (_stop, stopped) = watch::channel(false);
    let router = router(state, HERE.parse().unwrap(), stopped);
    fuzz("heads", &seeds.map(|seed| seed.as_bytes().to_vec()), 1_000, 200, &pieces, |bytes| {
        let mut lines = bytes.split(|byte| *byte == b'\n');
        let Ok(uri) = Uri::try_from(lines.next().unwrap_or_default()) else { return false };
        let mut request = Request::builder().uri(uri);
        for (name, value) in lines.filter_map(|line| {
            let colon = line.iter().position(|byte| *byte == b':')?;
            Some((&line[..colon], line[colon + 1..].trim_ascii()))
        }) {
            request = request.header(name, value);
        }
        // What is no head at all does not come as far as the page.
        let Ok(mut request) = request.body(Body::empty()) else { return false };
        request.extensions_mut().insert(ConnectInfo(Caller("127.0.0.1:50000".parse().unwrap())));
        let status = runtime.block_on(router.clone().oneshot(request)).unwrap().status();
        assert!(!status.is_server_error(), "{status}");
        status.is_success()
    });
}
