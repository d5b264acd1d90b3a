use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use tallyhook_analysis::sample::{Flag, Quantity};
use tallyhook_analysis::units::Timestamp;
use tallyhook_config::model::Target;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;
use tokio::task::JoinSet;

use super::super::fixture::{config, drive, hoist_signals, signal};
use super::super::spawn;
use super::*;
use crate::clock::Reading;
use tallyhook_config::model::{RawType, Signal, Table};

/// What the scripted peer does with a request.
enum Play {
    /// Answers with these registers.
    Words(Vec<u16>),
    /// Answers after so many milliseconds.
    Late(i64, Vec<u16>),
    /// Refuses.
    Exception(u8),
    /// Sends bytes as they are.
    Bytes(Vec<u8>),
    /// Closes the connection.
    Close,
}

/// A peer made of bytes: no Modbus library has a part in it. `play` gets the running number of the request over all
/// connections and the 12 bytes of the request.
async fn peer(listener: TcpListener, play: impl Fn(usize, &[u8; 12]) -> Play + Send + Sync + 'static) {
    let play = Arc::new(play);
    let count = Arc::new(AtomicUsize::new(0));
    let mut connections = JoinSet::new();
    loop {
        let (mut stream, _) = listener.accept().await.unwrap();
        let (play, count) = (play.clone(), count.clone());
        connections.spawn(async move {
            let mut request = [0; 12];
            while stream.read_exact(&mut request).await.is_ok() {
                assert!((1..=4).contains(&request[7]), "only reads");
                let head = |rest: &[u8]| {
                    let mut frame = request[..4].to_vec();
                    frame.extend((rest.len() as u16 + 1).to_be_bytes());
                    frame.push(request[6]);
                    frame.extend(rest);
                    frame
                };
                let words = |words: &[u16]| {
                    let mut rest = vec![request[7], (words.len() * 2) as u8];
                    rest.extend(words.iter().flat_map(|w| w.to_be_bytes()));
                    head(&rest)
                };
                let answer = match play(count.fetch_add(1, Ordering::SeqCst), &request) {
                    Play::Words(w) => words(&w),
                    Play::Late(ms, w) => {
                        Clock::system().sleep(Span::from_ms(ms)).await;
                        words(&w)
                    }
                    Play::Exception(code) => head(&[request[7] | 0x80, code]),
                    Play::Bytes(bytes) => bytes,
                    Play::Close => return,
                };
                if stream.write_all(&answer).await.is_err() {
                    return;
                }
            }
        });
    }
}

async fn listener() -> (TcpListener, String) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap().to_string();
    (listener, address)
}

/// A poller at work and what it says.
struct Bench {
    readings: mpsc::Receiver<DriveReading>,
    stop: watch::Sender<bool>,
    tasks: JoinSet<()>,
}

impl Bench {
    fn start(address: &str, poll_ms: i64, timeout_ms: i64, signals: Vec<Signal>, clock: Clock) -> Self {
        Self::start_as(Repeats::Told, address, poll_ms, timeout_ms, signals, clock)
    }

    fn start_as(
        repeats: Repeats,
        address: &str,
        poll_ms: i64,
        timeout_ms: i64,
        signals: Vec<Signal>,
        clock: Clock,
    ) -> Self {
        let config = config(vec![drive("d", address, poll_ms, timeout_ms)], vec![signals]);
        let (sender, readings) = mpsc::channel(super::super::QUEUE);
        let (stop, stopped) = watch::channel(false);
        Bench { readings, stop, tasks: spawn(&config, clock, repeats, sender, stopped) }
    }

    async fn next(&mut self) -> DriveReading {
        tokio::time::timeout(Duration::from_secs(10), self.readings.recv()).await.expect("a reading").expect("polling")
    }

    /// The next reading that fits, after at most 500 others.
    async fn until(&mut self, fits: impl Fn(&DriveReading) -> bool) -> DriveReading {
        for _ in 0..500 {
            let reading = self.next().await;
            if fits(&reading) {
                return reading;
            }
        }
        panic!("no such reading among 500");
    }

