//! A broker that takes long is not one that hangs up: nothing is left out because of it.

use std::io::Write;
use std::net::TcpStream;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

use tallyhook::publish::outbox::MemoryOutbox;

use super::stub::{self, Packet};
use super::teller::{Teller, hasty_clock};
use super::{config, message};

/// So many connections get no acknowledgement of a message; one on which a broker hangs up that often is left out before.
const SLOW: u32 = 10;

/// Answers all that it is sent, but lifts on the first [`SLOW`] connections that bring one; until the client goes.
fn serve(mut stream: TcpStream, waited: &AtomicU32) {
    let slow = waited.load(Ordering::SeqCst) < SLOW;
    let mut kept = false;
    while let Some(packet) = Packet::read(&mut stream) {
        if slow && packet.is_lift() {
            kept = true;
        } else if stream.write_all(&packet.answer()).is_err() {
            break;
        }
    }
    waited.fetch_add(u32::from(kept), Ordering::SeqCst);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_broker_that_takes_long_loses_no_message() {
    let waited = Arc::new(AtomicU32::new(0));
    let count = waited.clone();
    let port = stub::start(move |stream| serve(stream, &count));
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
