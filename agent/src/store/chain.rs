//! The chain: entries of each mechanism, each with the hash of the one before it. A day that closes is an entry; so is
//! a change of the configuration that touches the reckoning, a service, a jump of the clock, a lift that found its place
//! taken, and every thinning out. Whoever changes the past has to change every hash after it, and the last one was
//! sent out.

use std::collections::BTreeMap;
use std::path::Path;

use ring::digest::{Context, SHA256};
use rusqlite::{Connection, OptionalExtension as _, Row, params};
use serde_json::{Value, json};
use tallyhook_analysis::units::Timestamp;

use super::error::StoreError;
use super::gap_seal;
use super::write::{Closing, WriteFault};
use crate::figures::date_of;

/// Length of a hash, bytes.
const HASH: usize = 32;

/// What an entry tells of.
#[derive(Clone, Copy, PartialEq, Eq, Debug, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum EntryKind {
    /// The chain begins: what stood before it, and the configuration.
    Begin,
    /// A day is over.
    Day,
    /// The configuration changed in what touches the reckoning.
    Configuration,
    /// A service was taken into the books.
    Service,
    /// The site's clock was moved, or was not believed.
    Clock,
    /// A lift that was not written in its place, because another one with that beginning stands there.
    Lift,
    /// A gap or flag that was written, after a clock was set back, to where a closed day holds them.
    Late,
    /// Fine detail was given up for room.
    Thinned,
}

impl EntryKind {
    const ALL: [EntryKind; 8] = [
        EntryKind::Begin,
        EntryKind::Day,
        EntryKind::Configuration,
        EntryKind::Service,
        EntryKind::Clock,
        EntryKind::Lift,
        EntryKind::Late,
        EntryKind::Thinned,
    ];

    /// The word in the store.
    pub const fn name(self) -> &'static str {
        match self {
            EntryKind::Begin => "begin",
            EntryKind::Day => "day",
            EntryKind::Configuration => "configuration",
            EntryKind::Service => "service",
            EntryKind::Clock => "clock",
            EntryKind::Lift => "lift",
            EntryKind::Late => "late",
            EntryKind::Thinned => "thinned",
        }
    }
}

/// An entry of the chain.
#[derive(Clone, PartialEq, Debug)]
pub struct ChainEntry {
    /// Its number, from 1 on, without holes.
    pub seq: u64,
    /// What it tells of.
    pub kind: EntryKind,
    /// The day it closes, days since 1970-01-01; only of a [`EntryKind::Day`].
    pub day: Option<i32>,
    /// The instant of the last sample when it was written.
    pub at: Timestamp,
    /// The particulars, JSON, as they were hashed.
    pub body: String,
    /// Hash of the entry before it; zeros for the first.
    pub previous: String,
    /// Its own hash, hexadecimal.
    pub hash: String,
}

/// What touches the reckoning, by the names of the configuration.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Reckoning(pub BTreeMap<String, Value>);

impl Reckoning {
    /// The hash of all of it.
    pub fn fingerprint(&self) -> String {
        digest(&[json!(self.0).to_string().as_bytes()])
    }
}

