//! The samples file that people exchange: a header of signal names, then a row a sample.
//!
//! `time` comes first: RFC 3339, or seconds from the start, as the first row has it. An empty field was not read.

use std::io::{self, Read, Write};
use std::path::Path;

use tallyhook_analysis::batch::Batch;
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::units::Timestamp;

use super::decimal::{FURTHEST_SECOND, number, parse_quantity, parse_seconds, write_quantity};
use super::error::SamplesError;
use super::lines::Next;
use super::quick::{self, Minute};
use super::rows::{OTHER_SEPARATOR, Rows};
use super::signals::SignalSet;

/// So many rows make a block.
const BLOCK_ROWS: usize = 1024;

/// What a column holds.
#[derive(Clone, Copy, Debug)]
pub(super) enum Column {
    Quantity(Quantity),
    Flag(Flag),
}

/// How the file tells time.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum TimeStyle {
    Date,
    Seconds,
}

/// A samples file, read row by row. Ends after the first error.
pub struct CsvSamples {
    rows: Rows,
    /// After `time`.
    columns: Vec<Column>,
    signals: SignalSet,
    style: Option<(TimeStyle, u64)>,
    minute: Minute,
    before: Option<Timestamp>,
    ended: bool,
}

impl std::fmt::Debug for CsvSamples {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("CsvSamples").field("rows", &self.rows).field("signals", &self.signals).finish_non_exhaustive()
    }
}

impl CsvSamples {
    /// Opens a file and reads its header.
    ///
    /// # Errors
    /// [`SamplesError::Line`] for a header that lacks `time` or a direction, or has a column that is not known.
    pub fn open(path: &Path) -> Result<Self, SamplesError> {
        Self::of(Rows::open(path)?)
    }

    /// As [`CsvSamples::open`], from anything that can be read; `name` stands in errors.
    ///
    /// # Errors
    /// As there.
    pub fn read(source: impl Read + Send + 'static, name: &Path) -> Result<Self, SamplesError> {
        Self::of(Rows::of(source, name))
    }

    fn of(rows: Rows) -> Result<Self, SamplesError> {
        let mut samples = CsvSamples {
            rows,
            columns: Vec::new(),
            signals: SignalSet::of_header(),
            style: None,
            minute: Minute::default(),
            before: None,
            ended: false,
        };
        samples.read_header()?;
        Ok(samples)
    }

    /// The signals that the header names.
    pub fn signals(&self) -> SignalSet {
        self.signals
    }

    fn read_header(&mut self) -> Result<(), SamplesError> {
        let names = self.rows.header()?;
        if names.is_empty() {
            let what = "the file is empty; begin it with a header row of signal names, `time` first";
            return Err(self.rows.at(1, what.into()));
        }
        if names.first().is_none_or(|first| first != "time") {
            let hint = if names.len() == 1 && names[0].contains([';', '\t']) {
                OTHER_SEPARATOR
            } else {
                "name the column of times `time` and put it first"
            };
            return Err(self.rows.here(format!("the header has no first column `time`; {hint}")));
        }
        for name in &names[1..] {
            let quantity = Quantity::ALL.into_iter().find(|q| q.name() == name);
            let flag = Flag::ALL.into_iter().find(|f| f.name() == name);
            let seen = quantity.is_some_and(|q| self.signals.has(q)) || flag.is_some_and(|f| self.signals.has_flag(f));
            if seen || name == "time" {
                return Err(self.rows.here(format!("column {name} is there twice; leave one of them out")));
            }
            match (quantity, flag) {
                (Some(q), _) => {
                    self.columns.push(Column::Quantity(q));
                    self.signals.add(q);
                }
                (_, Some(f)) => {
                    self.columns.push(Column::Flag(f));
                    self.signals.add_flag(f);
                }
                _ => {
                    let known: Vec<&str> =
                        Quantity::ALL.iter().map(|q| q.name()).chain(Flag::ALL.iter().map(|f| f.name())).collect();
                    let what = format!(
                        "column {name} is not a signal; rename it or leave it out, the signals are {}",
                        known.join(", ")
                    );
                    return Err(self.rows.here(what));
                }
            }
        }
        if !self.signals.has_flag(Flag::Raising) && !self.signals.has_flag(Flag::Lowering) {
            let what = "the header has neither `raising` nor `lowering`; add the column that says when the motor runs";
            return Err(self.rows.here(what.into()));
        }
        Ok(())
    }

