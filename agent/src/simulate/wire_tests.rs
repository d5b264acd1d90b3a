//! The simulated drive and the poller on a real socket: what was planned must be what is recorded.

use tallyhook_analysis::recorder::{Recorder, Utc};
use tallyhook_analysis::sample::Quantity;
use tallyhook_analysis::units::{Span, Timestamp};
use tallyhook_config::model::Target;
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};

use crate::clock::Clock;
use crate::drive::assemble::Assembler;
use crate::drive::{self, fixture};
use crate::simulate::{Plan, Player, Scenario};

#[tokio::test]
async fn planned_is_recorded_over_the_wire() {
    let text = "name = \"n\"\n[crane]\nrated_load_kg = 16000\nhoist_m_per_min = 5\ncarry_m = [4, 5]\nplace_m = [1, 2]\n\
                [[lift]]\nat = 20\nload_kg = 5000\n\
                [[lift]]\nat = 60\nload_kg = 17280\nraises = 3\nhang_s = 8\n\
                [[lift]]\nat = 130\nload_kg = 12345\nraises = 2\n";
    let clock = Clock::system_at_speed(20.0);
    let origin = clock.now().wall;
    let end = origin.plus(Span::from_ms(190_000));
    let plan = Plan::new(Scenario::parse(text).unwrap(), origin);
    let truth = plan.truth(origin, end);
    assert_eq!(truth.lifts.len(), 3);

    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let (stop, stopped) = watch::channel(false);
    let server =
        tokio::spawn(crate::simulate::serve(listener, Player::new(plan), clock.clone(), Span::ZERO, stopped.clone()));

    let mut signals = fixture::hoist_signals("d");
    assert_eq!(signals[0].target, Target::Quantity(Quantity::Load));
    signals[0].scale = tallyhook_config::model::Rational::parse("0.1").unwrap();
    let config = fixture::config(vec![fixture::drive("d", &address, 100, 1000)], vec![signals]);
    let (sender, mut readings) = mpsc::channel(drive::QUEUE);
    let mut tasks = drive::spawn(&config, clock.clone(), drive::Repeats::Told, sender, stopped);
    let mut assembler = Assembler::new(&config);
    let (_, mechanism) = config.mechanisms().next().unwrap();
    let mut recorder = Recorder::new(mechanism.spec.clone());
    let mut last = Timestamp::default();
    while last < end {
        let reading = readings.recv().await.unwrap();
        for (index, sample) in assembler.take(&reading) {
            assert_eq!(index, 0);
            last = sample.at;
            recorder.step(&sample, &Utc, &mut |_| {});
        }
    }
    stop.send_replace(true);
    while tasks.join_next().await.is_some() {}
    server.await.unwrap().unwrap();

    let totals = recorder.totals();
    assert_eq!((totals.lifts, totals.overload_lifts), (3, 1));
    assert_eq!(totals.starts, truth.starts);
    // A sample at either end of each run, at the cadence of 100 ms that a busy machine may stretch a little.
    let off_ms = (totals.running_ms as i64 - truth.running_ms).abs();
    assert!(off_ms <= 300 * truth.starts as i64, "{off_ms} ms");
    let km = totals.load_spectrum_factor(mechanism.spec.base()).unwrap();
    let planned = truth.load_spectrum_factor().unwrap();
    assert!((km / planned - 1.0).abs() < 0.02, "km {km}, planned {planned}");
}
