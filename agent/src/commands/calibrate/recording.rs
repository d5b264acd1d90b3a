//! Calibration from a recording of known weights.

use std::path::Path;

use jiff::tz::TimeZone;
use tallyhook_analysis::load::{Runs, Set, sets};
use tallyhook_analysis::sample::Quantity;
use tallyhook_analysis::units::Timestamp;
use tallyhook_config::model::Mechanism;

use super::fit::{Found, judge};
use super::{CalibrateArgs, steadiness};
use crate::commands::ledger::instants;
use crate::exit::Failure;
use crate::figures::rfc3339;
use crate::samples;

/// What the recording tells.
pub(super) fn found(
    args: &CalibrateArgs,
    recording: &Path,
    mechanism: &Mechanism,
    zone: &TimeZone,
) -> Result<Found, Failure> {
    if args.weight.iter().any(|kg| !(0.0..=500_000.0).contains(kg)) {
        return Err(Failure::Usage("--weight takes kilograms from 0 to 500000".to_owned()));
    }
    let source = samples::open(recording).map_err(Failure::usage)?;
    let place = recording.display().to_string();
    if !source.signals().has(Quantity::Torque) {
        return Err(Failure::Usage(format!("{place} has no `torque_pct`; a load signal needs no calibration here")));
    }
    let (from, to) = instants(args.from.as_deref(), args.to.as_deref(), zone)?;
    let wanted = |at: Timestamp| from.is_none_or(|from| at >= from) && to.is_none_or(|to| at < to);
    let mut runs = Runs::new(steadiness(mechanism, source.signals().has(Quantity::Speed)));
    for sample in source {
        let sample = sample.map_err(Failure::usage)?;
        if wanted(sample.at) {
            runs.push(&sample);
        }
    }
    let (runs, unsteady) = runs.end();
    let lifted = sets(&runs);
    if lifted.len() != args.weight.len() {
        return Err(Failure::Usage(count_fault(&place, &lifted, &args.weight, unsteady)));
    }
    Ok(judge(&mechanism.id, mechanism.spec.rated, &args.weight, &lifted, args.tolerance))
}

fn count_fault(place: &str, lifted: &[Set], weights: &[f64], unsteady: u64) -> String {
    let begins: Vec<String> = lifted.iter().filter_map(|set| set.runs.first()).map(|run| rfc3339(run.begin)).collect();
    let at = if begins.is_empty() { String::new() } else { format!(", beginning at {}", begins.join(", ")) };
    format!(
        "{place} has {} weights that went up and down at a steady speed{at}, and {} are named; {unsteady} runs were never \
         steady. Name one --weight for each, a weight that went up twice is named twice, or cut the recording with --from \
         and --to",
        lifted.len(),
        weights.len()
    )
}
