use std::collections::BTreeMap;
use std::io;
use std::sync::Mutex;

use tallyhook_config::model::Bus;
use tallyhook_config::wire::Parity;
use tokio::io::DuplexStream;
use tokio::sync::{mpsc, watch};
use tokio::time::timeout;

use super::super::port::Opening;
use super::super::{Repeats, fixture, spawn_through};
use super::*;

const LIMIT: Duration = Duration::from_millis(60);

/// Gives out streams that were laid ready, in order.
struct Ready(Mutex<Vec<DuplexStream>>);

impl Ports for Ready {
    fn open(&self, _: &model::Link) -> Opening {
        let next = self.0.lock().unwrap().pop();
        Box::pin(async move {
            let stream: Box<dyn Port> = Box::new(next.ok_or(io::ErrorKind::NotFound)?);
            Ok(stream)
        })
    }
}

fn serial(baud: u32) -> model::Link {
    let speed = Speed { baud, parity: Parity::Even, stop_bits: 1 };
    model::Link::Bus(Bus { name: "b".into(), line: Line::Serial { device: "/dev/none".into(), speed, rs485: false } })
}

/// A link and the device's end of its line.
async fn line(route: model::Link) -> (Link, DuplexStream) {
    let (near, far) = tokio::io::duplex(4096);
    let mut link = Link::new(route, Arc::new(Ready(Mutex::new(vec![near]))), Clock::system());
    let port = link.opening(LIMIT).await.unwrap();
    link.attach(port);
    (link, far)
}

/// The next RTU request: unit, address, count.
async fn asked(device: &mut DuplexStream) -> (u8, u16, u16) {
    let mut bytes = [0; 8];
    device.read_exact(&mut bytes).await.unwrap();
    (bytes[0], u16::from_be_bytes([bytes[2], bytes[3]]), u16::from_be_bytes([bytes[4], bytes[5]]))
}

/// Sums up the checksum of an RTU frame and sends it.
async fn send(device: &mut DuplexStream, body: &[u8]) {
    let mut crc = 0xFFFF_u16;
    for byte in body {
        crc ^= u16::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 0 { crc >> 1 } else { crc >> 1 ^ 0xA001 };
        }
    }
    device.write_all(&[body, &crc.to_le_bytes()].concat()).await.unwrap();
}

async fn answer(device: &mut DuplexStream, unit: u8, words: &[u16]) {
    let data: Vec<u8> = words.iter().flat_map(|w| w.to_be_bytes()).collect();
    send(device, &[&[unit, 3, data.len() as u8], data.as_slice()].concat()).await;
}

/// The device's part of being met: `count` registers are asked for, behind two fences.
async fn is_met(device: &mut DuplexStream, unit: u8, count: u16, fence: u16) {
    for asked_for in [fence, fence, count] {
        assert_eq!(asked(device).await, (unit, 10, asked_for));
        answer(device, unit, &vec![0; usize::from(asked_for)]).await;
    }
}

/// Meets a unit, see [`is_met`].
async fn meet(link: &mut Link, unit: u8, count: u16) {
    let met = link.read(unit, read(count), LIMIT).await;
    assert_eq!(met, Ok(Answer::Words(vec![0; usize::from(count)].into())));
}

fn read(count: u16) -> Request {
    Request { table: Table::Holding, address: 10, count }
}

fn silent() -> Result<Answer, ReadError> {
    Err(ReadError::Lost(LinkState::Silent))
}

