//! The answer for a mechanism.

use serde::Serialize;
use tallyhook_analysis::class::{EDITION, MechanismGroup, MechanismLoading, TimeClass};
use tallyhook_analysis::duty::DutyLimit;
use tallyhook_analysis::hst;
use tallyhook_analysis::mark::Mark;
use tallyhook_analysis::period::{FactorScale, Ledger, NoFactor, Part, PartKind, Recording};
use tallyhook_analysis::rope::RopeDrive;
use tallyhook_analysis::selection::cube_root_scale;

use super::ClassifyArgs;
use super::answer::{Answer, CmaaAnswer, Derated, LoadingAnswer, caution, cautioned};
use super::given::mean;
use super::number::Number;
use super::sheet::Sheet;
use crate::exit::Failure;
use crate::web::units::{hours, number, percent};

/// FEM's names of the groups.
const FEM_EDITION: &str = "FEM 9.511";

#[derive(Serialize, Debug)]
pub struct MechanismAnswer {
    design_group: MechanismGroup,
    design_group_fem: &'static str,
    fem_edition: &'static str,
    #[serde(flatten)]
    loading: LoadingAnswer,
    #[serde(flatten)]
    usage: Option<Usage>,
    #[serde(skip_serializing_if = "Option::is_none")]
    derated: Option<Derated>,
    #[serde(skip_serializing_if = "Option::is_none")]
    daily: Option<Daily>,
    motor: Option<Motor>,
    rope: Rope,
    cmaa: CmaaAnswer,
    hst: Hst,
    /// What must be checked against the standard before it is relied on.
    cautions: Vec<String>,
}

/// What follows from running hours.
#[derive(Serialize, Debug)]
struct Usage {
    running_hours: f64,
    used_full_load_hours: f64,
    design_full_load_hours: f64,
    design_edition: &'static str,
    consumed: f64,
    remaining_full_load_hours: f64,
    remaining_running_hours: RowHours,
    class_of_utilization: TimeClass,
    group_in_use: Option<MechanismGroup>,
    group_in_use_fem: Option<&'static str>,
    recording_factor: f64,
    recording_scale: &'static str,
    periods: Vec<PeriodAnswer>,
}

/// What is left, in running hours at the limit of each load spectrum class.
#[derive(Serialize, Debug)]
struct RowHours {
    #[serde(rename = "L1")]
    l1: f64,
    #[serde(rename = "L2")]
    l2: f64,
    #[serde(rename = "L3")]
    l3: f64,
    #[serde(rename = "L4")]
    l4: f64,
}

#[derive(Serialize, Debug)]
struct PeriodAnswer {
    running_hours: f64,
    load_spectrum_factor: f64,
    recording: Recording,
    recording_factor: f64,
    full_load_hours: f64,
}

/// FEM 9.511's group by the average day.
#[derive(Serialize, Debug)]
struct Daily {
    running_hours_per_day: f64,
    class_of_utilization: TimeClass,
    group: Option<MechanismGroup>,
    group_fem: Option<&'static str>,
    starts_per_hour_allowed: Option<u32>,
    edition: &'static str,
}

/// FEM 9.683's values for the design group's motor.
#[derive(Serialize, Debug)]
struct Motor {
    edition: &'static str,
    duration_factor_percent: f64,
    starts_per_hour_allowed: u32,
    starts_per_hour: Option<f64>,
    within: Option<bool>,
    #[serde(skip)]
    mark: Mark,
}

/// ISO 4308-1's least coefficients for the design group.
#[derive(Serialize, Debug)]
struct Rope {
    edition: &'static str,
    zp_running: f64,
    zp_standing: f64,
}

/// Whether the ratings of ASME HST hold.
#[derive(Serialize, Debug)]
struct Hst {
    edition: &'static str,
    mean_effective_load_factor: f64,
    rated_at: f64,
    within: bool,
}

