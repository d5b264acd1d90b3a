//! A block of a recording: its samples as the differences from one to the next, under a checksum.
//!
//! ```text
//! block    length of payload (u32 LE) · CRC-32 of payload (u32 LE) · payload
//! payload  a sample after the other, the first as the difference from all zeros
//! sample   Δtime · which values moved (u8) · marks (u8) · [known values (u8)] · [known flags, flags on (u8, u8)] · Δvalue…
//! ```
//! Differences are zigzag varints. Marks: bit 0, the known values changed; bit 1, the flags did. A value that is not
//! read keeps its last figure in the reckoning, so a short silence costs nothing.

use tallyhook_analysis::batch::Batch;
use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_analysis::units::Timestamp;

/// Bytes before the payload.
pub(super) const BLOCK_HEAD: usize = 8;

const VALUES_CHANGED: u8 = 1;
const FLAGS_CHANGED: u8 = 2;
/// The load's bit among the values.
const LOAD: u8 = 1 << Quantity::Load as u8;

/// What the next sample is the difference from.
#[derive(Clone, Copy, Default, Debug)]
struct Reference {
    at: i64,
    values: [i64; 8],
    known: u8,
    flags_known: u8,
    flags_on: u8,
}

/// A block that is being filled.
#[derive(Default, Debug)]
pub(super) struct BlockWriter {
    /// Head and payload; the head is filled in at the end.
    bytes: Vec<u8>,
    reference: Reference,
    first: i64,
    count: usize,
}

impl BlockWriter {
    /// Samples in it.
    pub fn count(&self) -> usize {
        self.count
    }

    /// The instant of its first sample; `None` while it is empty.
    pub fn first_ms(&self) -> Option<i64> {
        (self.count > 0).then_some(self.first)
    }

    /// Time from its first sample to `at`, milliseconds; negative when the clock went back.
    pub fn age_ms(&self, at: Timestamp) -> i64 {
        at.as_ms().saturating_sub(self.first)
    }

    pub fn push(&mut self, sample: &Sample) {
        if self.count == 0 {
            self.bytes.clear();
            self.bytes.resize(BLOCK_HEAD, 0);
            self.reference = Reference::default();
            self.first = sample.at.as_ms();
        }
        self.count += 1;
        let mut next = Reference { at: sample.at.as_ms(), values: self.reference.values, ..Reference::default() };
        for quantity in Quantity::ALL {
            if let Some(value) = sample.get(quantity) {
                next.values[quantity as usize] = value;
                next.known |= 1 << quantity as u8;
            }
        }
        for flag in Flag::ALL {
            if let Some(on) = sample.flag(flag) {
                next.flags_known |= 1 << flag as u8;
                next.flags_on |= u8::from(on) << flag as u8;
            }
        }
        let before = &self.reference;
        let moved = (0..8).filter(|&slot| next.values[slot] != before.values[slot]).fold(0_u8, |m, s| m | 1 << s);
        let flags_changed = (next.flags_known, next.flags_on) != (before.flags_known, before.flags_on);
        let values_changed = next.known != before.known;
        put_signed(&mut self.bytes, next.at.wrapping_sub(before.at));
        self.bytes.push(moved);
        self.bytes.push((u8::from(values_changed) * VALUES_CHANGED) | (u8::from(flags_changed) * FLAGS_CHANGED));
        if values_changed {
            self.bytes.push(next.known);
        }
        if flags_changed {
            self.bytes.extend([next.flags_known, next.flags_on]);
        }
        for slot in (0..8).filter(|slot| moved & (1 << slot) != 0) {
            put_signed(&mut self.bytes, next.values[slot].wrapping_sub(before.values[slot]));
        }
        self.reference = next;
    }

    /// The whole block, ready for the file. [`BlockWriter::clear`] begins the next.
    pub fn seal(&mut self) -> &[u8] {
        let length = (self.bytes.len() - BLOCK_HEAD) as u32;
        let sum = crc32fast::hash(&self.bytes[BLOCK_HEAD..]);
        self.bytes[..4].copy_from_slice(&length.to_le_bytes());
        self.bytes[4..BLOCK_HEAD].copy_from_slice(&sum.to_le_bytes());
        &self.bytes
    }

    pub fn clear(&mut self) {
        self.count = 0;
    }
}

/// What stands at the beginning of some bytes.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Found<'a> {
    /// A whole block: its payload.
    Block(&'a [u8]),
    /// A block of that many bytes, payload and head, whose checksum does not hold.
    Broken(usize),
    /// The bytes end before the block does.
    Torn,
}

/// Looks at the block at the beginning of `bytes`.
pub(super) fn find(bytes: &[u8]) -> Found<'_> {
    let Some((head, rest)) = bytes.split_first_chunk::<BLOCK_HEAD>() else { return Found::Torn };
    let [l0, l1, l2, l3, s0, s1, s2, s3] = *head;
    let length = u32::from_le_bytes([l0, l1, l2, l3]) as usize;
    match rest.get(..length) {
        // No block is empty; zeros are what a disk leaves of a tail that it had not written yet.
        _ if length == 0 => Found::Torn,
        None => Found::Torn,
        Some(payload) if crc32fast::hash(payload) == u32::from_le_bytes([s0, s1, s2, s3]) => Found::Block(payload),
        Some(_) => Found::Broken(BLOCK_HEAD + length),
    }
}

