//! Completion and manual pages, made from the commands' own definitions.

// The lint's own exception for tests does not reach a test file's helper functions.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeSet;
use std::process::Command;

fn told(arguments: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_tallyhook")).args(arguments).output().unwrap();
    assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// The commands as `--help` lists them.
fn commands() -> BTreeSet<String> {
    let help = told(&["--help"]);
    let (_, list) = help.split_once("Commands:\n").unwrap();
    let lines = list.lines().take_while(|line| !line.is_empty());
    // A long description is carried on further in.
    let names =
        lines.filter(|l| l.starts_with("  ") && !l.starts_with("   ")).filter_map(|l| l.split_whitespace().next());
    names.filter(|name| *name != "help").map(str::to_owned).collect()
}

#[test]
fn a_shell_that_has_the_completion_offers_what_there_is() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("tallyhook");
    std::fs::write(&file, told(&["completions", "bash"])).unwrap();
    let complete = |words: &str, last: usize| -> BTreeSet<String> {
        let script = format!(
            "source \"$1\" && COMP_WORDS=({words}) && COMP_CWORD={last} && \
             _tallyhook tallyhook \"${{COMP_WORDS[{last}]}}\" \"\" && printf '%s\\n' \"${{COMPREPLY[@]}}\""
        );
        let output = Command::new("bash").args(["-c", &script, "bash"]).arg(&file).output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap().lines().map(str::to_owned).collect()
    };
    let all = commands();
    let with_re: BTreeSet<String> = all.iter().filter(|name| name.starts_with("re")).cloned().collect();
    assert!(with_re.contains("report") && with_re.contains("restore"), "{with_re:?}");
    assert_eq!(complete("tallyhook re", 1), with_re);
    assert!(complete("tallyhook trend --", 2).contains("--mechanism"));
}

#[test]
fn every_command_has_a_manual_page() {
    let dir = tempfile::tempdir().unwrap();
    told(&["man", "--out", dir.path().to_str().unwrap()]);
    let pages: BTreeSet<String> =
        std::fs::read_dir(dir.path()).unwrap().map(|f| f.unwrap().file_name().into_string().unwrap()).collect();
    for command in commands() {
        assert!(pages.contains(&format!("tallyhook-{command}.1")), "{command}: {pages:?}");
    }
    let page = std::fs::read_to_string(dir.path().join("tallyhook-trend.1")).unwrap();
    assert!(page.contains(".SH OPTIONS") && page.contains("\\-\\-mechanism"), "{page}");
    assert!(told(&["man"]).contains(".TH tallyhook 1"));
}