pub fn answer(args: &ClassifyArgs, group: MechanismGroup) -> Result<MechanismAnswer, Failure> {
    // Refused even without hours: the words of the question must fit each other.
    part(0.0, 0.0, args.recording, args.scale)?;
    let per_day = hours_per_day(args)?;
    let of = |hours: Number, factor: Number, recording| part(hours.value(), factor.value(), recording, args.scale);
    let (parts, running_hours, factor, base) = if args.period.is_empty() {
        let spectrum = args.spectrum()?;
        let hours = args.running_hours.or_else(|| Some(per_day?.times(args.days?)));
        let parts = hours.map(|hours| of(hours, spectrum.factor, args.recording)).transpose()?;
        (parts.into_iter().collect(), hours.unwrap_or(Number::ZERO), spectrum.factor, spectrum.base)
    } else {
        let of = |p: &super::Period| of(p.hours, p.factor, p.recording.unwrap_or(args.recording));
        let parts = args.period.iter().map(of).collect::<Result<Vec<Part>, Failure>>()?;
        let sum = Number::sum(args.period.iter().map(|p| p.hours));
        if sum.value() <= 0.0 {
            return Err(Failure::Usage("--period: at least one period must have hours above 0".into()));
        }
        let factor = mean(args.period.iter().map(|p| (p.factor, p.hours)));
        (parts, sum, factor, args.rated_load.map(Number::value))
    };
    let (running_hours, factor) = (running_hours.value(), factor.value());
    let usage = (!parts.is_empty()).then(|| Usage::of(group, parts, running_hours, factor, args.scale));
    let derated = match (args.derate, &usage) {
        (Some(ratio), Some(u)) => Some(Derated::of(ratio, u.remaining_full_load_hours, u.consumed)),
        (Some(_), None) => {
            return Err(Failure::Usage("--derate needs hours: give --running-hours, --period or an estimate".into()));
        }
        (None, _) => None,
    };
    let daily = per_day.map(|hours| Daily::of(hours.value(), factor));
    let starts = args.starts_per_cycle.zip(args.cycles_per_hour).map(|(starts, cycles)| starts.times(cycles).value());
    let k = cube_root_scale(factor);
    let drive = RopeDrive::of(group);
    let mut answer = MechanismAnswer {
        design_group: group,
        design_group_fem: group.fem_name(),
        fem_edition: FEM_EDITION,
        loading: LoadingAnswer::of_mechanism(factor, base),
        usage,
        derated,
        daily,
        motor: DutyLimit::of(group).map(|limit| Motor::of(limit, starts)),
        rope: Rope { edition: RopeDrive::EDITION, zp_running: drive.running, zp_standing: drive.standing },
        cmaa: CmaaAnswer::of(factor, None),
        hst: Hst {
            edition: hst::EDITION,
            mean_effective_load_factor: k,
            rated_at: hst::RATED_AT,
            within: k <= hst::RATED_AT,
        },
        cautions: Vec::new(),
    };
    answer.cautions = answer.collect_cautions(args);
    Ok(answer)
}

