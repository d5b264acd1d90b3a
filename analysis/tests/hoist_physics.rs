//! A hoist with physics of its own, written for this test and knowing nothing of the analysis: drum, gearbox, rotor,
//! S-shaped ramps, noise, and a friction that is not the same every hour. It is calibrated with three weights, and then
//! lifts five hundred loads.

#![allow(clippy::unwrap_used, reason = "tests")]

use std::f64::consts::PI;

use tallyhook_analysis::account::{Account, Entry, State, Terms};
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::load::{self, Calibration, Curve, Lead, Run, Runs, Steadiness, sets};
use tallyhook_analysis::recorder::{Spec, Utc};
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::seed::Seeded;
use tallyhook_analysis::units::{Grams, Span, Timestamp};

const RATED_KG: f64 = 10_000.0;
const LIFTS: usize = 500;
const STEP_S: f64 = 0.1;

// Drum of 0.25 m radius, four falls, gearbox 1:40, motor of 300 Nm at 1450 rpm with a rotor of 0.9 kg m².
const DRUM_M: f64 = 0.25;
const FALLS: f64 = 4.0;
const GEAR: f64 = 40.0;
const MOTOR_NM: f64 = 300.0;
const MOTOR_RAD_S: f64 = 1450.0 * 2.0 * PI / 60.0;
const ROTOR: f64 = 0.9;
// What the gearbox keeps for itself: more under way up than down.
const UP: f64 = 0.88;
const DOWN: f64 = 0.80;
const HOOK_KG: f64 = 150.0;

struct Hoist {
    at_ms: i64,
    draw: Seeded,
    samples: Vec<Sample>,
    /// Σ load³ · s, and s of running.
    truth: (f64, f64),
    begun: Vec<f64>,
    starts: u64,
}

impl Hoist {
    fn new(seed: u64) -> Self {
        Hoist {
            at_ms: 0,
            draw: Seeded::new(seed),
            samples: Vec::new(),
            truth: (0.0, 0.0),
            begun: Vec::new(),
            starts: 0,
        }
    }

    /// Motor torque, % of rated: speed in parts of the rated speed, upwards above zero, and its change a second.
    fn torque_pct(&mut self, load_kg: f64, speed: f64, change: f64) -> f64 {
        let weight_nm = (load_kg + HOOK_KG) * 9.81 * DRUM_M / FALLS / GEAR;
        let gear = if speed > 0.0 { weight_nm / UP } else { weight_nm * DOWN };
        // Cold oil in the morning: half a percent of torque more or less through a shift.
        let hours = self.at_ms as f64 / 3_600_000.0;
        let friction = (0.02 + 0.005 * (hours * 2.0 * PI / 8.0).sin()) * MOTOR_NM * speed.signum();
        let rotor = ROTOR * change * MOTOR_RAD_S;
        (gear + friction + rotor) / MOTOR_NM * 100.0 + self.draw.normal() * 0.5
    }

    fn sample(&mut self, load_kg: f64, speed: f64, change: f64, run: i8) {
        let mut s = Sample::at(Timestamp::from_ms(self.at_ms));
        let tenth = |value: f64| (value * 10.0).round() * 100.0;
        let torque = if run == 0 { 0.0 } else { self.torque_pct(load_kg, speed, change) };
        s.set(Quantity::Torque, Some(tenth(torque) as i64));
        s.set(Quantity::Speed, Some(tenth(speed * 100.0) as i64));
        // The cell: 0.2 % of span, 0.1 % of noise, in steps of 5 kg.
        let cell = load_kg * 1.001 + self.draw.normal() * 0.001 * RATED_KG;
        s.set(Quantity::Load, Quantity::Load.from_outside((cell / 5.0).round() * 5.0));
        s.set_flag(Flag::Raising, Some(run > 0));
        s.set_flag(Flag::Lowering, Some(run < 0));
        self.samples.push(s);
        self.at_ms += (STEP_S * 1000.0) as i64;
        if run != 0 {
            self.truth.0 += (load_kg / RATED_KG).powi(3) * STEP_S;
            self.truth.1 += STEP_S;
        }
    }

