use proptest::prelude::*;
use tallyhook_analysis::sample::{Flag, Quantity};
use tallyhook_analysis::units::Timestamp;

use super::super::testing::any_sample;
use super::*;

const WIDE: RecordingRing = RecordingRing { days: 36_500, megabytes: 1000 };

fn write(dir: &Path, bounds: RecordingRing, samples: &[Sample]) {
    let mut ring = RingWriter::open(dir, "hoist", bounds).unwrap();
    samples.iter().for_each(|sample| ring.append(sample).unwrap());
    ring.flush().unwrap();
}

fn read(dir: &Path) -> Vec<Sample> {
    Recording::of_mechanism(dir, "hoist").unwrap().collect::<Result<_, _>>().unwrap()
}

fn at(ms: i64, load: i64) -> Sample {
    let mut sample = Sample::at(Timestamp::from_ms(ms));
    sample.set(Quantity::Load, Some(load));
    sample
}

fn only_file(dir: &Path) -> PathBuf {
    let files = files_in(&ring_folder(dir, "hoist")).unwrap();
    assert_eq!(files.len(), 1);
    files[0].1.clone()
}

#[test]
fn a_directory_of_recordings_names_them() {
    let dir = tempfile::tempdir().unwrap();
    write(dir.path(), WIDE, &[at(0, 1)]);
    let ring = ring_folder(dir.path(), "hoist");
    let above = ring.parent().unwrap();
    std::fs::create_dir(above.join("empty")).unwrap();
    let text = Recording::of_directory(above).unwrap_err().to_string();
    assert!(text.contains(&format!("give one of {};", ring.display())), "{text}");
    let text = Recording::of_directory(&above.join("empty")).unwrap_err().to_string();
    assert!(text.contains("holds no recording (.thr files)"), "{text}");
}

#[test]
fn a_day_begins_a_new_file_and_old_days_are_deleted() {
    let dir = tempfile::tempdir().unwrap();
    let hourly: Vec<Sample> = (0..24 * 30).map(|hour| at(hour * 3_600_000, hour)).collect();
    write(dir.path(), RecordingRing { days: 3, megabytes: 100 }, &hourly);
    let kept = read(dir.path());
    assert_eq!(kept, hourly[hourly.len() - kept.len()..], "the newest, without a hole");
    assert!((3 * 24..=5 * 24).contains(&kept.len()), "{} hours kept", kept.len());
}

#[test]
fn the_megabytes_are_kept_to() {
    let dir = tempfile::tempdir().unwrap();
    // Loads that leap cost some ten bytes each: about 3 MB in all.
    let restless: Vec<Sample> =
        (0..300_000_i64).map(|i| at(i * 100, (i * 7_919_999_983) % 1_000_000_007_000)).collect();
    write(dir.path(), RecordingRing { days: 9999, megabytes: 1 }, &restless);
    let folder = ring_folder(dir.path(), "hoist");
    let total: u64 = files_in(&folder).unwrap().iter().map(|(_, p)| fs::metadata(p).unwrap().len()).sum();
    assert!((500_000..=1_000_000).contains(&total), "{total} bytes");
    let kept = read(dir.path());
    assert_eq!(kept, restless[restless.len() - kept.len()..]);
}

#[test]
fn a_torn_block_is_dropped_on_reading_and_cut_on_writing() {
    let dir = tempfile::tempdir().unwrap();
    let samples: Vec<Sample> = (0..2000).map(|i| at(i * 10, i)).collect();
    write(dir.path(), WIDE, &samples);
    let path = only_file(dir.path());
    let whole = fs::read(&path).unwrap();
    fs::write(&path, &whole[..whole.len() - 3]).unwrap();
    assert_eq!(read(dir.path()), samples[..1800], "blocks of 600; the last one is torn");
    write(dir.path(), WIDE, &samples[1800..]);
    assert_eq!(read(dir.path()), samples, "what was lost, recorded again right after the last whole block");
}

