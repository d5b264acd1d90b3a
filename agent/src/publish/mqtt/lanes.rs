//! In which order messages go to the broker when many wait: what people have to know first, then what is fresh, then
//! the backlog.
//!
//! A short backlog goes out as it was stored, in one lane. A long one is parted at the message that was the last when
//! the connection came about: warnings and findings before it go first, what was stored after it goes as it comes, and
//! the rest of the backlog takes the room that is left. Each lane has a cursor of its own in the store.

use super::DESTINATION;
use crate::publish::outbox::Outbox;
use crate::store::message::{Message, MessageKind};

/// A backlog of more messages is parted; it is what a broker takes in about a second.
pub const LONG: u64 = 2_000;

/// Where the numbers of the lanes are kept: what the backlog ends with, and the last fresh and urgent one told.
const FRESH_FROM: &str = "mqtt/fresh-from";
const FRESH: &str = "mqtt/fresh";
const URGENT: &str = "mqtt/urgent";

/// Which lane a message went by.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Lane {
    /// A warning or finding of the backlog.
    Urgent,
    /// Stored after the backlog's end; or anything, where there is only one lane.
    Fresh,
    /// The rest of the backlog.
    Backlog,
}

/// A message that is out: its lane and its number.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Place {
    /// Its lane.
    pub lane: Lane,
    /// Its number.
    pub seq: u64,
}

/// The lanes of one connection.
#[derive(Debug)]
pub struct Lanes {
    /// The last message of the backlog, while there is one that was parted.
    parted_at: Option<u64>,
    /// The last one handed over, by lane; of the urgent ones none is left after `parted_at`.
    urgent: u64,
    fresh: u64,
    backlog: u64,
    /// The last fresh one that was acknowledged.
    fresh_told: u64,
}

impl Lanes {
    /// The lanes after `cursor` as an earlier connection left them, or as the backlog up to `end` asks for.
    ///
    /// # Errors
    /// When the outbox cannot be read or written.
    pub async fn open<O: Outbox>(outbox: &O, cursor: u64, end: u64) -> Result<Self, String> {
        let number = async |name| outbox.cursor(name).await.map(Option::unwrap_or_default);
        let (parted_at, told, urgent) = (number(FRESH_FROM).await?, number(FRESH).await?, number(URGENT).await?);
        let told = told.max(parted_at);
        let urgent = urgent.max(cursor);
        let one = Lanes { parted_at: None, urgent, fresh: cursor, backlog: cursor, fresh_told: cursor };
        if cursor < parted_at && end.saturating_sub(told) <= LONG {
            return Ok(Lanes { parted_at: Some(parted_at), fresh: told, fresh_told: told, ..one });
        }
        if end.saturating_sub(cursor) <= LONG {
            return Ok(one);
        }
        // After another long outage before the first backlog was through, both are one: what went out between them
        // comes again, and a consumer drops it by its id.
        outbox.set_cursor(FRESH, end).await?;
        outbox.set_cursor(FRESH_FROM, end).await?;
        Ok(Lanes { parted_at: Some(end), fresh: end, fresh_told: end, ..one })
    }

    /// At most `room` messages that are to go out next, all of one lane. None means that nothing waits.
    ///
    /// # Errors
    /// When the outbox cannot be read.
    pub async fn next<O: Outbox>(&mut self, outbox: &O, room: usize) -> Result<Vec<(Place, Message)>, String> {
        let placed = |lane: Lane, found: Vec<(u64, Message)>| -> Vec<(Place, Message)> {
            found.into_iter().map(|(seq, message)| (Place { lane, seq }, message)).collect()
        };
        if let Some(end) = self.parted_at.filter(|end| self.urgent < *end) {
            let found = outbox.urgent_between(self.urgent, end, room).await?;
            // Fewer than there was room for are the last ones.
            self.urgent = if found.len() < room { end } else { found.last().map_or(end, |(seq, _)| *seq) };
            if !found.is_empty() {
                return Ok(placed(Lane::Urgent, found));
            }
        }
        let found = outbox.messages_after(self.fresh, room).await?;
        if let Some((last, _)) = found.last() {
            self.fresh = *last;
            return Ok(placed(Lane::Fresh, found));
        }
        let Some(end) = self.parted_at else { return Ok(Vec::new()) };
        while self.backlog < end {
            let found = outbox.messages_after(self.backlog, room).await?;
            self.backlog = found.last().map_or(end, |(seq, _)| *seq).min(end);
            let waits = |kind| !matches!(kind, MessageKind::Warning | MessageKind::Finding);
            let found: Vec<_> = found.into_iter().filter(|(seq, m)| *seq <= end && waits(m.kind)).collect();
            if !found.is_empty() {
                return Ok(placed(Lane::Backlog, found));
            }
        }
        Ok(Vec::new())
    }

    /// Keeps that the broker has acknowledged these, in the order in which they went out.
    ///
    /// # Errors
    /// When the outbox cannot be written; some may then be told again.
    pub async fn told<O: Outbox>(&mut self, outbox: &O, places: &[Place]) -> Result<(), String> {
        let last = |lane| places.iter().rev().find(|place| place.lane == lane).map(|place| place.seq);
        let parted = self.parted_at.is_some();
        if let Some(seq) = last(Lane::Urgent) {
            outbox.set_cursor(URGENT, seq).await?;
        }
        if let Some(seq) = last(Lane::Fresh) {
            self.fresh_told = self.fresh_told.max(seq);
            outbox.note_cursor(if parted { FRESH } else { DESTINATION }, seq).await?;
        }
        if let Some(seq) = last(Lane::Backlog) {
            outbox.set_cursor(DESTINATION, seq).await?;
        }
        Ok(())
    }

