//! Each fault is named with its line, its sentence and its mend; all faults of a file at once.

#![allow(clippy::unwrap_used, reason = "tests")]

use tallyhook_config::{Faults, load, load_bytes};

/// A whole configuration without a fault; its lines are numbered below.
const YARD: &str = r#"[site]
time_zone = "Europe/Berlin"
[store]
directory = "data"
samples = { days = 7, megabytes = 100 }
[page]
listen = "127.0.0.1:0"
[drive.main]
address = "192.0.2.10:502"
poll = "100ms"
max_registers = 16
[drive.cell]
address = "cell.example:502"
[[crane]]
id = "yard-1"
group = "A5"
[[crane.mechanism]]
id = "main-hoist"
group = "2m"
rated_load_kg = 16000
dead_load_kg = 350
load_signal = "gross"
drive = "main"
stale_after = "2s"
[crane.mechanism.signals]
load_kg = { table = "input", address = 10, type = "f32", unit = "t", drive = "cell" }
raising = { address = 1, bit = 0 }
lowering = { table = "coil", address = 3 }
[crane.mechanism.lift]
begin_percent = 4
[crane.mechanism.warn]
used_share = [0.5, 1]
[[crane.mechanism.prior]]
running_hours = 1000
spectrum_factor = 0.2
recording = "counter"
[mqtt]
host = "127.0.0.1"
[[webhook]]
name = "chat"
url = "http://127.0.0.1:9000/hook"
"#;

fn faults(text: &str) -> Faults {
    match load(text, "yard.toml") {
        Ok(_) => panic!("loads:\n{text}"),
        Err(faults) => faults,
    }
}

/// Replaces one line of the yard and expects exactly one fault.
#[track_caller]
fn check(line: usize, written: &str, at: usize, what: &str, mend: &str) {
    let mut lines: Vec<&str> = YARD.lines().collect();
    lines[line - 1] = written;
    let faults = faults(&lines.join("\n"));
    assert_eq!(faults.len(), 1, "{faults}");
    let fault = faults.iter().next().unwrap();
    assert_eq!(fault.line, at, "{fault}");
    assert!(fault.what.contains(what), "{fault}\nlacks: {what}");
    assert!(fault.mend.contains(mend), "{fault}\nlacks: {mend}");
    let (report, place) = (faults.report(), format!("yard.toml:{at}:{}", fault.column));
    assert!(report.contains(&place) && report.contains(mend), "{report}");
}

#[test]
fn the_yard_itself_has_no_fault() {
    let config = load(YARD, "yard.toml").unwrap_or_else(|f| panic!("{}", f.report()));
    let hoist = &config.cranes[0].mechanisms[0];
    assert_eq!(hoist.group.name(), "M5", "2m is the FEM name of M5");
    assert_eq!(hoist.signals.len(), 3);
    let load = &hoist.signals[0];
    assert_eq!((load.drive.as_str(), load.scale.to_string().as_str()), ("cell", "1000"), "a tonne is 1000 kg");
    assert_eq!(hoist.spec.lift.begin.as_kg(), 640.0, "4 % of 16 t");
    assert_eq!(hoist.warn.used_share, [0.5, 1.0]);
}

#[test]
fn drives() {
    check(10, "pol = \"100ms\"", 10, "[drive.main] has no key `pol`", "did you mean `poll`");
    check(10, "colour = 3", 10, "[drive.main] has no key `colour`", "address, bus, unit, poll");
    check(10, "poll = \"-100ms\"", 10, "is -100ms, outside its range: 10ms to 1h", "poll = \"100ms\"");
    check(10, "poll = -1", 10, "is -1s, outside its range", "10ms to 1h");
    check(10, "poll = 0", 10, "outside its range", "10ms to 1h");
    check(10, "poll = \"2h\"", 10, "is 2h, outside its range", "10ms to 1h");
    check(10, "poll = \"fast\"", 10, "no time with a unit", "10ms to 1h");
    check(10, "poll = \"100\"", 10, "no time with a unit", "\"100ms\"");
    check(10, "poll = true", 10, "is true, which does not fit", "10ms to 1h");
    check(10, "poll = nan", 10, "outside its range", "10ms to 1h");
    check(10, "poll = \"2s\"", 24, "each pause would be a gap", "stale_after = \"6s\"");
    check(9, "address = \"192.0.2.10\"", 9, "no HOST:PORT", "192.0.2.10:502");
    check(9, "address = \"192.0.2.10:70000\"", 9, "no HOST:PORT", "192.0.2.10:502");
    check(9, "unit = 1", 8, "[drive.main] lacks `address`", "add `address");
    check(9, "adress = \"192.0.2.10:502\"", 9, "no key `adress`", "did you mean `address`");
    check(11, "max_registers = 126", 11, "is 126, outside its range", "1 to 125");
    check(11, "max_registers = 2.5", 11, "is the number 2.5", "a whole number, 1 to 125");
    check(11, "unit = 256", 11, "is 256, outside its range", "0 to 255");
    check(13, "address = \"cell.example:502\"\nmax_registers = 1", 27, "takes 2 registers", "max_registers = 2");
    let spaced = "address = \"cell.example:502\"\n[drive.\"load cell\"]\naddress = \"c:502\"";
    check(13, spaced, 14, "is no identifier", "letters, digits");
}

