//! `backup`: a verified copy of the ledger, also while the daemon writes.

use std::path::PathBuf;

use super::ledger::say_if_behind;
use super::progress::Progress;
use crate::clock::Clock;
use crate::exit::{CommandResult, Failure, Outcome};
use crate::store::StoreError;
use crate::store::backup::make;

/// Copies the ledger, with the configuration in it, verifies the copy, and keeps the newest few.
///
/// The daemon may go on writing. A copy that does not add up is not kept, and takes the place of none.
#[derive(clap::Args, Debug)]
pub struct BackupArgs {
    /// Directory of the store.
    #[arg(long, value_name = "DIR", default_value = "data")]
    data: PathBuf,
    /// Directory for the copies; made if it is not there.
    #[arg(long, value_name = "DIR")]
    to: PathBuf,
    /// How many copies stay there, 1 to 1000.
    #[arg(long, value_name = "N", default_value_t = 3, value_parser = clap::value_parser!(u16).range(1..=1000))]
    keep: u16,
}

/// Runs the command.
pub fn run(args: BackupArgs) -> CommandResult {
    // Where nothing is, a directory is made; what is there must be one.
    if let Some(there) = args.to.ancestors().find(|place| place.exists()).filter(|place| !place.is_dir()) {
        return Err(Failure::Usage(format!("{} is no directory; give a directory to --to", there.display())));
    }
    let progress = Progress::of("verifying the copy", true);
    let made =
        make(&args.data, &args.to, usize::from(args.keep), Clock::system().now().wall).map_err(
            |error| match error {
                StoreError::Missing { .. } => Failure::usage(error),
                _ => Failure::run(error),
            },
        )?;
    drop(progress);
    say_if_behind(made.is_behind);
    println!("Copied and verified: {}", made.copy.display());
    made.removed.iter().for_each(|old| println!("Removed the oldest: {}", old.display()));
    Ok(Outcome::Done)
}
