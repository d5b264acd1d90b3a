//! Rows on their way out: what a column holds, and the two forms that rows are written in.

use std::borrow::Cow;
use std::io::{self, Write};
use std::sync::Arc;

use parquet::basic::{Compression, LogicalType, Repetition, TimeUnit, Type as Physical};
use parquet::data_type::{BoolType, ByteArray, ByteArrayType, DataType, DoubleType, Int32Type, Int64Type};
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedColumnWriter, SerializedFileWriter};
use parquet::schema::types::{Type, TypePtr};
use tallyhook_analysis::units::Timestamp;

use super::Fault;
use crate::figures::{date_of, rfc3339};

/// Rows of Parquet that are held in memory before they are written as one group.
const GROUP: usize = 65_536;

/// What a column holds.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Kind {
    /// Text: a string.
    Text,
    /// An instant: RFC 3339 in UTC to the millisecond; in Parquet a timestamp in milliseconds, UTC.
    Instant,
    /// A day of the site's calendar: `YYYY-MM-DD`; in Parquet a date.
    Day,
    /// A number with all its digits.
    Number,
    /// A number with three decimals in CSV; in Parquet with all its digits.
    Milli,
    /// A whole number.
    Count,
    /// Yes or no: 1 or 0; in Parquet a boolean.
    Flag,
}

/// A column: its name with the unit, and what it holds. Every column may be empty in a row.
pub type Column = (&'static str, Kind);

/// A value.
#[derive(Clone, PartialEq, Debug)]
pub enum Cell<'a> {
    /// For [`Kind::Text`].
    Text(Cow<'a, str>),
    /// For [`Kind::Instant`].
    Instant(Timestamp),
    /// For [`Kind::Day`], days since 1970-01-01.
    Day(i32),
    /// For [`Kind::Number`] and [`Kind::Milli`].
    Number(f64),
    /// For [`Kind::Count`].
    Count(i64),
    /// For [`Kind::Flag`].
    Flag(bool),
    /// Nothing is known.
    Nothing,
}

impl<'a> From<&'a str> for Cell<'a> {
    fn from(text: &'a str) -> Self {
        Cell::Text(Cow::Borrowed(text))
    }
}

impl From<u64> for Cell<'_> {
    fn from(count: u64) -> Self {
        Cell::Count(i64::try_from(count).unwrap_or(i64::MAX))
    }
}

/// Where rows go.
pub trait Rows {
    /// Takes a row: a cell for each column.
    ///
    /// # Errors
    /// When it cannot be written.
    fn row(&mut self, cells: &[Cell<'_>]) -> Result<(), Fault>;

    /// The last row was taken.
    ///
    /// # Errors
    /// When the rest cannot be written.
    fn end(self: Box<Self>) -> Result<(), Fault>;
}

/// CSV, RFC 4180.
pub struct Csv<W: Write> {
    out: csv::Writer<W>,
    kinds: Vec<Kind>,
}

impl<W: Write> Csv<W> {
    /// Writes the head.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn new(out: W, columns: &[Column]) -> Result<Self, Fault> {
        let mut out = csv::Writer::from_writer(out);
        out.write_record(columns.iter().map(|(name, _)| name)).map_err(of_csv)?;
        Ok(Csv { out, kinds: columns.iter().map(|(_, kind)| *kind).collect() })
    }
}

fn of_csv(error: csv::Error) -> Fault {
    match error.into_kind() {
        // As it came: who asks what kind it is of would find none on one that is wrapped.
        csv::ErrorKind::Io(error) => Fault::Output(error),
        other => Fault::Output(io::Error::other(format!("{other:?}"))),
    }
}

impl<W: Write> Rows for Csv<W> {
    fn row(&mut self, cells: &[Cell<'_>]) -> Result<(), Fault> {
        for (cell, kind) in cells.iter().zip(&self.kinds) {
            let text: Cow<'_, str> = match (cell, kind) {
                (Cell::Text(text), _) => Cow::Borrowed(text.as_ref()),
                (Cell::Instant(at), _) => rfc3339(*at).into(),
                (Cell::Day(day), _) => date_of(*day).into(),
                (Cell::Number(value), Kind::Milli) => format!("{value:.3}").into(),
                (Cell::Number(value), _) => value.to_string().into(),
                (Cell::Count(count), _) => count.to_string().into(),
                (Cell::Flag(yes), _) => if *yes { "1" } else { "0" }.into(),
                (Cell::Nothing, _) => "".into(),
            };
            self.out.write_field(text.as_bytes()).map_err(of_csv)?;
        }
        self.out.write_record(None::<&[u8]>).map_err(of_csv)
    }

    fn end(mut self: Box<Self>) -> Result<(), Fault> {
        Ok(self.out.flush()?)
    }
}

/// One column's values of a group; `levels` has a 1 for each row with a value and a 0 for each without.
struct Buffer {
    levels: Vec<i16>,
    values: Values,
}

enum Values {
    Bool(Vec<bool>),
    Int32(Vec<i32>),
    Int64(Vec<i64>),
    Double(Vec<f64>),
    Bytes(Vec<ByteArray>),
}

impl Buffer {
    fn new(kind: Kind) -> Self {
        let values = match kind {
            Kind::Text => Values::Bytes(Vec::new()),
            Kind::Instant | Kind::Count => Values::Int64(Vec::new()),
            Kind::Day => Values::Int32(Vec::new()),
            Kind::Number | Kind::Milli => Values::Double(Vec::new()),
            Kind::Flag => Values::Bool(Vec::new()),
        };
        Buffer { levels: Vec::new(), values }
    }

