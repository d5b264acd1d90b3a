//! Questions about lifts: which, in which order, how many.

use std::sync::Arc;

use rusqlite::{Connection, OptionalExtension as _, Row, params};
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::units::{Grams, Timestamp};

use super::error::StoreError;
use super::outbox::clamped;
use super::query::{Reader, bounds};

/// Which lifts are asked for. The default is all of them, oldest first.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct LiftFilter<'a> {
    /// Of this mechanism only.
    pub mechanism: Option<&'a str>,
    /// That began at this instant or later.
    pub from: Option<Timestamp>,
    /// That began before this instant.
    pub to: Option<Timestamp>,
    /// With this settled load or more.
    pub least: Option<Grams>,
    /// With this settled load or less.
    pub most: Option<Grams>,
    /// Only those above the rated load.
    pub overload: bool,
    /// At most so many.
    pub limit: Option<u64>,
    /// Without the first so many.
    pub offset: u64,
    /// The newest first.
    pub newest_first: bool,
}

impl LiftFilter<'_> {
    /// The condition in SQL: ?1 is the mechanism's key, ?2 and ?3 bound the beginning, ?4 and ?5 the load. What is not
    /// asked for costs nothing.
    fn condition(&self) -> String {
        let mut sql = "mechanism = ?1 AND begin_ms >= ?2 AND begin_ms < ?3".to_owned();
        // Named even when they bound nothing, so that the numbers after them stay.
        sql.push_str(if self.least.is_some() { " AND load_g >= ?4" } else { " AND ?4 IS NOT NULL" });
        sql.push_str(if self.most.is_some() { " AND load_g <= ?5" } else { " AND ?5 IS NOT NULL" });
        if self.overload {
            sql.push_str(&format!(" AND marks & {OVERLOAD}"));
        }
        sql
    }

    /// The table, with the index where SQLite would walk through all lifts to find the overloads among them.
    fn table(&self) -> &'static str {
        if self.overload { "lift INDEXED BY lift_overload" } else { "lift" }
    }

    fn loads(&self) -> (i64, i64) {
        (self.least.map_or(i64::MIN, Grams::get), self.most.map_or(i64::MAX, Grams::get))
    }
}

/// A lift and the mechanism it belongs to.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct StoredLift {
    /// Identifier of the mechanism.
    pub mechanism: Arc<str>,
    /// The lift.
    pub lift: Lift,
}

/// What lifts are put in order by: the beginning, the settled load, the running time with the load on the hook in ms.
pub type InShort = (Timestamp, Grams, u64);

