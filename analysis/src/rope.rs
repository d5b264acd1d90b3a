//! Wire rope by duty group: ISO 4308-1's least coefficients, and ISO 4309:2010's broken wires that discard a rope.
//!
//! A figure to hold an inspection's count against, never a release: the inspection decides, and the rope maker's own
//! figures come first.

use crate::class::MechanismGroup;
use crate::mark::Mark;

/// What ISO 4308-1 asks of the rope drive of a mechanism group.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct RopeDrive {
    /// Zp of a running rope: least breaking force over the largest pull (A).
    pub running: f64,
    /// Zp of a standing rope (A).
    pub standing: f64,
    /// h1: drum diameter over rope diameter (C).
    pub drum: f64,
    /// h2: sheave diameter over rope diameter (C).
    pub sheave: f64,
    /// h3: equaliser diameter over rope diameter (C).
    pub equaliser: f64,
}

impl RopeDrive {
    /// The standard.
    pub const EDITION: &str = "ISO 4308-1";

    /// How sure Zp is.
    pub const ZP_MARK: Mark = Mark::A;

    /// How sure the ratios of diameters are.
    pub const RATIO_MARK: Mark = Mark::C;

    /// The row of a group.
    ///
    /// ```
    /// use tallyhook_analysis::{class::MechanismGroup, rope::RopeDrive};
    /// assert_eq!(RopeDrive::of(MechanismGroup::M5).running, 4.5);
    /// ```
    pub const fn of(group: MechanismGroup) -> Self {
        let (running, standing, drum, sheave, equaliser) = match group {
            MechanismGroup::M1 => (3.15, 2.5, 11.2, 12.5, 11.2),
            MechanismGroup::M2 => (3.35, 2.5, 12.5, 14.0, 12.5),
            MechanismGroup::M3 => (3.55, 3.0, 14.0, 16.0, 12.5),
            MechanismGroup::M4 => (4.0, 3.5, 16.0, 18.0, 14.0),
            MechanismGroup::M5 => (4.5, 4.0, 18.0, 20.0, 14.0),
            MechanismGroup::M6 => (5.6, 4.5, 20.0, 22.4, 16.0),
            MechanismGroup::M7 => (7.1, 5.0, 22.4, 25.0, 16.0),
            MechanismGroup::M8 => (9.0, 5.0, 25.0, 28.0, 18.0),
        };
        RopeDrive { running, standing, drum, sheave, equaliser }
    }
}

/// Lay of the rope, as far as ISO 4309:2010 counts broken wires by it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Lay {
    /// Ordinary lay, single-layer drum.
    Ordinary,
    /// Lang lay, single-layer drum.
    Lang,
    /// Either lay, wound in several layers on the drum.
    MultiLayer,
}

/// How sure [`discarding_wires`] is: one rope supplier's reprint.
pub const WIRES_MARK: Mark = Mark::B;

/// Broken wires that discard a single-layer or parallel-closed rope, within lengths of 6 and of 30 rope diameters (ISO
/// 4309:2010, groups M1 to M4 or unknown). `bearing_wires` counts the load-bearing wires of the outer strands; `None`
/// above 200. The standard lets the counts be doubled for M5 to M8 (mark C), which is not done here.
///
/// ```
/// use tallyhook_analysis::rope::{Lay, discarding_wires};
/// assert_eq!(discarding_wires(114, Lay::Ordinary), Some((5, 10)));
/// ```
pub fn discarding_wires(bearing_wires: u32, lay: Lay) -> Option<(u32, u32)> {
    const ROWS: [(u32, [(u32, u32); 3]); 8] = [
        (50, [(2, 4), (1, 2), (4, 8)]),
        (75, [(3, 6), (2, 3), (6, 12)]),
        (100, [(4, 8), (2, 4), (8, 16)]),
        (120, [(5, 10), (2, 5), (10, 19)]),
        (140, [(6, 11), (3, 6), (11, 22)]),
        (160, [(6, 13), (3, 6), (13, 26)]),
        (180, [(7, 14), (4, 7), (14, 29)]),
        (200, [(8, 16), (4, 8), (16, 32)]),
    ];
    ROWS.iter().find(|(most, _)| bearing_wires <= *most).map(|(_, counts)| counts[lay as usize])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A decade of the R20 series of preferred numbers (ISO 3).
    fn preferred() -> [f64; 20] {
        [1.0, 1.12, 1.25, 1.4, 1.6, 1.8, 2.0, 2.24, 2.5, 2.8, 3.15, 3.55, 4.0, 4.5, 5.0, 5.6, 6.3, 7.1, 8.0, 9.0]
    }

    #[test]
    fn every_figure_is_a_preferred_number_and_none_falls_with_the_group() {
        // Independent statement: ISO 4308-1 takes its coefficients from the preferred numbers of ISO 3 (R20; 3.35 is of R40),
        // and its ratios of diameters rise by one step of R20 a group (the equaliser's by one step in two groups).
        let r20 = |x: f64| {
            let decade = 10.0_f64.powf(x.log10().floor());
            preferred().iter().position(|p| (p * decade - x).abs() < 1e-9).map(|i| i + 20 * decade.log10() as usize)
        };
        let rows: Vec<RopeDrive> = MechanismGroup::ALL.iter().map(|&g| RopeDrive::of(g)).collect();
        for (i, row) in rows.iter().enumerate() {
            if i != 1 {
                assert!(r20(row.running).is_some(), "{row:?}");
            }
            // Two and a half, then half a step of one more a group up to five: 2.5, 2.5, 3 to 5, 5.
            assert_eq!(row.standing, (2.0 + 0.5 * i as f64).clamp(2.5, 5.0), "{row:?}");
            assert_eq!(r20(row.drum), Some(21 + i), "{row:?}");
            assert_eq!(r20(row.sheave), Some(22 + i), "a sheave is one step above its drum: {row:?}");
        }
        // 3.35 lies a step of R40 above 3.15.
        assert!((rows[1].running / rows[0].running - 10.0_f64.powf(1.0 / 40.0)).abs() < 0.01);
        assert!(rows.windows(2).all(|w| w[0].running < w[1].running && w[0].equaliser <= w[1].equaliser));
        assert!(rows.iter().all(|r| r.equaliser <= r.drum && r20(r.equaliser).is_some()));
        // The Russian federal rule's table 4 prints the ends of the row as 3.15 and 9.0.
        assert_eq!((rows[0].running, rows[7].running), (3.15, 9.0));
    }

    #[test]
    fn broken_wires_are_a_share_of_the_bearing_wires() {
        // Independent statement (arithmetic, ours): 4 % of a row's most bearing wires within 6 d and 8 % within 30 d in
        // ordinary lay, half of that in Lang lay, twice in many layers, to the whole wire.
        for most in [50, 75, 100, 120, 140, 160, 180, 200] {
            let share = |percent: f64| percent / 100.0 * f64::from(most);
            for (lay, part) in [(Lay::Ordinary, 1.0), (Lay::Lang, 0.5), (Lay::MultiLayer, 2.0)] {
                let (short, long) = discarding_wires(most, lay).unwrap();
                for (count, expected) in [(short, share(4.0) * part), (long, share(8.0) * part)] {
                    assert!((f64::from(count) - expected).abs() <= 1.0, "{most} {lay:?}: {count} for {expected}");
                }
            }
        }
        assert_eq!(discarding_wires(51, Lay::Ordinary), discarding_wires(75, Lay::Ordinary));
        assert_eq!(discarding_wires(201, Lay::Lang), None);
    }
}
