//! What the page asks of the ledger's history: a port, so that the page does not know the store and tests need none.

use std::collections::BTreeMap;

use tallyhook_analysis::account::{DayRecord, HourSums};
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::recorder::Gap;
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::{Grams, MS_PER_HOUR, Timestamp};

use super::warnings::Wanted;
use crate::commands::whatif::{Asked, WhatifFigures};
use crate::exit::Failure;
use crate::store::alarm::{Act, ActError, Alarm, Done};
use crate::store::message::{Message, MessageKind};
use crate::store::service::{Service, StoredService};
use crate::store::{DayInShort, InShort, WorkDay};

/// What lifts are put in order by.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum LiftOrder {
    /// Their beginning.
    #[default]
    Begin,
    /// Their settled load.
    Load,
    /// The running time with the load on the hook.
    Running,
    /// What they cost of the life: [`cost_hours`].
    Cost,
}

/// Which lifts are asked for, in which order, and which page of them.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct LiftsAsked {
    /// That began then or later.
    pub from: Option<Timestamp>,
    /// That began before then.
    pub to: Option<Timestamp>,
    /// With this settled load or more.
    pub least: Option<Grams>,
    /// With this settled load or less.
    pub most: Option<Grams>,
    /// Only those above the rated load.
    pub overload: bool,
    /// The order.
    pub order: LiftOrder,
    /// The least (the oldest) first.
    pub rising: bool,
    /// Without the first so many.
    pub offset: usize,
    /// At most so many.
    pub limit: usize,
    /// Rated load and dead load, which costs are reckoned with.
    pub base: Grams,
    /// Dead load.
    pub dead: Grams,
}

impl LiftsAsked {
    /// Whether a lift is among them; its beginning is looked at elsewhere.
    pub fn wants(&self, lift: &Lift) -> bool {
        self.least.is_none_or(|least| lift.load >= least)
            && self.most.is_none_or(|most| lift.load <= most)
            && (lift.overload || !self.overload)
    }

    /// The question whatever the page: two pages of one order have the same.
    pub fn question(&self) -> LiftsAsked {
        LiftsAsked { offset: 0, limit: 0, ..*self }
    }

    /// Whether nothing but the beginning matters, so that the store can page by its key.
    pub fn by_beginning_alone(&self) -> bool {
        self.order == LiftOrder::Begin && self.least.is_none() && self.most.is_none() && !self.overload
    }

    /// The page asked for out of all lifts that are wanted.
    pub fn page(&self, mut wanted: Vec<Lift>) -> LiftsFound {
        let total = wanted.len() as u64;
        match self.order {
            LiftOrder::Begin => wanted.sort_by_key(|l| l.begin),
            LiftOrder::Load => wanted.sort_by_key(|l| (l.load, l.begin)),
            LiftOrder::Running => wanted.sort_by_key(|l| (l.running_ms, l.begin)),
            LiftOrder::Cost => wanted.sort_by(|a, b| {
                let cost = |l: &Lift| cost_hours(l, self.base, self.dead);
                cost(a).total_cmp(&cost(b)).then(a.begin.cmp(&b.begin))
            }),
        }
        if !self.rising {
            wanted.reverse();
        }
        LiftsFound { total, lifts: wanted.into_iter().skip(self.offset).take(self.limit).collect() }
    }
}

/// The place of a lift in an order: by what is asked for, then by its beginning; the first has the least.
pub type Place = (i64, i64);

impl LiftsAsked {
    /// Where a lift stands in the order asked for.
    pub fn place(&self, (begin, load, running_ms): InShort) -> Place {
        let by = match self.order {
            LiftOrder::Begin => 0,
            LiftOrder::Load => load.get(),
            LiftOrder::Running => i64::try_from(running_ms).unwrap_or(i64::MAX),
            LiftOrder::Cost => {
                // Whole numbers in the order of `f64::total_cmp`.
                let bits = cost_of(load, running_ms, self.base, self.dead).to_bits() as i64;
                bits ^ (((bits >> 63) as u64) >> 1) as i64
            }
        };
        // `!` turns the order of whole numbers round.
        if self.rising { (by, begin.as_ms()) } else { (!by, !begin.as_ms()) }
    }