    fn push(&mut self, cell: &Cell<'_>) {
        self.levels.push(1);
        match (&mut self.values, cell) {
            (Values::Bytes(all), Cell::Text(text)) => all.push(text.as_bytes().to_vec().into()),
            (Values::Int64(all), Cell::Instant(at)) => all.push(at.as_ms()),
            (Values::Int64(all), Cell::Count(count)) => all.push(*count),
            (Values::Int32(all), Cell::Day(day)) => all.push(*day),
            (Values::Double(all), Cell::Number(value)) => all.push(*value),
            (Values::Bool(all), Cell::Flag(yes)) => all.push(*yes),
            _ => {
                debug_assert_eq!(*cell, Cell::Nothing, "a cell of another kind than its column");
                if let Some(last) = self.levels.last_mut() {
                    *last = 0;
                }
            }
        }
    }

    fn write(&mut self, column: &mut SerializedColumnWriter<'_>) -> parquet::errors::Result<()> {
        fn all<T: DataType>(
            column: &mut SerializedColumnWriter<'_>,
            values: &mut Vec<T::T>,
            levels: &[i16],
        ) -> parquet::errors::Result<()> {
            column.typed::<T>().write_batch(values, Some(levels), None)?;
            values.clear();
            Ok(())
        }
        let levels = std::mem::take(&mut self.levels);
        match &mut self.values {
            Values::Bool(values) => all::<BoolType>(column, values, &levels),
            Values::Int32(values) => all::<Int32Type>(column, values, &levels),
            Values::Int64(values) => all::<Int64Type>(column, values, &levels),
            Values::Double(values) => all::<DoubleType>(column, values, &levels),
            Values::Bytes(values) => all::<ByteArrayType>(column, values, &levels),
        }
    }
}

/// Parquet, one file with groups of rows, compressed with Snappy.
pub struct Parquet<W: Write + Send> {
    out: SerializedFileWriter<W>,
    columns: Vec<Buffer>,
}

impl<W: Write + Send> Parquet<W> {
    /// Writes the head.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn new(out: W, columns: &[Column]) -> Result<Self, Fault> {
        let fields = columns.iter().map(|(name, kind)| field(name, *kind)).collect::<Result<_, _>>()?;
        let schema = Type::group_type_builder("tallyhook").with_fields(fields).build()?;
        let properties = WriterProperties::builder()
            .set_compression(Compression::SNAPPY)
            .set_created_by(format!("tallyhook {}", env!("CARGO_PKG_VERSION")));
        Ok(Parquet {
            out: SerializedFileWriter::new(out, Arc::new(schema), Arc::new(properties.build()))?,
            columns: columns.iter().map(|(_, kind)| Buffer::new(*kind)).collect(),
        })
    }

    fn group(&mut self) -> Result<(), Fault> {
        let mut group = self.out.next_row_group()?;
        let mut columns = self.columns.iter_mut();
        while let (Some(mut column), Some(buffer)) = (group.next_column()?, columns.next()) {
            buffer.write(&mut column)?;
            column.close()?;
        }
        group.close()?;
        Ok(())
    }
}

fn field(name: &str, kind: Kind) -> parquet::errors::Result<TypePtr> {
    let (physical, logical) = match kind {
        Kind::Text => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
        Kind::Instant => (Physical::INT64, Some(LogicalType::timestamp(true, TimeUnit::MILLIS))),
        Kind::Day => (Physical::INT32, Some(LogicalType::Date)),
        Kind::Number | Kind::Milli => (Physical::DOUBLE, None),
        Kind::Count => (Physical::INT64, None),
        Kind::Flag => (Physical::BOOLEAN, None),
    };
    let builder = Type::primitive_type_builder(name, physical).with_repetition(Repetition::OPTIONAL);
    Ok(Arc::new(builder.with_logical_type(logical).build()?))
}

impl<W: Write + Send> Rows for Parquet<W> {
    fn row(&mut self, cells: &[Cell<'_>]) -> Result<(), Fault> {
        self.columns.iter_mut().zip(cells).for_each(|(column, cell)| column.push(cell));
        if self.columns.first().is_some_and(|column| column.levels.len() == GROUP) {
            self.group()?;
        }
        Ok(())
    }

    fn end(mut self: Box<Self>) -> Result<(), Fault> {
        if self.columns.first().is_some_and(|column| !column.levels.is_empty()) {
            self.group()?;
        }
        self.out.close()?;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::super::finish;
    use super::*;
    use crate::exit::Outcome;

    #[test]
    fn a_reader_who_has_seen_enough_ends_an_export_in_peace() {
        let (reader, writer) = io::pipe().unwrap();
        let mut rows = Csv::new(writer, &[("lifts", Kind::Count)]).unwrap();
        drop(reader);
        // More than any buffer on the way holds.
        let written = (0..1_u64 << 20).try_for_each(|n| rows.row(&[n.into()]));
        assert!(written.is_err(), "nobody reads");
        assert!(matches!(finish(written), Ok(Outcome::Done)));
    }
}
