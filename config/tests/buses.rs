//! Shared lines: what is read of them, their faults, and the arithmetic that refuses a cadence.

#![allow(clippy::unwrap_used, reason = "tests")]

use tallyhook_config::model::{Config, Framing, Line, Link, Table};
use tallyhook_config::wire::{Parity, Speed};
use tallyhook_config::{Faults, load};

/// A load amplifier and a drive on one line; `BUS` and `DRIVE` are filled in.
const PANEL: &str = r#"[bus.panel]
BUS
[drive.amplifier]
bus = "panel"
unit = 2
DRIVE
[drive.inverter]
bus = "panel"
unit = 3
poll = "100ms"
[[crane]]
id = "yard-1"
group = "A5"
[[crane.mechanism]]
id = "main-hoist"
group = "M5"
rated_load_kg = 16000
drive = "inverter"
[crane.mechanism.signals]
load_kg = { table = "input", address = 0, type = "i32", drive = "amplifier" }
raising = { table = "holding", address = 2, bit = 1 }
lowering = { table = "holding", address = 2, bit = 2 }
run_hours = { table = "holding", address = 20, type = "u32" }
"#;

fn read(bus: &str, drive: &str) -> Result<Config, Faults> {
    load(&PANEL.replace("BUS", bus).replace("DRIVE", drive), "panel.toml")
}

fn good(bus: &str, drive: &str) -> Config {
    read(bus, drive).unwrap_or_else(|faults| panic!("{}", faults.report()))
}

/// Exactly one fault: its line and its text with the mend.
#[track_caller]
fn only(bus: &str, drive: &str) -> (usize, String) {
    let faults = read(bus, drive).map(|_| ()).unwrap_err();
    assert_eq!(faults.len(), 1, "{}", faults.report());
    faults.iter().map(|f| (f.line, format!("{}; {}", f.what, f.mend))).next().unwrap()
}

#[track_caller]
fn check(bus: &str, drive: &str, line: usize, parts: &[&str]) {
    let (at, said) = only(bus, drive);
    assert_eq!(at, line, "{said}");
    for part in parts {
        assert!(said.contains(part), "{said}\nlacks: {part}");
    }
}

fn line(config: &Config) -> &Line {
    match &config.drives["inverter"].link {
        Link::Bus(bus) => &bus.line,
        Link::Tcp { .. } => panic!("it is on a bus"),
    }
}

#[test]
fn a_serial_port_has_the_protocol_s_defaults() {
    let config = good("device = \"/dev/ttyS1\"", "");
    let usual = Speed { baud: 19_200, parity: Parity::Even, stop_bits: 1 };
    assert_eq!(*line(&config), Line::Serial { device: "/dev/ttyS1".into(), speed: usual, rs485: false });
    let config = good("device = \"/dev/ttyS1\"\nbaud = 38400\nparity = \"none\"\nrs485 = true", "");
    let fast = Speed { baud: 38_400, parity: Parity::None, stop_bits: 2 };
    assert_eq!(*line(&config), Line::Serial { device: "/dev/ttyS1".into(), speed: fast, rs485: true });
}

#[test]
fn a_gateway_frames_as_tcp_or_rtu_and_its_line_is_reckoned_with_where_it_is_told() {
    let config = good("address = \"192.0.2.5:4001\"\nframing = \"rtu\"", "poll = \"10ms\"");
    let plain = Line::Gateway { address: "192.0.2.5:4001".into(), framing: Framing::Rtu, speed: None };
    assert_eq!(*line(&config), plain);
    check("address = \"192.0.2.5:502\"\nbaud = 19200", "poll = \"10ms\"", 7, &["`panel` cannot carry"]);
}

#[test]
fn faults_of_a_bus() {
    check("baud = 9600", "", 1, &["neither `device` nor `address`", "device = "]);
    check("device = \"/dev/a\"\naddress = \"a:1\"", "", 3, &["both a `device` and an `address`"]);
    check("device = \"/dev/a\"\nframing = \"rtu\"", "", 3, &["always RTU", "take `framing` out"]);
    check("address = \"a:1\"\nrs485 = true", "", 3, &["take `rs485` out"]);
    check("address = \"a:1\"\nparity = \"odd\"", "", 3, &["no `baud`"]);
    check("address = \"a\"", "", 2, &["no HOST:PORT"]);
    check("device = \"/dev/a\"\nbaud = 100", "", 3, &["outside its range", "300"]);
    check("device = \"/dev/a\"\nparity = \"evn\"", "", 3, &["did you mean \"even\""]);
    check("devise = \"/dev/a\"", "", 2, &["did you mean `device`"]);
}

