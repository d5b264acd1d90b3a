//! Commits ahead of the ledger: what a crash leaves of the redo log, and what is made of it.

use std::collections::BTreeSet;
use std::io::{Read as _, Write as _};
use std::path::{Path, PathBuf};

use super::care_tests::sealed;
use super::sealed_tests::{config, lifts, proof};
use super::*;

const BLOCK: usize = 4096;

fn redo_of(dir: &Path) -> PathBuf {
    dir.join("ledger.redo")
}

/// The bytes of the redo log up to the end of its last record.
fn log_of(dir: &Path) -> Vec<u8> {
    let mut bytes = std::fs::read(redo_of(dir)).unwrap();
    bytes.truncate(bytes.iter().rposition(|byte| *byte != 0).map_or(0, |last| last + 1));
    bytes
}

/// The store's directory as a power cut would leave it.
fn as_it_is(dir: &Path) -> tempfile::TempDir {
    let place = tempfile::tempdir().unwrap();
    for file in ["ledger.sqlite3", "ledger.sqlite3-wal", "ledger.redo"] {
        if dir.join(file).exists() {
            std::fs::copy(dir.join(file), place.path().join(file)).unwrap();
        }
    }
    place
}

/// A store that writes ahead, and has the lifts of an hour in the ledger: two, for the first of a day is of an empty hook.
/// The next three are in the hour for which the ledger may be behind.
fn begun() -> (tempfile::TempDir, Store) {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    store.write_ahead();
    lifts(&mut store, &config(""), 0..3);
    store.settle().unwrap();
    assert!(!store.is_behind());
    (dir, store)
}

/// How many lifts the writer goes on from.
fn counted(store: &Store) -> u64 {
    sealed_tests::book(store, &config("")).account().recorder().totals().lifts
}

/// The same lifts by a store that writes each commit to the ledger.
fn written_through(lifts_of: std::ops::Range<i64>) -> String {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    lifts(&mut store, &config(""), 0..3);
    lifts(&mut store, &config(""), lifts_of);
    sealed(dir.path())
}

#[test]
fn the_writer_sees_its_commits_and_others_once_they_are_settled() {
    let (dir, mut store) = begun();
    let before = std::fs::metadata(dir.path().join("ledger.sqlite3-wal")).unwrap().len();
    lifts(&mut store, &config(""), 3..5);
    assert!(store.is_behind());
    assert_eq!(
        std::fs::metadata(dir.path().join("ledger.sqlite3-wal")).unwrap().len(),
        before,
        "nothing but the redo log"
    );
    let reader = Reader::open_as_it_lies(dir.path()).unwrap();
    let count = || reader.lift_count(&LiftFilter::default()).unwrap();
    assert_eq!(count(), 2);
    assert_eq!(counted(&store), 4);
    assert_eq!(store.messages_after(0, 100).unwrap().len() as u64, store.last_seq().unwrap());
    store.settle().unwrap();
    assert!(!store.is_behind());
    assert_eq!(count(), 4);
    assert!(!redo::holds_something(dir.path()).unwrap());
    assert_eq!(sealed(dir.path()), written_through(3..5));
}

#[test]
fn after_a_crash_whoever_looks_first_takes_in_what_was_acknowledged() {
    let (dir, mut store) = begun();
    lifts(&mut store, &config(""), 3..6);
    let truth = written_through(3..6);
    // A reader, beside no daemon.
    let place = as_it_is(dir.path());
    assert_eq!(Reader::open_as_it_lies(place.path()).unwrap().lift_count(&LiftFilter::default()).unwrap(), 2);
    assert_eq!(sealed(place.path()), truth);
    assert!(proof(place.path()).ok, "{:#?}", proof(place.path()).faults);
    assert!(!redo::holds_something(place.path()).unwrap());
    // The next run, and a crash before it has settled anything.
    let place = as_it_is(dir.path());
    let mut next = Store::open(place.path()).unwrap();
    assert!(next.is_behind());
    assert_eq!(counted(&next), 5);
    let again = as_it_is(place.path());
    assert_eq!(sealed(again.path()), truth);
    next.write_ahead();
    lifts(&mut next, &config(""), 6..7);
    drop(next);
    assert_eq!(sealed(place.path()), written_through(3..7));
    // A person's entry.
    let place = as_it_is(dir.path());
    let service = service::Service {
        mechanism: "main-hoist".to_owned(),
        at: tallyhook_analysis::units::Timestamp::from_ms(1),
        work: service::Work::Note,
        by: "Ann".to_owned(),
        note: "gear oil".to_owned(),
    };
    service::append(place.path(), &service).unwrap();
    assert_eq!(sealed(place.path()), truth);
}

