//! The commands, a file each. This one holds the list and hands over.

pub mod simulate;

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
    Simulate(simulate::SimulateArgs),
}

impl Arguments {
    /// Runs the command.
    pub fn run(self) -> CommandResult {
        match self.command {
            Command::Simulate(args) => simulate::run(args),
        }
    }
}
