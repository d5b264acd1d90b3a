//! Telling the service manager that the daemon really works, and keeping silent when it does not.
//!
//! A process that exists is no sign of work. The watchdog is fed from the daemon's own loop, so a loop that hangs
//! starves it; the loop waits for each commit, so a writer that hangs does too; and it is not fed while a poller has
//! brought nothing for longer than it can take, whether its drive answers or not. A drive that is off is no hang: its
//! poller says "not read" on every tick.
//!
//! The protocol is that of `sd_notify(3)`: one datagram of lines `NAME=value` to the socket named by `NOTIFY_SOCKET`.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::os::linux::net::SocketAddrExt as _;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::net::{SocketAddr, UnixDatagram};

use tallyhook_analysis::units::Span;
use tallyhook_config::model::{Config, Drive, Link};

use crate::drive::effective_period;
use crate::drive::plan::ReadPlan;

/// How often the watchdog is fed. `WatchdogSec` of the unit is a minute.
const FEED_EVERY: Span = Span::from_ms(1_000);

/// What a poller may wait for besides its line: a commit that the ledger's lock delays, and a busy machine.
const MARGIN: Span = Span::from_ms(15_000);

/// The way to the service manager; none where nobody asked to be told.
#[derive(Debug, Default)]
pub struct Manager {
    way: Option<(UnixDatagram, SocketAddr)>,
}

impl Manager {
    /// The manager that started this process, if it left an address.
    pub fn of_environment() -> Self {
        match std::env::var_os("NOTIFY_SOCKET") {
            Some(name) => Self::at(&name),
            None => Manager::default(),
        }
    }

    /// The manager at a path, or at a name of the abstract space when it begins with `@`.
    pub fn at(name: &OsStr) -> Self {
        match way(name) {
            Ok(way) => Manager { way: Some(way) },
            Err(error) => {
                tracing::error!("the service manager cannot be told anything ({error}); check NOTIFY_SOCKET");
                Manager::default()
            }
        }
    }

    /// Sends one datagram. What cannot be sent at once is dropped: the next one comes within a second, and waiting for
    /// the manager would be a hang of its own.
    pub fn tell(&self, lines: &str) {
        if let Some((socket, address)) = &self.way
            && let Err(error) = socket.send_to_addr(lines.as_bytes(), address)
        {
            tracing::debug!("the service manager was not told: {error}");
        }
    }
}

fn way(name: &OsStr) -> std::io::Result<(UnixDatagram, SocketAddr)> {
    let address = match name.as_bytes() {
        [b'@', rest @ ..] => SocketAddr::from_abstract_name(rest)?,
        _ => SocketAddr::from_pathname(name)?,
    };
    let socket = UnixDatagram::unbound()?;
    socket.set_nonblocking(true)?;
    Ok((socket, address))
}

/// Whether the daemon gets on.
#[derive(Debug)]
pub struct Progress {
    /// By drive: when it was last heard of, and how long its poller may take for a tick.
    pollers: BTreeMap<String, (Span, Span)>,
    next_feed: Span,
    stuck: Option<String>,
}

impl Progress {
    /// All pollers start `now`, at this speed of the clock.
    pub fn new(config: &Config, now: Span, speed: f64) -> Self {
        let polled = config.drives.values().filter_map(|drive| {
            let plan = ReadPlan::of(config, drive);
            (!plan.places.is_empty()).then_some((drive, plan.requests.len()))
        });
        let polled: Vec<(&Drive, usize)> = polled.collect();
        let pollers = polled.iter().map(|(drive, _)| {
            // On a bus one device waits for all: in the worst case each has its longest turn.
            let line = polled.iter().filter(|(other, _)| same_line(drive, other));
            let turn = line.map(|(d, requests)| longest_turn(d, *requests, speed)).sum::<i64>();
            let bound = Span::from_ms(turn.saturating_mul(2).saturating_add((MARGIN.as_ms() as f64 * speed) as i64));
            (drive.name.clone(), (now, bound))
        });
        Progress { pollers: pollers.collect(), next_feed: now, stuck: None }
    }

    /// A poller has brought a reading, of an answer or of a failure.
    pub fn polled(&mut self, drive: &str, now: Span) {
        if let Some((heard, _)) = self.pollers.get_mut(drive) {
            *heard = now;
        }
    }