#[test]
fn a_ledger_that_is_still_to_be_proved_is_not_written_to() {
    let (dir, mut store) = begun();
    lifts(&mut store, &config(""), 3..6);
    let place = as_it_is(dir.path());
    let written =
        || ["", "-wal"].map(|of| std::fs::read(format!("{}{of}", ledger_path(place.path()).display())).unwrap());
    // The look at its format takes in the log of the crash.
    drop(Reader::open_as_it_lies(place.path()).unwrap());
    let now = tallyhook_analysis::units::Timestamp::default();
    let (mut next, _) = Store::open_soon(place.path(), None, now, 0).unwrap();
    assert!(next.is_unproved());
    let before = written();
    next.write_ahead();
    assert_eq!(counted(&next), 5, "its books go on from what the redo log says");
    assert!(written() == before);
    let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
    runtime.block_on(async {
        let handle = next.into_handle().unwrap();
        handle.settle().await.unwrap();
        handle.close().await;
    });
    assert_eq!(sealed(place.path()), written_through(3..6));
}

/// A power cut leaves of the redo log what had been written of it.
#[test]
fn a_redo_log_cut_at_every_block_and_within_gives_the_ledger_of_some_commit() {
    let (dir, mut store) = begun();
    let mut commits = BTreeSet::from([written_through(3..3)]);
    for lift in 3..6 {
        lifts(&mut store, &config(""), lift..lift + 1);
        commits.insert(written_through(3..lift + 1));
    }
    let log = log_of(dir.path());
    let mut seen = BTreeSet::new();
    let places = (0..log.len()).step_by(BLOCK).flat_map(|at| [0, 1, 40, 200, BLOCK / 2].map(|part| at + part));
    for cut in places.chain([log.len() - 1, log.len()]) {
        let place = as_it_is(dir.path());
        std::fs::write(redo_of(place.path()), &log[..cut.min(log.len())]).unwrap();
        let stands = sealed(place.path());
        assert!(commits.contains(&stands), "cut at {cut}: that is the ledger of no commit");
        assert!(proof(place.path()).ok, "cut at {cut}");
        assert!(std::fs::read_dir(place.path()).unwrap().all(|file| !is_left(&file.unwrap().path())), "cut at {cut}");
        seen.insert(stands);
    }
    assert_eq!(seen, commits, "each commit stands after some cut");
}

fn is_left(path: &Path) -> bool {
    path.file_name().is_some_and(|name| name.to_string_lossy().starts_with("left"))
}

#[test]
fn a_damaged_redo_log_is_taken_in_up_to_the_place_and_kept_if_more_was_behind_it() {
    let (dir, mut store) = begun();
    let mut commits = vec![written_through(3..3)];
    for lift in 3..6 {
        lifts(&mut store, &config(""), lift..lift + 1);
        commits.push(written_through(3..lift + 1));
    }
    let log = log_of(dir.path());
    let records = log.len().div_ceil(BLOCK);
    assert_eq!(records, 3, "a lift is one block");
    for (record, at) in (0..records).flat_map(|record| [0, 9, 20, 50, 90, 300].map(|at| (record, at))) {
        let place = as_it_is(dir.path());
        let mut bytes = log.clone();
        bytes[record * BLOCK + at] ^= 0x10;
        std::fs::write(redo_of(place.path()), &bytes).unwrap();
        let mut next = Store::open(place.path()).unwrap();
        let left = next.take_left();
        drop(next);
        assert_eq!(sealed(place.path()), commits[record], "{record}, {at}");
        // The last one can be one that was torn.
        assert_eq!(left.is_some(), record < records - 1, "{record}, {at}: {left:?}");
        let kept: Vec<_> =
            std::fs::read_dir(place.path()).unwrap().map(|f| f.unwrap().path()).filter(|p| is_left(p)).collect();
        assert_eq!(kept.len(), usize::from(left.is_some()));
        for kept in kept {
            assert!(left.as_ref().unwrap().contains(&kept.display().to_string()), "{left:?}");
            assert_eq!(std::fs::read(&kept).unwrap(), bytes, "it is kept as it was");
        }
    }
}

