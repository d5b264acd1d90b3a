//! The page as a reader's browser gets it, over a year of a made-up precast yard.

use std::collections::{BTreeMap, BTreeSet};

use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, Request};
use jiff::tz::TimeZone;
use tallyhook_analysis::class::{ApplianceGroup, MechanismGroup};
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::period::Recording;
use tallyhook_analysis::recorder::{Gap, Spec};
use tallyhook_analysis::spectrum::{Totals, band_of};
use tallyhook_analysis::units::{Grams, Timestamp};
use tallyhook_config::model::{Crane, Mechanism, Page, PriorUse, Store, Warn};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tower::ServiceExt;

use tallyhook_analysis::account::{DayRecord, HourSums};
use tallyhook_analysis::duty::DayDuty;
use tallyhook_analysis::histogram::Histogram;

use super::source::{LiftsAsked, LiftsFound};
use super::warnings::Wanted;
use super::*;
use crate::clock::Reading;
use crate::commands::whatif::{Asked, WhatifFigures};
use crate::figures::{Forecast, LiftFigures, Record, of_site};
use crate::store::alarm::{ActError, Alarm, Done};
use crate::store::message::{Message, MessageKind};
use crate::store::service::{Service, StoredService};

mod drive_view;
mod languages;

pub(super) const ID: &str = "main-hoist";
const DAY_MS: i64 = 86_400_000;
/// 2026-03-09, a Monday.
const LAST_DAY: i32 = 20_521;
const DAYS: i32 = 425;

/// Every view.
pub(super) const VIEWS: [&str; 10] = [
    "/",
    "/mechanism/main-hoist",
    "/mechanism/main-hoist?spectrum=lifts",
    "/mechanism/main-hoist/work?year=2025",
    "/mechanism/main-hoist/lifts",
    "/mechanism/main-hoist/lifts?sort=cost&rising=1&least=9.4&most=13&overload=&page=2",
    "/mechanism/main-hoist/whatif?rated=8&above=split",
    "/mechanism/main-hoist/upkeep",
    "/mechanism/main-hoist/warnings",
    "/mechanism/main-hoist/drive",
];

fn rated() -> Grams {
    Grams::from_kg(16_000.0)
}

pub(super) fn config(crane_name: &str) -> Config {
    let mechanism = Mechanism {
        warn: Warn {
            used_share: vec![0.8, 0.9, 1.0],
            used_share_hysteresis: 0.01,
            starts_per_hour: Vec::new(),
            overload: true,
        },
        prior: vec![PriorUse {
            running_hours: 1_900.0,
            spectrum_factor: 0.2,
            recording: Recording::Counter,
            lifts: 61_000,
            lifts_spectrum_factor: 0.2,
            note: "hour meter and yard book".to_owned(),
        }],
        ..Mechanism::plain(ID, MechanismGroup::M5, Spec::hoist(rated()))
    };
    Config {
        site_name: "Eastfield precast yard".to_owned(),
        time_zone: TimeZone::UTC,
        units: Default::default(),
        language: Default::default(),
        store: Store::plain("data"),
        page: Page::plain("127.0.0.1:8080".parse().unwrap()),
        alarms: Default::default(),
        outbox: Default::default(),
        drives: BTreeMap::new(),
        cranes: vec![Crane {
            id: "yard-1".to_owned(),
            name: crane_name.to_owned(),
            group: ApplianceGroup::A5,
            design_life_years: 20.0,
            mechanisms: vec![mechanism],
        }],
        mqtt: None,
        webhooks: Vec::new(),
        influx: None,
        matrix: None,
    }
}

