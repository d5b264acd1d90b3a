//! Days that are over: what is asked of years of them at once, and the head of the chain, by which a caller knows that they
//! are still as they were.

use rusqlite::{Row, params};
use tallyhook_analysis::duty::DayDuty;
use tallyhook_analysis::forecast::WINDOW_DAYS;
use tallyhook_analysis::histogram::{BadBytes, Histogram, Sum, each_load};
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::Grams;

use super::chain;
use super::days;
use super::error::StoreError;
use super::query::Reader;

/// Days that are over and have their histograms, added up: what a what-if rests on. Nothing else of the days is decoded,
/// so that ten years are read in the time of a look.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct LoadSums {
    /// Running milliseconds by load, dead load included.
    pub running: Histogram,
    /// Lifts by settled load, without dead load.
    pub lifts: Histogram,
    /// The days in rising order.
    pub days: Vec<DaySum>,
}

impl LoadSums {
    /// Adds later days.
    pub fn add(&mut self, later: LoadSums) {
        self.running.merge(&later.running);
        self.lifts.merge(&later.lifts);
        self.days.extend(later.days);
    }
}

/// The few sums of a day that a forecast is made from.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct DaySum {
    /// Days since 1970-01-01 in the site's calendar.
    pub day: i32,
    /// Time with a record.
    pub observed_ms: u64,
    /// Time without.
    pub gap_ms: u64,
    /// Running time whose load was not read.
    pub load_unknown_ms: u64,
    /// Running time weighted by the load cubed, cubic grams times milliseconds.
    pub cube_ms: u128,
    /// S at its end, full-load hours; `None` of a day that is not over, of one from before it was kept, and of one so long
    /// ago that no forecast looks at it.
    pub used: Option<f64>,
}

impl DaySum {
    /// Of a day's totals, and S at its end.
    pub fn of(day: i32, totals: &Totals, used: Option<f64>) -> Self {
        let Totals { observed_ms, gap_ms, load_unknown_ms, cube_ms, .. } = *totals;
        DaySum { day, observed_ms, gap_ms, load_unknown_ms, cube_ms, used }
    }

    /// As a day's totals; the other sums are zero.
    pub fn totals(&self) -> Totals {
        let DaySum { observed_ms, gap_ms, load_unknown_ms, cube_ms, .. } = *self;
        Totals { observed_ms, gap_ms, load_unknown_ms, cube_ms, ..Totals::default() }
    }
}

/// A day without its bands and histograms: what a course over years is made from.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct DayInShort {
    /// Days since 1970-01-01 in the site's calendar.
    pub day: i32,
    /// Time with a record.
    pub observed_ms: u64,
    /// Time without.
    pub gap_ms: u64,
    /// Running time.
    pub running_ms: u64,
    /// Running time whose load was not read.
    pub load_unknown_ms: u64,
    /// Running time weighted by the load cubed, cubic grams times milliseconds.
    pub cube_ms: u128,
    /// Starts.
    pub starts: u64,
    /// Lifts ended.
    pub lifts: u64,
    /// Lifts whose settled load was above the rated load.
    pub overload_lifts: u64,
    /// S at its end, full-load hours; `None` of a day that is not over, or of one from before it was kept.
    pub used: Option<f64>,
}

impl DayInShort {
    /// The same of a day's whole sums.
    pub fn of(day: i32, sums: &Totals, used: Option<f64>) -> Self {
        let Totals { observed_ms, gap_ms, running_ms, load_unknown_ms, cube_ms, starts, lifts, overload_lifts, .. } =
            *sums;
        DayInShort {
            day,
            observed_ms,
            gap_ms,
            running_ms,
            load_unknown_ms,
            cube_ms,
            starts,
            lifts,
            overload_lifts,
            used,
        }
    }

    /// As a day's totals; the other sums are zero.
    pub fn totals(&self) -> Totals {
        let DayInShort { observed_ms, gap_ms, running_ms, load_unknown_ms, cube_ms, starts, lifts, .. } = *self;
        let overload_lifts = self.overload_lifts;
        Totals {
            observed_ms,
            gap_ms,
            running_ms,
            load_unknown_ms,
            cube_ms,
            starts,
            lifts,
            overload_lifts,
            ..Totals::default()
        }
    }
}