#[test]
fn faults_of_a_drive_on_a_bus() {
    let port = "device = \"/dev/a\"";
    check(port, "address = \"a:1\"", 4, &["both an `address` and a `bus`"]);
    let text = PANEL.replace("BUS", port).replace("DRIVE", "").replacen("bus = \"panel\"", "bus = \"pannel\"", 1);
    let faults = load(&text, "panel.toml").unwrap_err();
    let said = faults.to_string();
    assert!(said.contains("bus `pannel`, which is not in the file") && said.contains("did you mean `panel`"), "{said}");
    let text = PANEL.replace("BUS", port).replace("DRIVE", "").replace("unit = 3", "unit = 0");
    let said = load(&text, "panel.toml").unwrap_err().to_string();
    assert!(said.contains("number of its own") && said.contains("1 to 247"), "{said}");
    let text = PANEL.replace("BUS", port).replace("DRIVE", "").replace("unit = 3", "unit = 2");
    let said = load(&text, "panel.toml").unwrap_err().to_string();
    assert!(said.contains("unit 2 of the bus `panel`, and so is `amplifier`"), "{said}");
}

#[test]
fn readable_ranges() {
    let config = good("device = \"/dev/a\"", "readable = { holding = \"0-40, 100 - 119,7\", coil = \"3\" }");
    let mut ranges = config.drives["amplifier"].readable.ranges.clone();
    ranges.sort();
    let holding = Table::Holding;
    assert_eq!(ranges, [(holding, 0, 40), (holding, 7, 7), (holding, 100, 119), (Table::Coil, 3, 3)]);
    let port = "device = \"/dev/a\"";
    check(port, "readable = { holding = \"40-0\" }", 6, &["no range", "first and last"]);
    check(port, "readable = { holding = \"\" }", 6, &["no range"]);
    check(port, "readable = { registers = \"1\" }", 6, &["the table `registers`", "holding, input"]);
}

/// 19,200 baud with parity: a character takes 0.5729 ms, a silence 2.005 ms. The amplifier's read is 8 + 5 + 4 = 17
/// bytes: 9.740 + 4.010 + 5 = 18.75 ms. The inverter's is 15 bytes: 8.594 + 4.010 + 5 = 17.604 ms every 100 ms, and
/// its counter's, 17 bytes again, every 5 s. With 20 ms for the amplifier: 93.75 + 17.60 + 0.375 = 111.7 %.
#[test]
fn a_cadence_that_the_bus_cannot_carry_is_refused_with_the_arithmetic() {
    let port = "device = \"/dev/a\"\nbaud = 19200";
    let arithmetic = [
        "`panel` cannot carry this cadence: it would be busy for 112 % of the time",
        "`amplifier`: 1 request(s) of 17 bytes",
        "11 bits / 19200 baud = 9.7 ms",
        "2 silences of 2.01 ms",
        "1 answer(s) after 5 ms: 18.7 ms every 20 ms",
        "`inverter`: 1 request(s) of 15 bytes",
        "17.6 ms every 100 ms",
        "for its counters 1 request(s) of 17 bytes",
        "18.7 ms every 5000 ms",
        // 111.73 / 90 of 20 and of 100 ms, rounded up.
        "this fits: poll = \"25ms\" in [drive.amplifier], poll = \"125ms\" in [drive.inverter]",
    ];
    check(port, "poll = \"20ms\"", 7, &arithmetic);
    // What it proposes does fit.
    let text = PANEL.replace("BUS", port).replace("DRIVE", "poll = \"25ms\"").replace("\"100ms\"", "\"125ms\"");
    load(&text, "panel.toml").unwrap_or_else(|f| panic!("{}", f.report()));
    good(port, "poll = \"23ms\"\nanswer_delay = \"0ms\"");
    // A slower line carries less, a faster one more.
    check("device = \"/dev/a\"\nbaud = 9600", "poll = \"25ms\"", 7, &["9600 baud"]);
    good("device = \"/dev/a\"\nbaud = 115200", "poll = \"20ms\"");
}

#[test]
fn the_arithmetic_stands_at_the_drive_that_asks_for_most() {
    let (line, said) = only("device = \"/dev/a\"\nbaud = 1200", "poll = \"1s\"");
    assert!(said.contains("1200 baud"), "{said}");
    assert_eq!(line, 11, "{said}");
}
