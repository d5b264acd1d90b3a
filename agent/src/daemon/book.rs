//! The book of one mechanism: its account, the watched levels, and what has followed since the last commit.
//!
//! `run` and `replay` keep the same book; only `run` stores it.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::sync::Arc;

use serde_json::json;
use tallyhook_analysis::account::{Account, CounterKind, DayRecord, Entry, HourSums, State, Terms};
use tallyhook_analysis::batch::Batch;
use tallyhook_analysis::counter::Note;
use tallyhook_analysis::forecast::{Outlook, Question, forecast};
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::period::Ledger;
use tallyhook_analysis::recorder::{Calendar, Day, Event, Gap, Utc};
use tallyhook_analysis::sample::{Flag, Sample};
use tallyhook_analysis::units::{MS_PER_HOUR, Span, Timestamp};
use tallyhook_analysis::watch::{Crossing, LevelWatch};
use tallyhook_config::model::{Crane, Mechanism};

use super::{load_health, reckoning};
use crate::drive::{DriveReading, Silence};
use crate::figures::{self, Record};
use crate::store::message::{Message, MessageKind};
use crate::store::service::{StoredService, Work};
use crate::store::thin::Thinned;
use crate::store::{BookedLift, Closing, DaySum, MechanismCommit, Reckoning};

/// Where a book was left: the account's state, and how many levels of each watch were crossed, with the highest of them
/// as `NAME:LEVEL`.
pub type Left = (State, BTreeMap<String, usize>);

/// The site's calendar: days close at its local midnight.
#[derive(Clone, Debug)]
pub struct SiteCalendar(pub jiff::tz::TimeZone);

impl Calendar for SiteCalendar {
    fn day(&self, at: Timestamp) -> Day {
        let local = || -> Result<Day, jiff::Error> {
            let local = jiff::Timestamp::from_millisecond(at.as_ms())?.to_zoned_datetime(self.0.clone());
            let tomorrow = local.date().tomorrow()?.to_zoned_datetime(self.0.clone())?;
            let number = figures::day_number(local.date());
            let ends = Timestamp::from_ms(tomorrow.timestamp().as_millisecond());
            Ok(Day { number, ends })
        };
        // A date beyond the calendar's ends has no local midnight; the days of UTC go on for ever.
        local().unwrap_or_else(|_| Utc.day(at))
    }
}

/// The book of one mechanism.
pub struct Book {
    crane: String,
    mechanism: Mechanism,
    calendar: SiteCalendar,
    reckoning: Arc<Reckoning>,
    anchor: Option<String>,
    thinned: Thinned,
    account: Account,
    used_share: LevelWatch,
    starts: LevelWatch,
    parts: BTreeMap<String, LevelWatch>,
    /// Starts counted, and when, at the last look at the sliding hour.
    starts_looked: (u64, Timestamp),
    pending: Pending,
    /// The last sample was one of a run: when it was.
    ran: Option<Timestamp>,
    /// Something has followed since the figures were made, beyond time at a standstill.
    stirred: bool,
    /// Days that have closed, by number: no more of each than the forecast asks for, since ten years of them stay in memory.
    history: BTreeMap<i32, DaySum>,
    forecast: RefCell<Option<Made>>,
}

/// A forecast, and what it holds for.
struct Made {
    /// The day it was made on.
    day: i32,
    /// Gaps of the days before of which S had still to hear.
    owed_ms: u64,
    forecast: Option<figures::Forecast>,
}

/// What has followed since the last commit that went through.
#[derive(Default)]
struct Pending {
    lifts: Vec<BookedLift>,
    gaps: Vec<Gap>,
    closed: Vec<Closing>,
    hours: Vec<HourSums>,
    flags: Vec<(Flag, Timestamp)>,
    services: Vec<u64>,
    reminded: Vec<u64>,
    messages: Vec<Message>,
    clock: Vec<serde_json::Value>,
    moved: bool,
    /// How long it has run since the last commit, as far as samples came.
    ran: Span,
}

const USED_SHARE: &str = "used_share";
const STARTS: &str = "starts_per_hour";
/// Before the name of a wearing part.
const PART: &str = "part:";

