//! Three working profiles through the real recorder, and what they come out as.
//!
//! The profiles, and the groups that they should come out as, are common practice of the trade; there is no source.

use tallyhook_analysis::class::{ApplianceGroup, MechanismGroup};
use tallyhook_analysis::forecast::{DayUse, Outlook};
use tallyhook_analysis::histogram::Histogram;
use tallyhook_analysis::in_use::{InUse, appliance_in_use, mechanism_in_use};
use tallyhook_analysis::recorder::{Event, Recorder, Spec, Utc};
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::seed::Seeded;
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::{Grams, Span, Timestamp};
use tallyhook_analysis::whatif::{Above, Answer, Change, Observed, what_if};

const RATED_KG: f64 = 10_000.0;
const SECOND: i64 = 1_000;
const HOUR: i64 = 3_600 * SECOND;
const DAY: i64 = 24 * HOUR;
/// The design life of the crane as a whole, years: the configuration's own default.
const LIFE_YEARS: f64 = 20.0;

/// How a crane is worked.
#[derive(Clone)]
struct Profile {
    /// Length of the record.
    days: i64,
    /// Working days of the week, Monday first.
    week: [bool; 7],
    /// Hours of a working day.
    hours: std::ops::Range<i64>,
    /// Lifts an hour of work, drawn evenly.
    lifts_an_hour: f64,
    /// Loads in percent of rated, and how often each is drawn.
    loads: &'static [(f64, f64)],
    /// Seconds of one way of the hook.
    way_seconds: i64,
}

/// The record of a profile as the drive would give it. A sample stands until the next; where nothing changes for long, one
/// is sent an hour, and `stale_after` is set to suit.
struct Year {
    recorder: Recorder,
    lifts_planned: u64,
    lifts_seen: u64,
    at: i64,
    /// The load that runs since `at`, for the histogram.
    runs: Option<Grams>,
    running: Histogram,
    lifts: Histogram,
    days: Vec<DayUse>,
}

impl Year {
    fn live(profile: &Profile, seed: u64) -> Year {
        let spec = Spec { stale_after: Span::from_ms(2 * HOUR), ..Spec::hoist(Grams::from_kg(RATED_KG)) };
        let mut year = Year {
            recorder: Recorder::new(spec),
            lifts_planned: 0,
            lifts_seen: 0,
            at: 0,
            runs: None,
            running: Histogram::default(),
            lifts: Histogram::default(),
            days: Vec::new(),
        };
        let mut chance = Seeded::new(seed);
        let odds: f64 = profile.loads.iter().map(|(_, odds)| odds).sum();
        for hour in 0..profile.days * 24 {
            year.send(hour * HOUR, 0.0, 0);
            // 1970-01-01 was a Thursday.
            let works = profile.week[((hour / 24 + 3) % 7) as usize] && profile.hours.contains(&(hour % 24));
            if !works {
                continue;
            }
            let whole = profile.lifts_an_hour.floor();
            let lifts = whole as i64 + i64::from(chance.fraction() < profile.lifts_an_hour - whole);
            for lift in 0..lifts {
                let mut draw = chance.fraction() * odds;
                let load = profile.loads.iter().find(|(_, odds)| {
                    draw -= odds;
                    draw < 0.0
                });
                let percent = load.map_or(0.0, |(percent, _)| *percent);
                year.lift(hour * HOUR + 5 * SECOND + lift * (HOUR / lifts), percent, profile.way_seconds * SECOND);
            }
        }
        year.send(profile.days * DAY, 0.0, 0);
        year
    }

    /// Down empty, up loaded, a rest, down loaded, up empty.
    fn lift(&mut self, at: i64, percent: f64, way: i64) {
        let load = RATED_KG * percent / 100.0;
        let mut t = at;
        for (load, motion, ms) in [
            (0.0, -1, way),
            (0.0, 0, 3 * SECOND),
            (load, 1, way),
            (load, 0, 10 * SECOND),
            (load, -1, way),
            (0.0, 0, 3 * SECOND),
            (0.0, 1, way),
        ] {
            self.send(t, load, motion);
            t += ms;
        }
        self.send(t, 0.0, 0);
        self.lifts_planned += 1;
    }

