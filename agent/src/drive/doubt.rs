//! Which values of a first look cannot be true, and what to write instead.
//!
//! The limits are wide, common practice without a source: they are to find a wrong type, order or scale, not a crane at
//! its limits.

use tallyhook_analysis::sample::{Flag, Quantity};
use tallyhook_config::model::{Mechanism, RawType, Register, Signal, Table, Target};

use super::decode::Decoded;
use super::look::SignalLook;
use super::plan::Request;
use super::state::exception_words;

/// What is wrong with a signal, and the mend; a sentence each, without a full stop.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Doubt {
    /// What is wrong.
    pub what: String,
    /// What to do about it.
    pub mend: String,
}

/// Hours in a century: more than any counter has run.
const CENTURY_H: f64 = 876_600.0;

/// The least and the greatest value that a quantity of this mechanism can have, in its outside unit.
fn limits(mechanism: &Mechanism, quantity: Quantity) -> (f64, f64) {
    let rated = mechanism.spec.rated.as_kg();
    match quantity {
        // Below zero by a sling's weight, above rated by a test load; twice the rated load no crane lifts.
        Quantity::Load => (-0.5 * rated, 2.0 * rated + mechanism.spec.dead_load.as_kg()),
        Quantity::Torque => (-400.0, 400.0),
        Quantity::Speed => (-200.0, 200.0),
        Quantity::Height | Quantity::Trolley => (-500.0, 500.0),
        Quantity::Bridge => (-5000.0, 5000.0),
        Quantity::RunHours => (0.0, CENTURY_H),
        Quantity::Starts => (0.0, 1e9),
    }
}

/// Whether a value can be true, for its quantity.
fn believable(mechanism: &Mechanism, target: Target, register: Register, words: &[u16], value: Decoded) -> bool {
    match (target, value) {
        (_, Decoded::NotRead) => false,
        (Target::Quantity(quantity), Decoded::Number(number)) => {
            let (least, most) = limits(mechanism, quantity);
            (least..=most).contains(&quantity.to_outside(number)) && !nearly_nothing(register, words)
        }
        _ => true,
    }
}

/// A float that is not 0 but nearer to it than any reading of a machine is most often read in a wrong order.
fn nearly_nothing(register: Register, words: &[u16]) -> bool {
    let float = matches!(register.raw, RawType::F32(_) | RawType::F64(_));
    let number = super::decode::bits(register, words).and_then(|bits| super::decode::number(register.raw, bits));
    match number {
        Some(super::decode::Number::Float(value)) if float => value != 0.0 && value.abs() < 1e-9,
        _ => false,
    }
}

/// What is wrong with a signal that was answered.
pub(super) fn of(mechanism: &Mechanism, look: &SignalLook) -> Option<Doubt> {
    let SignalLook { signal, words, value, .. } = look;
    if look.says_no_value || believable(mechanism, signal.target, signal.register, words, *value) {
        return None;
    }
    let name = signal.target.name();
    let what = match (*value, signal.target) {
        (Decoded::Number(number), Target::Quantity(quantity)) => {
            let (least, most) = limits(mechanism, quantity);
            let shown = quantity.to_outside(number);
            if (least..=most).contains(&shown) {
                format!("the float is nearly, but not, 0, which no reading of `{name}` is")
            } else {
                format!("{shown} is no value that `{name}` can have; {least} to {most} is believed")
            }
        }
        _ => format!("the words are no {} that `{name}` can have", signal.register.raw.name()),
    };
    let believed: Vec<&Register> = look
        .others
        .iter()
        .filter(|(register, value)| believable(mechanism, signal.target, *register, words, *value))
        .map(|(register, _)| register)
        .collect();
    let mend = match believed.as_slice() {
        [] => "compare `address`, `table`, `type` and `scale` with the drive's manual".to_owned(),
        [first, ..] => format!("write {}, which gives a value that can be", order_keys(first, &signal.register)),
    };
    Some(Doubt { what, mend })
}

/// The keys in which a register's order differs from the configured one.
fn order_keys(register: &Register, configured: &Register) -> String {
    let mut keys = Vec::new();
    if register.raw.order() != configured.raw.order()
        && let Some(order) = register.raw.order()
    {
        keys.push(format!("word_order = \"{}\"", order.name()));
    }
    if register.bytes != configured.bytes {
        keys.push(format!("byte_order = \"{}\"", register.bytes.name()));
    }
    keys.join(", ")
}

/// A signal whose read the device refused.
pub(super) fn refused(signal: &Signal, request: Request, code: u8) -> Doubt {
    let Request { table, address, count } = request;
    let mend = match code {
        1 => "read it from another `table`: what is a holding register here is an input register elsewhere".to_owned(),
        2 | 3 => {
            let counted = u32::from(signal.register.address) + 1;
            let prefix = match table {
                Table::Coil => 0,
                Table::Discrete => 1,
                Table::Input => 3,
                Table::Holding => 4,
            };
            format!(
                "look the address up again: {} is what a manual that counts from 1 calls {counted} or {prefix}{counted:04}",
                signal.register.address
            )
        }
        10 | 11 => "see that the device is on and that `unit` is the number set on it".to_owned(),
        _ => "try again; if it stays, read fewer registers at a time with `max_registers`".to_owned(),
    };
    let last = u32::from(address) + u32::from(count).max(1) - 1;
    let range = if count == 1 { address.to_string() } else { format!("{address} to {last}") };
    Doubt { what: format!("refused at {} {range}: {}", table.name(), exception_words(code)), mend }
}

