//! Tallyhook's configuration: text in, a checked [`model::Config`] or all its faults out. Opens no socket and no file.

pub mod model;
