//! Every test that the threat model names is there: a file of the repository and, behind `::`, a test in it.

#![allow(clippy::unwrap_used, reason = "tests")]

use std::path::Path;

#[test]
fn each_line_of_the_threat_model_names_a_test_that_is_there() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap();
    let text = std::fs::read_to_string(root.join("deploy/threat-model.md")).unwrap();
    let rows: Vec<Vec<&str>> = text
        .lines()
        .filter(|line| line.starts_with("| ") && !line.starts_with("| who |") && !line.starts_with("| --- "))
        .map(|line| line.trim_matches('|').split('|').map(str::trim).collect())
        .collect();
    assert!(rows.len() >= 25, "{} lines", rows.len());
    let mut named = 0;
    for row in &rows {
        let [who, could, stops, shown] = row[..] else { panic!("four columns: {row:?}") };
        if shown == "none" {
            // Said outright, and never for want of a test alone.
            assert!(
                stops.contains("**") || stops.contains("mode 640"),
                "{who} could {could}: no test, and not said why"
            );
            continue;
        }
        let place = shown.strip_prefix('`').and_then(|s| s.strip_suffix('`')).unwrap_or_else(|| panic!("{shown}"));
        let (file, test) = place.split_once("::").map_or((place, None), |(file, test)| (file, Some(test)));
        let source = std::fs::read_to_string(root.join(file)).unwrap_or_else(|e| panic!("{file}: {e}"));
        match test {
            Some(test) => {
                let at = source.find(&format!("fn {test}(")).unwrap_or_else(|| panic!("{file} has no {test}"));
                // What stands right before it makes it a test.
                let before = source[..at].trim_end().trim_end_matches("async").trim_end();
                let begun = before.rfind("\n\n").map_or(0, |i| i + 2);
                let marks = ["test]", "::test("];
                assert!(marks.iter().any(|mark| before[begun..].contains(mark)), "{file}: {test} is no test");
                assert!(!before[begun..].contains("ignore"), "{file}: {test} is not run");
            }
            None if file.ends_with(".rs") => assert!(source.contains("#[test]") || source.contains("::test"), "{file}"),
            None => assert!(source.starts_with("#!"), "{file} is no check that can be run"),
        }
        named += 1;
    }
    println!("{} lines, {named} with a test", rows.len());
    assert!(named * 4 >= rows.len() * 3, "three of four lines have a test");
}