#[tokio::test]
async fn a_late_answer_is_fenced_off_however_late_it_is() {
    let (mut link, mut device) = line(serial(115_200)).await;
    let told = tokio::spawn(async move {
        is_met(&mut device, 1, 3, 2).await;
        assert_eq!(asked(&mut device).await, (1, 10, 3));
        // The next question is another, shorter one: the fence. Its answer does not come in time either.
        assert_eq!(asked(&mut device).await, (1, 10, 2));
        assert_eq!(asked(&mut device).await, (1, 10, 2));
        // Now everything comes at once, oldest first.
        answer(&mut device, 1, &[6, 6, 6]).await;
        answer(&mut device, 1, &[6, 6]).await;
        answer(&mut device, 1, &[7, 7]).await;
        // Two answers to one fence are one too many; another fence is put.
        assert_eq!(asked(&mut device).await, (1, 10, 2));
        answer(&mut device, 1, &[7, 7]).await;
        assert_eq!(asked(&mut device).await, (1, 10, 3));
        answer(&mut device, 1, &[8, 8, 8]).await;
        // Nothing is owed any more: no fence.
        assert_eq!(asked(&mut device).await, (1, 10, 3));
        answer(&mut device, 1, &[9, 9, 9]).await;
    });
    meet(&mut link, 1, 3).await;
    assert_eq!(link.read(1, read(3), LIMIT).await, silent());
    assert!(!link.rests(1).is_zero(), "it is left alone for a while");
    assert_eq!(link.read(1, read(3), LIMIT).await, silent());
    let garbled = link.read(1, read(3), LIMIT).await;
    assert!(matches!(garbled, Err(ReadError::Lost(LinkState::Garbled(_)))), "{garbled:?}");
    let heard = link.read(1, read(3), LIMIT).await;
    assert_eq!(heard, Ok(Answer::Words(vec![8, 8, 8].into())));
    assert_eq!(link.read(1, read(3), LIMIT).await, Ok(Answer::Words(vec![9, 9, 9].into())));
    told.await.unwrap();
}

#[tokio::test]
async fn a_single_register_is_fenced_by_one_more_even_where_that_is_refused() {
    let (mut link, mut device) = line(serial(115_200)).await;
    let told = tokio::spawn(async move {
        is_met(&mut device, 1, 1, 2).await;
        assert_eq!(asked(&mut device).await, (1, 10, 1));
        assert_eq!(asked(&mut device).await, (1, 10, 2));
        answer(&mut device, 1, &[6]).await;
        send(&mut device, &[1, 0x83, 2]).await;
        assert_eq!(asked(&mut device).await, (1, 10, 1));
        answer(&mut device, 1, &[7]).await;
    });
    meet(&mut link, 1, 1).await;
    assert_eq!(link.read(1, read(1), LIMIT).await, silent());
    assert_eq!(link.read(1, read(1), LIMIT).await, Ok(Answer::Words(vec![7].into())));
    told.await.unwrap();
}

#[tokio::test]
async fn the_late_answer_of_a_neighbour_is_set_aside() {
    let (mut link, mut device) = line(serial(115_200)).await;
    let told = tokio::spawn(async move {
        is_met(&mut device, 1, 3, 2).await;
        is_met(&mut device, 2, 3, 2).await;
        assert_eq!(asked(&mut device).await, (1, 10, 3));
        assert_eq!(asked(&mut device).await, (2, 10, 3));
        answer(&mut device, 1, &[6, 6, 6]).await;
        answer(&mut device, 2, &[7, 7, 7]).await;
        // It owes nothing now, so it is asked without a fence.
        assert_eq!(asked(&mut device).await, (1, 10, 3));
        answer(&mut device, 1, &[8, 8, 8]).await;
    });
    meet(&mut link, 1, 3).await;
    meet(&mut link, 2, 3).await;
    assert_eq!(link.read(1, read(3), LIMIT).await, silent());
    assert_eq!(
        link.read(2, read(3), LIMIT).await,
        Ok(Answer::Words(vec![7, 7, 7].into())),
        "the neighbour need not wait"
    );
    assert_eq!(link.read(1, read(3), LIMIT).await, Ok(Answer::Words(vec![8, 8, 8].into())));
    told.await.unwrap();
}

