//! The safe working period: S, the full-load hours used, against D, those designed for (FEM 9.755, ISO 12482).
//!
//! S is a ledger of parts. Each part is a stretch of use with its running hours T, its load spectrum factor km, the
//! way it was recorded, and the factor f that goes with that way:
//!
//! S = Σ kmᵢ · Tᵢ · fᵢ   (FEM 9.755, 06.1993)

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
}

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
    /// km · T · f, full-load hours.
    pub fn full_load_hours(&self) -> f64 {
        self.spectrum_factor * self.running_hours * self.factor
    }
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
        self.parts.iter().map(Part::full_load_hours).sum()
    }

    /// Full-load hours of the parts of one kind, with their factors.
    pub fn full_load_hours_of(&self, kind: PartKind) -> f64 {
        self.parts.iter().filter(|p| p.kind == kind).map(Part::full_load_hours).sum()
    }

    /// S/D, the used share.
    pub fn used_share(&self) -> f64 {
        self.used_full_load_hours() / self.design_full_load_hours
    }

    /// D − S, full-load hours; negative when the period is over.
    pub fn remaining_full_load_hours(&self) -> f64 {
        self.design_full_load_hours - self.used_full_load_hours()
    }

    /// Whether parts of different scales stand in one ledger.
    pub fn mixed_scales(&self) -> bool {
        self.parts.windows(2).any(|pair| pair[0].scale != pair[1].scale)
    }
}