/// An older ledger beside a redo log that goes on from a later one, as when somebody puts a copy in the ledger's place.
fn an_older_ledger() -> tempfile::TempDir {
    let (dir, mut store) = begun();
    let copy = as_it_is(dir.path());
    lifts(&mut store, &config(""), 3..4);
    store.settle().unwrap();
    lifts(&mut store, &config(""), 4..6);
    std::fs::copy(redo_of(dir.path()), redo_of(copy.path())).unwrap();
    copy
}

#[test]
fn a_redo_log_beside_another_ledger_is_put_aside_and_says_so() {
    let copy = an_older_ledger();
    let before = std::fs::read(redo_of(copy.path())).unwrap();
    let mut next = Store::open(copy.path()).unwrap();
    let left = next.take_left().unwrap();
    assert!(left.contains("does not go on") && left.contains("left.redo"), "{left}");
    drop(next);
    assert_eq!(sealed(copy.path()), written_through(3..3));
    assert!(std::fs::read(copy.path().join("left.redo")).unwrap() == before, "it is kept as it was");
}

/// Running time by the hours, into which a record must not go twice.
fn running_ms(dir: &Path) -> i64 {
    let ledger = rusqlite::Connection::open(ledger_path(dir)).unwrap();
    ledger.query_row("SELECT sum(running_ms) FROM hour", [], |row| row.get(0)).unwrap()
}

#[test]
fn a_record_that_was_refused_does_not_come_back_when_it_is_tried_again() {
    let (dir, mut store) = begun();
    let truth = tempfile::tempdir().unwrap();
    let mut through = Store::open(truth.path()).unwrap();
    lifts(&mut through, &config(""), 0..3);
    let mut book = sealed_tests::book(&store, &config(""));
    let mut other = sealed_tests::book(&through, &config(""));
    for lift in 3..6 {
        let commits = |book: &mut crate::daemon::book::Book| {
            sealed_tests::lift(book, lift);
            let mut commits: Vec<_> = book.commit().into_iter().collect();
            book.committed();
            // So that every record has an hour that is over.
            let begin = tallyhook_analysis::units::Timestamp::from_ms(lift * 3_600_000);
            commits[0].hours = vec![tallyhook_analysis::account::HourSums {
                begin,
                end: tallyhook_analysis::units::Timestamp::from_ms((lift + 1) * 3_600_000),
                running_ms: 1000,
                gap_ms: 0,
                cube_ms: 0,
                starts: 1,
                lifts: 1,
                day: None,
            }];
            commits
        };
        through.commit(&commits(&mut other)).unwrap();
        let commits = commits(&mut book);
        if lift > 3 {
            store.let_syncs_fail(true);
            assert!(matches!(store.commit(&commits), Err(StoreError::Io { .. })));
            store.let_syncs_fail(false);
            // As SQLite does by itself after some faults of the disk.
            store.connection().execute_batch("ROLLBACK").unwrap();
        }
        store.commit(&commits).unwrap();
    }
    store.settle().unwrap();
    assert_eq!(running_ms(dir.path()), running_ms(truth.path()));
    assert_eq!(sealed(dir.path()), sealed(truth.path()));
}

#[test]
fn a_redo_log_that_cannot_be_emptied_makes_room_for_another() {
    let (dir, mut store) = begun();
    lifts(&mut store, &config(""), 3..4);
    store.let_syncs_fail(true);
    store.settle().unwrap();
    assert!(!redo_of(dir.path()).exists(), "all of it is in the ledger");
    lifts(&mut store, &config(""), 4..5);
    assert!(store.is_behind(), "there is another one");
    assert_eq!(sealed(as_it_is(dir.path()).path()), written_through(3..5));
    // Nor can it be removed: a directory has its name in the place of a disk that fails.
    store.let_syncs_fail(true);
    std::fs::remove_file(redo_of(dir.path())).unwrap();
    std::fs::create_dir(redo_of(dir.path())).unwrap();
    assert!(store.settle().is_err());
    std::fs::remove_dir(redo_of(dir.path())).unwrap();
    std::fs::write(redo_of(dir.path()), "THredo01").unwrap();
    lifts(&mut store, &config(""), 5..6);
    assert_eq!(sealed(dir.path()), written_through(3..6), "nothing was added to one that is not empty");
}