    async fn end(mut self) {
        self.stop.send_replace(true);
        while let Some(done) = self.tasks.join_next().await {
            done.unwrap();
        }
    }
}

async fn let_others_run() {
    for _ in 0..20 {
        tokio::task::yield_now().await;
    }
}

fn load(reading: &DriveReading) -> Decoded {
    value(reading, Target::Quantity(Quantity::Load))
}

fn value(reading: &DriveReading, target: Target) -> Decoded {
    reading.values.iter().find(|v| v.target == target).expect("every signal is in every reading").value
}

#[test]
fn the_back_off_grows_and_is_capped() {
    let period = Span::from_ms(100);
    let waits: Vec<i64> = (0..9).map(|n| back_off(n, period, 1.0).as_ms()).collect();
    assert_eq!(waits, [0, 100, 200, 400, 800, 1000, 1000, 1000, 1000]);
    assert_eq!(back_off(u32::MAX, period, 1.0).as_ms(), 1000);
    assert_eq!(back_off(1, period, 600.0).as_ms(), 30_000, "50 ms of real time");
}

#[test]
fn ticks_lie_on_the_grid_and_missed_ones_are_skipped() {
    let tick = |now| next_tick(Span::from_ms(7), Span::from_ms(100), Span::from_ms(now)).as_ms();
    assert_eq!([tick(7), tick(106), tick(107), tick(555)], [107, 107, 207, 607]);
}

#[tokio::test]
async fn a_steady_cadence_on_the_clock_of_the_program() {
    let (listener, address) = listener().await;
    let peer = tokio::spawn(peer(listener, |n, _| Play::Words(vec![0, n as u16, 0b010])));
    let clock = Clock::manual(Timestamp::from_ms(1_000_000));
    let mut bench = Bench::start(&address, 100, 1000, hoist_signals("d"), clock.clone());
    let at = |ms| Reading { wall: Timestamp::from_ms(1_000_000 + ms), mono: Span::from_ms(ms) };
    let mut seen = 0;
    for n in 1..=20 {
        // The poller must be waiting for its tick before the clock is moved.
        let_others_run().await;
        clock.set(at(n * 100 - 1));
        let_others_run().await;
        assert!(bench.readings.try_recv().is_err(), "not before the tick");
        clock.set(at(n * 100));
        let reading = bench.next().await;
        assert_eq!(reading.at, at(n * 100));
        // The first ticks may come before the connection stands; once it does, each tick reads afresh.
        if reading.link == LinkState::Online {
            assert_eq!(load(&reading), Decoded::Number(seen * 1000));
            assert_eq!(value(&reading, Target::Flag(Flag::Raising)), Decoded::Flag(true));
            assert_eq!(value(&reading, Target::Flag(Flag::Lowering)), Decoded::Flag(false));
            seen += 1;
        } else {
            assert_eq!((seen, load(&reading)), (0, Decoded::NotRead));
        }
    }
    assert!(seen >= 15, "{seen} of 20 ticks read");
    // Ten ticks pass in one go: one reading, not ten.
    let_others_run().await;
    clock.set(at(3_050));
    assert_eq!(bench.next().await.at, at(3_050));
    let_others_run().await;
    clock.set(at(3_099));
    let_others_run().await;
    assert!(bench.readings.try_recv().is_err(), "missed ticks are not made up for");
    clock.set(at(3_100));
    assert_eq!(bench.next().await.at, at(3_100));
    bench.end().await;
    peer.abort();
}

/// What a drive does at the requests of the test below: a lift, three refusals and a call that it ends.
fn said_at(n: usize) -> Play {
    match n {
        190..193 => Play::Exception(4),
        240 => Play::Close,
        _ => Play::Words(vec![0, if (80..130).contains(&n) { 5 } else { 0 }, u16::from((78..90).contains(&n)) << 1]),
    }
}

