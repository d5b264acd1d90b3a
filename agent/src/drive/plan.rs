//! Which words are asked for, and where each signal is in the answers. The arithmetic of it is
//! [`tallyhook_config::wire`].
//!
//! A device may refuse a whole read for one address that it does not have. Such a read is split and the split is
//! remembered, so that in the end the one bad value stands alone and costs only itself.

use tallyhook_config::model::{Config, Drive, Register, Signal};
use tallyhook_config::wire::{self, Cost, Limits};

pub use tallyhook_config::wire::Request;

/// A signal and where its words are found.
#[derive(Clone, Debug)]
pub struct Place {
    /// Index of the mechanism in [`Config::mechanisms`] order.
    pub mechanism: usize,
    /// The signal.
    pub signal: Signal,
    /// Index of the read.
    pub request: usize,
    /// Index of the first word or contact in its answer.
    pub offset: usize,
}

/// The reads of a drive, and where each signal is in their answers.
#[derive(Clone, Debug)]
pub struct ReadPlan {
    /// The reads: first those of every tick, then those of the counters; each part by table and address.
    pub requests: Vec<Request>,
    /// How many of them are put at every tick.
    pub fast: usize,
    /// The signals, in the order of the configuration.
    pub places: Vec<Place>,
    /// Whether another drive feeds one of its mechanisms too.
    pub shares: bool,
    limits: Limits,
    cost: Cost,
}

impl ReadPlan {
    /// The plan for one drive of a configuration.
    pub fn of(config: &Config, drive: &Drive) -> Self {
        let signals = config
            .mechanisms()
            .enumerate()
            .flat_map(|(index, (_, mechanism))| mechanism.signals.iter().map(move |s| (index, s.clone())))
            .filter(|(_, signal)| signal.drive == drive.name)
            .collect();
        let own = |signal: &Signal| signal.drive == drive.name;
        let shares = config.mechanisms().any(|(_, m)| m.signals.iter().any(own) && !m.signals.iter().all(own));
        ReadPlan { shares, ..Self::within(signals, drive.limits(), drive.cost()) }
    }

    fn within(signals: Vec<(usize, Signal)>, limits: Limits, cost: Cost) -> Self {
        let of = |counters: bool| -> Vec<Register> {
            signals.iter().filter(|(_, s)| s.target.is_counter() == counters).map(|(_, s)| s.register).collect()
        };
        let (mut requests, slow) = wire::fast_and_slow(&of(false), &of(true), &limits, &cost);
        let fast = requests.len();
        requests.extend(slow);
        let places = signals
            .into_iter()
            .filter_map(|(mechanism, signal)| {
                let mut found = requests.iter().enumerate();
                let (request, offset) = found.find_map(|(i, r)| r.holds(&signal.register).map(|offset| (i, offset)))?;
                Some(Place { mechanism, signal, request, offset })
            })
            .collect();
        ReadPlan { requests, fast, places, shares: false, limits, cost }
    }

    /// What a read costs on this drive's line, ns.
    pub fn cost_ns(&self, request: Request) -> u64 {
        self.cost.of(request)
    }

    /// Splits a read that the device refused: at all its gaps if it crosses some, otherwise in the middle. False, and
    /// nothing changes, where it holds a single value.
    pub fn split(&mut self, request: Request) -> bool {
        let mut inside: Vec<Register> =
            self.places.iter().map(|p| p.signal.register).filter(|r| request.holds(r).is_some()).collect();
        inside.sort_by_key(|r| (r.address, r.raw.width()));
        inside.dedup_by_key(|r| r.address);
        let mut reach = request.address;
        let mut gaps = Vec::new();
        for register in &inside {
            if register.address > reach {
                gaps.push(register.address);
            }
            reach = reach.max(register.address.saturating_add(register.raw.width()));
        }
        let middle = inside.get(inside.len() / 2).filter(|_| inside.len() > 1).map(|r| r.address);
        let cuts = if gaps.is_empty() { middle.into_iter().collect() } else { gaps };
        if cuts.is_empty() {
            return false;
        }
        self.limits.cuts.extend(cuts.into_iter().map(|address| (request.table, address)));
        let signals = std::mem::take(&mut self.places).into_iter().map(|p| (p.mechanism, p.signal)).collect();
        *self = Self::within(signals, std::mem::replace(&mut self.limits, no_limits()), self.cost);
        true
    }
}

fn no_limits() -> Limits {
    Limits { max_registers: 1, max_contacts: 1, readable: Default::default(), cuts: Default::default() }
}

#[cfg(test)]
mod tests {
    use super::super::fixture;
    use super::*;
    use tallyhook_analysis::sample::{Flag, Quantity};
    use tallyhook_config::model::{RawType, Table, Target};
    use tallyhook_config::wire::Readable;

    fn plan(addresses: &[u16], readable: &[(Table, u16, u16)]) -> ReadPlan {
        let flags = Flag::ALL.into_iter().map(Target::Flag);
        let signals =
            addresses.iter().zip(flags).map(|(&a, t)| fixture::signal(t, "d", Table::Holding, a, RawType::Bit(0)));
        let mut drive = fixture::drive("d", "a:1", 100, 1000);
        drive.readable = Readable { ranges: readable.to_vec() };
        ReadPlan::of(&fixture::config(vec![drive.clone()], vec![signals.collect()]), &drive)
    }

    fn reads(plan: &ReadPlan) -> Vec<(u16, u16)> {
        plan.requests.iter().map(|r| (r.address, r.count)).collect()
    }

    #[test]
    fn a_refused_read_is_split_at_its_gaps_then_in_the_middle_until_one_value_is_left() {
        let mut plan = plan(&[0, 1, 2, 6, 7], &[(Table::Holding, 3, 5)]);
        assert_eq!(reads(&plan), [(0, 8)]);
        assert!(plan.split(plan.requests[0]));
        assert_eq!(reads(&plan), [(0, 3), (6, 2)]);
        assert!(plan.split(plan.requests[0]));
        assert_eq!(reads(&plan), [(0, 1), (1, 2), (6, 2)]);
        assert!(!plan.split(plan.requests[0]), "one value");
        assert!(plan.split(plan.requests[1]));
        assert_eq!(reads(&plan), [(0, 1), (1, 1), (2, 1), (6, 2)]);
        assert_eq!(plan.places.len(), 5);
        for place in &plan.places {
            assert_eq!(plan.requests[place.request].address + place.offset as u16, place.signal.register.address);
        }
    }

    #[test]
    fn two_bits_of_one_word_are_one_value() {
        let mut plan = plan(&[4, 4, 4], &[]);
        assert!(!plan.split(plan.requests[0]));
    }

    #[test]
    fn counters_come_after_the_reads_of_every_tick() {
        let hours = Target::Quantity(Quantity::RunHours);
        let mut signals = fixture::hoist_signals("d");
        signals.push(fixture::signal(hours, "d", Table::Holding, 3, RawType::U16));
        let drive = fixture::drive("d", "a:1", 100, 1000);
        let plan = ReadPlan::of(&fixture::config(vec![drive.clone()], vec![signals]), &drive);
        assert_eq!((reads(&plan), plan.fast), (vec![(0, 3), (3, 1)], 1));
    }
}
