//! The life of a warning, in the terms of ISA-18.2 and IEC 62682: raised, acknowledged, returned to normal, shelved for
//! a time, each with who and when.
//!
//! An alarm follows from the warning messages in the transaction that stores them, so neither can be without the other.
//! What people do to it is appended beside the daemon, as services are.

use std::path::Path;

use rusqlite::{Connection, OptionalExtension as _, Row, params};
use serde::Serialize;
use serde_json::{Value, json};
use tallyhook_analysis::units::Timestamp;

use super::error::StoreError;
use super::message::{Message, MessageKind};
use super::outbox::{self, clamped};
use super::schema;

/// Where an alarm stands.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum AlarmState {
    /// The value is at the level, and nobody has said that he knows.
    Unacknowledged,
    /// The value is at the level, and somebody knows.
    Acknowledged,
    /// The value has returned, and nobody has said that he knows.
    ReturnedUnacknowledged,
    /// The value has returned and somebody knows: it is over.
    Normal,
}

impl AlarmState {
    /// In words.
    pub const fn name(self) -> &'static str {
        match self {
            AlarmState::Unacknowledged => "unacknowledged",
            AlarmState::Acknowledged => "acknowledged",
            AlarmState::ReturnedUnacknowledged => "returned to normal, unacknowledged",
            AlarmState::Normal => "normal",
        }
    }
}

/// An alarm.
#[derive(Clone, PartialEq, Debug)]
pub struct Alarm {
    /// Its number, rising.
    pub seq: u64,
    /// Identifier of the crane.
    pub crane: String,
    /// Identifier of the mechanism.
    pub mechanism: String,
    /// What is watched, with its level: `used_share:0.8`, `overload`; or the word of a finding, `load_stuck`.
    pub what: String,
    /// Body of the message that raised it last.
    pub body: Value,
    /// When it was raised.
    pub raised: Timestamp,
    /// How often, while it stood open.
    pub times: u64,
    /// When it was raised last.
    pub last: Timestamp,
    /// When the value returned; an overload has returned with the end of its lift.
    pub cleared: Option<Timestamp>,
    /// When somebody acknowledged it, and who.
    pub acknowledged: Option<(Timestamp, String)>,
    /// Until when it is shelved, and by whom.
    pub shelved: Option<(Timestamp, String)>,
    /// When people were last reminded of it.
    pub reminded: Option<Timestamp>,
}

impl Alarm {
    /// The message that raised it last.
    pub fn message(&self) -> Message {
        Message {
            id: String::new(),
            at: self.last,
            kind: if self.what.starts_with(SEEN_TO) { MessageKind::Finding } else { MessageKind::Warning },
            crane: self.crane.clone(),
            mechanism: self.mechanism.clone(),
            body: self.body.clone(),
        }
    }

    /// Where it stands.
    pub fn state(&self) -> AlarmState {
        match (self.cleared.is_some(), self.acknowledged.is_some()) {
            (false, false) => AlarmState::Unacknowledged,
            (false, true) => AlarmState::Acknowledged,
            (true, false) => AlarmState::ReturnedUnacknowledged,
            (true, true) => AlarmState::Normal,
        }
    }

    /// Whether it is shelved at an instant.
    pub fn is_shelved(&self, now: Timestamp) -> bool {
        self.shelved.as_ref().is_some_and(|(until, _)| now < *until)
    }
}

/// What a person does to an alarm.
#[derive(Clone, PartialEq, Debug)]
pub enum Act {
    /// He knows of it.
    Acknowledge,
    /// He does not want to hear of it until then.
    Shelve(Timestamp),
    /// He wants to hear of it again.
    Unshelve,
    /// A word on it.
    Note,
}

impl Act {
    /// The word in the store and in messages.
    pub const fn name(&self) -> &'static str {
        match self {
            Act::Acknowledge => "acknowledged",
            Act::Shelve(_) => "shelved",
            Act::Unshelve => "unshelved",
            Act::Note => "note",
        }
    }
}

/// Something a person did to an alarm.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Done {
    /// When, milliseconds since 1970.
    pub at_ms: i64,
    /// What: `acknowledged`, `shelved`, `unshelved`, `note`.
    pub act: String,
    /// Who.
    pub by: String,
    /// A word on it.
    pub note: String,
}

