//! A file is brought to what the ledger says, and only the pages that differ are written: a copy made anew every day would
//! cost a memory card the whole ledger each time.

use std::fs::OpenOptions;
use std::io::{BufReader, ErrorKind, Read as _};
use std::os::unix::fs::FileExt as _;
use std::path::Path;

use rusqlite::Connection;

use super::error::StoreError;

/// Bytes that are read at once of what stands in the file.
const AHEAD: usize = 64 * 1024;

/// Where the first page says how the file is written and read: 1 with a journal, 2 with a log beside it.
const FORM: std::ops::Range<usize> = 18..20;
const WITH_A_JOURNAL: u8 = 1;

/// Writes into `file` what makes it the ledger behind `from` as it is at one moment, page for page, and gives the bytes
/// that this took. Whatever stood in `file` is only a start: it may be an old copy, half of one, or not be there. While
/// this goes on the file is no ledger; it is not synced.
///
/// `None`: this SQLite gives no pages (it was built without `SQLITE_ENABLE_DBPAGE_VTAB`), and nothing was done.
pub(super) fn bring_up(from: &Connection, ledger: &Path, file: &Path) -> Result<Option<u64>, StoreError> {
    let sqlite = |error| StoreError::of_sqlite(ledger, error);
    let io = |error| StoreError::of_io(file, error);
    // One statement, so that all pages are of one moment.
    let Ok(mut select) = from.prepare("SELECT data FROM sqlite_dbpage") else { return Ok(None) };
    let copy = OpenOptions::new().read(true).write(true).create(true).truncate(false).open(file).map_err(io)?;
    let mut standing = BufReader::with_capacity(AHEAD, &copy);
    let (mut page, mut old) = (Vec::new(), Vec::new());
    let (mut length, mut written) = (0, 0);
    let mut ended = false;
    let mut rows = select.query([]).map_err(sqlite)?;
    while let Some(row) = rows.next().map_err(sqlite)? {
        page.clear();
        page.extend_from_slice(row.get_ref(0).and_then(|data| Ok(data.as_blob()?)).map_err(sqlite)?);
        if length == 0
            && let Some(form) = page.get_mut(FORM)
        {
            // A copy is one file, with nothing beside it.
            form.fill(WITH_A_JOURNAL);
        }
        old.resize(page.len(), 0);
        // What is read behind the old end would be what was just written there.
        if !ended {
            match standing.read_exact(&mut old) {
                Ok(()) => {}
                Err(error) if error.kind() == ErrorKind::UnexpectedEof => ended = true,
                Err(error) => return Err(io(error)),
            }
        }
        if ended || old != page {
            copy.write_all_at(&page, length).map_err(io)?;
            written += page.len() as u64;
        }
        length += page.len() as u64;
    }
    copy.set_len(length).map_err(io)?;
    Ok(Some(written))
}
