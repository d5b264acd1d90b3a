//! What raw words mean: registers become sample units or on/off, or "not read" where they make no sense.
//!
//! ```text
//! words ─▶ bits (orders of words and bytes) ─▶ no value? ─▶ number (type) or state (mask, match) ─▶ sample units
//! ```
//!
//! Integers are scaled in whole numbers, exactly; floats in double precision, rounded once at the end.

use smallvec::SmallVec;
use tallyhook_analysis::sample::{Flag, Quantity};
use tallyhook_analysis::units::Grams;
use tallyhook_config::model::{ByteOrder, On, Rational, RawType, Register, Signal, Target, WordOrder};

/// A signal's value.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Decoded {
    /// A number in the units of the sample, see [`Quantity`].
    Number(i64),
    /// On or off.
    Flag(bool),
    /// Not read, or read as something that no such signal can be.
    NotRead,
}

/// What one read brought.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Answer {
    /// Registers; no answer has more, so that none takes memory of its own.
    Words(SmallVec<[u16; 128]>),
    /// Coils or discrete inputs.
    Contacts(SmallVec<[bool; 256]>),
    /// The device refused.
    Refused,
}

impl Answer {
    /// The raw bits of a register at `offset`; `None` where the answer does not hold all of them.
    pub fn raw(&self, register: Register, offset: usize) -> Option<u64> {
        match self {
            Answer::Words(words) => bits(register, words.get(offset..)?),
            Answer::Contacts(contacts) => contacts.get(offset).map(|&on| u64::from(on)),
            Answer::Refused => None,
        }
    }

    /// The words of a register at `offset` as they came, before any order is applied.
    pub fn words(&self, register: Register, offset: usize) -> RawWords {
        let mut raw = RawWords::default();
        match self {
            Answer::Words(words) => {
                for word in words.iter().skip(offset).take(usize::from(register.raw.width())) {
                    raw.push(*word);
                }
            }
            Answer::Contacts(contacts) => contacts.get(offset).into_iter().for_each(|&on| raw.push(u16::from(on))),
            Answer::Refused => {}
        }
        raw
    }
}

/// The words that a signal was read from, in the order in which they came; none where nothing came. No type is wider
/// than four.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct RawWords {
    words: [u16; 4],
    length: u8,
}

impl RawWords {
    /// The first four of these words.
    pub fn of(words: &[u16]) -> Self {
        let mut raw = RawWords::default();
        words.iter().for_each(|word| raw.push(*word));
        raw
    }

    fn push(&mut self, word: u16) {
        if let Some(slot) = self.words.get_mut(usize::from(self.length)) {
            *slot = word;
            self.length += 1;
        }
    }

    /// The words.
    pub fn as_slice(&self) -> &[u16] {
        &self.words[..usize::from(self.length)]
    }
}

/// A raw number, before scale and offset.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Number {
    /// A whole number of at most 64 bits and a sign.
    Whole(i128),
    /// A float that is finite.
    Float(f64),
}

/// The bits that words stand for, the least significant lowest; `None` with too few words.
pub fn bits(register: Register, words: &[u16]) -> Option<u64> {
    let words = words.get(..usize::from(register.raw.width()))?;
    let join = |high: u64, word: &u16| {
        let word = match register.bytes {
            ByteOrder::HighFirst => *word,
            ByteOrder::LowFirst => word.swap_bytes(),
        };
        high << 16 | u64::from(word)
    };
    Some(match register.raw.order() {
        Some(WordOrder::LowFirst) => words.iter().rev().fold(0, join),
        _ => words.iter().fold(0, join),
    })
}

/// The number that bits stand for. `None` for a decimal digit above 9, for a float that is not finite, and for a bit
/// that a word does not have.
pub fn number(raw: RawType, bits: u64) -> Option<Number> {
    let whole = match raw {
        RawType::U16 | RawType::U32(_) | RawType::U64(_) => i128::from(bits),
        RawType::I16 => i128::from(bits as u16 as i16),
        RawType::I32(_) => i128::from(bits as u32 as i32),
        RawType::I64(_) => i128::from(bits as i64),
        RawType::F32(_) => return finite(f64::from(f32::from_bits(bits as u32))),
        RawType::F64(_) => return finite(f64::from_bits(bits)),
        RawType::Bcd16 | RawType::Bcd32(_) | RawType::Bcd64(_) => decimal(bits)?,
        RawType::SignMagnitude16 => magnitude(bits, 15),
        RawType::SignMagnitude32(_) => magnitude(bits, 31),
        RawType::Bit(bit) => (bit < 16).then(|| i128::from(bits >> bit & 1))?,
        RawType::Contact => i128::from(bits != 0),
    };
    Some(Number::Whole(whole))
}

fn finite(value: f64) -> Option<Number> {
    value.is_finite().then_some(Number::Float(value))
}

/// Four bits a digit.
fn decimal(bits: u64) -> Option<i128> {
    (0..16)
        .rev()
        .map(|place| i128::from(bits >> (4 * place) & 0xF))
        .try_fold(0, |sum, digit| if digit > 9 { None } else { Some(sum * 10 + digit) })
}

