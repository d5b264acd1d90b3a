//! What goes out to the broker is what `src/publish/schema` promises: messages that a real book made of samples, and
//! the state that follows from them.
//!
//! The check below knows the few keywords of JSON Schema 2020-12 that our schemas use and refuses any other. It is
//! stricter than the schemas in one thing: a field that they do not name is a fault here, so that no field goes out
//! undocumented; a consumer has to bear new ones.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use std::collections::BTreeSet;

use serde_json::{Value, json};
use tallyhook::daemon::book::{Book, SiteCalendar};
use tallyhook::figures::{self, Forecast, Record};
use tallyhook::publish::payload;
use tallyhook::store::message::{Message, MessageKind};
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::units::{Grams, Timestamp};
use tallyhook_config::model::Config;
use tallyhook_config::{StarterOptions, load, starter};

const LIFT: &str = include_str!("../src/publish/schema/lift.json");
const DAY: &str = include_str!("../src/publish/schema/day.json");
const WARNING: &str = include_str!("../src/publish/schema/warning.json");
const FINDING: &str = include_str!("../src/publish/schema/finding.json");
const STATE: &str = include_str!("../src/publish/schema/state.json");

fn schema_of(kind: MessageKind) -> Value {
    let text = match kind {
        MessageKind::Lift => LIFT,
        MessageKind::Day => DAY,
        MessageKind::Warning => WARNING,
        MessageKind::Finding => FINDING,
    };
    serde_json::from_str(text).unwrap()
}

/// Every fault of `value` under `schema`, with its place.
fn faults(schema: &Value, value: &Value, place: &str, out: &mut Vec<String>) {
    let Some(rules) = schema.as_object() else { panic!("the schema of {place} is no object") };
    for (keyword, rule) in rules {
        let fits = match keyword.as_str() {
            "$schema" | "title" | "description" => true,
            "type" => match rule {
                Value::Array(any) => any.iter().any(|name| is_of(name, value)),
                one => is_of(one, value),
            },
            "const" => value == rule,
            "enum" => rule.as_array().unwrap().contains(value),
            "minimum" => value.as_f64().is_none_or(|v| v >= rule.as_f64().unwrap()),
            "maximum" => value.as_f64().is_none_or(|v| v <= rule.as_f64().unwrap()),
            "minLength" => value.as_str().is_none_or(|v| v.chars().count() as u64 >= rule.as_u64().unwrap()),
            "format" => value.as_str().is_none_or(|v| match rule.as_str().unwrap() {
                "date-time" => v.parse::<jiff::Timestamp>().is_ok(),
                "date" => v.parse::<jiff::civil::Date>().is_ok(),
                other => panic!("format {other} is not checked"),
            }),
            // Asked of objects only, as the description of JSON Schema has it: a null forecast has no dates.
            "required" => value
                .as_object()
                .is_none_or(|o| rule.as_array().unwrap().iter().all(|name| o.contains_key(name.as_str().unwrap()))),
            "properties" => {
                for (name, of_name) in rule.as_object().unwrap() {
                    if let Some(inner) = value.get(name) {
                        faults(of_name, inner, &format!("{place}/{name}"), out);
                    }
                }
                true
            }
            "items" => {
                for (n, item) in value.as_array().into_iter().flatten().enumerate() {
                    faults(rule, item, &format!("{place}/{n}"), out);
                }
                true
            }
            "oneOf" => {
                let fitting = rule.as_array().unwrap().iter().filter(|one| {
                    let mut inner = Vec::new();
                    faults(one, value, place, &mut inner);
                    inner.is_empty()
                });
                fitting.count() == 1
            }
            other => panic!("keyword {other} is not checked"),
        };
        if !fits {
            out.push(format!("{place}: {value} against {keyword} {rule}"));
        }
    }
    // Fields are named where `type` says object; the branches of `oneOf` name only what tells them apart.
    if let (Some(Value::Object(named)), Some(fields), true) =
        (rules.get("properties"), value.as_object(), rules.contains_key("type"))
    {
        out.extend(fields.keys().filter(|f| !named.contains_key(*f)).map(|f| format!("{place}/{f} is not documented")));
    }
}

fn is_of(name: &Value, value: &Value) -> bool {
    match name.as_str().unwrap() {
        "object" => value.is_object(),
        "array" => value.is_array(),
        "string" => value.is_string(),
        "boolean" => value.is_boolean(),
        "null" => value.is_null(),
        "number" => value.is_number(),
        "integer" => value.is_u64() || value.is_i64(),
        other => panic!("type {other} is not checked"),
    }
}

fn check(schema: &Value, value: &Value) -> Vec<String> {
    let mut out = Vec::new();
    faults(schema, value, "", &mut out);
    out
}

