//! Where signals are read from.

use super::Absent::{Default, Means};
use super::Form::{Choice, Name, Section, Text, Texts, Time, Whole, YesNo};
use super::{Group, key, within};

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
