//! A known plan of lifts, and what it adds up to by plain arithmetic of our own: the truth that the product is held to.

/// A stretch of the plan: the load goes in a straight line from one value to the other.
#[derive(Clone, Copy, Debug)]
pub struct Segment {
    /// How long, seconds.
    pub seconds: f64,
    /// Load at its beginning, kg.
    pub from_kg: f64,
    /// Load at its end, kg.
    pub to_kg: f64,
    /// The hoist raises.
    pub up: bool,
    /// The hoist lowers.
    pub down: bool,
}

/// A plan with its truth.
#[derive(Clone, Debug)]
pub struct Plan {
    /// Rated load, kg.
    pub rated_kg: f64,
    /// The stretches, one after the other.
    pub segments: Vec<Segment>,
    /// Lifts so far.
    pub lifts: u64,
    /// Lifts above the rated load so far.
    pub overload_lifts: u64,
    /// Settled load of each lift, kg.
    pub loads_kg: Vec<f64>,
}

impl Plan {
    /// An empty plan.
    pub fn new(rated_kg: f64) -> Self {
        Plan { rated_kg, segments: Vec::new(), lifts: 0, overload_lifts: 0, loads_kg: Vec::new() }
    }

    /// `count` lifts of the repository's own choosing: every fifth hangs and is raised again, every third of those
    /// twice; lift number `overload` is at 108 %; loads from 8 to 98 % of rated.
    pub fn of_lifts(rated_kg: f64, count: u64, overload: u64) -> Self {
        let mut plan = Plan::new(rated_kg);
        plan.rest(1.5);
        for i in 0..count {
            let fraction = if i == overload { 1.08 } else { 0.08 + 0.9 * ((i * 37 % 101) as f64 / 100.0) };
            let raises = match i % 15 {
                0 => 3,
                5 | 10 => 2,
                _ => 1,
            };
            plan.lift(fraction * rated_kg, raises, 0.7 + 0.1 * (i % 4) as f64);
            // All other times are whole tenths of a second, as the polling period is: without this each lift would be
            // sampled at the same places, and the error of one would be that of all (up to 1.4 % of km).
            plan.rest(0.1 * (i as f64 * 0.618_033_988_7).fract());
        }
        plan.rest(1.0);
        plan
    }

    fn push(&mut self, seconds: f64, from_kg: f64, to_kg: f64, up: bool, down: bool) {
        self.segments.push(Segment { seconds, from_kg, to_kg, up, down });
    }

    /// The empty hook stands still.
    pub fn rest(&mut self, seconds: f64) {
        self.push(seconds, 0.0, 0.0, false, false);
    }

    /// A run of the empty hook upward.
    pub fn run(&mut self, seconds: f64) {
        self.push(seconds, 0.0, 0.0, true, false);
    }

    /// One lift: slack, take-up with a jerk of 12 %, `raises` runs upward with a pause before each further one, a
    /// run downward, set-down, slack.
    pub fn lift(&mut self, load_kg: f64, raises: u32, run_s: f64) {
        self.push(0.3, 0.0, 0.0, true, false);
        self.push(0.2, 0.0, load_kg * 1.12, true, false);
        self.push(0.1, load_kg * 1.12, load_kg, true, false);
        self.push(run_s, load_kg, load_kg, true, false);
        for _ in 1..raises {
            self.push(0.6, load_kg, load_kg, false, false);
            self.push(run_s, load_kg, load_kg, true, false);
        }
        self.push(0.6, load_kg, load_kg, false, false);
        self.push(run_s, load_kg, load_kg, false, true);
        self.push(0.2, load_kg, 0.0, false, true);
        self.push(0.3, 0.0, 0.0, false, true);
        self.rest(1.3);
        self.lifts += 1;
        self.overload_lifts += u64::from(load_kg > self.rated_kg);
        self.loads_kg.push(load_kg);
    }

    /// How long it takes, seconds.
    pub fn seconds(&self) -> f64 {
        self.segments.iter().map(|s| s.seconds).sum()
    }

    /// Running time, seconds.
    pub fn running_seconds(&self) -> f64 {
        self.segments.iter().filter(|s| s.up || s.down).map(|s| s.seconds).sum()
    }

    /// Runs.
    pub fn starts(&self) -> u64 {
        let runs: Vec<bool> = self.segments.iter().map(|s| s.up || s.down).collect();
        runs.windows(2).filter(|pair| !pair[0] && pair[1]).count() as u64
    }

    /// km: the mean of (P/Prated)³ over running time. Over a straight line from a to b the mean of the cube is
    /// (a³ + a²b + ab² + b³) / 4.
    pub fn spectrum_factor(&self) -> f64 {
        let cubes: f64 = self
            .segments
            .iter()
            .filter(|s| s.up || s.down)
            .map(|s| {
                let (a, b) = (s.from_kg / self.rated_kg, s.to_kg / self.rated_kg);
                s.seconds * (a.powi(3) + a * a * b + a * b * b + b.powi(3)) / 4.0
            })
            .sum();
        cubes / self.running_seconds()
    }

    /// The plan as `tests/peers/drive.py` reads it.
    pub fn to_json(&self) -> String {
        let rows: Vec<_> = self
            .segments
            .iter()
            .map(|s| serde_json::json!([s.seconds, s.from_kg, s.to_kg, u8::from(s.up), u8::from(s.down)]))
            .collect();
        serde_json::Value::from(rows).to_string()
    }

    /// The state at a time of the plan: load in kg, up, down.
    pub fn at(&self, mut seconds: f64) -> (f64, bool, bool) {
        for s in &self.segments {
            if seconds < s.seconds {
                return (s.from_kg + (s.to_kg - s.from_kg) * seconds / s.seconds, s.up, s.down);
            }
            seconds -= s.seconds;
        }
        (0.0, false, false)
    }

    /// The plan as a samples file at a steady period.
    pub fn to_csv(&self, period_s: f64) -> String {
        let mut text = String::from("time,load_kg,raising,lowering\n");
        let count = (self.seconds() / period_s) as u64;
        for i in 0..=count {
            let at = i as f64 * period_s;
            let (load, up, down) = self.at(at);
            text.push_str(&format!("{at:.3},{load:.3},{},{}\n", u8::from(up), u8::from(down)));
        }
        text
    }
}
