//! `export`: what the store holds, in open form.

mod out;
mod rows;

use std::io::{self, BufWriter, IsTerminal, Write};
use std::path::PathBuf;

use out::{OutFile, Unopened};
use parquet::errors::ParquetError;
use rows::{Cell, Column, Csv, Kind, Parquet, Rows};

use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::spectrum::{Totals, band_edges};
use tallyhook_analysis::units::{MS_PER_HOUR, Timestamp};

use super::ledger::{Ledger, instants, kept_configuration, open_reader, spares_the_store};
use super::progress::Progress;
use crate::exit::{CommandResult, Failure, Outcome};
use crate::figures::{day_number, rfc3339};
use crate::publish::wording;
use crate::samples::recording::Recording;
use crate::samples::{SamplesError, SignalSet, csv};
use crate::store::message::MessageKind;
use crate::store::{LiftFilter, MessageFilter, Reader, StoreError};
use crate::web::wording::ENGLISH;

/// Writes what the store holds as CSV or Parquet.
#[derive(clap::Args, Debug)]
pub struct ExportArgs {
    /// The store's directory.
    #[arg(long, value_name = "DIR")]
    data: PathBuf,
    /// `lifts`, `days`, `spectrum`, `findings`, `ledger` or `samples`.
    #[arg(long)]
    what: String,
    /// Of this mechanism; needed for samples when there are several.
    #[arg(long, value_name = "ID")]
    mechanism: Option<String>,
    /// From then on: a day of the site, or RFC 3339.
    #[arg(long)]
    from: Option<String>,
    /// Before then: a day of the site, or RFC 3339.
    #[arg(long)]
    to: Option<String>,
    /// `csv` or `parquet`.
    #[arg(long, default_value = "csv")]
    format: String,
    /// The file to write; standard output without it.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// The stretch of the record that was asked for.
#[derive(Default)]
struct Stretch {
    from: Option<Timestamp>,
    to: Option<Timestamp>,
    /// The days of the site that lie in it, in part or wholly.
    days: Option<(i32, i32)>,
}

impl Stretch {
    /// Reads the site's time zone only where it is needed: a store without a copy of its configuration still has rows.
    fn of(args: &ExportArgs) -> Result<Self, Failure> {
        if args.from.is_none() && args.to.is_none() {
            return Ok(Stretch::default());
        }
        let zone = Ledger::open(&args.data)?.config.time_zone;
        let (from, to) = instants(args.from.as_deref(), args.to.as_deref(), &zone)?;
        let day = |at: Timestamp| {
            let stamp = jiff::Timestamp::from_millisecond(at.as_ms()).ok()?;
            Some(day_number(stamp.to_zoned_datetime(zone.clone()).date()))
        };
        let before = |at: Timestamp| Timestamp::from_ms(at.as_ms().saturating_sub(1));
        let first = from.and_then(day).unwrap_or(i32::MIN);
        let last = to.map(before).and_then(day).unwrap_or(i32::MAX);
        Ok(Stretch { from, to, days: Some((first, last)) })
    }

