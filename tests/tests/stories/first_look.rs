//! The first hour at a panel: `check --live` and `probe` against a pymodbus server.

use std::time::{Duration, Instant};

use serde_json::Value;
use tallyhook_tests::cabinet::{Answer, Cabinet, wait_for};
use tallyhook_tests::modbus::{FunctionProxy, Libmodbus, PtyPair, pymodbus_rtu, pymodbus_tcp};
use tallyhook_tests::panel::{Device, Row};
use tallyhook_tests::peers::free_port;

const RATED_KG: u32 = 12_500;

/// Load 7300.5 kg as a float in 0 and 1, low word first; status word in 10; a fault in 11; hours in 12 and 13.
fn hoist_drive() -> Vec<Row> {
    vec![
        Row { word_order: "low-first", ..Row::plain("holding", 0, "f32", 7300.5) },
        Row::plain("holding", 10, "u16", 0x1637),
        Row::plain("holding", 11, "u16", 0x2310),
        Row::plain("holding", 12, "u32", 4_711_u32),
        Row::contacts("discrete", 4, &[true, false]),
    ]
}

fn site(address: &str, load: &str, more: &str) -> String {
    format!(
        "[drive.main]\naddress = \"{address}\"\ntimeout = \"500ms\"\n[[crane]]\nid = \"yard-1\"\ngroup = \"A5\"\n\
         [[crane.mechanism]]\nid = \"main-hoist\"\ngroup = \"M5\"\nrated_load_kg = {RATED_KG}\ndrive = \"main\"\n\
         [crane.mechanism.signals]\nload_kg = {load}\n\
         raising = {{ address = 10, mask = 0x006F, match = 0x0027 }}\n\
         lowering = {{ address = 10, mask = 0x006F, match = 0x0007 }}\n\
         fault = {{ address = 11, texts = {{ 0x2310 = \"over-current\" }} }}\n\
         upper_limit = {{ table = \"discrete\", address = 4 }}\n\
         run_hours = {{ address = 12, type = \"u32\" }}\n{more}\n"
    )
}

const RIGHT: &str = "{ address = 0, type = \"f32\", word_order = \"low-first\" }";

fn live(text: &str, json: bool) -> Answer {
    let cabinet = Cabinet::new();
    cabinet.write("site.toml", text);
    let mut arguments = vec!["check", "--config", "site.toml", "--live"];
    if json {
        arguments.push("--json");
    }
    cabinet.run(&arguments)
}

fn signal(answer: &Answer, name: &str) -> Value {
    let document: Value = serde_json::from_str(&answer.stdout).unwrap();
    let drives = document["drives"].as_array().unwrap();
    let found = drives.iter().flat_map(|d| d["signals"].as_array().unwrap()).find(|s| s["signal"] == name);
    found.unwrap_or_else(|| panic!("no {name} in {document:#}")).clone()
}

#[test]
fn a_panel_that_is_right_is_shown_signal_by_signal() {
    let device = Device::start(&hoist_drive());
    let text = site(&device.address(), RIGHT, "");
    let shown = live(&text, false).ok();
    for part in [
        "load_kg of main-hoist: 7300.5 kg",
        "asked: unit 1, function 3, address 0, count 2",
        "raw: holding 0 = 2400 45E4, read as f32, low word first: 7300.5",
        "high word first                  0 kg",
        "raw: holding 11 = 2310, read as u16: 8976",
        "raising of main-hoist: on",
        "lowering of main-hoist: off",
        "fault of main-hoist: on (over-current)",
        "run_hours of main-hoist: 4711 h",
        "raw: discrete 4 = 1",
        "every value can be believed",
    ] {
        assert!(shown.contains(part), "no `{part}` in\n{shown}");
    }
    let answer = live(&text, true);
    assert_eq!(answer.status.code(), Some(0), "{}", answer.stdout);
    let load = signal(&answer, "load_kg");
    assert_eq!(load["words"], serde_json::json!(["2400", "45E4"]));
    assert_eq!((load["value"].as_f64(), load["unit"].as_str()), (Some(7300.5), Some("kg")));
    assert_eq!(signal(&answer, "fault")["text"], "over-current");
    let request = &signal(&answer, "raising")["request"];
    assert_eq!((&request["address"], &request["count"]), (&10.into(), &2.into()), "read together with the fault");
}

