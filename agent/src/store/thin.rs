//! A ledger that has outgrown its budget gives up its finest detail, oldest first: messages of single lifts that everybody
//! has got, then the lifts, then the days' histograms. Never the daily sums nor the chain; each lot given up is an entry
//! of it, in the same transaction.
//!
//! Done in small steps, so that the commits between them do not wait.

use std::path::Path;

use rusqlite::{Connection, OptionalExtension as _, TransactionBehavior, params};
use serde_json::{Value, json};
use tallyhook_analysis::units::Timestamp;

use super::chain::{self, ChainEntry, EntryKind};
use super::days;
use super::error::StoreError;
use super::open_seal;
use super::write::WriteFault;
use crate::figures::date_of;

/// Days that one step gives up at most.
const DAYS_A_STEP: i32 = 31;

const DAY_MS: i64 = 86_400_000;

/// Messages that one step gives up at most.
const MESSAGES_A_STEP: i64 = 5_000;

/// Pages that one step gives back to the disk at most: 8 MB.
const PAGES_A_STEP: i64 = 2_000;

/// What the ledger may take, and what is never given up. Counted in days of the record, not of a clock: one that runs
/// ahead must not cost the record.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Bounds {
    /// Bytes that the ledger may take.
    pub bytes: u64,
    /// So many days before the open one of the record everything stays.
    pub whole_days: u32,
}

/// What a step did.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Step {
    /// The ledger is within its budget.
    Within,
    /// Something was given up or given back; there may be more.
    Done,
    /// Above the budget, and nothing is left that may be given up.
    Above {
        /// What it takes, bytes.
        bytes: u64,
    },
}

/// Up to which day fine detail was given up.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Thinned {
    /// Lifts up to that day are gone, days since 1970-01-01.
    pub lifts_to: Option<i32>,
    /// Hours up to that day are gone.
    pub hours_to: Option<i32>,
    /// Histograms up to that day are gone.
    pub histograms_to: Option<i32>,
}

impl Thinned {
    pub(super) fn of(entries: &[ChainEntry]) -> Self {
        let mut all = Thinned::default();
        entries.iter().filter(|e| e.kind == EntryKind::Thinned).for_each(|e| all.take(&e.body));
        all
    }

    fn take(&mut self, body: &str) {
        let body: Value = serde_json::from_str(body).unwrap_or_default();
        let day = |name: &str| body[name].as_i64().and_then(|day| i32::try_from(day).ok());
        self.lifts_to = self.lifts_to.max(day("lifts_to_day"));
        self.hours_to = self.hours_to.max(day("hours_to_day"));
        self.histograms_to = self.histograms_to.max(day("histograms_to_day"));
    }

    pub(super) fn lifts(self, day: i32) -> bool {
        self.lifts_to.is_some_and(|to| day <= to)
    }

    pub(super) fn hours(self, day: i32) -> bool {
        self.hours_to.is_some_and(|to| day <= to)
    }

    pub(super) fn histograms(self, day: i32) -> bool {
        self.histograms_to.is_some_and(|to| day <= to)
    }
}

/// What a mechanism's chain says was given up.
pub(super) fn thinned(connection: &Connection, key: i64) -> rusqlite::Result<Thinned> {
    let mut all = Thinned::default();
    let mut select =
        connection.prepare_cached("SELECT body FROM entry WHERE mechanism = ?1 AND kind = 'thinned' ORDER BY seq")?;
    let mut rows = select.query([key])?;
    while let Some(row) = rows.next()? {
        all.take(row.get_ref(0)?.as_str()?);
    }
    Ok(all)
}

/// One step towards the budget.
pub(super) fn step(connection: &mut Connection, path: &Path, bounds: &Bounds) -> Result<Step, StoreError> {
    take_step(connection, bounds).map_err(|fault| match fault {
        WriteFault::Sqlite(error) => StoreError::of_sqlite(path, error),
        WriteFault::Json(error) => StoreError::damaged(path, error.to_string()),
    })
}