/// Reads all samples of a payload to the end of `out`; `None` when it is not what [`BlockWriter`] writes.
pub(super) fn decode(payload: &[u8], out: &mut Batch) -> Option<()> {
    let mut rest = payload;
    let mut reference = Reference::default();
    // Each sample is the one before it with what has changed.
    let mut sample = Sample::default();
    while !rest.is_empty() {
        let whole = rest;
        let step = take_signed(&mut rest)?;
        reference.at = reference.at.wrapping_add(step);
        let moved = take_byte(&mut rest)?;
        let marks = take_byte(&mut rest)?;
        let head = whole.len() - rest.len();
        if marks & !(VALUES_CHANGED | FLAGS_CHANGED) != 0 {
            return None;
        }
        if marks & VALUES_CHANGED != 0 {
            reference.known = take_byte(&mut rest)?;
        }
        if marks & FLAGS_CHANGED != 0 {
            reference.flags_known = take_byte(&mut rest)?;
            reference.flags_on = take_byte(&mut rest)?;
            for flag in Flag::ALL {
                let bit = 1 << flag as u8;
                sample.set_flag(flag, (reference.flags_known & bit != 0).then_some(reference.flags_on & bit != 0));
            }
        }
        let mut left = moved;
        while left != 0 {
            let slot = left.trailing_zeros() as usize;
            left &= left - 1;
            reference.values[slot] = reference.values[slot].wrapping_add(take_signed(&mut rest)?);
            if reference.known & (1 << slot) != 0 {
                sample.set(Quantity::ALL[slot], Some(reference.values[slot]));
            }
        }
        if marks & VALUES_CHANGED != 0 {
            for quantity in Quantity::ALL {
                let known = reference.known & (1 << quantity as u8) != 0;
                sample.set(quantity, known.then_some(reference.values[quantity as usize]));
            }
        }
        sample.at = Timestamp::from_ms(reference.at);
        out.push(sample);
        if reference.known & LOAD != 0 {
            let time = &whole[..head - 2];
            rest = match time.len() {
                1 => alike::<3>(time, step, rest, &mut reference, &mut sample, out),
                2 => alike::<4>(time, step, rest, &mut reference, &mut sample, out),
                // Of eight bytes, four are left for the difference.
                _ => rest,
            };
        }
    }
    Some(())
}

/// Samples that [`alike`] takes at once.
const AT_ONCE: usize = 64;

/// Takes the samples at the front that differ from the one before them in nothing but the load, if in that, and come after
/// the same `step`, which is written as `time`; what is left begins with something else, or with a long number. The same
/// as [`decode`] sample by sample, but no branch hangs on a number's length, which in a trembling signal nobody can
/// foresee: first each number's bytes are found, then all numbers are made of them, then they are added up.
/// `HEAD`: bytes before the difference, which are the time and two more.
fn alike<'a, const HEAD: usize>(
    time: &[u8],
    step: i64,
    rest: &'a [u8],
    reference: &mut Reference,
    sample: &mut Sample,
    out: &mut Batch,
) -> &'a [u8] {
    let same = time.iter().rev().fold(0_u64, |word, &byte| word << 8 | u64::from(byte));
    let moved = same | u64::from(LOAD) << (8 * time.len());
    let Ok(mut load) = i32::try_from(reference.values[Quantity::Load as usize]) else { return rest };
    let (mut left, mut count) = (rest, 0);
    out.push_even(*sample, step, |loads| {
        loop {
            let mut digits = [0_u32; AT_ONCE];
            let (mut taken, mut used) = gather::<HEAD>(left, moved, same, &mut digits);
            let (mut steps, mut all) = ([0_i32; AT_ONCE], 0);
            for (step, digits) in steps.iter_mut().zip(digits) {
                let zigzag = digits & 0x7f | digits >> 1 & 0x3f80 | digits >> 2 & 0x1f_c000 | digits >> 3 & 0xfe0_0000;
                all |= zigzag;
                *step = (zigzag >> 1) as i32 ^ -((zigzag & 1) as i32);
            }
            let furthest = u64::from(load.unsigned_abs()) + (u64::from(all >> 1) + 1) * AT_ONCE as u64;
            if furthest > i32::MAX as u64 {
                let mut now = i64::from(load);
                let fits = |step: &&i32| {
                    now += i64::from(**step);
                    i32::try_from(now).is_ok()
                };
                let fit = steps[..taken].iter().take_while(fits).count();
                (taken, used) = gather::<HEAD>(left, moved, same, &mut digits[..fit]);
            }
            loads.extend(steps[..taken].iter().map(|step| {
                load += *step;
                load
            }));
            (left, count) = (left.get(used..).unwrap_or_default(), count + taken as i64);
            if taken < AT_ONCE {
                break;
            }
        }
    });
    reference.at = reference.at.wrapping_add(step.wrapping_mul(count));
    reference.values[Quantity::Load as usize] = i64::from(load);
    sample.at = Timestamp::from_ms(reference.at);
    sample.set(Quantity::Load, Some(i64::from(load)));
    left
}

