//! `check --live`: what every drive answers to its signals, raw and decoded.

use std::fmt::Write as _;

use serde_json::{Value, json};
use tallyhook_analysis::sample::Quantity;
use tallyhook_config::model::{ByteOrder, RawType, Register, Signal, Target, WordOrder};

use crate::drive::Decoded;
use crate::drive::decode::Number;
use crate::drive::look::{DriveLook, SignalLook};

/// How many things are at fault: drives that do not answer, and signals that are refused or cannot be believed.
pub fn faults(looks: &[DriveLook]) -> usize {
    looks.iter().map(|look| usize::from(!look.answers()) + look.faults()).sum()
}

/// The looks for a person at a terminal.
pub fn render(looks: &[DriveLook]) -> String {
    let mut out = String::new();
    // Writing to a `String` does not fail.
    for look in looks {
        let _ = writeln!(out, "\ndrive {}, {}, unit {}", look.drive.name, look.place, look.drive.unit);
        let _ = writeln!(out, "  {}", look.state);
        if !look.answers() {
            let _ = writeln!(out, "  mend: {}", mend_of_silence(look));
            continue;
        }
        for signal in &look.signals {
            render_signal(&mut out, look.drive.unit, signal);
        }
    }
    let faults = faults(looks);
    let _ = match faults {
        0 => {
            writeln!(out, "\nEvery drive answered, and every value can be believed. Compare them with the panel's own.")
        }
        1 => writeln!(out, "\n1 fault"),
        n => writeln!(out, "\n{n} faults"),
    };
    out
}

fn render_signal(out: &mut String, unit: u8, look: &SignalLook) {
    let SignalLook { signal, request, .. } = look;
    let text = look.text.as_ref().map(|text| format!(" ({text})")).unwrap_or_default();
    let none = if look.says_no_value { " (the device says that it has no value)" } else { "" };
    let _ = writeln!(
        out,
        "  {} of {}: {}{text}{none}",
        signal.target.name(),
        look.mechanism,
        shown(signal.target, look.value)
    );
    let _ = writeln!(
        out,
        "    asked: unit {unit}, function {}, address {}, count {}",
        request.function(),
        request.address,
        request.count
    );
    if !look.words.is_empty() {
        let _ = writeln!(
            out,
            "    raw: {} {} = {}, read as {}{}",
            signal.register.table.name(),
            signal.register.address,
            hex(signal, &look.words).join(" "),
            type_words(&signal.register),
            raw_number(signal, look)
        );
    }
    if !look.others.is_empty() {
        let _ = writeln!(out, "    in the other orders:");
        for (register, value) in &look.others {
            let _ = writeln!(out, "      {:<32} {}", order(register), shown(signal.target, *value));
        }
    }
    if let Some(doubt) = &look.doubt {
        let _ = writeln!(out, "    FAULT: {}", doubt.what);
        let _ = writeln!(out, "    mend: {}", doubt.mend);
    }
}

/// The number before scale and offset; nothing for a single bit.
fn raw_number(signal: &Signal, look: &SignalLook) -> String {
    if matches!(signal.register.raw, RawType::Bit(_) | RawType::Contact) {
        return String::new();
    }
    match look.raw {
        None => String::new(),
        Some(Number::Whole(number)) => format!(": {number}"),
        Some(Number::Float(number)) if number == 0.0 || (1e-3..1e9).contains(&number.abs()) => format!(": {number}"),
        Some(Number::Float(number)) => format!(": {number:e}"),
    }
}

/// The looks as one JSON document.
pub fn document(looks: &[DriveLook]) -> Value {
    let drives: Vec<Value> = looks
        .iter()
        .map(|look| {
            let answers = look.answers();
            json!({
                "drive": look.drive.name,
                "place": look.place,
                "unit": look.drive.unit,
                "answers": answers,
                "state": look.state.name(),
                "state_text": look.state.to_string(),
                "mend": (!answers).then(|| mend_of_silence(look)),
                "signals": look.signals.iter().map(|s| signal_document(look.drive.unit, s)).collect::<Vec<_>>(),
            })
        })
        .collect();
    json!({ "drives": drives, "faults": faults(looks) })
}

