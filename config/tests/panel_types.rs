//! What a signal's registers mean: every type, order, mask and marker as the file says it, and what does not fit.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "tests")]

use tallyhook_config::model::{ByteOrder, On, Rational, RawType, Signal, WordOrder};
use tallyhook_config::{StarterOptions, load, starter};

fn with(line: &str) -> String {
    let starter = starter(&StarterOptions::default());
    let name = line.split(' ').next().unwrap_or_default();
    let kept = starter.lines().filter(|l| !l.starts_with(&format!("{name} ="))).collect::<Vec<_>>().join("\n");
    kept.replace("\n[crane.mechanism.signals]\n", &format!("\n[crane.mechanism.signals]\n{line}\n"))
}

#[track_caller]
fn read(line: &str) -> Signal {
    let config = load(&with(line), "site.toml").unwrap_or_else(|f| panic!("{line}\n{}", f.report()));
    let name = line.split(' ').next().unwrap();
    let signals = &config.cranes[0].mechanisms[0].signals;
    signals.iter().find(|s| s.target.name() == name).unwrap().clone()
}

#[track_caller]
fn refused(line: &str, what: &str, mend: &str) {
    let faults = load(&with(line), "site.toml").map(|_| ()).expect_err(line);
    assert_eq!(faults.len(), 1, "{line}\n{faults}");
    let fault = faults.iter().next().unwrap();
    assert!(fault.what.contains(what) && fault.mend.contains(mend), "{line}\n{fault}\nlacks: {what}, {mend}");
}

#[test]
fn every_type_and_order() {
    for name in RawType::NAMES {
        let raw = read(&format!("speed_pct = {{ address = 90, type = \"{name}\" }}")).register.raw;
        assert_eq!(raw.name(), *name);
        if raw.order().is_some() {
            let low = format!("speed_pct = {{ address = 90, type = \"{name}\", word_order = \"low-first\" }}");
            assert_eq!(read(&low).register.raw, raw.with_order(WordOrder::LowFirst));
        }
    }
    let swapped = read("speed_pct = { address = 90, byte_order = \"low-first\" }");
    assert_eq!(swapped.register.bytes, ByteOrder::LowFirst);
    refused("speed_pct = { address = 65533, type = \"f64\" }", "64 bits wide", "up to 65532");
    refused("speed_pct = { address = 9, type = \"bcd\" }", "none of the words", "bcd16");
}

#[test]
fn scales_are_exact() {
    let scale = |text: &str| read(&format!("speed_pct = {{ address = 90, scale = {text} }}")).scale;
    assert_eq!(scale("0.1"), Rational::new(1, 10).unwrap());
    assert_eq!(scale("\"100/16384\""), Rational::new(25, 4096).unwrap());
    assert_eq!(scale("1e-3"), Rational::new(1, 1000).unwrap());
    assert_eq!(scale("-2"), Rational::new(-2, 1).unwrap());
    // 1 kN is 1000/9.80665 kg, to the last digit.
    let load = read("load_kg = { address = 90, unit = \"kN\" }");
    assert_eq!(load.scale, Rational::new(100_000_000, 980_665).unwrap());
    refused("speed_pct = { address = 9, scale = \"1/0\" }", "no decimal number", "a number");
    refused("speed_pct = { address = 9, scale = \"two\" }", "no decimal number", "1/3");
    refused("speed_pct = { address = 9, scale = 1e10 }", "outside its range", "1000000000");
    refused("speed_pct = { address = 9, scale = 0.12345678901234 }", "no decimal number of up to 12", "fraction");
    let long = "scale = \"999999999989/999999999961\", offset = \"999999999937/999999999877\"";
    refused(
        &format!("speed_pct = {{ address = 9, type = \"u64\", {long} }}"),
        "too many digits to be counted",
        "fewer digits",
    );
}

#[test]
fn what_a_number_is_believed_to_be_at_most() {
    // Ten times the rated load of the site below, in grams, whatever the unit; ten times the motor's rating in 0.001 %.
    for unit in ["kg", "t", "kN", "%"] {
        let load = read(&format!("load_kg = {{ address = 90, unit = \"{unit}\" }}"));
        assert_eq!(load.believed, Some(125_000_000), "{unit}");
    }
    assert_eq!(read("speed_pct = { address = 90 }").believed, Some(1_000_000));
    assert_eq!(read("height_m = { address = 90 }").believed, None);
}

