//! Boards whose clock begins in the future, in the past or where it stopped, and is put right later.

use std::path::Path;
use std::sync::Arc;

use tallyhook_analysis::counter::Counter;
use tallyhook_analysis::sample::{Flag, Quantity};
use tallyhook_analysis::units::{MS_PER_HOUR as HOUR, Span, Timestamp};
use tallyhook_analysis::wear::Limit;
use tallyhook_config::model::{Config, RawType, Table, Target, WordOrder};

use super::site::Site;
use crate::clock::Reading;
use crate::drive::{Decoded, DriveReading, LinkState, RawWords, Value, Values, fixture};
use crate::figures::MechanismFigures;
use crate::store::message::MessageKind;
use crate::store::verify::verify;
use crate::store::{MessageFilter, Reader, Store};

const DAY: i64 = 24 * HOUR;
/// 2026-11-27, a Friday, 12:00.
const FRIDAY: i64 = 1_795_780_800_000;
const ID: &str = "hoist-0";

/// A hoist with an hour counter and a yearly inspection.
fn config(directory: &Path) -> Arc<Config> {
    let mut signals = fixture::hoist_signals("d");
    let hours = Target::Quantity(Quantity::RunHours);
    let mut hours = fixture::signal(hours, "d", Table::Holding, 4, RawType::U32(WordOrder::HighFirst));
    hours.counter = Some(Counter::hours(32, 36_000));
    signals.push(hours);
    let mut config = fixture::config(vec![fixture::drive("d", "h:1", 100, 1000)], vec![signals]);
    config.store.directory = directory.to_owned();
    config.cranes[0].mechanisms[0].parts.push(("inspection".to_owned(), vec![Limit::Days(366)]));
    Arc::new(config)
}

/// One run of the daemon.
struct Run {
    site: Site,
    store: Store,
    mono: i64,
    /// Between two readings.
    step: i64,
    /// Of the drive's hour counter.
    ran: i64,
}

impl Run {
    fn begin(directory: &Path, wall: i64, ran: i64) -> Self {
        let store = Store::open(directory).unwrap();
        let now = Reading { wall: Timestamp::from_ms(wall), mono: Span::ZERO };
        Run { site: Site::open(config(directory), &store, now).unwrap(), store, mono: 0, step: 1000, ran }
    }

    /// Takes a new configuration, in the same process.
    fn reload(self, directory: &Path) -> Self {
        let Run { mut site, mut store, .. } = self;
        store.commit(&site.commits(Reading::default(), true)).unwrap();
        let timelines = site.into_timelines();
        let mut site = Site::open(config(directory), &store, Reading::default()).unwrap();
        site.set_timelines(timelines);
        Run { site, store, ..self }
    }

    /// Plays so long; the clock is `ahead` of the time since the start. Half of each minute the hoist runs.
    fn play(&mut self, span: i64, ahead: i64) {
        let end = self.mono + span;
        while self.mono < end {
            let runs = self.mono / 30_000 % 2 == 1;
            let now = Reading { wall: Timestamp::from_ms(ahead + self.mono), mono: Span::from_ms(self.mono) };
            let value = |target, value| Value { mechanism: 0, target, value, raw: RawWords::default() };
            let values = Values::from_slice(&[
                value(Target::Quantity(Quantity::Load), Decoded::Number(0)),
                value(Target::Flag(Flag::Raising), Decoded::Flag(runs)),
                value(Target::Flag(Flag::Lowering), Decoded::Flag(false)),
                value(Target::Quantity(Quantity::RunHours), Decoded::Number(self.ran / 36_000 * 36_000)),
            ]);
            let (before, link, fault) = (Default::default(), LinkState::Online, None);
            self.site.take(DriveReading { drive: "d".into(), before, at: now, link, fault, values });
            if self.site.commit_is_due(now) {
                self.commit(now, false);
            }
            self.mono += self.step;
            self.ran += if runs { self.step } else { 0 };
        }
    }

    fn commit(&mut self, now: Reading, all: bool) {
        let commits = self.site.commits(now, all);
        let done = self.store.commit(&commits).unwrap();
        self.site.stored(done, now);
    }

    fn figures(&mut self) -> MechanismFigures {
        self.site.figures(Reading::default()).mechanisms.remove(0)
    }

    /// Stops in order; where the hour counter stands.
    fn stop(mut self) -> i64 {
        self.commit(Reading::default(), true);
        self.ran
    }
}

/// The days with sums, of a ledger that adds up.
fn days(directory: &Path) -> Vec<i32> {
    let reader = Reader::open(directory).unwrap();
    let found = verify(&reader).unwrap();
    assert!(found.ok, "{:#?}", found.faults);
    reader.days(ID, i32::MIN, i32::MAX).unwrap().iter().map(|(day, _)| *day).collect()
}

