//! The fit: weights and what the motor showed with them, how far each lies off, what is refused, the lines for the
//! configuration.

use std::fmt::Write as _;

use serde::Serialize;
use tallyhook_analysis::load::{Curve, Run, Set, odd_one, off_the_line};
use tallyhook_analysis::units::Grams;

use crate::figures::rfc3339;
use crate::web::units::number;

/// What goes with every calibration.
pub(super) const CAUTION: &str = "Test weights are lifted by qualified persons under the local rules. The load limiter \
                                  stays as it is; nothing here sets or replaces it.";

/// A steady stretch shorter than this tells too little, seconds.
pub(super) const LEAST_STEADY: f64 = 1.0;

/// A calibration, as JSON has it.
#[derive(Serialize)]
pub(super) struct Found {
    pub mechanism: String,
    pub rated_load_kg: f64,
    pub points: Vec<Point>,
    /// Why points were refused; empty where they all fit.
    pub refused: Vec<String>,
    /// The lines for the configuration; `null` where points were refused.
    pub config: Option<String>,
    pub caution: &'static str,
}

/// A weight with what the motor showed.
#[derive(Serialize)]
pub(super) struct Point {
    pub load_kg: f64,
    pub raising_pct: Option<f64>,
    /// How far the weight lies above the line through all, kg; `null` with two points or fewer.
    pub raising_off_kg: Option<f64>,
    pub lowering_pct: Option<f64>,
    pub lowering_off_kg: Option<f64>,
    pub runs: usize,
    pub steady_seconds: f64,
}

/// Puts weights and readings together, and says which do not fit.
pub(super) fn judge(id: &str, rated: Grams, weights: &[f64], lifted: &[Set], tolerance: f64) -> Found {
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
        let (lightest, heaviest) = ends(&line);
        // A load cell may be wired either way round; a motor that raises more has to turn harder.
        if raising && line[heaviest].0 != line[lightest].0 && line[heaviest].0.abs() <= line[lightest].0.abs() {
            let name = |n: usize| format!("{} kg ({} %)", weights[of[n].0], number(line[n].0 as f64 / 1000.0, 2));
            refused.push(format!(
                "{way}: {} takes no more torque than {}, and a heavier weight must. Name the weights in the order in which \
                 they were lifted",
                name(heaviest),
                name(lightest)
            ));
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

/// Where in a list with something in it the lightest weight is, and the heaviest.
fn ends(line: &[(i64, Grams)]) -> (usize, usize) {
    let (mut lightest, mut heaviest) = (0, 0);
    for (n, (_, load)) in line.iter().enumerate() {
        if *load < line[lightest].1 {
            lightest = n;
        }
        if *load > line[heaviest].1 {
            heaviest = n;
        }
    }
    (lightest, heaviest)
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

/// What is kept on disk while points are taken: lines for the configuration where the points fit, else only comments; all
/// points are in it either way.
pub(super) fn kept(found: &Found) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "# {}, rated load {} kg: what has been taken.", found.mechanism, found.rated_load_kg);
    for point in &found.points {
        let _ = write!(out, "# load_kg = {}", point.load_kg);
        for (key, pct) in [("raising_pct", point.raising_pct), ("lowering_pct", point.lowering_pct)] {
            if let Some(pct) = pct {
                let _ = write!(out, ", {key} = {}", (pct * 100.0).round() / 100.0);
            }
        }
        let _ = writeln!(out, "; {} runs", point.runs);
    }
    for sentence in &found.refused {
        let _ = writeln!(out, "# Not enough yet: {}.", sentence.replace('\u{202f}', " "));
    }
    if let Some(config) = &found.config {
        let _ = write!(out, "# For the mechanism's part of the configuration:\n\n{config}");
    }
    out
}

pub(super) fn render(found: &Found) -> String {
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
        super::super::status::wrapped(&mut out, "Refused: ", sentence);
    }
    if let Some(config) = &found.config {
        let _ = writeln!(out, "Put this into the mechanism's part of the configuration:\n\n{config}");
    }
    super::super::status::wrapped(&mut out, "", found.caution);
    out.replace('\u{202f}', " ").replace('−', "-")
}
