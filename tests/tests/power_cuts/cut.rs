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

/// Calls until the lifts are committed, and calls of the ending.
fn uncut(shim: &Path) -> (u64, u64) {
    let mut bench = Bench::new();
    let board = Board::new(&bench, 0, false);
    let daemon = start(&mut bench, shim, &board);
    let watch = bench.watch();
    wait_for("lifts", Duration::from_secs(60), || (bench.shown() >= LIFTS).then_some(()));
    let working = board.calls();
    drop(watch);
    assert_eq!(daemon.interrupt(Duration::from_secs(30)).code(), Some(0));
    bench.examine("uncut");
    println!("uncut: {working} calls, {} of the ending; {}", board.calls() - working, bench.account("uncut"));
    (working, board.calls() - working)
}

fn one(shim: &Path, cut: Cut) {
    let what = format!("{cut:?}");
    let mut bench = Bench::new();
    let (at, half) = match cut {
        Cut::Before(at) => (at, false),
        Cut::Within(at) => (at, true),
        Cut::Ending(_) => (0, false),
    };
    let board = Board::new(&bench, at, half);
    let mut daemon = start(&mut bench, shim, &board);
    let watch = bench.watch();
    if let Cut::Ending(call) = cut {
        wait_for("a lift", Duration::from_secs(60), || (bench.shown() >= 1).then_some(()));
        board.cut_at(board.calls() + call);
        daemon.signal("INT");
    }
    let status = daemon.wait(Duration::from_secs(120));
    drop(watch);
    // An ending may need fewer calls than the uncut one did.
    let ended = matches!(cut, Cut::Ending(_)) && status.code() == Some(0);
    assert!(status.code() == Some(99) || ended, "{what}: {status:?} {}", daemon.stderr());
    bench.examine(&what);
    let again = bench.start(&[]);
    bench.answered(12);
    assert_eq!(again.interrupt(Duration::from_secs(30)).code(), Some(0), "{what}: it must go on");
    bench.examine(&format!("{what}, and on"));
    bench.account(&format!("{what}, and on"));
}

#[test]
fn a_daemon_cut_at_any_call_that_changes_a_file_loses_nothing_that_was_committed() {
    let home = Cabinet::new();
    let shim = shim(&home);
    let (working, ending) = uncut(&shim);
    assert!(working > 60, "{working} calls are too few to hold {LIFTS} lifts");
    let long = std::env::var_os("TALLYHOOK_LONG").is_some();
    let mut cuts: Vec<Cut> = (1..=ending).step_by(if long { 1 } else { 4 }).map(Cut::Ending).collect();
    if long {
        cuts.extend((1..=working).flat_map(|at| [Cut::Before(at), Cut::Within(at)]));
    } else {
        // The opening in small steps, where each call is another one; then a spread.
        let steps = (1..=working).filter(|at| if *at <= 36 { at % 3 == 1 } else { at % (working / 30).max(1) == 0 });
        let both = |(n, at)| if n % 2 == 0 { Cut::Before(at) } else { Cut::Within(at) };
        cuts.extend(steps.enumerate().map(both));
    }
    // Most of the time is waiting for lifts: several at once.
    let next = AtomicUsize::new(0);
    std::thread::scope(|scope| {
        for _ in 0..6 {
            scope.spawn(|| {
                while let Some(cut) = cuts.get(next.fetch_add(1, Ordering::Relaxed)) {
                    one(&shim, *cut);
                }
            });
        }
    });
    println!("{} cuts of {working} calls and {ending} of the ending", cuts.len());
}