    /// The beginning of a lift by its place.
    pub fn begin_of(&self, (_, begin): Place) -> Timestamp {
        Timestamp::from_ms(if self.rising { begin } else { !begin })
    }
}

/// The first few of many places, met in any order, without holding them all.
#[derive(Clone)]
pub struct First {
    wanted: usize,
    places: Vec<Place>,
    /// Nothing from here on is among the first any more.
    bound: Option<Place>,
    /// How many were met.
    pub met: u64,
}

impl First {
    /// The first `wanted` of what will be met.
    pub fn new(wanted: usize) -> Self {
        First { wanted, places: Vec::new(), bound: None, met: 0 }
    }

    /// Meets one.
    pub fn meet(&mut self, place: Place) {
        self.met += 1;
        if self.bound.is_some_and(|bound| place >= bound) || self.wanted == 0 {
            return;
        }
        self.places.push(place);
        if self.places.len() >= self.wanted.saturating_mul(2).max(64) && self.places.len() > self.wanted {
            // Half of what is held can go; the last of what stays is the bound.
            let (_, last, _) = self.places.select_nth_unstable(self.wanted - 1);
            self.bound = Some(*last);
            self.places.truncate(self.wanted);
        }
    }

    /// How many of the first it can tell.
    pub fn wanted(&self) -> usize {
        self.wanted
    }

    /// Gives back the room for what is not among the first.
    pub fn shrink(&mut self) {
        self.places.sort_unstable();
        self.places.truncate(self.wanted);
        if self.places.len() == self.wanted {
            self.bound = self.places.last().copied();
        }
        self.places.shrink_to_fit();
    }

    /// The first ones in their order.
    pub fn in_order(mut self) -> Vec<Place> {
        self.places.sort_unstable();
        self.places.truncate(self.wanted);
        self.places
    }
}

/// A page of lifts.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct LiftsFound {
    /// How many there are in all.
    pub total: u64,
    /// Those of the page.
    pub lifts: Vec<Lift>,
}

/// Full-load hours of a lift: (settled load with dead load over the base)³ times its running time with the load on the
/// hook. The way back with an empty hook is not in it.
pub fn cost_hours(lift: &Lift, base: Grams, dead: Grams) -> f64 {
    cost_of(lift.load, lift.running_ms, base, dead)
}

fn cost_of(load: Grams, running_ms: u64, base: Grams, dead: Grams) -> f64 {
    Grams::new(load.get() + dead.get()).fraction_of(base).powi(3) * running_ms as f64 / MS_PER_HOUR as f64
}

/// A warning with what people did to it.
pub type Known = (Alarm, Vec<Done>);

/// The history of a site. Calls may block; the page makes them on a thread of its own. An error is a sentence that
/// says what failed; it is logged and the view says that its history cannot be read.
pub trait History: Send + Sync {
    /// The newest lifts of a mechanism that began before `before` (all when `None`), newest first, at most `limit`.
    fn lifts(&self, mechanism: &str, limit: usize, before: Option<Timestamp>) -> Result<Vec<Lift>, String>;

    /// The sums of each day from `from` to `to`, both included, oldest first; days without a row are left out. A day
    /// is days since 1970-01-01 in the site's calendar; the day that is still open is among them.
    fn days(&self, mechanism: &str, from: i32, to: i32) -> Result<Vec<(i32, Totals)>, String>;

    /// What a course needs of each of these days, with S at its end where that is kept.
    fn days_in_short(&self, mechanism: &str, from: i32, to: i32) -> Result<Vec<DayInShort>, String>;

    /// The newest gaps of a mechanism, newest first, at most `limit`.
    fn gaps(&self, mechanism: &str, limit: usize) -> Result<Vec<Gap>, String>;

    /// The newest messages of a mechanism of these kinds, newest first, at most `limit`.
    fn messages(&self, mechanism: &str, kinds: &[MessageKind], limit: usize) -> Result<Vec<Message>, String>;

    /// A page of the lifts that are asked for.
    fn find_lifts(&self, mechanism: &str, asked: &LiftsAsked) -> Result<LiftsFound, String>;

