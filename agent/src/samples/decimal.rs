//! Numbers of the samples file, exactly: decimal text to whole sample units and back without a float in between.

use std::io::{self, Write};

use tallyhook_analysis::sample::Quantity;

/// Digits after the point that are written for a quantity. Hours are kept in milliseconds; seven digits (0.36 ms)
/// tell every two of them apart.
const fn decimals(quantity: Quantity) -> u32 {
    match quantity {
        Quantity::RunHours => 7,
        Quantity::Starts => 0,
        _ => 3,
    }
}

/// Sample units in one outside unit, as [`Quantity::per_outside_unit`] has them.
const fn per_unit(quantity: Quantity) -> i128 {
    match quantity {
        Quantity::RunHours => 3_600_000,
        Quantity::Starts => 1,
        _ => 1000,
    }
}

/// A quantity's text in sample units, rounded to the nearest; `None` when it is no number or beyond all range.
pub(super) fn parse_quantity(text: &[u8], quantity: Quantity) -> Option<i64> {
    let quick = if per_unit(quantity) == 1000 { parse_thousandths(text) } else { None };
    quick.or_else(|| parse(text, per_unit(quantity))).or_else(|| {
        // An exponent, or more digits than 64 bits hold: rare, and rounding no longer matters.
        let value: f64 = std::str::from_utf8(text).ok()?.parse().ok()?;
        quantity.from_outside(value)
    })
}

/// The furthest second, as far as dates reach: every day between two samples is closed, and of millions of years there
/// would be no end.
pub(super) const FURTHEST_SECOND: i64 = 253_402_207_200;

/// Seconds as text in milliseconds, up to [`FURTHEST_SECOND`].
pub(super) fn parse_seconds(text: &[u8]) -> Option<i64> {
    let ms = parse_thousandths(text).or_else(|| parse(text, 1000)).or_else(|| {
        // With an exponent, as programs write what is small: rare, and a double is finer than a millisecond there.
        let ms = (number(text)? * 1000.0).round();
        (text.iter().any(|byte| matches!(byte, b'e' | b'E')) && ms.abs() < i64::MAX as f64).then_some(ms as i64)
    })?;
    (ms.unsigned_abs() <= FURTHEST_SECOND.unsigned_abs() * 1000).then_some(ms)
}

/// The number that a text is, however large; `None` for a word such as `nan`.
pub(super) fn number(text: &[u8]) -> Option<f64> {
    let value = std::str::from_utf8(text).ok()?.parse().ok()?;
    text.iter().any(u8::is_ascii_digit).then_some(value)
}

/// As [`parse`] with a scale of 1000, for what needs no rounding: at most 15 digits, at most 3 of them after the point.
/// `None` for all else.
#[inline]
fn parse_thousandths(text: &[u8]) -> Option<i64> {
    let (negative, digits) = match text {
        [b'-', rest @ ..] => (true, rest),
        all => (false, all),
    };
    if digits.len() > 16 {
        return None;
    }
    let (mut mantissa, mut seen, mut point) = (0_i64, 0, None);
    for byte in digits {
        match byte {
            b'0'..=b'9' => {
                mantissa = mantissa * 10 + i64::from(byte - b'0');
                seen += 1;
            }
            b'.' if point.is_none() => point = Some(seen),
            _ => return None,
        }
    }
    let places: usize = seen - point.unwrap_or(seen);
    let scale = [1000, 100, 10, 1].get(places).filter(|_| (1..=15).contains(&seen))?;
    Some(if negative { -(mantissa * scale) } else { mantissa * scale })
}

