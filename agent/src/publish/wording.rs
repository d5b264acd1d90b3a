//! What a person reads: which crane, what happened, since when, what it means, what to do next.

use serde_json::Value;
use tallyhook_analysis::units::Timestamp;
use tallyhook_config::model::Config;

use crate::figures::{limit_words, rfc3339};
use crate::store::alarm::ALARM;
use crate::store::message::{Message, MessageKind};

/// The sentence that ends every message to people.
const CAUTION: &str = "This is information for maintenance and no release for use.";

/// A message in words: where and since when, then all the rest.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Said {
    head: String,
    rest: String,
}

impl Said {
    /// The whole as plain text.
    pub fn text(&self) -> String {
        format!("{} {}", self.head, self.rest)
    }

    /// The whole as HTML with its head in bold. Names and texts of the site are escaped.
    pub fn html(&self) -> String {
        format!("<strong>{}</strong> {}", escaped(&self.head), escaped(&self.rest))
    }
}

fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
    out
}

/// The whole text of a warning or finding.
pub fn text(config: &Config, message: &Message) -> String {
    said(config, message).text()
}

/// A warning or finding in words.
pub fn said(config: &Config, message: &Message) -> Said {
    if message.kind == MessageKind::Finding && message.body["finding"] == "test" {
        return test(config);
    }
    let what = what(message);
    let look = look(config, message);
    Said { head: place(config, message, since(config, message)), rest: format!("{what} {look} {CAUTION}") }
}

/// What happened, what it means and what to do next; without place, time and caution.
pub fn what(message: &Message) -> String {
    match (message.kind, message.body["quantity"].as_str()) {
        (MessageKind::Finding, _) => finding(message),
        (_, Some("used_share")) => used_share(message),
        (_, Some("overload")) => overload(message),
        (_, Some("starts_per_hour")) => starts(message),
        (_, Some("part")) => part(message),
        (_, Some(ALARM)) => alarm(message),
        _ => format!("{}: {}.", message.kind.name(), message.body),
    }
}

/// Where the figures behind a message are.
fn look(config: &Config, message: &Message) -> String {
    let address = config.page.listen;
    let page = match address.port() {
        // Any free port: the daemon says which one where it was started.
        0 => "the page on the box".to_owned(),
        _ if message.mechanism.is_empty() => format!("http://{address}/ on the box"),
        _ => format!("http://{address}/mechanism/{} on the box", message.mechanism),
    };
    format!("Look at {page}.")
}

/// The words of a test by hand.
fn test(config: &Config) -> Said {
    Said {
        head: format!("{}: a test message.", config.site_name),
        rest: format!(
            "Warnings and findings of {} will come this way. There is nothing to do. {CAUTION}",
            match config.cranes.as_slice() {
                [only] => format!("crane {}", only.id),
                cranes => format!("{} cranes", cranes.len()),
            }
        ),
    }
}

fn place(config: &Config, message: &Message, since: String) -> String {
    let name = config.cranes.iter().find(|crane| crane.id == message.crane).map_or("", |crane| crane.name.as_str());
    let crane = if name.is_empty() || name == message.crane {
        message.crane.clone()
    } else {
        format!("{name} ({})", message.crane)
    };
    format!("{}: crane {crane}, {}, since {since}:", config.site_name, message.mechanism)
}

/// The time at the site: of an overload when the lift began, otherwise of the sample that crossed the level.
fn since(config: &Config, message: &Message) -> String {
    match message.body["begin"].as_str().and_then(|begin| begin.parse::<jiff::Timestamp>().ok()) {
        Some(begin) => local(config, Timestamp::from_ms(begin.as_millisecond())),
        None => local(config, message.at),
    }
}

fn local(config: &Config, at: Timestamp) -> String {
    match jiff::Timestamp::from_millisecond(at.as_ms()) {
        Ok(time) => time.to_zoned_datetime(config.time_zone.clone()).strftime("%Y-%m-%d %H:%M:%S (UTC%:z)").to_string(),
        Err(_) => rfc3339(at),
    }
}

