//! Range counting: the standard's example, and a stream cut anywhere.

use proptest::prelude::*;
use tallyhook_analysis::rainflow::{Counter, Cycle, matrix, rows};

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

#[test]
fn e8_in_classes_of_one_range() {
    // ASTM E1049-85 figure 6 by range: 3: 0.5, 4: 1.5, 6: 0.5, 8: 1.0, 9: 0.5; nine classes of 1 up to the largest of 9.
    let rows = rows(&count(&[-2.0, 1.0, -3.0, 5.0, -1.0, 3.0, -4.0, 4.0, -2.0]));
    let table = matrix(&rows, 9).unwrap();
    let by_range: Vec<f64> = table.cycles.iter().map(|row| row.iter().sum()).collect();
    assert_eq!(by_range, [0.0, 0.0, 0.5, 1.5, 0.0, 0.5, 0.0, 1.0, 0.5]);
    assert_eq!((table.mean_edges[0], table.mean_edges[9]), (-1.0, 1.0));
    // Its means are -1, -0.5, 0, 0.5, 1: at the ends and in the middle.
    let by_mean = |class: usize| table.cycles.iter().map(|row| row[class]).sum::<f64>();
    assert_eq!((by_mean(0), by_mean(4), by_mean(8)), (0.5, 0.5, 2.0));
    assert_eq!(matrix(&[], 9), None);
}

#[test]
fn ranges_of_one_and_the_same_mean_have_edges_that_do_not_fall() {
    for i in 1..2_000 {
        let (low, high) = (-533.838 / f64::from(i), 711.27 / f64::from(i));
        let table = matrix(&rows(&count(&[low, high, low])), 7).unwrap();
        assert!(table.mean_edges.is_sorted(), "{:?}", table.mean_edges);
        assert_eq!(table.cycles.iter().flatten().sum::<f64>(), 1.0);
    }
}

proptest! {
    #[test]
    fn a_matrix_holds_every_cycle_between_its_edges(
        series in prop::collection::vec(-1e3_f64..1e3, 2..60), classes in 1_usize..12,
    ) {
        let rows = rows(&count(&series));
        prop_assume!(!rows.is_empty());
        let table = matrix(&rows, classes).unwrap();
        let all: f64 = table.cycles.iter().flatten().sum();
        prop_assert_eq!(all, rows.iter().map(|r| r.count).sum::<f64>());
        for row in &rows {
            let one = matrix(&rows, classes).unwrap();
            prop_assert!(row.range <= one.range_edges[classes] * (1.0 + 1e-12));
            prop_assert!(row.mean >= one.mean_edges[0] && row.mean <= one.mean_edges[classes] + 1e-9);
        }
        prop_assert!(table.range_edges.is_sorted() && table.mean_edges.is_sorted());
        // Column by column against a second reckoning from the rows.
        for (i, line) in table.cycles.iter().enumerate() {
            let inside = |r: f64| (i == 0 || r > table.range_edges[i]) && (r <= table.range_edges[i + 1] || i + 1 == classes);
            let expected: f64 = rows.iter().filter(|r| inside(r.range)).map(|r| r.count).sum();
            prop_assert_eq!(line.iter().sum::<f64>(), expected);
        }
    }

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
