//! The daemon: wiring, and the one loop that everything wakes.
