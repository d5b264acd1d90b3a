//! A broker that hangs up on one message and lets a few acknowledgements through each time: which message is the oldest
//! without one moves on with each connection, and is not the one that it does not like.

use std::io::Write;
use std::net::TcpStream;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde_json::json;
use tallyhook::publish::outbox::MemoryOutbox;

use super::stub::{self, Packet};
use super::teller::{Teller, hasty_clock};
use super::{config, message};

/// Lifts; which of them is too large.
const LIFTS: usize = 12;
const GIANT: usize = 8;
/// The largest packet that it takes.
const LARGEST: usize = 4_000;
/// A burst is over when nothing came for so long: longer than a kernel waits to put small packets together.
const PAUSE: Duration = Duration::from_millis(100);

/// Acknowledges the first lift at once and the others when the burst is over, unless one of it was too large.
fn serve(mut stream: TcpStream, taken: &AtomicU32) -> std::io::Result<()> {
    let (mut first, mut held) = (true, Vec::<Vec<u8>>::new());
    loop {
        let mut byte = [0];
        stream.set_read_timeout((!held.is_empty()).then_some(PAUSE))?;
        match stream.peek(&mut byte) {
            Ok(0) => return Ok(()),
            Ok(_) => {}
            Err(_) if !held.is_empty() => {
                for answer in held.drain(..) {
                    stream.write_all(&answer)?;
                    taken.fetch_add(1, Ordering::SeqCst);
                }
                continue;
            }
            Err(error) => return Err(error),
        }
        stream.set_read_timeout(None)?;
        let Some(packet) = Packet::read(&mut stream) else { return Ok(()) };
        if packet.rest.len() > LARGEST {
            // What was acknowledged gets through; then the rest of the burst is read, and nothing said to it.
            stream.set_read_timeout(Some(PAUSE))?;
            while Packet::read(&mut stream).is_some() {}
            return Ok(());
        }
        if packet.is_lift() && !first {
            held.push(packet.answer());
            continue;
        }
        if packet.is_lift() {
            first = false;
            taken.fetch_add(1, Ordering::SeqCst);
        }
        stream.write_all(&packet.answer())?;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn the_message_is_found_although_others_are_acknowledged_before_each_end() {
    let (taken, ends) = (Arc::new(AtomicU32::new(0)), Arc::new(Mutex::new(Vec::new())));
    let (count, ended) = (taken.clone(), ends.clone());
    let port = stub::start(move |stream| {
        // The client may be gone already.
        let _ = serve(stream, &count);
        ended.lock().unwrap().push(count.load(Ordering::SeqCst));
    });
    let outbox = MemoryOutbox::default();
    for n in 0..LIFTS {
        let mut message = message(n);
        if n == GIANT {
            message.body["note"] = json!("x".repeat(5_000));
        }
        outbox.push(message);
    }
    let mut site = (*config(port)).clone();
    site.mqtt.as_mut().unwrap().from_start = true;
    let teller = Teller::start(site, &outbox, &hasty_clock(20));
    teller.delivered("mqtt", LIFTS as u64).await;
    let health = teller.health("mqtt");
    let ends = ends.lock().unwrap().clone();
    // Two of a burst, and seven of the message alone; the connection on which it is left out stands.
    assert_eq!((health.parked, ends.len()), (1, 9), "{ends:?} {health:?}");
    assert_eq!(ends[..2], [1, 2], "one got through at each of the first ends");
    assert_eq!(taken.load(Ordering::SeqCst), LIFTS as u32 - 1, "each other once");
    teller.stop().await;
}
