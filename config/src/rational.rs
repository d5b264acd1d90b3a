//! Scale and offset as they are meant: 0.1 is a tenth, and a third is a third.

use std::fmt;

/// The greatest numerator and denominator that is taken from a file.
const MOST: i128 = 1_000_000_000_000;

/// A ratio of whole numbers, in lowest terms, its denominator above 0.
///
/// ```
/// use tallyhook_config::model::Rational;
/// let tenth = Rational::parse("0.1").unwrap();
/// assert_eq!((tenth.num(), tenth.den()), (1, 10));
/// assert_eq!(Rational::parse("100/32768").unwrap(), Rational::parse("0.0030517578125").unwrap());
/// assert_eq!(Rational::parse("1/0"), None);
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Rational {
    num: i128,
    den: i128,
}

impl Rational {
    /// 0.
    pub const ZERO: Rational = Rational { num: 0, den: 1 };
    /// 1.
    pub const ONE: Rational = Rational { num: 1, den: 1 };

    /// `num` / `den` in lowest terms; `None` where `den` is 0.
    pub const fn new(num: i128, den: i128) -> Option<Self> {
        let Some(common) = common_divisor(num, den) else { return None };
        let (num, den) = (num / common, den / common);
        // The least 128-bit number has no opposite; nothing near it is ever meant.
        match (den < 0, num.checked_neg(), den.checked_neg()) {
            (false, ..) => Some(Rational { num, den }),
            (true, Some(num), Some(den)) => Some(Rational { num, den }),
            _ => None,
        }
    }

    /// A text: a decimal number (`-0.1`, `1e-3`) or a fraction of two of them (`100/4096`). `None` where it is neither,
    /// or where numerator or denominator in lowest terms are beyond 10¹².
    pub fn parse(text: &str) -> Option<Self> {
        let value = match text.split_once('/') {
            Some((above, below)) => {
                let (above, below) = (decimal(above.trim())?, decimal(below.trim())?);
                above.times(Rational::new(below.den, below.num)?)?
            }
            None => decimal(text.trim())?,
        };
        (value.num.abs() <= MOST && value.den <= MOST).then_some(value)
    }

    /// A decimal number as it is written (`-0.1`, `1e-3`), as large and as fine as 128 bits hold it.
    ///
    /// ```
    /// use tallyhook_config::model::Rational;
    /// assert_eq!(Rational::decimal("0.25"), Rational::new(1, 4));
    /// assert_eq!(Rational::decimal("1e300"), None);
    /// ```
    pub fn decimal(text: &str) -> Option<Self> {
        decimal(text.trim())
    }

    /// Numerator.
    pub const fn num(self) -> i128 {
        self.num
    }

    /// Denominator, above 0.
    pub const fn den(self) -> i128 {
        self.den
    }

    /// The product; `None` beyond 128 bits.
    pub fn times(self, other: Rational) -> Option<Self> {
        let (num, den) = (self.num.checked_mul(other.num)?, self.den.checked_mul(other.den)?);
        Rational::new(num, den)
    }

    /// The sum; `None` beyond 128 bits.
    pub fn plus(self, other: Rational) -> Option<Self> {
        let common = common_divisor(self.den, other.den)?;
        let (mine, others) = (other.den / common, self.den / common);
        let num = self.num.checked_mul(mine)?.checked_add(other.num.checked_mul(others)?)?;
        Rational::new(num, self.den.checked_mul(mine)?)
    }

    /// The quotient; `None` beyond 128 bits, and of nothing.
    pub fn over(self, other: Rational) -> Option<Self> {
        self.times(Rational::new(other.den, other.num)?)
    }

    /// The nearest double.
    pub fn to_f64(self) -> f64 {
        let (all, den) = (self.num.unsigned_abs(), self.den.unsigned_abs());
        let (mut quotient, mut rest) = (all / den, all % den);
        let mut place = 1.0;
        // More bits than a double has, and below them whether anything is left: so it is rounded once.
        while rest > 0 && quotient >> 64 == 0 {
            (quotient, rest) = (quotient << 1, rest << 1);
            if rest >= den {
                (quotient, rest) = (quotient | 1, rest - den);
            }
            place /= 2.0;
        }
        let magnitude = (quotient | u128::from(rest > 0)) as f64 * place;
        if self.num < 0 { -magnitude } else { magnitude }
    }
}

impl fmt::Display for Rational {
    /// A decimal number where there is one of at most twelve places, otherwise a fraction.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut den = self.den;
        while den % 10 == 0 {
            den /= 10;
        }
        for prime in [2, 5] {
            while den % prime == 0 {
                den /= prime;
            }
        }
        if den == 1 && self.den <= MOST {
            write!(f, "{}", self.to_f64())
        } else {
            write!(f, "{}/{}", self.num, self.den)
        }
    }
}

