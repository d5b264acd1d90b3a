//! A site at work while its clock jumps and while its disk is full.

use std::path::Path;
use std::process::Command;
use std::sync::Arc;

use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_config::model::{Config, RecordingRing, Target};

use super::site::Site;
use crate::clock::Reading;
use crate::drive::{Decoded, DriveReading, LinkState, RawWords, Value, Values, fixture};
use crate::figures::SiteFigures;
use crate::samples::recording::{Recording, RingWriter};
use crate::store::message::MessageKind;
use crate::store::verify::verify;
use crate::store::{EntryKind, LiftFilter, MessageFilter, Reader, Store};

const EVENING: i64 = 1_790_000_000_000;
const HOUR: i64 = 3_600_000;

/// The starter's site, with its store in `directory`.
pub(super) fn config(directory: &Path) -> Arc<Config> {
    let text = tallyhook_config::starter(&tallyhook_config::StarterOptions::default());
    let mut config = tallyhook_config::load(&text, "site.toml").unwrap();
    config.store.directory = directory.to_owned();
    Arc::new(config)
}

fn reading(drive: &str, at: Reading) -> DriveReading {
    // A lift a minute, heavier every time.
    let (minute, second) = (at.mono.as_ms() / 60_000, at.mono.as_ms() / 1000 % 60);
    let load = if (5..40).contains(&second) { (minute % 12 + 1) * 1_000_000 } else { 0 };
    let flag = |on| Decoded::Flag(on);
    let value = |target, value| Value { mechanism: 0, target, value, raw: RawWords::default() };
    let values = [
        value(Target::Quantity(Quantity::Load), Decoded::Number(load)),
        value(Target::Flag(Flag::Raising), flag((5..15).contains(&second))),
        value(Target::Flag(Flag::Lowering), flag((30..42).contains(&second))),
    ];
    let values = Values::from_slice(&values);
    DriveReading { drive: drive.into(), before: Default::default(), at, link: LinkState::Online, fault: None, values }
}

struct Night {
    site: Site,
    store: Store,
    drive: String,
}

impl Night {
    fn begin(directory: &Path, wall: i64) -> Self {
        let config = config(directory);
        let store = Store::open(directory).unwrap();
        let now = Reading { wall: Timestamp::from_ms(wall), mono: Span::ZERO };
        let drive = config.drives.keys().next().unwrap().clone();
        Night { site: Site::open(config, &store, now).unwrap(), store, drive }
    }

    /// Plays the milliseconds `span` of the monotonic clock, the wall clock as `wall` has it.
    fn play(&mut self, span: std::ops::Range<i64>, wall: impl Fn(i64) -> i64) {
        for mono in span.step_by(1000) {
            let now = Reading { wall: Timestamp::from_ms(wall(mono)), mono: Span::from_ms(mono) };
            self.site.take(reading(&self.drive, now));
            if self.site.commit_is_due(now) {
                self.commit(now);
            }
        }
    }

    fn figures(&mut self) -> SiteFigures {
        self.site.figures(Reading::default())
    }

    fn commit(&mut self, now: Reading) {
        let commits = self.site.commits(now, false);
        match self.store.commit(&commits) {
            Ok(done) => self.site.stored(done, now),
            Err(error) => {
                assert!(error.may_pass(), "{error}");
                self.site.not_stored(&error, now);
            }
        }
    }
}

fn counted(directory: &Path) -> String {
    let reader = Reader::open(directory).unwrap();
    let found = verify(&reader).unwrap();
    assert!(found.ok, "{:#?}", found.faults);
    let id = "main-hoist";
    assert!(reader.lift_count(&LiftFilter::default()).unwrap() > 100);
    format!(
        "{:?}\n{:?}\n{:?}\n{:?}",
        reader.lifts(&LiftFilter::default()).unwrap(),
        reader.days(id, i32::MIN, i32::MAX).unwrap(),
        reader.hours(id, None, None).unwrap(),
        reader.gaps(id, None, None).unwrap()
    )
}

fn night(wall: impl Fn(i64) -> i64) -> (String, usize) {
    let dir = tempfile::tempdir().unwrap();
    let mut night = Night::begin(dir.path(), wall(0));
    night.play(0..5 * HOUR, wall);
    drop(night);
    let entries = Reader::open(dir.path()).unwrap().entries("main-hoist").unwrap();
    (counted(dir.path()), entries.iter().filter(|e| e.kind == EntryKind::Clock).count())
}

