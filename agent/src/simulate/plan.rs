//! What will happen: a day's movements from the seed and the date, and what they add up to.

use fastrand::Rng;
use jiff::civil::Date;
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::units::{MS_PER_HOUR, Span, Timestamp};

use super::course::{Course, Job, Motion, Segment};
use super::player::State;
use super::scenario::{LoadProfile, Scenario};

/// A scenario made into movements.
#[derive(Clone, Debug)]
pub struct Plan {
    scenario: Scenario,
    /// Where the seconds of named lifts count from.
    origin: Timestamp,
}

/// One lift as it was planned.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct PlannedLift {
    /// When the run began that took the load up.
    pub running_from: Timestamp,
    /// When the load began to come onto the hook.
    pub begin: Timestamp,
    /// When it was off again.
    pub end: Timestamp,
    /// Its load, kg.
    pub load_kg: f64,
    /// The highest load of the take-up, kg.
    pub peak_kg: f64,
    /// Raising runs with the load on the hook.
    pub raises: u32,
    /// Runs with the load on the hook, either direction.
    pub starts: u32,
    /// The load is above the rated load.
    pub overload: bool,
}

/// What the movements of a stretch add up to: the plan's own account, for comparison.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Truth {
    /// Lifts that end in it.
    pub lifts: Vec<PlannedLift>,
    /// Running edges.
    pub starts: u64,
    /// Running time, ms.
    pub running_ms: i64,
    /// The integral of (load/rated)³ over the running time, hours.
    pub full_load_hours: f64,
}

impl Truth {
    /// Lifts above the rated load.
    pub fn overload_lifts(&self) -> usize {
        self.lifts.iter().filter(|l| l.overload).count()
    }

    /// Running time, hours.
    pub fn running_hours(&self) -> f64 {
        self.running_ms as f64 / MS_PER_HOUR as f64
    }

    /// km, by running time; `None` without any.
    pub fn load_spectrum_factor(&self) -> Option<f64> {
        (self.running_ms > 0).then(|| self.full_load_hours / self.running_hours())
    }
}

/// When samples are taken.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Sampling {
    /// At an even period, as a poller does.
    Every(Span),
    /// At each change, every 200 ms while the load changes, and otherwise as seldom as the stale limit allows. For
    /// filling months in seconds.
    Changes {
        /// The mechanism's stale limit.
        stale_after: Span,
    },
}

/// The movements of a day, in order of time; between them all stands still with an empty hook.
#[derive(Clone, Debug, Default)]
pub struct DayPlan {
    /// The movements.
    pub segments: Vec<Segment>,
    /// The lifts they make up.
    pub lifts: Vec<PlannedLift>,
}

impl Plan {
    /// A plan; the seconds of named lifts count from `origin`.
    pub fn new(scenario: Scenario, origin: Timestamp) -> Self {
        Plan { scenario, origin }
    }

    /// The scenario that is played.
    pub fn scenario(&self) -> &Scenario {
        &self.scenario
    }

    /// Height of the hook while nothing is done, m.
    pub fn rest_m(&self) -> f64 {
        if self.scenario.is_named() { self.scenario.crane.place_m[0] } else { self.scenario.crane.carry_m[1] }
    }

    /// The date that an instant belongs to. Named lifts all belong to the first day.
    pub fn date(&self, at: Timestamp) -> Date {
        if self.scenario.is_named() {
            return self.scenario.began;
        }
        let instant = jiff::Timestamp::from_millisecond(at.as_ms()).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
        self.scenario.time_zone().to_datetime(instant).date()
    }

    /// The movements of a date. Every lift ends on the day it begins.
    pub fn day(&self, date: Date) -> DayPlan {
        let mut day = DayPlan::default();
        if self.scenario.is_named() {
            if date == self.scenario.began {
                self.named(&mut day);
            }
        } else if date >= self.scenario.began {
            self.drawn(date, &mut day);
        }
        day
    }

    fn named(&self, day: &mut DayPlan) {
        let crane = &self.scenario.crane;
        for lift in &self.scenario.lifts {
            let at = self.origin.plus(Span::from_seconds(lift.at));
            let speeds = (crane.hoist_m_per_min, crane.creep());
            let mut course = Course::new(&mut day.segments, &mut day.lifts, at, self.rest_m(), speeds);
            course.named(lift, crane.rated_load_kg);
        }
    }

