//! Everything that Tallyhook does to the world: reading drives, storing, telling, showing. The arithmetic is in
//! `tallyhook-analysis`, the configuration in `tallyhook-config`.
//!
//! A drive is polled; registers become a sample; samples become standing time and lifts; those fill a spectrum; the
//! spectrum gives used life; all is stored first, then told to others.

pub mod access;
pub mod clock;
pub mod commands;
pub mod course;
pub mod credentials;
pub mod daemon;
pub mod drive;
pub mod exit;
pub mod figures;
pub mod publish;
pub mod report;
pub mod samples;
pub mod simulate;
pub mod store;
pub mod web;
