//! Worked examples of the trade, each with the source of its figures. Exact values to 0.1 %, those that a source rounds
//! to its own rounding.

#![allow(clippy::unwrap_used, reason = "tests")]

use tallyhook_analysis::class::{CycleClass, MechanismGroup, MechanismLoading, TimeClass};
use tallyhook_analysis::cmaa::{LoadCycles, mean_effective_load};
use tallyhook_analysis::damage::miner;
use tallyhook_analysis::period::{FactorScale, Ledger, Part, PartKind, Recording};
use tallyhook_analysis::recorder::{Event, Recorder, Spec, Utc};
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::selection::{Step, cube_root_scale, daily_running_hours, spectrum_factor};
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::{Grams, Timestamp};

/// km of steps (load in percent of rated, share in percent).
fn km(steps: &[(f64, f64)]) -> f64 {
    let steps: Vec<Step> = steps.iter().map(|&(load, share)| Step { load: load / 100.0, share }).collect();
    spectrum_factor(&steps).unwrap()
}

fn fem(hours: f64, km: f64, recording: Recording) -> Part {
    Part::new(PartKind::Prior, hours, km, recording, FactorScale::Fem).unwrap()
}

fn ledger(group: MechanismGroup, parts: Vec<Part>) -> Ledger {
    Ledger { design_full_load_hours: group.design_full_load_hours(), parts }
}

/// Equal to a thousandth.
fn exact(got: f64, expected: f64) {
    assert!((got / expected - 1.0).abs() < 0.001, "{got}, not {expected}");
}

/// Equal to a source's own rounding.
fn rounded(got: f64, expected: f64, half_unit: f64) {
    assert!((got - expected).abs() <= half_unit, "{got}, not {expected}");
}

#[test]
fn e1_running_hours_by_estimate() {
    // DGUV Vorschrift 54, annex 1, example I: path up and down 10 m, 30 m/min, 5 cycles/h for 8 h, 250 days. The source
    // cuts 55.6 h to 55.
    let daily = daily_running_hours(10.0, 5.0, 8.0, 30.0);
    exact(daily, 0.2222);
    rounded(daily * 250.0, 55.6, 0.05);
    assert_eq!((daily * 250.0).floor(), 55.0);
}

#[test]
fn e2_used_period_by_counter_and_by_estimate() {
    // A reproduction of the FEM 9.755 procedure in a hoist manual: 1Am, D = 800.
    let group = MechanismGroup::parse("1Am").unwrap();
    assert_eq!(group.design_full_load_hours(), 800.0);
    let km = km(&[(100.0, 5.0), (75.0, 10.0), (50.0, 20.0), (25.0, 15.0), (0.0, 50.0)]);
    exact(km, 0.11953);
    rounded(km, 0.119, 0.001); // the source adds parts rounded to three places
    assert_eq!(MechanismLoading::of(km), Some(MechanismLoading::L1));

    let by_counter = ledger(group, vec![fem(334.0, km, Recording::Counter)]);
    exact(by_counter.used_full_load_hours(), 43.92);
    exact(by_counter.remaining_full_load_hours(), 800.0 - 43.92);
    // With the source's own km its figures come out to the last place.
    let printed = ledger(group, vec![fem(334.0, 0.119, Recording::Counter)]);
    rounded(printed.used_full_load_hours(), 43.72, 0.005);
    rounded(printed.remaining_full_load_hours(), 756.28, 0.005);

    // 2 m up and 2 m down, 10 cycles/h, 8 h, 250 days, 4 m/min.
    let hours = daily_running_hours(4.0, 10.0, 8.0, 4.0) * 250.0;
    rounded(hours, 333.3, 0.05);
    exact(ledger(group, vec![fem(hours, km, Recording::Estimated)]).used_full_load_hours(), 47.81);
    let printed = ledger(group, vec![fem(hours, 0.119, Recording::Estimated)]);
    rounded(printed.used_full_load_hours(), 47.6, 0.05);
    rounded(printed.remaining_full_load_hours(), 752.4, 0.05);
}