    fn drawn(&self, date: Date, day: &mut DayPlan) {
        let scenario = &self.scenario;
        let number = date.since(Date::constant(1970, 1, 1)).map_or(0, |span| i64::from(span.get_days()));
        let mut rng = Rng::with_seed(scenario.seed ^ (number as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15));
        let idle = rng.f64() < scenario.chance.idle_day;
        let busy = scenario.months.get(date.month() as usize - 1).copied().unwrap_or(1.0);
        let crane = &scenario.crane;
        let mut shifts: Vec<_> =
            scenario.shifts.iter().filter(|s| s.days.iter().any(|d| d.is(date.weekday()))).collect();
        shifts.sort_by(|a, b| a.from.total_cmp(&b.from));
        let Some(midnight) = self.midnight(date).filter(|_| !idle && busy > 0.0) else { return };
        let mut free = midnight;
        for shift in shifts {
            let (from, to) = (self.hour(date, shift.from, midnight), self.hour(date, shift.to, midnight));
            let beat_ms = MS_PER_HOUR as f64 / (shift.lifts_per_hour * busy);
            let mut at = free.max(from).plus(Span::from_ms((rng.f64() * beat_ms * 0.5) as i64));
            while at < to {
                let (segments, lifts) = (day.segments.len(), day.lifts.len());
                let job = self.draw_job(&mut rng);
                let speeds = (crane.hoist_m_per_min, crane.creep());
                let mut course = Course::new(&mut day.segments, &mut day.lifts, at, self.rest_m(), speeds);
                course.fetch_and_place(&job, crane.rated_load_kg);
                // The hook goes back to where it rests, so that every lift begins at the same height.
                course.still(2.0);
                course.run_to(crane.carry_m[1]);
                let done = course.now();
                if done > to {
                    // The shift ends before the lift would.
                    day.segments.truncate(segments);
                    day.lifts.truncate(lifts);
                    break;
                }
                let next = at.plus(Span::from_ms((beat_ms * (0.6 + 0.8 * rng.f64())) as i64));
                at = next.max(done.plus(Span::from_ms(3000)));
                free = done.plus(Span::from_ms(3000));
            }
        }
    }

    fn draw_job(&self, rng: &mut Rng) -> Job {
        let (crane, chance) = (&self.scenario.crane, &self.scenario.chance);
        let between = |rng: &mut Rng, low: f64, high: f64| low + (high - low) * rng.f64();
        let fraction =
            if rng.f64() < chance.overload { between(rng, 1.02, 1.10) } else { draw_load(&self.scenario.loads, rng) };
        let mut again = 0;
        while again < 3 && rng.f64() < chance.raised_again {
            again += 1;
        }
        let hang_s = if rng.f64() < chance.left_hanging { between(rng, 120.0, 900.0) } else { 0.0 };
        Job {
            load_kg: (fraction * crane.rated_load_kg).round(),
            fetch_m: between(rng, crane.place_m[0], crane.place_m[1]),
            place_m: between(rng, crane.place_m[0], crane.place_m[1]),
            carry_m: between(rng, crane.carry_m[0], crane.carry_m[1]),
            sling_s: between(rng, 15.0, 45.0),
            carry_s: between(rng, 15.0, 45.0),
            unsling_s: between(rng, 10.0, 25.0),
            hang_s,
            again,
        }
    }

    /// The instant at which a date begins in the yard.
    fn midnight(&self, date: Date) -> Option<Timestamp> {
        let zoned = self.scenario.time_zone().to_zoned_datetime(date.to_datetime(jiff::civil::Time::midnight()));
        zoned.ok().map(|z| Timestamp::from_ms(z.timestamp().as_millisecond()))
    }

    /// An hour of the local day; hours that a clock change skips or doubles are taken as the calendar does.
    fn hour(&self, date: Date, hour: f64, midnight: Timestamp) -> Timestamp {
        let minutes = (hour * 60.0).round() as i64;
        let local = jiff::civil::Time::new((minutes / 60) as i8, (minutes % 60) as i8, 0, 0).ok();
        let zoned = local.and_then(|t| self.scenario.time_zone().to_zoned_datetime(date.to_datetime(t)).ok());
        match zoned {
            Some(zoned) => Timestamp::from_ms(zoned.timestamp().as_millisecond()),
            // 24:00 is the next midnight.
            None => date.tomorrow().ok().and_then(|d| self.midnight(d)).unwrap_or(midnight),
        }
    }

    /// The dates that a stretch touches.
    fn dates(&self, from: Timestamp, to: Timestamp) -> impl Iterator<Item = Date> + use<> {
        let (first, last) = (self.date(from), self.date(to));
        std::iter::successors(Some(first), |d| d.tomorrow().ok()).take_while(move |d| *d <= last)
    }

