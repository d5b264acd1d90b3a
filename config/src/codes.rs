//! Raw values that stand for something: fields of a word, states, faults by number, "no value".

use std::collections::BTreeMap;

use crate::model::{On, RawType, Signal, Target};
use crate::raw::{Code, Given, Table, shorten};

/// What the raw values of a signal stand for.
pub(crate) struct Codes {
    invalid: Vec<u64>,
    mask: Option<u64>,
    on: On,
    texts: BTreeMap<u64, String>,
}

impl Codes {
    /// The signal with its codes.
    pub(crate) fn into_signal(self, signal: Signal) -> Signal {
        let Codes { invalid, mask, on, texts } = self;
        Signal { invalid, mask, on, texts, ..signal }
    }
}

impl Codes {
    /// The greatest number that the type, or the field of it, can show; `None` for a float.
    pub(crate) fn greatest(&self, raw: RawType) -> Option<i128> {
        let (_, greatest) = raw.range()?;
        Some(self.mask.map_or(greatest, |mask| i128::from(mask >> mask.trailing_zeros())))
    }
}

/// Reads the codes of a signal; `raw` is `None` where the type is at fault, which has been said.
pub(crate) fn codes(table: &Table<'_>, target: Target, raw: Option<RawType>) -> Option<Codes> {
    let invalid = if table.has("invalid") { table.codes("invalid").map(|given| given.value) } else { Some(Vec::new()) };
    let mask = one(table, "mask");
    let matches = if table.has("match") { table.codes("match").map(|given| given.value) } else { Some(Vec::new()) };
    let texts = texts(table);
    let raw = raw?;
    let invalid = patterns(table, "invalid", invalid?, raw);
    let mask = match mask? {
        Some(given) => Some(field(table, "mask", given, raw)?),
        None => None,
    };
    let fits = unsigned_only(table, target, raw) & (raw != RawType::Contact || !table.has("texts"));
    let on = match target {
        Target::Flag(_) => on(table, raw, mask, matches?)?,
        Target::Quantity(_) => number_has_none(table, target).then_some(On::Set)?,
    };
    fits.then_some(())?;
    let mask = mask.filter(|_| matches!(target, Target::Quantity(_)));
    Some(Codes { invalid: invalid?, mask, on, texts: texts? })
}

/// A key that takes one raw value only.
fn one(table: &Table<'_>, key: &str) -> Option<Option<Given<Code>>> {
    if !table.has(key) {
        return Some(None);
    }
    let given = table.codes(key)?;
    match given.value.as_slice() {
        [code] => Some(Some(code.clone())),
        _ => {
            table.faults.wrong(
                given.span,
                format!("`{key}` in {} is a list", table.header()),
                "write one whole number, such as 0x006F",
            );
            None
        }
    }
}

/// The bits that raw values stand for.
fn patterns(table: &Table<'_>, key: &str, codes: Vec<Given<Code>>, raw: RawType) -> Option<Vec<u64>> {
    // Every one is looked at, so that all faults are said.
    let all: Vec<_> = codes.into_iter().map(|code| pattern(table, key, code, raw)).collect();
    all.into_iter().collect()
}

fn pattern(table: &Table<'_>, key: &str, code: Given<Code>, raw: RawType) -> Option<u64> {
    let bits = match code.value {
        Code::Bits(bits) => (bits & !raw.all_bits() == 0).then_some(bits),
        Code::Number(number) if raw.is_float() => raw.float_pattern(number as f64),
        Code::Number(number) => raw.pattern(number),
        Code::Float(number) => raw.float_pattern(number),
    };
    if bits.is_none() {
        let mend = match raw.range() {
            Some((least, most)) => format!("write a number from {least} to {most}, or its bits in hexadecimal"),
            None => "write a number, or its bits in hexadecimal".to_owned(),
        };
        table.faults.wrong(code.span, format!("a {} can never be this value of `{key}`", raw.name()), mend);
    }
    bits
}

/// A mask: not 0, and no wider than its type.
fn field(table: &Table<'_>, key: &str, code: Given<Code>, raw: RawType) -> Option<u64> {
    let bits = match code.value {
        Code::Bits(bits) => Some(bits),
        Code::Number(number) => u64::try_from(number).ok(),
        Code::Float(_) => None,
    };
    let bits = bits.filter(|bits| *bits != 0 && bits & !raw.all_bits() == 0);
    if bits.is_none() {
        table.faults.wrong(
            code.span,
            format!("`{key}` picks no bit of a {}, or one that it does not have", raw.name()),
            format!("write a whole number from 1 to 0x{:X}", raw.all_bits()),
        );
    }
    bits
}

