//! How another process, or another part of this one, has the daemon bring the ledger up before it looks: by a socket in
//! the store's directory. The daemon settles, answers with one byte, and holds nothing back until the socket is closed.
//!
//! Where no daemon answers, what a crash left in the redo log is taken in by who asks.

use std::io::{self, Read as _};
use std::os::fd::AsRawFd as _;
use std::os::unix::fs::PermissionsExt as _;
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::sync::mpsc;
use std::time::Duration;

use tallyhook_analysis::units::Span;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::UnixListener;
use tokio::task::JoinSet;

use super::error::StoreError;
use super::handle::StoreHandle;
use super::redo;
use super::schema::{FORMAT, ledger_path};
use super::write::Store;
use crate::clock::Clock;

/// The socket in the store's directory.
const SOCKET: &str = "ledger.socket";

/// The longest name of a socket that every system takes, bytes.
const LONGEST_NAME: usize = 100;

/// How long the daemon may take, and how long who asked may keep it.
const PATIENCE: Duration = Duration::from_secs(30);

/// How long is waited for a ledger that may be proved at once.
const WHILE_UNPROVED: Duration = Duration::from_secs(2);

/// How often is looked for somebody who will soon be done, or there, and how long is waited between two looks.
pub(super) const LOOKS: u32 = 200;
const BETWEEN_LOOKS: Duration = Duration::from_millis(50);

/// Who are answered at the same time.
const MOST: usize = 32;

/// What is answered.
const ANSWER: &[u8; 1] = b".";

/// Makes the socket of the store in `dir`; only who has the ledger's lock may. One that a crash left is replaced.
///
/// # Errors
/// When the system or the file system has no such sockets.
pub fn listen(dir: &Path) -> io::Result<UnixListener> {
    close(dir)?;
    let listener = with_name(dir, |name| UnixListener::bind(name))?;
    // Who may look into the directory may ask: no more than that is done for him.
    std::fs::set_permissions(dir.join(SOCKET), std::fs::Permissions::from_mode(0o666))?;
    Ok(listener)
}

/// Removes the socket.
///
/// # Errors
/// When it stays.
pub fn close(dir: &Path) -> io::Result<()> {
    match std::fs::remove_file(dir.join(SOCKET)) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}

/// Answers who asks, until it is aborted.
pub async fn serve(listener: UnixListener, store: StoreHandle, clock: Clock) {
    let mut answering = JoinSet::new();
    loop {
        if answering.len() >= MOST {
            answering.join_next().await;
        }
        while answering.try_join_next().is_some() {}
        let Ok((mut stream, _)) = listener.accept().await else {
            // Too many files are open, say.
            clock.sleep(Span::from_ms(1000)).await;
            continue;
        };
        let store = store.clone();
        answering.spawn(async move {
            let _held = store.hold();
            // Until a large ledger is proved nothing is written to it, and what is there may be read.
            let patience = if store.is_proved() { PATIENCE } else { WHILE_UNPROVED };
            match tokio::time::timeout(patience, store.settle()).await {
                Ok(Ok(())) | Err(_) => {}
                // It is being closed: who looks again finds it settled, or says why it is not.
                Ok(Err(StoreError::Closed)) => return,
                // What cannot be brought into the ledger is not shown; the next commit tells why it cannot.
                Ok(Err(error)) => tracing::warn!("somebody looks at a ledger that is behind: {error}"),
            }
            if stream.write_all(ANSWER).await.is_ok() {
                // Until it is closed, or fails, or takes too long, which is the same.
                let _ = tokio::time::timeout(PATIENCE, stream.read(&mut [0; 1])).await;
            }
        });
    }
}

/// Whether a daemon answers for the store in `dir`.
pub fn is_answered(dir: &Path) -> bool {
    with_name(dir, |name| UnixStream::connect(name)).is_ok()
}

/// While it lives, a daemon leaves the ledger open to other writers.
#[derive(Debug)]
pub(super) struct Hold {
    /// Closed when this is dropped, which is all that the daemon waits for.
    _asked: Option<UnixStream>,
}

/// Brings the ledger of the store in `dir` up, if it is behind. Whether it still is: the daemon may have no room for it,
/// or may not have proved yet that the ledger is sound.
pub(super) fn settled(dir: &Path) -> Result<bool, StoreError> {
    if !redo::holds_something(dir)? {
        return Ok(false);
    }
    let _held = hold(dir)?;
    redo::holds_something(dir)
}

/// As [`settled`], and it stays so while the answer lives.
pub(super) fn hold(dir: &Path) -> Result<Hold, StoreError> {
    let locked = || StoreError::Locked { path: ledger_path(dir) };
    for _ in 0..LOOKS {
        match with_name(dir, |name| UnixStream::connect(name)).map(wait_for) {
            Ok(Ok(held)) => return Ok(held),
            Ok(Err(error)) if matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut) => {
                return Err(locked());
            }
            // It hung up: it is ending.
            Ok(Err(_)) => {}
            Err(_) => {
                if !redo::holds_something(dir)? || take_in(dir)? {
                    return Ok(Hold { _asked: None });
                }
            }
        }
        // A daemon has the ledger and does not answer yet, or no more.
        pause();
    }
    Err(locked())
}

/// Waits for a moment, where there is no clock to wait by.
pub(super) fn pause() {
    let (_never, pause) = mpsc::channel::<()>();
    let _ = pause.recv_timeout(BETWEEN_LOOKS);
}

fn wait_for(mut stream: UnixStream) -> io::Result<Hold> {
    stream.set_read_timeout(Some(2 * PATIENCE))?;
    stream.read_exact(&mut [0; ANSWER.len()])?;
    Ok(Hold { _asked: Some(stream) })
}

/// Takes in what a crash left, if nobody has the ledger.
fn take_in(dir: &Path) -> Result<bool, StoreError> {
    let path = ledger_path(dir);
    if rustix::fs::access(redo::path(dir), rustix::fs::Access::WRITE_OK).is_err() {
        return Err(StoreError::NotClosed { path });
    }
    // An older one is brought up by the daemon alone; the reader says so.
    if super::schema::look_at(&path, false)? != FORMAT {
        return Ok(true);
    }
    match Store::open_in_passing(dir) {
        Ok(mut store) => {
            store.settle()?;
            Ok(true)
        }
        Err(StoreError::Busy { .. }) => Ok(false),
        Err(error) => Err(error),
    }
}

/// Does something with the name of the socket in `dir`: where that is too long for a socket, by way of the open directory.
fn with_name<T>(dir: &Path, with: impl FnOnce(&Path) -> io::Result<T>) -> io::Result<T> {
    let name = dir.join(SOCKET);
    if name.as_os_str().len() <= LONGEST_NAME {
        return with(&name);
    }
    let opened = std::fs::File::open(dir)?;
    with(&PathBuf::from(format!("/proc/self/fd/{}/{SOCKET}", opened.as_raw_fd())))
}
