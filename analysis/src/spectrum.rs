//! Load bands and the exact sums behind every figure: [`Totals`].

use crate::units::{Grams, MS_PER_HOUR, Span};

/// How many load bands there are: ten up to the rated load, two above it.
pub const BANDS: usize = 12;

/// Upper edges of the bands in permille of the rated load; the last band is open. An edge belongs to the band below
/// it, as a limit belongs to its class in the standards' tables.
pub const BAND_EDGES_PERMILLE: [u16; BANDS - 1] = [100, 200, 300, 400, 500, 600, 700, 800, 900, 1000, 1100];

/// The band of a load: `0` for everything up to a tenth of `rated`, `9` up to `rated` itself, `11` above 110 %.
///
/// ```
/// use tallyhook_analysis::{spectrum::band_of, units::Grams};
/// let rated = Grams::from_kg(16_000.0);
/// assert_eq!(band_of(Grams::from_kg(1_600.0), rated), 0);
/// assert_eq!(band_of(Grams::from_kg(1_600.001), rated), 1);
/// assert_eq!(band_of(rated, rated), 9);
/// assert_eq!(band_of(Grams::from_kg(40_000.0), rated), 11);
/// ```
pub fn band_of(load: Grams, rated: Grams) -> usize {
    let scaled = i128::from(load.get()) * 1000;
    let rated = i128::from(rated.get());
    BAND_EDGES_PERMILLE.iter().position(|&edge| scaled <= i128::from(edge) * rated).unwrap_or(BANDS - 1)
}

/// [`band_of`] for many loads on one rated base: the edges in grams, worked out once.
#[derive(Clone, Debug)]
pub struct Bands {
    rated: Grams,
    /// The largest load of each band, grams.
    highest: [i64; BANDS],
    /// Bands in a gram, times 2^60.
    per_gram: u64,
}

impl Bands {
    /// Of this rated load.
    pub fn of(rated: Grams) -> Self {
        let mut highest = [i64::MAX; BANDS];
        for (grams, edge) in highest.iter_mut().zip(BAND_EDGES_PERMILLE) {
            *grams = (rated.get() * i64::from(edge)).div_euclid(1000);
        }
        Bands { rated, highest, per_gram: (10 << 60) / rated.get().max(1) as u64 }
    }

    pub(crate) fn rated(&self) -> Grams {
        self.rated
    }

    /// As [`band_of`].
    #[inline]
    pub fn band(&self, load: Grams) -> usize {
        // What a product gives is never off by more than one; the edges decide.
        if self.rated.get() <= 0 {
            return band_of(load, self.rated);
        }
        let scaled = (u128::from(load.get().max(0) as u64) * u128::from(self.per_gram)) >> 60;
        let guess = (scaled as usize).min(BANDS - 1);
        let up = usize::from(load.get() > self.highest[guess]);
        let down = usize::from(guess > 0 && load.get() <= self.highest[guess.saturating_sub(1)]);
        guess + up - down
    }
}

/// Lower and upper edge of a band as fractions of the rated load; the top band has no upper edge.
pub fn band_edges(band: usize) -> (f64, Option<f64>) {
    let edge = |i: usize| BAND_EDGES_PERMILLE.get(i).map(|&e| f64::from(e) / 1000.0);
    let from = if band == 0 { 0.0 } else { edge(band - 1).unwrap_or(0.0) };
    (from, edge(band))
}

/// Exact sums over any stretch of time: what a day, a period or a whole life adds up to.
///
/// All integers, so `a.add(&b)` is exact, and any way of cutting the same samples into stretches adds up to the
/// same bits.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Totals {
    /// Time for which the running state was known, milliseconds.
    pub observed_ms: u64,
    /// Time for which it was not: nothing counted, milliseconds.
    pub gap_ms: u64,
    /// Running time, either direction, milliseconds; includes `load_unknown_ms`.
    pub running_ms: u64,
    /// The part of `running_ms` in which the load was not known, milliseconds. It is in no band.
    pub load_unknown_ms: u64,
    /// Running time by load band, milliseconds; adds up to `running_ms - load_unknown_ms`.
    pub band_ms: [u64; BANDS],
    /// Sum of (load)³ · dt over running time of known load, cubic grams times milliseconds.
    #[cfg_attr(feature = "serde", serde(with = "decimal"))]
    pub cube_ms: u128,
    /// Running edges.
    pub starts: u64,
    /// Lifts ended.
    pub lifts: u64,
    /// Lifts ended whose settled load was above the rated load.
    pub overload_lifts: u64,
    /// Lifts by the band of their settled load; adds up to `lifts`.
    pub band_lifts: [u64; BANDS],
    /// Sum of (settled load)³ over lifts, cubic grams.
    #[cfg_attr(feature = "serde", serde(with = "decimal"))]
    pub lift_cubes: u128,
}

impl Totals {
    /// How long the record is, gaps and all. No jump of a clock makes it longer or shorter.
    pub fn span(&self) -> Span {
        Span::from_ms(self.observed_ms.saturating_add(self.gap_ms).min(i64::MAX as u64) as i64)
    }

