//! A clean month, and into it each fault of a sensor and each odd way of working, one at a time: the named finding is
//! raised, no other is, and km stays within the bound of [`tallyhook_analysis::load::health`].

#![allow(clippy::unwrap_used, reason = "tests")]

use std::collections::BTreeSet;

use tallyhook_analysis::account::{Account, Entry, State, Terms};
use tallyhook_analysis::load::health::{Finding, Note};
use tallyhook_analysis::load::{self, Calibration, Curve, Lead};
use tallyhook_analysis::recorder::{Spec, Utc};
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::seed::Seeded;
use tallyhook_analysis::units::{Grams, Span, Timestamp};

const RATED_KG: f64 = 10_000.0;
const DAYS: i64 = 22;
const LIFTS_A_DAY: u32 = 20;
/// The day on which the fault or the odd work happens; it is mended with the next.
const ODD_DAY: i64 = 12;

#[derive(Clone, Copy, PartialEq, Debug)]
enum Motion {
    Still,
    Up,
    Down,
}
use Motion::{Down, Still, Up};

#[derive(Clone, Copy, PartialEq, Debug)]
enum Case {
    Clean,
    // Faults of the sensor.
    Drift,
    DriftDown,
    Step,
    StepDown,
    Stuck,
    StuckEmpty,
    Sign,
    Noise,
    NeverChanges,
    SpanLost,
    NotRead,
    // Ways of working.
    SlackRope,
    HookLaidDown,
    Magnet,
    Grab,
    AddedAndDropped,
    PowerOff,
    TwoHoists,
    NoRaise,
    Inching,
}
use Case::*;

/// Permanent dead load that the cell reads.
fn dead_kg(case: Case) -> f64 {
    match case {
        Magnet => 800.0,
        Grab => 2_500.0,
        _ => 0.0,
    }
}

/// A crane at work: what hangs on its hook, and what its sensors say of it.
struct Yard<'a> {
    case: Case,
    lead: Lead,
    draw: Seeded,
    at_ms: i64,
    day: i64,
    moved: i64,
    speed: f64,
    /// Σ load³ · s and s of running, dead load with it.
    truth: (f64, f64),
    account: &'a mut Account,
    notes: Vec<Note>,
    lifts: u64,
    done: u64,
}

