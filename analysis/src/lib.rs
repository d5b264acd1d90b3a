//! Load spectra, duty groups and safe working periods of crane mechanisms, as pure arithmetic.
//!
//! Samples become standing time and lifts ([`recorder`], [`lift`]); those fill load bands and exact sums
//! ([`spectrum`]); the sums give the used part of a design duty. Nothing in this crate reads a clock, a file or a
//! socket, and nothing in it is random without a seed: the same input gives the same bits.
//!
//! # Symbols
//!
//! | symbol | meaning | unit | where |
//! | --- | --- | --- | --- |
//! | P, Prated | load on the hook; rated load (safe working load) | kg | [`units::Grams`] |
//! | T | running time, hoisting and lowering | h | [`spectrum::Totals::running_hours`] |
//! | km | load spectrum factor, by running time, cubic | – | [`spectrum::Totals::load_spectrum_factor`] |
//! | Kp | load spectrum factor, by lifts, cubic | – | [`spectrum::Totals::cycle_spectrum_factor`] |
//!
//! This crate supports an inspection by a competent person; it is not one, and it is no safety device.

pub mod account;
pub mod batch;
pub mod class;
pub mod cmaa;
pub mod counter;
pub mod daily;
pub mod damage;
pub mod duty;
pub mod en13001;
pub mod forecast;
pub mod gapbook;
pub mod histogram;
pub mod hst;
pub mod in_use;
pub mod lift;
pub mod load;
pub mod mark;
pub mod period;
pub mod rainflow;
pub mod recorder;
pub mod rope;
pub mod sample;
pub mod seed;
pub mod selection;
pub mod service;
pub mod severity;
pub mod spectrum;
pub mod units;
pub mod watch;
pub mod wear;
pub mod whatif;