#[test]
fn site_store_and_page() {
    check(1, "[sit]", 1, "the file has no key `sit`", "did you mean `site`");
    check(2, "time_zone = \"Europe/Nowhere\"", 2, "no time zone `Europe/Nowhere`", "Europe/Berlin");
    check(5, "commit_every = \"500ms\"", 5, "is 500ms, outside its range", "1s to 1h");
    check(5, "samples = { days = 0 }", 5, "outside its range: 1 to 3650 days", "days = 14");
    check(5, "samples = true", 5, "is true, which does not fit", "a table");
    check(7, "listen = \"0.0.0.0:8420\"", 7, "others on the network", "127.0.0.1:8420");
    let open = "listen = \"192.0.2.1:8420\"\n";
    let users = "users_file = \"users\"\n";
    let tls = "certificate_file = \"page.pem\"\nkey_file = \"page.key\"\n";
    let proxy = "proxy = \"192.0.2.2\"\n";
    for (more, what) in [("", "neither users nor TLS"), (users, "in the clear"), (tls, "has no users")] {
        check(7, &format!("{open}{more}"), 7, what, "add `users_file` and either");
    }
    check(7, "certificate_file = \"page.pem\"", 7, "needs `key_file`", "add `key_file`");
    check(7, "key_file = \"page.key\"", 7, "needs `certificate_file`", "add `certificate_file`");
    check(7, proxy, 7, "nobody has named", "tallyhook user add");
    check(7, &format!("{users}proxy = \"proxy.example\""), 8, "no address", "127.0.0.1");
    check(7, &format!("{users}{tls}{proxy}"), 10, "both", "keep the one");
    for good in [[open, users, tls].concat(), [open, users, proxy].concat(), users.to_owned(), tls.to_owned()] {
        let text = YARD.replace("listen = \"127.0.0.1:0\"\n", &good);
        assert!(load(&text, "site.toml").is_ok(), "{good}");
    }
    check(7, "listen = \"localhost\"", 7, "no address with a port", "127.0.0.1:8420");
    check(4, "directory = \"\"", 4, "says nothing", "a path");
}

#[test]
fn cranes_and_mechanisms() {
    check(15, "id = \"yard 1\"", 15, "is no identifier", "letters, digits");
    check(16, "group = \"A9\"", 16, "`group` in [[crane]] is A9", "A1, A2, A3");
    check(14, "[crane]", 14, "is a table, which does not fit", "double brackets");
    check(19, "group = \"M9\"", 19, "`group` in [[crane.mechanism]] is M9", "M1, M2, M3");
    check(19, "kind = \"hoist\"", 17, "lacks `group`", "add `group");
    check(20, "rated_load_kg = 0", 20, "is 0, outside its range: above 0, up to 500000 kg", "above 0, up to 500000 kg");
    check(20, "rated_load_kg = 500001", 20, "is 500001, outside its range", "500000 kg");
    check(20, "rated_load_kg = \"16 t\"", 20, "is the text \"16 t\"", "above 0, up to 500000 kg");
    check(20, "rated_load_kg = inf", 20, "outside its range", "500000 kg");
    check(21, "dead_load_kg = 0", 22, "gross, but no dead load", "dead_load_kg");
    check(22, "load_signal = \"nett\"", 22, "none of the words", "did you mean \"net\"");
    check(23, "drive = \"mian\"", 23, "the drive `mian` is not in the file", "did you mean `main`");
    check(23, "drive = \"other\"", 23, "the drive `other` is not in the file", "[drive.other]");
    check(30, "begin_percent = 2", 30, "end below 3 % of the rated load, but begin at 2 %", "`end_percent` below");
    check(30, "end_percent = 5", 30, "end below 5 %", "`end_percent` below");
    check(30, "confirm_load = \"2s\"", 30, "not shorter than `settle`, 1.5s", "shorter than `settle`");
    check(32, "used_share = [0.8, \"most\"]", 32, "is a list, which does not fit", "list of numbers");
    check(32, "used_share = [0.8, -1]", 32, "is -1, outside its range", "[0.8, 0.9, 1.0]");
    check(32, "overload = 1", 32, "is the number 1", "true or false");
    check(
        36,
        "recording = \"unknown\"",
        36,
        "FEM 9.755 (06.1993) has no recording factor",
        "recorder, counter, estimated",
    );
    check(36, "recording = \"guess\"", 36, "none of the words", "estimated");
    check(35, "spectrum_factor = 3", 35, "is 3, outside its range", "0 to 2");
}

