//! The starter is a configuration that loads, as it is and with every setting in it switched on.

#![allow(clippy::unwrap_used, reason = "tests")]

use std::collections::BTreeSet;

use tallyhook_analysis::class::{ApplianceGroup, MechanismGroup};
use tallyhook_config::model::Config;
use tallyhook_config::{StarterOptions, load, reference, starter};

fn loaded(text: &str) -> Config {
    load(text, "starter.toml").unwrap_or_else(|faults| panic!("{}\n{text}", faults.report()))
}

/// Takes the `#` off every setting that is switched off.
fn all_switched_on(text: &str) -> String {
    let switch = |line: &str| match line.strip_prefix('#') {
        Some(rest) if rest.starts_with(|c: char| c.is_ascii_lowercase() || c == '[') => rest.to_owned(),
        _ => line.to_owned(),
    };
    text.lines().map(switch).collect::<Vec<_>>().join("\n")
}

#[test]
fn the_starter_loads_for_every_group_and_a_range_of_rated_loads() {
    for &group in MechanismGroup::ALL {
        for &crane_group in ApplianceGroup::ALL {
            for rated_load_kg in [0.5, 500.0, 12_500.0, 52_428.0, 52_429.0, 100_000.0, 500_000.0] {
                let options = StarterOptions { group, crane_group, rated_load_kg, ..StarterOptions::default() };
                for text in [starter(&options), all_switched_on(&starter(&options))] {
                    let config = loaded(&text);
                    let (crane, hoist) = config.mechanisms().next().unwrap();
                    assert_eq!((crane.group, hoist.group, hoist.id.as_str()), (crane_group, group, "main-hoist"));
                    assert_eq!(hoist.spec.rated.as_kg(), rated_load_kg);
                }
            }
        }
    }
}

#[test]
fn odd_directories_and_addresses_are_quoted() {
    for data in ["/var/lib/tallyhook", "a \"quoted\" place", "back\\slash", "Kräne"] {
        for drive in ["127.0.0.1:15020", "[::1]:502", "hoist-drive.plant:502"] {
            let options =
                StarterOptions { drive: drive.to_owned(), data: data.to_owned(), ..StarterOptions::default() };
            let config = loaded(&starter(&options));
            assert_eq!(config.store.directory.to_str(), Some(data));
        }
    }
}

#[test]
fn the_defaults_that_are_spelt_out_are_those_that_hold_when_absent() {
    let text = starter(&StarterOptions::default());
    let (plain, full) = (loaded(&text), loaded(&all_switched_on(&text)));
    let (a, b) = (&plain.cranes[0].mechanisms[0], &full.cranes[0].mechanisms[0]);
    assert_eq!(a.spec.lift, b.spec.lift);
    assert_eq!(a.warn.used_share, b.warn.used_share);
    assert_eq!(a.warn.used_share_hysteresis, b.warn.used_share_hysteresis);
    assert_eq!(a.warn.overload, b.warn.overload);
    assert_eq!(a.factor_scale, b.factor_scale);
    assert_eq!(plain.store.commit_every, full.store.commit_every);
    assert_eq!(plain.drives["main"].timeout, full.drives["main"].timeout);
    let (plain, full) = (&plain.drives["main"], &full.drives["main"]);
    assert_eq!((plain.max_registers, plain.max_contacts), (full.max_registers, full.max_contacts));
    assert_eq!(
        (plain.poll_counters, plain.answer_delay, plain.silent_after),
        (full.poll_counters, full.answer_delay, full.silent_after)
    );
}

#[test]
fn the_lift_thresholds_are_the_recorders_own_defaults() {
    for rated_load_kg in [1.0, 333.333, 3_200.0, 12_500.0, 16_000.0, 499_999.999] {
        let config = loaded(&starter(&StarterOptions { rated_load_kg, ..StarterOptions::default() }));
        let spec = &config.cranes[0].mechanisms[0].spec;
        assert_eq!(spec.lift, tallyhook_analysis::lift::LiftSettings::for_rated(spec.rated), "{rated_load_kg}");
    }
}

#[test]
fn every_key_of_the_reference_stands_in_the_starter() {
    let text = starter(&StarterOptions::default());
    let typed: BTreeSet<&str> = text
        .lines()
        .flat_map(|l| l.split(['#', ' ', '{', '}', ',', '=', '[', ']', '.', '·', ':']))
        .filter(|word| !word.is_empty())
        .collect();
    let reference = reference();
    let keys: Vec<&str> = reference.lines().filter_map(|l| l.strip_prefix("| `")?.split('`').next()).collect();
    assert!(keys.len() > 70, "{}", keys.len());
    for key in keys {
        assert!(typed.contains(key), "`{key}` is not in the starter");
    }
}

#[test]
fn no_line_of_the_starter_is_too_long_to_read() {
    for line in starter(&StarterOptions::default()).lines() {
        assert!(line.chars().count() <= 120, "{line}");
    }
}
