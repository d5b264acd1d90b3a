//! What was typed, read key by key with its place. A wrong value becomes a fault and the reading goes on.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::fault::Collector;
use crate::keys::{self, Absent, Bounds, Form, Group, Key};
use crate::rational::Rational;

/// A value with its place. A default has the place of its table's header.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Given<T> {
    pub(crate) value: T,
    pub(crate) span: Range<usize>,
}

/// One table of the file, read against its [`Group`].
pub(crate) struct Table<'a> {
    entries: &'a DeTable<'a>,
    group: &'static Group,
    /// The header as it stands in the file, for sentences.
    header: String,
    /// Where faults of the table as a whole are shown.
    pub(crate) span: Range<usize>,
    pub(crate) faults: &'a Collector,
}

impl<'a> Table<'a> {
    /// Takes a table and reports the keys that it should not have.
    pub(crate) fn open(
        entries: &'a DeTable<'a>,
        group: &'static Group,
        header: String,
        span: Range<usize>,
        faults: &'a Collector,
    ) -> Self {
        let table = Table { entries, group, header, span, faults };
        for key in entries.keys() {
            let name: &str = key.get_ref();
            if table.group.keys.iter().any(|k| k.name == name) {
                continue;
            }
            let mend = match nearest(name, table.group.keys.iter().map(|k| k.name)) {
                _ if name == "password" => {
                    "put the password in a file of its own and name it: `password_file`".to_owned()
                }
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("take it out; the keys here are {}", names(table.group)),
            };
            faults.wrong(key.span(), format!("{} has no key `{}`", table.header, shorten(name)), mend);
        }
        table
    }

    pub(crate) fn header(&self) -> &str {
        &self.header
    }

    /// The place of a key's value, or of the header where the key is absent.
    pub(crate) fn place(&self, name: &str) -> Range<usize> {
        self.entries.get(name).map_or(self.span.clone(), Spanned::span)
    }

    /// Whether the key is there at all.
    pub(crate) fn has(&self, name: &str) -> bool {
        self.entries.contains_key(name)
    }

    /// Whether the key holds a list or table with nothing in it.
    pub(crate) fn holds_nothing(&self, name: &str) -> bool {
        self.entries.get(name).is_some_and(|value| match value.get_ref() {
            DeValue::Array(list) => list.is_empty(),
            DeValue::Table(table) => table.is_empty(),
            _ => false,
        })
    }

