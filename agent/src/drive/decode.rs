//! What raw words mean: registers become sample units or on/off, or "not read" where they make no sense.

use tallyhook_analysis::sample::Quantity;
use tallyhook_analysis::units::Grams;
use tallyhook_config::model::{RawType, Signal, Target, WordOrder};

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
    /// Registers.
    Words(Vec<u16>),
    /// Coils or discrete inputs.
    Contacts(Vec<bool>),
    /// The device refused.
    Refused,
}

impl Answer {
    /// The raw number at `offset`; `None` where there is none or it is no number.
    pub fn raw(&self, raw: RawType, offset: usize) -> Option<f64> {
        match self {
            Answer::Words(words) => number(raw, words.get(offset..)?),
            Answer::Contacts(contacts) => contacts.get(offset).map(|&on| f64::from(u8::from(on))),
            Answer::Refused => None,
        }
    }
}

/// The raw number that the words stand for, before scale and offset. `None` with too few words and for a float that
/// is not finite.
pub fn number(raw: RawType, words: &[u16]) -> Option<f64> {
    let first = *words.first()?;
    let long = |order| {
        let second = *words.get(1)?;
        let (high, low) = match order {
            WordOrder::HighFirst => (first, second),
            WordOrder::LowFirst => (second, first),
        };
        Some(u32::from(high) << 16 | u32::from(low))
    };
    match raw {
        RawType::U16 => Some(f64::from(first)),
        RawType::I16 => Some(f64::from(first as i16)),
        RawType::U32(order) => Some(f64::from(long(order)?)),
        RawType::I32(order) => Some(f64::from(long(order)? as i32)),
        RawType::F32(order) => Some(f64::from(f32::from_bits(long(order)?))).filter(|v| v.is_finite()),
        RawType::Bit(bit) => (bit < 16).then(|| f64::from(first >> bit & 1)),
        RawType::Contact => Some(f64::from(u8::from(first != 0))),
    }
}

/// A signal's value from its raw number: outside value = raw · scale + offset, then the units of the sample.
///
/// A load beyond what the ledger books ([`Grams::MIN`] to [`Grams::MAX`]) and a counter below zero are "not read".
pub fn signal(signal: &Signal, raw: Option<f64>) -> Decoded {
    let Some(raw) = raw else { return Decoded::NotRead };
    let outside = raw * signal.scale + signal.offset;
    match signal.target {
        Target::Flag(_) if !outside.is_finite() => Decoded::NotRead,
        // A bit is on or off as it stands; scale and offset have nothing to say to it.
        Target::Flag(_) if matches!(signal.register.raw, RawType::Bit(_) | RawType::Contact) => {
            Decoded::Flag((raw != 0.0) != signal.inverted)
        }
        Target::Flag(_) => Decoded::Flag((outside != 0.0) != signal.inverted),
        Target::Quantity(quantity) => match quantity.from_outside(outside) {
            Some(value) if plausible(quantity, value) => Decoded::Number(value),
            _ => Decoded::NotRead,
        },
    }
}

