//! The drives' states as they last changed, so that a question from the shell is answered without the daemon.

use std::path::Path;

use rusqlite::{Connection, params};
use tallyhook_analysis::units::Timestamp;

use super::error::StoreError;
use crate::drive::DriveFigures;

/// Keeps the drives' states; those of drives that are gone go.
pub(super) fn keep(
    connection: &mut Connection,
    path: &Path,
    drives: &[DriveFigures],
    at: Timestamp,
) -> Result<(), StoreError> {
    let mut write = || -> rusqlite::Result<()> {
        let transaction = connection.transaction()?;
        transaction.execute("DELETE FROM drive", [])?;
        for drive in drives {
            // What was read last is of the moment; only how the link stands is kept.
            let kept = DriveFigures { signals: Vec::new(), ..drive.clone() };
            let body = serde_json::to_string(&kept).unwrap_or_default();
            transaction
                .prepare_cached("INSERT INTO drive (name, at_ms, body) VALUES (?1, ?2, ?3)")?
                .execute(params![drive.drive, at.as_ms(), body])?;
        }
        transaction.commit()
    };
    write().map_err(|error| StoreError::of_sqlite(path, error))
}

/// The states as they were last kept, by the drive's name.
pub(super) fn list(connection: &Connection, path: &Path) -> Result<Vec<DriveFigures>, StoreError> {
    let read = || -> rusqlite::Result<Vec<String>> {
        connection.prepare_cached("SELECT body FROM drive ORDER BY name")?.query_map([], |row| row.get(0))?.collect()
    };
    let bodies = read().map_err(|error| StoreError::of_sqlite(path, error))?;
    let damaged = |error: serde_json::Error| StoreError::damaged(path, format!("the state of a drive: {error}"));
    bodies.iter().map(|body| serde_json::from_str(body).map_err(damaged)).collect()
}
