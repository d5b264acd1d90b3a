//! What was wrong when the daemon ended, read from the findings that it told: so that after a restart nothing of it is
//! told a second time, and its end is.

use std::collections::{BTreeMap, BTreeSet};

use crate::figures::{self, FindingFigures};
use crate::store::message::{Message, MessageKind};
use crate::store::{MessageFilter, Reader, StoreError};

/// Findings about the record as a whole that begin and end.
const OF_THE_SITE: [&str; 5] = ["not_recorded", "backup", "outbox", "budget", "raw_samples"];

/// The newest findings that are looked at; what is older and still stands is told once more.
const LOOKED_AT: u64 = 2_000;

/// What still stood.
#[derive(Debug, Default)]
pub struct Standing {
    /// Drives whose silence was told.
    pub silent: BTreeSet<String>,
    /// Findings about the record as a whole.
    pub site: BTreeMap<&'static str, FindingFigures>,
}

/// Reads what stood at the end of the last run.
///
/// # Errors
/// When the store cannot be read.
pub fn read(history: &Reader) -> Result<Standing, StoreError> {
    let filter = MessageFilter {
        kind: Some(MessageKind::Finding),
        limit: Some(LOOKED_AT),
        newest_first: true,
        ..MessageFilter::default()
    };
    let mut seen = BTreeSet::new();
    let mut standing = Standing::default();
    for (_, message) in history.messages(&filter)? {
        let text = |field: &str| message.body[field].as_str().unwrap_or_default().to_owned();
        let (finding, drive) = (text("finding"), text("drive"));
        let is_newest = seen.insert((finding.clone(), drive.clone()));
        if !is_newest || message.body["raised"] != true {
            continue;
        }
        if finding == "silence" {
            standing.silent.insert(drive);
        } else if let Some(name) = OF_THE_SITE.into_iter().find(|name| *name == finding) {
            standing.site.insert(name, figures_of(name, &message));
        }
    }
    Ok(standing)
}

fn figures_of(finding: &'static str, message: &Message) -> FindingFigures {
    let text = message.body["text"].as_str().unwrap_or_default().to_owned();
    FindingFigures { finding, since: figures::rfc3339(message.at), text }
}
