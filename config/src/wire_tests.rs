use super::*;
use crate::model::{RawType, WordOrder};
use proptest::prelude::*;

const LINE: Speed = Speed { baud: 19_200, parity: Parity::Even, stop_bits: 1 };

fn limits(max_registers: u16, readable: &[(Table, u16, u16)], cuts: &[(Table, u16)]) -> Limits {
    Limits {
        max_registers,
        max_contacts: MAX_CONTACTS,
        readable: Readable { ranges: readable.to_vec() },
        cuts: cuts.iter().copied().collect(),
    }
}

fn register(table: Table, address: u16, wide: bool) -> Register {
    let raw = match (table, wide) {
        (Table::Coil | Table::Discrete, _) => RawType::Contact,
        (_, true) => RawType::U32(WordOrder::HighFirst),
        (_, false) => RawType::U16,
    };
    Register { table, address, raw, bytes: crate::model::ByteOrder::HighFirst }
}

fn check(registers: &[(Table, u16, bool)], limits: &Limits, expected: &[(Table, u16, u16)]) {
    let registers: Vec<Register> = registers.iter().map(|&(t, a, w)| register(t, a, w)).collect();
    let got = requests(&registers, limits, &Cost::serial(LINE, 0));
    let got: Vec<_> = got.iter().map(|r| (r.table, r.address, r.count)).collect();
    assert_eq!(got, expected);
}

/// Modbus over Serial Line 1.02, 2.5.1.1: 3.5 characters of 11 bits, fixed at 1.75 ms above 19,200 baud.
#[test]
fn silence_and_character() {
    assert_eq!(LINE.bits_per_character(), 11);
    assert_eq!(LINE.characters_ns(1), 572_916);
    assert_eq!(LINE.silence_ns(), 2_005_208);
    let slow = Speed { baud: 9600, parity: Parity::None, stop_bits: 1 };
    assert_eq!((slow.bits_per_character(), slow.silence_ns()), (10, 3_645_833));
    assert_eq!(Speed { baud: 115_200, ..LINE }.silence_ns(), 1_750_000);
    assert_eq!(Speed { baud: 300, stop_bits: 2, ..LINE }.bits_per_character(), 12);
}

#[test]
fn neighbours_are_read_together_and_gaps_only_where_declared() {
    use Table::*;
    let plain = limits(125, &[], &[]);
    check(&[], &plain, &[]);
    check(&[(Holding, 5, false), (Holding, 3, true)], &plain, &[(Holding, 3, 3)]);
    check(&[(Holding, 3, false), (Holding, 5, false)], &plain, &[(Holding, 3, 1), (Holding, 5, 1)]);
    check(&[(Holding, 3, false), (Input, 4, false)], &plain, &[(Holding, 3, 1), (Input, 4, 1)]);
    check(&[(Holding, 0, true), (Holding, 1, false), (Holding, 1, true)], &plain, &[(Holding, 0, 3)]);
    let open = limits(125, &[(Holding, 4, 4)], &[]);
    check(&[(Holding, 3, false), (Holding, 5, false)], &open, &[(Holding, 3, 3)]);
    check(&[(Input, 3, false), (Input, 5, false)], &open, &[(Input, 3, 1), (Input, 5, 1)]);
    // Two ranges that meet are one.
    let met = limits(125, &[(Holding, 6, 9), (Holding, 4, 5)], &[]);
    check(&[(Holding, 3, false), (Holding, 10, false)], &met, &[(Holding, 3, 8)]);
    let holed = limits(125, &[(Holding, 6, 9), (Holding, 4, 4)], &[]);
    check(&[(Holding, 3, false), (Holding, 10, false)], &holed, &[(Holding, 3, 1), (Holding, 10, 1)]);
}

/// On this line a read costs 13 characters and 7 of silence beside its data, so a gap of 10 registers is as dear as
/// a read of its own.
#[test]
fn a_gap_is_crossed_only_while_that_is_cheaper() {
    use Table::Holding;
    let open = limits(125, &[(Holding, 0, 200)], &[]);
    check(&[(Holding, 0, false), (Holding, 10, false)], &open, &[(Holding, 0, 11)]);
    check(&[(Holding, 0, false), (Holding, 12, false)], &open, &[(Holding, 0, 1), (Holding, 12, 1)]);
}

/// The cheapest cut is not the greedy one: filling the first read to its limit costs a third read.
#[test]
fn the_cut_is_chosen_for_the_whole() {
    use Table::Holding;
    let open = limits(8, &[(Holding, 0, 100)], &[]);
    // Greedy would take 0 to 7 and leave 8 and 9; in two reads the gap is left out.
    let wanted = [(Holding, 0, false), (Holding, 7, true), (Holding, 9, false), (Holding, 14, false)];
    check(&wanted, &open, &[(Holding, 0, 1), (Holding, 7, 8)]);
}

