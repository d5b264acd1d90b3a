//! The harness of the end-to-end tests: a cabinet in a temporary directory, the built binary in it, and real peers on
//! free ports.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a harness that cannot go on stops the test")]
#![allow(clippy::disallowed_methods, reason = "a test waits in real time for programs that are not ours")]

pub mod cabinet;
pub mod counting_drive;
pub mod fuzz;
pub mod gate;
pub mod hoist;
pub mod manager;
pub mod modbus;
pub mod page;
pub mod panel;
pub mod peers;
pub mod plan;
pub mod receiver;
pub mod series;
pub mod yard;
