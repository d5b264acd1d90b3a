//! Which signal lies where: two signals on one register must read it alike.

use std::ops::Range;

use crate::fault::Collector;
use crate::model::{ByteOrder, RawType, Register, Signal, WordOrder};

/// A signal with the place of its lines.
struct Place {
    mechanism: String,
    signal: Signal,
    span: Range<usize>,
}

/// All registers of the file.
#[derive(Default)]
pub(crate) struct Places {
    places: Vec<Place>,
}

impl Places {
    /// Adds a signal of a mechanism.
    pub(crate) fn add(&mut self, mechanism: &str, signal: &Signal, span: Range<usize>) {
        self.places.push(Place { mechanism: mechanism.to_owned(), signal: signal.clone(), span });
    }

    /// Reports each signal that lies on a register of another but reads it otherwise.
    pub(crate) fn report(&mut self, faults: &Collector) {
        // The later one in the file is shown; the earlier one is named.
        self.places.sort_by_key(|p| p.span.start);
        for (i, later) in self.places.iter().enumerate() {
            let clash = self.places[..i].iter().find(|earlier| {
                earlier.signal.drive == later.signal.drive
                    && overlap(&earlier.signal.register, &later.signal.register)
                    && !agree(&earlier.signal.register, &later.signal.register)
            });
            let Some(earlier) = clash else { continue };
            let (a, b) = (&later.signal, &earlier.signal);
            let whose = if earlier.mechanism == later.mechanism {
                String::new()
            } else {
                format!(" of `{}`", earlier.mechanism)
            };
            faults.wrong(
                later.span.clone(),
                format!(
                    "`{}` reads {} as {}, but `{}`{whose} reads {} as {}",
                    a.target.name(),
                    registers(&a.register),
                    type_words(&a.register),
                    b.target.name(),
                    registers(&b.register),
                    type_words(&b.register),
                ),
                "correct the address of one of them, or give both the same type",
            );
        }
    }
}

fn overlap(a: &Register, b: &Register) -> bool {
    let end = |r: &Register| u32::from(r.address) + u32::from(r.raw.width());
    a.table == b.table && u32::from(a.address) < end(b) && u32::from(b.address) < end(a)
}

/// Whether two registers that overlap are read alike: the same type at the same address, or bits of one word beside
/// each other or beside the word as a whole.
fn agree(a: &Register, b: &Register) -> bool {
    let word = |raw: RawType| matches!(raw, RawType::Bit(_) | RawType::U16);
    a.address == b.address && a.bytes == b.bytes && (a.raw == b.raw || (word(a.raw) && word(b.raw)))
}

fn registers(register: &Register) -> String {
    let Register { table, address, raw, .. } = register;
    match raw.width() {
        1 => format!("{} {address}", table.name()),
        2 => format!("{} {address} and the next", table.name()),
        width => format!("{} {address} and the next {}", table.name(), width - 1),
    }
}

fn type_words(register: &Register) -> String {
    let words = match register.raw {
        RawType::Bit(bit) => format!("bit {bit}"),
        RawType::Contact => "a contact".to_owned(),
        raw => match raw.order() {
            None => raw.name().to_owned(),
            Some(WordOrder::HighFirst) => format!("{}, high word first", raw.name()),
            Some(WordOrder::LowFirst) => format!("{}, low word first", raw.name()),
        },
    };
    match register.bytes {
        ByteOrder::HighFirst => words,
        ByteOrder::LowFirst => format!("{words}, low byte first"),
    }
}
