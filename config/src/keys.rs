//! Every key of the file: what it means, its unit, range and default. The reader, the starter and `reference.md` are
//! all driven by this one table.

mod destination;
mod drive;
mod mechanism;
mod site;

pub(crate) use destination::{INFLUX, MATRIX, MQTT, WEBHOOK};
pub(crate) use drive::{BUS, DRIVE, PROFILE};
pub(crate) use mechanism::{CRANE, LIFT, LOAD, MECHANISM, PART, POINT, PRIOR, REEVING, SIGNAL, SIGNALS, WARN};
pub(crate) use site::{ALARMS, BUDGET, OUTBOX, PAGE, SAMPLES, SITE, STORE};

/// What may stand behind a key.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum Form {
    /// A text; the words say which.
    Text(&'static str),
    /// An identifier: letters, digits, `-`, `_`, at most 64.
    Name,
    /// One of these words.
    Choice(&'static [&'static str]),
    /// A number.
    Number(Bounds),
    /// A number taken exactly as it is written, or a fraction.
    Ratio(Bounds),
    /// Raw values, one or a list; the words say which.
    Codes(&'static str),
    /// A whole number.
    Whole(Bounds),
    /// A list of texts; the words say which.
    Words(&'static str),
    /// A list of numbers.
    Numbers(Bounds),
    /// A time; bounds in seconds.
    Time(Bounds),
    /// `true` or `false`.
    YesNo,
    /// A table of its own.
    Section,
    /// A list of tables.
    Sections,
    /// A table of texts; the words say what is in it.
    Texts(&'static str),
}

/// The least and the greatest value, and their unit.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Bounds {
    pub(crate) low: f64,
    /// The least value itself is not allowed.
    pub(crate) above_low: bool,
    pub(crate) high: f64,
    pub(crate) unit: &'static str,
}

const fn within(low: f64, high: f64, unit: &'static str) -> Bounds {
    Bounds { low, above_low: false, high, unit }
}

const fn above(low: f64, high: f64, unit: &'static str) -> Bounds {
    Bounds { low, above_low: true, high, unit }
}

impl Bounds {
    pub(crate) fn hold(&self, value: f64) -> bool {
        // NaN is in no range.
        (value > self.low || (value == self.low && !self.above_low)) && value <= self.high
    }
}

/// What holds when the key is not there.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Absent {
    /// It must be there.
    Fault,
    /// This value, written as in the file (texts without their quotes).
    Default(&'static str),
    /// In words.
    Means(&'static str),
}

/// One key.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Key {
    pub(crate) name: &'static str,
    pub(crate) form: Form,
    pub(crate) absent: Absent,
    pub(crate) what: &'static str,
}

/// A table of the file with its keys.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Group {
    /// Header as it is written in the file; the first one is the file itself.
    pub(crate) header: &'static str,
    pub(crate) what: &'static str,
    pub(crate) keys: &'static [Key],
}

const fn key(name: &'static str, form: Form, absent: Absent, what: &'static str) -> Key {
    Key { name, form, absent, what }
}

use Absent::{Fault, Means};
use Form::{Section, Sections};

pub(crate) const FILE: Group = Group {
    header: "the file",
    what: "The tables of the file.",
    keys: &[
        key("site", Section, Means("all its defaults"), "The site."),
        key("store", Section, Means("all its defaults"), "Where the ledger is kept."),
        key("page", Section, Means("all its defaults"), "The page."),
        key("drive", Section, Fault, "A device on the wire, a table `[drive.NAME]` each."),
        key(
            "bus",
            Section,
            Means("every drive has an address of its own"),
            "A shared line, a table `[bus.NAME]` each.",
        ),
        key("crane", Sections, Fault, "A crane, a table `[[crane]]` each."),
        key("alarms", Section, Means("all its defaults"), "How people are reminded of warnings."),
        key("outbox", Section, Means("all its defaults"), "How long what is to be told is kept."),
        key("mqtt", Section, Means("no broker is fed"), "The broker."),
        key("webhook", Sections, Means("no chat is told"), "A chat destination, a table `[[webhook]]` each."),
        key("influx", Section, Means("no time-series server is fed"), "The time-series server."),
        key("matrix", Section, Means("no chat room is told"), "The chat room."),
    ],
};

/// Every table, in the order of the reference.
pub(crate) const ALL: &[&Group] = &[
    &FILE, &SITE, &STORE, &SAMPLES, &BUDGET, &PAGE, &DRIVE, &BUS, &PROFILE, &CRANE, &MECHANISM, &SIGNALS, &SIGNAL,
    &LOAD, &POINT, &REEVING, &PART, &LIFT, &WARN, &PRIOR, &ALARMS, &OUTBOX, &MQTT, &WEBHOOK, &INFLUX, &MATRIX,
];

/// A number as it is written in the file: no exponent, no needless decimals.
pub(crate) fn plain(value: f64) -> String {
    // TOML has `nan` in small letters.
    format!("{value}").to_lowercase()
}

/// A number of seconds as it is written in the file.
pub(crate) fn time(seconds: f64) -> String {
    let (value, unit) = match seconds {
        0.0 => (0.0, "s"),
        s if s.abs() < 1.0 => (s * 1000.0, "ms"),
        s if s % 3600.0 == 0.0 => (s / 3600.0, "h"),
        s if s % 60.0 == 0.0 => (s / 60.0, "min"),
        s => (s, "s"),
    };
    format!("{}{unit}", plain((value * 1e6).round() / 1e6))
}

impl Form {
    /// The allowed values with their unit, in words.
    pub(crate) fn range(&self) -> String {
        let span = |b: &Bounds, show: fn(f64) -> String| {
            let low = if b.above_low { format!("above {}, up", show(b.low)) } else { show(b.low) };
            let unit = if b.unit.is_empty() { String::new() } else { format!(" {}", b.unit) };
            format!("{low} to {}{unit}", show(b.high))
        };
        match self {
            Form::Text(words) => (*words).to_owned(),
            Form::Name => "1 to 64 letters, digits, `-`, `_`".to_owned(),
            Form::Choice(words) => words.join(", "),
            Form::Number(b) => span(b, plain),
            Form::Ratio(b) => format!("{}, or a fraction such as \"1/3\"", span(b, plain)),
            Form::Codes(words) | Form::Words(words) => (*words).to_owned(),
            Form::Whole(b) => format!("whole number, {}", span(b, plain)),
            Form::Numbers(b) => format!("list of numbers, {}", span(b, plain)),
            Form::Time(b) => span(b, time),
            Form::YesNo => "true, false".to_owned(),
            Form::Section => "a table".to_owned(),
            Form::Sections => "a list of tables".to_owned(),
            Form::Texts(words) => format!("a table of {words}"),
        }
    }
}

impl Absent {
    /// What holds when the key is not there, in words.
    pub(crate) fn words(&self) -> String {
        match self {
            Absent::Fault => "must be given".to_owned(),
            Absent::Default("") => "default empty".to_owned(),
            Absent::Default(value) => format!("default {value}"),
            Absent::Means(words) => format!("when absent: {words}"),
        }
    }
}