/// Shares of a wearing part's limit at which people are told: nearly due, and due. Common practice, no source.
const PART_LEVELS: [f64; 2] = [0.9, 1.0];

/// The sliding hour is looked at with each start, and at least this often, so that its end is seen too.
const STARTS_LOOK: Span = Span::from_ms(60_000);

/// The same draws at every look, so that a forecast does not tremble.
const FORECAST_SEED: u64 = 9755;

/// A watch as the last commit left it.
fn left_watch(crossed: &BTreeMap<String, usize>, name: &str, levels: &[f64], hysteresis: f64) -> LevelWatch {
    let watch = LevelWatch::new(levels, hysteresis, crossed.get(name).copied().unwrap_or(0));
    let level = |key: &String| key.strip_prefix(name)?.strip_prefix(':')?.parse::<f64>().ok();
    // A book of before the level was kept has the count alone.
    match crossed.keys().filter_map(level).max_by(f64::total_cmp) {
        Some(highest) => watch.left_at(highest),
        None => watch,
    }
}

impl Book {
    /// Opens the book, from where it was left or empty.
    pub fn open(crane: &Crane, mechanism: &Mechanism, calendar: SiteCalendar, left: Option<Left>) -> Self {
        Self::open_with(crane, mechanism, calendar, left, |_| {})
    }

    /// As [`Book::open`], with the terms of the configuration changed.
    pub fn open_with(
        crane: &Crane,
        mechanism: &Mechanism,
        calendar: SiteCalendar,
        left: Option<Left>,
        change: impl FnOnce(&mut Terms),
    ) -> Self {
        let mut terms = mechanism.terms();
        change(&mut terms);
        let (state, crossed) = left.unwrap_or_default();
        let warn = &mechanism.warn;
        let parts = mechanism.parts.iter().map(|(name, _)| {
            let key = format!("{PART}{name}");
            (name.clone(), left_watch(&crossed, &key, &PART_LEVELS, 0.0))
        });
        let mut account = Account::resume(mechanism.spec.clone(), terms, state);
        if let Some(day) = account.recorder().open_day().map(|open| open.day.number) {
            account.fit_parts(day);
        }
        Book {
            crane: crane.id.clone(),
            used_share: left_watch(&crossed, USED_SHARE, &warn.used_share, warn.used_share_hysteresis),
            starts: left_watch(
                &crossed,
                STARTS,
                &warn.starts_per_hour,
                warn.starts_per_hour.first().map_or(0.0, |level| 0.1 * level),
            ),
            parts: parts.collect(),
            starts_looked: (0, Timestamp::from_ms(0)),
            account,
            reckoning: Arc::new(reckoning::of(crane, mechanism)),
            anchor: None,
            thinned: Thinned::default(),
            mechanism: mechanism.clone(),
            calendar,
            pending: Pending::default(),
            ran: None,
            stirred: true,
            history: BTreeMap::new(),
            forecast: RefCell::default(),
        }
    }

    /// The mechanism's identifier.
    pub fn id(&self) -> &str {
        &self.mechanism.id
    }

    /// Up to where time has been counted; `None` before the first sample.
    pub fn counted_to(&self) -> Option<Timestamp> {
        let recorder = self.account.recorder();
        recorder.began_at().map(|_| recorder.counted_to())
    }

    /// The account as it stands.
    pub fn account(&self) -> &Account {
        &self.account
    }

    /// What the mechanism is known to have done.
    pub fn record(&self) -> Record {
        Record { anchor: self.anchor.clone(), thinned: self.thinned, ..Record::of(&self.account, self.forecast()) }
    }

    /// Whether more than time at a standstill has been counted, or something else is known, since this was asked last.
    pub const fn has_stirred(&mut self) -> bool {
        std::mem::replace(&mut self.stirred, false)
    }

