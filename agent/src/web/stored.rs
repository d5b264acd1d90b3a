//! The page's history, read from the store.

use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use tallyhook_analysis::account::HourSums;
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::recorder::Gap;
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::{Grams, Timestamp};

use super::source::{First, History, LiftsAsked, LiftsFound};
use super::warnings::Wanted;
use crate::commands::ledger::Ledger;
use crate::commands::whatif::{self, Asked, WhatifFigures};
use crate::exit::Failure;
use crate::store::alarm::{ActError, Alarm, Done, act};
use crate::store::message::{Message, MessageKind};
use crate::store::service::{Service, StoredService, append};
use crate::store::{DayInShort, LiftFilter, LoadSums, MessageFilter, Reader, StoreError, WorkDay};

/// The store in a directory. Each question opens a reader of its own: readers do not hold the writer up, and a view
/// asks a handful. What years of days that are over answer is kept for the next look, as long as the chain says that they
/// are as they were; days that have closed since then are added to it.
pub struct Stored {
    directory: PathBuf,
    /// The days' load histograms of the latest what-ifs, added up.
    sums: Kept<(String, i32, i32), LoadSums>,
    /// By mechanism: the days up to the last one that is over, in short.
    days: Kept<String, Past<Vec<DayInShort>>>,
    /// By mechanism: how many lifts there were up to the last day that is over.
    counted: Kept<String, Past<u64>>,
    /// By mechanism and question (its offset and limit left aside): the first lifts up to the last day that is over.
    first: Kept<(String, LiftsAsked), Past<First>>,
    /// The same of the questions that were prepared.
    prepared: Kept<(String, LiftsAsked), Past<First>>,
}

/// Number and hash of the last entry of a chain: while they stay, so do the days that are over.
type Head = (u64, String);

/// What is said of the days up to one of them, that one included.
struct Past<T> {
    to_day: i32,
    what: T,
}

/// So many places of lifts in an order are kept, for the pages after the first: twenty of them.
const PLACES_KEPT: usize = 1_000;

/// So many questions are prepared at most: those of 64 mechanisms of ten years each. One of them takes 0.3 to 8 kB.
const MOST_PREPARED: usize = 64 * 13;

/// The days of so many mechanisms are kept in short: of ten years, each takes 0.4 MB.
const MOST_DAYS: usize = 4;

/// So many sums that a what-if rests on are kept: of ten years, each takes some 0.2 MB.
const MOST_SUMS: usize = 8;

/// The latest few answers that follow from days that are over.
struct Kept<K, T> {
    most: usize,
    /// The newest last.
    answers: Mutex<Vec<(K, Head, Arc<T>)>>,
}

impl<K: PartialEq, T> Kept<K, T> {
    fn new(most: usize) -> Self {
        Kept { most, answers: Mutex::default() }
    }

    /// The answer kept under `key` since `head`; or the one kept since an earlier head, as `go_on` has brought it up to this
    /// one; or the one that `find` gives. It is then kept. Without a head nothing is known of the days, and nothing is kept.
    fn get<E>(
        &self,
        key: K,
        head: Option<Head>,
        go_on: impl FnOnce(&Head, &T) -> Result<Option<T>, E>,
        find: impl FnOnce() -> Result<T, E>,
    ) -> Result<Arc<T>, E> {
        let (Some(head), Ok(mut answers)) = (head, self.answers.lock()) else { return find().map(Arc::new) };
        let further = match answers.iter().find(|(k, ..)| *k == key) {
            Some((_, since, answer)) if *since == head => return Ok(answer.clone()),
            Some((_, since, answer)) => go_on(since, answer)?,
            None => None,
        };
        let answer = Arc::new(further.map_or_else(find, Ok)?);
        self.put(&mut answers, key, head, answer.clone());
        Ok(answer)
    }

    fn put(&self, answers: &mut Vec<(K, Head, Arc<T>)>, key: K, head: Head, answer: Arc<T>) {
        answers.retain(|(k, ..)| *k != key);
        if answers.len() >= self.most {
            answers.remove(0);
        }
        answers.push((key, head, answer));
    }

    /// Keeps an answer that holds since `head`.
    fn keep(&self, key: K, head: Head, answer: T) {
        if let Ok(mut answers) = self.answers.lock() {
            self.put(&mut answers, key, head, Arc::new(answer));
        }
    }

    fn count(&self) -> usize {
        self.answers.lock().map_or(0, |answers| answers.len())
    }

    /// Whether an answer is kept that will do.
    fn has(&self, key: &K, will_do: impl Fn(&T) -> bool) -> bool {
        self.answers.lock().is_ok_and(|answers| answers.iter().any(|(k, _, answer)| k == key && will_do(answer)))
    }
}

