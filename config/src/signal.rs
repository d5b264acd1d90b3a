//! One signal: where it is read, as what, and what the raw value means.

use std::cell::Cell;
use std::collections::BTreeSet;
use std::ops::Range;

use tallyhook_analysis::counter::Counter;
use tallyhook_analysis::sample::Quantity;

use crate::model::{RawType, Register, Signal, Table as Modbus, Target, WordOrder};
use crate::raw::{Given, Table, nearest};

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

/// Standard gravity, m/s² (exact by definition, third CGPM 1901): a load cell's newtons are taken as weight.
const GRAVITY: f64 = 9.80665;

/// Reads one signal.
pub(crate) fn signal(table: &Table<'_>, target: Target, owner: &Owner<'_>) -> Option<Signal> {
    let register = register(table, target);
    let meaning = match target {
        Target::Quantity(quantity) => number_meaning(table, quantity, owner),
        Target::Flag(_) => flag_meaning(table, target),
    };
    let drive = drive(table, target, owner);
    let counter = counter(table, target, register.map(|r| r.raw), meaning.map(|(scale, ..)| scale));
    let (scale, offset, inverted) = meaning?;
    Some(Signal { target, drive: drive?, register: register?, scale, offset, inverted, counter: counter? })
}

/// How the drive's own counter counts; `Some(None)` for a signal that is none.
fn counter(table: &Table<'_>, target: Target, raw: Option<RawType>, scale: Option<f64>) -> Option<Option<Counter>> {
    let quantity = match target {
        Target::Quantity(quantity @ (Quantity::RunHours | Quantity::Starts)) => quantity,
        _ => {
            let mut fits = true;
            for key in ["counter_bits", "counter_step"].into_iter().filter(|key| table.has(key)) {
                table.faults.wrong(
                    table.place(key),
                    format!("`{}` has `{key}`, but is no counter", target.name()),
                    format!("take `{key}` out; it belongs to `run_hours` and `starts`"),
                );
                fits = false;
            }
            return fits.then_some(None);
        }
    };
    let (bits, step) = (table.whole("counter_bits"), table.number("counter_step"));
    if table.has("counter_bits") && bits.is_none() || table.has("counter_step") && step.is_none() {
        return None;
    }
    let (raw, scale) = (raw?, scale?);
    if scale < 0.0 {
        table.faults.wrong(
            table.place("scale"),
            format!("`{}` counts up, but its `scale` is below 0", target.name()),
            "write how many units one raw step is, for example 1",
        );
        return None;
    }
    let one = scale * quantity.per_outside_unit();
    let rolls_at = match bits {
        Some(Given { value: 0, .. }) => None,
        Some(bits) => Some(f64::from(bits.value).exp2()),
        None => raw.counts_to(),
    };
    // An end that no sample can show is none.
    let rolls_at = rolls_at.map(|raw| (raw * one).round()).filter(|end| *end >= 1.0 && *end <= 53_f64.exp2());
    let step = match step {
        Some(step) => {
            let unit = table.has("unit").then(|| table.choice("unit")).flatten();
            let per_unit = unit.and_then(|unit| outside_per(quantity, unit.value, None)).unwrap_or(1.0);
            step.value * per_unit * quantity.per_outside_unit()
        }
        None => one,
    };
    let plain = match quantity {
        Quantity::Starts => Counter::starts(0),
        _ => Counter::hours(0, 1),
    };
    Some(Some(Counter { rolls_at: rolls_at.map(|end| end as i64), step: (step.round() as i64).max(1), ..plain }))
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

/// Where and as what it is read.
fn register(table: &Table<'_>, target: Target) -> Option<Register> {
    let name = target.name();
    let is_flag = matches!(target, Target::Flag(_));
    let place = table.choice("table");
    let address = table.whole("address");
    let word_order = table.choice("word_order");
    let bit = table.whole("bit");
    let kind = table.choice("type");
    let kind_absent = !table.has("type");

    let place = match place?.value {
        "input" => Modbus::Input,
        "coil" => Modbus::Coil,
        "discrete" => Modbus::Discrete,
        _ => Modbus::Holding,
    };
    let contact = matches!(place, Modbus::Coil | Modbus::Discrete);
    let mut fits = true;
    if contact {
        if !is_flag {
            table.faults.wrong(
                table.place("table"),
                format!("`{name}` is a number, but a {} register is a single contact", place.name()),
                "read it from a holding or input register",
            );
            fits = false;
        }
        for key in ["type", "bit", "word_order"] {
            if table.has(key) {
                table.faults.wrong(
                    table.place(key),
                    format!("`{name}` has `{key}`, but a {} is a single contact", place.name()),
                    format!("take `{key}` out"),
                );
                fits = false;
            }
        }
        return fits.then_some(()).and(address).map(|a| Register {
            table: place,
            address: a.value as u16,
            raw: RawType::Contact,
        });
    }

    let kind = if kind_absent { if is_flag { "bit" } else { "u16" } } else { kind?.value };
    let order = if word_order.as_ref().is_some_and(|o| o.value == "low-first") {
        WordOrder::LowFirst
    } else {
        WordOrder::HighFirst
    };
    let raw = match kind {
        "i16" => RawType::I16,
        "u32" => RawType::U32(order),
        "i32" => RawType::I32(order),
        "f32" => RawType::F32(order),
        "bit" => RawType::Bit(bit.as_ref().map_or(0, |b| b.value as u8)),
        _ => RawType::U16,
    };
    if is_flag && kind != "bit" {
        table.faults.wrong(
            table.place("type"),
            format!("`{name}` has two states, but {kind} is a number"),
            "write type = \"bit\" with the number of the bit, or read a coil or discrete input",
        );
        fits = false;
    } else if !is_flag && kind == "bit" {
        table.faults.wrong(
            table.place("type"),
            format!("`{name}` is a number, but a bit has two states"),
            "write type = \"u16\", \"i16\", \"u32\", \"i32\" or \"f32\"",
        );
        fits = false;
    } else if kind == "bit" && !table.has("bit") {
        table.faults.wrong(
            table.span.clone(),
            format!("`{name}` does not say which bit of the word it is"),
            "add `bit = 0`, up to 15; or read a coil or discrete input",
        );
        fits = false;
    }
    if kind != "bit" && table.has("bit") && !is_flag {
        table.faults.wrong(table.place("bit"), format!("`{name}` has `bit`, but is read as {kind}"), "take `bit` out");
        fits = false;
    }
    if raw.width() == 1 && table.has("word_order") {
        table.faults.wrong(
            table.place("word_order"),
            format!("`{name}` has a word order, but {kind} is 16 bits wide and has one word only"),
            "take `word_order` out, or write type = \"u32\", \"i32\" or \"f32\"",
        );
        fits = false;
    }
    let address = address?;
    if address.value + u32::from(raw.width()) - 1 > u32::from(u16::MAX) {
        table.faults.wrong(
            address.span,
            format!("`{name}` is 32 bits wide, and its second word would lie beyond the last register, 65535"),
            "write an address up to 65534",
        );
        fits = false;
    }
    if kind == "bit" {
        bit?;
    }
    // A word order that was refused has been said; it must not pass as the default.
    if table.has("word_order") {
        word_order?;
    }
    fits.then_some(Register { table: place, address: address.value as u16, raw })
}

/// Scale and offset into the outside unit of a number.
fn number_meaning(table: &Table<'_>, quantity: Quantity, owner: &Owner<'_>) -> Option<(f64, f64, bool)> {
    let name = quantity.name();
    if table.has("inverted") {
        table.faults.wrong(
            table.place("inverted"),
            format!("`{name}` is a number and cannot be inverted"),
            "take `inverted` out; a negative `scale` turns a number round",
        );
    }
    let scale = table.number("scale");
    if let Some(zero) = scale.as_ref().filter(|s| s.value == 0.0) {
        table.faults.wrong(
            zero.span.clone(),
            format!("`scale` of `{name}` is 0, which makes every reading the same"),
            "write how many units one raw step is, for example 1",
        );
    }
    let offset = table.number("offset");
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
        false => 1.0,
    };
    (!table.has("inverted")).then_some(())?;
    let scale = scale.filter(|s| s.value != 0.0)?;
    Some((scale.value * per_unit, offset?.value * per_unit, false))
}

