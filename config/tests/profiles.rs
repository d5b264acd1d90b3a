//! Register maps in files of their own: what is laid under what, and where a fault in one is shown.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "tests")]

use tallyhook_config::model::{Config, RawType, Signal, WordOrder};
use tallyhook_config::{Faults, Loaded, ProfileText, load, load_with_profiles};

const PANEL: &str = r#"title = "A drive of the yard"
[drive]
poll = "200ms"
max_registers = 20
[signals]
load_kg = { table = "input", address = 0, type = "i32", word_order = "low-first", scale = 0.1, invalid = 0x80000000 }
raising = { address = 10, bit = 0 }
lowering = { address = 10, bit = 1 }
fault = { address = 11, texts = { 1 = "over-current", 2 = "over-voltage" } }
starts = { address = 12, type = "u32" }
"#;

const CELL: &str = "[signals]\nload_kg = { table = \"input\", address = 100, type = \"f32\", unit = \"t\" }\n";

fn site(drives: &str, mechanism: &str) -> String {
    format!(
        "{drives}\n[[crane]]\nid = \"yard-1\"\ngroup = \"A5\"\n[[crane.mechanism]]\nid = \"main-hoist\"\ngroup = \"M5\"\n\
         rated_load_kg = 16000\n{mechanism}\n"
    )
}

const ONE: &str = "[drive.main]\naddress = \"192.0.2.10:502\"\nprofile = \"panel.toml\"";

fn files(named: &str) -> Result<ProfileText, String> {
    let text = match named {
        "panel.toml" => PANEL.to_owned(),
        "cell.toml" => CELL.to_owned(),
        "unknown-key.toml" => PANEL.replace("bit = 1 }", "bitt = 1 }"),
        "wrong-value.toml" => PANEL.replace("address = 12", "address = 70000"),
        "broken.toml" => PANEL.replace("address = 12,", "address = ,"),
        "odd.toml" => "titel = \"x\"\n[signals]\nhoistload = { address = 0 }\n".to_owned(),
        _ => return Err("no such file".to_owned()),
    };
    Ok(ProfileText { file: format!("profiles/{named}"), text })
}

fn loaded(text: &str) -> Loaded {
    load_with_profiles(text, "site.toml", &files).unwrap_or_else(|f| panic!("{}\n{text}", f.report()))
}

fn refused(text: &str) -> Faults {
    load_with_profiles(text, "site.toml", &files).map(|_| ()).expect_err(text)
}

fn signal<'c>(config: &'c Config, name: &str) -> Option<&'c Signal> {
    config.cranes[0].mechanisms[0].signals.iter().find(|s| s.target.name() == name)
}

#[test]
fn a_mechanism_can_have_all_its_signals_from_the_profile_of_its_drive() {
    let Loaded { config, .. } = loaded(&site(ONE, ""));
    assert_eq!(config.cranes[0].mechanisms[0].signals.len(), 5);
    let load = signal(&config, "load_kg").unwrap();
    assert_eq!(load.register.raw, RawType::I32(WordOrder::LowFirst));
    assert_eq!(load.invalid, [0x8000_0000]);
    let drive = &config.drives["main"];
    assert_eq!((drive.poll.as_ms(), drive.max_registers), (200, 20));
}

#[test]
fn what_the_file_says_stands() {
    let own = "[crane.mechanism.signals]\nload_kg = { word_order = \"high-first\", scale = 0.5 }\n\
               lowering = { mask = 0x3, match = 2 }\nspeed_pct = { address = 20, type = \"i16\" }";
    let drive = format!("{ONE}\npoll = \"50ms\"");
    let Loaded { config, .. } = loaded(&site(&drive, own));
    assert_eq!(config.drives["main"].poll.as_ms(), 50);
    let load = signal(&config, "load_kg").unwrap();
    assert_eq!((load.register.address, load.register.raw), (0, RawType::I32(WordOrder::HighFirst)));
    assert_eq!((load.scale.to_string().as_str(), load.invalid.as_slice()), ("0.5", &[0x8000_0000][..]));
    let lowering = signal(&config, "lowering").unwrap();
    assert_eq!((lowering.register.address, lowering.register.raw), (10, RawType::U16), "`bit` gave way to `match`");
    assert!(signal(&config, "speed_pct").is_some());
}

#[test]
fn signals_can_be_left_out_and_moved() {
    let Loaded { config, .. } = loaded(&site(ONE, "without = [\"starts\"]\naddress_offset = 100"));
    assert!(signal(&config, "starts").is_none());
    assert_eq!(signal(&config, "raising").unwrap().register.address, 110);
    let own =
        "address_offset = 100\n[crane.mechanism.signals]\nraising = { address = 3 }\nlowering = { inverted = true }";
    let Loaded { config, .. } = loaded(&site(ONE, own));
    assert_eq!(signal(&config, "raising").unwrap().register.address, 3, "an address of the file is where it says");
    assert_eq!(signal(&config, "lowering").unwrap().register.address, 110);
}