fn part(hours: f64, factor: f64, recording: Recording, scale: FactorScale) -> Result<Part, Failure> {
    Part::new(PartKind::Prior, hours, factor, recording, scale).map_err(no_factor)
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

/// Running hours of an average day, where a path was given.
fn hours_per_day(args: &ClassifyArgs) -> Result<Option<Number>, Failure> {
    match (args.path_m, args.speed_m_min, args.cycles_per_hour, args.hours_per_day) {
        (Some(path), Some(speed), Some(cycles), Some(hours)) => {
            // FEM 9.511 and FEM 9.755, as `selection::daily_running_hours` has it.
            let minutes = path.times(cycles).times(hours).over(speed);
            Ok(Some(minutes.over(Number::whole(60))))
        }
        (None, _, _, Some(_)) => {
            Err(Failure::Usage("--hours-per-day of a mechanism needs --path-m and --speed-m-min".into()))
        }
        _ => Ok(None),
    }
}

impl Usage {
    fn of(group: MechanismGroup, parts: Vec<Part>, running_hours: f64, factor: f64, scale: FactorScale) -> Self {
        let periods: Vec<PeriodAnswer> = parts.iter().map(PeriodAnswer::of).collect();
        let ledger = Ledger { design_full_load_hours: group.design_full_load_hours(), parts };
        let remaining = ledger.remaining_full_load_hours();
        let row = |loading: MechanismLoading| remaining / loading.limit();
        let time = TimeClass::of(running_hours);
        let in_use = MechanismLoading::of(factor).map(|loading| MechanismGroup::of(loading, time));
        let used = ledger.used_full_load_hours();
        Usage {
            running_hours,
            used_full_load_hours: used,
            design_full_load_hours: ledger.design_full_load_hours,
            design_edition: FactorScale::Fem.edition(),
            consumed: ledger.used_share(),
            remaining_full_load_hours: remaining,
            remaining_running_hours: RowHours {
                l1: row(MechanismLoading::L1),
                l2: row(MechanismLoading::L2),
                l3: row(MechanismLoading::L3),
                l4: row(MechanismLoading::L4),
            },
            class_of_utilization: time,
            group_in_use: in_use,
            group_in_use_fem: in_use.map(MechanismGroup::fem_name),
            // Of several periods the mean by full-load hours.
            recording_factor: match periods.as_slice() {
                [only] => only.recording_factor,
                _ if factor * running_hours > 0.0 => used / (factor * running_hours),
                _ => 1.0,
            },
            recording_scale: scale.edition(),
            periods,
        }
    }
}

impl PeriodAnswer {
    fn of(part: &Part) -> Self {
        PeriodAnswer {
            running_hours: part.running_hours,
            load_spectrum_factor: part.spectrum_factor,
            recording: part.recording,
            recording_factor: part.factor,
            full_load_hours: part.full_load_hours(),
        }
    }
}

impl Daily {
    fn of(hours: f64, factor: f64) -> Self {
        let group = MechanismLoading::of(factor).and_then(|l| MechanismGroup::for_daily_hours(l, hours));
        Daily {
            running_hours_per_day: hours,
            class_of_utilization: TimeClass::of_daily_hours(hours),
            group,
            group_fem: group.map(MechanismGroup::fem_name),
            starts_per_hour_allowed: group.and_then(DutyLimit::of).map(|l| l.starts_per_hour),
            edition: FEM_EDITION,
        }
    }
}

impl Motor {
    fn of(limit: DutyLimit, starts: Option<f64>) -> Self {
        Motor {
            edition: DutyLimit::EDITION,
            duration_factor_percent: limit.ed_percent,
            starts_per_hour_allowed: limit.starts_per_hour,
            starts_per_hour: starts,
            within: starts.map(|starts| starts <= f64::from(limit.starts_per_hour)),
            mark: limit.mark,
        }
    }
}

impl MechanismAnswer {
    /// How sure the group in use is: the class of the hours and the cell of the matrix.
    fn group_mark(&self, usage: &Usage) -> Mark {
        let time = usage.class_of_utilization;
        MechanismLoading::of(self.loading.load_spectrum_factor)
            .map_or(time.mark(), |loading| MechanismGroup::mark(loading, time).or_worse(time.mark()))
    }

    fn collect_cautions(&self, args: &ClassifyArgs) -> Vec<String> {
        let mut all = Vec::new();
        if let Some(usage) = &self.usage {
            let time = usage.class_of_utilization;
            all.extend(cautioned(&format!("class of utilization {time}, {EDITION}"), time.mark()));
            if let Some(group) = usage.group_in_use {
                all.extend(cautioned(&format!("group in use {group}, {EDITION}"), self.group_mark(usage)));
            }
            for recording in Recording::ALL {
                if usage.periods.iter().any(|p| p.recording == recording) {
                    let what = format!("factor of `{recording}`, {}", args.scale.edition());
                    all.extend(cautioned(&what, recording.mark(args.scale)));
                }
            }
        }
        if let Some(motor) = &self.motor {
            all.extend(cautioned(&format!("motor duty of {}, {}", self.design_group, motor.edition), motor.mark));
        }
        if args.dead_load.is_some() {
            all.extend(cautioned("rated base with the dead load in it, FEM 9.511", Mark::C));
        }
        all
    }

    fn write_usage(&self, sheet: &mut Sheet, usage: &Usage) {
        let time = usage.class_of_utilization;
        sheet.line("Running time T", &format!("{} h of hoisting and lowering", hours(usage.running_hours)));
        sheet.line("Class of utilization", &format!("{time} ({EDITION})"));
        let in_use = usage.group_in_use.map_or("none: no group holds a spectrum above L4".to_owned(), |group| {
            format!("{group} ({EDITION}), {} ({FEM_EDITION})", group.fem_name())
        });
        sheet.line("Group in use", &in_use);
        sheet.gap();
        sheet.row(&["T, h", "km", "f", "S, h", "recorded by"]);
        for p in &usage.periods {
            sheet.row(&[
                &hours(p.running_hours),
                &number(p.load_spectrum_factor, 4),
                &number(p.recording_factor, 1),
                &hours(p.full_load_hours),
                p.recording.name(),
            ]);
        }
        sheet.gap();
        let scale = usage.recording_scale;
        sheet
            .line("S = sum of km T f", &format!("{} full-load hours, f of {scale}", hours(usage.used_full_load_hours)));
        let design = number(usage.design_full_load_hours, 0);
        sheet.line("D, designed for", &format!("{design} full-load hours ({})", usage.design_edition));
        sheet.line("Used share S/D", &percent(usage.consumed));
        sheet.line("Left, D - S", &format!("{} full-load hours", hours(usage.remaining_full_load_hours)));
        let left = &usage.remaining_running_hours;
        let rows = [("L1", left.l1), ("L2", left.l2), ("L3", left.l3)].map(|(l, h)| format!("{} h at {l}", hours(h)));
        sheet.line("", &format!("or {}", rows.join(", ")));
        if usage.consumed >= 1.0 {
            sheet.line("", "the safe working period is used up: general overhaul before further use");
        }
    }
}

impl Answer for MechanismAnswer {
    fn sheet(&self) -> String {
        let group = self.design_group;
        let mut sheet =
            Sheet::new(&format!("Mechanism designed for {group} ({EDITION}), {} ({FEM_EDITION})", group.fem_name()));
        self.loading.write(&mut sheet, "km");
        if let Some(usage) = &self.usage {
            self.write_usage(&mut sheet, usage);
        }
        if let Some(derated) = &self.derated {
            derated.write(&mut sheet, "full-load hours");
        }
        sheet.gap();
        if let Some(daily) = &self.daily {
            let group = daily.group.map_or("none of its groups".to_owned(), |g| format!("{g}, {}", g.fem_name()));
            let day = hours(daily.running_hours_per_day);
            sheet.line("By the average day", &format!("{day} h running a day asks for {group} ({FEM_EDITION})"));
        }
        if let Some(motor) = &self.motor {
            let mut text = format!(
                "{} % duration factor, {} starts an hour allowed{}",
                motor.duration_factor_percent,
                motor.starts_per_hour_allowed,
                caution(motor.mark),
            );
            if let (Some(starts), Some(within)) = (motor.starts_per_hour, motor.within) {
                let word = if within { "within it" } else { "TOO MANY" };
                text += &format!("; {} starts an hour are {word}", number(starts, 0));
            }
            sheet.line(&format!("Motor, {}", motor.edition), &text);
        }
        let rope = &self.rope;
        let zp = format!("Zp at least {} running, {} standing", rope.zp_running, rope.zp_standing);
        sheet.line(&format!("Rope, {}", rope.edition), &zp);
        self.cmaa.write(&mut sheet);
        let hst = &self.hst;
        let word = if hst.within { "hold" } else { "do not hold" };
        sheet.line(hst.edition, &format!("ratings at K = {} {word}", hst.rated_at));
        if !self.cautions.is_empty() {
            sheet.gap();
            self.cautions.iter().for_each(|caution| sheet.say(caution));
        }
        sheet.finish()
    }
}