#[test]
fn e3_three_periods() {
    // Another manual's reproduction of FEM 9.755: M5, three yearly periods.
    let km = km(&[(100.0, 10.0), (40.0, 30.0), (20.0, 60.0)]);
    exact(km, 0.124);
    // Its scale gives 1.2 to counter and log book; that is FEM's factor of an estimate.
    let first = fem(1440.0, km, Recording::Estimated);
    exact(first.full_load_hours(), 214.272);
    // On FEM's scale the counter has 1.1.
    exact(fem(1440.0, km, Recording::Counter).full_load_hours(), 196.416);

    // The source gives the further periods as full-load hours with their factor: so their T stands for itself at km 1.
    let given = |s: f64| Part { factor: 1.0, ..fem(s, 1.0, Recording::Recorder) };
    let periods = ledger(MechanismGroup::M5, vec![first, given(215.468), given(210.26)]);
    rounded(periods.used_full_load_hours(), 640.0, 0.0005);
    rounded(periods.used_share(), 0.40, 0.000_01);
    rounded(periods.remaining_full_load_hours(), 960.0, 0.0005);
    rounded(1.0 - periods.used_share(), 0.60, 0.000_01);
}

#[test]
fn e4_budget_by_rows() {
    // A reproduction in a winch maintenance manual: M3, periods at the limit of L1, L3 and L2.
    use MechanismLoading::{L1, L2, L3};
    let group = MechanismGroup::M3;
    let rows: Vec<f64> = MechanismLoading::ALL.iter().map(|&l| group.design_hours_at(l)).collect();
    assert_eq!(rows, [3_200.0, 1_600.0, 800.0, 400.0]);
    let periods = [(L1, 160.0), (L3, 480.0), (L2, 300.0)];

    // In the row of L1, as the manual has it.
    let budget = group.design_hours_at(L1);
    let mut left = budget;
    let mut lefts = Vec::new();
    for (loading, hours) in periods {
        left -= hours * budget / group.design_hours_at(loading);
        lefts.push(left);
    }
    assert_eq!(lefts, [3_040.0, 1_120.0, 520.0]);

    // In full-load hours, as the library has it.
    let part = |(loading, hours): (MechanismLoading, f64)| fem(hours, loading.limit(), Recording::Recorder);
    let ledger = ledger(group, periods.map(part).to_vec());
    let used: Vec<f64> = ledger.parts.iter().map(Part::full_load_hours).collect();
    assert_eq!(used, [20.0, 240.0, 75.0]);
    assert_eq!(ledger.used_full_load_hours(), 335.0);
    assert_eq!(ledger.remaining_full_load_hours() / L1.limit(), 520.0);
}

#[test]
fn e5_group_selection() {
    // A hoist selection sheet that uses FEM 9.511: 3 t, 8 m/min, H = 3 m, 16 cycles/h, 8 h/day, heavy.
    let daily = |path: f64| daily_running_hours(path, 16.0, 8.0, 8.0);
    let group = |hours| MechanismGroup::for_daily_hours(MechanismLoading::L3, hours).unwrap();
    exact(daily(4.0 * 3.0), 3.2);
    assert_eq!((group(daily(12.0)), group(daily(12.0)).fem_name()), (MechanismGroup::M6, "3m"));
    exact(daily(2.0 * 3.0), 1.6);
    assert_eq!((group(daily(6.0)), group(daily(6.0)).fem_name()), (MechanismGroup::M5, "2m"));
    // The matrix of ISO 4301-1:1986 at FEM's daily class says the same.
    assert_eq!(MechanismGroup::of(MechanismLoading::L3, TimeClass::of_daily_hours(3.2)), MechanismGroup::M6);
}

