//! When the safe working period ends: a band of days, and the chance of passing any one day.
//!
//! # Method
//!
//! The record is cut into weeks that end yesterday, so that every week holds each day of the week once and the
//! weekly pattern needs no model. A week's use is w. It is taken as a level that wanders, times what the week made
//! of it:
//!
//! wₜ = mₜ · rₜ, with mₜ a random walk of relative step q a week (the local level model)
//!
//! 1. **Level and its wandering.** For each q of a fixed list a Kalman filter gives today's level, its variance, and
//!    how well that q explains the record. The list has prior weights ([`STEPS`]); the record turns them into
//!    posterior weights. A record with a clear change of level draws a large q and forgets the time before the change;
//!    a steady one draws a small q and uses the whole record. This is the treatment of trend changes: no single change
//!    point is decided, all rates of forgetting are averaged by their evidence.
//! 2. **Parameter uncertainty.** Each path draws its own q, its own noise variance (scaled inverse chi-square) and its
//!    own level today (normal, variance from the filter, widened for weeks that go together).
//! 3. **The weeks to come.** Each path strings together stretches of past rₜ (wₜ over the smoothed level) of random
//!    length, mean four weeks: the stationary block bootstrap of Politis and Romano (1994) on whole weeks. Idle weeks,
//!    shut-downs and busy spells come along as they were. The level goes on wandering with the path's q.
//! 4. The day on which a path's S reaches D is its end. Band: 10, 50 and 90 % of the ends in rising order.
//!
//! # Assumptions and weak points
//!
//! - The future is like the record: its weeks, and its pace of change. A contract that is signed today is not in it.
//! - A yearly shut-down is known only when the record holds it; with less than a year the forecast ends some days
//!   early (the careful side).
//! - The prior weights of q are our judgement (no source): they rule when the record is short. The coverage test
//!   `tests/forecast_coverage.rs` says what they are worth over a mix of synthetic cranes; a real crane is one draw.
//! - A day of which only a part is known is scaled up to the whole day. What is known is what S has: [`crate::daily`]
//!   makes the days, so that a crane which is switched off every night has whole ones.
//! - Uses `ln`, `exp` of the platform: the same seed and record give the same bits on one build for one platform.

use crate::seed::Seeded;

/// The least record that a forecast is made from, days.
pub const NEEDED_DAYS: u32 = 28;
/// How far a forecast looks, days: about 30 years.
pub const HORIZON_DAYS: i32 = 7 * 52 * 30;
/// How many paths are drawn.
pub const PATHS: usize = 1000;

/// How much of the record is looked at, days before today.
pub const WINDOW_DAYS: i32 = 7 * WINDOW_WEEKS as i32;

/// The same in weeks.
const WINDOW_WEEKS: usize = 104;
/// A day counts as recorded when at least this share of it was.
const LEAST_SHARE_OF_DAY: f64 = 0.5;
/// A week counts when at least this many of its days do; the others are filled by the weekly pattern.
const LEAST_DAYS_OF_WEEK: usize = 4;
/// Longest stretch of weeks that is taken at once.
const LONGEST_BLOCK: usize = 12;

/// Relative step of the level a week, q, and its prior weight. 0.02 a week is 15 % a year, 0.05 is 36 %.
pub const STEPS: [(f64, f64); 6] =
    [(0.0025, 0.20), (0.01, 0.20), (0.02, 0.20), (0.035, 0.20), (0.06, 0.12), (0.12, 0.08)];

/// What one day of the record says.
#[derive(Clone, Copy, PartialEq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct DayUse {
    /// Days since 1970-01-01 in the site's calendar.
    pub day: i32,
    /// Full-load hours that S grew by on that day, not negative.
    pub full_load_hours: f64,
    /// Share of the day that they are known of, 0 to 1.
    pub observed: f64,
}

