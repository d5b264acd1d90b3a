//! The page's history, read from the store.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use tallyhook_analysis::account::{DayRecord, HourSums};
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::recorder::Gap;
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::Timestamp;

use super::source::{First, History, LiftsAsked, LiftsFound};
use super::warnings::Wanted;
use crate::commands::ledger::Ledger;
use crate::commands::whatif::{self, Asked, WhatifFigures};
use crate::exit::Failure;
use crate::store::alarm::{ActError, Alarm, Done, act};
use crate::store::message::{Message, MessageKind};
use crate::store::service::{Service, StoredService, append};
use crate::store::{LiftFilter, LoadSums, MessageFilter, Reader, StoreError};

/// The store in a directory. Each question opens a reader of its own: readers do not hold the writer up, and a view
/// asks a handful.
pub struct Stored {
    directory: PathBuf,
    /// The days' load histograms of the latest what-ifs, added up; the newest last.
    sums: Mutex<Vec<(SumsKey, Arc<LoadSums>)>>,
    /// By mechanism: the head of the chain, the last day it vouches for, and how many lifts there were up to that day.
    counted: Mutex<BTreeMap<String, (Head, i32, u64)>>,
}

/// Number and hash of the last entry of a chain: while they stay, so do the days that are over.
type Head = (u64, String);

/// Mechanism, first and last day, and the head of the chain.
type SumsKey = (String, i32, i32, Head);

/// So many sums are kept: a person tries several changes on the same record.
const SUMS_KEPT: usize = 2;

impl Stored {
    /// The store in `directory`; nothing is read yet.
    pub fn new(directory: PathBuf) -> Self {
        Stored { directory, sums: Mutex::default(), counted: Mutex::default() }
    }

    /// The sums that a what-if rests on, read anew only after a day was closed or given up.
    fn load_sums(&self, reader: &Reader, asked: &Asked) -> Result<Arc<LoadSums>, StoreError> {
        let (from, to) = asked.days;
        let read = || reader.load_sums(&asked.mechanism, from, to).map(Arc::new);
        // The head first: a day that closes between the two is then read again the next time.
        let Some(head) = reader.chain_head(&asked.mechanism)? else { return read() };
        let key = (asked.mechanism.clone(), from, to, head);
        let Ok(mut kept) = self.sums.lock() else { return read() };
        if let Some((_, sums)) = kept.iter().find(|(k, _)| *k == key) {
            return Ok(sums.clone());
        }
        let sums = read()?;
        if kept.len() >= SUMS_KEPT {
            kept.remove(0);
        }
        kept.push((key, sums.clone()));
        Ok(sums)
    }

    /// How many lifts of a mechanism there are. Those of days that are over are counted once, not at every look.
    fn all_lifts(&self, reader: &Reader, mechanism: &str) -> Result<u64, StoreError> {
        let all = || reader.lift_count(&LiftFilter { mechanism: Some(mechanism), ..LiftFilter::default() });
        let Some(head) = reader.chain_head(mechanism)? else { return all() };
        let Ok(mut counted) = self.counted.lock() else { return all() };
        if let Some((_, day, past)) = counted.get(mechanism).filter(|(before, ..)| *before == head) {
            return Ok(past + reader.lift_count_after(mechanism, *day)?);
        }
        let Some(day) = reader.last_closed_day(mechanism)? else { return all() };
        let (total, after) = reader.lift_counts(mechanism, day)?;
        counted.insert(mechanism.to_owned(), (head, day, total - after));
        Ok(total)
    }

    fn reader(&self) -> Result<Reader, String> {
        Reader::open(&self.directory).map_err(|error| error.to_string())
    }
}

impl History for Stored {
    fn lifts(&self, mechanism: &str, limit: usize, before: Option<Timestamp>) -> Result<Vec<Lift>, String> {
        let filter = LiftFilter {
            mechanism: Some(mechanism),
            to: before,
            limit: Some(limit as u64),
            newest_first: true,
            ..LiftFilter::default()
        };
        let found = self.reader()?.lifts(&filter).map_err(|error| error.to_string())?;
        Ok(found.into_iter().map(|stored| stored.lift).collect())
    }

