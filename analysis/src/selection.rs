//! What FEM 9.511 and FEM 9.755 reckon with where nothing is metered: a spectrum given by hand, running time by
//! estimate, dead load.

use std::fmt;

/// One step of a load spectrum given by hand.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Step {
    /// Load over rated load (Pi/Pmax), pure fraction: 0 ..= [`Step::MOST_LOAD`]. Pmax is the rated load, not the
    /// largest load seen.
    pub load: f64,
    /// Its share of the running time (for km) or of the lifts (for Kp), 0 or more, in any one unit.
    pub share: f64,
}

impl Step {
    /// The highest load that is taken for a fraction: beyond it, percent were meant.
    pub const MOST_LOAD: f64 = 2.0;
}

/// Why steps make no spectrum.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum StepFault {
    /// A load is negative, not a number, or above [`Step::MOST_LOAD`].
    Load(f64),
    /// A share is negative or not a number.
    Share(f64),
    /// The shares add up to nothing, or to more than a number can hold.
    Sum(f64),
}

impl fmt::Display for StepFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            StepFault::Load(load) => {
                write!(f, "{load} is no load: give it as a fraction of the rated load, 0 to {}", Step::MOST_LOAD)
            }
            StepFault::Share(share) => write!(f, "{share} is no share: give hours, cycles or a fraction, 0 or more"),
            StepFault::Sum(sum) => write!(f, "the shares add up to {sum}: at least one must be above 0"),
        }
    }
}

impl std::error::Error for StepFault {}

/// The load spectrum factor of steps, cubic: km where the shares are running time, Kp where they are lifts.
///
/// km = Σ (tᵢ/tT) (Pᵢ/Pmax)³   (ISO 4301-1:1986, FEM 9.755; mark A). Shares need not add up to 1. Above 1 only with
/// overload.
///
/// ```
/// use tallyhook_analysis::selection::{Step, spectrum_factor};
/// let half_empty = [Step { load: 1.0, share: 30.0 }, Step { load: 0.0, share: 30.0 }];
/// assert_eq!(spectrum_factor(&half_empty), Ok(0.5));
/// assert!(spectrum_factor(&[]).is_err());
/// ```
pub fn spectrum_factor(steps: &[Step]) -> Result<f64, StepFault> {
    for step in steps {
        if !(0.0..=Step::MOST_LOAD).contains(&step.load) {
            return Err(StepFault::Load(step.load));
        }
        if !(step.share >= 0.0 && step.share.is_finite()) {
            return Err(StepFault::Share(step.share));
        }
    }
    let sum: f64 = steps.iter().map(|step| step.share).sum();
    if !(sum > 0.0 && sum.is_finite()) {
        return Err(StepFault::Sum(sum));
    }
    Ok(steps.iter().map(|step| step.load.powi(3) * step.share).sum::<f64>() / sum)
}

/// The cube-root scale of a spectrum factor: k = km^(1/3), as FEM 9.511 and the CMAA use it. Name the scale beside
/// the value: 0.5 is the limit of L1 as k and of L3 as km.
pub fn cube_root_scale(km: f64) -> f64 {
    km.cbrt()
}

/// A step whose load signal is net, brought onto the rated base that includes the dead load of hook block and
/// attachment: (payload + dead) / (rated + dead).
///
/// FEM 9.511 adds γ = dead/P to every payload ratio β = payload/P, where P includes the dead load, so that the
/// largest β + γ is 1 (that base: mark C, check against the standard). All arguments in one unit, `rated + dead`
/// above 0.
pub fn with_dead_load(payload: f64, rated: f64, dead: f64) -> f64 {
    (payload + dead) / (rated + dead)
}

/// Running hours a day where no counter ran: path · N · T / (60 · v) (FEM 9.511, FEM 9.755; mark A).
///
/// `path_m` is hoisting plus lowering per cycle in metres: 2 H for loads taken up and set down at one height each way,
/// 4 H with the empty hook's way counted too. `cycles_per_hour` N, `hours_per_day` T, `speed_m_min` v in m/min and
/// above 0.
///
/// ```
/// use tallyhook_analysis::selection::daily_running_hours;
/// assert_eq!(daily_running_hours(12.0, 16.0, 8.0, 8.0), 3.2);
/// ```
pub fn daily_running_hours(path_m: f64, cycles_per_hour: f64, hours_per_day: f64, speed_m_min: f64) -> f64 {
    path_m * cycles_per_hour * hours_per_day / (60.0 * speed_m_min)
}
