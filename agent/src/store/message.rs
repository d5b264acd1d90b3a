//! What is told to others: rows of the outbox.

use serde::{Deserialize, Serialize};
use tallyhook_analysis::units::Timestamp;

/// What a message tells of.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum MessageKind {
    /// A lift has ended.
    Lift,
    /// A day is complete.
    Day,
    /// A value reached a warn level, or fell back below it.
    Warning,
    /// Something is wrong with the record itself: a gap, a drive that is silent.
    Finding,
}

impl MessageKind {
    /// The word in topics and in the store.
    pub const fn name(self) -> &'static str {
        match self {
            MessageKind::Lift => "lift",
            MessageKind::Day => "day",
            MessageKind::Warning => "warning",
            MessageKind::Finding => "finding",
        }
    }
}

/// A message, stored in the same transaction as what it tells of.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Message {
    /// The same for the same event whenever it is told: a consumer drops doubles by it.
    pub id: String,
    /// The instant of the sample that caused it.
    pub at: Timestamp,
    /// What it tells of.
    pub kind: MessageKind,
    /// Identifier of the crane.
    pub crane: String,
    /// Identifier of the mechanism.
    pub mechanism: String,
    /// The particulars, as they go out.
    pub body: serde_json::Value,
}