#[test]
fn a_signal_of_another_drive_has_that_drives_profile_and_a_mechanism_may_have_its_own() {
    let two = format!("{ONE}\n[drive.cell]\naddress = \"192.0.2.11:502\"\nprofile = \"cell.toml\"");
    let own = "drive = \"main\"\n[crane.mechanism.signals]\nload_kg = { drive = \"cell\" }";
    let Loaded { config, .. } = loaded(&site(&two, own));
    let load = signal(&config, "load_kg").unwrap();
    assert_eq!((load.drive.as_str(), load.register.address, load.scale.to_string().as_str()), ("cell", 100, "1000"));
    assert!(load.invalid.is_empty(), "nothing of the hoist drive's own load");
    let plain = "[drive.main]\naddress = \"192.0.2.10:502\"";
    let Loaded { config, .. } = loaded(&site(plain, "profile = \"panel.toml\""));
    assert_eq!(config.cranes[0].mechanisms[0].signals.len(), 5);
    assert_eq!(config.drives["main"].poll.as_ms(), 100, "a mechanism's profile says nothing of the drive");
}

#[test]
fn the_kept_text_says_the_same_without_other_files() {
    let own = "without = [\"fault\"]\naddress_offset = 100\n[crane.mechanism.signals]\nload_kg = { scale = 0.25 }\n\
               [[crane.mechanism.prior]]\nrunning_hours = 10.5\nspectrum_factor = 0.2\nrecording = \"counter\"\n\
               note = \"from the \\\"old\\\" book\"\n";
    let Loaded { config, text } = loaded(&site(ONE, own));
    let again = load(&text, "configuration.toml").unwrap_or_else(|f| panic!("{}\n{text}", f.report()));
    assert_eq!(format!("{config:?}"), format!("{again:?}"), "{text}");
    assert!(text.contains("0x80000000"), "bits stay bits\n{text}");
    let without_profile = site(&ONE.replace("profile = \"panel.toml\"", ""), "profile = \"panel.toml\"");
    let Loaded { text, .. } = loaded(&without_profile);
    load(&text, "configuration.toml").unwrap();
    let plain = tallyhook_config::starter(&tallyhook_config::StarterOptions::default());
    assert_eq!(loaded(&plain).text, plain, "a file without profiles is kept as it is");
}

#[track_caller]
fn check(profile: &str, place: &str, what: &str, mend: &str) {
    let faults = refused(&site(&ONE.replace("panel.toml", profile), ""));
    assert_eq!(faults.len(), 1, "{faults}");
    let fault = faults.iter().next().unwrap();
    assert!(fault.to_string().starts_with(place), "{fault}");
    assert!(fault.what.contains(what) && fault.mend.contains(mend), "{fault}");
    let (report, text) = (faults.report(), files(profile).unwrap().text);
    assert!(report.contains(place.trim_end_matches(':')), "{report}");
    assert!(report.contains(text.lines().nth(fault.line - 1).unwrap()), "the line itself is shown\n{report}");
}

#[test]
fn a_fault_in_a_profile_names_the_profiles_file_line_and_mend() {
    check("wrong-value.toml", "profiles/wrong-value.toml:10:", "is 70000, outside its range", "0 to 65535");
    check("broken.toml", "profiles/broken.toml:10:", "this is not TOML", "`key = value` lines");
    let faults = refused(&site(&ONE.replace("panel.toml", "unknown-key.toml"), ""));
    let places: Vec<String> = faults.iter().map(|f| format!("{}:{}", f.file, f.line)).collect();
    assert_eq!(places, ["profiles/unknown-key.toml:8"; 2], "no key `bitt`, and no bit\n{faults}");
    let faults = refused(&site(&ONE.replace("panel.toml", "odd.toml"), "")).to_string();
    assert!(faults.contains("odd.toml:1:1: the profile `odd.toml` has no key `titel`"), "{faults}");
    assert!(faults.contains("odd.toml:3:1: [crane.mechanism.signals] has no key `hoistload`"), "{faults}");
}

#[test]
fn a_fault_of_many_mechanisms_in_one_profile_is_said_once() {
    let two = site(
        &ONE.replace("panel.toml", "wrong-value.toml"),
        "[[crane.mechanism]]\nid = \"aux\"\ngroup = \"M4\"\nrated_load_kg = 5000",
    );
    assert_eq!(refused(&two).len(), 1);
}

#[test]
fn a_profile_that_cannot_be_read_is_the_only_fault() {
    let faults = refused(&site(&ONE.replace("panel.toml", "gone.toml"), ""));
    assert_eq!(faults.len(), 1, "{faults}");
    let words = faults.to_string();
    assert!(words.starts_with("site.toml:3:11: the profile `gone.toml` cannot be read: no such file"), "{words}");
    let faults = refused(&site(ONE, "without = [\"start\"]"));
    assert!(faults.to_string().contains("no signal `start` to leave out; mend: did you mean `starts`"), "{faults}");
    let faults = refused(&site(&ONE.replace("\"panel.toml\"", "3"), "profile = []"));
    assert!(faults.iter().any(|f| f.what.contains("`profile` in [drive.main] is the number 3")), "{faults}");
    assert!(load(&site(ONE, ""), "site.toml").unwrap_err().to_string().contains("no other file is read here"));
}
