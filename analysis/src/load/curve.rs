//! From a motor signal to a load: a line through calibration points, one curve a direction.

use crate::units::Grams;

/// Why points make no curve.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum CurveFault {
    /// Fewer than two points.
    TooFew,
    /// Two points have the same reading or the same load, by their places in the list.
    Twice(usize, usize),
    /// The load rises with the reading in one place and falls in another: between which points of the list.
    Bends(usize, usize),
}

/// A piecewise linear curve; beyond its ends the last piece goes on.
///
/// ```
/// use tallyhook_analysis::{load::Curve, units::Grams};
/// // 12 % of torque with an empty hook, 42 % with 5 t, 78 % with 10 t; the reading is in thousandths of a percent.
/// let kg = |kg| Grams::from_kg(kg);
/// let curve = Curve::new(&[(12_000, kg(0.0)), (42_000, kg(5_000.0)), (78_000, kg(10_000.0))]).unwrap();
/// assert_eq!(curve.load(27_000), kg(2_500.0));
/// assert_eq!(curve.load(60_000), kg(7_500.0));
/// assert_eq!(curve.load(6_000), kg(-1_000.0), "below the first point the first piece goes on");
/// ```
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Curve {
    /// Reading (0.001 %) and load, by rising reading.
    points: Vec<(i64, Grams)>,
}

impl Curve {
    /// A curve through points of reading (0.001 %) and load, in any order.
    ///
    /// # Errors
    ///
    /// With fewer than two points, two of the same reading or load, or points that bend back.
    pub fn new(given: &[(i64, Grams)]) -> Result<Self, CurveFault> {
        if given.len() < 2 {
            return Err(CurveFault::TooFew);
        }
        let mut order: Vec<usize> = (0..given.len()).collect();
        order.sort_by_key(|&i| given[i]);
        let rises = given[order[0]].1 < given[order[order.len() - 1]].1;
        for pair in order.windows(2) {
            let (a, b) = (given[pair[0]], given[pair[1]]);
            let places = (pair[0].min(pair[1]), pair[0].max(pair[1]));
            if a.0 == b.0 || a.1 == b.1 {
                return Err(CurveFault::Twice(places.0, places.1));
            }
            if (a.1 < b.1) != rises {
                return Err(CurveFault::Bends(places.0, places.1));
            }
        }
        Ok(Curve { points: order.into_iter().map(|i| given[i]).collect() })
    }

    /// The load at a reading (0.001 %), to the gram, within [`Grams::MIN`] and [`Grams::MAX`].
    pub fn load(&self, reading: i64) -> Grams {
        let piece = self.points.iter().position(|p| reading <= p.0).unwrap_or(self.points.len() - 1);
        let piece = piece.clamp(1, self.points.len() - 1);
        let ((x0, y0), (x1, y1)) = (self.points[piece - 1], self.points[piece]);
        let (run, rise) = (i128::from(x1) - i128::from(x0), i128::from(y1.get()) - i128::from(y0.get()));
        let above = (i128::from(reading) - i128::from(x0)) * rise;
        // Half away from zero, as every rounding of the books.
        let step = (above + above.signum() * (run / 2)) / run;
        let load = i128::from(y0.get()).saturating_add(step);
        Grams::new(load.clamp(i128::from(Grams::MIN.get()), i128::from(Grams::MAX.get())) as i64)
    }

    /// The reading (0.001 %) at a load: the way back, rounded.
    pub fn reading(&self, load: Grams) -> i64 {
        let rises = self.points[0].1 < self.points[1].1;
        let before = |p: &(i64, Grams)| if rises { load <= p.1 } else { load >= p.1 };
        let piece = self.points.iter().position(before).unwrap_or(self.points.len() - 1);
        let piece = piece.clamp(1, self.points.len() - 1);
        let ((x0, y0), (x1, y1)) = (self.points[piece - 1], self.points[piece]);
        let (run, rise) = (i128::from(x1) - i128::from(x0), i128::from(y1.get()) - i128::from(y0.get()));
        let above = (i128::from(load.get()) - i128::from(y0.get())) * run * rise.signum();
        let rise = rise.abs();
        let step = (above + above.signum() * (rise / 2)) / rise;
        i64::try_from(i128::from(x0) + step).unwrap_or(if step > 0 { i64::MAX } else { i64::MIN })
    }