#[test]
fn damage_in_the_middle_is_told_and_costs_one_block() {
    let dir = tempfile::tempdir().unwrap();
    let samples: Vec<Sample> = (0..2000).map(|i| at(i * 10, i)).collect();
    write(dir.path(), WIDE, &samples);
    let path = only_file(dir.path());
    let mut bytes = fs::read(&path).unwrap();
    let second = file_head("hoist").len() + BLOCK_HEAD + 100;
    bytes[second] ^= 0x10;
    fs::write(&path, bytes).unwrap();
    let all: Vec<_> = Recording::of_file(&path).unwrap().collect();
    let errors: Vec<String> = all.iter().filter_map(|r| r.as_ref().err().map(ToString::to_string)).collect();
    assert_eq!(errors.len(), 1);
    assert!(errors[0].contains("damaged at byte"), "{}", errors[0]);
    let good: Vec<Sample> = all.into_iter().filter_map(Result::ok).collect();
    assert_eq!(good, samples[600..]);
}

#[test]
fn a_file_longer_than_what_is_read_together_comes_back_whole_and_names_the_place_of_damage() {
    let dir = tempfile::tempdir().unwrap();
    let leaping = |i: i64| at(i * 10, (i * 7_919_999_983) % 1_000_000_007_000);
    let samples: Vec<Sample> = (0..90_000).map(leaping).collect();
    write(dir.path(), WIDE, &samples);
    assert_eq!(read(dir.path()), samples);
    let path = only_file(dir.path());
    let mut bytes = fs::read(&path).unwrap();
    assert!(bytes.len() as u64 > 5 * READ_AT_ONCE / 2, "{} bytes", bytes.len());
    let (mut begin, mut blocks) = (file_head("hoist").len(), 0);
    while let Found::Block(payload) = block::find(&bytes[begin..])
        && (begin as u64) < 2 * READ_AT_ONCE
    {
        (begin, blocks) = (begin + BLOCK_HEAD + payload.len(), blocks + 1);
    }
    bytes[begin + BLOCK_HEAD + 50] ^= 4;
    // The last block is cut short as well.
    bytes.truncate(bytes.len() - 7);
    fs::write(&path, bytes).unwrap();
    let (good, bad): (Vec<_>, Vec<_>) = Recording::of_file(&path).unwrap().partition(Result::is_ok);
    assert!(matches!(bad[..], [Err(SamplesError::Damaged { offset, .. })] if offset == begin as u64), "{bad:?}");
    let lost = blocks * BLOCK_SAMPLES..(blocks + 1) * BLOCK_SAMPLES;
    let kept = samples.len() - BLOCK_SAMPLES;
    let left = samples[..lost.start].iter().chain(&samples[lost.end..kept]).copied();
    assert_eq!(good.into_iter().map(Result::unwrap).collect::<Vec<_>>(), left.collect::<Vec<_>>());
}

#[test]
fn what_is_no_recording_is_said_to_be_none() {
    let dir = tempfile::tempdir().unwrap();
    assert!(matches!(Recording::of_directory(dir.path()), Err(SamplesError::Nothing { .. })));
    let path = dir.path().join("5.thr");
    fs::write(&path, "not a recording at all, but long enough to have a head").unwrap();
    let first = Recording::of_file(&path).unwrap().next().unwrap();
    assert!(matches!(first, Err(SamplesError::Damaged { offset: 0, .. })));
}

