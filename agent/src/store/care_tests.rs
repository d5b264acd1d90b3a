//! Copies, damage and the way back; a log cut at every frame.

use std::collections::BTreeSet;
use std::path::Path;

use tallyhook_analysis::units::Timestamp;

use super::backup::{copies, make, restore};
use super::sealed_tests::{config, proof, work};
use super::verify::verify;
use super::*;

fn at(second: i64) -> Timestamp {
    Timestamp::from_ms(1_790_000_000_000 + second * 1000)
}

/// Everything that `verify` vouches for, to compare two ledgers by: with what the open day has so far.
pub fn sealed(dir: &Path) -> String {
    let reader = Reader::open(dir).unwrap();
    let id = "main-hoist";
    let entries = reader.entries(id).unwrap();
    let hours = reader.hours(id, None, None).unwrap();
    let lifts = reader.lifts(&LiftFilter::default()).unwrap();
    let days = reader.days(id, i32::MIN, i32::MAX).unwrap();
    let records = reader.day_records(id, i32::MIN, i32::MAX).unwrap();
    let gaps = reader.gaps(id, None, None).unwrap();
    let state = reader.state(id).unwrap();
    format!("{lifts:?}\n{days:?}\n{records:?}\n{hours:?}\n{gaps:?}\n{entries:?}\n{state:?}")
}

fn filled(days: i64) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    work(&mut store, &config(""), 0..days);
    dir
}

#[test]
fn a_copy_is_made_while_the_writer_writes_and_goes_back_into_an_empty_place_only() {
    let dir = filled(3);
    let (to, back) = (dir.path().join("copies"), dir.path().join("back"));
    std::fs::write(dir.path().join("configuration.toml"), "# as it was").unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let kept = |n: i64, store: &mut Store| {
        work(store, &config(""), 3 + n..4 + n);
        make(dir.path(), &to, 2, at(n)).unwrap()
    };
    let first = kept(0, &mut store);
    let then = sealed(dir.path());
    assert!(first.removed.is_empty());
    restore(&first.copy, &back).unwrap();
    assert_eq!(sealed(&back), then, "what was copied is what came back");
    assert!(proof(&back).ok);
    assert_eq!(std::fs::read_to_string(back.join("configuration.toml")).unwrap(), "# as it was");

    let before = std::fs::read(ledger_path(&back)).unwrap();
    assert!(matches!(restore(&first.copy, &back), Err(StoreError::Occupied { .. })));
    assert_eq!(std::fs::read(ledger_path(&back)).unwrap(), before);

    kept(1, &mut store);
    let third = kept(2, &mut store);
    assert_eq!(third.removed, [first.copy], "the oldest goes");
    assert_eq!(copies(&to, at(0)).unwrap().len(), 2);

    // The restored store goes on where it was left.
    let mut again = Store::open(&back).unwrap();
    work(&mut again, &config(""), 4..6);
    drop(again);
    assert!(proof(&back).ok, "{:#?}", proof(&back).faults);
}

#[test]
fn what_is_no_copy_is_not_restored() {
    let dir = tempfile::tempdir().unwrap();
    let (from, back) = (dir.path().join("ledger.sqlite3"), dir.path().join("back"));
    for content in
        [None, Some(&b""[..]), Some(b"not a ledger, but long enough to be taken for a file of some database")]
    {
        if let Some(bytes) = content {
            std::fs::write(&from, bytes).unwrap();
        }
        let refused = restore(&from, &back).unwrap_err();
        assert!(matches!(&refused, StoreError::NoCopy { path } if *path == from), "{content:?}: {refused}");
        assert!(!back.exists(), "{content:?}");
    }
}

/// What only the proof finds, when the copy stands in the new place already.
#[test]
fn a_copy_that_does_not_add_up_is_named_and_its_place_is_left_as_it_was() {
    let dir = filled(3);
    let copy = make(dir.path(), &dir.path().join("copies"), 2, at(0)).unwrap().copy;
    let changed = rusqlite::Connection::open(&copy).unwrap();
    assert!(changed.execute("UPDATE day SET starts = starts + 1", []).unwrap() > 0);
    drop(changed);
    for place in ["back", "deep/back"] {
        let refused = restore(&copy, &dir.path().join(place)).unwrap_err();
        assert!(matches!(&refused, StoreError::DamagedCopy { path, .. } if *path == copy), "{refused}");
        assert!(!dir.path().join(place).exists() && !dir.path().join("deep").exists());
    }
    std::fs::create_dir(dir.path().join("there")).unwrap();
    restore(&copy, &dir.path().join("there")).unwrap_err();
    assert_eq!(dir.path().join("there").read_dir().unwrap().count(), 0, "who made it keeps it");
}

