use super::*;
use WordOrder::{HighFirst, LowFirst};
use proptest::prelude::*;
use tallyhook_config::model::Table;

const LOAD: Target = Target::Quantity(Quantity::Load);

fn place(raw: RawType) -> Register {
    Register { table: Table::Holding, address: 0, raw, bytes: ByteOrder::HighFirst }
}

fn a_signal(target: Target, raw: RawType, scale: &str, offset: &str) -> Signal {
    let (scale, offset) = (Rational::parse(scale).unwrap(), Rational::parse(offset).unwrap());
    Signal { scale, offset, ..Signal::plain(target, "d", place(raw)) }
}

fn read(raw: RawType, words: &[u16]) -> Option<Number> {
    number(raw, bits(place(raw), words)?)
}

#[test]
fn words_read_as_the_types_say() {
    use Number::{Float, Whole};
    for (raw, words, expected) in [
        (RawType::U16, &[0xFFFF][..], Some(Whole(65_535))),
        (RawType::I16, &[0xFFFF], Some(Whole(-1))),
        (RawType::I16, &[0x8000], Some(Whole(-32_768))),
        (RawType::U32(HighFirst), &[0x0001, 0x0002], Some(Whole(65_538))),
        (RawType::U32(LowFirst), &[0x0001, 0x0002], Some(Whole(131_073))),
        (RawType::U32(HighFirst), &[0xFFFF, 0xFFFF], Some(Whole(4_294_967_295))),
        (RawType::I32(HighFirst), &[0xFFFF, 0xFFFE], Some(Whole(-2))),
        (RawType::I32(LowFirst), &[0xFFFE, 0xFFFF], Some(Whole(-2))),
        (RawType::U64(HighFirst), &[0, 1, 0, 2], Some(Whole((1 << 32) + 2))),
        (RawType::U64(LowFirst), &[0, 1, 0, 2], Some(Whole((1 << 16) + (2 << 48)))),
        (RawType::U64(HighFirst), &[0xFFFF; 4], Some(Whole(18_446_744_073_709_551_615))),
        (RawType::I64(HighFirst), &[0xFFFF; 4], Some(Whole(-1))),
        // 0x42F6E666 is 123.45 to single precision (IEEE 754 by hand: 0x76E666 · 2^-17 of a 24-bit mantissa).
        (RawType::F32(HighFirst), &[0x42F6, 0xE666], Some(Float(123.449_996_948_242_19))),
        (RawType::F32(LowFirst), &[0xE666, 0x42F6], Some(Float(123.449_996_948_242_19))),
        (RawType::F32(HighFirst), &[0x7FC0, 0x0000], None), // NaN
        (RawType::F32(HighFirst), &[0x7F80, 0x0000], None), // infinite
        // -2 in double precision: sign 1, exponent 1024, mantissa 0.
        (RawType::F64(HighFirst), &[0xC000, 0, 0, 0], Some(Float(-2.0))),
        (RawType::F64(LowFirst), &[0, 0, 0, 0xC000], Some(Float(-2.0))),
        (RawType::F64(HighFirst), &[0x7FF0, 0, 0, 0], None),
        (RawType::Bcd16, &[0x1234], Some(Whole(1234))),
        (RawType::Bcd16, &[0x12A4], None),
        (RawType::Bcd32(HighFirst), &[0x0012, 0x3456], Some(Whole(123_456))),
        (RawType::Bcd32(LowFirst), &[0x3456, 0x0012], Some(Whole(123_456))),
        (RawType::Bcd64(HighFirst), &[0x9999; 4], Some(Whole(9_999_999_999_999_999))),
        (RawType::SignMagnitude16, &[0x8005], Some(Whole(-5))),
        (RawType::SignMagnitude16, &[0x7FFF], Some(Whole(32_767))),
        (RawType::SignMagnitude16, &[0x8000], Some(Whole(0))),
        (RawType::SignMagnitude32(HighFirst), &[0x8001, 0x0000], Some(Whole(-65_536))),
        (RawType::SignMagnitude32(LowFirst), &[0x0000, 0x8001], Some(Whole(-65_536))),
        (RawType::Bit(0), &[0b0001], Some(Whole(1))),
        (RawType::Bit(15), &[0x7FFF], Some(Whole(0))),
        (RawType::Bit(15), &[0x8000], Some(Whole(1))),
        (RawType::Bit(16), &[0xFFFF], None),
        (RawType::U16, &[], None),
        (RawType::U32(HighFirst), &[1], None),
        (RawType::U64(HighFirst), &[1, 2, 3], None),
    ] {
        assert_eq!(read(raw, words), expected, "{raw:?} {words:04X?}");
    }
}

