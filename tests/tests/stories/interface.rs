//! What programs meet: the described API under a fuzzer that reads the description, and the metrics under the tool of
//! those who read them.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::process::{Command, Stdio};
use std::time::Duration;

use serde_json::Value;
use tallyhook_tests::cabinet::Cabinet;
use tallyhook_tests::peers::{free_port, wait_for_port};
use tallyhook_tests::yard::{demo_store, status};

#[test]
fn the_api_keeps_to_its_description_and_the_metrics_are_taken() {
    let cabinet = Cabinet::new();
    demo_store(&cabinet);
    let now = status(&cabinet);
    // The daemon goes on with the demo's store; nobody plays its drive.
    let port = free_port();
    let text = std::fs::read_to_string(cabinet.path().join("data/configuration.toml")).unwrap();
    let page = text.lines().find(|line| line.starts_with("listen = ")).unwrap();
    cabinet.write("site.toml", &text.replace(page, &format!("listen = \"127.0.0.1:{port}\"")));
    let daemon = cabinet.start(&["run", "--config", "site.toml"]);
    wait_for_port("the page", port);

    let python = std::env::var_os("TALLYHOOK_TEST_API").expect("start the tests with tests/run");
    let tool = std::path::PathBuf::from(python).with_file_name("schemathesis");
    let address = format!("http://127.0.0.1:{port}/api/v1/openapi.json");
    let mut fuzzer = Command::new(tool);
    fuzzer.args(["run", &address, "--max-examples", "10", "--seed", "1", "--request-timeout", "60"]);
    // It may keep what it found in its own directory.
    let said = fuzzer.current_dir(cabinet.path()).output().unwrap();
    let text = String::from_utf8_lossy(&said.stdout);
    assert!(said.status.success(), "{text}\n{}", String::from_utf8_lossy(&said.stderr));
    let tried = text.lines().find(|line| line.contains("generated,")).unwrap_or_else(|| panic!("{text}"));
    println!("schemathesis: {}", tried.trim());
    let generated: u64 = tried.split_whitespace().next().unwrap().parse().unwrap();
    assert!(generated > 200, "{tried}");

    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
    let ask = format!("GET /metrics HTTP/1.0\r\nHost: 127.0.0.1:{port}\r\nAccept: text/plain\r\n\r\n");
    stream.write_all(ask.as_bytes()).unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    let (_, metrics) = answer.split_once("\r\n\r\n").unwrap();
    let mut promtool = Command::new("promtool");
    promtool.args(["check", "metrics"]).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut promtool = promtool.spawn().expect("tests/run installs it");
    promtool.stdin.take().unwrap().write_all(metrics.as_bytes()).unwrap();
    let judged = promtool.wait_with_output().unwrap();
    assert!(judged.status.success(), "{}{metrics}", String::from_utf8_lossy(&judged.stderr));
    // And it was the store's own figures that were judged.
    let hoist = &now["mechanisms"][0];
    let value = |name: &str| -> f64 {
        let line =
            metrics.lines().find(|line| line.starts_with(&format!("{name}{{"))).unwrap_or_else(|| panic!("{name}"));
        line.rsplit(' ').next().unwrap().parse().unwrap()
    };
    // The demo's last sample stood for some seconds more when the daemon took over.
    let near = |one: f64, other: &Value| (one / other.as_f64().unwrap() - 1.0).abs() < 1e-5;
    assert!(near(value("tallyhook_used_ratio"), &hoist["consumed"]));
    assert!(near(value("tallyhook_running_seconds_total") / 3600.0, &hoist["running_hours"]));
    assert_eq!(daemon.interrupt(Duration::from_secs(20)).code(), Some(0));
}
