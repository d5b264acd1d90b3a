//! Whatever is in the file, reading it ends in a configuration or in faults whose places are in the text.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "tests")]

use proptest::prelude::*;
use tallyhook_config::{ProfileText, StarterOptions, load, load_bytes, load_with_profiles, starter};

fn reads(bytes: &[u8]) {
    let Err(faults) = load_bytes(bytes, "any.toml") else { return };
    let lines = bytes.iter().filter(|b| **b == b'\n').count() + 1;
    assert!(faults.len() > 0);
    for fault in faults.iter() {
        assert!((1..=lines).contains(&fault.line), "{fault}");
        assert!(!fault.what.contains('\n') && !fault.mend.is_empty(), "{fault}");
    }
    assert!(faults.report().contains("any.toml:"));
}

/// A starter without its comments, all settings switched on.
fn bare() -> Vec<u8> {
    let text = starter(&StarterOptions::default());
    let kept = text.lines().filter(|l| !l.starts_with("# ")).map(|l| l.trim_start_matches('#'));
    kept.collect::<Vec<_>>().join("\n").into_bytes()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn any_bytes(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        reads(&bytes);
    }

    #[test]
    fn any_pieces_of_the_format(pieces in proptest::collection::vec(proptest::sample::select(vec![
        "[", "]", "[[", "]]", "{", "}", "=", "\"", "'", ",", "\n", ".", "#", "-", "1", "1e400", "nan", "0x", "true",
        "drive", "crane", "mechanism", "signals", "load_kg", "address", "id", "é", "\u{0}", "\r", "\"\"\"", "1979-05-27",
    ]), 0..60)) {
        reads(pieces.concat().as_bytes());
    }

    #[test]
    fn a_starter_with_bytes_changed(changes in proptest::collection::vec(
        (any::<prop::sample::Index>(), any::<u8>(), 0_u8..3), 1..8)) {
        let mut bytes = bare();
        for (place, byte, how) in changes {
            let i = place.index(bytes.len());
            match how {
                0 => bytes[i] = byte,
                1 => bytes.insert(i, byte),
                _ => { bytes.remove(i); }
            }
        }
        reads(&bytes);
    }

    #[test]
    fn a_starter_with_values_changed(line in any::<prop::sample::Index>(), value in proptest::sample::select(vec![
        "", "0", "-1", "9223372036854775807", "99999999999999999999", "1e308", "-inf", "nan", "\"\"", "\"x\"", "[]",
        "[[]]", "{}", "{ a = 1 }", "true", "1979-05-27T07:32:00Z", "'''\n'''",
    ])) {
        let text = String::from_utf8(bare()).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        let i = line.index(lines.len());
        let key = lines[i].split('=').next().unwrap().to_owned();
        let mut changed: Vec<String> = lines.iter().map(|l| (*l).to_owned()).collect();
        changed[i] = format!("{key}= {value}");
        reads(changed.join("\n").as_bytes());
    }
}

/// A site whose signals all come from a profile.
const WITH_PROFILE: &str = "[drive.main]\naddress = \"a:1\"\nprofile = \"p\"\n[[crane]]\nid = \"c\"\ngroup = \"A5\"\n\
                            [[crane.mechanism]]\nid = \"m\"\ngroup = \"M5\"\nrated_load_kg = 1000\naddress_offset = 7\n\
                            without = [\"fault\"]\n[crane.mechanism.signals]\nload_kg = { scale = 2 }\n";

const PROFILE: &str = "title = \"Ärger\"\n[drive]\npoll = \"200ms\"\n[signals]\nload_kg = { address = 0, type = \"i32\" }\n\
                       raising = { address = 2, match = [1, 0x2] }\nfault = { address = 3, texts = { 0x10 = \"é\" } }\n";

/// Reads with a profile; a fault in either lies in its own text.
fn reads_with(profile: &str) {
    let read = |_: &str| Ok(ProfileText { file: "profile.toml".to_owned(), text: profile.to_owned() });
    let faults = match load_with_profiles(WITH_PROFILE, "any.toml", &read) {
        Ok(loaded) => {
            // What is kept says the same.
            let again = load(&loaded.text, "kept.toml").unwrap_or_else(|f| panic!("{f}\n{}", loaded.text));
            assert_eq!(format!("{:?}", loaded.config), format!("{again:?}"));
            return;
        }
        Err(faults) => faults,
    };
    for fault in faults.iter() {
        let text = if fault.file == "any.toml" { WITH_PROFILE } else { profile };
        assert!((1..=text.matches('\n').count() + 1).contains(&fault.line), "{fault}\n{text}");
        assert!(fault.span.end <= text.len(), "{fault}");
    }
    assert!(!faults.report().is_empty());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn any_text_as_a_profile(text in "\\PC{0,200}") {
        reads_with(&text);
    }

    #[test]
    fn a_profile_with_pieces_changed(changes in proptest::collection::vec(
        (any::<prop::sample::Index>(), proptest::sample::select(vec![
            "", "[", "]", "{", "}", "=", "\"", ",", "\n", "0x", "-", "é", "type", "bit", "[[signals]]", "[signals.starts]\n", "7",
        ]), any::<bool>()), 0..5)) {
        let mut text = PROFILE.to_owned();
        for (place, piece, replace) in changes {
            let at = text.char_indices().map(|(i, _)| i).nth(place.index(text.chars().count().max(1))).unwrap_or(0);
            if replace && at < text.len() {
                text.remove(at);
            }
            text.insert_str(at, piece);
        }
        reads_with(&text);
    }
}
