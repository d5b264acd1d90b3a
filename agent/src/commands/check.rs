//! `check`: whether a configuration is right.

use std::path::PathBuf;

use super::site_file::SiteFile;
use crate::drive::plan::ReadPlan;
use crate::exit::{CommandResult, Failure, Outcome};

/// Checks a configuration: each fault with file, line and a mend.
#[derive(clap::Args, Debug)]
pub struct CheckArgs {
    /// The configuration.
    #[arg(long, value_name = "FILE")]
    config: PathBuf,
    /// Also read every drive once. Not built yet.
    #[arg(long, hide = true)]
    live: bool,
}

/// Runs the command.
pub fn run(args: CheckArgs) -> CommandResult {
    if args.live {
        return Err(Failure::Usage("`check --live` is not built yet; leave out --live to check the file alone".into()));
    }
    let SiteFile { config, .. } = SiteFile::read(&args.config)?;
    println!("{}: right", args.config.display());
    println!("site {}, days close at midnight of {}", config.site_name, zone_name(&config.time_zone));
    for (crane, m) in config.mechanisms() {
        println!(
            "crane {} ({}): {} {}, {:.0} kg, {} with D = {:.0} full-load hours, {} signals",
            crane.id,
            crane.group,
            m.kind.name(),
            m.id,
            m.spec.rated.as_kg(),
            m.group,
            m.terms().design_full_load_hours,
            m.signals.len()
        );
    }
    for drive in config.drives.values() {
        let requests = ReadPlan::of(&config, drive).requests.len();
        println!("drive {}: {requests} request(s) every {} s", drive.name, drive.poll.as_seconds());
    }
    Ok(Outcome::Done)
}

fn zone_name(zone: &jiff::tz::TimeZone) -> &str {
    zone.iana_name().unwrap_or("its own zone")
}