#[test]
fn a_wrong_word_order_is_named_with_the_right_one() {
    let device = Device::start(&hoist_drive());
    let answer = live(&site(&device.address(), "{ address = 0, type = \"f32\" }", ""), true);
    assert_eq!(answer.status.code(), Some(1), "{}", answer.stdout);
    let load = signal(&answer, "load_kg");
    let mend = load["mend"].as_str().unwrap();
    assert!(mend.contains("write word_order = \"low-first\", which"), "{load:#}");
    assert!(load["raw"].as_f64().unwrap() > 0.0 && load["value"] == 0.0, "{load:#}");
    assert!(signal(&answer, "run_hours")["fault"].is_null());
}

#[test]
fn a_wrong_address_costs_only_its_own_signal() {
    let device = Device::start(&hoist_drive());
    let answer = live(&site(&device.address(), RIGHT, "speed_pct = { address = 14, type = \"i16\" }"), true);
    assert_eq!(answer.status.code(), Some(1), "{}", answer.stdout);
    let speed = signal(&answer, "speed_pct");
    assert!(speed["fault"].as_str().unwrap().contains("it has no such address"), "{speed:#}");
    assert!(speed["mend"].as_str().unwrap().contains("40015"), "{speed:#}");
    assert_eq!(signal(&answer, "run_hours")["value"], 4711.0);
    assert_eq!(signal(&answer, "raising")["value"], true);
}

#[test]
fn a_drive_that_is_off_is_one_fault_with_its_mend() {
    let nobody = format!("127.0.0.1:{}", free_port());
    let answer = live(&site(&nobody, RIGHT, ""), false);
    assert_eq!(answer.status.code(), Some(1), "{}", answer.stdout);
    assert!(answer.stdout.contains("not reachable"), "{}", answer.stdout);
    assert!(answer.stdout.contains("mend: see that the drive is on"), "{}", answer.stdout);
    assert!(answer.stdout.contains("1 fault"), "{}", answer.stdout);
    let answer = live(&site(&nobody, RIGHT, ""), true);
    let document: Value = serde_json::from_str(&answer.stdout).unwrap();
    assert_eq!(document["drives"][0]["answers"], false);
    assert_eq!(document["drives"][0]["state"], "unreachable");
}

/// A cabinet with the profiles that are shipped beside its site.
fn cabinet_with_profiles(site: &str) -> Cabinet {
    let cabinet = Cabinet::new();
    let shipped = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/profiles");
    for file in std::fs::read_dir(shipped).unwrap().map(Result::unwrap) {
        std::fs::copy(file.path(), cabinet.path().join(file.file_name())).unwrap();
    }
    cabinet.write("site.toml", site);
    cabinet
}

