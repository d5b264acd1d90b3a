//! Calibration from a recording, and the way back: what it prints makes `replay` find the weights again.

// The lint's own exception for tests does not reach a test file's helper functions.
#![allow(clippy::unwrap_used)]

use std::fmt::Write as _;
use std::path::Path;
use std::process::{Command, Output};

const RATED_KG: f64 = 10_000.0;

/// A gear that eats a tenth of the power upwards and gives back less downwards: torque over load is another line each
/// way, and turning the rotor costs a fifth of the rated torque while the speed changes.
fn torque_pct(load_kg: f64, raising: bool) -> f64 {
    let share = load_kg / RATED_KG;
    if raising { 8.0 + 84.0 * share } else { -3.0 - 55.0 * share }
}

/// Each weight up for 6 s and down for 6 s at 10 Hz, with half a second of ramp at either end and some noise.
fn recording(weights: &[f64], speed: bool, shift: impl Fn(usize) -> f64) -> String {
    let mut text = String::from(if speed {
        "time,torque_pct,speed_pct,raising,lowering\n"
    } else {
        "time,torque_pct,raising,lowering\n"
    });
    let mut rng = fastrand::Rng::with_seed(1);
    let mut at = 0;
    let mut row = |torque: f64, pace: f64, up: u8, down: u8| {
        let seconds = f64::from(at) / 10.0;
        let torque = torque + (rng.f64() - 0.5) * 0.6;
        let _ = match speed {
            true => writeln!(text, "{seconds:.1},{torque:.2},{pace:.1},{up},{down}"),
            false => writeln!(text, "{seconds:.1},{torque:.2},{up},{down}"),
        };
        at += 1;
    };
    for (i, load_kg) in weights.iter().enumerate() {
        for raising in [true, false] {
            let sign = if raising { 1.0 } else { -1.0 };
            for step in 0..60 {
                let ramp = f64::from(step.min(59 - step).min(5)) / 5.0;
                let turning = if ramp < 1.0 { 20.0 * if step < 30 { sign } else { -sign } } else { 0.0 };
                let torque = torque_pct(*load_kg + shift(i), raising) + turning;
                row(torque, sign * 100.0 * ramp, u8::from(raising), u8::from(!raising));
            }
            (0..30).for_each(|_| row(0.0, 0.0, 0, 0));
        }
    }
    text
}

const SITE: &str = r#"
[drive.main]
address = "192.0.2.10:502"
[[crane]]
id = "yard-1"
group = "A5"
[[crane.mechanism]]
id = "main-hoist"
group = "M5"
rated_load_kg = 10000
[crane.mechanism.signals]
raising = { address = 1, bit = 0 }
lowering = { address = 1, bit = 1 }
torque_pct = { address = 2, type = "i16", scale = 0.1 }
speed_pct = { address = 3, type = "i16", scale = 0.1 }
"#;

fn run(home: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_tallyhook")).current_dir(home).args(arguments).output().unwrap()
}

fn calibrate(samples: &str, weights: &str, more: &[&str]) -> (tempfile::TempDir, Output) {
    let home = tempfile::tempdir().unwrap();
    std::fs::write(home.path().join("site.toml"), format!("{SITE}[crane.mechanism.load]\n")).unwrap();
    std::fs::write(home.path().join("weights.csv"), samples).unwrap();
    let arguments = ["calibrate", "--config", "site.toml", "--samples", "weights.csv", "--weight", weights];
    let output = run(home.path(), &[&arguments[..], more].concat());
    (home, output)
}