#[test]
fn without_a_redo_log_every_commit_goes_to_the_ledger() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::create_dir(redo_of(dir.path())).unwrap();
    // What cannot be read may hold something.
    let mut store = Store::open(dir.path()).unwrap();
    let left = store.take_left().unwrap();
    assert!(left.contains("cannot be read") && dir.path().join("left.redo").is_dir(), "{left}");
    store.write_ahead();
    std::fs::create_dir(redo_of(dir.path())).unwrap();
    lifts(&mut store, &config(""), 0..6);
    assert!(!store.is_behind());
    drop(store);
    std::fs::remove_dir(redo_of(dir.path())).unwrap();
    assert_eq!(sealed(dir.path()), written_through(3..6));
}

#[test]
fn who_looks_after_a_crash_puts_nothing_aside() {
    let copy = an_older_ledger();
    let before = std::fs::read(redo_of(copy.path())).unwrap();
    let refused = Reader::open(copy.path()).unwrap_err();
    assert!(matches!(refused, StoreError::Redo { .. }), "{refused}");
    assert!(std::fs::read(redo_of(copy.path())).unwrap() == before, "it is left to the daemon");
}

#[test]
fn a_look_at_the_outbox_at_which_nothing_goes_settles_nothing() {
    let (_dir, mut store) = begun();
    lifts(&mut store, &config(""), 3..5);
    let bound = |before: i64| trim::Bound {
        after: 0,
        before: tallyhook_analysis::units::Timestamp::from_ms(before),
        excess: 0,
        owed_to: Vec::new(),
    };
    assert_eq!(store.drop_oldest(&bound(0)).unwrap().messages, 0);
    assert!(store.is_behind());
    assert!(store.drop_oldest(&bound(i64::MAX)).unwrap().messages > 0);
    assert!(!store.is_behind());
}

#[test]
fn what_many_hoists_bring_stays_in_memory_until_it_is_settled() {
    let (dir, mut store) = begun();
    // So that its log only grows.
    store.connection().pragma_update(None, "wal_autocheckpoint", 0).unwrap();
    let mut book = sealed_tests::book(&store, &config(""));
    sealed_tests::lift(&mut book, 3);
    let commits: Vec<_> = book.commit().into_iter().collect();
    let of = |hoist: i64| {
        let mut commits = commits.clone();
        let name = format!("hoist-{hoist}");
        commits[0].messages.iter_mut().for_each(|message| message.id = format!("{name}:{}", message.id));
        commits[0].mechanism = name;
        commits
    };
    (0..100).for_each(|hoist| drop(store.commit(&of(hoist)).unwrap()));
    store.settle().unwrap();
    let log = || std::fs::metadata(dir.path().join("ledger.sqlite3-wal")).unwrap().len();
    let before = log();
    for hoist in 0..100 {
        let mut commits = of(hoist);
        commits[0].at = commits[0].at.plus(tallyhook_analysis::units::Span::from_ms(1));
        store.commit(&commits).unwrap();
    }
    assert!(store.is_behind());
    assert_eq!(log(), before);
    store.settle().unwrap();
    assert!(log() > before + 128 * 1024, "more than the writer keeps otherwise: {}", log() - before);
}

#[test]
fn who_looks_while_another_takes_in_and_a_daemon_starts_does_not_wait_for_its_end() {
    let (dir, mut store) = begun();
    lifts(&mut store, &config(""), 3..4);
    let place = as_it_is(dir.path());
    let lock = place.path().join("ledger.lock");
    std::fs::write(&lock, "in passing\n").unwrap();
    let held = std::fs::File::options().read(true).write(true).open(&lock).unwrap();
    held.lock().unwrap();
    let data = place.path().to_owned();
    let asking = std::thread::spawn(move || Reader::open(&data).unwrap_err());
    assert!(matches!(asking.join().unwrap(), StoreError::Locked { .. }), "it looks again and again, and says so");
    // A daemon that starts waits a while for who takes in.
    let data = place.path().to_owned();
    let starting = std::thread::spawn(move || Store::open(&data).map(drop));
    asking::pause();
    held.unlock().unwrap();
    starting.join().unwrap().unwrap();
}

#[test]
fn a_record_that_cannot_be_made_out_is_put_aside_and_says_so() {
    let (dir, store) = begun();
    let place = as_it_is(dir.path());
    drop(store);
    // As a version to come might write it.
    let mut log = redo::Redo::open(place.path()).unwrap();
    let on = Store::open(place.path()).unwrap().mark().unwrap();
    log.append(&redo::Record { on, makes: [1; 32], payload: vec![3, 0] }).unwrap();
    let mut next = Store::open(place.path()).unwrap();
    let left = next.take_left().unwrap();
    assert!(left.contains("left.redo"), "{left}");
    drop(next);
    assert_eq!(sealed(place.path()), written_through(3..3));
}