/// SHA-256 of the parts one after the other, hexadecimal.
pub(super) fn digest(parts: &[&[u8]]) -> String {
    let mut context = Context::new(&SHA256);
    parts.iter().for_each(|part| context.update(part));
    hex(context.finish().as_ref())
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The hash of an entry: of everything in it and the hash before it.
pub(super) fn hash_of(mechanism: &str, entry: &ChainEntry) -> String {
    let ChainEntry { seq, kind, at, body, previous, .. } = entry;
    let head =
        format!("tallyhook ledger entry, form 1\n{mechanism}\n{seq}\n{}\n{}\n{previous}\n", kind.name(), at.as_ms());
    digest(&[head.as_bytes(), body.as_bytes()])
}

const COLUMNS: &str = "seq, kind, day, at_ms, body, previous, hash";

/// Appends an entry, in the caller's transaction; gives its hash.
pub(super) fn append(
    connection: &Connection,
    (key, mechanism): (i64, &str),
    kind: EntryKind,
    day: Option<i32>,
    at: Timestamp,
    body: &Value,
) -> rusqlite::Result<String> {
    let (seq, previous) = head(connection, key)?.map_or((1, "0".repeat(2 * HASH)), |(seq, hash)| (seq + 1, hash));
    let mut entry = ChainEntry { seq, kind, day, at, body: body.to_string(), previous, hash: String::new() };
    entry.hash = hash_of(mechanism, &entry);
    connection
        .prepare_cached(&format!("INSERT INTO entry (mechanism, {COLUMNS}) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)"))?
        .execute(params![key, seq as i64, kind.name(), day, at.as_ms(), entry.body, entry.previous, entry.hash])?;
    Ok(entry.hash)
}

/// Number and hash of the last entry of a mechanism's chain.
pub(super) fn head(connection: &Connection, key: i64) -> rusqlite::Result<Option<(u64, String)>> {
    connection
        .prepare_cached("SELECT seq, hash FROM entry WHERE mechanism = ?1 ORDER BY seq DESC LIMIT 1")?
        .query_row([key], |row| Ok((row.get::<_, i64>(0)?.max(0) as u64, row.get(1)?)))
        .optional()
}

/// The last hash of a mechanism's chain.
pub(super) fn last_hash(connection: &Connection, key: i64) -> rusqlite::Result<Option<String>> {
    Ok(head(connection, key)?.map(|(_, hash)| hash))
}

/// As [`append`], unless an entry of that kind with that very body stands already.
pub(super) fn append_once(
    connection: &Connection,
    mechanism: (i64, &str),
    kind: EntryKind,
    day: Option<i32>,
    at: Timestamp,
    body: &Value,
) -> rusqlite::Result<Option<String>> {
    let stands = connection
        .prepare_cached(
            "SELECT 1 FROM entry WHERE mechanism = ?1 AND kind = ?2 AND (?3 IS NULL OR day = ?3) AND body = ?4",
        )?
        .exists(params![mechanism.0, kind.name(), day, body.to_string()])?;
    if stands { Ok(None) } else { append(connection, mechanism, kind, day, at, body).map(Some) }
}

/// All entries of a mechanism, in their order.
pub(super) fn entries(connection: &Connection, path: &Path, key: i64) -> Result<Vec<ChainEntry>, StoreError> {
    let mut found = Vec::new();
    walk(connection, path, key, |entry| found.push(entry))?;
    Ok(found)
}

/// All entries of a mechanism, in their order, each shown whole to `each`. What is given back is without the bodies of days,
/// which [`body`] reads again, and without the hashes before: of ten years they take megabytes.
pub(super) fn outline(
    connection: &Connection,
    path: &Path,
    key: i64,
    mut each: impl FnMut(&ChainEntry),
) -> Result<Vec<ChainEntry>, StoreError> {
    let mut found = Vec::new();
    walk(connection, path, key, |mut entry| {
        each(&entry);
        entry.previous = String::new();
        if entry.kind == EntryKind::Day {
            entry.body = String::new();
        }
        found.push(entry);
    })?;
    Ok(found)
}

fn walk(connection: &Connection, path: &Path, key: i64, mut each: impl FnMut(ChainEntry)) -> Result<(), StoreError> {
    let sqlite = |error| StoreError::of_sqlite(path, error);
    let mut select = connection
        .prepare_cached(&format!("SELECT {COLUMNS} FROM entry WHERE mechanism = ?1 ORDER BY seq"))
        .map_err(sqlite)?;
    let mut rows = select.query([key]).map_err(sqlite)?;
    while let Some(row) = rows.next().map_err(sqlite)? {
        each(read(row, path)?);
    }
    Ok(())
}

/// The body of an entry; empty where there is none.
pub(super) fn body(connection: &Connection, key: i64, seq: u64) -> rusqlite::Result<String> {
    let body = connection
        .prepare_cached("SELECT body FROM entry WHERE mechanism = ?1 AND seq = ?2")?
        .query_row(params![key, seq as i64], |row| row.get(0))
        .optional()?;
    Ok(body.unwrap_or_default())
}

fn read(row: &Row<'_>, path: &Path) -> Result<ChainEntry, StoreError> {
    let sqlite = |error| StoreError::of_sqlite(path, error);
    let seq = row.get::<_, i64>(0).map_err(sqlite)?.max(0) as u64;
    let word: String = row.get(1).map_err(sqlite)?;
    let kind = EntryKind::ALL
        .into_iter()
        .find(|kind| kind.name() == word)
        .ok_or_else(|| StoreError::damaged(path, format!("entry {seq} is of kind `{word}`")))?;
    Ok(ChainEntry {
        seq,
        kind,
        day: row.get(2).map_err(sqlite)?,
        at: Timestamp::from_ms(row.get(3).map_err(sqlite)?),
        body: row.get(4).map_err(sqlite)?,
        previous: row.get(5).map_err(sqlite)?,
        hash: row.get(6).map_err(sqlite)?,
    })
}

/// What the rows of a closed day say, as it stands in its entry: its row word for word, and digests of its long
/// columns, of its lifts and of its hours. `None` for a day without a row.
pub(super) fn seal(connection: &Connection, key: i64, day: i32) -> rusqlite::Result<Option<Value>> {
    let Some(row) = seal_of_row(connection, key, day)? else { return Ok(None) };
    let lifts = rows_digest(connection, LIFT_ROWS, key, day)?;
    let hours = rows_digest(connection, HOUR_ROWS, key, day)?;
    Ok(Some(with_digests(row, lifts, hours)))
}

/// A seal out of its parts.
pub(super) fn with_digests(mut row: Value, lifts: String, hours: String) -> Value {
    if let Value::Object(fields) = &mut row {
        fields.insert(SEALED_LIFTS.to_owned(), lifts.into());
        fields.insert(SEALED_HOURS.to_owned(), hours.into());
    }
    row
}

/// What the day's own row says.
pub(super) fn seal_of_row(connection: &Connection, key: i64, day: i32) -> rusqlite::Result<Option<Value>> {
    connection
        .prepare_cached(
            "SELECT observed_ms, gap_ms, running_ms, load_unknown_ms, band_ms, cube_ms, starts, lifts, overload_lifts,
                    band_lifts, lift_cubes, duty, running_by_load, lifts_by_load, used_full_load_hours
             FROM day WHERE mechanism = ?1 AND day = ?2",
        )?
        .query_row(params![key, day], |row| {
            let number = |column: usize| row.get::<_, i64>(column);
            let text = |column: usize| row.get::<_, String>(column);
            let bytes = |column: usize| row.get::<_, Option<Vec<u8>>>(column);
            let long = |value: Option<Vec<u8>>| value.map(|bytes| digest(&[&bytes]));
            Ok(json!({
                "observed_ms": number(0)?, "gap_ms": number(1)?, "running_ms": number(2)?,
                "load_unknown_ms": number(3)?, "band_ms": text(4)?, "cube_ms": text(5)?, "starts": number(6)?,
                "lifts": number(7)?, "overload_lifts": number(8)?, "band_lifts": text(9)?, "lift_cubes": text(10)?,
                "duty": long(row.get::<_, Option<String>>(11)?.map(String::into_bytes)),
                "running_by_load": long(bytes(12)?), "lifts_by_load": long(bytes(13)?),
                "used_full_load_hours": row.get::<_, Option<f64>>(14)?,
            }))
        })
        .optional()
}

/// The digest of a day's lifts in its seal.
pub(super) const SEALED_LIFTS: &str = "lift_rows";
/// The digest of a day's hours in its seal.
pub(super) const SEALED_HOURS: &str = "hour_rows";

// What came with a later format is there only where it is not NULL: older rows keep their digest.
// Told which index: left to itself SQLite walks through all years, since those rows are in order already.
const LIFT_ROWS: &str = "SELECT begin_ms || ',' || length_ms || ',' || load_g || ',' || peak_over_g || ',' ||
                                running_ms || ',' || starts || ',' || marks ||
                                coalesce(',' || uncertainty_g, '')
                         FROM lift INDEXED BY lift_by_day WHERE mechanism = ?1 AND day = ?2 ORDER BY begin_ms";
const HOUR_ROWS: &str = "SELECT begin_ms || ',' || length_ms || ',' || running_ms || ',' || gap_ms || ',' || cube_ms ||
                                ',' || starts || ',' || lifts
                         FROM hour INDEXED BY hour_by_day WHERE mechanism = ?1 AND day = ?2 ORDER BY begin_ms";

fn rows_digest(connection: &Connection, sql: &str, key: i64, day: i32) -> rusqlite::Result<String> {
    let mut digest = RowsDigest::default();
    let mut select = connection.prepare_cached(sql)?;
    let mut rows = select.query(params![key, day])?;
    while let Some(row) = rows.next()? {
        digest.add(row.get_ref(0)?.as_str()?);
    }
    Ok(digest.finish())
}

/// SHA-256 of rows, a line each.
#[derive(Clone)]
pub(super) struct RowsDigest(Context);

impl Default for RowsDigest {
    fn default() -> Self {
        RowsDigest(Context::new(&SHA256))
    }
}

impl RowsDigest {
    pub(super) fn add(&mut self, row: &str) {
        self.0.update(row.as_bytes());
        self.0.update(b"\n");
    }

    pub(super) fn finish(self) -> String {
        hex(self.0.finish().as_ref())
    }
}

/// What of the day was found changed before it closed, in its entry.
pub(super) const BROKEN: &str = "broken";

/// Closes a day: writes its entry from what now stands in the tables, and what was found `broken` of
/// it. Gives the hash, `None` when the same entry
/// stands already.
pub(super) fn close_day(
    connection: &Connection,
    mechanism: (i64, &str),
    (closing, broken): (&Closing, Option<&str>),
    at: Timestamp,
    fingerprint: Option<&str>,
) -> Result<Option<String>, WriteFault> {
    let day = closing.record.day;
    let Some(sealed) = seal(connection, mechanism.0, day)? else { return Ok(None) };
    let mut body = json!({
        "date": date_of(day),
        "sealed": sealed,
        "ledger": closing.ledger,
        "configuration": fingerprint,
        "version": env!("CARGO_PKG_VERSION"),
    });
    let standing: Option<String> = connection
        .prepare_cached(
            "SELECT body FROM entry WHERE mechanism = ?1 AND kind = 'day' AND day = ?2 ORDER BY seq DESC LIMIT 1",
        )?
        .query_row(params![mechanism.0, day], |row| row.get(0))
        .optional()?;
    if let Some(standing) = standing {
        let mut standing: Value = serde_json::from_str(&standing)?;
        if let Value::Object(fields) = &mut standing {
            fields.remove(gap_seal::FIELD);
            fields.remove(BROKEN);
        }
        if standing == body {
            return Ok(None);
        }
    }
    if let Value::Object(fields) = &mut body {
        fields.insert(gap_seal::FIELD.to_owned(), gap_seal::of_day(connection, mechanism.0, closing.over)?);
        if let Some(broken) = broken {
            fields.insert(BROKEN.to_owned(), broken.into());
        }
    }
    append(connection, mechanism, EntryKind::Day, Some(day), at, &body).map(Some).map_err(WriteFault::Sqlite)
}

/// Compares the configuration with the one that stands in the chain: the first one begins the chain, another one is
/// an entry with the old and the new value of everything that changed.
pub(super) fn note_configuration(
    connection: &Connection,
    mechanism: (i64, &str),
    at: Timestamp,
    open_day: Option<i32>,
    now: &Reckoning,
) -> Result<(), WriteFault> {
    let standing: Option<String> = connection
        .prepare_cached(
            "SELECT body FROM entry WHERE mechanism = ?1 AND kind IN ('begin', 'configuration')
             ORDER BY seq DESC LIMIT 1",
        )?
        .query_row([mechanism.0], |row| row.get(0))
        .optional()?;
    let head = |extra: Value| {
        let mut body = json!({
            "values": now.0,
            "configuration": now.fingerprint(),
            "version": env!("CARGO_PKG_VERSION"),
        });
        if let (Value::Object(fields), Value::Object(extra)) = (&mut body, extra) {
            fields.extend(extra);
        }
        body
    };
    let Some(standing) = standing else {
        let (days, before) = days_before(connection, mechanism.0, open_day)?;
        // The day that was open when the chain began has lifts from before they carried their day.
        let body = head(json!({ "open_day": before, "days_before": days }));
        append(connection, mechanism, EntryKind::Begin, None, at, &body)?;
        return Ok(());
    };
    let standing: Value = serde_json::from_str(&standing)?;
    let old: BTreeMap<String, Value> = serde_json::from_value(standing["values"].clone())?;
    if old == now.0 {
        return Ok(());
    }
    let names: std::collections::BTreeSet<&String> = old.keys().chain(now.0.keys()).collect();
    let changed: BTreeMap<&String, Value> = names
        .into_iter()
        .filter(|name| old.get(*name) != now.0.get(*name))
        .map(|name| (name, json!({ "old": old.get(name), "new": now.0.get(name) })))
        .collect();
    append(connection, mechanism, EntryKind::Configuration, None, at, &head(json!({ "changed": changed })))?;
    Ok(())
}

/// Digest of the seals of all days before `open_day` that stand without an entry, and that day; both nothing in a
/// store that is new.
pub(super) fn days_before(
    connection: &Connection,
    key: i64,
    open_day: Option<i32>,
) -> rusqlite::Result<(Option<String>, Option<i32>)> {
    let mut select = connection.prepare_cached("SELECT day FROM day WHERE mechanism = ?1 AND day < ?2 ORDER BY day")?;
    let until = open_day.unwrap_or(i32::MAX);
    let days: Vec<i32> = select.query_map(params![key, until], |row| row.get(0))?.collect::<Result<_, _>>()?;
    let mut context = Context::new(&SHA256);
    for day in &days {
        if let Some(sealed) = seal(connection, key, *day)? {
            context.update(format!("{day}\n{sealed}\n").as_bytes());
        }
    }
    let digest = (!days.is_empty()).then(|| hex(context.finish().as_ref()));
    Ok((digest, open_day))
}
