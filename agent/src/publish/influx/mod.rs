//! The time-series server: messages, hourly figures and the recorder's own health as points.
//!
//! Messages come from the outbox and are written until they are taken. Figures are sums as of now; an hour's are kept
//! in memory until they are written, at most a month of them.

pub mod line;
pub mod points;
pub mod write;

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use tallyhook_analysis::units::{MS_PER_HOUR, Span, Timestamp};
use tallyhook_config::model::{Config, Influx};
use tokio::sync::watch;
use tracing::{info, warn};

use super::chat::{FIRST_BARRED, LONGEST_BARRED};
use super::outbox::{Outbox, begin};
use super::retry::{Backoff, pause};
use super::{Wiring, stopped};
use crate::clock::Clock;
use crate::figures::SiteFigures;
use points::OwnHealth;
use write::{Answer, Writer};

/// The server's name in the outbox.
pub const DESTINATION: &str = "influx";
/// Pauses between tries.
const FIRST_PAUSE: Duration = Duration::from_secs(1);
const LONGEST_PAUSE: Duration = Duration::from_secs(300);
/// Hours of figures that wait for a server that is away; a month.
const MOST_HOURS: usize = 31 * 24;

/// Feeds the server until the daemon stops.
pub async fn run<O: Outbox>(
    config: Arc<Config>,
    server: Influx,
    figures: watch::Receiver<Arc<SiteFigures>>,
    wiring: Wiring<O>,
) {
    let mut stop = wiring.stop.clone();
    let now = wiring.clock.now().mono;
    let mut feeder = Feeder {
        site: config.site_name.clone(),
        writer: Writer::new(server.clone(), wiring.clock.clone()),
        server,
        started: now,
        next_health: now,
        hours: VecDeque::new(),
        hour: None,
        figures,
        wiring,
    };
    tokio::select! {
        () = feeder.feed() => {}
        () = stopped(&mut stop) => {}
    }
}

/// A message's place in the outbox, its name, and its line.
struct Entry {
    seq: u64,
    id: String,
    line: Option<String>,
}

struct Feeder<O> {
    site: String,
    server: Influx,
    writer: Writer,
    started: Span,
    next_health: Span,
    /// Figures of past hours that are not written yet, oldest first.
    hours: VecDeque<String>,
    /// The hour of the record that was last looked at, since 1970.
    hour: Option<i64>,
    figures: watch::Receiver<Arc<SiteFigures>>,
    wiring: Wiring<O>,
}

impl<O: Outbox> Feeder<O> {
    async fn feed(&mut self) {
        let mut backoff = Backoff::new(FIRST_PAUSE, LONGEST_PAUSE);
        let mut cursor = None;
        loop {
            match self.feed_stored(&mut cursor).await {
                Ok(()) => backoff.succeeded(),
                Err(what) => {
                    warn!(destination = DESTINATION, "the outbox cannot be read or written: {what}");
                    pause(&self.wiring.clock, backoff.failed()).await;
                    continue;
                }
            }
            self.note_hour();
            while let Some(lines) = self.hours.front().cloned() {
                self.write_whole(lines, "hourly figures").await;
                self.hours.pop_front();
            }
            self.tell_health(cursor.unwrap_or(0)).await;
            let clock = self.wiring.clock.clone();
            tokio::select! {
                // An error is a sender that is gone; the task still ends only with the daemon.
                changed = self.wiring.stored.changed() => if changed.is_err() { std::future::pending::<()>().await },
                changed = self.figures.changed() => if changed.is_err() { std::future::pending::<()>().await },
                () = clock.sleep_until(self.next_health) => {}
            }
        }
    }

    /// Writes what is in the outbox after `cursor`; an error is the outbox's own.
    async fn feed_stored(&mut self, cursor: &mut Option<u64>) -> Result<(), String> {
        let mut told = match *cursor {
            Some(told) => told,
            None => begin(&self.wiring.outbox, DESTINATION, self.wiring.end, self.server.from_start).await?,
        };
        *cursor = Some(told);
        loop {
            // Marked as seen before reading: what is stored from here on wakes us again.
            self.wiring.stored.borrow_and_update();
            let batch = self.wiring.outbox.messages_after(told, self.server.batch as usize).await?;
            let precision = self.server.precision;
            let entries: Vec<Entry> = batch
                .into_iter()
                .map(|(seq, message)| Entry { seq, line: points::of_message(&message).line(precision), id: message.id })
                .collect();
            let Some(last) = entries.last().map(|entry| entry.seq) else { return Ok(()) };
            self.write_entries(&entries, cursor).await?;
            told = last;
        }
    }