#[test]
fn a_clock_that_jumps_in_the_night_gives_the_hours_and_lifts_of_a_good_one() {
    let (good, entries) = night(|mono| EVENING + mono);
    assert_eq!(entries, 0);
    // To 1970, to 2038, back by a day, twice each.
    let (disturbed, entries) = night(|mono| match mono / (HOUR / 3) {
        3 | 9 => mono,
        5 | 11 => 2_147_483_000_000 + mono,
        7 | 13 => EVENING + mono - 24 * HOUR,
        _ => EVENING + mono,
    });
    assert_eq!(disturbed, good);
    assert_eq!(entries, 6, "each jump is an entry");
    // A board without a battery clock, put right by the network five minutes after its start.
    let (booted, _) = night(|mono| if mono < 300_000 { mono } else { EVENING + mono });
    assert_eq!(booted, good);
}

/// A file system of 8 MB of its own, gone with the value.
struct SmallDisk(tempfile::TempDir);

impl SmallDisk {
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let mounted = Command::new("mount").args(["-t", "tmpfs", "-o", "size=8m", "tmpfs"]).arg(dir.path()).output();
        let mounted = mounted.expect("there is no `mount`: this proof needs a disk of 8 MB");
        let why = String::from_utf8_lossy(&mounted.stderr).into_owned();
        assert!(mounted.status.success(), "this proof needs a disk of 8 MB, run it as root: {why}");
        SmallDisk(dir)
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(self.0.path()).status();
    }
}

#[test]
fn a_disk_filled_to_the_brim_loses_nothing_and_is_told() {
    let plain = tempfile::tempdir().unwrap();
    let wall = |mono| EVENING + mono;
    let mut other = Night::begin(plain.path(), EVENING);
    other.play(0..3 * HOUR, wall);
    drop(other);

    let disk = SmallDisk::new();
    let data = disk.0.path().join("data");
    std::fs::create_dir(&data).unwrap();
    let mut night = Night::begin(&data, EVENING);
    night.play(0..HOUR, wall);
    assert!(night.figures().findings.is_empty());
    let filler = disk.0.path().join("filler");
    let chunk = vec![1_u8; 4096];
    let mut file = std::fs::File::create(&filler).unwrap();
    while std::io::Write::write_all(&mut file, &chunk).is_ok() {}
    drop(file);

    night.play(HOUR..2 * HOUR, wall);
    let findings = night.figures().findings;
    assert_eq!(findings.len(), 1, "{findings:?}");
    assert_eq!(findings[0].finding, "not_recorded");
    assert!(findings[0].text.contains("no room"), "{}", findings[0].text);
    let stored = Reader::open(&data).unwrap().lift_count(&LiftFilter::default()).unwrap();
    let seen = night.figures().mechanisms[0].lifts;
    assert!(stored + 30 < seen, "counting goes on in memory: {stored} stored, {seen} counted");

    std::fs::remove_file(&filler).unwrap();
    night.play(2 * HOUR..3 * HOUR, wall);
    assert!(night.figures().findings.is_empty());
    drop(night);
    assert_eq!(counted(&data), counted(plain.path()), "as if there had been room all the time");
    let filter = MessageFilter { kind: Some(MessageKind::Finding), ..MessageFilter::default() };
    let told = Reader::open(&data).unwrap().messages(&filter).unwrap();
    let raised: Vec<_> = told.iter().map(|(_, m)| m.body["raised"].as_bool().unwrap()).collect();
    assert_eq!(raised, [true, false], "{told:#?}");
}

/// A disk that is full while blocks are written takes half of one; what comes when there is room again can be read.
#[test]
fn a_ring_on_a_full_disk_goes_on_behind_its_last_whole_block() {
    let disk = SmallDisk::new();
    let mut ring = RingWriter::open(disk.0.path(), "hoist", RecordingRing { days: 9, megabytes: 50 }).unwrap();
    let sample = |n: i64| {
        let mut sample = Sample::at(Timestamp::from_ms(EVENING + n * 100));
        // Loads that leap cost some ten bytes each.
        sample.set(Quantity::Load, Some((n * 7_919_999_983) % 1_000_000_007_000));
        sample
    };
    (0..1300).for_each(|n| ring.append(&sample(n)).unwrap());
    let filler = disk.0.path().join("filler");
    let mut file = std::fs::File::create(&filler).unwrap();
    while std::io::Write::write_all(&mut file, &[1; 4096]).is_ok() {}
    drop(file);
    let refused: Vec<i64> = (1300..4000).filter(|n| ring.append(&sample(*n)).is_err()).collect();
    assert!(refused.len() > 1000, "{}", refused.len());
    std::fs::remove_file(&filler).unwrap();
    (4000..5300).for_each(|n| ring.append(&sample(n)).unwrap());
    ring.flush().unwrap();
    let read: Result<Vec<Sample>, _> = Recording::of_mechanism(disk.0.path(), "hoist").unwrap().collect();
    let taken: Vec<Sample> = (0..5300).filter(|n| !refused.contains(n)).map(sample).collect();
    assert_eq!(read.unwrap(), taken);
}

