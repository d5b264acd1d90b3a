//! Three years of a hoist by a written plan: 40 gaps, two of them power-offs of a week, one drive swap in a gap, a
//! roll-over of the hour counter, one overhaul. The plan adds up its own S; the pieces must come to the same.

use tallyhook_analysis::counter::{Counter, Note, Reading};
use tallyhook_analysis::gapbook::{GapBook, GapTerms};
use tallyhook_analysis::period::{FactorScale, Ledger, Part, PartKind, Recording};
use tallyhook_analysis::recorder::{Event, Recorder, Spec, Utc};
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::service::{Periods, ServiceKind};
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

fn ledger(recorder: &Recorder, periods: &Periods, book: &GapBook) -> Ledger {
    let rated = recorder.spec().base();
    let sums = periods.totals(recorder.totals());
    let km = sums.load_spectrum_factor(rated);
    let measured = Part {
        kind: PartKind::Measured,
        running_hours: sums.known_load_hours(),
        spectrum_factor: km.unwrap_or(0.0),
        recording: Recording::Recorder,
        scale: FactorScale::Fem,
        factor: 1.0,
        note: String::new(),
    };
    let terms = GapTerms { scale: FactorScale::Fem, measured: km, design: DESIGN_KM, fixed: None };
    let mut parts = vec![measured];
    parts.extend(book.parts(&terms));
    Ledger { design_full_load_hours: periods.design(), parts }
}

/// Feeds the book what the recorder has of its days.
fn feed(recorder: &Recorder, closed: &mut Vec<Event>, book: &mut GapBook) {
    for event in closed.drain(..) {
        if let Event::DayClosed { day, totals } = event {
            book.day(day, &totals);
        }
    }
    if let Some(open) = recorder.open_day() {
        book.day(open.day.number, &open.totals);
    }
}

#[test]
fn three_years_come_to_the_plans_s() {
    let rated = Grams::from_kg(10_000.0);
    let mut recorder = Recorder::new(Spec { stale_after: Span::from_ms(TICK_MS), ..Spec::hoist(rated) });
    let counter = Counter::hours(16, 360_000);
    let (mut book, mut periods) = (GapBook::default(), Periods::new(0, 1600.0));
    let (mut events, mut notes) = (Vec::new(), Vec::new());
    let gaps = gaps();
    // The plan's own sums: measured, and true hours in gaps by counter and by estimate; for each period.
    let mut planned = [[0.0_f64; 3]; 2];
    let tick_hours = TICK_MS as f64 / MS_PER_HOUR as f64;
    // The drive's counter: in steps of 0.1 h, 100 h before its end.
    let mut drive_ms = (65_536 - 1_000) * 360_000_i64;

    for tick in 0..DAYS * TICKS_A_DAY {
        let at = Timestamp::from_ms(tick * TICK_MS);
        let period = usize::from(tick >= OVERHAUL * TICKS_A_DAY);
        if tick == OVERHAUL * TICKS_A_DAY {
            recorder.advance(at, &Utc, &mut |e| events.push(e));
            feed(&recorder, &mut events, &mut book);
            let frozen = ledger(&recorder, &periods, &book);
            periods.service(OVERHAUL as i32, ServiceKind::Overhaul, frozen, recorder.totals(), 3200.0);
            book.begin_period();
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
            recorder.step(&sample, &Utc, &mut |e| events.push(e));
            if tick % 12 == 0 {
                feed(&recorder, &mut events, &mut book);
                let value = drive_ms.rem_euclid(65_536 * 360_000) / 360_000 * 360_000;
                notes.extend(book.hours(&counter, Reading { at, value }));
                // A cut here, stored and read back, changes nothing.
                #[cfg(feature = "serde")]
                if tick % (97 * 12) == 0 {
                    book = serde_json::from_str(&serde_json::to_string(&book).unwrap()).unwrap();
                }
            }
        }
        if load.is_some() {
            drive_ms += TICK_MS;
        }
        if gap == Some(SWAP_GAP) && tick + 1 == gaps[SWAP_GAP].1 {
            drive_ms = 1_234 * 360_000;
        }
    }
    recorder.advance(Timestamp::from_ms(DAYS * TICKS_A_DAY * TICK_MS), &Utc, &mut |e| events.push(e));
    feed(&recorder, &mut events, &mut book);

    let now = ledger(&recorder, &periods, &book);
    for (ledger, [measured, counted, estimated]) in [&periods.closed()[0].ledger, &now].into_iter().zip(planned) {
        let plan = measured + DESIGN_KM * (1.1 * counted + 1.2 * estimated);
        let s = ledger.used_full_load_hours();
        println!("S {s:.3} h, planned {plan:.3} h; parts:");
        for p in &ledger.parts {
            println!(
                "  {:?} {:?} f {} km {:.4} T {:.3} h",
                p.kind, p.recording, p.factor, p.spectrum_factor, p.running_hours
            );
        }
        assert!((s / plan - 1.0).abs() < 0.001, "{s} for {plan}");
        assert!(ledger.full_load_hours_of(PartKind::Gap) > 0.005 * s, "the gaps must matter, or nothing is shown");
    }
    assert_eq!(now.design_full_load_hours, 3200.0);
    assert!(planned[1][2] > 0.0, "something must have run in the gap of the swap");
    assert!(now.parts.iter().any(|p| p.recording == Recording::Estimated));
    // The roll-over and the swap were told, each once, and nothing else was odd.
    let rolled = notes.iter().filter(|n| matches!(n, Note::RolledOver { .. })).count();
    let swapped = notes.iter().filter(|n| matches!(n, Note::Replaced { .. })).count();
    assert_eq!((rolled, swapped, notes.len()), (1, 1, 2), "{notes:?}");
}
