//! The checked configuration: what the rest of the program works with. Only [`crate::load()`] makes one.

use std::collections::{BTreeMap, BTreeSet};
use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;

use jiff::tz::TimeZone;
use tallyhook_analysis::account::Terms;
use tallyhook_analysis::class::{ApplianceGroup, MechanismGroup, MechanismLoading};
use tallyhook_analysis::counter::Counter;
use tallyhook_analysis::load;
use tallyhook_analysis::period::{FactorScale, Part, PartKind, Recording};
use tallyhook_analysis::recorder::Spec;
use tallyhook_analysis::sample::{Flag, Quantity};
use tallyhook_analysis::units::{Grams, Span};
use tallyhook_analysis::wear::{Limit, Reeving};

pub use crate::rational::Rational;
use crate::wire::{Cost, Limits, Readable, Speed};
pub use crate::word::{ByteOrder, RawType, Register, Table, WordOrder};

/// A whole site: everything one box looks after.
#[derive(Clone, Debug)]
pub struct Config {
    /// Name of the site, as people write it.
    pub site_name: String,
    /// The site's time zone: days close at its midnight.
    pub time_zone: TimeZone,
    /// Units that people at the site are shown.
    pub units: Units,
    /// Language of the page and the report.
    pub language: Language,
    /// The ledger's store.
    pub store: Store,
    /// The page.
    pub page: Page,
    /// Devices on the wire by name.
    pub drives: BTreeMap<String, Drive>,
    /// The cranes, in the order of the file.
    pub cranes: Vec<Crane>,
    /// How people are reminded of warnings.
    pub alarms: Alarms,
    /// How long what is to be told is kept.
    pub outbox: Outbox,
    /// The broker, if one is fed.
    pub mqtt: Option<Mqtt>,
    /// Chat destinations.
    pub webhooks: Vec<Webhook>,
    /// The time-series server, if one is fed.
    pub influx: Option<Influx>,
    /// The chat room, if one is told.
    pub matrix: Option<Matrix>,
}

impl Config {
    /// All mechanisms with their crane, in the order of the file.
    pub fn mechanisms(&self) -> impl Iterator<Item = (&Crane, &Mechanism)> {
        self.cranes.iter().flat_map(|c| c.mechanisms.iter().map(move |m| (c, m)))
    }
}

/// How chat is told, and people reminded of warnings that nobody has acknowledged.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Alarms {
    /// A warning is told again after this time; zero never.
    pub remind_every: Span,
    /// Hours of the site's day in which nobody is reminded: from, to; may pass midnight.
    pub quiet: Option<(f64, f64)>,
    /// What chat is not told in those hours.
    pub quiet_holds: QuietHolds,
    /// When so many messages wait for a chat they are told in one; 0 and 1 never.
    pub group_from: u32,
    /// When chat is told of the week: the day, 1 for Monday to 7 for Sunday, and the hour of it, 0 to 24.
    pub digest: Option<(u8, f64)>,
}

/// What chat is not told before the quiet hours are over.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum QuietHolds {
    /// It is told all.
    Nothing,
    /// All but what matters for life and limb.
    #[default]
    Ordinary,
    /// All.
    Everything,
}

impl Default for Alarms {
    fn default() -> Self {
        Alarms {
            remind_every: Span::from_ms(24 * 3_600_000),
            quiet: None,
            quiet_holds: QuietHolds::default(),
            group_from: 10,
            digest: None,
        }
    }
}

impl Alarms {
    /// Whether an hour of the day (0 to 24) is a quiet one.
    pub fn is_quiet(&self, hour: f64) -> bool {
        match self.quiet {
            Some((from, to)) if from <= to => from <= hour && hour < to,
            Some((from, to)) => hour >= from || hour < to,
            None => false,
        }
    }
}

/// How long lifts and days are kept for destinations that are away.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Outbox {
    /// Days that a message is kept, told or not.
    pub keep_days: u32,
    /// Room on the disk, millions of bytes.
    pub max_mb: u32,
}

impl Default for Outbox {
    fn default() -> Self {
        Outbox { keep_days: 400, max_mb: 512 }
    }
}