#[test]
fn signals() {
    check(27, "raising = { address = 70000, bit = 0 }", 27, "is 70000, outside its range: 0 to 65535", "0 to 65535");
    check(27, "raising = { address = -1, bit = 0 }", 27, "is -1, outside its range", "0 to 65535");
    check(27, "raising = { address = 1, bit = 16 }", 27, "is 16, outside its range", "0 to 15");
    check(27, "raising = { address = 1 }", 27, "which bit of the word", "`bit = 0`");
    check(27, "raising = { address = 1, type = \"u16\" }", 27, "has two states, but u16 is a number", "type = \"bit\"");
    check(27, "raising = { address = 1, bit = 0, scale = 2 }", 27, "takes no `scale`", "take `scale` out");
    check(27, "raising = { address = 1, bit = 0, drive = \"x\" }", 27, "the drive `x`, which is not", "[drive.x]");
    check(
        27,
        "raising = { table = \"coil\", address = 1, bit = 0 }",
        27,
        "a coil is a single contact",
        "take `bit` out",
    );
    check(27, "rising = { address = 1, bit = 0 }", 27, "no key `rising`", "did you mean `raising`");
    check(27, "speed_pct = { address = 1, unit = \"m\" }", 27, "`speed_pct` cannot be in m", "write one of %");
    check(27, "speed_pct = { address = 1, scale = 0 }", 27, "`scale` of `speed_pct` is 0", "one raw step");
    check(27, "speed_pct = { address = 1, inverted = true }", 27, "cannot be inverted", "negative `scale`");
    check(27, "speed_pct = { table = \"discrete\", address = 1 }", 27, "is a single contact", "holding or input");
    check(27, "speed_pct = { address = 1, type = \"bit\", bit = 1 }", 27, "a bit has two states", "\"u16\"");
    check(27, "speed_pct = { address = 1, bit = 1 }", 27, "has `bit`, but is read as u16", "take `bit` out");
    check(27, "starts = { address = 1, unit = \"kg\" }", 27, "`starts` cannot be in kg", "take `unit` out");
    check(27, "run_hours = { address = 65535, type = \"u32\" }", 27, "beyond the last register", "65534");
    let low_first = "speed_pct = { address = 1, type = \"i16\", word_order = \"low-first\" }";
    check(27, low_first, 27, "i16 is 16 bits wide", "take `word_order` out");
}

#[test]
fn what_a_mechanism_cannot_do_without() {
    let without =
        |gone: &[&str]| YARD.lines().filter(|l| !gone.iter().any(|g| l.starts_with(g))).collect::<Vec<_>>().join("\n");
    let only = |text: &str| {
        let faults = faults(text);
        assert_eq!(faults.len(), 1, "{faults}");
        let fault = faults.iter().next().unwrap().clone();
        (fault.line, format!("{}; {}", fault.what, fault.mend))
    };
    let (line, said) = only(&without(&["raising", "lowering"]));
    assert_eq!(line, 25, "the header of the signals");
    assert!(said.contains("neither `raising` nor `lowering`"), "{said}");
    let (line, said) = only(&without(&["load_kg"]));
    assert_eq!(line, 25);
    assert!(said.contains("no `load_kg`"), "{said}");
    let torque = YARD.replace(
        "load_kg = { table = \"input\", address = 10, type = \"f32\", unit = \"t\", drive = \"cell\" }",
        "torque_pct = { table = \"input\", address = 10 }",
    );
    let (line, said) = only(&torque);
    assert_eq!(line, 26);
    assert!(said.contains("how the torque tells the load") && said.contains("[crane.mechanism.load]"), "{said}");
    // A trolley's load is nice to have only.
    load(&without(&["load_kg"]).replace("id = \"main-hoist\"", "id = \"trolley\"\nkind = \"traverse\""), "f").unwrap();

    let (line, said) = only(&without(&["drive = \"main\""]));
    assert_eq!(line, 17, "the header of the mechanism");
    assert!(said.contains("not said which drive `raising`"), "{said}");
}

