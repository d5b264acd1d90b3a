//! The client against servers that are not ours, pymodbus and libmodbus, over TCP, RTU in a TCP stream, and RTU on a
//! pseudo terminal; and a serial line as slow as its baud rate.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "tests")]

mod bench;

use std::time::Duration;

use bench::{Bench, HOIST, alone, claim_precedence, config, seconds, value};
use tallyhook::clock::Clock;
use tallyhook::drive::decode::Answer;
use tallyhook::drive::link::{Link, ReadError};
use tallyhook::drive::{Decoded, LinkState};
use tallyhook_config::model::{Config, Table};
use tallyhook_config::wire::{Cost, Parity, Request, Speed};
use tallyhook_tests::modbus::{Libmodbus, PacedLine, PtyPair, pymodbus_rtu, pymodbus_tcp};

const LIMIT: Duration = Duration::from_secs(2);

fn tcp(port: u16, unit: u8) -> Config {
    config(&format!("[drive.d]\naddress = \"127.0.0.1:{port}\"\nunit = {unit}"), &[("d", HOIST)])
}

fn on_bus(bus: &str, unit: u8) -> Config {
    config(&format!("[bus.b]\n{bus}\n[drive.d]\nbus = \"b\"\nunit = {unit}\npoll = \"1s\""), &[("d", HOIST)])
}

fn serial(device: &str) -> String {
    format!("device = \"{device}\"\nbaud = 19200\nparity = \"none\"\nstop_bits = 1")
}