#[test]
fn e6_e7_the_model_spectra_light_and_heavy() {
    // FEM 9.511, time shares at load ratios that include the dead load. A model need not give its nominal value: light
    // comes to 0.1261, which strictly is L2.
    let light = km(&[(100.0, 10.0), (40.0, 40.0), (10.0, 50.0)]);
    exact(light, 0.1261);
    exact(cube_root_scale(light), 0.5015);
    assert_eq!(MechanismLoading::of(light), Some(MechanismLoading::L2));
    let heavy = km(&[(100.0, 50.0), (40.0, 50.0)]);
    exact(heavy, 0.5320);
    exact(cube_root_scale(heavy), 0.8103);
    assert_eq!(MechanismLoading::of(heavy), Some(MechanismLoading::L4));
}

#[test]
fn e9_damage_by_miner() {
    // The documentation of an open reliability library, after Modarres, Kaminskiy, Krivtsov, Reliability Engineering and
    // Risk Analysis (2017) 33-37: 40, 15 and 5 min a cycle at loads of 50,000, 6,500 and 1,000 h of life.
    let parts = [(40.0 / 60.0, 50_000.0), (15.0 / 60.0, 6_500.0), (5.0 / 60.0, 1_000.0)];
    let damage = miner(&parts);
    rounded(damage, 1.3513e-4, 0.5e-8);
    rounded(1.0 / damage, 7_400.38, 0.005);
    for (part, share) in parts.iter().zip([9.867, 28.463, 61.670]) {
        rounded(100.0 * miner(&[*part]) / damage, share, 0.0005);
    }
}

#[test]
fn e10_mean_effective_load() {
    // Mott, Machine Elements in Mechanical Design, 4th ed., example 14-6: 650 lb 30 min, 750 lb 10, 250 lb 20.
    let mean = mean_effective_load(&[(650.0, 30.0), (750.0, 10.0), (250.0, 20.0)]).unwrap();
    rounded(mean, 597.0, 0.5);
    exact(mean, 597.05);
    let km = km(&[(100.0 * 650.0 / 750.0, 30.0), (100.0, 10.0), (100.0 / 3.0, 20.0)]);
    exact(km, 0.5045);
    exact(cube_root_scale(km), 0.7961);
    exact(cube_root_scale(km), mean / 750.0);
    assert_eq!(MechanismLoading::of(km), Some(MechanismLoading::L4), "just above L3");
}

#[test]
fn e11_cycle_class() {
    // AISC design guide on crane-carrying structures: 50 lifts a day, 250 days, 25 years.
    let cycles = 50.0 * 250.0 * 25.0;
    assert_eq!(cycles, 312_500.0);
    assert_eq!(CycleClass::of(cycles), CycleClass::U5);
    assert_eq!(LoadCycles::of(cycles), LoadCycles::N2);
}

#[test]
fn e12_derating_to_two_thirds() {
    // Arithmetic with m = 3; Iancu & Vilceanu, American Journal of Mechanical Engineering 3(4) (2015) 115-121, whose "up to
    // five times" needs m of about 4, for contrast.
    let ledger = ledger(MechanismGroup::M5, vec![fem(600.0, 1.0, Recording::Recorder)]);
    let factor = ledger.remaining_at_rating(2.0 / 3.0) / ledger.remaining_full_load_hours();
    exact(factor, 3.375);
    assert!(factor < 5.0);
}

/// A 10 t hoist that runs all the time, a sample a second, the load of each second in kilograms.
fn record(seconds: i64, load_kg: impl Fn(i64) -> f64) -> (Totals, u32) {
    let mut recorder = Recorder::new(Spec::hoist(Grams::from_kg(10_000.0)));
    let mut overloads = 0;
    for second in 0..=seconds {
        let mut s = Sample::at(Timestamp::from_ms(second * 1000));
        s.set(Quantity::Load, Quantity::Load.from_outside(load_kg(second)));
        s.set_flag(Flag::Raising, Some(second % 20 < 10));
        s.set_flag(Flag::Lowering, Some(second % 20 >= 10));
        recorder.step(&s, &Utc, &mut |event| {
            if let Event::LiftEnded(lift, _) = event {
                overloads += u32::from(lift.overload);
            }
        });
    }
    (recorder.totals().clone(), overloads)
}

