//! The course of a lift: what hook and load do, as segments over which all is still or changes evenly.

use tallyhook_analysis::units::{Span, Timestamp};

use super::plan::PlannedLift;

/// What the hoist does.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Motion {
    /// It stands still.
    Still,
    /// It raises.
    Raising,
    /// It lowers.
    Lowering,
}

/// A stretch in which load and height change evenly.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Segment {
    /// Its beginning.
    pub from: Timestamp,
    /// Its end; always after `from`.
    pub to: Timestamp,
    /// What the hoist does.
    pub motion: Motion,
    /// Load at the beginning and the end, kg.
    pub load_kg: (f64, f64),
    /// Height of the hook at the beginning and the end, m.
    pub height_m: (f64, f64),
    /// Speed, % of the hoisting speed.
    pub speed_pct: f64,
}

impl Segment {
    /// Its length.
    pub const fn span(&self) -> Span {
        self.to.since(self.from)
    }

    /// How far an instant is into it, 0 to 1.
    fn part(&self, at: Timestamp) -> f64 {
        (at.since(self.from).as_ms() as f64 / self.span().as_ms() as f64).clamp(0.0, 1.0)
    }

    /// The load at an instant, kg.
    pub fn load_at(&self, at: Timestamp) -> f64 {
        self.load_kg.0 + (self.load_kg.1 - self.load_kg.0) * self.part(at)
    }

    /// The height at an instant, m.
    pub fn height_at(&self, at: Timestamp) -> f64 {
        self.height_m.0 + (self.height_m.1 - self.height_m.0) * self.part(at)
    }

    /// Whether load or anything else but the height changes inside it.
    pub fn load_changes(&self) -> bool {
        self.load_kg.0 != self.load_kg.1
    }
}

/// How far above the load the take-up overshoots: the jerk of the rope coming taut.
const OVERSHOOT: f64 = 0.07;

/// Draws courses: each call appends a segment from where the last one ended.
pub(super) struct Course<'a> {
    pub(super) segments: &'a mut Vec<Segment>,
    pub(super) lifts: &'a mut Vec<PlannedLift>,
    now: Timestamp,
    height: f64,
    load: f64,
    /// Hoisting and creep speed, m/s.
    speeds: (f64, f64),
}

impl<'a> Course<'a> {
    /// A course that begins with an empty hook.
    pub(super) fn new(
        segments: &'a mut Vec<Segment>,
        lifts: &'a mut Vec<PlannedLift>,
        now: Timestamp,
        height: f64,
        speeds_m_per_min: (f64, f64),
    ) -> Self {
        let speeds = (speeds_m_per_min.0 / 60.0, speeds_m_per_min.1 / 60.0);
        Course { segments, lifts, now, height, load: 0.0, speeds }
    }

    pub(super) fn now(&self) -> Timestamp {
        self.now
    }

    fn push(&mut self, ms: i64, motion: Motion, load: f64, height: f64, speed_pct: f64) {
        if ms <= 0 {
            return;
        }
        let to = self.now.plus(Span::from_ms(ms));
        let (load_kg, height_m) = ((self.load, load), (self.height, height));
        self.segments.push(Segment { from: self.now, to, motion, load_kg, height_m, speed_pct });
        (self.now, self.load, self.height) = (to, load, height);
    }

    /// Rests.
    pub(super) fn still(&mut self, seconds: f64) {
        self.push((seconds * 1000.0) as i64, Motion::Still, self.load, self.height, 0.0);
    }

    /// Runs to a height at hoisting speed.
    pub(super) fn run_to(&mut self, height: f64) {
        let way = height - self.height;
        let motion = if way > 0.0 { Motion::Raising } else { Motion::Lowering };
        self.push((way.abs() / self.speeds.0 * 1000.0) as i64, motion, self.load, height, 100.0);
    }

