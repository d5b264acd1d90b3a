//! `service`: records maintenance that was done, and what it resets.

use std::path::{Path, PathBuf};

use serde::Serialize;
use tallyhook_analysis::service::ServiceKind;
use tallyhook_analysis::units::{Span, Timestamp};

use super::ledger::Ledger;
use crate::clock::Clock;
use crate::daemon::book::{Book, SiteCalendar};
use crate::exit::{CommandResult, Failure, Outcome};
use crate::figures::rfc3339;
use crate::store::service::{Service, StoredService, Work, append};
use crate::store::{Store, StoreError};

/// How long the daemon is given to take an entry; it looks every second of its own time.
const PATIENCE: Span = Span::from_ms(15_000);

/// How long to wait between two looks.
const LOOK_AGAIN: Span = Span::from_ms(100);

/// Records maintenance that was done, and what it resets; or lists what is on record.
///
/// An overhaul, a replacement or a new period ends the working period: its ledger is closed and kept, and S begins at
/// zero. The decision is a competent person's; this only records it. It holds from the moment it is recorded; if it was
/// done on another day, say so with --note.
#[derive(clap::Args, Debug)]
pub struct ServiceArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(clap::Subcommand, Debug)]
enum What {
    /// A general overhaul: the working period ends, a new one begins.
    Overhaul(PeriodArgs),
    /// The mechanism was replaced by another: the working period ends, a new one begins.
    Replacement(PeriodArgs),
    /// A new working period was laid down for another reason, a special assessment say.
    NewPeriod(PeriodArgs),
    /// A wearing part was renewed, or an inspection done: its tallies begin anew.
    Part {
        /// Its name in the configuration.
        name: String,
        #[command(flatten)]
        entry: EntryArgs,
    },
    /// Other work; nothing is reset.
    Note(EntryArgs),
    /// The services on record.
    List {
        #[command(flatten)]
        store: StoreArgs,
        /// Print one JSON document.
        #[arg(long)]
        json: bool,
    },
}

#[derive(clap::Args, Debug)]
struct StoreArgs {
    /// Directory of the store.
    #[arg(long, value_name = "DIR", default_value = "data")]
    data: PathBuf,
    /// Which mechanism; needed when the store has several.
    #[arg(long, value_name = "ID")]
    mechanism: Option<String>,
}

#[derive(clap::Args, Debug)]
struct EntryArgs {
    #[command(flatten)]
    store: StoreArgs,
    /// Who says so.
    #[arg(long, value_name = "NAME")]
    by: String,
    /// A word on it, for example the day it was done and the report's number.
    #[arg(long, value_name = "TEXT", default_value = "")]
    note: String,
}

#[derive(clap::Args, Debug)]
struct PeriodArgs {
    #[command(flatten)]
    entry: EntryArgs,
    /// D of the new working period, full-load hours; the present one when not given.
    #[arg(long, value_name = "HOURS", value_parser = positive)]
    design_full_load_hours: Option<f64>,
}

fn positive(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(hours) if hours > 0.0 && hours <= 1e6 => Ok(hours),
        _ => Err("give full-load hours above 0 and up to 1000000".to_owned()),
    }
}

/// Runs the command.
pub fn run(args: ServiceArgs) -> CommandResult {
    let period = |args: PeriodArgs, by| {
        record(args.entry, Work::Period { by, design_full_load_hours: args.design_full_load_hours })
    };
    match args.what {
        What::Overhaul(args) => period(args, ServiceKind::Overhaul),
        What::Replacement(args) => period(args, ServiceKind::Replacement),
        What::NewPeriod(args) => period(args, ServiceKind::NewPeriod),
        What::Part { name, entry } => record(entry, Work::Part { name }),
        What::Note(entry) => record(entry, Work::Note),
        What::List { store, json } => list(&store, json),
    }
}

fn record(args: EntryArgs, work: Work) -> CommandResult {
    let ledger = Ledger::open(&args.store.data)?;
    let id = super::one_mechanism(&ledger.config, args.store.mechanism.as_deref())?;
    if args.by.trim().is_empty() {
        return Err(Failure::Usage("--by is empty; say who records it".to_owned()));
    }
    if let Work::Part { name } = &work {
        let known: Vec<&str> = ledger
            .config
            .mechanisms()
            .filter(|(_, m)| m.id == id)
            .flat_map(|(_, m)| m.parts.iter().map(|(name, _)| name.as_str()))
            .collect();
        if !known.contains(&name.as_str()) {
            let there = if known.is_empty() {
                "the configuration has no [[crane.mechanism.part]]".to_owned()
            } else {
                format!("there are: {}", known.join(", "))
            };
            return Err(Failure::Usage(format!("{id} has no part `{name}`; {there}")));
        }
    }
    let at = Clock::system().now().wall;
    let service = Service { mechanism: id, at, work, by: args.by, note: args.note };
    let seq = append(&args.store.data, &service).map_err(Failure::run)?;
    let taken = take(&ledger, &args.store.data, seq)?;
    println!("Recorded as service {seq} of {}, in the books since {}.", service.mechanism, rfc3339(taken));
    println!("It is a record, no release for use: a competent person decides on that.");
    Ok(Outcome::Done)
}