    /// Takes the next sample.
    pub fn take(&mut self, sample: &Sample) {
        let spec = self.account.recorder().spec();
        let runs = sample.running_of(spec.has_raising, spec.has_lowering) == Some(true);
        // The sample that ends a run books its last stretch, which a rest of hours would otherwise leave uncommitted.
        let ran = std::mem::replace(&mut self.ran, runs.then_some(sample.at));
        self.pending.moved |= runs || ran.is_some();
        // A clock that was put back takes nothing away.
        let stretch = ran.map_or(0, |from| sample.at.as_ms().saturating_sub(from.as_ms()).max(0));
        self.pending.ran = self.pending.ran.plus(Span::from_ms(stretch));
        let (pending, crane, mechanism) = (&mut self.pending, &self.crane, &self.mechanism);
        let mut ended = false;
        let mut followed = runs || ran.is_some();
        let mut over = Vec::new();
        self.account.step(sample, &self.calendar, &mut |entry| {
            followed = true;
            ended |= matches!(entry, Entry::Day(_) | Entry::Lift { .. });
            match entry {
                Entry::Day(record) => over.push(*record),
                entry => pending.note(entry, sample.at, crane, mechanism),
            }
        });
        self.stirred |= followed;
        for record in over {
            pending.close_day(record, sample.at, self.account.ledger(), crane, mechanism);
        }
        if self.pending.moved || ended {
            self.watch_used_share(sample.at);
            self.watch_starts(sample.at);
        }
        if ended {
            self.watch_parts(sample.at);
        }
    }

    /// Takes samples in their order for their figures alone: nothing is kept to be stored or told.
    pub fn replay(&mut self, samples: &Batch) {
        self.stirred = true;
        let history = &mut self.history;
        self.account.step_batch(samples, &self.calendar, &mut |entry| {
            if let Entry::Day(record) = entry {
                history.insert(record.day, DaySum::of(record.day, &record.totals, Some(record.used_full_load_hours)));
            }
        });
    }

    /// The site's clock was put right; see [`Account::rebase`].
    pub fn rebase(&mut self, by: Span) {
        self.stirred = true;
        let at = self.account.recorder().counted_to();
        let (pending, crane, mechanism) = (&mut self.pending, &self.crane, &self.mechanism);
        self.account.rebase(by, &mut |entry| pending.note(entry, at, crane, mechanism));
    }

    /// Whether the record is longer than that, so that it began before a time-line of that age.
    pub fn is_older(&self, age: Span) -> bool {
        self.account.recorder().totals().span() > age
    }

    /// Whether the site's clock may still be behind, so that counters seem to run too fast; see [`Account::doubt_dates`].
    pub const fn doubt_dates(&mut self, behind: bool) {
        self.account.doubt_dates(behind);
    }

    /// Whether a service waits for the commit that marks it taken.
    pub fn has_taken(&self, service: u64) -> bool {
        self.pending.services.contains(&service)
    }

    /// Takes a recorded service. `now`: when.
    pub fn take_service(&mut self, stored: &StoredService, now: Timestamp) {
        self.stirred = true;
        let day = self.calendar.day(now).number;
        match &stored.service.work {
            Work::Period { by, design_full_load_hours } => {
                self.account.new_period(day, *by, *design_full_load_hours);
                self.watch_used_share(now);
            }
            Work::Part { name } => {
                // One that the configuration no longer has is kept as a note.
                self.account.renew(name, day);
                self.watch_parts(now);
            }
            Work::Note => {}
        }
        self.forecast.replace(None);
        self.pending.services.push(stored.seq);
    }

    /// Something is wrong with the record as a whole, or no longer.
    pub fn find(&mut self, finding: &str, raised: bool, at: Timestamp, text: &str) {
        let word = if raised { "raised" } else { "cleared" };
        let id = format!("{}:{finding}:{word}:{}", self.mechanism.id, at.as_ms());
        let body = json!({ "finding": finding, "text": text, "raised": raised });
        self.pending.say(&self.crane, &self.mechanism, MessageKind::Finding, id, at, body);
    }

    /// The site's clock disagreed: `moved` when the dates follow it. It becomes an entry of the chain.
    pub fn note_clock(&mut self, at: Timestamp, off: Span, moved: bool) {
        let what = if moved { "moved" } else { "not believed" };
        self.pending.clock.push(json!({ "at": figures::rfc3339(at), "off_ms": off.as_ms(), "clock": what }));
    }

