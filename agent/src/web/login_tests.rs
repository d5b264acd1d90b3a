//! Users at the page: who gets in, what each role may change, and how guessing is slowed down.

use std::io::Write;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::task::{Context, Waker};

use argon2::Params;
use axum::Router;
use axum::body::{Body, to_bytes};
use axum::extract::ConnectInfo;
use axum::http::header::{CONTENT_TYPE, COOKIE, HOST, LOCATION, ORIGIN, RETRY_AFTER, SET_COOKIE};
use axum::http::{Request, Response, StatusCode};
use futures_util::StreamExt;
use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_config::model::Page;
use tokio::sync::watch;
use tower::ServiceExt;

use super::door::Caller;
use super::tests::{ID, VIEWS, assert_well_formed, config, figures_of, history, seen, state};
use super::{WebState, router};
use crate::access::{Role, User, Users, hash_at};
use crate::clock::{Clock, Reading};
use crate::store::alarm::Alarm;

const HERE: &str = "192.0.2.7:50000";
const NAME: &str = "crane-box.example:8420";

/// A page with users, reached over TLS under a name of its own.
struct Gated {
    router: Router,
    clock: Clock,
    state: WebState,
    listens: SocketAddr,
    stopped: watch::Receiver<bool>,
    users: PathBuf,
    _directory: tempfile::TempDir,
    _senders: (watch::Sender<Arc<crate::figures::SiteFigures>>, watch::Sender<bool>),
}

/// What is tried here is who gets in; what a hash costs is tried in `access`.
fn user(name: &str, role: Role, password: &str) -> User {
    User::new(name, role, hash_at(password, Params::new(8, 1, 1, None).unwrap()).unwrap())
}

fn three() -> Users {
    let mut users = Users::default();
    users.put(user("office", Role::Look, "office's password"));
    users.put(user("foreman", Role::Acknowledge, "foreman's password"));
    users.put(user("fitter", Role::Service, "fitter's password"));
    users
}

fn gated(set: impl FnOnce(&mut Page)) -> Gated {
    let directory = tempfile::tempdir().unwrap();
    let users = directory.path().join("users");
    three().write(&users).unwrap();
    let mut config = config("Yard crane 1");
    config.page = Page {
        listen: "192.0.2.1:8420".parse().unwrap(),
        tls: Some(("page.pem".into(), "page.key".into())),
        proxy: None,
        users_file: Some(users.clone()),
    };
    set(&mut config.page);
    let listens = config.page.listen;
    let history = history();
    let figures = figures_of(&config, &history, true);
    history.alarms.lock().unwrap().push((
        Alarm {
            seq: 1,
            crane: "yard-1".to_owned(),
            mechanism: ID.to_owned(),
            what: "used_share:0.8".to_owned(),
            body: serde_json::json!({"quantity": "used_share", "level": 0.8, "value": 0.81, "raised": true}),
            raised: Timestamp::from_ms(1),
            times: 1,
            last: Timestamp::from_ms(1),
            cleared: None,
            acknowledged: None,
            shelved: None,
            reminded: None,
        },
        Vec::new(),
    ));
    let (state, sender) = state(config, history, figures, 0);
    let clock = state.clock.clone();
    let (stop, stopped) = watch::channel(false);
    let router = router(state.clone(), listens, stopped.clone());
    Gated { router, clock, state, listens, stopped, users, _directory: directory, _senders: (sender, stop) }
}

impl Gated {
    /// A new configuration has been taken.
    fn anew(&mut self) {
        self.router = router(self.state.clone(), self.listens, self.stopped.clone());
    }

    async fn ask(&self, request: axum::http::request::Builder, peer: &str, body: &str) -> Response<Body> {
        let mut request = request.body(Body::from(body.to_owned())).unwrap();
        let peer: SocketAddr = peer.parse().unwrap();
        request.extensions_mut().insert(ConnectInfo(Caller(peer)));
        self.router.clone().oneshot(request).await.unwrap()
    }

