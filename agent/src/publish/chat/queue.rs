//! What a chat is told next: the order of the outbox, many that wait together as one, and in quiet hours only what
//! matters for life and limb, ahead of what is held.

use serde_json::Value;
use tallyhook_config::model::{Config, QuietHolds};

use crate::publish::outbox::Outbox;
use crate::publish::wording;
use crate::store::message::{Message, MessageKind};

/// Messages read from the outbox at a time, and most that are told in one.
const PAGE: usize = 64;

/// Most that a group may take as JSON text, its words twice (plain and HTML); a Matrix event holds 65,536 bytes in all.
const GROUP_BYTES: usize = 40_000;

/// The mark of what was told ahead of what quiet hours hold.
pub(super) const EARLY: &str = "early";

/// Whether a message concerns life and limb: a load above the rated load, a working period or a wearing part that is
/// used up. What is not known to be harmless is.
pub fn is_urgent(message: &Message) -> bool {
    let body = &message.body;
    let raised = body["raised"] != Value::Bool(false);
    match (message.kind, body["quantity"].as_str()) {
        // Findings are about the record: nothing at the crane changes by them before people are up.
        (MessageKind::Finding | MessageKind::Lift | MessageKind::Day, _) => false,
        // What people did to an alarm, and reminders, which have quiet hours of their own.
        (MessageKind::Warning, Some(crate::store::alarm::ALARM)) => false,
        (MessageKind::Warning, Some("starts_per_hour")) => false,
        (MessageKind::Warning, Some("used_share" | "part")) => {
            raised && body["value"].as_f64().is_none_or(|share| share >= 1.0)
        }
        (MessageKind::Warning, _) => raised,
    }
}

/// Whether quiet hours hold a message back.
pub fn is_held(holds: QuietHolds, message: &Message) -> bool {
    match holds {
        QuietHolds::Nothing => false,
        QuietHolds::Ordinary => !is_urgent(message),
        QuietHolds::Everything => true,
    }
}

/// In which order something is told.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Lane {
    /// Everything in its order.
    All,
    /// What is urgent, in quiet hours, ahead of what they hold.
    Early,
}

impl Lane {
    /// The name of its mark of what was begun.
    pub(super) const fn begun(self) -> &'static str {
        match self {
            Lane::All => "begun",
            Lane::Early => "early-begun",
        }
    }
}

/// How far a chat has been told: numbers of the outbox. `begun` is the last of what may have been sent already, though
/// no answer has been seen: what lies between it and what was told is told again as one, as it was.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Marks {
    /// Everything up to it has been told.
    pub told: u64,
    begun: u64,
    /// Everything urgent up to it has been told.
    early: u64,
    early_begun: u64,
}

impl Marks {
    /// The name of a mark of a destination, beside its cursor.
    pub(super) fn key(destination: &str, mark: &str) -> String {
        format!("{destination}/{mark}")
    }

    pub(super) async fn read<O: Outbox>(outbox: &O, destination: &str, told: u64) -> Result<Self, String> {
        let mut marks = Marks { told, ..Marks::default() };
        for (mark, place) in [
            (Lane::All.begun(), &mut marks.begun),
            (EARLY, &mut marks.early),
            (Lane::Early.begun(), &mut marks.early_begun),
        ] {
            *place = outbox.cursor(&Self::key(destination, mark)).await?.unwrap_or(0);
        }
        Ok(marks)
    }

    pub(super) const fn begun_of(&self, lane: Lane) -> u64 {
        match lane {
            Lane::All => self.begun,
            Lane::Early => self.early_begun,
        }
    }

    pub(super) const fn begin(&mut self, lane: Lane, last: u64) {
        match lane {
            Lane::All => self.begun = last,
            Lane::Early => self.early_begun = last,
        }
    }

    pub(super) const fn told_of(&self, lane: Lane) -> u64 {
        match lane {
            Lane::All => self.told,
            Lane::Early => self.early,
        }
    }