/// What is asked.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Question {
    /// S, full-load hours used before the day `as_of`.
    pub used: f64,
    /// D, full-load hours designed for.
    pub design: f64,
    /// The first day that is forecast; days of the record from here on are left out.
    pub as_of: i32,
    /// Seed of the draws. A fixed seed for a mechanism keeps its figures from trembling between two looks.
    pub seed: u64,
}

/// The end of the working period, as far as it can be said.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize), serde(rename_all = "kebab-case"))]
pub enum Outlook {
    /// The record is too short.
    NotEnough {
        /// Days of record there are.
        days: u32,
        /// Days there must be.
        needed: u32,
    },
    /// S has reached D already.
    AlreadyOver,
    /// Days on which S reaches D, days since 1970-01-01.
    Band {
        /// Nine in ten paths end later.
        p10: i32,
        /// The middle; `None`: beyond the horizon.
        p50: Option<i32>,
        /// Nine in ten paths end by this day; `None`: beyond the horizon.
        p90: Option<i32>,
    },
    /// Not even one path in ten ends within [`HORIZON_DAYS`], or nothing is used at all.
    BeyondHorizon,
}

/// A forecast: its band and all its paths.
#[derive(Clone, PartialEq, Debug)]
pub struct Forecast {
    outlook: Outlook,
    /// Ends of all paths in rising order; `i32::MAX` beyond the horizon. Empty when no paths were drawn.
    ends: Vec<i32>,
    /// Last day of the horizon.
    horizon: i32,
}

impl Forecast {
    /// The band, or why there is none.
    pub fn outlook(&self) -> Outlook {
        self.outlook
    }

    /// The chance, 0 to 1, that S has reached D by the end of the day `by_day`. `None` without enough record, and for
    /// days beyond the horizon.
    pub fn chance_of_passing(&self, by_day: i32) -> Option<f64> {
        match self.outlook {
            Outlook::NotEnough { .. } => None,
            Outlook::AlreadyOver => Some(1.0),
            Outlook::BeyondHorizon | Outlook::Band { .. } if by_day > self.horizon => None,
            // Nothing is used, so nothing is drawn.
            Outlook::BeyondHorizon if self.ends.is_empty() => Some(0.0),
            Outlook::BeyondHorizon | Outlook::Band { .. } => {
                Some(self.ends.partition_point(|&end| end <= by_day) as f64 / self.ends.len() as f64)
            }
        }
    }
}

/// Forecasts the end of the working period.
///
/// `days` may be in any order and have holes; of two entries of one day the later one counts.
///
/// ```
/// use tallyhook_analysis::forecast::{forecast, DayUse, Outlook, Question};
/// // Five days a week, 0.4 full-load hours each, for a year: 2 a week.
/// let days: Vec<DayUse> = (0..364)
///     .map(|day| DayUse { day, full_load_hours: if day % 7 < 5 { 0.4 } else { 0.0 }, observed: 1.0 })
///     .collect();
/// let asked = Question { used: 1500.0, design: 1600.0, as_of: 364, seed: 1 };
/// let ahead = forecast(&days, &asked);
/// let Outlook::Band { p10, p50: Some(p50), .. } = ahead.outlook() else { panic!("a year is enough") };
/// assert!(p10 <= p50 && (p50 - 364 - 350).abs() < 21, "50 weeks ahead, give or take");
/// assert_eq!(forecast(&days[..20], &Question { as_of: 20, ..asked }).outlook(), Outlook::NotEnough { days: 20, needed: 28 });
/// ```
pub fn forecast(days: &[DayUse], asked: &Question) -> Forecast {
    let horizon = asked.as_of.saturating_add(HORIZON_DAYS);
    let bare = |outlook| Forecast { outlook, ends: Vec::new(), horizon };
    let remaining = asked.design - asked.used;
    if remaining.is_nan() || remaining <= 0.0 {
        return bare(Outlook::AlreadyOver);
    }
    let record = Record::gather(days, asked.as_of);
    if record.days < NEEDED_DAYS {
        return bare(Outlook::NotEnough { days: record.days, needed: NEEDED_DAYS });
    }
    let Some(pace) = Pace::fit(&record) else { return bare(Outlook::BeyondHorizon) };
    let mut chance = Seeded::new(asked.seed);
    // Each path has a generator of its own: the same path meets the same luck whatever is left.
    let mut ends: Vec<i32> = (0..PATHS)
        .map(|_| pace.path(remaining, &mut Seeded::new(chance.next_u64())))
        .map(|days| days.map_or(i32::MAX, |d| asked.as_of.saturating_add(d)))
        .collect();
    ends.sort_unstable();
    let at = |share: f64| Some(ends[((share * PATHS as f64) as usize).min(PATHS - 1)]).filter(|&end| end < i32::MAX);
    let outlook = match at(0.1) {
        Some(p10) => Outlook::Band { p10, p50: at(0.5), p90: at(0.9) },
        None => Outlook::BeyondHorizon,
    };
    Forecast { outlook, ends, horizon }
}