#[test]
fn low_bytes_first() {
    let swapped = |raw| Register { bytes: ByteOrder::LowFirst, ..place(raw) };
    assert_eq!(bits(swapped(RawType::U16), &[0x3412]), Some(0x1234));
    assert_eq!(bits(swapped(RawType::U32(HighFirst)), &[0x3412, 0x7856]), Some(0x1234_5678));
    assert_eq!(bits(swapped(RawType::U32(LowFirst)), &[0x7856, 0x3412]), Some(0x1234_5678));
    assert_eq!(bits(swapped(RawType::Bit(0)), &[0x0100]), Some(1), "a bit too");
}

#[test]
fn scale_offset_and_the_sample_s_units() {
    let tenths = a_signal(LOAD, RawType::I32(HighFirst), "0.1", "0");
    assert_eq!(signal(&tenths, Some(123_456)), Decoded::Number(12_345_600));
    let tens = a_signal(LOAD, RawType::U16, "10", "-500");
    assert_eq!(signal(&tens, Some(1300)), Decoded::Number(12_500_000));
    assert_eq!(signal(&tens, None), Decoded::NotRead);
    let hours = a_signal(Target::Quantity(Quantity::RunHours), RawType::I32(HighFirst), "1/3600", "0");
    assert_eq!(signal(&hours, Some(7200)), Decoded::Number(7_200_000));
    assert_eq!(signal(&hours, Some(0xFFFF_FFFF)), Decoded::NotRead, "a counter below zero");
    // A third of a kilogram a step: 1000 steps are 333.333… kg, and the half of a gram goes up.
    let thirds = a_signal(LOAD, RawType::U16, "1/3", "0");
    assert_eq!(signal(&thirds, Some(1000)), Decoded::Number(333_333));
    let half_grams = a_signal(LOAD, RawType::I16, "0.0005", "0");
    assert_eq!(signal(&half_grams, Some(3)), Decoded::Number(2));
    assert_eq!(signal(&half_grams, Some(0xFFFD)), Decoded::Number(-2), "and away from zero below it");
    // 3,000 t is no crane's load: not clamped, not booked.
    assert_eq!(signal(&tenths, Some(30_000_000)), Decoded::NotRead);
    let wild = a_signal(LOAD, RawType::F64(HighFirst), "1", "0");
    assert_eq!(signal(&wild, Some(f64::MAX.to_bits())), Decoded::NotRead);
}

#[test]
fn a_number_beyond_what_is_believed_is_not_read() {
    let mut cell = a_signal(LOAD, RawType::I32(HighFirst), "1", "0");
    cell.believed = Some(125_000_000);
    for (kg, expected) in [
        (125_000, Decoded::Number(125_000_000)),
        (125_001, Decoded::NotRead),
        (-125_000, Decoded::Number(-125_000_000)),
        (-125_001, Decoded::NotRead),
    ] {
        let bits = Some(u64::from(i32::cast_unsigned(kg)));
        assert_eq!(signal(&cell, bits), expected, "{kg} kg");
        assert!(!says_no_value(&cell, bits), "{kg} kg is odd, not a way of saying that there is none");
    }
}

#[test]
fn no_value_is_not_read() {
    let mut cell = a_signal(LOAD, RawType::I16, "1", "0");
    cell.invalid = vec![0x8000, 0x7FFF];
    assert_eq!(signal(&cell, Some(0x8000)), Decoded::NotRead);
    assert_eq!(signal(&cell, Some(0x7FFF)), Decoded::NotRead);
    assert_eq!(signal(&cell, Some(0x7FFE)), Decoded::Number(32_766_000));
    let mut word = a_signal(Target::Flag(Flag::Raising), RawType::Bit(0), "1", "0");
    word.invalid = vec![0xFFFF];
    assert_eq!(signal(&word, Some(0xFFFF)), Decoded::NotRead, "the whole word is compared, not the bit");
    assert_eq!(signal(&word, Some(0xFFFD)), Decoded::Flag(true));
}