/// Two shifts on weekdays: empty hook, moulds, slabs, now and then a beam above the rated load.
pub(super) fn history() -> InMemory {
    let mut history = InMemory::default();
    let mut lifts = Vec::new();
    let days = history.days.entry(ID.to_owned()).or_default();
    for day in LAST_DAY - DAYS + 1..=LAST_DAY {
        let mut totals = Totals { observed_ms: DAY_MS as u64, ..Totals::default() };
        // 1970-01-01 was a Thursday.
        let weekday = (day + 3).rem_euclid(7);
        if weekday < 5 {
            for (kg, minutes) in [(300.0, 70), (4_200.0, 32), (9_400.0, 40), (12_800.0, 26), (15_300.0, 9)] {
                let more = i64::from(day * 7 % 11);
                totals.book_running(Grams::from_kg(kg), rated(), Span::from_ms((minutes + more) * 60_000));
            }
            for n in 0..60 {
                let kg = [4_180.0, 9_412.0, 12_790.0, 9_398.0, 15_320.0][(n % 5) as usize];
                let over = day % 20 == 0 && n == 3;
                let load = if over { Grams::from_kg(16_480.0) } else { Grams::from_kg(kg + f64::from(n % 7) * 11.0) };
                let begin = Timestamp::from_ms(i64::from(day) * DAY_MS + 21_600_000 + i64::from(n) * 840_000);
                let band = band_of(load, rated()) as u8;
                lifts.push(Lift {
                    begin,
                    end: begin.plus(Span::from_ms(195_300)),
                    load,
                    peak: Grams::new(load.get() + 610_000),
                    running_ms: 64_200 + n as u64 * 300,
                    starts: 6 + (n % 4) as u32,
                    band,
                    overload: over,
                    cut: false,
                    uncertainty: Some(Grams::from_kg(161.0)),
                });
                totals.lifts += 1;
                totals.starts += 6;
                totals.overload_lifts += u64::from(over);
                totals.band_lifts[usize::from(band)] += 1;
                totals.lift_cubes += load.cubed();
            }
        }
        if day == LAST_DAY - 40 {
            totals.gap_ms = 7_200_000;
            totals.load_unknown_ms = 1_800_000;
            totals.running_ms += 1_800_000;
        }
        days.insert(day, totals);
    }
    let records = days.iter().map(|(day, totals)| {
        let mut running = Histogram::default();
        running.add(Grams::from_kg(9_400.0), totals.running_ms);
        let duty = DayDuty { starts: totals.starts, ..DayDuty::default() };
        let totals = totals.clone();
        DayRecord { day: *day, totals, duty, running, lifts: Histogram::default(), used_full_load_hours: 1.0 }
    });
    history.records.insert(ID.to_owned(), records.collect());
    let gap = Timestamp::from_ms(i64::from(LAST_DAY - 40) * DAY_MS + 36_000_000);
    history.gaps.insert(ID.to_owned(), vec![Gap { begin: gap, end: gap.plus(Span::from_ms(7_200_000)) }]);
    history.lifts.insert(ID.to_owned(), lifts);
    history.messages.push(Message {
        id: "w1".to_owned(),
        at: gap,
        kind: MessageKind::Warning,
        crane: "yard-1".to_owned(),
        mechanism: ID.to_owned(),
        body: serde_json::json!({"text": "Used share S/D reached the warn level 0.5 <b>"}),
    });
    history
}

/// The last counted instant: the end of the last day.
pub(super) fn counted_to() -> Timestamp {
    Timestamp::from_ms((i64::from(LAST_DAY) + 1) * DAY_MS)
}

pub(super) fn figures_of(config: &Config, history: &InMemory, forecast: bool) -> SiteFigures {
    of_site(config, |_| {
        let mut totals = Totals::default();
        history.days[ID].values().for_each(|day| totals.add(day));
        Record {
            totals,
            began_at: Some(Timestamp::from_ms(i64::from(LAST_DAY - DAYS + 1) * DAY_MS)),
            counted_to: Some(counted_to()),
            forecast: forecast.then(|| Forecast {
                date_p10: "2028-02-11".to_owned(),
                date_p50: Some("2028-06-20".to_owned()),
                date_p90: Some("2028-12-02".to_owned()),
            }),
            ..Record::default()
        }
    })
}

struct Site {
    router: Router,
    figures: Arc<SiteFigures>,
    // The figures and the stop stand as long as someone could change them.
    _senders: (watch::Sender<Arc<SiteFigures>>, watch::Sender<bool>),
}

/// A broker that cannot be reached, and a chat that left a message out.
fn board(clock: &Clock) -> crate::publish::health::Board {
    let board = crate::publish::health::Board::default();
    board.line("mqtt", clock).trouble("no <connection>", "check the network");
    let chat = board.line("matrix", clock);
    chat.parked("m1", "answer 413", "shorten it");
    chat.well();
    board
}

pub(super) fn state(
    config: Config,
    history: InMemory,
    figures: SiteFigures,
    late_ms: i64,
) -> (WebState, watch::Sender<Arc<SiteFigures>>) {
    let (sender, receiver) = watch::channel(Arc::new(figures));
    let (_, drives) = watch::channel(Arc::new(Vec::new()));
    let clock = Clock::manual(counted_to());
    clock.set(Reading { wall: counted_to().plus(Span::from_ms(late_ms)), mono: Span::ZERO });
    let destinations = board(&clock).watch();
    let (config, history) = (Arc::new(config), Arc::new(history));
    (WebState { config, history, figures: receiver, drives, clock, destinations, access: Arc::default() }, sender)
}

fn site_with(config: Config, history: InMemory, late_ms: i64) -> Site {
    let figures = figures_of(&config, &history, true);
    let (state, sender) = state(config, history, figures.clone(), late_ms);
    let (stop, stopped) = watch::channel(false);
    let router = router(state, "127.0.0.1:8080".parse().unwrap(), stopped);
    Site { router, figures: Arc::new(figures), _senders: (sender, stop) }
}

fn site() -> Site {
    site_with(config("Yard crane 1"), history(), 14_000)
}

impl Site {
    async fn ask(&self, method: &str, path: &str, host: &str) -> (StatusCode, HeaderMap, String) {
        let request = Request::builder().method(method).uri(path).header("host", host).body(Body::empty()).unwrap();
        let response = self.router.clone().oneshot(request).await.unwrap();
        let (parts, body) = response.into_parts();
        let bytes = to_bytes(body, 10_000_000).await.unwrap();
        (parts.status, parts.headers, String::from_utf8(bytes.to_vec()).unwrap())
    }

    async fn get(&self, path: &str) -> String {
        let (status, _, body) = self.ask("GET", path, "localhost").await;
        assert_eq!(status, StatusCode::OK, "{path}");
        body
    }
}

