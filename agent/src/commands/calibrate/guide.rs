//! The guided calibration as a conversation: what is typed and what is read goes in, what is to be said comes out. It
//! touches neither terminal nor drive.

use tallyhook_analysis::load::{Run, Runs, Set, Steadiness};
use tallyhook_analysis::sample::{Flag, Sample};
use tallyhook_analysis::units::Grams;

use super::fit::{Found, LEAST_STEADY, judge};
use crate::web::units::number;

/// Readings fewer than this tell too little (common practice, no source).
const LEAST_READINGS: u64 = 5;

/// Standard deviation of a steady reading above which the weight swings, or is taken up or set down within the run,
/// 0.001 % of rated torque (common practice, no source).
const MOST_SWING: f64 = 5_000.0;

/// What is asked while no weight is being lifted.
pub(super) const PROMPT: &str = "Mass on the hook in kg, 0 for the empty hook (or: drop KG, done, quit): ";

/// What to do after something was typed or read.
#[derive(Clone, PartialEq, Debug)]
pub(super) enum Next {
    /// Say this and go on as before.
    Say(String),
    /// Say this and ask for a weight.
    Ask(String),
    /// Say this and look at the hoist.
    Watch(String),
    /// Nobody wants to go on.
    End,
}

/// A weight that is being lifted.
#[derive(Debug)]
struct Lifting {
    kg: f64,
    set: Set,
    /// The hoist has stood since the mass was typed, so that a run that begins is all of this weight.
    stood: bool,
}

/// The conversation.
#[derive(Debug)]
pub(super) struct Guide {
    id: String,
    rated: Grams,
    tolerance: f64,
    steadiness: Steadiness,
    runs: Runs,
    taken: Vec<(f64, Set)>,
    lifting: Option<Lifting>,
}

impl Guide {
    /// Nothing taken yet.
    pub fn new(id: &str, rated: Grams, tolerance: f64, steadiness: Steadiness) -> Self {
        let runs = Runs::new(steadiness);
        Guide { id: id.to_owned(), rated, tolerance, steadiness, runs, taken: Vec::new(), lifting: None }
    }

    /// Whether a weight is being lifted, and nothing is asked.
    pub fn watches(&self) -> bool {
        self.lifting.is_some()
    }

    /// Somebody typed a line.
    pub fn typed(&mut self, line: &str) -> Next {
        let line = line.trim().to_lowercase();
        if let Some(lifting) = self.lifting.take() {
            let kept = match line.as_str() {
                "quit" => return Next::End,
                _ => format!("{} kg is left out; nothing of it was taken.", shown(lifting.kg)),
            };
            return Next::Ask(kept);
        }
        match line.as_str() {
            "" => Next::Ask(String::new()),
            "quit" => Next::End,
            "done" => self.done(),
            _ => match line.strip_prefix("drop") {
                Some(of) => self.dropped(of),
                None => self.weight(&line),
            },
        }
    }

    fn done(&self) -> Next {
        if self.taken.is_empty() {
            return Next::Ask("Nothing has been taken yet. Begin with the empty hook: type 0.".to_owned());
        }
        match self.found().refused.as_slice() {
            [] => Next::End,
            refused => Next::Ask(format!("Not yet: {}. To stop all the same, type quit.", refused.join("; "))),
        }
    }

    fn dropped(&mut self, of: &str) -> Next {
        let before = self.taken.len();
        let Some(kg) = mass(of) else { return Next::Ask("Type drop and a mass that was taken: drop 5000".to_owned()) };
        self.taken.retain(|(taken, _)| *taken != kg);
        Next::Ask(match before - self.taken.len() {
            0 => format!("{} kg has not been taken{}.", shown(kg), self.list()),
            _ => format!("{} kg is dropped{}.", shown(kg), self.list()),
        })
    }

    fn list(&self) -> String {
        let taken: Vec<String> = self.taken.iter().map(|(kg, _)| shown(*kg)).collect();
        if taken.is_empty() { "; none is left".to_owned() } else { format!("; taken so far: {} kg", taken.join(", ")) }
    }

    fn weight(&mut self, typed: &str) -> Next {
        let Some(kg) = mass(typed) else {
            return Next::Ask(format!(
                "`{typed}` is no mass. Type it in kilograms (5000) or tonnes (5 t), with a point and no comma."
            ));
        };
        let rated = self.rated.as_kg();
        if kg > rated {
            return Next::Ask(format!(
                "{} kg is more than the rated load of {} kg. Calibrate within the rated load.",
                shown(kg),
                shown(rated)
            ));
        }
        self.runs = Runs::new(self.steadiness);
        self.lifting = Some(Lifting { kg, set: Set::default(), stood: false });
        let hangs = match kg == 0.0 {
            true => "Empty hook: let the hoist stand.",
            false => "Let the weight hang clear of the ground, the hoist at rest.",
        };
        Next::Watch(format!(
            "{hangs} Then raise it at a steady speed for some seconds, stop, lower it as long, stop, and do not set it \
             down meanwhile. Enter leaves it out."
        ))
    }

