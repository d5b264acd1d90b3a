//! `check`: whether a configuration is right.

use std::path::PathBuf;

use tallyhook_config::model::Config;

use super::check_live;
use super::site_file::SiteFile;
use crate::clock::Clock;
use crate::drive::look;
use crate::drive::plan::ReadPlan;
use crate::exit::{CommandResult, Failure, Outcome};

/// Checks a configuration: each fault with file, line and a mend.
#[derive(clap::Args, Debug)]
pub struct CheckArgs {
    /// The configuration.
    #[arg(long, value_name = "FILE")]
    config: PathBuf,
    /// Also read every drive once, and show for each signal what was asked, what came and what it means.
    #[arg(long)]
    live: bool,
    /// Print one JSON document of what the drives answered.
    #[arg(long, requires = "live")]
    json: bool,
}

/// Runs the command.
pub fn run(args: CheckArgs) -> CommandResult {
    let SiteFile { config, .. } = SiteFile::read(&args.config)?;
    if args.json {
        return live(&config, true);
    }
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
    if args.live { live(&config, false) } else { Ok(Outcome::Done) }
}

/// Reads every drive once and prints what came.
fn live(config: &Config, json: bool) -> CommandResult {
    let looks = super::runtime()?.block_on(look::look(config, &Clock::system()));
    if json {
        println!("{}", serde_json::to_string_pretty(&check_live::document(&looks)).map_err(Failure::run)?);
    } else {
        print!("{}", check_live::render(&looks));
    }
    Ok(if check_live::faults(&looks) == 0 { Outcome::Done } else { Outcome::FaultFound })
}

fn zone_name(zone: &jiff::tz::TimeZone) -> &str {
    zone.iana_name().unwrap_or("its own zone")
}