/// A mechanism that runs both ways at once.
pub(super) fn both_directions(looks: &mut [SignalLook]) {
    let on = |looks: &[SignalLook], mechanism: &str, flag| {
        looks.iter().any(|look| {
            look.mechanism == mechanism && look.signal.target == Target::Flag(flag) && look.value == Decoded::Flag(true)
        })
    };
    let both: Vec<bool> = looks
        .iter()
        .map(|look| on(looks, &look.mechanism, Flag::Raising) && on(looks, &look.mechanism, Flag::Lowering))
        .collect();
    for (look, both) in looks.iter_mut().zip(both) {
        if both && look.signal.target == Target::Flag(Flag::Lowering) && look.doubt.is_none() {
            look.doubt = Some(Doubt {
                what: format!("`{}` raises and lowers at once", look.mechanism),
                mend: "compare `bit`, `mask` and `match` of both with the drive's manual; perhaps one is `inverted`"
                    .to_owned(),
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::fixture;
    use super::*;
    use tallyhook_config::model::WordOrder;

    /// A look at one signal of a hoist of 16 t with these words, as a device would have answered it.
    fn look(signal: Signal, words: &[u16]) -> (Mechanism, SignalLook) {
        let config = fixture::config(vec![fixture::drive("d", "a:1", 100, 1000)], vec![vec![signal.clone()]]);
        let mechanism = config.cranes[0].mechanisms[0].clone();
        let bits = super::super::decode::bits(signal.register, words);
        let value = super::super::decode::signal(&signal, bits);
        let says_no_value = super::super::decode::says_no_value(&signal, bits);
        let request = Request { table: Table::Holding, address: 0, count: words.len() as u16 };
        let other = Register { raw: signal.register.raw.with_order(WordOrder::LowFirst), ..signal.register };
        let in_other_order = Signal { register: other, ..signal.clone() };
        let others = match signal.register.raw.order() {
            Some(_) => {
                vec![(other, super::super::decode::signal(&in_other_order, super::super::decode::bits(other, words)))]
            }
            None => Vec::new(),
        };
        let look = SignalLook {
            mechanism: mechanism.id.clone(),
            signal,
            request,
            words: words.to_vec(),
            raw: None,
            value,
            says_no_value,
            text: None,
            others,
            doubt: None,
        };
        (mechanism, look)
    }

    fn load(raw: RawType, words: &[u16]) -> Option<Doubt> {
        let signal = fixture::signal(Target::Quantity(Quantity::Load), "d", Table::Holding, 0, raw);
        let (mechanism, look) = look(signal, words);
        of(&mechanism, &look)
    }

    #[test]
    fn a_load_is_believed_up_to_twice_the_rated_one() {
        assert_eq!(load(RawType::U16, &[0]), None);
        assert_eq!(load(RawType::U16, &[32_000]), None);
        let doubt = load(RawType::U16, &[32_001]).unwrap();
        assert!(doubt.what.starts_with("32001 is no value that `load_kg` can have"), "{doubt:?}");
        assert!(doubt.mend.contains("`scale`"), "{doubt:?}");
        assert!(load(RawType::I16, &[0x8000]).is_some());
        assert!(load(RawType::Bcd16, &[0x00AB]).unwrap().what.contains("no bcd16"));
    }

    #[test]
    fn another_order_that_can_be_is_the_mend() {
        let doubt = load(RawType::I32(WordOrder::HighFirst), &[0x1F40, 0x0000]).unwrap();
        assert!(doubt.mend.contains("word_order = \"low-first\""), "{doubt:?}");
        // 8000.0 is 0x45FA0000; the words turned round are 2.4e-41, which is no load.
        let doubt = load(RawType::F32(WordOrder::HighFirst), &[0x0000, 0x45FA]).unwrap();
        assert!(doubt.what.contains("nearly, but not, 0"), "{doubt:?}");
        assert!(doubt.mend.contains("low-first"), "{doubt:?}");
        assert_eq!(load(RawType::F32(WordOrder::LowFirst), &[0x0000, 0x45FA]), None);
        assert_eq!(load(RawType::F32(WordOrder::HighFirst), &[0, 0]), None, "0 is a load");
    }

    #[test]
    fn a_device_that_says_that_it_has_no_value_is_no_fault() {
        let mut signal = fixture::signal(Target::Quantity(Quantity::Load), "d", Table::Holding, 0, RawType::I16);
        signal.invalid = vec![0x8000];
        let (mechanism, look) = look(signal, &[0x8000]);
        assert_eq!((of(&mechanism, &look), look.value, look.says_no_value), (None, Decoded::NotRead, true));
    }

    #[test]
    fn nothing_runs_both_ways_at_once() {
        let flag = |flag, bit| fixture::signal(Target::Flag(flag), "d", Table::Holding, 0, RawType::Bit(bit));
        let mut looks = vec![
            look(flag(Flag::Raising, 0), &[0b11]).1,
            look(flag(Flag::Lowering, 1), &[0b11]).1,
            look(flag(Flag::Fault, 0), &[0b11]).1,
        ];
        both_directions(&mut looks);
        let doubts: Vec<bool> = looks.iter().map(|look| look.doubt.is_some()).collect();
        assert_eq!(doubts, [false, true, false]);
        looks[1] = look(flag(Flag::Lowering, 1), &[0b01]).1;
        both_directions(&mut looks);
        assert!(looks.iter().all(|look| look.doubt.is_none()));
    }

    #[test]
    fn a_refused_address_is_shown_as_manuals_count() {
        let signal = fixture::signal(Target::Quantity(Quantity::Speed), "d", Table::Input, 100, RawType::I16);
        let request = Request { table: Table::Input, address: 98, count: 4 };
        let doubt = refused(&signal, request, 2);
        assert_eq!(doubt.what, "refused at input 98 to 101: it has no such address (exception 2)");
        assert!(doubt.mend.contains("101 or 30101"), "{doubt:?}");
    }
}
