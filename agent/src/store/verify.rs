//! The proof of the ledger: every day anew from its lifts, histograms and hours, the chain from its first entry on.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;
use serde_json::Value;
use tallyhook_analysis::account::{Account, DayRecord, Terms};
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::recorder::Spec;
use tallyhook_analysis::spectrum::{BANDS, Totals};
use tallyhook_analysis::units::Grams;

use super::chain::{self, ChainEntry, EntryKind, RowsDigest};
use super::days;
use super::error::StoreError;
use super::gap_seal;
use super::open_seal;
use super::query::Reader;
use super::service;
use super::thin::Thinned;
use crate::figures::date_of;

/// How far a histogram's cubes may be from the exact sum: 0.15 %, and a hair for the arithmetic.
const CUBES: f64 = 0.001_501;

/// How far an edge may be off in a histogram: a thousandth.
const EDGE: f64 = 0.001;

/// What was found.
#[derive(Clone, PartialEq, Debug, Default, Serialize)]
pub struct Verification {
    /// Whether everything adds up.
    pub ok: bool,
    /// What does not, the earliest day first.
    pub faults: Vec<Fault>,
    /// Each mechanism's chain.
    pub mechanisms: Vec<Proof>,
}

impl Verification {
    /// Of a ledger that cannot even be opened.
    pub fn of_error(error: &StoreError) -> Self {
        let what = error.to_string();
        let fault = Fault { mechanism: None, day: None, entry: None, what, order: (i64::MIN, 0) };
        Verification { ok: false, faults: vec![fault], mechanisms: Vec::new() }
    }
}

/// The chain of one mechanism.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Proof {
    /// Identifier.
    pub id: String,
    /// Entries in the chain.
    pub entries: u64,
    /// Days that were recomputed and agree with their entry.
    pub days: u64,
    /// Days before the chain began: held by one digest, but not recomputed from lifts.
    pub days_before: u64,
    /// Days whose lifts were given up for room: held by their entry and their histograms, not made anew from lifts.
    pub days_without_lifts: u64,
    /// Days whose histograms were given up as well: held by their entry alone.
    pub days_without_histograms: u64,
    /// Up to which day lifts were given up.
    pub lifts_given_up_to: Option<String>,
    /// Up to which day histograms were given up.
    pub histograms_given_up_to: Option<String>,
    /// Last day with an entry.
    pub last_day: Option<String>,
    /// The last hash: the anchor to write down.
    pub anchor: Option<String>,
    /// Hashes of all entries, for an anchor from outside.
    #[serde(skip)]
    pub hashes: Vec<(String, u64, Option<i32>)>,
}

/// Something that does not add up.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Fault {
    /// Which mechanism; `null` where it is the file as a whole.
    pub mechanism: Option<String>,
    /// The day that does not add up, `YYYY-MM-DD`.
    pub day: Option<String>,
    /// Number of the entry in the chain.
    pub entry: Option<u64>,
    /// What was found.
    pub what: String,
    #[serde(skip)]
    order: (i64, u64),
}

impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let place = [
            self.mechanism.clone(),
            self.day.as_ref().map(|day| format!("day {day}")),
            self.entry.map(|entry| format!("entry {entry}")),
        ];
        let place: Vec<String> = place.into_iter().flatten().collect();
        if place.is_empty() { f.write_str(&self.what) } else { write!(f, "{}: {}", place.join(", "), self.what) }
    }
}

/// Sums and digest of the lifts or hours of a day.
#[derive(Clone, Default)]
struct Found {
    sums: Totals,
    digest: RowsDigest,
}

/// Verifies the whole ledger. A file that cannot be read to the end is a fault too, not an error.
///
/// # Errors
/// Only what says nothing about the file: [`StoreError::Locked`], [`StoreError::Io`].
pub fn verify(reader: &Reader) -> Result<Verification, StoreError> {
    verify_telling(reader, &|| {})
}