/// A day that is over, with its motor duty and without its histograms.
#[derive(Clone, PartialEq, Debug)]
pub struct WorkDay {
    /// Its sums.
    pub sums: DayInShort,
    /// Motor duty with its worst windows.
    pub duty: DayDuty,
}

/// The columns of a [`DayInShort`].
const IN_SHORT: &str = "day, observed_ms, gap_ms, running_ms, load_unknown_ms, cube_ms, starts, lifts, overload_lifts,
                        used_full_load_hours";
/// Those that stand before the long ones in the row.
const SUMS: &str = "day, observed_ms, gap_ms, running_ms, load_unknown_ms, cube_ms, starts, lifts, overload_lifts";

impl Reader {
    /// The days `from_day ..= to_day` of `mechanism` that have any sums, without their bands and histograms, which take
    /// most of the room and of the time.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] when a row cannot be made out.
    pub fn days_in_short(&self, mechanism: &str, from_day: i32, to_day: i32) -> Result<Vec<DayInShort>, StoreError> {
        let sqlite = |error| StoreError::of_sqlite(self.path(), error);
        let mut found = Vec::new();
        for (key, _) in self.keys(Some(mechanism))? {
            let mut select = self
                .connection()
                .prepare_cached(&format!(
                    "SELECT {IN_SHORT} FROM day WHERE mechanism = ?1 AND day BETWEEN ?2 AND ?3 ORDER BY day"
                ))
                .map_err(sqlite)?;
            let mut rows = select.query(params![key, from_day, to_day]).map_err(sqlite)?;
            while let Some(row) = rows.next().map_err(sqlite)? {
                found.push(self.day_in_short(row)?);
            }
        }
        Ok(found)
    }

    /// The days `from_day ..= to_day` of `mechanism` that are over, the same as [`Reader::day_records`] gives. With `loads`
    /// that is called with the running milliseconds by load of each day, in the days' order and the loads'; S at the end of
    /// a day, which stands behind them in the row, is not read then.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] when a row cannot be made out.
    pub fn days_of_work(
        &self,
        mechanism: &str,
        from_day: i32,
        to_day: i32,
        mut loads: Option<&mut dyn FnMut(Grams, u64)>,
    ) -> Result<Vec<WorkDay>, StoreError> {
        let sqlite = |error| StoreError::of_sqlite(self.path(), error);
        let columns = match loads {
            Some(_) => format!("{SUMS}, NULL, duty, running_by_load"),
            None => format!("{IN_SHORT}, duty"),
        };
        let mut found = Vec::new();
        for (key, _) in self.keys(Some(mechanism))? {
            let mut select = self
                .connection()
                .prepare_cached(&format!(
                    "SELECT {columns} FROM day WHERE mechanism = ?1 AND day BETWEEN ?2 AND ?3 AND duty IS NOT NULL
                       AND running_by_load IS NOT NULL AND lifts_by_load IS NOT NULL ORDER BY day"
                ))
                .map_err(sqlite)?;
            let mut rows = select.query(params![key, from_day, to_day]).map_err(sqlite)?;
            while let Some(row) = rows.next().map_err(sqlite)? {
                let sums = self.day_in_short(row)?;
                let damaged = |what: &str| StoreError::damaged(self.path(), format!("{what} of day {}", sums.day));
                let duty = row.get_ref(10).and_then(|v| Ok(v.as_str()?)).map_err(sqlite)?;
                let duty = serde_json::from_str(duty).map_err(|_| damaged("the motor duty"))?;
                if let Some(loads) = &mut loads {
                    let bytes = row.get_ref(11).and_then(|v| Ok(v.as_blob()?)).map_err(sqlite)?;
                    each_load(bytes, loads).map_err(|error| damaged(&format!("running time by load ({error})")))?;
                }
                if loads.is_none() && sums.used.is_none() {
                    return Err(damaged("S at the end"));
                }
                found.push(WorkDay { sums, duty });
            }
        }
        Ok(found)
    }

