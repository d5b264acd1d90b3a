//! The tables of the standards against statements of the same facts that owe nothing to the code's own rows: the series of
//! preferred numbers, constant products, the hours of a working life. Matrices, factors and CMAA's classes are held to
//! theirs beside the code.

#![allow(clippy::expect_used, reason = "tests")]

use tallyhook_analysis::class::{
    ApplianceGroup, ApplianceLoading, CycleClass, MechanismGroup, MechanismLoading, TimeClass,
};
use tallyhook_analysis::damage::StressClass;
use tallyhook_analysis::duty::DutyLimit;
use tallyhook_analysis::mark::Mark;
use tallyhook_analysis::selection::cube_root_scale;
use tallyhook_analysis::severity::{Interval, Severity};

/// The R10 series of preferred numbers (ISO 3), with 3.15 as crane standards print it in whole hundreds: 3.2.
const R10: [f64; 10] = [1.0, 1.25, 1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 6.3, 8.0];

/// The number `doublings` doublings above `first` in R10: three steps each.
fn doubled(first: f64, doublings: usize) -> f64 {
    let decade = 10.0_f64.powi(first.log10().floor() as i32);
    let at = R10.iter().position(|n| (n * decade / first - 1.0).abs() < 1e-9).expect("the first is of R10");
    let step = at + 3 * doublings;
    let value = R10[step % 10] * decade * 10.0_f64.powi((step / 10) as i32);
    // What the multiplication by decades leaves behind.
    (value * 1e6).round() / 1e6
}

#[test]
fn hours_cycles_and_lives_are_the_r10_numbers_at_each_doubling() {
    for (i, time) in TimeClass::ALL.iter().enumerate() {
        assert_eq!(time.limit(), doubled(200.0, i), "{time}: ISO 4301-1:1986 table 4 begins at 200 h");
    }
    for (i, cycles) in CycleClass::ALL.iter().enumerate() {
        let expected = (i < 9).then(|| doubled(16_000.0, i));
        assert_eq!(cycles.limit(), expected, "{cycles}: ISO 4301-1:1986 table 1 begins at 16,000 and U9 is open");
    }
    for (g, group) in MechanismGroup::ALL.iter().enumerate() {
        for (l, &loading) in MechanismLoading::ALL.iter().enumerate() {
            // FEM 9.755 table 1: M1 at full load has 100 h, and each group up or class of spectrum down doubles it.
            assert_eq!(group.design_hours_at(loading), doubled(100.0, g + 3 - l), "{group} {loading}");
        }
        assert_eq!(group.design_full_load_hours(), group.design_hours_at(MechanismLoading::L4));
    }
    for (i, group) in ApplianceGroup::ALL.iter().enumerate() {
        // U0 at Q3 and U1 at Q2 are the hardest cells of A1: 16,000 · 0.5 = 32,000 · 0.25 = 8,000.
        assert_eq!(group.design_full_load_cycles(), doubled(8_000.0, i), "{group}");
    }
    for (i, class) in StressClass::ALL.iter().enumerate() {
        assert_eq!(class.limit(), doubled(0.002, i), "{class}: EN 13001-3-1 begins at 0.002");
    }
}

#[test]
fn spectrum_limits_are_halvings_and_their_cube_roots_are_the_other_scale() {
    // FEM 9.511, BS 466 and CMAA print the same classes by their cube roots: 0.50, 0.63, 0.80, 1.00.
    for ((i, loading), printed) in MechanismLoading::ALL.iter().enumerate().zip([0.50, 0.63, 0.80, 1.00]) {
        assert_eq!(loading.limit(), 0.5_f64.powi(3 - i as i32), "{loading}");
        assert!((cube_root_scale(loading.limit()) - printed).abs() < 0.0075, "{loading} {printed}");
        assert_eq!(ApplianceLoading::ALL[i].limit(), loading.limit());
    }
}