/// [`verify`], which calls `day_read` after each day that it has read.
///
/// # Errors
/// As [`verify`].
pub fn verify_telling(reader: &Reader, day_read: &dyn Fn()) -> Result<Verification, StoreError> {
    let mut all = Verification::default();
    let damage = |error: StoreError| match error {
        StoreError::Damaged { what, .. } => {
            Ok(Fault { mechanism: None, day: None, entry: None, what, order: (i64::MIN, 0) })
        }
        other => Err(other),
    };
    // Without a structure nothing that is read from it is worth naming.
    if let Err(error) = reader.check_structure() {
        all.faults.push(damage(error)?);
        return Ok(all);
    }
    let read = || -> Result<Vec<(Proof, Vec<Fault>)>, StoreError> {
        // One snapshot for all of it: the daemon may be writing meanwhile.
        let snapshot =
            reader.connection().unchecked_transaction().map_err(|e| StoreError::of_sqlite(reader.path(), e))?;
        let keys = reader.keys(None)?;
        let proofs = keys.iter().map(|(key, id)| Walk::of(reader, *key, id, day_read)?.prove()).collect();
        drop(snapshot);
        proofs
    };
    match read() {
        Ok(found) => {
            for (proof, faults) in found {
                all.mechanisms.push(proof);
                all.faults.extend(faults);
            }
        }
        Err(error) => all.faults.push(damage(error)?),
    }
    all.faults.sort_by_key(|fault| fault.order);
    all.ok = all.faults.is_empty();
    Ok(all)
}

/// One mechanism's proof.
struct Walk<'a> {
    reader: &'a Reader,
    key: i64,
    id: &'a str,
    day_read: &'a dyn Fn(),
    faults: Vec<Fault>,
}

impl<'a> Walk<'a> {
    fn of(reader: &'a Reader, key: i64, id: &'a str, day_read: &'a dyn Fn()) -> Result<Self, StoreError> {
        Ok(Walk { reader, key, id, day_read, faults: Vec::new() })
    }

    fn fault(&mut self, day: Option<i32>, entry: Option<&ChainEntry>, what: impl Into<String>) {
        let day = day.or(entry.and_then(|e| e.day));
        // An entry without a day of its own stands where its instant is.
        let place = day.map(i64::from).or(entry.map(|e| e.at.as_ms().div_euclid(86_400_000))).unwrap_or(i64::MAX);
        self.faults.push(Fault {
            mechanism: Some(self.id.to_owned()),
            day: day.map(date_of),
            entry: entry.map(|e| e.seq),
            what: what.into(),
            order: (place, entry.map_or(0, |e| e.seq)),
        });
    }