fn signal_document(unit: u8, look: &SignalLook) -> Value {
    let SignalLook { signal, request, .. } = look;
    let others: Vec<Value> = look
        .others
        .iter()
        .map(|(register, value)| {
            json!({
                "word_order": register.raw.order().map(WordOrder::name),
                "byte_order": register.bytes.name(),
                "value": number(signal.target, *value),
            })
        })
        .collect();
    json!({
        "mechanism": look.mechanism,
        "signal": signal.target.name(),
        "request": {
            "unit": unit,
            "function": request.function(),
            "address": request.address,
            "count": request.count,
        },
        "table": signal.register.table.name(),
        "address": signal.register.address,
        "type": signal.register.raw.name(),
        "word_order": signal.register.raw.order().map(WordOrder::name),
        "byte_order": signal.register.bytes.name(),
        "words": hex(signal, &look.words),
        "raw": look.raw.map(raw_document),
        "value": number(signal.target, look.value),
        "unit": unit_of(signal.target),
        "no_value": look.says_no_value,
        "text": look.text,
        "other_orders": others,
        "fault": look.doubt.as_ref().map(|doubt| &doubt.what),
        "mend": look.doubt.as_ref().map(|doubt| &doubt.mend),
    })
}

/// A raw number in JSON; a text where it is too great for one that every reader takes exactly.
fn raw_document(raw: Number) -> Value {
    match raw {
        Number::Whole(number) => match i64::try_from(number) {
            Ok(number) if number.unsigned_abs() <= 1 << 53 => json!(number),
            _ => json!(number.to_string()),
        },
        Number::Float(number) => json!(number),
    }
}

/// What to try with a drive that gives no answer.
fn mend_of_silence(look: &DriveLook) -> String {
    use crate::drive::LinkState::{Broken, Garbled, Silent, Unreachable};
    let what = match &look.state {
        Unreachable(_) => "see that the drive is on, the cable is in, and `address` (or `device`) is right",
        Silent => {
            "see that the drive is on and that `unit` is the number set on it; a slow drive needs a longer `timeout`"
        }
        Garbled(_) => {
            "compare baud rate, parity and framing with the drive's settings; look for a second master on the line"
        }
        Broken(_) => "see whether the drive takes only one connection and another program has it",
        _ => "try again",
    };
    what.to_owned()
}

/// Raw words in hexadecimal; a contact as 0 or 1.
fn hex(signal: &Signal, words: &[u16]) -> Vec<String> {
    let contact = signal.register.table.is_contacts();
    words.iter().map(|word| if contact { word.to_string() } else { format!("{word:04X}") }).collect()
}

fn type_words(register: &Register) -> String {
    match register.raw.order() {
        None if register.bytes == ByteOrder::HighFirst => match register.raw {
            RawType::Bit(bit) => format!("bit {bit}"),
            raw => raw.name().to_owned(),
        },
        None => format!("{}, low byte first", register.raw.name()),
        Some(_) => format!("{}, {}", register.raw.name(), order(register)),
    }
}

/// An order of words and bytes, in words.
fn order(register: &Register) -> String {
    let words = match register.raw.order() {
        Some(WordOrder::LowFirst) => "low word first",
        _ => "high word first",
    };
    match register.bytes {
        ByteOrder::HighFirst => words.to_owned(),
        ByteOrder::LowFirst => format!("{words}, low byte first"),
    }
}

const fn unit_of(target: Target) -> Option<&'static str> {
    match target {
        Target::Flag(_) => None,
        Target::Quantity(quantity) => match quantity {
            Quantity::Load => Some("kg"),
            Quantity::Torque | Quantity::Speed => Some("%"),
            Quantity::Height | Quantity::Trolley | Quantity::Bridge => Some("m"),
            Quantity::RunHours => Some("h"),
            Quantity::Starts => Some("starts"),
        },
    }
}

/// A value in JSON: a number in its outside unit, on or off, or null.
fn number(target: Target, value: Decoded) -> Value {
    match (target, value) {
        (Target::Quantity(quantity), Decoded::Number(number)) => json!(quantity.to_outside(number)),
        (_, Decoded::Number(number)) => json!(number),
        (_, Decoded::Flag(on)) => json!(on),
        (_, Decoded::NotRead) => Value::Null,
    }
}

/// A value for people, with its unit.
fn shown(target: Target, value: Decoded) -> String {
    match (target, value) {
        (Target::Quantity(quantity), Decoded::Number(number)) => {
            format!("{} {}", quantity.to_outside(number), unit_of(target).unwrap_or_default())
        }
        (_, Decoded::Number(number)) => number.to_string(),
        (_, Decoded::Flag(true)) => "on".to_owned(),
        (_, Decoded::Flag(false)) => "off".to_owned(),
        (_, Decoded::NotRead) => "no value".to_owned(),
    }
}
