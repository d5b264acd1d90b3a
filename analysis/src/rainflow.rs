//! Range counting (rainflow) as ASTM E1049-85, 5.4.4, has it: streaming, with the residue kept.
//!
//! A series is first thinned to its peaks and valleys; each new one may close ranges, which are handed to the caller
//! at once. What is still open is the residue; [`Counter::close`] counts it as half cycles. A counter that is cloned
//! or stored at any point and carried on gives the very same cycles.

use std::ops::Sub;

/// A number that ranges can be counted of.
pub trait Point: Copy + PartialOrd + Sub<Output = Self> {
    /// Nothing: the threshold that keeps every reversal.
    const ZERO: Self;
}

impl Point for f64 {
    const ZERO: f64 = 0.0;
}

impl Point for i64 {
    const ZERO: i64 = 0;
}

/// A counted range, between two points of the series and in its unit.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Cycle<T> {
    /// The earlier point.
    pub from: T,
    /// The later point.
    pub to: T,
    /// Half cycles it counts for: 2 for a closed cycle, 1 for a half. Integers, so that counts add up exactly.
    pub halves: u32,
}

impl<T: Point> Cycle<T> {
    /// The range |to − from|, above zero.
    pub fn range(&self) -> T {
        if self.from < self.to { self.to - self.from } else { self.from - self.to }
    }
}

impl Cycle<f64> {
    /// The mean of both points.
    pub fn mean(&self) -> f64 {
        0.5 * (self.from + self.to)
    }

    /// The count as ASTM E1049-85 writes it: 1.0 or 0.5.
    pub fn count(&self) -> f64 {
        f64::from(self.halves) * 0.5
    }
}

/// Where the thinning to peaks and valleys stands.
#[derive(Clone, Copy, PartialEq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
enum Course<T> {
    Nothing,
    /// No reversal yet: the lowest and the highest point.
    Level {
        low: T,
        high: T,
    },
    Rising(T),
    Falling(T),
}

/// Counts ranges of a series point by point.
///
/// Points must be numbers (no NaN) whose differences the type holds. Memory is the residue, whose ranges fall
/// strictly: a few dozen points in practice, and for integers never more than there are distinct ranges.
///
/// ```
/// use tallyhook_analysis::rainflow::Counter;
/// let mut halves = 0;
/// let mut counter = Counter::new(0_i64);
/// for load in [0, 5, 2, 5, 0] {
///     counter.push(load, &mut |cycle| halves += cycle.halves);
/// }
/// counter.close(&mut |cycle| halves += cycle.halves);
/// assert_eq!(halves, 4); // 5-2-5 once, up to 5 and down to 0 a half each
/// ```
#[derive(Clone, PartialEq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Counter<T> {
    threshold: T,
    course: Course<T>,
    open: Vec<T>,
}

impl<T: Point> Counter<T> {
    /// A counter that has seen nothing. A reversal counts when it is larger than `threshold` (hysteresis, in the
    /// series' unit, 0 or more); zero keeps every one, as ASTM E1049-85 does.
    pub fn new(threshold: T) -> Self {
        Counter { threshold, course: Course::Nothing, open: Vec::with_capacity(64) }
    }

    /// Takes the next point; closed ranges go to `out`.
    #[inline]
    pub fn push(&mut self, x: T, out: &mut impl FnMut(Cycle<T>)) {
        match self.course {
            Course::Rising(high) => {
                if x > high {
                    self.course = Course::Rising(x);
                } else if high - x > self.threshold {
                    self.turn(high, out);
                    self.course = Course::Falling(x);
                }
            }
            Course::Falling(low) => {
                if x < low {
                    self.course = Course::Falling(x);
                } else if x - low > self.threshold {
                    self.turn(low, out);
                    self.course = Course::Rising(x);
                }
            }
            Course::Nothing => self.course = Course::Level { low: x, high: x },
            Course::Level { low, high } => {
                if x - low > self.threshold {
                    self.turn(low, out);
                    self.course = Course::Rising(x);
                } else if high - x > self.threshold {
                    self.turn(high, out);
                    self.course = Course::Falling(x);
                } else if x < low {
                    self.course = Course::Level { low: x, high };
                } else if x > high {
                    self.course = Course::Level { low, high: x };
                }
            }
        }
    }

    /// Takes the next points of a slice: the same as [`Counter::push`] for each, but faster.
    pub fn extend(&mut self, series: &[T], out: &mut impl FnMut(Cycle<T>)) {
        let mut rest = series.iter().copied();
        loop {
            match self.course {
                Course::Rising(mut high) => loop {
                    let Some(x) = rest.next() else {
                        self.course = Course::Rising(high);
                        return;
                    };
                    if x > high {
                        high = x;
                    } else if high - x > self.threshold {
                        self.turn(high, out);
                        self.course = Course::Falling(x);
                        break;
                    }
                },
                Course::Falling(mut low) => loop {
                    let Some(x) = rest.next() else {
                        self.course = Course::Falling(low);
                        return;
                    };
                    if x < low {
                        low = x;
                    } else if x - low > self.threshold {
                        self.turn(low, out);
                        self.course = Course::Rising(x);
                        break;
                    }
                },
                Course::Nothing | Course::Level { .. } => match rest.next() {
                    Some(x) => self.push(x, out),
                    None => return,
                },
            }
        }
    }

