//! The metrics of a mechanism, which is a Sparkplug device: their names, types and aliases. The README of `publish` is
//! their contract.

use serde_json::Value as Json;

use super::payload::{DataType, Metric, Value};
use crate::figures::rfc3339;
use crate::store::message::Message;

use DataType::{Boolean, DateTime, Double, String as Text, UInt64};

/// Every metric of a device, in the order of its alias; a new one goes to the end. What is before the slash is a message's kind, or `state`; what
/// is behind it is the field's name in the JSON payloads.
const CATALOGUE: &[(&str, DataType)] = &[
    ("state/group", Text),
    ("state/rated_load_kg", Double),
    ("state/running_hours", Double),
    ("state/starts", UInt64),
    ("state/lifts", UInt64),
    ("state/overload_lifts", UInt64),
    ("state/load_spectrum_factor", Double),
    ("state/used_full_load_hours", Double),
    ("state/design_full_load_hours", Double),
    ("state/consumed", Double),
    ("state/gap_hours", Double),
    ("state/record_to", DateTime),
    ("lift/id", Text),
    ("lift/begin", DateTime),
    ("lift/load_kg", Double),
    ("lift/fraction", Double),
    ("lift/peak_kg", Double),
    ("lift/running_seconds", Double),
    ("lift/starts", UInt64),
    ("lift/overload", Boolean),
    ("lift/cut", Boolean),
    ("day/id", Text),
    ("day/day", Text),
    ("day/running_hours", Double),
    ("day/full_load_hours", Double),
    ("day/load_spectrum_factor", Double),
    ("day/lifts", UInt64),
    ("day/overload_lifts", UInt64),
    ("day/starts", UInt64),
    ("day/gap_hours", Double),
    ("warning/id", Text),
    ("warning/quantity", Text),
    ("warning/level", Double),
    ("warning/value", Double),
    ("warning/raised", Boolean),
    ("finding/id", Text),
    ("finding/finding", Text),
    ("finding/text", Text),
    ("finding/raised", Boolean),
    ("warning/part", Text),
    ("day/worst_starts_in_an_hour", UInt64),
    ("day/worst_cyclic_duration_10min_percent", Double),
    ("day/worst_cyclic_duration_hour_percent", Double),
    ("lift/load_uncertainty_kg", Double),
];

/// Aliases of the edge node's own metrics; devices begin behind them.
pub const BD_SEQ: u64 = 1;
/// Alias of the metric by which a rebirth is asked for.
pub const REBIRTH: u64 = 2;
/// Alias of the program's version.
pub const VERSION: u64 = 3;
const DEVICES: u64 = 100;
/// Aliases kept for each device, so that a new metric moves no other.
const A_DEVICE: u64 = 100;

/// A metric of the device number `device`, without its value.
fn metric(device: usize, n: usize, named: bool, at_ms: i64) -> Metric {
    let (name, datatype) = CATALOGUE[n];
    Metric {
        name: named.then(|| name.to_owned()),
        alias: Some(DEVICES + A_DEVICE * device as u64 + n as u64),
        timestamp: Some(time(at_ms)),
        datatype: Some(datatype as u32),
        is_historical: None,
        is_null: None,
        value: None,
    }
}

fn with(mut metric: Metric, n: usize, value: &Json) -> Metric {
    metric.value = match CATALOGUE[n].1 {
        Text => value.as_str().map(|text| Value::Text(text.to_owned())),
        Double => value.as_f64().map(Value::Double),
        UInt64 | DataType::Int64 => value.as_u64().map(Value::Long),
        Boolean => value.as_bool().map(Value::Boolean),
        DateTime => value
            .as_str()
            .and_then(|text| text.parse::<jiff::Timestamp>().ok())
            .map(|at| Value::Long(time(at.as_millisecond()))),
    };
    metric.is_null = metric.value.is_none().then_some(true);
    metric
}

/// Milliseconds since 1970; the protocol has none before.
pub fn time(at_ms: i64) -> u64 {
    u64::try_from(at_ms).unwrap_or(0)
}

/// All metrics of a device, named, as its birth has them: the state as it is, events without a value.
pub fn birth(device: usize, state: &Json, at_ms: i64) -> Vec<Metric> {
    (0..CATALOGUE.len())
        .map(|n| match CATALOGUE[n].0.strip_prefix("state/") {
            Some(field) => with(metric(device, n, true, at_ms), n, &state[field]),
            None => with(metric(device, n, true, at_ms), n, &Json::Null),
        })
        .collect()
}

/// The metrics of the state that differ from what was `told` before.
pub fn changes(device: usize, told: &Json, state: &Json, at_ms: i64) -> Vec<Metric> {
    let changed = |n: &usize| CATALOGUE[*n].0.strip_prefix("state/").is_some_and(|field| told[field] != state[field]);
    (0..CATALOGUE.len())
        .filter(changed)
        .map(|n| with(metric(device, n, false, at_ms), n, &state[&CATALOGUE[n].0["state/".len()..]]))
        .collect()
}

/// The metrics of a message, each with the message's own time; what this one does not have is null, so that nothing
/// of an earlier one stands beside it.
pub fn of_message(device: usize, message: &Message, historical: bool) -> Vec<Metric> {
    let overload = message.body["quantity"] == "overload";
    let field = |name: &str| match name {
        "id" => Json::from(message.id.as_str()),
        // As in the chat: an overload is a fraction of the rated load, over 1.
        "value" if overload => message.body["fraction"].clone(),
        "level" if overload => Json::from(1.0),
        _ => message.body[name].clone(),
    };
    let kind = message.kind.name();
    (0..CATALOGUE.len())
        .filter_map(|n| {
            let name = CATALOGUE[n].0.strip_prefix(kind)?.strip_prefix('/')?;
            let mut metric = with(metric(device, n, false, message.at.as_ms()), n, &field(name));
            metric.is_historical = historical.then_some(true);
            Some(metric)
        })
        .collect()
}