    /// Runs for a time at hoisting speed, without regard to heights below zero.
    fn run_for(&mut self, motion: Motion, ms: i64) {
        let way = self.speeds.0 * ms as f64 / 1000.0;
        let height = if motion == Motion::Raising { self.height + way } else { (self.height - way).max(0.0) };
        self.push(ms, motion, self.load, height, 100.0);
    }

    fn creep(&mut self, motion: Motion, ms: i64, load: f64) {
        let way = self.speeds.1 * ms as f64 / 1000.0;
        let height = if motion == Motion::Raising { self.height + way } else { (self.height - way).max(0.0) };
        self.push(ms, motion, load, height, self.speeds.1 / self.speeds.0 * 100.0);
    }

    /// Takes a load up at creep: slack rope, ramp with a slight overshoot, settled. Runs on; 2.6 s.
    fn take_up(&mut self, load: f64, rated: f64) {
        let running_from = self.now;
        self.creep(Motion::Raising, 600, 0.0);
        let begin = self.now;
        self.creep(Motion::Raising, 900, load * (1.0 + OVERSHOOT));
        self.creep(Motion::Raising, 600, load);
        self.creep(Motion::Raising, 500, load);
        self.lifts.push(PlannedLift {
            running_from,
            begin,
            end: begin,
            load_kg: load,
            peak_kg: load * (1.0 + OVERSHOOT),
            raises: 1,
            starts: 1,
            overload: load > rated,
        });
    }

    /// Sets the load down at creep: ramp, then slack rope. 2 s.
    fn set_down(&mut self) {
        self.creep(Motion::Lowering, 1000, 0.0);
        if let Some(lift) = self.lifts.last_mut() {
            lift.end = self.now;
        }
        self.creep(Motion::Lowering, 1000, 0.0);
    }

    fn note(&mut self, starts: u32, raises: u32) {
        if let Some(lift) = self.lifts.last_mut() {
            lift.starts += starts;
            lift.raises += raises;
        }
    }

    /// A load is fetched from one place and set down at another; the hook ends where it is carried.
    pub(super) fn fetch_and_place(&mut self, job: &Job, rated: f64) {
        self.run_to(job.fetch_m);
        self.still(job.sling_s);
        self.take_up(job.load_kg, rated);
        self.run_to(job.carry_m);
        self.still(job.carry_s);
        for _ in 0..job.again {
            self.run_to(self.height - 0.5);
            self.still(3.0);
            self.run_to(self.height + 0.5);
            self.still(4.0);
            self.note(2, 1);
        }
        self.still(job.hang_s);
        self.run_to(job.place_m);
        self.set_down();
        self.note(1, 0);
        self.still(job.unsling_s);
        self.run_to(job.carry_m);
    }

    /// A lift by name: the hook stays at the load.
    pub(super) fn named(&mut self, lift: &super::scenario::NamedLift, rated: f64) {
        let ms = |seconds: f64| (seconds * 1000.0) as i64;
        let begun = self.now;
        self.take_up(lift.load_kg, rated);
        let crept = self.now.since(begun).as_ms();
        self.run_for(Motion::Raising, ms(lift.raise_s) - crept);
        for _ in 1..lift.raises {
            self.still(lift.pause_s);
            self.run_for(Motion::Raising, ms(lift.raise_s));
            self.note(1, 1);
        }
        self.still(lift.hang_s);
        self.run_for(Motion::Lowering, ms(lift.raise_s) * i64::from(lift.raises));
        self.set_down();
        self.note(1, 0);
    }
}

/// What one fetch-and-place job is made of.
pub(super) struct Job {
    pub(super) load_kg: f64,
    pub(super) fetch_m: f64,
    pub(super) place_m: f64,
    pub(super) carry_m: f64,
    pub(super) sling_s: f64,
    pub(super) carry_s: f64,
    pub(super) unsling_s: f64,
    pub(super) hang_s: f64,
    pub(super) again: u32,
}