#[test]
fn a_clock_that_began_half_a_year_ahead_is_left_behind_when_the_time_comes() {
    let dir = tempfile::tempdir().unwrap();
    let ahead = FRIDAY + 183 * DAY;
    let mut run = Run::begin(dir.path(), ahead, 0);
    run.play(2 * HOUR, ahead);
    // The network's time comes, and is believed when it has stood for six hours.
    run.play(50 * HOUR, FRIDAY);
    let figures = run.figures();
    assert_eq!(figures.record_from.as_deref(), Some("2026-11-27T12:00:00.000Z"), "{figures:#?}");
    assert_eq!(figures.period_began.as_deref(), Some("2026-11-27"));
    assert_eq!(figures.parts[0].since, "2026-11-27");
    assert_eq!(figures.parts[0].limits[0].used, 2.0, "days since then");
    assert!(figures.motor_duty.starts < 20 * 60, "of the day, not of half a year: {}", figures.motor_duty.starts);
    run.stop();
    let first = (FRIDAY / DAY) as i32;
    assert_eq!(days(dir.path()), [first, first + 1, first + 2, first + 183]);
    // It goes on like that after a start.
    let mut run = Run::begin(dir.path(), FRIDAY + 52 * HOUR, 0);
    run.play(30 * HOUR, FRIDAY + 52 * HOUR);
    run.stop();
    assert_eq!(days(dir.path()), [first, first + 1, first + 2, first + 3, first + 183]);
}

#[test]
fn a_board_without_a_clock_begins_its_record_when_it_is_put_right() {
    let dir = tempfile::tempdir().unwrap();
    let image = FRIDAY - 379 * DAY;
    let mut run = Run::begin(dir.path(), image, 0);
    run.play(60_000, image);
    let mut run = run.reload(dir.path());
    run.play(60_000, image);
    run.play(2 * HOUR, FRIDAY);
    let figures = run.figures();
    assert_eq!(figures.group_in_use, None, "two hours of record");
    assert_eq!(figures.record_from.as_deref(), Some("2026-11-27T12:00:00.000Z"));
    assert_eq!(figures.period_began.as_deref(), Some("2026-11-27"));
    assert_eq!((figures.parts[0].since.as_str(), figures.parts[0].share), ("2026-11-27", 0.0));
    assert_eq!(figures.gap_hours, 0.0, "nobody was away");
    run.step = 600_000;
    run.play(28 * DAY, FRIDAY);
    assert!(run.figures().group_in_use.is_some(), "four weeks");
    run.stop();
    let first = (FRIDAY / DAY) as i32;
    assert_eq!(days(dir.path())[..3], [first - 379, first, first + 1]);
}

#[test]
fn a_clock_that_stood_still_while_the_board_was_off_leaves_a_gap_that_the_counter_tells_of() {
    let dir = tempfile::tempdir().unwrap();
    let mut run = Run::begin(dir.path(), FRIDAY, 0);
    run.play(6 * HOUR, FRIDAY);
    let ran = run.stop();
    // The drive ran for ten hours on Saturday; the board begins on Monday where its clock had stopped.
    let saved = FRIDAY + 6 * HOUR + 5000;
    let mut run = Run::begin(dir.path(), saved, ran + 10 * HOUR);
    run.play(60_000, saved);
    assert_eq!(run.figures().gap_full_load_hours, 0.0);
    run.play(HOUR, saved + 60 * HOUR);
    let figures = run.figures();
    assert!((figures.gap_hours - 60.0).abs() < 0.01, "{} h", figures.gap_hours);
    assert_eq!(figures.gap_waiting_hours, 0.0);
    let gaps: f64 = figures.periods.iter().filter(|part| part.note.contains("counter")).map(|p| p.running_hours).sum();
    assert!((gaps - 10.0).abs() <= 0.011, "{gaps} h by the counter: {:#?}", figures.periods);
    run.stop();
    let first = (FRIDAY / DAY) as i32;
    assert_eq!(days(dir.path()), [first, first + 1, first + 2, first + 3]);
    let filter = MessageFilter { kind: Some(MessageKind::Finding), ..MessageFilter::default() };
    let told = Reader::open(dir.path()).unwrap().messages(&filter).unwrap();
    assert!(told.is_empty(), "{told:#?}");
}

/// What is further than time allows is told all the same, when the time has proved to be right.
#[test]
fn a_counter_that_runs_too_fast_is_told_of_when_the_first_hour_is_over() {
    let dir = tempfile::tempdir().unwrap();
    let mut run = Run::begin(dir.path(), FRIDAY, 0);
    run.play(6 * HOUR, FRIDAY);
    let ran = run.stop();
    let told = || {
        let filter = MessageFilter { kind: Some(MessageKind::Finding), ..MessageFilter::default() };
        Reader::open(dir.path()).unwrap().messages(&filter).unwrap().len()
    };
    let mut run = Run::begin(dir.path(), FRIDAY + 6 * HOUR + 5000, ran + 10 * HOUR);
    run.play(HOUR, FRIDAY + 6 * HOUR + 5000);
    assert_eq!(told(), 0);
    run.play(60_000, FRIDAY + 6 * HOUR + 5000);
    assert_eq!(told(), 1);
    let figures = run.figures();
    assert!(figures.gap_hours < 0.01 && figures.gap_full_load_hours < 0.01, "{figures:#?}");
}