    /// The key's row in the table of keys.
    fn key(&self, name: &str) -> Option<&'static Key> {
        let key = self.group.keys.iter().find(|k| k.name == name);
        debug_assert!(key.is_some(), "{} has no row for {name}", self.group.header);
        key
    }

    /// The typed value of a key: read from the file, or its default. `None` when it is absent without a default, or
    /// wrong, which has then been said.
    fn take<T>(&self, name: &str, read: impl Fn(&Key, &DeValue<'_>) -> Result<T, Refusal>) -> Option<Given<T>> {
        let key = self.key(name)?;
        let Some(found) = self.entries.get(name) else {
            return match key.absent {
                Absent::Fault => {
                    self.say_missing(key);
                    None
                }
                Absent::Means(_) => None,
                Absent::Default(text) => {
                    let value = default_value(&key.form, text);
                    let read = read(key, &value);
                    debug_assert!(read.is_ok(), "the default of {name} does not read");
                    read.ok().map(|value| Given { value, span: self.span.clone() })
                }
            };
        };
        match read(key, found.get_ref()) {
            Ok(value) => Some(Given { value, span: found.span() }),
            Err(refusal) => {
                self.refuse(key, found, refusal);
                None
            }
        }
    }

    /// Whether a key is there misspelt; it has been named already, with this one as its mend.
    pub(crate) fn misspells(&self, name: &str) -> bool {
        self.entries.keys().any(|k| {
            let written: &str = k.get_ref();
            !self.group.keys.iter().any(|k| k.name == written)
                && nearest(written, self.group.keys.iter().map(|k| k.name)) == Some(name)
        })
    }

    fn say_missing(&self, key: &Key) {
        if self.misspells(key.name) {
            return;
        }
        let mend = match key.form {
            Form::Section | Form::Sections => {
                format!("add it: {}", key.what.trim_end_matches('.').replacen("A ", "a ", 1))
            }
            _ => format!("add `{} = …`, {}", key.name, key.form.range()),
        };
        self.faults.missing(self.span.clone(), format!("{} lacks `{}`", self.header, key.name), mend);
    }

    fn refuse(&self, key: &Key, found: &Spanned<DeValue<'_>>, refusal: Refusal) {
        let Table { header, faults, .. } = self;
        let name = key.name;
        let (what, mend) = match refusal {
            Refusal::Type => {
                let mend = match key.form {
                    Form::Sections => "write its header in double brackets, as in `[[crane]]`".to_owned(),
                    _ => format!("write {}", example(key)),
                };
                (format!("`{name}` in {header} is {}, which does not fit", kind_of(found.get_ref())), mend)
            }
            Refusal::Value { shown, why } => {
                let near = match key.form {
                    Form::Choice(words) => nearest(&shown, words.iter().copied()),
                    _ => None,
                };
                let mend = match near {
                    Some(near) => format!("did you mean \"{near}\"? It may be {}", key.form.range()),
                    None => format!("write {}", example(key)),
                };
                (format!("`{name}` in {header} is {}, {why}", shorten(&shown)), mend)
            }
        };
        faults.wrong(found.span(), what, mend);
    }

    /// A text, not empty.
    pub(crate) fn text(&self, name: &str) -> Option<Given<String>> {
        self.take(name, |key, value| {
            let text = value.as_str().ok_or(Refusal::Type)?;
            if text.trim().is_empty() && key.absent != Absent::Default("") {
                return Err(Refusal::value("\"\"", "which says nothing"));
            }
            if text.contains('\0') {
                return Err(Refusal::value("a text with a zero byte", "which no name or path may have"));
            }
            Ok(text.to_owned())
        })
    }

    /// An identifier.
    pub(crate) fn name(&self, name: &str) -> Option<Given<String>> {
        self.take(name, |_, value| {
            let text = value.as_str().ok_or(Refusal::Type)?;
            if is_name(text) {
                Ok(text.to_owned())
            } else {
                Err(Refusal::value(format!("{text:?}"), "which is no identifier"))
            }
        })
    }

    /// One of the words that the key allows.
    pub(crate) fn choice(&self, name: &str) -> Option<Given<&'static str>> {
        self.take(name, |key, value| {
            let text = value.as_str().ok_or(Refusal::Type)?;
            let Form::Choice(words) = key.form else { return Err(Refusal::Type) };
            // Groups are written in either case on rating plates.
            let found = words.iter().find(|w| **w == text).or_else(|| {
                let mut alike = words.iter().filter(|w| w.eq_ignore_ascii_case(text));
                alike.next().filter(|_| alike.next().is_none())
            });
            found.copied().ok_or_else(|| Refusal::value(text, "which is none of the words it may be"))
        })
    }

    /// A number within the key's bounds.
    pub(crate) fn number(&self, name: &str) -> Option<Given<f64>> {
        self.take(name, |key, value| {
            let Form::Number(bounds) = key.form else { return Err(Refusal::Type) };
            bounded(number_of(value).ok_or(Refusal::Type)?, &bounds, &key.form, keys::plain)
        })
    }

    /// A number within the key's bounds, exactly as it is written: a decimal number, or a fraction in a text.
    pub(crate) fn ratio(&self, name: &str) -> Option<Given<Rational>> {
        self.take(name, |key, value| {
            let Form::Ratio(bounds) = key.form else { return Err(Refusal::Type) };
            let text = match value {
                DeValue::String(text) => text.to_string(),
                DeValue::Float(float) => float.as_str().replace('_', ""),
                DeValue::Integer(_) => i128_of(value).ok_or(Refusal::Type)?.to_string(),
                _ => return Err(Refusal::Type),
            };
            // Out of range is said before too long.
            let near = number_of(value);
            if let Some(near) = near.filter(|n| !bounds.hold(*n)) {
                return bounded(near, &bounds, &key.form, keys::plain).map(|_| Rational::ZERO);
            }
            let ratio = Rational::parse(&text).ok_or_else(|| {
                Refusal::value(text, "which is no decimal number of up to 12 digits, nor a fraction of two")
            })?;
            bounded(ratio.to_f64(), &bounds, &key.form, keys::plain).map(|_| ratio)
        })
    }

    /// Raw values: one, or a list of them.
    pub(crate) fn codes(&self, name: &str) -> Option<Given<Vec<Given<Code>>>> {
        let given = self.take(name, |_, value| match value {
            DeValue::Array(list) => list.iter().map(|item| code_of(item.get_ref(), item.span())).collect(),
            one => code_of(one, 0..0).map(|code| vec![code]),
        })?;
        let Given { mut value, span } = given;
        for code in value.iter_mut().filter(|code| code.span == (0..0)) {
            code.span = span.clone();
        }
        Some(Given { value, span })
    }

    /// A whole number within the key's bounds.
    pub(crate) fn whole(&self, name: &str) -> Option<Given<u32>> {
        self.take(name, |key, value| {
            let Form::Whole(bounds) = key.form else { return Err(Refusal::Type) };
            let number = whole_of(value).ok_or(Refusal::Type)?;
            bounded(number, &bounds, &key.form, keys::plain).map(|n| n as u32)
        })
    }

    /// A list of texts.
    pub(crate) fn words(&self, name: &str) -> Option<Given<Vec<Given<String>>>> {
        self.take(name, |_, value| {
            let list = value.as_array().ok_or(Refusal::Type)?;
            let text = |item: &Spanned<DeValue<'_>>| {
                let value = item.get_ref().as_str().ok_or(Refusal::Type)?.to_owned();
                Ok(Given { value, span: item.span() })
            };
            list.iter().map(text).collect()
        })
    }

    /// A list of numbers, each within the key's bounds.
    pub(crate) fn numbers(&self, name: &str) -> Option<Given<Vec<f64>>> {
        self.take(name, |key, value| {
            let Form::Numbers(bounds) = key.form else { return Err(Refusal::Type) };
            let list = value.as_array().ok_or(Refusal::Type)?;
            list.iter()
                .map(|item| bounded(number_of(item.get_ref()).ok_or(Refusal::Type)?, &bounds, &key.form, keys::plain))
                .collect()
        })
    }

    /// A time in seconds, within the key's bounds.
    pub(crate) fn time(&self, name: &str) -> Option<Given<f64>> {
        self.take(name, |key, value| {
            let Form::Time(bounds) = key.form else { return Err(Refusal::Type) };
            let seconds = match value.as_str() {
                Some(text) => seconds_of(text)
                    .ok_or_else(|| Refusal::value(format!("{text:?}"), "which is no time with a unit"))?,
                None => number_of(value).ok_or(Refusal::Type)?,
            };
            bounded(seconds, &bounds, &key.form, keys::time)
        })
    }

    /// `true` or `false`.
    pub(crate) fn yes_no(&self, name: &str) -> Option<Given<bool>> {
        self.take(name, |_, value| value.as_bool().ok_or(Refusal::Type))
    }

    /// The table behind a key, opened against its own group.
    pub(crate) fn section(&self, name: &str, group: &'static Group) -> Option<Table<'a>> {
        let span = self.take(name, |_, value| value.as_table().map(|_| ()).ok_or(Refusal::Type))?.span;
        let entries = self.entries.get(name)?.get_ref().as_table()?;
        // Signals are many and short: each is called by its name.
        let header =
            if group.header.starts_with('[') { group.header.to_owned() } else { format!("the signal `{name}`") };
        Some(Table::open(entries, group, header, span, self.faults))
    }

    /// The tables of a table of tables, `[drive.NAME]`, with their names.
    pub(crate) fn named_sections(
        &self,
        name: &str,
        group: &'static Group,
        stem: &str,
    ) -> Vec<(Given<String>, Table<'a>)> {
        if self.take(name, |_, value| value.as_table().map(|_| ()).ok_or(Refusal::Type)).is_none() {
            return Vec::new();
        }
        let Some(entries) = self.entries.get(name).and_then(|e| e.get_ref().as_table()) else { return Vec::new() };
        let mut sections = Vec::new();
        for (key, value) in entries {
            let title: &str = key.get_ref();
            let header = format!("[{stem}.{}]", shorten(title));
            match value.get_ref().as_table() {
                Some(inner) => {
                    let given = Given { value: title.to_owned(), span: key.span() };
                    sections.push((given, Table::open(inner, group, header, value.span(), self.faults)));
                }
                None => self.faults.wrong(
                    key.span(),
                    format!("`{}` stands where the name of a {stem} belongs", shorten(title)),
                    format!("give the {stem} a name in its header, `[{stem}.main]`, and put its keys below"),
                ),
            }
        }
        sections
    }

    /// The tables of a list of tables, `[[crane]]`.
    pub(crate) fn sections(&self, name: &str, group: &'static Group) -> Vec<Table<'a>> {
        if self.take(name, |_, value| value.as_array().map(|_| ()).ok_or(Refusal::Type)).is_none() {
            return Vec::new();
        }
        let Some(list) = self.entries.get(name).and_then(|e| e.get_ref().as_array()) else { return Vec::new() };
        let mut sections = Vec::new();
        for item in list {
            match item.get_ref().as_table() {
                Some(inner) => {
                    sections.push(Table::open(inner, group, group.header.to_owned(), item.span(), self.faults));
                }
                None => self.faults.wrong(
                    item.span(),
                    format!("`{name}` in {} holds {}, not a table", self.header, kind_of(item.get_ref())),
                    format!("write a header `{}` with its keys below", group.header),
                ),
            }
        }
        sections
    }

    /// A table of texts with their places, in the order of their names.
    pub(crate) fn texts(&self, name: &str) -> Vec<(Given<String>, Given<String>)> {
        if self.take(name, |_, value| value.as_table().map(|_| ()).ok_or(Refusal::Type)).is_none() {
            return Vec::new();
        }
        let Some(entries) = self.entries.get(name).and_then(|e| e.get_ref().as_table()) else { return Vec::new() };
        let mut texts = Vec::new();
        for (key, value) in entries {
            let title: &str = key.get_ref();
            match value.get_ref().as_str() {
                Some(text) => texts.push((
                    Given { value: title.to_owned(), span: key.span() },
                    Given { value: text.to_owned(), span: value.span() },
                )),
                None => self.faults.wrong(
                    value.span(),
                    format!("`{}` in `{name}` is {}, which does not fit", shorten(title), kind_of(value.get_ref())),
                    "write a text in double quotes",
                ),
            }
        }
        texts
    }
}

/// A raw value as it was written.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum Code {
    /// In hexadecimal, octal or binary: the bits themselves.
    Bits(u64),
    /// A whole number: the value that the type reads.
    Number(i128),
    /// A float: the value that the type reads.
    Float(f64),
}