/// What a reader sees: tags away, entities resolved, spaces made plain.
pub(super) fn seen(html: &str) -> String {
    let mut out = String::new();
    let mut inside = false;
    for c in html.chars() {
        match c {
            '<' => inside = true,
            '>' => inside = false,
            '\u{202f}' if !inside => out.push(' '),
            c if !inside => out.push(c),
            _ => {}
        }
    }
    out.replace("&lt;", "<").replace("&gt;", ">").replace("&quot;", "\"").replace("&amp;", "&")
}

/// Elements open and close in order, attributes are quoted, identifiers are single and every reference has its aim.
pub(super) fn assert_well_formed(html: &str) {
    const VOID: [&str; 4] = ["meta", "link", "br", "input"];
    let mut open: Vec<&str> = Vec::new();
    let mut ids = BTreeSet::new();
    let mut aims: Vec<String> = Vec::new();
    let mut rest = html.strip_prefix("<!DOCTYPE html>").expect("a doctype");
    while let Some(start) = rest.find('<') {
        assert!(!rest[..start].contains('>'), "a bare > in text: {}", &rest[..start]);
        rest = &rest[start + 1..];
        let end = rest.find('>').expect("a tag that ends");
        let tag = &rest[..end];
        rest = &rest[end + 1..];
        if let Some(name) = tag.strip_prefix('/') {
            assert_eq!(open.pop(), Some(name), "closing {name}");
            continue;
        }
        let name = tag.split(' ').next().unwrap();
        let mut attributes = &tag[name.len()..];
        while let Some(equals) = attributes.find("=\"") {
            let key = attributes[..equals].split(' ').next_back().unwrap().to_owned();
            let value = &attributes[equals + 2..];
            let close = value.find('"').expect("a quote that closes");
            let content = &value[..close];
            attributes = &value[close + 1..];
            match key.as_str() {
                "id" => assert!(ids.insert(content.to_owned()), "id {content} twice"),
                "href" if content.starts_with('#') => aims.push(content[1..].to_owned()),
                "aria-labelledby" => aims.push(content.to_owned()),
                "fill" if content.starts_with("url(#") => aims.push(content[5..content.len() - 1].to_owned()),
                "style" => panic!("an inline style, which the policy forbids"),
                key => assert!(!key.starts_with("on"), "an inline handler, which the policy forbids"),
            }
            assert!(!content.contains("NaN") && !content.contains("inf"), "{key}={content}");
        }
        if !VOID.contains(&name) {
            open.push(name);
        }
    }
    assert!(open.is_empty(), "left open: {open:?}");
    for aim in aims {
        assert!(ids.contains(&aim), "nothing has the id {aim}");
    }
}

#[tokio::test]
async fn every_view_is_well_formed_small_and_ends_with_the_caution() {
    let site = site();
    for path in VIEWS {
        let html = site.get(path).await;
        assert_well_formed(&html);
        let assets = super::PAGE_CSS.len() + include_str!("page.js").len();
        assert!(html.len() + assets < 200_000, "{path} is {} bytes", html.len() + assets);
        assert!(!html.contains("http://") && !html.contains("https://"), "{path} reaches outside");
        let text = seen(&html);
        assert!(text.contains(crate::figures::CAUTION));
        assert!(text.contains("ISO 4301-1:1986"));
        assert!(text.contains("FEM 9.755") || path.ends_with("/drive") || path.ends_with("/warnings"), "{path}");
        assert!(!text.contains('{') && !text.contains('}'), "{path} has an unfilled place");
    }
}

#[tokio::test]
async fn the_page_shows_the_figures() {
    let site = site();
    let f = &site.figures.mechanisms[0];
    // Written out here once more, apart from the page's own rounding.
    let share = format!("{:.1} %", f.consumed * 100.0);
    let used = format!("{:.1} h of 1600 full-load hours", f.used_full_load_hours);
    let km = format!("{:.4} ({})", f.load_spectrum_factor.unwrap(), f.state_of_loading.as_deref().unwrap());
    for path in ["/", "/mechanism/main-hoist"] {
        let text = seen(&site.get(path).await);
        for part in
            [&share, &used, &km, "2028-06-20", "10 % before 2028-02-11", "90 % before 2028-12-02", "M5 (FEM 9.511: 2m)"]
        {
            assert!(text.contains(part), "{path} lacks {part}");
        }
        assert!(text.contains("reading; last reading 14 s ago"));
    }
    let text = seen(&site.get("/mechanism/main-hoist").await);
    let band = &f.spectrum[5];
    assert!(band.running_hours > 100.0 && text.contains(&format!("{:.1}", band.running_hours)));
    assert!(text.contains("Used share S/D reached the warn level 0.5 <b>"));
}

