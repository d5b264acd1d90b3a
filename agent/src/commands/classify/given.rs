//! What the command line gives: numbers, pairs, periods, and the words of the standards.

use tallyhook_analysis::class::{ApplianceGroup, MechanismGroup};
use tallyhook_analysis::period::{FactorScale, Recording};
use tallyhook_analysis::selection::{Step, spectrum_factor, with_dead_load};

use super::ClassifyArgs;
use crate::exit::Failure;

/// Two numbers with a colon between them.
#[derive(Clone, Copy, Debug)]
pub struct Pair(pub f64, pub f64);

/// One period of use.
#[derive(Clone, Copy, Debug)]
pub struct Period {
    pub hours: f64,
    pub factor: f64,
    /// `None`: as `--recording` says.
    pub recording: Option<Recording>,
}

/// A load spectrum as it was given.
pub struct Spectrum {
    /// The cubic factor.
    pub factor: f64,
    /// Its steps, dead load included; empty when the factor was given.
    pub steps: Vec<Step>,
    /// The load that the fractions are of, dead load included; `None` when loads are fractions.
    pub base: Option<f64>,
}

impl ClassifyArgs {
    /// The spectrum of `--spectrum-factor` or `--loads`.
    pub fn spectrum(&self) -> Result<Spectrum, Failure> {
        let (rated, dead) = (self.rated_load.unwrap_or(1.0), self.dead_load.unwrap_or(0.0));
        let base = self.rated_load.map(|rated| rated + dead);
        if let Some(factor) = self.spectrum_factor {
            return Ok(Spectrum { factor, steps: Vec::new(), base });
        }
        if self.loads.is_empty() {
            return Err(Failure::Usage("give the load spectrum with --spectrum-factor or --loads".into()));
        }
        let step = |&Pair(load, share): &Pair| {
            // A load that is none keeps its own number, so that the complaint shows it.
            let sound = load >= 0.0 && load.is_finite();
            let load = if sound { with_dead_load(load, rated, dead) } else { load };
            Step { load, share }
        };
        let steps: Vec<Step> = self.loads.iter().map(step).collect();
        let factor = spectrum_factor(&steps).map_err(|fault| Failure::Usage(format!("--loads: {fault}")))?;
        Ok(Spectrum { factor, steps, base })
    }
}

fn number(text: &str) -> Result<f64, String> {
    text.trim().parse().map_err(|_| format!("`{text}` is no number"))
}

pub fn amount(text: &str) -> Result<f64, String> {
    let value = number(text)?;
    if value >= 0.0 && value.is_finite() { Ok(value) } else { Err("give a number, 0 or more".into()) }
}

pub fn above_zero(text: &str) -> Result<f64, String> {
    let value = amount(text)?;
    if value > 0.0 { Ok(value) } else { Err("give a number above 0".into()) }
}

pub fn factor(text: &str) -> Result<f64, String> {
    let value = amount(text)?;
    let most = Step::MOST_LOAD.powi(3);
    if value <= most {
        Ok(value)
    } else {
        Err(format!("a spectrum factor above {most} would be twice the rated load all the time; give 0 to 1"))
    }
}

/// A fraction above 0, up to 1, as a number or as two with a stroke between them.
pub fn ratio(text: &str) -> Result<f64, String> {
    let value = match text.split_once('/') {
        Some((new, old)) => above_zero(new)? / above_zero(old)?,
        None => above_zero(text)?,
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