impl Stored {
    /// The store in `directory`; nothing is read yet.
    pub fn new(directory: PathBuf) -> Self {
        Stored {
            directory,
            // A person tries several changes on the same record, and orders of the same lifts.
            sums: Kept::new(MOST_SUMS),
            days: Kept::new(MOST_DAYS),
            counted: Kept::new(64),
            first: Kept::new(4),
            prepared: Kept::new(MOST_PREPARED),
        }
    }

    // In all that follows the head is read first: a day that closes after it is then read again the next time.

    /// How many lifts of a mechanism there are.
    fn all_lifts(&self, reader: &Reader, mechanism: &str) -> Result<u64, StoreError> {
        let head = reader.chain_head(mechanism)?;
        let Some(to_day) = reader.last_closed_day(mechanism)? else {
            return reader.lift_count(&LiftFilter { mechanism: Some(mechanism), ..LiftFilter::default() });
        };
        let go_on = |since: &Head, past: &Past<u64>| {
            if !reader.days_stand(mechanism, since, past.to_day)? {
                return Ok(None);
            }
            let more = reader.lift_count_after(mechanism, past.to_day, to_day)?;
            Ok(Some(Past { to_day, what: past.what + more }))
        };
        let past = self.counted.get(mechanism.to_owned(), head, go_on, || {
            let (all, after) = reader.lift_counts(mechanism, to_day)?;
            Ok::<_, StoreError>(Past { to_day, what: all - after })
        })?;
        Ok(past.what + reader.lift_count_after(mechanism, past.to_day, i32::MAX)?)
    }

    /// The days `from ..= to` of a mechanism, in short.
    fn all_days(&self, reader: &Reader, mechanism: &str, from: i32, to: i32) -> Result<Vec<DayInShort>, StoreError> {
        let head = reader.chain_head(mechanism)?;
        let Some(to_day) = reader.last_closed_day(mechanism)? else {
            return reader.days_in_short(mechanism, from, to);
        };
        let go_on = |since: &Head, past: &Past<Vec<DayInShort>>| {
            if !reader.days_stand(mechanism, since, past.to_day)? {
                return Ok(None);
            }
            let more = reader.days_in_short(mechanism, past.to_day.saturating_add(1), to_day)?;
            Ok(Some(Past { to_day, what: past.what.iter().copied().chain(more).collect() }))
        };
        let past = self.days.get(mechanism.to_owned(), head, go_on, || {
            let days = reader.days_in_short(mechanism, i32::MIN, to_day)?;
            Ok::<_, StoreError>(Past { to_day, what: days })
        })?;
        let wanted = |day: &&DayInShort| (from..=to).contains(&day.day);
        let mut days: Vec<DayInShort> = past.what.iter().filter(wanted).copied().collect();
        days.extend(reader.days_in_short(mechanism, from.max(past.to_day.saturating_add(1)), to)?);
        Ok(days)
    }

    /// A page of lifts in an order other than that of the table.
    fn in_order(&self, reader: &Reader, mechanism: &str, asked: &LiftsAsked) -> Result<LiftsFound, StoreError> {
        let filter = LiftFilter {
            mechanism: Some(mechanism),
            from: asked.from,
            to: asked.to,
            least: asked.least,
            most: asked.most,
            overload: asked.overload,
            ..LiftFilter::default()
        };
        let wanted = asked.offset.saturating_add(asked.limit);
        let head = reader.chain_head(mechanism)?;
        let first = match reader.last_closed_day(mechanism)?.filter(|_| wanted <= PLACES_KEPT) {
            None => {
                let mut first = First::new(wanted);
                reader.each_lift_in_short(&filter, |_, lift| first.meet(asked.place(lift)))?;
                first
            }
            Some(to_day) => {
                let key = (mechanism.to_owned(), asked.question());
                let will_do = |past: &Past<First>| past.what.wanted() >= wanted;
                let kept = if self.prepared.has(&key, will_do) { &self.prepared } else { &self.first };
                let go_on = |since: &Head, past: &Past<First>| {
                    if !reader.days_stand(mechanism, since, past.to_day)? {
                        return Ok(None);
                    }
                    let mut first = past.what.clone();
                    reader.each_lift_after(&filter, past.to_day, to_day, |lift| first.meet(asked.place(lift)))?;
                    first.shrink();
                    Ok(Some(Past { to_day, what: first }))
                };
                let past = kept.get(key, head, go_on, || {
                    let mut first = First::new(PLACES_KEPT);
                    reader.each_lift_in_short(&filter, |day, lift| {
                        if day.is_none_or(|day| day <= to_day) {
                            first.meet(asked.place(lift));
                        }
                    })?;
                    first.shrink();
                    Ok::<_, StoreError>(Past { to_day, what: first })
                })?;
                let mut first = past.what.clone();
                reader.each_lift_after(&filter, past.to_day, i32::MAX, |lift| first.meet(asked.place(lift)))?;
                first
            }
        };
        let total = first.met;
        let page = first.in_order().into_iter().skip(asked.offset).take(asked.limit);
        let whole = page.map(|place| reader.lift_at(mechanism, asked.begin_of(place)));
        // One that was given up for room since then is left out.
        let lifts: Result<Vec<Option<Lift>>, StoreError> = whole.collect();
        Ok(LiftsFound { total, lifts: lifts?.into_iter().flatten().collect() })
    }