impl Reader {
    /// The lifts that `filter` asks for, by their beginning.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn lifts(&self, filter: &LiftFilter<'_>) -> Result<Vec<StoredLift>, StoreError> {
        let keys = self.keys(filter.mechanism)?;
        let wanted = filter.limit.map(|limit| limit.saturating_add(filter.offset));
        let mut found = Vec::new();
        // The key of the table is (mechanism, begin): each mechanism's first few, then merged.
        for (key, id) in &keys {
            self.scan_lifts(*key, filter, wanted, &mut |lift| {
                found.push(StoredLift { mechanism: id.clone(), lift });
                Ok::<(), StoreError>(())
            })?;
        }
        if keys.len() > 1 {
            found.sort_by_key(|row| row.lift.begin);
            if filter.newest_first {
                found.reverse();
            }
        }
        let skipped = usize::try_from(filter.offset).unwrap_or(usize::MAX);
        let limit = filter.limit.map_or(usize::MAX, |limit| usize::try_from(limit).unwrap_or(usize::MAX));
        Ok(found.into_iter().skip(skipped).take(limit).collect())
    }

    /// Calls `each` for the lifts that `filter` asks for without holding them all: mechanism by mechanism, each by
    /// the beginning of its lifts. `limit` and `offset` are not heeded. Ends with the first error of `each`.
    ///
    /// # Errors
    /// When the file cannot be read, or what `each` gave.
    pub fn each_lift<E: From<StoreError>>(
        &self,
        filter: &LiftFilter<'_>,
        mut each: impl FnMut(&str, Lift) -> Result<(), E>,
    ) -> Result<(), E> {
        for (key, id) in self.keys(filter.mechanism)? {
            self.scan_lifts(key, filter, None, &mut |lift| each(&id, lift))?;
        }
        Ok(())
    }

    /// Calls `each` with the day that a lift is booked to, where that is known, and what it is put in order by, for the lifts
    /// that `filter` asks for: less work than reading them whole. `limit`, `offset` and `newest_first` are not heeded.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn each_lift_in_short(
        &self,
        filter: &LiftFilter<'_>,
        mut each: impl FnMut(Option<i32>, InShort),
    ) -> Result<(), StoreError> {
        let sql =
            format!("SELECT begin_ms, load_g, running_ms, day FROM {} WHERE {}", filter.table(), filter.condition());
        self.in_short(filter, &sql, None, |row| {
            each(row.get(3)?, in_short(row)?);
            Ok(())
        })
    }

    /// As [`Reader::each_lift_in_short`], of the lifts booked to a day after `day`, up to `to_day`.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn each_lift_after(
        &self,
        filter: &LiftFilter<'_>,
        day: i32,
        to_day: i32,
        mut each: impl FnMut(InShort),
    ) -> Result<(), StoreError> {
        let sql = format!(
            "SELECT begin_ms, load_g, running_ms FROM lift INDEXED BY lift_by_day WHERE {} AND day > ?6 AND day <= ?7",
            filter.condition()
        );
        self.in_short(filter, &sql, Some((day, to_day)), |row| {
            each(in_short(row)?);
            Ok(())
        })
    }

    fn in_short(
        &self,
        filter: &LiftFilter<'_>,
        sql: &str,
        days: Option<(i32, i32)>,
        mut each: impl FnMut(&Row<'_>) -> rusqlite::Result<()>,
    ) -> Result<(), StoreError> {
        let ((from, to), (least, most)) = (bounds(filter.from, filter.to), filter.loads());
        for (key, _) in self.keys(filter.mechanism)? {
            let mut read = || -> rusqlite::Result<()> {
                let mut select = self.connection().prepare_cached(sql)?;
                let mut rows = match days {
                    Some((day, to_day)) => select.query(params![key, from, to, least, most, day, to_day])?,
                    None => select.query(params![key, from, to, least, most])?,
                };
                while let Some(row) = rows.next()? {
                    each(row)?;
                }
                Ok(())
            };
            read().map_err(|error| self.sqlite(error))?;
        }
        Ok(())
    }

    /// The lift of `mechanism` that began at that instant.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn lift_at(&self, mechanism: &str, begin: Timestamp) -> Result<Option<Lift>, StoreError> {
        let Some((key, _)) = self.keys(Some(mechanism))?.into_iter().next() else { return Ok(None) };
        lift_at(self.connection(), key, begin).map_err(|error| self.sqlite(error))
    }

    /// How many lifts `filter` asks for, `limit` and `offset` left aside.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn lift_count(&self, filter: &LiftFilter<'_>) -> Result<u64, StoreError> {
        let mut count = 0;
        let (from, to) = bounds(filter.from, filter.to);
        let (least, most) = filter.loads();
        for (key, _) in self.keys(filter.mechanism)? {
            count += self
                .connection()
                .prepare_cached(&format!("SELECT count(*) FROM {} WHERE {}", filter.table(), filter.condition()))
                .and_then(|mut s| s.query_row(params![key, from, to, least, most], |row| row.get::<_, i64>(0)))
                .map_err(|error| self.sqlite(error))? as u64;
        }
        Ok(count)
    }

    fn scan_lifts<E: From<StoreError>>(
        &self,
        key: i64,
        filter: &LiftFilter<'_>,
        limit: Option<u64>,
        each: &mut impl FnMut(Lift) -> Result<(), E>,
    ) -> Result<(), E> {
        let order = if filter.newest_first { "DESC" } else { "ASC" };
        let (table, condition) = (filter.table(), filter.condition());
        let sql = format!("SELECT {LIFT_COLUMNS} FROM {table} WHERE {condition} ORDER BY begin_ms {order} LIMIT ?6");
        let (from, to) = bounds(filter.from, filter.to);
        let (least, most) = filter.loads();
        let mut select = self.connection().prepare_cached(&sql).map_err(|error| self.sqlite(error))?;
        let mut rows = select
            .query(params![key, from, to, least, most, clamped(limit.unwrap_or(u64::MAX))])
            .map_err(|error| self.sqlite(error))?;
        while let Some(row) = rows.next().map_err(|error| self.sqlite(error))? {
            each(read_lift(row).map_err(|error| self.sqlite(error))?)?;
        }
        Ok(())
    }
}

const LIFT_COLUMNS: &str = "begin_ms, length_ms, load_g, peak_over_g, running_ms, starts, marks, uncertainty_g";
const OVERLOAD: i64 = 1 << 4;
const CUT: i64 = 1 << 5;

/// Band (bits 0 to 3), overload (bit 4) and cut (bit 5) in one byte.
pub(super) fn marks_of(lift: &Lift) -> i64 {
    let mark = |on: bool, bit: i64| if on { bit } else { 0 };
    i64::from(lift.band & 0x0f) | mark(lift.overload, OVERLOAD) | mark(lift.cut, CUT)
}

fn in_short(row: &Row<'_>) -> rusqlite::Result<InShort> {
    Ok((Timestamp::from_ms(row.get(0)?), Grams::new(row.get(1)?), row.get::<_, i64>(2)? as u64))
}

fn read_lift(row: &Row<'_>) -> rusqlite::Result<Lift> {
    let begin: i64 = row.get(0)?;
    let load: i64 = row.get(2)?;
    let marks: i64 = row.get(6)?;
    Ok(Lift {
        begin: Timestamp::from_ms(begin),
        end: Timestamp::from_ms(begin.wrapping_add(row.get(1)?)),
        load: Grams::new(load),
        peak: Grams::new(load.saturating_add(row.get(3)?)),
        running_ms: row.get::<_, i64>(4)? as u64,
        starts: row.get(5)?,
        band: (marks & 0x0f) as u8,
        overload: marks & OVERLOAD != 0,
        cut: marks & CUT != 0,
        uncertainty: row.get::<_, Option<i64>>(7)?.map(Grams::new),
    })
}

pub(super) fn lift_at(connection: &Connection, key: i64, begin: Timestamp) -> rusqlite::Result<Option<Lift>> {
    connection
        .prepare_cached(&format!("SELECT {LIFT_COLUMNS} FROM lift WHERE mechanism = ?1 AND begin_ms = ?2"))?
        .query_row(params![key, begin.as_ms()], read_lift)
        .optional()
}
