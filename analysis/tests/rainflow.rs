//! Range counting: the standard's example, and a stream cut anywhere.

use proptest::prelude::*;
use tallyhook_analysis::rainflow::{Counter, Cycle, rows};

fn count(series: &[f64]) -> Vec<Cycle<f64>> {
    let mut cycles = Vec::new();
    let mut counter = Counter::new(0.0);
    for &x in series {
        counter.push(x, &mut |c| cycles.push(c));
    }
    counter.close(&mut |c| cycles.push(c));
    cycles
}

#[test]
fn e8_the_example_of_astm_e1049_figure_6() {
    let rows: Vec<_> = rows(&count(&[-2.0, 1.0, -3.0, 5.0, -1.0, 3.0, -4.0, 4.0, -2.0]))
        .iter()
        .map(|r| (r.range, r.mean, r.count))
        .collect();
    assert_eq!(
        rows,
        [
            (3.0, -0.5, 0.5),
            (4.0, -1.0, 0.5),
            (4.0, 1.0, 1.0),
            (6.0, 1.0, 0.5),
            (8.0, 0.0, 0.5),
            (8.0, 1.0, 0.5),
            (9.0, 0.5, 0.5)
        ]
    );
}

#[test]
fn a_threshold_swallows_what_is_not_larger() {
    let mut cycles = Vec::new();
    let mut counter = Counter::new(2_i64);
    for x in [0, 10, 8, 10, 0, 3, 0] {
        counter.push(x, &mut |c: Cycle<i64>| cycles.push((c.range(), c.halves)));
    }
    counter.close(&mut |c| cycles.push((c.range(), c.halves)));
    cycles.sort();
    // By hand: 0 10 0 3 0 stays; 0-3-0 closes inside the fall from 10, whose range is not smaller.
    assert_eq!(cycles, [(3, 2), (10, 1), (10, 1)]);
}

#[test]
fn a_level_series_and_a_single_point_have_no_cycles() {
    assert!(count(&[]).is_empty());
    assert!(count(&[4.0]).is_empty());
    assert!(count(&[4.0, 4.0, 4.0]).is_empty());
}

proptest! {
    #[test]
    fn a_slice_counts_as_its_points_one_by_one(
        series in prop::collection::vec(-20_i64..20, 0..80), threshold in 0_i64..6,
    ) {
        let mut one_by_one = Vec::new();
        let mut counter = Counter::new(threshold);
        for &x in &series {
            counter.push(x, &mut |c| one_by_one.push(c));
        }
        for cut in 0..=series.len() {
            let mut cycles = Vec::new();
            let mut bulk = Counter::new(threshold);
            bulk.extend(&series[..cut], &mut |c| cycles.push(c));
            bulk.extend(&series[cut..], &mut |c| cycles.push(c));
            prop_assert_eq!(&cycles, &one_by_one);
            prop_assert_eq!(&bulk, &counter);
        }
    }

    #[test]
    fn stored_and_resumed_at_every_place_counts_the_same(
        series in prop::collection::vec(-20_i64..20, 0..60), threshold in 0_i64..6,
    ) {
        let mut whole = Vec::new();
        let mut counter = Counter::new(threshold);
        for &x in &series {
            counter.push(x, &mut |c| whole.push(c));
        }
        counter.close(&mut |c| whole.push(c));
        for cut in 0..=series.len() {
            let mut parts = Vec::new();
            let mut counter = Counter::new(threshold);
            for &x in &series[..cut] {
                counter.push(x, &mut |c| parts.push(c));
            }
            let stored = serde_json::to_string(&counter).unwrap();
            let mut counter: Counter<i64> = serde_json::from_str(&stored).unwrap();
            for &x in &series[cut..] {
                counter.push(x, &mut |c| parts.push(c));
            }
            counter.close(&mut |c| parts.push(c));
            prop_assert_eq!(&parts, &whole);
        }
    }
}
