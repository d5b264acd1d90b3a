//! How a link stands, in words that people can act on, and a drive's record of it.

use std::fmt;
use std::sync::Arc;

use serde::{Deserialize, Serialize, Serializer};
use tallyhook_analysis::units::{Span, Timestamp};

use super::{DriveReading, RawWords};
use crate::clock::Reading;
use crate::figures::rfc3339;

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
    /// Ticks at which it answered with a value that the signal cannot have.
    pub implausible: u64,
    /// When it last answered.
    pub last_ok: Option<Timestamp>,
    /// How the link stands.
    pub state: LinkState,
    /// Since when it stands so.
    pub since: Timestamp,
    /// What the drive said at its last answer is wrong with it, in words; `None` when nothing, or nothing with words.
    pub fault: Option<String>,
    /// How often the site's clock was put right while it was polled.
    pub clock_jumps: u64,
    /// When that was last, and by how much.
    pub last_clock_jump: Option<(Timestamp, Span)>,
    /// When it last answered, or the start, on the clock that nobody can set.
    answered: Span,
    /// Silence longer than this is a finding.
    silent_after: Span,
    /// The silence that lasts has been told.
    silence_told: bool,
}

/// What is to be told of a silence.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Silence {
    /// It has lasted for as long as is a finding.
    Found {
        /// For how long.
        lasts: Span,
    },
    /// The drive answers again, after a silence that was told.
    Over,
}

impl DriveHealth {
    /// The record of a drive that has not been polled yet; silence longer than `silent_after` is a finding.
    pub const fn new(now: Reading, silent_after: Span) -> Self {
        DriveHealth {
            polls: 0,
            failures: 0,
            refusals: 0,
            implausible: 0,
            last_ok: None,
            state: LinkState::Connecting,
            since: now.wall,
            fault: None,
            clock_jumps: 0,
            last_clock_jump: None,
            answered: now.mono,
            silent_after,
            silence_told: false,
        }
    }

    /// Whether an earlier run told of a silence whose end has not been told.
    pub const fn set_silence_told(&mut self, told: bool) {
        self.silence_told = told;
    }

    /// Takes a reading; true when the state changed by it, so that it can be said once.
    pub fn take(&mut self, reading: &DriveReading) -> bool {
        self.polls += 1;
        if reading.link.is_up() {
            self.last_ok = Some(reading.at.wall);
            self.fault.clone_from(&reading.fault);
            self.refusals += u64::from(matches!(reading.link, LinkState::Exception { .. }));
            self.implausible += u64::from(matches!(reading.link, LinkState::Implausible { .. }));
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

    /// What is to be told of its silence at a reading that was taken, once each. Being off for a night or a weekend is
    /// no finding.
    pub fn silence(&mut self, reading: &DriveReading) -> Option<Silence> {
        if reading.link.is_up() {
            self.answered = reading.at.mono;
            return std::mem::take(&mut self.silence_told).then_some(Silence::Over);
        }
        let lasts = Span::from_ms(reading.at.mono.as_ms().saturating_sub(self.answered.as_ms()));
        if self.silence_told || lasts < self.silent_after {
            return None;
        }
        self.silence_told = true;
        Some(Silence::Found { lasts })
    }

    /// The site's clock was put right at this reading.
    pub fn clock_jumped(&mut self, at: Timestamp, by: Span) {
        self.clock_jumps += 1;
        self.last_clock_jump = Some((at, by));
    }

    /// The record as views show it.
    pub fn figures(&self, drive: &str) -> DriveFigures {
        DriveFigures {
            drive: drive.to_owned(),
            state: self.state.name().to_owned(),
            words: self.state.to_string(),
            since: rfc3339(self.since),
            fault: self.fault.clone(),
            last_answer: self.last_ok.map(rfc3339),
            polls: self.polls,
            failures: self.failures,
            refusals: self.refusals,
            implausible: self.implausible,
            clock_jumps: self.clock_jumps,
            clock: self.last_clock_jump.map(|(at, by)| {
                format!(
                    "the clock was put right by {:.3} s at {}; dates before it may be wrong",
                    by.as_seconds(),
                    rfc3339(at)
                )
            }),
            signals: Vec::new(),
        }
    }
}

/// One signal as it was last read.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct SignalFigures {
    /// Identifier of the mechanism.
    #[serde(serialize_with = "text")]
    pub mechanism: Arc<str>,
    /// Its name in the configuration, with its unit.
    pub signal: &'static str,
    /// Table of the device: `holding`, `input`, `coil` or `discrete`.
    pub table: &'static str,
    /// Address in that table.
    pub address: u16,
    /// The words as the device gave them when it was last asked for them, before word order, type and scale; a coil or input is one word
    /// of 0 or 1. Empty when nothing was read.
    #[serde(serialize_with = "words")]
    pub raw: RawWords,
    /// The decoded value in the unit of its name, 1 and 0 for on and off; `null` when it was not read when last asked for.
    pub value: Option<f64>,
    /// When it was last read with a value, RFC 3339; `null` if it never was.
    #[serde(serialize_with = "some_text")]
    pub read_at: Option<Arc<str>>,
}

fn text<S: Serializer>(text: &Arc<str>, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(text)
}

fn some_text<S: Serializer>(text: &Option<Arc<str>>, serializer: S) -> Result<S::Ok, S::Error> {
    text.as_deref().serialize(serializer)
}

fn words<S: Serializer>(words: &RawWords, serializer: S) -> Result<S::Ok, S::Error> {
    words.as_slice().serialize(serializer)
}

/// One drive's record as views show it.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct DriveFigures {
    /// The drive's name.
    pub drive: String,
    /// `online`, `exception`, `implausible`, `connecting`, `unreachable`, `silent`, `broken` or `garbled`.
    pub state: String,
    /// The same in words for people, with the particulars.
    pub words: String,
    /// Since when, RFC 3339.
    pub since: String,
    /// What the drive said at its last answer is wrong with it; `null` when nothing, or nothing with words.
    pub fault: Option<String>,
    /// When it last answered, RFC 3339; `null` if it never did.
    pub last_answer: Option<String>,
    /// Ticks, failed ones included.
    pub polls: u64,
    /// Ticks without an answer.
    pub failures: u64,
    /// Ticks with a refusal.
    pub refusals: u64,
    /// Ticks with a value that the signal cannot have.
    pub implausible: u64,
    /// How often the clock was put right.
    pub clock_jumps: u64,
    /// That the clock was put right, when last and by how much, in words; `null` if it never was.
    pub clock: Option<String>,
    /// Its signals; not kept in the store.
    #[serde(skip_deserializing)]
    pub signals: Vec<SignalFigures>,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(ms: i64, link: LinkState) -> DriveReading {
        let at = Reading { wall: Timestamp::from_ms(ms), mono: Span::from_ms(ms) };
        DriveReading {
            drive: "d".into(),
            before: Default::default(),
            at,
            link,
            fault: None,
            values: super::super::Values::new(),
        }
    }

