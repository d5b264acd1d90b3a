//! A store of two hoists that have not moved yet, and questions that are wrong: each is refused with its mend, and what lay
//! there before lies there after.

use std::path::Path;
use std::time::Duration;

use tallyhook_tests::cabinet::{Cabinet, wait_for};
use tallyhook_tests::peers::free_port;
use tallyhook_tests::yard::{configuration, hoist, status};

/// Lets the daemon make a store of two cranes whose drive does not answer, in `data`.
fn store_at_rest(cabinet: &Cabinet, with_samples: bool) {
    let more = format!("[[crane]]\nid = \"yard-2\"\nname = \"Yard 2\"\ngroup = \"A5\"\n{}", hoist("second-hoist"));
    let text = configuration(free_port(), free_port(), &more);
    let samples = text.lines().find(|line| line.starts_with("samples = ")).unwrap();
    let text = if with_samples { text.clone() } else { text.replace(samples, "") };
    let text = text.replace("[store]\n", "[store]\nbackup = \"../copies\"\n");
    cabinet.write("site.toml", &text);
    let daemon = cabinet.start(&["run", "--config", "site.toml"]);
    wait_for("the copy of the configuration", Duration::from_secs(30), || {
        cabinet.path().join("data/configuration.toml").is_file().then_some(())
    });
    status(cabinet);
    assert_eq!(daemon.interrupt(Duration::from_secs(30)).code(), Some(0));
}

/// Runs a command that must be refused as wrong use, with these words.
fn refused(cabinet: &Cabinet, command: &str, words: &[&str]) {
    let answer = cabinet.run(&command.split(' ').collect::<Vec<_>>());
    assert_eq!(answer.status.code(), Some(2), "{command}: {answer:?}");
    assert_eq!(answer.stdout, "", "{command}");
    for word in words {
        assert!(answer.stderr.contains(word), "{command}: {word} is not in {}", answer.stderr);
    }
}

fn text(path: &Path) -> String {
    std::fs::read_to_string(path).unwrap()
}

#[test]
fn a_hoist_that_has_not_moved_is_one_of_the_store() {
    let cabinet = Cabinet::new();
    store_at_rest(&cabinet, true);
    // From its first commit on, which may have been before its end, a ledger has its first entry and a day's rows of nothing.
    let of_nothing = |what: &str, row: &str| match what {
        "days" => row.ends_with(",0,0,0,0,0,"),
        "spectrum" => row.ends_with(",0,0"),
        "ledger" => row.contains("-hoist,1,begin,"),
        _ => false,
    };
    for what in ["lifts", "days", "spectrum", "findings", "ledger"] {
        for more in [&[][..], &["--mechanism", "second-hoist"]] {
            let said = cabinet.run(&[&["export", "--data", "data", "--what", what], more].concat()).ok();
            assert!(said.lines().next().is_some_and(|header| header.contains("mechanism,")), "{what}: {said}");
            assert!(said.lines().skip(1).all(|row| of_nothing(what, row)), "{what}: {said}");
        }
    }
    let samples = ["export", "--data", "data", "--what", "samples", "--mechanism", "second-hoist"];
    let said = cabinet.run(&samples).ok();
    let nothing_read = |row: &str| row.split_once(',').is_some_and(|(_, signals)| signals.bytes().all(|b| b == b','));
    assert!(said.starts_with("time,") && said.lines().skip(1).all(nothing_read), "{said}");
    refused(
        &cabinet,
        "export --data data --what lifts --mechanism third-hoist",
        &["no mechanism `third-hoist`; it has main-hoist, second-hoist"],
    );
    let both = ["say which with --mechanism: main-hoist, second-hoist"];
    refused(&cabinet, "export --data data --what samples", &both);
}

#[test]
fn an_export_that_fails_leaves_its_file_as_it_was() {
    let cabinet = Cabinet::new();
    store_at_rest(&cabinet, false);
    let old = cabinet.write("old.csv", "of last year");
    for form in ["csv", "parquet"] {
        for out in ["old.csv", "new.csv"] {
            let asked = format!("export --data data --what samples --mechanism main-hoist --format {form} --out {out}");
            refused(&cabinet, &asked, &["no raw samples of `main-hoist`", "samples = {", "under [store]"]);
        }
    }
    assert_eq!(text(&old), "of last year");
    assert!(!cabinet.path().join("new.csv").exists());
    // What succeeds leaves nothing of what was there.
    cabinet.run(&["export", "--data", "data", "--what", "lifts", "--out", "old.csv"]).ok();
    assert!(text(&old).starts_with("mechanism,begin,end,") && text(&old).lines().count() == 1, "{}", text(&old));
    let said = cabinet.run(&["export", "--data", "data", "--what", "lifts", "--out", "/dev/stdout"]).ok();
    assert_eq!(said, text(&old));
    refused(&cabinet, "export --data data --what lifts --out none/new.csv", &["give another file to --out"]);
}