#[test]
fn raw_samples_that_cannot_be_written_are_a_finding_until_they_can() {
    let dir = tempfile::tempdir().unwrap();
    let in_the_way = dir.path().join("samples");
    std::fs::write(&in_the_way, "no folder").unwrap();
    let mut config = Arc::unwrap_or_clone(config(dir.path()));
    config.store.recording = Some(RecordingRing { days: 9, megabytes: 50 });
    let store = Store::open(dir.path()).unwrap();
    let at = |mono: i64| Reading { wall: Timestamp::from_ms(EVENING + mono), mono: Span::from_ms(mono) };
    let drive = config.drives.keys().next().unwrap().clone();
    let mut night = Night { site: Site::open(Arc::new(config), &store, at(0)).unwrap(), store, drive };
    let mut look = |minutes: std::ops::Range<i64>| {
        night.play(minutes.start * 60_000..minutes.end * 60_000, |mono| EVENING + mono);
        night.site.flush();
        night.site.look_at_rings(at(minutes.end * 60_000));
        night.figures().findings
    };
    for minute in 0..3 {
        let findings = look(minute * 10..minute * 10 + 10);
        assert_eq!(findings.iter().map(|f| f.finding).collect::<Vec<_>>(), ["raw_samples"]);
        assert!(findings[0].text.contains("raw samples of `main-hoist` are not recorded"), "{findings:?}");
    }
    std::fs::remove_file(&in_the_way).unwrap();
    assert_eq!(look(30..40), []);
    look(40..50);
    let filter = MessageFilter { kind: Some(MessageKind::Finding), ..MessageFilter::default() };
    let told = Reader::open(dir.path()).unwrap().messages(&filter).unwrap();
    let raised: Vec<_> = told.iter().map(|(_, m)| (m.body["finding"].clone(), m.body["raised"] == true)).collect();
    assert_eq!(raised, [("raw_samples".into(), true), ("raw_samples".into(), false)]);
}

/// What was told of a silence: whether it was raised.
fn silences(directory: &Path) -> Vec<bool> {
    let filter = MessageFilter { kind: Some(MessageKind::Finding), ..MessageFilter::default() };
    let told = Reader::open(directory).unwrap().messages(&filter).unwrap();
    told.iter().filter(|(_, m)| m.body["finding"] == "silence").map(|(_, m)| m.body["raised"] == true).collect()
}

#[test]
fn a_silence_that_outlasts_the_daemon_is_told_once_and_its_end_too() {
    let dir = tempfile::tempdir().unwrap();
    let silent = |night: &mut Night, hours: std::ops::Range<i64>, begun: i64| {
        for mono in (hours.start * HOUR..hours.end * HOUR).step_by(60_000) {
            let now = Reading { wall: Timestamp::from_ms(begun + mono), mono: Span::from_ms(mono) };
            let mut reading = reading(&night.drive, now);
            (reading.link, reading.values) = (LinkState::Unreachable("no route".to_owned()), Values::new());
            night.site.take(reading);
            if night.site.commit_is_due(now) {
                night.commit(now);
            }
        }
    };
    let mut night = Night::begin(dir.path(), EVENING);
    night.play(0..HOUR, |mono| EVENING + mono);
    silent(&mut night, 1..200, EVENING);
    assert_eq!(silences(dir.path()), [true]);
    drop(night);

    let begun = EVENING + 200 * HOUR;
    let mut night = Night::begin(dir.path(), begun);
    silent(&mut night, 0..200, begun);
    assert_eq!(silences(dir.path()), [true], "not a second time");
    drop(night);

    let begun = begun + 200 * HOUR;
    let mut night = Night::begin(dir.path(), begun);
    night.play(0..HOUR, |mono| begun + mono);
    assert_eq!(silences(dir.path()), [true, false]);
    drop(night);
    let mut night = Night::begin(dir.path(), begun + HOUR);
    night.play(0..HOUR, |mono| begun + HOUR + mono);
    assert_eq!(silences(dir.path()), [true, false], "and that is all");
}