/// Units that people are shown; figures and limits are the same in both.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Units {
    /// Kilograms, tonnes, metres.
    #[default]
    Metric,
    /// Pounds, US tons of 2,000 lb, feet.
    Us,
}

/// Language of the page and the report; all else (shell, JSON, exports, messages) stays English.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Language {
    /// English, decimal point.
    #[default]
    English,
    /// German, decimal comma.
    German,
}

/// Where and how the ledger is kept.
#[derive(Clone, Debug)]
pub struct Store {
    /// Directory of the store; a relative one is taken from the configuration file's directory.
    pub directory: PathBuf,
    /// How long a mechanism may run without a commit. Default 30 s, range 1 s to 1 h.
    pub commit_every: Span,
    /// The ring of raw samples, `None` when they are not kept.
    pub recording: Option<RecordingRing>,
    /// Where a copy is put every day; a relative one is taken from the store's directory. `None` for no copies.
    pub backup: Option<PathBuf>,
    /// How many copies are kept, 1 to 100. Default 3.
    pub backup_keep: u32,
    /// What ledger and raw samples may take; `None`: nothing is ever given up.
    pub budget: Option<Budget>,
}

impl Store {
    /// A store with everything else at its default.
    pub fn plain(directory: impl Into<PathBuf>) -> Self {
        Store {
            directory: directory.into(),
            commit_every: Span::from_ms(30_000),
            recording: None,
            backup: Some("backup".into()),
            backup_keep: 3,
            budget: None,
        }
    }

    /// The directory of the daily copies.
    pub fn backup_directory(&self) -> Option<PathBuf> {
        self.backup.as_ref().map(|backup| self.directory.join(backup))
    }
}

/// What the store may take on the disk.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Budget {
    /// Megabytes (10⁶ bytes) of ledger and raw samples, copies apart.
    pub megabytes: u32,
    /// Days of whose ledger nothing is given up.
    pub whole_days: u32,
}

/// Bounds of the ring of raw samples; whichever is reached first.
#[derive(Clone, Copy, Debug)]
pub struct RecordingRing {
    /// Days kept.
    pub days: u32,
    /// Megabytes (10⁶ bytes) kept.
    pub megabytes: u32,
}

/// The page's listener, and who may come in.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Page {
    /// Where it listens; a loopback address by default. Beyond that only with users, and with a certificate or a proxy.
    pub listen: SocketAddr,
    /// PEM files of the certificate with its chain and of its key: the page speaks TLS.
    pub tls: Option<(PathBuf, PathBuf)>,
    /// The one address that may call: that of a proxy, which speaks TLS with the readers.
    pub proxy: Option<IpAddr>,
    /// The file of the named users. Without it nobody logs in, and changes are taken from the box itself only.
    pub users_file: Option<PathBuf>,
}

impl Page {
    /// A page without TLS, proxy and users.
    pub fn plain(listen: SocketAddr) -> Self {
        Page { listen, tls: None, proxy: None, users_file: None }
    }

    /// Whether a reader's browser speaks TLS, with us or with the proxy.
    pub fn is_secured(&self) -> bool {
        self.tls.is_some() || self.proxy.is_some()
    }
}

/// A device on the wire.
#[derive(Clone, Debug)]
pub struct Drive {
    /// Its name in the file.
    pub name: String,
    /// How it is reached.
    pub link: Link,
    /// Modbus unit identifier, 0 to 255.
    pub unit: u8,
    /// Polling period. Default 100 ms, range 10 ms to 1 h.
    pub poll: Span,
    /// Longest wait for an answer. Default 1 s.
    pub timeout: Span,
    /// Most registers in one request, 1 to 125.
    pub max_registers: u16,
    /// Most coils or discrete inputs in one request, 1 to 2000.
    pub max_contacts: u16,
    /// Addresses that may be read although no signal lies there.
    pub readable: Readable,
    /// Period of the counters, `run_hours` and `starts`. Default 5 s; never shorter than `poll`.
    pub poll_counters: Span,
    /// What the device takes to answer, for the arithmetic of a shared line. Default 5 ms.
    pub answer_delay: Span,
    /// Silence longer than this is a finding. Default 100 h, longer than a long weekend.
    pub silent_after: Span,
}

