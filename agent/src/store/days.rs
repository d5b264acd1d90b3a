//! Questions about days and hours: their sums, and all that is kept of days that are over.

use std::collections::BTreeMap;
use std::path::Path;

use rusqlite::{Connection, Row, params};
use tallyhook_analysis::account::{DayRecord, HourSums};
use tallyhook_analysis::histogram::Histogram;
use tallyhook_analysis::spectrum::{BANDS, Totals};
use tallyhook_analysis::units::Timestamp;

use super::error::StoreError;
use super::query::Reader;

impl Reader {
    /// The sums of the days `from_day ..= to_day` of `mechanism` that have any, with the day's number (days since
    /// 1970-01-01 in the site's calendar).
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn days(&self, mechanism: &str, from_day: i32, to_day: i32) -> Result<Vec<(i32, Totals)>, StoreError> {
        let mut found = Vec::new();
        for (key, _) in self.keys(Some(mechanism))? {
            let mut select = self
                .connection()
                .prepare_cached(
                    "SELECT day, observed_ms, gap_ms, running_ms, load_unknown_ms, band_ms, cube_ms, starts, lifts,
                            overload_lifts, band_lifts, lift_cubes
                     FROM day WHERE mechanism = ?1 AND day BETWEEN ?2 AND ?3 ORDER BY day",
                )
                .map_err(|error| self.sqlite(error))?;
            let mut rows = select.query(params![key, from_day, to_day]).map_err(|error| self.sqlite(error))?;
            while let Some(row) = rows.next().map_err(|error| self.sqlite(error))? {
                found.push(read_day(row, self.path())?);
            }
        }
        Ok(found)
    }

    /// All that is kept of the days `from_day ..= to_day` of `mechanism` that are over. Days from before motor duty and
    /// histograms were kept, and those that gave them up for room, have none and are left out.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] when a row cannot be made out.
    pub fn day_records(&self, mechanism: &str, from_day: i32, to_day: i32) -> Result<Vec<DayRecord>, StoreError> {
        let mut found = Vec::new();
        for (key, _) in self.keys(Some(mechanism))? {
            let mut select = self
                .connection()
                .prepare_cached(
                    "SELECT day, observed_ms, gap_ms, running_ms, load_unknown_ms, band_ms, cube_ms, starts, lifts,
                            overload_lifts, band_lifts, lift_cubes, duty, running_by_load, lifts_by_load,
                            used_full_load_hours
                     FROM day WHERE mechanism = ?1 AND day BETWEEN ?2 AND ?3 AND duty IS NOT NULL
                       AND running_by_load IS NOT NULL AND lifts_by_load IS NOT NULL ORDER BY day",
                )
                .map_err(|error| self.sqlite(error))?;
            let mut rows = select.query(params![key, from_day, to_day]).map_err(|error| self.sqlite(error))?;
            while let Some(row) = rows.next().map_err(|error| self.sqlite(error))? {
                let (day, totals) = read_day(row, self.path())?;
                let damaged = |what: &str| StoreError::damaged(self.path(), format!("{what} of day {day}"));
                let sqlite = |error| StoreError::of_sqlite(self.path(), error);
                let duty = row.get_ref(12).and_then(|v| Ok(v.as_str()?)).map_err(sqlite)?;
                let histogram = |column: usize, what: &str| {
                    let bytes = row.get_ref(column).and_then(|v| Ok(v.as_blob()?)).map_err(sqlite)?;
                    Histogram::from_bytes(bytes).map_err(|error| damaged(&format!("{what} ({error})")))
                };
                found.push(DayRecord {
                    day,
                    totals,
                    duty: serde_json::from_str(duty).map_err(|_| damaged("the motor duty"))?,
                    running: histogram(13, "running time by load")?,
                    lifts: histogram(14, "lifts by load")?,
                    used_full_load_hours: row.get(15).map_err(sqlite)?,
                });
            }
        }
        Ok(found)
    }

