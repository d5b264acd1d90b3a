//! One reading of a mechanism: every signal is either known or "not read".

use crate::units::{Grams, Timestamp};

/// A two-state signal of a drive or panel.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash, PartialOrd, Ord)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
#[repr(u8)]
pub enum Flag {
    /// The motor runs in the raising direction (for a traverse or travel: forward).
    Raising = 0,
    /// The motor runs in the lowering direction (for a traverse or travel: back).
    Lowering = 1,
    /// The load limiter says overload.
    Overload = 2,
    /// The upper limit switch is open.
    UpperLimit = 3,
    /// The lower limit switch is open.
    LowerLimit = 4,
    /// The slack-rope switch has tripped.
    SlackRope = 5,
    /// The holding brake is released.
    BrakeOpen = 6,
    /// The drive reports a fault.
    Fault = 7,
}

impl Flag {
    /// All flags, in the order of their bits.
    pub const ALL: [Flag; 8] = [
        Flag::Raising,
        Flag::Lowering,
        Flag::Overload,
        Flag::UpperLimit,
        Flag::LowerLimit,
        Flag::SlackRope,
        Flag::BrakeOpen,
        Flag::Fault,
    ];

    /// The signal's name in the samples file and the configuration.
    pub const fn name(self) -> &'static str {
        match self {
            Flag::Raising => "raising",
            Flag::Lowering => "lowering",
            Flag::Overload => "overload",
            Flag::UpperLimit => "upper_limit",
            Flag::LowerLimit => "lower_limit",
            Flag::SlackRope => "slack_rope",
            Flag::BrakeOpen => "brake_open",
            Flag::Fault => "fault",
        }
    }
}

/// A number-valued signal.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash, PartialOrd, Ord)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "snake_case"))]
#[repr(u8)]
pub enum Quantity {
    /// Load on the hook, unit of the sample: grams.
    Load = 0,
    /// Motor torque, unit of the sample: 0.001 % of rated torque.
    Torque = 1,
    /// Motor speed, unit of the sample: 0.001 % of rated speed.
    Speed = 2,
    /// Hook height, unit of the sample: millimetres.
    Height = 3,
    /// Trolley position, unit of the sample: millimetres.
    Trolley = 4,
    /// Bridge position, unit of the sample: millimetres.
    Bridge = 5,
    /// The drive's own hour counter, unit of the sample: milliseconds.
    RunHours = 6,
    /// The drive's own start counter, unit of the sample: starts.
    Starts = 7,
}

impl Quantity {
    /// All quantities, in the order of their slots.
    pub const ALL: [Quantity; 8] = [
        Quantity::Load,
        Quantity::Torque,
        Quantity::Speed,
        Quantity::Height,
        Quantity::Trolley,
        Quantity::Bridge,
        Quantity::RunHours,
        Quantity::Starts,
    ];

    /// The signal's name, with its outside unit, in the samples file and the configuration.
    pub const fn name(self) -> &'static str {
        match self {
            Quantity::Load => "load_kg",
            Quantity::Torque => "torque_pct",
            Quantity::Speed => "speed_pct",
            Quantity::Height => "height_m",
            Quantity::Trolley => "trolley_m",
            Quantity::Bridge => "bridge_m",
            Quantity::RunHours => "run_hours",
            Quantity::Starts => "starts",
        }
    }

    /// Sample units in one outside unit: a load of 1 kg is 1000 grams in the sample.
    pub const fn per_outside_unit(self) -> f64 {
        match self {
            Quantity::RunHours => 3_600_000.0,
            Quantity::Starts => 1.0,
            _ => 1000.0,
        }
    }

    /// The outside value (kg, %, m, h, starts) in sample units, rounded to the nearest; `None` when it is not a
    /// finite number or lies outside ±2^53, which no real signal does.
    pub fn from_outside(self, value: f64) -> Option<i64> {
        let scaled = value * self.per_outside_unit();
        (scaled.is_finite() && scaled.abs() <= 9_007_199_254_740_992.0).then(|| scaled.round() as i64)
    }

    /// A sample value in the outside unit.
    pub fn to_outside(self, value: i64) -> f64 {
        value as f64 / self.per_outside_unit()
    }
}