    /// A run; `creep` says whether it begins and ends at creep speed, `load` goes by the seconds since its start.
    fn run(&mut self, way: i8, seconds: f64, creep: (bool, bool), load: impl Fn(f64) -> f64) {
        self.starts += 1;
        let speed = |t: f64| ramp(t, creep.0).min(ramp(seconds - t, creep.1));
        for i in 0..(seconds / STEP_S) as i64 {
            let t = i as f64 * STEP_S;
            let change = (speed(t + 0.01) - speed(t - 0.01)) / 0.02;
            self.sample(load(t), f64::from(way) * speed(t), f64::from(way) * change, way);
        }
    }

    fn rest(&mut self, seconds: f64, load_kg: f64) {
        (0..(seconds / STEP_S) as i64).for_each(|_| self.sample(load_kg, 0.0, 0.0, 0));
    }

    /// A load is taken up and set down at creep speed, as is good practice; or with slack rope within the ramp.
    fn lift(&mut self, load_kg: f64, careful: bool) {
        self.begun.push(load_kg);
        let (tight_s, seconds) = if careful { (1.7, 14.0) } else { (0.3, 10.0) };
        self.run(1, seconds, (careful, false), |t| load_kg * ((t - tight_s) / 0.4).clamp(0.0, 1.0));
        self.rest(3.0, load_kg);
        self.run(-1, seconds, (false, careful), |t| load_kg * ((seconds - tight_s - t) / 0.4).clamp(0.0, 1.0));
        self.rest(3.0, 0.0);
        self.run(1, 4.0, (false, false), |_| 0.0);
        self.rest(2.0, 0.0);
    }
}

/// Speed after `t` seconds: S-shaped to full speed within a second, or by way of 25 % for three seconds.
fn ramp(t: f64, creep: bool) -> f64 {
    const CREEP: f64 = 0.25;
    let shape = |x: f64| 0.5 - 0.5 * (PI * x.clamp(0.0, 1.0)).cos();
    if creep { CREEP * shape(t / 0.4) + (1.0 - CREEP) * shape((t - 3.0) / 0.8) } else { shape(t) }
}

/// As `calibrate` does it: each weight up and down.
fn calibrate() -> Calibration {
    let weights = [0.0, 5_000.0, 10_000.0];
    let mut hoist = Hoist::new(1);
    for weight in weights {
        hoist.run(1, 8.0, (false, false), |_| weight);
        hoist.rest(3.0, weight);
        hoist.run(-1, 8.0, (false, false), |_| weight);
        hoist.rest(5.0, weight);
    }
    let steadiness = Steadiness::usual(true);
    let mut runs = Runs::new(steadiness);
    hoist.samples.iter().for_each(|s| runs.push(s));
    let (runs, unsteady): (Vec<Run>, u64) = runs.end();
    assert_eq!((runs.len(), unsteady), (6, 0));
    let lifted = sets(&runs);
    let curve = |raising| {
        let points = weights.iter().zip(&lifted);
        let points: Vec<_> = points.map(|(kg, set)| (set.reading(raising).unwrap(), Grams::from_kg(*kg))).collect();
        Curve::new(&points).unwrap()
    };
    let Steadiness { min_speed, max_slope, settle, tail } = steadiness;
    Calibration { raising: curve(true), lowering: curve(false), min_speed, max_slope, settle, tail }
}

fn work(lead: Lead, careful: bool) -> (Account, Vec<Lift>, Hoist, Vec<Entry>) {
    let mut hoist = Hoist::new(2);
    hoist.rest(3.0, 0.0);
    hoist.run(1, 4.0, (false, false), |_| 0.0);
    hoist.rest(2.0, 0.0);
    for _ in 0..LIFTS {
        // Many light, some heavy, none above rated.
        let load = RATED_KG * (0.1 + 0.9 * hoist.draw.fraction().powi(2));
        hoist.lift(load, careful);
    }
    hoist.rest(5.0, 0.0);
    let load = load::Terms { lead, calibration: Some(calibrate()), settled: false, ..load::Terms::default() };
    let mut spec = Spec::hoist(Grams::from_kg(RATED_KG));
    spec.stale_after = Span::from_ms(1_000);
    let mut account = Account::resume(spec, Terms { load, ..Terms::plain(1600.0) }, State::default());
    let (mut lifts, mut notes) = (Vec::new(), Vec::new());
    for sample in &hoist.samples {
        account.step(sample, &Utc, &mut |entry| match entry {
            Entry::Lift { lift, .. } => lifts.push(lift),
            Entry::Health(_) => notes.push(entry),
            _ => {}
        });
    }
    (account, lifts, hoist, notes)
}

