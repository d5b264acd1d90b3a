//! How each destination stands: what is wrong with it, since when, and what mends it. Kept in memory, for the views and
//! for the time-series server.

use std::collections::BTreeMap;
use std::sync::Arc;

use serde::Serialize;
use tallyhook_analysis::units::Timestamp;
use tokio::sync::watch;
use tracing::{error, info, warn};

use crate::clock::Clock;
use crate::figures::rfc3339;

/// What is wrong with a destination.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Trouble {
    /// Since when, RFC 3339.
    pub since: String,
    /// What is wrong, a sentence without a full stop.
    pub what: String,
    /// What mends it.
    pub mend: String,
}

/// A message that a destination would not take and that was left out for it. It is still in the store.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Parked {
    /// The message's identifier.
    pub id: String,
    /// When it was left out, RFC 3339.
    pub at: String,
    /// What the destination said.
    pub why: String,
    /// What mends it.
    pub mend: String,
}

/// A destination's record since the program started.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize)]
pub struct DestinationHealth {
    /// What is wrong now; `None` while it takes what it is sent, and before the first try.
    pub trouble: Option<Trouble>,
    /// When it last took something, RFC 3339.
    pub last_ok: Option<String>,
    /// Tries that failed.
    pub failures: u64,
    /// Messages left out.
    pub parked: u64,
    /// The last of them.
    pub last_parked: Option<Parked>,
    /// What it acknowledged and has no longer, as it was seen last; `None` while nothing of it is known.
    pub forgot: Option<Trouble>,
    /// Messages of lifts and days that the outbox's bounds dropped before it had got them, since the store was made.
    pub dropped: u64,
}

/// The health of every destination, by its name in the outbox.
pub type Destinations = BTreeMap<String, DestinationHealth>;

/// Where the destinations' tasks write down how they stand. Clones share it.
#[derive(Clone, Debug)]
pub struct Board(Arc<watch::Sender<Destinations>>);

impl Default for Board {
    fn default() -> Self {
        Board(Arc::new(watch::channel(Destinations::new()).0))
    }
}

impl Board {
    /// The destinations as they stand, and a wake-up when one changes.
    pub fn watch(&self) -> watch::Receiver<Destinations> {
        self.0.subscribe()
    }

    /// The line of one destination.
    pub fn line(&self, name: &str, clock: &Clock) -> Line {
        self.0.send_modify(|all| {
            all.entry(name.to_owned()).or_default();
        });
        Line { board: self.clone(), name: name.to_owned(), clock: clock.clone() }
    }
}

/// One destination's line on the [`Board`]. A change is logged once; its repetition is not.
#[derive(Clone, Debug)]
pub struct Line {
    board: Board,
    name: String,
    clock: Clock,
}

impl Line {
    /// The destination's name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// All destinations as they stand.
    pub fn all(&self) -> Destinations {
        self.board.0.borrow().clone()
    }

    /// It took what it was sent.
    pub fn well(&self) {
        let now = self.now();
        self.change(|health| {
            health.last_ok = Some(now);
            if let Some(trouble) = health.trouble.take() {
                info!(destination = %self.name, "takes what it is sent again, after: {}", trouble.what);
            }
        });
    }

    /// It did not take what it was sent, which is kept for it.
    pub fn trouble(&self, what: &str, mend: &str) {
        let now = self.now();
        self.change(|health| {
            health.failures += 1;
            let since = match health.trouble.take() {
                Some(standing) if standing.what == what => standing.since,
                standing => {
                    warn!(destination = %self.name, "{what}; {mend}. What is to be told is kept");
                    // One spell of trouble, though its cause may change: a broken link, then a refused password.
                    standing.map_or(now, |standing| standing.since)
                }
            };
            health.trouble = Some(Trouble { since, what: what.to_owned(), mend: mend.to_owned() });
        });
    }

    /// It no longer has what it acknowledged.
    pub fn forgot(&self, what: &str, mend: &str) {
        error!(destination = %self.name, "{what}; {mend}");
        let trouble = Trouble { since: self.now(), what: what.to_owned(), mend: mend.to_owned() };
        self.change(|health| health.forgot = Some(trouble));
    }

    /// It still has what it acknowledged.
    pub fn remembers(&self) {
        if self.board.0.borrow().get(&self.name).is_some_and(|health| health.forgot.is_some()) {
            info!(destination = %self.name, "has what it acknowledged");
            self.change(|health| health.forgot = None);
        }
    }

    /// A message was left out for good.
    pub fn parked(&self, id: &str, why: &str, mend: &str) {
        error!(destination = %self.name, %id, "message left out, it stays in the store: {why}; {mend}");
        let parked = Parked { id: id.to_owned(), at: self.now(), why: why.to_owned(), mend: mend.to_owned() };
        self.change(|health| {
            health.parked += 1;
            health.last_parked = Some(parked);
        });
    }

    /// How many messages it has lost to the outbox's bounds, in all.
    pub fn lost(&self, dropped: u64) {
        self.change(|health| health.dropped = dropped);
    }

    fn now(&self) -> String {
        let now: Timestamp = self.clock.now().wall;
        rfc3339(now)
    }

    fn change(&self, change: impl FnOnce(&mut DestinationHealth)) {
        self.board.0.send_modify(|all| change(all.entry(self.name.clone()).or_default()));
    }
}

#[cfg(test)]
mod tests {
    use tallyhook_analysis::units::Span;

    use super::*;
    use crate::clock::Reading;

    #[test]
    fn trouble_keeps_its_beginning_until_it_is_over() {
        let (board, clock) = (Board::default(), Clock::manual(Timestamp::from_ms(0)));
        let line = board.line("influx", &clock);
        let at = |ms| clock.set(Reading { wall: Timestamp::from_ms(ms), mono: Span::from_ms(ms) });
        let now = || board.watch().borrow()["influx"].clone();
        assert_eq!(now(), DestinationHealth::default());
        at(1_000);
        line.trouble("no connection", "check the network");
        at(2_000);
        line.trouble("no connection", "check the network");
        line.trouble("answer 401", "check the token");
        let trouble = now().trouble.unwrap();
        assert_eq!((trouble.since.as_str(), trouble.what.as_str()), ("1970-01-01T00:00:01.000Z", "answer 401"));
        assert_eq!(now().failures, 3);
        line.parked("m1", "answer 400", "report it");
        assert!(now().trouble.is_some(), "a parked message does not end the trouble");
        at(3_000);
        line.well();
        assert_eq!((now().trouble, now().last_ok.as_deref()), (None, Some("1970-01-01T00:00:03.000Z")));
        assert_eq!((now().parked, now().last_parked.unwrap().id.as_str()), (1, "m1"));
    }
}