impl Drive {
    /// What bounds its reads.
    pub fn limits(&self) -> Limits {
        Limits {
            max_registers: self.max_registers,
            max_contacts: self.max_contacts,
            readable: self.readable.clone(),
            cuts: BTreeSet::new(),
        }
    }

    /// What its reads cost.
    pub fn cost(&self) -> Cost {
        let delay_ns = self.answer_delay.as_ms().max(0) as u64 * 1_000_000;
        match self.link.speed() {
            Some(speed) => Cost::serial(speed, delay_ns),
            None => Cost::network(delay_ns),
        }
    }
}

/// How a device is reached.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Link {
    /// Modbus TCP, a connection of the device's own.
    Tcp {
        /// Host name or address, and port.
        address: String,
    },
    /// A line that it shares with others.
    Bus(Bus),
}

impl Link {
    /// Rate of the serial line at its end, where there is one and it is known.
    pub fn speed(&self) -> Option<Speed> {
        match self {
            Link::Tcp { .. } => None,
            Link::Bus(bus) => match &bus.line {
                Line::Serial { speed, .. } => Some(*speed),
                Line::Gateway { speed, .. } => *speed,
            },
        }
    }
}

/// A line with several devices: one request at a time.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Bus {
    /// Its name in the file.
    pub name: String,
    /// What it is made of.
    pub line: Line,
}

/// What a shared line is made of.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Line {
    /// A serial port of this box, RTU framing.
    Serial {
        /// The port's device file.
        device: String,
        /// Rate and character format.
        speed: Speed,
        /// Whether the kernel is asked to switch the direction of an RS-485 transceiver.
        rs485: bool,
    },
    /// A gateway or serial server on the network.
    Gateway {
        /// Host name or address, and port.
        address: String,
        /// How it frames.
        framing: Framing,
        /// Rate of the line behind it, where it is given.
        speed: Option<Speed>,
    },
}

/// How requests and answers are framed on a stream.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Framing {
    /// Modbus TCP: a header with a transaction number.
    Tcp,
    /// Modbus RTU: a checksum, no number.
    Rtu,
}

/// A crane.
#[derive(Clone, Debug)]
pub struct Crane {
    /// Identifier: letters, digits, `-`, `_`.
    pub id: String,
    /// Name, as people write it.
    pub name: String,
    /// Group of the appliance it was bought for, ISO 4301-1:1986.
    pub group: ApplianceGroup,
    /// Design life, years; 20 unless said otherwise.
    pub design_life_years: f64,
    /// Its mechanisms, in the order of the file.
    pub mechanisms: Vec<Mechanism>,
}

/// What a mechanism moves.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Kind {
    /// Lifts and lowers.
    Hoist,
    /// Moves the trolley along the bridge.
    Traverse,
    /// Moves the bridge along the runway.
    Travel,
}

impl Kind {
    /// The word in the file and in JSON.
    pub const fn name(self) -> &'static str {
        match self {
            Kind::Hoist => "hoist",
            Kind::Traverse => "traverse",
            Kind::Travel => "travel",
        }
    }
}

/// A mechanism with its signals.
#[derive(Clone, Debug)]
pub struct Mechanism {
    /// Identifier, unique in the file: letters, digits, `-`, `_`.
    pub id: String,
    /// What it moves.
    pub kind: Kind,
    /// Design group, ISO 4301-1:1986 (FEM 9.511).
    pub group: MechanismGroup,
    /// The maker's own full-load hours D, where it gave some; otherwise the group's.
    pub design_full_load_hours: Option<f64>,
    /// What the recorder must know: rated load, dead load, stale limit, lift thresholds.
    pub spec: Spec,
    /// Which scale of recording factors its periods use.
    pub factor_scale: FactorScale,
    /// Its signals.
    pub signals: Vec<Signal>,
    /// Levels at which people are told.
    pub warn: Warn,
    /// Use before the recorder came.
    pub prior: Vec<PriorUse>,
    /// Load spectrum class it was bought for, ISO 4301-1:1986.
    pub design_spectrum: MechanismLoading,
    /// km that running time of unknown load is booked at; `None` for the worse of design class and measured.
    pub unread_spectrum: Option<f64>,
    /// Rated load that D is meant at, where the rating was lowered; `None` for the one when the record began.
    pub budget_rated: Option<Grams>,
    /// Speed of the hook at the motor's rated speed, mm/s.
    pub rated_speed_mm_s: Option<i64>,
    /// The crane works in heat, corrosion, dust or the like.
    pub abnormal_environment: bool,
    /// How a lift bends the rope.
    pub reeving: Option<Reeving>,
    /// Wearing parts and inspections: name and limits.
    pub parts: Vec<(String, Vec<Limit>)>,
    /// Where the load comes from.
    pub load: load::Terms,
}