    fn has(&self, at: Timestamp) -> bool {
        self.from.is_none_or(|from| at >= from) && self.to.is_none_or(|to| at < to)
    }
}

/// Why an export ended early.
#[derive(Debug)]
pub enum Fault {
    /// The store cannot be read.
    Store(StoreError),
    /// The recording cannot be read.
    Samples(SamplesError),
    /// The file or pipe takes no more.
    Output(io::Error),
}

impl From<ParquetError> for Fault {
    fn from(error: ParquetError) -> Self {
        match error {
            // What the file or pipe says; the writer wraps it.
            ParquetError::External(cause) => match cause.downcast::<io::Error>() {
                Ok(error) => Fault::Output(*error),
                Err(cause) => Fault::Output(io::Error::other(cause)),
            },
            other => Fault::Output(io::Error::other(other)),
        }
    }
}

impl From<StoreError> for Fault {
    fn from(error: StoreError) -> Self {
        Fault::Store(error)
    }
}

impl From<SamplesError> for Fault {
    fn from(error: SamplesError) -> Self {
        Fault::Samples(error)
    }
}

impl From<io::Error> for Fault {
    fn from(error: io::Error) -> Self {
        Fault::Output(error)
    }
}

/// Runs the command.
pub fn run(args: ExportArgs) -> CommandResult {
    if !["csv", "parquet"].contains(&args.format.as_str()) {
        return Err(Failure::Usage(format!("export does not write `{}`; use --format csv or parquet", args.format)));
    }
    if !["lifts", "days", "spectrum", "findings", "ledger", "samples"].contains(&args.what.as_str()) {
        return Err(Failure::Usage(format!(
            "export has no `{}`; use --what lifts, days, spectrum, findings, ledger or samples",
            args.what
        )));
    }
    let reader = open_reader(&args.data)?;
    if let Some(out) = &args.out {
        spares_the_store(&args.data, out)?;
    }
    let stretch = Stretch::of(&args)?;
    let mut known = reader.mechanisms().map_err(Failure::run)?;
    // One that has not moved yet has no record, and is a mechanism of the store all the same.
    let kept = kept_configuration(&args.data);
    for (_, mechanism) in kept.iter().flat_map(|config| config.mechanisms()) {
        if !known.contains(&mechanism.id) {
            known.push(mechanism.id.clone());
        }
    }
    if let Some(id) = args.mechanism.as_ref().filter(|id| !known.contains(id)) {
        return Err(Failure::Usage(format!("the store has no mechanism `{id}`; it has {}", known.join(", "))));
    }
    let mut out: Out = BufWriter::new(match &args.out {
        Some(path) => Box::new(OutFile::at(path).map_err(Failure::usage)?),
        None => Box::new(io::stdout()),
    });
    if args.what == "samples" {
        let are_kept = kept.is_some_and(|config| config.store.recording.is_some());
        return samples(&args, &stretch, &known, are_kept, out);
    }
    let columns = match args.what.as_str() {
        "lifts" => LIFTS,
        "days" => DAYS,
        "spectrum" => SPECTRUM,
        "findings" => FINDINGS,
        _ => LEDGER,
    };
    // Not between rows that go to the same terminal.
    let progress = Progress::of("rows", args.out.is_some() || !io::stdout().is_terminal());
    let written = (|| {
        let mut rows: Box<dyn Rows + '_> = Box::new(Counted { rows: rows_of(&args, &mut out, columns)?, progress });
        match args.what.as_str() {
            "lifts" => lifts(&args, &stretch, &reader, rows.as_mut()),
            "days" => days(&args, &stretch, &reader, &known, rows.as_mut()),
            "spectrum" => spectrum(&args, &stretch, &reader, &known, rows.as_mut()),
            "findings" => findings(&args, &stretch, &reader, rows.as_mut()),
            _ => ledger(&args, &stretch, &reader, &known, rows.as_mut()),
        }?;
        rows.end()
    })();
    end(out, written)
}

/// Where the rows go.
type Out = BufWriter<Box<dyn Write + Send>>;

/// Writes what is still held back; where the export failed, that is dropped, so that what failed at once leaves the file as
/// it was.
fn end(mut out: Out, written: Result<(), Fault>) -> CommandResult {
    finish(match written {
        Ok(()) => out.flush().map_err(Fault::from),
        Err(fault) => {
            drop(out.into_parts());
            Err(fault)
        }
    })
}

/// Rows that say on a terminal how many they are.
struct Counted<'w> {
    rows: Box<dyn Rows + 'w>,
    progress: Progress,
}

impl Rows for Counted<'_> {
    fn row(&mut self, cells: &[Cell<'_>]) -> Result<(), Fault> {
        self.progress.add(1);
        self.rows.row(cells)
    }

    fn end(self: Box<Self>) -> Result<(), Fault> {
        self.rows.end()
    }
}

