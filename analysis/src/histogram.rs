//! Weight by load, to three significant digits: what re-banding and what-if years later are made from.
//!
//! The layout is that of a high-dynamic-range histogram: up to 2,047 g every gram has a bin; above, each doubling of the
//! load is cut into 1,024 bins of one width, so a bin is never wider than 1/1024 of its load and its middle is within
//! 0.05 % of every load in it (0.15 % of its cube). Loads are binned in grams, so this holds for a 50 kg hoist as for a
//! 500 t one. At most 22,388 bins can exist ([`Grams::MAX`]); only those that hold something are kept.
//!
//! The weight is running milliseconds (a histogram of running time, loads as booked, dead load included) or lifts (a
//! histogram of settled loads). Sums are integers: merging is exact and its order never matters.

use crate::spectrum::{BANDS, band_of};
use crate::units::Grams;
use std::collections::BTreeMap;

/// Bins to a doubling of the load.
const PER_DOUBLING: u64 = 1024;
/// First byte of the stored form.
const FORMAT: u8 = 1;

/// Weight by load. See the module's text.
///
/// ```
/// use tallyhook_analysis::{histogram::Histogram, units::Grams};
/// let mut day = Histogram::default();
/// day.add(Grams::from_kg(5_000.0), 3_600_000);
/// let km = day.spectrum_factor(Grams::from_kg(10_000.0)).unwrap();
/// assert!((km / 0.125 - 1.0).abs() < 0.003);
/// assert_eq!(Histogram::from_bytes(&day.to_bytes()), Ok(day));
/// ```
#[derive(Clone, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(transparent))]
pub struct Histogram {
    bins: BTreeMap<u32, u64>,
}

/// Stored bytes that are no histogram.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum BadBytes {
    /// Written by a version of this crate that knows another form; read it with that version.
    OtherFormat(u8),
    /// Cut off, longer than they should be, or otherwise damaged: restore the row from a backup.
    Damaged,
}

impl std::fmt::Display for BadBytes {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            BadBytes::OtherFormat(format) => {
                write!(f, "the histogram is in format {format}, this version reads {FORMAT}")
            }
            BadBytes::Damaged => f.write_str("the stored histogram is damaged"),
        }
    }
}

impl std::error::Error for BadBytes {}

/// The bin of a load; a load below zero is in the bin of zero.
fn bin_of(load: Grams) -> u32 {
    let grams = load.get().max(0) as u64;
    let doublings = u64::from((grams / PER_DOUBLING).checked_ilog2().unwrap_or(0));
    (doublings * PER_DOUBLING + (grams >> doublings)) as u32
}

/// Lowest load of a bin and its width, grams.
fn edges(bin: u32) -> (u64, u64) {
    let bin = u64::from(bin);
    let doublings = (bin / PER_DOUBLING).saturating_sub(1);
    ((bin - doublings * PER_DOUBLING) << doublings, 1 << doublings)
}

/// The load that stands for a bin: the middle of the loads in it.
fn middle(bin: u32) -> Grams {
    let (low, width) = edges(bin);
    Grams::new((low + (width - 1) / 2) as i64)
}

impl Histogram {
    /// Adds `weight` (milliseconds or lifts) at a load.
    pub fn add(&mut self, load: Grams, weight: u64) {
        self.book(bin_of(load), weight);
    }

    fn book(&mut self, bin: u32, weight: u64) {
        if weight > 0 {
            let slot = self.bins.entry(bin).or_default();
            *slot = slot.saturating_add(weight);
        }
    }

    /// Adds another histogram of the same kind of weight.
    pub fn merge(&mut self, other: &Histogram) {
        for (&bin, &weight) in &other.bins {
            let slot = self.bins.entry(bin).or_default();
            *slot = slot.saturating_add(weight);
        }
    }

