//! `replay`: the daemon's own analysis over recorded samples; nothing is written.

use std::path::PathBuf;

use tallyhook_analysis::batch::Batch;
use tallyhook_analysis::counter::Counter;
use tallyhook_analysis::units::{Grams, Timestamp};
use tallyhook_config::believed;
use tallyhook_config::model::{Crane, Kind, Mechanism};

use super::progress::Progress;
use super::site_file::SiteFile;
use crate::daemon::book::{Book, SiteCalendar};
use crate::exit::{CommandResult, Failure, Outcome};
use crate::figures;
use crate::samples::{self, SampleSource};

/// Runs the daemon's own analysis over recorded samples.
#[derive(clap::Args, Debug)]
pub struct ReplayArgs {
    /// The configuration that says what the samples belong to.
    #[arg(long, value_name = "FILE")]
    config: PathBuf,
    /// A samples file (CSV), or the recorder's own files.
    #[arg(long, value_name = "FILE")]
    samples: PathBuf,
    /// Which mechanism the samples are of; needed when the configuration has several.
    #[arg(long, value_name = "ID")]
    mechanism: Option<String>,
    /// Print one JSON document.
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: ReplayArgs) -> CommandResult {
    let mut file = SiteFile::read(&args.config)?;
    let id = super::one_mechanism(&file.config, args.mechanism.as_deref())?;
    let source = samples::open(&args.samples).map_err(Failure::usage)?;

    // The file says which signals there are; a direction that it has no column for is no direction that was not read.
    for mechanism in file.config.cranes.iter_mut().flat_map(|c| &mut c.mechanisms).filter(|m| m.id == id) {
        source.signals().fit(&mut mechanism.spec);
        if !source.signals().fit_load(&mut mechanism.load) {
            eprintln!(
                "tallyhook: the load of {id} is not known: {} does not say how its `torque_pct` tells it; add its points \
                 to [crane.mechanism.load]",
                args.config.display()
            );
        }
        // A travel or a traverse seldom has one.
        if mechanism.kind == Kind::Hoist && source.signals().lacks_load() {
            eprintln!(
                "tallyhook: {} has neither `load_kg` nor `torque_pct`, so no load is read: no lift is told, and the \
                 running time counts at the assumed spectrum factor; add a column `load_kg`",
                args.samples.display()
            );
        }
    }
    let calendar = SiteCalendar(file.config.time_zone.clone());
    let (crane, mechanism) = find(&file.config, &id)?;
    let mut book = Book::open_with(crane, mechanism, calendar, None, |terms| {
        // A recording may have counters that the file does not read: their steps are taken to be fine, and to never end.
        terms.hour_counter.get_or_insert(Counter::hours(0, 36_000));
        terms.start_counter.get_or_insert(Counter::starts(0));
    });
    let played = play(source, &mut book, mechanism.spec.rated)?;
    if let Some(first) = played.first_disbelieved {
        eprintln!(
            "tallyhook: readings that are not believed, and taken as not read: {}, the first at {} (a load beyond ten times \
             the rated {} kg, a torque or speed beyond 1000 %); if they are real, put the column's unit or `rated_load_kg` right",
            played.disbelieved,
            figures::rfc3339(first),
            mechanism.spec.rated.as_kg(),
        );
    }
    if played.samples == 0 {
        eprintln!(
            "tallyhook: {} holds no sample, so every figure is 0; it needs a row for each sample behind its header",
            args.samples.display()
        );
    }

    // Only the replayed mechanism has figures; the others of the file have no samples here.
    for crane in &mut file.config.cranes {
        crane.mechanisms.retain(|m| m.id == id);
    }
    file.config.cranes.retain(|c| !c.mechanisms.is_empty());
    let figures = figures::of_site(&file.config, |_| book.record());
    super::status::print(&figures, args.json)?;
    Ok(Outcome::Done)
}

/// What was played.
#[derive(Default)]
struct Played {
    samples: u64,
    /// Readings that are too large.
    disbelieved: u64,
    first_disbelieved: Option<Timestamp>,
}

fn play(mut source: SampleSource, book: &mut Book, rated: Grams) -> Result<Played, Failure> {
    let progress = Progress::of("samples", true);
    let mut block = Batch::default();
    let mut played = Played::default();
    loop {
        block.clear();
        let more = source.next_block(&mut block).map_err(Failure::usage)?;
        let (disbelieved, first) = block.disbelieve(|quantity| believed(quantity, rated));
        played.disbelieved += disbelieved;
        played.first_disbelieved = played.first_disbelieved.or(first);
        book.replay(&block);
        played.samples += block.len() as u64;
        progress.add(block.len() as u64);
        if !more {
            return Ok(played);
        }
    }
}

fn find<'a>(config: &'a tallyhook_config::model::Config, id: &str) -> Result<(&'a Crane, &'a Mechanism), Failure> {
    config
        .mechanisms()
        .find(|(_, m)| m.id == id)
        .ok_or_else(|| Failure::Usage(format!("the configuration has no mechanism `{id}`")))
}
