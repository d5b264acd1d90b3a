//! The ledger against a model, against a full disk, and against a process that is killed.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead as _, BufReader, Write as _};
use std::path::Path;
use std::process::{Command, Stdio};

use proptest::prelude::*;
use tallyhook_analysis::account::State;
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::recorder::{Gap, Recorder, Spec, Utc};
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::spectrum::{BANDS, Totals};
use tallyhook_analysis::units::{Grams, Timestamp};

use super::message::{Message, MessageKind};
use super::*;

fn ms(at: i64) -> Timestamp {
    Timestamp::from_ms(at)
}

/// Lifts whose fields follow from their beginning and `salt`, so that two with one beginning may differ.
fn lift(begin: i64, salt: i64) -> Lift {
    Lift {
        begin: ms(begin),
        end: ms(begin + 61_234 + salt),
        load: Grams::new(7_654_321 + begin % 1000),
        peak: Grams::new(8_100_000),
        running_ms: 23_456,
        starts: 4,
        band: (begin.rem_euclid(12)) as u8,
        overload: begin % 2 == 0,
        cut: begin % 3 == 0,
        uncertainty: (begin % 5 != 0).then(|| Grams::new(81_000 + begin % 1000)),
    }
}

fn message(id: &str, at: i64, kind: MessageKind, mechanism: &str) -> Message {
    let body = serde_json::json!({ "load_kg": 7654.321, "at": at });
    Message { id: id.to_owned(), at: ms(at), kind, crane: "yard-1".to_owned(), mechanism: mechanism.to_owned(), body }
}

fn empty_commit(mechanism: &str, at: i64) -> MechanismCommit {
    MechanismCommit { mechanism: mechanism.to_owned(), at: ms(at), ..MechanismCommit::default() }
}

/// A recorder's state in the midst of things.
fn state_after(loads: &[i64]) -> State {
    let mut recorder = Recorder::new(Spec::hoist(Grams::from_kg(16_000.0)));
    for (i, load) in loads.iter().enumerate() {
        let mut sample = Sample::at(ms(i as i64 * 400));
        sample.set(Quantity::Load, Some(*load));
        sample.set_flag(Flag::Raising, Some(load % 2 == 0));
        sample.set_flag(Flag::Lowering, Some(false));
        recorder.step(&sample, &Utc, &mut |_| {});
    }
    recorder.state().clone().into()
}

fn any_totals() -> impl Strategy<Value = Totals> {
    (any::<[u64; 7]>(), any::<[u64; BANDS]>(), any::<[u64; BANDS]>(), any::<u128>(), any::<u128>()).prop_map(
        |(n, band_ms, band_lifts, cube_ms, lift_cubes)| Totals {
            observed_ms: n[0],
            gap_ms: n[1],
            running_ms: n[2],
            load_unknown_ms: n[3],
            band_ms,
            cube_ms,
            starts: n[4],
            lifts: n[5],
            overload_lifts: n[6],
            band_lifts,
            lift_cubes,
        },
    )
}

fn any_commit() -> impl Strategy<Value = MechanismCommit> {
    let lifts = prop::collection::vec((0..40_i64, 0..2_i64).prop_map(|(b, salt)| lift(b * 1000, salt).into()), 0..6);
    let gaps = prop::collection::vec((0..20_i64, 0..9_i64), 0..3)
        .prop_map(|g| g.into_iter().map(|(b, l)| Gap { begin: ms(b), end: ms(b + l) }).collect());
    let days = prop::collection::vec((19_000..19_004, any_totals()), 0..3);
    let flags = prop::collection::vec((prop::sample::select(Flag::ALL.to_vec()), (0..30_i64).prop_map(ms)), 0..3);
    let messages = prop::collection::vec((0..25_u8, 0..50_i64, any::<bool>()), 0..4);
    let loads = prop::collection::vec(0..16_000_000_i64, 0..30);
    (0..3_usize, lifts, gaps, days, flags, messages, loads).prop_map(
        |(which, lifts, gaps, days, flags, messages, loads)| {
            let mechanism = ["main-hoist", "aux-hoist", "trolley"][which].to_owned();
            let messages = messages
                .into_iter()
                .map(|(id, at, warns)| {
                    let kind = if warns { MessageKind::Warning } else { MessageKind::Lift };
                    message(&format!("event-{id}"), at, kind, &mechanism)
                })
                .collect();
            let at = ms(loads.len() as i64);
            let warn_crossed = BTreeMap::from([("used_share".to_owned(), loads.len())]);
            MechanismCommit {
                state: state_after(&loads),
                at,
                warn_crossed,
                lifts,
                gaps,
                days,
                messages,
                flags,
                mechanism,
                ..MechanismCommit::default()
            }
        },
    )
}