    fn prove(mut self) -> Result<(Proof, Vec<Fault>), StoreError> {
        let entries = self.walk()?;
        let thinned = Thinned::of(&entries);
        let begin: Option<Value> = entries.first().and_then(|e| serde_json::from_str(&e.body).ok());
        let open_at_begin = begin.as_ref().and_then(|b| b["open_day"].as_i64()).map(|day| day as i32);
        // From the day after on, every lift carries its day. A store that was brought up and not written to yet has no
        // chain; that one was there before, and is gone, the open seal knows.
        let whole_from = if entries.is_empty() { i32::MAX } else { open_at_begin.map_or(i32::MIN, |day| day + 1) };
        let days_before = self.prove_days_before(&entries, begin.as_ref(), open_at_begin)?;

        let mut lifts = self.lifts(&entries)?;
        let mut hours = self.hours()?;
        let last: BTreeMap<i32, &ChainEntry> =
            entries.iter().filter_map(|e| (e.kind == EntryKind::Day).then_some((e.day?, e))).collect();
        let changed = days_of(&entries, |kind| matches!(kind, EntryKind::Begin | EntryKind::Configuration));
        // An hour that is entered again with a clock set back may be that of the day before.
        let moved = days_of(&entries, |kind| kind == EntryKind::Clock);
        let bases = Bases::of(&entries);

        let mut rows: BTreeMap<i32, Totals> = BTreeMap::new();
        let mut unreadable = BTreeSet::new();
        let mut odd_histograms = BTreeSet::new();
        for day in self.stored_days()? {
            // One by one, so that a row that cannot be made out is named, and that no more than one day's histograms are
            // in memory: those of ten years take a hundred megabytes.
            let read = self.reader.days(self.id, day, day);
            (self.day_read)();
            match read.and_then(|sums| Ok((sums, self.reader.day_records(self.id, day, day)?))) {
                Ok((sums, kept)) => {
                    rows.extend(sums);
                    let entry = last.get(&day).copied();
                    let base = (!changed.contains(&day)).then(|| bases.at(entry.map_or(u64::MAX, |e| e.seq))).flatten();
                    for what in kept.iter().filter_map(|record| odd_in_histograms(record, base)) {
                        self.fault(Some(day), entry, what);
                        odd_histograms.insert(day);
                    }
                }
                Err(StoreError::Damaged { what, .. }) => {
                    self.fault(Some(day), None, format!("it cannot be made out: {what}"));
                    unreadable.insert(day);
                }
                Err(other) => return Err(other),
            }
        }
        let sqlite = |error| StoreError::of_sqlite(self.reader.path(), error);
        let open = days::open_day(self.reader.connection(), self.key).map_err(sqlite)?;

        let mut good = 0;
        let known: BTreeSet<i32> = rows.keys().chain(last.keys()).chain(&unreadable).copied().collect();
        for &day in &known {
            let faults = self.faults.len();
            let (mine, clock) = (lifts.remove(&day).unwrap_or_default(), hours.remove(&day).unwrap_or_default());
            let entry = last.get(&day).copied();
            if unreadable.contains(&day) {
                continue;
            }
            let Some(totals) = rows.get(&day) else {
                self.fault(Some(day), entry, "the day was closed, but its sums are gone");
                continue;
            };
            if day >= whole_from {
                if !thinned.lifts(day) {
                    self.compare_lifts(day, entry, totals, &mine.sums);
                }
                if !thinned.hours(day) && Some(day) != open && !moved.contains(&day) {
                    self.compare_hours(day, entry, totals, &clock.sums);
                }
            }
            self.compare_bands(day, entry, totals);
            match entry {
                Some(entry) => {
                    let (lift_rows, hour_rows) = (mine.digest.finish(), clock.digest.finish());
                    self.compare_seal(day, entry, lift_rows, hour_rows, thinned)?;
                }
                None if Some(day) != open && open_at_begin.is_none_or(|first| day >= first) && !entries.is_empty() => {
                    self.fault(Some(day), None, "the day is over, but the chain has no entry for it");
                }
                None => {}
            }
            let sound = faults == self.faults.len() && !odd_histograms.contains(&day);
            good += u64::from(sound && entry.is_some());
        }
        for day in lifts.into_keys().chain(hours.into_keys()).collect::<BTreeSet<_>>() {
            self.fault(Some(day), None, "there are lifts or hours of a day that has no sums");
        }
        self.compare_gaps_and_flags(&entries)?;
        self.compare_services(&entries)?;
        self.compare_open(open)?;
        if unreadable.is_empty() {
            self.compare_life(&rows)?;
        }
        let proof = Proof {
            id: self.id.to_owned(),
            entries: entries.len() as u64,
            days: good,
            days_before,
            days_without_lifts: last.keys().filter(|day| thinned.lifts(**day)).count() as u64,
            days_without_histograms: last.keys().filter(|day| thinned.histograms(**day)).count() as u64,
            lifts_given_up_to: thinned.lifts_to.map(date_of),
            histograms_given_up_to: thinned.histograms_to.map(date_of),
            last_day: last.last_key_value().map(|(day, _)| date_of(*day)),
            anchor: entries.last().map(|e| e.hash.clone()),
            hashes: entries.iter().map(|e| (e.hash.clone(), e.seq, e.day)).collect(),
        };
        Ok((proof, self.faults))
    }

