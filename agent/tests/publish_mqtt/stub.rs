//! As much of a broker as a test needs that wants one to misbehave: packets of MQTT 3.1.1, and the answer to each.

use std::io::Read;
use std::net::{TcpListener, TcpStream};

/// One packet (section 2): its type and what follows its length.
pub struct Packet {
    /// The upper four bits of its first byte.
    pub kind: u8,
    /// Variable header and payload.
    pub rest: Vec<u8>,
}

impl Packet {
    /// The next one; none at the end, and where nothing came within the stream's read time-out.
    pub fn read(stream: &mut TcpStream) -> Option<Self> {
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
        Some(Packet { kind, rest })
    }

    /// A published lift.
    pub fn is_lift(&self) -> bool {
        self.kind == 3 && self.rest[2..2 + self.topic()].ends_with(b"/lift")
    }

    fn topic(&self) -> usize {
        usize::from(u16::from_be_bytes([self.rest[0], self.rest[1]]))
    }

    /// What a broker that takes it answers.
    pub fn answer(&self) -> Vec<u8> {
        let rest = &self.rest;
        match self.kind {
            1 => vec![0x20, 2, 0, 0],
            3 => vec![0x40, 2, rest[2 + self.topic()], rest[3 + self.topic()]],
            8 => vec![0x90, 3, rest[0], rest[1], 1],
            10 => vec![0xb0, 2, rest[0], rest[1]],
            12 => vec![0xd0, 0],
            _ => Vec::new(),
        }
    }
}

/// Serves one connection after the other with `serve` for as long as the test runs; answers the port.
pub fn start(mut serve: impl FnMut(TcpStream) + Send + 'static) -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    std::thread::spawn(move || listener.incoming().map_while(Result::ok).for_each(&mut serve));
    port
}
