//! `calibrate`: how a motor's torque tells the load, from a recording of known weights.

use std::fmt::Write as _;
use std::path::PathBuf;

use serde::Serialize;
use tallyhook_analysis::load::{Curve, Run, Runs, Set, Steadiness, odd_one, off_the_line, sets};
use tallyhook_analysis::sample::Quantity;
use tallyhook_analysis::units::{Grams, Timestamp};

use super::ledger::instant;
use super::site_file::SiteFile;
use crate::exit::{CommandResult, Failure, Outcome};
use crate::figures::rfc3339;
use crate::samples;
use crate::web::units::number;

/// What goes with every calibration.
const CAUTION: &str = "Test weights are lifted by qualified persons under the local rules. The load limiter stays as it \
                       is; nothing here sets or replaces it.";

/// A steady stretch shorter than this tells too little, seconds.
const LEAST_STEADY: f64 = 1.0;

/// Finds from a recording of known weights how the motor's torque tells the load.
///
/// Lift each weight up and down again at a steady speed, some seconds each way, the empty hook first, in the order in
/// which they are named with --weight. The recording is a samples file with `torque_pct`, or the recorder's own files
/// (`samples` in the store's directory) from and to the instants of the lifts.
///
/// Test weights are lifted by qualified persons under the local rules; the load limiter stays as it is.
#[derive(clap::Args, Debug)]
pub struct CalibrateArgs {
    /// The configuration of the site.
    #[arg(long, value_name = "FILE")]
    config: PathBuf,
    /// Which hoist; needed when the configuration has several.
    #[arg(long, value_name = "ID")]
    mechanism: Option<String>,
    /// The recording: a samples file (CSV), or the recorder's own files.
    #[arg(long, value_name = "FILE")]
    samples: PathBuf,
    /// From this instant of the recording on.
    #[arg(long, value_name = "WHEN")]
    from: Option<String>,
    /// Before this instant of the recording.
    #[arg(long, value_name = "WHEN")]
    to: Option<String>,
    /// The weights on the hook in kilograms, in the order in which they were lifted; 0 is the empty hook.
    #[arg(long, value_name = "KG", required = true, value_delimiter = ',')]
    weight: Vec<f64>,
    /// How far a weight may lie from the line through all, percent of the rated load.
    #[arg(long, value_name = "PERCENT", default_value_t = 3.0)]
    tolerance: f64,
    /// Print one JSON document.
    #[arg(long)]
    json: bool,
}

/// A calibration, as JSON has it.
#[derive(Serialize)]
struct Found {
    mechanism: String,
    rated_load_kg: f64,
    points: Vec<Point>,
    /// Why points were refused; empty where they all fit.
    refused: Vec<String>,
    /// The lines for the configuration; `null` where points were refused.
    config: Option<String>,
    caution: &'static str,
}

/// A weight with what the motor showed.
#[derive(Serialize)]
struct Point {
    load_kg: f64,
    raising_pct: Option<f64>,
    /// How far the weight lies above the line through all, kg; `null` with two points or fewer.
    raising_off_kg: Option<f64>,
    lowering_pct: Option<f64>,
    lowering_off_kg: Option<f64>,
    runs: usize,
    steady_seconds: f64,
}