/// The bit at `sign` is the sign, those below it the magnitude. The negative zero is zero.
fn magnitude(bits: u64, sign: u32) -> i128 {
    let size = i128::from(bits & ((1 << sign) - 1));
    if bits >> sign & 1 == 1 { -size } else { size }
}

/// A signal's value from its raw bits.
///
/// Not read is what the signal's own `invalid` values say, a number that its type does not have, one beyond what it is
/// believed to be, a load beyond what the ledger books ([`Grams::MIN`] to [`Grams::MAX`]) and a counter below zero.
pub fn signal(signal: &Signal, bits: Option<u64>) -> Decoded {
    let valid = bits.filter(|bits| !signal.invalid.contains(bits));
    let decoded = valid.and_then(|bits| match signal.target {
        Target::Flag(_) => Some(Decoded::Flag(state(signal, bits)? != signal.inverted)),
        Target::Quantity(quantity) => Some(Decoded::Number(sample_value(signal, quantity, bits)?)),
    });
    decoded.unwrap_or(Decoded::NotRead)
}

/// Whether the raw bits are one of the signal's own ways of saying that there is no value: nothing odd about it.
pub fn says_no_value(signal: &Signal, bits: Option<u64>) -> bool {
    bits.is_some_and(|bits| signal.invalid.contains(&bits))
}

/// What the raw value means in words, where the configuration has some for it.
pub fn words(signal: &Signal, bits: u64) -> Option<&str> {
    // A number's field is read shifted down, a state's as it stands in its word.
    let field = match (&signal.on, signal.mask) {
        (_, Some(mask)) => shifted(bits, mask),
        (On::Differs { mask } | On::Matches { mask, .. }, None) => bits & mask,
        (_, None) => bits,
    };
    signal.texts.get(&field).map(String::as_str)
}

/// What a drive says is wrong with it, where this is its fault signal, the fault is on, and its faults have words.
pub fn fault_words(fault: &Signal, bits: Option<u64>) -> Option<String> {
    let on = fault.target == Target::Flag(Flag::Fault) && signal(fault, bits) == Decoded::Flag(true);
    let bits = bits.filter(|_| on && !fault.texts.is_empty())?;
    let number = || format!("fault {bits} (0x{bits:04X}), which has no words in the configuration");
    Some(words(fault, bits).map_or_else(number, str::to_owned))
}

fn state(signal: &Signal, bits: u64) -> Option<bool> {
    let raw = signal.register.raw;
    Some(match &signal.on {
        On::Set => match number(raw, bits)? {
            Number::Whole(value) => value != 0,
            Number::Float(value) => value != 0.0,
        },
        On::Differs { mask } => bits & mask != 0,
        On::Matches { mask, values } => values.contains(&(bits & mask)),
        On::Above(limit) => compare(number(raw, bits)?, *limit).is_gt(),
        On::Below(limit) => compare(number(raw, bits)?, *limit).is_lt(),
    })
}

fn compare(value: Number, limit: Rational) -> std::cmp::Ordering {
    match value {
        // At most 64 bits times at most 40 bits: within 128.
        Number::Whole(value) => value.saturating_mul(limit.den()).cmp(&limit.num()),
        Number::Float(value) => value.total_cmp(&limit.to_f64()),
    }
}

fn shifted(bits: u64, mask: u64) -> u64 {
    // A mask of no bits picks nothing.
    (bits & mask).checked_shr(mask.trailing_zeros()).unwrap_or(0)
}

/// Raw · scale + offset, in the units of the sample.
fn sample_value(signal: &Signal, quantity: Quantity, bits: u64) -> Option<i64> {
    let raw = match signal.mask {
        Some(mask) => Number::Whole(i128::from(shifted(bits, mask))),
        None => number(signal.register.raw, bits)?,
    };
    let value = match raw {
        Number::Whole(raw) => {
            let scaled = signal.scaled(raw, quantity.per_outside_unit() as i128)?;
            // Beyond 2^53 no real signal goes, see `Quantity::from_outside`.
            i64::try_from(scaled).ok().filter(|v| v.unsigned_abs() <= 1 << 53)?
        }
        Number::Float(raw) => {
            let (scale, offset) = (signal.scale, signal.offset);
            quantity.from_outside(raw * scale.num() as f64 / scale.den() as f64 + offset.to_f64())?
        }
    };
    let believed = signal.believed.is_none_or(|most| value.unsigned_abs() <= most.unsigned_abs());
    (believed && plausible(quantity, value)).then_some(value)
}

fn plausible(quantity: Quantity, value: i64) -> bool {
    match quantity {
        Quantity::Load => (Grams::MIN.get()..=Grams::MAX.get()).contains(&value),
        Quantity::RunHours | Quantity::Starts => value >= 0,
        _ => true,
    }
}

#[cfg(test)]
#[path = "decode_tests.rs"]
mod tests;