fn code_of(value: &DeValue<'_>, span: Range<usize>) -> Result<Given<Code>, Refusal> {
    let code = match value {
        DeValue::Integer(integer) => {
            let number = i128_of(value).ok_or(Refusal::Type)?;
            match u64::try_from(number) {
                Ok(bits) if integer.radix() != 10 => Code::Bits(bits),
                _ => Code::Number(number),
            }
        }
        DeValue::Float(_) => Code::Float(number_of(value).filter(|n| n.is_finite()).ok_or(Refusal::Type)?),
        _ => return Err(Refusal::Type),
    };
    Ok(Given { value: code, span })
}

/// Why a value is not taken.
enum Refusal {
    /// It is of the wrong type.
    Type,
    /// It is out of range or none of the allowed words.
    Value { shown: String, why: String },
}

impl Refusal {
    fn value(shown: impl Into<String>, why: impl Into<String>) -> Self {
        Refusal::Value { shown: shown.into(), why: why.into() }
    }
}

fn bounded(value: f64, bounds: &Bounds, form: &Form, show: fn(f64) -> String) -> Result<f64, Refusal> {
    if bounds.hold(value) {
        return Ok(value);
    }
    let range = match form {
        Form::Time(b) => format!("{} to {}", keys::time(b.low), keys::time(b.high)),
        Form::Numbers(b) => Form::Number(*b).range(),
        Form::Whole(b) => Form::Number(*b).range(),
        other => other.range(),
    };
    Err(Refusal::value(show(value), format!("outside its range: {range}")))
}

