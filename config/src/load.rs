//! Where a load comes from: which signal leads, and the calibration of a torque.

use std::ops::Range;

use tallyhook_analysis::load::dynamics::HoistingClass;
use tallyhook_analysis::load::{Calibration, Curve, CurveFault, Lead, Terms};
use tallyhook_analysis::sample::Quantity;
use tallyhook_analysis::units::{Grams, Span};

use crate::keys;
use crate::model::{Signal, Target};
use crate::raw::{Given, Table};

/// What of its mechanism the load rests on.
pub(crate) struct Seen {
    /// The signals could be read, so that what is said to lack does.
    known: bool,
    load: bool,
    torque: bool,
    speed: bool,
}

impl Seen {
    pub(crate) fn of(signals: &Option<Vec<Signal>>) -> Self {
        let has = |quantity| signals.iter().flatten().any(|s| s.target == Target::Quantity(quantity));
        Seen {
            known: signals.is_some(),
            load: has(Quantity::Load),
            torque: has(Quantity::Torque),
            speed: has(Quantity::Speed),
        }
    }
}

/// Without a speed signal nothing but time tells when a motor turns steadily: 1.5 s. With one, 0.3 s of steady speed
/// (common practice, no source).
const BLIND_SETTLE: Span = Span::from_ms(1_500);
const SEEN_SETTLE: Span = Span::from_ms(300);

/// Reads the table; an empty one where it is not there.
pub(crate) fn load(table: &Table<'_>, seen: &Seen) -> Option<Terms> {
    let lead = lead(table, seen);
    let settled = table.choice("book").map(|given| given.value == "settled");
    let points = points(table, seen);
    let steady = steady(table, seen);
    let (min_speed, max_slope, settle, tail) = steady?;
    let calibration =
        points?.map(|(raising, lowering)| Calibration { raising, lowering, min_speed, max_slope, settle, tail });
    let uncertainty = if table.has("uncertainty_percent") {
        Some((table.number("uncertainty_percent")?.value * 10.0).round() as i64)
    } else {
        None
    };
    let lead = lead?;
    let correct_zero = correct_zero(table, lead)?;
    let class = table.choice("hoisting_class").and_then(|given| HoistingClass::from_name(given.value));
    let jerk_limit = if table.has("jerk_factor") {
        Some((table.number("jerk_factor")?.value * 1000.0).round() as i64)
    } else {
        None
    };
    Some(Terms { lead, calibration, settled: settled?, correct_zero, uncertainty, hoisting_class: class?, jerk_limit })
}

/// Bound of the correction, thousandths of the rated load; `Some(None)` where nothing is corrected.
fn correct_zero(table: &Table<'_>, lead: Lead) -> Option<Option<i64>> {
    if !table.has("correct_zero_percent") {
        return Some(None);
    }
    let bound = table.number("correct_zero_percent")?;
    if lead == Lead::Torque {
        table.faults.wrong(
            table.place("correct_zero_percent"),
            "`correct_zero_percent` is given, but the load is taken from the torque, which has no zero of its own",
            "take this key out; where the friction has changed for good, calibrate anew",
        );
        return None;
    }
    Some(Some((bound.value * 10.0).round() as i64))
}

fn lead(table: &Table<'_>, seen: &Seen) -> Option<Lead> {
    if !table.has("leads") {
        return Some(if seen.load || !seen.torque { Lead::Cell } else { Lead::Torque });
    }
    let given = table.choice("leads")?;
    let (lead, there) = match given.value {
        "torque_pct" => (Lead::Torque, seen.torque),
        _ => (Lead::Cell, seen.load),
    };
    if seen.known && !there {
        table.faults.missing(
            given.span,
            format!("`{0}` leads, but the mechanism has no signal `{0}`", given.value),
            format!("add `{}` to [crane.mechanism.signals], or let the other signal lead", given.value),
        );
        return None;
    }
    Some(lead)
}