#[test]
fn a_copy_writes_only_what_the_one_it_starts_from_has_not() {
    let dir = filled(24);
    let (to, back) = (dir.path().join("copies"), tempfile::tempdir().unwrap());
    let mut store = Store::open(dir.path()).unwrap();
    let mut day = 24;
    let mut kept = |work_on: bool| {
        day += 1;
        if work_on {
            work(&mut store, &config(""), day - 1..day);
        }
        let made = make(dir.path(), &to, 2, at(day)).unwrap();
        let place = back.path().join(day.to_string());
        restore(&made.copy, &place).unwrap();
        assert_eq!(sealed(&place), sealed(dir.path()), "what was copied is what came back");
        let length = std::fs::metadata(&made.copy).unwrap().len();
        println!("copy {day}: {} of {length} bytes written", made.written);
        (made.written, length)
    };
    for _ in 0..3 {
        let (written, length) = kept(true);
        assert_eq!(written, length, "it starts from nothing");
    }
    let (written, length) = kept(true);
    // Three days of 28, and the pages that every day writes on.
    assert!(written * 3 < length, "{written} of {length}");
    for _ in 0..3 {
        kept(false);
    }
    let (written, _) = kept(false);
    assert!(written <= 4096, "{written}: only the copy's own row, and the page that leads to it");

    // A power cut leaves half a copy, a bad card a wrong one.
    let spare = || {
        let all = std::fs::read_dir(&to).unwrap().map(|entry| entry.unwrap().path());
        all.filter(|path| path.extension().is_some_and(|e| e == "spare")).collect::<Vec<_>>()
    };
    let [one] = spare().try_into().unwrap();
    std::fs::rename(&one, one.with_extension("unfinished")).unwrap();
    let torn = std::fs::read(one.with_extension("unfinished")).unwrap();
    std::fs::write(one.with_extension("unfinished"), &torn[..torn.len() / 2 + 300]).unwrap();
    kept(true);
    let [two] = spare().try_into().unwrap();
    let mut wrong = std::fs::read(&two).unwrap();
    wrong.iter_mut().step_by(3000).for_each(|byte| *byte ^= 0x55);
    wrong.extend_from_slice(&[7; 5000]);
    std::fs::write(&two, &wrong).unwrap();
    kept(true);
    assert_eq!(copies(&to, at(0)).unwrap().len(), 2);
    assert_eq!(spare().len(), 1);
}

/// The clock read 2038 for one look: the copy of that look is no newer than what it holds.
#[test]
fn a_copy_dated_in_the_future_goes_when_its_turn_comes_and_is_not_what_comes_back() {
    let dir = filled(1);
    let to = dir.path().join("copies");
    let kept = |day: i64, made: Timestamp| {
        let mut store = Store::open(dir.path()).unwrap();
        work(&mut store, &config(""), day..day + 1);
        drop(store);
        make(dir.path(), &to, 3, made).unwrap()
    };
    let day = |n: i64| at(n * 86_400);
    let first = kept(1, day(0));
    let ahead = kept(2, Timestamp::from_ms(2_147_483_000_000));
    kept(3, day(1));
    let newest = kept(4, day(2));
    assert_eq!(newest.removed, [first.copy], "the oldest goes");
    let truth = sealed(dir.path());
    std::fs::remove_file(ledger_path(dir.path())).unwrap();
    let (store, found) = Store::open_sound(dir.path(), Some(&to), day(3)).unwrap();
    drop(store);
    assert_eq!(found.unwrap().copy, newest.copy);
    assert_eq!(sealed(dir.path()), truth);

    assert_eq!(kept(5, day(3)).removed, [ahead.copy]);
    // By a clock that is behind it is the newest all the same, and is not what goes.
    let behind = kept(6, Timestamp::from_ms(0));
    assert!(behind.copy.exists() && !behind.removed.contains(&behind.copy), "{behind:?}");
    assert_eq!(copies(&to, day(4)).unwrap()[0].path, behind.copy);
}

#[test]
fn what_holds_a_date_ahead_of_the_clock_or_cannot_be_read_comes_last() {
    let (dir, ahead) = (filled(2), tempfile::tempdir().unwrap());
    let mut store = Store::open(ahead.path()).unwrap();
    // In 2049.
    work(&mut store, &config(""), 9_000..9_002);
    drop(store);
    let to = dir.path().join("copies");
    let wrong = make(ahead.path(), &to, 9, at(5)).unwrap().copy;
    let good = make(dir.path(), &to, 9, at(0)).unwrap().copy;
    let odd = to.join("ledger-20990101T000000Z.sqlite3");
    std::fs::write(&odd, "no ledger").unwrap();
    let order: Vec<_> = copies(&to, at(9)).unwrap().into_iter().map(|copy| copy.path).collect();
    assert_eq!(order, [good.clone(), wrong.clone(), odd.clone()]);
    let made = make(dir.path(), &to, 2, at(10)).unwrap();
    assert_eq!(made.removed, [wrong, odd]);
    assert!(good.exists());
}