#[tokio::test]
async fn the_last_point_of_the_curve_is_the_used_share() {
    let (config, history) = (config("Yard crane 1"), history());
    let figures = figures_of(&config, &history, false);
    let days: Vec<(i32, Totals)> = history.days[ID].iter().map(|(d, t)| (*d, t.clone())).collect();
    let of = |used: BTreeMap<i32, f64>| {
        let with_used = |(day, sums): (i32, Totals)| (day, sums, used.get(&day).copied());
        crate::course::course(
            &config.cranes[0].mechanisms[0],
            &figures.mechanisms[0],
            days.clone().into_iter().map(with_used),
        )
    };
    // Days from before S was kept by day are added up.
    let course = of(BTreeMap::new());
    assert_eq!(course.days.last().unwrap().2, figures.mechanisms[0].used_full_load_hours);
    assert!(course.days.windows(2).all(|pair| pair[0].2 <= pair[1].2), "used life never falls");
    assert!((course.prior - 1_900.0 * 0.2 * 1.1).abs() < 1e-9);
    // A day whose S is kept has it, an overhaul's fall with it.
    let (overhaul, day) = (days.len() - 10, days[days.len() - 10].0);
    let course = of(BTreeMap::from([(day, 1.5)]));
    assert_eq!(course.days[overhaul].2, 1.5);
    assert!(course.days[overhaul - 1].2 > 100.0);
}

#[tokio::test]
async fn names_are_text() {
    let site = site_with(config("<script>alert(\"1\")</script> & \u{202e}co"), history(), 0);
    for path in ["/", "/mechanism/main-hoist"] {
        let html = site.get(path).await;
        assert_well_formed(&html);
        assert!(!html.contains("<script>alert"), "{path}");
        assert!(seen(&html).contains("<script>alert(\"1\")</script> & "), "{path}");
    }
    let (status, _, html) = site.ask("GET", "/mechanism/%3Cscript%3E", "localhost").await;
    assert_eq!(status, StatusCode::NOT_FOUND);
    assert_well_formed(&html);
    assert!(html.contains("&lt;script&gt;"));
}

#[tokio::test]
async fn old_figures_are_called_old() {
    let late = site_with(config("Yard crane 1"), history(), 600_000);
    let text = seen(&late.get("/mechanism/main-hoist").await);
    assert!(text.contains("main-hoist: no reading since 2026-03-10 00:00:00 (10 min 00 s)."), "{text}");
    assert!(!text.contains("last reading"));

    let config = config("Yard crane 1");
    let mut figures = figures_of(&config, &history(), true);
    figures.mechanisms[0].gap_since = Some("2026-03-09T23:59:30.000Z".to_owned());
    let (state, sender) = state(config, history(), figures, 0);
    let (stop, stopped) = watch::channel(false);
    let router = router(state, "127.0.0.1:1".parse().unwrap(), stopped);
    let figures = sender.borrow().clone();
    let silent = Site { router, figures, _senders: (sender, stop) };
    assert!(seen(&silent.get("/").await).contains("no answer since 2026-03-09 23:59:30 (30 s)"));
}

#[tokio::test]
async fn a_store_with_nothing_in_it_has_a_page_too() {
    let config = config("Yard crane 1");
    let figures = of_site(&config, |_| Record::default());
    let (state, sender) = state(config, InMemory::default(), figures.clone(), 0);
    let (stop, stopped) = watch::channel(false);
    let router = router(state, "127.0.0.1:1".parse().unwrap(), stopped);
    let empty = Site { router, figures: Arc::new(figures), _senders: (sender, stop) };
    for path in ["/", "/mechanism/main-hoist"] {
        let html = empty.get(path).await;
        assert_well_formed(&html);
        assert!(seen(&html).contains("no sample yet"), "{path}");
    }
}

#[tokio::test]
async fn a_history_that_fails_is_owned_up_to_and_the_figures_stay() {
    struct Broken;
    impl History for Broken {
        fn lifts(&self, _: &str, _: usize, _: Option<Timestamp>) -> Result<Vec<Lift>, String> {
            Err("the disk is gone".to_owned())
        }
        fn days(&self, _: &str, _: i32, _: i32) -> Result<Vec<(i32, Totals)>, String> {
            Err("the disk is gone".to_owned())
        }
        fn days_in_short(&self, _: &str, _: i32, _: i32) -> Result<Vec<crate::store::DayInShort>, String> {
            Err("the disk is gone".to_owned())
        }
        fn gaps(&self, _: &str, _: usize) -> Result<Vec<Gap>, String> {
            Err("the disk is gone".to_owned())
        }
        fn messages(&self, _: &str, _: &[MessageKind], _: usize) -> Result<Vec<Message>, String> {
            Err("the disk is gone".to_owned())
        }
        fn find_lifts(&self, _: &str, _: &LiftsAsked) -> Result<LiftsFound, String> {
            Err("the disk is gone".to_owned())
        }
        fn days_of_work(
            &self,
            _: &str,
            _: i32,
            _: i32,
            _: Option<&mut dyn FnMut(Grams, u64)>,
        ) -> Result<Vec<crate::store::WorkDay>, String> {
            Err("the disk is gone".to_owned())
        }
        fn hours(&self, _: &str, _: Option<Timestamp>, _: Option<Timestamp>) -> Result<Vec<HourSums>, String> {
            Err("the disk is gone".to_owned())
        }
        fn services(&self, _: &str) -> Result<Vec<StoredService>, String> {
            Err("the disk is gone".to_owned())
        }
        fn record_service(&self, _: &Service) -> Result<u64, String> {
            Err("the disk is gone".to_owned())
        }
        fn alarms(&self, _: &str) -> Result<Vec<(Alarm, Vec<Done>)>, String> {
            Err("the disk is gone".to_owned())
        }
        fn act(&self, wanted: &Wanted) -> Result<Alarm, ActError> {
            Err(ActError::Unknown(wanted.number))
        }
        fn what_if(&self, _: &Asked) -> Result<WhatifFigures, Failure> {
            Err(Failure::Run("the disk is gone".to_owned()))
        }
    }
    let config = config("Yard crane 1");
    let figures = figures_of(&config, &history(), true);
    let (mut state, sender) = state(config, InMemory::default(), figures.clone(), 0);
    state.history = Arc::new(Broken);
    let (stop, stopped) = watch::channel(false);
    let router = router(state, "127.0.0.1:1".parse().unwrap(), stopped);
    let broken = Site { router, figures: Arc::new(figures), _senders: (sender, stop) };
    let text = seen(&broken.get("/mechanism/main-hoist").await);
    assert!(text.contains("history cannot be read") && text.contains("full-load hours left"));
    let (status, ..) = broken.ask("GET", "/api/v1/mechanisms/main-hoist/lifts", "localhost").await;
    assert_eq!(status, StatusCode::SERVICE_UNAVAILABLE);
}

