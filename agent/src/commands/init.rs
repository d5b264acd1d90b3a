//! `init`: a starter configuration.

use tallyhook_analysis::class::{ApplianceGroup, MechanismGroup};
use tallyhook_config::{StarterOptions, starter};

use super::site_file::SiteFile;
use crate::exit::{CommandResult, Failure, Outcome};

/// Prints a commented starter configuration for one crane with one hoist.
#[derive(clap::Args, Debug)]
pub struct InitArgs {
    /// Design group of the hoist, ISO 4301-1:1986 (M1 to M8) or FEM 9.511 (1Dm to 5m).
    #[arg(long, default_value = "M5")]
    group: String,
    /// Design group of the crane as a whole, ISO 4301-1:1986 (A1 to A8).
    #[arg(long, default_value = "A5")]
    crane_group: String,
    /// Rated load, kg.
    #[arg(long, default_value_t = 12_500.0)]
    rated_load_kg: f64,
    /// Address of the drive, host:port of Modbus TCP.
    #[arg(long, value_name = "ADDR")]
    drive: Option<String>,
    /// Directory of the store.
    #[arg(long, value_name = "DIR")]
    data: Option<String>,
}

/// Runs the command.
pub fn run(args: InitArgs) -> CommandResult {
    let plain = StarterOptions::default();
    let group = MechanismGroup::parse(&args.group).ok_or_else(|| {
        Failure::Usage(format!("--group is `{}`; give M1 to M8, or 1Dm, 1Cm, 1Bm, 1Am, 2m, 3m, 4m, 5m", args.group))
    })?;
    let crane_group = ApplianceGroup::from_name(&args.crane_group)
        .ok_or_else(|| Failure::Usage(format!("--crane-group is `{}`; give A1 to A8", args.crane_group)))?;
    let options = StarterOptions {
        group,
        crane_group,
        rated_load_kg: args.rated_load_kg,
        drive: args.drive.unwrap_or(plain.drive),
        data: args.data.unwrap_or(plain.data),
    };
    let text = starter(&options);
    // An option out of range is a fault of the text; better said now than by `check`, and of the option, for nobody has the
    // text yet.
    if let Err(faults) = tallyhook_config::load(&text, "the starter")
        && let Some((fault, option)) = faults.iter().find_map(|fault| Some((fault, option_of(&text, fault.line)?)))
    {
        return Err(Failure::Usage(format!("{option}: {}; {}", fault.what, fault.mend)));
    }
    let file = SiteFile::check(std::path::Path::new("the starter"), text)?;
    print!("{}", file.text);
    Ok(Outcome::Done)
}

/// The option that a line of the starter comes from.
fn option_of(text: &str, line: usize) -> Option<&'static str> {
    match text.lines().nth(line.checked_sub(1)?)?.split('=').next()?.trim() {
        "rated_load_kg" => Some("--rated-load-kg"),
        "address" => Some("--drive"),
        "directory" => Some("--data"),
        _ => None,
    }
}
