//! What a person reads: which crane, what happened, since when, what it means, what to do next. Messages are English;
//! the page and the report say the same in their language.

use serde_json::Value;
use tallyhook_analysis::units::Timestamp;
use tallyhook_config::model::Config;

use crate::figures::rfc3339;
use crate::store::alarm::ALARM;
use crate::store::message::{Message, MessageKind};
use crate::web::wording::{ENGLISH, Wording, fill};

/// The sentence that ends every message to people.
const CAUTION: &str = "This is information for maintenance and no release for use.";

/// What is told in words: where and since when, then a list where there is one, then all the rest.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Said {
    head: String,
    items: Vec<String>,
    rest: String,
}

impl Said {
    /// A list under a head.
    pub(super) fn list(head: String, items: Vec<String>, rest: String) -> Self {
        Said { head, items, rest: format!("{rest} {CAUTION}") }
    }

    /// The whole as plain text.
    pub fn text(&self) -> String {
        if self.items.is_empty() {
            return format!("{} {}", self.head, self.rest);
        }
        let items: Vec<String> = self.items.iter().map(|item| format!("- {item}\n")).collect();
        format!("{}\n{}{}", self.head, items.concat(), self.rest)
    }

    /// The whole as HTML with its head in bold. Names and texts of the site are escaped.
    pub fn html(&self) -> String {
        let items: Vec<String> = self.items.iter().map(|item| format!("<li>{}</li>", escaped(item))).collect();
        let list = if items.is_empty() { " ".to_owned() } else { format!("<ul>{}</ul>", items.concat()) };
        format!("<strong>{}</strong>{list}{}", escaped(&self.head), escaped(&self.rest))
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
    let what = what(&ENGLISH, message);
    let look = look_at(config, &message.mechanism);
    let head = format!("{}: {}", config.site_name, place(config, message));
    Said { head, items: Vec::new(), rest: format!("{what} {look} {CAUTION}") }
}

/// Messages that waited together: each in its own words.
pub fn group(config: &Config, messages: &[Message]) -> Said {
    let items = messages.iter().map(|message| item(config, message)).collect();
    let head = format!("{}: {} messages that came together.", config.site_name, messages.len());
    Said::list(head, items, look_at(config, ""))
}

fn item(config: &Config, message: &Message) -> String {
    let mut place = place(config, message);
    place[..1].make_ascii_uppercase();
    format!("{place} {}", what(&ENGLISH, message))
}

/// What a message takes in a group: plain, as HTML, and as JSON.
pub fn size_in_a_group(config: &Config, message: &Message) -> usize {
    let item = item(config, message);
    let json = |text: &str| Value::from(text).to_string().len();
    json(&item) + json(&escaped(&item)) + 16
}

/// What happened, what it means and what to do next; without place, time and caution.
pub fn what(w: &Wording, message: &Message) -> String {
    match (message.kind, message.body["quantity"].as_str()) {
        (MessageKind::Finding, _) => finding(w, message),
        (_, Some("used_share")) => used_share(w, message),
        (_, Some("overload")) => overload(w, message),
        (_, Some("starts_per_hour")) => starts(w, message),
        (_, Some("part")) => part(w, message),
        (_, Some(ALARM)) => alarm(w, message),
        _ => format!("{}: {}.", message.kind.name(), message.body),
    }
}

/// Where the figures of a mechanism are, or of the site.
pub(super) fn look_at(config: &Config, mechanism: &str) -> String {
    let address = config.page.listen;
    let page = match address.port() {
        // Any free port: the daemon says which one where it was started.
        0 => "the page on the box".to_owned(),
        _ if mechanism.is_empty() => format!("http://{address}/ on the box"),
        _ => format!("http://{address}/mechanism/{mechanism} on the box"),
    };
    format!("Look at {page}.")
}

/// The words of a test by hand.
fn test(config: &Config) -> Said {
    Said {
        head: format!("{}: a test message.", config.site_name),
        items: Vec::new(),
        rest: format!(
            "Warnings and findings of {} will come this way. There is nothing to do. {CAUTION}",
            match config.cranes.as_slice() {
                [only] => format!("crane {}", only.id),
                cranes => format!("{} cranes", cranes.len()),
            }
        ),
    }
}

/// Which crane and mechanism, and since when.
fn place(config: &Config, message: &Message) -> String {
    let since = since(config, message);
    format!("crane {}, {}, since {since}:", crane(config, &message.crane), message.mechanism)
}

/// A crane by its name and identifier.
pub(super) fn crane(config: &Config, id: &str) -> String {
    match config.cranes.iter().find(|crane| crane.id == id).map_or("", |crane| crane.name.as_str()) {
        name if name.is_empty() || name == id => id.to_owned(),
        name => format!("{name} ({id})"),
    }
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

fn used_share(w: &Wording, message: &Message) -> String {
    let body = &message.body;
    let hours = match (body["used_full_load_hours"].as_f64(), body["design_full_load_hours"].as_f64()) {
        (Some(used), Some(design)) => {
            let group = body["group"].as_str();
            let template = if group.is_some() { w.said_hours_of_group } else { w.said_hours };
            let (used, design) = (plain(w, used, 1), plain(w, design, 0));
            fill(template, &[("used", &used), ("design", &design), ("group", group.unwrap_or_default())])
        }
        _ => String::new(),
    };
    let template = match (raised(message), body["value"].as_f64().is_some_and(|value| value >= 1.0)) {
        (false, _) => w.said_used_back,
        (true, false) => w.said_used_near,
        (true, true) => w.said_used_up,
    };
    let (value, level) = (percent(w, &body["value"]), percent(w, &body["level"]));
    fill(template, &[("value", &value), ("hours", &hours), ("level", &level)])
}

fn overload(w: &Wording, message: &Message) -> String {
    let body = &message.body;
    let kg = |value: &Value, unknown: &str| {
        value.as_f64().map_or(unknown.to_owned(), |kg| format!("{} kg", plain(w, kg, 0)))
    };
    let load = kg(&body["load_kg"], w.said_unknown_load);
    let rated = kg(&body["rated_load_kg"], w.said_unknown_rated);
    fill(w.said_overload, &[("load", &load), ("share", &percent(w, &body["fraction"])), ("rated", &rated)])
}

fn starts(w: &Wording, message: &Message) -> String {
    let template = if raised(message) { w.said_starts } else { w.said_starts_back };
    let (value, level) = (number(w, &message.body["value"]), number(w, &message.body["level"]));
    fill(template, &[("value", &value), ("level", &level)])
}

/// What became of an alarm, or that it still waits.
fn alarm(w: &Wording, message: &Message) -> String {
    let body = &message.body;
    let number = number(w, &body["alarm"]);
    let what = alarm_name(w, body["what"].as_str().unwrap_or(""));
    let by = body["by"].as_str().unwrap_or(w.said_somebody);
    let note =
        body["note"].as_str().filter(|note| !note.is_empty()).map(|note| format!(" ({note})")).unwrap_or_default();
    let since = body["since"].as_str().unwrap_or(w.said_some_time);
    let (template, act) = match body["act"].as_str() {
        Some("reminder") => (w.said_reminder, ""),
        Some(act) => (w.said_alarm_act, act_name(w, act)),
        None => (w.said_alarm, ""),
    };
    fill(template, &[("n", &number), ("what", &what), ("since", since), ("act", act), ("by", by), ("note", &note)])
}

/// What was done to an alarm.
fn act_name<'a>(w: &Wording, act: &'a str) -> &'a str {
    match act {
        "acknowledged" => w.said_act_acknowledged,
        "shelved" => w.said_act_shelved,
        "unshelved" => w.said_act_unshelved,
        "note" => w.said_act_note,
        other => other,
    }
}

