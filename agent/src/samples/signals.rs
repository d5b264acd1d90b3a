//! Which signals some samples can hold.

use tallyhook_analysis::load::{Lead, Terms};
use tallyhook_analysis::recorder::Spec;
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::units::Span;

/// How long a motor must have run before its torque tells the load, where its speed is not known (the configuration's
/// default).
const BLIND_SETTLE: Span = Span::from_ms(1_500);

/// A set of signals, and whether it says what the mechanism has.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct SignalSet {
    quantities: u8,
    flags: u8,
    /// A header names the signals there are. A recording has room for each, which says nothing of the mechanism.
    says: bool,
}

impl SignalSet {
    /// All signals: what a recording has room for. It says nothing of what the mechanism has.
    pub const ALL: SignalSet = SignalSet { quantities: 0xff, flags: 0xff, says: false };

    /// No signal yet, for a header.
    pub(super) const fn of_header() -> Self {
        SignalSet { quantities: 0, flags: 0, says: true }
    }

    /// Whether the number-valued signal is in it.
    pub const fn has(self, quantity: Quantity) -> bool {
        self.quantities & (1 << quantity as u8) != 0
    }

    /// Whether the two-state signal is in it.
    pub const fn has_flag(self, flag: Flag) -> bool {
        self.flags & (1 << flag as u8) != 0
    }

    pub(super) const fn add(&mut self, quantity: Quantity) {
        self.quantities |= 1 << quantity as u8;
    }

    pub(super) const fn add_flag(&mut self, flag: Flag) {
        self.flags |= 1 << flag as u8;
    }

    /// Adds the signals that were read in `sample`.
    pub fn add_read(&mut self, sample: &Sample) {
        Quantity::ALL.into_iter().filter(|q| sample.get(*q).is_some()).for_each(|q| self.add(q));
        Flag::ALL.into_iter().filter(|f| sample.flag(*f).is_some()).for_each(|f| self.add_flag(f));
    }

    /// All signals but a direction that `read` lacks while it has the other: the columns with which a recording goes
    /// out. An empty column for a direction that the mechanism has no signal for would be taken for one that was
    /// never read, and nothing would count as running.
    pub fn columns_for(read: SignalSet) -> Self {
        let mut columns = SignalSet { says: true, ..SignalSet::ALL };
        let directions = 1 << Flag::Raising as u8 | 1 << Flag::Lowering as u8;
        if read.flags & directions != 0 {
            columns.flags &= !directions | read.flags;
        }
        columns
    }

    /// Takes the load from the signal that a header has, where it has one of the two only. `false` where that is the
    /// torque, and the terms have no calibration for it.
    pub fn fit_load(&self, terms: &mut Terms) -> bool {
        if !self.says {
            return true;
        }
        match (self.has(Quantity::Load), self.has(Quantity::Torque)) {
            (true, false) => terms.lead = Lead::Cell,
            (false, true) => terms.lead = Lead::Torque,
            _ => {}
        }
        let (Lead::Torque, true) = (terms.lead, self.has(Quantity::Torque)) else { return true };
        let Some(calibration) = &mut terms.calibration else { return false };
        if !self.has(Quantity::Speed) && calibration.min_speed > 0 {
            // As in a configuration without the signal: time masks what is not steady.
            calibration.min_speed = 0;
            calibration.settle = calibration.settle.max(BLIND_SETTLE);
            calibration.tail = calibration.settle;
        }
        true
    }

    /// Whether a header has no signal that tells the load.
    pub fn lacks_load(&self) -> bool {
        self.says && !self.has(Quantity::Load) && !self.has(Quantity::Torque)
    }

    /// Tells the recorder which directions there are, where a header said so. A recording leaves `spec` as the
    /// configuration has it.
    pub fn fit(&self, spec: &mut Spec) {
        if self.says {
            spec.has_raising = self.has_flag(Flag::Raising);
            spec.has_lowering = self.has_flag(Flag::Lowering);
        }
    }
}

impl Default for SignalSet {
    /// No signal.
    fn default() -> Self {
        SignalSet::of_header()
    }
}