    fn stored_days(&self) -> Result<Vec<i32>, StoreError> {
        let mut found = Vec::new();
        self.scan("SELECT day FROM day WHERE mechanism = ?1 ORDER BY day", |row| {
            found.push(row.get(0)?);
            Ok(())
        })?;
        Ok(found)
    }

    /// Numbers without a hole, each with the hash of the one before, each with its own hash. Gives the entries, but for
    /// what takes room (see [`chain::outline`]).
    fn walk(&mut self) -> Result<Vec<ChainEntry>, StoreError> {
        let mut number = 0;
        let mut previous = "0".repeat(64);
        let mut broken: Option<(ChainEntry, String)> = None;
        let (id, reader) = (self.id, self.reader);
        let entries = chain::outline(reader.connection(), reader.path(), self.key, |entry| {
            if broken.is_some() {
                return;
            }
            number += 1;
            let what = if entry.seq != number {
                format!("entry {number} is missing before it")
            } else if entry.previous != previous {
                "it does not follow the entry before it: the chain is broken".to_owned()
            } else if chain::hash_of(id, entry) != entry.hash {
                "the entry is not what was hashed when it was written".to_owned()
            } else {
                previous.clone_from(&entry.hash);
                return;
            };
            broken = Some((entry.clone(), what));
        })?;
        if let Some((entry, what)) = broken {
            self.fault(None, Some(&entry), what);
        }
        Ok(entries)
    }

    fn prove_days_before(
        &mut self,
        entries: &[ChainEntry],
        begin: Option<&Value>,
        open: Option<i32>,
    ) -> Result<u64, StoreError> {
        let Some(written) = begin.and_then(|b| b["days_before"].as_str()) else { return Ok(0) };
        let sqlite = |error| StoreError::of_sqlite(self.reader.path(), error);
        let (digest, _) = chain::days_before(self.reader.connection(), self.key, open).map_err(sqlite)?;
        if digest.as_deref() != Some(written) {
            let first = self.reader.days(self.id, i32::MIN, open.unwrap_or(i32::MAX))?.first().map(|(day, _)| *day);
            let what = "the days from before the chain began are not what they were then";
            self.fault(first, entries.first(), what);
        }
        Ok(self.reader.days(self.id, i32::MIN, open.unwrap_or(i32::MAX).saturating_sub(1))?.len() as u64)
    }

    /// What the lifts of each day add up to; those that found their place taken stand in the chain.
    fn lifts(&self, entries: &[ChainEntry]) -> Result<BTreeMap<i32, Found>, StoreError> {
        let mut found: BTreeMap<i32, Found> = BTreeMap::new();
        self.scan(
            "SELECT day, begin_ms, length_ms, load_g, peak_over_g, running_ms, starts, marks, uncertainty_g
             FROM lift WHERE mechanism = ?1 ORDER BY begin_ms",
            |row| {
                let Some(day) = row.get::<_, Option<i32>>(0)? else { return Ok(()) };
                let n = |column: usize| row.get::<_, i64>(column);
                let (begin, length, load, peak) = (n(1)?, n(2)?, n(3)?, n(4)?);
                let (running, starts, marks) = (n(5)?, n(6)?, n(7)?);
                let day = found.entry(day).or_default();
                let uncertainty =
                    row.get::<_, Option<i64>>(8)?.map_or_else(String::new, |uncertainty| format!(",{uncertainty}"));
                day.digest.add(&format!("{begin},{length},{load},{peak},{running},{starts},{marks}{uncertainty}"));
                add_lift(&mut day.sums, Grams::new(load), (marks & 0x0f) as usize, marks & 0x10 != 0);
                Ok(())
            },
        )?;
        for entry in entries.iter().filter(|e| e.kind == EntryKind::Lift) {
            let Ok(body) = serde_json::from_str::<Value>(&entry.body) else { continue };
            let Ok(lift) = serde_json::from_value::<Lift>(body["lift"].clone()) else { continue };
            if let Some(day) = body["day"].as_i64() {
                let sums = &mut found.entry(day as i32).or_default().sums;
                add_lift(sums, lift.load, usize::from(lift.band), lift.overload);
            }
        }
        Ok(found)
    }