/// The rows of the form asked for.
fn rows_of<'w>(
    args: &ExportArgs,
    out: &'w mut (impl Write + Send),
    columns: &[Column],
) -> Result<Box<dyn Rows + 'w>, Fault> {
    Ok(if args.format == "parquet" { Box::new(Parquet::new(out, columns)?) } else { Box::new(Csv::new(out, columns)?) })
}

fn finish(written: Result<(), Fault>) -> CommandResult {
    match written {
        Ok(()) => Ok(Outcome::Done),
        // Whoever reads has seen enough.
        Err(Fault::Output(error)) if error.kind() == io::ErrorKind::BrokenPipe => Ok(Outcome::Done),
        Err(Fault::Output(error)) if error.get_ref().is_some_and(|cause| cause.is::<Unopened>()) => {
            Err(Failure::usage(error))
        }
        Err(Fault::Output(error)) => {
            Err(Failure::Run(format!("the export cannot be written: {error}; try another --out")))
        }
        Err(Fault::Store(error)) => Err(Failure::run(error)),
        Err(Fault::Samples(error)) => Err(Failure::run(error)),
    }
}

const LIFTS: &[Column] = &[
    ("mechanism", Kind::Text),
    ("begin", Kind::Instant),
    ("end", Kind::Instant),
    ("load_kg", Kind::Milli),
    ("peak_kg", Kind::Milli),
    ("running_seconds", Kind::Milli),
    ("starts", Kind::Count),
    ("band", Kind::Count),
    ("overload", Kind::Flag),
    ("cut", Kind::Flag),
    ("load_uncertainty_kg", Kind::Milli),
];

fn lifts(args: &ExportArgs, stretch: &Stretch, reader: &Reader, rows: &mut dyn Rows) -> Result<(), Fault> {
    let filter = LiftFilter {
        mechanism: args.mechanism.as_deref(),
        from: stretch.from,
        to: stretch.to,
        ..LiftFilter::default()
    };
    reader.each_lift(&filter, |id, lift| {
        rows.row(&[
            id.into(),
            Cell::Instant(lift.begin),
            Cell::Instant(lift.end),
            Cell::Number(lift.load.as_kg()),
            Cell::Number(lift.peak.as_kg()),
            Cell::Number(lift.running_ms as f64 / 1000.0),
            u64::from(lift.starts).into(),
            u64::from(lift.band).into(),
            Cell::Flag(lift.overload),
            Cell::Flag(lift.cut),
            lift.uncertainty.map_or(Cell::Nothing, |u| Cell::Number(u.as_kg())),
        ])
    })
}

/// The mechanisms asked for, each with its days.
fn each_day(
    args: &ExportArgs,
    stretch: &Stretch,
    reader: &Reader,
    known: &[String],
    mut take: impl FnMut(&str, i32, &Totals) -> Result<(), Fault>,
) -> Result<(), Fault> {
    let (first, last) = stretch.days.unwrap_or((i32::MIN, i32::MAX));
    for id in known.iter().filter(|id| args.mechanism.as_ref().is_none_or(|asked| asked == *id)) {
        for (day, totals) in reader.days(id, first, last)? {
            take(id, day, &totals)?;
        }
    }
    Ok(())
}

fn hours(ms: u64) -> Cell<'static> {
    Cell::Number(ms as f64 / MS_PER_HOUR as f64)
}

const DAYS: &[Column] = &[
    ("mechanism", Kind::Text),
    ("day", Kind::Day),
    ("observed_hours", Kind::Number),
    ("gap_hours", Kind::Number),
    ("running_hours", Kind::Number),
    ("load_unknown_hours", Kind::Number),
    ("starts", Kind::Count),
    ("lifts", Kind::Count),
    ("overload_lifts", Kind::Count),
    ("used_full_load_hours", Kind::Number),
];