/// Takes the entry into the books, or waits until the daemon has.
fn take(ledger: &Ledger, directory: &Path, seq: u64) -> Result<Timestamp, Failure> {
    match Store::open(directory) {
        Ok(mut store) => return take_here(ledger, &mut store, seq),
        Err(StoreError::Busy { .. }) => {}
        Err(error) => return Err(Failure::run(error)),
    }
    super::runtime()?.block_on(wait_until_taken(ledger, seq))
}

async fn wait_until_taken(ledger: &Ledger, seq: u64) -> Result<Timestamp, Failure> {
    let clock = Clock::system();
    let patience = clock.now().mono.plus(PATIENCE);
    loop {
        let services = ledger.reader.services(None).map_err(Failure::run)?;
        if let Some(at) = services.iter().find(|s| s.seq == seq).and_then(|s| s.taken) {
            return Ok(at);
        }
        let now = clock.now().mono;
        if now > patience {
            return Err(Failure::Run(format!(
                "service {seq} is on record, but the daemon has not taken it within {} s; it will when it gets to it: \
                 look with `tallyhook service list`",
                PATIENCE.as_seconds()
            )));
        }
        clock.sleep_until(now.plus(LOOK_AGAIN)).await;
    }
}

fn take_here(ledger: &Ledger, store: &mut Store, seq: u64) -> Result<Timestamp, Failure> {
    let calendar = SiteCalendar(ledger.config.time_zone.clone());
    let now = Clock::system().now().wall;
    let open = store.open_services().map_err(Failure::run)?;
    let mut commits = Vec::new();
    for (crane, mechanism) in ledger.config.mechanisms() {
        let mine: Vec<&StoredService> = open.iter().filter(|s| s.service.mechanism == mechanism.id).collect();
        if mine.is_empty() {
            continue;
        }
        let left = store.resume(&mechanism.id).map_err(Failure::run)?;
        let mut book = Book::open(crane, mechanism, calendar.clone(), left);
        mine.into_iter().for_each(|service| book.take_service(service, now));
        commits.extend(book.commit());
    }
    let at = commits.iter().map(|c| c.at).max().unwrap_or(now);
    store.commit(&commits).map_err(Failure::run)?;
    let taken = store.open_services().map_err(Failure::run)?.iter().all(|s| s.seq != seq);
    if taken { Ok(at) } else { Err(Failure::Run(format!("service {seq} could not be taken into the books"))) }
}

/// A service as `list --json` gives it.
#[derive(Serialize)]
struct Listed<'a> {
    number: u64,
    #[serde(flatten)]
    service: &'a Service,
    recorded: String,
    taken: Option<String>,
}

fn list(args: &StoreArgs, json: bool) -> CommandResult {
    let ledger = Ledger::open(&args.data)?;
    let services = ledger.reader.services(args.mechanism.as_deref()).map_err(Failure::run)?;
    if json {
        let listed: Vec<Listed<'_>> = services
            .iter()
            .map(|s| Listed {
                number: s.seq,
                service: &s.service,
                recorded: rfc3339(s.service.at),
                taken: s.taken.map(rfc3339),
            })
            .collect();
        println!("{}", serde_json::to_string_pretty(&listed).map_err(Failure::run)?);
        return Ok(Outcome::Done);
    }
    if services.is_empty() {
        println!("No service is on record.");
    }
    for s in &services {
        let what = match &s.service.work {
            Work::Period { by: ServiceKind::Overhaul, .. } => "general overhaul".to_owned(),
            Work::Period { by: ServiceKind::Replacement, .. } => "replacement".to_owned(),
            Work::Period { by: ServiceKind::NewPeriod, .. } => "new working period".to_owned(),
            Work::Part { name } => format!("part {name}"),
            Work::Note => "note".to_owned(),
        };
        let open = if s.taken.is_none() { " (not in the books yet)" } else { "" };
        println!("{:>4}  {}  {}  {what}, {}{open}", s.seq, rfc3339(s.service.at), s.service.mechanism, s.service.by);
        if !s.service.note.is_empty() {
            println!("      {}", s.service.note);
        }
    }
    Ok(Outcome::Done)
}