/// The bytes of the difference of each sample that [`alike`] takes, as many as there are and have room; how many they were,
/// and how many bytes they took.
#[inline]
fn gather<const HEAD: usize>(rest: &[u8], moved: u64, same: u64, into: &mut [u32]) -> (usize, usize) {
    let mask = (1_u64 << (8 * HEAD)) - 1;
    let (mut from, mut taken) = (0_usize, 0);
    // None of eight samples is longer than eight bytes.
    let (eights, _) = into.as_chunks_mut::<8>();
    for eight in eights {
        let Some(window) = rest.get(from..).and_then(<[u8]>::first_chunk::<64>) else { break };
        // Where the next number ends hangs on where the last one did; so this is made out for all of them beforehand, and
        // only a shift is left to wait for.
        let mut ends = ends_of(window) >> HEAD;
        let (mut at, before) = (0_usize, taken);
        for digits in eight {
            let Some(word) = window.get(at..).and_then(<[u8]>::first_chunk).map(|word| u64::from_le_bytes(*word))
            else {
                break;
            };
            let head = word & mask;
            if head == moved {
                let places = ends.trailing_zeros() as usize;
                let Some(number) = NUMBERS.get(places) else { break };
                *digits = (word >> (8 * HEAD)) as u32 & number;
                ends = ends >> places >> (HEAD + 1);
                at += HEAD + 1 + places;
            } else if head == same {
                ends >>= HEAD;
                at += HEAD;
            } else {
                break;
            }
            taken += 1;
        }
        from += at;
        if taken < before + 8 {
            return (taken, from);
        }
    }
    for digits in into.get_mut(taken..).unwrap_or_default() {
        let Some(word) = rest.get(from..).and_then(<[u8]>::first_chunk).map(|word| u64::from_le_bytes(*word)) else {
            break;
        };
        let head = word & mask;
        if head == moved {
            let number = (word >> (8 * HEAD)) as u32;
            // The last byte of a number is the first without its highest bit.
            let ends = !number & 0x8080_8080;
            if ends == 0 {
                break;
            }
            *digits = number & (ends ^ (ends - 1));
            from += HEAD + 1 + ends.trailing_zeros() as usize / 8;
        } else if head == same {
            from += HEAD;
        } else {
            break;
        }
        taken += 1;
    }
    (taken, from)
}

/// The bytes of a number by the place of its last one.
const NUMBERS: [u32; 4] = [0xff, 0xffff, 0xff_ffff, 0xffff_ffff];

/// A bit for each byte at which a number can end: those without their highest bit.
#[inline]
fn ends_of(window: &[u8; 64]) -> u64 {
    let (words, _) = window.as_chunks::<8>();
    words.iter().rev().fold(0, |bits, word| {
        let ends = !u64::from_le_bytes(*word) & 0x8080_8080_8080_8080;
        // Brings the eight bits together at the top.
        bits << 8 | (ends >> 7).wrapping_mul(0x0102_0408_1020_4080) >> 56
    })
}

fn put_signed(out: &mut Vec<u8>, value: i64) {
    let mut rest = ((value << 1) ^ (value >> 63)) as u64;
    while rest >= 0x80 {
        out.push(rest as u8 | 0x80);
        rest >>= 7;
    }
    out.push(rest as u8);
}

/// A number of at most four bytes at the front of a word, and its length.
#[inline]
fn short(word: u64) -> Option<(u64, usize)> {
    let ends = !word & 0x8080_8080;
    if ends == 0 {
        return None;
    }
    let top = ends.trailing_zeros();
    let bytes = word & (u64::MAX >> (63 - top));
    let number = bytes & 0x7f | bytes >> 1 & 0x3f80 | bytes >> 2 & 0x1f_c000 | bytes >> 3 & 0xfe0_0000;
    Some((number, top as usize / 8 + 1))
}

const fn unfold(zigzag: u64) -> i64 {
    (zigzag >> 1) as i64 ^ -((zigzag & 1) as i64)
}

#[inline]
fn take_signed(bytes: &mut &[u8]) -> Option<i64> {
    let (zigzag, length) = match bytes.first_chunk().and_then(|word| short(u64::from_le_bytes(*word))) {
        Some(short) => short,
        None => long(bytes)?,
    };
    *bytes = bytes.get(length..)?;
    Some(unfold(zigzag))
}

/// A number of any length, and its length.
fn long(bytes: &[u8]) -> Option<(u64, usize)> {
    let mut zigzag = 0_u64;
    for (place, &byte) in bytes.iter().take(10).enumerate() {
        zigzag |= u64::from(byte & 0x7f) << (7 * place);
        if byte & 0x80 == 0 {
            return Some((zigzag, place + 1));
        }
    }
    None
}

#[inline]
fn take_byte(bytes: &mut &[u8]) -> Option<u8> {
    let (first, rest) = bytes.split_first()?;
    *bytes = rest;
    Some(*first)
}
