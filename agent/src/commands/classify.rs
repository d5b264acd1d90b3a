//! `classify`: the duty-group calculator, for numbers given by hand.

mod answer;
mod crane;
mod given;
mod mechanism;
mod number;
mod sheet;

use std::any::TypeId;

use clap::{ArgGroup, Args};
use tallyhook_analysis::class::{ApplianceGroup, MechanismGroup};
use tallyhook_analysis::period::{FactorScale, Recording};

use crate::exit::{CommandResult, Failure, Outcome};
use crate::figures::CAUTION;
use answer::{Answer, DamageAnswer};
use given::{Pair, Period};
use number::Number;

/// Class and group, full-load hours used and left, for hours or cycles and a spectrum given by hand.
///
/// ISO 4301-1:1986, FEM 9.511, FEM 9.755, FEM 9.683; beside them EN 13001-1 and CMAA 70. Arithmetic, no inspection.
#[derive(Args, Debug)]
#[command(group(ArgGroup::new("what").required(true).args(["mechanism", "crane", "damage"])))]
#[command(group(ArgGroup::new("spectrum").args(["spectrum_factor", "loads", "period"])))]
pub struct ClassifyArgs {
    /// Design group of a mechanism, ISO 4301-1:1986 (M5) or FEM 9.511 (2m).
    #[arg(long, value_name = "GROUP", value_parser = given::mechanism_group)]
    mechanism: Option<MechanismGroup>,
    /// Design group of a crane as a whole, ISO 4301-1:1986 (A5).
    #[arg(long, value_name = "GROUP", value_parser = given::appliance_group)]
    crane: Option<ApplianceGroup>,
    /// Running hours of hoisting and lowering.
    #[arg(long, value_name = "HOURS", value_parser = given::amount, conflicts_with_all = ["crane", "path_m", "period"])]
    running_hours: Option<Number>,
    /// Hoisting cycles of the crane.
    #[arg(long, value_name = "CYCLES", value_parser = given::amount, conflicts_with_all = ["mechanism", "days"])]
    cycles: Option<Number>,
    /// Load spectrum factor on the cubic scale: km of a mechanism, Kp of a crane.
    #[arg(long, value_name = "FACTOR", value_parser = given::factor)]
    spectrum_factor: Option<Number>,
    /// Load spectrum as LOAD:SHARE,…: load as a fraction of the rated load (or in the unit of --rated-load), share in
    /// hours, cycles or any one unit.
    #[arg(long, value_name = "LOAD:SHARE,…", value_delimiter = ',', value_parser = given::pair)]
    loads: Vec<Pair>,
    /// Rated load in the unit of --loads; without it loads are fractions of it.
    #[arg(long, value_name = "LOAD", value_parser = given::above_zero, conflicts_with = "damage")]
    rated_load: Option<Number>,
    /// Dead load of hook block and attachment that --loads leaves out, in the unit of the loads (a fraction of the
    /// rated load, or the unit of --rated-load). It is added to each load and to the rated load (FEM 9.511, CMAA 70).
    #[arg(long, value_name = "LOAD", value_parser = given::amount, requires = "loads")]
    dead_load: Option<Number>,
    /// One period of use, HOURS:FACTOR or HOURS:FACTOR:KIND, as often as there are periods; KIND as for --recording.
    #[arg(long, value_name = "HOURS:FACTOR[:KIND]", value_parser = given::period, conflicts_with_all = ["crane", "path_m"])]
    period: Vec<Period>,
    /// How the hours were recorded: recorder, counter, estimated; on the ISO scale also documented-process,
    /// documented-production, undocumented, unknown, and not estimated.
    #[arg(long, value_name = "KIND", default_value = "recorder", value_parser = given::recording)]
    #[arg(conflicts_with_all = ["crane", "damage"])]
    recording: Recording,
    /// Scale of the recording factor: fem (FEM 9.755) or iso (ISO 12482:2014).
    #[arg(long, value_name = "SCALE", default_value = "fem", value_parser = given::scale)]
    #[arg(conflicts_with_all = ["crane", "damage"])]
    scale: FactorScale,
    /// Estimate of running hours: path up and down of one cycle, metres (4 times the height when the empty hook's way
    /// is counted, which is the careful reading).
    #[arg(long, value_name = "METRES", value_parser = given::amount, conflicts_with = "crane")]
    #[arg(requires_all = ["speed_m_min", "cycles_per_hour", "hours_per_day"])]
    path_m: Option<Number>,
    /// Estimate of running hours: hoisting speed, m/min.
    #[arg(long, value_name = "SPEED", value_parser = given::above_zero, requires = "path_m")]
    speed_m_min: Option<Number>,
    /// Cycles (lifts) an hour of work.
    #[arg(long, value_name = "CYCLES", value_parser = given::amount)]
    cycles_per_hour: Option<Number>,
    /// Hours of work a day.
    #[arg(long, value_name = "HOURS", value_parser = given::amount, requires = "cycles_per_hour")]
    hours_per_day: Option<Number>,
    /// Working days that the estimate of hours, or of a crane's cycles, is for.
    #[arg(long, value_name = "DAYS", value_parser = given::amount, requires = "hours_per_day")]
    days: Option<Number>,
    /// Starts of the motor in a cycle, held against FEM 9.683.
    #[arg(long, value_name = "STARTS", value_parser = given::amount, requires = "cycles_per_hour")]
    #[arg(conflicts_with = "crane")]
    starts_per_cycle: Option<Number>,
    /// What is left at a rated load lowered to this fraction, 0.5 or 5/10.
    #[arg(long, value_name = "FRACTION", value_parser = given::ratio, conflicts_with = "damage")]
    derate: Option<f64>,
    /// The crane works in heat, corrosion or the like (severity of service).
    #[arg(long, conflicts_with_all = ["mechanism", "damage"])]
    abnormal: bool,
    /// Palmgren-Miner: USED:LIFE,… for each load, hours or cycles in any one unit.
    #[arg(long, value_name = "USED:LIFE,…", value_delimiter = ',', value_parser = given::pair)]
    #[arg(conflicts_with_all = ["spectrum", "running_hours", "cycles", "cycles_per_hour"])]
    damage: Vec<Pair>,
    /// Prints one JSON document.
    #[arg(long)]
    json: bool,
}

/// The kinds of values here that begin with a number.
pub fn numbers() -> [TypeId; 3] {
    [TypeId::of::<Number>(), TypeId::of::<Pair>(), TypeId::of::<Period>()]
}

/// Runs the command.
pub fn run(args: &ClassifyArgs) -> CommandResult {
    match (args.mechanism, args.crane) {
        (Some(group), _) => print(args.json, &mechanism::answer(args, group)?),
        (None, Some(group)) => print(args.json, &crane::answer(args, group)?),
        (None, None) => print(args.json, &DamageAnswer::of(&args.damage)?),
    }
}

fn print(json: bool, answer: &impl Answer) -> CommandResult {
    if json {
        println!("{}", serde_json::to_string_pretty(answer).map_err(Failure::run)?);
    } else {
        let mut sheet = answer.sheet();
        sheet.push('\n');
        super::status::wrapped(&mut sheet, "", CAUTION);
        print!("{sheet}");
    }
    Ok(Outcome::Done)
}