#[test]
fn the_limits_are_kept_and_no_value_is_torn() {
    use Table::*;
    let three_wide = [(Holding, 0, true), (Holding, 2, true), (Holding, 4, true)];
    let lengths = |max| {
        let registers: Vec<Register> = three_wide.iter().map(|&(t, a, w)| register(t, a, w)).collect();
        requests(&registers, &limits(max, &[], &[]), &Cost::serial(LINE, 0)).iter().map(|r| r.count).collect::<Vec<_>>()
    };
    assert_eq!((lengths(6).len(), lengths(5).len(), lengths(5).iter().sum::<u16>()), (1, 2, 6));
    // A limit below a value's width cannot be kept without tearing it; the value wins.
    check(&three_wide[..1], &limits(1, &[], &[]), &[(Holding, 0, 2)]);
    let contacts: Vec<_> = (0..2001).map(|a| (Coil, a, false)).collect();
    let registers: Vec<Register> = contacts.iter().map(|&(t, a, w)| register(t, a, w)).collect();
    let reads = requests(&registers, &limits(4, &[], &[]), &Cost::network(0));
    assert_eq!((reads.len(), reads.iter().map(|r| r.count).sum::<u16>()), (2, 2001));
    check(&[(Holding, 65_535, false), (Holding, 65_534, false)], &limits(125, &[], &[]), &[(Holding, 65_534, 2)]);
}

#[test]
fn a_cut_splits_a_read_there() {
    use Table::Holding;
    let cut = limits(125, &[], &[(Holding, 2)]);
    let wanted = [(Holding, 0, true), (Holding, 2, true), (Holding, 4, true)];
    check(&wanted, &cut, &[(Holding, 0, 2), (Holding, 2, 4)]);
}

#[test]
fn counters_are_slow_unless_they_lie_in_a_fast_read_or_are_alone() {
    use Table::Holding;
    let (near, far) = (register(Holding, 1, false), register(Holding, 40, true));
    let fast = [register(Holding, 0, false), register(Holding, 2, false)];
    let open = limits(125, &[(Holding, 0, 5)], &[]);
    let cost = Cost::serial(LINE, 0);
    let (of_tick, of_counters) = fast_and_slow(&fast, &[near, far], &open, &cost);
    assert_eq!(of_tick, [Request { table: Holding, address: 0, count: 3 }]);
    assert_eq!(of_counters, [Request { table: Holding, address: 40, count: 2 }]);
    assert_eq!(fast_and_slow(&[], &[far], &open, &cost), (of_counters, Vec::new()));
}

fn any_register() -> impl Strategy<Value = Register> {
    let table = prop::sample::select(vec![Table::Holding, Table::Input, Table::Coil, Table::Discrete]);
    (table, 0_u16..60, any::<bool>()).prop_map(|(table, address, wide)| register(table, address, wide))
}

/// All ways to cut sorted registers into consecutive reads, tried one by one.
fn least_by_trying(registers: &[Register], limits: &Limits, cost: &Cost) -> u64 {
    let fits = |part: &[Register]| {
        let begin = u32::from(part[0].address);
        let end = part.iter().map(|r| u32::from(r.address) + u32::from(r.raw.width())).max().unwrap();
        let covered = |a: u32| {
            part.iter().any(|r| u32::from(r.address) <= a && a < u32::from(r.address) + u32::from(r.raw.width()))
                || limits.readable.ranges.iter().any(|(_, f, l)| u32::from(*f) <= a && a <= u32::from(*l))
        };
        let legal = (part.len() == 1 || end - begin <= u32::from(limits.max_registers)) && (begin..end).all(covered);
        let request = Request { table: part[0].table, address: part[0].address, count: (end - begin) as u16 };
        legal.then(|| cost.of(request))
    };
    let n = registers.len();
    (0..1_u32 << (n - 1))
        .filter_map(|mask| {
            let mut total = 0;
            let mut begin = 0;
            for end in 1..=n {
                if end == n || mask >> (end - 1) & 1 == 1 {
                    total += fits(&registers[begin..end])?;
                    begin = end;
                }
            }
            Some(total)
        })
        .min()
        .unwrap()
}

proptest! {
    #[test]
    fn every_register_is_found_whole_and_nothing_else_is_asked_for(
        registers in prop::collection::vec(any_register(), 0..40),
        max in 2_u16..20,
        open in prop::collection::vec((0_u16..60, 0_u16..20), 0..3),
    ) {
        let open: Vec<_> = open.iter().map(|&(a, n)| (Table::Holding, a, a + n)).collect();
        let requests = requests(&registers, &limits(max, &open, &[]), &Cost::serial(LINE, 0));
        for register in &registers {
            prop_assert!(requests.iter().any(|r| r.holds(register).is_some()));
        }
        for request in &requests {
            let limit = if request.function() >= 3 { max } else { 2000 };
            prop_assert!(request.count <= limit);
            for address in request.address..request.address + request.count {
                prop_assert!(registers.iter().any(|r| r.table == request.table
                    && r.address <= address && address < r.address + r.raw.width())
                    || open.iter().any(|&(t, f, l)| t == request.table && f <= address && address <= l));
            }
        }
    }

    #[test]
    fn no_other_cut_is_cheaper(
        addresses in prop::collection::btree_set(0_u16..40, 1..9),
        max in 2_u16..20,
        open in (0_u16..40, 0_u16..40),
        delay in 0_u64..20_000_000,
    ) {
        let registers: Vec<Register> = addresses.iter().map(|&a| register(Table::Holding, a, false)).collect();
        let limits = limits(max, &[(Table::Holding, open.0, open.0 + open.1)], &[]);
        let cost = Cost::serial(LINE, delay);
        let total: u64 = requests(&registers, &limits, &cost).iter().map(|r| cost.of(*r)).sum();
        prop_assert_eq!(total, least_by_trying(&registers, &limits, &cost));
    }
}
