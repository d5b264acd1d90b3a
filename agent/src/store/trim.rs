//! The bound of the outbox: messages of lifts and days are dropped, oldest first, when they are too old or too many.
//!
//! Only they are: what they tell stands in tables of its own, while warnings and findings are read from the outbox by
//! the page, the API and the export. The newest message stays, since its number says what was stored last. What a
//! destination had not got is counted for it in the same transaction.

use std::collections::BTreeMap;
use std::path::Path;

use rusqlite::{Connection, OptionalExtension as _, TransactionBehavior, params};
use tallyhook_analysis::units::Timestamp;

use super::error::StoreError;
use super::outbox::{self, clamped};

/// Kinds that may be dropped.
const MAY_GO: &str = "('lift', 'day')";

/// What a row takes on the disk, near enough: its texts, its `id` once more in that index, numbers and heads.
const SIZE: &str = "length(body) + 2 * length(id) + length(crane) + length(mechanism) + 80";

/// Rows of one transaction: a commit of the recorder waits no longer than for so many.
const CHUNK: i64 = 500;

/// Which messages have to go.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Bound {
    /// Those after this number are looked at.
    pub after: u64,
    /// Those that tell of something before this instant go.
    pub before: Timestamp,
    /// So many bytes go, whatever their age.
    pub excess: u64,
    /// Destinations that are told of lifts and days.
    pub owed_to: Vec<String>,
}

/// What was dropped.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Dropped {
    /// Messages.
    pub messages: u64,
    /// Their room on the disk.
    pub bytes: u64,
    /// The number of the last of them.
    pub last: u64,
    /// How many of them a destination had not got, by its name; only those that lost some.
    pub owed: BTreeMap<String, u64>,
}

/// Drops the oldest messages that have to go, a bounded number of them; call again until nothing was dropped. Where some
/// are, the cursors that are only `noted` are written before it is asked who is owed them.
pub(super) fn drop_oldest(
    connection: &mut Connection,
    path: &Path,
    bound: &Bound,
    noted: &BTreeMap<String, u64>,
) -> Result<Dropped, StoreError> {
    let mut work = || -> rusqlite::Result<Dropped> {
        let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let mut gone = Vec::new();
        let mut dropped = Dropped { last: bound.after, ..Dropped::default() };
        {
            // The plus keeps SQLite in the order of the numbers: the other index would have to sort everything.
            let mut select = transaction.prepare_cached(&format!(
                "SELECT seq, at_ms, {SIZE} FROM message
                 WHERE seq > ?1 AND seq < (SELECT max(seq) FROM message) AND +kind IN {MAY_GO}
                 ORDER BY seq LIMIT {CHUNK}"
            ))?;
            let mut rows = select.query([clamped(bound.after)])?;
            while let Some(row) = rows.next()? {
                let (seq, at, size): (i64, i64, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
                if at >= bound.before.as_ms() && dropped.bytes >= bound.excess {
                    break;
                }
                dropped.bytes += size.max(0) as u64;
                dropped.last = seq.max(0) as u64;
                gone.push(dropped.last);
            }
        }
        if gone.is_empty() {
            return Ok(dropped);
        }
        dropped.messages = gone.len() as u64;
        outbox::write_cursors(&transaction, noted)?;
        transaction
            .prepare_cached(&format!("DELETE FROM message WHERE seq > ?1 AND seq <= ?2 AND kind IN {MAY_GO}"))?
            .execute(params![clamped(bound.after), clamped(dropped.last)])?;
        for destination in &bound.owed_to {
            let owed = gone.iter().filter(|seq| is_owed(&transaction, destination, **seq).unwrap_or(true)).count();
            if owed > 0 {
                transaction
                    .prepare_cached(
                        "INSERT INTO destination (name, seq) VALUES (?1, ?2)
                         ON CONFLICT DO UPDATE SET seq = seq + excluded.seq",
                    )?
                    .execute(params![dropped_of(destination), owed as i64])?;
                dropped.owed.insert(destination.clone(), owed as u64);
            }
        }
        transaction.commit()?;
        Ok(dropped)
    };
    work().map_err(|error| StoreError::of_sqlite(path, error))
}

/// Whether there is nothing to drop.
pub(super) fn is_within(connection: &Connection, path: &Path, bound: &Bound) -> Result<bool, StoreError> {
    let oldest = || -> rusqlite::Result<Option<i64>> {
        // The plus as in `drop_oldest`.
        let mut select = connection.prepare_cached(&format!(
            "SELECT at_ms FROM message
             WHERE seq > ?1 AND seq < (SELECT max(seq) FROM message) AND +kind IN {MAY_GO} ORDER BY seq LIMIT 1"
        ))?;
        select.query_row([clamped(bound.after)], |row| row.get(0)).optional()
    };
    let oldest = oldest().map_err(|error| StoreError::of_sqlite(path, error))?;
    Ok(oldest.is_none_or(|at| at >= bound.before.as_ms() && bound.excess == 0))
}

/// Whether a destination has yet to get a message. One that the store does not know yet is owed nothing.
fn is_owed(connection: &Connection, destination: &str, seq: u64) -> rusqlite::Result<bool> {
    connection
        .prepare_cached(
            "SELECT (SELECT seq FROM destination WHERE name = ?1) < ?2
                AND NOT coalesce((SELECT seq FROM destination WHERE name = ?1 || '/fresh-from') < ?2
                             AND (SELECT seq FROM destination WHERE name = ?1 || '/fresh') >= ?2, FALSE)",
        )?
        .query_row(params![destination, clamped(seq)], |row| row.get::<_, Option<bool>>(0))
        .map(|owed| owed.unwrap_or(false))
}

/// Where the number of messages that a destination has lost is kept, among the cursors.
pub fn dropped_of(destination: &str) -> String {
    format!("{destination}/dropped")
}

/// The last number and the room on the disk of the messages after `after` that may be dropped one day.
pub(super) fn room(connection: &Connection, path: &Path, after: u64) -> Result<(u64, u64), StoreError> {
    connection
        .query_row(
            &format!(
                "SELECT coalesce(max(seq), ?1), coalesce(sum({SIZE}), 0) FROM message WHERE seq > ?1 AND +kind IN {MAY_GO}"
            ),
            [clamped(after)],
            |row| Ok((row.get::<_, i64>(0)?.max(0) as u64, row.get::<_, i64>(1)?.max(0) as u64)),
        )
        .map_err(|error| StoreError::of_sqlite(path, error))
}

/// The instant of the newest message that may be dropped one day.
pub(super) fn newest(connection: &Connection, path: &Path) -> Result<Option<Timestamp>, StoreError> {
    connection
        .query_row(
            "SELECT max(at_ms) FROM (SELECT max(at_ms) AS at_ms FROM message WHERE kind = 'lift'
                                     UNION ALL SELECT max(at_ms) FROM message WHERE kind = 'day')",
            [],
            |row| row.get::<_, Option<i64>>(0),
        )
        .map(|ms| ms.map(Timestamp::from_ms))
        .map_err(|error| StoreError::of_sqlite(path, error))
}

