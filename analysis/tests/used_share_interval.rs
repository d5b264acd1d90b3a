//! The stated interval of the used share against the truth, over 200 simulated years.

#![allow(clippy::unwrap_used, reason = "tests")]

use tallyhook_analysis::account::{Account, State, Terms};
use tallyhook_analysis::load::doubt::Doubts;
use tallyhook_analysis::load::uncertainty::{Loads, USUAL_OF_CELL, used_share_between};
use tallyhook_analysis::period::Ledger;
use tallyhook_analysis::recorder::{Spec, Utc};
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::seed::Seeded;
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::{Grams, Span, Timestamp};

const RATED_KG: f64 = 10_000.0;
const DESIGN_HOURS: f64 = 100.0;
const WEEKS: i64 = 52;
const LIFTS_A_WEEK: i64 = 8;

/// A year of lifts seen by a cell with errors of its own.
struct Year {
    ledger: Ledger,
    totals: Totals,
    doubts: Doubts,
    truth: f64,
}

impl Year {
    /// The interval with the doubts that its lifts came with, or as if each load had that standard uncertainty.
    fn between(&self, instead: Option<f64>) -> std::ops::RangeInclusive<f64> {
        let (none, usual) = (Doubts::default(), USUAL_OF_CELL as f64 / 1000.0);
        let doubts = if instead.is_some() { &none } else { &self.doubts };
        let usual = instead.unwrap_or(usual);
        let loads = Loads::of(&self.totals, doubts, Grams::from_kg(RATED_KG), usual);
        let share = used_share_between(&self.ledger, &loads, usual);
        share.low..=share.high
    }
}

fn year(seed: u64) -> Year {
    let mut draw = Seeded::new(seed);
    let mut spec = Spec::hoist(Grams::from_kg(RATED_KG));
    spec.stale_after = Span::from_ms(600_000);
    let mut account = Account::resume(spec, Terms::plain(DESIGN_HOURS), State::default());
    // Errors that last: of the span, of the zero; and noise. Together 1 % of the rated load at two thirds of it.
    let (span, zero) = (draw.normal() * 0.009, draw.normal() * 0.006 * RATED_KG);
    // Some yards lift light, some heavy; some readings fail.
    let (heaviest, lost) = (0.4 + 0.6 * draw.fraction(), 0.05 * draw.fraction());
    let mut truth = 0.0;
    for week in 0..WEEKS {
        let mut at = week * 7 * 86_400_000;
        for _ in 0..LIFTS_A_WEEK {
            let load = RATED_KG * (0.1 + (heaviest - 0.1) * draw.fraction());
            let raising = 60.0 + 120.0 * draw.fraction();
            for (seconds, up, down, hangs) in
                [(40.0, 0, 1, 0.0), (raising, 1, 0, load), (60.0, 0, 0, load), (raising, 0, 1, load), (30.0, 0, 0, 0.0)]
            {
                let mut s = Sample::at(Timestamp::from_ms(at));
                let reading = hangs * (1.0 + span) + zero + draw.normal() * 0.003 * RATED_KG;
                s.set(Quantity::Load, Quantity::Load.from_outside(reading).filter(|_| draw.fraction() >= lost));
                s.set_flag(Flag::Raising, Some(up == 1));
                s.set_flag(Flag::Lowering, Some(down == 1));
                account.step(&s, &Utc, &mut |_| {});
                if up + down > 0 {
                    truth += (hangs / RATED_KG).powi(3) * seconds / 3600.0;
                }
                at += (seconds * 1000.0) as i64;
            }
        }
        let mut s = Sample::at(Timestamp::from_ms(at));
        s.set(Quantity::Load, Some(0));
        s.set_flag(Flag::Raising, Some(false));
        s.set_flag(Flag::Lowering, Some(false));
        account.step(&s, &Utc, &mut |_| {});
    }
    Year {
        ledger: account.ledger(),
        totals: account.period_totals(),
        doubts: account.period_doubts(),
        truth: truth / DESIGN_HOURS,
    }
}

#[test]
fn the_stated_interval_holds_the_truth_in_nine_of_ten_years() {
    let years: Vec<_> = (0..200).map(year).collect();
    let held = |instead: Option<f64>| years.iter().filter(|y| y.between(instead).contains(&y.truth)).count();
    let stated = held(None);
    println!("held in {stated} of 200 years, with a tenth of the uncertainty in {}", held(Some(0.001)));
    assert!(stated >= 180, "{stated}");
    // An interval that holds everything would tell nothing.
    assert!(held(Some(0.001)) < 180, "{}", held(Some(0.001)));
    let widths = years.iter().map(|y| {
        let share = y.between(None);
        (share.end() - share.start()) / y.truth
    });
    let mean = widths.sum::<f64>() / years.len() as f64;
    println!("mean width {mean:.3} of the share");
    assert!(mean < 0.35, "{mean}");
}
