//! One signal: where it is read, as what, and what the raw value means.

use std::cell::Cell;
use std::collections::BTreeSet;
use std::ops::Range;

use tallyhook_analysis::sample::Quantity;
use tallyhook_analysis::units::Grams;

use crate::model::{Rational, Signal, Target};
use crate::raw::{Table, nearest};
use crate::{codes, counter, register};

/// What a signal's reading needs to know of its mechanism.
pub(crate) struct Owner<'a> {
    /// The mechanism's drive, for signals without their own.
    pub(crate) drive: Option<&'a str>,
    /// Whether a fault of that drive, or its absence, has been said; once is enough.
    pub(crate) drive_is_said: Cell<bool>,
    /// The mechanism's header.
    pub(crate) header: Range<usize>,
    /// All drive names of the file.
    pub(crate) names: &'a BTreeSet<String>,
    /// Rated load, kg.
    pub(crate) rated_load_kg: Option<f64>,
}

/// Standard gravity in 10⁻⁵ m/s² (9.80665 m/s², exact by definition, third CGPM 1901): a load cell's newtons are taken
/// as weight.
const GRAVITY: i128 = 980_665;

/// A load beyond so many times the rated one is no load: no hoist of any build lifts it, and a spike of a bad word in the
/// cube of one reading would outweigh years (common practice, no source). Motors stall below three times their rating.
const BELIEVED_TIMES_RATED: i64 = 10;

/// Reads one signal.
pub(crate) fn signal(table: &Table<'_>, target: Target, owner: &Owner<'_>) -> Option<Signal> {
    let register = register::register(table, target);
    let meaning = match target {
        Target::Quantity(quantity) => number_meaning(table, quantity, owner),
        Target::Flag(_) => flag_meaning(table, target),
    };
    let drive = drive(table, target, owner);
    let raw = register.map(|r| r.raw);
    let (scale, offset, inverted) = match meaning {
        Some(meaning) => meaning,
        None => {
            codes::codes(table, target, raw);
            return None;
        }
    };
    let codes = codes::codes(table, target, raw);
    let greatest = raw.and_then(|raw| codes.as_ref()?.greatest(raw));
    let counter = counter::counter(table, target, raw, greatest, scale);
    let signal = Signal {
        inverted,
        believed: match (target, owner.rated_load_kg) {
            (Target::Quantity(Quantity::Load), None) | (Target::Flag(_), _) => None,
            (Target::Quantity(quantity), rated) => believed(quantity, Grams::from_kg(rated.unwrap_or_default())),
        },
        counter: counter?,
        ..codes?.into_signal(Signal { scale, offset, ..Signal::plain(target, drive?, register?) })
    };
    holds_all(table, &signal).then_some(signal)
}

/// The largest size, up or down, that a quantity is believed to have on a mechanism of this rated load, in units of the
/// sample: a reading beyond it is taken as not read. `None` where any is believed.
pub fn believed(quantity: Quantity, rated: Grams) -> Option<i64> {
    match quantity {
        Quantity::Load => Some((rated.get() * BELIEVED_TIMES_RATED).min(Grams::MAX.get())),
        Quantity::Torque | Quantity::Speed => Some(100 * BELIEVED_TIMES_RATED * quantity.per_outside_unit() as i64),
        _ => None,
    }
}

/// Whether every raw value can be scaled without leaving 128 bits.
fn holds_all(table: &Table<'_>, signal: &Signal) -> bool {
    let Target::Quantity(quantity) = signal.target else { return true };
    let Some((least, most)) = signal.register.raw.range() else { return true };
    let fits = [least, most].into_iter().all(|raw| signal.scaled(raw, quantity.per_outside_unit() as i128).is_some());
    if !fits {
        table.faults.wrong(
            table.place("scale"),
            format!("`scale` and `offset` of `{}` have too many digits to be counted exactly", quantity.name()),
            "write fewer digits, or a fraction such as \"100/4096\"",
        );
    }
    fits
}

fn drive(table: &Table<'_>, target: Target, owner: &Owner<'_>) -> Option<String> {
    if let Some(given) = table.name("drive") {
        if owner.names.contains(&given.value) {
            return Some(given.value);
        }
        table.faults.wrong(
            given.span,
            format!("`{}` is read from the drive `{}`, which is not in the file", target.name(), given.value),
            no_such_drive(&given.value, owner.names),
        );
        return None;
    }
    if let Some(drive) = owner.drive {
        return Some(drive.to_owned());
    }
    // A drive of its own that is no identifier has been said already.
    if !table.has("drive") && !owner.drive_is_said.replace(true) {
        table.faults.missing(
            owner.header.clone(),
            format!("it is not said which drive `{}` is read from, and there is more than one", target.name()),
            "add `drive = \"NAME\"` to the mechanism",
        );
    }
    None
}

