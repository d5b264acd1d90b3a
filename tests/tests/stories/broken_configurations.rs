//! `check` names file, line and mend of every fault, all of a file in one go.

use tallyhook_tests::cabinet::Cabinet;

/// Each fixture: its file, what stands on the line at fault, and a word that the report must say of it.
const BROKEN: &[(&str, &str, &str)] = &[
    ("unknown-key", "pol = ", "pol"),
    ("address-70000", "70000", "70000"),
    ("two-types-on-one-register", "speed_pct", "height_m"),
    ("rated-load-zero", "rated_load_kg = 0", "rated_load_kg"),
    ("unknown-group", "\"M9\"", "M9"),
    ("word-order-on-16-bit", "word_order", "16 bits"),
    ("missing-drive", "\"mane\"", "mane"),
    ("negative-poll", "-100ms", "poll"),
    ("toml-syntax", "name = \"Yard crane 1", "TOML"),
    ("unit-that-does-not-fit", "\"mm\"", "mm"),
];

fn check(text: &str) -> tallyhook_tests::cabinet::Answer {
    let cabinet = Cabinet::new();
    cabinet.write("site.toml", text);
    cabinet.run(&["check", "--config", "site.toml"])
}

#[test]
fn each_broken_configuration_is_refused_with_file_line_and_mend() {
    let fixtures = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/broken");
    let files = std::fs::read_dir(&fixtures).unwrap().count();
    assert_eq!(files, BROKEN.len(), "every fixture is tried");
    for (name, at_fault, word) in BROKEN {
        let text = std::fs::read_to_string(fixtures.join(format!("{name}.toml"))).unwrap();
        let line = 1 + text.lines().position(|l| !l.starts_with('#') && l.contains(at_fault)).unwrap();
        let answer = check(&text);
        assert_eq!(answer.status.code(), Some(2), "{name}: {}", answer.stderr);
        assert_eq!(answer.stdout, "", "{name}");
        let place = format!("site.toml:{line}:");
        assert!(answer.stderr.contains(&place), "{name}: no {place} in\n{}", answer.stderr);
        assert!(answer.stderr.contains(word), "{name}: no `{word}` in\n{}", answer.stderr);
        assert!(answer.stderr.contains("help: "), "{name}: no mend in\n{}", answer.stderr);
    }
}

#[test]
fn all_faults_of_a_file_come_in_one_go() {
    let starter = Cabinet::new().run(&["init"]).ok();
    let broken = starter
        .replace("rated_load_kg = 12500", "rated_load_kg = 0")
        .replace("group = \"M5\"", "group = \"M9\"")
        .replace("\nunit = 1", "\nunit = 1\npol = \"1s\"")
        .replace("address = 0,", "address = 70000,");
    let answer = check(&broken);
    assert_eq!(answer.status.code(), Some(2));
    for word in ["rated_load_kg", "M9", "`pol`", "70000"] {
        assert!(answer.stderr.contains(word), "no `{word}` in\n{}", answer.stderr);
    }
    check(&starter).ok();
}
