//! The one thing that may come in by the broker, and only where the configuration says so: that a person knows of a
//! warning. It goes the way that `tallyhook alarms` and the page go, into the same rows.
//!
//! Whoever may publish at the broker may send anything here. So what comes is small, strict and counted, a retained
//! message (which would acknowledge anew at each connection) is left alone, and nothing but an acknowledgement is known.

use std::path::PathBuf;

use rumqttc::Publish;
use serde::Deserialize;
use tallyhook_analysis::units::Span;
use tracing::{info, warn};

use crate::clock::Clock;
use crate::store::alarm::{Act, act};

/// Most bytes of a message.
const MOST_BYTES: usize = 4096;
/// Longest name and note, characters. The page takes longer ones, from those who are let in there.
const LONGEST: usize = 200;
/// Most messages in a minute; more are left alone until it is over.
const MOST_A_MINUTE: u32 = 60;
const MINUTE: Span = Span::from_ms(60_000);

/// What may come in: that somebody knows of a warning.
#[derive(Clone, PartialEq, Eq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Acknowledgement {
    /// Number of the alarm, as `tallyhook alarms` and the messages have it.
    pub alarm: u64,
    /// Who.
    pub by: String,
    /// A word on it.
    #[serde(default)]
    pub note: String,
}

/// Reads a message; the error says what is wrong with it.
///
/// # Errors
/// A sentence for the log.
pub fn read(retained: bool, payload: &[u8]) -> Result<Acknowledgement, String> {
    if retained {
        return Err("it is retained; publish it without that flag".to_owned());
    }
    if payload.len() > MOST_BYTES {
        return Err(format!("it has {} bytes, over the limit of {MOST_BYTES}", payload.len()));
    }
    // An array of the values in their order would be read too.
    if payload.trim_ascii_start().first() != Some(&b'{') {
        return Err("it is not a JSON object".to_owned());
    }
    let mut read: Acknowledgement = serde_json::from_slice(payload)
        .map_err(|error| format!("it is not {{\"alarm\": NUMBER, \"by\": \"WHO\", \"note\": \"…\"}}: {error}"))?;
    read.by = read.by.trim().to_owned();
    let is_line = |text: &str| text.chars().count() <= LONGEST && !text.chars().any(char::is_control);
    if read.by.is_empty() || !is_line(&read.by) || !is_line(&read.note) {
        return Err(format!("`by` has to name somebody; it and `note` are one line of at most {LONGEST} characters"));
    }
    Ok(read)
}

/// Where acknowledgements go.
#[derive(Clone, Debug)]
pub struct Inbox {
    topic: String,
    store: PathBuf,
    clock: Clock,
    minute: Span,
    taken: u32,
}

impl Inbox {
    /// Takes what comes under `{root}/acknowledge` into the store in a directory.
    pub fn new(root: &str, store: PathBuf, clock: Clock) -> Self {
        Inbox { topic: format!("{root}/acknowledge"), store, minute: clock.now().mono, clock, taken: 0 }
    }

    /// What is subscribed to.
    pub fn topic(&self) -> &str {
        &self.topic
    }

    /// Takes a message; what came of it is in the log, and an acknowledgement is told to all destinations.
    pub async fn take(&mut self, came: &Publish) {
        let now = self.clock.now();
        if now.mono >= self.minute.plus(MINUTE) {
            (self.minute, self.taken) = (now.mono, 0);
        }
        self.taken = self.taken.saturating_add(1);
        if self.taken > MOST_A_MINUTE {
            if self.taken == MOST_A_MINUTE + 1 {
                warn!(topic = %self.topic, "more than {MOST_A_MINUTE} messages in a minute; the rest of it is not read");
            }
            return;
        }
        let read = match read(came.retain, &came.payload) {
            Ok(read) => read,
            Err(why) => return warn!(topic = %self.topic, "a message is not taken: {why}"),
        };
        // The broker has told us no name that could be proved, so the row says by which way it came.
        let (store, number, by) = (self.store.clone(), read.alarm, format!("{} (MQTT)", read.by));
        let done =
            tokio::task::spawn_blocking(move || act(&store, number, &Act::Acknowledge, &by, &read.note, now.wall));
        match done.await {
            Ok(Ok(alarm)) => info!(alarm = number, mechanism = %alarm.mechanism, by = %read.by, "acknowledged by MQTT"),
            Ok(Err(why)) => warn!(topic = %self.topic, "an acknowledgement is not taken: {why}"),
            Err(error) => warn!(topic = %self.topic, "an acknowledgement is not taken: {error}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_small_strict_acknowledgement_that_is_not_retained_comes_in() {
        let good = br#"{"alarm": 3, "by": " R. Fitter ", "note": "seen"}"#;
        let wanted = Acknowledgement { alarm: 3, by: "R. Fitter".to_owned(), note: "seen".to_owned() };
        assert_eq!(read(false, good), Ok(wanted));
        assert!(read(false, br#"{"alarm": 3, "by": "R"}"#).is_ok());
        let refused = |payload: &[u8], part: &str| {
            let why = read(false, payload).unwrap_err();
            assert!(why.contains(part), "{why} for {}", String::from_utf8_lossy(payload));
        };
        assert!(read(true, good).unwrap_err().contains("retained"));
        refused(b"", "it is not");
        refused(br#"[3, "R", ""]"#, "it is not a JSON object");
        refused(b"\xff\xfe", "it is not");
        refused(br#"{"alarm": -3, "by": "R"}"#, "it is not");
        refused(br#"{"alarm": 3.5, "by": "R"}"#, "it is not");
        refused(br#"{"alarm": "3", "by": "R"}"#, "it is not");
        refused(br#"{"alarm": 3}"#, "missing field `by`");
        refused(br#"{"alarm": 3, "alarm": 4, "by": "R"}"#, "duplicate field");
        refused(br#"{"alarm": 3, "by": "R", "shelve": true}"#, "unknown field `shelve`");
        refused(br#"{"alarm": 3, "by": "R"} {}"#, "trailing");
        refused(br#"{"alarm": 3, "by": " "}"#, "`by` has to name somebody");
        refused(br#"{"alarm": 3, "by": "a\nb"}"#, "one line");
        refused(format!(r#"{{"alarm": 3, "by": "{}"}}"#, "x".repeat(201)).as_bytes(), "200");
        refused(format!(r#"{{"alarm": 3, "by": "R", "note": "{}"}}"#, "x".repeat(5000)).as_bytes(), "4096");
    }
}