    /// The days from `from` to `to`, both included, that are over, oldest first. `loads` is called with the running
    /// milliseconds by load of each, in the days' order and the loads'; with it, S at a day's end may be left out.
    fn days_of_work(
        &self,
        mechanism: &str,
        from: i32,
        to: i32,
        loads: Option<&mut dyn FnMut(Grams, u64)>,
    ) -> Result<Vec<WorkDay>, String>;

    /// The hours that began in `[from, to)` and had something in them, oldest first.
    fn hours(&self, mechanism: &str, from: Option<Timestamp>, to: Option<Timestamp>) -> Result<Vec<HourSums>, String>;

    /// The services of a mechanism, oldest first.
    fn services(&self, mechanism: &str) -> Result<Vec<StoredService>, String>;

    /// Records a service; gives its number.
    fn record_service(&self, service: &Service) -> Result<u64, String>;

    /// The warnings of a mechanism with what people did to each, newest first.
    fn alarms(&self, mechanism: &str) -> Result<Vec<Known>, String>;

    /// Does something to a warning. The sentence is for the reader.
    fn act(&self, wanted: &Wanted) -> Result<Alarm, ActError>;

    /// What would follow from a change. The failure's sentence is for the reader.
    fn what_if(&self, asked: &Asked) -> Result<WhatifFigures, Failure>;

    /// Looks beforehand for what these questions, and a what-if on the whole record, will need of days that are over, so that
    /// the first look at years takes no longer than the next one. May take seconds, and may do nothing.
    fn prepare(&self, _mechanism: &str, _questions: &[LiftsAsked]) -> Result<(), String> {
        Ok(())
    }
}

/// A history that is held in memory.
#[derive(Clone, Debug, Default)]
pub struct InMemory {
    /// Lifts by mechanism, any order.
    pub lifts: BTreeMap<String, Vec<Lift>>,
    /// Days by mechanism.
    pub days: BTreeMap<String, BTreeMap<i32, Totals>>,
    /// S at the end of days, by mechanism.
    pub used: BTreeMap<String, BTreeMap<i32, f64>>,
    /// Gaps by mechanism, any order.
    pub gaps: BTreeMap<String, Vec<Gap>>,
    /// Messages, any order.
    pub messages: Vec<Message>,
    /// Day records by mechanism, oldest first.
    pub records: BTreeMap<String, Vec<DayRecord>>,
    /// Hours by mechanism, oldest first.
    pub hours: BTreeMap<String, Vec<HourSums>>,
    /// Services of all mechanisms.
    pub services: std::sync::Arc<std::sync::Mutex<Vec<StoredService>>>,
    /// Warnings of all mechanisms.
    pub alarms: std::sync::Arc<std::sync::Mutex<Vec<Known>>>,
    /// The answer to every what-if.
    pub answer: Option<WhatifFigures>,
}

impl History for InMemory {
    fn lifts(&self, mechanism: &str, limit: usize, before: Option<Timestamp>) -> Result<Vec<Lift>, String> {
        let mut lifts = self.lifts.get(mechanism).cloned().unwrap_or_default();
        lifts.retain(|l| before.is_none_or(|b| l.begin < b));
        lifts.sort_by_key(|l| std::cmp::Reverse(l.begin));
        lifts.truncate(limit);
        Ok(lifts)
    }

    fn days(&self, mechanism: &str, from: i32, to: i32) -> Result<Vec<(i32, Totals)>, String> {
        if from > to {
            return Ok(Vec::new());
        }
        let days = self.days.get(mechanism);
        Ok(days.map(|d| d.range(from..=to).map(|(day, t)| (*day, t.clone())).collect()).unwrap_or_default())
    }

    fn days_in_short(&self, mechanism: &str, from: i32, to: i32) -> Result<Vec<DayInShort>, String> {
        let used = |day: i32| self.used.get(mechanism).and_then(|used| used.get(&day)).copied();
        Ok(self.days(mechanism, from, to)?.iter().map(|(day, sums)| DayInShort::of(*day, sums, used(*day))).collect())
    }

    fn gaps(&self, mechanism: &str, limit: usize) -> Result<Vec<Gap>, String> {
        let mut gaps = self.gaps.get(mechanism).cloned().unwrap_or_default();
        gaps.sort_by_key(|g| std::cmp::Reverse(g.begin));
        gaps.truncate(limit);
        Ok(gaps)
    }

