//! Rows as the recorder and most programs write them, read without a detour.
//!
//! What is out of the ordinary in any way, a fault above all, is left to the reader of `csv.rs`, which reads everything
//! and says what is wrong; so both give the same samples.

use tallyhook_analysis::sample::{Quantity, Sample};
use tallyhook_analysis::units::Timestamp;

use super::csv::Column;
use super::decimal::{parse_quantity, parse_seconds};

/// `2031-05-04T06:00:`, of `2031-05-04T06:00:00.000Z`.
const MINUTE: usize = 17;
const DATE: usize = 24;

/// The minute that the last date was in.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Minute {
    text: [u8; MINUTE],
    begin_ms: i64,
}

impl Minute {
    /// The instant of a date within the minute.
    #[inline]
    pub fn date(&self, field: &[u8]) -> Option<Timestamp> {
        let date: &[u8; DATE] = field.try_into().ok()?;
        (date[..MINUTE] == self.text).then_some(())?;
        Some(Timestamp::from_ms(self.begin_ms + i64::from(within(date)?)))
    }

    /// Keeps the minute of a date that was read.
    pub fn keep(&mut self, field: &[u8], at: Timestamp) {
        if let Ok(date) = <&[u8; DATE]>::try_from(field)
            && let Some(ms) = within(date)
            && let Some(text) = date.first_chunk()
        {
            *self = Minute { text: *text, begin_ms: at.as_ms() - i64::from(ms) };
        }
    }
}

/// Milliseconds since the minute began, of a date that has three digits of them and is in UTC.
#[inline]
fn within(date: &[u8; DATE]) -> Option<u32> {
    let [.., tens, ones, b'.', a, b, c, b'Z'] = *date else { return None };
    let digit = |byte: u8| Some(u32::from(byte.wrapping_sub(b'0'))).filter(|&d| d < 10);
    let seconds = digit(tens)? * 10 + digit(ones)?;
    // A leap second is for those who know of it.
    (seconds < 60).then_some(())?;
    Some(seconds * 1000 + digit(a)? * 100 + digit(b)? * 10 + digit(c)?)
}

/// As [`row`], from the beginning of some text, where nothing but digits, commas and the line's end stands: the sample,
/// and the bytes that it took.
#[inline]
pub(super) fn row_at(
    text: &[u8],
    columns: &[Column],
    minute: Option<&Minute>,
    before: Option<Timestamp>,
) -> Option<(Sample, usize)> {
    let (at, mut rest) = match minute {
        Some(minute) => {
            let (date, rest) = text.split_at_checked(DATE)?;
            (minute.date(date)?, rest)
        }
        None => {
            let (ms, rest) = thousandths(text)?;
            (Timestamp::from_ms(ms), rest)
        }
    };
    if before.is_some_and(|before| at < before) {
        return None;
    }
    let mut sample = Sample::at(at);
    for column in columns {
        rest = rest.strip_prefix(b",")?;
        rest = match (*column, rest) {
            (_, [b',' | b'\n' | b'\r', ..]) => rest,
            (Column::Flag(flag), [on @ (b'0' | b'1'), rest @ ..]) => {
                sample.set_flag(flag, Some(*on == b'1'));
                rest
            }
            (Column::Flag(_), _) => return None,
            (Column::Quantity(quantity @ (Quantity::RunHours | Quantity::Starts)), _) => {
                let end = rest.iter().position(|byte| !(b'.'..=b'9').contains(byte))?;
                let (field, rest) = rest.split_at(end);
                sample.set(quantity, Some(parse_quantity(field, quantity)?));
                rest
            }
            (Column::Quantity(quantity), _) => {
                let (value, rest) = thousandths(rest)?;
                sample.set(quantity, Some(value));
                rest
            }
        };
    }
    match rest {
        [b'\n', rest @ ..] | [b'\r', b'\n', rest @ ..] => Some((sample, text.len() - rest.len())),
        _ => None,
    }
}

/// A plain decimal number in thousandths, of at most fifteen digits with at most three of them after the point, and what
/// comes after it.
#[inline]
fn thousandths(text: &[u8]) -> Option<(i64, &[u8])> {
    let (negative, digits) = match text {
        [b'-', rest @ ..] => (true, rest),
        all => (false, all),
    };
    let (whole, count, mut rest) = digits_of(digits, 0);
    let (mut number, mut seen, mut places) = (whole, count, 0);
    if let [b'.', after @ ..] = rest {
        (number, places, rest) = digits_of(after, whole);
        seen += places;
    }
    let scale = [1000, 100, 10, 1].get(places).filter(|_| (1..=15).contains(&seen))?;
    let number = number.wrapping_mul(*scale);
    Some((if negative { -number } else { number }, rest))
}

/// Goes on with a number by the digits at the front; how many they were, and what comes after them. Beyond 18 digits in all
/// it is not that number any more.
#[inline]
fn digits_of(text: &[u8], mut number: i64) -> (i64, usize, &[u8]) {
    let mut count = 0;
    while let Some(digit) = text.get(count).map(|byte| byte.wrapping_sub(b'0')).filter(|digit| *digit < 10) {
        number = number.wrapping_mul(10).wrapping_add(i64::from(digit));
        count += 1;
    }
    (number, count, &text[count..])
}

/// A row whose time is in seconds (`minute` is `None`) or a date within the minute; `None` where it is anything else.
#[inline]
pub(super) fn row(
    line: &[u8],
    columns: &[Column],
    minute: Option<&Minute>,
    before: Option<Timestamp>,
) -> Option<Sample> {
    let mut rest = Some(line);
    let mut next = || {
        let now = rest?;
        let end = now.iter().position(|&byte| byte == b',');
        rest = end.map(|end| &now[end + 1..]);
        Some(now[..end.unwrap_or(now.len())].trim_ascii())
    };
    let time = next()?;
    let at = match minute {
        Some(minute) => minute.date(time)?,
        None => Timestamp::from_ms(parse_seconds(time)?),
    };
    if before.is_some_and(|before| at < before) {
        return None;
    }
    let mut sample = Sample::at(at);
    for column in columns {
        match (*column, next()?) {
            (_, []) => {}
            (Column::Quantity(quantity), field) => sample.set(quantity, Some(parse_quantity(field, quantity)?)),
            (Column::Flag(flag), [on @ (b'0' | b'1')]) => sample.set_flag(flag, Some(*on == b'1')),
            (Column::Flag(_), _) => return None,
        }
    }
    rest.is_none().then_some(sample)
}
