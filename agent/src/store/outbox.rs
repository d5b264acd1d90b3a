//! Messages in the order they were stored, and how far each destination has got.
//!
//! Nothing is deleted when a destination has got it: each has its own cursor, and may be a month behind.

use std::collections::BTreeMap;
use std::path::Path;

use rusqlite::{Connection, OptionalExtension as _, Row, TransactionBehavior, params};
use tallyhook_analysis::units::Timestamp;

use super::error::StoreError;
use super::message::{Message, MessageKind};

/// Columns of a message in the order [`Row`]s are read in by [`read`].
pub(super) const COLUMNS: &str = "seq, id, at_ms, kind, crane, mechanism, body";

/// Appends a message; one whose `id` stands already is the same event and is left as it was told: `false`.
pub(super) fn append(connection: &Connection, message: &Message) -> rusqlite::Result<bool> {
    let added = connection
        .prepare_cached(
            "INSERT INTO message (id, at_ms, kind, crane, mechanism, body) VALUES (?1, ?2, ?3, ?4, ?5, ?6)
             ON CONFLICT (id) DO NOTHING",
        )?
        .execute(params![
            message.id,
            message.at.as_ms(),
            message.kind.name(),
            message.crane,
            message.mechanism,
            message.body.to_string(),
        ])?;
    Ok(added == 1)
}

pub(super) fn last_seq(connection: &Connection) -> rusqlite::Result<u64> {
    // The newest is never dropped (`trim.rs`), so this never falls.
    let last: Option<i64> =
        connection.prepare_cached("SELECT max(seq) FROM message")?.query_row([], |row| row.get(0))?;
    Ok(last.unwrap_or(0).max(0) as u64)
}

pub(super) fn messages_after(
    connection: &Connection,
    path: &Path,
    seq: u64,
    limit: usize,
) -> Result<Vec<(u64, Message)>, StoreError> {
    let sqlite = |error| StoreError::of_sqlite(path, error);
    let mut select = connection
        .prepare_cached(&format!("SELECT {COLUMNS} FROM message WHERE seq > ?1 ORDER BY seq LIMIT ?2"))
        .map_err(sqlite)?;
    let mut rows = select.query(params![clamped(seq), clamped(limit as u64)]).map_err(sqlite)?;
    let mut found = Vec::new();
    while let Some(row) = rows.next().map_err(sqlite)? {
        found.push(read(row, path)?);
    }
    Ok(found)
}

/// Warnings and findings alone, up to number `to`.
pub(super) fn urgent_between(
    connection: &Connection,
    path: &Path,
    (seq, to): (u64, u64),
    limit: usize,
) -> Result<Vec<(u64, Message)>, StoreError> {
    let sqlite = |error| StoreError::of_sqlite(path, error);
    // The plus keeps SQLite in the order of the numbers.
    let mut select = connection
        .prepare_cached(&format!(
            "SELECT {COLUMNS} FROM message WHERE seq > ?1 AND seq <= ?2 AND +kind IN ('warning', 'finding')
             ORDER BY seq LIMIT ?3"
        ))
        .map_err(sqlite)?;
    let mut rows = select.query(params![clamped(seq), clamped(to), clamped(limit as u64)]).map_err(sqlite)?;
    let mut found = Vec::new();
    while let Some(row) = rows.next().map_err(sqlite)? {
        found.push(read(row, path)?);
    }
    Ok(found)
}

pub(super) fn cursor(connection: &Connection, path: &Path, destination: &str) -> Result<Option<u64>, StoreError> {
    let read = || -> rusqlite::Result<Option<i64>> {
        connection
            .prepare_cached("SELECT seq FROM destination WHERE name = ?1")?
            .query_row([destination], |row| row.get(0))
            .optional()
    };
    Ok(read().map_err(|error| StoreError::of_sqlite(path, error))?.map(|seq| seq.max(0) as u64))
}

/// Keeps cursors in a transaction of their own. One never goes back.
pub(super) fn set_cursors(connection: &mut Connection, cursors: &BTreeMap<String, u64>) -> rusqlite::Result<()> {
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    write_cursors(&transaction, cursors)?;
    transaction.commit()
}

/// As [`set_cursors`], in the caller's transaction.
pub(super) fn write_cursors(connection: &Connection, cursors: &BTreeMap<String, u64>) -> rusqlite::Result<()> {
    for (destination, seq) in cursors {
        connection
            .prepare_cached(
                "INSERT INTO destination (name, seq) VALUES (?1, ?2)
                 ON CONFLICT DO UPDATE SET seq = max(seq, excluded.seq)",
            )?
            .execute(params![destination, clamped(*seq)])?;
    }
    Ok(())
}

/// Keeps a number beside the cursors, which may go back.
pub(super) fn set_mark(connection: &Connection, name: &str, number: u64) -> rusqlite::Result<()> {
    connection
        .prepare_cached(
            "INSERT INTO destination (name, seq) VALUES (?1, ?2) ON CONFLICT DO UPDATE SET seq = excluded.seq",
        )?
        .execute(params![name, clamped(number)])?;
    Ok(())
}

/// A message and its number from a row of [`COLUMNS`].
pub(super) fn read(row: &Row<'_>, path: &Path) -> Result<(u64, Message), StoreError> {
    let sqlite = |error| StoreError::of_sqlite(path, error);
    let seq = row.get::<_, i64>(0).map_err(sqlite)?;
    let word = row.get_ref(3).and_then(|v| Ok(v.as_str()?)).map_err(sqlite)?;
    let kind = [MessageKind::Lift, MessageKind::Day, MessageKind::Warning, MessageKind::Finding]
        .into_iter()
        .find(|kind| kind.name() == word)
        .ok_or_else(|| StoreError::damaged(path, format!("message {seq} is of kind `{word}`")))?;
    let body = row.get_ref(6).and_then(|v| Ok(v.as_str()?)).map_err(sqlite)?;
    let body = serde_json::from_str(body)
        .map_err(|error| StoreError::damaged(path, format!("the body of message {seq}: {error}")))?;
    let message = Message {
        id: row.get(1).map_err(sqlite)?,
        at: Timestamp::from_ms(row.get(2).map_err(sqlite)?),
        kind,
        crane: row.get(4).map_err(sqlite)?,
        mechanism: row.get(5).map_err(sqlite)?,
        body,
    };
    Ok((seq.max(0) as u64, message))
}

/// SQLite counts to 2^63 - 1.
pub(super) fn clamped(count: u64) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX)
}