/// Reads blocks of every table, short and as long as the protocol allows, and compares them with what the peer holds;
/// then asks for what it has not.
async fn every_table(what: &str, config: &Config) {
    let clock = Clock::system();
    let drive = &config.drives["d"];
    let mut link = Link::open(drive, &clock).await.unwrap_or_else(|state| panic!("{what}: {state}"));
    let word = |table, a: u16| if table == Table::Holding { 7 * a + 1 } else { 5 * a + 3 };
    let contact = |table, a: u16| a.is_multiple_of(if table == Table::Coil { 3 } else { 5 });
    for _ in 0..3 {
        for (table, address, count) in [
            (Table::Holding, 0, 1),
            (Table::Holding, 75, 125),
            (Table::Input, 10, 7),
            (Table::Coil, 1, 19),
            (Table::Coil, 0, 200),
            (Table::Discrete, 3, 8),
            (Table::Discrete, 17, 1),
        ] {
            let request = Request { table, address, count };
            let answer = link.read(drive.unit, request, LIMIT).await;
            let expected = match table {
                Table::Holding | Table::Input => {
                    Answer::Words((address..address + count).map(|a| word(table, a)).collect())
                }
                Table::Coil | Table::Discrete => {
                    Answer::Contacts((address..address + count).map(|a| contact(table, a)).collect())
                }
            };
            assert_eq!(answer, Ok(expected), "{what}: {request:?}");
        }
        let beyond = Request { table: Table::Holding, address: 199, count: 2 };
        assert_eq!(link.read(drive.unit, beyond, LIMIT).await, Err(ReadError::Refused(2)), "{what}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_table_of_every_peer_over_every_way() {
    let _alone = alone().await;
    let (_libmodbus, port) = Libmodbus::tcp(17, &[]);
    every_table("libmodbus, TCP", &tcp(port, 17)).await;

    let (_pymodbus, port) = pymodbus_tcp("tcp", &["unit", "3"]);
    every_table("pymodbus, TCP", &tcp(port, 3)).await;

    let (_pymodbus, port) = pymodbus_tcp("rtu-over-tcp", &["unit", "3"]);
    every_table("pymodbus, RTU over TCP", &on_bus(&format!("address = \"127.0.0.1:{port}\"\nframing = \"rtu\""), 3))
        .await;

    let line = PtyPair::new();
    let far = line.far.display().to_string();
    let _libmodbus = Libmodbus::start(&["rtu", &far, "19200", "17"]);
    every_table("libmodbus, RTU", &on_bus(&serial(&line.near.display().to_string()), 17)).await;

    let line = PtyPair::new();
    let _pymodbus = pymodbus_rtu(&line.far.display().to_string(), 19_200, &["unit", "3"]);
    every_table("pymodbus, RTU", &on_bus(&serial(&line.near.display().to_string()), 3)).await;
}

/// Three devices on one line, of which one is not there; the counters of one lie apart and are read slowly.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_queue_for_a_line_and_a_missing_device_costs_its_neighbours_little() {
    let _alone = alone().await;
    let line = PtyPair::new();
    let units = [
        "unit", "2", "holding", "1", "4321", "holding", "2", "0", "unit", "3", "holding", "1", "8765", "holding", "2",
        "2",
    ];
    let _pymodbus = pymodbus_rtu(&line.far.display().to_string(), 19_200, &units);
    let drive = |name: &str, unit: u8| {
        format!(
            "[drive.{name}]\nbus = \"b\"\nunit = {unit}\npoll = \"100ms\"\ntimeout = \"200ms\"\npoll_counters = \"1s\"\n"
        )
    };
    let text = format!(
        "[bus.b]\n{}\n{}{}{}",
        serial(&line.near.display().to_string()),
        drive("amplifier", 2),
        drive("inverter", 3),
        drive("missing", 9)
    );
    let counted = format!("{HOIST}\nrun_hours = {{ address = 50, type = \"u16\" }}");
    let config = config(&text, &[("amplifier", HOIST), ("inverter", &counted), ("missing", HOIST)]);
    let clock = Clock::system();
    let mut bench = Bench::start(&config, &clock);
    bench.during(&clock, Duration::from_secs(3)).await;
    let span = Duration::from_secs(8);
    let readings = bench.during(&clock, span).await;
    bench.end().await;
    let of = |name: &str| readings.iter().filter(|r| *r.drive == *name).collect::<Vec<_>>();
    // The high word is 1 = 7 · 0 + 1.
    for (name, low) in [("amplifier", 4321), ("inverter", 8765)] {
        let good: Vec<_> = of(name).into_iter().filter(|r| r.link == LinkState::Online).collect();
        for reading in &good {
            assert_eq!(value(reading, "load_kg"), Decoded::Number((65_536 + low) * 1000), "{name}");
        }
        println!("{name}: {} good readings of {} ticks in {span:?}", good.len(), of(name).len());
        assert!(good.len() as f64 >= 0.85 * span.as_secs_f64() * 10.0, "{name}: {} good readings", good.len());
    }
    let counters = of("inverter").iter().filter(|r| value(r, "run_hours") != Decoded::NotRead).count();
    assert!((6..=9).contains(&counters), "{counters} readings of a counter that is read every second");
    let missing = of("missing");
    assert!(missing.len() >= 40, "a device that is not there still gives its readings: {}", missing.len());
    for reading in missing {
        assert_eq!((&reading.link, value(reading, "load_kg")), (&LinkState::Silent, Decoded::NotRead));
    }
}

/// libmodbus has 200 holding registers. One signal lies beyond, and the gap is said to be readable.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_read_that_is_refused_for_one_address_is_split_and_the_others_live() {
    let (_libmodbus, port) = Libmodbus::tcp(1, &["holding", "196", "3", "holding", "199", "55"]);
    let signals = "load_kg = { address = 199 }\nspeed_pct = { address = 203 }\nraising = { address = 196, bit = 0 }\n\
                   lowering = { address = 196, bit = 1 }\nheight_m = { address = 190 }";
    let text =
        format!("[drive.d]\naddress = \"127.0.0.1:{port}\"\npoll = \"20ms\"\nreadable = {{ holding = \"0-250\" }}");
    let clock = Clock::system();
    let mut bench = Bench::start(&config(&text, &[("d", signals)]), &clock);
    let mut before = 0;
    let first = loop {
        let reading = bench.next().await;
        if value(&reading, "load_kg") == Decoded::Number(55_000) {
            break reading;
        }
        assert!(!matches!(reading.link, LinkState::Online), "{reading:?}");
        before += 1;
        assert!(before < 20, "{reading:?}");
    };
    for reading in std::iter::once(first).chain(bench.during(&clock, Duration::from_secs(1)).await) {
        assert_eq!(reading.link, LinkState::Exception { function: 3, code: 2, address: 203 });
        assert_eq!(value(&reading, "load_kg"), Decoded::Number(55_000));
        assert_eq!(value(&reading, "raising"), Decoded::Flag(true));
        assert_eq!(value(&reading, "height_m"), Decoded::Number(1_331_000));
        assert_eq!(value(&reading, "speed_pct"), Decoded::NotRead);
    }
    bench.end().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_port_that_is_not_there_or_cannot_turn_the_direction_says_so() {
    let line = PtyPair::new();
    let device = line.near.display().to_string();
    let clock = Clock::system();
    for (bus, words) in [
        (serial("/dev/serial/by-id/none"), "not reachable: /dev/serial/by-id/none"),
        (format!("{}\nrs485 = true", serial(&device)), "take `rs485` out"),
    ] {
        let config = on_bus(&bus, 1);
        let said = Link::open(&config.drives["d"], &clock).await.map(|_| ()).unwrap_err().to_string();
        assert!(said.contains(words), "{said}");
    }
    // The port is taken: a second master is refused, and may come when the first has gone.
    let config = on_bus(&serial(&device), 1);
    let first = Link::open(&config.drives["d"], &clock).await.map_err(|s| s.to_string()).unwrap();
    assert!(Link::open(&config.drives["d"], &clock).await.is_err());
    drop(first);
    assert!(Link::open(&config.drives["d"], &clock).await.is_ok());
}

/// 19,200 baud, 8 data bits, no parity, 1 stop bit: 10 bits, 0.521 ms a character.
const LINE: Speed = Speed { baud: 19_200, parity: Parity::None, stop_bits: 1 };

/// The device is libmodbus, the pacing of the bytes is ours (`tests/src/modbus.rs`).
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn reads_a_second_on_a_19200_baud_line_are_at_least_nine_tenths_of_the_arithmetic() {
    let _alone = alone().await;
    claim_precedence();
    let line = PacedLine::new(Duration::from_nanos(LINE.characters_ns(1)));
    let _libmodbus = Libmodbus::start(&["rtu", &line.far(), "19200", "17"]);
    let clock = Clock::system();
    for count in [2_u16, 10, 60] {
        let request = Request { table: Table::Holding, address: 0, count };
        let allowed = 1e9 / Cost::serial(LINE, 0).of(request) as f64;
        // One read after the other.
        let config = on_bus(&serial(&line.near()), 17);
        let mut link = Link::open(&config.drives["d"], &clock).await.map_err(|s| s.to_string()).unwrap();
        let (begun, mut reads) = (clock.wire(), 0);
        while clock.wire() - begun < seconds(4, 60) {
            link.read(17, request, LIMIT).await.unwrap();
            reads += 1;
        }
        let rate = f64::from(reads) / (clock.wire() - begun).as_secs_f64();
        println!(
            "{count} registers: {rate:.2} reads/s of {allowed:.2} that the arithmetic allows: {:.1} %",
            rate / allowed * 100.0
        );
        assert!(rate >= 0.9 * allowed, "{count} registers: {rate:.2} reads/s of {allowed:.2}");
    }
}

/// A cadence that takes 95 % of the line by the arithmetic is what `check` lets through; the poller holds it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_cadence_that_the_arithmetic_allows_is_held() {
    let _alone = alone().await;
    claim_precedence();
    let line = PacedLine::new(Duration::from_nanos(LINE.characters_ns(1)));
    let _libmodbus = Libmodbus::start(&["rtu", &line.far(), "19200", "17"]);
    let cost = Cost::serial(LINE, 0).of(Request { table: Table::Holding, address: 0, count: 3 });
    let poll_ms = (cost as f64 / 1e6 / 0.95).ceil();
    let drive = format!(
        "[bus.b]\n{}\n[drive.d]\nbus = \"b\"\nunit = 17\npoll = \"{poll_ms}ms\"\nanswer_delay = \"0ms\"",
        serial(&line.near())
    );
    let clock = Clock::system();
    let mut bench = Bench::start(&config(&drive, &[("d", HOIST)]), &clock);
    while bench.next().await.link != LinkState::Online {}
    let span = seconds(8, 120);
    let readings = bench.during(&clock, span).await;
    bench.end().await;
    let good = readings.iter().filter(|r| r.link == LinkState::Online).count() as f64;
    let ticks = span.as_secs_f64() * 1000.0 / poll_ms;
    println!("every {poll_ms} ms, {:.1} % of the line: {good} of {ticks:.0} ticks read", cost as f64 / 1e4 / poll_ms);
    assert_eq!(good, readings.len() as f64, "every tick that was begun was answered");
    assert!(good >= 0.9 * ticks, "{good} of {ticks:.0} ticks");
}
