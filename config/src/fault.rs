//! A fault of a configuration: where it is, what is wrong, how to mend it. And all faults of a file together.

use std::cell::RefCell;
use std::fmt;
use std::ops::Range;
use std::sync::Arc;

use miette::{Diagnostic, GraphicalReportHandler, GraphicalTheme, LabeledSpan, NamedSource};

/// One fault.
///
/// ```
/// let faults = tallyhook_config::load("[sit]\nname = \"Yard\"\n", "yard.toml").unwrap_err();
/// let first = faults.iter().next().unwrap();
/// assert_eq!((first.line, first.column), (1, 1));
/// assert!(first.to_string().starts_with("yard.toml:1:1: "), "{first}");
/// ```
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Fault {
    /// Name of the file, as it was handed to [`crate::load()`].
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What is wrong: one sentence without a full stop.
    pub what: String,
    /// What to write instead: one sentence without a full stop.
    pub mend: String,
    /// Bytes of the text that are at fault.
    pub span: Range<usize>,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Fault { file, line, column, what, mend, .. } = self;
        write!(f, "{file}:{line}:{column}: {what}; mend: {mend}")
    }
}

/// The texts of a configuration, numbered through as one: the file itself, then its profiles.
pub(crate) struct Sources {
    whole: String,
    /// Each text's name and its bytes in `whole`.
    files: Vec<(String, Range<usize>)>,
}

impl Sources {
    pub(crate) fn of(file: &str, text: &str) -> Self {
        Sources { whole: text.to_owned(), files: vec![(file.to_owned(), 0..text.len())] }
    }

    /// Adds a text; gives its index.
    pub(crate) fn add(&mut self, file: String, text: String) -> usize {
        // A line of its own, even where the text before it does not end one.
        self.whole.push('\n');
        let start = self.whole.len();
        self.whole.push_str(&text);
        self.files.push((file, start..self.whole.len()));
        self.files.len() - 1
    }

    /// Where a text begins, and the text.
    pub(crate) fn text(&self, index: usize) -> (usize, &str) {
        self.files.get(index).map_or((0, ""), |(_, place)| (place.start, &self.whole[place.clone()]))
    }

    /// All texts.
    pub(crate) fn whole(&self) -> &str {
        &self.whole
    }

    /// The text that a place is in.
    fn index_of(&self, offset: usize) -> usize {
        self.files.partition_point(|(_, place)| place.start <= offset).saturating_sub(1)
    }
}

/// Faults that a report shows with their line.
const DRAWN: usize = 50;

/// Every fault of one file and its profiles, in the order of their lines; never empty.
#[derive(Clone, Debug)]
pub struct Faults {
    faults: Vec<Fault>,
    sources: Vec<Arc<NamedSource<String>>>,
}

impl Faults {
    pub(crate) fn new(found: Vec<Found>, texts: &Sources) -> Self {
        let lines: Vec<Lines<'_>> = (0..texts.files.len()).map(|index| Lines::of(texts.text(index).1)).collect();
        let mut faults: Vec<(usize, Fault)> = found
            .into_iter()
            .map(|Found { span, what, mend, .. }| {
                let index = texts.index_of(span.start);
                let (base, text) = texts.text(index);
                let span = (span.start - base).min(text.len())..(span.end - base).min(text.len());
                let (line, column) = lines[index].place(span.start);
                (index, Fault { file: texts.files[index].0.clone(), line, column, what, mend, span })
            })
            .collect();
        faults.sort_by_key(|(index, f)| (*index, f.span.start, f.span.end));
        faults.dedup();
        let named = |(index, (file, _)): (usize, &(String, _))| {
            Arc::new(NamedSource::new(file, texts.text(index).1.to_owned()))
        };
        Faults {
            faults: faults.into_iter().map(|(_, fault)| fault).collect(),
            sources: texts.files.iter().enumerate().map(named).collect(),
        }
    }

    /// The faults, in the order of their lines.
    pub fn iter(&self) -> impl Iterator<Item = &Fault> {
        self.faults.iter()
    }

    /// How many there are; at least one.
    #[allow(clippy::len_without_is_empty, reason = "never empty")]
    pub fn len(&self) -> usize {
        self.faults.len()
    }