#[test]
fn an_empty_file_lacks_drive_and_crane() {
    let faults = faults("");
    let said: Vec<_> = faults.iter().map(|f| (f.line, f.what.as_str())).collect();
    assert_eq!(said, [(1, "the file lacks `drive`"), (1, "the file lacks `crane`")]);
}

#[test]
fn two_signals_on_one_register() {
    let with = |line: &str| {
        YARD.replace("raising = { address = 1, bit = 0 }", &format!("raising = {{ address = 1, bit = 0 }}\n{line}"))
    };
    for fine in [
        "overload = { address = 1, bit = 1 }",
        "speed_pct = { address = 1, type = \"u16\" }",
        "speed_pct = { table = \"input\", address = 1, type = \"i16\" }",
        "speed_pct = { table = \"input\", address = 10, type = \"i16\" }", // another drive than the load's
        "speed_pct = { address = 1, type = \"i16\", drive = \"cell\" }",
        "brake_open = { table = \"coil\", address = 3, inverted = true }",
        "height_m = { address = 2, type = \"u32\" }",
    ] {
        load(&with(fine), "yard.toml").unwrap_or_else(|f| panic!("{fine}\n{}", f.report()));
    }
    for (clash, what) in [
        ("speed_pct = { address = 1, type = \"i16\" }", "reads holding 1 as"),
        ("height_m = { address = 0, type = \"u32\" }", "holding 0 and the next"),
        ("height_m = { address = 1, type = \"f32\" }", "holding 1 and the next"),
        (
            "height_m = { table = \"input\", address = 11, type = \"i16\", drive = \"cell\" }",
            "`load_kg` reads input 10",
        ),
        (
            "height_m = { table = \"input\", address = 10, type = \"f32\", word_order = \"low-first\", drive = \"cell\" }",
            "low word first",
        ),
    ] {
        let faults = faults(&with(clash));
        assert_eq!(faults.len(), 1, "{faults}");
        let fault = faults.iter().next().unwrap();
        assert!((26..=28).contains(&fault.line) && fault.what.contains(what), "{fault}");
        assert!(fault.mend.contains("same type"), "{fault}");
    }
}

#[test]
fn a_load_register_must_reach_the_rated_load() {
    let load_line = "load_kg = { table = \"input\", address = 10, type = \"f32\", unit = \"t\", drive = \"cell\" }";
    let with = |line: &str| load(&YARD.replace(load_line, line), "yard.toml");
    let faults = with("load_kg = { address = 9, scale = 0.1, unit = \"kg\" }").unwrap_err();
    assert!(faults.to_string().contains("6554 kg at most, less than the rated load of 16000 kg"), "{faults}");
    // The units of a load, worked by hand: 1 kN is 101.9716 kg under standard gravity.
    for (unit, kg) in [("kg", 1.0), ("t", 1000.0), ("daN", 1.019_716_213), ("kN", 101.971_621_3), ("%", 160.0)] {
        let config = with(&format!("load_kg = {{ address = 9, scale = 2, offset = -3, unit = \"{unit}\" }}")).unwrap();
        let signal = &config.cranes[0].mechanisms[0].signals[0];
        assert!((signal.scale.to_f64() - 2.0 * kg).abs() < 1e-6 * kg, "{unit}: {}", signal.scale);
        assert!((signal.offset.to_f64() + 3.0 * kg).abs() < 1e-6 * kg, "{unit}: {}", signal.offset);
    }
}