    fn day_in_short(&self, row: &Row<'_>) -> Result<DayInShort, StoreError> {
        let sqlite = |error| StoreError::of_sqlite(self.path(), error);
        let day: i32 = row.get(0).map_err(sqlite)?;
        let count = |column: usize| row.get::<_, i64>(column).map(|n| n as u64).map_err(sqlite);
        let cubes = row.get_ref(5).and_then(|v| Ok(v.as_str()?)).map_err(sqlite)?;
        Ok(DayInShort {
            day,
            observed_ms: count(1)?,
            gap_ms: count(2)?,
            running_ms: count(3)?,
            load_unknown_ms: count(4)?,
            cube_ms: cubes.parse().map_err(|_| StoreError::damaged(self.path(), format!("cube_ms of day {day}")))?,
            starts: count(6)?,
            lifts: count(7)?,
            overload_lifts: count(8)?,
            used: row.get(9).map_err(sqlite)?,
        })
    }

    /// The days `from_day ..= to_day` of `mechanism` that are over, added up. The same days as
    /// [`Reader::day_records`] gives.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] when a row cannot be made out.
    pub fn load_sums(&self, mechanism: &str, from_day: i32, to_day: i32) -> Result<LoadSums, StoreError> {
        let sqlite = |error| StoreError::of_sqlite(self.path(), error);
        let (mut running, mut lifts, mut days) = (Sum::default(), Sum::default(), Vec::new());
        for (key, _) in self.keys(Some(mechanism))? {
            let mut select = self
                .connection()
                .prepare_cached(
                    "SELECT day, observed_ms, gap_ms, load_unknown_ms, cube_ms, running_by_load, lifts_by_load,
                            used_full_load_hours
                     FROM day WHERE mechanism = ?1 AND day BETWEEN ?2 AND ?3 AND duty IS NOT NULL
                       AND running_by_load IS NOT NULL AND lifts_by_load IS NOT NULL ORDER BY day",
                )
                .map_err(sqlite)?;
            let mut rows = select.query(params![key, from_day, to_day]).map_err(sqlite)?;
            while let Some(row) = rows.next().map_err(sqlite)? {
                let day: i32 = row.get(0).map_err(sqlite)?;
                let damaged = |what: &str| StoreError::damaged(self.path(), format!("{what} of day {day}"));
                let mut sum = self.day_sum(row)?;
                let add = |column: usize, what: &str, sum: &mut Sum| {
                    let bytes = row.get_ref(column).and_then(|v| Ok(v.as_blob()?)).map_err(sqlite)?;
                    sum.add_bytes(bytes).map_err(|error: BadBytes| damaged(&format!("{what} ({error})")))
                };
                add(5, "running time by load", &mut running)?;
                add(6, "lifts by load", &mut lifts)?;
                sum.used = row.get(7).map_err(sqlite)?;
                days.push(sum);
            }
        }
        Ok(LoadSums { running: running.histogram(), lifts: lifts.histogram(), days })
    }

    /// The sums of a row that begins with them; S at the day's end, which stands further on, is left to the caller.
    fn day_sum(&self, row: &Row<'_>) -> Result<DaySum, StoreError> {
        let sqlite = |error| StoreError::of_sqlite(self.path(), error);
        let day = row.get(0).map_err(sqlite)?;
        let count = |column: usize| row.get::<_, i64>(column).map(|n| n as u64).map_err(sqlite);
        let cubes = row.get_ref(4).and_then(|v| Ok(v.as_str()?)).map_err(sqlite)?;
        let cube_ms = cubes.parse().map_err(|_| StoreError::damaged(self.path(), format!("cube_ms of day {day}")))?;
        let (observed_ms, gap_ms, load_unknown_ms) = (count(1)?, count(2)?, count(3)?);
        Ok(DaySum { day, observed_ms, gap_ms, load_unknown_ms, cube_ms, used: None })
    }

    /// The few sums of every day of `mechanism`, the open one too. S at the end of a day stands behind its histograms and
    /// takes long to read: only of the days that a forecast looks at.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] when a row cannot be made out.
    pub fn day_sums(&self, mechanism: &str) -> Result<Vec<DaySum>, StoreError> {
        let sqlite = |error| StoreError::of_sqlite(self.path(), error);
        let mut days = Vec::new();
        for (key, _) in self.keys(Some(mechanism))? {
            let mut select = self
                .connection()
                .prepare_cached(
                    "SELECT day, observed_ms, gap_ms, load_unknown_ms, cube_ms,
                            CASE WHEN day >= (SELECT max(day) FROM day WHERE mechanism = ?1) - ?2
                                 THEN used_full_load_hours END
                     FROM day WHERE mechanism = ?1 ORDER BY day",
                )
                .map_err(sqlite)?;
            let mut rows = select.query(params![key, WINDOW_DAYS]).map_err(sqlite)?;
            while let Some(row) = rows.next().map_err(sqlite)? {
                let sum = self.day_sum(row)?;
                days.push(DaySum { used: row.get(5).map_err(sqlite)?, ..sum });
            }
        }
        Ok(days)
    }

