//! What a read costs on the wire, and which reads hold a set of registers at the least cost. Pure arithmetic.
//!
//! On a serial line (Modbus over Serial Line 1.02) one read takes
//!
//! ```text
//! (request + answer) · bits per character / baud  +  2 · silence  +  answer delay
//! ```
//!
//! with a request of 8 bytes and an answer of 5 bytes and its data. The silence before each frame is 3.5 characters,
//! and 1.75 ms above 19,200 baud (same, 2.5.1.1). A character has a start bit, 8 data bits, the parity bit if there is
//! one, and the stop bits.
//!
//! ```
//! use tallyhook_config::model::Table;
//! use tallyhook_config::wire::{Cost, Parity, Request, Speed};
//! let line = Speed { baud: 19_200, parity: Parity::Even, stop_bits: 1 };
//! let read = Request { table: Table::Holding, address: 0, count: 3 };
//! // 19 characters of 11 bits take 10.885 ms, two silences 4.010 ms, the device 5 ms.
//! assert_eq!(Cost::serial(line, 5_000_000).of(read) / 1000, 19_895);
//! ```

use std::collections::BTreeSet;

use crate::model::{Register, Table};

/// Most coils or discrete inputs in one read (Modbus Application Protocol 1.1b3, 6.1 and 6.2).
pub const MAX_CONTACTS: u16 = 2000;

/// Most registers in one read (same, 6.3 and 6.4).
pub const MAX_REGISTERS: u16 = 125;

/// Bytes of a read's request on a serial line: unit, function, address, count, checksum.
pub const REQUEST_BYTES: u32 = 8;

/// Bytes of its answer beside the data: unit, function, length, checksum.
pub const ANSWER_BYTES: u32 = 5;

/// One read.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Request {
    /// Which table.
    pub table: Table,
    /// First address, as in the protocol: from 0.
    pub address: u16,
    /// How many registers or contacts.
    pub count: u16,
}

impl Request {
    /// The function code that reads the table: 1 to 4, for there are no other tables and no other requests.
    pub const fn function(&self) -> u8 {
        match self.table {
            Table::Coil => 1,
            Table::Discrete => 2,
            Table::Holding => 3,
            Table::Input => 4,
        }
    }

    /// How far into its answer a register lies, where it lies in it whole.
    pub fn holds(&self, register: &Register) -> Option<usize> {
        let offset = register.address.checked_sub(self.address)?;
        let inside = u32::from(offset) + u32::from(register.raw.width()) <= u32::from(self.count);
        (self.table == register.table && inside).then_some(usize::from(offset))
    }

    /// Bytes of data in its answer.
    pub const fn data_bytes(&self) -> u32 {
        match self.table {
            Table::Coil | Table::Discrete => self.count.div_ceil(8) as u32,
            Table::Holding | Table::Input => self.count as u32 * 2,
        }
    }
}

/// Parity of a serial line.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Parity {
    /// Even, the protocol's default.
    Even,
    /// Odd.
    Odd,
    /// None.
    None,
}

/// Rate and character format of a serial line; always 8 data bits.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Speed {
    /// Bits per second, above 0.
    pub baud: u32,
    /// Parity.
    pub parity: Parity,
    /// Stop bits, 1 or 2.
    pub stop_bits: u8,
}

impl Speed {
    /// Bits of one character, 10 to 12.
    pub const fn bits_per_character(&self) -> u32 {
        1 + 8 + (!matches!(self.parity, Parity::None)) as u32 + self.stop_bits as u32
    }

    /// Time of so many characters, ns.
    pub fn characters_ns(&self, characters: u32) -> u64 {
        u64::from(characters) * u64::from(self.bits_per_character()) * 1_000_000_000 / u64::from(self.baud.max(1))
    }

    /// The silence before a frame, ns: 3.5 characters, 1.75 ms above 19,200 baud.
    pub fn silence_ns(&self) -> u64 {
        if self.baud > 19_200 { 1_750_000 } else { self.characters_ns(7) / 2 }
    }
}

/// What reads cost on one device's way, in time.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Cost {
    /// Of every read, however short, ns.
    pub fixed_ns: u64,
    /// Of each byte of data, ns.
    pub per_byte_ns: u64,
}

impl Cost {
    /// On a serial line, with a device that takes `answer_delay_ns` to answer.
    pub fn serial(speed: Speed, answer_delay_ns: u64) -> Self {
        Cost {
            fixed_ns: speed.characters_ns(REQUEST_BYTES + ANSWER_BYTES) + 2 * speed.silence_ns() + answer_delay_ns,
            per_byte_ns: speed.characters_ns(1),
        }
    }

    /// On a network: a byte costs next to nothing, a question costs the way there and back.
    pub fn network(answer_delay_ns: u64) -> Self {
        // A round trip of a millisecond and 10 Mbit/s: common practice, no source; only their ratio matters here.
        Cost { fixed_ns: 1_000_000 + answer_delay_ns, per_byte_ns: 800 }
    }

