//! Rows as the recorder and most programs write them, read without a detour.
//!
//! What is out of the ordinary in any way, a fault above all, is left to the reader of `csv.rs`, which reads everything
//! and says what is wrong; so both give the same samples.

use tallyhook_analysis::sample::Sample;
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
