//! A fitter calibrates a hoist at the panel: three known weights, one of them typed wrongly, on a plain terminal; the
//! lines that are printed are taken by the configuration as they are.

use std::time::Duration;

use serde_json::json;
use tallyhook_tests::cabinet::{Cabinet, pause};
use tallyhook_tests::hoist::{Hoist, Terminal, crane};
use tallyhook_tests::modbus::FunctionProxy;
use tallyhook_tests::peers::free_port;
use tallyhook_tests::yard::status;

const PROMPT: &str = "(or: drop KG, done, quit):";

/// A hoist of 10 t whose drive knows torque, speed and which way it runs.
fn site(drive_port: u16, load: &str) -> String {
    format!(
        r#"
[site]
name = "Mill bay"
time_zone = "UTC"
[store]
directory = "data"
samples = {{ days = 2, megabytes = 50 }}
[page]
listen = "127.0.0.1:{}"
[drive.main]
address = "127.0.0.1:{drive_port}"
poll = "100ms"
timeout = "1s"
{}"#,
        free_port(),
        crane("2s", load)
    )
}

/// Types a mass and has another one lifted and lowered.
fn lift(terminal: &mut Terminal, hoist: &mut Hoist, typed: &str, kg: f64) -> String {
    terminal.keys(&format!("{typed}\n"));
    terminal.wait_for("; at rest");
    hoist.run(1, kg, 4.0);
    terminal.wait_for("Now lower it.");
    hoist.run(-1, kg, 4.0);
    terminal.wait_for(PROMPT)
}

#[test]
fn three_weights_at_a_terminal_and_a_bad_point_is_refused() {
    let cabinet = Cabinet::new();
    let mut hoist = Hoist::start();
    let proxy = FunctionProxy::before(hoist.port);
    cabinet.write("site.toml", &site(proxy.port, "[crane.mechanism.load]"));
    let mut terminal = Terminal::start(&cabinet, &["calibrate", "--config", "site.toml"]);
    let shown = terminal.wait_for(PROMPT);
    for word in
        ["qualified persons", "load limiter stays", "only read", "within the rated load", "online", "(raw 0000)"]
    {
        assert!(shown.contains(word), "{word}: {shown}");
    }
    assert!(lift(&mut terminal, &mut hoist, "0", 0.0).contains("0 kg is taken"));
    assert!(lift(&mut terminal, &mut hoist, "5 t", 5_000.0).contains("a third is better"));
    // What hangs there is 8 t.
    let refused = lift(&mut terminal, &mut hoist, "10000", 8_000.0);
    assert!(refused.contains("10 000 kg is refused. raising: the weights do not lie on a line"), "{refused}");
    terminal.keys("12000\n");
    assert!(terminal.wait_for(PROMPT).contains("more than the rated load of 10 000 kg"));
    let taken = lift(&mut terminal, &mut hoist, "10000", 10_000.0);
    assert!(taken.contains("10 000 kg is taken. All fit."), "{taken}");
    terminal.keys("done\n");
    let (status, shown) = terminal.end();
    assert_eq!(status, Some(0), "{shown}");
    assert!(!shown.contains('\u{1b}'), "a plain terminal");
    assert!(shown.contains("steady for 1."), "how far a run has come is drawn while it lasts");
    assert_eq!(proxy.functions(), [3], "only holding registers were read");

    // What is printed is taken as it is, and says what the physics says.
    let lines: Vec<&str> = shown.lines().skip_while(|line| !line.starts_with("[crane.mechanism.load]")).collect();
    let lines = lines.split(|line| line.is_empty()).next().unwrap().join("\n");
    cabinet.write("site.toml", &site(proxy.port, &lines));
    cabinet.run(&["check", "--config", "site.toml"]).ok();
    let raising: Vec<f64> = lines
        .lines()
        .filter_map(|line| line.split_once("raising_pct = ")?.1.split(&[',', ' '][..]).next()?.parse().ok())
        .collect();
    let weight_nm = |kg: f64| (kg + 150.0) * 9.81 * 0.25 / 4.0 / 40.0;
    for (kg, pct) in [0.0, 5_000.0, 10_000.0].into_iter().zip(&raising) {
        let physics = (weight_nm(kg) / 0.88 + 0.02 * 300.0) / 300.0 * 100.0;
        assert!((pct - physics).abs() < 1.0, "{kg} kg: {pct} % of {physics} %");
    }
    assert_eq!(raising.len(), 3, "{lines}");
    the_daemon_finds_loads_by_it(&cabinet, &mut hoist);
}