/// The record as weeks that end yesterday.
struct Record {
    /// Oldest first; `None` where too few days of the week were recorded.
    weeks: Vec<Option<[f64; 7]>>,
    /// Days of record in weeks that count.
    days: u32,
}

impl Record {
    fn gather(days: &[DayUse], as_of: i32) -> Record {
        let mut table: Vec<[Option<f64>; 7]> = vec![[None; 7]; WINDOW_WEEKS];
        for entry in days {
            let back = i64::from(as_of) - 1 - i64::from(entry.day);
            let usable = entry.observed >= LEAST_SHARE_OF_DAY && entry.full_load_hours.is_finite();
            if usable && (0..(7 * WINDOW_WEEKS) as i64).contains(&back) {
                let back = back as usize;
                let hours = entry.full_load_hours.max(0.0) / entry.observed.min(1.0);
                table[WINDOW_WEEKS - 1 - back / 7][6 - back % 7] = Some(hours);
            }
        }
        let first = table.iter().position(|week| week.iter().any(Option::is_some)).unwrap_or(WINDOW_WEEKS);
        let table = &table[first..];

        // Mean of each day of the week over the record.
        let pattern: [f64; 7] = std::array::from_fn(|d| {
            let (sum, n) = table.iter().filter_map(|w| w[d]).fold((0.0, 0_u32), |(s, n), h| (s + h, n + 1));
            if n > 0 { sum / f64::from(n) } else { 0.0 }
        });
        let mut counted = 0;
        let weeks = table
            .iter()
            .map(|week| {
                let known = week.iter().flatten().count();
                if known < LEAST_DAYS_OF_WEEK {
                    return None;
                }
                counted += known as u32;
                let seen: f64 = week.iter().flatten().sum();
                let usual: f64 = week.iter().zip(pattern).filter(|(h, _)| h.is_some()).map(|(_, p)| p).sum();
                // A hole is filled by the pattern, at the pace of the rest of its week.
                let pace = if usual > 0.0 { seen / usual } else { 1.0 };
                Some(std::array::from_fn(|d| week[d].unwrap_or(pace * pattern[d])))
            })
            .collect();
        Record { weeks, days: counted }
    }
}

/// The local level filter for one q, in units of the mean week.
struct Level {
    /// Level today.
    now: f64,
    /// Its variance, in units of the noise's.
    gain: f64,
    /// Variance of a week about its level.
    noise: f64,
    /// Logarithm of the likelihood, up to a constant.
    evidence: f64,
    /// Smoothed level of each week.
    smooth: Vec<f64>,
}

impl Level {
    /// Filters `weeks` (each over the mean week) with the step `q`; `spread` is a first guess of the noise.
    fn filter(weeks: &[Option<f64>], q: f64, spread: f64) -> Level {
        let mut level = Self::pass(weeks, q * q / spread.max(1e-6));
        // The step is given in units of the level, the filter wants it in units of the noise: two rounds settle it.
        for _ in 0..2 {
            level = Self::pass(weeks, q * q / level.noise);
        }
        level
    }

