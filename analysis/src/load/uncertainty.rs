//! How far km and the used share may be off, from how far a load may be.
//!
//! km is the cube of a norm: km^(1/3) is the L3 norm of load over rated load, taken over running time. Whatever the error
//! of the load is made of, span, zero or noise, constant or not, Minkowski's inequality says that it moves km^(1/3) by no
//! more than its own L3 norm. So an error that stays within ±δ of the rated load gives
//!
//! ```text
//! (km^(1/3) − δ)³ ≤ true km ≤ (km^(1/3) + δ)³
//! ```
//!
//! That is the worst case of one load that never changes. Where the spectrum is known the same is said of each band's norm
//! x, by itself, in the share t of the running time:
//!
//! ```text
//! Σ t · (x − δ)³ ≤ true km ≤ Σ t · (x + δ)³
//! ```
//!
//! which is narrower: an error of the zero moves the cube of an empty hook by next to nothing. The bands' cubes are not
//! kept apart, so x is the middle of a band, all of them stretched so that km comes out exact.
//!
//! δ is a band's own: the mean, by running time, of what the lifts in it may share ([`super::doubt`]). What is each lift's
//! own, the noise, evens out: its part of km has the variance Σ (3 · load² · u · t)² over the lifts, and the root of that
//! is added to either side as squares are.
//!
//! With δ twice the standard uncertainty of a load the interval covers about 95 % (common practice, JCGM 100:2008 has the
//! factor), and more, because an error that has the same sign at all loads is the worst case of the inequality.

use super::doubt::Doubts;
use crate::period::{Ledger, PartKind};
use crate::spectrum::{Totals, band_edges};
use crate::units::Grams;

/// δ over standard uncertainty.
pub const COVERAGE: f64 = 2.0;

/// Standard uncertainty of a load, thousandths of the rated load, where nobody has said another: of a load cell 1 %, of a
/// calibrated torque 3 % (common practice, no source).
pub const USUAL_OF_CELL: i64 = 10;
/// As [`USUAL_OF_CELL`], of a torque.
pub const USUAL_OF_TORQUE: i64 = 30;

/// Least and greatest that a number may be.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Between {
    /// Least.
    pub low: f64,
    /// Greatest.
    pub high: f64,
}

/// km where each load has a standard uncertainty, a fraction of the base that km divides by.
///
/// ```
/// use tallyhook_analysis::load::uncertainty::spectrum_between;
/// let km = spectrum_between(0.125, 0.01); // a root of 0.5, give or take 0.02
/// assert!((km.low - 0.48_f64.powi(3)).abs() < 1e-12 && (km.high - 0.52_f64.powi(3)).abs() < 1e-12);
/// assert_eq!(spectrum_between(0.000_001, 0.01).low, 0.0);
/// ```
pub fn spectrum_between(km: f64, standard: f64) -> Between {
    let (root, off) = (km.max(0.0).cbrt(), COVERAGE * standard.max(0.0));
    Between { low: (root - off).max(0.0).powi(3), high: (root + off).powi(3) }
}

/// The loads of a record, and how sure they are.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Loads {
    /// Share of the running time of each band, the load of it, and the standard uncertainty that its lifts may share.
    bands: Vec<(f64, f64, f64)>,
    /// Standard uncertainty of km for what is each lift's own.
    own: f64,
}

impl Loads {
    /// Those of a record on a base, with the doubts of its lifts, and the `usual` standard uncertainty (a fraction of the
    /// base) where no lift tells another; none where nothing ran with a known load.
    pub fn of(totals: &Totals, doubts: &Doubts, base: Grams, usual: f64) -> Self {
        let all: u64 = totals.band_ms.iter().sum();
        let Some(km) = totals.load_spectrum_factor(base).filter(|_| all > 0) else { return Loads::default() };
        let band = |(band, ms): (usize, &u64)| {
            let (low, high) = band_edges(band);
            let common = doubts.common(band, *ms, base, usual.max(0.0));
            (*ms as f64 / all as f64, f64::midpoint(low, high.unwrap_or(low)), common)
        };
        let bands: Vec<(f64, f64, f64)> = totals.band_ms.iter().enumerate().map(band).collect();
        let middles: f64 = bands.iter().map(|(share, middle, _)| share * middle.powi(3)).sum();
        let stretch = if middles > 0.0 { (km / middles).cbrt() } else { 1.0 };
        let bands = bands.into_iter().map(|(share, middle, common)| (share, middle * stretch, common)).collect();
        Loads { bands, own: doubts.own(all, base) }
    }