fn used_share(message: &Message) -> String {
    let body = &message.body;
    let (value, level) = (percent(&body["value"]), percent(&body["level"]));
    let hours = match (body["used_full_load_hours"].as_f64(), body["design_full_load_hours"].as_f64()) {
        (Some(used), Some(design)) => {
            let group = body["group"].as_str().map(|group| format!(" of group {group}")).unwrap_or_default();
            format!(" ({used:.1} of {design:.0} full-load hours{group})")
        }
        _ => String::new(),
    };
    if !raised(message) {
        return format!(
            "the used share of the safe working period is back at {value}{hours}, below the level of {level}. \
             Check that the service that reset it is on record."
        );
    }
    let next = if body["value"].as_f64().is_some_and(|value| value >= 1.0) {
        "The safe working period that the mechanism was designed for is used up. Next: have a competent person decide \
         on further use and plan the general overhaul."
    } else {
        "The mechanism nears the end of the safe working period that it was designed for. Next: plan the general \
         overhaul and tell the competent person who inspects the crane."
    };
    format!("the used share of the safe working period is {value}{hours} and has reached the level of {level}. {next}")
}

fn overload(message: &Message) -> String {
    let body = &message.body;
    let load = body["load_kg"].as_f64().map_or("an unknown load".to_owned(), |kg| format!("{kg:.0} kg"));
    let rated = body["rated_load_kg"].as_f64().map_or("an unknown rated load".to_owned(), |kg| format!("{kg:.0} kg"));
    format!(
        "a lift of {load} was {} of the rated load of {rated}. A load above the rated load strains structure, rope and \
         brake beyond what they were designed for. Next: find out what was lifted and why the load limiter let it \
         pass, and ask a competent person whether an inspection is due.",
        percent(&body["fraction"])
    )
}

fn starts(message: &Message) -> String {
    let (value, level) = (number(&message.body["value"]), number(&message.body["level"]));
    if !raised(message) {
        return format!("{value} starts in the last hour, below the level of {level} again. Nothing to do.");
    }
    format!(
        "{value} starts in the last hour have reached the level of {level}. Many short starts heat the motor and wear \
         brake and contactors. Next: look whether the hoist is being inched, and talk to the operator."
    )
}

/// What became of an alarm, or that it still waits.
fn alarm(message: &Message) -> String {
    let body = &message.body;
    let number = number(&body["alarm"]);
    let what = body["what"].as_str().unwrap_or("").replace(['_', ':'], " ");
    let by = body["by"].as_str().unwrap_or("somebody");
    let note =
        body["note"].as_str().filter(|note| !note.is_empty()).map(|note| format!(" ({note})")).unwrap_or_default();
    match body["act"].as_str() {
        Some("reminder") => {
            let since = body["since"].as_str().unwrap_or("some time");
            format!(
                "reminder: nobody has acknowledged alarm {number}, {what}, since {since}. Next: look at it, and \
                 acknowledge it with `tallyhook alarms --acknowledge {number} --by NAME`."
            )
        }
        Some(act) => format!("alarm {number}, {what}: {act} by {by}{note}. Nothing to do."),
        None => format!("alarm {number}, {what}."),
    }
}

fn part(message: &Message) -> String {
    let body = &message.body;
    let name = body["part"].as_str().unwrap_or("a part");
    let unit = limit_words(body["limit"].as_str().unwrap_or(""));
    let used = format!("{} of {} {unit}", number(&body["used"]), number(&body["of"]));
    if !raised(message) {
        return format!("{name} is back at {used} after a service. Nothing to do.");
    }
    if body["value"].as_f64().is_some_and(|share| share >= 1.0) {
        return format!(
            "{name} is due: {used} since it was last renewed or done. Next: have it looked at by a competent person, and \
             record it with `tallyhook service part {name}`."
        );
    }
    format!("{name} is nearly due: {used} since it was last renewed or done. Next: plan it.")
}

fn finding(message: &Message) -> String {
    let said = message.body["text"].as_str().or(message.body["finding"].as_str()).unwrap_or("unknown finding");
    let said = said.trim_end_matches('.');
    if !raised(message) {
        return format!("{said}. Nothing to do.");
    }
    if message.body["finding"] == "configuration" {
        return format!("{said}. Next: mend the file, try it with `tallyhook check`, reload again.");
    }
    if let Some(check) = message.body["check"].as_str() {
        return format!("{said}. What is recorded meanwhile may be wrong. Next: {check}.");
    }
    format!("{said}. The record may be incomplete for this time. Next: check the drive's supply, network and signals.")
}