/// `text · scale`, rounded to the nearest, halves away from zero. Digits with at most one point, at most 18 of them.
fn parse(text: &[u8], scale: i128) -> Option<i64> {
    let (negative, digits) = match text {
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        all => (false, all),
    };
    let mut mantissa: i128 = 0;
    let mut seen = 0;
    let mut ten_power: i128 = 1;
    let mut after_point = false;
    for byte in digits {
        match byte {
            b'0'..=b'9' => {
                mantissa = mantissa * 10 + i128::from(byte - b'0');
                ten_power *= if after_point { 10 } else { 1 };
                seen += 1;
            }
            b'.' if !after_point => after_point = true,
            _ => return None,
        }
        // i64::MAX in millisteps has 19 digits; 10^25 · 3.6·10^6 is still far from 2^127.
        if seen > 25 {
            return None;
        }
    }
    if seen == 0 {
        return None;
    }
    let rounded = (mantissa * scale * 2 + ten_power) / (ten_power * 2);
    i64::try_from(if negative { -rounded } else { rounded }).ok()
}

/// Writes a value given in sample units in the outside unit, with as many digits as it takes to read it back.
pub(super) fn write_quantity(out: &mut impl Write, value: i64, quantity: Quantity) -> io::Result<()> {
    let places = decimals(quantity);
    let ten_power = 10_i128.pow(places);
    let unit = per_unit(quantity);
    let magnitude = i128::from(value).abs();
    let scaled = (magnitude * ten_power * 2 + unit) / (unit * 2);
    let sign = if value < 0 { "-" } else { "" };
    let (whole, part) = (scaled / ten_power, scaled % ten_power);
    match places {
        0 => write!(out, "{sign}{whole}"),
        _ => write!(out, "{sign}{whole}.{part:0width$}", width = places as usize),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn text(value: i64, quantity: Quantity) -> String {
        let mut out = Vec::new();
        write_quantity(&mut out, value, quantity).unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn what_is_written_is_what_a_person_would_write() {
        assert_eq!(text(2_500_000, Quantity::Load), "2500.000");
        assert_eq!(text(-5, Quantity::Load), "-0.005");
        assert_eq!(text(1_800_000, Quantity::RunHours), "0.5000000");
        assert_eq!(text(1, Quantity::RunHours), "0.0000003");
        assert_eq!(text(12, Quantity::Starts), "12");
    }

    #[test]
    fn numbers_are_read_as_they_are_commonly_written() {
        let load = |t: &str| parse_quantity(t.as_bytes(), Quantity::Load);
        assert_eq!(load("2500"), Some(2_500_000));
        assert_eq!(load("+2500."), Some(2_500_000));
        assert_eq!(load(".0005"), Some(1), "halves go away from zero");
        assert_eq!(load("-.0005"), Some(-1));
        assert_eq!(load("2.5e3"), Some(2_500_000));
        for bad in ["", ".", "-", "1,5", "1.2.3", "0x10", "nan", "inf", "1e300", " 1", "--1"] {
            assert_eq!(load(bad), None, "{bad:?}");
        }
    }

    #[test]
    fn seconds_may_have_an_exponent() {
        let ms = |t: &str| parse_seconds(t.as_bytes());
        assert_eq!(
            [ms("1e-09"), ms("0.000000e+00"), ms("1.5E3"), ms("-2e0")],
            [Some(0), Some(0), Some(1_500_000), Some(-2000)]
        );
        for bad in ["1e300", "1e18", "e", "nan", "inf", "1e", "1e1.5"] {
            assert_eq!(ms(bad), None, "{bad}");
        }
    }

    #[test]
    fn the_scales_are_those_of_the_sample() {
        for quantity in Quantity::ALL {
            assert_eq!(per_unit(quantity) as f64, quantity.per_outside_unit());
        }
    }

    proptest! {
        #[test]
        fn every_value_comes_back_to_the_bit(value in any::<i64>(), slot in 0_usize..8) {
            let quantity = Quantity::ALL[slot];
            prop_assert_eq!(parse_quantity(text(value, quantity).as_bytes(), quantity), Some(value));
        }

        #[test]
        fn any_text_is_a_number_or_none(bytes in proptest::collection::vec(any::<u8>(), 0..40), slot in 0_usize..8) {
            let _ = parse_quantity(&bytes, Quantity::ALL[slot]);
        }
    }
}
