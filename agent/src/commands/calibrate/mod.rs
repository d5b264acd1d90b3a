//! `calibrate`: how a motor's torque tells the load, from known weights: live at the panel, or from a recording of them.

mod fit;
mod guide;
mod keep;
mod live;
mod recording;

use std::io::Write as _;
use std::path::PathBuf;

use tallyhook_analysis::load::Steadiness;
use tallyhook_config::model::Mechanism;

use super::site_file::SiteFile;
use crate::exit::{CommandResult, Failure, Outcome};

/// Finds by known weights how the motor's torque tells the load.
///
/// Without --samples it is done live, on a terminal at the panel: the drive is read, and only read, by the configuration;
/// you hang a known weight on the hook, type its mass, and lift it up and down again at a steady speed, some seconds each
/// way; the empty hook and two or three weights, the heaviest near the rated load. What does not fit is refused and said
/// why. At the end come the fit and the lines for the configuration; what is taken is kept meanwhile in
/// calibration-MECHANISM.toml in the directory that the command is started in. Where the drive takes one connection only,
/// stop the daemon meanwhile.
///
/// With --samples it works from a recording: a samples file with `torque_pct`, or the recorder's own files (`samples` in
/// the store's directory) from and to the instants of the lifts, the weights in the order in which they are named with
/// --weight.
///
/// Known weights only, within the rated load, lifted by qualified persons under the local rules; the load limiter stays as
/// it is.
#[derive(clap::Args, Debug)]
pub struct CalibrateArgs {
    /// The configuration of the site.
    #[arg(long, value_name = "FILE")]
    config: PathBuf,
    /// Which hoist; needed when the configuration has several.
    #[arg(long, value_name = "ID")]
    mechanism: Option<String>,
    /// A recording instead of the drive: a samples file (CSV), or the recorder's own files.
    #[arg(long, value_name = "FILE", requires = "weight")]
    samples: Option<PathBuf>,
    /// From then on: a day of the site, or RFC 3339.
    #[arg(long, value_name = "WHEN", requires = "samples")]
    from: Option<String>,
    /// Before then: a day of the site, or RFC 3339.
    #[arg(long, value_name = "WHEN", requires = "samples")]
    to: Option<String>,
    /// The weights on the hook in kilograms, in the order in which they were lifted; 0 is the empty hook.
    #[arg(long, value_name = "KG", value_delimiter = ',', requires = "samples")]
    weight: Vec<f64>,
    /// How far a weight may lie from the line through all, percent of the rated load.
    #[arg(long, value_name = "PERCENT", default_value_t = 3.0)]
    tolerance: f64,
    /// Print one JSON document.
    #[arg(long, requires = "samples")]
    json: bool,
}

/// Runs the command.
pub fn run(args: CalibrateArgs) -> CommandResult {
    let file = SiteFile::read(&args.config)?;
    let id = super::one_mechanism(&file.config, args.mechanism.as_deref())?;
    let mechanism = file.config.mechanisms().map(|(_, m)| m).find(|m| m.id == id);
    let mechanism = mechanism.ok_or_else(|| Failure::Usage(format!("the configuration has no mechanism `{id}`")))?;
    if !(args.tolerance > 0.0 && args.tolerance <= 50.0) {
        return Err(Failure::Usage("--tolerance is above 0 and up to 50 % of the rated load".to_owned()));
    }
    let found = match &args.samples {
        Some(samples) => recording::found(&args, samples, mechanism, &file.config.time_zone)?,
        None => live::found(&file.config, mechanism, args.tolerance)?,
    };
    if args.json {
        println!("{}", serde_json::to_string_pretty(&found).map_err(Failure::run)?);
    } else {
        let text = fit::render(&found);
        let mut out = std::io::stdout().lock();
        match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
            // The terminal is gone; what was taken is in its file.
            Err(_) if args.samples.is_none() => {}
            written => written.map_err(Failure::run)?,
        }
    }
    Ok(if found.refused.is_empty() { Outcome::Done } else { Outcome::FaultFound })
}

/// What counts as steady here: as the calibration of the configuration has it, or as usual.
fn steadiness(mechanism: &Mechanism, has_speed: bool) -> Steadiness {
    match &mechanism.load.calibration {
        Some(calibration) if has_speed || calibration.min_speed == 0 => Steadiness::of(calibration),
        _ => Steadiness::usual(has_speed),
    }
}
