//! The book of one mechanism: the recorder, the warn levels, and what has followed since the last commit.
//!
//! `run` and `replay` keep the same book; only `run` stores it.

use std::cell::RefCell;
use std::collections::BTreeMap;

use serde_json::json;
use tallyhook_analysis::forecast::{DayUse, Outlook, Question, forecast};
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::recorder::{Calendar, Day, Event, Gap, Recorder, State, Utc};
use tallyhook_analysis::sample::{Flag, Sample};
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_analysis::watch::{Crossing, LevelWatch};
use tallyhook_config::model::{Crane, Mechanism};

use crate::drive::{DriveReading, Silence};
use crate::figures::{self, Record};
use crate::store::MechanismCommit;
use crate::store::message::{Message, MessageKind};

/// Where a book was left: the recorder's state, and how many levels of each watch were crossed.
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
    recorder: Recorder,
    used_share: LevelWatch,
    pending: Pending,
    /// Days that have closed, by number.
    history: BTreeMap<i32, Totals>,
    /// The forecast of the day it was made on.
    forecast: RefCell<Option<(i32, Option<figures::Forecast>)>>,
}

/// What has followed since the last commit that went through.
#[derive(Default)]
struct Pending {
    lifts: Vec<Lift>,
    gaps: Vec<Gap>,
    days: Vec<(i32, Totals)>,
    flags: Vec<(Flag, Timestamp)>,
    messages: Vec<Message>,
    moved: bool,
}

const USED_SHARE: &str = "used_share";

/// The same draws at every look, so that a forecast does not tremble.
const FORECAST_SEED: u64 = 9755;

impl Book {
    /// Opens the book, from where it was left or empty.
    pub fn open(crane: &Crane, mechanism: &Mechanism, calendar: SiteCalendar, left: Option<Left>) -> Self {
        let (state, crossed) = left.unwrap_or_default();
        let warn = &mechanism.warn;
        let crossed = crossed.get(USED_SHARE).copied().unwrap_or(0);
        Book {
            crane: crane.id.clone(),
            used_share: LevelWatch::new(&warn.used_share, warn.used_share_hysteresis, crossed),
            recorder: Recorder::resume(mechanism.spec.clone(), state),
            mechanism: mechanism.clone(),
            calendar,
            pending: Pending::default(),
            history: BTreeMap::new(),
            forecast: RefCell::default(),
        }
    }

    /// The mechanism's identifier.
    pub fn id(&self) -> &str {
        &self.mechanism.id
    }

    /// What the mechanism is known to have done.
    pub fn record(&self) -> Record {
        Record {
            totals: self.recorder.totals().clone(),
            began_at: self.recorder.began_at(),
            counted_to: self.recorder.began_at().map(|_| self.recorder.counted_to()),
            gap_since: self.recorder.gap_since(),
            hanging_since: self.recorder.hanging_since(),
            forecast: self.forecast(),
        }
    }

    /// Takes the next sample.
    pub fn take(&mut self, sample: &Sample) {
        let spec = self.recorder.spec();
        let runs = sample.running_of(spec.has_raising, spec.has_lowering) == Some(true);
        self.pending.moved |= runs;
        let (pending, crane, mechanism) = (&mut self.pending, &self.crane, &self.mechanism);
        self.recorder.step(sample, &self.calendar, &mut |event| pending.note(event, crane, mechanism));
        if self.pending.moved {
            self.watch_used_share(sample.at);
        }
    }