fn days(
    args: &ExportArgs,
    stretch: &Stretch,
    reader: &Reader,
    known: &[String],
    rows: &mut dyn Rows,
) -> Result<(), Fault> {
    let mut used = std::collections::BTreeMap::new();
    for id in known {
        used.insert(id.clone(), reader.used(id)?);
    }
    each_day(args, stretch, reader, known, |id, day, t| {
        let at_end = used.get(id).and_then(|used| used.get(&day));
        rows.row(&[
            id.into(),
            Cell::Day(day),
            hours(t.observed_ms),
            hours(t.gap_ms),
            hours(t.running_ms),
            hours(t.load_unknown_ms),
            t.starts.into(),
            t.lifts.into(),
            t.overload_lifts.into(),
            at_end.map_or(Cell::Nothing, |used| Cell::Number(*used)),
        ])
    })
}

const SPECTRUM: &[Column] = &[
    ("mechanism", Kind::Text),
    ("day", Kind::Day),
    ("band_from", Kind::Number),
    ("band_to", Kind::Number),
    ("running_hours", Kind::Number),
    ("lifts", Kind::Count),
];

/// Running time and lifts of each day by load band.
fn spectrum(
    args: &ExportArgs,
    stretch: &Stretch,
    reader: &Reader,
    known: &[String],
    rows: &mut dyn Rows,
) -> Result<(), Fault> {
    each_day(args, stretch, reader, known, |id, day, t| {
        for (band, (ms, lifts)) in t.band_ms.iter().zip(t.band_lifts).enumerate() {
            let (from, to) = band_edges(band);
            let to = to.map_or(Cell::Nothing, Cell::Number);
            rows.row(&[id.into(), Cell::Day(day), Cell::Number(from), to, hours(*ms), lifts.into()])?;
        }
        Ok(())
    })
}

const FINDINGS: &[Column] = &[
    ("number", Kind::Count),
    ("time", Kind::Instant),
    ("kind", Kind::Text),
    ("crane", Kind::Text),
    ("mechanism", Kind::Text),
    ("what", Kind::Text),
    ("raised", Kind::Flag),
    ("text", Kind::Text),
    ("body", Kind::Text),
];

/// What people were told: warnings and findings, raised and cleared.
fn findings(args: &ExportArgs, stretch: &Stretch, reader: &Reader, rows: &mut dyn Rows) -> Result<(), Fault> {
    for kind in [MessageKind::Warning, MessageKind::Finding] {
        let filter = MessageFilter {
            kind: Some(kind),
            mechanism: args.mechanism.as_deref(),
            from: stretch.from,
            to: stretch.to,
            ..MessageFilter::default()
        };
        for (seq, m) in reader.messages(&filter)? {
            let text = |name: &str| m.body[name].as_str().unwrap_or_default();
            let what = if kind == MessageKind::Finding { text("finding") } else { text("quantity") };
            let body = m.body.to_string();
            // A finding has its words in its body; those of a warning follow from its figures.
            let said = match m.body["text"].as_str() {
                Some(own) => own.to_owned(),
                None => wording::what(&ENGLISH, &m),
            };
            rows.row(&[
                seq.into(),
                Cell::Instant(m.at),
                kind.name().into(),
                m.crane.as_str().into(),
                m.mechanism.as_str().into(),
                what.into(),
                m.body["raised"].as_bool().map_or(Cell::Nothing, Cell::Flag),
                said.as_str().into(),
                body.as_str().into(),
            ])?;
        }
    }
    Ok(())
}

const LEDGER: &[Column] = &[
    ("mechanism", Kind::Text),
    ("entry", Kind::Count),
    ("kind", Kind::Text),
    ("day", Kind::Day),
    ("at_ms", Kind::Count),
    ("previous", Kind::Text),
    ("hash", Kind::Text),
    ("body", Kind::Text),
];