#[test]
fn two_who_make_copies_in_one_directory_do_not_go_on_with_each_others_file() {
    let dir = filled(12);
    let to = dir.path().join("copies");
    let start = std::sync::Barrier::new(2);
    for round in 0..20 {
        let one = |second: i64| {
            start.wait();
            make(dir.path(), &to, 2, at(round * 10 + second))
        };
        let results = std::thread::scope(|scope| {
            let other = scope.spawn(|| one(1));
            [one(0), other.join().unwrap()]
        });
        assert!(results.iter().any(Result::is_ok), "{results:?}");
        for refused in results.into_iter().filter_map(Result::err) {
            assert!(matches!(&refused, StoreError::Copying { dir } if *dir == to), "{refused}");
        }
    }
    for copy in copies(&to, at(999)).unwrap() {
        super::backup::prove(&copy.path).unwrap();
    }
    let alone = std::fs::File::open(&to).unwrap();
    alone.lock().unwrap();
    let refused = make(dir.path(), &to, 2, at(1000)).unwrap_err().to_string();
    assert!(refused.contains("another copy is being made"), "{refused}");
}

/// `restore` and `backup` are run by root, and the daemon by a user of its own.
#[test]
fn what_root_makes_belongs_to_whose_directory_it_is_in() {
    use std::os::unix::fs::{MetadataExt as _, chown};
    let dir = filled(3);
    std::fs::write(dir.path().join("configuration.toml"), "# as it was").unwrap();
    let home = dir.path().join("home");
    std::fs::create_dir(&home).unwrap();
    chown(&home, Some(4_321), Some(8_765)).expect("this proof gives files away, run it as root");
    let copy = make(dir.path(), &home.join("copies"), 2, at(0)).unwrap().copy;
    restore(&copy, &home.join("deep/back")).unwrap();
    std::fs::create_dir(home.join("empty")).unwrap();
    chown(home.join("empty"), Some(1_234), Some(8_765)).unwrap();
    restore(&copy, &home.join("empty")).unwrap();
    let owner = |place: &Path| {
        let found = std::fs::metadata(place).unwrap();
        (found.uid(), found.gid())
    };
    for place in ["copies", "deep", "deep/back"] {
        assert_eq!(owner(&home.join(place)), (4_321, 8_765), "{place}");
    }
    assert_eq!(owner(&copy), (4_321, 8_765));
    for (place, user) in [("deep/back", 4_321), ("empty", 1_234)] {
        let files: Vec<_> = home.join(place).read_dir().unwrap().map(|file| file.unwrap().path()).collect();
        assert!(files.contains(&ledger_path(&home.join(place))) && files.len() > 1, "{files:?}");
        files.iter().for_each(|file| assert_eq!(owner(file), (user, 8_765), "{}", file.display()));
    }
}

#[test]
fn a_copy_that_does_not_add_up_is_not_kept_and_removes_none() {
    let dir = filled(4);
    let to = dir.path().join("copies");
    make(dir.path(), &to, 1, at(0)).unwrap();
    let raw = rusqlite::Connection::open(ledger_path(dir.path())).unwrap();
    raw.execute("UPDATE day SET lifts = lifts + 1 WHERE day = 20001", []).unwrap();
    drop(raw);
    let refused = make(dir.path(), &to, 1, at(90_000)).unwrap_err();
    assert!(refused.to_string().contains("2024-10-05"), "{refused}");
    assert_eq!(copies(&to, at(0)).unwrap().len(), 1);
    assert_eq!(std::fs::read_dir(&to).unwrap().count(), 1, "nothing unfinished is left");
}

