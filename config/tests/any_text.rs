//! Whatever is in the file, reading it ends in a configuration or in faults whose places are in the text.

#![allow(clippy::unwrap_used, reason = "tests")]

use proptest::prelude::*;
use tallyhook_config::{StarterOptions, load_bytes, starter};

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
