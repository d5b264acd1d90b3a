//! `replay` over samples files: the contract's shape, and the errors of a file that is not right.

use tallyhook_tests::cabinet::Cabinet;
use tallyhook_tests::plan::Plan;

fn cabinet_with_starter() -> Cabinet {
    let cabinet = Cabinet::new();
    let starter = cabinet.run(&["init"]).ok();
    cabinet.write("site.toml", &starter);
    cabinet
}

/// A plan at the pace of real work, for the default thresholds.
fn unhurried(rated_kg: f64) -> Plan {
    let mut plan = Plan::new(rated_kg);
    plan.rest(5.0);
    for i in 0..40_u32 {
        let fraction = if i == 17 { 1.08 } else { 0.1 + 0.02 * f64::from(i) };
        plan.lift(fraction * rated_kg, 1 + u32::from(i % 4 == 0), 9.0);
        plan.rest(20.0);
    }
    plan
}

/// Rows in which the hoist runs and did not in the row before.
fn running_edges(csv: &str) -> u64 {
    let runs: Vec<bool> = csv.lines().skip(1).map(|row| row.ends_with("1,0") || row.ends_with("0,1")).collect();
    runs.windows(2).filter(|pair| !pair[0] && pair[1]).count() as u64
}

#[test]
fn a_plan_as_csv_comes_out_as_planned() {
    let cabinet = cabinet_with_starter();
    let plan = unhurried(12_500.0);
    for (name, period) in [("10hz.csv", 0.1), ("1hz.csv", 1.0)] {
        let text = plan.to_csv(period);
        cabinet.write(name, &text);
        let answer = cabinet.run(&["replay", "--config", "site.toml", "--samples", name, "--json"]).json();
        let hoist = &answer["mechanisms"][0];
        assert_eq!(hoist["id"], "main-hoist");
        assert_eq!((hoist["lifts"].as_u64(), hoist["overload_lifts"].as_u64()), (Some(40), Some(1)), "{name}");
        // A pause shorter than the period cannot be seen: the starts are those of the rows.
        let starts = running_edges(&text);
        assert!(period > 0.6 || starts == plan.starts(), "at 10 Hz every pause of the plan is in the rows");
        assert_eq!(hoist["starts"].as_u64(), Some(starts), "{name}");
        let hours = hoist["running_hours"].as_f64().unwrap();
        assert!((hours * 3600.0 - plan.running_seconds()).abs() <= period * 40.0, "{name}: {hours} h");
        let km = hoist["load_spectrum_factor"].as_f64().unwrap();
        let tolerance = if period < 1.0 { 0.005 } else { 0.03 };
        assert!((km / plan.spectrum_factor() - 1.0).abs() < tolerance, "{name}: {km} {}", plan.spectrum_factor());
        let bands: f64 =
            hoist["spectrum"].as_array().unwrap().iter().map(|b| b["running_hours"].as_f64().unwrap()).sum();
        assert!((bands - hours).abs() < 1e-9, "band hours add up to running hours");
        assert_eq!(answer["crane"]["lifts"].as_u64(), Some(40));
        assert!(hoist["group_in_use"].is_null(), "too little record");
    }
}

#[test]
fn a_samples_file_that_is_not_right_is_refused_with_line_column_and_mend() {
    let cabinet = cabinet_with_starter();
    for (text, place, word) in [
        ("time,load_kg,raising,lowering\n0,0,0,0\n1,heavy,0,0\n", ":3", "load_kg"),
        ("time,load_kg,raising,lowering\n0,0,0,0\n1,0,2,0\n", ":3", "raising"),
        ("time,load_kg,raising,lowering\n5,0,0,0\n1,0,0,0\n", ":3", "time"),
        ("time,weight,raising\n0,0,0\n", ":1", "weight"),
        ("load_kg,raising\n0,0\n", ":1", "time"),
    ] {
        cabinet.write("bad.csv", text);
        let answer = cabinet.run(&["replay", "--config", "site.toml", "--samples", "bad.csv", "--json"]);
        assert_eq!(answer.status.code(), Some(2), "{text}: {}", answer.stderr);
        assert_eq!(answer.stdout, "");
        assert!(answer.stderr.contains(&format!("bad.csv{place}")), "{}", answer.stderr);
        assert!(answer.stderr.contains(word), "{}", answer.stderr);
    }
}

/// As a drive's readings: one beyond ten times the rated load, up or down, is none.
#[test]
fn a_load_that_no_hoist_lifts_is_taken_as_not_read() {
    let cabinet = cabinet_with_starter();
    let play = |loads: [&str; 3]| {
        let rows: String = (0..).zip(loads).map(|(n, load)| format!("{n},{load},1,0\n")).collect();
        cabinet.write("odd.csv", &format!("time,load_kg,raising,lowering\n{rows}3,5000,0,0\n"));
        cabinet.run(&["replay", "--config", "site.toml", "--samples", "odd.csv", "--json"])
    };
    let not_read = play(["5000", "", "5000"]).ok();
    for odd in ["125000.001", "-125001", "999999", "3e6", "1e12", "-3e6"] {
        let answer = play(["5000", odd, "5000"]);
        assert_eq!(answer.stdout, not_read, "{odd}");
        assert!(answer.stderr.contains("taken as not read: 1, the first at 1970-01-01T00:00:01"), "{}", answer.stderr);
    }
    let believed = play(["5000", "125000", "5000"]);
    assert_eq!(believed.stderr, "");
    assert_ne!(believed.stdout, not_read);
}

#[test]
fn a_samples_file_without_a_sample_is_said_to_be_one() {
    let cabinet = cabinet_with_starter();
    cabinet.write("empty.csv", "time,load_kg,raising,lowering\n");
    let answer = cabinet.run(&["replay", "--config", "site.toml", "--samples", "empty.csv", "--json"]);
    assert!(answer.status.success(), "{}", answer.stderr);
    assert!(answer.stderr.contains("empty.csv holds no sample"), "{}", answer.stderr);
    cabinet.write("one.csv", "time,load_kg,raising,lowering\n0,0,0,0\n");
    let answer = cabinet.run(&["replay", "--config", "site.toml", "--samples", "one.csv", "--json"]);
    assert_eq!(answer.stderr, "");
}

#[test]
fn whatever_the_group_and_the_load_the_starter_is_accepted() {
    for (group, load) in [("M1", "500"), ("M5", "12500"), ("M8", "320000"), ("2m", "16000")] {
        let cabinet = Cabinet::new();
        let starter = cabinet.run(&["init", "--group", group, "--rated-load-kg", load, "--crane-group", "A3"]).ok();
        cabinet.write("site.toml", &starter);
        cabinet.run(&["check", "--config", "site.toml"]).ok();
    }
}