#[test]
fn what_was_settled_and_not_emptied_any_more_is_not_taken_twice() {
    let (dir, mut store) = begun();
    lifts(&mut store, &config(""), 3..6);
    let log = std::fs::read(redo_of(dir.path())).unwrap();
    store.settle().unwrap();
    let place = as_it_is(dir.path());
    std::fs::write(redo_of(place.path()), &log).unwrap();
    let mut next = Store::open(place.path()).unwrap();
    assert_eq!(next.take_left(), None);
    drop(next);
    assert_eq!(sealed(place.path()), written_through(3..6));
}

#[test]
fn a_full_disk_refuses_what_it_cannot_hold_and_nothing_stands_twice() {
    let (dir, mut store) = begun();
    lifts(&mut store, &config(""), 3..5);
    // SQLite has no page more: what is in its transaction stands in the redo log, the next lifts are refused.
    store.bound(Some(0)).unwrap();
    let mut refused = 0;
    let mut next = 5;
    for lift in 5..60 {
        match try_lift(&mut store, lift) {
            Ok(()) => next = lift + 1,
            Err(error) => {
                assert!(matches!(error, StoreError::Full { .. }), "{error}");
                refused += 1;
                break;
            }
        }
    }
    assert_eq!(refused, 1, "the ledger is bound");
    assert_eq!(sealed(as_it_is(dir.path()).path()), written_through(3..next));
    store.bound(None).unwrap();
    lifts(&mut store, &config(""), next..next + 2);
    store.settle().unwrap();
    assert_eq!(sealed(dir.path()), written_through(3..next + 2));
}

fn try_lift(store: &mut Store, lift: i64) -> Result<(), StoreError> {
    sealed_tests::try_lifts(store, &config(""), lift..lift + 1)
}

#[test]
fn a_day_that_closes_and_what_is_held_go_to_the_ledger_at_once() {
    let (dir, store) = begun();
    let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
    let mut book = sealed_tests::book(&store, &config(""));
    let handle = store.into_handle().unwrap();
    let commits = |book: &mut crate::daemon::book::Book, lift: i64| {
        sealed_tests::lift(book, lift);
        let commits: Vec<_> = book.commit().into_iter().collect();
        book.committed();
        commits
    };
    runtime.block_on(async {
        handle.commit(commits(&mut book, 3)).await.unwrap();
        assert!(handle.is_behind());
        let held = handle.hold();
        handle.settle().await.unwrap();
        assert!(!handle.is_behind());
        handle.commit(commits(&mut book, 4)).await.unwrap();
        assert!(!handle.is_behind(), "it is held");
        drop(held);
        handle.commit(commits(&mut book, 5)).await.unwrap();
        assert!(handle.is_behind());
        // The first lift of the next day.
        handle.commit(commits(&mut book, 72)).await.unwrap();
        assert!(!handle.is_behind(), "a day has closed");
        handle.commit(commits(&mut book, 73)).await.unwrap();
        assert!(handle.is_behind());
        handle.close().await;
    });
    let reader = Reader::open_as_it_lies(dir.path()).unwrap();
    assert_eq!(reader.lift_count(&LiftFilter::default()).unwrap(), 7, "closing settles");
    assert!(proof(dir.path()).ok);
}

#[test]
fn an_hour_is_the_most_that_the_ledger_is_behind() {
    let (_dir, mut store) = begun();
    // Three lifts an hour.
    let behind: Vec<bool> = (3..12)
        .map(|lift| {
            lifts(&mut store, &config(""), lift..lift + 1);
            store.is_behind()
        })
        .collect();
    assert_eq!(behind, [true, true, true, false, true, true, true, false, true]);
}

#[test]
fn what_sqlite_lets_go_of_is_done_again() {
    let (dir, mut store) = begun();
    let mut book = sealed_tests::book(&store, &config(""));
    for lift in 3..6 {
        sealed_tests::lift(&mut book, lift);
        store.commit(&book.commit().into_iter().collect::<Vec<_>>()).unwrap();
        book.committed();
        // As it does by itself after some faults of the disk.
        store.connection().execute_batch("ROLLBACK").unwrap();
    }
    store.settle().unwrap();
    assert_eq!(sealed(dir.path()), written_through(3..6));
}

