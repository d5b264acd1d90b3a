//! `check` refuses a cadence that a serial line cannot carry, shows the arithmetic, and takes what it proposes.

use tallyhook_tests::cabinet::Cabinet;

/// A drive with 3 registers on a line of 9600 baud, 8 data bits, even parity, 1 stop bit, polled every `POLL`.
const SITE: &str = r#"[bus.panel]
device = "/dev/ttyS1"
baud = 9600
[drive.inverter]
bus = "panel"
unit = 1
poll = "POLL"
[[crane]]
id = "yard-1"
group = "A5"
[[crane.mechanism]]
id = "main-hoist"
group = "M5"
rated_load_kg = 16000
[crane.mechanism.signals]
load_kg = { address = 0, type = "i32" }
raising = { address = 2, bit = 0 }
lowering = { address = 2, bit = 1 }
"#;

/// By hand, Modbus over Serial Line 1.02: the request has 8 bytes, the answer 5 + 6; 19 characters of 11 bits at 9600
/// baud take 21.77 ms, two silences of 3.5 characters 8.02 ms, the device 5 ms: 34.79 ms.
#[test]
fn a_cadence_that_the_line_cannot_carry_is_refused() {
    let cabinet = Cabinet::new();
    cabinet.write("site.toml", &SITE.replace("POLL", "20ms"));
    let answer = cabinet.run(&["check", "--config", "site.toml"]);
    assert_eq!(answer.status.code(), Some(2), "{}", answer.stderr);
    let said = answer.stderr + &answer.stdout;
    for part in [
        "site.toml:7:8",
        "`panel` cannot carry this cadence: it would be busy for 174 % of the time",
        "1 request(s) of 19 bytes with their answers · 11 bits / 9600 baud = 21.8 ms",
        "2 silences of 4.01 ms",
        "34.8 ms every 20 ms",
        "this fits: poll = \"39ms\" in [drive.inverter]",
    ] {
        assert!(said.contains(part), "{part} is not in\n{said}");
    }
    cabinet.write("site.toml", &SITE.replace("POLL", "39ms"));
    cabinet.run(&["check", "--config", "site.toml"]).ok();
}
