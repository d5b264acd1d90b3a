//! Every key of the file: what it means, its unit, range and default. The reader, the starter and `reference.md` are
//! all driven by this one table.

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

use Absent::{Default, Fault, Means};
use Form::{Choice, Codes, Name, Number, Numbers, Ratio, Section, Sections, Text, Texts, Time, Whole, Words, YesNo};

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

pub(crate) const ALARMS: Group = Group {
    header: "[alarms]",
    what: "How chat is told of warnings and findings, reminded of what nobody has acknowledged, and told of the week.",
    keys: &[
        key(
            "remind_every",
            Time(within(0.0, 2_592_000.0, "")),
            Default("24h"),
            "A warning that nobody has acknowledged is told again after this time, and so on; 0s never.",
        ),
        key(
            "quiet_from",
            Number(within(0.0, 24.0, "h")),
            Means("no quiet hours"),
            "From this hour of the site's day on chat is quiet: nobody is reminded, and see `quiet_holds`. Needs `quiet_to`.",
        ),
        key(
            "quiet_to",
            Number(within(0.0, 24.0, "h")),
            Means("no quiet hours"),
            "Until this hour; may be past midnight.",
        ),
        key(
            "quiet_holds",
            Choice(&["nothing", "ordinary", "everything"]),
            Default("ordinary"),
            "What chat is not told before the quiet hours are over. `ordinary` is all but what matters for life and limb: a \
             load above the rated load, a working period or a part that is used up. `everything` holds that back too. \
             Nothing is lost by it, and broker and time-series server are told at once.",
        ),
        key(
            "group_from",
            Whole(within(0.0, 64.0, "messages")),
            Default("10"),
            "When so many wait for a chat they are told in one message, which lists each of them; 0 and 1 never.",
        ),
        key(
            "digest_day",
            Choice(&["never", "monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]),
            Default("never"),
            "On this day chat is told of the week: hours, lifts, used share and what it changed by, expected end, open \
             warnings.",
        ),
        key("digest_hour", Number(within(0.0, 23.75, "h")), Default("7"), "At this hour of the site's day."),
    ],
};

pub(crate) const OUTBOX: Group = Group {
    header: "[outbox]",
    what: "How long lifts and days are kept for destinations that are away. What is dropped here was counted long ago and \
           stays in the ledger; warnings and findings are never dropped.",
    keys: &[
        key(
            "keep_days",
            Whole(within(1.0, 36_500.0, "d")),
            Default("400"),
            "A message of a lift or day is kept so long, told or not: the longest outage that costs no destination any.",
        ),
        key(
            "max_mb",
            Whole(within(1.0, 1_000_000.0, "MB")),
            Default("512"),
            "Room of these messages on the disk; beyond it the oldest are dropped first.",
        ),
    ],
};

pub(crate) const SITE: Group = Group {
    header: "[site]",
    what: "The site that this box looks after.",
    keys: &[
        key("name", Text("any text"), Default("Site"), "The site's name, as people write it."),
        key(
            "time_zone",
            Text("a name of the IANA time zone database, such as `Europe/Berlin`"),
            Default("UTC"),
            "The site's time zone; days close at its midnight.",
        ),
        key(
            "units",
            Choice(&["metric", "us"]),
            Default("metric"),
            "Units on the page and in the report: kg, t, m, or lb, US ton, ft. The store, JSON and this file stay metric.",
        ),
        key(
            "language",
            Choice(&["en", "de"]),
            Default("en"),
            "Language of the page and of the printed report, with the decimal sign of that language. Shell, JSON, exports, \
             messages and this file stay English, with points.",
        ),
    ],
};

pub(crate) const STORE: Group = Group {
    header: "[store]",
    what: "Where and how the ledger is kept.",
    keys: &[
        key(
            "directory",
            Text("a path; a relative one is taken from this file's directory"),
            Default("data"),
            "Directory of the store.",
        ),
        key(
            "commit_every",
            Time(within(1.0, 3600.0, "")),
            Default("30s"),
            "How long a mechanism may run without a commit: what a power cut can cost. Less than that waits for the end \
             of the lift, but not beyond five times this long, nor an hour.",
        ),
        key(
            "backup",
            Text("a path, or `none` for no copies; a relative one is taken from the store's directory"),
            Default("backup"),
            "Where a verified copy of the ledger is put every day; another disk is better. A damaged ledger is replaced by \
             the newest good copy.",
        ),
        key(
            "backup_keep",
            Whole(within(1.0, 100.0, "copies")),
            Default("3"),
            "How many copies are kept; the directory needs room for one more.",
        ),
        key("samples", Section, Means("raw samples are not kept"), "Keeps the raw samples as well, as a ring."),
        key(
            "budget",
            Section,
            Means("nothing is given up"),
            "What the store may take; beyond it the finest detail goes first.",
        ),
    ],
};

pub(crate) const BUDGET: Group = Group {
    header: "[store.budget]",
    what: "What ledger and raw samples may take together, copies apart. Beyond it the oldest raw samples go first, then \
           messages of lifts that every destination has got, then lifts, then the days' histograms; never the daily sums \
           nor the chain. What was given up is said. Also written in one line, `budget = { megabytes = 1500 }`.",
    keys: &[
        key("megabytes", Whole(within(10.0, 1e6, "MB (10⁶ bytes)")), Default("1500"), "Disk space used at most."),
        key(
            "whole_days",
            Whole(within(31.0, 36500.0, "days")),
            Default("400"),
            "Days of whose ledger nothing is given up.",
        ),
    ],
};

pub(crate) const SAMPLES: Group = Group {
    header: "[store.samples]",
    what: "Bounds of the ring of raw samples; whichever is reached first. Also written in one line, \
           `samples = { days = 14, megabytes = 500 }`.",
    keys: &[
        key("days", Whole(within(1.0, 3650.0, "days")), Default("14"), "Days kept."),
        key("megabytes", Whole(within(1.0, 1e6, "MB (10⁶ bytes)")), Default("500"), "Disk space used at most."),
    ],
};

pub(crate) const PAGE: Group = Group {
    header: "[page]",
    what: "The page that the daemon serves.",
    keys: &[
        key(
            "listen",
            Text(
                "an address and port, `127.0.0.1:PORT` or `[::1]:PORT`; port 0 takes any free one; another than a \
                 loopback address needs `users_file`, and `certificate_file` or `proxy`",
            ),
            Default("127.0.0.1:8420"),
            "Where the page listens.",
        ),
        key(
            "users_file",
            Text("a path that the daemon can read"),
            Means("there are no users: who reaches the page reads it, and changes are taken from the box itself only"),
            "The named users; `tallyhook user add` writes the file. With it nobody sees a figure without logging in.",
        ),
        key(
            "certificate_file",
            Text("a file; needs `key_file`"),
            Means("the page speaks no TLS"),
            "PEM file of the page's certificate with its chain.",
        ),
        key(
            "key_file",
            Text("a file; needs `certificate_file`"),
            Means("the page speaks no TLS"),
            "PEM file of that certificate's key.",
        ),
        key(
            "proxy",
            Text("an address without a port; needs `users_file`"),
            Means("whoever reaches the port may call"),
            "The one address that may call: that of a proxy which speaks TLS with the readers, hands on the Host that \
             they asked for, and writes the reader's address at the end of `X-Forwarded-For`.",
        ),
    ],
};

pub(crate) const DRIVE: Group = Group {
    header: "[drive.NAME]",
    what: "A device on the wire, by a name of your own. It is only ever read.",
    keys: &[
        key(
            "address",
            Text("`HOST:PORT`, Modbus TCP; the usual port is 502"),
            Means("it is on a `bus`"),
            "Host name or address of the device, and its port.",
        ),
        key("bus", Name, Means("it has an `address` of its own"), "The shared line that the device is on."),
        key("unit", Whole(within(0.0, 255.0, "")), Default("1"), "Modbus unit identifier."),
        key("poll", Time(within(0.01, 3600.0, "")), Default("100ms"), "Polling period."),
        key(
            "poll_counters",
            Time(within(0.01, 3600.0, "")),
            Default("5s"),
            "Polling period of the slow counters, `run_hours` and `starts`; never shorter than `poll`.",
        ),
        key(
            "timeout",
            Time(within(0.01, 60.0, "")),
            Default("1s"),
            "Longest wait for an answer, beside the time that its bytes take on a serial line.",
        ),
        key(
            "max_registers",
            Whole(within(1.0, 125.0, "registers")),
            Default("125"),
            "Most registers in one request, for devices that take fewer than the protocol allows.",
        ),
        key(
            "profile",
            Text("a path; a relative one is taken from this file's directory"),
            Means("no profile"),
            "Register map of the device; its signals go to each mechanism that is read from this drive.",
        ),
        key(
            "max_contacts",
            Whole(within(1.0, 2000.0, "contacts")),
            Default("2000"),
            "Most coils or discrete inputs in one request.",
        ),
        key(
            "readable",
            Texts("ranges of addresses by table, as in `{ holding = \"0-40, 100-119\" }`"),
            Means("gaps between signals are not read"),
            "Addresses that the device answers although no signal lies there: gaps that may be read across.",
        ),
        key(
            "answer_delay",
            Time(within(0.0, 10.0, "")),
            Default("5ms"),
            "What the device takes to answer, for the arithmetic of a shared line.",
        ),
        key(
            "silent_after",
            Time(within(1.0, 31_536_000.0, "")),
            Default("100h"),
            "Silence longer than this is told as a finding; being switched off for a night or a weekend is none.",
        ),
    ],
};

pub(crate) const PROFILE: Group = Group {
    header: "a profile",
    what: "A register map in a file of its own, laid under each drive or mechanism that names it: what the \
           configuration says stands, what it leaves open comes from here.",
    keys: &[
        key("title", Text("any text"), Means("no title"), "What device and setting it is for, as people write it."),
        key("drive", Section, Means("nothing"), "Keys of `[drive.NAME]`, such as `poll` or `max_registers`."),
        key("signals", Section, Means("none"), "Signals, as in `[crane.mechanism.signals]`."),
    ],
};

pub(crate) const BUS: Group = Group {
    header: "[bus.NAME]",
    what: "A line that several devices share, with one request at a time: a serial port of this box (`device`) or a \
           gateway on the network (`address`).",
    keys: &[
        key(
            "device",
            Text("a device file, best one that stays the same: `/dev/serial/by-id/…`"),
            Means("it is a gateway"),
            "Serial port, Modbus RTU.",
        ),
        key("address", Text("`HOST:PORT`"), Means("it is a serial port"), "Gateway or serial server on the network."),
        key(
            "framing",
            Choice(&["tcp", "rtu"]),
            Means("tcp"),
            "How the gateway frames: tcp is Modbus TCP, rtu is RTU in a TCP stream, as a plain serial server passes it.",
        ),
        key(
            "baud",
            Whole(within(300.0, 4_000_000.0, "bit/s")),
            Means("19200 on a serial port; behind a gateway not known, and then not reckoned with"),
            "Rate of the serial line, bits per second.",
        ),
        key("parity", Choice(&["even", "odd", "none"]), Default("even"), "Parity; even is the protocol's default."),
        key("stop_bits", Whole(within(1.0, 2.0, "")), Means("1, and 2 without parity"), "Stop bits."),
        key(
            "rs485",
            YesNo,
            Default("false"),
            "Have the kernel switch the direction of the RS-485 transceiver, where the port's driver can; most \
             adapters do it by themselves.",
        ),
    ],
};

pub(crate) const CRANE: Group = Group {
    header: "[[crane]]",
    what: "A crane with its mechanisms.",
    keys: &[
        key("id", Name, Fault, "Identifier, unique in the file; stays the same for ever."),
        key("name", Text("any text"), Means("its `id`"), "The crane's name, as people write it."),
        key(
            "group",
            Choice(&["A1", "A2", "A3", "A4", "A5", "A6", "A7", "A8"]),
            Fault,
            "Group of the appliance it was bought for, ISO 4301-1:1986.",
        ),
        key("design_life_years", Number(within(1.0, 100.0, "years")), Default("20"), "Design life."),
        key("mechanism", Sections, Fault, "A mechanism of the crane, a table `[[crane.mechanism]]` each."),
    ],
};

pub(crate) const MECHANISM: Group = Group {
    header: "[[crane.mechanism]]",
    what: "A hoist, a trolley's traverse or a bridge's travel; belongs to the `[[crane]]` above it.",
    keys: &[
        key("id", Name, Fault, "Identifier, unique in the file; stays the same for ever."),
        key("kind", Choice(&["hoist", "traverse", "travel"]), Default("hoist"), "What the mechanism moves."),
        key(
            "group",
            Choice(&[
                "M1", "M2", "M3", "M4", "M5", "M6", "M7", "M8", "1Dm", "1Cm", "1Bm", "1Am", "2m", "3m", "4m", "5m",
            ]),
            Fault,
            "Group it was bought for, by its name in ISO 4301-1:1986 (M1 to M8) or in FEM 9.511 (1Dm to 5m).",
        ),
        key("rated_load_kg", Number(above(0.0, 500_000.0, "kg")), Fault, "Rated load (safe working load)."),
        key(
            "dead_load_kg",
            Number(within(0.0, 500_000.0, "kg")),
            Default("0"),
            "Dead load of hook block and attachment that moves with every load; 0 leaves it out of the spectrum.",
        ),
        key(
            "load_signal",
            Choice(&["net", "gross"]),
            Default("net"),
            "Whether the load signal is the payload alone (net) or contains the dead load (gross).",
        ),
        key(
            "design_full_load_hours",
            Number(above(0.0, 1e6, "h")),
            Means("D of the group, FEM 9.755 table 1, row L4"),
            "The maker's own full-load hours D, where it gave some.",
        ),
        key("drive", Name, Means("the only drive of the file"), "Drive that the signals are read from."),
        key(
            "stale_after",
            Time(within(0.1, 3600.0, "")),
            Default("2s"),
            "How long a sample stands when no other follows; what is beyond it is a gap. Longer than `poll`.",
        ),
        key(
            "factor_scale",
            Choice(&["fem", "iso"]),
            Default("fem"),
            "Scale of the recording factors: fem is FEM 9.755, iso is ISO 12482:2014.",
        ),
        key(
            "design_spectrum",
            Choice(&["L1", "L2", "L3", "L4"]),
            Default("L2"),
            "Load spectrum class it was bought for, ISO 4301-1:1986; running time whose load is not known is booked at \
             its limit or at what was measured so far, whichever is worse.",
        ),
        key(
            "unread_spectrum_factor",
            Number(within(0.0, 2.0, "")),
            Means("the worse of the design class and what was measured so far"),
            "Load spectrum factor km that running time without a known load is booked at.",
        ),
        key(
            "budget_rated_load_kg",
            Number(above(0.0, 500_000.0, "kg")),
            Means("the rated load when the record began"),
            "Rated load that the full-load hours D are meant at, where the rating was lowered since.",
        ),
        key(
            "rated_speed_m_min",
            Number(above(0.0, 200.0, "m/min")),
            Means("the work of the brake is not reckoned"),
            "Speed of the hook at the motor's rated speed.",
        ),
        key(
            "abnormal_environment",
            YesNo,
            Default("false"),
            "The crane works in heat, corrosion, dust or the like: its service is severe (DOE-STD-1090-96).",
        ),
        key("reeving", Section, Means("no bending cycles are counted"), "How a lift bends the rope."),
        key("part", Sections, Means("no wearing parts"), "Wearing parts and inspections."),
        key(
            "profile",
            Text("a path; a relative one is taken from this file's directory"),
            Means("that of its drive"),
            "Register map of this mechanism, in place of its drive's.",
        ),
        key(
            "without",
            Words("list of signal names"),
            Means("all signals of the profile"),
            "Signals of the profile that this mechanism does not have.",
        ),
        key(
            "address_offset",
            Whole(within(0.0, 65_535.0, "")),
            Means("0"),
            "Added to every address of the profile, for a device that holds the same block once a mechanism.",
        ),
        key("signals", Section, Fault, "The signals; may be left out where a profile has them all."),
        key("load", Section, Means("all its defaults"), "Where the load comes from."),
        key("lift", Section, Means("all its defaults"), "Thresholds of the lift detection."),
        key("warn", Section, Means("all its defaults"), "Levels at which people are told."),
        key("prior", Sections, Means("no use before the recorder"), "Use before the recorder was installed."),
    ],
};

pub(crate) const SIGNALS: Group = Group {
    header: "[crane.mechanism.signals]",
    what: "Which register feeds which signal. A hoist needs `load_kg`; every mechanism needs `raising` or `lowering`. \
           Numbers are given in kg, %, m, h or starts once `scale`, `offset` and `unit` are applied.",
    keys: &[
        key(
            "load_kg",
            Section,
            Means("not read"),
            "Load on the hook, kg. A reading of more than ten times the rated load, up or down, is not believed and taken as not read.",
        ),
        key("torque_pct", Section, Means("not read"), "Motor torque, % of rated torque."),
        key("speed_pct", Section, Means("not read"), "Motor speed, % of rated speed."),
        key("height_m", Section, Means("not read"), "Hook height, m."),
        key("trolley_m", Section, Means("not read"), "Position of the trolley, m."),
        key("bridge_m", Section, Means("not read"), "Position of the bridge, m."),
        key("run_hours", Section, Means("not read"), "The drive's own hour counter, h."),
        key("starts", Section, Means("not read"), "The drive's own start counter."),
        key("raising", Section, Means("not read"), "The motor runs in the raising (or forward) direction."),
        key("lowering", Section, Means("not read"), "The motor runs in the lowering (or back) direction."),
        key("overload", Section, Means("not read"), "The panel's overload contact."),
        key("upper_limit", Section, Means("not read"), "Upper limit switch."),
        key("lower_limit", Section, Means("not read"), "Lower limit switch."),
        key("slack_rope", Section, Means("not read"), "Slack rope switch."),
        key("brake_open", Section, Means("not read"), "The brake is open."),
        key("fault", Section, Means("not read"), "The drive is at fault."),
    ],
};

pub(crate) const SIGNAL: Group = Group {
    header: "a signal",
    what: "The keys of one signal, written in one line: `load_kg = { table = \"holding\", address = 0 }`. The value of \
           a number is raw × `scale` + `offset`, in `unit`.",
    keys: &[
        key(
            "table",
            Choice(&["holding", "input", "coil", "discrete"]),
            Default("holding"),
            "Table of the Modbus data model. A coil or discrete input feeds a two-state signal only.",
        ),
        key(
            "address",
            Whole(within(0.0, 65_535.0, "")),
            Fault,
            "Protocol address; the first register is 0 (40001 of a manual that counts from 1).",
        ),
        key("address_offset", Whole(within(0.0, 65_535.0, "")), Default("0"), "Added to `address`."),
        key(
            "type",
            Choice(&[
                "u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64", "bcd16", "bcd32", "bcd64", "sm16", "sm32",
                "bit",
            ]),
            Means("u16; for a two-state signal bit, with `match` or `texts` u16, with `above` or `below` i16"),
            "How the register is read: u unsigned, i signed in two's complement, f IEEE 754 float, bcd four bits a \
             decimal digit, sm highest bit the sign and the rest the magnitude; bit one bit of a word. 32 bits take \
             two registers, 64 bits four. Not for coils and discrete inputs.",
        ),
        key(
            "bit",
            Whole(within(0.0, 15.0, "")),
            Means("no bit"),
            "Which bit of the word, 0 the lowest; type bit only.",
        ),
        key(
            "word_order",
            Choice(&["high-first", "low-first"]),
            Default("high-first"),
            "Which word of a value of 32 or 64 bits has the lowest address; `check --live` shows both.",
        ),
        key(
            "byte_order",
            Choice(&["high-first", "low-first"]),
            Default("high-first"),
            "Which byte of each word comes first on the wire; high-first is the protocol's own.",
        ),
        key(
            "mask",
            Codes("whole number, such as 0x006F"),
            Means("all bits"),
            "Which bits of an unsigned type count. A number is those bits, shifted down; a two-state signal compares \
             them, unshifted, with `match`.",
        ),
        key(
            "match",
            Codes("whole number or list of them, such as 0x0027 or [3, 4]"),
            Means("any value but 0"),
            "The values under `mask` at which a two-state signal of an unsigned type is on.",
        ),
        key(
            "above",
            Ratio(within(-1e12, 1e12, "raw steps")),
            Means("not compared"),
            "A two-state signal is on while the raw number is above this: a direction from the sign of the speed.",
        ),
        key("below", Ratio(within(-1e12, 1e12, "raw steps")), Means("not compared"), "As `above`, while it is below."),
        key(
            "invalid",
            Codes("raw value or list of them; in hexadecimal the bits, otherwise the number read"),
            Means("every value counts; a float that is no number never does"),
            "Values by which the device says that it has none; they are taken as not read.",
        ),
        key(
            "texts",
            Texts("raw values and what they mean, `{ 0 = \"none\", 0x2310 = \"over-current\" }`"),
            Means("no words"),
            "What the values of a number or of `fault` mean in words. Makes a two-state signal of an unsigned type on \
             at any value but 0, unless `match` says otherwise.",
        ),
        key(
            "scale",
            Ratio(within(-1e9, 1e9, "unit per raw step, not 0")),
            Default("1"),
            "Factor on the raw value, taken exactly.",
        ),
        key("offset", Ratio(within(-1e9, 1e9, "unit")), Default("0"), "Added after the scale."),
        key(
            "unit",
            Choice(&["kg", "t", "daN", "kN", "%", "m", "mm", "cm", "h", "min", "s"]),
            Means("kg, %, m or h, as the signal's name says"),
            "Unit after scale and offset: loads kg, t, daN, kN or % of rated load; torque and speed %; positions m, \
             cm, mm; hours h, min, s; starts none.",
        ),
        key("inverted", YesNo, Default("false"), "The signal is on when the bit is off; two-state signals only."),
        key(
            "counter_bits",
            Whole(within(0.0, 64.0, "bits")),
            Means("what `type` holds; a float never begins again"),
            "After how many bits the drive's counter begins at zero again, where it is narrower than its register; 0 \
             for never. For `run_hours` and `starts` only.",
        ),
        key(
            "counter_step",
            Number(above(0.0, 1e6, "in `unit`")),
            Means("one raw step"),
            "By how much the counter moves at a time, where that is more than one raw step: 1 for one that shows \
             tenths of hours but moves by the hour. For `run_hours` and `starts` only.",
        ),
        key("drive", Name, Means("the mechanism's `drive`"), "Drive that this one signal is read from."),
    ],
};

pub(crate) const LOAD: Group = Group {
    header: "[crane.mechanism.load]",
    what: "Where the load comes from: from `load_kg`, or from the motor's torque or current (`torque_pct`) through the \
           points of a calibration. A torque tells the load only while the hoist turns steadily; \
           the lift's load is settled when the lift has ended, and all its running time is booked at it.",
    keys: &[
        key(
            "leads",
            Choice(&["load_kg", "torque_pct"]),
            Means("load_kg where there is one"),
            "Which of the two signals is booked where both are there.",
        ),
        key(
            "book",
            Choice(&["reading", "settled"]),
            Default("reading"),
            "What running time of a load signal is booked at: each moment's reading, or the settled load of its lift. A \
             torque is always booked settled.",
        ),
        key(
            "point",
            Sections,
            Means("not calibrated: a load taken from the torque is not known"),
            "A calibration point: a known weight and what the motor showed with it. At least two a direction; three or \
             more, the heaviest near the rated load, are better.",
        ),
        key(
            "min_speed_percent",
            Number(within(1.0, 100.0, "% of rated speed")),
            Default("20"),
            "Slowest speed at which a torque tells the load; needs the signal `speed_pct`.",
        ),
        key(
            "max_slope_percent_s",
            Number(above(0.0, 1000.0, "% of rated speed per second")),
            Default("20"),
            "Steepest change of speed at which a torque tells the load: beyond it the motor also turns its own mass.",
        ),
        key(
            "settle",
            Time(within(0.1, 30.0, "")),
            Means("300ms with `speed_pct`, 1.5s without"),
            "How long the hoist must have turned steadily before a torque tells the load; without `speed_pct` also how \
             long before a run's end it no longer does.",
        ),
        key(
            "correct_zero_percent",
            Number(within(0.3, 5.0, "% of rated load")),
            Means("not corrected: a drift is told of and booked as it is read"),
            "How far `load_kg` may be corrected for a slow drift of the empty hook since the record began. Each step of the \
             correction is told; a jump above 2 % of the rated load is never corrected, a smaller one cannot be told from a \
             drift and counts as one.",
        ),
        key(
            "uncertainty_percent",
            Number(within(0.1, 20.0, "% of rated load")),
            Means("1 for `load_kg`, 3 for `torque_pct`"),
            "Standard uncertainty of a load for its source. To it each lift adds, as squares, what its own readings tell: noise, \
             raising against lowering, a bend of the calibration, a zero that is off, a load that never settled. The \
             interval of the load spectrum factor and of the used share follows from twice that.",
        ),
        key(
            "hoisting_class",
            Choice(&["HC1", "HC2", "HC3", "HC4"]),
            Default("HC2"),
            "Hoisting class of EN 13001-2. A lift whose peak over settled load is above the factor φ2 of this class at the \
             rated speed is counted as taken up with a jerk (values from memory: check against the standard).",
        ),
        key(
            "jerk_factor",
            Number(above(1.0, 5.0, "")),
            Means("φ2 of the hoisting class"),
            "Peak over settled load above which a lift is counted as taken up with a jerk.",
        ),
    ],
};

pub(crate) const POINT: Group = Group {
    header: "[[crane.mechanism.load.point]]",
    what: "A calibration point. Also written in one line each, `point = [{ load_kg = 0, raising_pct = 12.1, lowering_pct = \
           -3.4 }]`.",
    keys: &[
        key(
            "load_kg",
            Number(within(0.0, 500_000.0, "kg")),
            Fault,
            "The known weight on the hook, without the dead load; 0 for the empty hook.",
        ),
        key(
            "raising_pct",
            Number(within(-1000.0, 1000.0, "%")),
            Means("not taken in this direction"),
            "`torque_pct` while raising it steadily.",
        ),
        key(
            "lowering_pct",
            Number(within(-1000.0, 1000.0, "%")),
            Means("not taken in this direction"),
            "`torque_pct` while lowering it steadily.",
        ),
    ],
};

pub(crate) const LIFT: Group = Group {
    header: "[crane.mechanism.lift]",
    what: "What counts as one lift. The defaults fit most hoists; replay a recording before you change them.",
    keys: &[
        key(
            "begin_percent",
            Number(above(0.0, 100.0, "% of rated load")),
            Default("5"),
            "A load at or above this is on the hook.",
        ),
        key(
            "end_percent",
            Number(above(0.0, 100.0, "% of rated load")),
            Default("3"),
            "A load below this is no longer on the hook; below `begin_percent`.",
        ),
        key(
            "confirm_load",
            Time(within(0.0, 60.0, "")),
            Default("500ms"),
            "How long a load must be on before it counts; shorter than `settle`.",
        ),
        key("confirm_empty", Time(within(0.0, 60.0, "")), Default("1s"), "How long it must be off to end the lift."),
        key(
            "settle",
            Time(within(0.0, 60.0, "")),
            Default("1.5s"),
            "Readings within this time of the take-up do not enter the settled load.",
        ),
        key(
            "bridge",
            Time(within(0.0, 86_400.0, "")),
            Default("10min"),
            "A silence up to this long with a like load before and after it is bridged by one lift.",
        ),
        key(
            "overload_margin_percent",
            Number(within(0.0, 25.0, "% of rated load")),
            Default("0.1"),
            "A settled load above rated by no more than this is not an overload.",
        ),
    ],
};

pub(crate) const WARN: Group = Group {
    header: "[crane.mechanism.warn]",
    what: "Levels at which people are told.",
    keys: &[
        key(
            "used_share",
            Numbers(above(0.0, 10.0, "S/D, 1 is all of it")),
            Default("[0.8, 0.9, 1.0]"),
            "Used share of the safe working period; `[]` tells of none.",
        ),
        key(
            "used_share_hysteresis",
            Number(within(0.0, 0.5, "S/D")),
            Default("0.01"),
            "How far the used share must fall below a level before that level can be told again.",
        ),
        key(
            "starts_per_hour",
            Numbers(above(0.0, 10_000.0, "starts in a sliding hour")),
            Default("[]"),
            "Starts of the motor; `[]` does not watch them.",
        ),
        key("overload", YesNo, Default("true"), "Tell of each lift whose settled load was above the rated load."),
    ],
};

pub(crate) const REEVING: Group = Group {
    header: "[crane.mechanism.reeving]",
    what: "How a lift bends the rope section that is bent most: a sheave is one bending cycle, on or off a drum a half.",
    keys: &[
        key("sheaves", Whole(within(0.0, 40.0, "sheaves")), Fault, "Sheaves that the section passes on its way."),
        key("drum", YesNo, Default("true"), "The section is wound on a drum."),
        key(
            "ways",
            Whole(within(1.0, 8.0, "ways")),
            Default("2"),
            "Ways of the hook in a lift: 2 for up and down with the load, 4 with the empty hook's ways counted too.",
        ),
    ],
};

pub(crate) const PART: Group = Group {
    header: "[[crane.mechanism.part]]",
    what: "A wearing part or an inspection with its limits; whichever comes first makes it due. `tallyhook service` \
           records that it was renewed or done.",
    keys: &[
        key("name", Name, Fault, "Its name, unique in the mechanism, for example rope, brake, hook-inspection."),
        key("running_hours", Whole(within(1.0, 1e6, "h")), Means("no such limit"), "Running hours."),
        key("lifts", Whole(within(1.0, 4e9, "lifts")), Means("no such limit"), "Lifts."),
        key("starts", Whole(within(1.0, 4e9, "starts")), Means("no such limit"), "Starts of the drive."),
        key("stops", Whole(within(1.0, 4e9, "stops")), Means("no such limit"), "Stops of the brake."),
        key(
            "bending_cycles",
            Whole(within(1.0, 4e9, "cycles")),
            Means("no such limit"),
            "Bending cycles of the rope; needs `reeving`.",
        ),
        key(
            "full_load_bending_cycles",
            Whole(within(1.0, 4e9, "cycles")),
            Means("no such limit"),
            "Bending cycles weighted by the cube of the load; needs `reeving`.",
        ),
        key(
            "brake_work_kj",
            Whole(within(1.0, 4e9, "kJ")),
            Means("no such limit"),
            "Work of the brake; needs `rated_speed_m_min` and the signal `speed_pct`.",
        ),
        key(
            "every",
            Choice(&["day", "week", "month", "quarter", "half-year", "year"]),
            Means("no such limit"),
            "Length of the calendar: week 7 d, month 31 d, quarter 92 d, half-year 184 d, year 365 d.",
        ),
    ],
};

pub(crate) const PRIOR: Group = Group {
    header: "[[crane.mechanism.prior]]",
    what: "A stretch of use before the recorder was installed; as many as there are.",
    keys: &[
        key("running_hours", Number(within(0.0, 1e6, "h")), Fault, "Running hours, hoisting and lowering."),
        key(
            "spectrum_factor",
            Number(within(0.0, 2.0, "")),
            Fault,
            "Load spectrum factor km of that time (cubic: 0.125 light to 1 very heavy; above 1 only with overload).",
        ),
        key(
            "recording",
            Choice(&[
                "recorder",
                "counter",
                "estimated",
                "documented-process",
                "documented-production",
                "undocumented",
                "unknown",
            ]),
            Fault,
            "How it was recorded. On the fem scale: recorder, counter, estimated; on the iso scale all but estimated.",
        ),
        key("lifts", Whole(within(0.0, 1e9, "lifts")), Default("0"), "Lifts in that time, for the crane's cycles."),
        key(
            "lifts_spectrum_factor",
            Number(within(0.0, 2.0, "")),
            Means("`spectrum_factor`: too small wherever the hook also runs empty, which km counts and Kp does not"),
            "Load spectrum factor Kp of those lifts: the mean cube of their loads over the rated load.",
        ),
        key("note", Text("any text"), Default(""), "A word on where the figures come from."),
    ],
};

pub(crate) const MQTT: Group = Group {
    header: "[mqtt]",
    what: "The broker that is fed.",
    keys: &[
        key("host", Text("a host name or address, without port"), Fault, "The broker."),
        key("port", Whole(within(1.0, 65_535.0, "")), Default("1883"), "Its port."),
        key("client_id", Name, Default("tallyhook"), "Client identifier; unique at the broker, and it stays the same."),
        key(
            "topic_root",
            Text("topic levels without `+`, `#` or a slash at either end"),
            Default("tallyhook"),
            "First levels of every topic.",
        ),
        key("username", Text("any text"), Means("no user name is given"), "User name at the broker."),
        key(
            "password_file",
            Text("a file; needs `username`"),
            Means("no password is given"),
            "File that holds the password; it never stands in this file.",
        ),
        key(
            "payload",
            Choice(&["json", "sparkplug-b"]),
            Default("json"),
            "What goes out: JSON under `topic_root`, or Sparkplug B 3.0, where the box is an edge node by the name of \
             its `client_id` and each mechanism a device.",
        ),
        key(
            "sparkplug_group",
            Name,
            Default("tallyhook"),
            "Group of the edge node; with `payload = \"sparkplug-b\"` only.",
        ),
        key("tls", YesNo, Default("false"), "Secures the connection; the usual port is then 8883."),
        key("ca_file", Text("a file; needs `tls = true`"), Means(MACHINES_CA), CA_FILE),
        OWN_CERTIFICATE,
        OWN_KEY,
        key("from_start", YesNo, Default("false"), FROM_START),
        key(
            "acknowledge",
            YesNo,
            Default("false"),
            "Whether a warning may be acknowledged by a message under `topic_root` and `acknowledge`. Whoever may publish \
             there at the broker then can. Nothing else ever comes in. With JSON only.",
        ),
    ],
};

const MACHINES_CA: &str = "the machine's authorities are trusted";
const CA_FILE: &str = "PEM file of the authorities that may vouch for the server; only they are then trusted.";
const OWN_CERTIFICATE: Key = key(
    "certificate_file",
    Text("a file; needs `key_file`"),
    Means("no certificate of our own is shown"),
    "PEM file of our own certificate with its chain, for a server that asks for one.",
);
const OWN_KEY: Key = key(
    "key_file",
    Text("a file; needs `certificate_file`"),
    Means("no certificate of our own is shown"),
    "PEM file of that certificate's key.",
);
const FROM_START: &str = "Whether a destination that is new to the store gets what the store holds already, which may \
                          be years. Otherwise it begins with what comes next.";
const BASE_URL: &str = "`http://` or `https://` with a host, without a path";

pub(crate) const INFLUX: Group = Group {
    header: "[influx]",
    what: "The time-series server that is fed: InfluxDB 2, or another that takes its writes.",
    keys: &[
        key("url", Text(BASE_URL), Fault, "The server; `/api/v2/write` is added by itself."),
        key("org", Text("any text"), Fault, "Organisation."),
        key("bucket", Text("any text"), Fault, "Bucket."),
        key(
            "token_file",
            Text("a file"),
            Means("no token is given"),
            "File that holds a token that may write to the bucket; it never stands in this file.",
        ),
        key("ca_file", Text("a file; needs https"), Means(MACHINES_CA), CA_FILE),
        OWN_CERTIFICATE,
        OWN_KEY,
        key(
            "precision",
            Choice(&["ms", "us", "ns"]),
            Default("ms"),
            "Unit of the timestamps. The store has milliseconds; the finer ones are for servers that want them. Seconds \
             are not offered: two events of one second would become one point.",
        ),
        key("batch", Whole(within(1.0, 10_000.0, "messages")), Default("500"), "Most messages in one write."),
        key("timeout", Time(within(0.1, 300.0, "")), Default("10s"), "Longest wait for an answer."),
        key(
            "health_every",
            Time(within(1.0, 86_400.0, "")),
            Default("1min"),
            "How often the recorder's own health is written.",
        ),
        key("from_start", YesNo, Default("false"), FROM_START),
    ],
};

pub(crate) const MATRIX: Group = Group {
    header: "[matrix]",
    what: "The chat room that is told of warnings and findings: a room of a Matrix server.",
    keys: &[
        key("url", Text(BASE_URL), Fault, "The server."),
        key(
            "user",
            Text("`tallyhook` or `@tallyhook:example.org`"),
            Fault,
            "Account that speaks; it has to be in the room.",
        ),
        key(
            "password_file",
            Text("a file"),
            Fault,
            "File that holds the account's password; it never stands in this file.",
        ),
        key("room", Text("an identifier of a room, `!…`"), Fault, "The room; its settings show the identifier."),
        key(
            "device_id",
            Name,
            Default("tallyhook"),
            "Identifier of this device at the server. It stays the same: the server tells doubles by it.",
        ),
        key("ca_file", Text("a file; needs https"), Means(MACHINES_CA), CA_FILE),
        OWN_CERTIFICATE,
        OWN_KEY,
    ],
};

pub(crate) const WEBHOOK: Group = Group {
    header: "[[webhook]]",
    what: "A chat destination: warnings and findings are sent there by HTTP POST, as JSON.",
    keys: &[
        key("name", Name, Fault, "Name of the destination, unique in the file."),
        key("url", Text("`http://` or `https://`, with a host"), Fault, "Where to."),
        key(
            "headers",
            Texts("header names and values"),
            Means("no extra headers"),
            "Extra headers, `{ Accept = \"application/json\" }`.",
        ),
        key(
            "header_files",
            Texts("header names and files"),
            Means("no header from a file"),
            "Files whose content is the value of a header, for secrets: `{ Authorization = \"chat-token\" }`.",
        ),
        key("ca_file", Text("a file; needs https"), Means(MACHINES_CA), CA_FILE),
        OWN_CERTIFICATE,
        OWN_KEY,
        key(
            "template",
            Text(
                "JSON with places `{{text}}`, `{{kind}}`, `{{crane}}`, `{{mechanism}}`, `{{quantity}}`, `{{level}}`, \
                 `{{value}}`, `{{raised}}`, `{{at}}`, `{{id}}`",
            ),
            Default("{\"text\": \"{{text}}\"}"),
            "What is sent; the places are filled with the message's fields.",
        ),
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
