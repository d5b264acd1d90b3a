//! The stage before the recorder: a load from the motor's torque, settled with its lift.

#![allow(clippy::unwrap_used, reason = "tests")]

use proptest::prelude::*;
use tallyhook_analysis::account::{Account, Entry, State, Terms};
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::load::{self, Calibration, Curve, Lead, MOST_HELD};
use tallyhook_analysis::recorder::{Event, Spec, Utc};
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::units::{Grams, Span, Timestamp};

const RATED_KG: f64 = 10_000.0;

fn kg(kg: f64) -> Grams {
    Grams::from_kg(kg)
}

/// Raising: 10 % with an empty hook, 90 % with the rated load. Lowering: −2 %, −50 %.
fn torque_pct(load_kg: f64, motion: Motion) -> f64 {
    let share = load_kg / RATED_KG;
    match motion {
        Still => 0.0,
        Up => 10.0 + 80.0 * share,
        Down => -2.0 - 48.0 * share,
    }
}

fn calibration() -> Calibration {
    let curve = |motion| {
        let point = |load| ((torque_pct(load, motion) * 1000.0).round() as i64, kg(load));
        Curve::new(&[point(0.0), point(5_000.0), point(10_000.0)]).unwrap()
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

fn terms(lead: Lead) -> Terms {
    let load = load::Terms { lead, calibration: Some(calibration()), settled: true, ..load::Terms::default() };
    Terms { load, ..Terms::plain(1600.0) }
}

#[derive(Clone, Copy, PartialEq, Debug)]
enum Motion {
    Still,
    Up,
    Down,
}
use Motion::{Down, Still, Up};

/// A hoist written down as a time-line at 10 Hz: every run ramps its speed up and down within half a second, and adds a
/// fifth of the rated torque while it does.
#[derive(Default, Clone, Debug)]
struct Plan {
    samples: Vec<Sample>,
    at_ms: i64,
}

impl Plan {
    fn sample(&mut self, load_kg: f64, motion: Motion, speed_pct: f64, more_torque_pct: f64) {
        let mut s = Sample::at(Timestamp::from_ms(self.at_ms));
        let torque = torque_pct(load_kg, motion) + if motion == Still { 0.0 } else { more_torque_pct };
        s.set(Quantity::Torque, Quantity::Torque.from_outside(torque));
        s.set(Quantity::Load, Quantity::Load.from_outside(load_kg));
        s.set(Quantity::Speed, Quantity::Speed.from_outside(speed_pct));
        s.set_flag(Flag::Raising, Some(motion == Up));
        s.set_flag(Flag::Lowering, Some(motion == Down));
        self.samples.push(s);
        self.at_ms += 100;
    }

    /// A run of `seconds` in all; `steady` gives the load at each of its steady samples by its share of the steady time.
    fn run(mut self, motion: Motion, seconds: f64, load: impl Fn(f64) -> f64) -> Self {
        let steady = (seconds * 10.0) as i64 - 10;
        for i in 0..5 {
            self.sample(load(0.0), motion, 20.0 * i as f64, 20.0);
        }
        for i in 0..steady {
            self.sample(load(i as f64 / steady as f64), motion, 100.0, 0.0);
        }
        for i in 0..5 {
            self.sample(load(1.0), motion, 80.0 - 20.0 * i as f64, -20.0);
        }
        self
    }

    fn rest(mut self, seconds: f64, load_kg: f64) -> Self {
        for _ in 0..(seconds * 10.0) as i64 {
            self.sample(load_kg, Still, 0.0, 0.0);
        }
        self
    }

    fn silence(mut self, seconds: f64) -> Self {
        self.at_ms += (seconds * 1000.0) as i64;
        self
    }

    /// One lift with slack rope before and after it.
    fn lift(self, load_kg: f64) -> Self {
        self.run(Up, 8.0, |x| if x < 0.3 { 0.0 } else { load_kg })
            .rest(20.0, load_kg)
            .run(Down, 8.0, |x| if x < 0.7 { load_kg } else { 0.0 })
            .rest(5.0, 0.0)
    }

    fn book(&self, terms: Terms) -> Booked {
        let mut booked = Booked::new(terms);
        self.samples.iter().for_each(|s| booked.step(s));
        booked
    }
}

struct Booked {
    account: Account,
    lifts: Vec<Lift>,
    entries: Vec<Entry>,
}

impl Booked {
    fn new(terms: Terms) -> Self {
        let account = Account::resume(Spec::hoist(kg(RATED_KG)), terms, State::default());
        Booked { account, lifts: Vec::new(), entries: Vec::new() }
    }

    fn step(&mut self, sample: &Sample) {
        self.account.step(sample, &Utc, &mut |entry| {
            if let Entry::Lift { lift, .. } = &entry {
                self.lifts.push(*lift);
            }
            self.entries.push(entry);
        });
    }

    fn km(&self) -> f64 {
        self.account.recorder().totals().load_spectrum_factor(kg(RATED_KG)).unwrap()
    }
}

fn plan() -> Plan {
    Plan::default().rest(2.0, 0.0)
}

#[test]
fn a_lift_is_booked_at_the_load_that_the_torque_says_up_and_down() {
    let plan =
        plan().run(Up, 4.0, |_| 0.0).rest(2.0, 0.0).lift(6_000.0).lift(2_500.0).run(Down, 3.0, |_| 0.0).rest(2.0, 0.0);
    let booked = plan.book(terms(Lead::Torque));
    let loads: Vec<f64> = booked.lifts.iter().map(|l| l.load.as_kg()).collect();
    assert_eq!(loads, [6_000.0, 2_500.0], "to the kilogram: the torque is exact here");
    let totals = booked.account.recorder().totals();
    assert_eq!((totals.lifts, totals.starts), (2, 6));
    assert_eq!(totals.load_unknown_ms, 0);
    // The plan's own sum: 0.7 of the seven steady seconds and the ramps towards the rest.
    let loaded_s = 2.0 * (0.7 * 7.0 + 0.5);
    let truth = loaded_s * (0.6_f64.powi(3) + 0.25_f64.powi(3)) / (4.0 * 8.0 + 4.0 + 3.0);
    assert!((booked.km() / truth - 1.0).abs() < 0.01, "{} {truth}", booked.km());
    // Only two bands have time above the empty hook's.
    let bands: Vec<usize> = (0..12).filter(|&band| totals.band_ms[band] > 0).collect();
    assert_eq!(bands, [0, 2, 5], "no ramp is in the spectrum");
}

#[test]
fn inching_and_ramps_before_the_first_valid_reading_are_booked_at_the_lifts_load() {
    // Taken up in three short steps, none of them steady, then raised.
    let inch = |p: Plan| p.run(Up, 1.0, |_| 5_000.0).rest(1.0, 5_000.0);
    let plan = inch(inch(inch(plan().run(Up, 3.0, |_| 0.0).rest(2.0, 0.0)))).run(Up, 6.0, |_| 5_000.0);
    let mut booked = plan.book(terms(Lead::Torque));
    assert_eq!(booked.account.stage().is_loaded(), Some(true));
    assert_eq!(booked.account.stage().load_so_far(), Some(kg(5_000.0)));
    plan.clone().run(Down, 6.0, |_| 5_000.0).rest(3.0, 0.0).run(Up, 4.0, |_| 0.0).rest(3.0, 0.0).samples
        [plan.samples.len()..]
        .iter()
        .for_each(|s| booked.step(s));
    let totals = booked.account.recorder().totals();
    assert_eq!(totals.lifts, 1);
    assert_eq!(booked.lifts[0].load, kg(5_000.0));
    assert_eq!(totals.band_ms[4], 15_000, "three inches, the raise and the lowering");
    assert_eq!(totals.load_unknown_ms, 0);
}

#[test]
fn before_the_first_valid_reading_the_load_is_not_known_and_not_zero() {
    // Hours of inching: nothing has ever told the load.
    let mut plan = plan();
    while plan.at_ms < 2 * MOST_HELD.as_ms() {
        plan = plan.run(Up, 1.0, |_| 5_000.0).rest(4.0, 5_000.0);
    }
    let booked = plan.book(terms(Lead::Torque));
    let totals = booked.account.recorder().totals();
    assert_eq!(totals.load_unknown_ms, totals.running_ms);
    assert!(totals.running_ms > 100_000, "{totals:?}");
    assert_eq!(totals.lifts, 0);
}

#[test]
fn lowering_from_a_height_without_a_raise_before_it_is_a_lift() {
    let plan = plan().run(Down, 8.0, |x| if x < 0.7 { 7_000.0 } else { 0.0 }).rest(5.0, 0.0);
    let booked = plan.book(terms(Lead::Torque));
    assert_eq!(booked.lifts.iter().map(|l| l.load).collect::<Vec<_>>(), [kg(7_000.0)]);
    assert_eq!(booked.lifts[0].starts, 1);
}

#[test]
fn load_that_is_added_while_hanging_is_booked_from_then_on() {
    let plan = plan()
        .run(Up, 8.0, |_| 3_000.0)
        .rest(30.0, 8_000.0)
        .run(Down, 8.0, |_| 8_000.0)
        .rest(2.0, 0.0)
        .run(Up, 4.0, |_| 0.0)
        .rest(2.0, 0.0);
    let booked = plan.book(terms(Lead::Torque));
    let totals = booked.account.recorder().totals();
    assert_eq!(totals.lifts, 1, "nothing was set down between");
    assert_eq!((totals.band_ms[2], totals.band_ms[7]), (8_000, 8_000));
}

#[test]
fn a_lift_that_never_sets_down_before_power_off_ends_as_cut() {
    let plan = plan().run(Up, 8.0, |_| 4_000.0).rest(10.0, 4_000.0).silence(3_600.0).rest(2.0, 0.0);
    let plan = plan.run(Up, 4.0, |_| 0.0).rest(2.0, 0.0);
    let booked = plan.book(terms(Lead::Torque));
    assert_eq!(booked.lifts.len(), 1);
    assert!(booked.lifts[0].cut && booked.lifts[0].load == kg(4_000.0), "{:?}", booked.lifts);
    let totals = booked.account.recorder().totals();
    assert_eq!((totals.running_ms, totals.load_unknown_ms), (12_000, 0));
}

#[test]
fn a_drive_without_speed_is_masked_by_time() {
    let mut plan = plan().run(Up, 9.0, |_| 0.0).rest(2.0, 0.0).lift(6_000.0).lift(6_000.0).lift(3_000.0);
    plan.samples.iter_mut().for_each(|s| s.set(Quantity::Speed, None));
    let mut terms = terms(Lead::Torque);
    let blind = Calibration { min_speed: 0, settle: Span::from_ms(1_000), tail: Span::from_ms(1_000), ..calibration() };
    terms.load.calibration = Some(blind);
    let booked = plan.book(terms);
    assert_eq!(booked.lifts.iter().map(|l| l.load).collect::<Vec<_>>(), [6_000.0, 6_000.0, 3_000.0].map(kg));
}

#[test]
fn a_load_cell_may_be_booked_at_the_settled_load_too() {
    // The ramp of a take-up over two seconds.
    let ramp = |x: f64| if x < 0.3 { 20_000.0 * x } else { 6_000.0 };
    let plan = plan().run(Up, 8.0, ramp).rest(5.0, 6_000.0).run(Down, 8.0, |_| 6_000.0).rest(5.0, 0.0);
    let booked = plan.book(terms(Lead::Cell));
    let totals = booked.account.recorder().totals();
    assert_eq!(booked.lifts[0].load, kg(6_000.0));
    let bands: Vec<usize> = (0..12).filter(|&band| totals.band_ms[band] > 0).collect();
    assert_eq!(bands, [0, 5], "no ramp is in the spectrum");
}

#[test]
fn what_is_held_back_is_bounded_and_handed_on_after_ten_minutes() {
    let plan = plan().run(Up, 8.0, |_| 4_000.0).rest(3_600.0, 4_000.0);
    let mut booked = Booked::new(terms(Lead::Torque));
    let mut most = 0;
    for sample in &plan.samples {
        booked.step(sample);
        most = most.max(booked.account.stage().held().len());
        let lag = sample.at.since(booked.account.recorder().counted_to());
        assert!(lag <= MOST_HELD, "{lag:?}");
    }
    assert!(most < 1_000, "{most} samples of 10 Hz are held of ten minutes");
    assert_eq!(booked.account.recorder().totals().band_ms[3], 8_000);
}

fn doings() -> impl Strategy<Value = Plan> {
    let one = (0..5_u8, 5..120_i64, 0..11_000_i64);
    proptest::collection::vec(one, 2..20).prop_map(|doings| {
        doings.into_iter().fold(plan(), |plan, (what, tenths, load_kg)| {
            let (seconds, load) = (tenths as f64 / 10.0, load_kg as f64);
            match what {
                0 => plan.lift(load),
                1 => plan.run(Up, seconds + 1.0, |_| load),
                2 => plan.run(Down, seconds + 1.0, |x| load * (1.0 - x)),
                3 => plan.rest(seconds, 0.0),
                _ => plan.silence(seconds * 10.0),
            }
        })
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn samples_cut_anywhere_give_the_same_bits(plan in doings(), cut in 0.0..1.0_f64, cell in any::<bool>()) {
        let terms = || terms(if cell { Lead::Cell } else { Lead::Torque });
        let whole = plan.book(terms());
        let cut = (cut * plan.samples.len() as f64) as usize;
        let mut first = Booked::new(terms());
        plan.samples[..cut].iter().for_each(|s| first.step(s));
        let stored = serde_json::to_string(&first.account.state()).unwrap();
        let state: State = serde_json::from_str(&stored).unwrap();
        let account = Account::resume(Spec::hoist(kg(RATED_KG)), terms(), state);
        let mut second = Booked { account, lifts: first.lifts, entries: first.entries };
        plan.samples[cut..].iter().for_each(|s| second.step(s));
        prop_assert_eq!(&second.account.state(), &whole.account.state());
        prop_assert_eq!(&second.entries, &whole.entries);
    }

    #[test]
    fn nothing_is_lost_on_the_way(plan in doings()) {
        let booked = plan.book(terms(Lead::Torque));
        // A recorder that gets the raw samples counts the same starts and the same time, whatever the load.
        let plain = plan.book(Terms::plain(1600.0));
        let (held, direct) = (booked.account.recorder().totals(), plain.account.recorder().totals());
        let behind = plain.account.recorder().counted_to().since(booked.account.recorder().counted_to());
        let counted = held.observed_ms + held.gap_ms;
        prop_assert_eq!(counted as i64 + behind.as_ms(), (direct.observed_ms + direct.gap_ms) as i64);
        prop_assert!(held.starts <= direct.starts && held.running_ms <= direct.running_ms);
        let bands: u64 = held.band_ms.iter().sum();
        prop_assert_eq!(bands + held.load_unknown_ms, held.running_ms);
        if booked.account.stage().held().is_empty() {
            prop_assert_eq!(held.starts, direct.starts);
            prop_assert_eq!(held.running_ms, direct.running_ms);
            prop_assert_eq!(held.gap_ms, direct.gap_ms);
        }
        let back = booked.entries.iter().any(|e| matches!(e, Entry::Recorder(Event::ClockWentBack { .. })));
        prop_assert!(!back);
    }
}
