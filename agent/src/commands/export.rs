//! `export`: what the store holds, in open form.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::PathBuf;

use tallyhook_analysis::spectrum::band_edges;
use tallyhook_analysis::units::Timestamp;

use crate::exit::{CommandResult, Failure, Outcome};
use crate::figures::date_of;
use crate::samples::recording::Recording;
use crate::samples::{SignalSet, csv};
use crate::store::message::MessageKind;
use crate::store::{LiftFilter, MessageFilter, Reader, StoreError};

/// Writes what the store holds as CSV.
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
    /// From this instant on: RFC 3339, or a date (its midnight in UTC).
    #[arg(long, value_parser = instant)]
    from: Option<i64>,
    /// Before this instant: RFC 3339, or a date (its midnight in UTC).
    #[arg(long, value_parser = instant)]
    to: Option<i64>,
    /// `csv`.
    #[arg(long, default_value = "csv")]
    format: String,
    /// The file to write; standard output without it.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

fn instant(text: &str) -> Result<i64, String> {
    let day = || jiff::tz::TimeZone::UTC.to_timestamp(text.parse::<jiff::civil::Date>().ok()?.at(0, 0, 0, 0)).ok();
    match text.parse::<jiff::Timestamp>().ok().or_else(day) {
        Some(instant) => Ok(instant.as_millisecond()),
        None => Err("write it like 2031-05-04T06:00:00Z or 2031-05-04".into()),
    }
}

/// Why an export ended early.
enum Fault {
    Store(StoreError),
    Output(io::Error),
}

impl From<StoreError> for Fault {
    fn from(error: StoreError) -> Self {
        Fault::Store(error)
    }
}

impl From<io::Error> for Fault {
    fn from(error: io::Error) -> Self {
        Fault::Output(error)
    }
}

/// Runs the command.
pub fn run(args: ExportArgs) -> CommandResult {
    if args.format != "csv" {
        return Err(Failure::Usage(format!("export does not write `{}` yet; use --format csv", args.format)));
    }
    if !["lifts", "days", "spectrum", "findings", "ledger", "samples"].contains(&args.what.as_str()) {
        return Err(Failure::Usage(format!(
            "export has no `{}`; use --what lifts, days, spectrum, findings, ledger or samples",
            args.what
        )));
    }
    let reader = Reader::open(&args.data).map_err(Failure::usage)?;
    let known = reader.mechanisms().map_err(Failure::run)?;
    if let Some(id) = args.mechanism.as_ref().filter(|id| !known.contains(id)) {
        return Err(Failure::Usage(format!("the store has no mechanism `{id}`; it has {}", known.join(", "))));
    }
    let mut out: BufWriter<Box<dyn Write>> = BufWriter::new(match &args.out {
        Some(path) => Box::new(File::create(path).map_err(|error| {
            Failure::Usage(format!("cannot write {}: {error}; give another file to --out", path.display()))
        })?),
        None => Box::new(io::stdout()),
    });
    let written = match args.what.as_str() {
        "lifts" => lifts(&args, &reader, &mut out),
        "days" => days(&args, &reader, &known, &mut out),
        "spectrum" => spectrum(&args, &reader, &known, &mut out),
        "findings" => findings(&args, &reader, &mut out),
        "ledger" => ledger(&args, &reader, &known, &mut out),
        _ => return samples(&args, &known, &mut out),
    };
    finish(written.and_then(|()| Ok(out.flush()?)))
}

fn finish(written: Result<(), Fault>) -> CommandResult {
    match written {
        Ok(()) => Ok(Outcome::Done),
        // Whoever reads has seen enough.
        Err(Fault::Output(error)) if error.kind() == io::ErrorKind::BrokenPipe => Ok(Outcome::Done),
        Err(Fault::Output(error)) => {
            Err(Failure::Run(format!("the export cannot be written: {error}; try another --out")))
        }
        Err(Fault::Store(error)) => Err(Failure::run(error)),
    }
}

fn date(at: Timestamp) -> String {
    jiff::Timestamp::from_millisecond(at.as_ms()).map_or_else(|_| String::new(), |at| format!("{at:.3}"))
}

fn lifts(args: &ExportArgs, reader: &Reader, out: &mut impl Write) -> Result<(), Fault> {
    writeln!(out, "mechanism,begin,end,load_kg,peak_kg,running_seconds,starts,band,overload,cut")?;
    let filter = LiftFilter {
        mechanism: args.mechanism.as_deref(),
        from: args.from.map(Timestamp::from_ms),
        to: args.to.map(Timestamp::from_ms),
        ..LiftFilter::default()
    };
    reader.each_lift(&filter, |id, lift| {
        let (begin, end, load, peak) = (date(lift.begin), date(lift.end), lift.load.as_kg(), lift.peak.as_kg());
        let (seconds, overload, cut) = (lift.running_ms as f64 / 1000.0, u8::from(lift.overload), u8::from(lift.cut));
        writeln!(
            out,
            "{id},{begin},{end},{load:.3},{peak:.3},{seconds:.3},{},{},{overload},{cut}",
            lift.starts, lift.band
        )?;
        Ok(())
    })
}

