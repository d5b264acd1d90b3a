//! Warn levels: a value crosses a level once, and must fall clearly below it before it can cross again.

/// A watch over one value with its levels in rising order.
#[derive(Clone, PartialEq, Debug)]
pub struct LevelWatch {
    levels: Vec<f64>,
    hysteresis: f64,
    /// How many levels are crossed at present.
    crossed: usize,
}

/// A level that was crossed, or left for good.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Crossing {
    /// The level.
    pub level: f64,
    /// `true` when the value reached it, `false` when it fell below it by more than the hysteresis, or to nothing.
    pub raised: bool,
}

impl LevelWatch {
    /// A watch with `levels` (any order; doubles and NaN are dropped) and a hysteresis in the value's own unit.
    /// `crossed` is how many levels were crossed when the watch was last stored.
    pub fn new(levels: &[f64], hysteresis: f64, crossed: usize) -> Self {
        let mut levels: Vec<f64> = levels.iter().copied().filter(|l| !l.is_nan()).collect();
        levels.sort_by(f64::total_cmp);
        levels.dedup();
        let crossed = crossed.min(levels.len());
        LevelWatch { levels, hysteresis: hysteresis.max(0.0), crossed }
    }

    /// How many levels are crossed at present; what to store.
    pub fn crossed(&self) -> usize {
        self.crossed
    }

    /// The highest level that is crossed at present; to be stored with the count, which says nothing under other levels.
    pub fn highest(&self) -> Option<f64> {
        self.crossed.checked_sub(1).and_then(|index| self.levels.get(index)).copied()
    }

    /// The watch as one that was at `highest` when it was last stored, whatever its levels were then.
    ///
    /// ```
    /// use tallyhook_analysis::watch::LevelWatch;
    /// let before = LevelWatch::new(&[0.8, 0.9], 0.01, 1);
    /// let after = LevelWatch::new(&[0.7, 0.85, 0.9], 0.01, before.crossed()).left_at(before.highest().unwrap());
    /// assert_eq!(after.crossed(), 1);
    /// ```
    #[must_use]
    pub fn left_at(mut self, highest: f64) -> Self {
        self.crossed = self.levels.partition_point(|level| *level <= highest);
        self
    }

    /// Takes the value; `out` is called for each crossing, in order. A value at a level has reached it. Zero is clearly
    /// below any level, also one that is no greater than the hysteresis: it would stand for ever.
    ///
    /// ```
    /// use tallyhook_analysis::watch::LevelWatch;
    /// let mut watch = LevelWatch::new(&[0.8, 0.9], 0.01, 0);
    /// let mut said = Vec::new();
    /// for value in [0.79, 0.80, 0.795, 0.801, 0.95, 0.78] {
    ///     watch.update(value, |c| said.push((c.level, c.raised)));
    /// }
    /// assert_eq!(said, [(0.8, true), (0.9, true), (0.9, false), (0.8, false)]);
    /// ```
    pub fn update(&mut self, value: f64, mut out: impl FnMut(Crossing)) {
        if value.is_nan() {
            return;
        }
        while let Some(&level) = self.levels.get(self.crossed)
            && value >= level
        {
            self.crossed += 1;
            out(Crossing { level, raised: true });
        }
        while let Some(&level) = self.crossed.checked_sub(1).and_then(|i| self.levels.get(i))
            && (value < level - self.hysteresis || value <= 0.0 && level > 0.0)
        {
            self.crossed -= 1;
            out(Crossing { level, raised: false });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_level_that_is_no_greater_than_the_hysteresis_is_left_at_zero_and_reached_again() {
        for (level, hysteresis) in [(0.3, 0.5), (0.01, 0.01), (0.3, 0.3)] {
            let mut watch = LevelWatch::new(&[level], hysteresis, 0);
            let mut said = Vec::new();
            for value in [0.0, level, 0.9 * level, 0.0, 0.0, level] {
                watch.update(value, |c| said.push(c.raised));
            }
            assert_eq!(said, [true, false, true], "{level} {hysteresis}");
        }
    }
}
