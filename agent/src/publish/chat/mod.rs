//! People are told: each warning and finding until it is answered, many that wait in one message, little in quiet hours,
//! and once a week how the week was.

pub mod digest;
pub mod queue;
mod refusals;

use std::sync::Arc;
use std::time::Duration;

use tallyhook_config::model::{Config, QuietHolds};
use tokio::sync::watch;
use tracing::{info, warn};

use super::http::{Outcome, Why};
use super::outbox::{Outbox, begin};
use super::retry::{Backoff, pause, span_of};
use super::wording::{self, Said};
use super::{Wiring, stopped};
use crate::daemon::reminders::{LOOK_EVERY, hour_of_day};
use crate::daemon::timeline::is_plausible;
use crate::figures::SiteFigures;
use crate::store::message::Message;
use queue::{Lane, Marks, Queue, Unit};
use refusals::{Refusal, Refusals, RefusedWeek};

/// Pause after the first failure.
const FIRST_PAUSE: Duration = Duration::from_secs(1);
/// Longest pause of our own.
const LONGEST_PAUSE: Duration = Duration::from_secs(300);
/// Pauses while a person has to do something first.
pub(super) const FIRST_BARRED: Duration = Duration::from_secs(60);
pub(super) const LONGEST_BARRED: Duration = Duration::from_secs(900);

/// What is told at once.
#[derive(Clone, PartialEq, Debug)]
pub enum Telling {
    /// A warning or a finding.
    One(Message),
    /// Several that waited together, in their order; two at least.
    Group(Vec<Message>),
    /// The words of the week, under an `id` of their own.
    Digest {
        /// The same for the same week whenever it is told.
        id: String,
        /// The words.
        said: Said,
    },
}

impl Telling {
    /// The same for the same telling whenever it is made: whoever is told drops doubles by it.
    pub fn id(&self) -> String {
        match self {
            Telling::One(message) => message.id.clone(),
            // What makes a group is kept before it is told, so its last member and its size name it.
            Telling::Group(messages) => {
                let last = messages.last().map_or("", |message| message.id.as_str());
                format!("{last}:group-of-{}", messages.len())
            }
            Telling::Digest { id, .. } => id.clone(),
        }
    }

    /// The messages in it.
    pub fn messages(&self) -> &[Message] {
        match self {
            Telling::One(message) => std::slice::from_ref(message),
            Telling::Group(messages) => messages,
            Telling::Digest { .. } => &[],
        }
    }

    /// It in words.
    pub fn said(&self, config: &Config) -> Said {
        match self {
            Telling::One(message) => wording::said(config, message),
            Telling::Group(messages) => wording::group(config, messages),
            Telling::Digest { said, .. } => said.clone(),
        }
    }
}

/// A way to people.
pub trait Chat {
    /// Says it once. When the daemon stops meanwhile, the answer is never seen and it is said again at the next start,
    /// so whoever is told must be able to know a double by the telling's `id`.
    fn say(&mut self, telling: &Telling) -> impl Future<Output = Outcome> + Send;
}

/// What a chat is told about.
#[derive(Clone, Debug)]
pub struct About {
    /// The configuration; its paths are resolved.
    pub config: Arc<Config>,
    /// The figures as of now.
    pub figures: watch::Receiver<Arc<SiteFigures>>,
}

/// Tells `chat` of every warning and finding until the daemon stops.
pub async fn run<O: Outbox, C: Chat>(mut chat: C, about: About, wiring: Wiring<O>) {
    let mut stop = wiring.stop.clone();
    let refusals = Refusals::default();
    let mut teller = Teller { chat: &mut chat, about, wiring, marks: None, refusals, week: None, taken: 0 };
    tokio::select! {
        () = teller.tell_all() => {}
        () = stopped(&mut stop) => {}
    }
}

struct Teller<'a, O, C> {
    chat: &'a mut C,
    about: About,
    wiring: Wiring<O>,
    /// How far it has been told; kept here as well, so that an outbox that fails to keep it makes us tell nothing twice.
    marks: Option<Marks>,
    /// The messages that the receiver has refused, and has taken nothing since.
    refusals: Refusals,
    /// The same of a week.
    week: Option<RefusedWeek>,
    /// How much the receiver has taken.
    taken: u64,
}

/// What became of a telling.
enum Told {
    /// It was taken.
    Done,
    /// It is not taken, and it may be its own fault.
    Refused(Why),
    /// Quiet hours have begun before it was taken.
    Held,
}

