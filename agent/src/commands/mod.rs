//! The commands, a file each. This one holds the list and hands over.

pub(crate) mod alarms;
mod backup;
mod calibrate;
mod check;
mod check_live;
mod classify;
mod cycles;
mod demo;
mod export;
mod init;
pub(crate) mod ledger;
mod lifts;
mod line;
mod manual;
mod notify;
mod probe;
mod progress;
mod replay;
mod report;
mod restore;
mod run;
mod service;
mod simulate;
mod site_file;
mod status;
mod trend;
mod user;
mod verify;
pub(crate) mod whatif;

use clap::{Parser, Subcommand};
use tracing_subscriber::filter::{LevelFilter, Targets};
use tracing_subscriber::layer::SubscriberExt as _;
use tracing_subscriber::util::SubscriberInitExt as _;

use crate::exit::{CommandResult, Failure};

/// Keeps a crane's real load spectrum and running hours against the duty group it was bought for.
///
/// Reads the drive only. No safety device: it replaces neither the load limiter nor an inspection by a competent
/// person; local codes decide.
#[derive(Parser, Debug)]
#[command(name = "tallyhook", version)]
pub struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand, Debug)]
enum Command {
    Demo(demo::DemoArgs),
    Run(run::RunArgs),
    Init(init::InitArgs),
    Check(check::CheckArgs),
    Probe(probe::ProbeArgs),
    Calibrate(calibrate::CalibrateArgs),
    Status(status::StatusArgs),
    Lifts(lifts::LiftsArgs),
    Trend(trend::TrendArgs),
    Alarms(alarms::AlarmsArgs),
    Report(report::ReportArgs),
    Replay(replay::ReplayArgs),
    Notify(notify::NotifyArgs),
    Export(export::ExportArgs),
    Classify(Box<classify::ClassifyArgs>),
    Cycles(cycles::CyclesArgs),
    Whatif(whatif::WhatifArgs),
    Service(service::ServiceArgs),
    Simulate(simulate::SimulateArgs),
    User(user::UserArgs),
    Verify(verify::VerifyArgs),
    Backup(backup::BackupArgs),
    Restore(restore::RestoreArgs),
    Completions(manual::CompletionsArgs),
    Man(manual::ManArgs),
}

impl Arguments {
    /// Runs the command.
    pub fn run(self) -> CommandResult {
        if !matches!(self.command, Command::Demo(_) | Command::Run(_) | Command::Simulate(_)) {
            crate::exit::end_with_the_reader();
        }
        match self.command {
            Command::Demo(args) => demo::run(args),
            Command::Run(args) => run::run(args),
            Command::Init(args) => init::run(args),
            Command::Check(args) => check::run(args),
            Command::Probe(args) => probe::run(args),
            Command::Calibrate(args) => calibrate::run(args),
            Command::Status(args) => status::run(args),
            Command::Lifts(args) => lifts::run(args),
            Command::Trend(args) => trend::run(args),
            Command::Alarms(args) => alarms::run(args),
            Command::Report(args) => report::run(args),
            Command::Replay(args) => replay::run(args),
            Command::Notify(args) => notify::run(args),
            Command::Export(args) => export::run(args),
            Command::Classify(args) => classify::run(&args),
            Command::Cycles(args) => cycles::run(args),
            Command::Whatif(args) => whatif::run(args),
            Command::Service(args) => service::run(args),
            Command::Simulate(args) => simulate::run(args),
            Command::User(args) => user::run(args),
            Command::Verify(args) => verify::run(args),
            Command::Backup(args) => backup::run(args),
            Command::Restore(args) => restore::run(args),
            Command::Completions(args) => manual::completions(&args),
            Command::Man(args) => manual::man(&args),
        }
    }
}

/// The runtime of the commands that wait for something.
fn runtime() -> Result<tokio::runtime::Runtime, Failure> {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(|error| Failure::Run(format!("cannot start the runtime: {error}")))
}

/// The runtime of the daemon: one thread, for what a poll has to do fits between two ticks, and a second one would only
/// be woken by the first. What takes long has threads of its own: the store's writer, the page, what waits for a disk.
///
/// What is run is a task of it like the pollers: what a runtime runs in the place of its caller is looked after only when
/// the sockets have been asked, which would be once more for every poll.
fn on_one_thread<F>(daemon: F) -> CommandResult
where
    F: Future<Output = CommandResult> + Send + 'static,
{
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| Failure::Run(format!("cannot start the runtime: {error}")))?;
    match runtime.block_on(runtime.spawn(daemon)) {
        Ok(result) => result,
        Err(broken) => Err(Failure::Run(format!("the daemon broke off: {broken}"))),
    }
}

/// Sends the log to standard error, `info` and above unless `TALLYHOOK_LOG` says otherwise.
fn log_to_stderr() {
    // By level and target only: what can ask more of a record than that brings a regex engine, a megabyte of program.
    let asked = std::env::var("TALLYHOOK_LOG").ok().and_then(|asked| asked.parse::<Targets>().ok());
    let coloured = std::io::IsTerminal::is_terminal(&std::io::stderr());
    let lines = tracing_subscriber::fmt::layer().with_writer(std::io::stderr).with_ansi(coloured);
    let filter = asked.unwrap_or(Targets::new().with_default(LevelFilter::INFO));
    let log = tracing_subscriber::registry().with(lines).with(filter);
    // A second call, from a test, is no error worth a word.
    let _ = log.try_init();
}

/// The mechanism that a question is about: the one asked for, or the only one there is.
fn one_mechanism(config: &tallyhook_config::model::Config, asked: Option<&str>) -> Result<String, Failure> {
    let ids: Vec<&str> = config.mechanisms().map(|(_, m)| m.id.as_str()).collect();
    match (asked, ids.as_slice()) {
        (Some(id), _) if ids.contains(&id) => Ok(id.to_owned()),
        (Some(id), _) => Err(Failure::Usage(format!("there is no mechanism `{id}`; there are: {}", ids.join(", ")))),
        (None, [only]) => Ok((*only).to_owned()),
        (None, _) => Err(Failure::Usage(format!("say which mechanism with --mechanism: {}", ids.join(", ")))),
    }
}
