//! The answer for a crane as a whole.

use serde::Serialize;
use tallyhook_analysis::class::{ApplianceGroup, ApplianceLoading, CycleClass, EDITION};
use tallyhook_analysis::en13001::SpectrumClass;
use tallyhook_analysis::mark::Mark;
use tallyhook_analysis::selection::Step;
use tallyhook_analysis::severity::{HEAVY_PERCENT, ISOLATED_SHARE, Interval, LIFTS_AN_HOUR, Severity};

use super::ClassifyArgs;
use super::answer::{Answer, CmaaAnswer, Derated, LoadingAnswer, caution, cautioned};
use super::number::Number;
use super::sheet::Sheet;
use crate::exit::Failure;
use crate::web::units::{number, percent};

#[derive(Serialize, Debug)]
pub struct CraneAnswer {
    design_group: ApplianceGroup,
    #[serde(flatten)]
    loading: LoadingAnswer,
    #[serde(flatten)]
    usage: Option<Usage>,
    #[serde(skip_serializing_if = "Option::is_none")]
    derated: Option<Derated>,
    en_13001: EnAnswer,
    cmaa: CmaaAnswer,
    severity: Option<SeverityAnswer>,
    /// What must be checked against the standard before it is relied on.
    cautions: Vec<String>,
}

/// What follows from cycles.
#[derive(Serialize, Debug)]
struct Usage {
    cycles: f64,
    used_full_load_cycles: f64,
    design_full_load_cycles: f64,
    consumed: f64,
    remaining_full_load_cycles: f64,
    class_of_utilization: CycleClass,
    group_in_use: Option<ApplianceGroup>,
}

/// The class of the same factor in the newer standards: same letters, other limits.
#[derive(Serialize, Debug)]
struct EnAnswer {
    edition: &'static str,
    class: &'static str,
    iso_edition: &'static str,
    iso_class: &'static str,
    #[serde(skip)]
    mark: Mark,
}

/// Severity of service, and the days between inspections that go with it.
#[derive(Serialize, Debug)]
struct SeverityAnswer {
    severity: Severity,
    edition: &'static str,
    frequent_inspection_days: (u32, u32),
    periodic_inspection_days: (u32, u32),
    #[serde(skip)]
    mark: Mark,
}

pub fn answer(args: &ClassifyArgs, group: ApplianceGroup) -> Result<CraneAnswer, Failure> {
    let spectrum = args.spectrum()?;
    let factor = spectrum.factor.value();
    let estimate = || Some(args.cycles_per_hour?.times(args.hours_per_day?).times(args.days?));
    let cycles = args.cycles.or_else(estimate).map(Number::value);
    let usage = cycles.map(|cycles| Usage::of(group, cycles, factor));
    let derated = match (args.derate, &usage) {
        (Some(ratio), Some(u)) => Some(Derated::of(ratio, u.remaining_full_load_cycles, u.consumed)),
        (Some(_), None) => return Err(Failure::Usage("--derate needs cycles: give --cycles or an estimate".into())),
        (None, _) => None,
    };
    let en_13001 = EnAnswer::of(factor);
    let severity =
        severity(&spectrum.steps, args.cycles_per_hour.map(Number::value), args.abnormal).map(SeverityAnswer::of);
    let mut cautions = Vec::new();
    cautions.extend(cautioned(&format!("class {}, {}", en_13001.class, en_13001.edition), en_13001.mark));
    if let Some(s) = &severity {
        cautions.extend(cautioned(&format!("inspections of {} service", s.severity.name()), s.mark));
    }
    if args.dead_load.is_some() {
        cautions.extend(cautioned("rated base with the dead load in it, FEM 9.511", Mark::C));
    }
    Ok(CraneAnswer {
        design_group: group,
        loading: LoadingAnswer::of_crane(&spectrum),
        usage,
        derated,
        en_13001,
        cmaa: CmaaAnswer::of(factor, cycles),
        severity,
        cautions,
    })
}

/// The severity, as far as what was given can say it: either sign of heavy service is enough, normal needs both.
fn severity(steps: &[Step], lifts_an_hour: Option<f64>, abnormal: bool) -> Option<Severity> {
    let lifts: f64 = steps.iter().filter(|s| s.load > 0.0).map(|s| s.share).sum();
    let heavy: f64 = steps.iter().filter(|s| s.load * 100.0 >= HEAVY_PERCENT as f64).map(|s| s.share).sum();
    let heavy = (lifts > 0.0).then(|| heavy / lifts);
    let busy = lifts_an_hour.map(|lifts| if lifts > f64::from(LIFTS_AN_HOUR) { 1.0 } else { 0.0 });
    let known = Severity::of(heavy.unwrap_or(0.0), busy.unwrap_or(0.0), abnormal);
    (known > Severity::Normal || (heavy.is_some() && busy.is_some())).then_some(known)
}

