//! The scenario file: what a crane is and how its yard works.
//!
//! A scenario either draws its lifts from shifts and load profiles (`[[shift]]`, `[[load]]`), or names each of them
//! (`[[lift]]`), for tests that must know what will come.

use jiff::civil::{Date, Weekday};
use jiff::tz::TimeZone;
use serde::Deserialize;
use thiserror::Error;

/// Why a scenario cannot be played.
#[derive(Debug, Error)]
pub enum ScenarioError {
    /// The file is no TOML, or a key is unknown, missing or of the wrong type; the text names line and column.
    #[error("the scenario cannot be read: {0}")]
    Text(#[from] toml::de::Error),
    /// A value makes no sense; the text says which and how to mend it.
    #[error("the scenario cannot be played: {0}")]
    Value(String),
}

/// A scenario, checked.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// Its name.
    pub name: String,
    /// The same seed gives the same lifts. Default 1.
    #[serde(default = "one")]
    pub seed: u64,
    /// The yard's time zone, an IANA name. Default UTC.
    #[serde(default = "utc", rename = "time_zone")]
    zone_name: String,
    /// The crane's first day at work; its counters start there. Default 2024-01-01.
    #[serde(default = "first_day")]
    pub began: Date,
    /// The Modbus unit that answers, 1 to 247. Default 1.
    #[serde(default = "unit")]
    pub unit: u8,
    /// The crane.
    pub crane: Crane,
    /// When work is done.
    #[serde(default, rename = "shift")]
    pub shifts: Vec<Shift>,
    /// What is lifted.
    #[serde(default, rename = "load")]
    pub loads: Vec<LoadProfile>,
    /// How often something out of the ordinary happens.
    #[serde(default)]
    pub chance: Chance,
    /// How busy each month is, January to December; 1 is as the shifts say. Default all 1.
    #[serde(default = "even_months")]
    pub months: [f64; 12],
    /// Lifts by name, in place of shifts and profiles.
    #[serde(default, rename = "lift")]
    pub lifts: Vec<NamedLift>,
    #[serde(skip, default = "utc_zone")]
    zone: TimeZone,
}

/// The crane's data.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Crane {
    /// Rated load, kg.
    pub rated_load_kg: f64,
    /// Hoisting speed, m/min.
    pub hoist_m_per_min: f64,
    /// Creep speed, m/min; a sixth of the hoisting speed unless given.
    pub creep_m_per_min: Option<f64>,
    /// Height at which loads are moved about and the hook rests, m, lowest and highest.
    pub carry_m: [f64; 2],
    /// Height at which loads are slung and set down, m, lowest and highest.
    pub place_m: [f64; 2],
}

/// A stretch of work on some days of the week.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Shift {
    /// `mon` to `sun`.
    pub days: Vec<Day>,
    /// It begins at this hour of the local day, 0 to 24.
    pub from: f64,
    /// It ends at this hour, after `from`, at most 24.
    pub to: f64,
    /// Lifts an hour, on the average and if their length allows.
    pub lifts_per_hour: f64,
}

/// A day of the week.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Day {
    /// Monday.
    Mon,
    /// Tuesday.
    Tue,
    /// Wednesday.
    Wed,
    /// Thursday.
    Thu,
    /// Friday.
    Fri,
    /// Saturday.
    Sat,
    /// Sunday.
    Sun,
}

impl Day {
    /// Whether it is this day of the calendar.
    pub fn is(self, weekday: Weekday) -> bool {
        self as i8 == weekday.to_monday_zero_offset()
    }
}

/// A kind of load.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LoadProfile {
    /// What it is.
    pub name: String,
    /// How often, against the other profiles' weights.
    pub weight: f64,
    /// Mean, fraction of the rated load.
    pub mean: f64,
    /// Standard deviation, fraction of the rated load.
    pub sd: f64,
}

/// Chances, each 0 to 1.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Chance {
    /// A lift is lowered a little and raised again while it hangs; may happen twice more with the same chance.
    pub raised_again: f64,
    /// A lift is left hanging for some minutes.
    pub left_hanging: f64,
    /// A lift is 2 to 10 % above the rated load.
    pub overload: f64,
    /// A working day on which nothing is done.
    pub idle_day: f64,
}