#[test]
fn five_hundred_lifts_by_torque_and_by_cell() {
    for (lead, of_km, of_load) in [(Lead::Torque, 0.03, 0.03), (Lead::Cell, 0.005, 0.01)] {
        let (account, lifts, hoist, notes) = work(lead, true);
        let totals = account.recorder().totals();
        assert_eq!(
            (totals.lifts as usize, totals.starts),
            (LIFTS, hoist.starts),
            "{lead:?}: lifts and starts are exact"
        );
        let mut off: Vec<f64> =
            lifts.iter().zip(&hoist.begun).map(|(lift, kg)| (lift.load.as_kg() - kg).abs() / RATED_KG).collect();
        off.sort_by(f64::total_cmp);
        let within = off.iter().filter(|off| **off <= of_load).count();
        let km = totals.load_spectrum_factor(Grams::from_kg(RATED_KG)).unwrap();
        let truth = hoist.truth.0 / hoist.truth.1;
        let cubes = |loads: &mut dyn Iterator<Item = f64>| loads.map(|kg| kg.powi(3)).sum::<f64>();
        let of_loads = cubes(&mut lifts.iter().map(|l| l.load.as_kg())) / cubes(&mut hoist.begun.iter().copied()) - 1.0;
        println!("of the loads' cubes {:+.2} %", of_loads * 100.0);
        println!(
            "{lead:?}: km {km:.5} of {truth:.5} ({:+.2} %), {within} of {LIFTS} lifts within {of_load}, p95 {:.4}, worst {:.4}",
            (km / truth - 1.0) * 100.0,
            off[LIFTS * 95 / 100],
            off[LIFTS - 1]
        );
        assert!(within * 100 >= LIFTS * 95, "{lead:?}: {within} of {LIFTS}");
        // Each lift's own uncertainty, taken twice, holds the truth.
        let stated: Vec<f64> = lifts.iter().map(|lift| lift.uncertainty.unwrap().as_kg() / RATED_KG).collect();
        let off = lifts.iter().zip(&hoist.begun).map(|(lift, kg)| (lift.load.as_kg() - kg).abs() / RATED_KG);
        let held = off.zip(&stated).filter(|(off, stated)| *off <= 2.0 * **stated).count();
        let (least, most) = stated.iter().fold((1.0, 0.0), |(a, b), s| (f64::min(a, *s), f64::max(b, *s)));
        println!("{lead:?}: stated {least:.4} to {most:.4} of rated; twice that holds {held} of {LIFTS}");
        assert!(held * 100 >= LIFTS * 95, "{lead:?}: {held} of {LIFTS}");
        assert!((km / truth - 1.0).abs() <= of_km, "{lead:?}: {km} {truth}");
        assert_eq!(notes, [], "{lead:?}: a healthy signal");
    }
}

#[test]
fn a_load_that_is_taken_up_and_set_down_within_the_ramps_is_booked_from_then_on() {
    // No reading tells when the rope came tight while the motor turns its own mass; the sum over the ramp does.
    let (account, lifts, hoist, _) = work(Lead::Torque, false);
    let totals = account.recorder().totals();
    assert_eq!((totals.lifts as usize, totals.starts), (LIFTS, hoist.starts));
    let off = |lift: &Lift, kg: &f64| (lift.load.as_kg() - kg).abs() / RATED_KG;
    let within = lifts.iter().zip(&hoist.begun).filter(|(lift, kg)| off(lift, kg) <= 0.03).count();
    assert!(within * 100 >= LIFTS * 95, "{within}");
    let km = totals.load_spectrum_factor(Grams::from_kg(RATED_KG)).unwrap();
    let off = km / (hoist.truth.0 / hoist.truth.1) - 1.0;
    println!("taken up within the ramp: km {:+.2} %", off * 100.0);
    assert!(off.abs() < 0.03, "{off}");
}
