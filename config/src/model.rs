//! The checked configuration: what the rest of the program works with. Only [`crate::load`] makes one.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::PathBuf;

use jiff::tz::TimeZone;
use tallyhook_analysis::class::{ApplianceGroup, MechanismGroup};
use tallyhook_analysis::period::{FactorScale, Recording};
use tallyhook_analysis::recorder::Spec;
use tallyhook_analysis::sample::{Flag, Quantity};
use tallyhook_analysis::units::Span;

/// A whole site: everything one box looks after.
#[derive(Clone, Debug)]
pub struct Config {
    /// Name of the site, as people write it.
    pub site_name: String,
    /// The site's time zone: days close at its midnight.
    pub time_zone: TimeZone,
    /// The ledger's store.
    pub store: Store,
    /// The page.
    pub page: Page,
    /// Devices on the wire by name.
    pub drives: BTreeMap<String, Drive>,
    /// The cranes, in the order of the file.
    pub cranes: Vec<Crane>,
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

/// Where and how the ledger is kept.
#[derive(Clone, Debug)]
pub struct Store {
    /// Directory of the store; a relative one is taken from the configuration file's directory.
    pub directory: PathBuf,
    /// Longest time between two commits while something runs. Default 30 s, range 1 s to 1 h.
    pub commit_every: Span,
    /// The ring of raw samples, `None` when they are not kept.
    pub recording: Option<RecordingRing>,
}

/// Bounds of the ring of raw samples; whichever is reached first.
#[derive(Clone, Copy, Debug)]
pub struct RecordingRing {
    /// Days kept.
    pub days: u32,
    /// Megabytes (10⁶ bytes) kept.
    pub megabytes: u32,
}

/// The page's listener.
#[derive(Clone, Debug)]
pub struct Page {
    /// Where it listens; a loopback address by default.
    pub listen: SocketAddr,
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
}

/// How a device is reached.
#[derive(Clone, Debug)]
pub enum Link {
    /// Modbus TCP, `host:port`.
    Tcp {
        /// Host name or address, and port.
        address: String,
    },
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
}

/// One signal: where it is read and what the raw value means.
#[derive(Clone, Debug)]
pub struct Signal {
    /// What it feeds.
    pub target: Target,
    /// Which drive it is read from; a key of [`Config::drives`].
    pub drive: String,
    /// Where on that drive.
    pub register: Register,
    /// Outside value (in the unit of the target: kg, %, m, h, starts) = raw · scale + offset.
    pub scale: f64,
    /// See `scale`.
    pub offset: f64,
    /// A two-state signal is on when the raw bit is *off*.
    pub inverted: bool,
}

/// The four tables of the Modbus data model.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Hash)]
pub enum Table {
    /// Holding registers, function 3.
    Holding,
    /// Input registers, function 4.
    Input,
    /// Coils, function 1.
    Coil,
    /// Discrete inputs, function 2.
    Discrete,
}

impl Table {
    /// The word in the file.
    pub const fn name(self) -> &'static str {
        match self {
            Table::Holding => "holding",
            Table::Input => "input",
            Table::Coil => "coil",
            Table::Discrete => "discrete",
        }
    }
}

/// Order of the two words of a 32-bit value.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum WordOrder {
    /// The high word has the lower address.
    HighFirst,
    /// The low word has the lower address.
    LowFirst,
}

/// How raw words are read.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum RawType {
    /// Unsigned 16 bit.
    U16,
    /// Signed 16 bit.
    I16,
    /// Unsigned 32 bit.
    U32(WordOrder),
    /// Signed 32 bit.
    I32(WordOrder),
    /// IEEE 754 single precision.
    F32(WordOrder),
    /// One bit of a word, 0 (least) to 15.
    Bit(u8),
    /// A coil or discrete input.
    Contact,
}

impl RawType {
    /// How many registers (or contacts) it takes.
    pub const fn width(self) -> u16 {
        match self {
            RawType::U32(_) | RawType::I32(_) | RawType::F32(_) => 2,
            _ => 1,
        }
    }
}

/// A place on a device and its type. Addresses are those of the protocol: the first register is 0.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Register {
    /// Which table.
    pub table: Table,
    /// Protocol address of the first register.
    pub address: u16,
    /// Type.
    pub raw: RawType,
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
    /// PEM file of the authorities that may vouch for the server; `None` takes the machine's.
    pub ca_file: Option<PathBuf>,
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
    /// PEM file of the authorities that may vouch for the server; `None` takes the machine's.
    pub ca_file: Option<PathBuf>,
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
    /// JSON text with `{{field}}` places.
    pub template: String,
}
