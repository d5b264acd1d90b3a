//! The seal of what no entry of the chain holds yet: the open day with its lifts and hours, what the account goes on
//! from, and where the chain ends. Every transaction that changes one of them writes it anew, so that whatever is
//! changed beside the daemon is found before the day closes.
//!
//! It never leaves the house: against somebody who knows how it is made only the anchors help.

use rusqlite::{Connection, OptionalExtension as _, params};
use serde::{Deserialize, Serialize};

use super::chain;
use super::gap_seal;

/// Digests, hexadecimal, of what stands open of one mechanism.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct OpenSeal {
    /// The newest day of the record, days since 1970-01-01.
    pub(super) day: Option<i32>,
    /// Of that day's sums, its lifts and its hours.
    pub(super) sums: Option<String>,
    /// Of the gaps and flags since the last day that is closed.
    pub(super) gaps_and_flags: String,
    /// Of the book's row, but for the seal itself.
    pub(super) book: String,
    /// Hash of the chain's last entry.
    pub(super) entry: Option<String>,
}

impl OpenSeal {
    /// As it follows from what stands in the tables; `None` for a mechanism without a book.
    pub(super) fn now(connection: &Connection, key: i64) -> rusqlite::Result<Option<OpenSeal>> {
        let book = connection
            .prepare_cached("SELECT at_ms, state, warn_crossed FROM book WHERE mechanism = ?1")?
            .query_row([key], |row| {
                let at = row.get::<_, i64>(0)?.to_string();
                let (state, crossed) = (row.get_ref(1)?.as_bytes()?, row.get_ref(2)?.as_bytes()?);
                // The state's length, so that no byte can pass from it to what is behind it.
                let length = state.len().to_string();
                Ok(chain::digest(&[at.as_bytes(), b"\n", length.as_bytes(), b"\n", state, crossed]))
            })
            .optional()?;
        let Some(book) = book else { return Ok(None) };
        let day: Option<i32> = connection
            .prepare_cached("SELECT max(day) FROM day WHERE mechanism = ?1")?
            .query_row([key], |row| row.get(0))?;
        let sums = match day {
            Some(day) => {
                chain::seal(connection, key, day)?.map(|sealed| chain::digest(&[sealed.to_string().as_bytes()]))
            }
            None => None,
        };
        let gaps_and_flags = gap_seal::open(connection, key)?;
        Ok(Some(OpenSeal { day, sums, gaps_and_flags, book, entry: chain::last_hash(connection, key)? }))
    }

    /// The one that the last commit left; `None` where there is none that can be read.
    pub(super) fn standing(connection: &Connection, key: i64) -> rusqlite::Result<Option<OpenSeal>> {
        let text: Option<String> = connection
            .prepare_cached("SELECT seal FROM book WHERE mechanism = ?1")?
            .query_row([key], |row| row.get(0))
            .optional()?
            .flatten();
        Ok(text.and_then(|text| serde_json::from_str(&text).ok()))
    }

    /// What of it is not as `standing` says.
    pub(super) fn differs(&self, standing: &OpenSeal) -> Option<&'static str> {
        if self.day != standing.day {
            Some("the newest day is not the one that the last commit left")
        } else if self.sums != standing.sums {
            Some("its sums, lifts or hours are not what the last commit left")
        } else if self.entry != standing.entry {
            Some("the chain does not end where the last commit left it")
        } else if self.gaps_and_flags != standing.gaps_and_flags {
            Some("its gaps or flags are not what the last commit left")
        } else if self.book != standing.book {
            Some("what the account goes on from is not what the last commit left")
        } else {
            None
        }
    }
}

/// Seals what now stands of a mechanism, in the caller's transaction; nothing without a book.
pub(super) fn write(connection: &Connection, key: i64) -> rusqlite::Result<()> {
    let Some(seal) = OpenSeal::now(connection, key)? else { return Ok(()) };
    let text = serde_json::to_string(&seal).map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))?;
    connection.prepare_cached("UPDATE book SET seal = ?2 WHERE mechanism = ?1")?.execute(params![key, text])?;
    Ok(())
}

/// Seals every mechanism of a ledger that has just got its seals.
pub(super) fn write_all(connection: &Connection) -> rusqlite::Result<()> {
    let keys: Vec<i64> =
        connection.prepare("SELECT mechanism FROM book")?.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?;
    keys.into_iter().try_for_each(|key| write(connection, key))
}
