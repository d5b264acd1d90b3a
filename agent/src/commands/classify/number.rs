//! Numbers as they were given: 0.11 is eleven hundredths, so that a sum on a limit is on it and not a rounding above.

use tallyhook_config::model::Rational;

/// A number with its exact value, as long as 128 bits hold that.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Number {
    value: f64,
    exact: Option<Rational>,
}

impl Number {
    /// 0.
    pub const ZERO: Number = Number { value: 0.0, exact: Some(Rational::ZERO) };
    /// 1.
    pub const ONE: Number = Number { value: 1.0, exact: Some(Rational::ONE) };

    /// A decimal number; `None` where the text is none.
    pub fn parse(text: &str) -> Option<Self> {
        let text = text.trim();
        let exact = Rational::decimal(text);
        Some(Number { value: text.parse().ok()?, exact })
    }

    /// A whole number.
    pub fn whole(number: u32) -> Self {
        Number::of(Rational::new(number.into(), 1), number.into())
    }

    /// The nearest double; nearly it, where 128 bits do not hold the exact value.
    pub const fn value(self) -> f64 {
        self.value
    }

    fn of(exact: Option<Rational>, nearly: f64) -> Self {
        Number { value: exact.map_or(nearly, Rational::to_f64), exact }
    }

    fn both(self, other: Number) -> Option<(Rational, Rational)> {
        self.exact.zip(other.exact)
    }

    /// The sum.
    pub fn plus(self, other: Number) -> Self {
        Number::of(self.both(other).and_then(|(a, b)| a.plus(b)), self.value + other.value)
    }

    /// The product.
    pub fn times(self, other: Number) -> Self {
        Number::of(self.both(other).and_then(|(a, b)| a.times(b)), self.value * other.value)
    }

    /// The quotient.
    pub fn over(self, other: Number) -> Self {
        Number::of(self.both(other).and_then(|(a, b)| a.over(b)), self.value / other.value)
    }

    /// The third power.
    pub fn cubed(self) -> Self {
        self.times(self).times(self)
    }

    /// The sum of all.
    pub fn sum(all: impl IntoIterator<Item = Number>) -> Self {
        all.into_iter().fold(Number::ZERO, Number::plus)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_given_is_reckoned_with_exactly_while_128_bits_hold_it() {
        let of = |text: &str| Number::parse(text).unwrap();
        assert_eq!(of("0.1").plus(of("0.2")).value(), 0.3);
        assert_eq!(of("252").times(of("0.1")).times(of("2500")).value(), 63_000.0);
        assert_eq!(of("0.7").cubed().value(), 0.343);
        assert_eq!(of("1e300").plus(Number::ONE).value(), 1e300);
        assert_eq!(of("1e20").times(of("1e20")).value(), 1e40);
        assert!(Number::parse("NaN").unwrap().value().is_nan());
        assert_eq!(Number::parse("much"), None);
    }
}
