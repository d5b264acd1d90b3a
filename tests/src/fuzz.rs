//! Inputs for a parser that others may feed: from a seed or from nothing, bytes are changed, cut, doubled, spliced and
//! strewn with pieces of the format, by numbers drawn from a fixed seed: a failure names the round, and comes again.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// No single input takes longer than this, by far, on whatever machine; a hang does.
const HANG: Duration = Duration::from_secs(60);

/// The seeds of a directory, one a file.
pub fn seeds_in(place: &Path) -> Vec<Vec<u8>> {
    let mut files: Vec<PathBuf> = place.read_dir().unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    assert!(!files.is_empty(), "{} has no seed", place.display());
    files.iter().map(|file| std::fs::read(file).unwrap()).collect()
}

/// A changed seed, or something of the pieces alone.
pub fn changed(random: &mut fastrand::Rng, seeds: &[Vec<u8>], pieces: &[&str]) -> Vec<u8> {
    let mut bytes = match random.u8(..8) {
        0 => (0..random.usize(..200)).map(|_| random.u8(..)).collect(),
        1 => (0..random.usize(..40)).flat_map(|_| pieces[random.usize(..pieces.len())].bytes()).collect(),
        _ => seeds[random.usize(..seeds.len())].clone(),
    };
    for _ in 0..random.usize(..6) {
        let at = random.usize(..=bytes.len());
        match random.u8(..7) {
            0 if at < bytes.len() => bytes[at] = random.u8(..),
            1 if at < bytes.len() => bytes[at] ^= 1 << random.u8(..8),
            2 => bytes.truncate(at),
            3 => bytes.insert(at, random.u8(..)),
            4 => {
                let piece = pieces[random.usize(..pieces.len())].as_bytes();
                bytes.splice(at..at, piece.iter().copied());
            }
            5 if bytes.len() < 20_000 => {
                let from = random.usize(..=at);
                let part = bytes[from..at].to_vec();
                bytes.splice(at..at, part);
            }
            _ => {
                let to = (at + random.usize(..16)).min(bytes.len());
                bytes.drain(at..to);
            }
        }
    }
    bytes
}

/// Puts `rounds` inputs, `times` as many in the long form, before a parser; `took` says whether one was accepted.
pub fn fuzz(parser: &str, seeds: &[Vec<u8>], rounds: u64, times: u64, pieces: &[&str], took: impl Fn(&[u8]) -> bool) {
    let long = std::env::var_os("TALLYHOOK_LONG").is_some();
    let rounds = if long { rounds * times } else { rounds };
    for (n, seed) in seeds.iter().enumerate() {
        took(seed);
        assert!(n > 0 || took(seed), "the first seed of {parser} is a good input");
    }
    let mut random = fastrand::Rng::with_seed(4_301);
    let (mut accepted, mut slowest) = (0_u64, Duration::ZERO);
    for round in 0..rounds {
        let input = changed(&mut random, seeds, pieces);
        let begun = Instant::now();
        match catch_unwind(AssertUnwindSafe(|| took(&input))) {
            Ok(good) => accepted += u64::from(good),
            Err(_) => {
                let file = std::env::temp_dir().join(format!("{parser}-{round}"));
                std::fs::write(&file, &input).unwrap();
                panic!("{parser} fell over at round {round}; the input is {}: add it to the corpus", file.display());
            }
        }
        slowest = slowest.max(begun.elapsed());
        assert!(slowest < HANG, "{parser} took {slowest:?} at round {round}");
    }
    println!("{parser}: {rounds} inputs, {accepted} accepted, {} seeds, slowest {slowest:?}", seeds.len());
    assert!(accepted > 0 && accepted < rounds, "{parser}: {accepted} of {rounds} accepted: one side was never tried");
}
