//! The state of the simulated hoist at an instant, with its counters.

use jiff::civil::Date;
use tallyhook_analysis::units::Timestamp;

use super::course::{Motion, Segment};
use super::plan::Plan;

/// Part of the load by which it swings about its mean.
const SWAY: f64 = 0.002;

/// The load limiter trips above this part of the rated load.
const LIMITER: f64 = 1.10;

/// What the drive would say at an instant.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct State {
    /// What the hoist does.
    pub motion: Motion,
    /// Load on the hook, kg.
    pub load_kg: f64,
    /// Height of the hook, m.
    pub height_m: f64,
    /// Speed, % of the hoisting speed; negative while lowering.
    pub speed_pct: f64,
    /// Motor torque, % of rated; the load's share while the hoist runs.
    pub torque_pct: f64,
    /// The load limiter has tripped.
    pub overload: bool,
    /// Running time since the crane's first day, ms.
    pub running_ms: i64,
    /// Starts since the crane's first day.
    pub starts: u64,
}

impl State {
    /// The state inside a segment, or at rest outside of any; counters are left at zero.
    pub(super) fn of(plan: &Plan, segment: Option<&Segment>, at: Timestamp) -> Self {
        let rest = State {
            motion: Motion::Still,
            load_kg: 0.0,
            height_m: plan.rest_m(),
            speed_pct: 0.0,
            torque_pct: 0.0,
            overload: false,
            running_ms: 0,
            starts: 0,
        };
        let Some(segment) = segment else { return rest };
        let rated = plan.scenario().crane.rated_load_kg;
        let mean = segment.load_at(at);
        // The same instant always swings the same way.
        let slot = at.as_ms().div_euclid(100) as u64;
        let swing =
            2.0 * fastrand::Rng::with_seed(plan.scenario().seed ^ slot.wrapping_mul(0x2545_F491_4F6C_DD1D)).f64() - 1.0;
        let load_kg = mean * (1.0 + SWAY * swing);
        let sign = match segment.motion {
            Motion::Still => 0.0,
            Motion::Raising => 1.0,
            Motion::Lowering => -1.0,
        };
        State {
            motion: segment.motion,
            load_kg,
            height_m: segment.height_at(at),
            speed_pct: sign * segment.speed_pct,
            torque_pct: if sign == 0.0 { 0.0 } else { 8.0 + 92.0 * load_kg / rated },
            overload: load_kg > LIMITER * rated,
            ..rest
        }
    }
}

/// Plays a plan: gives the state at any instant, cheaply where the instants come in order.
#[derive(Clone, Debug)]
pub struct Player {
    plan: Plan,
    date: Date,
    /// The day's segments, each with the day's running time and starts before it.
    segments: Vec<(Segment, i64, u64)>,
    /// Running time and starts of the whole days before `date`.
    before: (i64, u64),
    /// Running time and starts of `date`.
    today: (i64, u64),
}

impl Player {
    /// A player of the plan. Adds up the counters when first asked, from the crane's first day.
    pub fn new(plan: Plan) -> Self {
        let date = plan.scenario().began;
        let mut player = Player { plan, date, segments: Vec::new(), before: (0, 0), today: (0, 0) };
        player.load(date);
        player
    }

    /// The plan that is played.
    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    fn load(&mut self, date: Date) {
        let (mut running, mut starts, mut last) = (0, 0, None);
        self.segments.clear();
        for segment in self.plan.day(date).segments {
            let runs = segment.motion != Motion::Still;
            if runs && last != Some(segment.from) {
                starts += 1;
            }
            self.segments.push((segment, running, starts));
            if runs {
                running += segment.span().as_ms();
                last = Some(segment.to);
            }
        }
        self.today = (running, starts);
        self.date = date;
    }

    /// Moves to a date, adding up or starting over as need be.
    fn go_to(&mut self, date: Date) {
        if date < self.date {
            self.before = (0, 0);
            self.load(self.plan.scenario().began.min(date));
        }
        while self.date < date {
            self.before = (self.before.0 + self.today.0, self.before.1 + self.today.1);
            let Ok(next) = self.date.tomorrow() else { return };
            self.load(next);
        }
    }

    /// The state at an instant.
    pub fn at(&mut self, at: Timestamp) -> State {
        self.go_to(self.plan.date(at));
        let index = self.segments.partition_point(|(s, ..)| s.from <= at);
        let current = index.checked_sub(1).and_then(|i| self.segments.get(i));
        let inside = current.map(|(s, ..)| s).filter(|s| s.to > at);
        let mut state = State::of(&self.plan, inside, at);
        let (mut running, mut starts) = self.before;
        if let Some((segment, ran, started)) = current {
            running += ran;
            starts += started;
            if segment.motion != Motion::Still {
                running += at.since(segment.from).as_ms().min(segment.span().as_ms());
            }
        }
        state.running_ms = running;
        state.starts = starts;
        state
    }
}