/// What a process before this one was owed lies on the line in the orders in which it can: none of it is taken.
#[tokio::test]
async fn what_was_asked_before_a_start_is_not_taken_for_the_first_answer() {
    // As many values as registers were asked for: the question has three, its fence two.
    let left: [&[usize]; 7] = [&[3], &[2], &[3, 2], &[2, 3], &[3, 2, 3], &[2, 2, 3], &[3, 2, 2]];
    for owed in left {
        let (mut link, mut device) = line(serial(115_200)).await;
        let told = tokio::spawn(async move {
            for n in 0_usize.. {
                let mut bytes = [0; 8];
                let Ok(_) = device.read_exact(&mut bytes).await else { return };
                // A device answers in order.
                if n == 0 {
                    for values in owed {
                        answer(&mut device, 1, &vec![6; *values]).await;
                    }
                }
                answer(&mut device, 1, &vec![7; usize::from(bytes[5])]).await;
            }
        });
        let mut heard = link.read(1, read(3), LIMIT).await;
        for _ in 0..4 {
            if heard.is_ok() {
                break;
            }
            heard = link.read(1, read(3), LIMIT).await;
        }
        assert_eq!(heard, Ok(Answer::Words(vec![7, 7, 7].into())), "{owed:?} were owed");
        assert_eq!(link.read(1, read(3), LIMIT).await, Ok(Answer::Words(vec![7, 7, 7].into())), "{owed:?} were owed");
        drop(link);
        told.await.unwrap();
    }
}

/// A device need not refuse what it does not have. Without an answer to its fence it is read for all that, when whatever
/// can have been asked before has been forgotten.
#[tokio::test]
async fn a_device_that_never_answers_a_fence_is_read_in_the_end() {
    let (near, mut device) = tokio::io::duplex(4096);
    let (clock, hands) = Clock::simulated(tallyhook_analysis::units::Timestamp::from_ms(0));
    let mut link = Link::new(serial(115_200), Arc::new(Ready(Mutex::new(vec![near]))), clock.clone());
    let port = link.opening(LIMIT).await.unwrap();
    link.attach(port);
    let told = tokio::spawn(async move {
        loop {
            let mut bytes = [0; 8];
            let Ok(_) = device.read_exact(&mut bytes).await else { return };
            if bytes[5] == 1 {
                answer(&mut device, 1, &[7]).await;
            }
        }
    });
    let moved = tokio::spawn(async move {
        loop {
            // Whoever can go on without time goes on first.
            for _ in 0..20 {
                tokio::task::yield_now().await;
            }
            if let Some(next) = hands.next() {
                hands.move_to(next);
            }
        }
    });
    let mut met = None;
    while clock.wire() < Duration::from_secs(90) {
        // There is no second line to open.
        link.silent_in_a_row = 0;
        if link.read(1, read(1), LIMIT).await == Ok(Answer::Words(vec![7].into())) {
            met = Some(clock.wire());
            break;
        }
        clock.sleep(tallyhook_analysis::units::Span::from_ms(500)).await;
    }
    assert!(met.is_some_and(|at| at < Duration::from_secs(62)), "{met:?}");
    moved.abort();
    drop(link);
    told.await.unwrap();
}

#[tokio::test]
async fn an_echo_is_named() {
    let (mut link, mut device) = line(serial(115_200)).await;
    let told = tokio::spawn(async move {
        let mut bytes = [0; 8];
        device.read_exact(&mut bytes).await.unwrap();
        device.write_all(&bytes).await.unwrap();
        device
    });
    match link.read(1, read(3), LIMIT).await {
        Err(ReadError::Lost(LinkState::Garbled(words))) => assert!(words.contains("echo"), "{words}"),
        other => panic!("{other:?}"),
    }
    drop(told.await.unwrap());
}

/// 1200 baud: 3.5 characters of 11 bits are 32 ms.
#[tokio::test]
async fn the_silence_between_frames_is_kept() {
    let (mut link, mut device) = line(serial(1200)).await;
    let clock = Clock::system();
    let told = tokio::spawn(async move {
        let mut ended = None;
        // Four reads, and the two fences before the first.
        for _ in 0..2 + 4 {
            let (_, _, count) = asked(&mut device).await;
            if let Some(ended) = ended {
                let silence = clock.wire() - ended;
                assert!(silence >= Duration::from_micros(32_083), "{silence:?}");
            }
            // After its answer a device may not be spoken to at once.
            answer(&mut device, 1, &vec![1; usize::from(count)]).await;
            ended = Some(clock.wire());
        }
    });
    for _ in 0..4 {
        assert!(link.read(1, read(1), LIMIT).await.is_ok());
    }
    told.await.unwrap();
}