/// The greatest common divisor, at least 1; `None` where `den` is 0 or either is the least 128-bit number.
const fn common_divisor(num: i128, den: i128) -> Option<i128> {
    let (Some(mut a), Some(mut b)) = (num.checked_abs(), den.checked_abs()) else { return None };
    if b == 0 {
        return None;
    }
    while b != 0 {
        (a, b) = (b, a % b);
    }
    Some(a)
}

/// A decimal number as it is written.
fn decimal(text: &str) -> Option<Rational> {
    let (mantissa, exponent) = match text.split_once(['e', 'E']) {
        Some((mantissa, exponent)) => (mantissa, exponent.parse::<i32>().ok()?),
        None => (text, 0),
    };
    let (negative, digits) = match mantissa.strip_prefix('-') {
        Some(rest) => (true, rest),
        None => (false, mantissa.strip_prefix('+').unwrap_or(mantissa)),
    };
    let (whole, part) = digits.split_once('.').unwrap_or((digits, ""));
    let all: String = [whole, part].concat();
    if all.is_empty() || !all.bytes().all(|b| b.is_ascii_digit()) || all.len() > 30 {
        return None;
    }
    let num: i128 = all.parse().ok()?;
    let places = i32::try_from(part.len()).ok()?.checked_sub(exponent)?;
    let power = 10_i128.checked_pow(places.unsigned_abs())?;
    let value = if places >= 0 { Rational::new(num, power)? } else { Rational::new(num.checked_mul(power)?, 1)? };
    Some(Rational { num: if negative { -value.num } else { value.num }, den: value.den })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn texts_are_read_exactly() {
        for (text, num, den) in [
            ("1", 1, 1),
            ("0", 0, 1),
            ("-0.25", -1, 4),
            ("+.5", 1, 2),
            ("1e-3", 1, 1000),
            ("2.5E2", 250, 1),
            ("1/3", 1, 3),
            ("-100 / 4096", -25, 1024),
            ("0.1/0.3", 1, 3),
        ] {
            let read = Rational::parse(text).unwrap_or_else(|| panic!("{text}"));
            assert_eq!((read.num(), read.den()), (num, den), "{text}");
        }
        for text in ["", ".", "1/0", "1/2/3", "a", "1e", "1e99", "0x10", "--1", "1/-", "nan", "1e-13", "10000000000001"]
        {
            assert_eq!(Rational::parse(text), None, "{text}");
        }
        assert_eq!(Rational::new(i128::MIN, -1), None);
    }

    #[test]
    fn sums_and_quotients_are_exact_and_a_double_is_the_nearest() {
        let of = |text: &str| Rational::decimal(text).unwrap();
        assert_eq!(of("0.1").plus(of("0.2")), Rational::new(3, 10));
        assert_eq!(of("0.1").plus(of("-0.1")), Some(Rational::ZERO));
        assert_eq!(of("0.3").over(of("0.1")), Rational::new(3, 1));
        assert_eq!(of("1").over(Rational::ZERO), None);
        assert_eq!(of("1e30").times(of("1e30")), None);
        let (above, below) = ((1_i128 << 53) + 3, (1_i128 << 53) + 1);
        assert_eq!(Rational::new(above, below).unwrap().to_f64(), 1.0000000000000002);
        assert_eq!(Rational::new(1, i128::MAX).unwrap().to_f64(), 2.0_f64.powi(-127));
    }

    #[test]
    fn it_is_shown_as_people_write_it() {
        for (text, shown) in [("0.10", "0.1"), ("1/3", "1/3"), ("-5", "-5"), ("100/32768", "0.0030517578125")] {
            assert_eq!(Rational::parse(text).unwrap().to_string(), shown);
        }
    }

    proptest! {
        #[test]
        fn no_text_panics(text in "[-+0-9./eE ]{0,40}") {
            let _ = Rational::parse(&text);
        }

        #[test]
        fn a_decimal_becomes_the_double_that_its_text_is_read_as(digits in 1_u64.., places in 0_usize..26) {
            let text = format!("{digits:0>27}");
            let text = format!("{}.{}", &text[..27 - places], &text[27 - places..]);
            prop_assert_eq!(Rational::decimal(&text).unwrap().to_f64(), text.parse::<f64>().unwrap(), "{}", text);
        }

        #[test]
        fn what_is_shown_reads_back(num in -1_000_000_000_i128..1_000_000_000, den in 1_i128..1_000_000) {
            let value = Rational::new(num, den).unwrap();
            prop_assert_eq!(Rational::parse(&value.to_string()), Some(value));
        }
    }
}
