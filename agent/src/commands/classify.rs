//! `classify`: the duty-group calculator, for numbers given by hand.

use clap::{ArgGroup, Args};
use serde::Serialize;
use tallyhook_analysis::class::{
    ApplianceGroup, ApplianceLoading, CycleClass, EDITION, MechanismGroup, MechanismLoading, TimeClass,
};
use tallyhook_analysis::mark::Mark;
use tallyhook_analysis::period::{FactorScale, Ledger, NoFactor, Part, PartKind, Recording};
use tallyhook_analysis::selection::{Step, cube_root_scale, daily_running_hours, spectrum_factor};

use crate::exit::{CommandResult, Failure, Outcome};

/// Class and group, full-load hours used and left, for hours or cycles and a spectrum given by hand.
#[derive(Args, Debug)]
#[command(group(ArgGroup::new("what").required(true).args(["mechanism", "crane"])))]
#[command(group(ArgGroup::new("spectrum").required(true).args(["spectrum_factor", "loads"])))]
#[command(group(ArgGroup::new("estimate").multiple(true).requires_all(
    ["path_m", "speed_m_min", "cycles_per_hour", "hours_per_day", "days"]
)))]
pub struct ClassifyArgs {
    /// Design group of a mechanism, ISO 4301-1:1986 (M5) or FEM 9.511 (2m).
    #[arg(long, value_name = "GROUP", value_parser = mechanism_group)]
    mechanism: Option<MechanismGroup>,
    /// Design group of a crane as a whole, ISO 4301-1:1986 (A5).
    #[arg(long, value_name = "GROUP", value_parser = appliance_group)]
    crane: Option<ApplianceGroup>,
    /// Running hours of hoisting and lowering.
    #[arg(long, value_name = "HOURS", value_parser = amount, conflicts_with_all = ["crane", "estimate"])]
    running_hours: Option<f64>,
    /// Hoisting cycles of the crane.
    #[arg(long, value_name = "CYCLES", value_parser = amount, conflicts_with = "mechanism")]
    cycles: Option<f64>,
    /// Load spectrum factor on the cubic scale: km of a mechanism, Kp of a crane.
    #[arg(long, value_name = "FACTOR", value_parser = factor)]
    spectrum_factor: Option<f64>,
    /// Load spectrum as LOAD:SHARE,…: load as a fraction of the rated load, share in hours, cycles or any one unit.
    #[arg(long, value_name = "LOAD:SHARE,…", value_delimiter = ',', value_parser = step)]
    loads: Vec<Step>,
    /// How the hours were recorded: recorder, counter, estimated; on the ISO scale also documented-process,
    /// documented-production, undocumented, unknown, and not estimated.
    #[arg(long, value_name = "KIND", default_value = "recorder", value_parser = recording)]
    #[arg(conflicts_with = "crane")]
    recording: Recording,
    /// Scale of the recording factor: fem (FEM 9.755) or iso (ISO 12482:2014).
    #[arg(long, value_name = "SCALE", default_value = "fem", value_parser = scale, conflicts_with = "crane")]
    scale: FactorScale,
    /// Estimate of running hours: path up and down of one cycle, metres (4 times the height when the empty hook's way
    /// is counted, which is the careful reading).
    #[arg(long, value_name = "METRES", value_parser = amount, group = "estimate", conflicts_with = "crane")]
    path_m: Option<f64>,
    /// Estimate of running hours: hoisting speed, m/min.
    #[arg(long, value_name = "SPEED", value_parser = above_zero, group = "estimate", conflicts_with = "crane")]
    speed_m_min: Option<f64>,
    /// Estimate of running hours: cycles an hour of work.
    #[arg(long, value_name = "CYCLES", value_parser = amount, group = "estimate", conflicts_with = "crane")]
    cycles_per_hour: Option<f64>,
    /// Estimate of running hours: hours of work a day.
    #[arg(long, value_name = "HOURS", value_parser = amount, group = "estimate", conflicts_with = "crane")]
    hours_per_day: Option<f64>,
    /// Estimate of running hours: working days.
    #[arg(long, value_name = "DAYS", value_parser = amount, group = "estimate", conflicts_with = "crane")]
    days: Option<f64>,
    /// Prints one JSON document.
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: ClassifyArgs) -> CommandResult {
    let factor = match args.spectrum_factor {
        Some(factor) => factor,
        None => spectrum_factor(&args.loads).map_err(|fault| Failure::Usage(format!("--loads: {fault}")))?,
    };
    match (args.mechanism, args.crane) {
        (Some(group), _) => {
            // Refused even without hours: the words of the question must fit each other.
            let (recording, scale) = (args.recording, args.scale);
            recording.factor(scale).ok_or_else(|| no_factor(NoFactor { recording, scale }))?;
            match running_hours(&args) {
                Some(hours) => {
                    let answer = mechanism(group, hours, factor, recording, scale).map_err(no_factor)?;
                    print(args.json, &answer, || answer.text(group, recording, scale))
                }
                None => {
                    let answer = LoadingAnswer::of_mechanism(factor);
                    print(args.json, &answer, || answer.text("km"))
                }
            }
        }
        (None, Some(group)) => match args.cycles {
            Some(cycles) => {
                let answer = crane(group, cycles, factor);
                print(args.json, &answer, || answer.text(group))
            }
            None => {
                let answer = LoadingAnswer::of_crane(factor);
                print(args.json, &answer, || answer.text("Kp"))
            }
        },
        (None, None) => Err(Failure::Usage("give --mechanism or --crane with its design group".into())),
    }
}