/// With that calibration the daemon finds the loads of lifts that it was not calibrated with, in real time over the same
/// registers. Five hundred lifts are played in `agent/tests/hoist_modbus.rs`.
fn the_daemon_finds_loads_by_it(cabinet: &Cabinet, hoist: &mut Hoist) {
    let long = std::env::var("TALLYHOOK_LONG").is_ok_and(|long| long == "1");
    let loads = [7_300.0, 2_600.0].repeat(if long { 10 } else { 1 });
    let mut daemon = cabinet.start(&["run", "--config", "site.toml"]);
    daemon.line(Duration::from_secs(30), |line| line.contains("page:").then_some(()));
    pause(Duration::from_secs(2));
    hoist.run(1, 0.0, 3.5);
    for kg in &loads {
        // The rope comes tight and slack while the hoist turns steadily.
        let (up, down) = (json!([6, 1, 0, kg, 1.6, false, false]), json!([6, -1, kg, 0, 3.6, false, false]));
        hoist.play(&[up, json!([1.5, 0, kg, kg, 0, false, false]), down, json!([1.5, 0, 0, 0, 0, false, false])]);
    }
    assert!(daemon.runs(), "{}", daemon.stderr());
    assert_eq!(daemon.interrupt(Duration::from_secs(30)).code(), Some(0));
    let found = status(cabinet);
    let mechanism = &found["mechanisms"][0];
    assert_eq!(mechanism["lifts"], loads.len(), "{mechanism}");
    assert_eq!(mechanism["starts"], 1 + 2 * loads.len(), "{mechanism}");
    let lifts = cabinet.run(&["lifts", "--data", "data", "--json"]).json();
    let mut found: Vec<f64> = lifts.as_array().unwrap().iter().map(|lift| lift["load_kg"].as_f64().unwrap()).collect();
    let mut loads = loads;
    found.sort_by(f64::total_cmp);
    loads.sort_by(f64::total_cmp);
    println!("found {found:?} of {loads:?}, km {}", mechanism["load_spectrum_factor"]);
    assert!(found.iter().zip(&loads).all(|(found, kg)| (found - kg).abs() <= 300.0), "{found:?} {loads:?}");
}

#[test]
fn whoever_leaves_keeps_what_was_taken() {
    let cabinet = Cabinet::new();
    let mut hoist = Hoist::start();
    cabinet.write("site.toml", &site(hoist.port, "[crane.mechanism.load]"));
    let mut terminal = Terminal::start(&cabinet, &["calibrate", "--config", "site.toml"]);
    terminal.wait_for(PROMPT);
    lift(&mut terminal, &mut hoist, "0", 0.0);
    lift(&mut terminal, &mut hoist, "9 t", 9_000.0);
    terminal.keys("5000\n");
    terminal.wait_for("; at rest");
    // Each point is on disk as soon as it is taken.
    let kept = std::fs::read_to_string(cabinet.path().join("calibration-main-hoist.toml")).unwrap();
    assert!(kept.contains("\n    { load_kg = 9000, raising_pct = "), "{kept}");
    // Ctrl-C in the middle of a weight.
    terminal.keys("\u{3}");
    let (status, shown) = terminal.end();
    assert_eq!(status, Some(0), "{shown}");
    assert!(shown.contains("{ load_kg = 9000, raising_pct = "), "{shown}");

    // A terminal that is closed.
    let mut terminal = Terminal::start(&cabinet, &["calibrate", "--config", "site.toml"]);
    terminal.wait_for(PROMPT);
    let taken = lift(&mut terminal, &mut hoist, "0", 0.0);
    assert!(taken.contains("What is taken is kept in ./calibration-main-hoist-2.toml."), "{taken}");
    terminal.close();
    let kept = std::fs::read_to_string(cabinet.path().join("calibration-main-hoist-2.toml")).unwrap();
    assert!(kept.contains("# load_kg = 0, raising_pct = ") && kept.contains("another one"), "{kept}");

    // The end of what is typed (Ctrl-D) before there is a line: what lacks is said.
    let mut terminal = Terminal::start(&cabinet, &["calibrate", "--config", "site.toml"]);
    terminal.wait_for(PROMPT);
    terminal.keys("0\n");
    terminal.wait_for("; at rest");
    terminal.keys("\u{4}");
    let (status, shown) = terminal.end();
    assert_eq!(status, Some(1), "{shown}");
    assert!(shown.contains("Refused: raising: a line needs two different weights"), "{shown}");

    // A drive that is not there.
    cabinet.write("site.toml", &site(free_port(), "[crane.mechanism.load]"));
    let answer = cabinet.run(&["calibrate", "--config", "site.toml"]);
    assert_eq!(answer.status.code(), Some(3), "{answer:?}");
    assert!(
        answer.stderr.contains("no `torque_pct` within") && answer.stderr.contains("stop the daemon"),
        "{answer:?}"
    );
}