#[test]
fn devices_laid_out_as_the_shipped_profiles_say_are_read_rightly() {
    let converter = Device::start(&[
        Row::plain("holding", 0, "u16", 0x1637),
        Row::plain("holding", 1, "i16", -8192),
        Row::plain("holding", 2, "i16", 455),
        Row::plain("holding", 3, "u16", 0x3220),
        Row { word_order: "low-first", ..Row::plain("holding", 4, "u32", 81_235_u32) },
        Row::plain("holding", 6, "u16", 40_000),
    ]);
    let cell = Device::start(&[Row::plain("input", 0, "f32", 7300.5), Row::plain("input", 2, "u16", 1)]);
    let plc = Device::start(&[
        Row { word_order: "low-first", ..Row::plain("holding", 20, "i32", 4321) },
        Row::plain("holding", 22, "u16", 3),
        Row::plain("holding", 23, "u16", 0b1110),
        Row::plain("holding", 24, "u16", 0xA037),
        Row::plain("holding", 25, "bcd16", 1234),
        Row { word_order: "low-first", ..Row::plain("holding", 26, "u32", 7_200_000_u32) },
        Row { word_order: "low-first", ..Row::plain("holding", 28, "u32", 70_000_u32) },
    ]);
    let drive = |name: &str, device: &Device, profile: &str| {
        format!("[drive.{name}]\naddress = \"{}\"\nprofile = \"{profile}.toml\"\n", device.address())
    };
    let hoist = |id: &str, more: &str| {
        format!("[[crane.mechanism]]\nid = \"{id}\"\ngroup = \"M5\"\nrated_load_kg = 16000\n{more}\n")
    };
    let site = [
        drive("main", &converter, "torque-only-drive"),
        drive("cell", &cell, "load-cell-amplifier"),
        drive("plc", &plc, "plc-gateway"),
        "[[crane]]\nid = \"yard-1\"\ngroup = \"A5\"\n".to_owned(),
        hoist(
            "main-hoist",
            "drive = \"main\"\n[crane.mechanism.signals]\nload_kg = { drive = \"cell\" }\n\
                            overload = { drive = \"cell\" }",
        ),
        hoist("aux-hoist", "drive = \"plc\"\naddress_offset = 20"),
    ]
    .concat();
    let cabinet = cabinet_with_profiles(&site);
    let shown = cabinet.run(&["check", "--config", "site.toml", "--live"]).ok();
    for part in [
        "load_kg of main-hoist: 7300.5 kg",
        "overload of main-hoist: off",
        "torque_pct of main-hoist: 45.5 %",
        "speed_pct of main-hoist: -50 %",
        "raising of main-hoist: off",
        "lowering of main-hoist: on",
        "brake_open of main-hoist: on",
        "fault of main-hoist: on (DC link under-voltage)",
        "run_hours of main-hoist: 8123.5 h",
        "starts of main-hoist: 40000 starts",
        "load_kg of aux-hoist: 4321 kg",
        "raising of aux-hoist: off",
        "lowering of aux-hoist: on",
        "fault of aux-hoist: off",
        "overload of aux-hoist: on",
        "upper_limit of aux-hoist: off",
        "speed_pct of aux-hoist: 55 %",
        "height_m of aux-hoist: 12.34 m",
        "run_hours of aux-hoist: 2000 h",
        "starts of aux-hoist: 70000 starts",
    ] {
        assert!(shown.contains(part), "no `{part}` in\n{shown}");
    }
}

#[test]
fn a_store_can_be_read_when_the_profile_is_gone() {
    let plc = Device::start(&[
        Row { word_order: "low-first", ..Row::plain("holding", 0, "i32", 4321) },
        Row::plain("holding", 2, "u16", 1),
        Row::plain("holding", 3, "u16", 0b1111),
        Row::plain("holding", 4, "u16", 50),
        Row::plain("holding", 5, "bcd16", 1234),
        Row { word_order: "low-first", ..Row::plain("holding", 6, "u32", 7_200_000_u32) },
        Row { word_order: "low-first", ..Row::plain("holding", 8, "u32", 70_000_u32) },
    ]);
    let site = format!(
        "[page]\nlisten = \"127.0.0.1:0\"\n[drive.plc]\naddress = \"{}\"\nprofile = \"plc-gateway.toml\"\n\
         [[crane]]\nid = \"yard-1\"\ngroup = \"A5\"\n\
         [[crane.mechanism]]\nid = \"main-hoist\"\ngroup = \"M5\"\nrated_load_kg = 16000\n",
        plc.address()
    );
    let cabinet = cabinet_with_profiles(&site);
    let mut daemon = cabinet.start(&["run", "--config", "site.toml"]);
    daemon.line(Duration::from_secs(20), |line| line.starts_with("page: ").then_some(()));
    wait_for("the first poll", Duration::from_secs(20), || (plc.requests().len() > 10).then_some(()));
    assert!(daemon.interrupt(Duration::from_secs(20)).success());
    std::fs::remove_file(cabinet.path().join("plc-gateway.toml")).unwrap();
    let status = cabinet.run(&["status", "--data", "data", "--json"]).json();
    assert_eq!(status["mechanisms"][0]["id"], "main-hoist");
    assert!(status["mechanisms"][0]["running_hours"].as_f64().unwrap() > 0.0, "{status:#}");
    let kept = std::fs::read_to_string(cabinet.path().join("data/configuration.toml")).unwrap();
    cabinet.write("kept.toml", &kept);
    cabinet.run(&["check", "--config", "kept.toml"]).ok();
    assert_eq!(cabinet.run(&["check", "--config", "site.toml"]).status.code(), Some(2), "the file itself needs it");
}