#[test]
fn a_finding_about_the_record_that_outlasts_the_daemon_is_told_once_and_its_end_too() {
    let dir = tempfile::tempdir().unwrap();
    let told = || {
        let filter = MessageFilter { kind: Some(MessageKind::Finding), ..MessageFilter::default() };
        let told = Reader::open(dir.path()).unwrap().messages(&filter).unwrap();
        told.iter().filter(|(_, m)| m.body["finding"] == "backup").map(|(_, m)| m.body["raised"] == true).collect()
    };
    let none: Vec<bool> = Vec::new();
    let mut begun = EVENING;
    let mut run = |act: &dyn Fn(&mut Site, Timestamp)| -> Vec<bool> {
        let mut night = Night::begin(dir.path(), begun);
        night.play(0..HOUR, |mono| begun + mono);
        act(&mut night.site, Timestamp::from_ms(begun + HOUR));
        night.play(HOUR..2 * HOUR, |mono| begun + mono);
        begun += 2 * HOUR;
        told()
    };
    assert_eq!(run(&|_, _| {}), none);
    assert_eq!(run(&|site, at| site.raise("backup", at, "no room".to_owned())), [true]);
    assert_eq!(run(&|site, at| site.raise("backup", at, "no room".to_owned())), [true], "not a second time");
    assert_eq!(run(&|site, at| site.clear("backup", at, "copied again")), [true, false]);
    assert_eq!(run(&|site, at| site.clear("backup", at, "copied again")), [true, false]);
}

/// The disk of the copies is full on the first day, before the drive is connected.
#[test]
fn a_finding_from_before_the_first_sample_is_told_with_it() {
    let dir = tempfile::tempdir().unwrap();
    let mut night = Night::begin(dir.path(), EVENING);
    let at = |mono: i64| Reading { wall: Timestamp::from_ms(EVENING + mono), mono: Span::from_ms(mono) };
    night.site.raise("backup", at(0).wall, "no room".to_owned());
    for mono in (0..HOUR).step_by(60_000) {
        assert!(!night.site.commit_is_due(at(mono)), "a commit would hold nothing");
        night.commit(at(mono));
    }
    night.play(HOUR..2 * HOUR, |mono| EVENING + mono);
    let filter = MessageFilter { kind: Some(MessageKind::Finding), ..MessageFilter::default() };
    let told = Reader::open(dir.path()).unwrap().messages(&filter).unwrap();
    assert_eq!(told.iter().filter(|(_, m)| m.body["finding"] == "backup").count(), 1, "{told:?}");
}

#[test]
fn a_commit_takes_along_who_is_due_soon_and_not_who_has_just_begun() {
    let dir = tempfile::tempdir().unwrap();
    let drives = vec![fixture::drive("a", "h:1", 100, 1000), fixture::drive("b", "h:2", 100, 1000)];
    let mut config = fixture::config(drives, vec![fixture::hoist_signals("a"), fixture::hoist_signals("b")]);
    config.store.directory = dir.path().to_owned();
    config.store.commit_every = Span::from_ms(30_000);
    let at =
        |second: i64| Reading { wall: Timestamp::from_ms(EVENING + second * 1000), mono: Span::from_ms(second * 1000) };
    let mut store = Store::open(dir.path()).unwrap();
    let mut site = Site::open(Arc::new(config), &store, at(0)).unwrap();
    let mut made: Vec<(i64, Vec<(String, usize)>)> = Vec::new();
    for second in 0..400 {
        // `a` lifts for a quarter of a minute, twice; `b` runs from before the first one's end on.
        let lifts = |from: i64| (from..from + 15).contains(&second);
        let loaded = |from: i64| (from + 2..from + 13).contains(&second);
        let of = |mechanism, load, raising| {
            let value = |target, value| Value { mechanism, target, value, raw: RawWords::default() };
            Values::from_slice(&[
                value(Target::Quantity(Quantity::Load), Decoded::Number(load)),
                value(Target::Flag(Flag::Raising), Decoded::Flag(raising)),
                value(Target::Flag(Flag::Lowering), Decoded::Flag(false)),
            ])
        };
        let a = of(0, if loaded(90) || loaded(110) { 5_000_000 } else { 0 }, lifts(90) || lifts(110));
        for (drive, values) in [("a", a), ("b", of(1, 5_000_000, second >= 100))] {
            let (drive, at) = (drive.into(), at(second));
            site.take(DriveReading {
                drive,
                before: Default::default(),
                at,
                link: LinkState::Online,
                fault: None,
                values,
            });
        }
        if site.commit_is_due(at(second)) {
            let commits = site.commits(at(second), false);
            made.push((second, commits.iter().map(|c| (c.mechanism.clone(), c.lifts.len())).collect()));
            site.stored(store.commit(&commits).unwrap(), at(second));
        }
    }
    let ends: Vec<Vec<&str>> = made
        .iter()
        .filter(|(_, commits)| commits.iter().any(|(id, lifts)| id == "hoist-0" && *lifts > 0))
        .map(|(_, commits)| commits.iter().map(|(id, _)| id.as_str()).collect())
        .collect();
    assert_eq!(ends, [vec!["hoist-0"], vec!["hoist-0", "hoist-1"]], "{made:?}");
    let of_b: Vec<i64> =
        made.iter().filter(|(_, c)| c.iter().any(|(id, _)| id == "hoist-1")).map(|(s, _)| *s).collect();
    let longest = of_b.iter().zip(&of_b[1..]).map(|(before, after)| after - before).max();
    assert!(of_b.len() > 8 && longest <= Some(31), "what a power cut can cost of `b`: {of_b:?}");
}