    /// A drive of this mechanism has been silent for too long, or answers again.
    pub fn find_silence(&mut self, reading: &DriveReading, silence: Silence) {
        let (drive, at) = (&reading.drive, reading.at.wall);
        let (raised, text) = match silence {
            Silence::Found { lasts } => {
                let seconds = lasts.as_seconds();
                let lasts = match seconds {
                    s if s < 120.0 => format!("{s:.0} s"),
                    s if s < 7200.0 => format!("{:.0} min", s / 60.0),
                    s => format!("{:.1} h", s / 3600.0),
                };
                (true, format!("the drive `{drive}` has not answered for {lasts} ({})", reading.link))
            }
            Silence::Over => (false, format!("the drive `{drive}` answers again")),
        };
        let body = json!({
            "finding": "silence",
            "drive": &**drive,
            "state": reading.link.name(),
            "text": text,
            "raised": raised,
        });
        let word = if raised { "raised" } else { "cleared" };
        let id = format!("{}:silence:{drive}:{word}:{}", self.mechanism.id, at.as_ms());
        self.pending.say(&self.crane, &self.mechanism, MessageKind::Finding, id, at, body);
    }

    /// A new configuration was refused, or one was taken after that.
    pub fn find_configuration(&mut self, raised: bool, text: &str, at: Timestamp) {
        let body = json!({ "finding": "configuration", "text": text, "raised": raised });
        let word = if raised { "raised" } else { "cleared" };
        let id = format!("{}:configuration:{word}:{}", self.mechanism.id, at.as_ms());
        self.pending.say(&self.crane, &self.mechanism, MessageKind::Finding, id, at, body);
    }

    /// Reminds people of an alarm, once until the next commit.
    pub fn remind(&mut self, alarm: u64, message: Message) {
        if !self.pending.reminded.contains(&alarm) {
            self.pending.reminded.push(alarm);
            self.pending.messages.push(message);
        }
    }

    /// Whether a commit would have anything to write: something moved or followed since the last one. What there is to
    /// tell before the first sample waits for it.
    pub fn has_news(&self) -> bool {
        let p = &self.pending;
        let anything = p.moved || self.ends_something() || !p.flags.is_empty() || !p.hours.is_empty();
        anything && self.commits_at().is_some()
    }

    /// The instant that a commit would be of; `None` while there is nothing that one could be made of.
    fn commits_at(&self) -> Option<Timestamp> {
        let recorder = self.account.recorder();
        let of_a_service = || (!self.pending.services.is_empty()).then(|| recorder.counted_to());
        recorder.standing().map(|standing| standing.at).or_else(of_a_service)
    }

    /// How long the mechanism has run since the last commit: what a power cut would cost now.
    pub fn owed(&self) -> Span {
        self.pending.ran
    }

    /// Whether something has followed that is committed at once: a lift, a gap or a day has ended, a level was
    /// crossed, a service was taken.
    pub fn ends_something(&self) -> bool {
        let p = &self.pending;
        !(p.lifts.is_empty()
            && p.gaps.is_empty()
            && p.closed.is_empty()
            && p.clock.is_empty()
            && p.messages.is_empty()
            && p.services.is_empty())
    }

    /// What to write in one transaction. Until [`Book::committed`] is called it stays in the book, so that a full
    /// disk loses nothing. `None` before the first sample, unless a service waits.
    pub fn commit(&self) -> Option<MechanismCommit> {
        let p = &self.pending;
        let at = self.commits_at()?;
        let open = self.account.recorder().open_day();
        let mut warn_crossed: BTreeMap<String, usize> =
            self.parts.iter().map(|(name, watch)| (format!("{PART}{name}"), watch.crossed())).collect();
        for (name, watch) in [(USED_SHARE, &self.used_share), (STARTS, &self.starts)] {
            warn_crossed.insert(name.to_owned(), watch.crossed());
            warn_crossed.extend(watch.highest().map(|level| (format!("{name}:{level}"), 1)));
        }
        Some(MechanismCommit {
            mechanism: self.mechanism.id.clone(),
            at,
            state: self.account.state(),
            warn_crossed,
            lifts: p.lifts.clone(),
            gaps: p.gaps.clone(),
            days: open.map(|open| (open.day.number, open.totals.clone())).into_iter().collect(),
            closed: p.closed.clone(),
            reckoning: Some(self.reckoning.clone()),
            clock: p.clock.clone(),
            hours: p.hours.clone(),
            services: p.services.clone(),
            reminded: p.reminded.clone(),
            messages: p.messages.clone(),
            flags: p.flags.clone(),
        })
    }