    /// One run for a ratio of the step's variance to the noise's.
    fn pass(weeks: &[Option<f64>], ratio: f64) -> Level {
        let mut at: Option<(f64, f64)> = None;
        let (mut squares, mut logs, mut n) = (0.0, 0.0, 0_u32);
        let mut trail = Vec::with_capacity(weeks.len());
        for week in weeks {
            if let Some((_, p)) = &mut at {
                *p += ratio;
            }
            if let Some(y) = week {
                at = Some(match at {
                    None => (*y, 1.0),
                    Some((a, p)) => {
                        let (miss, total) = (y - a, p + 1.0);
                        squares += miss * miss / total;
                        logs += total.ln();
                        n += 1;
                        (a + p / total * miss, p / total)
                    }
                });
            }
            trail.push(at.unwrap_or((0.0, 1.0)));
        }
        let (now, gain) = at.unwrap_or((0.0, 1.0));
        // A record without any noise would make every wandering look impossible.
        let noise = (squares / f64::from(n.max(1))).max(1e-6);
        let evidence = -0.5 * (f64::from(n) * noise.ln() + logs);
        let mut smooth = vec![now; trail.len()];
        for i in (0..trail.len().saturating_sub(1)).rev() {
            let (a, p) = trail[i];
            smooth[i] = a + p / (p + ratio) * (smooth[i + 1] - a);
        }
        Level { now, gain, noise, evidence, smooth }
    }
}

/// What the paths are drawn from.
struct Pace {
    /// Full-load hours of the mean week.
    mean_week: f64,
    /// Cumulated posterior weight, q, level today and its standard deviation.
    steps: Vec<(f64, f64, f64, f64)>,
    /// Weeks over their level, mean 1.
    ratios: Vec<[f64; 7]>,
    /// Sums of `ratios` from the first, over two rounds.
    sums: Vec<f64>,
    /// Degrees of freedom of the noise variance.
    freedom: f64,
}

impl Pace {
    /// `None` when nothing was used in the record.
    fn fit(record: &Record) -> Option<Pace> {
        let sums: Vec<f64> = record.weeks.iter().flatten().map(|w| w.iter().sum()).collect();
        let n = sums.len();
        let mean_week = sums.iter().sum::<f64>() / n.max(1) as f64;
        if mean_week.is_nan() || mean_week <= 0.0 {
            return None;
        }
        let relative: Vec<Option<f64>> =
            record.weeks.iter().map(|w| w.map(|w| w.iter().sum::<f64>() / mean_week)).collect();
        let spread = relative.iter().flatten().map(|y| (y - 1.0) * (y - 1.0)).sum::<f64>() / (n - 1).max(1) as f64;

        let levels: Vec<Level> = STEPS.iter().map(|&(q, _)| Level::filter(&relative, q, spread)).collect();
        let best = levels.iter().map(|l| l.evidence).fold(f64::NEG_INFINITY, f64::max);
        let weights: Vec<f64> =
            levels.iter().zip(STEPS).map(|(l, (_, prior))| prior * (l.evidence - best).exp()).collect();
        let total: f64 = weights.iter().sum();
        let likeliest = (0..weights.len()).max_by(|&a, &b| weights[a].total_cmp(&weights[b])).unwrap_or(0);

        // A level near nothing must not blow a week's ratio up.
        let smooth = &levels[likeliest].smooth;
        let mut ratios: Vec<[f64; 7]> = record
            .weeks
            .iter()
            .zip(smooth)
            .filter_map(|(week, level)| week.map(|w| w.map(|h| h / mean_week / level.max(0.1))))
            .collect();
        let mean_ratio = ratios.iter().flatten().sum::<f64>() / n as f64;
        ratios.iter_mut().flatten().for_each(|r| *r /= mean_ratio);

        let widen = together(&ratios);
        let mut run = 0.0;
        let steps = levels
            .iter()
            .zip(&weights)
            .zip(STEPS)
            .map(|((level, weight), (q, _))| {
                run += weight / total;
                (run, q, level.now, (level.noise * level.gain * widen).sqrt())
            })
            .collect();
        let mut sums = vec![0.0];
        for week in ratios.iter().chain(&ratios) {
            sums.push(sums.last().copied().unwrap_or(0.0) + week.iter().sum::<f64>());
        }
        Some(Pace { mean_week, steps, ratios, sums, freedom: (n - 1).max(1) as f64 })
    }

