//! Three years of a hoist by a written plan: 40 gaps, two of them power-offs of a week, one drive swap in a gap, a
//! roll-over of the hour counter, one overhaul. The plan adds up its own S; the account must come to the same.

use tallyhook_analysis::account::{Account, CounterKind, Entry, State, Terms};
use tallyhook_analysis::counter::{Counter, Note};
use tallyhook_analysis::period::{FactorScale, PartKind, Recording};
use tallyhook_analysis::recorder::{Spec, Utc};
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::service::ServiceKind;
use tallyhook_analysis::units::{Grams, MS_PER_HOUR, Span, Timestamp};

const TICK_MS: i64 = 300_000;
const TICKS_A_DAY: i64 = 288;
const DAYS: i64 = 3 * 365;
const OVERHAUL: i64 = 600;
const SWAP_GAP: usize = 25;
const DESIGN_KM: f64 = 0.25;

/// Share of rated load while running in a tick, `None` at rest: Monday to Friday, 06:00 to 14:00, every third tick.
fn plan(tick: i64) -> Option<i64> {
    let (day, of_day) = (tick / TICKS_A_DAY, tick % TICKS_A_DAY);
    let works = (day + 3) % 7 < 5 && (72..168).contains(&of_day);
    (works && of_day % 3 == 0).then(|| [10, 40, 60, 80][((day * 7 + of_day / 3) % 4) as usize])
}

/// Ticks of each gap.
fn gaps() -> Vec<(i64, i64)> {
    (0..40)
        .map(|i| {
            let begin = (15 + 27 * i) * TICKS_A_DAY + 60 + (i * 37) % 80;
            let long = if i == 10 || i == 30 { 7 * TICKS_A_DAY } else { 10 + (i * 53) % 200 };
            (begin, begin + long)
        })
        .collect()
}

#[test]
fn three_years_come_to_the_plans_s() {
    let rated = Grams::from_kg(10_000.0);
    let spec = Spec { stale_after: Span::from_ms(TICK_MS), ..Spec::hoist(rated) };
    let terms =
        Terms { hour_counter: Some(Counter::hours(16, 360_000)), design_spectrum: DESIGN_KM, ..Terms::plain(1600.0) };
    let mut account = Account::resume(spec.clone(), terms.clone(), State::default());
    let mut notes = Vec::new();
    let gaps = gaps();
    // The plan's own sums: measured, and true hours in gaps by counter and by estimate; for each period.
    let mut planned = [[0.0_f64; 3]; 2];
    let tick_hours = TICK_MS as f64 / MS_PER_HOUR as f64;
    // The drive's counter: in steps of 0.1 h, 100 h before its end.
    let mut drive_ms = (65_536 - 1_000) * 360_000_i64;
    let mut used = 0.0;

    for tick in 0..DAYS * TICKS_A_DAY {
        let at = Timestamp::from_ms(tick * TICK_MS);
        let period = usize::from(tick >= OVERHAUL * TICKS_A_DAY);
        if tick == OVERHAUL * TICKS_A_DAY {
            account.new_period(OVERHAUL as i32, ServiceKind::Overhaul, Some(3200.0));
            assert_eq!(account.used_share(), 0.0);
            used = 0.0;
        }
        let gap = gaps.iter().position(|&(begin, end)| (begin..end).contains(&tick));
        let load = plan(tick);
        match (load, gap) {
            (Some(percent), None) => planned[period][0] += (percent as f64 / 100.0).powi(3) * tick_hours,
            (Some(_), Some(SWAP_GAP)) => planned[period][2] += tick_hours,
            (Some(_), Some(_)) => planned[period][1] += tick_hours,
            (None, _) => {}
        }
        if gap.is_none() {
            let mut sample = Sample::at(at);
            sample.set_flag(Flag::Raising, Some(load.is_some()));
            sample.set_flag(Flag::Lowering, Some(false));
            sample.set(Quantity::Load, Some(load.unwrap_or(0) * rated.get() / 100));
            if tick % 12 == 0 {
                let value = drive_ms.rem_euclid(65_536 * 360_000) / 360_000 * 360_000;
                sample.set(Quantity::RunHours, Some(value));
            }
            account.step(&sample, &Utc, &mut |entry| {
                if let Entry::Counter { counter: CounterKind::Hours, note } = entry {
                    notes.push(note);
                }
            });
            // A cut here, stored and read back, changes nothing.
            #[cfg(feature = "serde")]
            if tick % (97 * 12) == 0 {
                let stored = serde_json::to_string(&account.state()).unwrap();
                let again = Account::resume(spec.clone(), terms.clone(), serde_json::from_str(&stored).unwrap());
                assert_eq!(again.state(), account.state());
                account = again;
            }
            let now = account.used_share();
            assert!(now >= used, "the used share fell from {used} to {now} without a service");
            used = now;
        }
        if load.is_some() {
            drive_ms += TICK_MS;
        }
        if gap == Some(SWAP_GAP) && tick + 1 == gaps[SWAP_GAP].1 {
            drive_ms = 1_234 * 360_000;
        }
    }

    let now = account.ledger();
    assert!((now.used_share() / account.used_share() - 1.0).abs() < 1e-12);
    let closed = account.periods().unwrap().closed();
    assert_eq!((closed.len(), closed[0].by, closed[0].ended), (1, ServiceKind::Overhaul, OVERHAUL as i32));
    for (ledger, [measured, counted, estimated]) in [&closed[0].ledger, &now].into_iter().zip(planned) {
        let plan = measured + DESIGN_KM * (1.1 * counted + 1.2 * estimated);
        let s = ledger.used_full_load_hours();
        println!("S {s:.3} h, planned {plan:.3} h, off {:.4} %; parts:", 100.0 * (s / plan - 1.0));
        for p in &ledger.parts {
            println!(
                "  {:?} {:?} f {} km {:.4} T {:.3} h",
                p.kind, p.recording, p.factor, p.spectrum_factor, p.running_hours
            );
            assert_eq!(
                p.recording.factor(FactorScale::Fem),
                Some(p.factor),
                "each part has the factor of its category"
            );
        }
        assert!((s / plan - 1.0).abs() < 0.001, "{s} for {plan}");
        assert!(ledger.full_load_hours_of(PartKind::Gap) > 0.005 * s, "the gaps must matter, or nothing is shown");
    }
    assert_eq!(now.design_full_load_hours, 3200.0);
    assert!(planned[1][2] > 0.0, "something must have run in the gap of the swap");
    let recordings: Vec<Recording> = now.parts.iter().map(|p| p.recording).collect();
    assert_eq!(recordings, [Recording::Recorder, Recording::Counter, Recording::Estimated]);
    assert_eq!(account.gaps().waiting_hours(), 0.0);
    // The roll-over and the swap were told, each once, and nothing else was odd.
    let rolled = notes.iter().filter(|n| matches!(n, Note::RolledOver { .. })).count();
    let swapped = notes.iter().filter(|n| matches!(n, Note::Replaced { .. })).count();
    assert_eq!((rolled, swapped, notes.len()), (1, 1, 2), "{notes:?}");
}
