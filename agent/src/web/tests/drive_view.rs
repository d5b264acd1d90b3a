//! The drive side: where a signal stands, and when what was read of it is old.

use jiff::tz::TimeZone;
use tallyhook_analysis::sample::Flag;
use tallyhook_analysis::units::Span;
use tallyhook_config::model::{ByteOrder, On, RawType, Register, Signal, Table, Target};

use super::{ID, config, counted_to, figures_of, history};
use crate::clock::Reading;
use crate::drive::{DriveHealth, RawWords, SignalFigures};
use crate::figures::rfc3339;
use crate::web::drive_side;
use crate::web::layout::Desk;
use crate::web::moments::Moments;
use crate::web::wording::Wording;

/// The view's words on `signal`, read `passed` before the page was made, by a clock of this pace.
fn drawn(signal: Signal, passed: Span, pace: f64) -> String {
    let mut config = config("K 1");
    let name = signal.target.name();
    config.cranes[0].mechanisms[0].signals.push(signal);
    let desk = Desk {
        words: Wording::of(Default::default()),
        config: &config,
        moments: Moments::new(TimeZone::UTC),
        now: counted_to().plus(passed),
        pace,
    };
    let mut drive = DriveHealth::new(Reading { wall: counted_to(), mono: Span::ZERO }, Span::from_ms(1)).figures("a1");
    drive.signals.push(SignalFigures {
        mechanism: ID.into(),
        signal: name,
        table: "holding",
        address: 2,
        raw: RawWords::of(&[1]),
        value: Some(1.0),
        read_at: Some(rfc3339(counted_to()).into()),
    });
    let figures = figures_of(&config, &history(), true);
    let crane = &config.cranes[0];
    drive_side::drive(&desk, crane, &crane.mechanisms[0], &figures.mechanisms[0], &[drive]).into_string()
}

fn raising(raw: RawType) -> Signal {
    let register = Register { table: Table::Holding, address: 2, raw, bytes: ByteOrder::HighFirst };
    Signal::plain(Target::Flag(Flag::Raising), "a1", register)
}

#[test]
fn a_state_in_a_word_is_shown_with_its_bits() {
    let of = |signal| drawn(signal, Span::from_ms(100), 1.0);
    assert!(of(raising(RawType::Bit(5))).contains("holding, address 2, bit 5<"));
    let masked = Signal { on: On::Matches { mask: 0x0F00, values: vec![0x0300] }, ..raising(RawType::U16) };
    assert!(of(masked).contains("holding, address 2, bits 0F00<"));
    let field = Signal { mask: Some(0x00F0), ..raising(RawType::U16) };
    assert!(of(field).contains("holding, address 2, bits 00F0<"));
    assert!(of(raising(RawType::U16)).contains("holding, address 2<"), "the whole word");
}

#[test]
fn what_is_old_goes_by_real_time_under_a_time_lapse() {
    let old = |seconds, pace| drawn(raising(RawType::U16), Span::from_seconds(seconds), pace).contains(" ago, old<");
    assert!(!old(14.0, 1.0));
    assert!(old(16.0, 1.0));
    // Figures come once a real second: twenty of the site's then.
    assert!(!old(19.0, 20.0));
    assert!(old(320.0, 20.0));
}