/// What the ledger should hold.
#[derive(Default)]
struct Model {
    lifts: BTreeMap<(String, Timestamp), Lift>,
    gaps: BTreeMap<(String, Timestamp), Timestamp>,
    days: BTreeMap<(String, i32), Totals>,
    flags: BTreeSet<(String, Timestamp, Flag)>,
    messages: Vec<Message>,
    snapshots: BTreeMap<String, Snapshot>,
    order: Vec<String>,
    refused: u64,
}

impl Model {
    fn take(&mut self, c: &MechanismCommit) {
        let id = || c.mechanism.clone();
        if !self.order.contains(&c.mechanism) {
            self.order.push(id());
        }
        for BookedLift { lift, .. } in &c.lifts {
            let standing = self.lifts.entry((id(), lift.begin)).or_insert(*lift);
            self.refused += u64::from(standing != lift);
        }
        for gap in &c.gaps {
            let end = self.gaps.entry((id(), gap.begin)).or_insert(gap.end);
            *end = gap.end.max(*end);
        }
        for (day, totals) in &c.days {
            self.days.insert((id(), *day), totals.clone());
        }
        self.flags.extend(c.flags.iter().map(|(flag, at)| (id(), *at, *flag)));
        for message in &c.messages {
            if !self.messages.iter().any(|m| m.id == message.id) {
                self.messages.push(message.clone());
            }
        }
        let snapshot = Snapshot { at: c.at, state: c.state.clone(), warn_crossed: c.warn_crossed.clone() };
        self.snapshots.insert(id(), snapshot);
    }

    fn check(&self, dir: &Path) {
        let reader = Reader::open(dir).unwrap();
        reader.check_structure().unwrap();
        assert_eq!(reader.mechanisms().unwrap(), self.order);
        let mut all: Vec<(Timestamp, Lift)> = Vec::new();
        for id in &self.order {
            let expected: Vec<Lift> = self.lifts.iter().filter(|((m, _), _)| m == id).map(|(_, l)| *l).collect();
            let filter = LiftFilter { mechanism: Some(id), ..LiftFilter::default() };
            let found: Vec<Lift> = reader.lifts(&filter).unwrap().into_iter().map(|row| row.lift).collect();
            assert_eq!(found, expected);
            assert_eq!(reader.lift_count(&filter).unwrap(), expected.len() as u64);
            all.extend(expected.into_iter().map(|l| (l.begin, l)));
            let days: Vec<(i32, Totals)> =
                self.days.iter().filter(|((m, _), _)| m == id).map(|((_, day), t)| (*day, t.clone())).collect();
            assert_eq!(reader.days(id, i32::MIN, i32::MAX).unwrap(), days);
            let gaps: Vec<Gap> = self
                .gaps
                .iter()
                .filter(|((m, _), _)| m == id)
                .map(|((_, begin), end)| Gap { begin: *begin, end: *end })
                .collect();
            assert_eq!(reader.gaps(id, None, None).unwrap(), gaps);
            let flags: Vec<(Flag, Timestamp)> =
                self.flags.iter().filter(|(m, ..)| m == id).map(|(_, at, flag)| (*flag, *at)).collect();
            assert_eq!(reader.flags(id, None, None).unwrap(), flags);
            assert_eq!(reader.state(id).unwrap().as_ref(), self.snapshots.get(id));
        }
        self.check_merged(&reader, all);
        let messages: Vec<Message> = reader.messages_after(0, usize::MAX).unwrap().into_iter().map(|m| m.1).collect();
        assert_eq!(messages, self.messages);
    }