    /// Writes a batch; where the server refuses a part of it for what it says, halves it until the line that it means
    /// is found and left out. The cursor follows what is done.
    async fn write_entries(&mut self, entries: &[Entry], cursor: &mut Option<u64>) -> Result<(), String> {
        // The parts still to be written, the next one last.
        let mut parts = vec![entries];
        while let Some(part) = parts.pop() {
            let Some(last) = part.last() else { continue };
            let lines: Vec<&str> = part.iter().filter_map(|entry| entry.line.as_deref()).collect();
            if !lines.is_empty()
                && let Answer::Split(why) = self.write(&lines.join("\n")).await
            {
                if part.len() > 1 {
                    let (first, second) = part.split_at(part.len() / 2);
                    parts.extend([second, first]);
                    continue;
                }
                // A server that refuses everything must not empty the outbox: a line is only left out when the server
                // takes another one.
                self.write_whole(self.health(self.wiring.clock.now().wall, last.seq), "its own health").await;
                self.wiring.health.parked(&last.id, &why.what, &why.mend);
            }
            *cursor = Some(last.seq);
            self.wiring.outbox.note_cursor(DESTINATION, last.seq).await?;
        }
        Ok(())
    }

    /// Writes lines that are known to be good, until they are taken; a refusal is the server's fault.
    async fn write_whole(&mut self, lines: String, what: &str) {
        let mut barred = Backoff::new(FIRST_BARRED, LONGEST_BARRED);
        while let Answer::Split(why) = self.write(&lines).await {
            let what = format!("even {what} is refused with {}", why.what);
            self.wiring.health.trouble(&what, "check that `url`, `org` and `bucket` are those of an InfluxDB 2 server");
            pause(&self.wiring.clock, barred.failed()).await;
        }
    }

    /// Writes until the server takes the lines or refuses them for what they say.
    async fn write(&mut self, lines: &str) -> Answer {
        let mut backoff = Backoff::new(FIRST_PAUSE, LONGEST_PAUSE);
        let mut barred = Backoff::new(FIRST_BARRED, LONGEST_BARRED);
        loop {
            let (why, wait) = match self.writer.write(lines.to_owned()).await {
                Answer::Done => {
                    self.wiring.health.well();
                    return Answer::Done;
                }
                Answer::Split(why) => return Answer::Split(why),
                Answer::Again(why, after) => (why, backoff.failed().max(after.unwrap_or_default())),
                Answer::Barred(why) => (why, barred.failed()),
            };
            self.wiring.health.trouble(&why.what, &why.mend);
            // Hours go on passing while the server is away; a pause is long enough to miss none.
            self.note_hour();
            pause(&self.wiring.clock, wait).await;
        }
    }

    /// Keeps the figures when the record has come into another hour than at the last look.
    fn note_hour(&mut self) {
        let figures = self.figures.borrow_and_update().clone();
        let to = |f: &crate::figures::MechanismFigures| {
            let to: jiff::Timestamp = f.record_to.as_deref()?.parse().ok()?;
            Some(Timestamp::from_ms(to.as_millisecond()))
        };
        let Some(newest) = figures.mechanisms.iter().filter_map(to).max() else { return };
        let hour = newest.as_ms().div_euclid(MS_PER_HOUR);
        if self.hour.replace(hour) == Some(hour) {
            return;
        }
        let points = figures.mechanisms.iter().filter_map(|f| Some(points::of_figures(f, to(f)?))).flatten();
        let lines: Vec<String> = points.filter_map(|point| point.line(self.server.precision)).collect();
        if self.hours.len() == MOST_HOURS {
            self.hours.pop_front();
            warn!(destination = DESTINATION, "the figures of an hour are left out: {MOST_HOURS} of them wait already");
        }
        self.hours.push_back(lines.join("\n"));
    }

    /// Tells the recorder's own health when it is due. It is of the moment: it is not sent again.
    async fn tell_health(&mut self, cursor: u64) {
        let now = self.wiring.clock.now();
        if now.mono < self.next_health {
            return;
        }
        self.next_health = now.mono.plus(self.server.health_every);
        match self.writer.write(self.health(now.wall, cursor)).await {
            Answer::Done => self.wiring.health.well(),
            Answer::Split(why) | Answer::Again(why, _) | Answer::Barred(why) => {
                self.wiring.health.trouble(&why.what, &why.mend);
            }
        }
    }

    fn health(&self, at: Timestamp, cursor: u64) -> String {
        let stored = *self.wiring.stored.borrow();
        let destinations = self.wiring.health.all();
        let health = OwnHealth {
            site: &self.site,
            at,
            uptime_seconds: self.wiring.clock.now().mono.as_seconds() - self.started.as_seconds(),
            stored,
            waiting: stored.saturating_sub(cursor),
            destinations: &destinations,
        };
        points::of_health(&health).line(self.server.precision).unwrap_or_default()
    }
}

/// Writes one point that says that the way is free, for a test by hand.
///
/// # Errors
/// What stands in the way.
pub async fn try_out(config: &Config, server: &Influx, clock: &Clock) -> Result<String, super::http::Why> {
    let point = line::Point::new("crane_test", clock.now().wall).tag("site", &config.site_name).whole("value", 1);
    let lines = point.line(server.precision).unwrap_or_default();
    match Writer::new(server.clone(), clock.clone()).write(lines).await {
        Answer::Done => {
            info!(destination = DESTINATION, "test point written");
            Ok(format!("a point of the measurement crane_test is in the bucket {}", server.bucket))
        }
        Answer::Split(why) | Answer::Again(why, _) | Answer::Barred(why) => Err(why),
    }
}