fn probe(arguments: &[&str]) -> Answer {
    Cabinet::new().run(&[&["probe"], arguments].concat())
}

#[test]
fn a_probe_shows_what_answers_and_what_does_not() {
    let device = Device::start(&[
        Row::plain("holding", 3, "f32", 123.45_f64),
        Row::plain("holding", 5, "u16", 0x4869),
        Row::plain("holding", 8, "i32", -2),
    ]);
    let address = device.address();
    let shown = probe(&[&address, "--from", "0", "--to", "11", "--every-ms", "10"]).ok();
    for part in ["123.45", " Hi", "refused: 0 to 2: it has no such address", "refused: 6 to 7", "refused: 10 to 11"] {
        assert!(shown.contains(part), "no `{part}` in\n{shown}");
    }
    assert!(shown.lines().all(|line| line.chars().count() <= 80), "{shown}");
    let document = probe(&[&address, "--from", "0", "--to", "11", "--every-ms", "10", "--json"]).json();
    let registers = document["registers"].as_array().unwrap();
    let addresses: Vec<u64> = registers.iter().map(|r| r["address"].as_u64().unwrap()).collect();
    assert_eq!(addresses, [3, 4, 5, 8, 9]);
    let float = registers[0]["f32"]["high-first"].as_f64().unwrap();
    assert!((float - 123.45).abs() < 1e-5, "{float}");
    assert_eq!((&registers[3]["i32"]["high-first"], &registers[4]["i16"]), (&(-2).into(), &(-2).into()));
    assert!(registers[2]["u32"]["high-first"].is_null(), "the next one does not answer");
    let refused: Vec<(u64, u64)> = document["refused"]
        .as_array()
        .unwrap()
        .iter()
        .map(|r| (r["from"].as_u64().unwrap(), r["to"].as_u64().unwrap()))
        .collect();
    assert_eq!(refused, [(0, 2), (6, 7), (10, 11)]);
}

#[test]
#[allow(clippy::disallowed_methods, reason = "the pause is one of the real clock")]
fn a_probe_keeps_its_pause_and_asks_for_reads_only() {
    let device = Device::start(&[Row::plain("input", 0, "u64", 1), Row::plain("input", 4, "u64", 2)]);
    let begun = Instant::now();
    let arguments = ["--table", "input", "--from", "0", "--to", "9", "--block", "1", "--every-ms", "60", "--json"];
    let document = probe(&[&[device.address().as_str()], &arguments[..]].concat()).json();
    assert_eq!(document["reads"], 10);
    assert!(begun.elapsed().as_millis() >= 600, "{:?}", begun.elapsed());
    let requests = device.requests();
    assert_eq!(requests.len(), 8, "two of ten are refused");
    assert!(requests.iter().all(|(function, _)| *function == 4), "{requests:?}");
    for pair in requests.windows(2) {
        assert!(pair[1].1 - pair[0].1 >= 0.055, "{requests:?}");
    }
}

