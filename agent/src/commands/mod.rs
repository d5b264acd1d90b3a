//! The commands, a file each. This one holds the list and hands over.

mod classify;
mod cycles;

use clap::{Parser, Subcommand};

use crate::exit::CommandResult;

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
    Classify(classify::ClassifyArgs),
    Cycles(cycles::CyclesArgs),
}

impl Arguments {
    /// Runs the command.
    pub fn run(self) -> CommandResult {
        match self.command {
            Command::Classify(args) => classify::run(args),
            Command::Cycles(args) => cycles::run(args),
        }
    }
}