    fn sample(&mut self) -> Result<Sample, SamplesError> {
        self.rows.is_as_wide_as(self.columns.len() + 1)?;
        let at = self.time()?;
        if let Some(before) = self.before
            && at < before
        {
            let back = before.as_ms().saturating_sub(at.as_ms()) as f64 / 1000.0;
            // One wrong date ahead makes the row behind it go back.
            let earlier = if back >= 86_400.0 { "put the date of the row before right if it is wrong, " } else { "" };
            let what =
                format!("column time: goes back by {back} s; {earlier}sort the rows by time, or cut the file here");
            return Err(self.rows.here(what));
        }
        self.before = Some(at);
        let mut sample = Sample::at(at);
        for (column, field) in self.columns.iter().zip(self.rows.row().iter().skip(1)) {
            if field.is_empty() {
                continue;
            }
            let shown = || String::from_utf8_lossy(field);
            match *column {
                Column::Quantity(quantity) => match parse_quantity(field, quantity) {
                    Some(value) => sample.set(quantity, Some(value)),
                    None => {
                        return Err(self.rows.here(format!(
                            "column {}: `{}` is not a number in range; mend it, or leave it empty for not read",
                            quantity.name(),
                            shown()
                        )));
                    }
                },
                Column::Flag(flag) => match field {
                    // With a point, as programs write a column of numbers that has empty fields.
                    b"0" | b"0.0" => sample.set_flag(flag, Some(false)),
                    b"1" | b"1.0" => sample.set_flag(flag, Some(true)),
                    _ => {
                        return Err(self.rows.here(format!(
                            "column {}: `{}` is neither 0 nor 1; mend it, or leave it empty for not read",
                            flag.name(),
                            shown()
                        )));
                    }
                },
            }
        }
        Ok(sample)
    }

    fn time(&mut self) -> Result<Timestamp, SamplesError> {
        let field = &self.rows.row()[0];
        let (style, decided_at) = match self.style {
            Some(known) => known,
            None => {
                let style = if parse_seconds(field).is_some() { TimeStyle::Seconds } else { TimeStyle::Date };
                *self.style.insert((style, self.rows.line()))
            }
        };
        let at = match style {
            TimeStyle::Seconds => parse_seconds(field).map(Timestamp::from_ms),
            TimeStyle::Date => parse_date(field).inspect(|&at| self.minute.keep(field, at)),
        };
        at.ok_or_else(|| {
            let shown = String::from_utf8_lossy(field);
            let mixed = match style {
                TimeStyle::Seconds => parse_date(field).is_some(),
                TimeStyle::Date => parse_seconds(field).is_some(),
            };
            let (first, other) = match style {
                TimeStyle::Seconds => ("seconds from the start", "a date"),
                TimeStyle::Date => ("dates", "seconds"),
            };
            self.rows.here(if is_beyond(field) {
                format!(
                    "column time: `{shown}` is beyond what can be counted: dates from -9999-01-02 to 9999-12-30, seconds up \
                     to {FURTHEST_SECOND}; mend it"
                )
            } else if mixed {
                format!("column time: `{shown}` is {other}, but line {decided_at} began with {first}; use one of them")
            } else {
                format!(
                    "column time: `{shown}` is neither a date with its offset (2031-05-04T06:00:00.000Z) nor seconds \
                     from the start; mend it"
                )
            })
        })
    }
}

/// Whether a field that no [`Timestamp`] holds is a time all the same: a number, or a date at an end of the calendar.
fn is_beyond(field: &[u8]) -> bool {
    if parse_date(field).is_some() || parse_seconds(field).is_some() {
        return false;
    }
    let date = || {
        let text = std::str::from_utf8(field).ok()?;
        let civil = match text.strip_suffix(['Z', 'z']) {
            Some(civil) => civil,
            None => text.split_at_checked(text.len().checked_sub(6)?).filter(|(_, o)| o.starts_with(['+', '-']))?.0,
        };
        civil.parse::<jiff::civil::DateTime>().ok().filter(|date| date.year().abs() == 9999)
    };
    number(field).is_some() || date().is_some()
}