impl Mechanism {
    /// A hoist without signals, warn levels or anything else that has a default.
    pub fn plain(id: &str, group: MechanismGroup, spec: Spec) -> Self {
        Mechanism {
            id: id.to_owned(),
            kind: Kind::Hoist,
            group,
            design_full_load_hours: None,
            spec,
            factor_scale: FactorScale::Fem,
            signals: Vec::new(),
            warn: Warn {
                used_share: Vec::new(),
                used_share_hysteresis: 0.01,
                starts_per_hour: Vec::new(),
                overload: true,
            },
            prior: Vec::new(),
            design_spectrum: MechanismLoading::L2,
            unread_spectrum: None,
            budget_rated: None,
            rated_speed_mm_s: None,
            abnormal_environment: false,
            reeving: None,
            parts: Vec::new(),
            load: load::Terms::default(),
        }
    }

    /// What its account must know.
    pub fn terms(&self) -> Terms {
        let prior = |p: &PriorUse| {
            let part =
                Part::new(PartKind::Prior, p.running_hours, p.spectrum_factor, p.recording, self.factor_scale).ok()?;
            (p.running_hours > 0.0).then(|| Part { note: p.note.clone(), ..part })
        };
        Terms {
            scale: self.factor_scale,
            design_full_load_hours: self.design_full_load_hours.unwrap_or_else(|| self.group.design_full_load_hours()),
            budget_base: self.budget_rated.map(|rated| Grams::new(rated.get() + self.spec.dead_load.get())),
            design_spectrum: self.design_spectrum.limit(),
            unread_spectrum: self.unread_spectrum,
            // The file was refused where a scale lacks a recording.
            prior: self.prior.iter().filter_map(prior).collect(),
            hour_counter: self.counter(Quantity::RunHours),
            start_counter: self.counter(Quantity::Starts),
            reeving: self.reeving,
            rated_speed_mm_s: self.rated_speed_mm_s,
            parts: self.parts.clone(),
            load: self.load.clone(),
        }
    }

    /// How the drive's own counter for a quantity ([`Quantity::RunHours`] or [`Quantity::Starts`]) counts; `None`
    /// where the mechanism has no such signal.
    pub fn counter(&self, quantity: Quantity) -> Option<Counter> {
        self.signals.iter().find(|s| s.target == Target::Quantity(quantity))?.counter
    }
}

/// Use before the recorder was installed.
#[derive(Clone, Debug)]
pub struct PriorUse {
    /// Running hours, hoisting and lowering.
    pub running_hours: f64,
    /// Load spectrum factor km of that time.
    pub spectrum_factor: f64,
    /// How it was recorded.
    pub recording: Recording,
    /// Lifts in that time, for the crane's cycles; 0 when not given.
    pub lifts: u64,
    /// Load spectrum factor Kp of those lifts; km of the time when not given.
    pub lifts_spectrum_factor: f64,
    /// A word on where the figures come from.
    pub note: String,
}

/// Levels at which people are told.
#[derive(Clone, Debug)]
pub struct Warn {
    /// Used share S/D of the working period; default 0.8, 0.9, 1.0.
    pub used_share: Vec<f64>,
    /// How far the used share must fall below a level before it can be crossed again; default 0.01.
    pub used_share_hysteresis: f64,
    /// Starts in a sliding hour; empty when not watched.
    pub starts_per_hour: Vec<f64>,
    /// Tell of each lift whose settled load was above the rated load; default true.
    pub overload: bool,
}

