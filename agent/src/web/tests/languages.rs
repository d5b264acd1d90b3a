//! The page in its two languages: the same bones and the same figures, and no English left on the German one.

use serde_json::json;
use tallyhook_analysis::service::ServiceKind;
use tallyhook_config::model::Language;

use super::*;
use crate::commands::whatif::AnswerFigures;
use crate::drive::{RawWords, SignalFigures};
use crate::figures::{CAUTION, LimitFigures, PartFigures};
use crate::store::service::Work;

/// Views beyond [`VIEWS`]: what is refused or not there, too.
const MORE: [&str; 5] = [
    "/mechanism/main-hoist/lifts?least=x",
    "/mechanism/main-hoist/lifts?from=xyz",
    "/mechanism/main-hoist/whatif?group=M9",
    "/mechanism/h9",
    "/nowhere",
];

/// Messages of every kind that has words of its own.
fn messages() -> Vec<Message> {
    let used = |value: f64, raised: bool| {
        json!({"quantity": "used_share", "level": 0.9, "value": value, "raised": raised, "group": "M5",
               "used_full_load_hours": 1440.6, "design_full_load_hours": 1600.0})
    };
    let part = |share: f64, raised: bool, limit: &str| json!({"quantity": "part", "part": "S-1", "limit": limit, "used": 800.5, "of": 1000.0, "value": share, "raised": raised});
    let starts =
        |raised: bool| json!({"quantity": "starts_per_hour", "level": 120.5, "value": 130.0, "raised": raised});
    let alarm = |act: &str| json!({"quantity": "alarm", "alarm": 7, "what": "used_share:0.9", "act": act, "by": "R. F.", "note": ""});
    let finding = |name: &str, raised: bool| json!({"finding": name, "drive": "A", "text": "A", "raised": raised});
    let warnings = [used(0.9004, true), used(1.01, true), used(0.2, false), starts(true), starts(false)]
        .into_iter()
        .chain([json!({"quantity": "overload", "load_kg": 17280.5, "rated_load_kg": 16000.0, "fraction": 1.08, "raised": true})])
        .chain(["running_hours", "lifts", "starts", "stops", "bending_cycles", "brake_work_kj", "days"].map(|l| part(0.9, true, l)))
        .chain([part(1.0, true, "full_load_bending_cycles"), part(0.1, false, "lifts")])
        .chain(["reminder", "acknowledged", "shelved", "unshelved", "note"].map(alarm));
    let kinds = ["silence", "counter", "configuration", "not_recorded", "backup", "raw_samples", "ledger", "odd"];
    let checked = json!({"finding": "load_noise", "text": "A", "check": "A", "raised": true});
    let findings = kinds.into_iter().flat_map(|name| [finding(name, true), finding(name, false)]).chain([checked]);
    let message = |(n, (kind, body)): (usize, (MessageKind, serde_json::Value))| Message {
        id: format!("m{n}"),
        at: Timestamp::from_ms(i64::from(LAST_DAY) * DAY_MS + n as i64),
        kind,
        crane: "yard-1".to_owned(),
        mechanism: ID.to_owned(),
        body,
    };
    let told = warnings.map(|body| (MessageKind::Warning, body));
    told.chain(findings.map(|body| (MessageKind::Finding, body))).enumerate().map(message).collect()
}

fn alarms() -> Vec<(Alarm, Vec<Done>)> {
    let at = Timestamp::from_ms(i64::from(LAST_DAY) * DAY_MS);
    let by = |act: &str| Done { at_ms: at.as_ms(), act: act.to_owned(), by: "R. F.".to_owned(), note: "12".to_owned() };
    let alarm = |seq: u64, what: &str, cleared: bool, known: bool| Alarm {
        seq,
        crane: "yard-1".to_owned(),
        mechanism: ID.to_owned(),
        what: what.to_owned(),
        body: json!({"quantity": "used_share", "level": 0.8, "value": 0.81, "raised": true}),
        raised: at,
        times: 1,
        last: at,
        cleared: cleared.then_some(at),
        acknowledged: known.then(|| (at, "R. F.".to_owned())),
        shelved: (seq == 1).then(|| (Timestamp::from_ms(at.as_ms() + 9 * DAY_MS), "R. F.".to_owned())),
        reminded: None,
    };
    vec![
        (alarm(1, "used_share:0.8", false, false), ["acknowledged", "shelved", "unshelved", "note"].map(by).to_vec()),
        (alarm(2, "part:S-1:0.9", false, true), Vec::new()),
        (alarm(3, "overload", true, false), Vec::new()),
        (alarm(4, "starts_per_hour:120.5", true, true), Vec::new()),
    ]
}