    /// All faults for a person at a terminal: place, sentence, the line itself with a mark under the fault, the mend.
    /// No colours. From the fifty-first on without the line: it costs a walk through the whole text each, and a file that
    /// is no configuration at all has a fault in every line.
    pub fn report(&self) -> String {
        let handler = GraphicalReportHandler::new_themed(GraphicalTheme::unicode_nocolor())
            .with_wrap_lines(false)
            .with_links(false)
            .with_context_lines(1);
        let mut out = String::new();
        for fault in self.faults.iter().take(DRAWN) {
            let Some(source) = self.sources.iter().find(|source| source.name() == fault.file) else { continue };
            let shown = Shown { fault, source };
            if handler.render_report(&mut out, &shown).is_err() {
                // Writing to a `String` does not fail; a text that miette cannot lay out still gets its sentence.
                out.push_str(&format!("{fault}\n"));
            }
        }
        for fault in self.faults.iter().skip(DRAWN) {
            out.push_str(&format!("{fault}\n"));
        }
        out
    }
}

impl fmt::Display for Faults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, fault) in self.faults.iter().enumerate() {
            if i > 0 {
                writeln!(f)?;
            }
            write!(f, "{fault}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Faults {}

/// A fault with its text beside it, as miette wants it.
struct Shown<'a> {
    fault: &'a Fault,
    source: &'a Arc<NamedSource<String>>,
}

impl fmt::Display for Shown<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Fault { file, line, column, what, .. } = self.fault;
        write!(f, "{file}:{line}:{column}: {what}")
    }
}

impl fmt::Debug for Shown<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl std::error::Error for Shown<'_> {}

impl Diagnostic for Shown<'_> {
    fn help<'b>(&'b self) -> Option<Box<dyn fmt::Display + 'b>> {
        Some(Box::new(&self.fault.mend))
    }

    fn source_code(&self) -> Option<&dyn miette::SourceCode> {
        Some(self.source)
    }

    fn labels(&self) -> Option<Box<dyn Iterator<Item = LabeledSpan> + '_>> {
        let label = LabeledSpan::new_primary_with_span(None, self.fault.span.clone());
        Some(Box::new(std::iter::once(label)))
    }
}

/// Offsets of the beginnings of the lines of a text.
pub(crate) struct Lines<'a> {
    text: &'a str,
    starts: Vec<usize>,
}

impl<'a> Lines<'a> {
    pub(crate) fn of(text: &'a str) -> Self {
        let starts = std::iter::once(0).chain(text.match_indices('\n').map(|(i, _)| i + 1)).collect();
        Lines { text, starts }
    }

    /// Line (from 1) of a byte offset; an offset beyond the end is on the last line.
    pub(crate) fn line(&self, offset: usize) -> usize {
        self.starts.partition_point(|&start| start <= offset)
    }

    /// Line and column, both from 1.
    fn place(&self, offset: usize) -> (usize, usize) {
        let line = self.line(offset);
        let start = self.starts.get(line - 1).copied().unwrap_or(0);
        let before = self.text.get(start..offset).map_or(0, |t| t.chars().count());
        (line, before + 1)
    }

    /// The text of a line (from 1), without its end.
    pub(crate) fn text_of(&self, line: usize) -> &'a str {
        let start = self.starts.get(line - 1).copied().unwrap_or(self.text.len());
        self.text[start..].lines().next().unwrap_or("")
    }
}

/// What sort of fault was found.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Sort {
    /// Something that was written is wrong by itself.
    Wrong,
    /// Something is absent, or two things do not go together. Follows from a syntax fault too easily to be said
    /// beside one.
    Missing,
}

/// A fault before it has its line.
#[derive(Clone, Debug)]
pub(crate) struct Found {
    pub(crate) span: Range<usize>,
    pub(crate) what: String,
    pub(crate) mend: String,
    pub(crate) sort: Sort,
}

/// Collects faults while the reading goes on.
#[derive(Default)]
pub(crate) struct Collector {
    found: RefCell<Vec<Found>>,
}

impl Collector {
    /// Something that was written is wrong.
    pub(crate) fn wrong(&self, span: Range<usize>, what: impl Into<String>, mend: impl Into<String>) {
        self.found.borrow_mut().push(Found { span, what: what.into(), mend: mend.into(), sort: Sort::Wrong });
    }

    /// Something is absent or does not go with something else.
    pub(crate) fn missing(&self, span: Range<usize>, what: impl Into<String>, mend: impl Into<String>) {
        self.found.borrow_mut().push(Found { span, what: what.into(), mend: mend.into(), sort: Sort::Missing });
    }

    pub(crate) fn into_found(self) -> Vec<Found> {
        self.found.into_inner()
    }
}