/// What a register feeds.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Target {
    /// A number-valued signal.
    Quantity(Quantity),
    /// A two-state signal.
    Flag(Flag),
}

impl Target {
    /// The signal's name in the file.
    pub const fn name(self) -> &'static str {
        match self {
            Target::Quantity(q) => q.name(),
            Target::Flag(f) => f.name(),
        }
    }

    /// Whether it is one of the drive's own counters, which are read at the slow cadence.
    pub const fn is_counter(self) -> bool {
        matches!(self, Target::Quantity(Quantity::RunHours | Quantity::Starts))
    }
}

/// One signal: where it is read and what the raw value means.
#[derive(Clone, PartialEq, Debug)]
pub struct Signal {
    /// What it feeds.
    pub target: Target,
    /// Which drive it is read from; a key of [`Config::drives`].
    pub drive: String,
    /// Where on that drive.
    pub register: Register,
    /// Raw bits that say "no value": they are read as not read.
    pub invalid: Vec<u64>,
    /// The largest size, up or down, that a number is believed to have, in units of the sample; one beyond it is not read.
    /// `None`: whatever can be booked.
    pub believed: Option<i64>,
    /// A number that is a field of its word: the field's bits, shifted down to be read. `None`: the whole value.
    pub mask: Option<u64>,
    /// Outside value (in the unit of the target: kg, %, m, h, starts) = raw · scale + offset.
    pub scale: Rational,
    /// See `scale`.
    pub offset: Rational,
    /// When a two-state signal is on.
    pub on: On,
    /// A two-state signal is on when `on` says off.
    pub inverted: bool,
    /// What the raw values mean in words: a drive's fault numbers.
    pub texts: BTreeMap<u64, String>,
    /// How the drive's own counter counts, in milliseconds or starts; `None` for every signal but `run_hours` and
    /// `starts`.
    pub counter: Option<Counter>,
}

impl Signal {
    /// A signal as it stands in its register: no scale, no offset, on when its raw value is not 0.
    pub fn plain(target: Target, drive: impl Into<String>, register: Register) -> Self {
        Signal {
            target,
            drive: drive.into(),
            register,
            invalid: Vec::new(),
            believed: None,
            mask: None,
            scale: Rational::ONE,
            offset: Rational::ZERO,
            on: On::Set,
            inverted: false,
            texts: BTreeMap::new(),
            counter: None,
        }
    }

    /// The value of a raw number in sample units, `per_unit` of which make one outside unit: raw · scale + offset in
    /// whole numbers, rounded to the nearest, halves away from zero. `None` beyond 128 bits.
    ///
    /// ```
    /// use tallyhook_config::model::*;
    /// use tallyhook_analysis::sample::Quantity;
    /// let place = Register { table: Table::Holding, address: 0, raw: RawType::U16, bytes: ByteOrder::HighFirst };
    /// let third = Rational::parse("1/3").unwrap();
    /// let signal = Signal { scale: third, ..Signal::plain(Target::Quantity(Quantity::Load), "main", place) };
    /// assert_eq!(signal.scaled(3000, 1000), Some(1_000_000), "a thousand kilograms, to the gram");
    /// ```
    pub fn scaled(&self, raw: i128, per_unit: i128) -> Option<i128> {
        let (scale, offset) = (self.scale, self.offset);
        let of_scale = raw.checked_mul(scale.num())?.checked_mul(offset.den())?;
        let of_offset = offset.num().checked_mul(scale.den())?;
        let above = of_scale.checked_add(of_offset)?.checked_mul(per_unit)?;
        let below = scale.den().checked_mul(offset.den())?;
        let (whole, rest) = (above / below, above % below);
        // Half or more of the denominator is left: away from zero.
        let up = rest.unsigned_abs() >= below.unsigned_abs() - rest.unsigned_abs();
        Some(if up { whole + above.signum() } else { whole })
    }
}

/// When a two-state signal is on.
#[derive(Clone, PartialEq, Debug)]
pub enum On {
    /// When the raw value is not 0.
    Set,
    /// When the bits under the mask are not all 0.
    Differs {
        /// Which bits are looked at.
        mask: u64,
    },
    /// When the bits under the mask are one of these values.
    Matches {
        /// Which bits are looked at.
        mask: u64,
        /// What they may be.
        values: Vec<u64>,
    },
    /// When the raw number is above this, in raw steps.
    Above(Rational),
    /// When the raw number is below this, in raw steps.
    Below(Rational),
}

