//! The Modbus TCP server of the simulated drive, framed by hand (Modbus Messaging on TCP/IP 1.0b, section 3.1.3).

use std::io;
use std::sync::{Arc, Mutex, PoisonError};

use tallyhook_analysis::units::Span;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::JoinSet;

use super::player::{Player, State};
use super::registers;
use crate::clock::Clock;

/// Modbus exception codes.
const ILLEGAL_FUNCTION: u8 = 1;
const ILLEGAL_ADDRESS: u8 = 2;
const ILLEGAL_VALUE: u8 = 3;
const NO_SUCH_UNIT: u8 = 11;

/// Serves the player's state at the clock's time, moved by `shift`, until `stop` turns true or its sender is gone;
/// then every connection is closed.
///
/// Functions 1 to 4 read what [`registers::MAP`] lists; every other function is refused, writes among them.
///
/// # Errors
///
/// When the listener takes no more connections.
pub async fn serve(
    listener: TcpListener,
    player: Player,
    clock: Clock,
    shift: Span,
    mut stop: watch::Receiver<bool>,
) -> io::Result<()> {
    let device = Arc::new(Device { unit: player.plan().scenario().unit, player: Mutex::new(player), clock, shift });
    let mut connections = JoinSet::new();
    loop {
        tokio::select! {
            biased;
            _ = stop.wait_for(|stop| *stop) => return Ok(()),
            accepted = listener.accept() => {
                let (stream, _) = accepted?;
                connections.spawn(converse(stream, device.clone()));
            }
            Some(_) = connections.join_next() => {}
        }
    }
}

struct Device {
    unit: u8,
    player: Mutex<Player>,
    clock: Clock,
    shift: Span,
}

impl Device {
    fn state(&self) -> State {
        let at = self.clock.now().wall.plus(self.shift);
        // A player that a panic left half-way is only a cache of its plan; it is right again at the next day.
        self.player.lock().unwrap_or_else(PoisonError::into_inner).at(at)
    }

    /// The answer to a request: function code and data.
    fn answer(&self, unit: u8, request: &[u8]) -> Vec<u8> {
        let function = request.first().copied().unwrap_or(0);
        let refuse = |code| vec![function | 0x80, code];
        if unit != self.unit {
            return refuse(NO_SUCH_UNIT);
        }
        if !(1..=4).contains(&function) {
            return refuse(ILLEGAL_FUNCTION);
        }
        let &[_, a, b, c, d] = request else { return refuse(ILLEGAL_VALUE) };
        let (address, count) = (usize::from(u16::from_be_bytes([a, b])), usize::from(u16::from_be_bytes([c, d])));
        let most = if function <= 2 { 2000 } else { 125 };
        if count == 0 || count > most {
            return refuse(ILLEGAL_VALUE);
        }
        let state = self.state();
        let data: Option<Vec<u8>> = if function <= 2 {
            registers::contacts(&state).get(address..address + count).map(|contacts| {
                let pack = |eight: &[bool]| eight.iter().rev().fold(0_u8, |byte, &on| byte << 1 | u8::from(on));
                contacts.chunks(8).map(pack).collect()
            })
        } else {
            let words = registers::words(&state);
            words.get(address..address + count).map(|words| words.iter().flat_map(|w| w.to_be_bytes()).collect())
        };
        match data {
            Some(data) => [&[function, data.len() as u8], data.as_slice()].concat(),
            None => refuse(ILLEGAL_ADDRESS),
        }
    }
}

/// Answers one connection until it is closed or sends what is no Modbus.
async fn converse(mut stream: TcpStream, device: Arc<Device>) {
    if let Err(error) = stream.set_nodelay(true) {
        tracing::debug!(%error, "answers may be held back");
    }
    let mut head = [0; 7];
    while stream.read_exact(&mut head).await.is_ok() {
        let [t0, t1, p0, p1, l0, l1, unit] = head;
        // The length counts the unit; a request has at least a function code and at most 253 bytes.
        let length = u16::from_be_bytes([l0, l1]);
        if (p0, p1) != (0, 0) || !(2..=254).contains(&length) {
            return;
        }
        let mut request = vec![0; usize::from(length) - 1];
        if stream.read_exact(&mut request).await.is_err() {
            return;
        }
        let answer = device.answer(unit, &request);
        let [n0, n1] = (answer.len() as u16 + 1).to_be_bytes();
        let frame = [&[t0, t1, 0, 0, n0, n1, unit], answer.as_slice()].concat();
        if stream.write_all(&frame).await.is_err() {
            return;
        }
    }
}

#[cfg(test)]
#[path = "server_tests.rs"]
mod tests;