    fn hours(&self) -> Result<BTreeMap<i32, Found>, StoreError> {
        let mut found: BTreeMap<i32, Found> = BTreeMap::new();
        self.scan(
            "SELECT day, begin_ms, length_ms, running_ms, gap_ms, cube_ms, starts, lifts
             FROM hour WHERE mechanism = ?1 ORDER BY begin_ms",
            |row| {
                let Some(day) = row.get::<_, Option<i32>>(0)? else { return Ok(()) };
                let n = |column: usize| row.get::<_, i64>(column);
                let (begin, length, running, gap, starts, lifts) = (n(1)?, n(2)?, n(3)?, n(4)?, n(6)?, n(7)?);
                let cubes = row.get_ref(5)?.as_str()?;
                let day = found.entry(day).or_default();
                day.digest.add(&format!("{begin},{length},{running},{gap},{cubes},{starts},{lifts}"));
                day.sums.add(&Totals {
                    running_ms: running as u64,
                    gap_ms: gap as u64,
                    cube_ms: cubes.parse().unwrap_or(u128::MAX),
                    starts: starts as u64,
                    lifts: lifts as u64,
                    ..Totals::default()
                });
                Ok(())
            },
        )?;
        Ok(found)
    }

    fn scan(
        &self,
        sql: &str,
        mut each: impl FnMut(&rusqlite::Row<'_>) -> rusqlite::Result<()>,
    ) -> Result<(), StoreError> {
        let mut run = || -> rusqlite::Result<()> {
            let mut select = self.reader.connection().prepare_cached(sql)?;
            let mut rows = select.query([self.key])?;
            while let Some(row) = rows.next()? {
                each(row)?;
            }
            Ok(())
        };
        run().map_err(|error| StoreError::of_sqlite(self.reader.path(), error))
    }

    fn compare_lifts(&mut self, day: i32, entry: Option<&ChainEntry>, day_sums: &Totals, lifts: &Totals) {
        let pairs = [
            ("lifts", u128::from(day_sums.lifts), u128::from(lifts.lifts)),
            ("lifts above the rated load", day_sums.overload_lifts.into(), lifts.overload_lifts.into()),
            ("load³ of the lifts", day_sums.lift_cubes, lifts.lift_cubes),
        ];
        self.compare(day, entry, "its lifts", &pairs);
        if day_sums.lifts == lifts.lifts && day_sums.band_lifts != lifts.band_lifts {
            self.fault(Some(day), entry, "its lifts are in other load bands than its sums say");
        }
    }

    fn compare_hours(&mut self, day: i32, entry: Option<&ChainEntry>, day_sums: &Totals, hours: &Totals) {
        let pairs = [
            ("running time, ms,", u128::from(day_sums.running_ms), u128::from(hours.running_ms)),
            ("gaps, ms,", day_sums.gap_ms.into(), hours.gap_ms.into()),
            ("load³ · time", day_sums.cube_ms, hours.cube_ms),
            ("starts", day_sums.starts.into(), hours.starts.into()),
            ("lifts", day_sums.lifts.into(), hours.lifts.into()),
        ];
        self.compare(day, entry, "its hours", &pairs);
    }

    fn compare(&mut self, day: i32, entry: Option<&ChainEntry>, from: &str, pairs: &[(&str, u128, u128)]) {
        if let Some((what, says, adds)) = pairs.iter().find(|(_, says, adds)| says != adds) {
            self.fault(Some(day), entry, format!("its sums say {says} for {what}, {from} add up to {adds}"));
        }
    }

    fn compare_bands(&mut self, day: i32, entry: Option<&ChainEntry>, t: &Totals) {
        let known = t.running_ms.saturating_sub(t.load_unknown_ms);
        let sum = |bands: &[u64; BANDS]| bands.iter().fold(0_u64, |sum, n| sum.saturating_add(*n));
        if sum(&t.band_ms) != known || sum(&t.band_lifts) != t.lifts {
            self.fault(Some(day), entry, "its load bands do not add up to its running time and its lifts");
        }
    }

    fn compare_seal(
        &mut self,
        day: i32,
        entry: &ChainEntry,
        lift_rows: String,
        hour_rows: String,
        thinned: Thinned,
    ) -> Result<(), StoreError> {
        let sqlite = |error| StoreError::of_sqlite(self.reader.path(), error);
        let Some(row) = chain::seal_of_row(self.reader.connection(), self.key, day).map_err(sqlite)? else {
            return Ok(());
        };
        let now = chain::with_digests(row, lift_rows, hour_rows);
        let text = chain::body(self.reader.connection(), self.key, entry.seq).map_err(sqlite)?;
        let body: Value = match serde_json::from_str(&text) {
            Ok(body) => body,
            Err(_) => {
                self.fault(Some(day), Some(entry), "the entry is no JSON");
                return Ok(());
            }
        };
        if let Some(what) = body[chain::BROKEN].as_str() {
            self.fault(Some(day), Some(entry), format!("found changed while it was open: {what}"));
        }
        let (Some(now), Some(sealed)) = (now.as_object(), body["sealed"].as_object()) else {
            self.fault(Some(day), Some(entry), "the entry does not say what the day was");
            return Ok(());
        };
        let gone = |name: &str| {
            name == chain::SEALED_LIFTS && thinned.lifts(day)
                || name == chain::SEALED_HOURS && thinned.hours(day)
                || matches!(name, "running_by_load" | "lifts_by_load") && thinned.histograms(day)
        };
        let names: BTreeSet<&String> = now.keys().chain(sealed.keys()).collect();
        if let Some(name) = names.into_iter().find(|name| !gone(name) && now.get(*name) != sealed.get(*name)) {
            let what = format!("`{name}` is no longer what the day was closed with");
            self.fault(Some(day), Some(entry), what);
        }
        Ok(())
    }

    fn compare_gaps_and_flags(&mut self, entries: &[ChainEntry]) -> Result<(), StoreError> {
        let found = gap_seal::faults(self.reader.connection(), self.key, entries)
            .map_err(|error| StoreError::of_sqlite(self.reader.path(), error))?;
        for (seq, what) in found {
            self.fault(None, entries.iter().find(|entry| entry.seq == seq), what);
        }
        Ok(())
    }

    /// A service that a book has taken is what its entry says.
    fn compare_services(&mut self, entries: &[ChainEntry]) -> Result<(), StoreError> {
        for entry in entries.iter().filter(|entry| entry.kind == EntryKind::Service) {
            let body: Value = serde_json::from_str(&entry.body).unwrap_or_default();
            let Some(number) = body["number"].as_u64() else { continue };
            let now = service::body(self.reader.connection(), number)
                .map_err(|error| StoreError::of_sqlite(self.reader.path(), error))?;
            if now.as_deref() != body["service"].as_str() {
                self.fault(None, Some(entry), format!("service {number} is not what the book has taken"));
            }
        }
        Ok(())
    }

    /// What no entry holds yet is what the last commit left.
    fn compare_open(&mut self, open: Option<i32>) -> Result<(), StoreError> {
        if open.is_some() && self.reader.state(self.id)?.is_none() {
            self.fault(open, None, "what the account goes on from is gone");
        }
        let broken = open_seal::broken(self.reader.connection(), self.key)
            .map_err(|error| StoreError::of_sqlite(self.reader.path(), error))?;
        if let Some((day, what)) = broken {
            self.fault(day, None, what);
        }
        Ok(())
    }

    /// All days together are the book's life.
    fn compare_life(&mut self, rows: &BTreeMap<i32, Totals>) -> Result<(), StoreError> {
        let Some(snapshot) = self.reader.state(self.id)? else { return Ok(()) };
        let mut sum = Totals::default();
        rows.values().for_each(|day| sum.add(day));
        let account = Account::resume(Spec::hoist(Grams::from_kg(1.0)), Terms::plain(1.0), snapshot.state);
        if account.recorder().totals() != &sum {
            self.fault(None, None, "the days together are not what the book says it has counted");
        }
        Ok(())
    }
}

/// What is wrong with a day's histograms beside its sums.
fn odd_in_histograms(r: &DayRecord, base: Option<Base>) -> Option<&'static str> {
    let t = &r.totals;
    if r.lifts.total() != t.lifts || r.running.total() != t.running_ms.saturating_sub(t.load_unknown_ms) {
        return Some("its histograms do not hold the lifts and the running time of its sums");
    }
    // 1 kg as the base: only the proportion matters.
    let unit = Grams::new(1000);
    let near = |exact: f64, kept: f64| (kept - exact).abs() <= CUBES * exact + 1e-6;
    let running = near(t.full_load_hours(unit) * 3_600_000.0, r.running.full_load_weight(unit));
    let lifts = near(t.full_load_cycles(unit), r.lifts.full_load_weight(unit));
    if !running || !lifts {
        return Some("its histograms and its sums of load³ differ by more than 0.15 %");
    }
    let base = base?;
    let fits = |kept: &tallyhook_analysis::histogram::Histogram, exact: &[u64; BANDS], rated: Grams| {
        let moved = |by: f64| kept.bands(Grams::new((rated.get() as f64 * by).round() as i64));
        let (low, high) = (moved(1.0 - EDGE), moved(1.0 + EDGE));
        let up_to = |bands: &[u64; BANDS], i: usize| bands[..=i].iter().sum::<u64>();
        (0..BANDS).all(|i| up_to(&low, i) <= up_to(exact, i) && up_to(exact, i) <= up_to(&high, i))
    };
    let all_fit = fits(&r.running, &t.band_ms, base.with_dead_load) && fits(&r.lifts, &t.band_lifts, base.rated);
    (!all_fit).then_some("its histograms put loads into other bands than its sums do")
}

