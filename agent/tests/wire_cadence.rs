//! A steady cadence against real peers: one drive at 10 Hz, and 32 of which some are dead and some slow.
//!
//! Jitter is how far a reading lies from its tick on the poller's grid, on the process's own clock, with the answer's
//! way in it. The test process and its peers claim precedence over the machine's other work. Beside it a task of the same process only sleeps to a grid of the same
//! period: how late that wakes is the machine's share, and is printed.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "tests")]

mod bench;

use std::collections::BTreeMap;
use std::time::Duration;

use bench::{Bench, HOIST, alone, claim_precedence, config, is_long, machine_lateness, quantile, seconds};
use tallyhook::clock::Clock;
use tallyhook::drive::{DriveReading, LinkState};
use tallyhook_tests::modbus::{Libmodbus, PtyPair, pymodbus_rtu, pymodbus_tcp};
use tallyhook_tests::peers::free_port;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;
use tokio::sync::watch;

/// How far each good reading lies from the grid of this period that fits them best, ms. The grid's origin is the
/// median of the readings' places in the period, so that no reading is the measure of the others.
fn off_the_grid(readings: &[&DriveReading], period_ms: i64) -> Vec<f64> {
    let first = readings.first().map_or(0, |r| r.at.mono.as_ms());
    let place = |r: &DriveReading| {
        let since = r.at.mono.as_ms() - first;
        (since + period_ms / 2).rem_euclid(period_ms) - period_ms / 2
    };
    let mut places: Vec<f64> = readings.iter().map(|r| place(r) as f64).collect();
    let middle = quantile(&mut places, 0.5);
    readings.iter().map(|r| (place(r) as f64 - middle).abs()).collect()
}

fn good<'r>(readings: &'r [DriveReading], drive: &str) -> Vec<&'r DriveReading> {
    readings.iter().filter(|r| *r.drive == *drive && r.link == LinkState::Online).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn ten_hertz_from_pymodbus_with_p99_jitter_under_10_ms() {
    let _alone = alone().await;
    claim_precedence();
    let (_pymodbus, port) = pymodbus_tcp("tcp", &["unit", "1", "holding", "2", "0"]);
    let text = format!("[drive.d]\naddress = \"127.0.0.1:{port}\"\npoll = \"100ms\"");
    let clock = Clock::system();
    let mut bench = Bench::start(&config(&text, &[("d", HOIST)]), &clock);
    while bench.next().await.link != LinkState::Online {}
    let (ends, ending) = watch::channel(false);
    let machine = tokio::spawn(machine_lateness(clock.clone(), Duration::from_millis(100), ending));
    let span = seconds(30, 600);
    let told = bench.told;
    let readings = bench.during(&clock, span).await;
    let told = bench.told - told;
    ends.send_replace(true);
    let machine = machine.await.unwrap();
    bench.end().await;

    let good = good(&readings, "d");
    let wanted = span.as_secs_f64() * 10.0;
    let mut off = off_the_grid(&good, 100);
    let (p50, p99, most) = (quantile(&mut off, 0.5), quantile(&mut off, 0.99), quantile(&mut off, 1.0));
    println!(
        "10 Hz for {span:?}: {} of {wanted} readings, told in {told}; jitter p50 {p50} p99 {p99} max {most} ms; a bare sleeper of this \
         process: p99 {machine:.1} ms late",
        good.len()
    );
    assert!(good.len() as f64 >= 0.99 * wanted, "{} of {wanted} readings", good.len());
    assert!(p99 < 10.0, "p99 jitter {p99} ms");
    // The drive rests: three seconds are told as they come, the others eleven at a time.
    assert!(told * 4 < good.len(), "{} readings were told in {told}", good.len());
}

/// A device that answers every request correctly, but only after `delay`.
async fn slow_device(delay: Duration, clock: Clock) -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    tokio::spawn(async move {
        while let Ok((mut stream, _)) = listener.accept().await {
            let clock = clock.clone();
            tokio::spawn(async move {
                let mut request = [0; 12];
                while stream.read_exact(&mut request).await.is_ok() {
                    let count = u16::from_be_bytes([request[10], request[11]]);
                    let mut answer = request[..4].to_vec();
                    answer.extend((3 + 2 * count).to_be_bytes());
                    answer.extend([request[6], request[7], 2 * count as u8]);
                    answer.extend(vec![0; usize::from(2 * count)]);
                    clock.sleep(tallyhook_analysis::units::Span::from_ms(delay.as_millis() as i64)).await;
                    if stream.write_all(&answer).await.is_err() {
                        break;
                    }
                }
            });
        }
    });
    port
}

/// What answers on a line, for as long as it is kept.
type Device = Box<dyn std::any::Any + Send>;

