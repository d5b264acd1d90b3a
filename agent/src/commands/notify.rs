//! `notify --test`: whether a message reaches every destination.

use std::path::PathBuf;
use std::sync::Arc;

use super::site_file::SiteFile;
use crate::clock::Clock;
use crate::exit::{CommandResult, Failure, Outcome};
use crate::publish::trial;

/// Sends a test message to every configured destination and says what became of it.
#[derive(clap::Args, Debug)]
pub struct NotifyArgs {
    /// Send the test message.
    #[arg(long)]
    test: bool,
    /// The configuration.
    #[arg(long, value_name = "FILE")]
    config: PathBuf,
}

/// Runs the command.
pub fn run(args: NotifyArgs) -> CommandResult {
    if !args.test {
        return Err(Failure::Usage("`notify` sends nothing but a test message; add --test to send it".into()));
    }
    let config = Arc::new(SiteFile::read(&args.config)?.config);
    let trials = super::runtime()?.block_on(trial::send(&config, &Clock::system()));
    if trials.is_empty() {
        return Err(Failure::Usage(
            "nobody is configured to be told; add [mqtt], [[webhook]], [influx] or [matrix] to the configuration"
                .into(),
        ));
    }
    let failed = trials.iter().filter(|trial| trial.result.is_err()).count();
    for trial in &trials {
        match &trial.result {
            Ok(said) => println!("{}: told; {said}", trial.destination),
            Err(why) => println!("{}: NOT told: {}; {}", trial.destination, why.what, why.mend),
        }
    }
    match failed {
        0 => Ok(Outcome::Done),
        _ => Err(Failure::Run(format!(
            "{failed} of {} destinations could not be told; mend what stands above and try again",
            trials.len()
        ))),
    }
}
