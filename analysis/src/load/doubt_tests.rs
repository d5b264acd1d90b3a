use super::*;
use crate::lift::Readings;
use crate::load::health::Watch;
use crate::seed::Seeded;

fn kg(kg: f64) -> Grams {
    Grams::from_kg(kg)
}

fn lift(load: f64, peak: f64) -> Lift {
    Lift {
        begin: Timestamp::from_ms(0),
        end: Timestamp::from_ms(60_000),
        load: kg(load),
        peak: kg(peak),
        running_ms: 40_000,
        starts: 2,
        band: 0,
        overload: false,
        cut: false,
        uncertainty: None,
    }
}

#[test]
fn the_noise_of_a_mean_is_what_the_mean_scatters_by() {
    let (rated, stale_after) = (kg(10_000.0), Span::from_ms(1_000));
    for deviation in [20.0, 100.0, 400.0] {
        let mut draw = Seeded::new(3);
        let (mut means, mut stated) = (Vec::new(), 0.0);
        for _ in 0..400 {
            let mut readings = Readings::new();
            (0..25).for_each(|_| readings.add(kg(6_000.0 + deviation * draw.normal()), rated, 1_000));
            means.push(readings.midmean().unwrap().as_kg());
            stated += readings.seen(rated, true).noise(stale_after).as_kg() / 400.0;
        }
        let mean = means.iter().sum::<f64>() / 400.0;
        let scatter = (means.iter().map(|m| (m - mean).powi(2)).sum::<f64>() / 399.0).sqrt();
        println!("readings ± {deviation} kg: their mean scatters by {scatter:.1} kg, stated {stated:.1} kg");
        // What a bin is wide is told beside a small scatter, never less.
        assert!(stated > 0.8 * scatter && stated < 1.2 * scatter + 5.0, "{scatter} {stated}");
    }
}

#[test]
fn a_wild_reading_moves_neither_the_mean_nor_its_doubt() {
    let (rated, second) = (kg(10_000.0), 1_000);
    let mut readings = Readings::new();
    (0..20).for_each(|i| readings.add(kg(6_000.0 + f64::from(i)), rated, second));
    let before = readings.seen(rated, true).spread;
    readings.add(kg(19_000.0), rated, second);
    assert!((readings.seen(rated, true).spread.get() - before.get()).abs() < 5_000, "{before:?}");
}

#[test]
fn every_origin_shows() {
    let spec = Spec::hoist(kg(10_000.0));
    let seen = Seen { spread: kg(60.0), over_ms: 32_000, settled: true };
    let cell = Terms::default();
    let of = |terms: &Terms, lift: &Lift, seen: Seen, told: &[Told]| {
        of_lift(terms, &spec, lift, seen, told, &Watch::default())
    };
    // One percent of rated; sixteen readings of two seconds.
    let plain = of(&cell, &lift(5_000.0, 5_100.0), seen, &[]);
    assert_eq!(plain, Doubt { common: kg(100.0), own: kg(15.0) });
    assert!((plain.whole().as_kg() - 101.119).abs() < 0.001);
    // Never settled: 250 kg of 5 t, or a jerk of 1 t over root three.
    let never = Seen { settled: false, ..seen };
    assert_eq!(of(&cell, &lift(5_000.0, 5_000.0), never, &[]).common, kg(269.258));
    assert_eq!(of(&cell, &lift(5_000.0, 6_000.0), never, &[]).common, kg(585.947));

    let curve = |points: &[(i64, f64)]| {
        Curve::new(&points.iter().map(|(pct, load)| (*pct, kg(*load))).collect::<Vec<_>>()).unwrap()
    };
    let straight = curve(&[(10_000, 0.0), (50_000, 8_000.0)]);
    let bent = curve(&[(10_000, 0.0), (30_000, 3_600.0), (50_000, 8_000.0)]);
    let torque = |raising: &Curve| Terms {
        lead: Lead::Torque,
        calibration: Some(Calibration {
            raising: raising.clone(),
            lowering: straight.clone(),
            min_speed: 0,
            max_slope: 0,
            settle: Span::ZERO,
            tail: Span::ZERO,
        }),
        ..Terms::default()
    };
    let mut ways = Ways::default();
    ways.add(true, kg(4_000.0), 10_000);
    let told = |ways| Told { from: Timestamp::from_ms(0), to: Timestamp::from_ms(50_000), seen, ways, open: true };
    let at = |terms: &Terms, load: f64, ways| of(terms, &lift(load, load), seen, &[told(ways)]).common;
    assert_eq!(at(&torque(&straight), 4_000.0, ways), kg(300.0), "three percent of rated");
    // The bend is 800 kg over two pieces of 20 % each: 100 kg half-way, over root three.
    let half_way = at(&torque(&bent), 5_800.0, ways);
    assert!((half_way.as_kg() - f64::sqrt(300.0 * 300.0 + 100.0 * 100.0 / 3.0)).abs() < 0.1, "{half_way:?}");
    assert_eq!(at(&torque(&bent), 3_600.0, ways), kg(300.0), "at a point there is nothing to bend");
    // A quarter past the heaviest weight: √(1.25² + 0.25²).
    let past = at(&torque(&straight), 10_000.0, ways);
    assert!((past.as_kg() - 300.0 * f64::sqrt(1.625)).abs() < 0.1, "{past:?}");
    // 400 kg between up and down.
    ways.add(false, kg(4_400.0), 10_000);
    let apart = at(&torque(&straight), 4_200.0, ways);
    assert!((apart.as_kg() - f64::sqrt(300.0 * 300.0 + 200.0 * 200.0 / 3.0)).abs() < 0.1, "{apart:?}");
    // A lift that the stage has told nothing of.
    assert_eq!(of(&torque(&straight), &lift(6_000.0, 6_000.0), seen, &[]).common, kg(424.264));
}

#[test]
fn a_period_has_the_doubts_that_came_in_it() {
    let mut life = Doubts::default();
    let own = (kg(10_000.0), Grams::ZERO);
    life.add(Doubt { common: kg(100.0), own: kg(20.0) }, &lift(5_000.0, 5_000.0), own);
    let start = life.clone();
    life.add(Doubt { common: kg(300.0), own: kg(40.0) }, &lift(5_000.0, 5_000.0), own);
    let band = band_of(kg(5_000.0), own.0);
    assert!((life.common(band, 80_000, own.0, 1.0) - 0.02).abs() < 1e-12);
    assert!((life.since(&start).common(band, 40_000, own.0, 1.0) - 0.03).abs() < 1e-12);
    assert!((life.since(&start).common(band, 80_000, own.0, 0.01) - 0.02).abs() < 1e-12, "half of it is not known");
    assert_eq!(life.common(0, 1_000, own.0, 0.01), 0.01);
    // 3 · 25 t² · 0.04 t · 40 s, over 1000 t³ · 40 s.
    assert!((life.since(&start).own(40_000, own.0) - 0.003).abs() < 1e-9);
    assert_eq!(life.mean().unwrap().as_kg().round(), 202.0);
    assert_eq!(Doubts::default().mean(), None);
}