    /// All mechanisms together, a window of them, the newest first.
    fn check_merged(&self, reader: &Reader, mut all: Vec<(Timestamp, Lift)>) {
        let (from, to) = (ms(5_000), ms(33_000));
        all.retain(|(begin, _)| *begin >= from && *begin < to);
        all.sort_by_key(|(begin, _)| std::cmp::Reverse(*begin));
        let begins: Vec<Timestamp> = all.iter().map(|(begin, _)| *begin).skip(2).take(5).collect();
        let filter = LiftFilter {
            from: Some(from),
            to: Some(to),
            limit: Some(5),
            offset: 2,
            newest_first: true,
            ..LiftFilter::default()
        };
        let found: Vec<Timestamp> = reader.lifts(&filter).unwrap().iter().map(|row| row.lift.begin).collect();
        assert_eq!(found, begins);
        assert_eq!(reader.lift_count(&filter).unwrap(), all.len() as u64);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn what_was_committed_is_read_back(rounds in prop::collection::vec(prop::collection::vec(any_commit(), 0..4), 1..6)) {
        let dir = tempfile::tempdir().unwrap();
        let mut model = Model::default();
        let mut refused = 0;
        for commits in &rounds {
            let mut store = Store::open(dir.path()).unwrap();
            let done = store.commit(commits).unwrap();
            refused += done.lifts_refused;
            commits.iter().for_each(|c| model.take(c));
            prop_assert_eq!(done.last_seq, store.last_seq().unwrap());
            prop_assert_eq!(refused, model.refused);
            // A reader beside the writer, then one after it.
            model.check(dir.path());
            for (id, snapshot) in &model.snapshots {
                let resumed = store.resume(id).unwrap().unwrap();
                prop_assert_eq!(&resumed, &(snapshot.state.clone(), snapshot.warn_crossed.clone()));
            }
            drop(store);
            model.check(dir.path());
        }
    }
}

#[test]
fn a_commit_made_twice_changes_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let commit = MechanismCommit {
        lifts: vec![lift(1000, 0).into()],
        messages: vec![message("a", 1, MessageKind::Lift, "main-hoist")],
        gaps: vec![Gap { begin: ms(1), end: ms(9) }],
        flags: vec![(Flag::Fault, ms(3))],
        ..empty_commit("main-hoist", 1)
    };
    let first = store.commit(std::slice::from_ref(&commit)).unwrap();
    assert_eq!(store.commit(std::slice::from_ref(&commit)).unwrap(), first);
    assert_eq!(first, Committed { last_seq: 1, ..Committed::default() });
    let other = MechanismCommit { lifts: vec![lift(1000, 1).into()], ..commit };
    assert_eq!(store.commit(&[other]).unwrap().lifts_refused, 1);
    let standing = Reader::open(dir.path()).unwrap().lifts(&LiftFilter::default()).unwrap();
    assert_eq!(standing.iter().map(|row| row.lift).collect::<Vec<_>>(), [lift(1000, 0)]);
}

#[test]
fn only_one_may_write_and_the_other_is_told_who() {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::open(dir.path()).unwrap();
    let refused = Store::open(dir.path()).unwrap_err();
    assert!(matches!(refused, StoreError::Busy { .. }), "{refused}");
    assert!(refused.to_string().contains(&format!("by process {}", std::process::id())), "{refused}");
    drop(store);
    Store::open(dir.path()).unwrap();
}

#[test]
fn a_missing_a_foreign_and_a_newer_store_are_refused_and_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    assert!(matches!(Reader::open(dir.path()), Err(StoreError::Missing { .. })));
    let path = ledger_path(dir.path());

    std::fs::write(&path, b"delivery notes of the Eastfield precast yard, not a ledger").unwrap();
    assert!(matches!(Store::open(dir.path()), Err(StoreError::NotOurs { .. })));
    assert!(std::fs::read(&path).unwrap().starts_with(b"delivery notes"));

    std::fs::remove_file(&path).unwrap();
    drop(Store::open(dir.path()).unwrap());
    let raw = rusqlite::Connection::open(&path).unwrap();
    raw.pragma_update(None, "user_version", FORMAT + 1).unwrap();
    drop(raw);
    for refused in [Store::open(dir.path()).map(drop), Reader::open(dir.path()).map(drop)] {
        assert!(matches!(refused, Err(StoreError::TooNew { found, .. }) if found == FORMAT + 1));
    }
}