    /// Number and hash of the last entry of the chain of `mechanism`; `None` before there is one. While they stay, no day
    /// that is over has come, gone or changed.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn chain_head(&self, mechanism: &str) -> Result<Option<(u64, String)>, StoreError> {
        let mut head = None;
        for (key, _) in self.keys(Some(mechanism))? {
            head = chain::head(self.connection(), key).map_err(|error| StoreError::of_sqlite(self.path(), error))?;
        }
        Ok(head)
    }

    /// Whether the days up to `to_day` are as they were when `head` was the last entry of the chain of `mechanism`: since
    /// then later days were closed, and nothing came that takes or changes a lift or a sum of them.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn days_stand(&self, mechanism: &str, head: &(u64, String), to_day: i32) -> Result<bool, StoreError> {
        let mut stand = false;
        for (key, _) in self.keys(Some(mechanism))? {
            stand = self
                .connection()
                .prepare_cached(
                    "SELECT EXISTS (SELECT 1 FROM entry WHERE mechanism = ?1 AND seq = ?2 AND hash = ?3)
                        AND NOT EXISTS (SELECT 1 FROM entry WHERE mechanism = ?1 AND seq > ?2
                                          AND kind NOT IN ('service', 'configuration', 'clock')
                                          AND (kind <> 'day' OR day <= ?4))",
                )
                .and_then(|mut s| s.query_row(params![key, head.0 as i64, head.1, to_day], |row| row.get(0)))
                .map_err(|error| StoreError::of_sqlite(self.path(), error))?;
        }
        Ok(stand)
    }

    /// How many lifts of `mechanism` there are, and how many of them are of the days after `day`.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn lift_counts(&self, mechanism: &str, day: i32) -> Result<(u64, u64), StoreError> {
        let mut counts = (0, 0);
        for (key, _) in self.keys(Some(mechanism))? {
            // In one statement, so that both are of the same moment.
            counts = self
                .connection()
                .prepare_cached(
                    "SELECT (SELECT count(*) FROM lift WHERE mechanism = ?1),
                            (SELECT count(*) FROM lift WHERE mechanism = ?1 AND day > ?2)",
                )
                .and_then(|mut s| {
                    s.query_row(params![key, day], |row| {
                        Ok((row.get::<_, i64>(0)? as u64, row.get::<_, i64>(1)? as u64))
                    })
                })
                .map_err(|error| StoreError::of_sqlite(self.path(), error))?;
        }
        Ok(counts)
    }

    /// How many lifts of `mechanism` are of the days after `day`, up to `to_day`.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn lift_count_after(&self, mechanism: &str, day: i32, to_day: i32) -> Result<u64, StoreError> {
        let mut count = 0;
        for (key, _) in self.keys(Some(mechanism))? {
            count = self
                .connection()
                .prepare_cached("SELECT count(*) FROM lift WHERE mechanism = ?1 AND day > ?2 AND day <= ?3")
                .and_then(|mut s| s.query_row(params![key, day, to_day], |row| row.get::<_, i64>(0)))
                .map_err(|error| StoreError::of_sqlite(self.path(), error))? as u64;
        }
        Ok(count)
    }

    /// The last day of `mechanism` before the open one that the chain vouches for, days since 1970-01-01; `None` before there
    /// is one. Days behind the open one, which a clock left there that was put back, are no part of what is settled.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn last_closed_day(&self, mechanism: &str) -> Result<Option<i32>, StoreError> {
        let mut day = None;
        for (key, _) in self.keys(Some(mechanism))? {
            let open =
                days::open_day(self.connection(), key).map_err(|error| StoreError::of_sqlite(self.path(), error))?;
            day = self
                .connection()
                .prepare_cached("SELECT max(day) FROM entry WHERE mechanism = ?1 AND kind = 'day' AND day <= ?2")
                .and_then(|mut s| s.query_row(params![key, open], |row| row.get(0)))
                .map_err(|error| StoreError::of_sqlite(self.path(), error))?;
        }
        Ok(day)
    }
}