/// A daemon's part of it, in a directory of this name below a new one.
fn answering(name: &str, with: impl FnOnce(&Path, StoreHandle) + Send + 'static) {
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join(name);
    let mut store = Store::open(&data).unwrap();
    store.write_ahead();
    lifts(&mut store, &config(""), 0..3);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let handle = store.into_handle().unwrap();
        // The writer begins by settling; what is answered, and what is committed, comes after that.
        let mut book = sealed_tests::book_on(&config(""), handle.resume("main-hoist").await.unwrap());
        for third in 3..5 {
            sealed_tests::lift(&mut book, third);
            handle.commit(book.commit().into_iter().collect()).await.unwrap();
            book.committed();
        }
        assert!(handle.is_behind());
        let listener = asking::listen(&data).unwrap();
        let serving = tokio::spawn(asking::serve(listener, handle.clone(), crate::clock::Clock::system()));
        let (place, to) = (data.clone(), handle.clone());
        tokio::task::spawn_blocking(move || with(&place, to)).await.unwrap();
        serving.abort();
        asking::close(&data).unwrap();
        handle.close().await;
        assert!(!data.join("ledger.socket").exists());
    });
}

#[test]
fn who_reads_beside_the_daemon_has_it_settle_first() {
    // Longer than the name of a socket may be.
    let long = "a-directory-with-a-name-of-some-length/".repeat(4);
    for name in ["data", &long] {
        answering(name, |data, handle| {
            assert!(handle.is_behind());
            assert_eq!(Reader::open(data).unwrap().lift_count(&LiftFilter::default()).unwrap(), 4);
            assert!(!handle.is_behind());
        });
    }
}

#[test]
fn who_writes_beside_the_daemon_finds_the_ledger_open_to_him() {
    answering("data", |data, handle| {
        let (mut connection, held) = schema::open_beside(data).unwrap();
        assert!(!handle.is_behind());
        let transaction = connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate).unwrap();
        transaction.commit().unwrap();
        drop(held);
    });
}

#[test]
fn who_asks_and_does_not_let_go_is_in_nobodys_way() {
    answering("data", |data, handle| {
        let mut silent: Vec<_> =
            std::iter::repeat_with(|| std::os::unix::net::UnixStream::connect(data.join("ledger.socket")).unwrap())
                .take(20)
                .collect();
        assert_eq!(Reader::open(data).unwrap().lift_count(&LiftFilter::default()).unwrap(), 4);
        // Who connected may not have been let in yet; who is answered was.
        silent.iter_mut().for_each(|silent| silent.read_exact(&mut [0]).unwrap());
        let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
        let commit = MechanismCommit { mechanism: "main-hoist".to_owned(), ..MechanismCommit::default() };
        runtime.block_on(handle.commit(vec![commit])).unwrap();
        assert!(!handle.is_behind(), "while they hold it every commit goes to the ledger itself");
        drop(silent);
    });
}

#[test]
fn what_the_daemon_cannot_bring_into_the_ledger_is_owned_up_to() {
    let (dir, mut store) = begun();
    lifts(&mut store, &config(""), 3..5);
    // The daemon answers all the same, once: who looks is better off with what there is.
    let listener = std::os::unix::net::UnixListener::bind(dir.path().join("ledger.socket")).unwrap();
    let answering = std::thread::spawn(move || {
        let (mut asking, _) = listener.accept().unwrap();
        asking.write_all(b".").unwrap();
        assert_eq!(asking.read(&mut [0]).unwrap(), 0, "who asked lets go");
    });
    let reader = Reader::open(dir.path()).unwrap();
    assert!(reader.is_behind());
    assert_eq!(reader.lift_count(&LiftFilter::default()).unwrap(), 2);
    answering.join().unwrap();
    store.settle().unwrap();
    let reader = Reader::open(dir.path()).unwrap();
    assert!(!reader.is_behind());
    assert_eq!(reader.lift_count(&LiftFilter::default()).unwrap(), 4);
}

#[test]
fn a_daemon_that_ends_while_somebody_asks_leaves_a_ledger_to_read() {
    let (dir, mut store) = begun();
    lifts(&mut store, &config(""), 3..5);
    // It still has the lock, and no socket any more.
    let data = dir.path().to_owned();
    let asking = std::thread::spawn(move || Reader::open(&data).unwrap().lift_count(&LiftFilter::default()).unwrap());
    store.settle().unwrap();
    drop(store);
    assert_eq!(asking.join().unwrap(), 4);
}