    /// Loads in rising order with their weights. Each load is within 0.05 % (half a gram below 1 kg) of those booked.
    pub fn loads(&self) -> impl Iterator<Item = (Grams, u64)> + '_ {
        self.bins.iter().map(|(&bin, &weight)| (middle(bin), weight))
    }

    /// All the weight there is.
    pub fn total(&self) -> u64 {
        self.bins.values().fold(0, |sum, &w| sum.saturating_add(w))
    }

    /// Whether nothing was added.
    pub fn is_empty(&self) -> bool {
        self.bins.is_empty()
    }

    /// The sum of (P/Prated)³ times weight; in milliseconds of full load for running time (divide by 3.6 million for
    /// full-load hours), in full-load cycles for lifts. Zero where `rated` is not positive. Within 0.15 %.
    pub fn full_load_weight(&self, rated: Grams) -> f64 {
        self.loads().map(|(load, weight)| load.fraction_of(rated).powi(3) * weight as f64).sum()
    }

    /// km for running time, Kp for lifts, cubic scale (ISO 4301-1:1986), on any rated base; `None` when empty.
    pub fn spectrum_factor(&self, rated: Grams) -> Option<f64> {
        (!self.is_empty()).then(|| self.full_load_weight(rated) / self.total() as f64)
    }

    /// The weight in each load band of any rated base; adds up to [`Histogram::total`]. A load whose bin straddles an
    /// edge goes where the middle of its bin lies.
    pub fn bands(&self, rated: Grams) -> [u64; BANDS] {
        let mut bands = [0_u64; BANDS];
        for (load, weight) in self.loads() {
            let band = &mut bands[band_of(load, rated)];
            *band = band.saturating_add(weight);
        }
        bands
    }

    /// The form for the store: a format byte, then for each bin its distance from the last one and its weight, as
    /// whole numbers of 7 bits a byte, low bits first.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = vec![FORMAT];
        let mut last = 0;
        for (&bin, &weight) in &self.bins {
            put(&mut bytes, u64::from(bin - last));
            put(&mut bytes, weight);
            last = bin;
        }
        bytes
    }

    /// Reads [`Histogram::to_bytes`].
    ///
    /// # Errors
    /// [`BadBytes`] for bytes that no version of this crate wrote in this form.
    pub fn from_bytes(bytes: &[u8]) -> Result<Histogram, BadBytes> {
        // A tree made of a list in order is made at once, not bin by bin.
        let mut bins = Vec::new();
        each_bin(bytes, |bin, weight| bins.push((bin, weight)))?;
        Ok(Histogram { bins: bins.into_iter().collect() })
    }
}

/// Calls `each` with the loads of a stored histogram in rising order and their weights, as [`Histogram::loads`] gives them
/// of what [`Histogram::from_bytes`] reads, without making one.
///
/// # Errors
/// As [`Histogram::from_bytes`]; what stood before the fault has then been given.
pub fn each_load(bytes: &[u8], mut each: impl FnMut(Grams, u64)) -> Result<(), BadBytes> {
    each_bin(bytes, |bin, weight| each(middle(bin), weight))
}

/// The sum of many stored histograms, as [`Histogram::merge`] would give it: one place for each bin that can exist, so
/// that years of days are added up without a tree for each of them.
#[derive(Clone, Debug)]
pub struct Sum {
    bins: Vec<u64>,
}

impl Default for Sum {
    fn default() -> Self {
        Sum { bins: vec![0; bin_of(Grams::MAX) as usize + 1] }
    }
}

impl Sum {
    /// Adds the histogram that [`Histogram::to_bytes`] wrote.
    ///
    /// # Errors
    /// As [`Histogram::from_bytes`]; what stood before the fault has then been added.
    pub fn add_bytes(&mut self, bytes: &[u8]) -> Result<(), BadBytes> {
        each_bin(bytes, |bin, weight| {
            if let Some(slot) = self.bins.get_mut(bin as usize) {
                *slot = slot.saturating_add(weight);
            }
        })
    }

    /// What was added up.
    pub fn histogram(&self) -> Histogram {
        let held = self.bins.iter().zip(0..).filter(|(weight, _)| **weight > 0);
        Histogram { bins: held.map(|(&weight, bin)| (bin, weight)).collect() }
    }
}

/// What will be added to a histogram: a place for each bin, so that none is looked up for each reading. Takes its room
/// with the first.
#[derive(Clone, Debug, Default)]
pub(crate) struct Pending {
    weights: Vec<u64>,
    /// The lowest and the highest bin that can hold something.
    within: Option<(u32, u32)>,
}