/// An example of what may be written.
fn example(key: &Key) -> String {
    let range = match key.form {
        Form::Choice(_) => format!("one of {}", key.form.range()),
        Form::Number(_) | Form::Ratio(_) => format!("a number, {}", key.form.range()),
        Form::Whole(_) | Form::Numbers(_) => format!("a {}", key.form.range()),
        Form::Time(_) => format!("a time, {}", key.form.range()),
        Form::YesNo => "true or false".to_owned(),
        Form::Text(_)
        | Form::Name
        | Form::Codes(_)
        | Form::Words(_)
        | Form::Section
        | Form::Sections
        | Form::Texts(_) => key.form.range(),
    };
    let quoted = matches!(key.form, Form::Text(_) | Form::Name | Form::Choice(_) | Form::Time(_));
    match key.absent {
        Absent::Default(value) if !value.is_empty() => {
            let value = if quoted { toml_text(value) } else { value.to_owned() };
            format!("{range}; for example `{} = {value}`", key.name)
        }
        _ if quoted => format!("{range}, in double quotes"),
        _ => range,
    }
}

/// A default of the table of keys as a value of the file.
fn default_value(form: &Form, text: &'static str) -> DeValue<'static> {
    match form {
        Form::Text(_) | Form::Name | Form::Choice(_) | Form::Time(_) => DeValue::String(text.into()),
        _ => DeValue::parse(text).map_or(DeValue::String(text.into()), Spanned::into_inner),
    }
}

/// A text as a basic string of TOML, with its quotes.
pub(crate) fn toml_text(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            c if c.is_control() => out.push_str(&format!("\\u{:04X}", u32::from(c))),
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

fn number_of(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Integer(_) => whole_of(value),
        DeValue::Float(float) => float.as_str().replace('_', "").parse().ok(),
        _ => None,
    }
}

fn i128_of(value: &DeValue<'_>) -> Option<i128> {
    let integer = value.as_integer()?;
    i128::from_str_radix(&integer.as_str().replace('_', ""), integer.radix()).ok()
}

fn whole_of(value: &DeValue<'_>) -> Option<f64> {
    let integer = value.as_integer()?;
    i64::from_str_radix(integer.as_str(), integer.radix()).ok().map(|n| n as f64)
}

/// Seconds of a text like `100ms`, `2s`, `5min`, `1h`.
fn seconds_of(text: &str) -> Option<f64> {
    let text = text.trim();
    let number_ends = text.find(|c: char| c.is_ascii_alphabetic()).unwrap_or(text.len());
    let (number, unit) = text.split_at(number_ends);
    let per_unit = match unit {
        "ms" => 0.001,
        "s" => 1.0,
        "min" => 60.0,
        "h" => 3600.0,
        _ => return None,
    };
    let number: f64 = number.trim_end().parse().ok()?;
    // Milliseconds are divided, not multiplied, so that 100ms is the same number as 0.1.
    Some(if per_unit == 0.001 { number / 1000.0 } else { number * per_unit })
}

pub(crate) fn is_name(text: &str) -> bool {
    (1..=64).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'_')
}