/// The broker.
#[derive(Clone, Debug)]
pub struct Mqtt {
    /// Host name or address.
    pub host: String,
    /// Port.
    pub port: u16,
    /// Client identifier; must be unique at the broker and stay the same.
    pub client_id: String,
    /// First levels of every topic, without a slash at either end.
    pub topic_root: String,
    /// User name, if one is needed.
    pub username: Option<String>,
    /// File that holds the password.
    pub password_file: Option<PathBuf>,
    /// What goes out.
    pub payload: MqttPayload,
    /// How the connection is secured; `None` sends in the clear.
    pub tls: Option<Tls>,
    /// A destination that is new to the store gets what is in it already.
    pub from_start: bool,
    /// Acknowledgements of warnings may come in.
    pub acknowledge: bool,
}

/// What goes out to the broker.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum MqttPayload {
    /// JSON under `topic_root`.
    Json,
    /// Sparkplug B 3.0: the box is an edge node by the name of its client identifier, each mechanism a device.
    SparkplugB {
        /// The group that the edge node belongs to.
        group: String,
    },
}

/// Security of a connection.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Tls {
    /// PEM file of the authorities that may vouch for the server; `None` takes the machine's.
    pub ca_file: Option<PathBuf>,
    /// PEM files of our own certificate (with its chain) and its key, where the server asks for one.
    pub client: Option<(PathBuf, PathBuf)>,
}

/// The time-series server: InfluxDB 2's write interface.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Influx {
    /// `http://` or `https://` with host and port, without a path.
    pub url: String,
    /// Organisation.
    pub org: String,
    /// Bucket.
    pub bucket: String,
    /// File that holds the token.
    pub token_file: Option<PathBuf>,
    /// How a connection to an `https://` address is secured.
    pub tls: Tls,
    /// Unit of the timestamps.
    pub precision: Precision,
    /// Most messages in one write, 1 to 10,000.
    pub batch: u32,
    /// Longest wait for an answer.
    pub timeout: Span,
    /// How often the recorder's own health is written.
    pub health_every: Span,
    /// A destination that is new to the store gets what is in it already.
    pub from_start: bool,
}

/// Unit of a timestamp on its way to the time-series server.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Precision {
    /// Milliseconds, what the store has.
    Ms,
    /// Microseconds.
    Us,
    /// Nanoseconds.
    Ns,
}

impl Precision {
    /// The word in the write's address.
    pub const fn name(self) -> &'static str {
        match self {
            Precision::Ms => "ms",
            Precision::Us => "us",
            Precision::Ns => "ns",
        }
    }

    /// Units in a millisecond.
    pub const fn per_ms(self) -> i64 {
        match self {
            Precision::Ms => 1,
            Precision::Us => 1_000,
            Precision::Ns => 1_000_000,
        }
    }
}

/// The chat room: a room of a Matrix server, by the client-server interface.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Matrix {
    /// `http://` or `https://` with host and port, without a path.
    pub url: String,
    /// Name of the account, `tallyhook` or `@tallyhook:example.org`.
    pub user: String,
    /// File that holds the account's password.
    pub password_file: PathBuf,
    /// Identifier of the room, `!…`.
    pub room: String,
    /// Identifier of this device; it stays the same, for the server tells doubles by it.
    pub device_id: String,
    /// How a connection to an `https://` address is secured.
    pub tls: Tls,
}

/// A chat destination: a message is POSTed as JSON.
#[derive(Clone, Debug)]
pub struct Webhook {
    /// Name in the file, unique; also the destination's name in the outbox.
    pub name: String,
    /// Where to.
    pub url: String,
    /// Extra headers.
    pub headers: Vec<(String, String)>,
    /// Files whose content is the value of a header, for secrets.
    pub header_files: Vec<(String, PathBuf)>,
    /// How a connection to an `https://` address is secured.
    pub tls: Tls,
    /// JSON text with `{{field}}` places.
    pub template: String,
}
