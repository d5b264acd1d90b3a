//! What the command line gives: numbers, pairs, periods, and the words of the standards.

use tallyhook_analysis::class::{ApplianceGroup, MechanismGroup};
use tallyhook_analysis::period::{FactorScale, Recording};
use tallyhook_analysis::selection::{Step, StepFault, spectrum_factor};

use super::ClassifyArgs;
use super::number::Number;
use crate::exit::Failure;

/// Two numbers with a colon between them.
#[derive(Clone, Copy, Debug)]
pub struct Pair(pub Number, pub Number);

/// One period of use.
#[derive(Clone, Copy, Debug)]
pub struct Period {
    pub hours: Number,
    pub factor: Number,
    /// `None`: as `--recording` says.
    pub recording: Option<Recording>,
}

/// A load spectrum as it was given.
pub struct Spectrum {
    /// The cubic factor.
    pub factor: Number,
    /// Its steps, dead load included; empty when the factor was given.
    pub steps: Vec<Step>,
    /// The load that the fractions are of, dead load included; `None` when loads are fractions.
    pub base: Option<f64>,
}

impl ClassifyArgs {
    /// The spectrum of `--spectrum-factor` or `--loads`.
    pub fn spectrum(&self) -> Result<Spectrum, Failure> {
        let (rated, dead) = (self.rated_load.unwrap_or(Number::ONE), self.dead_load.unwrap_or(Number::ZERO));
        let base = self.rated_load.map(|rated| rated.plus(dead).value());
        if let Some(factor) = self.spectrum_factor {
            return Ok(Spectrum { factor, steps: Vec::new(), base });
        }
        if self.loads.is_empty() {
            return Err(Failure::Usage("give the load spectrum with --spectrum-factor or --loads".into()));
        }
        let step = |&Pair(load, share): &Pair| {
            // A load that is none keeps its own number, so that the complaint shows it.
            let sound = load.value() >= 0.0 && load.value().is_finite();
            // As FEM 9.511 brings a payload onto the base that includes the dead load.
            Pair(if sound { load.plus(dead).over(rated.plus(dead)) } else { load }, share)
        };
        let exact: Vec<Pair> = self.loads.iter().map(step).collect();
        let steps: Vec<Step> =
            exact.iter().map(|Pair(load, share)| Step { load: load.value(), share: share.value() }).collect();
        // Says what is no step, and nearly the factor.
        spectrum_factor(&steps).map_err(|fault| {
            let mend = match (fault, self.rated_load) {
                (StepFault::Load(_), None) => "; or give the rated load in the same unit with --rated-load",
                _ => "",
            };
            Failure::Usage(format!("--loads: {fault}{mend}"))
        })?;
        Ok(Spectrum { factor: mean(exact.iter().map(|&Pair(load, share)| (load.cubed(), share))), steps, base })
    }
}

/// The mean of values by their weights.
pub fn mean(weighted: impl Iterator<Item = (Number, Number)> + Clone) -> Number {
    let sum = Number::sum(weighted.clone().map(|(value, weight)| value.times(weight)));
    sum.over(Number::sum(weighted.map(|(_, weight)| weight)))
}

fn number(text: &str) -> Result<Number, String> {
    Number::parse(text).ok_or_else(|| format!("`{text}` is no number"))
}

pub fn amount(text: &str) -> Result<Number, String> {
    let given = number(text)?;
    if given.value() >= 0.0 && given.value().is_finite() { Ok(given) } else { Err("give a number, 0 or more".into()) }
}

pub fn above_zero(text: &str) -> Result<Number, String> {
    let given = amount(text)?;
    if given.value() > 0.0 { Ok(given) } else { Err("give a number above 0".into()) }
}

pub fn factor(text: &str) -> Result<Number, String> {
    let given = amount(text)?;
    let most = Step::MOST_LOAD.powi(3);
    if given.value() <= most {
        Ok(given)
    } else {
        Err(format!("a spectrum factor above {most} would be twice the rated load all the time; give 0 to 1"))
    }
}

/// A fraction above 0, up to 1, as a number or as two with a stroke between them.
pub fn ratio(text: &str) -> Result<f64, String> {
    let value = match text.split_once('/') {
        Some((new, old)) => above_zero(new)?.over(above_zero(old)?).value(),
        None => above_zero(text)?.value(),
    };
    if value <= 1.0 {
        Ok(value)
    } else {
        Err("a rating is lowered to 1 at most; give 0.5 or 5/10 for half of it".into())
    }
}

pub fn pair(text: &str) -> Result<Pair, String> {
    let (first, second) =
        text.split_once(':').ok_or_else(|| format!("`{text}` is no LOAD:SHARE or USED:LIFE pair; 0.75:0.10 is one"))?;
    Ok(Pair(number(first)?, number(second)?))
}