#[test]
fn two_state_signals() {
    let mut bit = a_signal(Target::Flag(Flag::Raising), RawType::Bit(1), "1", "0");
    assert_eq!(signal(&bit, Some(2)), Decoded::Flag(true));
    assert_eq!(signal(&bit, Some(0)), Decoded::Flag(false));
    bit.inverted = true;
    assert_eq!(signal(&bit, Some(2)), Decoded::Flag(false));
    assert_eq!(signal(&bit, None), Decoded::NotRead, "an inverted signal that is not read is not on");
}

#[test]
fn states_of_a_status_word() {
    // The states of the power drive system in the status word, IEC 61800-7-201 (the CiA 402 profile), as far as they
    // are told apart by the mask 0x006F: operation enabled 0x0027, quick stop active 0x0007, switched on 0x0023.
    let mut enabled = a_signal(Target::Flag(Flag::Raising), RawType::U16, "1", "0");
    enabled.on = On::Matches { mask: 0x006F, values: vec![0x0027] };
    for (word, on) in [(0x1637, true), (0x0627, true), (0x0607, false), (0x0623, false), (0x064F, false)] {
        assert_eq!(signal(&enabled, Some(word)), Decoded::Flag(on), "{word:04X}");
    }
    let mut up = a_signal(Target::Flag(Flag::Raising), RawType::I16, "1", "0");
    up.on = On::Above(Rational::parse("20").unwrap());
    assert_eq!(signal(&up, Some(21)), Decoded::Flag(true));
    assert_eq!(signal(&up, Some(20)), Decoded::Flag(false));
    assert_eq!(signal(&up, Some(0xFFFF)), Decoded::Flag(false), "-1 is not above");
    up.on = On::Below(Rational::parse("-0.5").unwrap());
    assert_eq!(signal(&up, Some(0xFFFF)), Decoded::Flag(true));
    assert_eq!(signal(&up, Some(0)), Decoded::Flag(false));
}

#[test]
fn fields_and_their_words() {
    let mut speed = a_signal(Target::Quantity(Quantity::Speed), RawType::U16, "0.5", "0");
    speed.mask = Some(0x0FF0);
    assert_eq!(signal(&speed, Some(0xA0F5)), Decoded::Number(7_500), "0x0F, half a percent each");
    speed.texts.insert(15, "slow".to_owned());
    assert_eq!(words(&speed, 0xA0F5), Some("slow"));
    let mut fault = a_signal(Target::Flag(Flag::Fault), RawType::U16, "1", "0");
    fault.texts.insert(0x2310, "over-current".to_owned());
    assert_eq!((signal(&fault, Some(0x2310)), words(&fault, 0x2310)), (Decoded::Flag(true), Some("over-current")));
    assert_eq!((signal(&fault, Some(0)), words(&fault, 0)), (Decoded::Flag(false), None));
    assert_eq!(fault_words(&fault, Some(0x2310)).as_deref(), Some("over-current"));
    assert_eq!(fault_words(&fault, Some(0)), None);
    assert_eq!(fault_words(&fault, None), None);
    assert!(fault_words(&fault, Some(7)).unwrap().contains("fault 7 (0x0007)"), "a number without words is said too");
    assert_eq!(fault_words(&speed, Some(0xA0F5)), None, "only of the fault signal");
    fault.on = On::Differs { mask: 0xFF00 };
    fault.texts.insert(0x2300, "current".to_owned());
    assert_eq!((signal(&fault, Some(0x2310)), words(&fault, 0x2310)), (Decoded::Flag(true), Some("current")));
    assert_eq!(signal(&fault, Some(0x0010)), Decoded::Flag(false));
}

#[test]
fn an_answer_gives_only_what_it_has() {
    let words = Answer::Words(vec![7, 8].into());
    assert_eq!(words.raw(place(RawType::U16), 1), Some(8));
    assert_eq!(words.raw(place(RawType::U32(HighFirst)), 1), None);
    assert_eq!(words.raw(place(RawType::U16), 9), None);
    assert_eq!(Answer::Contacts(vec![false, true].into()).raw(place(RawType::Contact), 1), Some(1));
    assert_eq!(Answer::Refused.raw(place(RawType::U16), 0), None);
    // The words themselves, as they came: the order of the words is not applied.
    assert_eq!(words.words(place(RawType::U32(LowFirst)), 0).as_slice(), [7, 8]);
    assert_eq!(words.words(place(RawType::U16), 1).as_slice(), [8]);
    assert_eq!(words.words(place(RawType::U64(HighFirst)), 9).as_slice(), [0_u16; 0]);
    assert_eq!(Answer::Contacts(vec![false, true].into()).words(place(RawType::Contact), 1).as_slice(), [1]);
    assert_eq!(Answer::Refused.words(place(RawType::U16), 0), RawWords::default());
}

