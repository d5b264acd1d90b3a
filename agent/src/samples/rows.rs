//! Rows of a CSV file, with or without quotation marks, each with its line.

use std::fs::File;
use std::io::Read;
use std::ops::Range;
use std::path::{Path, PathBuf};

use ::csv::{ByteRecord, ReaderBuilder, Terminator, Trim};

use super::error::SamplesError;
use super::lines::{Lines, Next};

/// What a header of one column is told whose columns are separated by another sign.
pub const OTHER_SEPARATOR: &str = "separate the columns with commas, and write decimals with a point";

/// A CSV file, row by row.
pub struct Rows {
    pub(super) lines: Lines,
    /// From the first quotation mark on, with the lines that came before it.
    quoted: Option<(::csv::Reader<Box<dyn Read + Send>>, u64)>,
    file: PathBuf,
    row: ByteRecord,
}

impl std::fmt::Debug for Rows {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Rows").field("file", &self.file).finish_non_exhaustive()
    }
}

impl Rows {
    /// Opens a file.
    ///
    /// # Errors
    /// [`SamplesError::Nothing`] when it cannot be opened.
    pub fn open(path: &Path) -> Result<Self, SamplesError> {
        let file = File::open(path).map_err(|error| SamplesError::Nothing {
            path: path.to_owned(),
            what: format!("cannot be opened: {error}"),
        })?;
        Ok(Self::of(file, path))
    }

    /// As [`Rows::open`], from anything that can be read; `name` stands in errors.
    pub fn of(source: impl Read + Send + 'static, name: &Path) -> Self {
        Rows { lines: Lines::of(source), quoted: None, file: name.to_owned(), row: ByteRecord::new() }
    }

    /// The fields of the row that was read last.
    pub fn row(&self) -> &ByteRecord {
        &self.row
    }

    /// The file, as it was named.
    pub fn file(&self) -> &Path {
        &self.file
    }

    /// Whether a quotation mark has come.
    pub(super) fn is_quoted(&self) -> bool {
        self.quoted.is_some()
    }

    /// Reads the first row, the names of the columns; none where the file is empty.
    ///
    /// # Errors
    /// [`SamplesError::Line`] where it is no UTF-8.
    pub fn header(&mut self) -> Result<Vec<String>, SamplesError> {
        if !self.next_row()? {
            return Ok(Vec::new());
        }
        let name = |name: &[u8]| Some(std::str::from_utf8(name).ok()?.trim_start_matches('\u{feff}').to_owned());
        let names: Option<Vec<String>> = self.row.iter().map(name).collect();
        // Of UTF-16 every other byte of a plain text is zero.
        names.filter(|names| names.iter().all(|name| !name.contains('\0'))).ok_or_else(|| {
            self.here("the header is no UTF-8 text; save the file as UTF-8 (`CSV UTF-8` in spreadsheets)".into())
        })
    }

    /// Holds the row that was read last to the width of the header.
    ///
    /// # Errors
    /// [`SamplesError::Line`] where it has another.
    pub fn is_as_wide_as(&self, wants: usize) -> Result<(), SamplesError> {
        match self.row.len() {
            has if has == wants => Ok(()),
            has => Err(self.here(format!(
                "the row has {has} fields, the header {wants}; leave a field empty for what was not read"
            ))),
        }
    }

    /// Reads the next row that is not blank; `false` at the end.
    ///
    /// # Errors
    /// [`SamplesError`] for what cannot be read.
    pub fn next_row(&mut self) -> Result<bool, SamplesError> {
        while self.quoted.is_none() {
            match self.next_line()? {
                Next::Line(line) => {
                    self.split(line);
                    if !self.is_blank() {
                        return Ok(true);
                    }
                }
                Next::Quoted => self.begin_quoted(),
                Next::End => return Ok(false),
            }
        }
        self.next_quoted()
    }

    pub(super) fn next_line(&mut self) -> Result<Next, SamplesError> {
        self.lines.next().map_err(|source| SamplesError::Io { path: self.file.clone(), source })
    }

    /// A line that holds a carriage return alone is blank too.
    pub(super) fn is_blank(&self) -> bool {
        self.row.len() == 1 && self.row[0].is_empty()
    }

    /// Makes a line without quotation marks the row.
    pub(super) fn split(&mut self, line: Range<usize>) {
        self.row.clear();
        let fields = self.lines.text()[line].split(|&byte| byte == b',');
        fields.for_each(|field| self.row.push_field(field.trim_ascii()));
    }

    fn begin_quoted(&mut self) {
        let before = self.lines.count();
        // Every row then ends with a line feed, so that the line number after it is always one too high.
        let source: Box<dyn Read + Send> = Box::new(self.lines.rest().chain(&b"\n"[..]));
        let reader = ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .terminator(Terminator::Any(b'\n'))
            .trim(Trim::All)
            .from_reader(source);
        self.quoted = Some((reader, before));
    }

    fn next_quoted(&mut self) -> Result<bool, SamplesError> {
        loop {
            let Some((reader, before)) = &mut self.quoted else { return Ok(false) };
            match reader.read_byte_record(&mut self.row) {
                Ok(true) if self.row.len() == 1 && self.row[0].is_empty() => {}
                Ok(more) => return Ok(more),
                Err(error) => {
                    let line = *before + reader.position().line();
                    return Err(match error.into_kind() {
                        ::csv::ErrorKind::Io(source) => SamplesError::Io { path: self.file.clone(), source },
                        other => self.at(line, format!("cannot be read ({other:?}); mend the line")),
                    });
                }
            }
        }
    }

    /// The line of the row that was read last.
    pub fn line(&self) -> u64 {
        let line = match &self.quoted {
            Some((reader, before)) => before + reader.position().line().saturating_sub(1),
            None => self.lines.count(),
        };
        line.max(1)
    }

    /// A fault at a line, with its mend.
    pub(super) fn at(&self, line: u64, what: String) -> SamplesError {
        SamplesError::Line { file: self.file.clone(), line, what }
    }

    /// A fault of the row that was read last, with its mend.
    pub fn here(&self, what: String) -> SamplesError {
        self.at(self.line(), what)
    }
}
