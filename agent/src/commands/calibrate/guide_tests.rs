use tallyhook_analysis::sample::Quantity;
use tallyhook_analysis::units::Timestamp;

use super::*;

/// A hoist of 10 t whose torque is straight in the load; 10 Hz.
struct Hoist {
    at_ms: i64,
    guide: Guide,
    said: Vec<Next>,
}

impl Hoist {
    fn new() -> Self {
        let guide = Guide::new("main-hoist", Grams::from_kg(10_000.0), 3.0, Steadiness::usual(true));
        Hoist { at_ms: 0, guide, said: Vec::new() }
    }

    fn run(&mut self, way: i64, torque: impl Fn(i64) -> i64, samples: i64) {
        for i in 0..samples {
            let mut sample = Sample::at(Timestamp::from_ms(self.at_ms));
            self.at_ms += 100;
            sample.set(Quantity::Torque, Some(torque(i)));
            sample.set(Quantity::Speed, Some(way * 100_000));
            sample.set_flag(Flag::Raising, Some(way > 0));
            sample.set_flag(Flag::Lowering, Some(way < 0));
            self.said.extend(self.guide.read(&sample));
        }
    }

    fn rest(&mut self) {
        self.run(0, |_| 0, 5);
    }

    /// Types a mass and lifts another, up and down; what is said at the end.
    fn lift(&mut self, typed: &str, kg: i64) -> Next {
        assert!(matches!(self.guide.typed(typed), Next::Watch(_)), "{typed}");
        self.rest();
        self.run(1, |_| 8_000 + 8 * kg, 30);
        self.rest();
        self.run(-1, |_| -2_000 - 5 * kg, 30);
        self.rest();
        self.said.pop().unwrap()
    }
}

fn text(next: &Next) -> &str {
    match next {
        Next::Say(text) | Next::Ask(text) | Next::Watch(text) => text,
        Next::End => "",
    }
}

#[test]
fn what_does_not_fit_is_refused_and_can_be_taken_again() {
    let mut hoist = Hoist::new();
    assert!(text(&hoist.lift("0", 0)).contains("another weight"));
    assert!(text(&hoist.lift("5 t", 5_000)).contains("a third is better"));
    let refused = hoist.lift("9000 kg", 7_500);
    assert!(text(&refused).contains("9000 kg is refused. raising: the weights do not lie on a line"), "{refused:?}");
    assert!(text(&refused).contains("taken so far: 0, 5000 kg"), "{refused:?}");
    assert_eq!(hoist.guide.taken.len(), 2);
    assert!(text(&hoist.lift("9000", 9_000)).contains("All fit"));
    assert_eq!(hoist.guide.typed("done"), Next::End);
    let found = hoist.guide.found();
    assert_eq!(found.refused, [""; 0]);
    assert!(found.config.unwrap().contains("{ load_kg = 9000, raising_pct = 80, lowering_pct = -47 }"));
}

#[test]
fn an_earlier_weight_that_was_wrong_can_be_dropped() {
    let mut hoist = Hoist::new();
    hoist.lift("0", 0);
    // What is typed as 5 t weighs 6 t; two points always fit.
    hoist.lift("5000", 6_000);
    assert!(text(&hoist.lift("9000", 9_000)).contains("drop that"));
    assert!(text(&hoist.guide.typed("drop 4000")).contains("has not been taken"));
    assert!(text(&hoist.guide.typed("drop five")).contains("drop 5000"));
    assert!(text(&hoist.guide.typed("DROP 5 t")).contains("is dropped; taken so far: 0 kg"));
    assert!(text(&hoist.guide.typed("done")).starts_with("Not yet: raising: a line needs two different weights"));
    hoist.lift("9000", 9_000);
    assert!(text(&hoist.lift("5000", 5_000)).contains("All fit"));
}

#[test]
fn a_run_that_tells_too_little_is_refused_and_says_why() {
    let mut hoist = Hoist::new();
    hoist.guide.typed("5000");
    // It runs already: what is on the hook was not typed yet.
    hoist.run(1, |_| 48_000, 40);
    hoist.rest();
    assert_eq!(hoist.said, [], "a run that began before is not looked at");
    hoist.run(1, |_| 48_000, 8);
    hoist.rest();
    assert!(text(&hoist.said.pop().unwrap()).starts_with("raising: refused, steady for 0.3 s"));
    hoist.run(1, |_| 48_000, 3);
    hoist.rest();
    assert!(text(&hoist.said.pop().unwrap()).contains("never steady"));
    // The weight leaves the ground in mid-run.
    hoist.run(1, |i| if i < 20 { 8_000 } else { 48_000 }, 40);
    hoist.rest();
    assert!(text(&hoist.said.pop().unwrap()).contains("taken up or set down"));
    assert!(hoist.guide.watches() && hoist.guide.found().points.is_empty());
    // Down first is as good.
    hoist.run(-1, |_| -27_000, 30);
    hoist.rest();
    assert!(text(&hoist.said.pop().unwrap()).ends_with("Now raise it."));
    assert!(text(&hoist.guide.typed("")).contains("left out"));
    assert!(!hoist.guide.watches());
}

#[test]
fn what_is_typed_is_understood_or_said_to_be_not() {
    assert_eq!(
        [mass("5000"), mass(" 4.5 t"), mass("0kg"), mass("0")],
        [Some(5_000.0), Some(4_500.0), Some(0.0), Some(0.0)]
    );
    for wrong in ["", "five", "4,5 t", "-1", "1e3", "nan", "inf", "5 lb", "900000", "5 t t"] {
        assert_eq!(mass(wrong), None, "{wrong}");
    }
    let mut guide = Hoist::new().guide;
    for (typed, said) in [
        ("4,5 t", "no comma"),
        ("10001", "more than the rated load"),
        ("done", "Nothing has been taken yet"),
        ("dr\u{fffd}p", "is no mass"),
    ] {
        assert!(text(&guide.typed(typed)).contains(said), "{typed}");
    }
    assert_eq!(guide.typed(""), Next::Ask(String::new()));
    assert_eq!(guide.typed("quit"), Next::End);
}