#[tokio::test]
async fn lifts_before_the_recorder_stand_beside_the_class_that_counts_them() {
    let page = seen(&site().get("/").await);
    assert!(page.contains("and 61 000 before the recorder"), "{page}");
}

#[tokio::test]
async fn who_is_not_told_is_shown_with_its_mend() {
    let site = site();
    let page = site.get("/").await;
    for part in
        ["no &lt;connection&gt;", "check the network", "1: m1", "answer 413; shorten it", "takes what it is sent"]
    {
        assert!(page.contains(part), "{part} is missing in {page}");
    }
    let all: serde_json::Value = serde_json::from_str(&site.get("/api/v1/destinations").await).unwrap();
    assert_eq!(all["mqtt"]["trouble"]["mend"], "check the network");
    assert_eq!((&all["matrix"]["trouble"], &all["matrix"]["parked"]), (&serde_json::Value::Null, &1.into()));
}

#[tokio::test]
async fn the_api_gives_the_contracts_shapes_at_full_precision() {
    let site = site();
    // As text: a parser may lose the last digit, the answer may not.
    assert_eq!(site.get("/api/v1/status").await, serde_json::to_string(&*site.figures).unwrap());
    let lifts: Vec<serde_json::Value> =
        serde_json::from_str(&site.get("/api/v1/mechanisms/main-hoist/lifts?limit=3").await).unwrap();
    let all = history().lifts(ID, 4, None).unwrap();
    assert_eq!(lifts.len(), 3);
    for (got, lift) in lifts.iter().zip(&all) {
        assert_eq!(*got, serde_json::to_value(LiftFigures::of(lift, rated())).unwrap());
    }
    let names: Vec<&str> = lifts[0].as_object().unwrap().keys().map(String::as_str).collect();
    let contract =
        ["begin", "end", "load_kg", "fraction", "peak_kg", "running_seconds", "starts", "band", "overload", "cut"];
    assert_eq!(
        BTreeSet::from_iter(names),
        BTreeSet::from_iter(contract.into_iter().chain(["peak_factor", "load_uncertainty_kg"]))
    );
    // The oldest `begin` asks for the page that follows.
    let before = lifts[2]["begin"].as_str().unwrap();
    let next = site.get(&format!("/api/v1/mechanisms/main-hoist/lifts?limit=1&before={before}")).await;
    let next: Vec<serde_json::Value> = serde_json::from_str(&next).unwrap();
    assert_eq!(next[0], serde_json::to_value(LiftFigures::of(&all[3], rated())).unwrap());
}

#[tokio::test]
async fn wrong_questions_get_a_sentence() {
    let site = site();
    for (path, status) in [
        ("/api/v1/mechanisms/none/lifts", StatusCode::NOT_FOUND),
        ("/api/v1/mechanisms/main-hoist/lifts?limit=0", StatusCode::BAD_REQUEST),
        ("/api/v1/mechanisms/main-hoist/lifts?limit=1001", StatusCode::BAD_REQUEST),
        ("/api/v1/mechanisms/main-hoist/lifts?limit=x", StatusCode::BAD_REQUEST),
        ("/api/v1/mechanisms/main-hoist/lifts?before=yesterday", StatusCode::BAD_REQUEST),
        ("/api/v1/mechanisms/main-hoist/lifts?limt=3", StatusCode::BAD_REQUEST),
    ] {
        let (got, _, body) = site.ask("GET", path, "localhost").await;
        assert_eq!(got, status, "{path}");
        let body: serde_json::Value = serde_json::from_str(&body).unwrap();
        assert!(body["error"].as_str().unwrap().len() > 10, "{path}");
    }
    for path in ["/nothing", "/mechanism/none", "/mechanism/", "/api/v2"] {
        let (status, _, body) = site.ask("GET", path, "localhost").await;
        assert_eq!(status, StatusCode::NOT_FOUND, "{path}");
        assert_well_formed(&body);
    }
}

