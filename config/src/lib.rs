//! Tallyhook's configuration: text in, a checked [`model::Config`] or all its faults out. Opens no socket and no file.
//!
//! ```
//! use tallyhook_config::{StarterOptions, load, starter};
//! let config = load(&starter(&StarterOptions::default()), "tallyhook.toml").unwrap();
//! assert_eq!(config.cranes[0].mechanisms[0].id, "main-hoist");
//!
//! let faults = load("[drive.main]\naddress = \"192.0.2.10:502\"\npoll = \"-1s\"\n", "bad.toml").unwrap_err();
//! assert!(faults.iter().any(|f| f.line == 3), "all faults at once, each with its line:\n{faults}");
//! ```
//!
//! Each key, with unit, range and default, stands in `reference.md` beside this crate's manifest.

mod bus;
mod carries;
mod check;
mod codes;
mod counter;
mod credential;
mod drive;
mod fault;
mod keys;
mod load;
mod mechanism;
pub mod model;
mod profile;
mod publish;
mod rational;
mod raw;
mod reference;
mod register;
mod registers;
mod servers;
mod signal;
mod starter;
mod tls;
pub mod wire;
mod word;
mod written;

pub use check::{Loaded, load, load_bytes, load_with_profiles};
pub use credential::credential;
pub use fault::{Fault, Faults};
pub use profile::ProfileText;
pub use publish::TEMPLATE_FIELDS;
pub use reference::reference;
pub use signal::believed;
pub use starter::{StarterOptions, starter};