    /// Makes one lane of all again when the backlog is through: nothing of it waits, and nothing of it is `out`.
    ///
    /// # Errors
    /// When the outbox cannot be written; the lanes stay as they are then.
    pub async fn join<O: Outbox>(&mut self, outbox: &O, out: bool) -> Result<(), String> {
        let Some(end) = self.parted_at else { return Ok(()) };
        if !out && self.urgent >= end && self.backlog >= end {
            outbox.set_cursor(DESTINATION, self.fresh_told.max(end)).await?;
            self.parted_at = None;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;
    use tallyhook_analysis::units::Timestamp;

    use super::*;
    use crate::publish::outbox::MemoryOutbox;

    /// Message `n` has the number `n`; each hundredth is a warning.
    fn fill(outbox: &MemoryOutbox, numbers: std::ops::RangeInclusive<u64>) {
        for n in numbers {
            outbox.push(Message {
                id: format!("m{n}"),
                at: Timestamp::from_ms(n as i64),
                kind: if n % 100 == 0 { MessageKind::Warning } else { MessageKind::Lift },
                crane: "yard-1".to_owned(),
                mechanism: "main-hoist".to_owned(),
                body: json!({}),
            });
        }
    }

    /// Sends and acknowledges until nothing waits or `most` are out; answers what went, in its order.
    async fn send(lanes: &mut Lanes, outbox: &MemoryOutbox, most: usize) -> Vec<Place> {
        let mut sent = Vec::new();
        while sent.len() < most {
            let batch: Vec<Place> = lanes.next(outbox, 64).await.unwrap().into_iter().map(|(place, _)| place).collect();
            if batch.is_empty() {
                break;
            }
            lanes.told(outbox, &batch).await.unwrap();
            lanes.join(outbox, false).await.unwrap();
            sent.extend(batch);
        }
        sent
    }

    #[tokio::test]
    async fn a_short_backlog_goes_as_it_was_stored() {
        let outbox = MemoryOutbox::default();
        fill(&outbox, 1..=LONG);
        let mut lanes = Lanes::open(&outbox, 0, LONG).await.unwrap();
        let sent: Vec<u64> = send(&mut lanes, &outbox, usize::MAX).await.iter().map(|place| place.seq).collect();
        assert_eq!(sent, (1..=LONG).collect::<Vec<_>>());
        assert_eq!(outbox.cursor(DESTINATION).await.unwrap(), Some(LONG));
    }

    #[tokio::test]
    async fn a_long_backlog_waits_behind_warnings_and_what_is_fresh_and_each_message_goes_once() {
        let outbox = MemoryOutbox::default();
        fill(&outbox, 1..=5_000);
        let mut lanes = Lanes::open(&outbox, 0, 5_000).await.unwrap();
        let mut sent = send(&mut lanes, &outbox, 200).await;
        assert_eq!(sent[..50].iter().map(|p| p.seq).collect::<Vec<_>>(), (1..=50).map(|n| n * 100).collect::<Vec<_>>());
        fill(&outbox, 5_001..=5_100);
        let more = send(&mut lanes, &outbox, 100).await;
        assert_eq!(more.iter().map(|p| p.seq).collect::<Vec<_>>(), (5_001..=5_100).collect::<Vec<_>>());
        sent.extend(more);
        // Cut off here: the next connection goes on with each lane where it was.
        let cursor = outbox.cursor(DESTINATION).await.unwrap().unwrap();
        assert!(cursor < 5_000, "the cursor stands in the backlog, at {cursor}");
        fill(&outbox, 5_101..=5_200);
        let mut lanes = Lanes::open(&outbox, cursor, 5_200).await.unwrap();
        let rest = send(&mut lanes, &outbox, usize::MAX).await;
        assert_eq!(rest[0], Place { lane: Lane::Fresh, seq: 5_101 });
        sent.extend(rest);
        let mut numbers: Vec<u64> = sent.iter().map(|place| place.seq).collect();
        numbers.sort_unstable();
        assert_eq!(numbers, (1..=5_200).collect::<Vec<_>>());
        // One lane again: the next message comes after the common cursor.
        assert_eq!((lanes.parted_at, outbox.cursor(DESTINATION).await.unwrap()), (None, Some(5_200)));
        fill(&outbox, 5_201..=5_210);
        let last = send(&mut lanes, &outbox, usize::MAX).await;
        assert_eq!((last.len(), outbox.cursor(DESTINATION).await.unwrap()), (10, Some(5_210)));
        assert!(Lanes::open(&outbox, 5_210, 5_210).await.unwrap().parted_at.is_none());
    }

    #[tokio::test]
    async fn a_second_outage_before_the_first_was_made_up_for_loses_nothing() {
        let outbox = MemoryOutbox::default();
        fill(&outbox, 1..=5_000);
        let mut lanes = Lanes::open(&outbox, 0, 5_000).await.unwrap();
        let mut sent = send(&mut lanes, &outbox, 1_000).await;
        fill(&outbox, 5_001..=9_000);
        let cursor = outbox.cursor(DESTINATION).await.unwrap().unwrap();
        let mut lanes = Lanes::open(&outbox, cursor, 9_000).await.unwrap();
        fill(&outbox, 9_001..=9_001);
        let rest = send(&mut lanes, &outbox, usize::MAX).await;
        let at = |seq| rest.iter().position(|place| place.seq == seq).unwrap();
        assert!(at(9_000) < at(9_001) && at(9_001) < at(8_999), "a warning, then what is fresh, then the backlog");
        sent.extend(rest);
        let mut numbers: Vec<u64> = sent.iter().map(|place| place.seq).collect();
        numbers.sort_unstable();
        numbers.dedup();
        assert_eq!(numbers, (1..=9_001).collect::<Vec<_>>());
    }
}
