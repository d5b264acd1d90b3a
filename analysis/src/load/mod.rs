//! Where a load comes from: the stage before the recorder.
//!
//! ```text
//! sample ─▶ Stage ─sample with a load─▶ Recorder        a load cell read as it is: passed on unchanged
//!             │ motor torque ─Curve─▶ estimate, while the hoist turns at a steady speed
//!             └ held back until the lift's load is settled, ten minutes at most
//! ```
//!
//! A motor's torque tells the load only while the hoist turns steadily, and another one up than down. So [`Stage`] holds
//! the samples of a lift back until it has ended, and hands them on with the settled load in each: running time before
//! the first valid estimate is booked at the lift's load, and no ramp of a take-up enters the spectrum. While the load
//! hangs still the last estimate stands. Before the first one there is no load at all, not zero. When the rope came tight
//! within a ramp, the ramp as a whole tells (`ramp.rs`).
//!
//! Everything that is held back is in [`State`]; samples cut anywhere, stored and resumed give the same bits.

mod curve;
pub mod doubt;
pub mod dynamics;
pub mod health;
mod points;
mod ramp;
mod stage;
pub mod uncertainty;

pub use curve::{Curve, CurveFault};
pub use points::{Run, Runs, Set, Steadiness, odd_one, off_the_line, sets};
pub use stage::{MOST_HELD, Stage, State};

use self::dynamics::HoistingClass;
use crate::units::Span;

/// Which signal the load is taken from.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
pub enum Lead {
    /// The load signal, [`crate::sample::Quantity::Load`].
    #[default]
    Cell,
    /// The motor's torque or current, [`crate::sample::Quantity::Torque`].
    Torque,
}

/// How motor torque or current tells the load.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Calibration {
    /// While raising: reading to payload.
    pub raising: Curve,
    /// While lowering.
    pub lowering: Curve,
    /// Slowest speed at which a reading holds, 0.001 % of rated; zero without a speed signal.
    pub min_speed: i64,
    /// Steepest change of speed at which a reading holds, 0.001 % of rated a second.
    pub max_slope: i64,
    /// How long the hoist must have turned steadily.
    pub settle: Span,
    /// Readings within this time of a run's end do not hold: the slowing down of a drive whose speed is not read.
    pub tail: Span,
}

/// What the stage must know beyond the recorder's [`crate::recorder::Spec`].
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Terms {
    /// Which signal leads.
    pub lead: Lead,
    /// How torque tells the load; `None` where it is not known (yet).
    pub calibration: Option<Calibration>,
    /// Running time of a load signal is booked at the settled load of its lift, as that of a torque always is, and not
    /// at the reading of the moment.
    pub settled: bool,
    /// How far a load signal may be corrected for the drift of its zero, thousandths of the rated load; `None` where it is
    /// booked as it is read.
    pub correct_zero: Option<i64>,
    /// Standard uncertainty of a load for its source that somebody has stated, thousandths of the rated load.
    pub uncertainty: Option<i64>,
    /// Class of the hoist, for the greatest peak that is no jerk.
    pub hoisting_class: HoistingClass,
    /// That peak over the settled load in thousandths, where somebody has set it.
    pub jerk_limit: Option<i64>,
}

impl Terms {
    /// Standard uncertainty of a load for its source alone, a fraction of the rated load; see [`doubt`] for what a lift adds.
    pub fn standard_uncertainty(&self) -> f64 {
        let usual = match self.lead {
            Lead::Cell => uncertainty::USUAL_OF_CELL,
            Lead::Torque => uncertainty::USUAL_OF_TORQUE,
        };
        self.uncertainty.unwrap_or(usual) as f64 / 1000.0
    }

    /// The greatest peak over settled load that is no jerk, thousandths: as set, or that of the class at rated speed. Where
    /// no speed is known, at 0.1 m/s, which few hoists take a load up at.
    pub fn greatest_peak(&self, rated_speed_mm_s: Option<i64>) -> i64 {
        self.jerk_limit.unwrap_or_else(|| self.hoisting_class.hoist_factor(rated_speed_mm_s.unwrap_or(100)))
    }

    /// Whether a load signal is booked at the reading of the moment, if less the drift of its zero.
    pub fn passes(&self) -> bool {
        self.lead == Lead::Cell && !self.settled
    }
}
