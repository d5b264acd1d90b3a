//! What the answers for mechanism and crane share, and the one by Palmgren and Miner.

use serde::Serialize;
use tallyhook_analysis::class::{ApplianceLoading, EDITION, MechanismLoading};
use tallyhook_analysis::cmaa::{self, LoadClass, LoadCycles, ServiceClass};
use tallyhook_analysis::damage::miner;
use tallyhook_analysis::mark::Mark;
use tallyhook_analysis::selection::cube_root_scale;

use super::given::{Pair, Spectrum};
use super::sheet::Sheet;
use crate::exit::Failure;
use crate::web::units::{number, percent};

/// An answer to print, as JSON or for people.
pub trait Answer: Serialize {
    /// For people.
    fn sheet(&self) -> String;
}

/// What goes behind a figure that is from memory.
pub fn caution(mark: Mark) -> String {
    mark.caution().map_or(String::new(), |words| format!("; {words}"))
}

/// A caution with what it is about; nothing for figures that have been seen in print.
pub fn cautioned(what: &str, mark: Mark) -> Option<String> {
    mark.caution().map(|words| format!("{what}: {words}"))
}

/// The factor and its class.
#[derive(Serialize, Debug)]
pub struct LoadingAnswer {
    pub load_spectrum_factor: f64,
    load_spectrum_factor_cube_root: f64,
    state_of_loading: &'static str,
    edition: &'static str,
    /// Cube root of the mean cube, in the unit of `--rated-load`, dead load included.
    #[serde(skip_serializing_if = "Option::is_none")]
    mean_effective_load: Option<f64>,
}

impl LoadingAnswer {
    pub fn of_mechanism(factor: f64, base: Option<f64>) -> Self {
        Self::with(factor, MechanismLoading::of(factor).map_or("above L4", MechanismLoading::name), base)
    }

    pub fn of_crane(spectrum: &Spectrum) -> Self {
        let factor = spectrum.factor.value();
        let class = ApplianceLoading::of(factor).map_or("above Q4", ApplianceLoading::name);
        Self::with(factor, class, spectrum.base)
    }

    fn with(factor: f64, state_of_loading: &'static str, base: Option<f64>) -> Self {
        let k = cube_root_scale(factor);
        LoadingAnswer {
            load_spectrum_factor: factor,
            load_spectrum_factor_cube_root: k,
            state_of_loading,
            edition: EDITION,
            mean_effective_load: base.map(|base| k * base),
        }
    }

    pub fn write(&self, sheet: &mut Sheet, symbol: &str) {
        let (factor, k) = (self.load_spectrum_factor, self.load_spectrum_factor_cube_root);
        sheet.line("Load spectrum factor", &format!("{symbol} = {factor} on the cubic scale"));
        sheet.line("", &format!("k = {k:.4} on the cube-root scale"));
        sheet.line("State of loading", &format!("{} ({EDITION})", self.state_of_loading));
        if factor > 1.0 {
            sheet.line("", "only overload gets there; the standard has no class for it");
        }
        if let Some(load) = self.mean_effective_load {
            sheet.line("Mean effective load", &format!("{} in the unit of the loads", number(load, 2)));
        }
    }
}

/// CMAA 70's classes. Its L1 to L4 are not those of ISO.
#[derive(Serialize, Debug)]
pub struct CmaaAnswer {
    edition: &'static str,
    mean_effective_load_factor: f64,
    load_class: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    cycle_class: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    service_class: Option<&'static str>,
}

impl CmaaAnswer {
    pub fn of(factor: f64, cycles: Option<f64>) -> Self {
        let k = cube_root_scale(factor);
        let load = LoadClass::of(k);
        let cycles = cycles.map(LoadCycles::of);
        CmaaAnswer {
            edition: cmaa::EDITION,
            mean_effective_load_factor: k,
            load_class: load.map_or("above L4", LoadClass::name),
            cycle_class: cycles.map(LoadCycles::name),
            service_class: load.zip(cycles).map(|(load, cycles)| ServiceClass::of(load, cycles).name()),
        }
    }