#[tokio::test]
async fn what_comes_again_at_rest_is_told_once_a_second_with_each_of_its_times() {
    const TICKS: usize = 300;
    let (listener, address) = listener().await;
    let asked = Arc::new(AtomicUsize::new(0));
    let peer = tokio::spawn(peer(listener, {
        let asked = asked.clone();
        move |n, _| {
            asked.store(n + 1, Ordering::SeqCst);
            said_at(n)
        }
    }));
    let clock = Clock::manual(Timestamp::from_ms(1_000_000));
    let mut bench = Bench::start_as(Repeats::HeldBack, &address, 100, 1000, hoist_signals("d"), clock.clone());
    let real = Clock::system();
    let (mut told, mut ticks, mut time) = (Vec::new(), Vec::new(), 0);
    // Some ticks come before the connection stands.
    while ticks.len() < TICKS {
        time += 100;
        let now = Reading { wall: Timestamp::from_ms(1_000_000 + time), mono: Span::from_ms(time) };
        let before = asked.load(Ordering::SeqCst);
        clock.set(now);
        for _ in 0..200 {
            let_others_run().await;
            while let Ok(reading) = bench.readings.try_recv() {
                told.push(reading);
            }
            if asked.load(Ordering::SeqCst) > before || told.last().is_some_and(|r| r.at == now) {
                break;
            }
            real.sleep(Span::from_ms(1)).await;
        }
        if asked.load(Ordering::SeqCst) > before {
            ticks.push(now);
        }
        // The answer is on its way still.
        real.sleep(Span::from_ms(3)).await;
    }
    bench.stop.send_replace(true);
    while let Some(reading) = bench.readings.recv().await {
        told.push(reading);
    }
    // Each tick is told, once, in order, with what the drive said at it; those that nobody heard are told too.
    let each: Vec<(Reading, &DriveReading)> = told.iter().flat_map(|r| r.times().map(move |at| (at, r))).collect();
    assert!(
        each.iter().zip(&each[1..]).all(|(a, b)| b.0.mono.as_ms() - a.0.mono.as_ms() == 100),
        "no tick is left out"
    );
    let answered = each.iter().filter(|(at, _)| ticks.contains(at));
    for (n, (at, reading)) in answered.enumerate() {
        let said = match said_at(n) {
            Play::Words(words) => (Decoded::Number(i64::from(words[1]) * 1000), Decoded::Flag(words[2] == 0b10)),
            _ => (Decoded::NotRead, Decoded::NotRead),
        };
        assert_eq!((*at, load(reading), value(reading, Target::Flag(Flag::Raising))), (ticks[n], said.0, said.1));
    }
    // Nothing is held while it moves, is refused or lost, nor for three seconds after a change.
    let alone = |n: usize| told.iter().any(|r| r.at == ticks[n] && r.before.is_empty());
    let found = || told.iter().map(|r| (r.at.mono, r.before.len())).collect::<Vec<_>>();
    for n in (0..30).chain(78..120).chain(130..160).chain(190..223).chain(240..271) {
        assert!(alone(n), "tick {n} in {:?}", found());
    }
    let held = (0..TICKS).filter(|n| !alone(*n)).count();
    assert!(held > 110 && told.len() < 200, "{held} of {TICKS} held, {:?}", found());
    // No time waits for longer than a second.
    let waits = told.iter().flat_map(|r| r.times().map(|at| r.at.mono.as_ms() - at.mono.as_ms()));
    assert_eq!(waits.max(), Some(1000));
    bench.end().await;
    peer.abort();
}

/// A stop takes nothing with it: neither what is held back nor what waits for a place in the queue.
#[tokio::test]
async fn what_waits_or_is_held_when_the_end_comes_is_told() {
    let (listener, address) = listener().await;
    let answers = Arc::new(AtomicUsize::new(0));
    let peer = tokio::spawn(peer(listener, {
        let answers = answers.clone();
        move |n, _| {
            answers.store(n + 1, Ordering::SeqCst);
            Play::Words(vec![0, n as u16, 0])
        }
    }));
    let mut bench = Bench::start_as(Repeats::HeldBack, &address, 10, 500, hoist_signals("d"), Clock::system());
    let mut answered = 0;
    // It asks no more when the queue is full.
    for _ in 0..100 {
        Clock::system().sleep(Span::from_ms(200)).await;
        let before = std::mem::replace(&mut answered, answers.load(Ordering::SeqCst) as i64);
        if before == answered && answered > super::super::QUEUE as i64 {
            break;
        }
    }
    assert!(answered > super::super::QUEUE as i64, "the queue is full: {answered}");
    bench.stop.send_replace(true);
    let mut read = Vec::new();
    while let Some(reading) = bench.readings.recv().await {
        read.extend(Some(load(&reading)).filter(|_| reading.link.is_up()));
    }
    assert_eq!(read, (0..answered).map(|n| Decoded::Number(n * 1000)).collect::<Vec<_>>());
    bench.end().await;
    peer.abort();
}

