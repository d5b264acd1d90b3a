use super::*;

fn calibration(lowering_sign: i64) -> Calibration {
    let curve =
        |empty: i64, full: i64| Curve::new(&[(empty, Grams::from_kg(0.0)), (full, Grams::from_kg(10_000.0))]).unwrap();
    Calibration {
        raising: curve(10_000, 90_000),
        lowering: curve(2_000 * lowering_sign, 50_000 * lowering_sign),
        min_speed: 20_000,
        max_slope: 20_000,
        settle: Span::from_ms(300),
        tail: Span::ZERO,
    }
}

/// Ten samples a second; the motor adds `own` a sample.
fn samples(readings: &[i64]) -> Vec<Sample> {
    let sample = |(i, reading): (usize, &i64)| {
        let mut sample = Sample::at(Timestamp::from_ms(100 * i as i64));
        sample.set(Quantity::Torque, Some(*reading));
        sample
    };
    readings.iter().enumerate().map(sample).collect()
}

fn ramp(samples: &[Sample]) -> Ramp<'_> {
    let end = Timestamp::from_ms(100 * samples.len() as i64);
    Ramp::new(samples, end, Some(100_000), Span::from_ms(1_000)).unwrap()
}

fn learned() -> RunUps {
    let mut run_ups = RunUps::default();
    for more in [0, 300, -300] {
        // A fifth of the rated torque for a second: a run-up of 0.2 s.
        run_ups.learn(&ramp(&samples(&[30_000 + more; 10])), 10_000);
    }
    assert_eq!(run_ups.usual(), Some(200_000));
    run_ups
}

#[test]
fn slack_rope_in_a_ramp_is_found_whatever_the_ramps_shape() {
    let empty = Grams::ZERO;
    for (readings, slack) in [
        ([70_000; 10], 0),
        ([30_000, 30_000, 30_000, 70_000, 70_000, 70_000, 70_000, 70_000, 70_000, 70_000], 3),
        // All of the motor's own torque in the first half.
        ([50_000, 50_000, 50_000, 50_000, 90_000, 50_000, 50_000, 50_000, 50_000, 50_000], 4),
        ([30_000; 10], 10),
    ] {
        let samples = samples(&readings);
        let found = learned().slack_before(&ramp(&samples), 50_000, empty, &calibration(1));
        assert_eq!(found, Some(slack), "{readings:?}");
    }
    assert_eq!(RunUps::default().slack_before(&ramp(&samples(&[70_000; 10])), 50_000, empty, &calibration(1)), None);
    let light = samples(&[31_000; 10]);
    assert_eq!(learned().slack_before(&ramp(&light), 11_000, empty, &calibration(1)), None, "the noise is as great");
}

#[test]
fn a_load_that_is_set_down_while_braking_is_found_with_either_sign() {
    for sign in [1, -1] {
        // Braking takes a fifth of the rated torque upwards; in the last 0.4 s the hook is empty.
        let reading = |i| if i < 6 { 26_000 * sign + 20_000 * sign } else { 2_000 * sign + 20_000 * sign };
        let readings: Vec<i64> = (0..10).map(reading).collect();
        let samples = samples(&readings);
        let found = learned().slack_from(&ramp(&samples), 26_000 * sign, Grams::ZERO, &calibration(sign));
        assert_eq!(found, Some(Timestamp::from_ms(600)), "{sign}");
        let hangs = self::samples(&[46_000 * sign; 10]);
        let found = learned().slack_from(&ramp(&hangs), 26_000 * sign, Grams::ZERO, &calibration(sign));
        assert_eq!(found, None, "{sign}: tight to the end");
    }
}

#[test]
fn a_ramp_with_a_hole_says_nothing() {
    let mut holed = samples(&[30_000; 10]);
    let end = Timestamp::from_ms(1_000);
    let stale = Span::from_ms(500);
    assert!(Ramp::new(&holed, end, None, stale).is_none(), "no speed");
    assert!(Ramp::new(&[], end, Some(100_000), stale).is_none());
    holed[3].set(Quantity::Torque, None);
    assert!(Ramp::new(&holed, end, Some(100_000), stale).is_none(), "a reading lacks");
    holed.drain(2..8);
    assert!(Ramp::new(&holed, end, Some(100_000), stale).is_none(), "a silence");
}
