//! A point as a line of InfluxDB's line protocol.

use tallyhook_analysis::units::Timestamp;
use tallyhook_config::model::Precision;

/// A value of a field. A field's type at the server is fixed by its first write, so a field has one type for ever.
#[derive(Clone, PartialEq, Debug)]
enum Value {
    Float(f64),
    Whole(i64),
    Text(String),
}

/// A point: a measurement, what it belongs to, its values, and when.
///
/// What cannot be written is left out: an empty tag, a number that is not finite. A point without a value is no line.
#[derive(Clone, PartialEq, Debug)]
pub struct Point {
    measurement: &'static str,
    tags: Vec<(&'static str, String)>,
    fields: Vec<(&'static str, Value)>,
    at: Timestamp,
}

impl Point {
    /// A point without tags and values. `measurement` and every key are our own: letters, digits and underscores.
    pub const fn new(measurement: &'static str, at: Timestamp) -> Self {
        Point { measurement, tags: Vec::new(), fields: Vec::new(), at }
    }

    /// With a tag. Control characters become spaces.
    pub fn tag(mut self, key: &'static str, value: &str) -> Self {
        let value = one_line(value);
        // A backslash at the end would take the separator behind it with it, and no escape of it is agreed upon.
        let value = value.trim().trim_end_matches('\\');
        if !value.is_empty() {
            self.tags.push((key, value.to_owned()));
        }
        self
    }

    /// With a number.
    pub fn float(mut self, key: &'static str, value: f64) -> Self {
        if value.is_finite() {
            self.fields.push((key, Value::Float(value)));
        }
        self
    }

    /// With a number that may be unknown.
    pub fn float_if(self, key: &'static str, value: Option<f64>) -> Self {
        match value {
            Some(value) => self.float(key, value),
            None => self,
        }
    }

    /// With a count.
    pub fn whole(mut self, key: &'static str, value: i64) -> Self {
        self.fields.push((key, Value::Whole(value)));
        self
    }

    /// With a count that may be unknown.
    pub fn whole_if(self, key: &'static str, value: Option<i64>) -> Self {
        match value {
            Some(value) => self.whole(key, value),
            None => self,
        }
    }

    /// With a text. Control characters become spaces.
    pub fn text(mut self, key: &'static str, value: &str) -> Self {
        self.fields.push((key, Value::Text(one_line(value))));
        self
    }

    /// The line, without a line break; `None` when there is no value to write or the time is beyond the unit's range.
    pub fn line(&self, precision: Precision) -> Option<String> {
        if self.fields.is_empty() {
            return None;
        }
        let mut line = self.measurement.to_owned();
        for (key, value) in &self.tags {
            line.push(',');
            line.push_str(key);
            line.push('=');
            for c in value.chars() {
                if matches!(c, ',' | '=' | ' ') {
                    line.push('\\');
                }
                line.push(c);
            }
        }
        for (n, (key, value)) in self.fields.iter().enumerate() {
            line.push(if n == 0 { ' ' } else { ',' });
            line.push_str(key);
            line.push('=');
            match value {
                // Never an exponent, and a point or not: without an `i` it is a float to the server.
                Value::Float(value) => line.push_str(&value.to_string()),
                Value::Whole(value) => line.push_str(&format!("{value}i")),
                Value::Text(value) => {
                    line.push('"');
                    for c in value.chars() {
                        if matches!(c, '"' | '\\') {
                            line.push('\\');
                        }
                        line.push(c);
                    }
                    line.push('"');
                }
            }
        }
        let at = self.at.as_ms().checked_mul(precision.per_ms())?;
        line.push(' ');
        line.push_str(&at.to_string());
        Some(line)
    }
}

fn one_line(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The escapes are those of the published syntax: comma, equals sign and space in a tag; quotes and backslashes in
    /// a text.
    #[test]
    fn a_point_is_one_line_with_its_escapes() {
        let point = Point::new("crane_finding", Timestamp::from_ms(-5))
            .tag("site", "Eastfield, yard=1\n")
            .tag("none", " \\ ")
            .float("value", 0.5)
            .float("not", f64::NAN)
            .float_if("unknown", None)
            .whole("count", -3)
            .text("text", "say \"C:\\\"\r\nnow");
        assert_eq!(
            point.line(Precision::Us).unwrap(),
            r#"crane_finding,site=Eastfield\,\ yard\=1 value=0.5,count=-3i,text="say \"C:\\\"  now" -5000"#
        );
    }

    #[test]
    fn large_and_small_numbers_have_no_exponent() {
        let line = |value| Point::new("m", Timestamp::from_ms(0)).float("v", value).line(Precision::Ms).unwrap();
        for value in [1e21, 1e-9, 16_000.0, 0.1 + 0.2] {
            let line = line(value);
            let written = line.strip_prefix("m v=").unwrap().strip_suffix(" 0").unwrap();
            assert!(!written.contains(['e', 'E']), "{line}");
            assert_eq!(written.parse::<f64>().unwrap(), value);
        }
    }

    #[test]
    fn what_says_nothing_is_no_line() {
        let at = Timestamp::from_ms(1);
        assert_eq!(Point::new("m", at).tag("a", "b").float("v", f64::INFINITY).line(Precision::Ms), None);
        let far = Point::new("m", Timestamp::from_ms(i64::MAX)).whole("v", 1);
        assert_eq!(far.line(Precision::Ns), None);
    }
}
