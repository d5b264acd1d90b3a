//! The seal of gaps and flags. They carry no day, so the entry that closes a day holds those that began since the one
//! before it. A clock that was set back can put one where that is over already: it stands in the chain by an entry of
//! its own, with what stood there before.

use std::collections::BTreeMap;

use rusqlite::{Connection, OptionalExtension as _, params};
use serde_json::{Value, json};
use tallyhook_analysis::units::Timestamp;

use super::chain::{self, ChainEntry, EntryKind, RowsDigest};

/// The field of a day's entry.
pub(super) const FIELD: &str = "gaps_and_flags";

/// In place of a flag's number in the row of a gap.
const GAP: i64 = -1;

/// Where a row stands: its instant, and the number of the flag, or [`GAP`].
type Place = (i64, i64);

const ROWS: &str = "
    SELECT begin_ms AS at, -1 AS flag, length_ms AS length FROM gap
    WHERE mechanism = ?1 AND begin_ms >= ?2 AND begin_ms < ?3
    UNION ALL SELECT at_ms, flag, 0 FROM flag_rise WHERE mechanism = ?1 AND at_ms >= ?2 AND at_ms < ?3
    ORDER BY at, flag";

fn each(
    connection: &Connection,
    (key, from, to): (i64, i64, i64),
    mut with: impl FnMut(Place, i64),
) -> rusqlite::Result<()> {
    let mut select = connection.prepare_cached(ROWS)?;
    let mut rows = select.query(params![key, from, to])?;
    while let Some(row) = rows.next()? {
        with((row.get(0)?, row.get(1)?), row.get(2)?);
    }
    Ok(())
}

fn line((at, flag): Place, length: i64) -> String {
    format!("{at},{flag},{length}")
}

/// Up to where the days that are closed hold gaps and flags; `None` while none does.
fn sealed_to(connection: &Connection, key: i64) -> rusqlite::Result<Option<i64>> {
    let body: Option<String> = connection
        .prepare_cached("SELECT body FROM entry WHERE mechanism = ?1 AND kind = 'day' ORDER BY seq DESC LIMIT 1")?
        .query_row([key], |row| row.get(0))
        .optional()?;
    let body: Option<Value> = body.and_then(|body| serde_json::from_str(&body).ok());
    Ok(body.and_then(|body| body[FIELD]["to_ms"].as_i64()))
}

/// What the entry of a day that was over at `over` says of them.
pub(super) fn of_day(connection: &Connection, key: i64, over: Timestamp) -> rusqlite::Result<Value> {
    let from = sealed_to(connection, key)?;
    let to = over.as_ms().max(from.unwrap_or(i64::MIN));
    let mut digest = RowsDigest::default();
    each(connection, (key, from.unwrap_or(i64::MIN), to), |place, length| digest.add(&line(place, length)))?;
    Ok(json!({ "from_ms": from, "to_ms": to, "rows": digest.finish() }))
}

/// Digest of those that no day holds yet.
pub(super) fn open(connection: &Connection, key: i64) -> rusqlite::Result<String> {
    let from = sealed_to(connection, key)?.unwrap_or(i64::MIN);
    let mut digest = RowsDigest::default();
    each(connection, (key, from, i64::MAX), |place, length| digest.add(&line(place, length)))?;
    Ok(digest.finish())
}

/// To be called where one is written: an entry, if the day that would hold it is closed. `was` is what stood there.
pub(super) fn written(
    connection: &Connection,
    mechanism: (i64, &str),
    at: Timestamp,
    (begin, flag, length): (i64, Option<i64>, i64),
    was: Option<i64>,
) -> rusqlite::Result<()> {
    if sealed_to(connection, mechanism.0)?.is_none_or(|to| begin >= to) {
        return Ok(());
    }
    let body = json!({ "at_ms": begin, "flag": flag, "length_ms": length, "was_ms": was });
    chain::append(connection, mechanism, EntryKind::Late, None, at, &body)?;
    Ok(())
}

/// A row that was written late: by which entry, what it says, what stood before.
struct Late {
    seq: u64,
    length: i64,
    was: Option<i64>,
}

fn late(entries: &[ChainEntry]) -> BTreeMap<Place, Vec<Late>> {
    let mut found: BTreeMap<Place, Vec<Late>> = BTreeMap::new();
    for entry in entries.iter().filter(|entry| entry.kind == EntryKind::Late) {
        let body: Value = serde_json::from_str(&entry.body).unwrap_or_default();
        let (Some(at), Some(length)) = (body["at_ms"].as_i64(), body["length_ms"].as_i64()) else { continue };
        let place = (at, body["flag"].as_i64().unwrap_or(GAP));
        found.entry(place).or_default().push(Late { seq: entry.seq, length, was: body["was_ms"].as_i64() });
    }
    found
}

/// Entries whose gaps and flags are not those that it was written over. The bodies of days are read here.
pub(super) fn faults(
    connection: &Connection,
    key: i64,
    entries: &[ChainEntry],
) -> rusqlite::Result<Vec<(u64, &'static str)>> {
    let late = late(entries);
    let mut faults = Vec::new();
    for entry in entries.iter().filter(|entry| entry.kind == EntryKind::Day) {
        let body: Value = serde_json::from_str(&chain::body(connection, key, entry.seq)?).unwrap_or_default();
        // An entry that an earlier version wrote holds none.
        let Some(sealed) = body.get(FIELD) else { continue };
        let (from, Some(to)) = (sealed["from_ms"].as_i64().unwrap_or(i64::MIN), sealed["to_ms"].as_i64()) else {
            faults.push((entry.seq, "the entry does not say which gaps and flags it holds"));
            continue;
        };
        let mut digest = RowsDigest::default();
        each(connection, (key, from, to), |place, now| {
            let after = late.get(&place).and_then(|all| all.iter().find(|l| l.seq > entry.seq));
            let then = after.map_or(Some(now), |l| l.was);
            if let Some(length) = then {
                digest.add(&line(place, length));
            }
        })?;
        if sealed["rows"].as_str() != Some(digest.finish().as_str()) {
            faults.push((entry.seq, "its gaps and flags are not what the day was closed with"));
        }
    }
    for (place, all) in &late {
        let Some(last) = all.last() else { continue };
        let mut now = None;
        each(connection, (key, place.0, place.0.saturating_add(1)), |found, length| {
            if found == *place {
                now = Some(length);
            }
        })?;
        if now != Some(last.length) {
            faults.push((last.seq, "the gap or flag that it tells of is not what it says"));
        }
    }
    Ok(faults)
}
