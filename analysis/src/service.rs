//! Working periods of a mechanism, and the recorded services that end one and begin the next.
//!
//! When S reaches D a general overhaul is due; after it a new safe working period is laid down (FEM 9.755, ISO 12482
//! clause 7). The old period is closed with its ledger as it stood and kept; the new one begins at S = 0 with a D of its
//! own (restart from zero is our reading, mark C: check against the standard). Nothing else lowers a used share.

use crate::period::Ledger;
use crate::spectrum::Totals;

/// A service that ends a working period.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "kebab-case"))]
pub enum ServiceKind {
    /// General overhaul.
    Overhaul,
    /// The mechanism was replaced by another.
    Replacement,
    /// A new working period was laid down for another reason (a special assessment, say).
    NewPeriod,
}

/// A working period that is over.
#[derive(Clone, PartialEq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Closed {
    /// First day, days since 1970-01-01.
    pub began: i32,
    /// Day of the service that ended it.
    pub ended: i32,
    /// That service.
    pub by: ServiceKind,
    /// Its ledger, frozen.
    pub ledger: Ledger,
    /// Length of the gaps that are not in its S: too little was watched of those hours of the week, hours.
    #[cfg_attr(feature = "serde", serde(default, skip_serializing_if = "is_none"))]
    pub gap_left_out_hours: f64,
}

/// A store of before it was kept reads on, and one without it is as it was.
#[cfg(feature = "serde")]
fn is_none(hours: &f64) -> bool {
    *hours == 0.0
}

/// The working periods of a mechanism.
#[derive(Clone, PartialEq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Periods {
    closed: Vec<Closed>,
    began: i32,
    design: f64,
    /// The life's sums when the present period began.
    at_start: Totals,
}

impl Periods {
    /// The first period, from the day `began`, for D of `design` full-load hours.
    pub fn new(began: i32, design: f64) -> Self {
        Periods { closed: Vec::new(), began, design, at_start: Totals::default() }
    }

    /// Periods that are over, oldest first.
    pub fn closed(&self) -> &[Closed] {
        &self.closed
    }

    /// First day of the present period.
    pub fn began(&self) -> i32 {
        self.began
    }

    pub(crate) fn began_mut(&mut self) -> &mut i32 {
        &mut self.began
    }

    /// D of the present period, full-load hours.
    pub fn design(&self) -> f64 {
        self.design
    }

    /// The life's sums when the present period began.
    pub fn at_start(&self) -> &Totals {
        &self.at_start
    }

    /// The sums of the present period: the life's less those at its beginning.
    pub fn totals(&self, life: &Totals) -> Totals {
        let mut since = life.clone();
        let start = &self.at_start;
        since.observed_ms -= start.observed_ms.min(since.observed_ms);
        since.gap_ms -= start.gap_ms.min(since.gap_ms);
        since.running_ms -= start.running_ms.min(since.running_ms);
        since.load_unknown_ms -= start.load_unknown_ms.min(since.load_unknown_ms);
        since.band_ms.iter_mut().zip(start.band_ms).for_each(|(a, b)| *a -= b.min(*a));
        since.cube_ms -= start.cube_ms.min(since.cube_ms);
        since.starts -= start.starts.min(since.starts);
        since.lifts -= start.lifts.min(since.lifts);
        since.overload_lifts -= start.overload_lifts.min(since.overload_lifts);
        since.band_lifts.iter_mut().zip(start.band_lifts).for_each(|(a, b)| *a -= b.min(*a));
        since.lift_cubes -= start.lift_cubes.min(since.lift_cubes);
        since
    }

    /// Records a service: closes the present period with `ledger` as it stands and begins the next, with D of
    /// `design` full-load hours, at the sums `life`.
    pub fn service(&mut self, day: i32, by: ServiceKind, ledger: Ledger, life: &Totals, design: f64) {
        self.closed.push(Closed { began: self.began, ended: day, by, ledger, gap_left_out_hours: 0.0 });
        (self.began, self.design, self.at_start) = (day, design, life.clone());
    }

    /// The period that was closed last has gaps of so many hours that are not in its ledger.
    pub fn leave_out(&mut self, gap_hours: f64) {
        if let Some(closed) = self.closed.last_mut() {
            closed.gap_left_out_hours = gap_hours;
        }
    }
}

/// A budget in full-load hours of one rating.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Budget {
    /// D.
    pub design: f64,
    /// S.
    pub used: f64,
}

/// A lowered rating, told both ways: at the old rating (recommended: D and Pmax stay for the whole life) and at the
/// new one, D and S both over r³. The used share is the same in both.
///
/// ```
/// use tallyhook_analysis::service::{derated, Budget};
/// let (old, new) = derated(Budget { design: 1600.0, used: 1200.0 }, 0.5);
/// assert_eq!((old.design - old.used, new.design - new.used), (400.0, 3200.0)); // C3
/// ```
pub fn derated(budget: Budget, r: f64) -> (Budget, Budget) {
    let cubed = r * r * r;
    (budget, Budget { design: budget.design / cubed, used: budget.used / cubed })
}