#[tokio::test]
async fn the_server_gone_for_a_second_and_back() {
    let (first, address) = listener().await;
    let serving = tokio::spawn(peer(first, |_, _| Play::Words(vec![0, 5, 0])));
    let mut bench = Bench::start(&address, 20, 300, hoist_signals("d"), Clock::system());
    let before = bench.until(|r| r.link == LinkState::Online).await;
    assert_eq!(load(&before), Decoded::Number(5000));
    serving.abort();
    assert!(serving.await.unwrap_err().is_cancelled());
    let gone = bench.until(|r| !r.link.is_up()).await;
    assert_eq!(load(&gone), Decoded::NotRead, "the gap begins with the first failed poll");
    // A reading a tick goes on coming, with nothing in it.
    let mut last = gone.at.mono;
    let mut ticks = 0;
    while last.as_ms() - gone.at.mono.as_ms() < 1000 {
        let reading = bench.next().await;
        assert_eq!(load(&reading), Decoded::NotRead);
        assert!(!reading.link.is_up());
        last = reading.at.mono;
        ticks += 1;
    }
    assert!(ticks > 25, "{ticks} ticks of 20 ms in a second without the drive");
    let again = TcpListener::bind(&address).await.unwrap();
    let serving = tokio::spawn(peer(again, |_, _| Play::Words(vec![0, 6, 0])));
    let back = bench.until(|r| r.link == LinkState::Online).await;
    assert_eq!(load(&back), Decoded::Number(6000));
    bench.end().await;
    serving.abort();
}

#[tokio::test]
async fn a_late_answer_is_never_taken_for_the_next() {
    let (listener, address) = listener().await;
    // The peer answers its first request too late, with a load that must never be booked. It counts how many
    // connections it sees by the requests whose transaction starts anew.
    let peer = tokio::spawn(peer(listener, |n, _| match n {
        0 => Play::Words(vec![0, 1, 0]),
        1 | 5 | 9 => Play::Late(350, vec![0, 666, 0b010]),
        n => Play::Words(vec![0, n as u16, 0]),
    }));
    let mut bench = Bench::start(&address, 20, 200, hoist_signals("d"), Clock::system());
    let (mut silent, mut good) = (0, 0);
    while good < 30 {
        let reading = bench.next().await;
        match (&reading.link, load(&reading)) {
            (LinkState::Online, Decoded::Number(grams)) => {
                assert_ne!(grams, 666_000, "a late answer was booked");
                good += 1;
            }
            (LinkState::Silent, value) => {
                assert_eq!(value, Decoded::NotRead);
                silent += 1;
            }
            (state, value) => assert_eq!(value, Decoded::NotRead, "{state}"),
        }
    }
    assert!(silent >= 3, "each late answer was a time-out");
    bench.end().await;
    peer.abort();
}

#[tokio::test]
async fn an_exception_is_a_healthy_link_and_costs_only_its_own_signals() {
    let (listener, address) = listener().await;
    let peer = tokio::spawn(peer(listener, |_, request| {
        if request[9] == 50 { Play::Exception(2) } else { Play::Words(vec![0, 8, 0b100]) }
    }));
    let mut signals = hoist_signals("d");
    signals.push(signal(Target::Quantity(Quantity::Speed), "d", Table::Holding, 50, RawType::I16));
    let mut bench = Bench::start(&address, 20, 500, signals, Clock::system());
    bench.until(|r| r.link.is_up()).await;
    for _ in 0..10 {
        let reading = bench.next().await;
        assert_eq!(reading.link, LinkState::Exception { function: 3, code: 2, address: 50 }, "and it stays connected");
        assert_eq!(load(&reading), Decoded::Number(8000));
        assert_eq!(value(&reading, Target::Flag(Flag::Lowering)), Decoded::Flag(true));
        assert_eq!(value(&reading, Target::Quantity(Quantity::Speed)), Decoded::NotRead);
    }
    bench.end().await;
    peer.abort();
}