#[test]
fn a_gross_load_register_must_reach_the_rated_load_with_the_dead_load() {
    let heavy = YARD.replace(
        "load_kg = { table = \"input\", address = 10, type = \"f32\", unit = \"t\", drive = \"cell\" }",
        "load_kg = { table = \"input\", address = 10, drive = \"cell\" }",
    );
    let heavy = heavy.replace("rated_load_kg = 16000", "rated_load_kg = 60000");
    let heavier = heavy.replace("dead_load_kg = 350", "dead_load_kg = 10000");
    load(&heavy, "yard.toml").unwrap_or_else(|f| panic!("60350 of 65535 kg\n{}", f.report()));
    let faults = faults(&heavier);
    assert_eq!(faults.len(), 1, "{faults}");
    let said = faults.iter().next().unwrap().to_string();
    assert!(
        said.contains("65535 kg at most, less than the rated load of 60000 kg with the dead load of 10000 kg"),
        "{said}"
    );
    assert!(said.contains("`scale`"), "{said}");
    load(&heavier.replace("\"gross\"", "\"net\""), "yard.toml").unwrap_or_else(|f| panic!("net\n{}", f.report()));
}

/// What is missed of a counter between two polls is no gap.
#[test]
fn only_a_drive_whose_pauses_would_be_gaps_must_be_polled_within_the_stale_limit() {
    let slow = "address = \"cell.example:502\"\n[drive.meter]\naddress = \"meter.example:502\"\npoll = \"10s\"";
    let text = YARD.replace("address = \"cell.example:502\"", slow);
    let with = |signals: &str| text.replace("[crane.mechanism.lift]", &format!("{signals}\n[crane.mechanism.lift]"));
    let counters = with(
        "run_hours = { table = \"input\", address = 1, type = \"u32\", unit = \"h\", drive = \"meter\" }\n\
         starts = { table = \"input\", address = 5, type = \"u32\", drive = \"meter\" }",
    );
    load(&counters, "yard.toml").unwrap_or_else(|f| panic!("{}", f.report()));
    for moved in [
        text.replace("drive = \"cell\" }", "drive = \"meter\" }"),
        text.replace(
            "lowering = { table = \"coil\", address = 3 }",
            "lowering = { address = 3, bit = 0, drive = \"meter\" }",
        ),
    ] {
        let faults = faults(&moved);
        assert_eq!(faults.len(), 1, "{faults}");
        let said = faults.iter().next().unwrap().to_string();
        assert!(said.contains("`meter` is polled every 10s: each pause would be a gap"), "{said}");
    }
    // The torque leads only where it is said so.
    let torque = with("torque_pct = { table = \"input\", address = 7, type = \"i16\", drive = \"meter\" }");
    load(&torque, "yard.toml").unwrap_or_else(|f| panic!("{}", f.report()));
    let leads = torque
        .replace("[crane.mechanism.lift]", "[crane.mechanism.load]\nleads = \"torque_pct\"\n[crane.mechanism.lift]");
    let said = faults(&leads).to_string();
    assert!(said.contains("`meter` is polled every 10s: each pause would be a gap"), "{said}");
}

#[test]
fn a_limit_of_bending_cycles_needs_something_that_bends() {
    let part = |reeving: &str, limit: &str| {
        format!(
            "[crane.mechanism.reeving]\n{reeving}\n[[crane.mechanism.part]]\nname = \"rope\"\n{limit} = 1000\n[mqtt]"
        )
    };
    for limit in ["bending_cycles", "full_load_bending_cycles"] {
        let text = YARD.replace("[mqtt]", &part("sheaves = 0\ndrum = false", limit));
        let faults = faults(&text);
        assert_eq!(faults.len(), 1, "{faults}");
        let said = faults.iter().next().unwrap().to_string();
        assert!(
            said.contains(&format!("`{limit}` cannot be counted")) && said.contains("no sheave and no drum"),
            "{said}"
        );
    }
    for fine in [
        part("sheaves = 0", "bending_cycles"),
        part("sheaves = 1\ndrum = false", "bending_cycles"),
        part("sheaves = 0\ndrum = false", "lifts"),
    ] {
        load(&YARD.replace("[mqtt]", &fine), "yard.toml").unwrap_or_else(|f| panic!("{fine}\n{}", f.report()));
    }
}

