//! kill -9 at random moments.

use std::time::Duration;

use tallyhook_tests::cabinet::{pause, wait_for};

use crate::bench::{Bench, COMMIT_EVERY};

/// How much later than `commit_every` a commit may come on a machine that is busy with other tests, seconds.
const LATE: f64 = 1.2;

#[test]
fn a_daemon_that_is_killed_again_and_again_loses_nothing_that_was_committed() {
    let rounds = if std::env::var_os("TALLYHOOK_LONG").is_some() { 500 } else { 25 };
    let mut random = fastrand::Rng::with_seed(4301);
    let mut bench = Bench::new();
    let (mut most, mut within_run, mut ahead) = (0.0_f64, 0, 0);
    for round in 0..rounds {
        let daemon = bench.start(&[]);
        // While somebody looks, all goes to the ledger itself.
        let watch = (round % 2 == 0).then(|| bench.watch());
        if round % 12 == 6 {
            // Late in the long run of the empty hook, in which nothing ends: only `commit_every` has it committed.
            bench.answered(1);
            let from = bench.drive.now().ran;
            while bench.drive.now().ran < from + 0.1 || !bench.drive.late_in_the_long_run() {
                pause(Duration::from_millis(10));
            }
            within_run += 1;
        } else {
            if round % 4 == 1 {
                wait_for("a commit", Duration::from_secs(60), || bench.is_ahead().then_some(()));
            }
            pause(Duration::from_millis(random.u64(20..1500)));
        }
        daemon.kill();
        drop(watch);
        ahead += usize::from(bench.is_ahead());
        if round % 8 == 5 {
            // The next daemon takes it up itself, before anybody has looked.
            continue;
        }
        let owed = bench.examine(&format!("round {round}"));
        assert!(owed <= COMMIT_EVERY + LATE, "round {round}: {owed:.3} s of running are owed");
        most = most.max(owed);
    }
    assert!(within_run >= 2);
    assert!(ahead >= rounds / 5, "only {ahead} of {rounds} kills left something in the redo log");
    // What the next one finds: it counts on, and the counters tell what ran while it was dead.
    let daemon = bench.start(&[]);
    bench.answered(60);
    assert_eq!(daemon.interrupt(Duration::from_secs(30)).code(), Some(0));
    bench.examine("the end");
    let account = bench.account("the end");
    println!("{rounds} kills, {ahead} with a redo log: at most {most:.2} s of running owed at once; {account}");
}