#[tokio::test]
async fn only_get_only_loopback_names_and_the_headers_on_every_answer() {
    let site = site();
    for (method, path, host, status) in [
        ("GET", "/", "localhost:8080", StatusCode::OK),
        ("HEAD", "/", "127.0.0.1", StatusCode::OK),
        ("GET", "/page.css", "[::1]:8080", StatusCode::OK),
        ("GET", "/page.js", "localhost", StatusCode::OK),
        ("GET", "/favicon.ico", "localhost", StatusCode::NO_CONTENT),
        ("GET", "/nothing", "localhost", StatusCode::NOT_FOUND),
        ("POST", "/", "localhost", StatusCode::METHOD_NOT_ALLOWED),
        ("DELETE", "/nothing", "localhost", StatusCode::METHOD_NOT_ALLOWED),
        ("GET", "/", "yard.example", StatusCode::MISDIRECTED_REQUEST),
        ("GET", "/api/v1/status", "127.0.0.1.yard.example", StatusCode::MISDIRECTED_REQUEST),
    ] {
        let (got, headers, body) = site.ask(method, path, host).await;
        assert_eq!(got, status, "{method} {path} {host}");
        let policy = headers["content-security-policy"].to_str().unwrap();
        assert!(policy.starts_with("default-src 'none'") && !policy.contains("unsafe"));
        assert_eq!(headers["x-frame-options"], "DENY");
        assert_eq!(headers["x-content-type-options"], "nosniff");
        assert_eq!(headers["referrer-policy"], "same-origin");
        if got == StatusCode::MISDIRECTED_REQUEST {
            assert!(!body.contains("main-hoist"));
        }
    }
}

/// WCAG 2.2, 1.4.3 and 1.4.11: relative luminance and contrast as defined there.
#[test]
fn colours_hold_aa_contrast_in_light_and_dark() {
    fn channel(hex: &str) -> f64 {
        let c = f64::from(u8::from_str_radix(hex, 16).unwrap()) / 255.0;
        if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
    }
    fn luminance(hex: &str) -> f64 {
        0.2126 * channel(&hex[0..2]) + 0.7152 * channel(&hex[2..4]) + 0.0722 * channel(&hex[4..6])
    }
    let css = super::PAGE_CSS;
    let blocks: Vec<&str> =
        css.match_indices(":root {").map(|(i, _)| css[i..].split('}').next().unwrap()).take(2).collect();
    for block in blocks {
        let colour = |name: &str| {
            let at = block.find(&format!("--{name}: #")).unwrap_or_else(|| panic!("{name}")) + name.len() + 5;
            luminance(&block[at..at + 6])
        };
        let contrast = |a: f64, b: f64| (a.max(b) + 0.05) / (a.min(b) + 0.05);
        for (front, back, least) in [
            ("ink", "paper", 7.0),
            ("soft", "paper", 4.5),
            ("measured", "paper", 4.5),
            ("ink", "notice", 4.5),
            ("forecast", "paper", 3.0),
            ("rule", "paper", 2.0), // rules part cells; nothing is read off them
            ("soft", "pale", 3.0),
        ] {
            let got = contrast(colour(front), colour(back));
            assert!(got >= least, "{front} on {back}: {got:.2}");
        }
    }
}

/// Over a real socket: the first event holds the figures, and the stop ends the server though a page listens.
#[tokio::test]
async fn events_tell_the_figures_and_the_stop_ends_the_server() {
    let config = config("Yard crane 1");
    let figures = figures_of(&config, &history(), true);
    let consumed = figures.mechanisms[0].consumed;
    let (state, _sender) = state(config, history(), figures, 14_000);
    let (stop, stopped) = watch::channel(false);
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let server = tokio::spawn(serve(listener, state, stopped));
    let mut socket = tokio::net::TcpStream::connect(address).await.unwrap();
    socket.write_all(format!("GET /events HTTP/1.1\r\nHost: {address}\r\n\r\n").as_bytes()).await.unwrap();
    let mut got = String::new();
    while !got.contains("\n\n") {
        let mut buffer = [0; 4096];
        let n = socket.read(&mut buffer).await.unwrap();
        assert!(n > 0, "{got}");
        got.push_str(std::str::from_utf8(&buffer[..n]).unwrap());
    }
    assert!(got.contains("text/event-stream"));
    let data = got.split("data: ").nth(1).unwrap().lines().next().unwrap();
    let event: serde_json::Value = serde_json::from_str(data).unwrap();
    let mechanism = &event["mechanisms"][0];
    assert!(data.contains(&format!("\"consumed\":{}", serde_json::to_string(&consumed).unwrap())));
    assert_eq!(mechanism["age_seconds"], 14.0);
    assert_eq!(mechanism["stale"], false);
    assert_eq!(mechanism["text"]["state"], "reading; last reading 14\u{202f}s ago");
    stop.send(true).unwrap();
    server.await.unwrap().unwrap();
}

/// Every place an event fills is one that the script looks for and the views hold.
#[tokio::test]
async fn events_and_views_agree_on_the_places() {
    let site = site();
    let views = site.get("/").await + &site.get("/mechanism/main-hoist").await;
    for name in ["share", "used", "levels", "km", "hours", "lifts", "starts", "state"] {
        assert!(views.contains(&format!("data-live=\"main-hoist/{name}\"")), "{name}");
    }
}

