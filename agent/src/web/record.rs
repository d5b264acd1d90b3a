//! Whether the record goes on: reading, silent, or nothing yet.

use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_config::model::{Config, Mechanism};

use super::moments::{Moments, age, parse};
use super::units::duration;
use super::wording::{Wording, fill};
use crate::figures::MechanismFigures;

/// How long figures may lag behind the drive by the way they are passed on, above the stale limit and the commit
/// interval. Five seconds; common practice, no source.
const SLACK: Span = Span::from_ms(5_000);

/// State of one mechanism's record.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum RecordState {
    /// Nothing has been read yet.
    Nothing,
    /// Readings come.
    Reading {
        /// Up to when time has been counted.
        to: Timestamp,
    },
    /// The drive does not say whether the mechanism runs.
    NoAnswer {
        /// Since when.
        since: Timestamp,
    },
    /// Nobody has said so, but the figures have stopped getting newer.
    Old {
        /// Up to when time has been counted.
        since: Timestamp,
    },
}

impl RecordState {
    /// The state at `now`.
    pub fn of(config: &Config, mechanism: &Mechanism, figures: &MechanismFigures, now: Timestamp) -> Self {
        if let Some(since) = figures.gap_since.as_deref().and_then(parse) {
            return RecordState::NoAnswer { since };
        }
        let Some(to) = figures.record_to.as_deref().and_then(parse) else { return RecordState::Nothing };
        let fresh = mechanism.spec.stale_after.plus(config.store.commit_every).plus(SLACK);
        if age(now, to) > fresh { RecordState::Old { since: to } } else { RecordState::Reading { to } }
    }

    /// Whether what is shown is not of now.
    pub fn is_stale(self) -> bool {
        !matches!(self, RecordState::Reading { .. })
    }

    /// In a few words.
    pub fn text(self, words: &Wording, moments: &Moments, now: Timestamp) -> String {
        let template = match self {
            RecordState::Nothing => words.state_none,
            RecordState::Reading { .. } => words.state_reading,
            RecordState::NoAnswer { .. } => words.state_no_answer,
            RecordState::Old { .. } => words.state_old,
        };
        self.filled(template, "", moments, now)
    }

    /// The sentence of the banner; empty while readings come.
    pub fn banner(self, words: &Wording, id: &str, moments: &Moments, now: Timestamp) -> String {
        let template = match self {
            RecordState::Nothing => words.banner_none,
            RecordState::Reading { .. } => "",
            RecordState::NoAnswer { .. } | RecordState::Old { .. } => words.banner_since,
        };
        self.filled(template, id, moments, now)
    }

    fn filled(self, template: &str, id: &str, moments: &Moments, now: Timestamp) -> String {
        let (RecordState::Reading { to: at } | RecordState::NoAnswer { since: at } | RecordState::Old { since: at }) =
            self
        else {
            return fill(template, &[("id", id)]);
        };
        let passed = duration(age(now, at).as_ms());
        fill(template, &[("id", id), ("age", &passed), ("since", &moments.second(at))])
    }
}