    async fn get(&self, path: &str, cookie: &str) -> Response<Body> {
        self.ask(Request::builder().uri(path).header(HOST, NAME).header(COOKIE, cookie), HERE, "").await
    }

    async fn post(&self, path: &str, cookie: &str, fields: &str) -> Response<Body> {
        self.ask(form("POST", path, cookie), HERE, fields).await
    }

    /// Logs in and gives the cookie as the browser sends it back.
    async fn log_in(&self, name: &str) -> String {
        let answer = self.post("/login", "", &format!("name={name}&password={name}%27s+password")).await;
        assert_eq!(answer.status(), StatusCode::SEE_OTHER, "{name}");
        let cookie = answer.headers()[SET_COOKIE].to_str().unwrap();
        cookie.split(';').next().unwrap().to_owned()
    }

    fn later(&self, span: Span) {
        let now = self.clock.now();
        self.clock.set(Reading { wall: now.wall.plus(span), mono: now.mono.plus(span) });
    }
}

fn form(method: &str, path: &str, cookie: &str) -> axum::http::request::Builder {
    Request::builder()
        .method(method)
        .uri(path)
        .header(HOST, NAME)
        .header(ORIGIN, format!("https://{NAME}"))
        .header(COOKIE, cookie)
        .header(CONTENT_TYPE, "application/x-www-form-urlencoded")
}

#[tokio::test]
async fn a_new_configuration_puts_nobody_out_and_forgets_no_guesser() {
    let mut site = gated(|_| ());
    let (office, fitter) = (site.log_in("office").await, site.log_in("fitter").await);
    for _ in 0..5 {
        site.post("/login", "", "name=fitter&password=guessed+and+wrong").await;
    }
    let guess = "name=fitter&password=guessed+again";
    assert_eq!(site.post("/login", "", guess).await.status(), StatusCode::TOO_MANY_REQUESTS);
    site.anew();
    for cookie in [&office, &fitter] {
        assert_eq!(site.get("/api/v1/status", cookie).await.status(), StatusCode::OK);
    }
    assert_eq!(site.post("/login", "", guess).await.status(), StatusCode::TOO_MANY_REQUESTS, "the pause goes on");
    // In the new file one is gone and one has another password.
    let mut users = three();
    users.remove("office");
    users.put(user("fitter", Role::Service, "another password"));
    users.write(&site.users).unwrap();
    site.anew();
    for cookie in [&office, &fitter] {
        assert_eq!(site.get("/api/v1/status", cookie).await.status(), StatusCode::UNAUTHORIZED);
    }
}

async fn text(answer: Response<Body>) -> String {
    String::from_utf8(to_bytes(answer.into_body(), 1 << 22).await.unwrap().to_vec()).unwrap()
}

/// The forms that change something, with what each needs.
const CHANGES: [(&str, &str, Role); 2] = [
    ("/mechanism/main-hoist/service", "what=note&by=somebody&note=sheet+12", Role::Service),
    ("/mechanism/main-hoist/warning", "number=1&act=note&by=somebody&note=seen", Role::Acknowledge),
];

