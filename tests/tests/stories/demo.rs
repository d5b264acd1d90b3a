//! `demo`: the whole job in one command.

use std::time::Duration;

use serde_json::Value;
use tallyhook_tests::cabinet::{Cabinet, Running, wait_for};
use tallyhook_tests::page::get;
use tallyhook_tests::yard::status;

/// The page's address, as `demo` prints it.
fn page_address(demo: &mut Running) -> String {
    demo.line(Duration::from_secs(120), |line| {
        let (_, rest) = line.split_once("http://")?;
        Some(rest.trim_end_matches('/').split_whitespace().next()?.trim_end_matches('/').to_owned())
    })
}

fn json(cabinet: &Cabinet, arguments: &[&str]) -> Value {
    cabinet.run(arguments).json()
}

fn what_if_says_what_the_status_says(cabinet: &Cabinet) {
    let now = status(cabinet);
    let hoist = &now["mechanisms"][0];
    let answer = json(cabinet, &["whatif", "--data", "data", "--rated-load-kg", "8000", "--above", "split", "--json"]);
    let close = |a: &Value, b: f64| assert!((a.as_f64().unwrap() / b - 1.0).abs() < 2e-3, "{a}, not {b}");
    let number = |v: &Value| v.as_f64().unwrap();
    close(&answer["now"]["used_share"], number(&hoist["consumed"]));
    assert_eq!(answer["now"]["forecast"], hoist["forecast"], "one forecast, wherever it is asked for");
    assert_eq!(answer["now"]["group_in_use"], hoist["group_in_use"]);
    assert_eq!(answer["then"]["used_share"], answer["now"]["used_share"], "a lower rating spends nothing back");
    close(&answer["now"]["remaining_full_load_hours"], number(&hoist["remaining_full_load_hours"]));
    close(&answer["then"]["remaining_full_load_hours"], number(&hoist["remaining_full_load_hours"]) * 8.0);
    let longer = |a: &Value| a["forecast"]["date_p50"].as_str().unwrap_or("9999").to_owned();
    assert!(longer(&answer["then"]) > longer(&answer["now"]));
    let m6 = json(cabinet, &["whatif", "--data", "data", "--group", "M6", "--json"]);
    close(&m6["then"]["used_share"], number(&hoist["consumed"]) / 2.0);
}

/// What the months of `trend` add up to is what `status` says; the daemon may count on between the two.
fn the_months_add_up_to_the_status(cabinet: &Cabinet) {
    let before = status(cabinet);
    let trend = json(cabinet, &["trend", "--data", "data", "--json"]);
    let after = status(cabinet);
    let months = trend["mechanisms"][0]["steps"].as_array().unwrap();
    assert!(months.len() >= 14, "{months:#?}");
    let sum = |field: &str| -> f64 { months.iter().map(|m| m[field].as_f64().unwrap()).sum() };
    let total = &trend["mechanisms"][0]["total"];
    let life = ["running_hours", "lifts", "starts", "overload_lifts"];
    // These are of the whole record; the full-load hours of `status` are of the present working period.
    let one_period = before["mechanisms"][0]["closed_periods"].as_array().unwrap().is_empty();
    for field in life.into_iter().chain(one_period.then_some("full_load_hours")) {
        let (low, high) = (&before["mechanisms"][0][field], &after["mechanisms"][0][field]);
        let (low, high, added) = (low.as_f64().unwrap(), high.as_f64().unwrap(), sum(field));
        assert!(low * (1.0 - 1e-9) <= added && added <= high * (1.0 + 1e-9), "{field}: {low} {added} {high}");
        assert!((total[field].as_f64().unwrap() / added - 1.0).abs() < 1e-9, "{field} of all: {}", total[field]);
    }
    let last = months.last().unwrap();
    assert_eq!(last["used_full_load_hours"], total["used_full_load_hours"]);
    let used = |v: &Value| v["mechanisms"][0]["used_full_load_hours"].as_f64().unwrap();
    let shown = last["used_full_load_hours"].as_f64().unwrap();
    assert!(used(&before) <= shown && shown <= used(&after));
    // What was added is all there is, the part from before the recorder and what services have ended apart.
    let closed: f64 = before["mechanisms"][0]["closed_periods"]
        .as_array()
        .unwrap()
        .iter()
        .map(|c| c["used_full_load_hours"].as_f64().unwrap())
        .sum();
    let prior = trend["mechanisms"][0]["prior_full_load_hours"].as_f64().unwrap();
    assert!((sum("booked_full_load_hours") - (shown + closed - prior)).abs() < 1e-6, "{closed} {prior} {shown}");
    // Each share is of the D that it was used against, also after a service has begun another period.
    for month in months {
        let part = |name: &str| month[name].as_f64().unwrap();
        let (share, of) = (part("consumed"), part("used_full_load_hours") / part("design_full_load_hours"));
        assert!((share - of).abs() < 1e-12, "{month}");
    }
    let periods = before["mechanisms"][0]["closed_periods"].as_array().unwrap();
    let first = periods.first().unwrap_or(&before["mechanisms"][0]);
    assert_eq!(months[0]["design_full_load_hours"], first["design_full_load_hours"]);
    assert_eq!(last["design_full_load_hours"], before["mechanisms"][0]["design_full_load_hours"]);
    // A part of the year: its rows alone, with S as it was.
    let month = &months[months.len() - 3];
    let (from, to) = (month["label"].as_str().unwrap(), months[months.len() - 2]["label"].as_str().unwrap());
    let (from, to) = (format!("{from}-01"), format!("{to}-01"));
    let part = json(cabinet, &["trend", "--data", "data", "--json", "--from", &from, "--to", &to, "--by", "day"]);
    let days = part["mechanisms"][0]["steps"].as_array().unwrap();
    assert_eq!(days.iter().map(|d| d["lifts"].as_u64().unwrap()).sum::<u64>(), month["lifts"].as_u64().unwrap());
    let added: f64 = days.iter().map(|d| d["booked_full_load_hours"].as_f64().unwrap()).sum();
    assert!((added - month["booked_full_load_hours"].as_f64().unwrap()).abs() < 1e-9);
    assert_eq!(days.last().unwrap()["consumed"], month["consumed"]);
}