#[tokio::test]
async fn nonsense_breaks_the_link_and_a_good_peer_mends_it() {
    let (listener, address) = listener().await;
    let peer = tokio::spawn(peer(listener, |n, request| match n {
        0 => Play::Words(vec![1, 2]),                                        // one register short
        1 => Play::Words(vec![1, 2, 3, 4]),                                  // one too many
        2 => Play::Bytes(vec![0xAB; 40]),                                    // no frame at all
        3 => Play::Bytes(vec![9, 9, 0, 0, 0, 9, 1, 3, 6, 0, 9, 0, 9, 0, 2]), // another transaction
        4 => Play::Bytes([&request[..4], &[0, 9, 1, 4, 6, 0, 9, 0, 9, 0, 2]].concat()), // another function
        5 => Play::Bytes([&request[..4], &[0, 9, 7, 3, 6, 0, 9, 0, 9, 0, 2]].concat()), // another unit
        6 => Play::Bytes(request[..3].to_vec()),                             // cut off
        8 => Play::Bytes(Vec::new()),                                        // silent
        7 => Play::Close,
        _ => Play::Words(vec![0, 4, 0]),
    }));
    // A fast clock, so that the growing waits between the attempts are short in real time.
    let mut bench = Bench::start(&address, 400, 1000, hoist_signals("d"), Clock::system_at_speed(40.0));
    let mut states = Vec::new();
    let good = loop {
        let reading = bench.next().await;
        if reading.link == LinkState::Online {
            break reading;
        }
        assert!(reading.values.iter().all(|v| v.value == Decoded::NotRead), "{}", reading.link);
        states.push(reading.link.name());
    };
    assert_eq!(load(&good), Decoded::Number(4000));
    assert!(["broken", "garbled", "silent"].iter().all(|s| states.contains(s)), "{states:?}");
    bench.end().await;
    peer.abort();
}

#[tokio::test]
async fn a_full_queue_holds_the_poller_up_and_stop_still_ends_it() {
    let (listener, address) = listener().await;
    let peer = tokio::spawn(peer(listener, |n, _| Play::Words(vec![0, n as u16, 0])));
    let mut bench = Bench::start(&address, 10, 500, hoist_signals("d"), Clock::system());
    let clock = Clock::system();
    clock.sleep(Span::from_ms(1200)).await;
    let mut got = Vec::new();
    for _ in 0..super::super::QUEUE {
        got.push(bench.next().await);
    }
    let mut read = got.iter().filter(|r| r.link == LinkState::Online).map(load);
    let mut expected = 0;
    assert!(read.all(|v| (v == Decoded::Number(expected * 1000), expected += 1).0), "none was dropped");
    clock.sleep(Span::from_ms(1200)).await;
    bench.end().await;
    peer.abort();
}

#[tokio::test]
async fn who_takes_the_call_and_hangs_up_is_not_called_without_a_pause() {
    let (listener, address) = listener().await;
    let calls = Arc::new(AtomicUsize::new(0));
    let peer = tokio::spawn({
        let calls = calls.clone();
        async move {
            loop {
                drop(listener.accept().await.unwrap());
                calls.fetch_add(1, Ordering::SeqCst);
            }
        }
    });
    let mut bench = Bench::start(&address, 100, 500, hoist_signals("d"), Clock::system());
    for _ in 0..20 {
        let reading = bench.next().await;
        assert!(!reading.link.is_up());
    }
    let calls = calls.load(Ordering::SeqCst);
    assert!((3..=25).contains(&calls), "{calls} calls in 2 s at a period of 100 ms");
    bench.end().await;
    peer.abort();
}
