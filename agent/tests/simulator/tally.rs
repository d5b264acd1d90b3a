//! What must be in the books, reckoned beside the product from the answers that the device gave in time: a sample stands
//! until the next one, at most until it is stale; what is beyond that is a gap.

use std::collections::BTreeMap;

use super::device::Shown;

/// How often each kind of fault was drawn.
#[derive(Clone, Debug, Default)]
pub struct Counts(pub BTreeMap<&'static str, u64>);

impl Counts {
    pub fn add(&mut self, what: &'static str) {
        *self.0.entry(what).or_default() += 1;
    }

    pub fn add_all(&mut self, other: &Counts) {
        other.0.iter().for_each(|(what, n)| *self.0.entry(what).or_default() += n);
    }
}

/// The sums of one hoist.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Sums {
    pub observed_ms: u64,
    pub gap_ms: u64,
    pub running_ms: u64,
    pub cube_ms: u128,
    pub starts: u64,
}

/// A sample that stands.
#[derive(Clone, Copy, Debug)]
pub struct Standing {
    /// Of which run of the program.
    pub run: u32,
    pub mono_ms: i64,
    /// Its date in the ledger; only looked at by the run after its own.
    pub date_ms: i64,
    pub shown: Option<Shown>,
}

/// The tally of one hoist.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    pub sums: Sums,
    pub standing: Option<Standing>,
    ran: Option<bool>,
}

impl Tally {
    /// `off_ms`: so much longer nobody looked than the monotonic clock of this run knows of.
    pub fn take(&mut self, next: Standing, off_ms: i64, stale_ms: i64) {
        if let Some(last) = self.standing {
            let same = last.run == next.run;
            let span = if same { next.mono_ms - last.mono_ms + off_ms } else { (next.date_ms - last.date_ms).max(0) };
            let fresh = if last.shown.is_some() { span.min(stale_ms) } else { 0 };
            self.sums.gap_ms += (span - fresh) as u64;
            self.sums.observed_ms += fresh as u64;
            if let Some(shown) = last.shown.filter(|s| s.raising || s.lowering) {
                self.sums.running_ms += fresh as u64;
                let grams = shown.load_kg as u128 * 1000;
                self.sums.cube_ms += grams * grams * grams * fresh as u128;
            }
        }
        if let Some(shown) = next.shown {
            let runs = shown.raising || shown.lowering;
            self.sums.starts += u64::from(runs && self.ran == Some(false));
            self.ran = Some(runs);
        }
        self.standing = Some(next);
    }
}