    pub(super) const fn acknowledge(&mut self, lane: Lane, seq: u64) {
        match lane {
            Lane::All => self.told = seq,
            Lane::Early => self.early = seq,
        }
    }

    /// Where the search for what is urgent begins: a group that was begun is ahead of it.
    fn early_from(&self) -> u64 {
        self.told.max(self.early)
    }
}

/// Messages that are told together, with their numbers; at least one.
#[derive(Clone, PartialEq, Debug)]
pub struct Unit {
    /// Whose mark goes on when it is told.
    pub lane: Lane,
    /// In their order.
    pub messages: Vec<(u64, Message)>,
}

/// What waits for a chat.
pub struct Queue<'a, O> {
    /// The outbox.
    pub outbox: &'a O,
    /// The configuration.
    pub config: &'a Config,
    /// The last number stored.
    pub end: u64,
}

impl<O: Outbox> Queue<'_, O> {
    /// What is told next; `quiet` is what quiet hours hold just now. `None`: nothing before something is stored or the
    /// quiet hours are over.
    ///
    /// # Errors
    /// The outbox's own.
    pub async fn next(&self, marks: &Marks, quiet: Option<QuietHolds>) -> Result<Option<Unit>, String> {
        let still_to_tell = |seq: u64, message: &Message| !(is_urgent(message) && seq <= marks.early);
        let urgent = |_: u64, message: &Message| is_urgent(message);
        // What was begun is finished first, as it was.
        let early = self.collect((marks.early_from(), marks.early_begun), urgent).await?;
        let all = self.collect((marks.told, marks.begun), still_to_tell).await?;
        for (lane, mut messages) in [(Lane::Early, early), (Lane::All, all)] {
            if !self.groups() {
                messages.truncate(1);
            }
            let is_held_now = |holds| messages.iter().all(|(_, message)| is_held(holds, message));
            if !messages.is_empty() && !quiet.is_some_and(is_held_now) {
                return Ok(Some(Unit { lane, messages }));
            }
        }
        let (lane, waiting) = match quiet {
            None => (Lane::All, self.collect((marks.told, self.end), still_to_tell).await?),
            Some(holds) => {
                let told_now = |_: u64, message: &Message| !is_held(holds, message);
                (Lane::Early, self.collect((marks.early_from(), self.end), told_now).await?)
            }
        };
        Ok(self.first_of(waiting).map(|messages| Unit { lane, messages }))
    }

    /// At most a page of what is wanted.
    async fn collect(
        &self,
        (mut after, to): (u64, u64),
        wanted: impl Fn(u64, &Message) -> bool,
    ) -> Result<Vec<(u64, Message)>, String> {
        let mut found = Vec::new();
        while found.len() < PAGE && after < to {
            let page = self.outbox.urgent_between(after, to, PAGE).await?;
            let Some(&(last, _)) = page.last() else { break };
            after = last;
            found.extend(page.into_iter().filter(|(seq, message)| wanted(*seq, message)));
        }
        found.truncate(PAGE);
        Ok(found)
    }

    /// Whether the site wants anything told in one.
    fn groups(&self) -> bool {
        self.config.alarms.group_from >= 2
    }

    /// Of what waits as much as is told in one.
    fn first_of(&self, mut waiting: Vec<(u64, Message)>) -> Option<Vec<(u64, Message)>> {
        if !self.groups() || waiting.len() < self.config.alarms.group_from as usize {
            waiting.truncate(1);
        }
        let mut room = GROUP_BYTES;
        let fits = waiting.iter().take_while(|(_, message)| {
            let size = wording::size_in_a_group(self.config, message);
            let fits = size <= room;
            room = room.saturating_sub(size);
            fits
        });
        let count = fits.count().max(1);
        waiting.truncate(count);
        (!waiting.is_empty()).then_some(waiting)
    }
}
