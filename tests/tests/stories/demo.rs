//! `demo`: the whole job in one command.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

use tallyhook_tests::cabinet::{Cabinet, Running, wait_for};

use crate::live_run::status;

/// The page's address, as `demo` prints it.
fn page_address(demo: &mut Running) -> String {
    demo.line(Duration::from_secs(120), |line| {
        let (_, rest) = line.split_once("http://")?;
        Some(rest.trim_end_matches('/').split_whitespace().next()?.trim_end_matches('/').to_owned())
    })
}

fn get(address: &str, path: &str) -> String {
    let mut stream = TcpStream::connect(address).unwrap();
    write!(stream, "GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n").unwrap();
    let mut text = String::new();
    stream.read_to_string(&mut text).unwrap();
    text
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
    assert_eq!(demo.interrupt(Duration::from_secs(20)).code(), Some(0));

    let mut again = cabinet.start(&arguments);
    page_address(&mut again);
    let resumed = status(&cabinet);
    assert!(resumed["mechanisms"][0]["running_hours"].as_f64() >= moved["mechanisms"][0]["running_hours"].as_f64());
    wait_for("lifts that go on from where they were", Duration::from_secs(180), || {
        (status(&cabinet)["mechanisms"][0]["lifts"].as_u64().unwrap() > before).then_some(())
    });
    assert_eq!(again.interrupt(Duration::from_secs(20)).code(), Some(0));
}