    /// Whether the watchdog is to be fed now: it is time, and no poller is stuck. A poller that is stuck is logged
    /// once.
    pub fn feeds(&mut self, now: Span) -> bool {
        if now < self.next_feed {
            return false;
        }
        self.next_feed = now.plus(FEED_EVERY);
        let stuck = self.pollers.iter().find(|(_, (heard, bound))| now.as_ms() - heard.as_ms() > bound.as_ms());
        let stuck = stuck.map(|(name, _)| name.clone());
        if let Some(name) = &stuck
            && self.stuck != stuck
        {
            tracing::error!(drive = %name, "its poller brings nothing any more, not even a failure; the watchdog is left hungry");
        }
        self.stuck = stuck;
        self.stuck.is_none()
    }
}

fn same_line(a: &Drive, b: &Drive) -> bool {
    match (&a.link, &b.link) {
        (Link::Bus(a), Link::Bus(b)) => a.name == b.name,
        _ => a.name == b.name,
    }
}

/// The longest turn of a drive, milliseconds of the clock: all its reads answered at the last moment.
fn longest_turn(drive: &Drive, requests: usize, speed: f64) -> i64 {
    let requests = i64::try_from(requests).unwrap_or(i64::MAX);
    let timeouts = drive.timeout.as_ms().saturating_mul(requests.saturating_add(1));
    effective_period(drive.poll, speed).as_ms().saturating_add(timeouts)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::fixture::{config, drive, hoist_signals};

    fn site() -> Config {
        let drives = vec![drive("a", "h:1", 100, 1000), drive("b", "h:2", 1000, 3000), drive("idle", "h:3", 100, 1000)];
        config(drives, vec![hoist_signals("a"), hoist_signals("b")])
    }

    #[test]
    fn it_is_fed_only_while_every_poller_that_has_work_brings_something() {
        let mut progress = Progress::new(&site(), Span::ZERO, 1.0);
        let (mut fed, mut hungry_from) = (0, None);
        for second in 0..120 {
            let now = Span::from_ms(second * 1000);
            progress.polled("a", now);
            if second < 60 {
                progress.polled("b", now);
            }
            match (progress.feeds(now), hungry_from) {
                (true, None) => fed += 1,
                (true, Some(_)) => panic!("fed again at {second} s though `b` is stuck"),
                (false, None) => hungry_from = Some(second),
                (false, Some(_)) => {}
            }
        }
        // One read a tick: two turns of a period and two time-outs, and the margin, after the last word at 59 s.
        assert_eq!((fed, hungry_from), (59 + 29 + 1, Some(59 + 29 + 1)));
        progress.polled("b", Span::from_ms(121_000));
        progress.polled("a", Span::from_ms(121_000));
        assert!(progress.feeds(Span::from_ms(121_000)), "it brings something again");
    }

    #[test]
    fn it_is_fed_once_a_second_however_often_it_is_asked() {
        let mut progress = Progress::new(&site(), Span::ZERO, 1.0);
        let fed = (0..100).filter(|n| progress.feeds(Span::from_ms(n * 100))).count();
        assert_eq!(fed, 10);
    }

    #[test]
    fn a_datagram_reaches_a_path_and_an_abstract_name() {
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join("notify");
        let abstract_name = format!("tallyhook-test-{}", std::process::id());
        let at_name = UnixDatagram::bind_addr(&SocketAddr::from_abstract_name(&abstract_name).unwrap()).unwrap();
        let at_path = UnixDatagram::bind(&path).unwrap();
        Manager::at(path.as_os_str()).tell("READY=1");
        Manager::at(OsStr::new(&format!("@{abstract_name}"))).tell("WATCHDOG=1");
        let mut buffer = [0; 64];
        let mut heard = |socket: &UnixDatagram| {
            let n = socket.recv(&mut buffer).unwrap();
            String::from_utf8_lossy(&buffer[..n]).into_owned()
        };
        assert_eq!((heard(&at_path), heard(&at_name)), ("READY=1".to_owned(), "WATCHDOG=1".to_owned()));
        Manager::default().tell("nobody listens");
    }
}
