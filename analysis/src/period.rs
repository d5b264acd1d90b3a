//! The safe working period: S, the full-load hours used, against D, those designed for (FEM 9.755, ISO 12482).
//!
//! S is a ledger of parts. Each part is a stretch of use with its running hours T, its load spectrum factor km, the
//! way it was recorded, and the factor f that goes with that way:
//!
//! S = Σ kmᵢ · Tᵢ · fᵢ   (FEM 9.755, 06.1993; mark A)
//!
//! T counts hoisting and lowering, loaded or not; travel and slinging do not count for a hoist. S and D are both in
//! full-load hours: D is the L4 row of FEM 9.755 table 1 ([`crate::class::MechanismGroup::design_full_load_hours`]).
//! Exact factors are summed, not factors rounded to three places as printed examples do; that moves S by up to half a
//! percent.

use std::fmt;

use crate::mark::Mark;

/// Which scale of recording factors a part uses. Scales are never mixed within one part; a ledger that holds both
/// says so ([`Ledger::mixed_scales`]).
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "lowercase"))]
pub enum FactorScale {
    /// FEM 9.755: 1.0, 1.1, 1.2.
    Fem,
    /// ISO 12482:2014 table 1: 1.0 to 1.5.
    Iso,
}

impl FactorScale {
    /// The standard and edition.
    pub const fn edition(self) -> &'static str {
        match self {
            FactorScale::Fem => "FEM 9.755 (06.1993)",
            FactorScale::Iso => "ISO 12482:2014",
        }
    }

    /// The word on the command line and in the configuration.
    pub const fn name(self) -> &'static str {
        match self {
            FactorScale::Fem => "fem",
            FactorScale::Iso => "iso",
        }
    }
}

/// How a stretch of use was recorded.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash, PartialOrd, Ord)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "kebab-case"))]
pub enum Recording {
    /// Hours and loads by an automatic recorder that cannot be switched off.
    Recorder,
    /// Hours by a counter, loads written down by hand.
    Counter,
    /// Hours and loads estimated (FEM 9.755 only).
    Estimated,
    /// An estimate by a special, documented process (ISO 12482:2014 4.2 c).
    DocumentedProcess,
    /// An estimate from the site's documented production (ISO 12482:2014 4.2 d).
    DocumentedProduction,
    /// Hours and spectrum estimated, undocumented (ISO 12482:2014 4.2 e).
    Undocumented,
    /// Nothing is known (ISO 12482:2014 4.2 f).
    Unknown,
}

impl Recording {
    /// All of them.
    pub const ALL: [Recording; 7] = [
        Recording::Recorder,
        Recording::Counter,
        Recording::Estimated,
        Recording::DocumentedProcess,
        Recording::DocumentedProduction,
        Recording::Undocumented,
        Recording::Unknown,
    ];

    /// The word on the command line, in the configuration and in JSON.
    pub const fn name(self) -> &'static str {
        match self {
            Recording::Recorder => "recorder",
            Recording::Counter => "counter",
            Recording::Estimated => "estimated",
            Recording::DocumentedProcess => "documented-process",
            Recording::DocumentedProduction => "documented-production",
            Recording::Undocumented => "undocumented",
            Recording::Unknown => "unknown",
        }
    }

    /// The way of recording of that name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|r| r.name() == name)
    }

    /// The factor f on a scale, `None` where that scale has no such way of recording.
    ///
    /// FEM 9.755: 1.1 and 1.2 mark A, 1.0 mark C (check against the standard). ISO 12482:2014 table 1: values mark
    /// B, after Depale & Bennebach, Mechanics & Industry 20 (2019) 802, table 3.
    pub const fn factor(self, scale: FactorScale) -> Option<f64> {
        match (scale, self) {
            (FactorScale::Fem, Recording::Recorder) => Some(1.0),
            (FactorScale::Fem, Recording::Counter) => Some(1.1),
            (FactorScale::Fem, Recording::Estimated) => Some(1.2),
            (FactorScale::Fem, _) => None,
            (FactorScale::Iso, Recording::Recorder | Recording::Counter) => Some(1.0),
            (FactorScale::Iso, Recording::DocumentedProcess) => Some(1.1),
            (FactorScale::Iso, Recording::DocumentedProduction) => Some(1.2),
            (FactorScale::Iso, Recording::Undocumented) => Some(1.3),
            (FactorScale::Iso, Recording::Unknown) => Some(1.5),
            (FactorScale::Iso, Recording::Estimated) => None,
        }
    }

    /// How sure [`Recording::factor`] is on a scale.
    pub const fn mark(self, scale: FactorScale) -> Mark {
        match (scale, self) {
            (FactorScale::Fem, Recording::Recorder) => Mark::C,
            (FactorScale::Fem, _) => Mark::A,
            (FactorScale::Iso, _) => Mark::B,
        }
    }

    /// The ways of recording that a scale has, best first.
    pub fn of_scale(scale: FactorScale) -> impl Iterator<Item = Recording> {
        Self::ALL.into_iter().filter(move |recording| recording.factor(scale).is_some())
    }
}

