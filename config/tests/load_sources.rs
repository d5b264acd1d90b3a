//! Where a load comes from: load signal, torque with a calibration, both; each fault with its line and mend.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "tests")]

use tallyhook_analysis::load::{Lead, Terms};
use tallyhook_analysis::units::{Grams, Span};
use tallyhook_config::{Faults, load};

const TORQUE: &str = "torque_pct = { address = 2, type = \"i16\", scale = 0.1 }";
const CELL: &str = "load_kg = { address = 5, unit = \"daN\" }";
const SPEED: &str = "speed_pct = { address = 3, type = \"i16\", scale = 0.1 }";
const POINTS: &str = "point = [\n\
    { load_kg = 0, raising_pct = 12, lowering_pct = -3 },\n\
    { load_kg = 5000, raising_pct = 50, lowering_pct = -28 },\n\
    { load_kg = 10000, raising_pct = 90, lowering_pct = -52 },\n]";

/// A hoist with these signals and these lines of `[crane.mechanism.load]`; the first of them is line 14 and on.
fn text(signals: &[&str], lines: &str) -> String {
    let head = "[drive.main]\naddress = \"192.0.2.10:502\"\n[[crane]]\nid = \"yard-1\"\ngroup = \"A5\"\n\
                [[crane.mechanism]]\nid = \"main-hoist\"\ngroup = \"M5\"\nrated_load_kg = 10000\n[crane.mechanism.signals]\n\
                raising = { address = 1, bit = 0 }\nlowering = { address = 1, bit = 1 }\n";
    format!("{head}{}\n{lines}\n", signals.join("\n"))
}

fn terms(signals: &[&str], lines: &str) -> Terms {
    let config = load(&text(signals, lines), "site.toml").unwrap_or_else(|faults| panic!("{faults}"));
    config.cranes[0].mechanisms[0].load.clone()
}

#[track_caller]
fn fault(signals: &[&str], lines: &str, what: &str, mend: &str) {
    let faults: Faults = load(&text(signals, lines), "site.toml").expect_err("it loads");
    let said: Vec<_> = faults.iter().map(|f| format!("{}: {}; {}", f.line, f.what, f.mend)).collect();
    assert_eq!(said.len(), 1, "{said:#?}");
    assert!(said[0].contains(what) && said[0].contains(mend), "{said:#?}");
}

#[test]
fn a_load_signal_needs_nothing_and_passes_as_it_is() {
    let terms = terms(&[CELL], "");
    assert!(terms.passes());
    assert_eq!(terms.calibration, None);
}

#[test]
fn a_torque_is_calibrated_by_its_points_in_each_direction() {
    let terms = terms(&[TORQUE, SPEED], &format!("[crane.mechanism.load]\n{POINTS}"));
    assert_eq!(terms.lead, Lead::Torque);
    let calibration = terms.calibration.unwrap();
    assert_eq!(calibration.raising.load(70_000), Grams::from_kg(7_500.0));
    assert_eq!(calibration.lowering.load(-40_000), Grams::from_kg(7_500.0));
    assert_eq!((calibration.min_speed, calibration.settle, calibration.tail), (20_000, Span::from_ms(300), Span::ZERO));
}

#[test]
fn without_a_speed_signal_time_masks_what_is_not_steady() {
    let calibration = terms(&[TORQUE], &format!("[crane.mechanism.load]\n{POINTS}")).calibration.unwrap();
    let blind = Span::from_ms(1_500);
    assert_eq!((calibration.min_speed, calibration.settle, calibration.tail), (0, blind, blind));
}

#[test]
fn of_both_the_load_signal_leads_unless_it_is_said_otherwise() {
    let both = format!("[crane.mechanism.load]\n{POINTS}");
    assert_eq!(terms(&[CELL, TORQUE], &both).lead, Lead::Cell);
    let torque = format!("[crane.mechanism.load]\nleads = \"torque_pct\"\n{POINTS}");
    assert_eq!(terms(&[CELL, TORQUE], &torque).lead, Lead::Torque);
}

#[test]
fn an_uncalibrated_torque_is_allowed_when_it_is_said() {
    let terms = terms(&[TORQUE], "[crane.mechanism.load]");
    assert_eq!((terms.lead, terms.calibration), (Lead::Torque, None));
    fault(&[TORQUE], "", "how the torque tells the load", "`[crane.mechanism.load]`");
}

#[test]
fn points_that_make_no_line_say_which_and_what_to_do() {
    let with = |points: &str| format!("[crane.mechanism.load]\npoint = [{points}]");
    let zero = "{ load_kg = 0, raising_pct = 12, lowering_pct = -3 }";
    fault(
        &[TORQUE],
        &with(&format!("{zero}, {{ load_kg = 5000, raising_pct = 50 }}")),
        "is one calibration point for lowering",
        "add its `lowering_pct`",
    );
    fault(
        &[TORQUE],
        &with(&format!("{zero}, {{ load_kg = 5000, raising_pct = 50, lowering_pct = -3 }}")),
        "same weight or reading: 0 kg at -3 % and 5000 kg at -3 %",
        "take one of them out",
    );
    fault(
        &[TORQUE],
        &with(&format!(
            "{zero}, {{ load_kg = 5000, raising_pct = 60, lowering_pct = -28 }}, {{ load_kg = 9000, raising_pct = 55, \
             lowering_pct = -50 }}"
        )),
        "for raising bend back between",
        "take the wrong point again",
    );
    fault(&[TORQUE], &with("{ load_kg = 0 }"), "neither `raising_pct` nor `lowering_pct`", "take the point out");
    fault(&[CELL], &with(&format!("{zero}, {zero}")), "no signal `torque_pct`", "add `torque_pct`");
}

#[test]
fn a_zero_is_corrected_only_where_it_is_said_and_there_is_one() {
    assert_eq!(terms(&[CELL], "").correct_zero, None);
    assert_eq!(terms(&[CELL], "[crane.mechanism.load]\ncorrect_zero_percent = 1.5").correct_zero, Some(15));
    let of_torque = format!("[crane.mechanism.load]\ncorrect_zero_percent = 1.5\n{POINTS}");
    fault(&[TORQUE, SPEED], &of_torque, "which has no zero of its own", "take this key out");
    fault(&[CELL], "[crane.mechanism.load]\ncorrect_zero_percent = 9", "`correct_zero_percent`", "0.3 to 5");
}

#[test]
fn what_cannot_be_is_refused() {
    fault(&[CELL], "[crane.mechanism.load]\nleads = \"torque_pct\"", "has no signal `torque_pct`", "let the other");
    fault(&[CELL], "[crane.mechanism.load]\nmin_speed_percent = 30", "no signal `speed_pct`", "add `speed_pct`");
    fault(&[CELL], "[crane.mechanism.load]\nleads = \"torque\"", "`leads`", "torque_pct");
}