fn a_service_beside_the_daemon_begins_a_new_period(cabinet: &Cabinet) {
    let before = status(cabinet);
    let (hoist, lifts) = (&before["mechanisms"][0], before["mechanisms"][0]["lifts"].as_u64());
    let overhaul = [
        "service",
        "overhaul",
        "--data",
        "data",
        "--by",
        "R. Field",
        "--design-full-load-hours",
        "3200",
        "--note",
        "sheet 12",
    ];
    let said = cabinet.run(&overhaul).ok();
    assert!(said.contains("no release for use"), "{said}");
    let after = status(cabinet);
    let new = &after["mechanisms"][0];
    assert!(new["consumed"].as_f64().unwrap() < 0.01, "{}", new["consumed"]);
    assert_eq!(new["design_full_load_hours"], 3200.0);
    assert_eq!(new["prior_full_load_hours"], 0.0, "use before the recorder belongs to the first period");
    assert!(new["lifts"].as_u64() >= lifts, "the life goes on");
    let closed = &new["closed_periods"][0];
    assert_eq!(closed["by"], "overhaul");
    let used = |v: &Value| v["used_full_load_hours"].as_f64().unwrap();
    assert!(used(closed) >= used(hoist) && used(closed) < used(hoist) * 1.01);
    let listed = json(cabinet, &["service", "list", "--data", "data", "--json"]);
    assert_eq!((&listed[0]["by"], &listed[0]["note"]), (&Value::from("R. Field"), &Value::from("sheet 12")));
    assert!(listed[0]["taken"].is_string());
}

fn an_alarm_is_acknowledged_beside_the_daemon(cabinet: &Cabinet) {
    let open = json(cabinet, &["alarms", "--data", "data", "--json"]);
    let overloads = open.as_array().unwrap().iter().find(|a| a["what"] == "overload").expect("the yard overloads it");
    assert_eq!(overloads["state"], "returned_unacknowledged");
    assert!(overloads["times"].as_u64() > Some(1), "one alarm for all of them until somebody knows");
    let number = overloads["number"].to_string();
    let acknowledge =
        ["alarms", "--data", "data", "--acknowledge", &number, "--by", "R. Field", "--note", "scale checked"];
    cabinet.run(&acknowledge).ok();
    let again = cabinet.run(&acknowledge);
    assert_eq!(again.status.code(), Some(2));
    assert!(again.stderr.contains("already by R. Field"), "{}", again.stderr);
    let all = json(cabinet, &["alarms", "--data", "data", "--all", "--json"]);
    let known = all.as_array().unwrap().iter().find(|a| a["number"] == overloads["number"]).unwrap();
    assert_eq!((&known["state"], &known["acts"][0]["note"]), (&Value::from("normal"), &Value::from("scale checked")));
}