impl fmt::Display for Recording {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// A scale has no factor for a way of recording.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct NoFactor {
    /// The way of recording.
    pub recording: Recording,
    /// The scale that lacks it.
    pub scale: FactorScale,
}

impl fmt::Display for NoFactor {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let known: Vec<&str> = Recording::of_scale(self.scale).map(Recording::name).collect();
        write!(f, "{} has no factor for `{}`; it has {}", self.scale.edition(), self.recording, known.join(", "))
    }
}

impl std::error::Error for NoFactor {}

/// What a part of the ledger stands for.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "kebab-case"))]
pub enum PartKind {
    /// Running time whose load was measured.
    Measured,
    /// Running time that was seen, but not its load.
    LoadNotRead,
    /// Running time in gaps of the record.
    Gap,
    /// Use before the recorder was installed.
    Prior,
}

/// One stretch of use.
#[derive(Clone, PartialEq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Part {
    /// What it stands for.
    pub kind: PartKind,
    /// T, running hours of hoisting and lowering.
    pub running_hours: f64,
    /// km, 0..1, above 1 only with overload.
    pub spectrum_factor: f64,
    /// How it was recorded.
    pub recording: Recording,
    /// Which scale the factor is from.
    pub scale: FactorScale,
    /// f, 1 or more.
    pub factor: f64,
    /// A word on where the figures come from.
    pub note: String,
}

impl Part {
    /// A part with the factor that its way of recording has on a scale; `NoFactor` where the scale lacks it.
    ///
    /// ```
    /// use tallyhook_analysis::period::{FactorScale, Part, PartKind, Recording};
    /// let part = |recording| Part::new(PartKind::Prior, 2_000.0, 0.25, recording, FactorScale::Iso);
    /// assert_eq!(part(Recording::Unknown).unwrap().full_load_hours(), 750.0);
    /// assert!(part(Recording::Estimated).is_err()); // a word of the FEM scale
    /// ```
    pub fn new(
        kind: PartKind,
        running_hours: f64,
        spectrum_factor: f64,
        recording: Recording,
        scale: FactorScale,
    ) -> Result<Part, NoFactor> {
        let factor = recording.factor(scale).ok_or(NoFactor { recording, scale })?;
        Ok(Part { kind, running_hours, spectrum_factor, recording, scale, factor, note: String::new() })
    }

    /// km · T · f, full-load hours.
    pub fn full_load_hours(&self) -> f64 {
        self.spectrum_factor * self.running_hours * self.factor
    }
}

/// The sum over parts. Begins at zero, because an empty `sum` of floats is minus zero.
fn total<'a>(parts: impl Iterator<Item = &'a Part>) -> f64 {
    parts.map(Part::full_load_hours).fold(0.0, |sum, hours| sum + hours)
}

/// The parts of one working period, and what it was designed for.
#[derive(Clone, PartialEq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Ledger {
    /// D, full-load hours; positive.
    pub design_full_load_hours: f64,
    /// The parts.
    pub parts: Vec<Part>,
}

