//! A broker that takes long is not one that hangs up: nothing is left out because of it.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

use tallyhook::publish::outbox::MemoryOutbox;

use super::teller::{Teller, hasty_clock};
use super::{config, message};

/// So many connections get no acknowledgement of a message; one on which a broker hangs up that often is left out before.
const SLOW: u32 = 10;

/// One packet of MQTT 3.1.1, section 2: its type and what follows its length.
fn packet(stream: &mut TcpStream) -> Option<(u8, Vec<u8>)> {
    let mut byte = [0];
    stream.read_exact(&mut byte).ok()?;
    let kind = byte[0] >> 4;
    let (mut length, mut shift) = (0, 0);
    loop {
        stream.read_exact(&mut byte).ok()?;
        length |= usize::from(byte[0] & 0x7f) << shift;
        if byte[0] & 0x80 == 0 {
            break;
        }
        shift += 7;
    }
    let mut rest = vec![0; length];
    stream.read_exact(&mut rest).ok()?;
    Some((kind, rest))
}

/// Answers all that it is sent, but lifts on the first [`SLOW`] connections that bring one; until the client goes.
fn serve(mut stream: TcpStream, waited: &AtomicU32) {
    let slow = waited.load(Ordering::SeqCst) < SLOW;
    let mut kept = false;
    while let Some((kind, rest)) = packet(&mut stream) {
        let answer = match kind {
            1 => vec![0x20, 2, 0, 0],
            3 => {
                let topic = usize::from(u16::from_be_bytes([rest[0], rest[1]]));
                let (topic, id) = (&rest[2..2 + topic], &rest[2 + topic..4 + topic]);
                if slow && topic.ends_with(b"/lift") {
                    kept = true;
                    continue;
                }
                vec![0x40, 2, id[0], id[1]]
            }
            8 => vec![0x90, 3, rest[0], rest[1], 1],
            10 => vec![0xb0, 2, rest[0], rest[1]],
            12 => vec![0xd0, 0],
            _ => continue,
        };
        if stream.write_all(&answer).is_err() {
            break;
        }
    }
    waited.fetch_add(u32::from(kept), Ordering::SeqCst);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_broker_that_takes_long_loses_no_message() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let waited = Arc::new(AtomicU32::new(0));
    let count = waited.clone();
    std::thread::spawn(move || {
        for stream in listener.incoming().map_while(Result::ok) {
            serve(stream, &count);
        }
    });
    let outbox = MemoryOutbox::default();
    let teller = Teller::start((*config(port)).clone(), &outbox, &hasty_clock(5));
    for n in 1..=3 {
        outbox.push(message(n));
    }
    teller.delivered("mqtt", 3).await;
    assert_eq!(waited.load(Ordering::SeqCst), SLOW, "so often was it tried again");
    let health = teller.health("mqtt");
    assert!(health.parked == 0 && health.last_parked.is_none(), "{health:?}");
    teller.stop().await;
}