fn no_factor(fault: NoFactor) -> Failure {
    let other = match fault.scale {
        FactorScale::Fem => FactorScale::Iso,
        FactorScale::Iso => FactorScale::Fem,
    };
    let mend = match fault.recording.factor(other) {
        Some(_) => format!("; or use --scale {}", other.name()),
        None => String::new(),
    };
    Failure::Usage(format!("--recording {}: {fault}{mend}", fault.recording))
}

fn running_hours(args: &ClassifyArgs) -> Option<f64> {
    // clap sees to it that the five of the estimate come together or not at all.
    let estimate = || {
        let a_day = daily_running_hours(args.path_m?, args.cycles_per_hour?, args.hours_per_day?, args.speed_m_min?);
        Some(a_day * args.days?)
    };
    args.running_hours.or_else(estimate)
}

fn print(json: bool, answer: &impl Serialize, text: impl Fn() -> String) -> CommandResult {
    if json {
        println!("{}", serde_json::to_string_pretty(answer).map_err(Failure::run)?);
    } else {
        print!("{}", text());
    }
    Ok(Outcome::Done)
}

/// The factor and its class alone.
#[derive(Serialize, Debug)]
struct LoadingAnswer {
    load_spectrum_factor: f64,
    load_spectrum_factor_cube_root: f64,
    state_of_loading: &'static str,
    edition: &'static str,
}

impl LoadingAnswer {
    fn of_mechanism(km: f64) -> Self {
        Self::with(km, MechanismLoading::of(km).map_or("above L4", MechanismLoading::name))
    }

    fn of_crane(kp: f64) -> Self {
        Self::with(kp, ApplianceLoading::of(kp).map_or("above Q4", ApplianceLoading::name))
    }

    fn with(factor: f64, state_of_loading: &'static str) -> Self {
        LoadingAnswer {
            load_spectrum_factor: factor,
            load_spectrum_factor_cube_root: cube_root_scale(factor),
            state_of_loading,
            edition: EDITION,
        }
    }

    fn text(&self, symbol: &str) -> String {
        let mut text = format!(
            "load spectrum factor   {symbol} = {} on the cubic scale, k = {:.4} on the cube-root scale\n\
             state of loading       {} ({EDITION})\n",
            self.load_spectrum_factor, self.load_spectrum_factor_cube_root, self.state_of_loading,
        );
        if self.load_spectrum_factor > 1.0 {
            text.push_str("                       only overload gets there; the standard has no class for it\n");
        }
        text
    }
}