    /// What the ledger has given up of it for room, to be shown.
    pub fn set_thinned(&mut self, thinned: Thinned) {
        self.stirred = true;
        self.thinned = thinned;
    }

    /// The last hash of its chain in the ledger.
    pub fn set_anchor(&mut self, anchor: String) {
        self.stirred = true;
        self.anchor = Some(anchor);
    }

    /// The last commit has gone through.
    pub fn committed(&mut self) {
        self.forget();
    }

    /// Lets go of what a commit would hold, but for the days; for `replay`, which keeps no store.
    pub fn forget(&mut self) {
        self.history.extend(self.pending.closed.drain(..).map(|c| {
            let DayRecord { day, ref totals, used_full_load_hours, .. } = c.record;
            (day, DaySum::of(day, totals, Some(used_full_load_hours)))
        }));
        self.pending = Pending::default();
    }

    /// Whether at least `count` days have closed since the last commit.
    pub fn has_closed_days(&self, count: usize) -> bool {
        self.pending.closed.len() >= count
    }

    /// Hands over the days that closed before this book was opened, from which the forecast is made.
    pub fn set_history(&mut self, days: Vec<DaySum>) {
        self.stirred = true;
        self.history = days.into_iter().map(|sum| (sum.day, sum)).collect();
        self.forecast.replace(None);
    }

    /// When S will reach D, by the days before the open one; `None` with too little record. The same through the
    /// whole day, so it is reckoned once a day, and again when a counter has told of the days before.
    fn forecast(&self) -> Option<figures::Forecast> {
        let open = self.account.recorder().open_day()?;
        let (day, owed_ms) = (open.day.number, self.account.gaps().owed_ms().saturating_sub(open.totals.gap_ms));
        let mut made = self.forecast.borrow_mut();
        if made.as_ref().is_none_or(|made| (made.day, made.owed_ms) != (day, owed_ms)) {
            *made = Some(Made { day, owed_ms, forecast: self.make_forecast(day) });
        }
        made.as_ref().and_then(|made| made.forecast.clone())
    }

    fn make_forecast(&self, today: i32) -> Option<figures::Forecast> {
        // Yesterday may not be committed yet.
        let closed = self.pending.closed.iter().map(|c| {
            let DayRecord { day, ref totals, used_full_load_hours, .. } = c.record;
            DaySum::of(day, totals, Some(used_full_load_hours))
        });
        let history = self.history.range(..today).map(|(_, sum)| *sum);
        let days = figures::day_uses(history.chain(closed), &self.account);
        let asked = Question {
            used: figures::used_before_today(&self.account),
            design: self.account.design_full_load_hours(),
            as_of: today,
            seed: FORECAST_SEED,
        };
        match forecast(&days, &asked).outlook() {
            Outlook::Band { p10, p50, p90 } => Some(figures::Forecast::of_days(p10, p50, p90)),
            Outlook::NotEnough { .. } | Outlook::AlreadyOver | Outlook::BeyondHorizon => None,
        }
    }

    fn watch_used_share(&mut self, at: Timestamp) {
        let share = self.account.used_share();
        let design = self.account.design_full_load_hours();
        let (pending, crane, mechanism) = (&mut self.pending, &self.crane, &self.mechanism);
        self.used_share.update(share, |Crossing { level, raised }| {
            let body = json!({
                "quantity": USED_SHARE,
                "level": level,
                "value": share,
                "raised": raised,
                "used_full_load_hours": share * design,
                "design_full_load_hours": design,
                "group": mechanism.group,
            });
            pending.warn(crane, mechanism, USED_SHARE, level, raised, at, body);
        });
    }

