//! How sure a figure of a standard's table is.

/// Confidence in a published figure. None of them replaces a licensed copy of the standard.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Mark {
    /// Seen in two or more independent places that agree.
    A,
    /// Seen in one place only.
    B,
    /// From memory.
    C,
}

impl Mark {
    /// What a report must say beside the figure; nothing for figures that have been seen in print.
    pub const fn caution(self) -> Option<&'static str> {
        match self {
            Mark::A | Mark::B => None,
            Mark::C => Some("check against the standard"),
        }
    }

    /// The less sure of two: what a figure made of both deserves.
    pub const fn or_worse(self, other: Mark) -> Mark {
        if (self as u8) < (other as u8) { other } else { self }
    }
}