impl Yard<'_> {
    fn uniform(&mut self) -> f64 {
        self.draw.fraction()
    }

    fn normal(&mut self) -> f64 {
        self.draw.normal()
    }

    fn dead_kg(&self) -> f64 {
        dead_kg(self.case)
    }

    /// The cell's reading with what pulls at it.
    fn cell_kg(&mut self, load_kg: f64) -> f64 {
        let noise = self.normal() * 20.0;
        let since = (self.day - ODD_DAY).max(0) as f64;
        let (odd, reading) = (self.day == ODD_DAY, self.dead_kg() + load_kg + noise);
        match self.case {
            // A fifth of a percent a day.
            Drift => reading + 20.0 * since,
            DriftDown => reading - 20.0 * since,
            Step if odd => reading + 600.0,
            StepDown if odd => reading - 600.0,
            Stuck if odd => 4_321.0,
            StuckEmpty if odd => 12.0,
            Sign if odd => -reading,
            Noise if odd => reading + self.normal() * 500.0,
            SpanLost if odd => 0.5 * reading,
            NeverChanges => 150.0 + noise,
            _ => reading,
        }
    }

    fn sample(&mut self, load_kg: f64, motion: Motion, seconds: f64) {
        let ms = (seconds * 1000.0) as i64;
        let mut s = Sample::at(Timestamp::from_ms(self.at_ms));
        let cell = self.cell_kg(load_kg);
        let is_read = !(self.case == NotRead && self.day == ODD_DAY);
        if self.lead == Lead::Cell && is_read {
            s.set(Quantity::Load, Quantity::Load.from_outside(cell));
        }
        // Torque where a calibration can tell it: with the cell that lost its span, and where it leads.
        if (self.lead == Lead::Torque && is_read) || self.case == SpanLost {
            let torque = torque_pct(load_kg.max(0.0) / RATED_KG, motion) + self.normal() * 0.3;
            let torque = match self.case {
                Stuck if self.day == ODD_DAY => 33.0,
                Noise if self.day == ODD_DAY => torque + self.normal() * 4.0,
                // The encoder turned about, and so the drive's torque.
                Sign if self.day == ODD_DAY => -torque,
                // A brake that drags, up and down.
                Step if self.day == ODD_DAY => torque + if motion == Up { 5.0 } else { 2.0 },
                _ => torque,
            };
            s.set(Quantity::Torque, Quantity::Torque.from_outside(torque));
        }
        s.set(Quantity::Speed, Quantity::Speed.from_outside(self.speed));
        s.set_flag(Flag::Raising, Some(motion == Up));
        s.set_flag(Flag::Lowering, Some(motion == Down));
        if motion != Still {
            let gross = load_kg.max(0.0) + self.dead_kg();
            self.truth.0 += gross.powi(3) * seconds;
            self.truth.1 += seconds;
        }
        self.moved += i64::from(motion != Still);
        let (notes, lifts) = (&mut self.notes, &mut self.lifts);
        self.account.step(&s, &Utc, &mut |entry| match entry {
            Entry::Health(note) => notes.push(note),
            Entry::Lift { .. } => *lifts += 1,
            _ => {}
        });
        self.at_ms += ms;
    }

    /// A run at 5 Hz; `load` by the share of its time.
    fn run(&mut self, motion: Motion, seconds: f64, load: impl Fn(f64) -> f64) {
        let steps = (seconds * 5.0) as i64;
        for i in 0..steps {
            let from_end = i.min(steps - 1 - i) as f64;
            self.speed = (25.0 * from_end).min(100.0);
            self.sample(load(i as f64 / steps as f64), motion, 0.2);
        }
        self.speed = 0.0;
    }

    /// A standstill, at 2 Hz.
    fn rest(&mut self, seconds: f64, load_kg: f64) {
        for _ in 0..(seconds * 2.0) as i64 {
            self.sample(load_kg, Still, 0.5);
        }
    }

    /// A grab lies on the heap with its own weight at every lift, closes there, and is emptied in the air: no load is ever set
    /// down.
    fn grab(&mut self, load: f64) {
        let laid = -self.dead_kg();
        self.run(Down, 6.0, |x| if x > 0.85 { laid * (x - 0.85) / 0.15 } else { 0.0 });
        self.rest(6.0, laid);
        self.run(Up, 12.0, |x| if x < 0.15 { laid + (load - laid) * x / 0.15 } else { load });
        self.rest(6.0, load);
        (1..=6).for_each(|part| self.sample(load * (1.0 - f64::from(part) / 6.0), Still, 0.5));
        self.rest(7.0, 0.0);
        self.done += 1;
    }

    fn lift(&mut self) {
        // Light and heavy ones.
        let mut load = RATED_KG * (0.15 + 0.75 * self.uniform().powi(2));
        let odd = self.day == ODD_DAY;
        if self.case == Grab {
            return self.grab(load);
        }
        // What the hook reads when it lies: its own weight is off the cell.
        let laid = if self.case == Magnet { -self.dead_kg() } else { -120.0 };
        match self.case {
            // Half the load, and what the other hoist leaves or adds as they run unevenly.
            TwoHoists if odd => load *= 0.4 + 0.2 * self.uniform(),
            _ => {}
        }
        self.run(Down, 5.0, |_| 0.0);
        let slack = if odd && self.case == SlackRope { laid } else { 0.0 };
        self.rest(5.0, slack);
        self.run(Up, 12.0, |x| if x < 0.15 { slack + (load - slack) * x / 0.15 } else { load });
        self.rest(12.0, load);
        self.done += 1;
        match self.case {
            AddedAndDropped if odd => {
                // A magnet lets a part go, a second bundle is taken on.
                let part = load * if self.done.is_multiple_of(2) { 0.5 } else { 1.3 };
                self.rest(10.0, part);
                load = part;
                self.run(Up, 4.0, |_| part);
                self.rest(8.0, part);
            }
            PowerOff if odd => {
                // The main switch, with the load in the air; another takes it down by hand.
                self.at_ms += 1_800_000;
                self.rest(6.0, 0.0);
                self.run(Up, 4.0, |_| 0.0);
                self.rest(6.0, 0.0);
                return;
            }
            Inching if odd => {
                for _ in 0..6 {
                    self.run(Down, 1.0, |_| load);
                    self.rest(4.0, load);
                }
            }
            NoRaise if odd => {
                // Set down high up, and taken from there: lowering begins with the load on.
                self.rest(20.0, 0.0);
                self.rest(5.0, load);
                self.done += 1;
            }
            _ => {}
        }
        self.run(Down, 12.0, |x| if x > 0.85 { load * (1.0 - x) / 0.15 } else { load });
        let down = match self.case {
            HookLaidDown | SlackRope | Magnet if odd => laid,
            _ => 0.0,
        };
        self.rest(8.0, down);
        self.run(Up, 5.0, |_| 0.0);
        self.rest(7.0, 0.0);
    }
}

/// Raising: 10 % with an empty hook, 90 % with the rated load. Lowering: −2 %, −50 %.
fn torque_pct(share: f64, motion: Motion) -> f64 {
    match motion {
        Still => 0.0,
        Up => 10.0 + 80.0 * share,
        Down => -2.0 - 48.0 * share,
    }
}