impl Usage {
    fn of(group: ApplianceGroup, cycles: f64, kp: f64) -> Self {
        let (used, design) = (cycles * kp, group.design_full_load_cycles());
        let class = CycleClass::of(cycles);
        Usage {
            cycles,
            used_full_load_cycles: used,
            design_full_load_cycles: design,
            consumed: used / design,
            remaining_full_load_cycles: design - used,
            class_of_utilization: class,
            group_in_use: ApplianceLoading::of(kp).map(|loading| ApplianceGroup::of(loading, class)),
        }
    }

    fn write(&self, sheet: &mut Sheet, group: ApplianceGroup) {
        sheet.line("Cycles C", &number(self.cycles, 0));
        sheet.line("Class of utilization", &format!("{} ({EDITION})", self.class_of_utilization));
        let in_use = self
            .group_in_use
            .map_or("none: no group holds a spectrum above Q4".to_owned(), |group| format!("{group} ({EDITION})"));
        sheet.line("Group in use", &in_use);
        let open = if group == ApplianceGroup::A8 { "; A8 is open above" } else { "" };
        let (used, design) = (number(self.used_full_load_cycles, 0), number(self.design_full_load_cycles, 0));
        sheet.line(
            "Used, Kp C",
            &format!("{used} of {design} full-load cycles (our product of the group's cells{open})"),
        );
        sheet.line("Used share", &percent(self.consumed));
        sheet.line("Left", &format!("{} full-load cycles", number(self.remaining_full_load_cycles, 0)));
    }
}

impl EnAnswer {
    fn of(factor: f64) -> Self {
        let class = SpectrumClass::of(factor);
        EnAnswer {
            edition: SpectrumClass::EDITION,
            class: class.map_or("above Q5", SpectrumClass::name),
            iso_edition: SpectrumClass::ISO_EDITION,
            iso_class: class.map_or("above Qp5", SpectrumClass::iso_name),
            mark: class.map_or(Mark::C, SpectrumClass::mark),
        }
    }
}

impl SeverityAnswer {
    fn of(severity: Severity) -> Self {
        let days = |i: Interval| (i.from_days, i.to_days);
        SeverityAnswer {
            severity,
            edition: Severity::EDITION,
            frequent_inspection_days: days(severity.frequent()),
            periodic_inspection_days: days(severity.periodic()),
            mark: severity.frequent().mark.or_worse(severity.periodic().mark),
        }
    }

    fn write(&self, sheet: &mut Sheet) {
        let days = |(from, to): (u32, u32)| if from == to { from.to_string() } else { format!("{from} to {to}") };
        sheet.line(
            "Severity of service",
            &format!(
                "{} ({}); isolated is up to {} of the lifts, our reading",
                self.severity.name(),
                self.edition,
                percent(ISOLATED_SHARE)
            ),
        );
        sheet.line(
            "",
            &format!(
                "inspections: frequent every {} days, periodic every {} days{}",
                days(self.frequent_inspection_days),
                days(self.periodic_inspection_days),
                caution(self.mark)
            ),
        );
    }
}

impl Answer for CraneAnswer {
    fn sheet(&self) -> String {
        let group = self.design_group;
        let mut sheet = Sheet::new(&format!("Crane designed for {group} ({EDITION})"));
        self.loading.write(&mut sheet, "Kp");
        if let Some(usage) = &self.usage {
            usage.write(&mut sheet, group);
        }
        if let Some(derated) = &self.derated {
            derated.write(&mut sheet, "full-load cycles");
        }
        sheet.gap();
        let en = &self.en_13001;
        sheet.line(
            "Newer standards",
            &format!(
                "{} ({}), {} ({}); same letters, other limits",
                en.class, en.edition, en.iso_class, en.iso_edition
            ),
        );
        self.cmaa.write(&mut sheet);
        if let Some(severity) = &self.severity {
            severity.write(&mut sheet);
        }
        if !self.cautions.is_empty() {
            sheet.gap();
            self.cautions.iter().for_each(|caution| sheet.say(caution));
        }
        sheet.finish()
    }
}