/// What was read again and again is told as one reading; it counts as if each had been told, also before a date is known.
#[test]
fn a_reading_that_was_held_back_counts_as_often_as_it_was_read() {
    let counted = |bunch: bool| {
        let dir = tempfile::tempdir().unwrap();
        let mut night = Night::begin(dir.path(), 0);
        let mut held: Option<DriveReading> = None;
        for mono in (0..600_000).step_by(100) {
            // The board comes up in 1970 and is put right in the midst of a bunch.
            let wall = if mono < 2_550 { mono } else { EVENING + mono };
            let at = Reading { wall: Timestamp::from_ms(wall), mono: Span::from_ms(mono) };
            let new = reading(&night.drive, at);
            match &mut held {
                Some(same) if bunch && same.values == new.values && same.before.len() < 10 => {
                    same.before.push(same.at);
                    same.at = at;
                }
                _ => held.replace(new).into_iter().for_each(|told| night.site.take(told)),
            }
        }
        held.into_iter().for_each(|told| night.site.take(told));
        let polls = night.site.drives()[0].polls;
        night.commit(Reading::default());
        let figures = night.figures();
        (
            polls,
            format!("{:?} {:?}", figures.mechanisms, figures.findings),
            night.site.commits(Reading::default(), true),
        )
    };
    let (bunched, each) = (counted(true), counted(false));
    assert_eq!(each.0, 6_000);
    assert_eq!(bunched, each);
    assert!(each.1.contains("lifts: 10"), "{}", each.1);
}

/// The network sets the clock while two drives' readings are held back: nobody is told that the clock is not believed.
#[test]
fn what_one_drive_held_back_is_dated_as_what_another_made_known() {
    let kept = |bunch: usize| {
        let dir = tempfile::tempdir().unwrap();
        let drives = vec![fixture::drive("a", "h:1", 100, 1000), fixture::drive("b", "h:2", 100, 1000)];
        let mut config = fixture::config(drives, vec![fixture::hoist_signals("a"), fixture::hoist_signals("b")]);
        config.store.directory = dir.path().to_owned();
        let store = Store::open(dir.path()).unwrap();
        let mut site = Site::open(Arc::new(config), &store, Reading::default()).unwrap();
        let times: Vec<Reading> = (0..10_010)
            .step_by(100)
            .map(|mono| {
                let wall = if mono < 2_550 { mono } else { EVENING + mono };
                Reading { wall: Timestamp::from_ms(wall), mono: Span::from_ms(mono) }
            })
            .collect();
        for times in times.chunks(bunch) {
            for (mechanism, drive) in ["a", "b"].into_iter().enumerate() {
                let mut told = reading(drive, times[times.len() - 1]);
                told.values.iter_mut().for_each(|value| {
                    value.mechanism = mechanism;
                    value.value = if let Decoded::Flag(_) = value.value { Decoded::Flag(false) } else { value.value };
                });
                told.before = times[..times.len() - 1].into();
                site.take(told);
            }
        }
        let kept = site.commits(Reading::default(), true).into_iter();
        let polls: Vec<u64> = site.drives().iter().map(|drive| drive.polls).collect();
        (kept.map(|c| format!("{} {:?} {:?}", c.mechanism, c.clock, c.gaps)).collect::<Vec<_>>(), polls)
    };
    let each = kept(1);
    assert_eq!(each.1, [101, 101]);
    assert!(each.0.iter().all(|kept| kept.contains("[]")), "{each:?}");
    assert_eq!(kept(11), each);
}