/// All signals of one mechanism at one instant. A signal that was not read is absent, never its last value.
///
/// Values are integers in the units named at [`Quantity`], so that a sample written as text and read back is the
/// same sample to the bit.
///
/// ```
/// use tallyhook_analysis::sample::{Flag, Quantity, Sample};
/// use tallyhook_analysis::units::{Grams, Timestamp};
/// let mut s = Sample::at(Timestamp::from_ms(0));
/// s.set_flag(Flag::Raising, Some(true));
/// s.set(Quantity::Load, Some(2_500_000));
/// assert_eq!(s.load(), Some(Grams::from_kg(2500.0)));
/// assert_eq!(s.flag(Flag::Lowering), None, "not read is not false");
/// assert_eq!(s.running_of(true, true), Some(true), "one direction known to run is enough");
/// ```
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Sample {
    /// When it was read.
    pub at: Timestamp,
    values: [i64; 8],
    values_known: u8,
    flags: u8,
    flags_known: u8,
}

impl Sample {
    /// A sample in which nothing has been read yet.
    pub const fn at(at: Timestamp) -> Self {
        Sample { at, values: [0; 8], values_known: 0, flags: 0, flags_known: 0 }
    }

    /// A number-valued signal in sample units, or `None` when it was not read.
    pub const fn get(&self, quantity: Quantity) -> Option<i64> {
        let slot = quantity as usize;
        if self.values_known & (1 << slot) != 0 { Some(self.values[slot]) } else { None }
    }

    /// Sets or clears a number-valued signal, in sample units.
    pub const fn set(&mut self, quantity: Quantity, value: Option<i64>) {
        let slot = quantity as usize;
        match value {
            Some(v) => {
                self.values[slot] = v;
                self.values_known |= 1 << slot;
            }
            None => {
                self.values[slot] = 0;
                self.values_known &= !(1 << slot);
            }
        }
    }

    /// A two-state signal, or `None` when it was not read.
    pub const fn flag(&self, flag: Flag) -> Option<bool> {
        let bit = 1 << flag as u8;
        if self.flags_known & bit != 0 { Some(self.flags & bit != 0) } else { None }
    }

    /// Sets or clears a two-state signal.
    pub const fn set_flag(&mut self, flag: Flag, value: Option<bool>) {
        let bit = 1 << flag as u8;
        self.flags &= !bit;
        self.flags_known &= !bit;
        if let Some(on) = value {
            self.flags_known |= bit;
            if on {
                self.flags |= bit;
            }
        }
    }

    /// Whether the same signals were read, and each two-state signal is as in `other`.
    pub(crate) const fn reads_like(&self, other: &Sample) -> bool {
        let values = self.values_known ^ other.values_known;
        values | (self.flags_known ^ other.flags_known) | (self.flags ^ other.flags) == 0
    }

    /// The load as it was read, grams beyond the range of [`Grams`] too; zero where it was not read.
    pub(crate) const fn raw_load(&self) -> i64 {
        self.values[Quantity::Load as usize]
    }

    /// Whether it says the same of a quantity as `other`, which reads alike.
    pub(crate) const fn says_as(&self, other: &Sample, quantity: Quantity) -> bool {
        self.values[quantity as usize] == other.values[quantity as usize]
    }

    /// The load on the hook.
    pub const fn load(&self) -> Option<Grams> {
        match self.get(Quantity::Load) {
            Some(grams) => Some(Grams::new(grams)),
            None => None,
        }
    }

    /// Whether the motor runs in either direction, for a mechanism that has a raising and/or a lowering signal.
    ///
    /// One direction known to run is enough. To know that it stands still, every direction it has must have been
    /// read; otherwise the answer is `None`.
    pub const fn running_of(&self, has_raising: bool, has_lowering: bool) -> Option<bool> {
        let up = if has_raising { self.flag(Flag::Raising) } else { Some(false) };
        let down = if has_lowering { self.flag(Flag::Lowering) } else { Some(false) };
        match (up, down) {
            (Some(true), _) | (_, Some(true)) => Some(true),
            (Some(false), Some(false)) => Some(false),
            _ => None,
        }
    }

    /// Whether no signal at all was read.
    pub const fn is_blank(&self) -> bool {
        self.values_known == 0 && self.flags_known == 0
    }
}
