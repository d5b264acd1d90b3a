//! A simulated drive: a Modbus server with its own encoder, playing a scenario.
//!
//! ```text
//! scenario (what the file says) ─▶ plan (a day's movements, from the seed) ─▶ player (the state at an instant)
//!                                        └▶ truth, samples                        └▶ server ─▶ registers
//! ```
//!
//! Nothing here shares code with the drive side: what encodes must not be what decodes. A day's movements depend on
//! the seed and the date alone, so any instant can be played without playing the years before it.

mod course;
pub mod demo;
pub mod plan;
pub mod player;
pub mod registers;
pub mod scenario;
pub mod server;
#[cfg(test)]
mod wire_tests;

pub use course::{Motion, Segment};
pub use demo::demo_config;
pub use plan::{Plan, PlannedLift, Sampling, Truth};
pub use player::{Player, State};
pub use scenario::{Scenario, ScenarioError};
pub use server::serve;
