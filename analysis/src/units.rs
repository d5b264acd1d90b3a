//! Quantities with their unit in the type: [`Grams`], [`Timestamp`], [`Span`].
//!
//! Everything that is added up into a ledger is an integer, so that a sum is exact and its order never
//! matters. Fractions (`f64`) appear only where a result is read off.

use std::fmt;

/// Milliseconds in an hour.
pub const MS_PER_HOUR: i64 = 3_600_000;

/// A load in whole grams.
///
/// Range: `-500_000_000 ..= 2_000_000_000` is what the exact sums are laid out for (see [`Grams::MAX`]); a cell
/// may read a little below zero. One gram is below the resolution of any crane load cell.
///
/// ```
/// use tallyhook_analysis::units::Grams;
/// let load = Grams::from_kg(12_500.25);
/// assert_eq!(load.get(), 12_500_250);
/// assert_eq!(load.as_kg(), 12_500.25);
/// assert_eq!(load.to_string(), "12500.250 kg");
/// ```
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(transparent))]
pub struct Grams(i64);

impl Grams {
    /// Zero load.
    pub const ZERO: Grams = Grams(0);
    /// The largest load that is booked: 2,000 t. At this load the exact sum of cubes times milliseconds
    /// (`u128`) holds 11,800 hours of running; at 500 t it holds 86 years.
    pub const MAX: Grams = Grams(2_000_000_000);
    /// The lowest reading that is kept: -500 t.
    pub const MIN: Grams = Grams(-500_000_000);

    /// From whole grams, brought into the range of the type.
    pub const fn new(grams: i64) -> Self {
        if grams > Self::MAX.0 {
            Self::MAX
        } else if grams < Self::MIN.0 {
            Self::MIN
        } else {
            Grams(grams)
        }
    }

    /// From kilograms, rounded to the nearest gram. NaN becomes zero; decoders refuse NaN before this.
    pub fn from_kg(kg: f64) -> Self {
        // `as` saturates at the ends of i64 and turns NaN into 0.
        Self::new((kg * 1000.0).round() as i64)
    }

    /// Whole grams.
    pub const fn get(self) -> i64 {
        self.0
    }

    /// Kilograms.
    pub fn as_kg(self) -> f64 {
        self.0 as f64 / 1000.0
    }

    /// Load over rated load, a pure fraction (1.0 is the rated load). Zero where the rated load is not positive.
    pub fn fraction_of(self, rated: Grams) -> f64 {
        if rated.0 <= 0 { 0.0 } else { self.0 as f64 / rated.0 as f64 }
    }

    /// The load cubed, in cubic grams; a negative load counts as zero.
    ///
    /// The exponent 3 is that of ISO 4301-1:1986 and FEM 9.755 for mechanisms and the appliance.
    pub const fn cubed(self) -> u128 {
        if self.0 <= 0 {
            return 0;
        }
        let g = self.0 as u128;
        g * g * g
    }
}

impl fmt::Display for Grams {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.3} kg", self.as_kg())
    }
}

impl fmt::Debug for Grams {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self}")
    }
}

/// An instant: milliseconds since 1970-01-01T00:00:00Z.
///
/// Range: the whole of `i64`; arithmetic saturates, so a clock gone mad cannot overflow a sum.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(transparent))]
pub struct Timestamp(i64);

impl Timestamp {
    /// From milliseconds since the Unix epoch.
    pub const fn from_ms(ms: i64) -> Self {
        Timestamp(ms)
    }

    /// Milliseconds since the Unix epoch.
    pub const fn as_ms(self) -> i64 {
        self.0
    }

    /// Time from `earlier` to `self`; negative when the clock went back.
    pub const fn since(self, earlier: Timestamp) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }

    /// This instant moved by `span`.
    pub const fn plus(self, span: Span) -> Timestamp {
        Timestamp(self.0.saturating_add(span.0))
    }
}

impl fmt::Debug for Timestamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ms", self.0)
    }
}

/// A length of time in whole milliseconds; may be negative.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(transparent))]
pub struct Span(i64);

impl Span {
    /// No time.
    pub const ZERO: Span = Span(0);

    /// From milliseconds.
    pub const fn from_ms(ms: i64) -> Self {
        Span(ms)
    }

    /// From seconds, rounded to the nearest millisecond.
    pub fn from_seconds(seconds: f64) -> Self {
        Span((seconds * 1000.0).round() as i64)
    }

    /// From hours, rounded to the nearest millisecond.
    pub fn from_hours(hours: f64) -> Self {
        Span((hours * MS_PER_HOUR as f64).round() as i64)
    }

    /// Milliseconds.
    pub const fn as_ms(self) -> i64 {
        self.0
    }

    /// Seconds.
    pub fn as_seconds(self) -> f64 {
        self.0 as f64 / 1000.0
    }

    /// Hours.
    pub fn as_hours(self) -> f64 {
        self.0 as f64 / MS_PER_HOUR as f64
    }

    /// The sum, saturating at the ends of the range.
    pub const fn plus(self, other: Span) -> Span {
        Span(self.0.saturating_add(other.0))
    }
}

impl fmt::Debug for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ms", self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_largest_load_fits_the_exact_sum_for_the_stated_time() {
        // 500 t for 86 years of running, the doc's claim.
        let cube = Grams::new(500_000_000).cubed();
        let ms = 86_i128 * 365 * 24 * MS_PER_HOUR as i128;
        assert!(cube.checked_mul(ms as u128).is_some());
        // 2,000 t for 11,800 hours, and not for 11,900.
        assert!(Grams::MAX.cubed().checked_mul(11_800 * MS_PER_HOUR as u128).is_some());
        assert!(Grams::MAX.cubed().checked_mul(11_900 * MS_PER_HOUR as u128).is_none());
    }

    #[test]
    fn odd_readings_stay_in_range() {
        assert_eq!(Grams::from_kg(f64::INFINITY), Grams::MAX);
        assert_eq!(Grams::from_kg(f64::NEG_INFINITY), Grams::MIN);
        assert_eq!(Grams::from_kg(f64::NAN), Grams::ZERO);
        assert_eq!(Grams::new(-5).cubed(), 0);
        assert_eq!(Grams::new(5).fraction_of(Grams::ZERO), 0.0);
    }

    #[test]
    fn a_clock_gone_mad_saturates() {
        let end = Timestamp::from_ms(i64::MAX);
        assert_eq!(end.plus(Span::from_ms(1)), end);
        assert_eq!(Timestamp::from_ms(i64::MIN).since(end).as_ms(), i64::MIN);
    }
}
