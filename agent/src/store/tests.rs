use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::{Mutex, PoisonError};

use proptest::prelude::*;
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::recorder::{Gap, State};
use tallyhook_analysis::units::{Grams, Timestamp};

use super::message::{Message, MessageKind};
use super::*;

fn lift(begin: i64, load: i64) -> Lift {
    Lift {
        begin: Timestamp::from_ms(begin),
        end: Timestamp::from_ms(begin + 40_000),
        load: Grams::new(load),
        peak: Grams::new(load + 7),
        running_ms: 9_000,
        starts: 3,
        band: 4,
        overload: load % 2 == 0,
        cut: load % 3 == 0,
    }
}

/// Commit number `n`: a lift, a gap, a message, and the count in the levels crossed.
fn commit(n: i64, load: i64) -> MechanismCommit {
    let at = Timestamp::from_ms(n * 100_000);
    MechanismCommit {
        mechanism: "hoist".into(),
        at,
        state: State::default(),
        warn_crossed: [("n".to_owned(), n as usize)].into(),
        lifts: vec![lift(at.as_ms(), load)],
        gaps: vec![Gap { begin: at, end: Timestamp::from_ms(at.as_ms() + n) }],
        days: vec![(n as i32, Default::default())],
        messages: vec![Message {
            id: format!("lift-{n}"),
            at,
            kind: MessageKind::Lift,
            crane: "yard-1".into(),
            mechanism: "hoist".into(),
            body: serde_json::json!({ "n": n }),
        }],
        flags: Vec::new(),
    }
}

/// All that was committed, read through a second connection: lifts, gaps, days, messages, and the count.
fn counts(dir: &Path) -> [usize; 5] {
    let reader = Reader::open(dir).unwrap();
    reader.check_structure().unwrap();
    let n = reader.state("hoist").unwrap().map_or(0, |s| s.warn_crossed["n"]);
    [
        reader.lifts(&LiftFilter::default()).unwrap().len(),
        reader.gaps("hoist", None, None).unwrap().len(),
        reader.days("hoist", i32::MIN, i32::MAX).unwrap().len(),
        reader.messages_after(0, usize::MAX).unwrap().len(),
        n,
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    #[test]
    fn what_was_committed_is_read_back_after_any_reopening(
        loads in proptest::collection::vec((0_i64..20_000_000, any::<bool>(), any::<bool>()), 1..12)
    ) {
        let _alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
        let dir = tempfile::tempdir().unwrap();
        let mut store = Store::open(dir.path()).unwrap();
        let mut model = Vec::new();
        let mut before = 0;
        for (index, (load, twice, reopen)) in loads.into_iter().enumerate() {
            let n = index as i64 + 1;
            let next = commit(n, load);
            model.push(next.lifts[0]);
            let first = store.commit(std::slice::from_ref(&next)).unwrap();
            prop_assert!(first.last_seq > before, "numbers rise; a message told twice may skip one");
            before = first.last_seq;
            if twice {
                prop_assert_eq!(store.commit(std::slice::from_ref(&next)).unwrap(), first);
            }
            if reopen {
                drop(store);
                store = Store::open(dir.path()).unwrap();
            }
            let (state, crossed) = store.resume("hoist").unwrap().unwrap();
            prop_assert_eq!((state, crossed), (next.state, next.warn_crossed));
        }
        let stored = Reader::open(dir.path()).unwrap().lifts(&LiftFilter::default()).unwrap();
        prop_assert_eq!(stored.into_iter().map(|row| row.lift).collect::<Vec<_>>(), model.clone());
        prop_assert_eq!(counts(dir.path()), [model.len(); 5]);
    }
}

/// A child between its fork and its exec holds a copy of every lock of this process: no store is reopened meanwhile.
static ALONE: Mutex<()> = Mutex::new(());

const CHILD: &str = "TALLYHOOK_TEST_STORE";

#[test]
fn twenty_kills_lose_nothing_that_was_acknowledged() {
    if let Some(dir) = std::env::var_os(CHILD) {
        commit_until_killed(Path::new(&dir));
    }
    let _alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
    let dir = tempfile::tempdir().unwrap();
    let mut acknowledged = 0;
    for round in 0..20 {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "store::tests::twenty_kills_lose_nothing_that_was_acknowledged", "--nocapture"])
            .env(CHILD, dir.path())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        // A different number of commits each time, so that the kill falls into different moments.
        let told = lines.map_while(Result::ok).filter_map(|l| l.strip_prefix("stood ")?.parse::<usize>().ok());
        acknowledged = told.take(1 + round % 4).last().expect("the child commits");
        child.kill().unwrap();
        child.wait().unwrap();
        let [lifts, rest @ ..] = counts(dir.path());
        assert_eq!(rest, [lifts; 4], "all of a commit or nothing");
        assert!(lifts >= acknowledged, "{lifts} of {acknowledged} stand");
    }
    assert!(acknowledged >= 20);
}

fn commit_until_killed(dir: &Path) -> ! {
    let mut store = Store::open(dir).unwrap();
    let mut n = store.resume("hoist").unwrap().map_or(0, |(_, crossed)| crossed["n"] as i64);
    loop {
        n += 1;
        store.commit(&[commit(n, n * 1000)]).unwrap();
        println!("\nstood {n}");
    }
}