impl Ledger {
    /// S: full-load hours used, all parts with their factors.
    pub fn used_full_load_hours(&self) -> f64 {
        total(self.parts.iter())
    }

    /// Full-load hours of the parts of one kind, with their factors.
    pub fn full_load_hours_of(&self, kind: PartKind) -> f64 {
        total(self.parts.iter().filter(|p| p.kind == kind))
    }

    /// Full-load hours of what was not measured: gaps, and running time whose load was not read.
    pub fn unseen_full_load_hours(&self) -> f64 {
        self.full_load_hours_of(PartKind::Gap) + self.full_load_hours_of(PartKind::LoadNotRead)
    }

    /// S/D, the used share.
    pub fn used_share(&self) -> f64 {
        self.used_full_load_hours() / self.design_full_load_hours
    }

    /// D − S, full-load hours; negative when the period is over.
    pub fn remaining_full_load_hours(&self) -> f64 {
        self.design_full_load_hours - self.used_full_load_hours()
    }

    /// What is left in full-load hours of a lower rating `ratio` = P′/P (more than 0): (D − S) / ratio³.
    ///
    /// Past use stays in units of the old rating, so S, D and the used share do not change on the day; only the hours
    /// that are left are heavier than the new ones. Exponent 3 as everywhere in FEM 9.755 and ISO 4301-1:1986.
    pub fn remaining_at_rating(&self, ratio: f64) -> f64 {
        self.remaining_full_load_hours() / (ratio * ratio * ratio)
    }

    /// Whether parts of different scales stand in one ledger.
    pub fn mixed_scales(&self) -> bool {
        self.parts.windows(2).any(|pair| pair[0].scale != pair[1].scale)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn iso_factors_never_fall_along_the_categories_a_to_f() {
        // ISO 12482:2014 4.2 a to f; values as Depale & Bennebach, Mechanics & Industry 20 (2019) 802, table 3, print
        // them: 1.0 1.0 1.1 1.2 1.3 1.5.
        let row: Vec<f64> = Recording::of_scale(FactorScale::Iso).filter_map(|r| r.factor(FactorScale::Iso)).collect();
        assert_eq!(row, [1.0, 1.0, 1.1, 1.2, 1.3, 1.5]);
        assert!(row.is_sorted());
    }

    #[test]
    fn fem_factors_are_those_of_the_manuals_worked_examples() {
        // The hoist manual's example (E2): 334 h by counter at km .119 gives S 43.72, 333.3 h by estimate 47.6.
        let of = |r: Recording| r.factor(FactorScale::Fem).unwrap();
        assert!((0.119 * 334.0 * of(Recording::Counter) - 43.72).abs() < 0.005);
        assert!((0.119 * 333.3 * of(Recording::Estimated) - 47.6).abs() < 0.05);
        assert_eq!(of(Recording::Recorder), 1.0);
        assert_eq!(Recording::Recorder.mark(FactorScale::Fem), Mark::C);
    }

    #[test]
    fn a_kind_that_a_scale_lacks_is_refused_by_name() {
        let fault = NoFactor { recording: Recording::Unknown, scale: FactorScale::Fem };
        assert_eq!(
            fault.to_string(),
            "FEM 9.755 (06.1993) has no factor for `unknown`; it has recorder, counter, estimated"
        );
    }

    #[test]
    fn two_scales_in_one_ledger_are_noticed() {
        let part = |recording, scale| Part::new(PartKind::Prior, 1.0, 1.0, recording, scale).unwrap();
        let fem = part(Recording::Recorder, FactorScale::Fem);
        let iso = part(Recording::Unknown, FactorScale::Iso);
        let ledger = |parts| Ledger { design_full_load_hours: 100.0, parts };
        assert!(!ledger(vec![fem.clone(), fem.clone()]).mixed_scales());
        assert!(ledger(vec![fem.clone(), fem, iso]).mixed_scales());
    }
}
