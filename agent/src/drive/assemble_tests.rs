use tallyhook_analysis::sample::Quantity;
use tallyhook_analysis::units::{Grams, Timestamp};
use tallyhook_config::model::{RawType, Table};

use super::super::fixture::{config, drive, hoist_signals, signal};
use super::super::{LinkState, RawWords, Value};
use super::*;

fn reading(drive: &str, ms: i64, link: LinkState, values: &[(usize, Target, Decoded)]) -> DriveReading {
    let at = Reading { wall: Timestamp::from_ms(1_000_000 + ms), mono: Span::from_ms(ms) };
    let values = values
        .iter()
        .map(|&(mechanism, target, value)| Value { mechanism, target, value, raw: RawWords::default() })
        .collect();
    DriveReading { drive: drive.into(), before: Default::default(), at, link, fault: None, values }
}

const LOAD: Target = Target::Quantity(Quantity::Load);
const RAISING: Target = Target::Flag(Flag::Raising);
const LOWERING: Target = Target::Flag(Flag::Lowering);

/// The inverter runs the hoist, a weighing amplifier of its own gives the load.
fn two_drives() -> Assembler {
    let mut signals = hoist_signals("inverter");
    signals[0] = signal(LOAD, "scale", Table::Input, 0, RawType::U16);
    let drives = vec![drive("inverter", "a:1", 100, 1000), drive("scale", "b:1", 100, 1000)];
    Assembler::new(&config(drives, vec![signals]))
}

#[test]
fn one_drive_one_sample_a_reading_and_nothing_after_a_failed_poll() {
    let drives = vec![drive("d", "a:1", 100, 1000)];
    let mut assembler = Assembler::new(&config(drives, vec![hoist_signals("d"), hoist_signals("d")]));
    let good = reading(
        "d",
        0,
        LinkState::Online,
        &[(0, LOAD, Decoded::Number(5)), (0, RAISING, Decoded::Flag(true)), (1, LOAD, Decoded::Number(7))],
    );
    let samples = assembler.take(&good);
    assert_eq!(
        samples.iter().map(|(i, s)| (*i, s.load())).collect::<Vec<_>>(),
        [(0, Some(Grams::new(5))), (1, Some(Grams::new(7)))]
    );
    assert_eq!(samples[0].1.at, Timestamp::from_ms(1_000_000));
    assert_eq!(samples[0].1.flag(Flag::Raising), Some(true));
    assert_eq!(samples[0].1.flag(Flag::Lowering), None);

    let failed = reading("d", 100, LinkState::Silent, &[(0, LOAD, Decoded::NotRead), (0, RAISING, Decoded::NotRead)]);
    let samples = assembler.take(&failed);
    assert_eq!(samples.len(), 2);
    assert!(samples.iter().all(|(_, s)| s.is_blank()));
    assert!(assembler.take(&reading("stranger", 0, LinkState::Online, &[])).is_empty());
}

#[test]
fn the_other_drive_s_value_stands_until_it_is_stale_or_its_drive_fails() {
    let mut assembler = two_drives();
    let run = |ms| {
        reading(
            "inverter",
            ms,
            LinkState::Online,
            &[(0, RAISING, Decoded::Flag(true)), (0, LOWERING, Decoded::Flag(false))],
        )
    };
    assert_eq!(assembler.take(&run(0))[0].1.load(), None, "nothing was weighed yet");
    let weighed = reading("scale", 50, LinkState::Online, &[(0, LOAD, Decoded::Number(9))]);
    assert!(assembler.take(&weighed).is_empty(), "the drive that runs the hoist makes the samples");
    let load_at = |a: &mut Assembler, ms| a.take(&run(ms))[0].1.load();
    assert_eq!(load_at(&mut assembler, 100), Some(Grams::new(9)));
    assert_eq!(load_at(&mut assembler, 2050), Some(Grams::new(9)), "at the stale limit of 2 s");
    assert_eq!(load_at(&mut assembler, 2051), None, "beyond it");
    assembler.take(&reading("scale", 2060, LinkState::Online, &[(0, LOAD, Decoded::Number(9))]));
    assembler.take(&reading("scale", 2070, LinkState::Silent, &[(0, LOAD, Decoded::NotRead)]));
    let sample = assembler.take(&run(2080))[0].1;
    assert_eq!(sample.load(), None, "a failed poll wipes what was read before it");
    assert_eq!(sample.running_of(true, true), Some(true), "the hoist's own run is still known");
}
