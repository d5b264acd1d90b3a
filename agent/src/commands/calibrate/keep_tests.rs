use super::super::fit::Point;
use super::*;

fn found(loads: &[f64], refused: &[&str]) -> Found {
    let point = |load_kg: &f64| Point {
        load_kg: *load_kg,
        raising_pct: Some(8.0 + load_kg / 100.0),
        raising_off_kg: None,
        lowering_pct: Some(-3.0),
        lowering_off_kg: None,
        runs: 2,
        steady_seconds: 9.0,
    };
    Found {
        mechanism: "main-hoist".to_owned(),
        rated_load_kg: 10_000.0,
        points: loads.iter().map(point).collect(),
        refused: refused.iter().map(|&sentence| sentence.to_owned()).collect(),
        config: refused.is_empty().then(|| "[crane.mechanism.load]\nleads = \"torque_pct\"\n".to_owned()),
        caution: "With care.",
    }
}

#[test]
fn every_point_is_on_disk_once_it_is_taken_and_no_older_file_is_touched() {
    let dir = tempfile::tempdir().unwrap();
    let older = dir.path().join("calibration-main-hoist.toml");
    fs::write(&older, "of last year").unwrap();
    let mut keeper = Keeper::new(dir.path());
    assert_eq!(keeper.keep(&found(&[], &["nothing yet"])), None);
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1, "no file without a point");

    let said = keeper.keep(&found(&[0.0], &["a line needs two"])).unwrap();
    assert!(said.contains("calibration-main-hoist-2.toml"), "{said}");
    let path = dir.path().join("calibration-main-hoist-2.toml");
    let text = fs::read_to_string(&path).unwrap();
    assert!(text.contains("load_kg = 0, raising_pct = 8, lowering_pct = -3") && text.contains("a line needs two"));
    assert!(text.lines().all(|line| line.starts_with('#') || line.is_empty()), "nothing to take as it is: {text}");

    assert_eq!(keeper.keep(&found(&[0.0, 5_000.0], &[])), None, "said once");
    let text = fs::read_to_string(&path).unwrap();
    assert!(text.contains("\nleads = \"torque_pct\"\n") && text.contains("raising_pct = 58"), "{text}");
    // All dropped again.
    assert_eq!(keeper.keep(&found(&[], &["nothing"])), None);
    assert!(!fs::read_to_string(&path).unwrap().contains("load_kg"));
    assert_eq!(fs::read_to_string(older).unwrap(), "of last year");
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 2);
}

#[test]
fn what_cannot_be_kept_is_said_once_with_the_mend() {
    let dir = tempfile::tempdir().unwrap();
    let mut keeper = Keeper::new(&dir.path().join("gone"));
    let said = keeper.keep(&found(&[0.0], &[])).unwrap();
    assert!(said.contains("gone") && said.contains("printed at the end only"), "{said}");
    assert_eq!(keeper.keep(&found(&[0.0, 1.0], &[])), None);
}