pub fn period(text: &str) -> Result<Period, String> {
    let mut fields = text.split(':');
    match (fields.next(), fields.next(), fields.next(), fields.next()) {
        (Some(hours), Some(km), kind, None) => {
            Ok(Period { hours: amount(hours)?, factor: factor(km)?, recording: kind.map(recording).transpose()? })
        }
        _ => Err(format!("`{text}` is no HOURS:FACTOR or HOURS:FACTOR:KIND; 1440:0.124:counter is one")),
    }
}

pub fn mechanism_group(text: &str) -> Result<MechanismGroup, String> {
    MechanismGroup::parse(text).ok_or_else(|| "the groups are M1 to M8, or 1Dm, 1Cm, 1Bm, 1Am, 2m to 5m".into())
}

pub fn appliance_group(text: &str) -> Result<ApplianceGroup, String> {
    ApplianceGroup::from_name(text).ok_or_else(|| "the groups are A1 to A8".into())
}

pub fn recording(text: &str) -> Result<Recording, String> {
    Recording::from_name(text)
        .ok_or_else(|| format!("the kinds are {}", Recording::ALL.map(Recording::name).join(", ")))
}

pub fn scale(text: &str) -> Result<FactorScale, String> {
    [FactorScale::Fem, FactorScale::Iso]
        .into_iter()
        .find(|scale| scale.name() == text)
        .ok_or_else(|| "the scales are fem (FEM 9.755) and iso (ISO 12482:2014)".into())
}

#[cfg(test)]
mod tests {
    use clap::Parser;
    use tallyhook_analysis::class::{ApplianceLoading, MechanismLoading};

    use super::*;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        args: ClassifyArgs,
    }

    fn factor_of(steps: &[(u32, u32)], whole: bool) -> f64 {
        let share = |percent: u32| match whole {
            true => percent.to_string(),
            false => format!("{}.{:02}", percent / 100, percent % 100),
        };
        let loads =
            steps.iter().map(|&(tenths, percent)| format!("{}.{}:{}", tenths / 10, tenths % 10, share(percent)));
        let loads = loads.collect::<Vec<_>>().join(",");
        let line = Line::try_parse_from(["classify", "--mechanism", "M5", "--loads", &loads]).unwrap();
        line.args.spectrum().unwrap_or_else(|_| panic!("{loads}")).factor.value()
    }

    /// Every spectrum of the full load, two lighter ones in tenths and the empty hook, in whole percent, whose factor is
    /// just on a limit.
    #[test]
    fn a_spectrum_on_a_limit_is_in_the_class_of_the_limit_and_one_unit_more_in_the_next() {
        // In 1/100,000, as a percent of the cube of tenths is.
        let limits = [(3_130_u32, 0.0313), (6_250, 0.0625), (12_500, 0.125), (25_000, 0.25), (50_000, 0.5)];
        let mut seen = [0; 5];
        for (which, (parts, limit)) in limits.into_iter().enumerate() {
            for (upper, lower) in (2..10_u32).flat_map(|upper| (1..upper).map(move |lower| (upper, lower))) {
                for (full, some) in (0..=parts / 1000).flat_map(|full| (0..=100 - full).map(move |s| (full, s))) {
                    let Some(left) = (parts - full * 1000).checked_sub(some * upper.pow(3)) else { continue };
                    let rest = left / lower.pow(3);
                    if left % lower.pow(3) != 0 || full + some + rest > 100 {
                        continue;
                    }
                    let empty = 100 - full - some - rest;
                    seen[which] += 1;
                    for whole in [true, false] {
                        let on = [(10, full), (upper, some), (lower, rest), (0, empty)];
                        assert_eq!(factor_of(&on, whole), limit, "{on:?}");
                        let above = [(10, full + 1), (upper, some), (lower, rest), (0, empty)];
                        assert!(factor_of(&above, whole) > limit, "{above:?}");
                    }
                }
            }
        }
        assert!(seen.iter().all(|&some| some > 10), "{seen:?}");
        let class = |steps: &[(u32, u32)]| MechanismLoading::of(factor_of(steps, true));
        assert_eq!(class(&[(10, 17), (8, 11), (4, 37), (0, 35)]), Some(MechanismLoading::L2));
        assert_eq!(class(&[(10, 18), (8, 11), (4, 37), (0, 35)]), Some(MechanismLoading::L3));
        let state = |steps: &[(u32, u32)]| ApplianceLoading::of(factor_of(steps, false));
        assert_eq!(state(&[(10, 44), (6, 27), (2, 21), (0, 8)]), Some(ApplianceLoading::Q3));
        assert_eq!(state(&[(10, 45), (6, 27), (2, 21), (0, 8)]), Some(ApplianceLoading::Q4));
    }

    #[test]
    fn loads_in_kilograms_with_a_dead_load_are_on_the_limit_too() {
        // Half the time (6900 + 100) of (13,900 + 100) kg, a cube of 1/8, and all others likewise.
        let line = "classify --crane A5 --rated-load 13900 --dead-load 100 --loads 6900:0.3,13900:0,6900.0:0.7";
        let line = Line::try_parse_from(line.split(' ')).unwrap();
        assert_eq!(line.args.spectrum().unwrap_or_else(|_| panic!()).factor.value(), 0.125);
    }
}
