//! Samples on disk: the CSV that people exchange, and the recorder's own ring.
