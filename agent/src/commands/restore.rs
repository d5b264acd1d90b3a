//! `restore`: a copy of the ledger back into an empty place.

use std::path::PathBuf;

use crate::exit::{CommandResult, Failure, Outcome};
use crate::store::StoreError;
use crate::store::backup::restore;

/// Puts a copy of the ledger into an empty directory, verified first; nothing is ever overwritten.
///
/// Raw samples are not in a copy.
#[derive(clap::Args, Debug)]
pub struct RestoreArgs {
    /// The copy, as `tallyhook backup` made it.
    #[arg(long, value_name = "FILE")]
    from: PathBuf,
    /// The new store's directory; empty, or not there yet.
    #[arg(long, value_name = "DIR")]
    data: PathBuf,
}

/// Runs the command.
pub fn run(args: RestoreArgs) -> CommandResult {
    restore(&args.from, &args.data).map_err(|error| match error {
        StoreError::Occupied { .. } | StoreError::NoCopy { .. } => Failure::usage(error),
        _ => Failure::run(error),
    })?;
    println!("Restored and verified: {}", args.data.display());
    println!("Name that directory in the configuration and start `tallyhook run`.");
    Ok(Outcome::Done)
}