/// What each destination has lost, by its name.
pub(super) fn lost(connection: &Connection, path: &Path) -> Result<BTreeMap<String, u64>, StoreError> {
    let read = || -> rusqlite::Result<BTreeMap<String, u64>> {
        connection
            .prepare("SELECT substr(name, 1, length(name) - 8), seq FROM destination WHERE name LIKE '%/dropped'")?
            .query_map([], |row| Ok((row.get(0)?, row.get::<_, i64>(1)?.max(0) as u64)))?
            .collect()
    };
    read().map_err(|error| StoreError::of_sqlite(path, error))
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::super::message::{Message, MessageKind};
    use super::super::{MechanismCommit, Reader, Store};
    use super::*;

    const DAY_MS: i64 = 86_400_000;

    /// Ten days, each with a lift, a warning and a day's message.
    fn filled(dir: &Path) -> Store {
        let mut store = Store::open(dir).unwrap();
        let message = |day: i64, kind: MessageKind| Message {
            id: format!("{}:{day}", kind.name()),
            at: Timestamp::from_ms(day * DAY_MS),
            kind,
            crane: "yard-1".to_owned(),
            mechanism: "main-hoist".to_owned(),
            body: json!({"n": day}),
        };
        let kinds = [MessageKind::Lift, MessageKind::Warning, MessageKind::Day];
        let messages = (0..10).flat_map(|day| kinds.map(|kind| message(day, kind))).collect();
        let commit = MechanismCommit { mechanism: "main-hoist".to_owned(), messages, ..MechanismCommit::default() };
        assert_eq!(store.commit(&[commit]).unwrap().last_seq, 30);
        store
    }

    fn bound(before_day: i64, excess: u64) -> Bound {
        let owed_to = vec!["mqtt".to_owned(), "influx".to_owned(), "never-begun".to_owned()];
        Bound { after: 0, before: Timestamp::from_ms(before_day * DAY_MS), excess, owed_to }
    }

    #[test]
    fn what_is_too_old_goes_and_is_counted_for_those_who_had_not_got_it() {
        let dir = tempfile::tempdir().unwrap();
        let mut store = filled(dir.path());
        store.set_cursor("mqtt", 4).unwrap();
        store.set_cursor("influx", 30).unwrap();
        let dropped = store.drop_oldest(&bound(3, 0)).unwrap();
        // Days 0, 1 and 2: numbers 1, 3, 4, 6, 7, 9; mqtt had 1, 3 and 4.
        assert_eq!((dropped.messages, dropped.last), (6, 9));
        assert_eq!(dropped.owed, BTreeMap::from([("mqtt".to_owned(), 3)]));
        assert_eq!(store.drop_oldest(&bound(3, 0)).unwrap().messages, 0);
        assert_eq!(store.drop_oldest(&bound(4, 0)).unwrap().owed, BTreeMap::from([("mqtt".to_owned(), 2)]));
        let reader = Reader::open(dir.path()).unwrap();
        assert_eq!(reader.lost_messages().unwrap(), BTreeMap::from([("mqtt".to_owned(), 5)]));
        assert_eq!(store.cursor(&dropped_of("mqtt")).unwrap(), Some(5));
        // Every warning is there yet, and what is left comes in its order.
        let left: Vec<u64> = reader.messages_after(0, 100).unwrap().into_iter().map(|(seq, _)| seq).collect();
        assert_eq!(left, [vec![2, 5, 8, 11], (13..=30).collect()].concat());
    }

    #[test]
    fn what_is_too_much_goes_but_for_the_newest() {
        let dir = tempfile::tempdir().unwrap();
        let mut store = filled(dir.path());
        store.set_cursor("mqtt", 0).unwrap();
        let (last, room) = Reader::open(dir.path()).unwrap().droppable_room(0).unwrap();
        assert_eq!(last, 30);
        let dropped = store.drop_oldest(&bound(0, room / 2)).unwrap();
        assert_eq!((dropped.messages, dropped.owed["mqtt"]), (10, 10));
        assert!(dropped.bytes >= room / 2 && dropped.bytes < room / 2 + 200, "{dropped:?} of {room}");
        store.drop_oldest(&bound(100, 0)).unwrap();
        // The newest stays, or its number would not be known any more.
        let (last, left) = Reader::open(dir.path()).unwrap().droppable_room(0).unwrap();
        assert!(last == 30 && 0 < left && left < room / 10, "{left} of {room}");
        assert_eq!(store.last_seq().unwrap(), 30);
        drop(store);
        let store = Store::open(dir.path()).unwrap();
        assert_eq!(store.last_seq().unwrap(), 30);
    }

    #[test]
    fn what_a_destination_got_ahead_of_its_backlog_is_not_counted_as_lost() {
        let dir = tempfile::tempdir().unwrap();
        let mut store = filled(dir.path());
        store.set_cursor("mqtt", 3).unwrap();
        store.set_cursor("mqtt/fresh-from", 6).unwrap();
        store.set_cursor("mqtt/fresh", 12).unwrap();
        // Of 1, 3, 4, 6, 7, 9, 10, 12, 13, 15 it had all but 4, 6, 13 and 15.
        assert_eq!(store.drop_oldest(&bound(5, 0)).unwrap().owed["mqtt"], 4);
    }

    #[test]
    fn a_look_at_which_nothing_goes_writes_nothing_and_a_cursor_that_waits_counts_where_something_does() {
        let dir = tempfile::tempdir().unwrap();
        let mut store = filled(dir.path());
        store.set_cursor("mqtt", 3).unwrap();
        store.note_cursor("mqtt", 6).unwrap();
        let log = || std::fs::metadata(dir.path().join("ledger.sqlite3-wal")).unwrap().len();
        let before = log();
        assert_eq!(store.drop_oldest(&bound(0, 0)).unwrap().messages, 0);
        assert_eq!(log(), before);
        // Of 1, 3, 4, 6, 7 and 9 it has got all but 7 and 9.
        assert_eq!(store.drop_oldest(&bound(3, 0)).unwrap().owed["mqtt"], 2);
        assert_eq!(Reader::open(dir.path()).unwrap().lost_messages().unwrap()["mqtt"], 2);
        drop(store);
        assert_eq!(Store::open(dir.path()).unwrap().cursor("mqtt").unwrap(), Some(6));
    }
}