/// The paths of all routes, as the sources have them: `.route(PATH, …)`, wherever it stands.
pub(super) fn routes() -> Vec<String> {
    let mut paths = Vec::new();
    let mut places = vec![PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/src"))];
    while let Some(place) = places.pop() {
        if place.is_dir() {
            places.extend(place.read_dir().unwrap().map(|entry| entry.unwrap().path()));
            continue;
        }
        let name = place.file_name().unwrap().to_string_lossy().into_owned();
        if !name.ends_with(".rs") || name.ends_with("tests.rs") {
            continue;
        }
        let text = std::fs::read_to_string(&place).unwrap();
        for other in [".route_service(", ".nest(", ".nest_service(", ".fallback_service("] {
            assert!(!text.contains(other), "{name} has a way in that is not tried here: {other}");
        }
        for route in text.split(".route(").skip(1) {
            let (path, _) = route.split_once(',').unwrap();
            paths.push(match path.trim() {
                "login::PATH" => super::login::PATH.to_owned(),
                "login::OUT" => super::login::OUT.to_owned(),
                quoted => quoted.strip_prefix('"').and_then(|p| p.strip_suffix('"')).unwrap().to_owned(),
            });
        }
    }
    assert!(paths.len() > 25, "{paths:?}");
    paths
}

/// Whatever the routes are: who has no user, or may only look, changes nothing by any of them.
#[tokio::test]
async fn no_route_of_the_page_takes_a_change_from_a_stranger_or_from_who_may_only_look() {
    let site = gated(|_| {});
    let office = site.log_in("office").await;
    let mut refused = Vec::new();
    for path in routes().iter().map(|path| path.replace("{id}", ID)) {
        if [super::login::PATH, super::login::OUT].contains(&path.as_str()) {
            continue;
        }
        for method in ["POST", "PUT", "PATCH", "DELETE"] {
            let fields = CHANGES.iter().find(|(changes, ..)| *changes == path).map_or("by=x", |(_, fields, _)| fields);
            let stranger = site.ask(form(method, &path, ""), HERE, fields).await.status();
            let looks = site.ask(form(method, &path, &office), HERE, fields).await.status();
            match (stranger, looks) {
                (StatusCode::UNAUTHORIZED, StatusCode::FORBIDDEN) => refused.push((method, path.clone())),
                (StatusCode::METHOD_NOT_ALLOWED, StatusCode::METHOD_NOT_ALLOWED) => {}
                other => panic!("{method} {path}: {other:?}"),
            }
        }
    }
    refused.sort();
    assert_eq!(
        refused,
        CHANGES.map(|(path, ..)| ("POST", path.to_owned())),
        "what changes something, and is tried above"
    );
}

#[tokio::test]
async fn every_route_that_changes_something_asks_for_a_user_whose_role_allows_it() {
    // A route that is added without a line above is found here: these files hold all routes.
    let routes = concat!(include_str!("mod.rs"), include_str!("api.rs"));
    let posts = routes.matches("post(").count()
        + ["put(", "patch(", "delete("].iter().map(|m| routes.matches(m).count()).sum::<usize>();
    // Log-in and log-out beside those that change something.
    assert_eq!(posts, CHANGES.len() + 2, "a route that changes something is not tried here");
    let site = gated(|_| {});
    for (path, fields, needs) in CHANGES {
        assert_eq!(site.post(path, "", fields).await.status(), StatusCode::UNAUTHORIZED, "{path}");
        assert_eq!(site.post(path, "__Host-tallyhook=0123", fields).await.status(), StatusCode::UNAUTHORIZED);
        for (name, role) in [("office", Role::Look), ("foreman", Role::Acknowledge), ("fitter", Role::Service)] {
            let cookie = site.log_in(name).await;
            let expected = if role >= needs { StatusCode::SEE_OTHER } else { StatusCode::FORBIDDEN };
            assert_eq!(site.post(path, &cookie, fields).await.status(), expected, "{name} at {path}");
        }
    }
    // Whoever it is, nothing else than the forms takes anything but a question.
    let fitter = site.log_in("fitter").await;
    for path in VIEWS.iter().chain(&["/api/v1/status", "/api/v1/mechanisms/main-hoist/services", "/metrics", "/events"])
    {
        for method in ["POST", "PUT", "PATCH", "DELETE"] {
            for cookie in ["", &fitter] {
                let answer = site.ask(form(method, path, cookie), HERE, "by=x").await;
                assert_eq!(answer.status(), StatusCode::METHOD_NOT_ALLOWED, "{method} {path}");
            }
        }
    }
}

#[tokio::test]
async fn what_is_done_is_booked_under_the_users_own_name() {
    let site = gated(|_| {});
    let fitter = site.log_in("fitter").await;
    for (path, fields, _) in CHANGES {
        assert_eq!(site.post(path, &fitter, fields).await.status(), StatusCode::SEE_OTHER);
    }
    let services: serde_json::Value =
        serde_json::from_str(&text(site.get("/api/v1/mechanisms/main-hoist/services", &fitter).await).await).unwrap();
    assert_eq!(services[0]["by"], "fitter", "not the name that the form made up");
    let warnings = seen(&text(site.get("/mechanism/main-hoist/warnings", &fitter).await).await);
    assert!(warnings.contains("noted by fitter: seen") && !warnings.contains("by somebody"), "{warnings}");
    let office = site.log_in("office").await;
    let upkeep = text(site.get("/mechanism/main-hoist/upkeep", &office).await).await;
    assert_well_formed(&upkeep);
    assert!(!upkeep.contains("<form") && seen(&upkeep).contains("Your role does not allow this"));
}

#[tokio::test]
async fn a_stranger_sees_the_log_in_and_nothing_else() {
    let site = gated(|_| {});
    for path in VIEWS.iter().chain(&["/api/v1/status", "/api/v1/openapi.json", "/metrics", "/events", "/nothing"]) {
        let answer = site.get(path, "").await;
        assert_eq!(answer.status(), StatusCode::UNAUTHORIZED, "{path}");
        assert_eq!(text(answer).await, "Log in at /login first.");
    }
    let asks = Request::builder().uri("/").header(HOST, NAME).header("accept", "text/html,*/*");
    let answer = site.ask(asks, HERE, "").await;
    assert_eq!((answer.status(), answer.headers()[LOCATION].to_str().unwrap()), (StatusCode::SEE_OTHER, "/login"));
    let answer = site.get("/login", "").await;
    assert!(answer.headers()["content-security-policy"].to_str().unwrap().contains("frame-ancestors 'none'"));
    let form = text(answer).await;
    assert_well_formed(&form);
    assert!(form.contains("type=\"password\"") && !form.contains("main-hoist"), "{form}");
    let office = site.log_in("office").await;
    for path in VIEWS {
        assert_eq!(site.get(path, &office).await.status(), StatusCode::OK, "{path}");
    }
}

#[tokio::test]
async fn a_session_is_kept_from_scripts_and_other_sites_and_ends() {
    let site = gated(|_| {});
    let answer = site.post("/login", "", "name=fitter&password=fitter%27s+password").await;
    let cookie = answer.headers()[SET_COOKIE].to_str().unwrap().to_owned();
    assert!(cookie.starts_with("__Host-tallyhook="), "{cookie}");
    for part in ["; HttpOnly", "; SameSite=Strict", "; Secure", "; Path=/", "; Max-Age=43200"] {
        assert!(cookie.contains(part), "{part}: {cookie}");
    }
    let status = async |cookie: &str| site.get("/", cookie).await.status();
    // Logging out ends it here, not only in the browser.
    let one = site.log_in("fitter").await;
    assert_eq!(status(&one).await, StatusCode::OK);
    site.post("/logout", &one, "").await;
    assert_eq!(status(&one).await, StatusCode::UNAUTHORIZED);
    // So do twelve hours,
    let two = site.log_in("fitter").await;
    site.later(Span::from_hours(11.9));
    assert_eq!(status(&two).await, StatusCode::OK);
    site.later(Span::from_hours(0.2));
    assert_eq!(status(&two).await, StatusCode::UNAUTHORIZED);
    // and a change of the user.
    let three_ = site.log_in("fitter").await;
    let mut users = three();
    users.remove("fitter");
    users.write(&site.users).unwrap();
    assert_eq!(status(&three_).await, StatusCode::UNAUTHORIZED);
    // A file that cannot be read lets nobody in.
    let office = site.log_in("office").await;
    std::fs::write(&site.users, "office look nonsense\n").unwrap();
    assert_eq!(status(&office).await, StatusCode::UNAUTHORIZED);
}

/// An open page is told for as long as its user is in, and no longer.
#[tokio::test]
async fn the_figures_of_an_open_page_end_with_its_session() {
    let site = gated(|_| {});
    let all = Users::read(&site.users).unwrap();
    for out in ["log-out", "removal", "twelve hours"] {
        let office = site.log_in("office").await;
        site.later(Span::from_hours(11.9));
        let foreman = site.log_in("foreman").await;
        let mut pages = Vec::new();
        for cookie in [&office, &foreman] {
            let mut page = site.get("/events", cookie).await.into_body().into_data_stream();
            assert!(page.next().await.unwrap().unwrap().starts_with(b"data: "));
            pages.push(page);
        }
        let next = async |page: &mut axum::body::BodyDataStream| {
            let mut event = std::pin::pin!(page.next());
            let mut unwatched = Context::from_waker(Waker::noop());
            assert!(event.as_mut().poll(&mut unwatched).is_pending(), "not before its time");
            site.later(Span::from_ms(2_001));
            tokio::time::timeout(std::time::Duration::from_secs(60), event).await.unwrap().is_some()
        };
        assert!(next(&mut pages[0]).await && next(&mut pages[1]).await, "both are in");
        match out {
            "log-out" => drop(site.post("/logout", &office, "").await),
            "removal" => {
                let mut others = Users::read(&site.users).unwrap();
                others.remove("office");
                others.write(&site.users).unwrap();
            }
            _ => site.later(Span::from_hours(0.2)),
        }
        assert!(!next(&mut pages[0]).await, "the page is told after {out}");
        assert!(next(&mut pages[1]).await, "the other one goes on after {out}");
        all.write(&site.users).unwrap();
    }
}

#[tokio::test]
async fn a_form_of_another_site_is_refused_even_with_the_cookie() {
    let site = gated(|_| {});
    let fitter = site.log_in("fitter").await;
    for (path, fields) in [(CHANGES[0].0, CHANGES[0].1), (CHANGES[1].0, CHANGES[1].1), ("/logout", "")] {
        for origin in
            ["https://elsewhere.example", "null", "http://crane-box.example:8420", "https://crane-box.example"]
        {
            let request = Request::builder().method("POST").uri(path).header(HOST, NAME).header(COOKIE, &fitter);
            let request = request.header(CONTENT_TYPE, "application/x-www-form-urlencoded").header(ORIGIN, origin);
            assert_eq!(site.ask(request, HERE, fields).await.status(), StatusCode::FORBIDDEN, "{origin} at {path}");
        }
        let none = Request::builder().method("POST").uri(path).header(HOST, NAME).header(COOKIE, &fitter);
        assert_eq!(site.ask(none, HERE, fields).await.status(), StatusCode::FORBIDDEN, "without an origin at {path}");
    }
    assert_eq!(site.get("/", &fitter).await.status(), StatusCode::OK, "not logged out");
}

#[tokio::test]
async fn behind_a_proxy_only_the_proxy_is_heard_and_its_word_on_the_reader_counts() {
    let site = gated(|page| {
        page.tls = None;
        page.proxy = Some("127.0.0.1".parse().unwrap());
        page.listen = "127.0.0.1:8420".parse().unwrap();
    });
    for path in ["/login", "/page.css", "/api/v1/status"] {
        assert_eq!(site.get(path, "").await.status(), StatusCode::FORBIDDEN, "{path}");
    }
    let tries = async |reader: &str| {
        let request = form("POST", "/login", "").header("x-forwarded-for", reader);
        site.ask(request, "127.0.0.1:40000", "name=fitter&password=wrong").await.status()
    };
    // What stands before the last address is the reader's own word, and no way around the pause.
    for n in 0..4 {
        assert_eq!(tries(&format!("203.0.113.{n}, 198.51.100.9")).await, StatusCode::UNAUTHORIZED);
    }
    assert_eq!(tries("203.0.113.77, 198.51.100.9").await, StatusCode::TOO_MANY_REQUESTS);
    assert_eq!(tries("198.51.100.10").await, StatusCode::UNAUTHORIZED, "another reader is free");
}

#[tokio::test]
async fn who_may_look_guesses_no_other_password_between_log_ins_of_their_own() {
    let site = gated(|_| {});
    let mut looked_at = 0;
    for n in 0..30 {
        let answer = site.post("/login", "", &format!("name=fitter&password=guess{n}")).await;
        looked_at += u32::from(answer.status() == StatusCode::UNAUTHORIZED);
        if n % 3 == 2 {
            site.post("/login", "", "name=office&password=office%27s+password").await;
        }
    }
    assert_eq!(looked_at, 4);
    // Who is in themselves is not made to wait longer by it.
    site.later(Span::from_ms(1_001));
    site.log_in("office").await;
    site.log_in("office").await;
}

/// A log that the test can read.
#[derive(Clone, Default)]
struct Log(Arc<Mutex<Vec<u8>>>);

impl Write for Log {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().unwrap().extend(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// The clock of the page is the test's own: it reckons the pauses and waits for none.
#[tokio::test]
async fn a_thousand_wrong_passwords_are_slowed_down_and_logged() {
    let log = Log::default();
    let writer = log.clone();
    let subscriber = tracing_subscriber::fmt()
        .with_max_level(tracing::Level::TRACE)
        .with_ansi(false)
        .with_writer(move || writer.clone())
        .finish();
    // Alone it would be asked about a line of the log only by the thread that writes that line first: a test beside this
    // one, which has no log, and after which the line is off for all.
    let _second = tracing::Dispatch::new(tracing_subscriber::fmt().with_writer(std::io::sink).finish());
    let _here = tracing::subscriber::set_default(subscriber);
    let site = gated(|_| {});
    let began = site.clock.now().mono;
    // As fast as they come: four are looked at, for all others a pause stands in the way.
    let (mut looked_at, mut refused) = (0, 0);
    for n in 0..1_000 {
        let answer = site.post("/login", "", &format!("name=fitter&password=guess{n}")).await;
        match answer.status() {
            StatusCode::UNAUTHORIZED => looked_at += 1,
            StatusCode::TOO_MANY_REQUESTS => refused += 1,
            other => panic!("{other}"),
        }
    }
    assert_eq!((looked_at, refused), (4, 996));
    let right = "name=fitter&password=fitter%27s+password";
    assert_eq!(site.post("/login", "", right).await.status(), StatusCode::TOO_MANY_REQUESTS, "right or wrong");
    // With the patience to wait for each: a thousand take more than ten days.
    while looked_at < 1_000 {
        let answer = site.post("/login", "", &format!("name=fitter&password=guess{looked_at}")).await;
        match answer.status() {
            StatusCode::UNAUTHORIZED => looked_at += 1,
            StatusCode::TOO_MANY_REQUESTS => {
                let seconds: i64 = answer.headers()[RETRY_AFTER].to_str().unwrap().parse().unwrap();
                site.later(Span::from_ms(seconds * 1_000));
            }
            other => panic!("{other}"),
        }
    }
    let took = Span::from_ms(site.clock.now().mono.as_ms() - began.as_ms());
    println!("1000 looked at within {:.0} h of the page's clock", took.as_hours());
    assert!(took.as_hours() > 240.0, "{} h", took.as_hours());
    // Another place is not made to suffer, and the right password ends the pauses.
    let other = site.ask(form("POST", "/login", ""), "192.0.2.8:1", right).await;
    assert_eq!(other.status(), StatusCode::SEE_OTHER);
    site.later(Span::from_hours(1.0));
    assert_eq!(site.post("/login", "", right).await.status(), StatusCode::SEE_OTHER);
    site.post("/login", "", "name=hunter2-in-the-wrong-field&password=x").await;
    let log = String::from_utf8(log.0.lock().unwrap().clone()).unwrap();
    assert_eq!(log.matches("wrong log-in as fitter from 192.0.2.7").count(), 1_000);
    assert!(
        log.contains("4 wrong by now, 0 refused unseen") && log.contains("5 wrong by now, 998 refused unseen"),
        "{}",
        &log[..2_000]
    );
    assert!(log.contains("log-ins from 192.0.2.7 are refused for 900 s after"));
    assert!(log.contains("wrong log-in as an unknown name"));
    assert!(log.contains("fitter (service) logged in from 192.0.2.8"));
    for secret in ["guess", "fitter's password", "fitter%27s", "hunter2", "argon2id"] {
        assert!(!log.contains(secret), "{secret} is in the log");
    }
}