    /// The load sums of the days of a mechanism, first and last, added to those that were asked for before.
    fn load_sums(&self, reader: &Reader, id: &str, (from, to): (i32, i32)) -> Result<Arc<LoadSums>, StoreError> {
        let head = reader.chain_head(id)?;
        let go_on = |since: &Head, sums: &LoadSums| {
            let last = sums.days.last().map(|day| day.day);
            let Some(last) = last.filter(|last| reader.days_stand(id, since, *last).is_ok_and(|stand| stand)) else {
                return Ok(None);
            };
            let mut sums = sums.clone();
            sums.add(reader.load_sums(id, last.saturating_add(1), to)?);
            Ok(Some(sums))
        };
        self.sums.get((id.to_owned(), from, to), head, go_on, || reader.load_sums(id, from, to))
    }

    /// Walks through all lifts once for all these questions.
    fn find_first(&self, reader: &Reader, mechanism: &str, questions: &[LiftsAsked]) -> Result<(), StoreError> {
        let Some(head) = reader.chain_head(mechanism)? else { return Ok(()) };
        let Some(to_day) = reader.last_closed_day(mechanism)? else { return Ok(()) };
        let mut firsts: Vec<First> = questions.iter().map(|asked| First::new(asked.limit)).collect();
        let mut count = 0;
        reader.each_lift_in_short(
            &LiftFilter { mechanism: Some(mechanism), ..LiftFilter::default() },
            |day, lift| {
                if day.is_some_and(|day| day > to_day) {
                    return;
                }
                count += 1;
                for (asked, first) in questions.iter().zip(&mut firsts) {
                    if asked.from.is_none_or(|from| lift.0 >= from) && asked.to.is_none_or(|to| lift.0 < to) {
                        first.meet(asked.place(lift));
                    }
                }
            },
        )?;
        self.counted.keep(mechanism.to_owned(), head.clone(), Past { to_day, what: count });
        for (asked, mut first) in questions.iter().zip(firsts) {
            first.shrink();
            self.prepared.keep((mechanism.to_owned(), asked.question()), head.clone(), Past { to_day, what: first });
        }
        Ok(())
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

    fn days_in_short(&self, mechanism: &str, from: i32, to: i32) -> Result<Vec<DayInShort>, String> {
        self.all_days(&self.reader()?, mechanism, from, to).map_err(|error| error.to_string())
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
        self.in_order(&reader, mechanism, asked).map_err(|error| error.to_string())
    }

    fn days_of_work(
        &self,
        mechanism: &str,
        from: i32,
        to: i32,
        loads: Option<&mut dyn FnMut(Grams, u64)>,
    ) -> Result<Vec<WorkDay>, String> {
        self.reader()?.days_of_work(mechanism, from, to, loads).map_err(|error| error.to_string())
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
        let sums = self.load_sums(&ledger.reader, &asked.mechanism, asked.days).map_err(Failure::run)?;
        whatif::answer_from(&ledger, asked, &sums)
    }

    fn prepare(&self, mechanism: &str, questions: &[LiftsAsked]) -> Result<(), String> {
        let reader = self.reader()?;
        self.find_first(&reader, mechanism, questions).map_err(|error| error.to_string())?;
        // What the course of the life used is drawn from; one place is left for who looks at another mechanism.
        if self.days.count() < MOST_DAYS - 1 {
            self.all_days(&reader, mechanism, i32::MAX, i32::MAX).map_err(|error| error.to_string())?;
        }
        // What a what-if rests on when it asks for no days; one place is left for other days.
        if self.sums.count() < MOST_SUMS - 1 {
            self.load_sums(&reader, mechanism, (i32::MIN, i32::MAX)).map_err(|error| error.to_string())?;
        }
        Ok(())
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
            uncertainty: None,
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