    fn send(&mut self, at: i64, load_kg: f64, motion: i32) {
        assert!(at >= self.at, "the plan goes forward");
        if let Some(load) = self.runs {
            self.running.add(load, (at - self.at) as u64);
        }
        self.at = at;
        let mut s = Sample::at(Timestamp::from_ms(at));
        s.set(Quantity::Load, Quantity::Load.from_outside(load_kg));
        s.set_flag(Flag::Raising, Some(motion > 0));
        s.set_flag(Flag::Lowering, Some(motion < 0));
        self.runs = (motion != 0).then(|| Grams::from_kg(load_kg));
        let rated = Grams::from_kg(RATED_KG);
        let (seen, lifts, days) = (&mut self.lifts_seen, &mut self.lifts, &mut self.days);
        self.recorder.step(&s, &Utc, &mut |event| match event {
            Event::LiftEnded(lift, _) => {
                *seen += 1;
                lifts.add(lift.load, 1);
            }
            Event::DayClosed { day, totals } => {
                days.push(DayUse { day, full_load_hours: totals.full_load_hours(rated), observed: 1.0 });
            }
            _ => {}
        });
    }

    /// The hoist of this year, worn to `share` of D of its group, after a change.
    fn after(&self, group: MechanismGroup, share: f64, change: &Change) -> Answer {
        let design = group.design_full_load_hours();
        let seen = Observed {
            rated: Grams::from_kg(RATED_KG),
            dead_load: Grams::ZERO,
            running: self.running.clone(),
            lifts: self.lifts.clone(),
            days: 365.0,
            used: share * design,
            used_before_today: share * design,
            design,
        };
        what_if(&seen, change, &self.days, 365, 7)
    }

    fn totals(&self) -> &Totals {
        self.recorder.totals()
    }

    fn groups(&self, name: &str) -> (InUse<ApplianceGroup>, InUse<MechanismGroup>) {
        let rated = Grams::from_kg(RATED_KG);
        let totals = self.totals();
        let span = Span::from_ms(self.at);
        let kp = totals.cycle_spectrum_factor(rated);
        let crane = appliance_in_use(totals.lifts as f64, kp, span, LIFE_YEARS);
        let hoist = mechanism_in_use(totals.full_load_hours(rated), span);
        println!(
            "{name}: {} lifts, Kp {:.3}, {:.1} h running, km {:.3}, {:.1} full-load hours: {crane:?}, {hoist:?}",
            totals.lifts,
            kp.unwrap_or(0.0),
            totals.running_hours(),
            totals.load_spectrum_factor(rated).unwrap_or(0.0),
            totals.full_load_hours(rated),
        );
        // Every lift of the plan was seen as one, and no time was lost, or nothing above means anything.
        assert_eq!(totals.lifts, self.lifts_planned);
        assert_eq!(self.lifts_seen, self.lifts_planned);
        assert_eq!((totals.gap_ms, totals.observed_ms), (0, self.at as u64));
        (crane, hoist)
    }
}

/// A machine hall: the crane lifts a cover or a rotor a handful of times a year.
const SELDOM: Profile = Profile {
    days: 365,
    week: [true, false, false, false, false, false, false],
    hours: 9..10,
    lifts_an_hour: 0.2,
    loads: &[(80.0, 1.0), (20.0, 3.0)],
    way_seconds: 60,
};

/// A workshop in one shift: five lifts an hour at moderate loads, now and then a full one, 4 m at 5 m/min.
const WORKSHOP: Profile = Profile {
    days: 365,
    week: [true, true, true, true, true, false, false],
    hours: 7..15,
    lifts_an_hour: 5.0,
    loads: &[(100.0, 0.05), (60.0, 0.35), (40.0, 0.35), (20.0, 0.25)],
    way_seconds: 48,
};

