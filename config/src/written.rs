//! A document as text again: each number as it was typed, for 0x8000 and 32768 do not say the same.

use std::fmt::Write as _;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::raw::{is_name, toml_text};

/// The document as a text that reads back as the same document, without its comments.
pub(crate) fn written(document: &DeTable<'_>) -> String {
    let mut out = String::new();
    table(&mut out, "", document);
    out
}

fn table(out: &mut String, path: &str, entries: &DeTable<'_>) {
    // Writing to a `String` does not fail.
    let in_one_line = |value: &DeValue<'_>| match value {
        // Signals are many and short.
        DeValue::Table(_) => path.ends_with("signals"),
        value => tables(value).is_none(),
    };
    for (key, value) in entries.iter().filter(|(_, v)| in_one_line(v.get_ref())) {
        let _ = writeln!(out, "{} = {}", title(key), line(value.get_ref()));
    }
    for (key, value) in entries.iter().filter(|(_, v)| !in_one_line(v.get_ref())) {
        let path = if path.is_empty() { title(key) } else { format!("{path}.{}", title(key)) };
        if let Some(inner) = value.get_ref().as_table() {
            let _ = writeln!(out, "\n[{path}]");
            table(out, &path, inner);
        }
        for inner in tables(value.get_ref()).into_iter().flatten() {
            let _ = writeln!(out, "\n[[{path}]]");
            table(out, &path, inner);
        }
    }
}

/// The tables of a list that has nothing else in it.
fn tables<'t, 'a>(value: &'t DeValue<'a>) -> Option<Vec<&'t DeTable<'a>>> {
    let list = value.as_array().filter(|list| !list.is_empty())?;
    list.iter().map(|item| item.get_ref().as_table()).collect()
}

fn title(key: &Spanned<toml::de::DeString<'_>>) -> String {
    let key: &str = key.get_ref();
    if is_name(key) { key.to_owned() } else { toml_text(key) }
}

fn line(value: &DeValue<'_>) -> String {
    let join = |parts: Vec<String>| parts.join(", ");
    match value {
        DeValue::String(text) => toml_text(text),
        DeValue::Integer(number) => number.to_string(),
        DeValue::Float(number) => number.as_str().to_owned(),
        DeValue::Boolean(on) => on.to_string(),
        DeValue::Datetime(date) => date.to_string(),
        DeValue::Array(list) => format!("[{}]", join(list.iter().map(|item| line(item.get_ref())).collect())),
        DeValue::Table(inner) => {
            let parts = inner.iter().map(|(key, value)| format!("{} = {}", title(key), line(value.get_ref())));
            format!("{{ {} }}", join(parts.collect()))
        }
    }
}