/// The edge node's own metric for its session: the same number in its birth and in its death.
pub fn bd_seq(number: u8, alias: bool) -> Metric {
    Metric {
        name: Some("bdSeq".to_owned()),
        alias: alias.then_some(BD_SEQ),
        timestamp: None,
        datatype: Some(DataType::Int64 as u32),
        is_historical: None,
        is_null: None,
        value: Some(Value::Long(u64::from(number))),
    }
}

/// The name of the metric by which a rebirth is asked for.
pub const REBIRTH_NAME: &str = "Node Control/Rebirth";

/// All metrics of the edge node, named, as its birth has them.
pub fn node_birth(number: u8, at_ms: i64) -> Vec<Metric> {
    let mut metrics = vec![bd_seq(number, true)];
    let own = [
        (REBIRTH_NAME, REBIRTH, Boolean, Value::Boolean(false)),
        ("Properties/Version", VERSION, Text, Value::Text(env!("CARGO_PKG_VERSION").to_owned())),
    ];
    metrics.extend(own.map(|(name, alias, datatype, value)| Metric {
        name: Some(name.to_owned()),
        alias: Some(alias),
        timestamp: None,
        datatype: Some(datatype as u32),
        is_historical: None,
        is_null: None,
        value: Some(value),
    }));
    for metric in &mut metrics {
        metric.timestamp = Some(time(at_ms));
    }
    metrics
}

/// Whether a command asks for a rebirth.
pub fn asks_for_rebirth(metrics: &[Metric]) -> bool {
    metrics.iter().any(|metric| {
        let named = metric.name.as_deref() == Some(REBIRTH_NAME);
        (named || metric.name.is_none() && metric.alias == Some(REBIRTH)) && metric.value == Some(Value::Boolean(true))
    })
}

/// The state of a mechanism as its metrics show it: only what has a metric, and times to the minute, so that a record
/// that merely goes on is no change every second.
pub fn state_of(figures: &crate::figures::MechanismFigures) -> Json {
    let mut state = serde_json::to_value(figures).unwrap_or_default();
    if let Json::Object(fields) = &mut state {
        fields
            .retain(|name, _| CATALOGUE.iter().any(|(metric, _)| metric.strip_prefix("state/") == Some(name.as_str())));
        let to = fields.get("record_to").and_then(Json::as_str).and_then(|to| to.parse::<jiff::Timestamp>().ok());
        if let Some(to) = to {
            let minute = to.as_millisecond().div_euclid(60_000) * 60_000;
            let minute = rfc3339(tallyhook_analysis::units::Timestamp::from_ms(minute));
            fields.insert("record_to".to_owned(), Json::from(minute));
        }
    }
    state
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use serde_json::json;

    use super::*;
    use crate::publish::wording::tests::message;
    use crate::store::message::MessageKind;

    #[test]
    fn aliases_are_unique_within_the_node_and_names_within_a_device() {
        let all = node_birth(0, 0).into_iter().chain((0..3).flat_map(|device| birth(device, &Json::Null, 0)));
        let aliases: Vec<u64> = all.filter_map(|m| m.alias).collect();
        assert_eq!(aliases.iter().collect::<BTreeSet<_>>().len(), aliases.len());
        assert_eq!(aliases.len(), 3 + 3 * CATALOGUE.len());
        assert_eq!(CATALOGUE.iter().map(|(name, _)| name).collect::<BTreeSet<_>>().len(), CATALOGUE.len());
        assert!(CATALOGUE.len() as u64 <= A_DEVICE);
    }

    #[test]
    fn a_message_gives_all_metrics_of_its_kind_and_no_others() {
        let body = json!({"quantity": "overload", "fraction": 1.08, "load_kg": 17280.0, "raised": true});
        let metrics = of_message(0, &message(MessageKind::Warning, body), true);
        let birth = birth(0, &Json::Null, 0);
        let name = |m: &Metric| birth.iter().find(|b| b.alias == m.alias).and_then(|b| b.name.clone()).unwrap();
        let seen: Vec<(String, Option<Value>)> = metrics.iter().map(|m| (name(m), m.value.clone())).collect();
        let text = |t: &str| Some(Value::Text(t.to_owned()));
        let wanted = [
            ("warning/id", text("e1")),
            ("warning/quantity", text("overload")),
            ("warning/level", Some(Value::Double(1.0))),
            ("warning/value", Some(Value::Double(1.08))),
            ("warning/raised", Some(Value::Boolean(true))),
            ("warning/part", None),
        ];
        assert_eq!(seen, wanted.map(|(name, value)| (name.to_owned(), value)));
        assert!(metrics.iter().all(|m| m.is_historical == Some(true) && m.name.is_none()));
    }

    #[test]
    fn only_a_true_rebirth_is_a_command() {
        let command = |name: Option<&str>, alias, value| {
            asks_for_rebirth(&[Metric { name: name.map(str::to_owned), alias, value, ..Metric::default() }])
        };
        assert!(command(Some(REBIRTH_NAME), None, Some(Value::Boolean(true))));
        assert!(command(None, Some(REBIRTH), Some(Value::Boolean(true))));
        assert!(!command(Some(REBIRTH_NAME), None, Some(Value::Boolean(false))));
        assert!(!command(Some("Node Control/Reboot"), None, Some(Value::Boolean(true))));
        assert!(!command(Some("state/lifts"), Some(REBIRTH), Some(Value::Boolean(true))));
    }
}
