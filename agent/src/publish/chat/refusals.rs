//! What a receiver has refused while it has taken nothing since. It may be the fault of what was refused, or the
//! receiver's own, and one that refuses everything must not empty the outbox. So what is refused is kept, the next one is
//! tried, and only when the receiver has taken that is what it refused before left out.

use tallyhook_analysis::units::Span;

use super::queue::{Lane, Marks};
use super::{FIRST_BARRED, LONGEST_BARRED};
use crate::clock::Clock;
use crate::publish::http::Why;
use crate::publish::retry::{Backoff, span_of};

/// So many refused one after another are no fault of theirs: no more are tried before the pause is over.
const MOST: usize = 64;

/// A message that was refused.
#[derive(Debug)]
pub struct Refusal {
    pub lane: Lane,
    pub seq: u64,
    pub id: String,
    pub why: Why,
}

/// Those since the receiver took something, or since all were tried again, in the order in which they were told.
#[derive(Debug)]
pub struct Refusals {
    list: Vec<Refusal>,
    barred: Backoff,
    /// When all of them are tried again.
    again_at: Option<Span>,
}

impl Default for Refusals {
    fn default() -> Self {
        Refusals { list: Vec::new(), barred: Backoff::new(FIRST_BARRED, LONGEST_BARRED), again_at: None }
    }
}

impl Refusals {
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// Whether the receiver seems to take nothing at all.
    pub fn are_many(&self) -> bool {
        self.list.len() >= MOST
    }

    pub fn add(&mut self, refusal: Refusal) {
        self.list.push(refusal);
    }

    /// All of them, which are left out now.
    pub fn take(&mut self) -> Vec<Refusal> {
        self.again_at = None;
        std::mem::take(&mut self.list)
    }

    /// All are told again from the first on, as though they had not been: none was taken, so none has to come as it was.
    pub fn begin_anew(&mut self, marks: &mut Marks) {
        let behind = self.behind(*marks);
        for lane in [Lane::All, Lane::Early] {
            if behind.told_of(lane) >= marks.begun_of(lane) {
                marks.begin(lane, marks.told_of(lane));
            }
        }
        self.take();
    }

    /// Where the search for what is told next begins: behind them.
    pub fn behind(&self, mut marks: Marks) -> Marks {
        self.list.iter().for_each(|refusal| marks.acknowledge(refusal.lane, refusal.seq));
        marks
    }

    /// When all of them are told again, if there are any.
    pub fn again_at(&mut self, clock: &Clock) -> Option<Span> {
        if self.list.is_empty() {
            self.barred.succeeded();
            return None;
        }
        let (now, barred) = (clock.now().mono, &mut self.barred);
        Some(*self.again_at.get_or_insert_with(|| now.plus(span_of(clock, barred.failed()))))
    }

    /// Whether that is now.
    pub fn are_due(&self, now: Span) -> bool {
        self.again_at.is_some_and(|at| now >= at)
    }
}

/// A week that was refused.
#[derive(Clone, Copy, Debug)]
pub struct RefusedWeek {
    /// Which one.
    pub due: u64,
    /// How much the receiver had taken by then.
    pub taken: u64,
    /// When it is told again, if nothing is taken before.
    pub again_at: Span,
}