#[test]
fn the_rating_that_d_is_meant_at_is_not_below_the_present_one() {
    let with = |kg: &str| format!("rated_load_kg = 16000\nbudget_rated_load_kg = {kg}");
    check(20, &with("15999"), 21, "is 15999 kg, below the rated load of 16000 kg", "16000");
    for fine in ["16000", "20000"] {
        let text = YARD.replace("rated_load_kg = 16000", &with(fine));
        load(&text, "yard.toml").unwrap_or_else(|f| panic!("{fine}\n{}", f.report()));
    }
}

#[test]
fn who_is_told() {
    check(38, "host = \"127.0.0.1\"\nport = 0", 39, "is 0, outside its range", "1883");
    check(38, "host = \"mqtt://broker\"", 38, "no host name", "port");
    check(38, "host = \"b\"\ntopic_root = \"/plant/\"", 39, "no topic may begin with", "slash at either end");
    check(38, "host = \"b\"\npassword = \"secret\"", 39, "has no key `password`", "password_file");
    check(38, "host = \"b\"\npassword_file = \"pw\"", 39, "no user name", "username");
    check(41, "url = \"ftp://chat.example\"", 41, "no web address", "https://");
    check(41, "url = \"https://\"", 41, "no web address", "https://");
    let hook = "url = \"https://chat.example/h\"\n";
    let with = |line: &str| format!("{hook}{line}");
    check(41, &with("template = '{\"text\": \"{{text}}\"'"), 42, "not JSON once its places are filled", "{{text}}");
    check(41, &with("template = '{\"text\": 1{{value}}}'"), 42, "not JSON", "write JSON");
    check(41, &with("template = '{\"text\": \"{{txt}}\"}'"), 42, "place for \"txt\"", "did you mean {{text}}");
    check(41, &with("template = '{\"text\": \"{{text\"}'"), 42, "does not close", "}}");
    check(41, &with("headers = { \"A b\" = \"c\" }"), 42, "no name of a header", "hyphens");
    check(41, &with("headers = { A = \"c\\nd\" }"), 42, "more than one line", "one line");
    check(41, &with("headers = { A = 3 }"), 42, "is the number 3", "double quotes");
    check(41, &with("headers = { A = \"x\" }\nheader_files = { a = \"f\" }"), 43, "in `header_files`", "file");
    check(41, &with("[[webhook]]\nname = \"chat\"\nurl = \"https://chat.example/i\""), 43, "there twice", "chat-2");
}

#[test]
fn how_the_broker_is_trusted() {
    let broker = |line: &str| format!("host = \"b\"\n{line}");
    check(38, &broker("ca_file = \"ca.pem\""), 39, "no effect without `tls`", "tls = true");
    check(38, &broker("sparkplug_group = \"g\""), 39, "no effect on JSON", "sparkplug-b");
    let both = broker("payload = \"sparkplug-b\"\nacknowledge = true");
    check(38, &both, 40, "goes with JSON alone", "remove `acknowledge`");
    let half = broker("tls = true\ncertificate_file = \"c.pem\"");
    check(38, &half, 40, "without `key_file`", "go together");
    let half = broker("tls = true\nkey_file = \"c.key\"");
    check(38, &half, 40, "without `certificate_file`", "go together");
    let user = broker("username = \"crane\"");
    let named = |name: &str| format!("{user}\npassword_file = \"credential:{name}\"");
    for name in ["", "../broker", "a/b", ".hidden", "two words"] {
        check(38, &named(name), 40, "which is no name of one", "`LoadCredential=`");
    }
    let text = YARD.replace("host = \"127.0.0.1\"", &named("broker-1_a.b"));
    let config = load(&text, "yard.toml").unwrap_or_else(|f| panic!("{}", f.report()));
    let password = config.mqtt.unwrap().password_file.unwrap();
    assert_eq!(tallyhook_config::credential(&password), Some("broker-1_a.b"));
}