    fn watch_starts(&mut self, at: Timestamp) {
        // In the sliding hour when its first stretch is counted, one sample after its edge was seen: told of at its edge.
        let waits = u64::from(self.account.recorder().start_waits());
        let seen = self.account.wear().starts + waits;
        let (before, looked) = self.starts_looked;
        if self.mechanism.warn.starts_per_hour.is_empty() || seen == before && at.since(looked) < STARTS_LOOK {
            return;
        }
        self.starts_looked = (seen, at);
        let starts = self.account.duty().starts_of_the_last_hour() + waits;
        let (pending, crane, mechanism) = (&mut self.pending, &self.crane, &self.mechanism);
        self.starts.update(starts as f64, |Crossing { level, raised }| {
            let body = json!({"quantity": STARTS, "level": level, "value": starts, "raised": raised});
            pending.warn(crane, mechanism, STARTS, level, raised, at, body);
        });
    }

    fn watch_parts(&mut self, at: Timestamp) {
        let day = self.calendar.day(at).number;
        let base = self.account.budget_base();
        for part in self.account.parts() {
            let Some(watch) = self.parts.get_mut(&part.name) else { continue };
            let Some(first) = part.first(self.account.wear(), day, base) else { continue };
            let (pending, crane, mechanism) = (&mut self.pending, &self.crane, &self.mechanism);
            watch.update(first.share, |Crossing { level, raised }| {
                let limit = figures::LimitFigures::of(&first);
                let body = json!({
                    "quantity": "part",
                    "part": part.name,
                    "level": level,
                    "value": first.share,
                    "raised": raised,
                    "limit": limit.limit,
                    "used": limit.used,
                    "of": limit.of,
                });
                pending.warn(crane, mechanism, &format!("{PART}{}", part.name), level, raised, at, body);
            });
        }
    }
}

impl Pending {
    /// Books what follows from the sample of that instant.
    fn note(&mut self, entry: Entry, at: Timestamp, crane: &str, mechanism: &Mechanism) {
        match entry {
            Entry::Hour(hour) => self.hours.push(hour),
            // Closed with the ledger, which is whole when the step is.
            Entry::Day(_) => {}
            Entry::Lift { lift, day } => self.note_lift(lift, day, crane, mechanism),
            Entry::Health(note) => {
                let word = if note.raised { "raised" } else { "cleared" };
                let id = format!("{}:{}:{word}:{}", mechanism.id, note.finding.code(), at.as_ms());
                let body = load_health::body(&note, mechanism.spec.rated);
                self.say(crane, mechanism, MessageKind::Finding, id, at, body);
            }
            Entry::Counter { counter, note } => {
                let name = match counter {
                    CounterKind::Hours => "run_hours",
                    CounterKind::Starts => "starts",
                };
                let id = format!("{}:counter:{name}:{}", mechanism.id, at.as_ms());
                let body = json!({"finding": "counter", "counter": name, "note": note, "text": said(counter, &note)});
                self.say(crane, mechanism, MessageKind::Finding, id, at, body);
            }
            Entry::Recorder(event) => self.note_event(&event),
        }
    }

    fn note_event(&mut self, event: &Event) {
        match *event {
            Event::GapClosed(gap) => self.gaps.push(gap),
            Event::FlagRose { flag, at } => self.flags.push((flag, at)),
            // The account keeps the first three to itself.
            Event::Counted(_)
            | Event::DayClosed { .. }
            | Event::LiftEnded(..)
            | Event::LiftBegun { .. }
            | Event::GapOpened { .. }
            | Event::ClockWentBack { .. } => {}
        }
    }

    fn note_lift(&mut self, lift: Lift, day: i32, crane: &str, mechanism: &Mechanism) {
        let id = format!("{}:lift:{}", mechanism.id, lift.begin.as_ms());
        let body = serde_json::to_value(figures::LiftFigures::of(&lift, mechanism.spec.rated));
        self.say(crane, mechanism, MessageKind::Lift, id, lift.end, body.unwrap_or_default());
        if lift.overload && mechanism.warn.overload {
            let body = json!({
                "quantity": "overload",
                "load_kg": lift.load.as_kg(),
                "rated_load_kg": mechanism.spec.rated.as_kg(),
                "fraction": lift.load.fraction_of(mechanism.spec.rated),
                "begin": figures::rfc3339(lift.begin),
                "raised": true,
            });
            let id = format!("{}:overload:{}", mechanism.id, lift.begin.as_ms());
            self.say(crane, mechanism, MessageKind::Warning, id, lift.end, body);
        }
        self.lifts.push(BookedLift { lift, day: Some(day) });
    }