    fn days(&self, mechanism: &str, from: i32, to: i32) -> Result<Vec<(i32, Totals)>, String> {
        self.reader()?.days(mechanism, from, to).map_err(|error| error.to_string())
    }

    fn used(&self, mechanism: &str) -> Result<BTreeMap<i32, f64>, String> {
        self.reader()?.used(mechanism).map_err(|error| error.to_string())
    }

    fn gaps(&self, mechanism: &str, limit: usize) -> Result<Vec<Gap>, String> {
        let mut gaps = self.reader()?.gaps(mechanism, None, None).map_err(|error| error.to_string())?;
        gaps.reverse();
        gaps.truncate(limit);
        Ok(gaps)
    }

    fn messages(&self, mechanism: &str, kinds: &[MessageKind], limit: usize) -> Result<Vec<Message>, String> {
        let reader = self.reader()?;
        let mut found = Vec::new();
        for &kind in kinds {
            let filter = MessageFilter {
                kind: Some(kind),
                mechanism: Some(mechanism),
                limit: Some(limit as u64),
                newest_first: true,
                ..MessageFilter::default()
            };
            found.extend(reader.messages(&filter).map_err(|error| error.to_string())?);
        }
        found.sort_by_key(|(_, m)| std::cmp::Reverse(m.at));
        found.truncate(limit);
        Ok(found.into_iter().map(|(_, message)| message).collect())
    }

    fn find_lifts(&self, mechanism: &str, asked: &LiftsAsked) -> Result<LiftsFound, String> {
        let reader = self.reader()?;
        let mut filter =
            LiftFilter { mechanism: Some(mechanism), from: asked.from, to: asked.to, ..LiftFilter::default() };
        if asked.by_beginning_alone() {
            let total = match (asked.from, asked.to) {
                (None, None) => self.all_lifts(&reader, mechanism),
                _ => reader.lift_count(&filter),
            };
            let total = total.map_err(|error| error.to_string())?;
            filter.limit = Some(asked.limit as u64);
            filter.offset = asked.offset as u64;
            filter.newest_first = !asked.rising;
            let lifts = reader.lifts(&filter).map_err(|error| error.to_string())?;
            return Ok(LiftsFound { total, lifts: lifts.into_iter().map(|stored| stored.lift).collect() });
        }
        (filter.least, filter.most, filter.overload) = (asked.least, asked.most, asked.overload);
        let mut first = First::new(asked.offset.saturating_add(asked.limit));
        reader
            .each_lift_in_short(&filter, |begin, load, running_ms| first.meet(asked.place(begin, load, running_ms)))
            .map_err(|error| error.to_string())?;
        let total = first.met;
        let page = first.in_order().into_iter().skip(asked.offset);
        let whole = page.map(|place| reader.lift_at(mechanism, asked.begin_of(place)));
        // One that was given up for room since then is left out.
        let lifts: Result<Vec<Option<Lift>>, StoreError> = whole.collect();
        Ok(LiftsFound { total, lifts: lifts.map_err(|error| error.to_string())?.into_iter().flatten().collect() })
    }

    fn day_records(&self, mechanism: &str, from: i32, to: i32) -> Result<Vec<DayRecord>, String> {
        self.reader()?.day_records(mechanism, from, to).map_err(|error| error.to_string())
    }

    fn hours(&self, mechanism: &str, from: Option<Timestamp>, to: Option<Timestamp>) -> Result<Vec<HourSums>, String> {
        self.reader()?.hours(mechanism, from, to).map_err(|error| error.to_string())
    }

    fn services(&self, mechanism: &str) -> Result<Vec<StoredService>, String> {
        self.reader()?.services(Some(mechanism)).map_err(|error| error.to_string())
    }

    fn record_service(&self, service: &Service) -> Result<u64, String> {
        append(&self.directory, service).map_err(|error| error.to_string())
    }

    fn alarms(&self, mechanism: &str) -> Result<Vec<(Alarm, Vec<Done>)>, String> {
        let reader = self.reader()?;
        let alarms = reader.alarms(Some(mechanism), false).map_err(|error| error.to_string())?;
        let with_acts = |alarm: Alarm| Ok((alarm.clone(), reader.alarm_acts(alarm.seq)?));
        let found: Result<_, StoreError> = alarms.into_iter().map(with_acts).collect();
        found.map_err(|error| error.to_string())
    }