#[test]
fn a_full_disk_is_survived() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    store.commit(&[empty_commit("main-hoist", 1)]).unwrap();
    // SQLite answers SQLITE_FULL both for this limit and for a disk without room.
    let limit = |store: &Store, pages: i64| {
        store.connection().query_row(&format!("PRAGMA max_page_count = {pages}"), [], |_| Ok(())).unwrap();
    };
    limit(&store, 1);
    let big = MechanismCommit {
        lifts: (0..5000).map(|i| lift(i * 1000, 0).into()).collect(),
        ..empty_commit("main-hoist", 2)
    };
    let refused = store.commit(std::slice::from_ref(&big)).unwrap_err();
    assert!(matches!(refused, StoreError::Full { .. }) && refused.may_pass(), "{refused}");
    let reader = Reader::open(dir.path()).unwrap();
    assert_eq!(reader.lift_count(&LiftFilter::default()).unwrap(), 0);
    assert_eq!(reader.state("main-hoist").unwrap().unwrap().at, ms(1), "cursor and lifts go together");
    limit(&store, 1_000_000);
    store.commit(&[big]).unwrap();
    assert_eq!(reader.lift_count(&LiftFilter::default()).unwrap(), 5000);
}

#[test]
fn a_lift_takes_at_most_64_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    // Two hoists in turn, so that one of them always grows in the middle of the table.
    for batch in 0..400_i64 {
        let lifts =
            |shift| (0..50).map(|i| lift(1_760_000_000_000 + (batch * 50 + i) * 144_000 + shift, 0).into()).collect();
        let main = MechanismCommit { lifts: lifts(0), ..empty_commit("main-hoist", batch) };
        let aux = MechanismCommit { lifts: lifts(77), ..empty_commit("aux-hoist", batch) };
        store.commit(&[main, aux]).unwrap();
    }
    let number =
        |pragma: &str| -> i64 { store.connection().pragma_query_value(None, pragma, |row| row.get(0)).unwrap() };
    let bytes = number("page_count") * number("page_size");
    assert!(bytes <= 64 * 40_000, "{} bytes a lift", bytes as f64 / 40_000.0);
    println!("{:.1} bytes a lift, everything else in the file included", bytes as f64 / 40_000.0);
}

/// Both as an open store says it and as a crash would leave it.
#[test]
fn a_noted_cursor_goes_into_the_ledger_with_the_next_commit_or_when_it_is_far_ahead() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    store.commit(&[empty_commit("main-hoist", 1)]).unwrap();
    let reader = Reader::open(dir.path()).unwrap();
    let both = |store: &Store| (store.cursor("mqtt").unwrap(), reader.cursor("mqtt").unwrap());
    store.note_cursor("mqtt", 1).unwrap();
    assert_eq!(both(&store), (Some(1), Some(1)), "a new destination is kept at once");
    store.note_cursor("mqtt", 3).unwrap();
    store.note_cursor("mqtt", 2).unwrap();
    assert_eq!(both(&store), (Some(3), Some(1)));
    store.commit(&[empty_commit("main-hoist", 2)]).unwrap();
    assert_eq!(both(&store), (Some(3), Some(3)));
    // A backlog: after a crash few of it may come again.
    store.note_cursor("mqtt", 19).unwrap();
    assert_eq!(both(&store), (Some(19), Some(3)));
    store.note_cursor("mqtt", 20).unwrap();
    assert_eq!(both(&store), (Some(20), Some(20)));
    // One that is kept at once takes the others with it, and so does the end.
    store.note_cursor("mqtt", 21).unwrap();
    store.set_cursor("chat", 9).unwrap();
    assert_eq!((both(&store), reader.cursor("chat").unwrap()), ((Some(21), Some(21)), Some(9)));
    store.note_cursor("mqtt", 22).unwrap();
    drop(store);
    assert_eq!(reader.cursor("mqtt").unwrap(), Some(22));
}