fn raised(message: &Message) -> bool {
    message.body["raised"].as_bool().unwrap_or(true)
}

fn percent(value: &Value) -> String {
    value.as_f64().map_or("?".to_owned(), |value| format!("{:.1} %", value * 100.0))
}

fn number(value: &Value) -> String {
    value.as_f64().map_or("?".to_owned(), |value| format!("{value}"))
}

#[cfg(test)]
pub(super) mod tests {

    use serde_json::json;
    use tallyhook_config::model::{Page, Store};

    use super::*;

    pub(crate) fn config() -> Config {
        Config {
            site_name: "Eastfield precast yard".to_owned(),
            time_zone: jiff::tz::TimeZone::get("Europe/Berlin").unwrap(),
            units: Default::default(),
            language: Default::default(),
            store: Store::plain(""),
            page: Page::plain(([127, 0, 0, 1], 0).into()),
            alarms: Default::default(),
            outbox: Default::default(),
            drives: Default::default(),
            cranes: Vec::new(),
            mqtt: None,
            webhooks: Vec::new(),
            influx: None,
            matrix: None,
        }
    }

    pub(crate) fn message(kind: MessageKind, body: Value) -> Message {
        Message {
            id: "e1".to_owned(),
            at: Timestamp::from_ms(1_750_000_000_000),
            kind,
            crane: "yard-1".to_owned(),
            mechanism: "main-hoist".to_owned(),
            body,
        }
    }

    #[test]
    fn a_used_share_warning_says_where_what_since_when_and_what_next() {
        let body = json!({"quantity": "used_share", "level": 0.9, "value": 0.9004, "raised": true,
                          "used_full_load_hours": 1440.6, "design_full_load_hours": 1600.0, "group": "M5"});
        let text = text(&config(), &message(MessageKind::Warning, body));
        for part in [
            "Eastfield precast yard: crane yard-1, main-hoist, since 2025-06-15 17:06:40 (UTC+02:00)",
            "is 90.0 % (1440.6 of 1600 full-load hours of group M5)",
            "level of 90.0 %",
            "Next: plan the general overhaul",
            "no release for use",
        ] {
            assert!(text.contains(part), "{part:?} is missing in {text:?}");
        }
    }

    #[test]
    fn a_message_says_where_to_look_and_its_html_holds_no_mark_of_the_sites_own() {
        let mut config = config();
        config.site_name = "Yard <b>\"A\" & 'B'</b>".to_owned();
        config.page.listen = ([127, 0, 0, 1], 8420).into();
        let body = json!({"quantity": "starts_per_hour", "level": 120.0, "value": 121.0, "raised": true});
        let said = said(&config, &message(MessageKind::Warning, body));
        assert!(said.text().contains("Look at http://127.0.0.1:8420/mechanism/main-hoist on the box."), "{said:?}");
        let html = said.html();
        let head = "<strong>Yard &lt;b&gt;&quot;A&quot; &amp; &#39;B&#39;&lt;/b&gt;: crane yard-1, main-hoist, since ";
        assert!(html.starts_with(head), "{html}");
        assert_eq!(html.matches('<').count(), 2, "{html}");
    }

    #[test]
    fn an_overload_is_dated_by_the_lifts_beginning() {
        let body = json!({"quantity": "overload", "load_kg": 17280.0, "rated_load_kg": 16000.0, "fraction": 1.08,
                          "begin": "2025-06-15T15:00:00.000Z", "raised": true});
        let text = text(&config(), &message(MessageKind::Warning, body));
        assert!(text.contains("since 2025-06-15 17:00:00"), "{text}");
        assert!(text.contains("17280 kg was 108.0 % of the rated load of 16000 kg"), "{text}");
    }

    #[test]
    fn a_level_left_again_and_a_finding_read_as_such() {
        let back = json!({"quantity": "starts_per_hour", "level": 120.0, "value": 80.0, "raised": false});
        let back = text(&config(), &message(MessageKind::Warning, back));
        assert!(back.contains("80 starts in the last hour, below the level of 120 again"), "{back}");
        let finding = json!({"finding": "drive_silent", "text": "Drive main has been silent for 60 s."});
        let finding = text(&config(), &message(MessageKind::Finding, finding));
        assert!(finding.contains("Drive main has been silent for 60 s. The record"), "{finding}");
    }
}
