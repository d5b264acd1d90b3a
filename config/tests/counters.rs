//! The drive's own counters: how wide they are, by what they step, and that a mechanism may have none.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "tests")]

use tallyhook_analysis::counter::Counter;
use tallyhook_analysis::sample::Quantity;
use tallyhook_config::{Faults, StarterOptions, load, starter};

fn with(line: &str) -> String {
    starter(&StarterOptions::default())
        .replace("[crane.mechanism.signals]\n", &format!("[crane.mechanism.signals]\n{line}\n"))
}

fn counter(line: &str, quantity: Quantity) -> Option<Counter> {
    let config = load(&with(line), "site.toml").unwrap_or_else(|f| panic!("{}", f.report()));
    config.cranes[0].mechanisms[0].counter(quantity)
}

fn refused(line: &str) -> Faults {
    load(&with(line), "site.toml").map(|_| ()).expect_err(line)
}

#[test]
fn the_width_comes_from_the_type_and_the_step_from_the_scale() {
    const HOUR: i64 = 3_600_000;
    let hours = |keys: &str| counter(&format!("run_hours = {{ address = 90, {keys} }}"), Quantity::RunHours).unwrap();
    assert_eq!(hours("type = \"u16\""), Counter::hours(16, HOUR));
    assert_eq!(hours("type = \"u16\", scale = 0.1"), Counter::hours(16, HOUR / 10));
    assert_eq!(hours("type = \"u32\", unit = \"s\""), Counter::hours(32, 1000));
    assert_eq!(hours("type = \"u32\", unit = \"min\", counter_bits = 16"), Counter::hours(16, 60_000));
    assert_eq!(hours("type = \"u16\", counter_bits = 0"), Counter::hours(0, HOUR));
    let tenths = Counter { step: HOUR, ..Counter::hours(16, HOUR / 10) };
    assert_eq!(hours("type = \"u16\", scale = 0.1, counter_step = 1"), tenths, "shows tenths, moves by the hour");
    assert_eq!(hours("type = \"f32\"").rolls_at, None, "a float does not begin again");
    assert_eq!(hours("type = \"i16\"").rolls_at, Some(32_768 * HOUR));

    assert_eq!(hours("type = \"bcd16\"").rolls_at, Some(10_000 * HOUR), "four decimal digits");
    assert_eq!(hours("mask = 0x0FFF").rolls_at, Some(4096 * HOUR), "twelve bits of a word");

    let starts = |keys: &str| counter(&format!("starts = {{ address = 92, {keys} }}"), Quantity::Starts).unwrap();
    assert_eq!(starts("type = \"u32\""), Counter::starts(32));
    let tens = Counter { rolls_at: Some(655_360), step: 10, ..Counter::starts(16) };
    assert_eq!(starts("type = \"u16\", scale = 10"), tens);
}

#[test]
fn a_mechanism_without_counters_has_none() {
    let config = load(&starter(&StarterOptions::default()), "site.toml").unwrap();
    let hoist = &config.cranes[0].mechanisms[0];
    let named = |q| hoist.signals.iter().any(|s| s.target == tallyhook_config::model::Target::Quantity(q));
    for quantity in [Quantity::RunHours, Quantity::Starts] {
        assert_eq!(hoist.counter(quantity).is_some(), named(quantity));
    }
    assert_eq!(hoist.counter(Quantity::Load), None);
}

#[test]
fn what_does_not_fit_a_counter_is_said() {
    let faults = refused("height_m = { address = 90, counter_bits = 16 }");
    assert!(faults.to_string().contains("`height_m` has `counter_bits`, but is no counter"), "{faults}");
    let faults = refused("raising2 = { address = 90, counter_step = 1 }");
    assert!(faults.to_string().contains("raising2"), "{faults}");
    let faults = refused("run_hours = { address = 90, scale = -1 }");
    assert!(faults.to_string().contains("counts up"), "{faults}");
    let faults = refused("starts = { address = 90, counter_bits = 65 }");
    assert!(faults.to_string().contains("0 to 64 bits"), "{faults}");
}