/// What an alarm is about, from its key: `used_share:0.9` is `used share 90.0 %`.
pub fn alarm_name(w: &Wording, key: &str) -> String {
    let (quantity, rest) = key.split_once(':').unwrap_or((key, ""));
    let name = match quantity {
        "used_share" => w.quantity_used_share,
        "overload" => w.quantity_overload,
        "starts_per_hour" => w.quantity_starts_per_hour,
        "part" => w.quantity_part,
        other => return [other, rest].join(" ").trim_end().replace(['_', ':'], " "),
    };
    // A part has its own name before the level; a level is the last piece.
    let mut words = vec![name.to_owned()];
    words.extend(rest.split(':').filter(|piece| !piece.is_empty()).map(|piece| match piece.parse::<f64>() {
        // The levels of all but a count are shares.
        Ok(level) if quantity != "starts_per_hour" => w.percent(level),
        Ok(_) => piece.replace('.', w.decimal_sign),
        Err(_) => piece.replace('_', " "),
    }));
    words.join(" ")
}

fn part(w: &Wording, message: &Message) -> String {
    let body = &message.body;
    let name = body["part"].as_str().unwrap_or(w.said_a_part);
    let (used, of) = (number(w, &body["used"]), number(w, &body["of"]));
    let used = fill(w.said_used_of, &[("used", &used), ("of", &of), ("unit", limit_words(w, &body["limit"]))]);
    let template = match (raised(message), body["value"].as_f64().is_some_and(|share| share >= 1.0)) {
        (false, _) => w.said_part_back,
        (true, true) => w.said_part_due,
        (true, false) => w.said_part_near,
    };
    fill(template, &[("name", name), ("used", &used)])
}

