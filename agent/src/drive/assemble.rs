//! Whose sample a reading is: readings of drives become samples of mechanisms.
//!
//! A mechanism fed by one drive gets a sample a reading. One fed by several gets a sample at each reading of the
//! drive that says whether it runs; what the others last said is used while it is not older than the mechanism's
//! stale limit. A failed poll takes the place of what was read before it, so no value outlives its drive.

use std::collections::{BTreeMap, BTreeSet};

use tallyhook_analysis::sample::{Flag, Sample};
use tallyhook_analysis::units::Span;
use tallyhook_config::model::{Config, Target};

use super::{Decoded, DriveReading};
use crate::clock::Reading;

/// Turns readings of drives into samples of mechanisms.
#[derive(Clone, Debug)]
pub struct Assembler {
    /// In [`Config::mechanisms`] order.
    mechanisms: Vec<Assembly>,
    /// What each drive feeds.
    fed: BTreeMap<String, Vec<Feed>>,
}

/// A mechanism that a drive feeds.
#[derive(Clone, Copy, Debug)]
struct Feed {
    mechanism: usize,
    /// Which of the mechanism's drives it is.
    latest: usize,
    /// Its readings make the samples.
    leads: bool,
}

#[derive(Clone, Debug)]
struct Assembly {
    stale_after: Span,
    /// What each drive of this mechanism last said, by the drives' names.
    latest: Vec<Latest>,
}

#[derive(Clone, Debug, Default)]
struct Latest {
    at: Reading,
    values: Vec<(Target, Decoded)>,
}

impl Assembler {
    /// An assembler that has seen nothing.
    pub fn new(config: &Config) -> Self {
        let mut fed = BTreeMap::<String, Vec<Feed>>::new();
        let mut mechanisms = Vec::new();
        for (index, (_, mechanism)) in config.mechanisms().enumerate() {
            let feeds = |flag| mechanism.signals.iter().find(|s| s.target == Target::Flag(flag));
            let lead = feeds(Flag::Raising).or_else(|| feeds(Flag::Lowering)).or(mechanism.signals.first());
            let drives: BTreeSet<&str> = mechanism.signals.iter().map(|s| s.drive.as_str()).collect();
            for (latest, &drive) in drives.iter().enumerate() {
                let feed = Feed { mechanism: index, latest, leads: lead.is_some_and(|lead| lead.drive == drive) };
                fed.entry(drive.to_owned()).or_default().push(feed);
            }
            let latest = vec![Latest::default(); drives.len()];
            mechanisms.push(Assembly { stale_after: mechanism.spec.stale_after, latest });
        }
        Assembler { mechanisms, fed }
    }

    /// Takes a reading, once, whatever it repeats; puts the samples that it completes into `samples`, each with its mechanism's index.
    pub fn take_into(&mut self, reading: &DriveReading, samples: &mut Vec<(usize, Sample)>) {
        for feed in self.fed.get(&*reading.drive).into_iter().flatten() {
            let Some(assembly) = self.mechanisms.get_mut(feed.mechanism) else { continue };
            let Some(latest) = assembly.latest.get_mut(feed.latest) else { continue };
            latest.at = reading.at;
            latest.values.clear();
            let own = reading.values.iter().filter(|value| value.mechanism == feed.mechanism);
            latest.values.extend(own.map(|value| (value.target, value.value)));
            if feed.leads {
                samples.push((feed.mechanism, assembly.sample(reading.at)));
            }
        }
    }

    /// As [`Assembler::take_into`], into a list of its own.
    pub fn take(&mut self, reading: &DriveReading) -> Vec<(usize, Sample)> {
        let mut samples = Vec::new();
        self.take_into(reading, &mut samples);
        samples
    }
}

impl Assembly {
    fn sample(&self, at: Reading) -> Sample {
        let mut sample = Sample::at(at.wall);
        for latest in &self.latest {
            let age = at.mono.as_ms().saturating_sub(latest.at.mono.as_ms());
            if age > self.stale_after.as_ms() {
                continue;
            }
            for (target, value) in &latest.values {
                match (target, value) {
                    (Target::Quantity(quantity), Decoded::Number(number)) => sample.set(*quantity, Some(*number)),
                    (Target::Flag(flag), Decoded::Flag(on)) => sample.set_flag(*flag, Some(*on)),
                    _ => {}
                }
            }
        }
        sample
    }
}

#[cfg(test)]
#[path = "assemble_tests.rs"]
mod tests;