    /// Adds another stretch to this one.
    pub fn add(&mut self, other: &Totals) {
        self.observed_ms += other.observed_ms;
        self.gap_ms += other.gap_ms;
        self.running_ms += other.running_ms;
        self.load_unknown_ms += other.load_unknown_ms;
        for (mine, theirs) in self.band_ms.iter_mut().zip(other.band_ms) {
            *mine += theirs;
        }
        self.cube_ms = self.cube_ms.saturating_add(other.cube_ms);
        self.starts += other.starts;
        self.lifts += other.lifts;
        self.overload_lifts += other.overload_lifts;
        for (mine, theirs) in self.band_lifts.iter_mut().zip(other.band_lifts) {
            *mine += theirs;
        }
        self.lift_cubes = self.lift_cubes.saturating_add(other.lift_cubes);
    }

    /// Books running time at a known load: `load` on the rated base `rated`, both with or both without dead load.
    pub fn book_running(&mut self, load: Grams, rated: Grams, span: Span) {
        let ms = span.as_ms().max(0) as u64;
        self.running_ms += ms;
        self.band_ms[band_of(load, rated)] += ms;
        self.cube_ms = self.cube_ms.saturating_add(load.cubed().saturating_mul(u128::from(ms)));
    }

    /// Books many readings at once, to the same bits as [`Totals::book_running`] for each: in `running_ms[i]`
    /// milliseconds the mechanism ran at `loads[i]`, zero where it stood still. Only as many are read as both columns
    /// have.
    pub fn book_columns(&mut self, loads: &[Grams], running_ms: &[u32], rated: Grams) {
        let bands = Bands::of(rated);
        let (mut band_ms, mut cube_ms, mut beyond) = ([0_u64; BANDS], 0_u128, false);
        for (&load, &ms) in loads.iter().zip(running_ms) {
            if ms == 0 {
                continue;
            }
            let grams = load.get().max(0) as u64;
            // Within 64 bits each: Grams::MAX² < 2^62, Grams::MAX · u32::MAX < 2^63.
            let part = u128::from(grams * grams) * u128::from(grams * u64::from(ms));
            let (sum, over) = cube_ms.overflowing_add(part);
            (cube_ms, beyond) = (sum, beyond | over);
            band_ms[bands.band(load)] += u64::from(ms);
        }
        self.running_ms += band_ms.iter().sum::<u64>();
        self.band_ms.iter_mut().zip(band_ms).for_each(|(sum, ms)| *sum += ms);
        self.cube_ms = if beyond { u128::MAX } else { self.cube_ms.saturating_add(cube_ms) };
    }

    /// As [`Totals::book_columns`], for loads in grams, all within `low` and `high`, at each of which it ran for `ms`.
    pub(crate) fn book_even(&mut self, loads: &[u32], ms: u32, (low, high): (u32, u32), bands: &Bands) {
        let band = |load: u32| bands.band(Grams::new(i64::from(load)));
        let (first, last) = (band(low), band(high));
        if first == last {
            self.band_ms[first] += loads.len() as u64 * u64::from(ms);
        } else {
            loads.iter().for_each(|&load| self.band_ms[band(load)] += u64::from(ms));
        }
        self.running_ms += loads.len() as u64 * u64::from(ms);
        // Each within 93 bits.
        let cube = |&load: &u32| u128::from(u64::from(load) * u64::from(load)) * u128::from(load);
        let cubes: u128 = loads.iter().map(cube).sum();
        self.cube_ms = self.cube_ms.saturating_add(cubes.saturating_mul(u128::from(ms)));
    }

    /// Adds what running time gave, and observed time; nothing else is in `other`.
    pub(crate) fn add_time(&mut self, other: &Totals) {
        self.observed_ms += other.observed_ms;
        if other.running_ms > 0 {
            self.running_ms += other.running_ms;
            self.band_ms.iter_mut().zip(other.band_ms).for_each(|(mine, theirs)| *mine += theirs);
            self.cube_ms = self.cube_ms.saturating_add(other.cube_ms);
        }
    }

    /// Running time, hours.
    pub fn running_hours(&self) -> f64 {
        self.running_ms as f64 / MS_PER_HOUR as f64
    }

    /// Running time whose load is known, hours: the basis of [`Totals::load_spectrum_factor`].
    pub fn known_load_hours(&self) -> f64 {
        (self.running_ms - self.load_unknown_ms.min(self.running_ms)) as f64 / MS_PER_HOUR as f64
    }

    /// Full-load hours of the running time whose load is known: the sum of (P/Prated)³ dt (FEM 9.755: km · T).
    pub fn full_load_hours(&self, rated: Grams) -> f64 {
        ratio(self.cube_ms, rated) / MS_PER_HOUR as f64
    }

    /// The load spectrum factor km of ISO 4301-1:1986 and FEM 9.755, weighted by running time, cubic scale.
    /// `None` without running time of known load. Above 1 only with overload; never clamped.
    ///
    /// km = Σ (tᵢ/tT) (Pᵢ/Pmax)³
    pub fn load_spectrum_factor(&self, rated: Grams) -> Option<f64> {
        mean_cube(self.cube_ms, rated, self.running_ms.saturating_sub(self.load_unknown_ms))
    }

