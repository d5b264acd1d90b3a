//! The product's stories, end to end: the built binary against real peers.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "tests")]

mod broken_configurations;
mod demo;
mod live_run;
mod outage;
mod replay;
mod silent_drive;