#[test]
fn a_probe_of_contacts_and_of_nothing() {
    let device = Device::start(&[Row::contacts("discrete", 4, &[true, false, true])]);
    let address = device.address();
    let shown = probe(&[&address, "--table", "discrete", "--from", "4", "--to", "6", "--every-ms", "10"]).ok();
    assert!(shown.contains("    4  1 0 1"), "{shown}");
    let nothing = probe(&[&address, "--from", "100", "--to", "103", "--every-ms", "10"]);
    assert_eq!(nothing.status.code(), Some(1), "{}", nothing.stdout);
    assert!(nothing.stdout.contains("refused: 100 to 103"), "{}", nothing.stdout);
    let nobody = format!("127.0.0.1:{}", free_port());
    let gone = probe(&[&nobody, "--every-ms", "10"]);
    assert_eq!(gone.status.code(), Some(3), "{}", gone.stdout);
    assert!(gone.stderr.contains("not reachable"), "{}", gone.stderr);
    let odd = probe(&["panel"]);
    assert_eq!(odd.status.code(), Some(2));
    assert!(odd.stderr.contains("/dev/ttyUSB0"), "{}", odd.stderr);
}

#[test]
fn devices_of_a_serial_line_are_looked_at_one_after_the_other() {
    let line = PtyPair::new();
    let _devices =
        pymodbus_rtu(&line.far.display().to_string(), 19_200, &["unit", "2", "holding", "0", "4711", "unit", "3"]);
    let near = line.near.display().to_string();
    let mut site =
        format!("[bus.panel]\ndevice = \"{near}\"\nparity = \"none\"\n[[crane]]\nid = \"yard-1\"\ngroup = \"A5\"\n");
    for unit in 2..=4 {
        site += &format!(
            "[drive.d{unit}]\nbus = \"panel\"\nunit = {unit}\npoll = \"500ms\"\ntimeout = \"300ms\"\n\
             [[crane.mechanism]]\nid = \"hoist-{unit}\"\ngroup = \"M5\"\nrated_load_kg = 12500\ndrive = \"d{unit}\"\n\
             [crane.mechanism.signals]\nload_kg = {{ address = 0 }}\nraising = {{ table = \"coil\", address = 3 }}\n\
             lowering = {{ table = \"coil\", address = 4 }}\n"
        );
    }
    let answer = live(&site, true);
    assert_eq!(answer.status.code(), Some(1), "unit 4 is not there\n{}", answer.stderr);
    let document: Value = serde_json::from_str(&answer.stdout).unwrap();
    let drives = document["drives"].as_array().unwrap();
    let answers: Vec<&Value> = drives.iter().map(|d| &d["answers"]).collect();
    assert_eq!(answers, [true, true, false]);
    assert_eq!(drives[2]["state"], "silent");
    assert_eq!(drives[0]["signals"][0]["value"], 4711.0);
    assert_eq!(drives[1]["signals"][0]["value"], 1.0);
    assert_eq!((&drives[0]["signals"][1]["value"], &drives[0]["signals"][2]["value"]), (&true.into(), &false.into()));

    let serial = ["--parity", "none", "--unit", "2", "--to", "9", "--every-ms", "20", "--json"];
    let found = probe(&[&[near.as_str()], &serial[..]].concat()).json();
    let words: Vec<u64> = found["registers"].as_array().unwrap().iter().map(|r| r["u16"].as_u64().unwrap()).collect();
    assert_eq!(words, [4711, 8, 15, 22, 29, 36, 43, 50, 57, 64]);
}

#[test]
fn a_probe_through_a_serial_server_and_of_a_libmodbus_device() {
    let (_server, port) = pymodbus_tcp("rtu-over-tcp", &["unit", "5"]);
    let arguments = ["--framing", "rtu", "--unit", "5", "--table", "input", "--to", "3", "--every-ms", "20", "--json"];
    let words = |found: &Value| -> Vec<u64> {
        found["registers"].as_array().unwrap().iter().map(|r| r["u16"].as_u64().unwrap()).collect()
    };
    let found = probe(&[&[format!("127.0.0.1:{port}").as_str()], &arguments[..]].concat()).json();
    assert_eq!(words(&found), [3, 8, 13, 18]);
    let (_libmodbus, port) = Libmodbus::tcp(7, &[]);
    let proxy = FunctionProxy::before(port);
    let arguments = ["--unit", "7", "--to", "3", "--every-ms", "20", "--json"];
    let found = probe(&[&[format!("127.0.0.1:{}", proxy.port).as_str()], &arguments[..]].concat()).json();
    assert_eq!(words(&found), [1, 8, 15, 22]);
}