    /// Full-load cycles: the sum of (P/Prated)³ over lifts (ISO 4301-1:1986: Kp · C).
    pub fn full_load_cycles(&self, rated: Grams) -> f64 {
        ratio(self.lift_cubes, rated)
    }

    /// The load spectrum factor Kp of ISO 4301-1:1986 for the appliance, weighted by lifts, cubic scale.
    /// `None` without lifts.
    ///
    /// Kp = Σ (Cᵢ/CT) (Pᵢ/Pmax)³
    pub fn cycle_spectrum_factor(&self, rated: Grams) -> Option<f64> {
        mean_cube(self.lift_cubes, rated, self.lifts)
    }
}

/// The mean of (P/Prated)³ over `weight`, in one division: at a class limit (a power of two) it is the limit itself and
/// not the next number above, because scaling by a power of two rounds both integers alike.
fn mean_cube(cubes: u128, rated: Grams, weight: u64) -> Option<f64> {
    let full = rated.cubed().saturating_mul(u128::from(weight));
    (full > 0).then(|| cubes as f64 / full as f64)
}

/// A sum of cubes over the cube of the rated load.
fn ratio(cubes: u128, rated: Grams) -> f64 {
    let base = rated.cubed();
    if base == 0 { 0.0 } else { cubes as f64 / base as f64 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn columns_are_booked_as_one_by_one(
            rated in prop_oneof![Just(0), Just(1), 1_000_i64..100_000_000, Just(2_000_000_000)],
            readings in proptest::collection::vec((-0.1_f64..2.0, 0_u8..3, prop_oneof![Just(0), any::<u32>()]), 0..60),
        ) {
            let rated = Grams::new(rated);
            let (mut one_by_one, mut together) = (Totals::default(), Totals::default());
            let (mut loads, mut spans) = (Vec::new(), Vec::new());
            for (share, place, ms) in readings {
                // Anywhere, on an edge of a band, or a gram above one.
                let edge = (share * 10.0).round() as i64 * rated.get() / 10;
                let load = Grams::new([(share * rated.get() as f64) as i64, edge, edge + 1][usize::from(place)]);
                prop_assert_eq!(Bands::of(rated).band(load), band_of(load, rated), "{:?} of {:?}", load, rated);
                one_by_one.book_running(load, rated, Span::from_ms(i64::from(ms)));
                loads.push(load);
                spans.push(ms);
            }
            let (first, last) = (loads.len() / 3, loads.len());
            together.book_columns(&loads[..first], &spans[..first], rated);
            together.book_columns(&loads[first..last], &spans[first..last], rated);
            prop_assert_eq!(together, one_by_one);
        }

        #[test]
        fn even_loads_are_booked_as_columns(
            rated in prop_oneof![Just(1), 1_000_i64..100_000_000, Just(2_000_000_000)],
            middle in 0_u32..1_990_000_000, loads in proptest::collection::vec(0_u32..10_000_000, 1..80),
            near in any::<bool>(), ms in prop_oneof![Just(100), 1..=u32::MAX],
        ) {
            let rated = Grams::new(rated);
            let loads: Vec<u32> = loads.iter().map(|load| middle + if near { load % 50_000 } else { *load }).collect();
            let range = (*loads.iter().min().unwrap_or(&0), *loads.iter().max().unwrap_or(&0));
            let columns: Vec<Grams> = loads.iter().map(|load| Grams::new(i64::from(*load))).collect();
            let (mut even, mut usual) = (Totals::default(), Totals::default());
            even.book_even(&loads, ms, range, &Bands::of(rated));
            usual.book_columns(&columns, &vec![ms; columns.len()], rated);
            prop_assert_eq!(&even, &usual);
            let (mut whole, mut short) = (usual.clone(), usual.clone());
            whole.add(&even);
            short.add_time(&even);
            prop_assert_eq!(whole, short);
        }
    }

    #[test]
    fn a_load_of_exactly_a_class_limit_gives_exactly_the_limit() {
        for rated_kg in [3_200.0, 12_500.0, 16_000.0, 63_000.0] {
            for ms in [1, 7, 1_234_567, 98_765_432_109] {
                let rated = Grams::from_kg(rated_kg);
                let mut t = Totals::default();
                t.book_running(Grams::new(rated.get() / 2), rated, Span::from_ms(ms));
                assert_eq!(t.load_spectrum_factor(rated), Some(0.125), "L1, not L2: {rated_kg} kg, {ms} ms");
            }
        }
    }
}

/// `u128` as a decimal string: JSON numbers and SQLite integers cannot hold it.
#[cfg(feature = "serde")]
pub(crate) mod decimal {
    use serde::{Deserialize, Deserializer, Serializer, de::Error};

    pub fn serialize<S: Serializer>(value: &u128, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(value)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<u128, D::Error> {
        let text = String::deserialize(d)?;
        text.parse().map_err(|_| D::Error::custom(format!("`{text}` is not a whole number")))
    }
}