/// A two-state signal has neither scale nor unit.
fn flag_meaning(table: &Table<'_>, target: Target) -> Option<(f64, f64, bool)> {
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
    fits.then_some((1.0, 0.0, inverted?.value))
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
fn outside_per(quantity: Quantity, unit: &str, rated_load_kg: Option<f64>) -> Option<f64> {
    match (quantity, unit) {
        (Quantity::Load, "kg") => Some(1.0),
        (Quantity::Load, "t") => Some(1000.0),
        (Quantity::Load, "daN") => Some(10.0 / GRAVITY),
        (Quantity::Load, "kN") => Some(1000.0 / GRAVITY),
        (Quantity::Load, "%") => rated_load_kg.map(|kg| kg / 100.0),
        (Quantity::Torque | Quantity::Speed, "%") => Some(1.0),
        (Quantity::Height | Quantity::Trolley | Quantity::Bridge, "m") => Some(1.0),
        (Quantity::Height | Quantity::Trolley | Quantity::Bridge, "cm") => Some(0.01),
        (Quantity::Height | Quantity::Trolley | Quantity::Bridge, "mm") => Some(0.001),
        (Quantity::RunHours, "h") => Some(1.0),
        (Quantity::RunHours, "min") => Some(1.0 / 60.0),
        (Quantity::RunHours, "s") => Some(1.0 / 3600.0),
        _ => None,
    }
}