    /// Days from today to the day on which `remaining` is used up; `None` beyond the horizon.
    fn path(&self, remaining: f64, chance: &mut Seeded) -> Option<i32> {
        let pick = chance.fraction();
        let &(_, q, now, deviation) = self.steps.iter().find(|s| pick < s.0).or(self.steps.last())?;
        // Noise variance over its estimate: chi-square by the cube of Wilson and Hilferty.
        let k = 2.0 / (9.0 * self.freedom);
        let chi = (1.0 - k + chance.normal() * k.sqrt()).max(0.2);
        let start = now + chance.normal() * deviation / (chi * chi * chi).sqrt();
        let mut level = start.max(0.1 * now).max(0.02) * self.mean_week;

        let n = self.ratios.len();
        let mut left = remaining;
        let mut day = 0_i32;
        while day < HORIZON_DAYS {
            let mut bits = chance.next_u64();
            let mut weeks = 1;
            while bits & 3 != 0 && weeks < LONGEST_BLOCK {
                weeks += 1;
                bits >>= 2;
            }
            let weeks = weeks.min(n);
            let first = chance.below(n);
            let step = q * (weeks as f64).sqrt() * chance.normal();
            level *= if step >= 0.0 { 1.0 + step } else { 1.0 / (1.0 - step) };
            let use_of_block = level * (self.sums[first + weeks] - self.sums[first]);
            if use_of_block >= left {
                for week in 0..weeks {
                    for ratio in self.ratios[(first + week) % n] {
                        left -= level * ratio;
                        if left <= 0.0 {
                            return Some(day);
                        }
                        day += 1;
                    }
                }
                // Rounding of the sums can leave a hair: it falls to the next day.
                return Some(day);
            }
            left -= use_of_block;
            day += 7 * weeks as i32;
        }
        None
    }
}