/// Least speed and steepest slope (0.001 %), settling time and tail.
fn steady(table: &Table<'_>, seen: &Seen) -> Option<(i64, i64, Span, Span)> {
    let (min_speed, slope) = (table.number("min_speed_percent"), table.number("max_slope_percent_s"));
    let settle = table.has("settle").then(|| table.time("settle"));
    for key in ["min_speed_percent", "max_slope_percent_s"] {
        if table.has(key) && seen.known && !seen.speed {
            table.faults.missing(
                table.place(key),
                format!("`{key}` is given, but the mechanism has no signal `speed_pct` to compare it with"),
                "add `speed_pct` to [crane.mechanism.signals], or take this key out: then `settle` masks what is not steady",
            );
            return None;
        }
    }
    let settle = match settle {
        Some(given) => Some(Span::from_seconds(given?.value)),
        None => None,
    };
    let thousandths = |given: Given<f64>| (given.value * 1000.0).round() as i64;
    let (min_speed, slope) = (thousandths(min_speed?), thousandths(slope?));
    Some(match seen.speed {
        true => (min_speed, slope, settle.unwrap_or(SEEN_SETTLE), Span::ZERO),
        false => (0, slope, settle.unwrap_or(BLIND_SETTLE), settle.unwrap_or(BLIND_SETTLE)),
    })
}

/// Both curves; `Some(None)` without points.
fn points(table: &Table<'_>, seen: &Seen) -> Option<Option<(Curve, Curve)>> {
    if !table.has("point") {
        return Some(None);
    }
    let tables = table.sections("point", &keys::POINT);
    let (mut raising, mut lowering) = (Vec::new(), Vec::new());
    let mut all_read = !tables.is_empty() || table.holds_nothing("point");
    for point in &tables {
        let load = point.number("load_kg");
        let mut taken = false;
        for (key, curve) in [("raising_pct", &mut raising), ("lowering_pct", &mut lowering)] {
            if !point.has(key) {
                continue;
            }
            taken = true;
            match (point.number(key), &load) {
                (Some(pct), Some(load)) => {
                    let place = point.place(key);
                    curve.push(((pct.value * 1000.0).round() as i64, Grams::from_kg(load.value), place));
                }
                _ => all_read = false,
            }
        }
        if !taken {
            point.faults.missing(
                point.span.clone(),
                "the point has neither `raising_pct` nor `lowering_pct`",
                "write what `torque_pct` showed with that weight, or take the point out",
            );
            all_read = false;
        }
    }
    if seen.known && !seen.torque {
        table.faults.missing(
            table.place("point"),
            "there are calibration points, but the mechanism has no signal `torque_pct` that they are for",
            "add `torque_pct` to [crane.mechanism.signals], or take the points out",
        );
        return None;
    }
    if !all_read {
        return None;
    }
    let (raising, lowering) = (curve(table, "raising", &raising), curve(table, "lowering", &lowering));
    Some(Some((raising?, lowering?)))
}

fn curve(table: &Table<'_>, direction: &str, given: &[(i64, Grams, Range<usize>)]) -> Option<Curve> {
    let points: Vec<(i64, Grams)> = given.iter().map(|(pct, load, _)| (*pct, *load)).collect();
    let shown = |i: usize| format!("{} kg at {} %", points[i].1.as_kg(), points[i].0 as f64 / 1000.0);
    let (place, what, mend) = match Curve::new(&points) {
        Ok(curve) => return Some(curve),
        Err(CurveFault::TooFew) => (
            table.place("point"),
            format!(
                "there {} for {direction}, and a line needs two",
                match given.len() {
                    0 => "is no calibration point".to_owned(),
                    _ => "is one calibration point".to_owned(),
                }
            ),
            format!("lift another known weight and add its `{direction}_pct`"),
        ),
        Err(CurveFault::Twice(a, b)) => (
            given[b].2.clone(),
            format!("two points for {direction} have the same weight or reading: {} and {}", shown(a), shown(b)),
            "take one of them out".to_owned(),
        ),
        Err(CurveFault::Bends(a, b)) => (
            given[b].2.clone(),
            format!("the points for {direction} bend back between {} and {}", shown(a), shown(b)),
            "a heavier weight must show further along the same way: take the wrong point again".to_owned(),
        ),
    };
    table.faults.wrong(place, what, mend);
    None
}
