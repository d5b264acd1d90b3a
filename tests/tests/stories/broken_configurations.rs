//! `check` names file, line and mend of every fault, all of a file in one go.

use tallyhook_tests::cabinet::Cabinet;

#[test]
fn each_broken_configuration_is_refused_with_file_line_and_mend() {
    let fixtures = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/broken");
    let mut seen = 0;
    for entry in std::fs::read_dir(fixtures).unwrap() {
        let path = entry.unwrap().path();
        let text = std::fs::read_to_string(&path).unwrap();
        let cabinet = Cabinet::new();
        cabinet.write("site.toml", &text);
        let answer = cabinet.run(&["check", "--config", "site.toml"]);
        assert_eq!(answer.status.code(), Some(2), "{}: {}", path.display(), answer.stderr);
        assert_eq!(answer.stdout, "", "{}", path.display());
        // Each fixture marks the lines that are at fault, and a word that the report must say of each.
        let marks: Vec<(usize, &str)> = text
            .lines()
            .enumerate()
            .filter_map(|(i, line)| line.split_once("# FAULT:").map(|(_, word)| (i + 1, word.trim())))
            .collect();
        assert!(!marks.is_empty(), "{} marks no fault", path.display());
        for (line, word) in marks {
            let place = format!("site.toml:{line}:");
            assert!(answer.stderr.contains(&place), "{}: no {place} in\n{}", path.display(), answer.stderr);
            assert!(answer.stderr.contains(word), "{}: no `{word}` in\n{}", path.display(), answer.stderr);
        }
        assert!(answer.stderr.contains("mend"), "{}: no mend in\n{}", path.display(), answer.stderr);
        seen += 1;
    }
    assert!(seen >= 10, "only {seen} broken configurations were tried");
}
