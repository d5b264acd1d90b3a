//! Configurations by hand, for the tests of this folder.

use std::collections::BTreeMap;

use jiff::tz::TimeZone;
use tallyhook_analysis::class::{ApplianceGroup, MechanismGroup};
use tallyhook_analysis::period::FactorScale;
use tallyhook_analysis::recorder::Spec;
use tallyhook_analysis::sample::{Flag, Quantity};
use tallyhook_analysis::units::{Grams, Span};
use tallyhook_config::model::{
    Config, Crane, Drive, Kind, Link, Mechanism, Page, RawType, Register, Signal, Store, Table, Target, Warn, WordOrder,
};

/// A drive at the address, polled every `poll_ms`.
pub fn drive(name: &str, address: &str, poll_ms: i64, timeout_ms: i64) -> Drive {
    Drive {
        name: name.into(),
        link: Link::Tcp { address: address.into() },
        unit: 1,
        poll: Span::from_ms(poll_ms),
        timeout: Span::from_ms(timeout_ms),
        max_registers: 125,
    }
}

/// A signal without scale or offset.
pub fn signal(target: Target, drive: &str, table: Table, address: u16, raw: RawType) -> Signal {
    let register = Register { table, address, raw };
    Signal { target, drive: drive.into(), register, scale: 1.0, offset: 0.0, inverted: false }
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
        id: format!("hoist-{i}"),
        kind: Kind::Hoist,
        group: MechanismGroup::M5,
        design_full_load_hours: None,
        spec: Spec::hoist(Grams::from_kg(16_000.0)),
        factor_scale: FactorScale::Fem,
        signals,
        warn: Warn { used_share: vec![0.8], used_share_hysteresis: 0.01, starts_per_hour: Vec::new(), overload: true },
        prior: Vec::new(),
    });
    Config {
        site_name: "test".into(),
        time_zone: TimeZone::UTC,
        store: Store { directory: "d".into(), commit_every: Span::from_ms(30_000), recording: None },
        page: Page { listen: ([127, 0, 0, 1], 0).into() },
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
