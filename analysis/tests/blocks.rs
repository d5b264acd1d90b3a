//! Samples taken many at a time are the same to the bit as one by one, wherever they are cut.

#![allow(clippy::unwrap_used, reason = "tests")]

use proptest::prelude::*;
use tallyhook_analysis::account::{Account, Entry, State, Terms};
use tallyhook_analysis::batch::Batch;
use tallyhook_analysis::counter::Counter;
use tallyhook_analysis::recorder::{Spec, Utc};
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::units::{Grams, Span, Timestamp};
use tallyhook_analysis::wear::Reeving;

/// A while in which the hoist does one thing, and what is odd in it.
#[derive(Clone, Debug)]
struct While {
    samples: usize,
    step_ms: i64,
    raising: bool,
    lowering: Option<bool>,
    load_kg: i64,
    tremble_g: i64,
    /// Before it: nothing, a silence, a long silence, a clock that goes back, a sample of the same instant.
    first: u8,
    load_seen: bool,
    counters_seen: bool,
    fault: bool,
}

fn whiles() -> impl Strategy<Value = Vec<While>> {
    let time = (1_usize..120, prop_oneof![6 => Just(100_i64), 1 => 1_i64..3000, 1 => Just(2000), 1 => Just(60_000)]);
    let motor = (any::<bool>(), prop_oneof![8 => any::<bool>().prop_map(Some), 1 => Just(None)]);
    let load =
        (prop_oneof![2 => Just(0_i64), 3 => 0_i64..12_000, 1 => 290_i64..520], prop_oneof![Just(0_i64), Just(30_000)]);
    let seen = (prop::bool::weighted(0.9), any::<bool>(), prop::bool::weighted(0.1));
    let first = prop_oneof![12 => Just(0_u8), 1 => Just(1), 1 => Just(2), 1 => Just(3), 1 => Just(4)];
    let one = (time, motor, load, seen, first).prop_map(|(time, motor, load, seen, first)| While {
        samples: time.0,
        step_ms: time.1,
        raising: motor.0,
        lowering: motor.1,
        load_kg: load.0,
        tremble_g: load.1,
        first,
        load_seen: seen.0,
        counters_seen: seen.1,
        fault: seen.2,
    });
    proptest::collection::vec(one, 1..40)
}

fn samples(life: &[While], begin: i64) -> Vec<Sample> {
    let (mut at, mut ran, mut starts, mut draw) = (begin, 0, 0, 1_u64);
    let mut samples = Vec::new();
    for w in life {
        at += [0, 2_500, 5_000_000, -4_000, -w.step_ms][usize::from(w.first)];
        starts += i64::from(w.raising);
        for _ in 0..w.samples {
            draw = draw.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let noise = (draw >> 33) as i64 % (2 * w.tremble_g + 1) - w.tremble_g;
            let mut s = Sample::at(Timestamp::from_ms(at));
            s.set_flag(Flag::Raising, Some(w.raising));
            s.set_flag(Flag::Lowering, w.lowering);
            s.set_flag(Flag::Fault, Some(w.fault));
            s.set(Quantity::Load, w.load_seen.then_some(w.load_kg * 1000 + noise));
            let speed = if w.fault { 100_000 - noise } else { 100_000 };
            s.set(Quantity::Speed, Some(if w.raising { speed } else { 0 }));
            if w.counters_seen {
                s.set(Quantity::RunHours, Some(ran / 36_000 * 36_000));
                s.set(Quantity::Starts, Some(starts));
            }
            samples.push(s);
            at += w.step_ms;
            ran += if w.raising { w.step_ms } else { 0 };
        }
    }
    samples
}

/// As a reader of recordings makes it: columns, where samples differ in time and load alone; one column where `even` and
/// they come at one step.
fn batch_of(block: &[Sample], even: bool) -> Batch {
    let mut batch = Batch::default();
    let mut rest = block;
    while let Some((first, after)) = rest.split_first() {
        batch.push(*first);
        let alike = |sample: &&Sample| {
            let mut like = **sample;
            like.at = first.at;
            like.set(Quantity::Load, first.get(Quantity::Load));
            like == *first && first.load().is_some() && sample.load().is_some()
        };
        let mut count = after.iter().take_while(alike).count();
        if let (true, Some(second)) = (even && count > 0, after.first()) {
            let step_ms = second.at.as_ms() - first.at.as_ms();
            let steps = block_steps(rest);
            count = count.min(steps.take_while(|step| *step == step_ms).count());
            batch.push_even(*first, step_ms, |loads| {
                loads.extend(after[..count].iter().map(|s| s.get(Quantity::Load).unwrap_or_default() as i32));
            });
            rest = &after[count..];
            continue;
        }
        batch.push_alike(*first, |at_ms, loads| {
            for sample in &after[..count] {
                at_ms.push(sample.at.as_ms());
                loads.push(sample.get(Quantity::Load).unwrap_or_default());
            }
        });
        rest = &after[count..];
    }
    batch
}

