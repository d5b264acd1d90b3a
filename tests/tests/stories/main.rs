//! The product's stories, end to end: the built binary against real peers.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "tests")]

mod access;
mod broken_configurations;
mod broker_killed;
mod calibration;
mod demo;
mod exports;
mod first_look;
mod interface;
mod outage;
mod panel_types;
mod reload;
mod replay;
mod report;
mod silent_drive;
mod slow_bus;
mod telling;
mod told_at_once;
mod watchdog;
mod wrong_use;