/// What a form that changes something must be: from a loopback peer, for a loopback name, from our own page.
#[tokio::test]
async fn a_service_is_taken_from_the_box_and_its_own_page_only() {
    let site = site();
    let fields = "what=note&by=R.+Field&note=sheet+12";
    let ask = async |peer: &str, host: &str, origin: Option<&str>, more: Option<(&str, &str)>, fields: &str| {
        let mut request = Request::builder()
            .method("POST")
            .uri("/mechanism/main-hoist/service")
            .header("host", host)
            .header("content-type", "application/x-www-form-urlencoded");
        if let Some(origin) = origin {
            request = request.header("origin", origin);
        }
        if let Some((name, value)) = more {
            request = request.header(name, value);
        }
        let mut request = request.body(Body::from(fields.to_owned())).unwrap();
        let peer: SocketAddr = peer.parse().unwrap();
        request.extensions_mut().insert(axum::extract::ConnectInfo(Caller(peer)));
        site.router.clone().oneshot(request).await.unwrap()
    };
    let (here, own) = ("127.0.0.1:50000", Some("http://localhost:8080"));
    for (peer, host, origin, more) in [
        ("192.0.2.7:50000", "localhost:8080", own, None),
        (here, "localhost:8080", None, None),
        (here, "localhost:8080", Some("null"), None),
        (here, "localhost:8080", Some("http://yard.example"), None),
        (here, "localhost:8080", Some("http://localhost:8081"), None),
        (here, "localhost:8080", own, Some(("x-forwarded-for", "192.0.2.7"))),
    ] {
        let refused = ask(peer, host, origin, more, fields).await;
        assert_eq!(refused.status(), StatusCode::FORBIDDEN, "{peer} {host} {origin:?} {more:?}");
    }
    assert_eq!(ask(here, "yard.example", own, None, fields).await.status(), StatusCode::MISDIRECTED_REQUEST);
    assert_eq!(site.get("/api/v1/mechanisms/main-hoist/services").await, "[]", "nothing was recorded");
    for wrong in ["what=note&by=", "what=part%3Amast&by=R", "what=overhaul&by=R", "what=overhaul&by=R&sure=1&design=-1"]
    {
        assert_eq!(ask(here, "localhost:8080", own, None, wrong).await.status(), StatusCode::BAD_REQUEST, "{wrong}");
    }
    let taken = ask(here, "localhost:8080", own, None, fields).await;
    assert_eq!(taken.status(), StatusCode::SEE_OTHER);
    let services: serde_json::Value =
        serde_json::from_str(&site.get("/api/v1/mechanisms/main-hoist/services").await).unwrap();
    assert_eq!((&services[0]["by"], &services[0]["note"]), (&"R. Field".into(), &"sheet 12".into()));
    // Without a known peer the page says where a service can be recorded.
    assert!(seen(&site.get("/mechanism/main-hoist/upkeep").await).contains("only from the box itself"));
}

/// Sends a form as a browser on the box does.
async fn send(site: &Site, path: &str, fields: &str) -> (StatusCode, String) {
    let request = Request::builder()
        .method("POST")
        .uri(path)
        .header("host", "localhost:8080")
        .header("origin", "http://localhost:8080")
        .header("content-type", "application/x-www-form-urlencoded");
    let mut request = request.body(Body::from(fields.to_owned())).unwrap();
    let here: SocketAddr = "127.0.0.1:50000".parse().unwrap();
    request.extensions_mut().insert(axum::extract::ConnectInfo(Caller(here)));
    let answer = site.router.clone().oneshot(request).await.unwrap();
    let status = answer.status();
    (status, String::from_utf8(to_bytes(answer.into_body(), 1 << 20).await.unwrap().to_vec()).unwrap())
}

#[tokio::test]
async fn a_warning_is_acknowledged_noted_and_shelved_and_wrong_entries_are_told() {
    let history = history();
    let alarm = |seq: u64, mechanism: &str| Alarm {
        seq,
        crane: "yard-1".to_owned(),
        mechanism: mechanism.to_owned(),
        what: "used_share:0.8".to_owned(),
        body: serde_json::json!({"quantity": "used_share", "level": 0.8, "value": 0.81, "raised": true}),
        raised: Timestamp::from_ms(i64::from(LAST_DAY) * DAY_MS),
        times: 1,
        last: Timestamp::from_ms(i64::from(LAST_DAY) * DAY_MS),
        cleared: None,
        acknowledged: None,
        shelved: None,
        reminded: None,
    };
    let both = [(alarm(1, ID), Vec::new()), (alarm(2, "other-hoist"), Vec::new())];
    history.alarms.lock().unwrap().extend(both);
    let alarms = history.alarms.clone();
    let site = site_with(config("Yard crane 1"), history, 0);
    let text = seen(&site.get("/mechanism/main-hoist/warnings").await);
    assert!(text.contains("unacknowledged") && text.contains("only from the box itself"), "{text}");
    for (fields, told) in [
        ("number=1&act=acknowledge&by=", "Say who"),
        ("number=x&act=acknowledge&by=R", "no such warning"),
        ("number=1&act=note&by=R&note=", "Write the note"),
        ("number=1&act=shelve&by=R&hours=0", "at most 720"),
        ("number=1&act=shelve&by=R&hours=721", "at most 720"),
        ("number=1&act=silence&by=R", "Choose what"),
        ("number=3&act=acknowledge&by=R", "there is no alarm 3"),
        ("number=2&act=acknowledge&by=R", "there is no alarm 2"),
    ] {
        let (status, html) = send(&site, "/mechanism/main-hoist/warning", fields).await;
        assert_eq!(status, StatusCode::BAD_REQUEST, "{fields}");
        assert_well_formed(&html);
        assert!(seen(&html).contains(told), "{fields}: {}", seen(&html));
    }
    assert!(alarms.lock().unwrap().iter().all(|(a, acts)| a.acknowledged.is_none() && acts.is_empty()));
    for fields in [
        "number=1&act=note&by=R.+Field&note=seen",
        "number=1&act=shelve&by=R.+Field&hours=1.5",
        "number=1&act=acknowledge&by=R.+Field&note=scale+checked",
    ] {
        assert_eq!(send(&site, "/mechanism/main-hoist/warning", fields).await.0, StatusCode::SEE_OTHER, "{fields}");
    }
    let text = seen(&site.get("/mechanism/main-hoist/warnings?done=1").await);
    for part in
        ["Done for warning 1", "noted by R. Field: seen", "shelved until", "acknowledged by R. Field: scale checked"]
    {
        assert!(text.contains(part), "{part}: {text}");
    }
}