    /// S at the end of each day of `mechanism` that is over, full-load hours, by the day's number.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn used(&self, mechanism: &str) -> Result<BTreeMap<i32, f64>, StoreError> {
        let mut found = BTreeMap::new();
        for (key, _) in self.keys(Some(mechanism))? {
            let mut read = || -> rusqlite::Result<()> {
                let mut select = self.connection().prepare_cached(
                    "SELECT day, used_full_load_hours FROM day
                     WHERE mechanism = ?1 AND used_full_load_hours IS NOT NULL",
                )?;
                for row in select.query_map([key], |row| Ok((row.get(0)?, row.get(1)?)))? {
                    let (day, used) = row?;
                    found.insert(day, used);
                }
                Ok(())
            };
            read().map_err(|error| self.sqlite(error))?;
        }
        Ok(found)
    }

    /// The hours of `mechanism` that began in `[from, to)` and had something in them, by their beginning.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn hours(
        &self,
        mechanism: &str,
        from: Option<Timestamp>,
        to: Option<Timestamp>,
    ) -> Result<Vec<HourSums>, StoreError> {
        let sql = "SELECT begin_ms, length_ms, running_ms, gap_ms, cube_ms, starts, lifts, day FROM hour
                   WHERE mechanism = ?1 AND begin_ms >= ?2 AND begin_ms < ?3 ORDER BY begin_ms";
        let rows = self.of_mechanism(sql, mechanism, from, to, |row| {
            let begin: i64 = row.get(0)?;
            let count = |column: usize| row.get::<_, i64>(column).map(|n| n as u64);
            let Ok(cube_ms) = row.get_ref(4)?.as_str()?.parse() else { return Ok(None) };
            Ok(Some(HourSums {
                begin: Timestamp::from_ms(begin),
                end: Timestamp::from_ms(begin.wrapping_add(row.get(1)?)),
                running_ms: count(2)?,
                gap_ms: count(3)?,
                cube_ms,
                starts: count(5)?,
                lifts: count(6)?,
                day: row.get(7)?,
            }))
        })?;
        let whole: Option<Vec<HourSums>> = rows.into_iter().collect();
        whole.ok_or_else(|| StoreError::damaged(self.path(), format!("an hour of {mechanism}")))
    }
}

/// The day that is open: the newest with sums. Where an entry holds that already, a clock was put back over days, and it is
/// the newest that none holds.
pub(super) fn open_day(connection: &Connection, key: i64) -> rusqlite::Result<Option<i32>> {
    connection
        .prepare_cached(
            "SELECT coalesce(
                 (SELECT day FROM day WHERE mechanism = ?1 AND NOT EXISTS (
                      SELECT 1 FROM entry WHERE entry.mechanism = ?1 AND kind = 'day' AND entry.day = day.day)
                  ORDER BY day DESC LIMIT 1),
                 (SELECT max(day) FROM day WHERE mechanism = ?1))",
        )?
        .query_row([key], |row| row.get(0))
}

fn read_day(row: &Row<'_>, path: &Path) -> Result<(i32, Totals), StoreError> {
    let sqlite = |error| StoreError::of_sqlite(path, error);
    let day: i32 = row.get(0).map_err(sqlite)?;
    let damaged = |what: &str| StoreError::damaged(path, format!("{what} of day {day}"));
    let count = |column: usize| row.get::<_, i64>(column).map(|n| n as u64).map_err(sqlite);
    let text = |column: usize| row.get_ref(column).and_then(|v| Ok(v.as_str()?)).map_err(sqlite);
    let bands = |column, what| serde_json::from_str::<[u64; BANDS]>(text(column)?).map_err(|_| damaged(what));
    let cubes = |column, what| text(column)?.parse::<u128>().map_err(|_| damaged(what));
    let totals = Totals {
        observed_ms: count(1)?,
        gap_ms: count(2)?,
        running_ms: count(3)?,
        load_unknown_ms: count(4)?,
        band_ms: bands(5, "band_ms")?,
        cube_ms: cubes(6, "cube_ms")?,
        starts: count(7)?,
        lifts: count(8)?,
        overload_lifts: count(9)?,
        band_lifts: bands(10, "band_lifts")?,
        lift_cubes: cubes(11, "lift_cubes")?,
    };
    Ok((day, totals))
}
