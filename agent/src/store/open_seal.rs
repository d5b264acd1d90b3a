//! The seal of what no entry of the chain holds yet: the open day with its lifts and hours, what the account goes on
//! from, and where the chain ends. Every transaction that changes one of them writes it anew, so that whatever is
//! changed beside the daemon is found before the day closes.
//!
//! A transaction that finds it broken does not make good what somebody has changed: it carries the fault on to the entry
//! that closes the day. The seal never leaves the house: against somebody who knows how it is made only anchors help.

use rusqlite::{Connection, OptionalExtension as _, params};
use serde::{Deserialize, Serialize};

use super::chain;
use super::days;
use super::gap_seal;

/// Digests, hexadecimal, of what stands open of one mechanism.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct OpenSeal {
    /// The day that is open, days since 1970-01-01.
    day: Option<i32>,
    /// Of that day's sums, its lifts and its hours.
    sums: Option<String>,
    /// Of the gaps and flags since the last day that is closed.
    gaps_and_flags: String,
    /// Of the book's row, but for the seal itself.
    book: String,
    /// Hash of the chain's last entry.
    entry: Option<String>,
    /// What was not as an earlier seal had it, until the entry of a day holds that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    broken: Option<String>,
}

impl OpenSeal {
    /// As it follows from what stands in the tables; `None` for a mechanism without a book.
    fn now(connection: &Connection, key: i64) -> rusqlite::Result<Option<OpenSeal>> {
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
        let day = days::open_day(connection, key)?;
        let sums = match day {
            Some(day) => {
                chain::seal(connection, key, day)?.map(|sealed| chain::digest(&[sealed.to_string().as_bytes()]))
            }
            None => None,
        };
        let gaps_and_flags = gap_seal::open(connection, key)?;
        let entry = chain::last_hash(connection, key)?;
        Ok(Some(OpenSeal { day, sums, gaps_and_flags, book, entry, broken: None }))
    }

    /// The one that the last commit left; `None` where there is none that can be read.
    fn standing(connection: &Connection, key: i64) -> rusqlite::Result<Option<OpenSeal>> {
        let text: Option<String> = connection
            .prepare_cached("SELECT seal FROM book WHERE mechanism = ?1")?
            .query_row([key], |row| row.get(0))
            .optional()?
            .flatten();
        Ok(text.and_then(|text| serde_json::from_str(&text).ok()))
    }

    /// What of it is not as `standing` says.
    fn differs(&self, standing: &OpenSeal) -> Option<&'static str> {
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

/// What is not as the last commit left it, and the day that was open then; `None` where all is well, and for a mechanism
/// without a book.
pub(super) fn broken(connection: &Connection, key: i64) -> rusqlite::Result<Option<(Option<i32>, String)>> {
    let Some(now) = OpenSeal::now(connection, key)? else { return Ok(None) };
    let Some(standing) = OpenSeal::standing(connection, key)? else {
        return Ok(Some((now.day, "the seal of what the last commit left is gone or cannot be made out".to_owned())));
    };
    let what = standing.broken.clone().or_else(|| now.differs(&standing).map(str::to_owned));
    Ok(what.map(|what| (standing.day, what)))
}

/// Seals what now stands of a mechanism, in the caller's transaction; nothing without a book. `broken`: what [`broken`]
/// found before the transaction changed anything, unless an entry holds it now.
pub(super) fn write(connection: &Connection, key: i64, broken: Option<String>) -> rusqlite::Result<()> {
    let Some(seal) = OpenSeal::now(connection, key)? else { return Ok(()) };
    let seal = OpenSeal { broken, ..seal };
    let text = serde_json::to_string(&seal).map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))?;
    connection.prepare_cached("UPDATE book SET seal = ?2 WHERE mechanism = ?1")?.execute(params![key, text])?;
    Ok(())
}

/// Seals every mechanism of a ledger that has just got its seals.
pub(super) fn write_all(connection: &Connection) -> rusqlite::Result<()> {
    let keys: Vec<i64> =
        connection.prepare("SELECT mechanism FROM book")?.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?;
    keys.into_iter().try_for_each(|key| write(connection, key, None))
}
