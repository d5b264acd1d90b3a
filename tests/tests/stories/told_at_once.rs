//! How long it takes from a register that crosses a limit to the message at the chat's receiver.

use std::time::{Duration, UNIX_EPOCH};

use serde_json::Value;
use tallyhook_tests::cabinet::{Cabinet, wait_for};
use tallyhook_tests::modbus::FunctionProxy;
use tallyhook_tests::peers::{free_port, wait_for_port};
use tallyhook_tests::plan::Plan;
use tallyhook_tests::receiver::Receiver;

use tallyhook_tests::yard::{RATED_KG, configuration, drive, unix_now};

const CROSSINGS: u32 = 50;
/// The poll period of the configuration, and what may come on top of it.
const POLL_MS: f64 = 100.0;
const REST_MS: f64 = 100.0;

/// Each start crosses the next level: the change of one bit. When the drive changes it is known from the plan; the
/// changes fall on all phases of the poll.
#[test]
fn a_crossed_limit_is_told_within_a_poll_period_and_a_tenth_of_a_second() {
    let mut plan = Plan::new(RATED_KG);
    plan.rest(1.0);
    let mut changes = Vec::new();
    for i in 0..CROSSINGS {
        changes.push(plan.seconds());
        plan.run(0.35);
        plan.rest(0.35 + 0.013 * f64::from(i % 8));
    }
    plan.rest(1.0);
    let (cabinet, receiver) = (Cabinet::new(), Receiver::start());
    let (drive_port, page_port) = (free_port(), free_port());
    let proxy = FunctionProxy::before(drive_port);
    let levels: Vec<String> = (1..=CROSSINGS).map(|level| level.to_string()).collect();
    let hook = format!(
        "starts_per_hour = [{}]\n[[webhook]]\nname = \"list\"\nurl = \"{}\"\n\
         template = '{{\"quantity\": \"{{{{quantity}}}}\", \"level\": {{{{level}}}}}}'\n",
        levels.join(", "),
        receiver.url
    );
    cabinet.write("site.toml", &configuration(proxy.port, page_port, &hook));
    let start = unix_now() + 6.0;
    let _drive = drive(&cabinet, &plan, drive_port, start);
    let mut daemon = cabinet.start(&["run", "--config", "site.toml"]);
    wait_for_port("the page", page_port);
    assert!(unix_now() < start, "this machine was too slow to begin before the plan did");
    wait_for("the last message", Duration::from_secs(90), || {
        assert!(daemon.runs(), "{}", daemon.stderr());
        (receiver.bodies().len() >= CROSSINGS as usize).then_some(())
    });
    let mut took: Vec<f64> = receiver
        .arrivals()
        .iter()
        .map(|(came, body)| {
            let body: Value = serde_json::from_str(body).unwrap();
            assert_eq!(body["quantity"], "starts_per_hour", "{body}");
            let level = body["level"].as_f64().unwrap() as usize;
            let came = came.duration_since(UNIX_EPOCH).unwrap().as_secs_f64();
            (came - start - changes[level - 1]) * 1000.0
        })
        .collect();
    assert_eq!(took.len(), CROSSINGS as usize, "each crossing once");
    took.sort_by(f64::total_cmp);
    let median = (took[24] + took[25]) / 2.0;
    let build =
        if tallyhook_tests::cabinet::binary().to_string_lossy().contains("/release/") { "release" } else { "debug" };
    println!(
        "from the register to the chat's receiver ({build} build): {median:.0} ms in the median of {CROSSINGS}, \
         {:.0} ms at least, {:.0} ms at most",
        took[0], took[49]
    );
    assert!(took[0] > 0.0, "told before the register changed: {took:?}");
    assert!(median <= POLL_MS + REST_MS, "{took:?}");
}