/// Four serial lines beside them, of which one has a second device that is not there.
///
/// Five dead in two ways: nobody listens (2), and a host that takes the call and never answers (3).
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn thirty_two_drives_of_which_five_are_dead_and_five_slow() {
    let _alone = alone().await;
    claim_precedence();
    let clock = Clock::system();
    // Those that have a socket rest, those on a line run.
    let (_libmodbus, healthy) = Libmodbus::tcp(1, &["holding", "2", "0"]);
    let mute = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let mute_port = mute.local_addr().unwrap().port();
    let mut text = String::new();
    let mut names = BTreeMap::new();
    for n in 0..32 {
        let (kind, port) = match n {
            3 | 13 => ("dead", free_port()),
            8 | 18 | 28 => ("dead", mute_port),
            5 | 11 | 17 | 23 | 29 => ("slow", slow_device(Duration::from_millis(350), clock.clone()).await),
            _ => ("healthy", healthy),
        };
        text.push_str(&format!(
            "[drive.d{n:02}]\naddress = \"127.0.0.1:{port}\"\npoll = \"100ms\"\ntimeout = \"1s\"\n"
        ));
        names.insert(format!("d{n:02}"), kind);
    }
    let mut lines = Vec::new();
    for n in 0..4 {
        let pair = PtyPair::new();
        let far = pair.far.display().to_string();
        // libmodbus takes what follows a question to a missing device for that one's answer; pymodbus does not.
        let device: Device = match n {
            0 => Box::new(pymodbus_rtu(&far, 38_400, &["unit", "1"])),
            _ => Box::new(Libmodbus::start(&["rtu", &far, "38400", "1"])),
        };
        text.push_str(&format!(
            "[bus.b{n}]\ndevice = \"{}\"\nbaud = 38400\nparity = \"none\"\nstop_bits = 1\n\
             [drive.s{n}]\nbus = \"b{n}\"\nunit = 1\npoll = \"100ms\"\ntimeout = \"200ms\"\n",
            pair.near.display()
        ));
        names.insert(format!("s{n}"), if n == 0 { "beside a missing one" } else { "healthy" });
        lines.push((pair, device));
    }
    text.push_str("[drive.missing]\nbus = \"b0\"\nunit = 2\npoll = \"100ms\"\ntimeout = \"200ms\"\n");
    names.insert("missing".to_owned(), "dead");
    let mechanisms: Vec<(&str, &str)> = names.keys().map(|name| (name.as_str(), HOIST)).collect();
    let mut bench = Bench::start(&config(&text, &mechanisms), &clock);
    bench.during(&clock, Duration::from_secs(2)).await;
    let (ends, ending) = watch::channel(false);
    let machine = tokio::spawn(machine_lateness(clock.clone(), Duration::from_millis(100), ending));
    let span = seconds(20, 600);
    let readings = bench.during(&clock, span).await;
    ends.send_replace(true);
    let machine = machine.await.unwrap();
    bench.end().await;

    let wanted = span.as_secs_f64() * 10.0;
    let (mut all, mut worst) = (Vec::new(), (0.0, ""));
    for (name, kind) in &names {
        let good = good(&readings, name);
        match *kind {
            "healthy" => {
                assert!(good.len() as f64 >= 0.98 * wanted, "{name}: {} of {wanted} readings", good.len());
                let mut off = off_the_grid(&good, 100);
                let p99 = quantile(&mut off, 0.99);
                if p99 > worst.0 {
                    worst = (p99, name);
                }
                all.extend(off);
            }
            "beside a missing one" => {
                assert!(good.len() as f64 >= 0.85 * wanted, "{name}: {} of {wanted} readings", good.len());
            }
            "slow" => assert!(good.len() as f64 >= 0.2 * wanted, "{name}: {} slow readings", good.len()),
            _ => {
                assert_eq!(good.len(), 0, "{name}");
                let told = readings.iter().filter(|r| *r.drive == **name).count() as f64;
                assert!(told >= span.as_secs_f64() * 0.8, "{name}: {told} readings that say that it is dead");
            }
        }
    }
    let p50 = quantile(&mut all, 0.5);
    let p99 = quantile(&mut all, 0.99);
    println!(
        "32 drives, 22 of them healthy, and 4 lines, {span:?}: jitter p50 {p50} p99 {p99} ms, worst drive {} p99 {} ms; a bare \
         sleeper of this process: p99 {machine:.1} ms late",
        worst.1, worst.0
    );
    assert!(p99 < 20.0, "p99 jitter {p99} ms");
    // The p99 of a single drive rests on its two or three worst readings in the short form.
    assert!(!is_long() || worst.0 < 20.0, "{}: p99 jitter {} ms", worst.1, worst.0);
}