#[derive(Serialize, Debug)]
struct MechanismAnswer {
    running_hours: f64,
    used_full_load_hours: f64,
    design_full_load_hours: f64,
    consumed: f64,
    remaining_full_load_hours: f64,
    class_of_utilization: TimeClass,
    group_in_use: Option<MechanismGroup>,
    recording_factor: f64,
    recording_scale: &'static str,
    #[serde(flatten)]
    loading: LoadingAnswer,
}

fn mechanism(
    group: MechanismGroup,
    hours: f64,
    km: f64,
    recording: Recording,
    scale: FactorScale,
) -> Result<MechanismAnswer, NoFactor> {
    let part = Part::new(PartKind::Prior, hours, km, recording, scale)?;
    let recording_factor = part.factor;
    let ledger = Ledger { design_full_load_hours: group.design_full_load_hours(), parts: vec![part] };
    let time = TimeClass::of(hours);
    Ok(MechanismAnswer {
        running_hours: hours,
        used_full_load_hours: ledger.used_full_load_hours(),
        design_full_load_hours: ledger.design_full_load_hours,
        consumed: ledger.used_share(),
        remaining_full_load_hours: ledger.remaining_full_load_hours(),
        class_of_utilization: time,
        group_in_use: MechanismLoading::of(km).map(|loading| MechanismGroup::of(loading, time)),
        recording_factor,
        recording_scale: scale.edition(),
        loading: LoadingAnswer::of_mechanism(km),
    })
}

impl MechanismAnswer {
    fn text(&self, group: MechanismGroup, recording: Recording, scale: FactorScale) -> String {
        let time = self.class_of_utilization;
        let in_use = match (self.group_in_use, MechanismLoading::of(self.loading.load_spectrum_factor)) {
            (Some(group), Some(loading)) => {
                let mark = MechanismGroup::mark(loading, time).or_worse(time.mark());
                format!("{group}, FEM 9.511 {} ({EDITION}{})", group.fem_name(), caution(mark))
            }
            _ => "none: no group holds a spectrum above L4".to_owned(),
        };
        format!(
            "mechanism              designed for {group}, FEM 9.511 {fem}\n\
             running time           T = {hours} h of hoisting and lowering, f = {f:?} for `{recording}` ({edition}{sure})\n\
             {loading}\
             class of utilization   {time} ({EDITION}{time_sure})\n\
             group in use           {in_use}\n\
             full-load hours used   S = km T f = {used:.3} h of D = {design} h (FEM 9.755, 06.1993)\n\
             used share             {share:.2} %\n\
             full-load hours left   {left:.3} h\n{over}",
            fem = group.fem_name(),
            hours = self.running_hours,
            f = self.recording_factor,
            edition = scale.edition(),
            sure = caution(recording.mark(scale)),
            loading = self.loading.text("km"),
            time_sure = caution(time.mark()),
            used = self.used_full_load_hours,
            design = self.design_full_load_hours,
            share = self.consumed * 100.0,
            left = self.remaining_full_load_hours,
            over = if self.consumed >= 1.0 {
                "                       the safe working period is used up: general overhaul before further use\n"
            } else {
                ""
            },
        )
    }
}

#[derive(Serialize, Debug)]
struct CraneAnswer {
    cycles: f64,
    used_full_load_cycles: f64,
    design_full_load_cycles: f64,
    consumed: f64,
    remaining_full_load_cycles: f64,
    class_of_utilization: CycleClass,
    group_in_use: Option<ApplianceGroup>,
    #[serde(flatten)]
    loading: LoadingAnswer,
}

