//! Which words are asked for: the signals of a drive become as few reads as their addresses allow.
//!
//! Neighbouring registers are read together. Gaps are not crossed: a device may refuse a whole read for one address
//! that it does not have. A value of two words is never split over two reads, in which it could be torn.

use tallyhook_config::model::{Config, Drive, Register, Signal, Table};

/// Most coils or discrete inputs in one read (Modbus Application Protocol 1.1b3, 6.1 and 6.2).
const MAX_CONTACTS: u32 = 2000;

/// Most registers in one read (same, 6.3 and 6.4).
const MAX_REGISTERS: u32 = 125;

/// One read.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Request {
    /// Which table.
    pub table: Table,
    /// First address, as in the protocol: from 0.
    pub address: u16,
    /// How many registers or contacts.
    pub count: u16,
}

impl Request {
    /// The function code that reads the table, 1 to 4.
    pub const fn function(&self) -> u8 {
        match self.table {
            Table::Coil => 1,
            Table::Discrete => 2,
            Table::Holding => 3,
            Table::Input => 4,
        }
    }
}

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

/// The reads of one tick of a drive, and where each signal is in their answers.
#[derive(Clone, Debug)]
pub struct ReadPlan {
    /// The reads, by table and address.
    pub requests: Vec<Request>,
    /// The signals, in the order of the configuration.
    pub places: Vec<Place>,
}

impl ReadPlan {
    /// The plan for one drive of a configuration.
    pub fn of(config: &Config, drive: &Drive) -> Self {
        let signals: Vec<(usize, &Signal)> = config
            .mechanisms()
            .enumerate()
            .flat_map(|(index, (_, mechanism))| mechanism.signals.iter().map(move |s| (index, s)))
            .filter(|(_, signal)| signal.drive == drive.name)
            .collect();
        let registers: Vec<Register> = signals.iter().map(|(_, s)| s.register).collect();
        let requests = requests(&registers, drive.max_registers);
        let places = signals
            .into_iter()
            .filter_map(|(mechanism, signal)| {
                let (request, offset) = find(&requests, signal.register)?;
                Some(Place { mechanism, signal: signal.clone(), request, offset })
            })
            .collect();
        ReadPlan { requests, places }
    }
}

/// The fewest reads that hold all the registers without crossing a gap or a limit.
pub fn requests(registers: &[Register], max_registers: u16) -> Vec<Request> {
    let mut sorted: Vec<&Register> = registers.iter().collect();
    sorted.sort_by_key(|r| (r.table, r.address, r.raw.width()));
    let mut out: Vec<Request> = Vec::new();
    for register in sorted {
        let limit = match register.table {
            Table::Coil | Table::Discrete => MAX_CONTACTS,
            Table::Holding | Table::Input => u32::from(max_registers).clamp(1, MAX_REGISTERS),
        };
        let (from, width) = (u32::from(register.address), u32::from(register.raw.width()));
        if let Some(last) = out.last_mut()
            && last.table == register.table
        {
            let begin = u32::from(last.address);
            let end = begin + u32::from(last.count);
            let new_end = end.max(from + width);
            if from <= end && new_end - begin <= limit {
                last.count = (new_end - begin) as u16;
                continue;
            }
        }
        out.push(Request { table: register.table, address: register.address, count: register.raw.width() });
    }
    out
}

/// In which read a register is, and how far into its answer.
fn find(requests: &[Request], register: Register) -> Option<(usize, usize)> {
    requests.iter().enumerate().find_map(|(index, request)| {
        let offset = register.address.checked_sub(request.address)?;
        let inside = u32::from(offset) + u32::from(register.raw.width()) <= u32::from(request.count);
        (request.table == register.table && inside).then_some((index, usize::from(offset)))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use tallyhook_config::model::{ByteOrder, RawType, WordOrder};

    fn register(table: Table, address: u16, wide: bool) -> Register {
        let raw = match (table, wide) {
            (Table::Coil | Table::Discrete, _) => RawType::Contact,
            (_, true) => RawType::U32(WordOrder::HighFirst),
            (_, false) => RawType::U16,
        };
        Register { table, address, raw, bytes: ByteOrder::HighFirst }
    }

    fn check(registers: &[(Table, u16, bool)], max: u16, expected: &[(Table, u16, u16)]) {
        let registers: Vec<Register> = registers.iter().map(|&(t, a, w)| register(t, a, w)).collect();
        let got: Vec<_> = requests(&registers, max).iter().map(|r| (r.table, r.address, r.count)).collect();
        assert_eq!(got, expected);
    }

    #[test]
    fn neighbours_are_read_together_and_gaps_are_not_crossed() {
        use Table::*;
        check(&[], 125, &[]);
        check(&[(Holding, 5, false), (Holding, 3, true)], 125, &[(Holding, 3, 3)]);
        check(&[(Holding, 3, false), (Holding, 5, false)], 125, &[(Holding, 3, 1), (Holding, 5, 1)]);
        check(&[(Holding, 3, false), (Input, 4, false)], 125, &[(Holding, 3, 1), (Input, 4, 1)]);
        check(&[(Holding, 0, true), (Holding, 1, false), (Holding, 1, true)], 125, &[(Holding, 0, 3)]);
    }

    #[test]
    fn the_limits_are_kept_and_no_value_is_torn() {
        use Table::*;
        let three_wide = [(Holding, 0, true), (Holding, 2, true), (Holding, 4, true)];
        check(&three_wide, 5, &[(Holding, 0, 4), (Holding, 4, 2)]);
        // A limit below a value's width cannot be kept without tearing it; the value wins.
        check(&three_wide[..1], 1, &[(Holding, 0, 2)]);
        let contacts: Vec<_> = (0..2001).map(|a| (Coil, a, false)).collect();
        check(&contacts, 4, &[(Coil, 0, 2000), (Coil, 2000, 1)]);
        check(&[(Holding, 65_535, false), (Holding, 65_534, false)], 125, &[(Holding, 65_534, 2)]);
    }

    fn any_register() -> impl Strategy<Value = Register> {
        let table = prop::sample::select(vec![Table::Holding, Table::Input, Table::Coil, Table::Discrete]);
        (table, 0_u16..60, any::<bool>()).prop_map(|(table, address, wide)| register(table, address, wide))
    }

    proptest! {
        #[test]
        fn every_register_is_found_whole_and_nothing_else_is_asked_for(
            registers in prop::collection::vec(any_register(), 0..40),
            max in 2_u16..20,
        ) {
            let requests = requests(&registers, max);
            for register in &registers {
                prop_assert!(find(&requests, *register).is_some());
            }
            for request in &requests {
                let limit = if request.function() >= 3 { max } else { 2000 };
                prop_assert!(request.count <= limit);
                for address in request.address..request.address + request.count {
                    prop_assert!(registers.iter().any(|r| r.table == request.table
                        && r.address <= address && address < r.address + r.raw.width()));
                }
            }
        }
    }
}