/// The mend for a drive that the file does not have.
pub(crate) fn no_such_drive(name: &str, names: &BTreeSet<String>) -> String {
    match nearest(name, names.iter().map(String::as_str)) {
        Some(near) => format!("did you mean `{near}`?"),
        None if names.is_empty() => format!("add a table `[drive.{name}]` with its `address`"),
        None => {
            let known = names.iter().map(String::as_str).collect::<Vec<_>>().join(", ");
            format!("add a table `[drive.{name}]`, or name one of those there are: {known}")
        }
    }
}

/// Scale and offset into the outside unit of a number.
fn number_meaning(table: &Table<'_>, quantity: Quantity, owner: &Owner<'_>) -> Option<(Rational, Rational, bool)> {
    let name = quantity.name();
    if table.has("inverted") {
        table.faults.wrong(
            table.place("inverted"),
            format!("`{name}` is a number and cannot be inverted"),
            "take `inverted` out; a negative `scale` turns a number round",
        );
    }
    let scale = table.ratio("scale");
    if let Some(zero) = scale.as_ref().filter(|s| s.value == Rational::ZERO) {
        table.faults.wrong(
            zero.span.clone(),
            format!("`scale` of `{name}` is 0, which makes every reading the same"),
            "write how many units one raw step is, for example 1",
        );
    }
    let offset = table.ratio("offset");
    let per_unit = match table.has("unit") {
        true => {
            let unit = table.choice("unit")?;
            let Some(per_unit) = outside_per(quantity, unit.value, owner.rated_load_kg) else {
                // A load in percent of a rated load that is itself at fault: that has been said.
                if !(quantity == Quantity::Load && unit.value == "%") {
                    table.faults.wrong(
                        unit.span,
                        format!("`{name}` cannot be in {}", unit.value),
                        match units(quantity) {
                            [] => "take `unit` out: a number of starts has none".to_owned(),
                            fitting => format!("write one of {}", fitting.join(", ")),
                        },
                    );
                }
                return None;
            };
            per_unit
        }
        false => Rational::ONE,
    };
    (!table.has("inverted")).then_some(())?;
    let scale = scale.filter(|s| s.value != Rational::ZERO)?;
    Some((scale.value.times(per_unit)?, offset?.value.times(per_unit)?, false))
}

/// A two-state signal has neither scale nor unit.
fn flag_meaning(table: &Table<'_>, target: Target) -> Option<(Rational, Rational, bool)> {
    let mut fits = true;
    for key in ["scale", "offset", "unit"] {
        if table.has(key) {
            table.faults.wrong(
                table.place(key),
                format!("`{}` has two states and takes no `{key}`", target.name()),
                format!("take `{key}` out"),
            );
            fits = false;
        }
    }
    let inverted = table.yes_no("inverted");
    fits.then_some((Rational::ONE, Rational::ZERO, inverted?.value))
}

/// The units that fit a quantity.
fn units(quantity: Quantity) -> &'static [&'static str] {
    match quantity {
        Quantity::Load => &["kg", "t", "daN", "kN", "% (of the rated load)"],
        Quantity::Torque | Quantity::Speed => &["%"],
        Quantity::Height | Quantity::Trolley | Quantity::Bridge => &["m", "cm", "mm"],
        Quantity::RunHours => &["h", "min", "s"],
        Quantity::Starts => &[],
    }
}

/// How many outside units (kg, %, m, h) one of `unit` is; `None` where it does not fit.
pub(crate) fn outside_per(quantity: Quantity, unit: &str, rated_load_kg: Option<f64>) -> Option<Rational> {
    let (num, den) = match (quantity, unit) {
        (Quantity::Load, "kg") => (1, 1),
        (Quantity::Load, "t") => (1000, 1),
        (Quantity::Load, "daN") => (10 * 100_000, GRAVITY),
        (Quantity::Load, "kN") => (1000 * 100_000, GRAVITY),
        // A hundredth of the rated load, from its grams.
        (Quantity::Load, "%") => (i128::from(Grams::from_kg(rated_load_kg?).get()), 100_000),
        (Quantity::Torque | Quantity::Speed, "%") => (1, 1),
        (Quantity::Height | Quantity::Trolley | Quantity::Bridge, "m") => (1, 1),
        (Quantity::Height | Quantity::Trolley | Quantity::Bridge, "cm") => (1, 100),
        (Quantity::Height | Quantity::Trolley | Quantity::Bridge, "mm") => (1, 1000),
        (Quantity::RunHours, "h") => (1, 1),
        (Quantity::RunHours, "min") => (1, 60),
        (Quantity::RunHours, "s") => (1, 3600),
        _ => return None,
    };
    Rational::new(num, den)
}