/// An act that cannot be done.
#[derive(Debug, thiserror::Error)]
pub enum ActError {
    /// There is no such alarm.
    #[error("there is no alarm {0}; look with `tallyhook alarms`")]
    Unknown(u64),
    /// It was acknowledged before.
    #[error("alarm {0} was acknowledged already by {1}")]
    Already(u64, String),
    /// The store says no.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Before the word of each finding that somebody must see to at the crane: those of a load's signal.
const SEEN_TO: &str = "load_";

/// What a warning is about, with its level: the key of its alarm. `None` for what has no life of its own.
fn key(message: &Message) -> Option<String> {
    let body = &message.body;
    if message.kind == MessageKind::Finding {
        return body["finding"].as_str().filter(|finding| finding.starts_with(SEEN_TO)).map(str::to_owned);
    }
    if message.kind != MessageKind::Warning {
        return None;
    }
    let quantity = body["quantity"].as_str().filter(|quantity| *quantity != ALARM)?;
    let mut key = quantity.to_owned();
    let more = [body["part"].as_str().map(str::to_owned), body["level"].as_f64().map(|level| level.to_string())];
    for more in more.into_iter().flatten() {
        key.push(':');
        key.push_str(&more);
    }
    Some(key)
}

/// Quantity of the messages that tell what became of an alarm.
pub const ALARM: &str = "alarm";

/// Lets an alarm follow from a message that was appended just now.
pub(super) fn follow(connection: &Connection, message: &Message) -> rusqlite::Result<()> {
    let Some(what) = key(message) else { return Ok(()) };
    let at = message.at.as_ms();
    let open = connection
        .prepare_cached(
            "SELECT seq FROM alarm WHERE mechanism = ?1 AND what = ?2 AND (cleared_ms IS NULL OR acked_ms IS NULL)
             ORDER BY seq DESC",
        )?
        .query_row(params![message.mechanism, what], |row| row.get::<_, i64>(0))
        .optional()?;
    // A lift is over when its overload is told.
    let passes = what == "overload";
    if message.body["raised"].as_bool().unwrap_or(true) {
        let cleared = passes.then_some(at);
        match open {
            Some(seq) => connection
                .prepare_cached(
                    "UPDATE alarm SET times = times + 1, last_ms = ?2, cleared_ms = ?3, body = ?4 WHERE seq = ?1",
                )?
                .execute(params![seq, at, cleared, message.body.to_string()])?,
            None => connection
                .prepare_cached(
                    "INSERT INTO alarm (crane, mechanism, what, body, raised_ms, times, last_ms, cleared_ms)
                     VALUES (?1, ?2, ?3, ?4, ?5, 1, ?5, ?6)",
                )?
                .execute(params![message.crane, message.mechanism, what, message.body.to_string(), at, cleared])?,
        };
    } else if let Some(seq) = open {
        connection
            .prepare_cached("UPDATE alarm SET cleared_ms = ?2 WHERE seq = ?1 AND cleared_ms IS NULL")?
            .execute(params![seq, at])?;
    }
    Ok(())
}

/// People were reminded of an alarm.
pub(super) fn mark_reminded(connection: &Connection, seq: u64, at: Timestamp) -> rusqlite::Result<()> {
    connection
        .prepare_cached("UPDATE alarm SET reminded_ms = ?2 WHERE seq = ?1")?
        .execute(params![clamped(seq), at.as_ms()])?;
    Ok(())
}

const COLUMNS: &str = "seq, crane, mechanism, what, body, raised_ms, times, last_ms, cleared_ms, acked_ms, acked_by,
                       shelved_until_ms, shelved_by, reminded_ms";

/// Alarms of a mechanism (of all with `None`), newest first; without those that are over when `open`.
pub(super) fn list(
    connection: &Connection,
    path: &Path,
    mechanism: Option<&str>,
    open: bool,
) -> Result<Vec<Alarm>, StoreError> {
    let sqlite = |error| StoreError::of_sqlite(path, error);
    let mut select = connection
        .prepare_cached(&format!(
            "SELECT {COLUMNS} FROM alarm WHERE (?1 IS NULL OR mechanism = ?1)
             AND (NOT ?2 OR cleared_ms IS NULL OR acked_ms IS NULL) ORDER BY seq DESC"
        ))
        .map_err(sqlite)?;
    let mut rows = select.query(params![mechanism, open]).map_err(sqlite)?;
    let mut found = Vec::new();
    while let Some(row) = rows.next().map_err(sqlite)? {
        found.push(read(row).map_err(sqlite)?);
    }
    Ok(found)
}

fn read(row: &Row<'_>) -> rusqlite::Result<Alarm> {
    let time = |column: usize| row.get::<_, Option<i64>>(column).map(|ms| ms.map(Timestamp::from_ms));
    let who = |column: usize| row.get::<_, Option<String>>(column).map(Option::unwrap_or_default);
    let (acked_by, shelved_by) = (who(10)?, who(12)?);
    Ok(Alarm {
        seq: row.get::<_, i64>(0)?.max(0) as u64,
        crane: row.get(1)?,
        mechanism: row.get(2)?,
        what: row.get(3)?,
        body: serde_json::from_str(row.get_ref(4)?.as_str()?).unwrap_or_default(),
        raised: Timestamp::from_ms(row.get(5)?),
        times: row.get::<_, i64>(6)?.max(0) as u64,
        last: Timestamp::from_ms(row.get(7)?),
        cleared: time(8)?,
        acknowledged: time(9)?.map(|at| (at, acked_by)),
        shelved: time(11)?.map(|until| (until, shelved_by)),
        reminded: time(13)?,
    })
}

/// What people did to an alarm, oldest first.
pub(super) fn acts(connection: &Connection, path: &Path, seq: u64) -> Result<Vec<Done>, StoreError> {
    let read = || -> rusqlite::Result<Vec<Done>> {
        connection
            .prepare_cached("SELECT at_ms, act, by, note FROM alarm_act WHERE alarm = ?1 ORDER BY seq")?
            .query_map([clamped(seq)], |row| {
                Ok(Done { at_ms: row.get(0)?, act: row.get(1)?, by: row.get(2)?, note: row.get(3)? })
            })?
            .collect()
    };
    read().map_err(|error| StoreError::of_sqlite(path, error))
}

/// Does something to an alarm of the store in `dir`, beside the daemon if it runs. It is told to all destinations.
///
/// # Errors
/// [`ActError`] says why not.
pub fn act(dir: &Path, seq: u64, act: &Act, by: &str, note: &str, at: Timestamp) -> Result<Alarm, ActError> {
    let (mut connection, _held) = schema::open_beside(dir)?;
    let path = schema::ledger_path(dir);
    let sqlite = |error| StoreError::of_sqlite(&path, error);
    let transaction = connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate).map_err(sqlite)?;
    let find = || {
        transaction
            .query_row(&format!("SELECT {COLUMNS} FROM alarm WHERE seq = ?1"), [clamped(seq)], read)
            .optional()
            .map_err(sqlite)
    };
    let alarm = find()?.ok_or(ActError::Unknown(seq))?;
    if let (Act::Acknowledge, Some((_, who))) = (act, &alarm.acknowledged) {
        return Err(ActError::Already(seq, who.clone()));
    }
    let write = || -> rusqlite::Result<()> {
        match act {
            Act::Acknowledge => transaction.execute(
                "UPDATE alarm SET acked_ms = ?2, acked_by = ?3 WHERE seq = ?1",
                params![clamped(seq), at.as_ms(), by],
            )?,
            Act::Shelve(until) => transaction.execute(
                "UPDATE alarm SET shelved_until_ms = ?2, shelved_by = ?3 WHERE seq = ?1",
                params![clamped(seq), until.as_ms(), by],
            )?,
            Act::Unshelve => transaction.execute(
                "UPDATE alarm SET shelved_until_ms = NULL, shelved_by = NULL WHERE seq = ?1",
                params![clamped(seq)],
            )?,
            Act::Note => 0,
        };
        transaction.execute(
            "INSERT INTO alarm_act (alarm, at_ms, act, by, note) VALUES (?1, ?2, ?3, ?4, ?5)",
            params![clamped(seq), at.as_ms(), act.name(), by, note],
        )?;
        outbox::append(&transaction, &told(&alarm, act, by, note, at))?;
        Ok(())
    };
    write().map_err(sqlite)?;
    let after = find()?.ok_or(ActError::Unknown(seq))?;
    transaction.commit().map_err(sqlite)?;
    Ok(after)
}

fn told(alarm: &Alarm, act: &Act, by: &str, note: &str, at: Timestamp) -> Message {
    let mut body = json!({
        "quantity": ALARM,
        "alarm": alarm.seq,
        "what": alarm.what,
        "act": act.name(),
        "by": by,
        "note": note,
        "raised": false,
    });
    if let Act::Shelve(until) = act {
        body["until_ms"] = json!(until.as_ms());
    }
    Message {
        id: format!("alarm:{}:{}:{}", alarm.seq, act.name(), at.as_ms()),
        at,
        kind: MessageKind::Warning,
        crane: alarm.crane.clone(),
        mechanism: alarm.mechanism.clone(),
        body,
    }
}
