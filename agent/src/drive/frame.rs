//! Bytes of requests and answers, Modbus TCP and RTU. Pure: bytes in, an answer, a wish for more, or a fault out.
//!
//! Only the four reads can be written down here: a request is made from a [`Request`], whose function code follows from
//! its table. An answer is taken only if transaction (TCP), unit, function, length and checksum (RTU) are those of the
//! question, and nothing comes behind it.
//!
//! Modbus Application Protocol 1.1b3, 6.1 to 6.4 and 7; Messaging on TCP/IP 1.0b, 3.1.3; over Serial Line 1.02, 2.5.1.

use smallvec::SmallVec;
use tallyhook_config::model::{Framing, Table};
use tallyhook_config::wire::Request;

use super::decode::Answer;

/// A request and what its answer must look like.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Question {
    /// How it is framed.
    pub framing: Framing,
    /// Number of the transaction; RTU has none.
    pub transaction: u16,
    /// The device asked.
    pub unit: u8,
    /// What is read.
    pub request: Request,
}

/// What the bytes so far are.
#[derive(Clone, PartialEq, Eq, Debug)]
#[expect(
    clippy::large_enum_variant,
    reason = "the large one comes at every poll, and a box of its own would be made for each"
)]
pub enum Heard {
    /// The beginning of an answer.
    Part,
    /// The whole answer.
    Data(Answer),
    /// A refusal, with its exception code.
    Refused(u8),
}

/// Why bytes are no answer to the question.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum FrameFault {
    /// TCP: the number of another transaction.
    #[error("an answer to another question came")]
    Transaction,
    /// TCP: a header that is not Modbus.
    #[error("what came is not Modbus TCP")]
    Protocol,
    /// The answer of another unit.
    #[error("unit {0} answered, and was not asked")]
    Unit(u8),
    /// An answer of another function.
    #[error("an answer of another function came ({0})")]
    Function(u8),
    /// An answer of another length.
    #[error("an answer of the wrong length came")]
    Length,
    /// RTU: the checksum is not that of the bytes.
    #[error("an answer with a wrong checksum came: noise, or baud and parity differ")]
    Checksum,
    /// More bytes than the answer has.
    #[error("more bytes came than the answer has")]
    Surplus,
    /// RTU: what was sent came back.
    #[error("the line gives back what is sent on it: switch the adapter's echo off")]
    Echo,
}

impl Question {
    /// The request's bytes.
    pub fn bytes(&self) -> SmallVec<[u8; 16]> {
        let Request { address, count, .. } = self.request;
        let ([a0, a1], [c0, c1]) = (address.to_be_bytes(), count.to_be_bytes());
        let body = [self.unit, self.request.function(), a0, a1, c0, c1];
        let mut frame = SmallVec::new();
        match self.framing {
            Framing::Tcp => {
                let [t0, t1] = self.transaction.to_be_bytes();
                frame.extend_from_slice(&[t0, t1, 0, 0, 0, 6]);
                frame.extend_from_slice(&body);
            }
            Framing::Rtu => {
                frame.extend_from_slice(&body);
                frame.extend_from_slice(&checksum(&body).to_le_bytes());
            }
        }
        frame
    }

    /// What `bytes`, all that has come since the question was put, are.
    ///
    /// # Errors
    /// [`FrameFault`] as soon as a byte cannot belong to an answer to this question.
    pub fn hear(&self, bytes: &[u8]) -> Result<Heard, FrameFault> {
        let (head, tail) = match self.framing {
            Framing::Tcp => (self.tcp_header(bytes)?, 0),
            Framing::Rtu => (0, 2),
        };
        // From here on: unit, function, then the exception code or length and data.
        let body = bytes.get(head..).unwrap_or_default();
        if body.first().is_some_and(|&unit| unit != self.unit) {
            return Err(FrameFault::Unit(body[0]));
        }
        let function = self.request.function();
        let data = self.request.data_bytes() as usize;
        let whole = match body.get(1) {
            None => return Ok(Heard::Part),
            Some(&f) if f == function => 3 + data + tail,
            Some(&f) if f == function | 0x80 => 3 + tail,
            Some(&f) => return Err(FrameFault::Function(f)),
        };
        let refused = body[1] != function;
        if self.framing == Framing::Tcp && bytes.len() >= 6 {
            let said = usize::from(u16::from_be_bytes([bytes[4], bytes[5]]));
            if said != whole {
                return Err(FrameFault::Length);
            }
        }
        if !refused && body.get(2).is_some_and(|&n| usize::from(n) != data) {
            return Err(if self.is_echo(bytes) { FrameFault::Echo } else { FrameFault::Length });
        }
        if body.len() < whole {
            return Ok(Heard::Part);
        }
        if self.framing == Framing::Rtu && !checksum_holds(&body[..whole]) {
            return Err(FrameFault::Checksum);
        }
        if body.len() > whole {
            return Err(FrameFault::Surplus);
        }
        if refused {
            return Ok(Heard::Refused(body[2]));
        }
        Ok(Heard::Data(self.read(&body[3..3 + data])))
    }

    /// Checks as much of the header as is there; gives how many of its bytes are before the unit.
    fn tcp_header(&self, bytes: &[u8]) -> Result<usize, FrameFault> {
        let number = self.transaction.to_be_bytes();
        let there = bytes.len().min(2);
        if bytes[..there] != number[..there] {
            return Err(FrameFault::Transaction);
        }
        let protocol = bytes.get(2..bytes.len().min(4)).unwrap_or_default();
        // The longest answer has 254 bytes from the unit on, so the high byte is zero too.
        if protocol.iter().any(|&b| b != 0) || bytes.get(4).is_some_and(|&b| b != 0) {
            return Err(FrameFault::Protocol);
        }
        Ok(6)
    }

    fn is_echo(&self, bytes: &[u8]) -> bool {
        let sent = self.bytes();
        let there = bytes.len().min(sent.len());
        self.framing == Framing::Rtu && bytes[..there] == sent[..there]
    }

    fn read(&self, data: &[u8]) -> Answer {
        match self.request.table {
            Table::Holding | Table::Input => {
                Answer::Words(data.chunks_exact(2).map(|b| u16::from_be_bytes([b[0], b[1]])).collect())
            }
            Table::Coil | Table::Discrete => {
                let contact = |i: usize| data.get(i / 8).is_some_and(|byte| byte >> (i % 8) & 1 == 1);
                Answer::Contacts((0..usize::from(self.request.count)).map(contact).collect())
            }
        }
    }
}

/// How long the RTU frame is that `bytes` begin with, if it is an answer of this function with so many bytes of data
/// and its checksum holds.
pub fn late_frame(bytes: &[u8], unit: u8, function: u8, data_bytes: u32) -> Option<usize> {
    let data = data_bytes as usize;
    let whole = match bytes {
        [u, f, n, ..] if *u == unit && *f == function && usize::from(*n) == data => 5 + data,
        _ => return None,
    };
    bytes.get(..whole).is_some_and(checksum_holds).then_some(whole)
}

fn checksum_holds(frame: &[u8]) -> bool {
    let Some(at) = frame.len().checked_sub(2) else { return false };
    checksum(&frame[..at]).to_le_bytes() == frame[at..]
}

/// CRC-16 with polynomial 0x8005 reflected, initial value all ones (Modbus over Serial Line 1.02, 2.5.1.2).
fn checksum(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |crc, &byte| {
        (0..8).fold(crc ^ u16::from(byte), |crc, _| if crc & 1 == 1 { crc >> 1 ^ 0xA001 } else { crc >> 1 })
    })
}

#[cfg(test)]
#[path = "frame_tests.rs"]
mod tests;