fn answer() -> WhatifFigures {
    let figures = |rated: f64, group: Option<MechanismGroup>| AnswerFigures {
        rated_load_kg: rated,
        used_share: 0.4321,
        remaining_full_load_hours: 1234.56,
        full_load_hours_a_year: 98.7,
        running_hours_a_year: 1_765.4,
        load_spectrum_factor: Some(0.1234),
        lifts_a_year: 15_600.0,
        overload_lifts_a_year: 13.0,
        refused_lifts_a_year: 0.0,
        moved_full_load_hours_a_year: 0.0,
        group_in_use: group,
        forecast: None,
        no_forecast: Some(if group.is_some() { "already over" } else { "too little record" }),
        chance_by_the_day: Some(0.123),
    };
    WhatifFigures {
        mechanism: ID.to_owned(),
        days_of_record: 425.0,
        record_from: "2025-01-09".to_owned(),
        record_to: "2026-03-09".to_owned(),
        now: figures(16_000.0, Some(MechanismGroup::M4)),
        then: figures(8_000.0, None),
        caution: CAUTION,
    }
}

/// The same site in a language; its own texts have no word of either.
fn site_in(language: Language) -> Site {
    let mut config = config("K 1");
    config.site_name = "O 7".to_owned();
    config.language = language;
    config.cranes[0].mechanisms[0].prior[0].note = "B 12".to_owned();
    let mut history = history();
    history.messages = messages();
    history.alarms.lock().unwrap().extend(alarms());
    history.answer = Some(answer());
    let service = |(n, work): (usize, Work)| StoredService {
        seq: n as u64,
        service: Service {
            mechanism: ID.to_owned(),
            at: counted_to(),
            work,
            by: "R. F.".to_owned(),
            note: String::new(),
        },
        taken: None,
    };
    let period = |by| Work::Period { by, design_full_load_hours: Some(1234.5) };
    let works = [
        Work::Note,
        Work::Part { name: "S-1".to_owned() },
        period(ServiceKind::Overhaul),
        period(ServiceKind::Replacement),
        period(ServiceKind::NewPeriod),
    ];
    history.services.lock().unwrap().extend(works.into_iter().enumerate().map(service));
    let mut figures = figures_of(&config, &history, true);
    let limits =
        ["running_hours", "lifts", "stops", "bending_cycles", "full_load_bending_cycles", "brake_work_kj", "days"];
    let limits = limits.map(|limit| LimitFigures { limit, used: 12_345.6, of: 20_000.0, share: 0.617_28 });
    figures.mechanisms[0].parts = vec![PartFigures {
        name: "S-1".to_owned(),
        since: "2025-02-03".to_owned(),
        limits: limits.to_vec(),
        share: 0.61728,
        due: false,
    }];
    let severity = &mut figures.mechanisms[0].severity;
    severity.severity = Some(tallyhook_analysis::severity::Severity::Heavy);
    (severity.heavy_share, severity.busy_share) = (Some(0.123), Some(0.0456));
    let (mut web, sender) = state(config, history, figures.clone(), 14_000);
    let signal = |name: &'static str, value: Option<f64>| SignalFigures {
        mechanism: ID.into(),
        signal: name,
        table: "holding",
        address: 9,
        raw: RawWords::of(&[0x12, 0xABCD]),
        value,
        read_at: value.map(|_| "2026-03-09T23:59:59.000Z".into()),
    };
    let drive = |state: &str, words: &str| DriveFigures {
        drive: "a1".to_owned(),
        state: state.to_owned(),
        words: words.to_owned(),
        since: "2026-03-09T06:00:00.000Z".to_owned(),
        fault: Some("F 12".to_owned()),
        last_answer: None,
        polls: 12_345,
        failures: 1,
        refusals: 2,
        implausible: 3,
        clock_jumps: 0,
        clock: None,
        signals: vec![
            signal("load_kg", Some(8_324.6)),
            signal("height_m", Some(3.456)),
            signal("torque_pct", Some(45.6)),
            signal("run_hours", Some(4_321.5)),
            signal("raising", Some(1.0)),
            signal("lowering", None),
        ],
    };
    // What the record says in English must not come through.
    let drives = ["online", "connecting", "silent"].map(|state| drive(state, "connected, but gives no answer"));
    web.drives = watch::channel(Arc::new(drives.to_vec())).1;
    let (stop, stopped) = watch::channel(false);
    let router = router(web, "127.0.0.1:8080".parse().unwrap(), stopped);
    Site { router, figures: Arc::new(figures), _senders: (sender, stop) }
}