#[tokio::test]
async fn lifts_are_filtered_sorted_and_paged() {
    let site = site();
    let all = history().lifts[ID].clone();
    let over: Vec<&Lift> = all.iter().filter(|l| l.overload).collect();
    let text = seen(&site.get("/mechanism/main-hoist/lifts?overload=1").await);
    assert!(!over.is_empty() && text.contains(&format!("{} lifts; page 1 of 1.", over.len())), "{text}");
    let heavy = all.iter().filter(|l| l.load >= Grams::from_kg(15_000.0)).count();
    let text = seen(&site.get("/mechanism/main-hoist/lifts?least=15&sort=load").await);
    assert!(text.contains(&format!("{heavy} lifts; page 1 of {}", heavy.div_ceil(50))), "{text}");
    for wrong in ["least=x", "from=yesterday", "sort=colour", "page=0", "from=2026-03-09&to=2026-03-08"] {
        let path = format!("/mechanism/main-hoist/lifts?{wrong}");
        assert_eq!(site.ask("GET", &path, "localhost").await.0, StatusCode::BAD_REQUEST, "{wrong}");
    }
}

/// Every path of the document answers, with every field that it promises and none that it does not know.
#[tokio::test]
async fn the_document_describes_what_is_answered() {
    let site = site();
    let document: serde_json::Value = serde_json::from_str(&site.get("/api/v1/openapi.json").await).unwrap();
    fn hold(document: &serde_json::Value, schema: &serde_json::Value, value: &serde_json::Value, path: &str) {
        if let Some(name) = schema["$ref"].as_str() {
            let name = name.rsplit('/').next().unwrap();
            return hold(document, &document["components"]["schemas"][name], value, path);
        }
        if let Some(items) = schema.get("items") {
            let values = value.as_array().unwrap_or_else(|| panic!("{path} is no list"));
            return values.iter().for_each(|v| hold(document, items, v, path));
        }
        if let Some(each) = schema.get("additionalProperties") {
            let values = value.as_object().unwrap_or_else(|| panic!("{path} is no map"));
            return values.iter().for_each(|(name, v)| hold(document, each, v, &format!("{path}/{name}")));
        }
        if let Some(choices) = schema["anyOf"].as_array() {
            // Something or nothing.
            return choices.iter().filter(|_| !value.is_null()).take(1).for_each(|s| hold(document, s, value, path));
        }
        if let Some(properties) = schema["properties"].as_object() {
            if value.is_null() {
                let kinds = &schema["type"];
                return assert!(
                    kinds.as_array().is_some_and(|kinds| kinds.contains(&"null".into())),
                    "{path}: {kinds}"
                );
            }
            let known: BTreeSet<&String> = properties.keys().collect();
            let given: BTreeSet<&String> = value.as_object().unwrap().keys().collect();
            assert_eq!(known, given, "{path}");
            properties
                .iter()
                .for_each(|(name, schema)| hold(document, schema, &value[name], &format!("{path}/{name}")));
        }
    }
    let described: BTreeSet<&String> = document["paths"].as_object().unwrap().keys().collect();
    let routes = super::login_tests::routes();
    let answered = routes.iter().filter(|path| path.starts_with("/api/"));
    assert_eq!(described, answered.collect(), "every path is described");
    for (path, operation) in document["paths"].as_object().unwrap() {
        let (status, _, body) = site.ask("GET", &path.replace("{id}", ID), "localhost").await;
        let answers = &operation["get"]["responses"];
        let answer = &answers[status.as_str()];
        assert!(answer.is_object(), "{path} answers {status}, which is not in the document");
        if !path.ends_with("openapi.json") {
            let schema = &answer["content"]["application/json"]["schema"];
            hold(&document, schema, &serde_json::from_str(&body).unwrap(), path);
        }
    }
}