fn plausible(quantity: Quantity, value: i64) -> bool {
    match quantity {
        Quantity::Load => (Grams::MIN.get()..=Grams::MAX.get()).contains(&value),
        Quantity::RunHours | Quantity::Starts => value >= 0,
        _ => true,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use WordOrder::{HighFirst, LowFirst};
    use proptest::prelude::*;
    use tallyhook_analysis::sample::Flag;
    use tallyhook_config::model::{Register, Table};

    fn a_signal(target: Target, raw: RawType, scale: f64, offset: f64) -> Signal {
        let register = Register { table: Table::Holding, address: 0, raw };
        Signal { target, drive: "d".into(), register, scale, offset, inverted: false, counter: None }
    }

    #[test]
    fn words_read_as_the_types_say() {
        for (raw, words, expected) in [
            (RawType::U16, &[0xFFFF][..], Some(65_535.0)),
            (RawType::I16, &[0xFFFF], Some(-1.0)),
            (RawType::I16, &[0x8000], Some(-32_768.0)),
            (RawType::U32(HighFirst), &[0x0001, 0x0002], Some(65_538.0)),
            (RawType::U32(LowFirst), &[0x0001, 0x0002], Some(131_073.0)),
            (RawType::U32(HighFirst), &[0xFFFF, 0xFFFF], Some(4_294_967_295.0)),
            (RawType::I32(HighFirst), &[0xFFFF, 0xFFFE], Some(-2.0)),
            (RawType::I32(LowFirst), &[0xFFFE, 0xFFFF], Some(-2.0)),
            // 0x42F6E666 is 123.45 to single precision (IEEE 754 by hand: 0x76E666 · 2^-17).
            (RawType::F32(HighFirst), &[0x42F6, 0xE666], Some(123.449_996_948_242_19)),
            (RawType::F32(LowFirst), &[0xE666, 0x42F6], Some(123.449_996_948_242_19)),
            (RawType::F32(HighFirst), &[0x7FC0, 0x0000], None), // NaN
            (RawType::F32(HighFirst), &[0x7F80, 0x0000], None), // infinite
            (RawType::Bit(0), &[0b0001], Some(1.0)),
            (RawType::Bit(15), &[0x7FFF], Some(0.0)),
            (RawType::Bit(15), &[0x8000], Some(1.0)),
            (RawType::Bit(16), &[0xFFFF], None),
            (RawType::U16, &[], None),
            (RawType::U32(HighFirst), &[1], None),
        ] {
            assert_eq!(number(raw, words), expected, "{raw:?} {words:04X?}");
        }
    }

    #[test]
    fn scale_offset_and_the_sample_s_units() {
        let load = Target::Quantity(Quantity::Load);
        let tenths = a_signal(load, RawType::I32(HighFirst), 0.1, 0.0);
        assert_eq!(signal(&tenths, Some(123_456.0)), Decoded::Number(12_345_600));
        let tonnes = a_signal(load, RawType::U16, 10.0, -500.0);
        assert_eq!(signal(&tonnes, Some(1300.0)), Decoded::Number(12_500_000));
        assert_eq!(signal(&tonnes, None), Decoded::NotRead);
        let hours = a_signal(Target::Quantity(Quantity::RunHours), RawType::U32(HighFirst), 1.0 / 3600.0, 0.0);
        assert_eq!(signal(&hours, Some(7200.0)), Decoded::Number(7_200_000));
        assert_eq!(signal(&hours, Some(-1.0)), Decoded::NotRead, "a counter below zero");
        // 3,000 t is no crane's load: not clamped, not booked.
        assert_eq!(signal(&tenths, Some(30_000_000.0)), Decoded::NotRead);
        let wild = a_signal(load, RawType::U16, f64::MAX, 0.0);
        assert_eq!(signal(&wild, Some(3.0)), Decoded::NotRead);
    }

    #[test]
    fn two_state_signals() {
        let mut bit = a_signal(Target::Flag(Flag::Raising), RawType::Bit(1), 1.0, 0.0);
        assert_eq!(signal(&bit, Some(1.0)), Decoded::Flag(true));
        assert_eq!(signal(&bit, Some(0.0)), Decoded::Flag(false));
        bit.inverted = true;
        assert_eq!(signal(&bit, Some(1.0)), Decoded::Flag(false));
        assert_eq!(signal(&bit, None), Decoded::NotRead, "an inverted signal that is not read is not on");
    }

    #[test]
    fn an_answer_gives_only_what_it_has() {
        let words = Answer::Words(vec![7, 8]);
        assert_eq!(words.raw(RawType::U16, 1), Some(8.0));
        assert_eq!(words.raw(RawType::U32(HighFirst), 1), None);
        assert_eq!(words.raw(RawType::U16, 9), None);
        assert_eq!(Answer::Contacts(vec![false, true]).raw(RawType::Contact, 1), Some(1.0));
        assert_eq!(Answer::Refused.raw(RawType::U16, 0), None);
    }

    fn order() -> impl Strategy<Value = WordOrder> {
        prop_oneof![Just(HighFirst), Just(LowFirst)]
    }

    /// The words a device would send, from the bytes, by another way than the decoder's.
    fn words_of(bytes: [u8; 4], order: WordOrder) -> Vec<u16> {
        let mut words: Vec<u16> = bytes.chunks(2).map(|b| u16::from(b[0]) * 256 + u16::from(b[1])).collect();
        if order == LowFirst {
            words.reverse();
        }
        words
    }

    proptest! {
        #[test]
        fn what_a_device_encodes_is_what_is_read(
            long in any::<i32>(), float in any::<f32>(), short in any::<i16>(), order in order(),
        ) {
            prop_assert_eq!(number(RawType::I32(order), &words_of(long.to_be_bytes(), order)), Some(f64::from(long)));
            let unsigned = long as u32;
            prop_assert_eq!(
                number(RawType::U32(order), &words_of(unsigned.to_be_bytes(), order)), Some(f64::from(unsigned)));
            let read = number(RawType::F32(order), &words_of(float.to_be_bytes(), order));
            prop_assert_eq!(read, float.is_finite().then_some(f64::from(float)));
            prop_assert_eq!(number(RawType::I16, &[u16::from_be_bytes(short.to_be_bytes())]), Some(f64::from(short)));
        }

        #[test]
        fn no_words_make_a_load_that_cannot_be_booked(
            words in prop::collection::vec(any::<u16>(), 0..3), scale in any::<f64>(), offset in any::<f64>(),
        ) {
            let s = a_signal(Target::Quantity(Quantity::Load), RawType::F32(HighFirst), scale, offset);
            match signal(&s, number(s.register.raw, &words)) {
                Decoded::Number(grams) => prop_assert_eq!(Grams::new(grams).get(), grams),
                other => prop_assert_eq!(other, Decoded::NotRead),
            }
        }
    }
}