/// An RFC 3339 instant, to the nearest millisecond.
fn parse_date(field: &[u8]) -> Option<Timestamp> {
    let instant: jiff::Timestamp = std::str::from_utf8(field).ok()?.parse().ok()?;
    let ms = (instant.as_nanosecond() + 500_000).div_euclid(1_000_000);
    i64::try_from(ms).ok().map(Timestamp::from_ms)
}

impl CsvSamples {
    /// Puts the next rows at the end of `out`; `false` at the end.
    pub(super) fn next_block(&mut self, out: &mut Batch) -> Result<bool, SamplesError> {
        let mut count = 0;
        while count < BLOCK_ROWS {
            count += self.plain_rows(BLOCK_ROWS - count, out);
            match self.next() {
                Some(sample) => out.push(sample?),
                None => return Ok(false),
            }
            count += 1;
        }
        Ok(true)
    }

    /// Takes rows that are as the recorder writes them, at most so many, up to one that is not or is not whole here.
    fn plain_rows(&mut self, most: usize, out: &mut Batch) -> usize {
        let (Some((style, _)), false, false) = (self.style, self.rows.is_quoted(), self.ended) else { return 0 };
        let minute = (style == TimeStyle::Date).then_some(&self.minute);
        let (held, mut bytes, mut rows) = (self.rows.lines.held(), 0, 0);
        while rows < most
            && let Some((sample, used)) = quick::row_at(&held[bytes..], &self.columns, minute, self.before)
        {
            self.before = Some(sample.at);
            out.push(sample);
            (bytes, rows) = (bytes + used, rows + 1);
        }
        self.rows.lines.took(bytes, rows as u64);
        rows
    }

    fn next_sample(&mut self) -> Result<Option<Sample>, SamplesError> {
        if let (Some((style, _)), false) = (self.style, self.rows.is_quoted())
            && let Next::Line(line) = self.rows.next_line()?
        {
            let minute = (style == TimeStyle::Date).then_some(&self.minute);
            if let Some(sample) = quick::row(&self.rows.lines.text()[line.clone()], &self.columns, minute, self.before)
            {
                self.before = Some(sample.at);
                return Ok(Some(sample));
            }
            self.rows.split(line);
            if !self.rows.is_blank() {
                return self.sample().map(Some);
            }
        }
        if self.rows.next_row()? { self.sample().map(Some) } else { Ok(None) }
    }
}

impl Iterator for CsvSamples {
    type Item = Result<Sample, SamplesError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.ended {
            return None;
        }
        let next = self.next_sample().transpose();
        self.ended = !matches!(next, Some(Ok(_)));
        next
    }
}

/// Writes the header row for `columns`: the quantities, then the two-state signals, each in the order of its slots.
///
/// # Errors
/// What `out` says.
pub fn write_header(out: &mut impl Write, columns: SignalSet) -> io::Result<()> {
    out.write_all(b"time")?;
    for quantity in Quantity::ALL.into_iter().filter(|q| columns.has(*q)) {
        write!(out, ",{}", quantity.name())?;
    }
    for flag in Flag::ALL.into_iter().filter(|f| columns.has_flag(*f)) {
        write!(out, ",{}", flag.name())?;
    }
    out.write_all(b"\n")
}

/// Writes a sample as a row under the header of the same `columns`.
///
/// # Errors
/// What `out` says; `InvalidInput` for an instant outside the years that a date can have.
pub fn write_sample(out: &mut impl Write, sample: &Sample, columns: SignalSet) -> io::Result<()> {
    let at = jiff::Timestamp::from_millisecond(sample.at.as_ms())
        .map_err(|e| io::Error::new(io::ErrorKind::InvalidInput, e))?;
    write!(out, "{at:.3}")?;
    for quantity in Quantity::ALL.into_iter().filter(|q| columns.has(*q)) {
        out.write_all(b",")?;
        if let Some(value) = sample.get(quantity) {
            write_quantity(out, value, quantity)?;
        }
    }
    for flag in Flag::ALL.into_iter().filter(|f| columns.has_flag(*f)) {
        out.write_all(match sample.flag(flag) {
            Some(true) => b",1",
            Some(false) => b",0",
            None => b",",
        })?;
    }
    out.write_all(b"\n")
}

#[cfg(test)]
#[path = "csv_tests.rs"]
mod tests;