    fn health() -> DriveHealth {
        DriveHealth::new(Reading::default(), Span::from_ms(1000))
    }

    #[test]
    fn a_fault_is_kept_with_its_words_until_the_drive_takes_it_back() {
        let at = Reading::default();
        let mut health = DriveHealth::new(at, Span::from_ms(1000));
        let said = |fault: Option<&str>, link| DriveReading { fault: fault.map(str::to_owned), ..reading(1, link) };
        health.take(&said(Some("over-current"), LinkState::Online));
        assert_eq!(health.figures("d").fault.as_deref(), Some("over-current"));
        health.take(&said(None, LinkState::Silent));
        assert_eq!(
            health.figures("d").fault.as_deref(),
            Some("over-current"),
            "a drive that is off takes nothing back"
        );
        health.take(&said(None, LinkState::Online));
        assert_eq!(health.figures("d").fault, None);
    }

    #[test]
    fn health_counts_and_says_a_change_once() {
        let mut health = health();
        let mut take = |ms, link: LinkState| health.take(&reading(ms, link));
        assert!(take(1, LinkState::Online));
        assert!(!take(2, LinkState::Online));
        assert!(take(3, LinkState::Silent));
        assert!(!take(4, LinkState::Silent));
        assert!(take(5, LinkState::Implausible { signal: "load_kg" }));
        assert!(take(6, LinkState::Exception { function: 3, code: 2, address: 7 }));
        assert_eq!((health.polls, health.failures, health.refusals, health.implausible), (6, 2, 1, 1));
        assert_eq!((health.last_ok, health.since), (Some(Timestamp::from_ms(6)), Timestamp::from_ms(6)));
        let words = health.state.to_string();
        assert!(words.contains("no such address") && words.contains('7'), "{words}");
    }

    #[test]
    fn each_state_has_a_name_and_words_of_its_own() {
        let exception = |code| LinkState::Exception { function: 3, code, address: 7 };
        let mut states = vec![
            LinkState::Online,
            LinkState::Implausible { signal: "load_kg" },
            LinkState::Connecting,
            LinkState::Unreachable("refused".into()),
            LinkState::Silent,
            LinkState::Broken("closed".into()),
            LinkState::Garbled("wrong checksum".into()),
        ];
        let mut names: Vec<&str> = states.iter().map(LinkState::name).chain([exception(2).name()]).collect();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), 8);
        states.extend((1..=11).map(exception));
        let mut words: Vec<String> = states.iter().map(ToString::to_string).collect();
        words.sort();
        words.dedup();
        assert_eq!(words.len(), states.len(), "{words:#?}");
    }

    #[test]
    fn a_long_silence_is_told_once_and_so_is_its_end() {
        let mut health = health();
        let mut silence = |ms, link| health.silence(&reading(ms, link));
        assert_eq!(silence(900, LinkState::Silent), None, "a night");
        assert_eq!(silence(950, LinkState::Online), None);
        assert_eq!(silence(1949, LinkState::Unreachable("off".into())), None);
        assert_eq!(silence(1950, LinkState::Silent), Some(Silence::Found { lasts: Span::from_ms(1000) }));
        assert_eq!(silence(9000, LinkState::Broken("gone".into())), None, "once");
        // A gateway that speaks for a device it does not reach is no answer of the device.
        assert_eq!(silence(9100, LinkState::Exception { function: 3, code: 10, address: 0 }), None);
        assert_eq!(silence(9200, LinkState::Exception { function: 3, code: 2, address: 0 }), Some(Silence::Over));
        assert_eq!(silence(9300, LinkState::Online), None);
    }

    #[test]
    fn the_clock_s_jump_stands_beside_the_state() {
        let mut health = health();
        health.take(&reading(1, LinkState::Online));
        assert_eq!(health.figures("d").clock, None);
        health.clock_jumped(Timestamp::from_ms(1_773_000_000_000), Span::from_ms(3_600_000));
        let figures = health.figures("d");
        assert_eq!((figures.state.as_str(), figures.clock_jumps), ("online", 1));
        assert!(figures.clock.unwrap().contains("put right by 3600.000 s at 2026-03-08"));
    }
}
