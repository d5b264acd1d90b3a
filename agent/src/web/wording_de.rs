//! German. A place in braces keeps its English name.

use super::wording::{ENGLISH, Wording};

/// German.
pub static GERMAN: Wording = Wording { language: "de", ..ENGLISH };