    /// The next sample of the hoist; `None` where nothing is to be said.
    pub fn read(&mut self, sample: &Sample) -> Option<Next> {
        let lifting = self.lifting.as_mut()?;
        let moves = [Flag::Raising, Flag::Lowering].into_iter().any(|flag| sample.flag(flag) == Some(true));
        if !lifting.stood {
            lifting.stood = !moves && sample.flag(Flag::Raising) == Some(false);
            return None;
        }
        self.runs.push(sample);
        let (ended, unsteady) = self.runs.take();
        if let Some(run) = ended.first() {
            return Some(self.ran(*run));
        }
        (unsteady > 0).then(|| {
            Next::Say("That run was never steady; hold the speed for longer, and do not touch the lever.".to_owned())
        })
    }

    /// A run has ended.
    fn ran(&mut self, run: Run) -> Next {
        let Some(lifting) = &mut self.lifting else { return Next::Say(String::new()) };
        let way = if run.raising { "raising" } else { "lowering" };
        let seconds = run.steady.as_seconds();
        let pct = |thousandths: f64| number(thousandths / 1000.0, 2);
        if seconds < LEAST_STEADY || run.readings < LEAST_READINGS {
            return Next::Say(format!(
                "{way}: refused, steady for {} s with {} readings; {} s and {LEAST_READINGS} readings are needed at least. \
                 Again, for longer.",
                number(seconds, 1),
                run.readings,
                number(LEAST_STEADY, 0)
            ));
        }
        if run.deviation > MOST_SWING {
            return Next::Say(format!(
                "{way}: refused, the reading swings by {} % where {} % are allowed. Was the weight taken up or set down \
                 within the run, or does it sway? Let it hang still, then again.",
                pct(run.deviation),
                pct(MOST_SWING)
            ));
        }
        lifting.set.runs.push(run);
        let told = format!(
            "{way}: {} %, from {} readings in {} s, each within {} % or so.",
            pct(run.mean as f64),
            run.readings,
            number(seconds, 1),
            pct(run.deviation)
        );
        let has = |raising| lifting.set.runs.iter().any(|run| run.raising == raising);
        match (has(true), has(false)) {
            (true, true) => self.both(&told),
            (true, false) => Next::Say(format!("{told} Now lower it.")),
            _ => Next::Say(format!("{told} Now raise it.")),
        }
    }

    /// A weight went up and down: it is taken, or refused with what does not fit.
    fn both(&mut self, told: &str) -> Next {
        let Some(Lifting { kg, set, .. }) = self.lifting.take() else { return Next::Ask(told.to_owned()) };
        self.taken.push((kg, set));
        let several = self.taken.iter().any(|(other, _)| *other != kg);
        let refused = if several { self.found().refused } else { Vec::new() };
        if refused.is_empty() {
            let heaviest = self.taken.iter().fold(0.0_f64, |most, (kg, _)| most.max(*kg));
            let more = match self.taken.len() {
                1 => "A line needs another weight at least",
                2 => "Two make a line, but do not tell whether it is right: a third is better",
                _ if heaviest < self.rated.as_kg() / 2.0 => {
                    "All fit, but none is near the rated load: what is heavier would be reckoned by the last two"
                }
                _ => "All fit",
            };
            return Next::Ask(format!("{told} {} kg is taken. {more}.", shown(kg)));
        }
        self.taken.pop();
        Next::Ask(format!(
            "{told} {} kg is refused. {}. Type its mass to lift it again{}; where it was right, an earlier one was wrong: \
             drop that.",
            shown(kg),
            refused.join("; "),
            self.list()
        ))
    }

    /// How long the run that goes on has been steady for, in words.
    pub fn progress(&self, sample: &Sample) -> String {
        match (&self.lifting, self.runs.going(sample.at)) {
            (Some(Lifting { stood: false, .. }), _) => "waiting until the hoist stands".to_owned(),
            (Some(_), Some((raising, steady))) => format!(
                "{}, steady for {} s{}",
                if raising { "raising" } else { "lowering" },
                number(steady.as_seconds(), 1),
                if steady.as_seconds() >= LEAST_STEADY { ", enough" } else { "" }
            ),
            _ => "at rest".to_owned(),
        }
    }

    /// What has been taken so far, and how it fits.
    pub fn found(&self) -> Found {
        let (weights, lifted): (Vec<f64>, Vec<Set>) = self.taken.iter().cloned().unzip();
        judge(&self.id, self.rated, &weights, &lifted, self.tolerance)
    }
}

/// A mass as people type it: kilograms, or tonnes with their symbol.
fn mass(typed: &str) -> Option<f64> {
    let typed = typed.trim();
    let (number, unit_kg) = match (typed.strip_suffix("kg"), typed.strip_suffix('t')) {
        (Some(number), _) => (number, 1.0),
        (None, Some(number)) => (number, 1000.0),
        (None, None) => (typed, 1.0),
    };
    let number = number.trim();
    let digits = number.chars().all(|c| c.is_ascii_digit() || c == '.');
    let kg = number.parse::<f64>().ok().filter(|_| digits)? * unit_kg;
    // To the gram, as the books have it.
    (kg <= 500_000.0).then(|| (kg * 1000.0).round() / 1000.0)
}

fn shown(kg: f64) -> String {
    if kg.fract() == 0.0 { number(kg, 0) } else { number(kg, 1) }
}

#[cfg(test)]
#[path = "guide_tests.rs"]
mod tests;