    pub fn write(&self, sheet: &mut Sheet) {
        let mut text =
            format!("k = {:.4}: load class {} (not ISO's)", self.mean_effective_load_factor, self.load_class);
        if let Some(cycles) = self.cycle_class {
            text += &format!(", cycle class {cycles}");
        }
        if let Some(service) = self.service_class {
            text += &format!(", service class {service}");
        }
        sheet.line(self.edition, &text);
    }
}

/// What is left at a lowered rating.
#[derive(Serialize, Debug)]
pub struct Derated {
    /// New rated load over the old one.
    ratio: f64,
    /// What is left in full-load hours or cycles of the new rating, over the old ones that are left: 1/ratio³.
    life_factor: f64,
    /// Hours or cycles.
    remaining_full_load: f64,
    /// S/D, which lowering leaves as it was.
    consumed: f64,
}

impl Derated {
    pub fn of(ratio: f64, remaining: f64, consumed: f64) -> Self {
        let life_factor = (ratio * ratio * ratio).recip();
        Derated { ratio, life_factor, remaining_full_load: remaining * life_factor, consumed }
    }

    pub fn write(&self, sheet: &mut Sheet, unit: &str) {
        sheet.line(
            "At a lowered rating",
            &format!(
                "{} of the rated load: {} {unit} of the new rating left, {} times as many (m = 3); the used share stays {}",
                percent(self.ratio),
                number(self.remaining_full_load, 1),
                number(self.life_factor, 3),
                percent(self.consumed),
            ),
        );
    }
}

/// Damage by Palmgren and Miner.
#[derive(Serialize, Debug)]
pub struct DamageAnswer {
    damage: f64,
    /// How often the same use can be repeated until the damage is 1.
    repeats: Option<f64>,
    parts: Vec<DamagePart>,
    note: &'static str,
}

#[derive(Serialize, Debug)]
struct DamagePart {
    used: f64,
    life: f64,
    damage: f64,
    share: Option<f64>,
}

impl DamageAnswer {
    pub fn of(pairs: &[Pair]) -> Result<Self, Failure> {
        let mut parts = Vec::new();
        for Pair(used, life) in pairs {
            let (used, life) = (used.value(), life.value());
            if !(used >= 0.0 && used.is_finite() && life > 0.0) {
                return Err(Failure::Usage(format!(
                    "--damage: {used}:{life} is no pair; give what was used, 0 or more, and the life at that load, above 0"
                )));
            }
            parts.push((used, life));
        }
        let damage = miner(&parts);
        let part = |&(used, life): &(f64, f64)| {
            let part = miner(&[(used, life)]);
            DamagePart { used, life, damage: part, share: (damage > 0.0).then(|| part / damage) }
        };
        Ok(DamageAnswer {
            damage,
            repeats: (damage > 0.0).then(|| damage.recip()),
            parts: parts.iter().map(part).collect(),
            note: "Palmgren-Miner, failure taken at 1; observed sums scatter from about 0.3 to 3",
        })
    }
}

impl Answer for DamageAnswer {
    fn sheet(&self) -> String {
        let mut sheet = Sheet::new("Damage by Palmgren and Miner");
        sheet.row(&["used", "life", "damage", "share of the damage"]);
        for p in &self.parts {
            let share = p.share.map_or("–".to_owned(), percent);
            sheet.row(&[&p.used.to_string(), &p.life.to_string(), &format!("{:.4e}", p.damage), &share]);
        }
        sheet.gap();
        sheet.line("Damage", &format!("{:.4e} of 1", self.damage));
        if let Some(repeats) = self.repeats {
            sheet.line("Until 1", &format!("{} times the same use", number(repeats, 2)));
        }
        sheet.say(self.note);
        sheet.finish()
    }
}