#[tokio::test]
async fn a_line_on_which_nobody_answers_is_opened_anew() {
    let (mut link, _device) = line(serial(115_200)).await;
    for n in 1..=REOPEN_AFTER {
        assert!(link.is_open());
        assert_eq!(link.read(n as u8, read(1), Duration::from_millis(5)).await, silent());
    }
    assert!(!link.is_open());
}

#[tokio::test]
async fn on_tcp_a_time_out_or_a_byte_too_many_ends_the_connection() {
    let tcp = || model::Link::Tcp { address: "192.0.2.1:502".into() };
    let (mut link, _device) = line(tcp()).await;
    assert_eq!(link.read(1, read(1), LIMIT).await, silent());
    assert!(!link.is_open());
    let (mut link, mut device) = line(tcp()).await;
    device.write_all(&[0]).await.unwrap();
    assert!(matches!(link.read(1, read(1), LIMIT).await, Err(ReadError::Lost(LinkState::Garbled(_)))));
    assert!(!link.is_open());
}

/// Three drives of different cadences on one line, over ports that are not the machine's: one question at a time, and
/// each drive gets its share although the line is busy all the time.
#[tokio::test]
async fn one_question_at_a_time_and_a_fair_share() {
    let (near, mut device) = tokio::io::duplex(4096);
    let ports = Arc::new(Ready(Mutex::new(vec![near])));
    let drives: Vec<Drive> = [("a", 1, 10), ("b", 2, 20), ("c", 3, 400)]
        .into_iter()
        .map(|(name, unit, poll_ms)| {
            let drive = fixture::drive(name, "", poll_ms, 500);
            Drive { unit, link: serial(115_200), ..drive }
        })
        .collect();
    let signals = drives.iter().map(|d| fixture::hoist_signals(&d.name)).collect();
    let (sender, mut readings) = mpsc::channel(super::super::QUEUE);
    let (stop, stopped) = watch::channel(false);
    let clock = Clock::system();
    let mut tasks =
        spawn_through(ports, &fixture::config(drives, signals), clock.clone(), Repeats::Told, sender, stopped);
    let device = tokio::spawn(async move {
        loop {
            let (unit, _, count) = asked(&mut device).await;
            // It takes 15 ms to answer, and nobody speaks meanwhile.
            let spoken = timeout(Duration::from_millis(15), device.read(&mut [0])).await;
            assert!(spoken.is_err(), "a second question before the first was answered");
            answer(&mut device, unit, &vec![0; usize::from(count)]).await;
        }
    });
    let mut turns: BTreeMap<Arc<str>, u32> = BTreeMap::new();
    while clock.wire() < Duration::from_secs(3) {
        let reading = timeout(Duration::from_secs(5), readings.recv()).await.unwrap().unwrap();
        assert!(matches!(reading.link, LinkState::Online | LinkState::Connecting), "{}", reading.link);
        if reading.link == LinkState::Online {
            *turns.entry(reading.drive).or_default() += 1;
        }
    }
    assert!(!device.is_finished(), "one question at a time");
    device.abort();
    stop.send_replace(true);
    while tasks.join_next().await.is_some() {}
    // The line carries some 50 reads a second of the 152 that are asked for: the slow drive loses none, and of the two
    // fast ones neither starves the other.
    let (a, b, c) = (turns["a"], turns["b"], turns["c"]);
    println!("turns: {a}, {b}, {c}");
    assert!(c >= 6, "the slow drive had {c} turns of 7");
    assert!(a.abs_diff(b) <= a.max(b) / 3, "{a} and {b} turns");
}
