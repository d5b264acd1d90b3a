//! Whether the broker still has what it acknowledged. A broker whose disk is full, or that saves seldom, acknowledges all
//! the same, and only its next start shows what it has lost. So at each connection it is asked for the retained state
//! that it acknowledged last on the one before.
//!
//! The question is a subscription to that one topic of our own, taken back with the answer. What comes by it is compared
//! and nothing else.

use std::collections::VecDeque;

use rumqttc::{AsyncClient, Publish, QoS};

use tallyhook_analysis::units::Span;

use super::super::http::Why;

/// Most states that are kept: a broker that hangs up at each, or acknowledges none, gets one more with each connection.
const MOST: usize = 16;

/// Marks of a state among those without an acknowledgement: of the watched topic, or of none.
pub(super) type Mark = Option<u64>;

/// The states of one topic, kept across the connections of a run.
#[derive(Debug, Default)]
pub struct Memory {
    topic: Option<String>,
    /// The one that was acknowledged last and those sent since, with their marks: any of them may be retained.
    possible: VecDeque<(u64, String)>,
    /// Some of those sent since are no longer among them.
    forgotten: bool,
    acknowledged: bool,
    next: u64,
    /// The broker has shown what it retains under it before: so nothing shown means that nothing is there.
    shows: bool,
    /// Until when an answer is waited for.
    asked: Option<Span>,
    given_up: bool,
}

impl Memory {
    /// A state goes out.
    pub(super) fn sent(&mut self, topic: &str, state: &str) -> Mark {
        let watched = self.topic.get_or_insert_with(|| topic.to_owned());
        if watched != topic {
            return None;
        }
        if let Some((mark, _)) = self.possible.back().filter(|(_, last)| last == state) {
            return Some(*mark);
        }
        if self.possible.len() >= MOST {
            // Not the first, which was acknowledged.
            self.possible.remove(1);
            self.forgotten = true;
        }
        self.next += 1;
        self.possible.push_back((self.next, state.to_owned()));
        Some(self.next)
    }

    /// The broker has acknowledged a state.
    pub(super) fn acknowledged(&mut self, mark: Mark) {
        let Some(mark) = mark else { return };
        self.acknowledged = true;
        self.forgotten = false;
        while self.possible.front().is_some_and(|(sent, _)| *sent < mark) {
            self.possible.pop_front();
        }
    }

    /// Asks a broker that has acknowledged something on an earlier connection, before anything is published on this one.
    /// `until`: when there will be no answer any more.
    ///
    /// # Errors
    /// What the client says.
    pub(super) fn ask(&mut self, client: &AsyncClient, until: Span) -> Result<(), String> {
        self.asked = None;
        if !self.acknowledged {
            // It will not be asked for what only earlier connections sent.
            self.possible.clear();
        }
        let may = self.acknowledged && !self.given_up;
        let Some(topic) = self.topic.as_deref().filter(|_| may) else { return Ok(()) };
        client.try_subscribe(topic, QoS::AtLeastOnce).map_err(|error| error.to_string())?;
        self.asked = Some(until);
        Ok(())
    }

    /// Until when an answer is waited for, if one is.
    pub(super) const fn waits_until(&self) -> Option<Span> {
        self.asked
    }

    /// Whether something that came in is under our topic.
    pub(super) fn is_ours(&self, publish: &Publish) -> bool {
        self.topic.as_deref().is_some_and(|topic| publish.topic == topic.as_bytes())
    }

    /// The broker's answer, or that there is none; takes the question back. An error: what the broker has acknowledged is
    /// not there.
    pub(super) fn answered(&mut self, client: &AsyncClient, retained: Option<&[u8]>) -> Option<Result<(), Why>> {
        self.asked.take()?;
        // A connection that ends just now takes the subscription with it.
        self.topic.as_deref().into_iter().for_each(|topic| drop(client.try_unsubscribe(topic)));
        self.judge(retained)
    }

    /// What came in could not be read: it is not asked for again.
    pub(super) const fn give_up(&mut self) {
        self.given_up = true;
    }

    fn judge(&mut self, retained: Option<&[u8]>) -> Option<Result<(), Why>> {
        let what = match retained {
            Some(state) if self.possible.iter().any(|(_, possible)| possible.as_bytes() == state) => {
                self.shows = true;
                return Some(Ok(()));
            }
            Some(_) if self.forgotten => {
                self.shows = true;
                return None;
            }
            Some(_) => {
                self.shows = true;
                "the broker has an older state than the one that it acknowledged last"
            }
            None if self.shows => "the broker no longer has the state that it acknowledged last",
            // It may be that we are not allowed to read there.
            None => return None,
        };
        Some(Err(Why::new(
            format!("{what}: messages that it held for subscribers who were away may be lost with it"),
            "see whether the broker's disk is full or cannot be written, and that it saves what it holds; what was told is \
             still in the store (`tallyhook lifts`, `tallyhook export`)",
        )))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(memory: &mut Memory, retained: Option<&str>) -> Option<bool> {
        memory.judge(retained.map(str::as_bytes)).map(|answer| answer.is_ok())
    }

    #[test]
    fn the_state_acknowledged_last_or_one_sent_since_is_what_a_good_broker_has() {
        let mut memory = Memory::default();
        let marks: Vec<Mark> = ["1", "2", "3"].iter().map(|state| memory.sent("r/c/m/state", state)).collect();
        assert_eq!(memory.sent("r/c/other/state", "x"), None);
        memory.acknowledged(marks[1]);
        assert_eq!(asked(&mut memory, None), None, "perhaps it does not let us read");
        assert_eq!(asked(&mut memory, Some("2")), Some(true));
        assert_eq!(asked(&mut memory, Some("3")), Some(true));
        assert_eq!(asked(&mut memory, Some("1")), Some(false), "it had acknowledged 2");
        assert_eq!(asked(&mut memory, None), Some(false), "it has shown what it has before");
    }

    /// A broker that lets us in and hangs up at the first publish, or that never acknowledges: each connection sends again.
    #[test]
    fn a_broker_that_acknowledges_nothing_any_more_fills_no_memory() {
        let options = rumqttc::MqttOptions::new("crane", ("127.0.0.1", 1));
        let (client, _wire) = AsyncClient::builder(options).unbounded().try_build().unwrap();
        let mut memory = Memory::default();
        let connect = |memory: &mut Memory, state: &str| {
            memory.ask(&client, Span::ZERO).unwrap();
            memory.sent("r/c/m/state", state)
        };
        for n in 0..1_000 {
            connect(&mut memory, &n.to_string());
        }
        assert_eq!(memory.possible.len(), 1, "nothing was ever acknowledged, so nothing is asked for");
        let mark = connect(&mut memory, "a");
        memory.acknowledged(mark);
        // The same text is the same state.
        let again = connect(&mut memory, "a");
        assert_eq!((again, memory.possible.len()), (mark, 1));
        for n in 0..1_000 {
            connect(&mut memory, &n.to_string());
        }
        assert_eq!(memory.possible.len(), MOST);
        assert_eq!(asked(&mut memory, Some("a")), Some(true), "what was acknowledged last");
        assert_eq!(asked(&mut memory, Some("999")), Some(true), "the newest");
        assert_eq!(asked(&mut memory, Some("1")), None, "it was sent, and is no longer known");
        // An acknowledgement makes an end of it.
        let mark = connect(&mut memory, "b");
        memory.acknowledged(mark);
        assert_eq!(memory.possible.len(), 1);
        assert_eq!(asked(&mut memory, Some("1")), Some(false));
    }
}
