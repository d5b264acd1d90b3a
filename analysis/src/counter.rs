//! The drive's own hour and start counters: what they counted between two readings, and what was odd about it.
//!
//! Nothing is mended in silence: whatever is not a plain step forward comes back as a [`Note`].

use crate::units::{Span, Timestamp};

/// What must be known of a counter. Unit of values: milliseconds for hours, starts for starts.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Counter {
    /// The value at which it begins at zero again: 2^width times the unit of one step; `None` when it never does in
    /// the crane's life.
    pub rolls_at: Option<i64>,
    /// The unit of one step, positive: 3,600,000 for a counter of whole hours.
    pub step: i64,
    /// The most it can count in a second: 1,000 for hours (it cannot outrun the clock), some for starts.
    pub most_a_second: i64,
}

impl Counter {
    /// An hour counter of `bits` bits whose one step is `step_ms` milliseconds; 0 bits or more than 40: never rolls.
    pub const fn hours(bits: u32, step_ms: i64) -> Self {
        Counter { rolls_at: rolls(bits, step_ms), step: step_ms, most_a_second: 1000 }
    }

    /// A start counter of `bits` bits; at most two starts a second are believed (common practice, no source).
    pub const fn starts(bits: u32) -> Self {
        Counter { rolls_at: rolls(bits, 1), step: 1, most_a_second: 2 }
    }
}

const fn rolls(bits: u32, step: i64) -> Option<i64> {
    if bits == 0 || bits > 40 { None } else { step.checked_mul(1 << bits) }
}

/// A reading of a counter, scale already applied.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Reading {
    /// When.
    pub at: Timestamp,
    /// Milliseconds or starts.
    pub value: i64,
}

/// Something that a person should be told of a counter.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "kebab-case"))]
pub enum Note {
    /// It began at zero again; the step over the end was counted.
    RolledOver {
        /// The reading before.
        before: Reading,
        /// The reading after.
        after: Reading,
    },
    /// It fell, and not by rolling over: another drive, or a reset one. What ran between is not known from it.
    Replaced {
        /// The reading before.
        before: Reading,
        /// The reading after.
        after: Reading,
    },
    /// It went further than time allows; nothing of that step was counted.
    TooFast {
        /// The reading before.
        before: Reading,
        /// The reading after.
        after: Reading,
    },
    /// It stood still while our own record ran on; nothing was concluded from it.
    Stuck {
        /// Since when.
        since: Timestamp,
        /// Up to when.
        at: Timestamp,
        /// What our own record counted meanwhile.
        own: i64,
    },
    /// It differs from our own record where that has no gap that could hold the difference. Our record stands.
    Disagrees {
        /// When it was seen.
        at: Timestamp,
        /// Counter less own record: milliseconds or starts.
        by: i64,
    },
}

/// What a counter counted from one reading to the next; `None` when that cannot be told.
///
/// ```
/// use tallyhook_analysis::counter::{advance, Counter, Note, Reading};
/// use tallyhook_analysis::units::Timestamp;
/// let hours = Counter::hours(16, 3_600_000);
/// let read = |h: i64, value: i64| Reading { at: Timestamp::from_ms(h * 3_600_000), value: value * 3_600_000 };
/// let (counted, note) = advance(&hours, read(0, 65_530), read(100, 4));
/// assert_eq!(counted, Some(10 * 3_600_000));
/// assert!(matches!(note, Some(Note::RolledOver { .. })));
/// let (counted, note) = advance(&hours, read(0, 40_000), read(100, 3));
/// assert_eq!(counted, None);
/// assert!(matches!(note, Some(Note::Replaced { .. })));
/// ```
pub fn advance(counter: &Counter, before: Reading, after: Reading) -> (Option<i64>, Option<Note>) {
    let seconds = after.at.since(before.at).max(Span::ZERO).as_ms() / 1000 + 1;
    // One step of grace: the counter may have been just short of its next step at the first reading.
    let most = seconds.saturating_mul(counter.most_a_second).saturating_add(counter.step);
    let step = after.value.saturating_sub(before.value);
    if (0..=most).contains(&step) {
        return (Some(step), None);
    }
    if step > most {
        return (None, Some(Note::TooFast { before, after }));
    }
    match counter.rolls_at.map(|end| step.saturating_add(end)) {
        Some(over) if (0..=most).contains(&over) => (Some(over), Some(Note::RolledOver { before, after })),
        _ => (None, Some(Note::Replaced { before, after })),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_true_counter_is_followed_over_its_end(
            bits in 8_u32..32, step in 1_i64..10_000_000, start: u32,
            spans in proptest::collection::vec((1_i64..100_000_000, 0.0_f64..=1.0), 1..40),
        ) {
            let counter = Counter::hours(bits, step);
            let end = counter.rolls_at.unwrap();
            // Readings are less than half a round apart, as they must be to be told apart from a swap.
            prop_assume!(end > 250_000_000);
            let (mut at, mut true_ms) = (0, i64::from(start) * 1000);
            let show = |ms: i64| ms / step * step % end;
            let mut last = Reading { at: Timestamp::from_ms(0), value: show(true_ms) };
            let (began, mut sum) = (true_ms / step * step, 0);
            for (span, share) in spans {
                at += span;
                true_ms += (span as f64 * share) as i64;
                let next = Reading { at: Timestamp::from_ms(at), value: show(true_ms) };
                let (counted, note) = advance(&counter, last, next);
                prop_assert_eq!(note.is_some(), next.value < last.value, "a roll-over is always said");
                sum += counted.unwrap();
                last = next;
            }
            prop_assert_eq!(sum, true_ms / step * step - began);
        }

        #[test]
        fn what_is_not_a_plain_step_is_never_silent(
            before in 0_i64..1_000_000_000_000, after in 0_i64..1_000_000_000_000, ms in 0_i64..10_000_000_000, bits in 0_u32..40,
        ) {
            let counter = Counter::hours(bits, 360_000);
            let read = |at, value| Reading { at: Timestamp::from_ms(at), value };
            let (counted, note) = advance(&counter, read(0, before), read(ms, after));
            match counted {
                Some(n) => {
                    prop_assert!((0..=ms + 361_000).contains(&n));
                    prop_assert_eq!(note.is_none(), n == after - before);
                }
                None => prop_assert!(note.is_some()),
            }
        }
    }
}
