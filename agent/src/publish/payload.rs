//! JSON as it goes out to the broker; the README beside this file is its contract.

use serde::Serialize;
use serde_json::{Map, Value, json};

use crate::figures::{MechanismFigures, rfc3339};
use crate::store::message::Message;

/// Version of the payloads. It rises when a field changes its meaning or goes; a new field does not raise it.
pub const SCHEMA: u32 = 1;

/// A message: its head, then the fields of its body beside them. The head's names win.
pub fn of_message(message: &Message) -> Value {
    let mut fields = match &message.body {
        Value::Object(body) => body.clone(),
        Value::Null => Map::new(),
        other => Map::from_iter([("value".to_owned(), other.clone())]),
    };
    let head = [
        ("schema", json!(SCHEMA)),
        ("id", json!(message.id)),
        ("at", json!(rfc3339(message.at))),
        ("kind", json!(message.kind.name())),
        ("crane", json!(message.crane)),
        ("mechanism", json!(message.mechanism)),
    ];
    fields.extend(head.map(|(name, value)| (name.to_owned(), value)));
    Value::Object(fields)
}

/// The retained state of a mechanism: its figures as `status --json` has them, and the version.
///
/// # Errors
/// When the figures cannot be written as JSON.
pub fn of_state(figures: &MechanismFigures) -> Result<String, serde_json::Error> {
    #[derive(Serialize)]
    struct State<'a> {
        schema: u32,
        #[serde(flatten)]
        figures: &'a MechanismFigures,
    }
    serde_json::to_string(&State { schema: SCHEMA, figures })
}