/// Runs the command.
pub fn run(args: CalibrateArgs) -> CommandResult {
    let file = SiteFile::read(&args.config)?;
    let id = super::one_mechanism(&file.config, args.mechanism.as_deref())?;
    let mechanism = file.config.mechanisms().map(|(_, m)| m).find(|m| m.id == id);
    let mechanism = mechanism.ok_or_else(|| Failure::Usage(format!("the configuration has no mechanism `{id}`")))?;
    let rated = mechanism.spec.rated;
    if args.weight.iter().any(|kg| !(0.0..=500_000.0).contains(kg)) {
        return Err(Failure::Usage("--weight takes kilograms from 0 to 500000".to_owned()));
    }
    if !(args.tolerance > 0.0 && args.tolerance <= 50.0) {
        return Err(Failure::Usage("--tolerance is above 0 and up to 50 % of the rated load".to_owned()));
    }
    let source = samples::open(&args.samples).map_err(Failure::usage)?;
    let place = args.samples.display().to_string();
    if !source.signals().has(Quantity::Torque) {
        return Err(Failure::Usage(format!("{place} has no `torque_pct`; a load signal needs no calibration here")));
    }
    let has_speed = source.signals().has(Quantity::Speed);
    let steadiness = match &mechanism.load.calibration {
        Some(calibration) if has_speed || calibration.min_speed == 0 => Steadiness::of(calibration),
        _ => Steadiness::usual(has_speed),
    };
    let (from, to) = (instant("--from", args.from.as_deref())?, instant("--to", args.to.as_deref())?);
    let wanted = |at: Timestamp| from.is_none_or(|from| at >= from) && to.is_none_or(|to| at < to);
    let mut runs = Runs::new(steadiness);
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
    let found = judge(&id, rated, &args.weight, &lifted, args.tolerance);
    if args.json {
        println!("{}", serde_json::to_string_pretty(&found).map_err(Failure::run)?);
    } else {
        print!("{}", render(&found));
    }
    Ok(if found.refused.is_empty() { Outcome::Done } else { Outcome::FaultFound })
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

/// Puts weights and readings together, and says which do not fit.
fn judge(id: &str, rated: Grams, weights: &[f64], lifted: &[Set], tolerance: f64) -> Found {
    let bound = Grams::from_kg(rated.as_kg() * tolerance / 100.0);
    let mut refused = Vec::new();
    let mut points: Vec<Point> = Vec::new();
    let seconds = |run: &Run| run.steady.as_ms() as f64 / 1000.0;
    let pct = |reading: Option<i64>| reading.map(|reading| reading as f64 / 1000.0);
    for (load_kg, set) in weights.iter().zip(lifted) {
        for run in set.runs.iter().filter(|run| seconds(run) < LEAST_STEADY) {
            let way = if run.raising { "raising" } else { "lowering" };
            let (at, steady) = (rfc3339(run.begin), number(seconds(run), 1));
            refused.push(format!(
                "{load_kg} kg, {way} at {at}: steady for {steady} s only; lift it again, {LEAST_STEADY} s at least at one \
                 speed"
            ));
        }
        points.push(Point {
            load_kg: *load_kg,
            raising_pct: pct(set.reading(true)),
            raising_off_kg: None,
            lowering_pct: pct(set.reading(false)),
            lowering_off_kg: None,
            runs: set.runs.len(),
            steady_seconds: set.runs.iter().map(seconds).sum(),
        });
    }
    for raising in [true, false] {
        let way = if raising { "raising" } else { "lowering" };
        let of: Vec<(usize, (i64, Grams))> = weights
            .iter()
            .zip(lifted)
            .enumerate()
            .filter_map(|(i, (load_kg, set))| Some((i, (set.reading(raising)?, Grams::from_kg(*load_kg)))))
            .collect();
        let line: Vec<(i64, Grams)> = of.iter().map(|(_, point)| *point).collect();
        let different = |(_, load): &(i64, Grams)| *load != line[0].1;
        if line.is_empty() || !line.iter().any(different) {
            refused.push(format!("{way}: a line needs two different weights; lift another one"));
            continue;
        }
        let Some(off) = off_the_line(&line).filter(|_| line.len() > 2) else { continue };
        for ((i, _), off) in of.iter().zip(&off) {
            let place = if raising { &mut points[*i].raising_off_kg } else { &mut points[*i].lowering_off_kg };
            *place = Some(off.as_kg());
        }
        let worst = off.iter().enumerate().max_by_key(|(_, off)| off.get().abs());
        let Some((worst, by)) = worst.filter(|(_, off)| off.get().abs() > bound.get()) else { continue };
        let name = |n: usize| format!("{} kg ({} %)", weights[of[n].0], number(line[n].0 as f64 / 1000.0, 2));
        refused.push(match odd_one(&line, bound) {
            Some(odd) => format!(
                "{way}: {} does not fit; without it the others lie on a line within {} kg. Was that the weight, and did \
                 it hang freely? Lift it again",
                name(odd),
                number(bound.as_kg(), 0)
            ),
            None => format!(
                "{way}: the weights do not lie on a line; {} is furthest from it, by {} kg where {} are allowed. Lift them \
                 again, or more of them, so that it can be told which is wrong",
                name(worst),
                number(by.as_kg().abs(), 0),
                number(bound.as_kg(), 0)
            ),
        });
    }
    let config = refused.is_empty().then(|| lines(&points));
    let config = match config {
        Some(Ok(lines)) => Some(lines),
        Some(Err(sentence)) => {
            refused.push(sentence);
            None
        }
        None => None,
    };
    Found { mechanism: id.to_owned(), rated_load_kg: rated.as_kg(), points, refused, config, caution: CAUTION }
}

/// The lines for the configuration. Weights that were lifted more than once are one point with the mean reading.
fn lines(points: &[Point]) -> Result<String, String> {
    let mut merged: Vec<(f64, Vec<&Point>)> = Vec::new();
    for point in points {
        match merged.iter_mut().find(|(load_kg, _)| *load_kg == point.load_kg) {
            Some((_, same)) => same.push(point),
            None => merged.push((point.load_kg, vec![point])),
        }
    }
    merged.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mean = |same: &[&Point], of: fn(&Point) -> Option<f64>| -> Option<f64> {
        let values: Vec<f64> = same.iter().filter_map(|point| of(point)).collect();
        (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
    };
    let (mut text, mut raising, mut lowering) = (String::new(), Vec::new(), Vec::new());
    text.push_str("[crane.mechanism.load]\nleads = \"torque_pct\"\npoint = [\n");
    for (load_kg, same) in &merged {
        let _ = write!(text, "    {{ load_kg = {load_kg}");
        let ways = [
            ("raising_pct", mean(same, |p| p.raising_pct), &mut raising),
            ("lowering_pct", mean(same, |p| p.lowering_pct), &mut lowering),
        ];
        for (key, pct, curve) in ways {
            if let Some(pct) = pct {
                let rounded = (pct * 100.0).round() / 100.0;
                let _ = write!(text, ", {key} = {rounded}");
                curve.push(((rounded * 1000.0).round() as i64, Grams::from_kg(*load_kg)));
            }
        }
        text.push_str(" },\n");
    }
    text.push_str("]\n");
    // What is printed must be what the configuration takes.
    for (way, curve) in [("raising", raising), ("lowering", lowering)] {
        if Curve::new(&curve).is_err() {
            return Err(format!(
                "{way}: the readings do not rise or fall with the weight all along; lift the weights again, further apart"
            ));
        }
    }
    Ok(text)
}

fn render(found: &Found) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "{}, rated load {} kg", found.mechanism, number(found.rated_load_kg, 0));
    let mut row = |cells: [&str; 7]| {
        let [load, up, up_off, down, down_off, runs, steady] = cells;
        let text = format!("{load:>10} {up:>11} {up_off:>9} {down:>12} {down_off:>9} {runs:>5} {steady:>10}");
        let _ = writeln!(out, "{text}");
    };
    row(["weight, kg", "raising, %", "off, kg", "lowering, %", "off, kg", "runs", "steady, s"]);
    for point in &found.points {
        let shown = |value: Option<f64>, decimals: usize| value.map_or("-".to_owned(), |v| number(v, decimals));
        row([
            &number(point.load_kg, 0),
            &shown(point.raising_pct, 2),
            &shown(point.raising_off_kg, 0),
            &shown(point.lowering_pct, 2),
            &shown(point.lowering_off_kg, 0),
            &point.runs.to_string(),
            &number(point.steady_seconds, 1),
        ]);
    }
    out.push('\n');
    for sentence in &found.refused {
        super::status::wrapped(&mut out, "Refused: ", sentence);
    }
    if let Some(config) = &found.config {
        let _ = writeln!(out, "Put this into the mechanism's part of the configuration:\n\n{config}");
    }
    super::status::wrapped(&mut out, "", found.caution);
    out.replace('\u{202f}', " ").replace('−', "-")
}