/// A steelworks: full ladles and heavy coils, thirty lifts an hour, day and night. Five weeks of it are enough to say so.
const STEELWORKS: Profile = Profile {
    days: 35,
    week: [true; 7],
    hours: 0..24,
    lifts_an_hour: 30.0,
    loads: &[(95.0, 0.7), (80.0, 0.3)],
    way_seconds: 20,
};

#[test]
fn a_crane_that_lifts_a_handful_of_times_a_year_is_a1_m1() {
    for seed in 1..8 {
        // A machine hall's loads, and for the even ones full loads only.
        let loads = if seed % 2 == 0 { &[(100.0, 1.0)][..] } else { SELDOM.loads };
        let year = Year::live(&Profile { loads, ..SELDOM }, seed);
        assert!((2..=25).contains(&year.lifts_planned), "{} lifts are no handful", year.lifts_planned);
        assert_eq!(year.groups("seldom"), (InUse::Group(ApplianceGroup::A1), InUse::Group(MechanismGroup::M1)));
    }
}

#[test]
fn a_workshop_crane_in_regular_work_is_within_one_of_a4_m4() {
    // Not one lucky figure: slower and busier workshops as well, with shorter and longer ways of the hook.
    for lifts_an_hour in [4.0, 5.0, 6.0] {
        for way_seconds in [40, 48, 60] {
            let (crane, hoist) = Year::live(&Profile { lifts_an_hour, way_seconds, ..WORKSHOP }, 2).groups("workshop");
            let (crane, hoist) = (crane.group().unwrap(), hoist.group().unwrap());
            assert!((ApplianceGroup::A3..=ApplianceGroup::A5).contains(&crane), "{crane}");
            assert!((MechanismGroup::M3..=MechanismGroup::M5).contains(&hoist), "{hoist}");
        }
    }
}

#[test]
fn a_steelworks_crane_at_heavy_loads_round_the_clock_is_a8_m8() {
    let (crane, hoist) = Year::live(&STEELWORKS, 3).groups("steelworks");
    assert_eq!((crane.group(), hoist.group()), (Some(ApplianceGroup::A8), Some(MechanismGroup::M8)));
}

/// The middle of the band, days from the day of the question; `None` beyond the horizon.
fn days_left(answer: &Answer) -> Option<i32> {
    match answer.forecast.outlook() {
        Outlook::Band { p50, .. } => p50.map(|day| day - 365),
        Outlook::BeyondHorizon => None,
        other => panic!("a year of record says more than {other:?}"),
    }
}

#[test]
fn a_worn_crane_taken_into_a_lower_group_has_more_time_left_and_no_less_used() {
    let year = Year::live(&WORKSHOP, 2);
    let group = MechanismGroup::M4;
    let now = year.after(group, 0.8, &Change::default());
    let before = days_left(&now).expect("at four fifths of its life, its end is in sight");
    let later = |name: &str, change: Change| {
        let then = year.after(group, 0.8, &change);
        let left = days_left(&then);
        println!("{name}: {before} days left become {left:?}, {:?} in use", then.group_in_use);
        assert_eq!((now.used_share, then.used_share), (0.8, 0.8), "{name}: what is spent is spent");
        assert!(left.is_none_or(|left| left > before), "{name}: {left:?} after {before}");
        then
    };
    // By less work, into a lower group in use.
    for change in [Change { lifts: 0.4, ..Change::default() }, Change { moved: 0.6, ..Change::default() }] {
        let then = later("less work", change);
        assert!(then.group_in_use < now.group_in_use);
    }
    // By less capacity: what is above the new rating is left to another crane, or divided.
    for above in [Above::Refused, Above::Split] {
        let lower = Change { rated: Some(Grams::from_kg(5_000.0)), above, ..Change::default() };
        let then = later("less capacity", lower);
        // The group in use is on the rating of its day. On the old one, on which the group that it is built to is told, it
        // fell.
        let old = then.full_load_hours_a_year * then.rating_cubed;
        assert!(mechanism_in_use(old, Span::from_hours(8766.0)).group() < now.group_in_use, "{old} h a year");
        assert!(then.remaining_full_load_hours > now.remaining_full_load_hours);
    }
}