/// A commit that fails keeps what it was to take along.
#[test]
fn a_noted_cursor_outlives_a_commit_that_fails() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    store.commit(&[empty_commit("main-hoist", 1)]).unwrap();
    store.set_cursor("mqtt", 1).unwrap();
    store.note_cursor("mqtt", 2).unwrap();
    store.bound(Some(0)).unwrap();
    let lifts = (0..5000).map(|i| lift(1_760_000_000_000 + i * 144_000, 0).into()).collect();
    let big = MechanismCommit { lifts, ..empty_commit("main-hoist", 2) };
    store.commit(std::slice::from_ref(&big)).unwrap_err();
    let reader = Reader::open(dir.path()).unwrap();
    assert_eq!((store.cursor("mqtt").unwrap(), reader.cursor("mqtt").unwrap()), (Some(2), Some(1)));
    store.bound(None).unwrap();
    store.commit(&[big]).unwrap();
    assert_eq!(reader.cursor("mqtt").unwrap(), Some(2));
}

#[tokio::test]
async fn the_handle_wakes_keeps_cursors_and_gives_back_what_it_cannot_store() {
    let dir = tempfile::tempdir().unwrap();
    let handle = Store::open(dir.path()).unwrap().into_handle().unwrap();
    let mut stored = handle.stored();
    let commit = MechanismCommit {
        messages: vec![
            message("a", 1, MessageKind::Day, "main-hoist"),
            message("b", 2, MessageKind::Finding, "main-hoist"),
        ],
        ..empty_commit("main-hoist", 5)
    };
    assert_eq!(handle.commit(vec![commit.clone()]).await.unwrap().last_seq, 2);
    assert_eq!(*stored.wait_for(|seq| *seq == 2).await.unwrap(), 2);
    assert_eq!(handle.messages_after(1, 10).await.unwrap(), [(2, commit.messages[1].clone())]);
    handle.set_cursor("mqtt", 2).await.unwrap();
    handle.set_cursor("mqtt", 1).await.unwrap();
    assert_eq!(handle.cursor("mqtt").await.unwrap(), Some(2), "a cursor never goes back");
    assert_eq!(handle.cursor("chat").await.unwrap(), None);
    for number in [9, 4, 7] {
        handle.set_mark("chat/digest", number).await.unwrap();
        assert_eq!(handle.cursor("chat/digest").await.unwrap(), Some(number), "a mark may");
    }
    handle.set_mark("chat/digest", u64::MAX).await.unwrap();
    assert_eq!(handle.cursor("chat/digest").await.unwrap(), Some(i64::MAX as u64));
    handle.close().await;
    // Closed means closed: the lock is free and what comes later is given back.
    drop(Store::open(dir.path()).unwrap());
    let refused = handle.commit(vec![commit.clone()]).await.unwrap_err();
    assert!(matches!(refused.error, StoreError::Closed));
    assert_eq!(refused.commits, [commit]);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn closing_answers_every_commit_that_is_under_way() {
    for round in 0..100_i64 {
        let dir = tempfile::tempdir().unwrap();
        let handle = Store::open(dir.path()).unwrap().into_handle().unwrap();
        let mut commits = tokio::task::JoinSet::new();
        for n in 0..8 {
            let handle = handle.clone();
            let commit = MechanismCommit { lifts: vec![lift(n * 1000, 0).into()], ..empty_commit("main-hoist", round) };
            commits.spawn(async move { (commit.clone(), handle.commit(vec![commit]).await) });
        }
        handle.close().await;
        let mut stored = 0;
        while let Some(ended) = commits.join_next().await {
            match ended.unwrap() {
                (_, Ok(_)) => stored += 1,
                (given, Err(refused)) => assert_eq!(refused.commits, [given], "what is refused is given back"),
            }
        }
        let standing = Reader::open(dir.path()).unwrap().lift_count(&LiftFilter::default()).unwrap();
        assert_eq!(standing, stored);
    }
}

const CHILD: &str = "TALLYHOOK_TEST_KILLED_CHILD";

/// Commits lift after lift and prints the number of each that was acknowledged, until it is killed.
fn commit_until_killed(dir: &Path) {
    let mut store = Store::open(dir).unwrap();
    let mut next = Reader::open(dir).unwrap().lift_count(&LiftFilter::default()).unwrap() as i64;
    loop {
        let commit = MechanismCommit {
            lifts: vec![lift(next * 1000, 0).into()],
            days: vec![(19_000, Totals { lifts: next as u64 + 1, ..Totals::default() })],
            messages: vec![message(&format!("lift-{next}"), next, MessageKind::Lift, "main-hoist")],
            ..empty_commit("main-hoist", next)
        };
        store.commit(&[commit]).unwrap();
        let mut out = std::io::stdout().lock();
        writeln!(out, "acknowledged {next}").unwrap();
        out.flush().unwrap();
        next += 1;
    }
}

#[test]
fn a_killed_process_loses_nothing_that_was_acknowledged() {
    if let Some(dir) = std::env::var_os(CHILD) {
        commit_until_killed(Path::new(&dir));
    }
    let dir = tempfile::tempdir().unwrap();
    let mut acknowledged = -1_i64;
    for round in 0..20_u32 {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "store::tests::a_killed_process_loses_nothing_that_was_acknowledged", "--nocapture"])
            .env(CHILD, dir.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let acknowledgement = |line: std::io::Result<String>| {
            line.unwrap().split_once("acknowledged ").and_then(|(_, n)| n.parse::<i64>().ok())
        };
        // It is killed while it works on one of the next commits, later in each round.
        for number in lines.by_ref().filter_map(acknowledgement).take(1 + (round as usize * 37) % 101) {
            acknowledged = number;
        }
        child.kill().unwrap();
        child.wait().unwrap();
        // What it still said before it died counts as acknowledged, too. A torn last line does not.
        acknowledged = lines.filter_map(acknowledgement).last().map_or(acknowledged, |n| n.max(acknowledged));
        let standing = verify_after_kill(dir.path());
        assert!(standing > acknowledged, "round {round}: {standing} lifts, number {acknowledged} was acknowledged");
        assert!(standing <= acknowledged + 2, "round {round}: lifts that nobody committed");
    }
    assert!(acknowledged > 20, "the child did commit");
}