    /// Ends the series: the last point counts as a reversal, and what is open as half cycles.
    pub fn close(mut self, out: &mut impl FnMut(Cycle<T>)) {
        if let Course::Rising(last) | Course::Falling(last) = self.course {
            self.turn(last, out);
        }
        for pair in self.open.windows(2) {
            out(Cycle { from: pair[0], to: pair[1], halves: 1 });
        }
    }

    /// Peaks and valleys that no closed range has used yet, oldest first.
    pub fn residue(&self) -> &[T] {
        &self.open
    }

    /// A peak or valley: steps 1 to 5 of ASTM E1049-85, 5.4.4.
    fn turn(&mut self, x: T, out: &mut impl FnMut(Cycle<T>)) {
        let range = |a: T, b: T| if a < b { b - a } else { a - b };
        while let [.., a, b] = self.open[..] {
            if range(b, x) < range(a, b) {
                break;
            }
            let n = self.open.len();
            if n == 2 {
                out(Cycle { from: a, to: b, halves: 1 });
                self.open[0] = b;
                self.open.truncate(1);
            } else {
                out(Cycle { from: a, to: b, halves: 2 });
                self.open.truncate(n - 2);
            }
        }
        self.open.push(x);
    }
}

/// One row of a count: cycles of the same range and mean.
#[derive(Clone, Copy, PartialEq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Row {
    /// The range, in the series' unit.
    pub range: f64,
    /// The mean, in the series' unit.
    pub mean: f64,
    /// Cycles; a half cycle is 0.5.
    pub count: f64,
}

/// Cycles gathered into one row per distinct range and mean, by range and then mean. The order in which the cycles
/// came does not matter.
pub fn rows(cycles: &[Cycle<f64>]) -> Vec<Row> {
    // Adding zero makes one of both zeros, which compare equal but sort apart.
    let mut rows: Vec<Row> =
        cycles.iter().map(|c| Row { range: c.range(), mean: c.mean() + 0.0, count: c.count() }).collect();
    rows.sort_by(|a, b| a.range.total_cmp(&b.range).then(a.mean.total_cmp(&b.mean)));
    rows.dedup_by(|next, kept| {
        let same = next.range == kept.range && next.mean == kept.mean;
        if same {
            kept.count += next.count;
        }
        same
    });
    rows
}

/// Counted ranges in equal classes of range and mean: what a count looks like at a glance.
#[derive(Clone, PartialEq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Matrix {
    /// Edges of the classes of range, from zero to the largest range; one more than classes.
    pub range_edges: Vec<f64>,
    /// Edges of the classes of mean, from the lowest to the highest mean; one more than classes.
    pub mean_edges: Vec<f64>,
    /// Cycles: a row for each class of range, in it a number for each class of mean.
    pub cycles: Vec<Vec<f64>>,
}

/// Sorts the rows of a count into `classes` by `classes` (1 or more) equal classes; `None` without rows. An edge belongs to
/// the class below it, the lowest of all to the first.
///
/// ```
/// use tallyhook_analysis::rainflow::{Row, matrix};
/// let count = [Row { range: 4.0, mean: 1.0, count: 1.0 }, Row { range: 8.0, mean: 3.0, count: 0.5 }];
/// let table = matrix(&count, 2).unwrap();
/// assert_eq!(table.range_edges, [0.0, 4.0, 8.0]);
/// assert_eq!(table.cycles, [[1.0, 0.0], [0.0, 0.5]]);
/// ```
pub fn matrix(rows: &[Row], classes: usize) -> Option<Matrix> {
    let classes = classes.max(1);
    let largest = rows.iter().map(|r| r.range).reduce(f64::max)?;
    let low = rows.iter().map(|r| r.mean).reduce(f64::min)?;
    let high = rows.iter().map(|r| r.mean).reduce(f64::max)?;
    let edges = |from: f64, to: f64| -> Vec<f64> {
        // Each edge rounds the same way, so that they rise even between ends that are all but equal.
        let edge = |i: usize| (from + (to - from) * (i as f64 / classes as f64)).min(to);
        (0..classes).map(edge).chain([to]).collect()
    };
    let (range_edges, mean_edges) = (edges(0.0, largest), edges(low, high));
    let class = |edges: &[f64], value: f64| edges[1..].iter().position(|&e| value <= e).unwrap_or(classes - 1);
    let mut cycles = vec![vec![0.0; classes]; classes];
    for row in rows {
        cycles[class(&range_edges, row.range)][class(&mean_edges, row.mean)] += row.count;
    }
    Some(Matrix { range_edges, mean_edges, cycles })
}