    /// Between which km lies; `None` without a record.
    ///
    /// ```
    /// use tallyhook_analysis::load::{doubt::Doubts, uncertainty::{Loads, spectrum_between}};
    /// use tallyhook_analysis::{spectrum::Totals, units::{Grams, Span}};
    /// let (base, mut totals, doubts) = (Grams::from_kg(10_000.0), Totals::default(), Doubts::default());
    /// totals.book_running(Grams::from_kg(9_000.0), base, Span::from_ms(1_000));
    /// let always = Loads::of(&totals, &doubts, base, 0.01).between().unwrap();
    /// assert!((always.high - 0.92_f64.powi(3)).abs() < 1e-12, "one load, taken for two hundredths more");
    /// totals.book_running(Grams::from_kg(0.0), base, Span::from_ms(1_000));
    /// let half = Loads::of(&totals, &doubts, base, 0.01).between().unwrap();
    /// let norm = spectrum_between(totals.load_spectrum_factor(base).unwrap(), 0.01);
    /// assert!(half.high - half.low < 0.85 * (norm.high - norm.low), "an empty hook has little to be wrong by");
    /// ```
    pub fn between(&self) -> Option<Between> {
        let sum = |of: fn(f64, f64) -> f64| -> f64 {
            self.bands.iter().map(|(share, load, common)| share * of(*load, COVERAGE * common).powi(3)).sum()
        };
        let km = sum(|load, _| load);
        let (low, high) = (sum(|load, off| (load - off).max(0.0)), sum(|load, off| load + off));
        let with_own = |off: f64| (off.powi(2) + (COVERAGE * self.own).powi(2)).sqrt();
        (!self.bands.is_empty())
            .then(|| Between { low: (km - with_own(km - low)).max(0.0), high: km + with_own(high - km) })
    }
}

/// S/D by the loads of its measured part; where that has none, each load has the `usual` standard uncertainty, a fraction of
/// the base.
///
/// What was measured lies where its km does, by the loads of that record. What was not read, and what ran in gaps, lies
/// between the low km of the measured part without an allowance for its way of recording, and what was booked for it, or
/// the high km if that is more. Prior use is as it was stated, and hours in gaps as they were booked.
pub fn used_share_between(ledger: &Ledger, loads: &Loads, usual: f64) -> Between {
    let measured = ledger.parts.iter().find(|part| part.kind == PartKind::Measured);
    let of = |km: f64| loads.between().unwrap_or_else(|| spectrum_between(km, usual));
    let km = measured.map(|part| of(part.spectrum_factor));
    let mut sum = Between { low: 0.0, high: 0.0 };
    for part in &ledger.parts {
        let (hours, booked) = (part.running_hours, part.full_load_hours());
        let share = match (part.kind, km) {
            (PartKind::Prior, _) => Between { low: booked, high: booked },
            (PartKind::Measured, _) => {
                let own = of(part.spectrum_factor);
                Between { low: own.low * hours * part.factor, high: own.high * hours * part.factor }
            }
            (PartKind::Gap | PartKind::LoadNotRead, Some(km)) => Between {
                low: km.low.min(part.spectrum_factor) * hours,
                high: booked.max(km.high * hours * part.factor),
            },
            (PartKind::Gap | PartKind::LoadNotRead, None) => Between { low: 0.0, high: booked },
        };
        sum = Between { low: sum.low + share.low, high: sum.high + share.high };
    }
    let design = ledger.design_full_load_hours;
    Between { low: sum.low / design, high: sum.high / design }
}