/// How a load goes on: to a place of its own, or from where it is; such as 32 bits hold and such as they do not.
fn moves() -> impl Strategy<Value = (bool, i64)> {
    let by = prop_oneof![60 => -50_i64..50, 20 => Just(0), 20 => -3_000_000_i64..3_000_000, 1 => -134_000_000_i64..134_000_000];
    let edges = [0, i64::from(i32::MAX), i64::from(i32::MIN)];
    let to =
        prop_oneof![1 => any::<i64>(), 3 => (0_usize..3, -60_i64..60).prop_map(move |(edge, off)| edges[edge] + off)];
    prop_oneof![100 => by.prop_map(|by| (false, by)), 1 => to.prop_map(|to| (true, to))]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn any_samples_come_back_to_the_bit(
        samples in proptest::collection::vec(any_sample(0..80_000_000), 1..300),
        flushed in proptest::collection::vec(any::<bool>(), 300),
    ) {
        let dir = tempfile::tempdir().unwrap();
        let mut ring = RingWriter::open(dir.path(), "hoist", WIDE).unwrap();
        for (sample, flush) in samples.iter().zip(flushed) {
            ring.append(sample).unwrap();
            if flush {
                ring.flush().unwrap();
            }
        }
        drop(ring);
        prop_assert_eq!(read(dir.path()), samples);
    }

    /// A load that trembles at one pace is read as a column; what breaks in is not.
    #[test]
    fn a_trembling_load_comes_back_to_the_bit_whatever_breaks_in(
        pace in prop_oneof![Just(100_i64), Just(20), 1_i64..20_000],
        begin in prop_oneof![Just(0), Just(i64::from(i32::MAX) - 40), Just(i64::from(i32::MIN) + 40), any::<i64>()],
        rows in proptest::collection::vec((moves(), prop_oneof![1 => 0_u8..5, 5 => Just(5)]), 1..900),
    ) {
        let dir = tempfile::tempdir().unwrap();
        let (mut sample, mut load, mut samples) = (at(1_000, 0), begin, Vec::new());
        for ((back, change), breaks) in rows {
            load = if back { change } else { load.wrapping_add(change) };
            sample.at = Timestamp::from_ms(sample.at.as_ms() + if breaks == 0 { 3 } else { pace });
            sample.set(Quantity::Load, (breaks != 1).then_some(load));
            match breaks {
                2 => sample.set(Quantity::Height, Some(change)),
                3 => sample.set(Quantity::Height, None),
                4 => sample.set_flag(Flag::Raising, Some(change > 0)),
                _ => {}
            }
            samples.push(sample);
        }
        write(dir.path(), WIDE, &samples);
        prop_assert_eq!(read(dir.path()), samples);
    }

    #[test]
    fn cuts_and_flipped_bits_never_panic_and_never_invent(
        samples in proptest::collection::vec(any_sample(0..80_000_000), 1..60),
        cut in any::<proptest::sample::Index>(),
        flips in proptest::collection::vec((any::<proptest::sample::Index>(), 0_u8..8), 0..4),
    ) {
        let dir = tempfile::tempdir().unwrap();
        write(dir.path(), WIDE, &samples);
        let path = only_file(dir.path());
        let mut bytes = fs::read(&path).unwrap();
        bytes.truncate(cut.index(bytes.len()) + 1);
        for (place, bit) in flips {
            let place = place.index(bytes.len());
            bytes[place] ^= 1 << bit;
        }
        fs::write(&path, &bytes).unwrap();
        for sample in Recording::of_file(&path).unwrap().flatten() {
            prop_assert!(samples.contains(&sample));
        }
        // The writer goes on from whatever is left.
        let mut ring = RingWriter::open(dir.path(), "hoist", WIDE).unwrap();
        ring.append(&at(81_000_000, 1)).unwrap();
        ring.flush().unwrap();
        let last = Recording::of_mechanism(dir.path(), "hoist").unwrap().filter_map(Result::ok).last();
        prop_assert_eq!(last, Some(at(81_000_000, 1)));
    }

    #[test]
    fn any_bytes_are_a_payload_or_none(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
        let mut batch = Batch::default();
        let before = at(0, 0);
        batch.push(before);
        let mark = batch.mark();
        if block::decode(&bytes, &mut batch).is_none() {
            batch.take_back(mark);
            prop_assert_eq!(batch.iter().collect::<Vec<_>>(), [before]);
        }
    }
}