fn add_lift(sums: &mut Totals, load: Grams, band: usize, overload: bool) {
    sums.lifts += 1;
    sums.overload_lifts += u64::from(overload);
    if let Some(slot) = sums.band_lifts.get_mut(band) {
        *slot += 1;
    }
    sums.lift_cubes = sums.lift_cubes.saturating_add(load.cubed());
}

/// Loads that bands were divided by.
#[derive(Clone, Copy)]
struct Base {
    rated: Grams,
    with_dead_load: Grams,
}

/// Bases by the entry from which they hold.
struct Bases(BTreeMap<u64, Base>);

impl Bases {
    fn of(entries: &[ChainEntry]) -> Self {
        let base = |entry: &ChainEntry| {
            let body: Value = serde_json::from_str(&entry.body).ok()?;
            let kg = |name: &str| body["values"][name].as_f64();
            let (rated, dead) = (Grams::from_kg(kg("rated_load_kg")?), Grams::from_kg(kg("dead_load_kg")?));
            Some((entry.seq, Base { rated, with_dead_load: Grams::new(rated.get() + dead.get()) }))
        };
        let told = |e: &&ChainEntry| matches!(e.kind, EntryKind::Begin | EntryKind::Configuration);
        Bases(entries.iter().filter(told).filter_map(base).collect())
    }

    fn at(&self, seq: u64) -> Option<Base> {
        self.0.range(..seq).next_back().map(|(_, base)| *base)
    }
}

/// Days in which such an entry was written: the one that was open then is the next to be closed.
fn days_of(entries: &[ChainEntry], such: impl Fn(EntryKind) -> bool) -> BTreeSet<i32> {
    let mut found = BTreeSet::new();
    let mut changed = false;
    for entry in entries {
        match entry.kind {
            kind if such(kind) => changed = true,
            EntryKind::Day if std::mem::take(&mut changed) => found.extend(entry.day),
            _ => {}
        }
    }
    found
}