/// What a limit counts, behind two numbers of it.
fn limit_words<'a>(w: &Wording, limit: &'a Value) -> &'a str {
    match limit.as_str().unwrap_or("") {
        "running_hours" => w.said_unit_running_hours,
        "lifts" => w.said_unit_lifts,
        "starts" => w.said_unit_starts,
        "stops" => w.said_unit_stops,
        "bending_cycles" => w.said_unit_bending,
        "full_load_bending_cycles" => w.said_unit_full_bending,
        "brake_work_kj" => w.said_unit_brake,
        "days" => w.said_unit_days,
        other => other,
    }
}

/// What a finding says of itself, without what to do about it.
pub fn finding_said(w: &Wording, message: &Message) -> String {
    let body = &message.body;
    let text = body["text"].as_str().or(body["finding"].as_str()).unwrap_or(w.finding_unknown).trim_end_matches('.');
    let template = match body["finding"].as_str() {
        Some("silence") if raised(message) => w.finding_silence,
        Some("silence") => w.finding_silence_over,
        Some("counter") => w.finding_counter,
        Some("configuration") => w.finding_configuration,
        Some("not_recorded") => w.finding_not_recorded,
        Some("backup") => w.finding_backup,
        Some("raw_samples") => w.finding_raw_samples,
        Some("ledger") => w.finding_ledger,
        Some("load_zero_drift") => w.finding_zero_drift,
        Some("load_zero_corrected") => w.finding_zero_corrected,
        Some("load_step") => w.finding_step,
        Some("load_stuck") => w.finding_stuck,
        Some("load_sign") => w.finding_sign,
        Some("load_noise") => w.finding_noise,
        Some("load_never_changes") => w.finding_never_changes,
        Some("load_disagrees") => w.finding_disagrees,
        Some("load_not_read") => w.finding_not_read,
        Some("outbox") => w.finding_outbox,
        _ => w.finding_other,
    };
    fill(template, &[("text", text), ("drive", body["drive"].as_str().unwrap_or("?"))])
}

fn finding(w: &Wording, message: &Message) -> String {
    let said = finding_said(w, message);
    let check = message.body["check"].as_str();
    let template = match (raised(message), message.body["finding"] == "configuration") {
        (false, _) => w.said_finding_over,
        (true, true) => w.said_finding_configuration,
        (true, false) if check.is_some() => w.said_finding_check,
        (true, false) => w.said_finding,
    };
    fill(template, &[("said", &said), ("check", check.unwrap_or_default())])
}

fn raised(message: &Message) -> bool {
    message.body["raised"].as_bool().unwrap_or(true)
}

/// A number as messages write it: no groups, so that it is one word for a program too.
fn plain(w: &Wording, value: f64, decimals: usize) -> String {
    format!("{value:.decimals$}").replace('.', w.decimal_sign)
}

fn percent(w: &Wording, value: &Value) -> String {
    value.as_f64().map_or("?".to_owned(), |value| format!("{} %", plain(w, value * 100.0, 1)))
}

fn number(w: &Wording, value: &Value) -> String {
    value.as_f64().map_or("?".to_owned(), |value| value.to_string().replace('.', w.decimal_sign))
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