fn names(group: &Group) -> String {
    group.keys.iter().map(|k| k.name).collect::<Vec<_>>().join(", ")
}

fn kind_of(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => format!("the text \"{}\"", shorten(text)),
        DeValue::Integer(_) if whole_of(value).is_none() => "a whole number too large to be meant".to_owned(),
        DeValue::Integer(integer) => format!("the number {integer}"),
        DeValue::Float(float) => format!("the number {float}"),
        DeValue::Boolean(on) => format!("{on}"),
        DeValue::Datetime(_) => "a date".to_owned(),
        DeValue::Array(_) => "a list".to_owned(),
        DeValue::Table(_) => "a table".to_owned(),
    }
}

/// A text of the file as it may stand in a sentence: one line, not too long.
pub(crate) fn shorten(text: &str) -> String {
    let mut short: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).take(60).collect();
    if text.chars().count() > 60 {
        short.push('…');
    }
    short
}

/// The candidate that a misspelt word most likely means: the nearest one, if no more than a third of it is changed.
/// A group (`M5`) is too short to guess.
pub(crate) fn nearest<'c>(word: &str, candidates: impl Iterator<Item = &'c str>) -> Option<&'c str> {
    if word.len() > 64 {
        return None;
    }
    let word = word.to_ascii_lowercase();
    candidates
        .map(|c| (distance(&word, &c.to_ascii_lowercase()), c))
        .filter(|(d, c)| *d <= c.len() / 3)
        .min_by_key(|(d, _)| *d)
        .map(|(_, c)| c)
}