fn json(output: &Output) -> serde_json::Value {
    assert!(!output.stdout.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
fn three_weights_are_found_and_the_lines_make_replay_find_them_again() {
    for speed in [true, false] {
        let samples = recording(&[0.0, 5_000.0, 9_500.0], speed, |_| 0.0);
        let (home, output) = calibrate(&samples, "0,5000,9500", &["--json"]);
        assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
        let found = json(&output);
        for (point, load_kg) in found["points"].as_array().unwrap().iter().zip([0.0, 5_000.0, 9_500.0]) {
            assert_eq!(point["load_kg"], load_kg);
            for (key, raising) in [("raising_pct", true), ("lowering_pct", false)] {
                let pct = point[key].as_f64().unwrap();
                // A tenth of a percent of torque is 12 to 18 kg here.
                assert!((pct - torque_pct(load_kg, raising)).abs() < 0.15, "{key} at {load_kg} kg: {pct}");
            }
            assert!(point["raising_off_kg"].as_f64().unwrap().abs() < 50.0, "{point}");
        }
        let lines = found["config"].as_str().unwrap();
        assert!(found["caution"].as_str().unwrap().contains("qualified persons"));
        // The lines are taken as they are, and lifts of other weights are found with them.
        std::fs::write(home.path().join("site.toml"), format!("{SITE}{lines}")).unwrap();
        assert_eq!(run(home.path(), &["check", "--config", "site.toml"]).status.code(), Some(0), "{lines}");
        // That the hook is empty is seen when it runs.
        let lifts = recording(&[0.0, 3_000.0, 0.0, 7_000.0, 0.0, 8_000.0, 0.0], speed, |_| 0.0);
        std::fs::write(home.path().join("lifts.csv"), lifts).unwrap();
        let replay = run(home.path(), &["replay", "--config", "site.toml", "--samples", "lifts.csv", "--json"]);
        let replayed = json(&replay);
        let hoist = &replayed["mechanisms"][0];
        assert_eq!(hoist["lifts"], 3, "{hoist}");
        let cube = |kg: f64| (kg / RATED_KG).powi(3);
        let km = (cube(3_000.0) + cube(7_000.0) + cube(8_000.0)) / 7.0;
        let got = hoist["load_spectrum_factor"].as_f64().unwrap();
        assert!((got / km - 1.0).abs() < 0.03, "km {got}, from the weights {km}; with speed: {speed}");
    }
}

#[test]
fn a_weight_that_does_not_fit_is_refused_and_named() {
    let weights = [0.0, 3_000.0, 6_000.0, 9_000.0];
    // What was named as 6 t weighed 7.2 t.
    let samples = recording(&weights, true, |i| if i == 2 { 1_200.0 } else { 0.0 });
    let (_home, output) = calibrate(&samples, "0,3000,6000,9000", &["--json"]);
    assert_eq!(output.status.code(), Some(1));
    let found = json(&output);
    assert_eq!(found["config"], serde_json::Value::Null, "nothing to paste from points that were refused");
    let refused: Vec<&str> = found["refused"].as_array().unwrap().iter().map(|r| r.as_str().unwrap()).collect();
    assert_eq!(refused.len(), 2, "{refused:#?}");
    for (sentence, way) in refused.iter().zip(["raising", "lowering"]) {
        assert!(sentence.starts_with(&format!("{way}: 6000 kg")) && sentence.contains("does not fit"), "{sentence}");
    }
    // Of three it cannot be told which one is wrong, and that is said.
    let samples = recording(&weights[..3], true, |i| if i == 1 { 1_500.0 } else { 0.0 });
    let (_home, output) = calibrate(&samples, "0,3000,6000", &[]);
    assert_eq!(output.status.code(), Some(1));
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.contains("do not lie on a line") && !text.contains("point = ["), "{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
}

/// Named backwards they lie on a line as well; but a heavier weight never takes less torque to raise.
#[test]
fn weights_named_in_the_wrong_order_are_refused() {
    for weights in [&[0.0, 5_000.0, 10_000.0][..], &[0.0, 10_000.0]] {
        let samples = recording(weights, true, |_| 0.0);
        let named = |backwards: bool| {
            let mut named: Vec<String> = weights.iter().map(|kg| kg.to_string()).collect();
            if backwards {
                named.reverse();
            }
            named.join(",")
        };
        let (_home, output) = calibrate(&samples, &named(true), &["--json"]);
        assert_eq!(output.status.code(), Some(1));
        let found = json(&output);
        let refused = found["refused"][0].as_str().unwrap();
        assert!(refused.starts_with("raising: 10000 kg ("), "{refused}");
        assert!(refused.contains("in the order in which they were lifted"), "{refused}");
        assert_eq!(found["config"], serde_json::Value::Null);
        assert_eq!(calibrate(&samples, &named(false), &[]).1.status.code(), Some(0));
        // A drive that shows the torque of raising as negative.
        let mut turned = String::new();
        for line in samples.lines() {
            let (time, rest) = line.split_once(',').unwrap();
            let (torque, rest) = rest.split_once(',').unwrap();
            let torque = torque.parse().map_or(torque.to_owned(), |pct: f64| (-pct).to_string());
            let _ = writeln!(turned, "{time},{torque},{rest}");
        }
        assert_eq!(calibrate(&turned, &named(false), &[]).1.status.code(), Some(0));
        assert_eq!(calibrate(&turned, &named(true), &[]).1.status.code(), Some(1));
    }
}

#[test]
fn wrong_use_names_the_place_and_the_mend() {
    let samples = recording(&[0.0, 5_000.0], true, |_| 0.0);
    let no_torque = "time,load_kg,raising,lowering\n0,100,0,0\n1,100,1,0\n";
    let short = recording(&[0.0, 5_000.0], true, |_| 0.0);
    let short: Vec<&str> = short.lines().take(181).collect();
    for (samples, weights, more, mend) in [
        (samples.as_str(), "0,5000,9000", &[][..], "has 2 weights that went up and down"),
        (samples.as_str(), "0", &[], "is named twice"),
        (no_torque, "0,5000", &[], "no `torque_pct`"),
        (samples.as_str(), "0,-1", &[], "from 0 to 500000"),
        (samples.as_str(), "0,5000", &["--tolerance", "0"], "--tolerance is above 0"),
        (samples.as_str(), "0,5000", &["--mechanism", "aux"], "main-hoist"),
        (&short.join("\n"), "0,5000", &[], "has 1 weights"),
    ] {
        let (_home, output) = calibrate(samples, weights, more);
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2), "{weights} {more:?}: {said}");
        assert!(said.contains(mend), "{weights} {more:?}: {said}");
    }
    // The same weight twice gives no line.
    let (_home, output) = calibrate(&samples, "5000,5000", &["--json"]);
    assert_eq!(output.status.code(), Some(1));
    assert!(json(&output)["refused"][0].as_str().unwrap().contains("two different weights"));
}
