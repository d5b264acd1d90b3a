//! How long it takes from a register that crosses a limit to the message at the chat's receiver, and at a chat server.

use std::time::{Duration, UNIX_EPOCH};

use serde_json::Value;
use tallyhook_tests::cabinet::{Cabinet, SECRET, wait_for};
use tallyhook_tests::modbus::FunctionProxy;
use tallyhook_tests::peers::{free_port, wait_for_port};
use tallyhook_tests::plan::Plan;
use tallyhook_tests::receiver::Receiver;
use tallyhook_tests::series::ChatServer;
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
    let (cabinet, receiver, chat) = (Cabinet::new(), Receiver::start(), ChatServer::start_without_a_rate_limit());
    cabinet.write("password", &format!("{SECRET}\n"));
    let (drive_port, page_port) = (free_port(), free_port());
    let proxy = FunctionProxy::before(drive_port);
    let levels: Vec<String> = (1..=CROSSINGS).map(|level| level.to_string()).collect();
    let hook = format!(
        "starts_per_hour = [{}]\n[[webhook]]\nname = \"list\"\nurl = \"{}\"\n\
         template = '{{\"quantity\": \"{{{{quantity}}}}\", \"level\": {{{{level}}}}}}'\n\
         [matrix]\nurl = \"http://127.0.0.1:{}\"\nuser = \"crane\"\npassword_file = \"password\"\nroom = \"{}\"\n",
        levels.join(", "),
        receiver.url,
        chat.port,
        chat.room
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
    wait_for("the last message in the room", Duration::from_secs(90), || {
        (chat.taken().len() >= CROSSINGS as usize).then_some(())
    });
    let late = |came: f64, level: usize| (came - start - changes[level - 1]) * 1000.0;
    let at_the_receiver = receiver.arrivals().into_iter().map(|(came, body)| {
        let body: Value = serde_json::from_str(&body).unwrap();
        assert_eq!(body["quantity"], "starts_per_hour", "{body}");
        let came = came.duration_since(UNIX_EPOCH).unwrap().as_secs_f64();
        late(came, body["level"].as_f64().unwrap() as usize)
    });
    let median = told("the chat's receiver", at_the_receiver.collect());
    assert!(median <= POLL_MS + REST_MS, "{median}");
    // By the server's own date of each message; they are in the order of the crossings.
    let at_the_server = chat.taken().into_iter().zip(1..).map(|((came, text), level)| {
        assert!(text.contains(&format!("level of {level}")), "{text}");
        late(came, level)
    });
    let median = told("a chat server", at_the_server.collect());
    assert!(median <= POLL_MS + REST_MS, "{median}");
}

/// Prints the times, milliseconds, and gives their median.
fn told(whom: &str, mut took: Vec<f64>) -> f64 {
    assert_eq!(took.len(), CROSSINGS as usize, "each crossing once");
    took.sort_by(f64::total_cmp);
    assert!(took[0] > 0.0, "told before the register changed: {took:?}");
    let median = (took[24] + took[25]) / 2.0;
    let build =
        if tallyhook_tests::cabinet::binary().to_string_lossy().contains("/release/") { "release" } else { "debug" };
    println!(
        "from the register to {whom} ({build} build): {median:.0} ms in the median of {CROSSINGS}, {:.0} ms at least, \
         {:.0} ms at most",
        took[0], took[49]
    );
    median
}