    /// How far off the load at a reading (0.001 %) may be because the truth bends between the points: what a parabola
    /// through three neighbouring points adds to the line through two of them there, the greater one where there are two
    /// such; the next term of Newton's interpolation. Zero at a point, and with two points, which say nothing of a bend.
    ///
    /// ```
    /// use tallyhook_analysis::{load::Curve, units::Grams};
    /// let kg = |kg| Grams::from_kg(kg);
    /// let curve = Curve::new(&[(0, kg(0.0)), (10_000, kg(2_000.0)), (20_000, kg(4_400.0))]).unwrap();
    /// assert_eq!(curve.bend(10_000), kg(0.0));
    /// assert_eq!(curve.bend(15_000), kg(50.0)); // 400 kg off the line over two pieces: 2e-6 kg per reading², times 5000²
    /// ```
    pub fn bend(&self, reading: i64) -> Grams {
        let at = |i: usize| (self.points[i].0 as f64, self.points[i].1.get() as f64);
        let last = self.points.len() - 1;
        let piece = self.points.iter().position(|p| reading <= p.0).unwrap_or(last).clamp(1, last);
        let slope = |a: (f64, f64), b: (f64, f64)| (b.1 - a.1) / (b.0 - a.0);
        let second = |first: usize| {
            let (a, b, c) = (at(first), at(first + 1), at(first + 2));
            ((slope(b, c) - slope(a, b)) / (c.0 - a.0)).abs()
        };
        let curvature = [piece.checked_sub(2), (piece < last).then_some(piece - 1)].into_iter().flatten().map(second);
        let (before, after) = (at(piece - 1).0, at(piece).0);
        let off = curvature.fold(0.0, f64::max) * ((reading as f64 - before) * (reading as f64 - after)).abs();
        Grams::new(off.min(Grams::MAX.get() as f64).round() as i64)
    }

    /// By how much the doubt of a point grows where the curve goes on beyond its ends to `load`: 1 within them, and the
    /// root of the squared weights that the last two points have in it beyond.
    ///
    /// ```
    /// use tallyhook_analysis::{load::Curve, units::Grams};
    /// let kg = |kg| Grams::from_kg(kg);
    /// let curve = Curve::new(&[(0, kg(0.0)), (10_000, kg(5_000.0))]).unwrap();
    /// assert_eq!(curve.beyond(kg(5_000.0)), 1.0);
    /// assert_eq!(curve.beyond(kg(10_000.0)), 5.0_f64.sqrt()); // twice the one less the other
    /// ```
    pub fn beyond(&self, load: Grams) -> f64 {
        let (first, last) = (self.points[0].1, self.points[self.points.len() - 1].1);
        let past = |(end, inner): (Grams, Grams)| (load.get() - end.get()) as f64 / ((end.get() - inner.get()) as f64);
        let ends = [(first, self.points[1].1), (last, self.points[self.points.len() - 2].1)];
        let past = ends.into_iter().map(past).fold(0.0, f64::max);
        ((1.0 + past).powi(2) + past.powi(2)).sqrt()
    }

    /// Its points, by rising reading.
    pub fn points(&self) -> &[(i64, Grams)] {
        &self.points
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kg(kg: f64) -> Grams {
        Grams::from_kg(kg)
    }

    #[test]
    fn a_curve_of_falling_readings_is_as_good() {
        // A drive that brakes in lowering and shows that as negative torque.
        let curve = Curve::new(&[(-60_000, kg(10_000.0)), (4_000, kg(0.0)), (-28_000, kg(5_000.0))]).unwrap();
        assert_eq!(curve.load(-44_000), kg(7_500.0));
        assert_eq!(curve.load(-12_000), kg(2_500.0));
        assert_eq!(curve.load(-92_000), kg(15_000.0));
    }

    #[test]
    fn the_reading_of_a_load_is_the_way_back() {
        for curve in [
            Curve::new(&[(12_000, kg(0.0)), (42_000, kg(5_000.0)), (78_000, kg(10_000.0))]).unwrap(),
            Curve::new(&[(4_000, kg(0.0)), (-28_000, kg(5_000.0)), (-60_000, kg(10_000.0))]).unwrap(),
        ] {
            for reading in [-70_000, -30_000, -28_000, 3_999, 4_000, 12_000, 42_001, 90_000] {
                assert_eq!(curve.reading(curve.load(reading)), reading);
            }
        }
    }

    #[test]
    fn what_is_no_curve_says_where() {
        let two = [(1_000, kg(0.0)), (1_000, kg(5.0))];
        assert_eq!(Curve::new(&two), Err(CurveFault::Twice(0, 1)));
        assert_eq!(Curve::new(&two[..1]), Err(CurveFault::TooFew));
        let bent = [(1_000, kg(0.0)), (3_000, kg(9.0)), (5_000, kg(12.0)), (4_000, kg(6.0))];
        assert_eq!(Curve::new(&bent), Err(CurveFault::Bends(1, 3)));
    }

    #[test]
    fn odd_readings_stay_in_range() {
        let curve = Curve::new(&[(0, kg(0.0)), (1, kg(100_000.0))]).unwrap();
        assert_eq!(curve.load(i64::MAX), Grams::MAX);
        assert_eq!(curve.load(i64::MIN), Grams::MIN);
    }
}
