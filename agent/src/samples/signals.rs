//! Which signals some samples can hold.

use tallyhook_analysis::recorder::Spec;
use tallyhook_analysis::sample::{Flag, Quantity, Sample};

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