/// By how much the variance of a mean of weeks exceeds that of independent weeks: (1 + ρ)/(1 − ρ), with ρ the
/// correlation of neighbouring weeks, drawn towards 0.2 as if ten more weeks said so, and held to 0..0.6.
fn together(ratios: &[[f64; 7]]) -> f64 {
    let off: Vec<f64> = ratios.iter().map(|w| w.iter().sum::<f64>() - 1.0).collect();
    let own: f64 = off.iter().map(|x| x * x).sum();
    let next: f64 = off.windows(2).map(|x| x[0] * x[1]).sum();
    let n = off.len() as f64;
    let seen = if own > 0.0 { next / own } else { 0.0 };
    let rho = ((seen * n + 0.2 * 10.0) / (n + 10.0)).clamp(0.0, 0.6);
    (1.0 + rho) / (1.0 - rho)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn steady(days: i32, hours: f64) -> Vec<DayUse> {
        (0..days).map(|day| DayUse { day, full_load_hours: hours, observed: 1.0 }).collect()
    }

    fn asked(used: f64, as_of: i32) -> Question {
        Question { used, design: 1600.0, as_of, seed: 1 }
    }

    fn middle(forecast: &Forecast) -> i32 {
        let Outlook::Band { p50: Some(p50), .. } = forecast.outlook() else { panic!("{:?}", forecast.outlook()) };
        p50
    }

    #[test]
    fn a_short_record_and_an_ended_period_are_answers() {
        assert_eq!(forecast(&[], &asked(0.0, 0)).outlook(), Outlook::NotEnough { days: 0, needed: 28 });
        assert_eq!(forecast(&steady(27, 1.0), &asked(0.0, 27)).outlook(), Outlook::NotEnough { days: 27, needed: 28 });
        assert!(matches!(forecast(&steady(28, 1.0), &asked(0.0, 28)).outlook(), Outlook::Band { .. }));
        assert_eq!(forecast(&steady(27, 1.0), &asked(1600.0, 27)).outlook(), Outlook::AlreadyOver);
        // An idle crane never ends; nor, in sight, does one that does next to nothing.
        let idle = forecast(&steady(100, 0.0), &asked(10.0, 100));
        assert_eq!((idle.outlook(), idle.chance_of_passing(500)), (Outlook::BeyondHorizon, Some(0.0)));
        assert_eq!(idle.chance_of_passing(i32::MAX), None);
        assert_eq!(forecast(&steady(100, 0.001), &asked(10.0, 100)).outlook(), Outlook::BeyondHorizon);
    }

    #[test]
    fn a_record_years_old_is_no_record() {
        assert_eq!(
            forecast(&steady(300, 1.0), &asked(0.0, 3000)).outlook(),
            Outlook::NotEnough { days: 0, needed: 28 }
        );
    }

    #[test]
    fn a_change_of_level_is_followed() {
        // Half a year at 1 h a day, then half a year at 3 h: 300 h are used up in 100 days, not in 150.
        let mut days = steady(364, 1.0);
        days[182..].iter_mut().for_each(|d| d.full_load_hours = 3.0);
        let ahead = middle(&forecast(&days, &asked(1300.0, 364))) - 364;
        assert!((90..=115).contains(&ahead), "{ahead}");
    }

    #[test]
    fn days_half_recorded_count_for_whole_ones() {
        let half: Vec<DayUse> =
            steady(280, 1.0).iter().map(|d| DayUse { full_load_hours: 0.5, observed: 0.5, ..*d }).collect();
        let whole = steady(280, 1.0);
        assert_eq!(forecast(&half, &asked(1400.0, 280)), forecast(&whole, &asked(1400.0, 280)));
        // And missing days are filled by the pattern of the week.
        let holes: Vec<DayUse> = whole.iter().copied().filter(|d| d.day % 5 != 0).collect();
        assert_eq!(forecast(&holes, &asked(1400.0, 280)), forecast(&whole, &asked(1400.0, 280)));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(32))]

        #[test]
        fn the_band_is_in_order_and_more_left_ends_later(
            hours in proptest::collection::vec(0.0_f64..4.0, 28..200),
            left in 1.0_f64..800.0,
            more in 1.0_f64..400.0,
            seed: u64,
        ) {
            let days: Vec<DayUse> = hours.iter().zip(0..)
                .map(|(&full_load_hours, day)| DayUse { day, full_load_hours, observed: 1.0 })
                .collect();
            let as_of = hours.len() as i32;
            let ask = |left: f64| forecast(&days, &Question { used: 2000.0 - left, design: 2000.0, as_of, seed });
            let (near, far) = (ask(left), ask(left + more));
            prop_assert!(near.ends.windows(2).all(|w| w[0] <= w[1]));
            prop_assert!(near.ends[0] >= as_of);
            // Path by path the same draws, so end by end no earlier.
            prop_assert!(near.ends.iter().zip(&far.ends).all(|(n, f)| n <= f));
            let chances: Vec<f64> = (0..40).filter_map(|w| near.chance_of_passing(as_of + 30 * w)).collect();
            prop_assert!(chances.windows(2).all(|w| w[0] <= w[1]));
        }

        #[test]
        fn odd_input_gives_an_answer(
            days in proptest::collection::vec((any::<i32>(), any::<f64>(), any::<f64>()), 0..60),
            used: f64, design: f64, as_of: i32,
        ) {
            let days: Vec<DayUse> =
                days.iter().map(|&(day, full_load_hours, observed)| DayUse { day, full_load_hours, observed }).collect();
            let _ = forecast(&days, &Question { used, design, as_of, seed: 1 });
        }
    }
}