/// A lift by name. The hook is taken to rest at the load; the lift begins with the take-up at `at`.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NamedLift {
    /// Seconds from the start of play.
    pub at: f64,
    /// Load, kg.
    pub load_kg: f64,
    /// Raising runs with the load on the hook, the take-up's included. Default 1.
    #[serde(default = "one_raise")]
    pub raises: u32,
    /// Length of each raising run, seconds; at least 4. Default 6.
    #[serde(default = "raise_s")]
    pub raise_s: f64,
    /// Rest between two raises, seconds; at least 1. Default 3.
    #[serde(default = "pause_s")]
    pub pause_s: f64,
    /// Rest before the load is lowered, seconds; at least 1. Default 5.
    #[serde(default = "hang_s")]
    pub hang_s: f64,
}

fn one() -> u64 {
    1
}
fn unit() -> u8 {
    1
}
fn utc() -> String {
    "UTC".into()
}
fn utc_zone() -> TimeZone {
    TimeZone::UTC
}
fn first_day() -> Date {
    Date::constant(2024, 1, 1)
}
fn even_months() -> [f64; 12] {
    [1.0; 12]
}
fn one_raise() -> u32 {
    1
}
fn raise_s() -> f64 {
    6.0
}
fn pause_s() -> f64 {
    3.0
}
fn hang_s() -> f64 {
    5.0
}

impl Scenario {
    /// Reads and checks the text of a scenario file.
    ///
    /// # Errors
    ///
    /// When the text is no TOML of this form, and when a value cannot be played.
    pub fn parse(text: &str) -> Result<Self, ScenarioError> {
        let mut scenario: Scenario = toml::from_str(text)?;
        scenario.zone = TimeZone::get(&scenario.zone_name).map_err(|_| {
            let name = &scenario.zone_name;
            ScenarioError::Value(format!(
                "time_zone {name:?} is not known; give an IANA name such as \"Europe/Dublin\""
            ))
        })?;
        scenario.check().map_err(ScenarioError::Value)?;
        Ok(scenario)
    }

    /// The scenario of the demo: a 16 t double-girder crane in a precast yard.
    ///
    /// # Errors
    ///
    /// Never with the file as it is; a test reads it.
    pub fn eastfield() -> Result<Self, ScenarioError> {
        Self::parse(include_str!("eastfield.toml"))
    }

    /// The yard's time zone.
    pub fn time_zone(&self) -> &TimeZone {
        &self.zone
    }

    /// Whether the lifts are named one by one.
    pub fn is_named(&self) -> bool {
        !self.lifts.is_empty()
    }

    fn check(&self) -> Result<(), String> {
        let within = |name: &str, value: f64, low: f64, high: f64| {
            let fits = value.is_finite() && (low..=high).contains(&value);
            if fits { Ok(()) } else { Err(format!("{name} is {value}; give a number from {low} to {high}")) }
        };
        let crane = &self.crane;
        within("crane.rated_load_kg", crane.rated_load_kg, 1.0, 2_000_000.0)?;
        within("crane.hoist_m_per_min", crane.hoist_m_per_min, 0.1, 200.0)?;
        within("crane.creep_m_per_min", crane.creep(), 0.01, crane.hoist_m_per_min)?;
        for (name, [low, high]) in [("crane.place_m", crane.place_m), ("crane.carry_m", crane.carry_m)] {
            within(name, low, 0.0, 60.0)?;
            within(name, high, low, 60.0)?;
        }
        if crane.carry_m[0] < crane.place_m[1] + 1.0 {
            return Err("crane.carry_m must begin at least 1 m above the end of crane.place_m".into());
        }
        if !(1..=247).contains(&self.unit) {
            return Err(format!("unit is {}; give 1 to 247", self.unit));
        }
        for (name, value) in [
            ("chance.raised_again", self.chance.raised_again),
            ("chance.left_hanging", self.chance.left_hanging),
            ("chance.overload", self.chance.overload),
            ("chance.idle_day", self.chance.idle_day),
        ] {
            within(name, value, 0.0, 1.0)?;
        }
        for factor in self.months {
            within("a factor of months", factor, 0.0, 10.0)?;
        }
        if self.is_named() {
            if !self.shifts.is_empty() || !self.loads.is_empty() {
                return Err("it has both [[lift]] and [[shift]] or [[load]]; keep one of the two forms".into());
            }
            return self.check_named();
        }
        if self.shifts.is_empty() || self.loads.is_empty() {
            return Err("it has nothing to lift; give [[shift]] and [[load]], or [[lift]]".into());
        }
        for shift in &self.shifts {
            within("shift.from", shift.from, 0.0, 24.0)?;
            within("shift.to", shift.to, shift.from, 24.0)?;
            within("shift.lifts_per_hour", shift.lifts_per_hour, 0.01, 120.0)?;
        }
        for load in &self.loads {
            within("load.weight", load.weight, 0.000_001, 1e9)?;
            within("load.mean", load.mean, 0.08, 0.98)?;
            within("load.sd", load.sd, 0.0, 1.0)?;
        }
        Ok(())
    }