#[test]
fn damage_at_200_random_places_is_found_or_harmless_and_nothing_good_is_overwritten() {
    let origin = filled(5);
    let to = origin.path().join("backup");
    let copy = make(origin.path(), &to, 3, at(0)).unwrap().copy;
    let (good, saved) = (std::fs::read(ledger_path(origin.path())).unwrap(), std::fs::read(&copy).unwrap());
    let truth = sealed(origin.path());
    let mut random = fastrand::Rng::with_seed(9755);
    let (mut replaced, mut told, mut harmless, mut refused) = (0, 0, 0, 0);
    for n in 0..200 {
        let dir = tempfile::tempdir().unwrap();
        let mut bytes = good.clone();
        if n % 4 == 0 {
            bytes.truncate(random.usize(0..bytes.len()));
        } else {
            for _ in 0..random.usize(1..40) {
                let place = random.usize(0..bytes.len());
                bytes[place] ^= random.u8(1..=255);
            }
        }
        let ledger = ledger_path(dir.path());
        std::fs::write(&ledger, &bytes).unwrap();
        match Store::open_sound(dir.path(), Some(&to), at(n)) {
            Ok((store, Some(found))) => {
                drop(store);
                assert_eq!(std::fs::read(found.aside.unwrap()).unwrap(), bytes, "the damaged one is kept as it was");
                assert!(proof(dir.path()).ok);
                assert_eq!(sealed(dir.path()), truth);
                replaced += 1;
            }
            Ok((store, None)) => {
                drop(store);
                if verify(&Reader::open(dir.path()).unwrap()).unwrap().ok {
                    assert_eq!(sealed(dir.path()), truth, "verify must not be green over something else");
                    harmless += 1;
                } else {
                    told += 1;
                }
            }
            // A format number that was hit: a newer version's, or an older one's that cannot be brought up.
            Err(error) => {
                assert!(matches!(error, StoreError::TooNew { .. } | StoreError::Damaged { .. }), "{error}");
                refused += 1;
            }
        }
        assert_eq!(std::fs::read(&copy).unwrap(), saved, "the copy is never touched");
    }
    println!("{replaced} replaced by the copy, {told} named by verify, {harmless} harmless, {refused} refused");
    assert!(replaced > 100, "{replaced}");
    let back = tempfile::tempdir().unwrap();
    restore(&copy, back.path()).unwrap();
    assert!(proof(back.path()).ok);
}

#[test]
fn a_ledger_that_is_gone_comes_back_and_without_a_copy_a_damaged_one_stays_as_it_is() {
    let dir = filled(3);
    let to = dir.path().join("backup");
    make(dir.path(), &to, 3, at(0)).unwrap();
    let truth = sealed(dir.path());
    // As after a power cut between putting the damaged one aside and putting the copy in its place.
    std::fs::remove_file(ledger_path(dir.path())).unwrap();
    let (store, found) = Store::open_sound(dir.path(), Some(&to), at(9)).unwrap();
    drop(store);
    assert!(found.unwrap().aside.is_none());
    assert_eq!(sealed(dir.path()), truth);

    let mut bytes = std::fs::read(ledger_path(dir.path())).unwrap();
    bytes.truncate(9000);
    std::fs::write(ledger_path(dir.path()), &bytes).unwrap();
    assert!(Store::open_sound(dir.path(), None, at(9)).is_err());
    assert_eq!(std::fs::read(ledger_path(dir.path())).unwrap(), bytes);
}

/// A power cut leaves of the log what had been written of it: cut at every frame and in its midst, the ledger opens, is
/// that of some commit, and adds up.
#[test]
fn a_log_cut_at_every_frame_gives_the_ledger_of_some_commit() {
    const HEADER: usize = 32;
    const FRAME_HEADER: usize = 24;
    let dir = filled(1);
    let mut store = Store::open(dir.path()).unwrap();
    let wal = dir.path().join("ledger.sqlite3-wal");
    let base = std::fs::read(ledger_path(dir.path())).unwrap();
    let mut commits = BTreeSet::from([sealed(dir.path())]);
    let mut last = String::new();
    for day in 1..7 {
        work(&mut store, &config(""), day..day + 1);
        last = sealed(dir.path());
        commits.insert(last.clone());
    }
    assert_eq!(std::fs::read(ledger_path(dir.path())).unwrap(), base, "all of it is still in the log");
    let log = std::fs::read(&wal).unwrap();
    // The page's size stands in the log's header.
    let frame = FRAME_HEADER + u32::from_be_bytes(log[8..12].try_into().unwrap()) as usize;
    let frames = (log.len() - HEADER) / frame;
    assert!(frames > 50, "{frames}");
    let mut seen = BTreeSet::new();
    for cut in (0..=frames).flat_map(|n| [0, FRAME_HEADER, frame / 2].map(|part| HEADER + n * frame + part)) {
        let place = tempfile::tempdir().unwrap();
        std::fs::write(ledger_path(place.path()), &base).unwrap();
        std::fs::write(place.path().join("ledger.sqlite3-wal"), &log[..cut.min(log.len())]).unwrap();
        drop(Store::open(place.path()).unwrap());
        let found = proof(place.path());
        assert!(found.ok, "cut at {cut}: {:#?}", found.faults);
        let stands = sealed(place.path());
        assert!(commits.contains(&stands), "cut at {cut}: that is the ledger of no commit");
        seen.insert(stands);
    }
    println!("{frames} frames, {} commits, {} seen", commits.len(), seen.len());
    assert_eq!(seen, commits, "each commit stands after some cut");
    drop(store);
    assert_eq!(sealed(dir.path()), last);
}