fn days(args: &ExportArgs, reader: &Reader, known: &[String], out: &mut impl Write) -> Result<(), Fault> {
    writeln!(
        out,
        "mechanism,day,observed_hours,gap_hours,running_hours,load_unknown_hours,starts,lifts,overload_lifts"
    )?;
    let day = |ms: i64| i32::try_from(ms.div_euclid(86_400_000)).unwrap_or(i32::MAX);
    let first = args.from.map_or(i32::MIN, day);
    let last = args.to.map_or(i32::MAX, |ms| day(ms.saturating_sub(1)));
    let hours = |ms: u64| ms as f64 / 3_600_000.0;
    for id in known.iter().filter(|id| args.mechanism.as_ref().is_none_or(|asked| asked == *id)) {
        for (number, t) in reader.days(id, first, last)? {
            let begin = Timestamp::from_ms(i64::from(number) * 86_400_000);
            let label: String = date(begin).chars().take_while(|c| *c != 'T').collect();
            let (seen, gap, ran) = (hours(t.observed_ms), hours(t.gap_ms), hours(t.running_ms));
            let unknown = hours(t.load_unknown_ms);
            writeln!(out, "{id},{label},{seen},{gap},{ran},{unknown},{},{},{}", t.starts, t.lifts, t.overload_lifts)?;
        }
    }
    Ok(())
}

/// Running time and lifts of each day by load band.
fn spectrum(args: &ExportArgs, reader: &Reader, known: &[String], out: &mut impl Write) -> Result<(), Fault> {
    writeln!(out, "mechanism,day,band_from,band_to,running_hours,lifts")?;
    let day = |ms: i64| i32::try_from(ms.div_euclid(86_400_000)).unwrap_or(i32::MAX);
    let (first, last) = (args.from.map_or(i32::MIN, day), args.to.map_or(i32::MAX, |ms| day(ms.saturating_sub(1))));
    for id in known.iter().filter(|id| args.mechanism.as_ref().is_none_or(|asked| asked == *id)) {
        for (number, t) in reader.days(id, first, last)? {
            let label = date_of(number);
            for (band, (ms, lifts)) in t.band_ms.iter().zip(t.band_lifts).enumerate() {
                let (from, to) = band_edges(band);
                let to = to.map_or(String::new(), |to| to.to_string());
                writeln!(out, "{id},{label},{from},{to},{},{lifts}", *ms as f64 / 3_600_000.0)?;
            }
        }
    }
    Ok(())
}

/// What people were told: warnings and findings, raised and cleared.
fn findings(args: &ExportArgs, reader: &Reader, out: &mut impl Write) -> Result<(), Fault> {
    writeln!(out, "number,time,kind,crane,mechanism,what,raised,text,body")?;
    for kind in [MessageKind::Warning, MessageKind::Finding] {
        let filter = MessageFilter {
            kind: Some(kind),
            mechanism: args.mechanism.as_deref(),
            from: args.from.map(Timestamp::from_ms),
            to: args.to.map(Timestamp::from_ms),
            ..MessageFilter::default()
        };
        for (seq, m) in reader.messages(&filter)? {
            let text = |name: &str| m.body[name].as_str().unwrap_or_default();
            let what = if kind == MessageKind::Finding { text("finding") } else { text("quantity") };
            let raised = m.body["raised"].as_bool().map_or(String::new(), |raised| u8::from(raised).to_string());
            let (at, name) = (date(m.at), kind.name());
            let (crane, mechanism, said, body) =
                (quoted(&m.crane), quoted(&m.mechanism), quoted(text("text")), quoted(&m.body.to_string()));
            writeln!(out, "{seq},{at},{name},{crane},{mechanism},{what},{raised},{said},{body}")?;
        }
    }
    Ok(())
}

/// The chain: every entry with its hash, so that it can be walked without this program.
fn ledger(args: &ExportArgs, reader: &Reader, known: &[String], out: &mut impl Write) -> Result<(), Fault> {
    writeln!(out, "mechanism,entry,kind,day,at_ms,previous,hash,body")?;
    for id in known.iter().filter(|id| args.mechanism.as_ref().is_none_or(|asked| asked == *id)) {
        for e in reader.entries(id)? {
            let ms = e.at.as_ms();
            if args.from.is_some_and(|from| ms < from) || args.to.is_some_and(|to| ms >= to) {
                continue;
            }
            let day = e.day.map_or(String::new(), date_of);
            let body = quoted(&e.body);
            writeln!(out, "{id},{},{},{day},{ms},{},{},{body}", e.seq, e.kind.name(), e.previous, e.hash)?;
        }
    }
    Ok(())
}

/// A field of CSV (RFC 4180) that may hold anything.
fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('"', "\"\""))
}

/// The raw recording of one mechanism in the samples format. Read twice: the header must know the directions.
fn samples(args: &ExportArgs, known: &[String], out: &mut impl Write) -> CommandResult {
    let id = match (&args.mechanism, known) {
        (Some(id), _) | (None, [id]) => id,
        _ => return Err(Failure::Usage(format!("say which with --mechanism: {}", known.join(", ")))),
    };
    let wanted = |at: i64| args.from.is_none_or(|from| at >= from) && args.to.is_none_or(|to| at < to);
    let open = || Recording::of_mechanism(&args.data, id).map_err(Failure::usage);
    let mut read = SignalSet::default();
    for sample in open()? {
        let sample = sample.map_err(Failure::run)?;
        if wanted(sample.at.as_ms()) {
            read.add_read(&sample);
        }
    }
    let columns = SignalSet::columns_for(read);
    let mut written = csv::write_header(out, columns);
    let mut before = i64::MIN;
    for sample in open()? {
        let sample = sample.map_err(Failure::run)?;
        if !wanted(sample.at.as_ms()) || written.is_err() {
            continue;
        }
        if sample.at.as_ms() < before {
            eprintln!(
                "the clock went back at {}; export the parts before and after it to replay them",
                date(sample.at)
            );
        }
        before = sample.at.as_ms();
        written = csv::write_sample(out, &sample, columns);
    }
    finish(written.and_then(|()| out.flush()).map_err(Fault::from))
}
