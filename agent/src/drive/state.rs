//! How a link stands, in words that people can act on, and a drive's record of it.

use std::fmt;

use tallyhook_analysis::units::Timestamp;

use super::DriveReading;

/// How the link to a drive stands. The words of [`fmt::Display`] are for people.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum LinkState {
    /// The drive answers.
    Online,
    /// The drive answers, but refuses a read: a mapping fault, not a broken link.
    Exception {
        /// The function code that was refused, 1 to 4.
        function: u8,
        /// The Modbus exception code.
        code: u8,
        /// First address of the refused read.
        address: u16,
    },
    /// The drive answers, but a value is none that the signal can have.
    Implausible {
        /// The first such signal.
        signal: &'static str,
    },
    /// No connection yet, and no attempt has failed.
    Connecting,
    /// A connection could not be made; the text says why.
    Unreachable(String),
    /// The connection stands, but no answer came in time; or a gateway says that it gets none.
    Silent,
    /// The connection broke; the text says how.
    Broken(String),
    /// What came was no answer to the question; the text says why.
    Garbled(String),
}

impl LinkState {
    /// Whether the drive answered at all.
    pub const fn is_up(&self) -> bool {
        match self {
            LinkState::Online | LinkState::Implausible { .. } => true,
            // A gateway that speaks for a device it does not reach.
            LinkState::Exception { code, .. } => !matches!(code, 10 | 11),
            _ => false,
        }
    }

    /// The state's name in JSON.
    pub const fn name(&self) -> &'static str {
        match self {
            LinkState::Online => "online",
            LinkState::Exception { .. } => "exception",
            LinkState::Implausible { .. } => "implausible",
            LinkState::Connecting => "connecting",
            LinkState::Unreachable(_) => "unreachable",
            LinkState::Silent => "silent",
            LinkState::Broken(_) => "broken",
            LinkState::Garbled(_) => "garbled",
        }
    }
}

impl fmt::Display for LinkState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            LinkState::Online => f.write_str("online"),
            LinkState::Exception { function, code, address } => {
                let why = exception_words(*code);
                write!(f, "answers, but refuses to read at address {address} (function {function}): {why}")
            }
            LinkState::Implausible { signal } => {
                write!(f, "answers, but with a value that `{signal}` cannot have: check type, word order and scale")
            }
            LinkState::Connecting => f.write_str("connecting"),
            LinkState::Unreachable(why) => write!(f, "not reachable: {why}"),
            LinkState::Silent => f.write_str("connected, but gives no answer"),
            LinkState::Broken(why) => write!(f, "connection lost: {why}"),
            LinkState::Garbled(why) => write!(f, "not understood: {why}"),
        }
    }
}

/// What an exception code means (Modbus Application Protocol 1.1b3, section 7).
pub fn exception_words(code: u8) -> String {
    let words = match code {
        1 => "it does not know the function",
        2 => "it has no such address",
        3 => "it does not accept the number of registers",
        4 => "it failed while answering",
        5 => "it has accepted the request but needs long",
        6 => "it is busy",
        8 => "its memory is faulty",
        10 => "the gateway has no path to it",
        11 => "the gateway gets no answer from it",
        _ => return format!("exception {code}"),
    };
    format!("{words} (exception {code})")
}

/// A drive's record since the program started.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct DriveHealth {
    /// Ticks, failed ones included.
    pub polls: u64,
    /// Ticks at which the drive gave no answer.
    pub failures: u64,
    /// Ticks at which it answered, but refused at least one read.
    pub refusals: u64,
    /// When it last answered.
    pub last_ok: Option<Timestamp>,
    /// How the link stands.
    pub state: LinkState,
    /// Since when it stands so.
    pub since: Timestamp,
}

impl DriveHealth {
    /// The record of a drive that has not been polled yet.
    pub const fn new(now: Timestamp) -> Self {
        DriveHealth { polls: 0, failures: 0, refusals: 0, last_ok: None, state: LinkState::Connecting, since: now }
    }

    /// Takes a reading; true when the state changed by it, so that it can be said once.
    pub fn take(&mut self, reading: &DriveReading) -> bool {
        self.polls += 1;
        if reading.link.is_up() {
            self.last_ok = Some(reading.at.wall);
            self.refusals += u64::from(reading.link != LinkState::Online);
        } else {
            self.failures += 1;
        }
        let changed = self.state != reading.link;
        if changed {
            self.state = reading.link.clone();
            self.since = reading.at.wall;
        }
        changed
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::Reading;

    #[test]
    fn health_counts_and_says_a_change_once() {
        let mut health = DriveHealth::new(Timestamp::from_ms(0));
        let mut take = |ms, link: LinkState| {
            let at = Reading { wall: Timestamp::from_ms(ms), ..Reading::default() };
            health.take(&DriveReading { drive: "d".into(), at, link, values: Vec::new() })
        };
        assert!(take(1, LinkState::Online));
        assert!(!take(2, LinkState::Online));
        assert!(take(3, LinkState::Silent));
        assert!(!take(4, LinkState::Silent));
        assert!(take(5, LinkState::Exception { function: 3, code: 2, address: 7 }));
        assert_eq!((health.polls, health.failures, health.refusals), (5, 2, 1));
        assert_eq!((health.last_ok, health.since), (Some(Timestamp::from_ms(5)), Timestamp::from_ms(5)));
        let words = health.state.to_string();
        assert!(words.contains("no such address") && words.contains('7'), "{words}");
    }
}