/// `mask`, `match` and `texts` need a type whose bits are its number.
fn unsigned_only(table: &Table<'_>, target: Target, raw: RawType) -> bool {
    let mut fits = true;
    for key in ["mask", "match", "texts"].into_iter().filter(|key| table.has(key)) {
        let numbers_text = key == "texts" && matches!(target, Target::Quantity(_)) && !raw.is_float();
        if raw.is_unsigned() || numbers_text || raw == RawType::Contact {
            continue;
        }
        table.faults.wrong(
            table.place(key),
            format!("`{}` has `{key}`, but {} is not made of bits that each mean something", target.name(), raw.name()),
            format!("write type = \"u16\", \"u32\" or \"u64\", or take `{key}` out"),
        );
        fits = false;
    }
    fits
}

/// When a two-state signal is on.
fn on(table: &Table<'_>, raw: RawType, mask: Option<u64>, matches: Vec<Given<Code>>) -> Option<On> {
    let ways: Vec<&str> = ["match", "above", "below"].into_iter().filter(|key| table.has(key)).collect();
    if let [_, second, ..] = ways.as_slice() {
        table.faults.wrong(
            table.place(second),
            format!(
                "{} has both {}",
                table.header(),
                ways.iter().map(|w| format!("`{w}`")).collect::<Vec<_>>().join(" and ")
            ),
            "keep one of them",
        );
        return None;
    }
    if table.has("above") {
        return number(table, raw, mask).then(|| table.ratio("above")).flatten().map(|limit| On::Above(limit.value));
    }
    if table.has("below") {
        return number(table, raw, mask).then(|| table.ratio("below")).flatten().map(|limit| On::Below(limit.value));
    }
    let all = mask.unwrap_or(raw.all_bits());
    if matches.is_empty() {
        if table.has("match") {
            table.faults.wrong(
                table.place("match"),
                "`match` is empty, so the signal would never be on",
                "name a value",
            );
            return None;
        }
        if mask.is_some() && !table.has("texts") {
            table.faults.missing(
                table.place("mask"),
                format!("{} has a `mask`, but it is not said at which value it is on", table.header()),
                "add `match = …`: the bits under the mask, not shifted",
            );
            return None;
        }
        return Some(if mask.is_some() { On::Differs { mask: all } } else { On::Set });
    }
    let mut values = Vec::new();
    let mut fits = true;
    for code in matches {
        let span = code.span.clone();
        let Some(bits) = pattern(table, "match", code, raw) else {
            fits = false;
            continue;
        };
        if bits & !all != 0 {
            table.faults.wrong(
                span,
                format!("`match` has bits outside the mask 0x{all:X}, so the signal would never be on"),
                "write the value under the mask, not shifted",
            );
            fits = false;
        }
        values.push(bits);
    }
    fits.then_some(On::Matches { mask: all, values })
}

/// Whether a comparison stands on a number as a whole.
fn number(table: &Table<'_>, raw: RawType, mask: Option<u64>) -> bool {
    let fits = mask.is_none() && !matches!(raw, RawType::Bit(_) | RawType::Contact);
    if !fits {
        table.faults.wrong(
            table.span.clone(),
            format!("{} compares a number, but reads a part of a word", table.header()),
            "take `mask` and `bit` out, and write the type of the number",
        );
    }
    fits
}

/// Keys of two-state signals that a number does not take.
fn number_has_none(table: &Table<'_>, target: Target) -> bool {
    let mut fits = true;
    for key in ["match", "above", "below"].into_iter().filter(|key| table.has(key)) {
        table.faults.wrong(
            table.place(key),
            format!("`{}` is a number and takes no `{key}`", target.name()),
            format!("take `{key}` out; it belongs to two-state signals"),
        );
        fits = false;
    }
    fits
}

/// What raw values mean in words.
fn texts(table: &Table<'_>) -> Option<BTreeMap<u64, String>> {
    if !table.has("texts") {
        return Some(BTreeMap::new());
    }
    let mut all = BTreeMap::new();
    let mut fits = true;
    for (value, words) in table.texts("texts") {
        let text = value.value.as_str();
        let number = match text.strip_prefix("0x") {
            Some(hex) => u64::from_str_radix(hex, 16),
            None => text.parse(),
        };
        match number {
            Ok(number) => {
                all.insert(number, words.value);
            }
            Err(_) => {
                table.faults.wrong(
                    value.span,
                    format!("`{}` in `texts` is no raw value", shorten(text)),
                    "write a whole number, such as 7 or 0x2310, before the `=`",
                );
                fits = false;
            }
        }
    }
    fits.then_some(all)
}