/// The tables of the two servers stand behind line 41, the last one.
#[test]
fn which_servers_are_told() {
    let after = |table: &str| format!("url = \"https://chat.example/h\"\n{table}");
    let influx = |url: &str, rest: &str| {
        after(&format!("[influx]\nurl = \"{url}\"\norg = \"plant\"\nbucket = \"cranes\"\n{rest}"))
    };
    let good = "https://influx.example:8086";
    let path = format!("{good}/influx");
    check(41, &influx(&path, ""), 43, "the path \"/influx\" behind the host", "a host name of its own");
    check(41, &influx("https://me:pw@influx.example", ""), 43, "holds a user name or password", "in a file");
    check(41, &influx("influx.example:8086", ""), 43, "no web address", "https://influx.example.org:8086");
    check(41, &influx("http://influx.example", "ca_file = \"ca.pem\""), 46, "no effect with http://", "https://");
    check(
        41,
        &influx("http://influx.example", "certificate_file = \"c.pem\""),
        46,
        "no effect with http://",
        "https://",
    );
    check(41, &influx(good, "certificate_file = \"c.pem\""), 46, "without `key_file`", "go together");
    check(41, &influx(good, "token_file = \"credential:\""), 46, "no name of one", "`LoadCredential=`");
    let hook = |line: &str| format!("url = \"https://chat.example/h\"\n{line}");
    check(41, &hook("key_file = \"c.key\""), 42, "without `certificate_file`", "go together");
    check(41, &hook("header_files = { A = \"credential:a/b\" }"), 42, "no name of one", "`LoadCredential=`");
    check(41, "url = \"http://chat.example/h\"\nca_file = \"ca.pem\"", 42, "no effect with http://", "https://");
    check(41, &influx(good, "precision = \"s\""), 46, "none of the words", "ms, us, ns");
    check(41, &influx(good, "batch = 0"), 46, "outside its range", "10000");
    let matrix = |room: &str| {
        after(&format!("[matrix]\nurl = \"https://m.example\"\nuser = \"u\"\npassword_file = \"p\"\nroom = \"{room}\""))
    };
    check(41, &matrix("#yard:m.example"), 46, "no identifier of a room", "beginning with `!`");

    let text = YARD.to_owned()
        + "[influx]\nurl = \"https://influx.example/\"\norg = \"plant\"\nbucket = \"cranes\"\n"
        + "\n[matrix]\nurl = \"http://[::1]:8008\"\nuser = \"u\"\npassword_file = \"p\"\nroom = \"!a:b\"";
    let config = load(&text, "yard.toml").unwrap_or_else(|f| panic!("{}", f.report()));
    let influx = config.influx.unwrap();
    assert_eq!((influx.url.as_str(), influx.batch, influx.from_start), ("https://influx.example", 500, false));
    assert_eq!(config.matrix.unwrap().device_id, "tallyhook");
}

#[test]
fn every_place_fits_a_template_as_text_and_as_value() {
    for field in tallyhook_config::TEMPLATE_FIELDS {
        for place in [format!("\"{{{{{field}}}}}\""), format!("{{{{ {field} }}}}")] {
            let template = format!("url = \"https://chat.example/h\"\ntemplate = '{{\"a\": {{\"b\": {place}}}}}'");
            let text = YARD.replace("url = \"http://127.0.0.1:9000/hook\"", &template);
            load(&text, "yard.toml").unwrap_or_else(|f| panic!("{}", f.report()));
        }
    }
}

#[test]
fn ids_are_unique() {
    let crane = YARD.find("[[crane]]").unwrap();
    let end = YARD.find("[mqtt]").unwrap();
    let twice = format!("{}{}", YARD, &YARD[crane..end]);
    let faults = faults(&twice);
    let said: Vec<_> = faults.iter().map(|f| f.what.as_str()).collect();
    assert_eq!(said, ["the id `yard-1` is there twice", "the id `main-hoist` is there twice"]);
}

#[test]
fn all_faults_of_a_file_are_named_in_one_go() {
    let text = YARD
        .replace("time_zone", "timezone")
        .replace("poll = \"100ms\"", "poll = \"-1s\"")
        .replace("listen = \"127.0.0.1:0\"", "listen = \"0.0.0.0:80\"")
        .replace("group = \"A5\"", "group = \"B5\"")
        .replace("group = \"2m\"", "group = \"M12\"")
        .replace("rated_load_kg = 16000", "rated_load_kg = -5")
        .replace("drive = \"main\"", "drive = \"mane\"")
        .replace("unit = \"t\"", "unit = \"mm\"")
        .replace("bit = 0", "bit = 99")
        .replace("table = \"coil\"", "table = \"coils\"")
        .replace("begin_percent = 4", "begin_percent = 1")
        .replace("recording = \"counter\"", "recording = \"guess\"")
        .replace("host = \"127.0.0.1\"", "port = 1")
        .replace("url = \"http", "url = \"gopher");
    let faults = faults(&text);
    let lines: Vec<usize> = faults.iter().map(|f| f.line).collect();
    assert_eq!(lines, [2, 7, 10, 16, 19, 20, 23, 26, 27, 28, 30, 36, 37, 41], "{faults}");
    let report = faults.report();
    for line in lines {
        assert!(report.contains(&format!("yard.toml:{line}:")), "{report}");
    }
}

