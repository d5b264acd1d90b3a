//! Counts what SQLite does for the readers of a test: time on a shared machine says little, and steps say the same each time.

use std::cell::Cell;

use rusqlite::Connection;

/// Steps of SQLite's machine that are counted at once.
const LOT: i32 = 10;

thread_local! {
    static LOTS: Cell<u64> = const { Cell::new(0) };
}

/// From now on the steps of this connection count for the thread that takes them.
pub fn watch(mut connection: Connection) -> rusqlite::Result<Connection> {
    let count = || {
        LOTS.with(|lots| lots.set(lots.get() + 1));
        // True would interrupt the statement.
        false
    };
    connection.progress_handler(LOT, Some(count))?;
    Ok(connection)
}

/// What some work gives, and how many steps of SQLite's machine its readers took on this thread.
pub fn of<T>(work: impl FnOnce() -> T) -> (T, u64) {
    let before = LOTS.with(Cell::get);
    let given = work();
    (given, (LOTS.with(Cell::get) - before) * LOT as u64)
}