fn calibration() -> Calibration {
    let curve = |motion| {
        let point =
            |share: f64| ((torque_pct(share, motion) * 1000.0).round() as i64, Grams::from_kg(share * RATED_KG));
        Curve::new(&[point(0.0), point(0.5), point(1.0)]).unwrap()
    };
    Calibration {
        raising: curve(Up),
        lowering: curve(Down),
        min_speed: 20_000,
        max_slope: 20_000,
        settle: Span::from_ms(300),
        tail: Span::ZERO,
    }
}

struct Month {
    found: BTreeSet<Finding>,
    notes: Vec<Note>,
    standing: Vec<Finding>,
    km: f64,
    truth: f64,
    lifts: (u64, u64),
}

fn month(case: Case, lead: Lead) -> Month {
    month_corrected(case, lead, None)
}

/// With the zero corrected within a bound, thousandths of the rated load.
fn month_corrected(case: Case, lead: Lead, correct_zero: Option<i64>) -> Month {
    let mut spec = Spec::hoist(Grams::from_kg(RATED_KG));
    if dead_kg(case) > 0.0 {
        spec.dead_load = Grams::from_kg(dead_kg(case));
        spec.gross_signal = true;
    }
    let base = spec.base();
    let load =
        load::Terms { lead, calibration: Some(calibration()), settled: false, correct_zero, ..load::Terms::default() };
    let mut account = Account::resume(spec, Terms { load, ..Terms::plain(1600.0) }, State::default());
    let mut yard = Yard {
        case,
        lead,
        draw: Seeded::new(8),
        at_ms: 0,
        day: 0,
        moved: 0,
        speed: 0.0,
        truth: (0.0, 0.0),
        account: &mut account,
        notes: Vec::new(),
        lifts: 0,
        done: 0,
    };
    for day in 0..DAYS {
        yard.day = day;
        yard.at_ms = (day * 24 + 7) * 3_600_000;
        (0..LIFTS_A_DAY).for_each(|_| yard.lift());
    }
    let Yard { notes, lifts, done, truth, .. } = yard;
    Month {
        found: notes.iter().filter(|note| note.raised).map(|note| note.finding).collect(),
        notes,
        standing: account.health().standing().collect(),
        km: account.recorder().totals().load_spectrum_factor(base).unwrap(),
        truth: truth.0 / truth.1 / base.as_kg().powi(3),
        lifts: (lifts, done),
    }
}

/// Bound of km for a way of working and for a fault, as stated in the docs of the module.
const OF_WORK: f64 = 0.002;
const OF_FAULT: f64 = 1.0 / DAYS as f64;
const OF_TORQUE: f64 = 0.003;

#[test]
fn each_fault_raises_its_own_finding_and_no_other() {
    for (case, finding, mended) in [
        (Drift, Finding::ZeroDrift, false),
        (DriftDown, Finding::ZeroDrift, false),
        (Step, Finding::Step, true),
        (StepDown, Finding::Step, true),
        (Stuck, Finding::Stuck, true),
        (StuckEmpty, Finding::Stuck, true),
        (Sign, Finding::Sign, true),
        (Noise, Finding::Noise, true),
        (NeverChanges, Finding::NeverChanges, false),
        (SpanLost, Finding::Disagrees, true),
        (NotRead, Finding::NotRead, true),
    ] {
        let month = month(case, Lead::Cell);
        println!("{case:?}: km {:.5}, truth {:.5}, {:?}", month.km, month.truth, month.notes);
        assert_eq!(month.found, BTreeSet::from([finding]), "{case:?}: {:?}", month.notes);
        assert_eq!(month.notes.len(), if mended { 2 } else { 1 }, "{case:?}: told once, and once that it is over");
        assert_eq!(month.standing.is_empty(), mended, "{case:?}");
        if case != NeverChanges {
            assert!((month.km - month.truth).abs() <= OF_FAULT, "{case:?}: {} {}", month.km, month.truth);
        }
    }
}

#[test]
fn no_way_of_working_is_taken_for_a_fault() {
    for case in [Clean, SlackRope, HookLaidDown, Magnet, Grab, AddedAndDropped, PowerOff, TwoHoists, NoRaise, Inching] {
        let month = month(case, Lead::Cell);
        println!("{case:?}: km {:.5}, truth {:.5}, lifts {:?}", month.km, month.truth, month.lifts);
        assert_eq!(month.notes, [], "{case:?}");
        assert!((month.km - month.truth).abs() <= OF_WORK, "{case:?}: {} {}", month.km, month.truth);
        assert_eq!(month.lifts.0, month.lifts.1, "{case:?}");
    }
}