fn order() -> impl Strategy<Value = WordOrder> {
    prop_oneof![Just(HighFirst), Just(LowFirst)]
}

fn byte_order() -> impl Strategy<Value = ByteOrder> {
    prop_oneof![Just(ByteOrder::HighFirst), Just(ByteOrder::LowFirst)]
}

/// Every type there is.
fn raw_type() -> impl Strategy<Value = RawType> {
    let named = (prop::sample::select(RawType::NAMES), order()).prop_map(|(n, o)| RawType::from_name(n, o).unwrap());
    prop_oneof![8 => named, 1 => any::<u8>().prop_map(RawType::Bit), 1 => Just(RawType::Contact)]
}

/// The words a device would send for a number, from its text of big-endian bytes: another way than the decoder's.
fn words_of(bytes: &[u8], register: Register) -> Vec<u16> {
    let mut words: Vec<u16> = bytes
        .chunks(2)
        .map(|pair| match register.bytes {
            ByteOrder::HighFirst => u16::from(pair[0]) * 256 + u16::from(pair[1]),
            ByteOrder::LowFirst => u16::from(pair[1]) * 256 + u16::from(pair[0]),
        })
        .collect();
    if register.raw.order() == Some(LowFirst) {
        words.reverse();
    }
    words
}

/// The big-endian bytes of a whole number in a type, by the standard library or by its decimal digits.
fn bytes_of(raw: RawType, number: i128) -> Vec<u8> {
    let digits = |count: usize| {
        let text = format!("{number:0count$}");
        let digits: Vec<u8> = text.bytes().map(|b| b - b'0').collect();
        digits.chunks(2).map(|d| d[0] * 16 + d[1]).collect::<Vec<u8>>()
    };
    let signed = |mut bytes: Vec<u8>| {
        bytes[0] |= if number < 0 { 0x80 } else { 0 };
        bytes
    };
    match raw {
        RawType::U16 => (number as u16).to_be_bytes().to_vec(),
        RawType::I16 => (number as i16).to_be_bytes().to_vec(),
        RawType::U32(_) => (number as u32).to_be_bytes().to_vec(),
        RawType::I32(_) => (number as i32).to_be_bytes().to_vec(),
        RawType::U64(_) => (number as u64).to_be_bytes().to_vec(),
        RawType::I64(_) => (number as i64).to_be_bytes().to_vec(),
        RawType::Bcd16 => digits(4),
        RawType::Bcd32(_) => digits(8),
        RawType::Bcd64(_) => digits(16),
        RawType::SignMagnitude16 => signed((number.unsigned_abs() as u16).to_be_bytes().to_vec()),
        RawType::SignMagnitude32(_) => signed((number.unsigned_abs() as u32).to_be_bytes().to_vec()),
        _ => panic!("{raw:?} is no whole number"),
    }
}