    /// What the stretch adds up to. Exact where it begins and ends with the hoist at rest.
    pub fn truth(&self, from: Timestamp, to: Timestamp) -> Truth {
        let mut truth = Truth::default();
        let rated = self.scenario.crane.rated_load_kg;
        for date in self.dates(from, to) {
            let day = self.day(date);
            truth.lifts.extend(day.lifts.iter().filter(|l| l.end > from && l.end <= to));
            let mut last = None;
            for segment in day.segments.iter().filter(|s| s.from >= from && s.to <= to) {
                let runs = segment.motion != Motion::Still;
                if runs && last != Some((segment.from, true)) {
                    truth.starts += 1;
                }
                last = Some((segment.to, runs));
                if runs {
                    truth.running_ms += segment.span().as_ms();
                    let (a, b) = (segment.load_kg.0 / rated, segment.load_kg.1 / rated);
                    // The mean of a cube that changes evenly from a to b: (a³ + a²b + ab² + b³) / 4.
                    truth.full_load_hours += (a + b) * (a * a + b * b) / 4.0 * segment.span().as_hours();
                }
            }
        }
        truth
    }

    /// Samples of the stretch, in order of time, the first at `from`; none after `to`.
    pub fn samples(&self, from: Timestamp, to: Timestamp, sampling: Sampling) -> impl Iterator<Item = Sample> + use<> {
        let plan = self.clone();
        let mut next = from;
        self.dates(from, to).flat_map(move |date| {
            // A day's samples reach to where the next date begins.
            let ends = match date.tomorrow().ok().filter(|_| !plan.scenario.is_named()) {
                Some(tomorrow) => plan.midnight(tomorrow).unwrap_or(to).min(to.plus(Span::from_ms(1))),
                None => to.plus(Span::from_ms(1)),
            };
            let day = plan.day(date);
            let instants = instants(&day.segments, next, ends, sampling);
            if let Sampling::Every(period) = sampling {
                next = instants.last().map_or(next, |t| t.plus(Span::from_ms(period.as_ms().max(1))));
            } else {
                next = next.max(ends);
            }
            let mut index = 0;
            let mut samples = Vec::with_capacity(instants.len());
            for at in instants {
                while day.segments.get(index).is_some_and(|s| s.to <= at) {
                    index += 1;
                }
                let segment = day.segments.get(index).filter(|s| s.from <= at);
                samples.push(State::of(&plan, segment, at).sample(at));
            }
            samples
        })
    }
}

/// When a stretch is sampled.
fn instants(segments: &[Segment], from: Timestamp, ends: Timestamp, sampling: Sampling) -> Vec<Timestamp> {
    let mut out = Vec::new();
    let mut fill = |from: Timestamp, to: Timestamp, step: Span| {
        let step = Span::from_ms(step.as_ms().max(1));
        let mut at = from;
        while at < to {
            out.push(at);
            at = at.plus(step);
        }
    };
    match sampling {
        Sampling::Every(period) => fill(from, ends, period),
        Sampling::Changes { stale_after } => {
            let mut at = from;
            for segment in segments.iter().filter(|s| s.to > from && s.from < ends) {
                fill(at, segment.from, stale_after);
                let step = if segment.load_changes() { Span::from_ms(200) } else { stale_after };
                fill(segment.from.max(from), segment.to.min(ends), step);
                at = segment.to.min(ends);
            }
            fill(at, ends, stale_after);
        }
    }
    out
}

/// A load as a fraction of the rated load, from the profiles; between 0.08 and 0.985.
fn draw_load(profiles: &[LoadProfile], rng: &mut Rng) -> f64 {
    let total: f64 = profiles.iter().map(|p| p.weight).sum();
    let mut pick = rng.f64() * total;
    for profile in profiles {
        pick -= profile.weight;
        if pick < 0.0 {
            // Twelve even draws make a bell with standard deviation 1.
            let bell: f64 = (0..12).map(|_| rng.f64()).sum::<f64>() - 6.0;
            return (profile.mean + profile.sd * bell).clamp(0.08, 0.985);
        }
    }
    0.08
}

impl State {
    /// The state as a sample: what a drive that is read without fault would give.
    pub fn sample(&self, at: Timestamp) -> Sample {
        let mut sample = Sample::at(at);
        sample.set(Quantity::Load, Quantity::Load.from_outside(self.load_kg));
        sample.set(Quantity::Speed, Quantity::Speed.from_outside(self.speed_pct));
        sample.set(Quantity::Height, Quantity::Height.from_outside(self.height_m));
        sample.set_flag(Flag::Raising, Some(self.motion == Motion::Raising));
        sample.set_flag(Flag::Lowering, Some(self.motion == Motion::Lowering));
        sample.set_flag(Flag::BrakeOpen, Some(self.motion != Motion::Still));
        sample.set_flag(Flag::Overload, Some(self.overload));
        sample
    }
}

#[cfg(test)]
#[path = "plan_tests.rs"]
mod tests;