fn take_step(connection: &mut Connection, bounds: &Bounds) -> Result<Step, WriteFault> {
    let number = |pragma: &str| connection.pragma_query_value(None, pragma, |row| row.get::<_, i64>(0));
    let (pages, free, size) = (number("page_count")?, number("freelist_count")?, number("page_size")?);
    let bytes = |pages: i64| (pages.max(0) * size) as u64;
    if bytes(pages) <= bounds.bytes {
        return Ok(Step::Within);
    }
    // Room that a step before this one has made goes back to the disk before more is given up.
    if free > 0 && number("auto_vacuum")? == 2 {
        let mut vacuum = connection.prepare(&format!("PRAGMA incremental_vacuum({PAGES_A_STEP})"))?;
        let mut rows = vacuum.query([])?;
        while rows.next()?.is_some() {}
        return Ok(Step::Done);
    }
    if bytes(pages - free) <= bounds.bytes {
        return Ok(Step::Within);
    }
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let done = messages(&transaction, bounds)?
        || days(&transaction, bounds, Detail::Lifts)?
        || days(&transaction, bounds, Detail::Histograms)?;
    transaction.commit()?;
    Ok(if done { Step::Done } else { Step::Above { bytes: bytes(pages - free) } })
}

/// Gives up messages of lifts: what they say stands in the lifts themselves. Only what every destination has got; and
/// never the newest message, whose number says where the outbox ends.
fn messages(connection: &Connection, bounds: &Bounds) -> rusqlite::Result<bool> {
    let gone = connection
        .prepare_cached(
            "DELETE FROM message WHERE seq IN (
                 SELECT seq FROM message
                 WHERE kind = 'lift' AND at_ms < (SELECT max(at_ms) FROM book) - ?1
                   AND seq <= (SELECT coalesce(min(seq), 9223372036854775807) FROM destination
                                WHERE instr(name, '/') = 0)
                   AND seq < (SELECT max(seq) FROM message)
                 LIMIT ?2)",
        )?
        .execute(params![i64::from(bounds.whole_days) * DAY_MS, MESSAGES_A_STEP])?;
    Ok(gone > 0)
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Detail {
    Lifts,
    Histograms,
}

impl Detail {
    /// The first day that still has it. Only days with an entry of their own: nothing else could vouch for them.
    const fn first(self) -> &'static str {
        match self {
            Detail::Lifts => {
                "SELECT min(day) FROM lift INDEXED BY lift_by_day WHERE mechanism = ?1 AND day IS NOT NULL"
            }
            Detail::Histograms => {
                "SELECT min(day) FROM day WHERE mechanism = ?1 AND running_by_load IS NOT NULL
                 AND day IN (SELECT day FROM entry WHERE mechanism = ?1 AND kind = 'day')"
            }
        }
    }

    const fn give_up(self) -> &'static str {
        match self {
            Detail::Lifts => "DELETE FROM lift INDEXED BY lift_by_day WHERE mechanism = ?1 AND day BETWEEN ?2 AND ?3",
            Detail::Histograms => {
                "UPDATE day SET running_by_load = NULL, lifts_by_load = NULL
                 WHERE mechanism = ?1 AND day BETWEEN ?2 AND ?3"
            }
        }
    }

    const fn name(self) -> &'static str {
        match self {
            Detail::Lifts => "lifts_to_day",
            Detail::Histograms => "histograms_to_day",
        }
    }
}

/// Gives up a detail of the oldest month that has it, of every mechanism.
fn days(connection: &Connection, bounds: &Bounds, detail: Detail) -> rusqlite::Result<bool> {
    let mut select =
        connection.prepare_cached("SELECT key, id FROM mechanism JOIN book ON book.mechanism = key ORDER BY key")?;
    let mechanisms: Vec<(i64, String)> =
        select.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect::<Result<_, _>>()?;
    let mut done = false;
    for (key, id) in mechanisms {
        let first: Option<i32> =
            connection.prepare_cached(detail.first())?.query_row([key], |row| row.get(0)).optional()?.flatten();
        let closed: Option<i32> = connection
            .prepare_cached("SELECT max(day) FROM entry WHERE mechanism = ?1 AND kind = 'day' AND day < ?3 - ?2")?
            .query_row(params![key, bounds.whole_days, days::open_day(connection, key)?], |row| row.get(0))?;
        let (Some(first), Some(closed)) = (first, closed) else { continue };
        if first > closed {
            continue;
        }
        let to = closed.min(first.saturating_add(DAYS_A_STEP - 1));
        let broken = open_seal::broken(connection, key)?.map(|(_, what)| what);
        let rows = connection.prepare_cached(detail.give_up())?.execute(params![key, first, to])?;
        let body = json!({ "from": date_of(first), "to": date_of(to), "rows": rows, detail.name(): to });
        let at: i64 = connection
            .prepare_cached("SELECT at_ms FROM book WHERE mechanism = ?1")?
            .query_row([key], |row| row.get(0))?;
        chain::append(connection, (key, &id), EntryKind::Thinned, None, Timestamp::from_ms(at), &body)?;
        open_seal::write(connection, key, broken)?;
        done = true;
    }
    Ok(done)
}