    fn check_named(&self) -> Result<(), String> {
        let mut free_from = 0.0;
        for (index, lift) in self.lifts.iter().enumerate() {
            let n = index + 1;
            let reason = if !(lift.at.is_finite() && lift.at >= free_from) {
                format!("it must begin at {free_from:.1} s or later, when the one before has ended and rested 5 s")
            } else if !(lift.load_kg > 0.0 && lift.load_kg <= 2.0 * self.crane.rated_load_kg) {
                "load_kg must be above 0 and at most twice the rated load".into()
            } else if !(1..=100).contains(&lift.raises) {
                "raises must be 1 to 100".into()
            } else if !(lift.raise_s >= 4.0 && lift.raise_s <= 3600.0) {
                "raise_s must be 4 to 3600".into()
            } else if !(lift.pause_s >= 1.0 && lift.hang_s >= 1.0 && lift.pause_s + lift.hang_s <= 86_400.0) {
                "pause_s and hang_s must be at least 1".into()
            } else {
                let raises = f64::from(lift.raises);
                let lowering = raises * lift.raise_s + 2.0;
                free_from =
                    lift.at + raises * lift.raise_s + (raises - 1.0) * lift.pause_s + lift.hang_s + lowering + 5.0;
                continue;
            };
            return Err(format!("[[lift]] number {n}: {reason}"));
        }
        Ok(())
    }
}

impl Crane {
    /// Creep speed, m/min.
    pub fn creep(&self) -> f64 {
        self.creep_m_per_min.unwrap_or(self.hoist_m_per_min / 6.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEAD: &str =
        "name = \"n\"\n[crane]\nrated_load_kg = 10000\nhoist_m_per_min = 5\ncarry_m = [4, 5]\nplace_m = [1, 2]\n";

    fn refused(tail: &str, part: &str) {
        let error = Scenario::parse(&format!("{HEAD}{tail}")).unwrap_err().to_string();
        assert!(error.contains(part), "{error}");
    }

    #[test]
    fn faults_are_named() {
        refused("", "nothing to lift");
        refused("[[lift]]\nat = 0\nload_kg = 0\n", "number 1: load_kg");
        refused(
            "[[lift]]\nat = 0\nload_kg = 10\n[[lift]]\nat = 5\nload_kg = 10\n",
            "number 2: it must begin at 24.0 s",
        );
        refused("[[lift]]\nat = 0\nload_kg = 10\nlaod = 3\n", "laod");
        refused(
            "[[shift]]\ndays = [\"mon\"]\nfrom = 8\nto = 7\nlifts_per_hour = 1\n[[load]]\nname = \"a\"\nweight = 1\nmean = 0.5\nsd = 0\n",
            "shift.to is 7",
        );
        refused("[chance]\noverload = 2\n", "chance.overload is 2");
        let zone = Scenario::parse(&format!("time_zone = \"Mars/North\"\n{HEAD}")).unwrap_err().to_string();
        assert!(zone.contains("Mars/North"), "{zone}");
    }

    #[test]
    fn the_demo_s_own_scenario_is_sound() {
        let scenario = Scenario::eastfield().unwrap();
        assert_eq!(scenario.crane.rated_load_kg, 16_000.0);
        assert!(Day::Mon.is(Weekday::Monday) && Day::Sun.is(Weekday::Sunday) && !Day::Tue.is(Weekday::Monday));
    }
}