    /// The site's clock was put right; see [`Recorder::rebase`].
    pub fn rebase(&mut self, by: Span) {
        self.recorder.rebase(by);
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
            "drive": drive,
            "state": reading.link.name(),
            "text": text,
            "raised": raised,
        });
        let word = if raised { "raised" } else { "cleared" };
        let id = format!("{}:silence:{drive}:{word}:{}", self.mechanism.id, at.as_ms());
        self.pending.say(&self.crane, &self.mechanism, MessageKind::Finding, id, at, body);
    }

    /// Whether a commit would have anything to write: something moved or followed since the last one.
    pub fn has_news(&self) -> bool {
        let p = &self.pending;
        p.moved || self.ends_something() || !p.flags.is_empty()
    }

    /// Whether something has followed that is committed at once: a lift, a gap or a day has ended, a level was
    /// crossed.
    pub fn ends_something(&self) -> bool {
        let p = &self.pending;
        !(p.lifts.is_empty() && p.gaps.is_empty() && p.days.is_empty() && p.messages.is_empty())
    }

    /// What to write in one transaction. Until [`Book::committed`] is called it stays in the book, so that a full
    /// disk loses nothing. `None` before the first sample.
    pub fn commit(&self) -> Option<MechanismCommit> {
        let p = &self.pending;
        let mut days = p.days.clone();
        if let Some(open) = self.recorder.open_day() {
            days.push((open.day.number, open.totals.clone()));
        }
        Some(MechanismCommit {
            mechanism: self.mechanism.id.clone(),
            at: self.recorder.standing()?.at,
            state: self.recorder.state().clone(),
            warn_crossed: BTreeMap::from([(USED_SHARE.to_owned(), self.used_share.crossed())]),
            lifts: p.lifts.clone(),
            gaps: p.gaps.clone(),
            days,
            messages: p.messages.clone(),
            flags: p.flags.clone(),
        })
    }

    /// The last commit has gone through.
    pub fn committed(&mut self) {
        self.forget();
    }

    /// Lets go of what a commit would hold, but for the days; for `replay`, which keeps no store.
    pub fn forget(&mut self) {
        let days = std::mem::take(&mut self.pending.days);
        self.history.extend(days.iter().map(|(day, totals)| (*day, totals.clone())));
        self.pending = Pending::default();
    }

    /// Whether at least `count` days have closed since the last commit.
    pub fn has_closed_days(&self, count: usize) -> bool {
        self.pending.days.len() >= count
    }

    /// Hands over the days that closed before this book was opened, from which the forecast is made.
    pub fn set_history(&mut self, days: Vec<(i32, Totals)>) {
        self.history = days.into_iter().collect();
        self.forecast.replace(None);
    }

    /// When S will reach D, by the days before the open one; `None` with too little record. The same through the
    /// whole day, so it is reckoned once a day.
    fn forecast(&self) -> Option<figures::Forecast> {
        let open = self.recorder.open_day()?;
        let today = open.day.number;
        let mut made = self.forecast.borrow_mut();
        if made.as_ref().is_none_or(|(day, _)| *day != today) {
            *made = Some((today, self.make_forecast(today, &open.totals)));
        }
        made.as_ref().and_then(|(_, forecast)| forecast.clone())
    }

    fn make_forecast(&self, today: i32, open: &Totals) -> Option<figures::Forecast> {
        let base = self.mechanism.spec.base();
        let days: Vec<DayUse> = self
            .history
            .range(..today)
            .map(|(&day, t)| DayUse {
                day,
                full_load_hours: t.full_load_hours(base),
                observed: t.observed_ms as f64 / (t.observed_ms + t.gap_ms).max(1) as f64,
            })
            .collect();
        let ledger = figures::ledger(&self.mechanism, self.recorder.totals());
        let asked = Question {
            used: ledger.used_full_load_hours() - open.full_load_hours(base),
            design: ledger.design_full_load_hours,
            as_of: today,
            seed: FORECAST_SEED,
        };
        match forecast(&days, &asked).outlook() {
            Outlook::Band { p10, p50, p90 } => Some(figures::Forecast::of_days(p10, p50, p90)),
            Outlook::NotEnough { .. } | Outlook::AlreadyOver | Outlook::BeyondHorizon => None,
        }
    }

    fn watch_used_share(&mut self, at: Timestamp) {
        let share = figures::used_share(&self.mechanism, self.recorder.totals());
        let (pending, crane, mechanism) = (&mut self.pending, &self.crane, &self.mechanism);
        self.used_share.update(share, |Crossing { level, raised }| {
            let design = figures::design_full_load_hours(mechanism);
            let body = json!({
                "quantity": USED_SHARE,
                "level": level,
                "value": share,
                "raised": raised,
                "used_full_load_hours": share * design,
                "design_full_load_hours": design,
                "group": mechanism.group,
            });
            let word = if raised { "raised" } else { "cleared" };
            let id = format!("{}:{USED_SHARE}:{level}:{word}:{}", mechanism.id, at.as_ms());
            pending.say(crane, mechanism, MessageKind::Warning, id, at, body);
        });
    }
}

impl Pending {
    /// Books what follows from a sample.
    fn note(&mut self, event: Event, crane: &str, mechanism: &Mechanism) {
        match event {
            Event::LiftBegun { .. } | Event::GapOpened { .. } | Event::ClockWentBack { .. } => {}
            Event::GapClosed(gap) => self.gaps.push(gap),
            Event::FlagRose { flag, at } => self.flags.push((flag, at)),
            Event::LiftEnded(lift) => {
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
                self.lifts.push(lift);
            }
            Event::DayClosed { day, totals } => {
                let base = mechanism.spec.base();
                let body = json!({
                    "day": figures::date_of(day),
                    "running_hours": totals.running_hours(),
                    "full_load_hours": totals.full_load_hours(base),
                    "load_spectrum_factor": totals.load_spectrum_factor(base),
                    "lifts": totals.lifts,
                    "overload_lifts": totals.overload_lifts,
                    "starts": totals.starts,
                    "gap_hours": totals.gap_ms as f64 / 3_600_000.0,
                });
                let id = format!("{}:day:{day}", mechanism.id);
                let at = Timestamp::from_ms(i64::from(day) * 86_400_000);
                if totals.running_ms > 0 || totals.lifts > 0 {
                    self.say(crane, mechanism, MessageKind::Day, id, at, body);
                }
                self.days.push((day, *totals));
            }
        }
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