fn crane(group: ApplianceGroup, cycles: f64, kp: f64) -> CraneAnswer {
    let (used, design) = (cycles * kp, group.design_full_load_cycles());
    let class = CycleClass::of(cycles);
    CraneAnswer {
        cycles,
        used_full_load_cycles: used,
        design_full_load_cycles: design,
        consumed: used / design,
        remaining_full_load_cycles: design - used,
        class_of_utilization: class,
        group_in_use: ApplianceLoading::of(kp).map(|loading| ApplianceGroup::of(loading, class)),
        loading: LoadingAnswer::of_crane(kp),
    }
}

impl CraneAnswer {
    fn text(&self, group: ApplianceGroup) -> String {
        let in_use = self
            .group_in_use
            .map_or("none: no group holds a spectrum above Q4".to_owned(), |group| format!("{group} ({EDITION})"));
        format!(
            "crane                  designed for {group}\n\
             cycles                 C = {cycles}\n\
             {loading}\
             class of utilization   {class} ({EDITION})\n\
             group in use           {in_use}\n\
             full-load cycles used  Kp C = {used:.0} of {design} (our product C Kp of the group's cells{open})\n\
             used share             {share:.2} %\n\
             full-load cycles left  {left:.0}\n",
            cycles = self.cycles,
            loading = self.loading.text("Kp"),
            class = self.class_of_utilization,
            used = self.used_full_load_cycles,
            design = self.design_full_load_cycles,
            open = if group == ApplianceGroup::A8 { "; A8 is open above" } else { "" },
            share = self.consumed * 100.0,
            left = self.remaining_full_load_cycles,
        )
    }
}

fn caution(mark: Mark) -> String {
    mark.caution().map_or(String::new(), |words| format!("; {words}"))
}

fn number(text: &str) -> Result<f64, String> {
    text.trim().parse().map_err(|_| format!("`{text}` is no number"))
}

fn amount(text: &str) -> Result<f64, String> {
    let value = number(text)?;
    if value >= 0.0 && value.is_finite() { Ok(value) } else { Err("give a number, 0 or more".into()) }
}

fn above_zero(text: &str) -> Result<f64, String> {
    let value = amount(text)?;
    if value > 0.0 { Ok(value) } else { Err("give a number above 0".into()) }
}

fn factor(text: &str) -> Result<f64, String> {
    let value = amount(text)?;
    let most = Step::MOST_LOAD.powi(3);
    if value <= most {
        Ok(value)
    } else {
        Err(format!("a spectrum factor above {most} would be twice the rated load all the time; give 0 to 1"))
    }
}

fn step(text: &str) -> Result<Step, String> {
    let (load, share) = text
        .split_once(':')
        .ok_or_else(|| format!("`{text}` is no LOAD:SHARE pair; 0.75:0.10 means 10 % at three quarters of the load"))?;
    let step = Step { load: number(load)?, share: number(share)? };
    // One step alone must be sound; that not all shares are zero is checked on the whole.
    spectrum_factor(&[step, Step { load: 0.0, share: 1.0 }]).map_err(|fault| fault.to_string())?;
    Ok(step)
}

fn mechanism_group(text: &str) -> Result<MechanismGroup, String> {
    MechanismGroup::parse(text).ok_or_else(|| "the groups are M1 to M8, or 1Dm, 1Cm, 1Bm, 1Am, 2m to 5m".into())
}

fn appliance_group(text: &str) -> Result<ApplianceGroup, String> {
    ApplianceGroup::from_name(text).ok_or_else(|| "the groups are A1 to A8".into())
}

fn recording(text: &str) -> Result<Recording, String> {
    Recording::from_name(text)
        .ok_or_else(|| format!("the kinds are {}", Recording::ALL.map(Recording::name).join(", ")))
}

fn scale(text: &str) -> Result<FactorScale, String> {
    [FactorScale::Fem, FactorScale::Iso]
        .into_iter()
        .find(|scale| scale.name() == text)
        .ok_or_else(|| "the scales are fem (FEM 9.755) and iso (ISO 12482:2014)".into())
}