    fn close_day(&mut self, record: DayRecord, over: Timestamp, ledger: Ledger, crane: &str, mechanism: &Mechanism) {
        let base = mechanism.spec.base();
        let DayRecord { day, ref totals, ref duty, .. } = record;
        let body = json!({
            "day": figures::date_of(day),
            "running_hours": totals.running_hours(),
            "full_load_hours": totals.full_load_hours(base),
            "load_spectrum_factor": totals.load_spectrum_factor(base),
            "lifts": totals.lifts,
            "overload_lifts": totals.overload_lifts,
            "starts": totals.starts,
            "gap_hours": totals.gap_ms as f64 / MS_PER_HOUR as f64,
            "worst_starts_in_an_hour": duty.worst_starts.value,
            "worst_cyclic_duration_10min_percent": duty.ed_ten_minutes(),
            "worst_cyclic_duration_hour_percent": duty.ed_hour(),
        });
        let id = format!("{}:day:{day}", mechanism.id);
        let at = Timestamp::from_ms(i64::from(day) * 86_400_000);
        if totals.running_ms > 0 || totals.lifts > 0 {
            self.say(crane, mechanism, MessageKind::Day, id, at, body);
        }
        self.closed.push(Closing { record, over, ledger });
    }

    #[expect(clippy::too_many_arguments, reason = "a warning has that many parts, and one way out")]
    fn warn(
        &mut self,
        crane: &str,
        mechanism: &Mechanism,
        what: &str,
        level: f64,
        raised: bool,
        at: Timestamp,
        body: serde_json::Value,
    ) {
        let word = if raised { "raised" } else { "cleared" };
        let id = format!("{}:{what}:{level}:{word}:{}", mechanism.id, at.as_ms());
        self.say(crane, mechanism, MessageKind::Warning, id, at, body);
    }

    fn say(
        &mut self,
        crane: &str,
        mechanism: &Mechanism,
        kind: MessageKind,
        id: String,
        at: Timestamp,
        body: serde_json::Value,
    ) {
        let (crane, mechanism) = (crane.to_owned(), mechanism.id.clone());
        self.messages.push(Message { id, at, kind, crane, mechanism, body });
    }
}

/// A counter's note in plain words.
fn said(counter: CounterKind, note: &Note) -> String {
    let what = match counter {
        CounterKind::Hours => "hour counter",
        CounterKind::Starts => "start counter",
    };
    let value = |v: i64| match counter {
        CounterKind::Hours => format!("{:.2} h", v as f64 / MS_PER_HOUR as f64),
        CounterKind::Starts => format!("{v} starts"),
    };
    match note {
        Note::RolledOver { before, after } => format!(
            "The drive's {what} began at zero again ({} to {}); the step over its end was counted",
            value(before.value),
            value(after.value)
        ),
        Note::Replaced { before, after } => format!(
            "The drive's {what} fell from {} to {}: the drive was replaced or its counter reset; what ran meanwhile is \
             estimated",
            value(before.value),
            value(after.value)
        ),
        Note::TooFast { before, after } => format!(
            "The drive's {what} went from {} to {}, further than time allows; nothing of that step was counted. Check \
             its `scale`, `type` and word order",
            value(before.value),
            value(after.value)
        ),
        Note::Stuck { own, .. } => format!(
            "The drive's {what} stood still while {} were seen; gaps are estimated until it counts again",
            value(*own)
        ),
        Note::Disagrees { by, .. } => format!(
            "The drive's {what} counted {} {} than was seen that day; our own record stands. Check the run signals and \
             the counter's `scale`",
            value(by.abs()),
            if *by > 0 { "more" } else { "less" }
        ),
    }
}
