//! Where a signal is read, and as what.

use crate::model::{ByteOrder, RawType, Register, Table as Modbus, Target, WordOrder};
use crate::raw::Table;

/// Keys that make a two-state signal of a number.
const COMPARED: [&str; 5] = ["mask", "match", "texts", "above", "below"];

/// Reads the place and type of a signal.
pub(crate) fn register(table: &Table<'_>, target: Target) -> Option<Register> {
    let place = table.choice("table");
    let address = table.whole("address");
    let place = match place?.value {
        "input" => Modbus::Input,
        "coil" => Modbus::Coil,
        "discrete" => Modbus::Discrete,
        _ => Modbus::Holding,
    };
    let (raw, bytes) = if place.is_contacts() {
        contact(table, target, place).then_some((RawType::Contact, ByteOrder::HighFirst))?
    } else {
        (word(table, target)?, byte_order(table)?)
    };
    let (mut address, offset) = (address?, table.whole("address_offset")?);
    address.value += offset.value;
    let width = raw.width();
    if address.value + u32::from(width) - 1 > u32::from(u16::MAX) {
        table.faults.wrong(
            address.span,
            format!(
                "`{}` is {} bits wide, and its last word would lie beyond the last register, 65535",
                target.name(),
                width * 16
            ),
            format!("write an address up to {}", (65_536 - u32::from(width)).saturating_sub(offset.value)),
        );
        return None;
    }
    Some(Register { table: place, address: address.value as u16, raw, bytes })
}

/// Whether the keys fit a coil or discrete input.
fn contact(table: &Table<'_>, target: Target, place: Modbus) -> bool {
    let name = target.name();
    let mut fits = true;
    if !matches!(target, Target::Flag(_)) {
        table.faults.wrong(
            table.place("table"),
            format!("`{name}` is a number, but a {} register is a single contact", place.name()),
            "read it from a holding or input register",
        );
        fits = false;
    }
    let of_words = ["type", "bit", "word_order", "byte_order", "invalid"];
    for key in of_words.into_iter().chain(COMPARED).filter(|key| table.has(key)) {
        table.faults.wrong(
            table.place(key),
            format!("`{name}` has `{key}`, but a {} is a single contact", place.name()),
            format!("take `{key}` out"),
        );
        fits = false;
    }
    fits
}

/// The type of a signal that is read from registers.
fn word(table: &Table<'_>, target: Target) -> Option<RawType> {
    let name = target.name();
    let is_flag = matches!(target, Target::Flag(_));
    let compared = COMPARED.into_iter().find(|key| table.has(key));
    let word_order = table.choice("word_order");
    let bit = table.whole("bit");
    let kind = match (table.has("type"), is_flag, compared) {
        (true, ..) => table.choice("type")?.value,
        (false, true, Some("above" | "below")) => "i16",
        (false, true, None) => "bit",
        (false, ..) => "u16",
    };
    let order = match word_order.as_ref().map(|o| o.value) {
        Some("low-first") => WordOrder::LowFirst,
        _ => WordOrder::HighFirst,
    };
    let raw = RawType::from_name(kind, order).unwrap_or(RawType::Bit(bit.as_ref().map_or(0, |b| b.value as u8)));
    let mut fits = true;
    if is_flag && kind != "bit" && compared.is_none() {
        table.faults.wrong(
            table.place("type"),
            format!("`{name}` has two states, but {kind} is a number"),
            "write type = \"bit\" with the number of the bit, or read a coil or discrete input; or say with `match`, \
             `above` or `below` at which numbers it is on",
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
    if kind != "bit" && table.has("bit") && (!is_flag || compared.is_some()) {
        table.faults.wrong(table.place("bit"), format!("`{name}` has `bit`, but is read as {kind}"), "take `bit` out");
        fits = false;
    }
    if raw.width() == 1 && table.has("word_order") {
        table.faults.wrong(
            table.place("word_order"),
            format!("`{name}` has a word order, but {kind} is 16 bits wide and has one word only"),
            "take `word_order` out, or write a type of 32 or 64 bits",
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
    fits.then_some(raw)
}

fn byte_order(table: &Table<'_>) -> Option<ByteOrder> {
    Some(match table.choice("byte_order")?.value {
        "low-first" => ByteOrder::LowFirst,
        _ => ByteOrder::HighFirst,
    })
}