/// The chain: every entry with its hash, so that it can be walked without this program.
fn ledger(
    args: &ExportArgs,
    stretch: &Stretch,
    reader: &Reader,
    known: &[String],
    rows: &mut dyn Rows,
) -> Result<(), Fault> {
    for id in known.iter().filter(|id| args.mechanism.as_ref().is_none_or(|asked| asked == *id)) {
        for e in reader.entries(id)? {
            if !stretch.has(e.at) {
                continue;
            }
            rows.row(&[
                id.as_str().into(),
                e.seq.into(),
                e.kind.name().into(),
                e.day.map_or(Cell::Nothing, Cell::Day),
                Cell::Count(e.at.as_ms()),
                e.previous.as_str().into(),
                e.hash.as_str().into(),
                e.body.as_str().into(),
            ])?;
        }
    }
    Ok(())
}

/// The raw recording of one mechanism in the samples format. Read twice: the header must know the directions.
fn samples(args: &ExportArgs, stretch: &Stretch, known: &[String], are_kept: bool, mut out: Out) -> CommandResult {
    let id = match (&args.mechanism, known) {
        (Some(id), _) | (None, [id]) => id,
        _ => return Err(Failure::Usage(format!("say which with --mechanism: {}", known.join(", ")))),
    };
    let open = || match Recording::of_mechanism(&args.data, id) {
        // Nothing has been read yet.
        Err(SamplesError::Nothing { .. }) if are_kept => Ok(None),
        recording => recording.map(Some),
    };
    let first = open().map_err(|error| match error {
        SamplesError::Nothing { .. } => Failure::Usage(format!(
            "the store {} keeps no raw samples of `{id}`; with `samples = {{ days = 14, megabytes = 500 }}` under [store] \
             in the configuration the daemon keeps them from then on",
            args.data.display()
        )),
        _ => Failure::usage(error),
    })?;
    let mut read = SignalSet::default();
    for sample in first.into_iter().flatten() {
        let sample = sample.map_err(Failure::run)?;
        if stretch.has(sample.at) {
            read.add_read(&sample);
        }
    }
    let columns = SignalSet::columns_for(read);
    let wanted = |sample: &Result<Sample, SamplesError>| sample.as_ref().map_or(true, |sample| stretch.has(sample.at));
    let written = (|| -> Result<(), Fault> {
        let again = open()?.into_iter().flatten().filter(wanted);
        if args.format == "parquet" {
            let all: Vec<Column> = sample_columns(columns).collect();
            let mut rows = rows_of(args, &mut out, &all)?;
            for sample in again {
                rows.row(&sample_cells(&sample?, columns))?;
            }
            return rows.end();
        }
        csv::write_header(&mut out, columns)?;
        let mut before = i64::MIN;
        for sample in again {
            let sample = sample?;
            if sample.at.as_ms() < before {
                eprintln!(
                    "the clock went back at {}; export the parts before and after it to replay them",
                    rfc3339(sample.at)
                );
            }
            before = sample.at.as_ms();
            csv::write_sample(&mut out, &sample, columns)?;
        }
        Ok(())
    })();
    end(out, written)
}

/// The columns of samples: the time, the quantities in their outside units, the two-state signals.
fn sample_columns(columns: SignalSet) -> impl Iterator<Item = Column> {
    let quantities = Quantity::ALL.into_iter().filter(move |q| columns.has(*q)).map(|q| (q.name(), Kind::Number));
    let flags = Flag::ALL.into_iter().filter(move |f| columns.has_flag(*f)).map(|f| (f.name(), Kind::Flag));
    std::iter::once(("time", Kind::Instant)).chain(quantities).chain(flags)
}

fn sample_cells(sample: &Sample, columns: SignalSet) -> Vec<Cell<'static>> {
    let quantities = Quantity::ALL.into_iter().filter(|q| columns.has(*q));
    let quantities = quantities.map(|q| sample.get(q).map_or(Cell::Nothing, |value| Cell::Number(q.to_outside(value))));
    let flags = Flag::ALL.into_iter().filter(|f| columns.has_flag(*f));
    let flags = flags.map(|f| sample.flag(f).map_or(Cell::Nothing, Cell::Flag));
    std::iter::once(Cell::Instant(sample.at)).chain(quantities).chain(flags).collect()
}
