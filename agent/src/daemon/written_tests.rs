//! What the ledger's log takes for a lift: a memory card has only so many writes.

use std::path::{Path, PathBuf};

use tallyhook_analysis::sample::{Flag, Quantity};
use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_config::model::Target;

use super::site::Site;
use super::site_tests::config;
use crate::clock::Reading;
use crate::drive::{Decoded, DriveReading, LinkState, RawWords, Value};
use crate::store::{FILE_NAME, Store};

const MORNING: i64 = 1_790_000_000_000;

/// 600 lifts a day.
const LIFT_MS: i64 = 144_000;

/// As the devices of `tests/bench-parts/floors.c` play it: 16 s up, 44 s of hanging, 17 s down.
/// `within`: milliseconds since its beginning.
fn reading(drive: &str, at: Reading, within: i64) -> DriveReading {
    let share = within * 100 / LIFT_MS;
    let load = if (20..70).contains(&share) { 5_000_000 } else { 0 };
    let value = |target, value| Value { mechanism: 0, target, value, raw: RawWords::default() };
    let values = vec![
        value(Target::Quantity(Quantity::Load), Decoded::Number(load)),
        value(Target::Flag(Flag::Raising), Decoded::Flag((19..30).contains(&share))),
        value(Target::Flag(Flag::Lowering), Decoded::Flag((60..72).contains(&share))),
    ];
    DriveReading {
        drive: drive.into(),
        before: Default::default(),
        at,
        link: LinkState::Online,
        fault: None,
        values: values.into(),
    }
}

/// A site with a broker that takes each message at once.
struct Shift {
    directory: PathBuf,
    site: Site,
    store: Store,
    drive: String,
    commits: u32,
    /// Blocks of the card that the commits of the log have written: one that two of them end and begin in is written twice.
    blocks: u64,
}

/// What the file system writes at once.
const BLOCK: u64 = 4096;

impl Shift {
    fn begin(directory: &Path) -> Self {
        let config = config(directory);
        let store = Store::open(directory).unwrap();
        let now = Reading { wall: Timestamp::from_ms(MORNING), mono: Span::ZERO };
        let drive = config.drives.keys().next().unwrap().clone();
        let directory = directory.to_owned();
        Shift { directory, site: Site::open(config, &store, now).unwrap(), store, drive, commits: 0, blocks: 0 }
    }

    fn play(&mut self, span: std::ops::Range<i64>) {
        self.play_at(span.step_by(100), |mono| mono % LIFT_MS);
    }

    /// Plays the milliseconds `polls`; the drive answers as it does `within` a lift.
    fn play_at(&mut self, polls: impl Iterator<Item = i64>, within: impl Fn(i64) -> i64) {
        let mut told = self.store.last_seq().unwrap();
        for mono in polls {
            let now = Reading { wall: Timestamp::from_ms(MORNING + mono), mono: Span::from_ms(mono) };
            self.site.take(reading(&self.drive, now, within(mono)));
            if self.site.commit_is_due(now) {
                let before = log_bytes(&self.directory);
                let done = self.store.commit(&self.site.commits(now, false)).unwrap();
                self.blocks += log_bytes(&self.directory).div_ceil(BLOCK) - before / BLOCK;
                let last = done.last_seq;
                self.site.stored(done, now);
                self.commits += 1;
                if std::mem::replace(&mut told, last) != last {
                    self.store.note_cursor("mqtt", last).unwrap();
                }
            }
        }
    }
}

/// Bytes in the ledger's log; it only grows until it is full, which takes more than this test writes.
fn log_bytes(directory: &Path) -> u64 {
    std::fs::metadata(directory.join(format!("{FILE_NAME}-wal"))).unwrap().len()
}

#[test]
fn a_lift_takes_few_pages_of_the_log_and_rest_takes_none() {
    const LIFTS: i64 = 20;
    let dir = tempfile::tempdir().unwrap();
    let mut shift = Shift::begin(dir.path());
    // The first ones also make the tables' first pages, and tell of the drive.
    shift.play(0..3 * LIFT_MS);
    let (before, commits, blocks) = (log_bytes(dir.path()), shift.commits, shift.blocks);
    shift.play(3 * LIFT_MS..(3 + LIFTS) * LIFT_MS);
    let (after, commits) = (log_bytes(dir.path()), shift.commits - commits);
    assert!(after > before, "the log was begun anew: this test writes too much for it");
    let a_lift = (after - before) / LIFTS as u64;
    let blocks = (shift.blocks - blocks) as f64 / LIFTS as f64;
    println!(
        "{a_lift} bytes and {blocks} blocks of the log and {:.1} commits a lift",
        f64::from(commits) / LIFTS as f64
    );
    // Its end, and once while it and the one before ran for `commit_every`.
    assert!(commits <= 2 * LIFTS as u32, "{commits} commits for {LIFTS} lifts");
    assert!(a_lift <= 20_000, "{a_lift} bytes of the log a lift");
    assert!(blocks <= 7.0, "{blocks} blocks of the log a lift");

    // What is left of the last lowering is stored while the mechanism rests, and the hour when it is over.
    let rest = (3 + LIFTS) * LIFT_MS;
    let before = log_bytes(dir.path());
    shift.play_at((rest..rest + 5_400_000).step_by(1000), |_| 0);
    let once = log_bytes(dir.path());
    assert!(once - before <= 24_000, "{} bytes of the log", once - before);
    shift.play_at((rest + 5_400_000..rest + 10_800_000).step_by(1000), |_| 0);
    assert_eq!(log_bytes(dir.path()), once, "nothing moves");
}

#[test]
fn lifts_that_go_to_the_redo_log_first_take_the_ledgers_log_once_an_hour() {
    const LIFTS: i64 = 25;
    let dir = tempfile::tempdir().unwrap();
    let mut shift = Shift::begin(dir.path());
    shift.store.write_ahead();
    shift.play(0..3 * LIFT_MS);
    shift.store.settle().unwrap();
    let (before, commits) = (log_bytes(dir.path()), shift.commits);
    shift.play(3 * LIFT_MS..(3 + LIFTS) * LIFT_MS);
    let commits = shift.commits - commits;
    assert_eq!(log_bytes(dir.path()), before, "no commit writes to the ledger");
    assert!(commits <= 2 * LIFTS as u32, "{commits} commits for {LIFTS} lifts");
    let redo = std::fs::read(dir.path().join("ledger.redo")).unwrap();
    let records = redo.chunks(BLOCK as usize).filter(|block| block.starts_with(b"THredo01")).count();
    assert_eq!(records, commits as usize, "a block a commit");
    shift.store.settle().unwrap();
    let settled = log_bytes(dir.path()) - before;
    println!("{commits} blocks of the redo log for {LIFTS} lifts, then {settled} bytes of the ledger's log");
    assert!(settled <= 40_000, "{settled} bytes of the log for an hour of lifts");
}