/// Edit distance where two neighbouring letters swapped count as one edit (optimal string alignment).
fn distance(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let mut rows: Vec<Vec<usize>> = vec![(0..=b.len()).collect()];
    for i in 1..=a.len() {
        let mut row = vec![i];
        for j in 1..=b.len() {
            let change = rows[i - 1][j - 1] + usize::from(a[i - 1] != b[j - 1]);
            let mut best = change.min(rows[i - 1][j] + 1).min(row[j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                best = best.min(rows[i - 2][j - 2] + 1);
            }
            row.push(best);
        }
        rows.push(row);
    }
    rows[a.len()][b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_need_a_unit_they_know() {
        assert_eq!(seconds_of("100ms"), Some(0.1));
        assert_eq!(seconds_of("1.5 s"), Some(1.5));
        assert_eq!(seconds_of("5min"), Some(300.0));
        assert_eq!(seconds_of("-1h"), Some(-3600.0));
        for wrong in ["", "s", "5", "5m", "5 sec", "h1", "1h30min"] {
            assert_eq!(seconds_of(wrong), None, "{wrong}");
        }
    }

    #[test]
    fn times_are_written_as_they_are_read() {
        for text in ["10ms", "100ms", "1500ms", "2s", "90s", "10min", "1h", "24h"] {
            let seconds = seconds_of(text).unwrap();
            assert_eq!(seconds_of(&keys::time(seconds)), Some(seconds), "{text} → {}", keys::time(seconds));
        }
    }

    #[test]
    fn a_misspelt_word_finds_its_key_and_a_strange_one_none() {
        let keys = ["address", "poll", "unit", "timeout"];
        assert_eq!(nearest("adress", keys.into_iter()), Some("address"));
        assert_eq!(nearest("pol", keys.into_iter()), Some("poll"));
        assert_eq!(nearest("unti", keys.into_iter()), Some("unit"));
        assert_eq!(nearest("colour", keys.into_iter()), None);
        assert_eq!(nearest("x", keys.into_iter()), None);
        assert_eq!(nearest("M9", ["M1", "M2"].into_iter()), None);
    }

    #[test]
    fn texts_survive_being_written_as_toml() {
        for text in ["plain", "with \"quotes\" and \\", "tab\tline\n", "Ärger"] {
            let doc = format!("a = {}", toml_text(text));
            let table = DeTable::parse(&doc).unwrap();
            assert_eq!(table.get_ref().get("a").unwrap().get_ref().as_str(), Some(text));
        }
    }
}