/// Proves the ledger sound and gives the number of lifts in it.
fn verify_after_kill(dir: &Path) -> i64 {
    let store = Store::open(dir).unwrap();
    store.check_structure().unwrap();
    let reader = Reader::open(dir).unwrap();
    let lifts = reader.lifts(&LiftFilter::default()).unwrap();
    let numbers: Vec<i64> = lifts.iter().map(|row| row.lift.begin.as_ms() / 1000).collect();
    let standing = numbers.len() as i64;
    assert_eq!(numbers, (0..standing).collect::<Vec<_>>(), "none missing, none twice");
    assert_eq!(reader.days("main-hoist", 19_000, 19_000).unwrap()[0].1.lifts, standing as u64);
    assert_eq!(store.last_seq().unwrap(), standing as u64);
    assert_eq!(reader.state("main-hoist").unwrap().unwrap().at, ms(standing - 1));
    standing
}

fn warning(quantity: &str, level: f64, raised: bool, at: i64) -> Message {
    let body = serde_json::json!({ "quantity": quantity, "level": level, "raised": raised });
    let id = format!("{quantity}:{level}:{raised}:{at}");
    Message { id, at: ms(at), kind: MessageKind::Warning, crane: "yard-1".into(), mechanism: "main-hoist".into(), body }
}

#[test]
fn a_finding_of_a_load_signal_is_an_alarm_and_one_of_a_drive_is_none() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let finding = |word: &str, raised: bool, at: i64| {
        let body = serde_json::json!({ "finding": word, "text": "It stands still", "check": "look", "raised": raised });
        Message { kind: MessageKind::Finding, body, id: format!("{word}:{at}"), ..warning("", 0.0, raised, at) }
    };
    let mut tell = |message: Message| {
        store.commit(&[MechanismCommit { messages: vec![message], ..empty_commit("main-hoist", 9) }]).unwrap();
    };
    tell(finding("load_stuck", true, 1_000));
    tell(finding("silence", true, 1_500));
    let reader = Reader::open(dir.path()).unwrap();
    let open = reader.alarms(Some("main-hoist"), true).unwrap();
    assert_eq!(open.iter().map(|a| (a.what.as_str(), a.times)).collect::<Vec<_>>(), [("load_stuck", 1)]);
    assert_eq!(open[0].message().kind, MessageKind::Finding, "it reads as a finding, with what to check");
    tell(finding("load_stuck", false, 2_000));
    assert_eq!(reader.alarms(None, true).unwrap()[0].cleared, Some(ms(2_000)));
}