#[test]
fn a_drift_of_the_zero_is_corrected_within_its_bound_and_told_and_a_jump_is_not() {
    let clean = month(Clean, Lead::Cell);
    let off = |month: &Month| month.km - month.truth;
    for case in [Drift, DriftDown] {
        let plain = month(case, Lead::Cell);
        for (bound, kg) in [(30, 180.0), (10, 100.0)] {
            let corrected = month_corrected(case, Lead::Cell, Some(bound));
            let told: Vec<f64> =
                corrected.notes.iter().filter(|n| n.finding == Finding::ZeroCorrected).map(|n| n.by.as_kg()).collect();
            println!(
                "{case:?} within {bound}: km off {:.5}, uncorrected {:.5}, {told:?}",
                off(&corrected),
                off(&plain)
            );
            assert_eq!(corrected.found, BTreeSet::from([Finding::ZeroDrift, Finding::ZeroCorrected]), "{case:?}");
            // Each step of it is told, and none goes beyond the bound.
            let last = told.last().unwrap();
            assert!(told.len() > 2 && told.windows(2).all(|pair| pair[1].abs() > pair[0].abs()), "{told:?}");
            assert!((last.abs() - kg).abs() <= 30.0 && last.abs() <= bound as f64 * 10.0, "{told:?}");
            assert_eq!(*last > 0.0, case == Drift, "{told:?}");
            if bound == 30 {
                assert!((off(&corrected) - off(&clean)).abs() < (off(&plain) - off(&clean)).abs() / 3.0);
            }
        }
    }
    let (plain, allowed) = (month(Step, Lead::Cell), month_corrected(Step, Lead::Cell, Some(50)));
    assert_eq!(allowed.found, BTreeSet::from([Finding::Step]), "{:?}", allowed.notes);
    assert_eq!(allowed.km.to_bits(), plain.km.to_bits());
    let allowed = month_corrected(Clean, Lead::Cell, Some(30));
    assert_eq!(allowed.notes, []);
    assert_eq!(allowed.km.to_bits(), clean.km.to_bits(), "nothing to correct, nothing changed");
}

#[test]
fn a_torque_is_watched_as_a_cell_is() {
    // Against a clean month of torque: what its ramps cost is measured in `hoist_physics`.
    let off = |month: &Month| month.km - month.truth;
    let clean = off(&month(Clean, Lead::Torque));
    for (case, finding) in [
        (Clean, None),
        (AddedAndDropped, None),
        (TwoHoists, None),
        (NoRaise, None),
        (Inching, None),
        (Stuck, Some(Finding::Stuck)),
        (Noise, Some(Finding::Noise)),
        (Step, Some(Finding::Step)),
        (Sign, Some(Finding::Sign)),
        (NotRead, Some(Finding::NotRead)),
    ] {
        let month = month(case, Lead::Torque);
        assert_eq!(month.found, finding.into_iter().collect(), "{case:?}: {:?}", month.notes);
        assert_eq!(month.standing, [], "{case:?}: mended with the next day");
        println!("{case:?}: km off {:.5}, {clean:.5} in a clean month", off(&month));
        assert!((off(&month) - clean).abs() <= OF_TORQUE, "{case:?}: {} {clean}", off(&month));
    }
}

#[test]
fn a_watch_cut_anywhere_says_the_same() {
    let spec = Spec::hoist(Grams::from_kg(RATED_KG));
    let load =
        load::Terms { lead: Lead::Cell, calibration: Some(calibration()), settled: false, ..load::Terms::default() };
    let terms = || Terms { load: load.clone(), ..Terms::plain(1600.0) };
    let mut whole = Account::resume(spec.clone(), terms(), State::default());
    let mut cut = Account::resume(spec.clone(), terms(), State::default());
    let mut draw = Seeded::new(3);
    for i in 0..3_000_i64 {
        let mut s = Sample::at(Timestamp::from_ms(i * 500));
        let load = if (i / 20) % 4 == 1 { 5_000.0 } else { 40.0 } + draw.normal() * 20.0;
        s.set(Quantity::Load, Quantity::Load.from_outside(load));
        s.set_flag(Flag::Raising, Some((i / 10) % 4 == 1));
        s.set_flag(Flag::Lowering, Some((i / 10) % 4 == 3));
        whole.step(&s, &Utc, &mut |_| {});
        cut.step(&s, &Utc, &mut |_| {});
        if i % 37 == 0 {
            let stored = serde_json::to_string(&cut.state()).unwrap();
            cut = Account::resume(spec.clone(), terms(), serde_json::from_str(&stored).unwrap());
        }
    }
    assert_eq!(whole.state(), cut.state());
}