    /// Of one read, ns.
    pub fn of(&self, request: Request) -> u64 {
        self.fixed_ns + self.per_byte_ns * u64::from(request.data_bytes())
    }
}

/// Addresses of a device that may be read although no signal lies there.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Readable {
    /// Table, first and last address.
    pub ranges: Vec<(Table, u16, u16)>,
}

impl Readable {
    /// Whether all of `from..to` may be read.
    fn holds(&self, table: Table, from: u32, to: u32) -> bool {
        let mut at = from;
        while at < to {
            let reach = self
                .ranges
                .iter()
                .filter(|(t, first, last)| *t == table && u32::from(*first) <= at && at <= u32::from(*last));
            match reach.map(|(_, _, last)| u32::from(*last) + 1).max() {
                Some(next) => at = next,
                None => return false,
            }
        }
        true
    }
}

/// What bounds the reads of one device.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Limits {
    /// Most registers in one read.
    pub max_registers: u16,
    /// Most contacts in one read.
    pub max_contacts: u16,
    /// Gaps that may be crossed.
    pub readable: Readable,
    /// Addresses at which a read must begin anew, because the device refused one that went across.
    pub cuts: BTreeSet<(Table, u16)>,
}

impl Limits {
    fn of(&self, table: Table) -> u32 {
        u32::from(match table {
            Table::Coil | Table::Discrete => self.max_contacts.clamp(1, MAX_CONTACTS),
            Table::Holding | Table::Input => self.max_registers.clamp(1, MAX_REGISTERS),
        })
    }
}

/// The reads that hold all the registers at the least cost, by table and address. Every register lies whole in one of
/// them: a value of two words read in two pieces could be torn. A gap is crossed only where it is readable and dearer
/// to leave out than to read.
pub fn requests(registers: &[Register], limits: &Limits, cost: &Cost) -> Vec<Request> {
    let mut sorted: Vec<&Register> = registers.iter().collect();
    sorted.sort_by_key(|r| (r.table, r.address, std::cmp::Reverse(r.raw.width())));
    sorted.dedup_by_key(|r| (r.table, r.address));
    let mut out = Vec::new();
    for of_table in sorted.chunk_by(|a, b| a.table == b.table) {
        out.extend(cheapest(of_table, limits, cost));
    }
    out
}

/// The reads of every tick for the fast registers, and those at the slow cadence for the counters among which none is
/// that a fast read brings anyway. Without fast registers the counters have the fast cadence.
pub fn fast_and_slow(
    fast: &[Register],
    slow: &[Register],
    limits: &Limits,
    cost: &Cost,
) -> (Vec<Request>, Vec<Request>) {
    if fast.is_empty() {
        return (requests(slow, limits, cost), Vec::new());
    }
    let fast = requests(fast, limits, cost);
    let slow: Vec<Register> = slow.iter().copied().filter(|r| !fast.iter().any(|q| q.holds(r).is_some())).collect();
    let slow = requests(&slow, limits, cost);
    (fast, slow)
}

/// The cheapest way to cut one table's registers, sorted by address, into reads: the last read may begin at any of
/// them, and what is before it is cut the cheapest way too.
fn cheapest(registers: &[&Register], limits: &Limits, cost: &Cost) -> Vec<Request> {
    let Some(table) = registers.first().map(|r| r.table) else { return Vec::new() };
    let end_of = |r: &Register| u32::from(r.address) + u32::from(r.raw.width());
    let joins = |n: usize| {
        let (before, this) = (registers[n - 1], registers[n]);
        !limits.cuts.contains(&(table, this.address))
            && limits.readable.holds(table, end_of(before), u32::from(this.address))
    };
    // The least cost of the first n registers, and the read that holds the last of them with its first register.
    let mut best: Vec<(u64, Request, usize)> = Vec::with_capacity(registers.len());
    for last in 0..registers.len() {
        let mut least: Option<(u64, Request, usize)> = None;
        let mut end = 0;
        for begin in (0..=last).rev() {
            let first = u32::from(registers[begin].address);
            end = end.max(end_of(registers[begin]));
            // A limit below one value's width cannot be kept without tearing it; the value wins.
            if begin < last && (!joins(begin + 1) || end - first > limits.of(table)) {
                break;
            }
            let request = Request { table, address: registers[begin].address, count: (end - first) as u16 };
            let before = begin.checked_sub(1).map_or(0, |n| best[n].0);
            let total = before.saturating_add(cost.of(request));
            if least.is_none_or(|(so_far, ..)| total < so_far) {
                least = Some((total, request, begin));
            }
        }
        best.extend(least);
    }
    let mut out = Vec::new();
    let mut left = registers.len();
    while let Some((_, request, begin)) = left.checked_sub(1).and_then(|n| best.get(n)) {
        out.push(*request);
        left = *begin;
    }
    out.reverse();
    out
}

#[cfg(test)]
#[path = "wire_tests.rs"]
mod tests;