    fn messages(&self, mechanism: &str, kinds: &[MessageKind], limit: usize) -> Result<Vec<Message>, String> {
        let mine = |m: &&Message| m.mechanism == mechanism && kinds.contains(&m.kind);
        let mut messages: Vec<Message> = self.messages.iter().filter(mine).cloned().collect();
        messages.sort_by_key(|m| std::cmp::Reverse(m.at));
        messages.truncate(limit);
        Ok(messages)
    }

    fn find_lifts(&self, mechanism: &str, asked: &LiftsAsked) -> Result<LiftsFound, String> {
        let mut lifts = self.lifts.get(mechanism).cloned().unwrap_or_default();
        lifts.retain(|l| asked.from.is_none_or(|f| l.begin >= f) && asked.to.is_none_or(|t| l.begin < t));
        lifts.retain(|l| asked.wants(l));
        Ok(asked.page(lifts))
    }

    fn days_of_work(
        &self,
        mechanism: &str,
        from: i32,
        to: i32,
        mut loads: Option<&mut dyn FnMut(Grams, u64)>,
    ) -> Result<Vec<WorkDay>, String> {
        let records = self.records.get(mechanism).into_iter().flatten().filter(|r| (from..=to).contains(&r.day));
        let day = |r: &DayRecord| {
            if let Some(loads) = &mut loads {
                r.running.loads().for_each(|(load, ms)| loads(load, ms));
            }
            let sums = DayInShort::of(r.day, &r.totals, Some(r.used_full_load_hours));
            WorkDay { sums, duty: r.duty.clone() }
        };
        Ok(records.map(day).collect())
    }

    fn hours(&self, mechanism: &str, from: Option<Timestamp>, to: Option<Timestamp>) -> Result<Vec<HourSums>, String> {
        let mut hours = self.hours.get(mechanism).cloned().unwrap_or_default();
        hours.retain(|h| from.is_none_or(|f| h.begin >= f) && to.is_none_or(|t| h.begin < t));
        Ok(hours)
    }

    fn services(&self, mechanism: &str) -> Result<Vec<StoredService>, String> {
        let services = self.services.lock().map_err(|_| "a thread broke off".to_owned())?;
        Ok(services.iter().filter(|s| s.service.mechanism == mechanism).cloned().collect())
    }

    fn record_service(&self, service: &Service) -> Result<u64, String> {
        let mut services = self.services.lock().map_err(|_| "a thread broke off".to_owned())?;
        let seq = services.len() as u64 + 1;
        services.push(StoredService { seq, service: service.clone(), taken: None });
        Ok(seq)
    }

    fn alarms(&self, mechanism: &str) -> Result<Vec<Known>, String> {
        let alarms = self.alarms.lock().map_err(|_| "a thread broke off".to_owned())?;
        Ok(alarms.iter().filter(|(alarm, _)| alarm.mechanism == mechanism).cloned().collect())
    }

    fn act(&self, wanted: &Wanted) -> Result<Alarm, ActError> {
        let mut alarms = self.alarms.lock().map_err(|_| ActError::Unknown(wanted.number))?;
        let found = alarms.iter_mut().find(|(alarm, _)| alarm.seq == wanted.number);
        let (alarm, acts) = found.ok_or(ActError::Unknown(wanted.number))?;
        match &wanted.act {
            Act::Acknowledge => alarm.acknowledged = Some((wanted.at, wanted.by.clone())),
            Act::Shelve(until) => alarm.shelved = Some((*until, wanted.by.clone())),
            Act::Unshelve => alarm.shelved = None,
            Act::Note => {}
        }
        let act = wanted.act.name().to_owned();
        acts.push(Done { at_ms: wanted.at.as_ms(), act, by: wanted.by.clone(), note: wanted.note.clone() });
        Ok(alarm.clone())
    }

    fn what_if(&self, _: &Asked) -> Result<WhatifFigures, Failure> {
        self.answer.clone().ok_or_else(|| Failure::Usage("no day of the record is over".to_owned()))
    }
}