proptest! {
    #[test]
    fn what_a_device_encodes_is_what_is_read(
        raw in raw_type().prop_filter("a whole number of words", |r| {
            !r.is_float() && !matches!(r, RawType::Bit(_) | RawType::Contact)
        }),
        bytes in byte_order(), share in any::<u64>(), edge in 0_u8..4,
    ) {
        let (least, most) = raw.range().unwrap();
        let number = match edge {
            0 => least,
            1 => most,
            _ => least + (most - least) * i128::from(share >> 1) / i128::from(u64::MAX >> 1),
        };
        let register = Register { bytes, ..place(raw) };
        let read = bits(register, &words_of(&bytes_of(raw, number), register)).unwrap();
        prop_assert_eq!(super::number(raw, read), Some(Number::Whole(number)));
        prop_assert_eq!(raw.pattern(number), Some(read), "the configuration's own pattern is the same");
    }

    #[test]
    fn what_a_device_encodes_as_a_float_is_what_is_read(
        single in any::<f32>(), double in any::<f64>(), order in order(), bytes in byte_order(),
    ) {
        let single_place = Register { bytes, ..place(RawType::F32(order)) };
        let read = bits(single_place, &words_of(&single.to_be_bytes(), single_place)).unwrap();
        let expected = single.is_finite().then(|| Number::Float(f64::from(single)));
        prop_assert_eq!(super::number(single_place.raw, read), expected);
        let double_place = Register { bytes, ..place(RawType::F64(order)) };
        let read = bits(double_place, &words_of(&double.to_be_bytes(), double_place)).unwrap();
        prop_assert_eq!(super::number(double_place.raw, read), double.is_finite().then_some(Number::Float(double)));
    }

    /// No words, mask, marker, scale or comparison panics, and what comes out can be booked.
    #[test]
    fn no_words_bring_the_decoder_down(
        raw in raw_type(), bytes in byte_order(), words in prop::collection::vec(any::<u16>(), 0..6), offset in 0_usize..8,
        target in prop_oneof![
            prop::sample::select(Quantity::ALL.to_vec()).prop_map(Target::Quantity),
            prop::sample::select(Flag::ALL.to_vec()).prop_map(Target::Flag),
        ],
        scale in (any::<i64>(), 1_i64..).prop_map(|(n, d)| Rational::new(n.into(), d.into()).unwrap()),
        add in (any::<i64>(), 1_i64..).prop_map(|(n, d)| Rational::new(n.into(), d.into()).unwrap()),
        mask in prop::option::of(any::<u64>()), invalid in prop::collection::vec(any::<u64>(), 0..2),
        on in 0_u8..5, inverted in any::<bool>(),
    ) {
        let register = Register { bytes, ..place(raw) };
        let on = match on {
            0 => On::Set,
            1 => On::Differs { mask: mask.unwrap_or(0) },
            2 => On::Matches { mask: mask.unwrap_or(0), values: invalid.clone() },
            3 => On::Above(add),
            _ => On::Below(scale),
        };
        let plain = Signal::plain(target, "d", register);
        let s = Signal { scale, offset: add, mask, invalid, on, inverted, ..plain };
        let raw_bits = Answer::Words(words.clone().into()).raw(register, offset);
        prop_assert_eq!(raw_bits.is_some(), offset + usize::from(raw.width()) <= words.len());
        if let Some(bits) = raw_bits {
            let _ = super::words(&s, bits);
        }
        match (target, signal(&s, raw_bits)) {
            (Target::Quantity(Quantity::Load), Decoded::Number(grams)) => {
                prop_assert_eq!(Grams::new(grams).get(), grams);
            }
            (Target::Quantity(Quantity::RunHours | Quantity::Starts), Decoded::Number(n)) => prop_assert!(n >= 0),
            (Target::Quantity(_), Decoded::Flag(_)) | (Target::Flag(_), Decoded::Number(_)) => {
                prop_assert!(false, "another kind of value");
            }
            _ => {}
        }
    }

    /// The integer arithmetic against a wider one: both sides multiplied out.
    #[test]
    fn scaling_is_exact(
        raw in any::<u32>(), num in -1_000_000_i64..1_000_000, den in 1_i64..1_000_000,
        add_num in -1_000_000_i64..1_000_000, add_den in 1_i64..1000,
    ) {
        let scale = Rational::new(num.into(), den.into()).unwrap();
        let offset = Rational::new(add_num.into(), add_den.into()).unwrap();
        let s = Signal { scale, offset, ..Signal::plain(LOAD, "d", place(RawType::U32(HighFirst))) };
        let got = s.scaled(raw.into(), 1000).unwrap();
        // |got − exact| ≤ 1/2, cross-multiplied by 2 · den · add_den.
        let (raw, num, den) = (i128::from(raw), i128::from(num), i128::from(den));
        let (add_num, add_den) = (i128::from(add_num), i128::from(add_den));
        let exact = 1000 * (raw * num * add_den + add_num * den);
        let error = 2 * (got * den * add_den - exact);
        prop_assert!(error.abs() <= den * add_den);
        if error.abs() == den * add_den {
            prop_assert!(got.abs() * den * add_den > exact.abs(), "a half goes away from zero");
        }
    }
}