const RATED_KG: f64 = 10_000.0;

fn measured(group: MechanismGroup, totals: &Totals) -> Ledger {
    let rated = Grams::from_kg(RATED_KG);
    let km = totals.load_spectrum_factor(rated).unwrap();
    let part =
        Part::new(PartKind::Measured, totals.running_hours(), km, Recording::Recorder, FactorScale::Fem).unwrap();
    ledger(group, vec![part])
}

#[test]
fn c1_all_time_at_rated_load() {
    // Ours: at the rated load S = T, and 1,600 h use M5 up exactly.
    let whole = ledger(MechanismGroup::M5, vec![fem(1_600.0, 1.0, Recording::Recorder)]);
    assert_eq!((whole.used_share(), whole.remaining_full_load_hours()), (1.0, 0.0));
    let (totals, _) = record(7_200, |_| RATED_KG);
    assert_eq!(totals.running_hours(), 2.0);
    let ledger = measured(MechanismGroup::M5, &totals);
    assert_eq!(ledger.used_full_load_hours(), 2.0);
    // 800 such stretches, added up as days are.
    let mut life = Totals::default();
    for _ in 0..800 {
        life.add(&totals);
    }
    assert_eq!(measured(MechanismGroup::M5, &life).used_share(), 1.0);
}

#[test]
fn c2_half_the_time_at_rated_load_half_at_nothing() {
    // Ours: km 0.5 is L3, whose limit it is; L3's row of M5 is 3,200 h.
    let (totals, _) = record(7_200, |second| if second < 3_600 { RATED_KG } else { 0.0 });
    let ledger = measured(MechanismGroup::M5, &totals);
    let km = totals.load_spectrum_factor(Grams::from_kg(RATED_KG)).unwrap();
    assert_eq!(km, 0.5);
    assert_eq!(MechanismLoading::of(km), Some(MechanismLoading::L3));
    assert_eq!(MechanismGroup::M5.design_hours_at(MechanismLoading::L3), 3_200.0);
    assert_eq!(ledger.used_full_load_hours(), 1.0);
}

#[test]
fn c3_lowered_to_half_the_rating() {
    // Ours: S 1,200 of 1,600 at 10 t, lowered to 5 t.
    let ledger = ledger(MechanismGroup::M5, vec![fem(1_200.0, 1.0, Recording::Recorder)]);
    let share = ledger.used_share();
    assert_eq!(share, 0.75);
    assert_eq!(ledger.remaining_at_rating(0.5), 3_200.0);
    assert_eq!(ledger.used_share(), share);
}

#[test]
fn c4_a_tenth_above_the_rated_load() {
    // Ours: km 1.331 has no class, S is 1.331 T, and each lift is an overload.
    let hanging = |second: i64| second % 120 < 100;
    let (totals, overloads) = record(7_200, |second| if hanging(second) { 11_000.0 } else { 0.0 });
    assert_eq!((totals.lifts, totals.overload_lifts, overloads), (60, 60, 60));
    let (totals, _) = record(7_200, |_| 11_000.0);
    let km = totals.load_spectrum_factor(Grams::from_kg(RATED_KG)).unwrap();
    assert!((km - 1.331).abs() < 1e-15, "{km}: 1.331 is no number of the machine, its last place may be off by one");
    assert_eq!(MechanismLoading::of(km), None, "above L4, never clamped");
    exact(measured(MechanismGroup::M5, &totals).used_full_load_hours(), 1.331 * totals.running_hours());
}

#[test]
fn c5_history_unknown() {
    // Ours, with ISO 12482:2014's factor as Depale & Bennebach (2019) print it: 5 years of 400 h at km 0.25.
    let part = Part::new(PartKind::Prior, 5.0 * 400.0, 0.25, Recording::Unknown, FactorScale::Iso).unwrap();
    assert_eq!(part.full_load_hours(), 750.0);
    assert!(Part::new(PartKind::Prior, 2_000.0, 0.25, Recording::Unknown, FactorScale::Fem).is_err());
}