impl Pending {
    /// The same as [`Histogram::add`] for each row of two columns, once it is [settled](Pending::settle).
    pub fn add_columns(&mut self, loads: &[Grams], weights: &[u32]) {
        self.weights.resize(bin_of(Grams::MAX) as usize + 1, 0);
        let Some(first) = loads.first().map(|load| bin_of(*load)) else { return };
        let (mut least, mut most) = self.within.unwrap_or((first, first));
        for (&load, &weight) in loads.iter().zip(weights) {
            let bin = bin_of(load);
            (least, most) = (least.min(bin), most.max(bin));
            let Some(slot) = self.weights.get_mut(bin as usize) else { continue };
            *slot = slot.saturating_add(u64::from(weight));
        }
        self.within = Some((least, most));
    }

    /// As [`Histogram::add`] where there is room already: whether there is.
    pub fn add(&mut self, load: Grams, weight: u64) -> bool {
        let bin = bin_of(load);
        let Some(slot) = self.weights.get_mut(bin as usize) else { return false };
        *slot = slot.saturating_add(weight);
        let (least, most) = self.within.unwrap_or((bin, bin));
        self.within = Some((least.min(bin), most.max(bin)));
        true
    }

    /// As [`Pending::add_columns`] for loads in grams, all within `low` and `high`, with one weight.
    pub fn add_even(&mut self, loads: &[u32], weight: u32, (low, high): (u32, u32)) {
        let [first, last] = [low, high].map(|load| bin_of(Grams::new(i64::from(load))));
        self.weights.resize(bin_of(Grams::MAX) as usize + 1, 0);
        let (least, most) = self.within.unwrap_or((first, last));
        self.within = Some((least.min(first), most.max(last)));
        let weight = u64::from(weight);
        let doublings = |load: u32| (u64::from(load) / PER_DOUBLING).checked_ilog2().unwrap_or(0);
        let shift = doublings(low);
        if shift == doublings(high) {
            // Within one doubling, bins are of one width.
            let base = shift as usize * PER_DOUBLING as usize;
            let Some(weights) = self.weights.get_mut(base..=last as usize) else { return };
            for &load in loads {
                if let Some(slot) = weights.get_mut((load >> shift) as usize) {
                    *slot = slot.saturating_add(weight);
                }
            }
        } else {
            for &load in loads {
                if let Some(slot) = self.weights.get_mut(bin_of(Grams::new(i64::from(load))) as usize) {
                    *slot = slot.saturating_add(weight);
                }
            }
        }
    }

    /// Adds everything, and is empty then.
    pub fn settle(&mut self, histogram: &mut Histogram) {
        self.add_to(histogram);
        if let Some((least, most)) = self.within.take() {
            self.weights[least as usize..=most as usize].fill(0);
        }
    }

    /// As [`Pending::settle`], but keeps it.
    pub fn add_to(&self, histogram: &mut Histogram) {
        let Some((least, most)) = self.within else { return };
        let weights = &self.weights[least as usize..=most as usize];
        (least..).zip(weights).for_each(|(bin, &weight)| histogram.book(bin, weight));
    }
}

/// Calls `book` for each bin of a stored histogram, in rising order.
fn each_bin(bytes: &[u8], mut book: impl FnMut(u32, u64)) -> Result<(), BadBytes> {
    let (&format, mut rest) = bytes.split_first().ok_or(BadBytes::Damaged)?;
    if format != FORMAT {
        return Err(BadBytes::OtherFormat(format));
    }
    let most = u64::from(bin_of(Grams::MAX));
    let (mut last, mut first) = (0_u64, true);
    while !rest.is_empty() {
        let step = take(&mut rest)?;
        let bin = last.checked_add(step).filter(|&bin| bin <= most).ok_or(BadBytes::Damaged)?;
        let weight = take(&mut rest)?;
        if weight == 0 || (step == 0 && !first) {
            return Err(BadBytes::Damaged);
        }
        book(bin as u32, weight);
        (last, first) = (bin, false);
    }
    Ok(())
}