#[test]
fn daily_hours_are_ten_years_of_working_days() {
    // FEM 9.755's ten years of 250 working days at the middle of the daily class, 0.64 of its upper end, are the hours of
    // the class: 1.28 h · 250 · 10 = 3,200 h for T4, whose day has up to 2 h.
    for class in &TimeClass::ALL[1..8] {
        let middle = class.limit() / (250.0 * 10.0);
        let upper = 0.25 * 2.0_f64.powi(*class as i32 - 1);
        assert!((middle / upper / 0.64 - 1.0).abs() < 0.024, "{class}: {middle} of {upper}");
        assert_eq!(TimeClass::of_daily_hours(upper), *class);
        assert!(TimeClass::of_daily_hours(upper * 1.001) > *class);
    }
    assert_eq!(TimeClass::of_daily_hours(24.0), TimeClass::T8);
}

#[test]
fn the_filled_corners_are_those_that_the_reprint_leaves_blank() {
    // A reprinted FEM and ISO sheet: its blank cells, row by row. ISO fills them with M1 and M8 (mark C).
    use MechanismGroup::{M1, M8};
    use MechanismLoading::{L1, L2, L3, L4};
    use TimeClass::{T0, T1, T7, T8, T9};
    let blank = [
        (L1, T0, M1),
        (L1, T1, M1),
        (L2, T0, M1),
        (L2, T9, M8),
        (L3, T8, M8),
        (L3, T9, M8),
        (L4, T7, M8),
        (L4, T8, M8),
        (L4, T9, M8),
    ];
    for &loading in MechanismLoading::ALL {
        for &time in TimeClass::ALL {
            let filled = blank.iter().find(|(l, t, _)| (*l, *t) == (loading, time));
            assert_eq!(MechanismGroup::mark(loading, time), if filled.is_some() { Mark::C } else { Mark::A });
            if let Some((.., group)) = filled {
                assert_eq!(MechanismGroup::of(loading, time), *group);
            }
        }
    }
    let unsure: Vec<_> = TimeClass::ALL.iter().filter(|t| t.mark() == Mark::C).collect();
    assert_eq!(unsure, [&T0, &T9]);
}

#[test]
fn motor_duty_holds_the_standard_factors_and_marks_what_is_from_memory() {
    // IEC 60034-1 names 15, 25, 40 and 60 % as the standard duration factors of S3; FEM 9.683 puts 20, 30 and 50 between.
    let row: Vec<_> = MechanismGroup::ALL.iter().filter_map(|&g| DutyLimit::of(g)).collect();
    let ed: Vec<f64> = row.iter().map(|l| l.ed_percent).collect();
    assert!([15.0, 25.0, 40.0, 60.0].iter().all(|s| ed.contains(s)) && ed.is_sorted());
    let between: Vec<f64> = ed.iter().copied().filter(|e| ![15.0, 25.0, 40.0, 60.0].contains(e)).collect();
    assert_eq!(between, [20.0, 30.0, 50.0]);
    let unsure: Vec<f64> = row.iter().filter(|l| l.mark.caution().is_some()).map(|l| l.ed_percent).collect();
    assert_eq!(unsure, [15.0, 20.0, 60.0], "1Dm, 1Cm and 4m were found nowhere in print");
}

#[test]
fn inspection_lengths_are_the_days_that_the_text_means_by_its_words() {
    // DOE-STD-1090-96: day 24 h, week 7 d, month 31 d, quarter 92 d, year 365 d.
    let days = |word: &str| match word {
        "daily" => 1,
        "weekly" => 7,
        "monthly" => 31,
        "quarterly" => 92,
        "yearly" => 365,
        other => panic!("{other} is no word of the text"),
    };
    let row = |from: &str, to: &str, mark| Interval { from_days: days(from), to_days: days(to), mark };
    for (severity, frequent, periodic, mark) in [
        (Severity::Normal, ("monthly", "monthly"), "yearly", Mark::B),
        (Severity::Heavy, ("weekly", "monthly"), "yearly", Mark::C),
        (Severity::Severe, ("daily", "weekly"), "quarterly", Mark::B),
    ] {
        assert_eq!(severity.frequent(), row(frequent.0, frequent.1, mark));
        assert_eq!(severity.periodic(), row(periodic, periodic, mark));
    }
}