#[test]
fn a_warning_lives_from_raised_to_acknowledged_and_returned_each_with_who_and_when() {
    use super::alarm::{Act, ActError, AlarmState, act};
    let dir = tempfile::tempdir().unwrap();
    let mut store = Store::open(dir.path()).unwrap();
    let mut tell = |messages: Vec<Message>| {
        store.commit(&[MechanismCommit { messages, ..empty_commit("main-hoist", 9) }]).unwrap();
    };
    let raise = warning("used_share", 0.8, true, 1_000);
    tell(vec![raise.clone()]);
    // The same event told again, as after a restart, raises nothing twice.
    tell(vec![raise]);
    let reader = Reader::open(dir.path()).unwrap();
    let only = || {
        let alarms = reader.alarms(Some("main-hoist"), false).unwrap();
        assert_eq!(alarms.len(), 1, "{alarms:?}");
        alarms[0].clone()
    };
    let alarm = only();
    assert_eq!((alarm.what.as_str(), alarm.state(), alarm.times), ("used_share:0.8", AlarmState::Unacknowledged, 1));

    let at = |ms_: i64| ms(ms_);
    let shelved = act(dir.path(), alarm.seq, &Act::Shelve(at(9_000)), "R. Field", "parts on order", at(2_000)).unwrap();
    assert!(shelved.is_shelved(at(8_999)) && !shelved.is_shelved(at(9_000)));
    let known = act(dir.path(), alarm.seq, &Act::Acknowledge, "R. Field", "", at(3_000)).unwrap();
    assert_eq!(known.state(), AlarmState::Acknowledged);
    assert_eq!(known.acknowledged, Some((at(3_000), "R. Field".to_owned())));
    let again = act(dir.path(), alarm.seq, &Act::Acknowledge, "A. Other", "", at(3_500)).unwrap_err();
    assert!(matches!(again, ActError::Already(_, who) if who == "R. Field"));
    assert!(matches!(act(dir.path(), 99, &Act::Note, "R", "x", at(1)), Err(ActError::Unknown(99))));

    tell(vec![warning("used_share", 0.8, false, 4_000)]);
    assert_eq!((only().state(), only().cleared), (AlarmState::Normal, Some(at(4_000))));
    assert!(reader.alarms(None, true).unwrap().is_empty(), "it is over");
    let acts: Vec<String> = reader.alarm_acts(alarm.seq).unwrap().into_iter().map(|done| done.act).collect();
    assert_eq!(acts, ["shelved", "acknowledged"]);
    // What people did is told to the destinations, once each, and is no alarm of its own.
    let told = reader.messages_after(0, 100).unwrap();
    assert_eq!(told.iter().filter(|(_, m)| m.body["quantity"] == "alarm").count(), 2);
    assert_eq!(told.len(), 4);

    // Raised again it is a new one; overloads of one hoist are one alarm until somebody knows of them.
    tell(vec![warning("used_share", 0.8, true, 5_000)]);
    let overload = |at: i64| {
        let mut m = warning("overload", 0.0, true, at);
        m.body = serde_json::json!({ "quantity": "overload", "load_kg": 13_000, "raised": true });
        m
    };
    tell(vec![overload(6_000), overload(7_000)]);
    let open = reader.alarms(None, true).unwrap();
    let seen: Vec<(&str, AlarmState, u64)> = open.iter().map(|a| (a.what.as_str(), a.state(), a.times)).collect();
    assert_eq!(
        seen,
        [("overload", AlarmState::ReturnedUnacknowledged, 2), ("used_share:0.8", AlarmState::Unacknowledged, 1)]
    );
}