fn a_part_renewed_without_the_daemon(cabinet: &Cabinet) {
    let part = |name: &str| {
        let now = status(cabinet);
        now["mechanisms"][0]["parts"].as_array().unwrap().iter().find(|p| p["name"] == name).unwrap().clone()
    };
    assert_eq!(part("hook-inspection")["due"], true, "14 months since the record began");
    let rope = part("rope");
    assert!(rope["share"].as_f64().unwrap() > 0.1);
    cabinet.run(&["service", "part", "hook-inspection", "--data", "data", "--by", "R. Field"]).ok();
    assert_eq!(part("hook-inspection")["due"], false);
    assert_eq!(part("rope"), rope, "another part is untouched");
    let wrong = cabinet.run(&["service", "part", "mast", "--data", "data", "--by", "R. Field"]);
    assert_eq!(wrong.status.code(), Some(2));
    assert!(wrong.stderr.contains("rope, brake, hook-inspection"), "{}", wrong.stderr);
}

/// Whether the drive is watched, by `status` in both forms.
fn is_watched(cabinet: &Cabinet) -> bool {
    let words = cabinet.run(&["status", "--data", "data"]).ok().contains("no daemon answers");
    assert_eq!(words, status(cabinet)["drives"][0]["daemon_answers"] == false);
    !words
}

fn an_answer_that_cannot_be_written_is_told_in_a_sentence(cabinet: &Cabinet) {
    for arguments in [vec!["status", "--json"], vec!["lifts"], vec!["verify"]] {
        let full = std::fs::File::create("/dev/full").unwrap();
        let command = std::process::Command::new(tallyhook_tests::cabinet::binary())
            .args(&arguments)
            .args(["--data", "data"])
            .current_dir(cabinet.path())
            .stdout(full)
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&command.stderr).into_owned();
        assert_eq!(command.status.code(), Some(3), "{arguments:?}: {said}");
        assert!(said.lines().count() == 1 && said.contains("the answer cannot be written"), "{arguments:?}: {said}");
    }
}

#[test]
fn the_demo_counts_shows_ends_cleanly_and_goes_on() {
    let cabinet = Cabinet::new();
    let arguments = ["demo", "--data", "data", "--speed", "30", "--listen", "127.0.0.1:0"];
    let mut demo = cabinet.start(&arguments);
    let address = page_address(&mut demo);
    let filled = status(&cabinet);
    let hoist = &filled["mechanisms"][0];
    let before = hoist["lifts"].as_u64().unwrap();
    assert!(before > 10_000, "about 14 months of the scenario are in the store, not {before} lifts");
    assert!(hoist["consumed"].as_f64().unwrap() > 0.0);
    assert!(hoist["group_in_use"].is_string(), "14 months are record enough");

    let moved = wait_for("running hours that grow", Duration::from_secs(120), || {
        let now = status(&cabinet);
        let grown = now["mechanisms"][0]["running_hours"].as_f64() > hoist["running_hours"].as_f64();
        grown.then_some(now)
    });
    let page = get(&address, "/");
    assert!(page.starts_with("HTTP/1.1 200"), "{page}");
    assert!(page.contains("main-hoist") && page.contains("No safety device"), "{page}");
    assert!(get(&address, "/api/v1/status").contains("\"running_hours\""));
    what_if_says_what_the_status_says(&cabinet);
    the_months_add_up_to_the_status(&cabinet);
    a_service_beside_the_daemon_begins_a_new_period(&cabinet);
    the_months_add_up_to_the_status(&cabinet);
    an_alarm_is_acknowledged_beside_the_daemon(&cabinet);
    let log = demo.stderr();
    assert!(!log.contains("dropped"), "a first look is not to begin with a loss: {log}");
    assert!(is_watched(&cabinet));
    assert_eq!(demo.interrupt(Duration::from_secs(20)).code(), Some(0));
    assert!(!is_watched(&cabinet));
    an_answer_that_cannot_be_written_is_told_in_a_sentence(&cabinet);
    a_part_renewed_without_the_daemon(&cabinet);

    let mut again = cabinet.start(&arguments);
    page_address(&mut again);
    let resumed = status(&cabinet);
    assert!(resumed["mechanisms"][0]["running_hours"].as_f64() >= moved["mechanisms"][0]["running_hours"].as_f64());
    wait_for("lifts that go on from where they were", Duration::from_secs(180), || {
        (status(&cabinet)["mechanisms"][0]["lifts"].as_u64().unwrap() > before).then_some(())
    });
    assert_eq!(again.interrupt(Duration::from_secs(20)).code(), Some(0));
}