    fn act(&self, wanted: &Wanted) -> Result<Alarm, ActError> {
        act(&self.directory, wanted.number, &wanted.act, &wanted.by, &wanted.note, wanted.at)
    }

    fn what_if(&self, asked: &Asked) -> Result<WhatifFigures, Failure> {
        let ledger = Ledger::open(&self.directory)?;
        let sums = self.load_sums(&ledger.reader, asked).map_err(Failure::run)?;
        whatif::answer_from(&ledger, asked, &sums)
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use tallyhook_analysis::units::{Grams, Span};

    use super::super::source::InMemory;
    use super::*;
    use crate::store::{MechanismCommit, Store};

    /// The store answers each question as the history in memory does, which holds the same rows.
    #[test]
    fn the_store_answers_as_memory_does() {
        let id = "main-hoist";
        let at = |second: i64| Timestamp::from_ms(1_773_000_000_000 + second * 1000);
        let lift = |n: i64| Lift {
            begin: at(n * 60),
            end: at(n * 60 + 30),
            load: Grams::from_kg(1_000.0 * n as f64),
            peak: Grams::from_kg(1_000.0 * n as f64 + 50.0),
            running_ms: 20_000,
            starts: 4,
            band: tallyhook_analysis::spectrum::band_of(Grams::from_kg(1_000.0 * n as f64), Grams::from_kg(12_500.0))
                as u8,
            overload: false,
            cut: false,
        };
        let message = |n: i64, kind| Message {
            id: format!("m{n}"),
            at: at(n),
            kind,
            crane: "yard-1".to_owned(),
            mechanism: id.to_owned(),
            body: serde_json::json!({ "n": n }),
        };
        let gap = |n: i64| Gap { begin: at(n * 100), end: at(n * 100 + 9) };
        let day = |n: u64| Totals { observed_ms: n, running_ms: n / 2, ..Totals::default() };
        let messages = vec![
            message(1, MessageKind::Warning),
            message(2, MessageKind::Lift),
            message(3, MessageKind::Finding),
            message(4, MessageKind::Warning),
        ];
        let memory = InMemory {
            lifts: BTreeMap::from([(id.to_owned(), (1..=5).map(lift).collect())]),
            days: BTreeMap::from([(id.to_owned(), BTreeMap::from([(20_519, day(8)), (20_521, day(6))]))]),
            gaps: BTreeMap::from([(id.to_owned(), (1..=3).map(gap).collect())]),
            messages: messages.clone(),
            ..InMemory::default()
        };
        let commit = MechanismCommit {
            mechanism: id.to_owned(),
            at: at(999),
            lifts: (1..=5).map(|n| lift(n).into()).collect(),
            gaps: (1..=3).map(gap).collect(),
            days: vec![(20_519, day(8)), (20_521, day(6))],
            messages,
            ..MechanismCommit::default()
        };
        let dir = tempfile::tempdir().unwrap();
        let stored = Stored::new(dir.path().to_owned());
        assert!(stored.lifts(id, 9, None).is_err(), "there is no store yet");
        Store::open(dir.path()).unwrap().commit(&[commit]).unwrap();

        for (limit, before) in [(3, None), (9, Some(lift(3).begin)), (9, None)] {
            assert_eq!(stored.lifts(id, limit, before), memory.lifts(id, limit, before));
        }
        assert_eq!(stored.lifts(id, 9, None).unwrap().len(), 5);
        for (from, to) in [(20_519, 20_521), (20_520, 20_530), (i32::MIN, i32::MAX)] {
            assert_eq!(stored.days(id, from, to), memory.days(id, from, to));
        }
        assert_eq!(stored.gaps(id, 2), memory.gaps(id, 2));
        let told = [MessageKind::Warning, MessageKind::Finding];
        for limit in [2, 9] {
            assert_eq!(stored.messages(id, &told, limit), memory.messages(id, &told, limit));
        }
        assert_eq!(stored.messages(id, &told, 9).unwrap().len(), 3);
        assert_eq!(stored.lifts("none", 9, None), Ok(Vec::new()));
        // What is asked of a span of no time is nothing.
        assert_eq!(stored.lifts(id, 9, Some(at(0).plus(Span::ZERO))), Ok(Vec::new()));
    }
}
