//! The simulated drive's registers, and how values are put into them.
//!
//! This is the device's side: it shares nothing with the decoder, so that a mistake in either shows.

use super::course::Motion;
use super::player::State;

/// One line of the register map.
#[derive(Clone, Copy, Debug)]
pub struct Line {
    /// Protocol address of the first register, the same among holding and input registers.
    pub address: u16,
    /// How many registers.
    pub width: u16,
    /// Type, as the configuration writes it.
    pub kind: &'static str,
    /// What it holds.
    pub holds: &'static str,
}

/// The register map: holding registers (function 3) and input registers (function 4) alike.
#[rustfmt::skip]
pub const MAP: [Line; 9] = [
    Line { address: 0,  width: 2, kind: "i32, high word first", holds: "load, 0.1 kg" },
    Line { address: 2,  width: 1, kind: "bits",                 holds: "status word, see STATUS" },
    Line { address: 3,  width: 1, kind: "i16",                  holds: "speed, 0.1 %, negative while lowering" },
    Line { address: 4,  width: 1, kind: "u16",                  holds: "height of the hook, mm" },
    Line { address: 5,  width: 1, kind: "i16",                  holds: "motor torque, 0.1 %" },
    Line { address: 6,  width: 2, kind: "u32, high word first", holds: "running time, s" },
    Line { address: 8,  width: 2, kind: "u32, high word first", holds: "starts" },
    Line { address: 10, width: 2, kind: "f32, low word first",  holds: "load, kg" },
    Line { address: 12, width: 1, kind: "u16",                  holds: "the map's mark, always 5417" },
];

/// The bits of the status word; coils (function 1) and discrete inputs (function 2) 0 to 8 are the same.
pub const STATUS: [&str; 9] =
    ["ready", "raising", "lowering", "brake open", "overload", "upper limit", "lower limit", "slack rope", "fault"];

/// The mark at the end of the map.
const MARK: u16 = 5417;

/// All registers, from address 0.
pub fn words(state: &State) -> [u16; 13] {
    let mut bytes = Vec::with_capacity(26);
    bytes.extend(((state.load_kg * 10.0).round() as i32).to_be_bytes());
    bytes.extend(status(state).to_be_bytes());
    bytes.extend(((state.speed_pct * 10.0).round() as i16).to_be_bytes());
    bytes.extend(((state.height_m * 1000.0).round() as u16).to_be_bytes());
    bytes.extend(((state.torque_pct * 10.0).round() as i16).to_be_bytes());
    bytes.extend(((state.running_ms / 1000) as u32).to_be_bytes());
    bytes.extend((state.starts as u32).to_be_bytes());
    let [a, b, c, d] = (state.load_kg as f32).to_be_bytes();
    bytes.extend([c, d, a, b]);
    bytes.extend(MARK.to_be_bytes());
    let mut words = [0; 13];
    for (word, pair) in words.iter_mut().zip(bytes.chunks_exact(2)) {
        *word = pair.iter().fold(0, |word, &byte| word << 8 | u16::from(byte));
    }
    words
}

/// The status word.
fn status(state: &State) -> u16 {
    let runs = state.motion != Motion::Still;
    let bits = [
        true,
        state.motion == Motion::Raising,
        state.motion == Motion::Lowering,
        runs,
        state.overload,
        false,
        false,
        false,
        false,
    ];
    bits.iter().enumerate().fold(0, |word, (bit, &on)| word | u16::from(on) << bit)
}

/// The status bits as contacts.
pub fn contacts(state: &State) -> [bool; 9] {
    let word = status(state);
    std::array::from_fn(|bit| word & 1 << bit != 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_map_is_what_is_encoded() {
        let state = State {
            motion: Motion::Lowering,
            load_kg: 12_345.6,
            height_m: 4.321,
            speed_pct: -100.0,
            torque_pct: 79.0,
            overload: false,
            running_ms: 70_000_999,
            starts: 65_538,
        };
        // By hand: 123456 = 0x0001_E240; -1000 = 0xFC18; 70000 = 0x0001_1170; 12345.6f32 = 0x4640_E666.
        let expected =
            [0x0001, 0xE240, 0b1101, 0xFC18, 4321, 790, 0x0001, 0x1170, 0x0001, 0x0002, 0xE666, 0x4640, 5417];
        assert_eq!(words(&state), expected);
        assert_eq!(contacts(&state)[..4], [true, false, true, true]);
        let mut next = 0;
        for line in MAP {
            assert_eq!(line.address, next, "{}", line.holds);
            next += line.width;
        }
        assert_eq!(usize::from(next), expected.len());
    }
}
