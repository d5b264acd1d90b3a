//! A strict parser of InfluxDB's line protocol, written from its public description and sharing nothing with the
//! program's own encoder. Real servers are lenient; this one refuses whatever the description does not allow.

use std::collections::BTreeMap;

/// A field's value with its type.
#[derive(Clone, PartialEq, Debug)]
pub enum Value {
    Float(f64),
    Whole(i64),
    Text(String),
    Flag(bool),
}

/// A parsed line.
#[derive(Clone, PartialEq, Debug)]
pub struct Line {
    pub measurement: String,
    pub tags: BTreeMap<String, String>,
    pub fields: BTreeMap<String, Value>,
    pub at: i64,
}

impl Line {
    /// What makes a point the same point to the server.
    pub fn key(&self) -> String {
        format!("{} {:?} {}", self.measurement, self.tags, self.at)
    }

    pub fn float(&self, field: &str) -> f64 {
        match &self.fields[field] {
            Value::Float(value) => *value,
            other => panic!("{field} is {other:?}"),
        }
    }
}

struct Reader<'a> {
    rest: std::iter::Peekable<std::str::Chars<'a>>,
}

impl Reader<'_> {
    /// A name up to one of `ends`, which is not taken; `escaped` characters may stand behind a backslash.
    fn name(&mut self, ends: &[char], escaped: &[char]) -> Result<String, String> {
        let mut name = String::new();
        while let Some(&c) = self.rest.peek() {
            if ends.contains(&c) {
                break;
            }
            self.rest.next();
            match c {
                '\\' => match self.rest.next() {
                    Some(next) if escaped.contains(&next) => name.push(next),
                    other => return Err(format!("a backslash before {other:?}")),
                },
                ',' | '=' | ' ' => return Err(format!("a bare {c:?} in {name:?}")),
                c if c.is_control() => return Err(format!("a control character in {name:?}")),
                c => name.push(c),
            }
        }
        if name.is_empty() { Err("an empty name".to_owned()) } else { Ok(name) }
    }

    fn take(&mut self, wanted: char) -> Result<(), String> {
        match self.rest.next() {
            Some(c) if c == wanted => Ok(()),
            other => Err(format!("{other:?} in place of {wanted:?}")),
        }
    }

    fn value(&mut self) -> Result<Value, String> {
        if self.rest.peek() == Some(&'"') {
            self.rest.next();
            let mut text = String::new();
            loop {
                match self.rest.next() {
                    Some('"') => return Ok(Value::Text(text)),
                    Some('\\') => match self.rest.next() {
                        Some(c @ ('"' | '\\')) => text.push(c),
                        other => return Err(format!("a backslash before {other:?} in a text")),
                    },
                    Some(c) => text.push(c),
                    None => return Err("a text without its end".to_owned()),
                }
            }
        }
        let mut word = String::new();
        while let Some(&c) = self.rest.peek() {
            if matches!(c, ',' | ' ') {
                break;
            }
            word.push(c);
            self.rest.next();
        }
        if let Some(whole) = word.strip_suffix('i') {
            return whole.parse().map(Value::Whole).map_err(|_| format!("{word:?} is no whole number"));
        }
        if matches!(word.as_str(), "t" | "T" | "true" | "True" | "TRUE" | "f" | "F" | "false" | "False" | "FALSE") {
            return Ok(Value::Flag(word.starts_with(['t', 'T'])));
        }
        let digits = word.strip_prefix('-').unwrap_or(&word);
        let plain = !digits.is_empty()
            && digits.starts_with(|c: char| c.is_ascii_digit())
            && digits.chars().all(|c| c.is_ascii_digit() || matches!(c, '.' | 'e' | 'E' | '+' | '-'));
        match word.parse::<f64>() {
            Ok(value) if plain && value.is_finite() => Ok(Value::Float(value)),
            _ => Err(format!("{word:?} is no number")),
        }
    }
}

/// Parses one line. The timestamp, which the description leaves optional, must be there.
pub fn parse(line: &str) -> Result<Line, String> {
    let mut reader = Reader { rest: line.chars().peekable() };
    let measurement = reader.name(&[',', ' '], &[',', ' '])?;
    if measurement.starts_with(['_', '#']) {
        return Err(format!("the measurement {measurement:?} is reserved or a comment"));
    }
    let mut tags = BTreeMap::new();
    while reader.rest.peek() == Some(&',') {
        reader.take(',')?;
        let key = reader.name(&['='], &[',', '=', ' '])?;
        reader.take('=')?;
        let value = reader.name(&[',', ' '], &[',', '=', ' '])?;
        if key.starts_with('_') || tags.insert(key.clone(), value).is_some() {
            return Err(format!("the tag {key:?} is reserved or there twice"));
        }
    }
    reader.take(' ')?;
    let mut fields = BTreeMap::new();
    loop {
        let key = reader.name(&['='], &[',', '=', ' '])?;
        reader.take('=')?;
        let value = reader.value()?;
        if key.starts_with('_') || tags.contains_key(&key) || fields.insert(key.clone(), value).is_some() {
            return Err(format!("the field {key:?} is reserved or there twice"));
        }
        if reader.rest.peek() != Some(&',') {
            break;
        }
        reader.take(',')?;
    }
    reader.take(' ')?;
    let at: String = reader.rest.collect();
    let at = at.parse().map_err(|_| format!("{at:?} is no timestamp"))?;
    Ok(Line { measurement, tags, fields, at })
}

#[test]
fn the_parser_takes_the_published_example_and_refuses_what_is_broken() {
    // The example of InfluxDB's own description, with every type.
    let line =
        parse("myMeasurement,tag1=value1,tag2=value2 fieldKey=\"fieldValue\",a=1.5,b=3i,c=t 1556813561098000000")
            .unwrap();
    assert_eq!(
        (line.measurement.as_str(), line.tags["tag2"].as_str(), line.fields.len()),
        ("myMeasurement", "value2", 4)
    );
    assert_eq!(parse(r"m,a=b\ c\,d\=e f=1 2").unwrap().tags["a"], "b c,d=e");
    for broken in [
        "",
        "m 1",
        "m f=1",
        "m f= 1",
        "m f=nan 1",
        "m f=NaN 1",
        "m f=1 1.5",
        "m f=1,f=2 1",
        "m,a= f=1 1",
        "m,a=b,a=c f=1 1",
        "m,a=b c f=1 1",
        "m,a=b=c f=1 1",
        r"m,a=b\ f=1 1",
        "m,f=b f=1 1",
        "m f=\"a 1",
        r#"m f="a\b" 1"#,
        "m f=\"a\"b\" 1",
        "m f=1 1\nn f=1 1",
        "m f=1i5 1",
        "m  f=1 1",
        "_m f=1 1",
        "m _f=1 1",
    ] {
        assert!(parse(broken).is_err(), "{broken:?} is taken");
    }
}
