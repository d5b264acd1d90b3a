//! Services: recorded by a person, taken into the books by whoever keeps them.
//!
//! `tallyhook service` appends an entry, also while the daemon writes (SQLite lets it in between two commits); the
//! daemon takes it within a second and marks it in the same transaction as the book that it changed.

use std::path::Path;

use rusqlite::{Connection, OptionalExtension as _, Row, params};
use serde::{Deserialize, Serialize};
use tallyhook_analysis::service::ServiceKind;
use tallyhook_analysis::units::Timestamp;

use super::error::StoreError;
use super::outbox::clamped;
use super::schema;

/// What was done.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "what")]
pub enum Work {
    /// A working period was ended, and a new one begins.
    Period {
        /// By what.
        by: ServiceKind,
        /// D of the new period, full-load hours; `None` for the present one.
        design_full_load_hours: Option<f64>,
    },
    /// A wearing part was renewed, or an inspection done.
    Part {
        /// Its name in the configuration.
        name: String,
    },
    /// Work that resets nothing.
    Note,
}

/// A service as it is recorded.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Service {
    /// Identifier of the mechanism.
    pub mechanism: String,
    /// When it was recorded.
    pub at: Timestamp,
    /// What was done.
    pub work: Work,
    /// Who says so.
    pub by: String,
    /// A word on it; the day it was really done, if another.
    pub note: String,
}

/// A stored service.
#[derive(Clone, PartialEq, Debug)]
pub struct StoredService {
    /// Its number, rising.
    pub seq: u64,
    /// The service.
    pub service: Service,
    /// When the books took it; `None` while they have not.
    pub taken: Option<Timestamp>,
}

/// Appends a service to the store in `dir`, beside the daemon if it runs; gives its number.
///
/// # Errors
/// [`StoreError::Missing`] when there is no store, the others as their names say.
pub fn append(dir: &Path, service: &Service) -> Result<u64, StoreError> {
    let (connection, _held) = schema::open_beside(dir)?;
    let path = schema::ledger_path(dir);
    let body = serde_json::to_string(service)
        .map_err(|error| StoreError::damaged(&path, format!("the service cannot be written: {error}")))?;
    connection
        .execute(
            "INSERT INTO service (mechanism, at_ms, body) VALUES (?1, ?2, ?3)",
            params![service.mechanism, service.at.as_ms(), body],
        )
        .map_err(|error| StoreError::of_sqlite(&path, error))?;
    Ok(connection.last_insert_rowid().max(0) as u64)
}

/// Services of a mechanism (of all with `None`), oldest first; only those that no book has taken with `open`.
pub(super) fn list(
    connection: &Connection,
    path: &Path,
    mechanism: Option<&str>,
    open: bool,
) -> Result<Vec<StoredService>, StoreError> {
    let sqlite = |error| StoreError::of_sqlite(path, error);
    let mut select = connection
        .prepare_cached(
            "SELECT seq, body, taken_ms FROM service
             WHERE (?1 IS NULL OR mechanism = ?1) AND (taken_ms IS NULL OR NOT ?2) ORDER BY seq",
        )
        .map_err(sqlite)?;
    let mut rows = select.query(params![mechanism, open]).map_err(sqlite)?;
    let mut found = Vec::new();
    while let Some(row) = rows.next().map_err(sqlite)? {
        found.push(read(row, path)?);
    }
    Ok(found)
}

/// Marks a service as taken; part of the transaction that stores the book it changed. Gives its body, `None` when it
/// was marked before.
pub(super) fn mark_taken(connection: &Connection, seq: u64, at: Timestamp) -> rusqlite::Result<Option<String>> {
    connection
        .prepare_cached("UPDATE service SET taken_ms = ?2 WHERE seq = ?1 AND taken_ms IS NULL RETURNING body")?
        .query_row(params![clamped(seq), at.as_ms()], |row| row.get(0))
        .optional()
}

/// What stands under a number.
pub(super) fn body(connection: &Connection, seq: u64) -> rusqlite::Result<Option<String>> {
    connection
        .prepare_cached("SELECT body FROM service WHERE seq = ?1")?
        .query_row([clamped(seq)], |row| row.get(0))
        .optional()
}

fn read(row: &Row<'_>, path: &Path) -> Result<StoredService, StoreError> {
    let sqlite = |error| StoreError::of_sqlite(path, error);
    let seq = row.get::<_, i64>(0).map_err(sqlite)?.max(0) as u64;
    let body = row.get_ref(1).and_then(|v| Ok(v.as_str()?)).map_err(sqlite)?;
    let service = serde_json::from_str(body)
        .map_err(|error| StoreError::damaged(path, format!("the body of service {seq}: {error}")))?;
    let taken: Option<i64> = row.get(2).map_err(sqlite)?;
    Ok(StoredService { seq, service, taken: taken.map(Timestamp::from_ms) })
}