#[test]
fn no_file_of_the_store_is_written_over() {
    let cabinet = Cabinet::new();
    store_at_rest(&cabinet, true);
    let data = cabinet.path().join("data");
    cabinet.run(&["backup", "--data", "data", "--to", "data/backup"]).ok();
    let copy = data.join("backup").read_dir().unwrap().next().unwrap().unwrap().path();
    let copy = copy.strip_prefix(cabinet.path()).unwrap().display().to_string();
    std::os::unix::fs::symlink(data.join("ledger.sqlite3"), cabinet.path().join("link.csv")).unwrap();
    let held: Vec<(&str, Vec<u8>)> = ["data/ledger.sqlite3", "data/configuration.toml", copy.as_str()]
        .into_iter()
        .map(|name| (name, std::fs::read(cabinet.path().join(name)).unwrap()))
        .collect();
    let absent = ["data/ledger.sqlite3-wal", "./data/ledger.redo", "data/backup/../samples/main-hoist/1.thr"];
    for out in held.iter().map(|(name, _)| *name).chain(absent).chain(["link.csv"]) {
        for what in ["lifts", "samples --mechanism main-hoist"] {
            let words = ["may be a file of the store", "give --out a file outside data"];
            refused(&cabinet, &format!("export --data data --what {what} --out {out}"), &words);
        }
    }
    for out in ["data/ledger.sqlite3", "link.csv"] {
        refused(&cabinet, &format!("report --data data --out {out}"), &["may be a file of the store"]);
    }
    for (name, bytes) in held {
        assert!(std::fs::read(cabinet.path().join(name)).unwrap() == bytes, "{name} has changed");
    }
    assert!(!cabinet.path().join(absent[2]).exists());
    cabinet.run(&["verify", "--data", "data"]).ok();
    cabinet.run(&["export", "--data", "data", "--what", "lifts", "--out", "data.csv"]).ok();
    cabinet.run(&["export", "--data", "data", "--what", "lifts", "--out", "data/lifts.csv"]).ok();
    // Copies are left alone where the configuration has them put beside the store, too.
    std::fs::create_dir_all(cabinet.path().join("copies")).unwrap();
    let out = "copies/2026-03-09.sqlite3";
    refused(
        &cabinet,
        &format!("export --data data --what lifts --out {out}"),
        &["give --out a file outside data/../copies"],
    );
    assert!(!cabinet.path().join(out).exists());
}

#[test]
fn a_time_that_ends_before_it_begins_is_refused() {
    let cabinet = Cabinet::new();
    store_at_rest(&cabinet, true);
    cabinet.write("weights.csv", "time,torque_pct,raising,lowering\n0,0,0,0\n");
    for command in [
        "lifts --data data --mechanism main-hoist",
        "lifts --data data --mechanism main-hoist --json",
        "trend --data data",
        "whatif --data data --mechanism main-hoist",
        "report --data data",
        "export --data data --what lifts",
        "export --data data --what days",
        "export --data data --what samples --mechanism main-hoist",
        "calibrate --config site.toml --mechanism main-hoist --samples weights.csv --weight 0",
    ] {
        refused(&cabinet, &format!("{command} --from 2026-03-02 --to 2026-03-01"), &["--to is not after --from"]);
    }
    let day = ["--from", "2026-03-01", "--to", "2026-03-02"];
    for command in ["lifts --mechanism main-hoist --data data", "trend --data data", "export --data data --what days"] {
        let words: Vec<&str> = command.split(' ').chain(day).collect();
        cabinet.run(&words).ok();
        // From an instant to itself there is nothing either; one day up to and with itself is a day.
        refused(&cabinet, &format!("{command} --from 2026-03-01 --to 2026-03-01"), &["--to is not after --from"]);
    }
    let whatif = "whatif --data data --mechanism main-hoist --from 2026-03-01 --to 2026-03-01";
    refused(&cabinet, whatif, &["no day of the record is over in that time"]);
}

#[test]
fn the_status_of_a_mechanism_has_its_own_crane() {
    let cabinet = Cabinet::new();
    store_at_rest(&cabinet, true);
    for (mechanism, crane, other) in [("second-hoist", "yard-2", "yard-1"), ("main-hoist", "yard-1", "yard-2")] {
        let asked = ["status", "--data", "data", "--mechanism", mechanism];
        let site = cabinet.run(&[&asked[..], &["--json"]].concat()).json();
        assert_eq!(site["crane"]["id"], crane);
        let cranes: Vec<&str> = site["cranes"].as_array().unwrap().iter().map(|c| c["id"].as_str().unwrap()).collect();
        assert_eq!(cranes, [crane]);
        let sheet = cabinet.run(&asked).ok();
        assert!(sheet.contains(&format!("({crane}), the crane as a whole")) && !sheet.contains(other), "{sheet}");
    }
    let all = status(&cabinet);
    assert_eq!(all["crane"]["id"], "yard-1");
    assert_eq!(all["cranes"].as_array().unwrap().len(), 2);
}

#[test]
fn a_damaged_copy_is_named_and_leaves_no_directory() {
    let cabinet = Cabinet::new();
    store_at_rest(&cabinet, true);
    let file = cabinet.write("copies.old", "of last year");
    for to in ["copies.old", "copies.old/deeper"] {
        refused(&cabinet, &format!("backup --data data --to {to}"), &["copies.old is no directory; give a directory"]);
    }
    assert_eq!(text(&file), "of last year");

    cabinet.run(&["backup", "--data", "data", "--to", "copies"]).ok();
    let copy = cabinet.path().join("copies").read_dir().unwrap().next().unwrap().unwrap().path();
    let mut bytes = std::fs::read(&copy).unwrap();
    // The pages behind the head, which says how many there are.
    bytes[4096..].fill(0x5a);
    cabinet.write("damaged.sqlite3", "");
    std::fs::write(cabinet.path().join("damaged.sqlite3"), bytes).unwrap();
    for place in ["back", "deep/back"] {
        let answer = cabinet.run(&["restore", "--from", "damaged.sqlite3", "--data", place]);
        assert_eq!(answer.status.code(), Some(3), "{answer:?}");
        let words = ["the copy damaged.sqlite3 is damaged: ", "; restore another copy"];
        assert!(words.iter().all(|word| answer.stderr.contains(word)), "{answer:?}");
        assert!(!answer.stderr.contains("restoring"), "{answer:?}");
        assert!(!cabinet.path().join("back").exists() && !cabinet.path().join("deep").exists());
    }
}