#[test]
fn syntax_is_named_with_its_line_and_the_other_faults_beside_it() {
    let broken = YARD.replace("poll = \"100ms\"", "poll = \"100ms").replace("group = \"A5\"", "group = \"Z5\"");
    let both = faults(&broken);
    let lines: Vec<usize> = both.iter().map(|f| f.line).collect();
    assert_eq!(lines, [10, 16], "{both}");
    assert!(both.iter().next().unwrap().what.contains("this is not TOML"), "{both}");

    // A broken header puts the keys below it elsewhere: only the header is named.
    let header = faults(&YARD.replace("[[crane.mechanism]]", "[[crane.mechanism]").replace("\"A5\"", "\"Z5\""));
    assert_eq!(header.iter().map(|f| f.line).collect::<Vec<_>>(), [17], "{header}");

    let twice = faults(&YARD.replace("max_registers = 16", "poll = \"1s\""));
    assert_eq!(twice.iter().map(|f| f.line).collect::<Vec<_>>(), [11], "{twice}");
    assert!(twice.iter().next().unwrap().mend.contains("keep one of the two"), "{twice}");
}

/// Somebody gives the recording instead of the configuration. The cost is to grow with the file and not with its square:
/// 20,000 lines took two minutes when each was drawn.
#[test]
fn a_file_that_is_no_configuration_at_all_has_its_first_faults_drawn_and_the_others_named() {
    let mut text = "time,load_kg,raising,lowering\n".to_owned();
    for n in 0..4_000 {
        text += &format!("{n},5000,1,0\n");
    }
    let faults = faults(&text);
    let report = faults.report();
    assert!(faults.len() > 4_000, "{}", faults.len());
    for line in [1, 50, 51, 4_001] {
        assert!(report.contains(&format!("yard.toml:{line}:")), "{line}");
    }
    assert_eq!(report.matches("help: ").count(), 50);
}

#[test]
fn bytes_that_are_not_text_are_placed() {
    let faults = load_bytes(b"[site]\nname = \"M\xfcller\"\n", "yard.toml").unwrap_err();
    let fault = faults.iter().next().unwrap();
    assert_eq!((faults.len(), fault.line, fault.column), (1, 2, 10), "{fault}");
    assert!(fault.mend.contains("UTF-8"));
}

#[test]
fn the_ten_broken_files_name_line_and_mend() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/fixtures/broken");
    let expected = [
        ("address-70000", 31, "0 to 65535"),
        ("missing-drive", 28, "[drive.mane]"),
        ("negative-poll", 16, "10ms to 1h"),
        ("rated-load-zero", 27, "above 0, up to 500000 kg"),
        ("toml-syntax", 20, "double quotes"),
        ("two-types-on-one-register", 35, "same type"),
        ("unit-that-does-not-fit", 31, "kg, t, daN, kN"),
        ("unknown-group", 26, "M1, M2, M3"),
        ("unknown-key", 16, "did you mean `poll`"),
        ("word-order-on-16-bit", 31, "take `word_order` out"),
    ];
    assert_eq!(std::fs::read_dir(folder).unwrap().count(), expected.len(), "every file of the folder is expected");
    for (name, line, mend) in expected {
        let text = std::fs::read_to_string(format!("{folder}/{name}.toml")).unwrap();
        let faults = load(&text, name).unwrap_err();
        assert_eq!(faults.len(), 1, "{faults}");
        let fault = faults.iter().next().unwrap();
        assert!(fault.line == line && fault.mend.contains(mend), "{fault}");
    }
}

#[test]
fn the_language_of_the_page_is_one_of_those_there_are() {
    use tallyhook_config::model::Language;
    let with = |line: &str| load(&YARD.replace("[site]", &format!("[site]\n{line}")), "yard.toml");
    assert_eq!(with("").unwrap().language, Language::English);
    assert_eq!(with("language = \"de\"").unwrap().language, Language::German);
    let faults = with("language = \"fr\"").unwrap_err().to_string();
    assert!(faults.contains("`language`") && faults.contains("one of en, de"), "{faults}");
}
