//! What the page asks of the ledger's history: a port, so that the page does not know the store and tests need none.

use std::collections::BTreeMap;

use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::recorder::Gap;
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::Timestamp;

use crate::store::message::{Message, MessageKind};

/// The history of a site. Calls may block; the page makes them on a thread of its own. An error is a sentence that
/// says what failed; it is logged and the view says that its history cannot be read.
pub trait History: Send + Sync {
    /// The newest lifts of a mechanism that began before `before` (all when `None`), newest first, at most `limit`.
    fn lifts(&self, mechanism: &str, limit: usize, before: Option<Timestamp>) -> Result<Vec<Lift>, String>;

    /// The sums of each day from `from` to `to`, both included, oldest first; days without a row are left out. A day
    /// is days since 1970-01-01 in the site's calendar; the day that is still open is among them.
    fn days(&self, mechanism: &str, from: i32, to: i32) -> Result<Vec<(i32, Totals)>, String>;

    /// S at the end of each closed day, full-load hours; days of which it is not kept are left out.
    fn used(&self, mechanism: &str) -> Result<BTreeMap<i32, f64>, String>;

    /// The newest gaps of a mechanism, newest first, at most `limit`.
    fn gaps(&self, mechanism: &str, limit: usize) -> Result<Vec<Gap>, String>;

    /// The newest messages of a mechanism of these kinds, newest first, at most `limit`.
    fn messages(&self, mechanism: &str, kinds: &[MessageKind], limit: usize) -> Result<Vec<Message>, String>;
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

    fn used(&self, mechanism: &str) -> Result<BTreeMap<i32, f64>, String> {
        Ok(self.used.get(mechanism).cloned().unwrap_or_default())
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
}
