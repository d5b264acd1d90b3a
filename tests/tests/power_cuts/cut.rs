//! Cut before each call by which the daemon changes a file of the store, once also after half of a write.

use std::ffi::OsStr;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use tallyhook_tests::cabinet::{Cabinet, wait_for};

use crate::bench::Bench;

/// Lifts in the run that is cut.
const LIFTS: usize = 3;

/// Compiles `tests/peers/cut_shim.c`.
fn shim(home: &Cabinet) -> PathBuf {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("peers/cut_shim.c");
    let library = home.path().join("cut_shim.so");
    let built =
        Command::new("cc").args(["-shared", "-fPIC", "-O1", "-o"]).arg(&library).arg(source).arg("-ldl").output();
    let built = built.expect("tests/run installs the compiler");
    assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
    library
}

/// The numbers that the shim and the test share.
struct Board(PathBuf);

impl Board {
    fn new(bench: &Bench, cut_at: u64, half: bool) -> Self {
        let board = Board(bench.cabinet.path().join("board"));
        std::fs::write(&board.0, [0, cut_at, u64::from(half)].map(u64::to_ne_bytes).concat()).unwrap();
        board
    }

    fn calls(&self) -> u64 {
        let bytes = std::fs::read(&self.0).unwrap();
        u64::from_ne_bytes(bytes[..8].try_into().unwrap())
    }

    fn cut_at(&self, call: u64) {
        let file = std::fs::OpenOptions::new().write(true).open(&self.0).unwrap();
        file.write_all_at(&call.to_ne_bytes(), 8).unwrap();
    }
}

fn start(bench: &mut Bench, shim: &Path, board: &Board) -> tallyhook_tests::cabinet::Running {
    let under = bench.cabinet.path().join("data");
    let environment: [(&str, &OsStr); 3] =
        [("LD_PRELOAD", shim.as_os_str()), ("CUT_UNDER", under.as_os_str()), ("CUT_BOARD", board.0.as_os_str())];
    bench.start(&environment)
}

/// Where it is cut.
#[derive(Clone, Copy, Debug)]
enum Cut {
    /// Before that call.
    Before(u64),
    /// After half of that call, if it writes.
    Within(u64),
    /// Before that call of its ending.
    Ending(u64),
}

/// Whether somebody looks at the page all the time, so that every commit goes to the ledger itself; nobody, and it goes to
/// the redo log.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Looks {
    On,
    Away,
}

/// Until the lifts are committed, or something is in the redo log.
fn until_there_is(bench: &Bench, lifts: usize, looks: Looks) {
    wait_for("a commit", Duration::from_secs(60), || match looks {
        Looks::On => (bench.shown() >= lifts).then_some(()),
        Looks::Away => bench.is_ahead().then_some(()),
    });
    if looks == Looks::Away {
        bench.answered(lifts * 60);
    }
}

/// Calls until the lifts are committed, and calls of the ending.
fn uncut(shim: &Path, looks: Looks) -> (u64, u64) {
    let mut bench = Bench::new();
    let board = Board::new(&bench, 0, false);
    let daemon = start(&mut bench, shim, &board);
    let watch = (looks == Looks::On).then(|| bench.watch());
    until_there_is(&bench, LIFTS, looks);
    let working = board.calls();
    drop(watch);
    assert_eq!(daemon.interrupt(Duration::from_secs(30)).code(), Some(0));
    assert!(!bench.is_ahead(), "an ending in good order leaves nothing in the redo log");
    bench.examine("uncut");
    let account = bench.account("uncut");
    println!("uncut, {looks:?}: {working} calls, {} of the ending; {account}", board.calls() - working);
    (working, board.calls() - working)
}

/// Gives whether the cut left something in the redo log.
fn one(shim: &Path, cut: Cut, looks: Looks) -> bool {
    let what = format!("{cut:?}, {looks:?}");
    let mut bench = Bench::new();
    let (at, half) = match cut {
        Cut::Before(at) => (at, false),
        Cut::Within(at) => (at, true),
        Cut::Ending(_) => (0, false),
    };
    let board = Board::new(&bench, at, half);
    let mut daemon = start(&mut bench, shim, &board);
    let watch = (looks == Looks::On).then(|| bench.watch());
    if let Cut::Ending(call) = cut {
        until_there_is(&bench, 1, looks);
        board.cut_at(board.calls() + call);
        daemon.signal("INT");
    }
    let status = daemon.wait(Duration::from_secs(120));
    drop(watch);
    // An ending may need fewer calls than the uncut one did.
    let ended = matches!(cut, Cut::Ending(_)) && status.code() == Some(0);
    assert!(status.code() == Some(99) || ended, "{what}: {status:?} {}", daemon.stderr());
    let is_ahead = bench.is_ahead();
    bench.examine(&what);
    let again = bench.start(&[]);
    bench.answered(12);
    assert_eq!(again.interrupt(Duration::from_secs(30)).code(), Some(0), "{what}: it must go on");
    bench.examine(&format!("{what}, and on"));
    bench.account(&format!("{what}, and on"));
    is_ahead
}

#[test]
fn a_daemon_cut_at_any_call_that_changes_a_file_loses_nothing_that_was_committed() {
    let home = Cabinet::new();
    let shim = shim(&home);
    let long = std::env::var_os("TALLYHOOK_LONG").is_some();
    let mut cuts: Vec<(Cut, Looks)> = Vec::new();
    for looks in [Looks::On, Looks::Away] {
        let (working, ending) = uncut(&shim, looks);
        // Two a commit where there is only the redo log to write.
        let least = if looks == Looks::On { 60 } else { 40 };
        assert!(working > least, "{looks:?}: {working} calls are too few to hold {LIFTS} lifts");
        cuts.extend((1..=ending).step_by(if long { 1 } else { 4 }).map(|call| (Cut::Ending(call), looks)));
        if long {
            cuts.extend((1..=working).flat_map(|at| [Cut::Before(at), Cut::Within(at)]).map(|cut| (cut, looks)));
        } else {
            // The opening in small steps, where each call is another one; then a spread.
            let steps =
                (1..=working).filter(|at| if *at <= 36 { at % 3 == 1 } else { at % (working / 30).max(1) == 0 });
            let both = |(n, at)| if n % 2 == 0 { Cut::Before(at) } else { Cut::Within(at) };
            cuts.extend(steps.enumerate().map(both).map(|cut| (cut, looks)));
        }
    }
    // Most of the time is waiting for lifts: several at once.
    let (next, ahead) = (AtomicUsize::new(0), AtomicUsize::new(0));
    std::thread::scope(|scope| {
        for _ in 0..6 {
            scope.spawn(|| {
                while let Some((cut, looks)) = cuts.get(next.fetch_add(1, Ordering::Relaxed)) {
                    ahead.fetch_add(usize::from(one(&shim, *cut, *looks)), Ordering::Relaxed);
                }
            });
        }
    });
    let ahead = ahead.into_inner();
    println!("{} cuts, {ahead} with something in the redo log", cuts.len());
    assert!(ahead * 10 >= cuts.len(), "only {ahead} of {} cuts left something in the redo log", cuts.len());
}
