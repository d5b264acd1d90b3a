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
//! With δ twice the standard uncertainty of a load the interval covers about 95 % (common practice, JCGM 100:2008 has the
//! factor), and more, because an error that is the same for all loads is the worst case of the inequality.

use crate::period::{Ledger, PartKind};

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

/// S/D where each load has a standard uncertainty, a fraction of the base.
///
/// What was measured lies where its km does. What was not read, and what ran in gaps, lies between the low km of the
/// measured part without an allowance for its way of recording, and what was booked for it, or the high km if that is
/// more. Prior use is as it was stated, and hours in gaps as they were booked.
pub fn used_share_between(ledger: &Ledger, standard: f64) -> Between {
    let measured = ledger.parts.iter().find(|part| part.kind == PartKind::Measured);
    let km = measured.map(|part| spectrum_between(part.spectrum_factor, standard));
    let mut sum = Between { low: 0.0, high: 0.0 };
    for part in &ledger.parts {
        let (hours, booked) = (part.running_hours, part.full_load_hours());
        let of = match (part.kind, km) {
            (PartKind::Prior, _) => Between { low: booked, high: booked },
            (PartKind::Measured, _) => {
                let own = spectrum_between(part.spectrum_factor, standard);
                Between { low: own.low * hours * part.factor, high: own.high * hours * part.factor }
            }
            (PartKind::Gap | PartKind::LoadNotRead, Some(km)) => Between {
                low: km.low.min(part.spectrum_factor) * hours,
                high: booked.max(km.high * hours * part.factor),
            },
            (PartKind::Gap | PartKind::LoadNotRead, None) => Between { low: 0.0, high: booked },
        };
        sum = Between { low: sum.low + of.low, high: sum.high + of.high };
    }
    let design = ledger.design_full_load_hours;
    Between { low: sum.low / design, high: sum.high / design }
}
