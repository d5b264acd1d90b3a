//! Three working profiles through `replay`: what a recording of each comes out as.
//!
//! The profiles, and the groups that they should come out as, are common practice of the trade; there is no source.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "tests")]

use std::fmt::Write as _;

use serde_json::Value;
use tallyhook_tests::cabinet::Cabinet;

const RATED_KG: f64 = 10_000.0;

/// How a crane is worked: every `every_seconds` of the working hours a lift, loads in percent taken in turn.
struct Profile {
    days: i64,
    /// Monday first.
    week: [bool; 7],
    hours: std::ops::Range<i64>,
    every_seconds: i64,
    percents: &'static [f64],
    way_seconds: i64,
}

impl Profile {
    /// A row where a signal changes, and one an hour, for `stale_after` is an hour. How many lifts it holds.
    fn csv(&self) -> (String, u64) {
        let mut csv = String::from("time,load_kg,raising,lowering\n");
        let mut lifts = 0_u64;
        let row = |csv: &mut String, at: i64, load: f64, motion: i32| {
            let _ = writeln!(csv, "{at},{load},{},{}", u8::from(motion > 0), u8::from(motion < 0));
        };
        let mut next = 0;
        for hour in 0..self.days * 24 {
            let begin = hour * 3600;
            row(&mut csv, begin, 0.0, 0);
            if !(self.week[(hour / 24 % 7) as usize] && self.hours.contains(&(hour % 24))) {
                continue;
            }
            next = next.max(begin + 1);
            let takes = 4 * self.way_seconds + 16;
            while next + takes < begin + 3600 {
                let load = self.percents[(lifts % self.percents.len() as u64) as usize] / 100.0 * RATED_KG;
                let way = self.way_seconds;
                let mut at = next;
                for (load, motion, seconds) in [
                    (0.0, -1, way),
                    (0.0, 0, 3),
                    (load, 1, way),
                    (load, 0, 10),
                    (load, -1, way),
                    (0.0, 0, 3),
                    (0.0, 1, way),
                ] {
                    row(&mut csv, at, load, motion);
                    at += seconds;
                }
                row(&mut csv, at, 0.0, 0);
                lifts += 1;
                next += self.every_seconds;
            }
        }
        row(&mut csv, self.days * 86_400, 0.0, 0);
        (csv, lifts)
    }

    /// The figures of `replay --json`, once it has seen every lift and no gap.
    fn replayed(&self) -> Value {
        let cabinet = Cabinet::new();
        let init = ["init", "--rated-load-kg", "10000", "--group", "M4", "--crane-group", "A4"];
        let starter = cabinet.run(&init).ok();
        let slow = starter.replace("stale_after = \"2s\"", "stale_after = \"1h\"");
        assert_ne!(starter, slow, "the starter says how long a sample stands");
        cabinet.write("site.toml", &slow);
        let (csv, lifts) = self.csv();
        cabinet.write("year.csv", &csv);
        let answer = cabinet.run(&["replay", "--config", "site.toml", "--samples", "year.csv", "--json"]).json();
        let hoist = &answer["mechanisms"][0];
        assert_eq!((hoist["lifts"].as_u64(), hoist["gap_hours"].as_f64()), (Some(lifts), Some(0.0)));
        println!(
            "{lifts} lifts in {} days, {} h running: {} {}",
            self.days, hoist["running_hours"], answer["crane"]["group_in_use"], hoist["group_in_use"]
        );
        answer
    }
}

fn groups(answer: &Value) -> (&str, &str) {
    (answer["crane"]["group_in_use"].as_str().unwrap(), answer["mechanisms"][0]["group_in_use"].as_str().unwrap())
}

#[test]
fn a_crane_that_lifts_a_handful_of_times_a_year_is_a1_m1() {
    // A lift every ten weeks: a cover, a rotor, a cover. Heavy loads, but hardly any.
    let seldom = Profile {
        days: 365,
        week: [true, false, false, false, false, false, false],
        hours: 9..10,
        every_seconds: 10 * 7 * 86_400,
        percents: &[80.0, 100.0, 20.0],
        way_seconds: 60,
    };
    let answer = seldom.replayed();
    assert!((3..=12).contains(&answer["crane"]["lifts"].as_u64().unwrap()));
    assert_eq!(groups(&answer), ("A1", "M1"));
}

#[test]
fn a_workshop_crane_in_regular_work_is_within_one_of_a4_m4() {
    // One shift, five lifts an hour at moderate loads, now and then a full one, 4 m at 5 m/min.
    let workshop = Profile {
        days: 365,
        week: [true, true, true, true, true, false, false],
        hours: 7..15,
        every_seconds: 720,
        percents: &[20.0, 60.0, 40.0, 60.0, 40.0, 20.0, 40.0, 60.0, 40.0, 100.0],
        way_seconds: 48,
    };
    let answer = workshop.replayed();
    let (crane, hoist) = groups(&answer);
    assert!(["A3", "A4", "A5"].contains(&crane) && ["M3", "M4", "M5"].contains(&hoist), "{crane} {hoist}");
}

#[test]
fn a_steelworks_crane_at_heavy_loads_round_the_clock_is_a8_m8() {
    // Full ladles and heavy coils, thirty lifts an hour, day and night. Its first month is enough to say so.
    let steelworks = Profile {
        days: 30,
        week: [true; 7],
        hours: 0..24,
        every_seconds: 120,
        percents: &[95.0, 80.0, 95.0],
        way_seconds: 20,
    };
    assert_eq!(groups(&steelworks.replayed()), ("A8", "M8"));
}