/// A page taken apart.
struct Apart {
    /// Tags with all that is not words.
    bones: Vec<String>,
    /// Words: text between tags and what is read out. Those marked as English by the page are left out.
    words: Vec<String>,
}

fn apart(html: &str) -> Apart {
    let (mut bones, mut words) = (Vec::new(), Vec::new());
    // How deep inside an element that is marked as English.
    let mut foreign = 0;
    let mut rest = html;
    while let Some(start) = rest.find('<') {
        let (text, tag) = rest.split_at(start);
        if foreign == 0 && !text.trim().is_empty() {
            words.push(seen(text));
        }
        let end = tag.find('>').unwrap();
        let (mut bone, tag) = (tag[..=end].to_owned(), &tag[..=end]);
        for name in ["aria-label", "data-head"] {
            let mark = format!(" {name}=\"");
            if let Some((before, value)) = bone.clone().split_once(&mark) {
                let (value, after) = value.split_once('"').unwrap();
                words.push(seen(value));
                bone = format!("{before}{after}");
            }
        }
        let void = ["<meta", "<link", "<br", "<input", "<!"].iter().any(|name| tag.starts_with(name));
        if foreign > 0 && !void {
            foreign = if tag.starts_with("</") { foreign - 1 } else { foreign + 1 };
        } else if tag.contains(" lang=\"en\"") && !tag.starts_with("<html") {
            foreign = 1;
        }
        bones.push(if tag.starts_with("<html") { "<html>".to_owned() } else { bone });
        rest = &rest[start + end + 1..];
    }
    Apart { bones, words }
}

/// The numbers of a text with points, in order of size as text; an empty place where nothing is left of one.
fn numbers(text: &str, decimal: char) -> Vec<String> {
    let closed: Vec<char> = text.chars().collect();
    let mut found = vec![String::new()];
    for (i, c) in closed.iter().enumerate() {
        let next = closed.get(i + 1).is_some_and(char::is_ascii_digit);
        match c {
            c if c.is_ascii_digit() => found.last_mut().unwrap().push(*c),
            c if (*c == decimal || *c == '.') && next => found.last_mut().unwrap().push('.'),
            _ => found.push(String::new()),
        }
    }
    found.retain(|number| !number.is_empty());
    found.sort_unstable();
    found
}

/// Words in lower case, without places and without what stands in backticks for a program to read; a name with a
/// hyphen, an underscore or a digit in it is one word.
fn vocabulary(text: &str) -> BTreeSet<String> {
    let pieces = text.split('`').step_by(2).flat_map(|piece| piece.split('{'));
    let own = pieces.map(|piece| piece.split_once('}').map_or(piece, |(_, after)| after)).collect::<Vec<_>>().join(" ");
    own.split(|c: char| !(c.is_alphanumeric() || "-_/.".contains(c)))
        .map(|word| word.trim_matches(['-', '.', '/']).to_lowercase())
        .filter(|word| word.chars().count() > 1 && word.chars().all(char::is_alphabetic))
        .collect()
}

/// Words that the English page has and the German wording nowhere: what gives away a sentence that was left.
fn english_only() -> BTreeSet<String> {
    let all = |words: &Wording| -> BTreeSet<String> {
        words.entries().iter().flat_map(|(_, text)| vocabulary(text)).collect()
    };
    all(Wording::of(Language::English)).difference(&all(Wording::of(Language::German))).cloned().collect()
}

#[test]
fn the_tell_tale_words_tell() {
    let english = english_only();
    for word in ["the", "of", "and", "with", "lifts", "hours", "load", "share", "running"] {
        assert!(english.contains(word), "{word}");
    }
    assert!(english.len() > 500, "{}", english.len());
    let sentence = vocabulary("3 lifts with a load above the rated load.");
    assert!(sentence.intersection(&english).count() >= 3);
}