#[test]
fn values_that_say_no_value() {
    let invalid = |keys: &str| read(&format!("speed_pct = {{ address = 90, {keys} }}")).invalid;
    assert_eq!(invalid("type = \"i16\", invalid = 0x8000"), [0x8000]);
    assert_eq!(invalid("type = \"i16\", invalid = -32768"), [0x8000]);
    assert_eq!(invalid("type = \"u32\", invalid = [0xFFFFFFFF, 0]"), [0xFFFF_FFFF, 0]);
    assert_eq!(invalid("type = \"bcd16\", invalid = [9999, 0xFFFF]"), [0x9999, 0xFFFF]);
    assert_eq!(invalid("type = \"sm16\", invalid = -1"), [0x8001]);
    assert_eq!(invalid("type = \"f32\", invalid = [-9999.0, 0x7F7FFFFF]"), [0xC61C_3C00, 0x7F7F_FFFF]);
    refused(
        "speed_pct = { address = 9, type = \"i16\", invalid = 40000 }",
        "can never be this value",
        "-32768 to 32767",
    );
    refused("speed_pct = { address = 9, type = \"u16\", invalid = 0x10000 }", "can never be this value", "hexadecimal");
    refused("speed_pct = { address = 9, invalid = \"none\" }", "does not fit", "hexadecimal");
}

#[test]
fn states_of_a_word() {
    let on = |keys: &str| read(&format!("raising = {{ address = 90, {keys} }}")).on;
    assert_eq!(on("mask = 0x006F, match = 0x0027"), On::Matches { mask: 0x6F, values: vec![0x27] });
    assert_eq!(on("match = [3, 4]"), On::Matches { mask: 0xFFFF, values: vec![3, 4] });
    assert_eq!(on("above = 2.5"), On::Above(Rational::new(5, 2).unwrap()));
    assert_eq!(read("raising = { address = 90, above = 1 }").register.raw, RawType::I16);
    assert_eq!(on("type = \"f32\", below = -1"), On::Below(Rational::new(-1, 1).unwrap()));
    refused("raising = { address = 90, mask = 0x6F }", "at which value it is on", "add `match");
    refused("raising = { address = 90, mask = 0x6F, match = 0x80 }", "outside the mask", "not shifted");
    refused("raising = { address = 90, match = 70000 }", "can never be this value", "0 to 65535");
    refused("raising = { address = 90, match = [] }", "never be on", "name a value");
    refused("raising = { address = 90, mask = 0, match = 0 }", "picks no bit", "0xFFFF");
    refused("raising = { address = 90, type = \"i16\", match = 1 }", "not made of bits", "u16");
    refused("raising = { address = 90, above = 1, below = -1 }", "both `above` and `below`", "keep one");
    refused("raising = { table = \"coil\", address = 9, match = 1 }", "single contact", "take `match` out");
    refused("speed_pct = { address = 90, above = 1 }", "takes no `above`", "two-state");
}

#[test]
fn fields_and_texts() {
    let speed = read("speed_pct = { address = 90, mask = 0x0FF0 }");
    assert_eq!((speed.mask, speed.on), (Some(0x0FF0), On::Set));
    let fault = read("fault = { address = 90, texts = { 1 = \"over-current\", 0x2310 = \"short circuit\" } }");
    assert_eq!(fault.register.raw, RawType::U16);
    assert_eq!(fault.texts.get(&0x2310).map(String::as_str), Some("short circuit"));
    assert_eq!(read("fault = { address = 90, mask = 0xFF00, texts = {} }").on, On::Differs { mask: 0xFF00 });
    refused("fault = { address = 90, texts = { over = \"x\" } }", "is no raw value", "before the `=`");
    refused("fault = { address = 90, bit = 3, texts = {} }", "has `bit`", "take `bit` out");
    refused("speed_pct = { address = 9, type = \"i16\", mask = 0xF }", "not made of bits", "u16");
}