fn put(bytes: &mut Vec<u8>, mut number: u64) {
    while number >= 0x80 {
        bytes.push(number as u8 | 0x80);
        number >>= 7;
    }
    bytes.push(number as u8);
}

fn take(rest: &mut &[u8]) -> Result<u64, BadBytes> {
    let mut number = 0_u64;
    for shift in (0..64).step_by(7) {
        let (&byte, tail) = rest.split_first().ok_or(BadBytes::Damaged)?;
        *rest = tail;
        let part = u64::from(byte & 0x7f);
        if part << shift >> shift != part {
            return Err(BadBytes::Damaged);
        }
        number |= part << shift;
        if byte & 0x80 == 0 {
            return Ok(number);
        }
    }
    Err(BadBytes::Damaged)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spectrum::Totals;
    use crate::units::Span;
    use proptest::prelude::*;

    #[test]
    fn bins_join_without_hole_or_overlap() {
        for bin in 0..bin_of(Grams::MAX) {
            let (low, width) = edges(bin);
            assert_eq!(edges(bin + 1).0, low + width, "bin {bin}");
            assert_eq!(bin_of(Grams::new(low as i64)), bin);
            assert_eq!(bin_of(Grams::new((low + width - 1) as i64)), bin);
        }
        assert_eq!(bin_of(Grams::MAX) + 1, 22_388);
    }

    #[test]
    fn loads_are_given_from_the_bytes_as_from_the_histogram() {
        let histogram = filled(&[(0, 3), (2_047, 5), (2_048, 1), (12_345_678, 900), (12_345_679, 1), (90_000_000, 7)]);
        let mut loads = Vec::new();
        each_load(&histogram.to_bytes(), |load, weight| loads.push((load, weight))).unwrap();
        assert_eq!(loads, histogram.loads().collect::<Vec<_>>());
        assert_eq!(each_load(&[1, 5, 0], |_, _| ()), Err(BadBytes::Damaged));
    }

    #[test]
    fn bytes_of_another_kind_are_refused() {
        assert_eq!(Histogram::from_bytes(&[]), Err(BadBytes::Damaged));
        assert_eq!(Histogram::from_bytes(&[9]), Err(BadBytes::OtherFormat(9)));
        assert_eq!(Histogram::from_bytes(&[1, 5]), Err(BadBytes::Damaged));
        assert_eq!(Histogram::from_bytes(&[1, 5, 0]), Err(BadBytes::Damaged));
        assert_eq!(Histogram::from_bytes(&[1, 5, 1, 0, 1]), Err(BadBytes::Damaged));
    }

    fn booked() -> impl Strategy<Value = Vec<(i64, u64)>> {
        // Every size of hoist alike, from 1 kg to 1,000 t.
        let load = (3.0_f64..9.0).prop_map(|power| 10_f64.powf(power) as i64);
        proptest::collection::vec((load, 1_u64..10_000_000), 1..60)
    }

    fn filled(booked: &[(i64, u64)]) -> Histogram {
        let mut histogram = Histogram::default();
        booked.iter().for_each(|&(g, ms)| histogram.add(Grams::new(g), ms));
        histogram
    }

    proptest! {
        #[test]
        fn a_load_is_kept_within_a_thousandth(grams in 0_i64..=2_000_000_000) {
            let kept = middle(bin_of(Grams::new(grams))).get();
            prop_assert!((kept - grams).abs() * 1000 <= grams, "{grams} became {kept}");
        }

        #[test]
        fn km_from_it_is_that_of_the_exact_sums_within_three_thousandths(
            booked in booked(), rated in 1_000_i64..1_000_000_000,
        ) {
            let rated = Grams::new(rated);
            let mut exact = Totals::default();
            booked.iter().for_each(|&(g, ms)| exact.book_running(Grams::new(g), rated, Span::from_ms(ms as i64)));
            let histogram = filled(&booked);
            let (want, got) = (exact.load_spectrum_factor(rated).unwrap(), histogram.spectrum_factor(rated).unwrap());
            prop_assert!((got / want - 1.0).abs() < 0.003, "{got} for {want}");
            prop_assert_eq!(histogram.total(), exact.running_ms);
            prop_assert_eq!(histogram.bands(rated).iter().sum::<u64>(), histogram.total());
            // Up to each edge, the bands hold what the exact bands hold at an edge moved by a thousandth.
            for (i, edge) in crate::spectrum::BAND_EDGES_PERMILLE.into_iter().enumerate() {
                let up_to = |moved: f64| -> u64 {
                    let edge = rated.get() as f64 * f64::from(edge) / 1000.0 * moved;
                    booked.iter().filter(|(g, _)| *g as f64 <= edge).map(|(_, ms)| ms).sum()
                };
                let got: u64 = histogram.bands(rated)[..=i].iter().sum();
                prop_assert!(up_to(0.999) <= got && got <= up_to(1.001));
            }
        }

        #[test]
        fn columns_are_added_as_one_by_one(
            columns in proptest::collection::vec(
                proptest::collection::vec((prop_oneof![3 => 0_i64..400, 3 => 5_000_000_i64..5_050_000,
                    1 => any::<i64>()], prop_oneof![1 => Just(0_u32), 4 => any::<u32>()]), 0..200), 1..4),
        ) {
            let (mut one_by_one, mut together) = (Histogram::default(), Histogram::default());
            let mut pending = Pending::default();
            for rows in columns {
                let (loads, weights): (Vec<_>, Vec<_>) = rows.into_iter().map(|(g, ms)| (Grams::new(g), ms)).unzip();
                loads.iter().zip(&weights).for_each(|(&load, &ms)| one_by_one.add(load, u64::from(ms)));
                pending.add_columns(&loads, &weights);
                let mut now = together.clone();
                pending.add_to(&mut now);
                prop_assert_eq!(&now, &one_by_one);
                prop_assert!(pending.add(Grams::new(7_000), 5));
                one_by_one.add(Grams::new(7_000), 5);
                pending.settle(&mut together);
                prop_assert_eq!(&together, &one_by_one);
            }
        }

        #[test]
        fn even_loads_are_added_as_one_by_one(
            runs in proptest::collection::vec(
                (prop_oneof![0_u32..5_000, 1_u32..1_900_000_000], proptest::collection::vec(0_u32..100_000, 1..60), 0_u32..3),
                1..5,
            ),
        ) {
            let (mut one_by_one, mut together, mut pending) = (Histogram::default(), Histogram::default(), Pending::default());
            for (low, above, weight) in runs {
                let loads: Vec<u32> = above.iter().map(|above| low + above).collect();
                let range = (*loads.iter().min().unwrap_or(&0), *loads.iter().max().unwrap_or(&0));
                pending.add_even(&loads, weight, range);
                loads.iter().for_each(|&load| one_by_one.add(Grams::new(i64::from(load)), u64::from(weight)));
            }
            pending.settle(&mut together);
            prop_assert_eq!(&together, &one_by_one);
            pending.settle(&mut together);
            prop_assert_eq!(together, one_by_one);
        }

        #[test]
        fn merging_counts_both_and_bytes_keep_all(one in booked(), two in booked()) {
            let mut merged = filled(&one);
            merged.merge(&filled(&two));
            let both: Vec<_> = one.iter().chain(&two).copied().collect();
            prop_assert_eq!(&merged, &filled(&both));
            let mut sum = Sum::default();
            for part in [&one, &two] {
                sum.add_bytes(&filled(part).to_bytes()).unwrap();
            }
            prop_assert_eq!(&sum.histogram(), &merged);
            prop_assert_eq!(Histogram::from_bytes(&merged.to_bytes()), Ok(merged));
        }

        #[test]
        fn any_bytes_are_read_or_refused(mut bytes in proptest::collection::vec(any::<u8>(), 0..40)) {
            if let Some(first) = bytes.first_mut() {
                *first = FORMAT;
            }
            let summed = Sum::default().add_bytes(&bytes);
            prop_assert_eq!(summed, Histogram::from_bytes(&bytes).map(drop));
            if let Ok(read) = Histogram::from_bytes(&bytes) {
                prop_assert_eq!(Histogram::from_bytes(&read.to_bytes()), Ok(read));
            }
        }
    }
}
