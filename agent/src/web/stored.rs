//! The page's history, read from the store.

use std::collections::BTreeMap;
use std::path::PathBuf;

use tallyhook_analysis::account::{DayRecord, HourSums};
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::recorder::Gap;
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::Timestamp;

use super::source::{History, LiftsAsked, LiftsFound};
use super::warnings::Wanted;
use crate::commands::ledger::Ledger;
use crate::commands::whatif::{self, Asked, WhatifFigures};
use crate::exit::Failure;
use crate::store::alarm::{ActError, Alarm, Done, act};
use crate::store::message::{Message, MessageKind};
use crate::store::service::{Service, StoredService, append};
use crate::store::{LiftFilter, MessageFilter, Reader};

/// The store in a directory. Each question opens a reader of its own: readers do not hold the writer up, and a view
/// asks a handful.
pub struct Stored(pub PathBuf);

impl Stored {
    fn reader(&self) -> Result<Reader, String> {
        Reader::open(&self.0).map_err(|error| error.to_string())
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
            let total = reader.lift_count(&filter).map_err(|error| error.to_string())?;
            filter.limit = Some(asked.limit as u64);
            filter.offset = asked.offset as u64;
            filter.newest_first = !asked.rising;
            let lifts = reader.lifts(&filter).map_err(|error| error.to_string())?;
            return Ok(LiftsFound { total, lifts: lifts.into_iter().map(|stored| stored.lift).collect() });
        }
        let mut wanted = Vec::new();
        reader
            .each_lift(&filter, |_, lift| {
                if asked.wants(&lift) {
                    wanted.push(lift);
                }
                Ok::<(), crate::store::StoreError>(())
            })
            .map_err(|error| error.to_string())?;
        Ok(asked.page(wanted))
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
        append(&self.0, service).map_err(|error| error.to_string())
    }

    fn alarms(&self, mechanism: &str) -> Result<Vec<(Alarm, Vec<Done>)>, String> {
        let reader = self.reader()?;
        let alarms = reader.alarms(Some(mechanism), false).map_err(|error| error.to_string())?;
        let with_acts = |alarm: Alarm| Ok((alarm.clone(), reader.alarm_acts(alarm.seq)?));
        let found: Result<_, crate::store::StoreError> = alarms.into_iter().map(with_acts).collect();
        found.map_err(|error| error.to_string())
    }

    fn act(&self, wanted: &Wanted) -> Result<Alarm, ActError> {
        act(&self.0, wanted.number, &wanted.act, &wanted.by, &wanted.note, wanted.at)
    }

    fn what_if(&self, asked: &Asked) -> Result<WhatifFigures, Failure> {
        whatif::answer(&Ledger::open(&self.0)?, asked)
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
        let stored = Stored(dir.path().to_owned());
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
