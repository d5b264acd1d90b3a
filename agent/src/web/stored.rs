//! The page's history, read from the store.

use std::path::PathBuf;

use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::recorder::Gap;
use tallyhook_analysis::spectrum::Totals;
use tallyhook_analysis::units::Timestamp;

use super::source::History;
use crate::store::message::{Message, MessageKind};
use crate::store::{LiftFilter, MessageFilter, Reader};

/// The store in a directory. Each question opens a reader of its own: readers do not hold the writer up, and a view
/// asks a handful.
pub struct Stored(pub PathBuf);

impl Stored {
    fn reader(&self) -> Result<Reader, String> {
        Reader::open(&self.0).map_err(|error| error.to_string())
    }
}

impl History for Stored {
    fn lifts(&self, mechanism: &str, limit: usize, before: Option<Timestamp>) -> Result<Vec<Lift>, String> {
        let filter = LiftFilter {
            mechanism: Some(mechanism),
            to: before,
            limit: Some(limit as u64),
            newest_first: true,
            ..LiftFilter::default()
        };
        let found = self.reader()?.lifts(&filter).map_err(|error| error.to_string())?;
        Ok(found.into_iter().map(|stored| stored.lift).collect())
    }

    fn days(&self, mechanism: &str, from: i32, to: i32) -> Result<Vec<(i32, Totals)>, String> {
        self.reader()?.days(mechanism, from, to).map_err(|error| error.to_string())
    }

    fn gaps(&self, mechanism: &str, limit: usize) -> Result<Vec<Gap>, String> {
        let mut gaps = self.reader()?.gaps(mechanism, None, None).map_err(|error| error.to_string())?;
        gaps.reverse();
        gaps.truncate(limit);
        Ok(gaps)
    }

    fn messages(&self, mechanism: &str, kinds: &[MessageKind], limit: usize) -> Result<Vec<Message>, String> {
        let reader = self.reader()?;
        let mut found = Vec::new();
        for &kind in kinds {
            let filter = MessageFilter {
                kind: Some(kind),
                mechanism: Some(mechanism),
                limit: Some(limit as u64),
                newest_first: true,
                ..MessageFilter::default()
            };
            found.extend(reader.messages(&filter).map_err(|error| error.to_string())?);
        }
        found.sort_by_key(|(_, m)| std::cmp::Reverse(m.at));
        found.truncate(limit);
        Ok(found.into_iter().map(|(_, message)| message).collect())
    }
}
