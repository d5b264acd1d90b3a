//! Range counting against the `rainflow` package of PyPI, an independent implementation of ASTM E1049-85.
//!
//! Both sides read the same series from files of 64-bit floats; the package's table of range, mean and count must be
//! ours.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "tests")]

use std::io::Write;
use std::path::Path;
use std::process::Command;

use tallyhook_analysis::rainflow::{Counter, Cycle, Row, rows};

/// Reads series (a count of points, then the points), writes tables (a count of rows, then range, mean, count).
const REFERENCE: &str = r#"
import sys
import numpy
import rainflow

numbers = numpy.fromfile(sys.argv[1])
with open(sys.argv[2], "wb") as out:
    at = 0
    while at < len(numbers):
        points = int(numbers[at])
        series = numbers[at + 1 : at + 1 + points].tolist()
        at += 1 + points
        table = {}
        for span, mean, count, _, _ in rainflow.extract_cycles(series):
            key = (span, mean + 0.0)
            table[key] = table.get(key, 0.0) + count
        lines = [x for (span, mean), count in sorted(table.items()) for x in (span, mean, count)]
        numpy.array([len(table), *lines], dtype="float64").tofile(out)
"#;

/// Numbers that any machine draws alike (xorshift64*), from a seed above 0.
struct Draw(u64);

impl Draw {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 33
    }

    fn below(&mut self, end: u64) -> u64 {
        self.next() % end
    }
}

/// A series of one of three kinds: coarse steps with many equal neighbours, a fine walk, eighths that sum exactly.
fn series(draw: &mut Draw, points: usize) -> Vec<f64> {
    let kind = draw.below(3);
    let mut walk = 0.0;
    let mut series: Vec<f64> = (0..points)
        .map(|_| match kind {
            0 => draw.below(7) as f64,
            1 => {
                walk += draw.below(2_001) as f64 - 1_000.0;
                walk
            }
            _ => (draw.below(40_000) as f64 - 20_000.0) / 8.0,
        })
        .collect();
    // The package is not asked about a constant series: it answers a half cycle of no range.
    if series.iter().all(|&x| x == series[0]) {
        series[0] += 1.0;
    }
    series
}

fn python() -> std::ffi::OsString {
    std::env::var_os("TALLYHOOK_TEST_PYTHON")
        .expect("TALLYHOOK_TEST_PYTHON is not set: start the tests with tests/run, which installs the Python peers")
}

fn reference(all: &[Vec<f64>], home: &Path) -> Vec<Vec<Row>> {
    let (input, output) = (home.join("series"), home.join("tables"));
    let mut file = std::io::BufWriter::new(std::fs::File::create(&input).unwrap());
    for series in all {
        file.write_all(&(series.len() as f64).to_ne_bytes()).unwrap();
        for x in series {
            file.write_all(&x.to_ne_bytes()).unwrap();
        }
    }
    file.into_inner().unwrap();
    let answer = Command::new(python()).args(["-c", REFERENCE]).arg(&input).arg(&output).output().unwrap();
    assert!(
        answer.status.success(),
        "the reference did not run; is `rainflow` in tests/peers/requirements.txt installed?\n{}",
        String::from_utf8_lossy(&answer.stderr)
    );
    let bytes = std::fs::read(&output).unwrap();
    let mut numbers = bytes.chunks_exact(8).map(|b| f64::from_ne_bytes(b.try_into().unwrap()));
    let mut tables = Vec::new();
    while let Some(count) = numbers.next() {
        let row =
            |_| Row { range: numbers.next().unwrap(), mean: numbers.next().unwrap(), count: numbers.next().unwrap() };
        tables.push((0..count as usize).map(row).collect());
    }
    tables
}

fn ours(series: &[f64]) -> Vec<Row> {
    let mut cycles = Vec::new();
    let mut counter = Counter::new(0.0);
    counter.extend(series, &mut |c| cycles.push(c));
    counter.close(&mut |c| cycles.push(c));
    rows(&cycles)
}

fn compare(all: &[Vec<f64>]) {
    let home = tempfile::tempdir().unwrap();
    let tables = reference(all, home.path());
    assert_eq!(tables.len(), all.len(), "a table for each series");
    for (i, (series, table)) in all.iter().zip(&tables).enumerate() {
        let own = ours(series);
        assert!(!table.is_empty(), "series {i} has ranges");
        assert_eq!(own.len(), table.len(), "rows of series {i}");
        for (own, theirs) in own.iter().zip(table) {
            assert_eq!(own, theirs, "series {i} of {} points", series.len());
        }
    }
}

#[test]
fn a_thousand_random_series_count_as_the_reference_counts_them() {
    let mut draw = Draw(20_261_125);
    let all: Vec<_> = (0..1_000)
        .map(|_| {
            let points = 3 + draw.below(300) as usize;
            series(&mut draw, points)
        })
        .collect();
    compare(&all);
}

#[test]
fn ten_series_of_a_million_points_count_as_the_reference_counts_them() {
    let mut draw = Draw(1_049);
    for _ in 0..10 {
        let long = series(&mut draw, 1_000_000);
        compare(&[long]);
    }
}

#[test]
fn the_shell_counts_as_the_reference_counts() {
    // Load in kilograms with a fraction, as a drive gives it; what `cycles --json` prints is the package's table to the bit.
    let mut draw = Draw(4_309);
    let all: Vec<Vec<f64>> =
        (0..3).map(|_| series(&mut draw, 3_000)).map(|s| s.iter().map(|x| x / 3.0 + 0.1).collect()).collect();
    let cabinet = tallyhook_tests::cabinet::Cabinet::new();
    for (series, table) in all.iter().zip(reference(&all, cabinet.path())) {
        let mut csv = String::from("time,load_kg\n");
        for (second, load) in series.iter().enumerate() {
            csv.push_str(&format!("{second},{load}\n"));
        }
        cabinet.write("samples.csv", &csv);
        let answer = cabinet.run(&["cycles", "--samples", "samples.csv", "--column", "load_kg", "--json"]).json();
        let rows = answer["cycles"].as_array().unwrap();
        assert_eq!(rows.len(), table.len());
        for (row, theirs) in rows.iter().zip(&table) {
            let of = |field: &str| row[field].as_f64().unwrap();
            assert_eq!(Row { range: of("range"), mean: of("mean"), count: of("count") }, *theirs);
        }
    }
}

#[test]
fn a_stream_cut_anywhere_counts_as_the_reference_counts_the_whole() {
    let mut draw = Draw(85);
    let all: Vec<_> = (0..10).map(|_| series(&mut draw, 200)).collect();
    let home = tempfile::tempdir().unwrap();
    for (series, table) in all.iter().zip(reference(&all, home.path())) {
        for cut in 0..=series.len() {
            let mut cycles: Vec<Cycle<f64>> = Vec::new();
            let mut first = Counter::new(0.0);
            first.extend(&series[..cut], &mut |c| cycles.push(c));
            let mut then = first.clone();
            series[cut..].iter().for_each(|&x| then.push(x, &mut |c| cycles.push(c)));
            then.close(&mut |c| cycles.push(c));
            assert_eq!(rows(&cycles), table, "cut at {cut}");
        }
    }
}