impl<O: Outbox, C: Chat> Teller<'_, O, C> {
    async fn tell_all(&mut self) {
        let mut backoff = Backoff::new(FIRST_PAUSE, LONGEST_PAUSE);
        loop {
            match self.tell_stored().await {
                Ok(()) => {
                    backoff.succeeded();
                    self.wait_for_more().await;
                }
                Err(what) => {
                    let destination = self.wiring.health.name();
                    warn!(%destination, "the outbox cannot be read or written: {what}");
                    pause(&self.wiring.clock, backoff.failed()).await;
                }
            }
        }
    }

    /// Until something more is stored, or the hour may have come at which something is told.
    async fn wait_for_more(&mut self) {
        let alarms = &self.about.config.alarms;
        let by_the_hour = alarms.quiet.is_some() || alarms.digest.is_some();
        let clock = self.wiring.clock.clone();
        let again_at = self.refusals.again_at(&clock);
        tokio::select! {
            changed = self.wiring.stored.changed() => if changed.is_err() {
                // Nothing will be stored any more; the task still ends only with the daemon.
                std::future::pending::<()>().await;
            },
            () = clock.sleep(LOOK_EVERY), if by_the_hour => {}
            () = clock.sleep_until(again_at.unwrap_or_default()), if again_at.is_some() => {}
        }
    }

    /// Tells what may be told of what is in the outbox; an error is the outbox's own.
    async fn tell_stored(&mut self) -> Result<(), String> {
        let destination = self.wiring.health.name().to_owned();
        let mut marks = match self.marks {
            Some(marks) => marks,
            None => {
                // Nobody wants to read the warnings of years when a chat is new.
                let told = begin(&self.wiring.outbox, &destination, self.wiring.end, false).await?;
                Marks::read(&self.wiring.outbox, &destination, told).await?
            }
        };
        if self.refusals.are_due(self.wiring.clock.now().mono) {
            self.refusals.begin_anew(&mut marks);
        }
        let mut waited = !self.refusals.is_empty();
        loop {
            self.marks = Some(marks);
            // Marked as seen before reading: what is stored from here on wakes us again.
            let end = *self.wiring.stored.borrow_and_update();
            let quiet = self.is_quiet();
            let queue = Queue { outbox: &self.wiring.outbox, config: &self.about.config, end };
            let next = match self.refusals.are_many() {
                true => None,
                false => queue.next(&self.refusals.behind(marks), quiet).await?,
            };
            match next {
                // Perhaps this one is taken. But the receiver may have been mended meanwhile: so all again, in their order.
                Some(_) if std::mem::take(&mut waited) => self.refusals.begin_anew(&mut marks),
                Some(unit) => self.tell_unit(&destination, &mut marks, unit).await?,
                None => {
                    if marks.told < end && quiet.is_none() && self.refusals.is_empty() {
                        marks.told = end;
                        self.marks = Some(marks);
                        // Nothing of it was told: it can wait for the next commit of the ledger.
                        self.wiring.outbox.note_cursor(&destination, end).await?;
                    }
                    return self.tell_week(&destination).await;
                }
            }
        }
    }

    /// What is held back just now; nothing outside quiet hours.
    fn is_quiet(&self) -> Option<QuietHolds> {
        let alarms = &self.about.config.alarms;
        let hour = hour_of_day(&self.about.config.time_zone, self.wiring.clock.now().wall);
        let holds = Some(alarms.quiet_holds).filter(|holds| *holds != QuietHolds::Nothing);
        holds.filter(|_| alarms.is_quiet(hour))
    }

    /// Tells what belongs together. What it consists of is kept first, so that after a restart the same is told under
    /// the same `id`, whatever has been stored meanwhile.
    async fn tell_unit(&mut self, destination: &str, marks: &mut Marks, unit: Unit) -> Result<(), String> {
        let Unit { lane, messages } = unit;
        let Some(&(last, _)) = messages.last() else { return Ok(()) };
        let kept = Marks::key(destination, lane.begun());
        if marks.begun_of(lane) < last {
            // It may have been further: what was refused is begun anew.
            self.wiring.outbox.set_mark(&kept, last).await?;
            marks.begin(lane, last);
            self.marks = Some(*marks);
        }
        let seqs: Vec<u64> = messages.iter().map(|(seq, _)| *seq).collect();
        let messages: Vec<Message> = messages.into_iter().map(|(_, message)| message).collect();
        if let [_, _, ..] = messages.as_slice() {
            let group = Telling::Group(messages.clone());
            match self.tell(&group).await {
                Told::Done => {
                    self.leave_out_refused(destination, marks).await?;
                    return self.acknowledged(destination, marks, lane, last).await;
                }
                Told::Held => return Ok(()),
                // What cannot be told together is told one by one: only what is refused by itself can be left out.
                Told::Refused(why) => {
                    let id = group.id();
                    warn!(%destination, %id, "refused, so its messages are told one by one: {}", why.what);
                }
            }
        }
        for (seq, message) in seqs.into_iter().zip(messages) {
            let one = Telling::One(message);
            match self.tell(&one).await {
                Told::Done => {
                    self.leave_out_refused(destination, marks).await?;
                    self.acknowledged(destination, marks, lane, seq).await?;
                }
                Told::Held => return Ok(()),
                Told::Refused(why) => {
                    self.wiring.health.trouble(&why.what, &why.mend);
                    self.refusals.add(Refusal { lane, seq, id: one.id(), why });
                    if self.refusals.are_many() {
                        return Ok(());
                    }
                }
            }
        }
        Ok(())
    }

    /// The receiver has taken another one: what it refused before, it refuses for what that says.
    async fn leave_out_refused(&mut self, destination: &str, marks: &mut Marks) -> Result<(), String> {
        for Refusal { lane, seq, id, why } in self.refusals.take() {
            self.acknowledged(destination, marks, lane, seq).await?;
            self.wiring.health.parked(&id, &why.what, &why.mend);
        }
        Ok(())
    }

    /// Everything of a lane up to a number has been taken.
    async fn acknowledged(&mut self, destination: &str, marks: &mut Marks, lane: Lane, seq: u64) -> Result<(), String> {
        marks.acknowledge(lane, seq);
        self.marks = Some(*marks);
        let key = match lane {
            Lane::All => destination.to_owned(),
            Lane::Early => Marks::key(destination, queue::EARLY),
        };
        self.wiring.outbox.set_cursor(&key, seq).await
    }

    /// Tells of the week when its hour has come, and once only.
    async fn tell_week(&mut self, destination: &str) -> Result<(), String> {
        let Some(when) = self.about.config.alarms.digest else { return Ok(()) };
        let now = self.wiring.clock.now();
        let (config, figures) = (self.about.config.clone(), self.about.figures.borrow().clone());
        // A clock that jumps has no week to tell of.
        if !is_plausible(now.wall, digest::recorded_to(&figures)) {
            return Ok(());
        }
        let Some(due) = digest::last_due(&config.time_zone, when, now.wall) else { return Ok(()) };
        let key = Marks::key(destination, "digest");
        let told = self.wiring.outbox.cursor(&key).await?;
        let Some(told) = told.filter(|told| !digest::is_ahead(*told, now.wall)) else {
            // A new chat is told of the next week.
            return self.wiring.outbox.set_mark(&key, due).await;
        };
        let refused = self.week.filter(|week| week.due == due);
        let waits = refused.is_some_and(|week| week.taken == self.taken && now.mono < week.again_at);
        if told >= due || waits || self.is_quiet().is_some() {
            return Ok(());
        }
        let made = tokio::task::spawn_blocking(move || digest::digest(&config, &figures, due)).await;
        let made = made.map_err(|failed| failed.to_string()).and_then(|made| made.map_err(|error| error.to_string()));
        let said = match made {
            Ok(said) => said,
            Err(why) => {
                // At the next look again; no warning waits for it.
                warn!(%destination, "the week cannot be summed up: {why}");
                return Ok(());
            }
        };
        // By an identifier, which fits into a header and an address; a site's name may hold anything.
        let whose = self.about.config.cranes.first().map_or("site", |crane| crane.id.as_str());
        let telling = Telling::Digest { id: format!("week:{whose}:{due}"), said };
        match self.tell(&telling).await {
            Told::Held => return Ok(()),
            Told::Done => {}
            // As with messages: left out once the receiver has taken something else.
            Told::Refused(why) if refused.is_some_and(|week| week.taken < self.taken) => {
                self.wiring.health.parked(&telling.id(), &why.what, &why.mend);
            }
            Told::Refused(why) => {
                self.wiring.health.trouble(&why.what, &why.mend);
                let again_at = self.wiring.clock.now().mono.plus(span_of(&self.wiring.clock, LONGEST_BARRED));
                self.week = Some(RefusedWeek { due, taken: self.taken, again_at });
                return Ok(());
            }
        }
        self.wiring.outbox.set_mark(&key, due).await
    }

    /// Says it until it is answered, or until quiet hours hold all of it.
    async fn tell(&mut self, telling: &Telling) -> Told {
        let mut backoff = Backoff::new(FIRST_PAUSE, LONGEST_PAUSE);
        let mut barred = Backoff::new(FIRST_BARRED, LONGEST_BARRED);
        loop {
            let (Why { what, mend }, wait) = match self.chat.say(telling).await {
                Outcome::Done => {
                    info!(destination = %self.wiring.health.name(), id = %telling.id(), "told");
                    self.wiring.health.well();
                    self.taken += 1;
                    return Told::Done;
                }
                Outcome::Refused(why) => return Told::Refused(why),
                Outcome::Again(why, after) => (why, backoff.failed().max(after.unwrap_or_default())),
                Outcome::Barred(why) => (why, barred.failed()),
            };
            self.wiring.health.trouble(&what, &mend);
            pause(&self.wiring.clock, wait).await;
            let is_held = |holds| telling.messages().iter().all(|message| queue::is_held(holds, message));
            if self.is_quiet().is_some_and(is_held) {
                return Told::Held;
            }
        }
    }
}
