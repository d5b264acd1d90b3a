//! Configurations by hand, for the tests of this folder.

use std::collections::BTreeMap;

use jiff::tz::TimeZone;
use tallyhook_analysis::class::{ApplianceGroup, MechanismGroup};
use tallyhook_analysis::recorder::Spec;
use tallyhook_analysis::sample::{Flag, Quantity};
use tallyhook_analysis::units::{Grams, Span};
use tallyhook_config::model::{
    ByteOrder, Config, Crane, Drive, Link, Mechanism, Page, RawType, Register, Signal, Store, Table, Target, WordOrder,
};
use tallyhook_config::wire::Readable;

/// A drive at the address, polled every `poll_ms`.
pub fn drive(name: &str, address: &str, poll_ms: i64, timeout_ms: i64) -> Drive {
    Drive {
        name: name.into(),
        link: Link::Tcp { address: address.into() },
        unit: 1,
        poll: Span::from_ms(poll_ms),
        timeout: Span::from_ms(timeout_ms),
        max_registers: 125,
        max_contacts: 2000,
        readable: Readable::default(),
        poll_counters: Span::from_ms(5000),
        answer_delay: Span::from_ms(5),
        silent_after: Span::from_ms(3_600_000),
    }
}

/// A signal without scale or offset.
pub fn signal(target: Target, drive: &str, table: Table, address: u16, raw: RawType) -> Signal {
    Signal::plain(target, drive, Register { table, address, raw, bytes: ByteOrder::HighFirst })
}

/// Load at 0 and 1, status word at 2 with raising in bit 1 and lowering in bit 2, all on one drive.
pub fn hoist_signals(drive: &str) -> Vec<Signal> {
    let load = Target::Quantity(Quantity::Load);
    vec![
        signal(load, drive, Table::Holding, 0, RawType::I32(WordOrder::HighFirst)),
        signal(Target::Flag(Flag::Raising), drive, Table::Holding, 2, RawType::Bit(1)),
        signal(Target::Flag(Flag::Lowering), drive, Table::Holding, 2, RawType::Bit(2)),
    ]
}

/// A site with one crane whose mechanisms have these signals.
pub fn config(drives: Vec<Drive>, mechanisms: Vec<Vec<Signal>>) -> Config {
    let mechanisms = mechanisms.into_iter().enumerate().map(|(i, signals)| Mechanism {
        signals,
        ..Mechanism::plain(&format!("hoist-{i}"), MechanismGroup::M5, Spec::hoist(Grams::from_kg(16_000.0)))
    });
    Config {
        site_name: "test".into(),
        time_zone: TimeZone::UTC,
        units: Default::default(),
        language: Default::default(),
        store: Store::plain("d"),
        page: Page::plain(([127, 0, 0, 1], 0).into()),
        alarms: Default::default(),
        outbox: Default::default(),
        drives: drives.into_iter().map(|d| (d.name.clone(), d)).collect::<BTreeMap<_, _>>(),
        cranes: vec![Crane {
            id: "yard-1".into(),
            name: "Yard".into(),
            group: ApplianceGroup::A5,
            design_life_years: 20.0,
            mechanisms: mechanisms.collect(),
        }],
        mqtt: None,
        webhooks: Vec::new(),
        influx: None,
        matrix: None,
    }
}