#[tokio::test]
async fn both_languages_have_the_same_bones_and_figures_and_german_has_no_english_in_it() {
    let (english, german) = (site_in(Language::English), site_in(Language::German));
    let tell_tale = english_only();
    let mut commas = 0;
    for path in VIEWS.into_iter().chain(MORE) {
        let (status, _, one) = english.ask("GET", path, "localhost").await;
        let (other_status, _, other) = german.ask("GET", path, "localhost").await;
        assert_eq!(status, other_status, "{path}");
        assert_well_formed(&other);
        assert!(one.contains("<html lang=\"en\">") && other.contains("<html lang=\"de\">"), "{path}");
        let (one, other) = (apart(&one), apart(&other));
        for (a, b) in one.bones.iter().zip(&other.bones) {
            // Two drawings put a number's words beside it; all else of a picture is the same too.
            assert_eq!(a, b, "{path}");
        }
        assert_eq!(one.bones.len(), other.bones.len(), "{path}");
        assert_eq!(one.words.len(), other.words.len(), "{path}");
        for (a, b) in one.words.iter().zip(&other.words) {
            assert_eq!(numbers(a, '.'), numbers(b, ','), "{path}: {a} / {b}");
            let left: Vec<String> = vocabulary(b).intersection(&tell_tale).cloned().collect();
            // A signal has the name that it has in the configuration.
            let name = ["raising", "lowering"].contains(&b.as_str());
            assert!(left.is_empty() || name, "{path}: {left:?} in “{b}” (“{a}”)");
            assert!(!b.contains('{'), "{path}: an unfilled place in “{b}”");
            commas += usize::from(
                b.chars()
                    .zip(b.chars().skip(1))
                    .zip(b.chars().skip(2))
                    .any(|((x, y), z)| x.is_ascii_digit() && y == ',' && z.is_ascii_digit()),
            );
        }
    }
    assert!(commas > 500, "a German page has decimal commas: {commas}");
}

/// Numbers with a point that a German page may have: of the standards and of the program.
#[tokio::test]
async fn a_point_on_a_german_page_is_in_the_name_of_a_standard() {
    let german = site_in(Language::German);
    let mut names = BTreeSet::new();
    for path in VIEWS {
        let page = apart(&german.get(path).await);
        for text in page.words.iter().filter(|text| !text.contains(env!("CARGO_PKG_VERSION"))) {
            names.extend(numbers(text, '.').into_iter().filter(|number| number.contains('.')));
        }
    }
    let known = ["06.1993", "18.2", "7.2.2", "9.511", "9.683", "9.755"].map(str::to_owned);
    assert_eq!(names, BTreeSet::from(known));
}

/// What programs read has one language.
#[tokio::test]
async fn programs_get_the_same_from_both() {
    let (english, german) = (site_in(Language::English), site_in(Language::German));
    let document: serde_json::Value = serde_json::from_str(&english.get("/api/v1/openapi.json").await).unwrap();
    let mut paths: Vec<String> =
        document["paths"].as_object().unwrap().keys().map(|path| path.replace("{id}", ID)).collect();
    assert!(paths.len() > 8, "{paths:?}");
    paths.push("/metrics".to_owned());
    for end in ["none", "main-hoist/lifts?limit=0", "main-hoist/days?from=x", "main-hoist/whatif?group=M9"] {
        paths.push(format!("/api/v1/mechanisms/{end}"));
    }
    for path in paths {
        let (one, other) = (english.ask("GET", &path, "localhost").await, german.ask("GET", &path, "localhost").await);
        assert_eq!(one.0, other.0, "{path}");
        assert_eq!(one.2, other.2, "{path}");
    }
}

/// A reason is in the words of the record, and marked as English for those who have it read out.
#[test]
fn a_links_reason_is_marked_as_english() {
    let german = config("K 1");
    let desk = Desk {
        words: Wording::of(Language::German),
        config: &german,
        moments: Moments::new(TimeZone::UTC),
        now: counted_to(),
        pace: 1.0,
    };
    let health = crate::drive::DriveHealth::new(Reading { wall: counted_to(), mono: Span::ZERO }, Span::from_ms(1));
    let mut drive = health.figures("a1");
    drive.state = "unreachable".to_owned();
    drive.words = "not reachable: connection refused".to_owned();
    drive.signals.push(SignalFigures {
        mechanism: ID.into(),
        signal: "load_kg",
        table: "input",
        address: 1,
        raw: RawWords::default(),
        value: None,
        read_at: None,
    });
    let figures = figures_of(&german, &history(), true);
    let mechanism = &german.cranes[0].mechanisms[0];
    let html = drive_side::drive(&desk, &german.cranes[0], mechanism, &figures.mechanisms[0], &[drive]).into_string();
    assert!(html.contains("nicht erreichbar: <span lang=\"en\">not reachable: connection refused</span>"), "{html}");
}