fn block_steps(samples: &[Sample]) -> impl Iterator<Item = i64> + '_ {
    samples.windows(2).map(|pair| pair[1].at.as_ms() - pair[0].at.as_ms())
}

fn account(kind: u8) -> Account {
    let spec = Spec {
        dead_load: Grams::from_kg([0.0, 300.0, 300.0, 0.0][usize::from(kind % 4)]),
        gross_signal: kind % 4 == 2,
        has_lowering: kind < 4,
        stale_after: Span::from_ms(2000),
        ..Spec::hoist(Grams::from_kg(10_000.0))
    };
    let counters = kind.is_multiple_of(2);
    let terms = Terms {
        hour_counter: counters.then_some(Counter::hours(32, 36_000)),
        start_counter: counters.then_some(Counter::starts(32)),
        reeving: Some(Reeving { sheaves: 3, drum: true, ways: 2 }),
        rated_speed_mm_s: Some(100),
        ..Terms::plain(1600.0)
    };
    Account::resume(spec, terms, State::default())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn blocks_cut_anywhere_are_the_samples_one_by_one_to_the_bit(
        life in whiles(), kind in 0_u8..8, begin in prop_oneof![Just(0_i64), 86_000_000_i64..86_400_000],
        cuts in proptest::collection::vec(1_usize..400, 1..30),
    ) {
        let samples = samples(&life, begin);
        let (mut one_by_one, mut blocks, mut batches) = (account(kind), account(kind), account(kind));
        let (mut first, mut second, mut third): (Vec<Entry>, Vec<Entry>, Vec<Entry>) = Default::default();
        let (mut evens, mut fourth) = (account(kind), Vec::new());
        let (mut rest, mut cuts) = (samples.as_slice(), cuts.iter().cycle());
        while !rest.is_empty() {
            let (block, after) = rest.split_at((*cuts.next().unwrap()).min(rest.len()));
            block.iter().for_each(|sample| one_by_one.step(sample, &Utc, &mut |entry| first.push(entry)));
            blocks.step_all(block, &Utc, &mut |entry| second.push(entry));
            let batch = batch_of(block, false);
            prop_assert_eq!(batch.iter().collect::<Vec<_>>(), block);
            batches.step_batch(&batch, &Utc, &mut |entry| third.push(entry));
            let batch = batch_of(block, true);
            prop_assert_eq!(batch.iter().collect::<Vec<_>>(), block);
            evens.step_batch(&batch, &Utc, &mut |entry| fourth.push(entry));
            prop_assert_eq!(one_by_one.state(), blocks.state());
            prop_assert_eq!(one_by_one.state(), evens.state());
            prop_assert_eq!(one_by_one.state(), batches.state());
            rest = after;
        }
        prop_assert_eq!(&first, &second);
        prop_assert_eq!(&first, &fourth);
        prop_assert_eq!(first, third);
        prop_assert_eq!(one_by_one.open_day(), evens.open_day());
        prop_assert_eq!(one_by_one.open_day(), batches.open_day());
        prop_assert_eq!(one_by_one.used_share().to_bits(), blocks.used_share().to_bits());
    }

    #[test]
    fn what_is_not_believed_is_not_read(life in whiles(), even in any::<bool>(), most in 0_i64..13_000_000, down in any::<bool>()) {
        let mut samples = samples(&life, 0);
        if down {
            samples.iter_mut().for_each(|s| s.set(Quantity::Load, s.get(Quantity::Load).map(|load| -load)));
        }
        let mut batch = batch_of(&samples, even);
        let told = batch.disbelieve(|quantity| (quantity == Quantity::Load).then_some(most));
        let mut refused = Vec::new();
        for sample in &mut samples {
            if sample.get(Quantity::Load).is_some_and(|load| load.abs() > most) {
                sample.set(Quantity::Load, None);
                refused.push(sample.at);
            }
        }
        prop_assert_eq!(batch.iter().collect::<Vec<_>>(), samples);
        prop_assert_eq!(told, (refused.len() as u64, refused.first().copied()));
    }
}