fn config() -> Config {
    let mut config =
        load(&starter(&StarterOptions::default()), "starter.toml").unwrap_or_else(|f| panic!("{}", f.report()));
    // A budget of half an hour, so that a few lifts cross every level.
    config.cranes[0].mechanisms[0].design_full_load_hours = Some(0.5);
    config
}

/// A hoist at work, a sample a second: nine minutes of a load on the hook, raised and lowered, then a minute without.
fn work(book: &mut Book, from_s: i64, lifts: i64, load_kg: f64) {
    for second in 0..lifts * 600 {
        let in_lift = second % 600;
        let mut sample = Sample::at(Timestamp::from_ms((from_s + second) * 1000));
        let load = if (5..545).contains(&in_lift) { Grams::from_kg(load_kg) } else { Grams::ZERO };
        sample.set(Quantity::Load, Some(load.get()));
        sample.set_flag(Flag::Raising, Some((10..270).contains(&in_lift)));
        sample.set_flag(Flag::Lowering, Some((280..540).contains(&in_lift)));
        book.take(&sample);
    }
}

#[test]
fn what_a_book_tells_fits_the_schemas() {
    let config = config();
    let (crane, mechanism) = config.mechanisms().next().unwrap();
    let mut book = Book::open(crane, mechanism, SiteCalendar(config.time_zone.clone()), None);
    // From 21:00 to past midnight, all loads over the 12,500 kg that the hoist is rated for.
    work(&mut book, 1_750_000_000 / 86_400 * 86_400 + 21 * 3600, 24, 13_500.0);
    let messages = book.commit().unwrap().messages;
    for message in &messages {
        assert_eq!(check(&schema_of(message.kind), &payload::of_message(message)), [""; 0], "{}", message.id);
    }
    let told: BTreeSet<String> =
        messages.iter().map(|m| format!("{} {}", m.kind.name(), m.body["quantity"].as_str().unwrap_or(""))).collect();
    assert_eq!(told.into_iter().collect::<Vec<_>>(), ["day ", "lift ", "warning overload", "warning used_share"]);
    let ids: BTreeSet<&str> = messages.iter().map(|m| m.id.as_str()).collect();
    assert_eq!(ids.len(), messages.len(), "two messages have one id");

    let mut record = book.record();
    record.forecast = Some(Forecast::of_days(20_500, Some(20_600), None));
    for record in [Record::default(), record] {
        let site = figures::of_site(&config, |_| record.clone());
        let state = serde_json::from_str(&payload::of_state(&site.mechanisms[0]).unwrap()).unwrap();
        assert_eq!(check(&serde_json::from_str(STATE).unwrap(), &state), [""; 0]);
    }
}

fn message(kind: MessageKind, body: Value) -> Value {
    payload::of_message(&Message {
        id: "main-hoist:1".to_owned(),
        at: Timestamp::from_ms(1_750_000_000_000),
        kind,
        crane: "yard-1".to_owned(),
        mechanism: "main-hoist".to_owned(),
        body,
    })
}

#[test]
fn what_this_book_did_not_tell_has_its_place_too() {
    let part = json!({"quantity": "part", "part": "rope", "level": 0.9, "value": 0.91, "raised": true,
                      "limit": "lifts", "used": 910, "of": 1000});
    assert_eq!(check(&schema_of(MessageKind::Warning), &message(MessageKind::Warning, part)), [""; 0]);
    let silence =
        json!({"finding": "silence", "drive": "main", "state": "silent", "raised": false, "text": "It answers."});
    assert_eq!(check(&schema_of(MessageKind::Finding), &message(MessageKind::Finding, silence)), [""; 0]);
    let starts = json!({"quantity": "starts_per_hour", "level": 120, "value": 121, "raised": true});
    assert_eq!(check(&schema_of(MessageKind::Warning), &message(MessageKind::Warning, starts)), [""; 0]);
    let finding = json!({"finding": "drive_silent", "text": "Drive main has been silent for 60 s."});
    assert_eq!(check(&schema_of(MessageKind::Finding), &message(MessageKind::Finding, finding)), [""; 0]);
}

#[test]
fn the_check_finds_what_is_wrong() {
    let warning = schema_of(MessageKind::Warning);
    let good = json!({"quantity": "starts_per_hour", "level": 120, "value": 121, "raised": true});
    for (field, bad) in [
        ("raised", json!("yes")),
        ("level", json!(-1)),
        ("quantity", json!("weather")),
        ("quantity", json!("used_share")),
        ("colour", json!("red")),
    ] {
        let mut body = good.clone();
        body[field] = bad.clone();
        assert_ne!(check(&warning, &message(MessageKind::Warning, body)), [""; 0], "{field} {bad}");
    }
    let mut without = message(MessageKind::Warning, good);
    without.as_object_mut().unwrap().remove("id");
    assert_ne!(check(&warning, &without), [""; 0]);
}
