//! Whether a serial line can carry the cadence that is asked of it; the arithmetic is that of [`crate::wire`].

use std::collections::BTreeMap;

use crate::bus::Buses;
use crate::model::{Crane, Drive, Link, Register};
use crate::raw::{Given, Table};
use crate::wire::{self, ANSWER_BYTES, REQUEST_BYTES, Request, Speed};

/// Share of the line's time that a cadence may take when one is proposed: the rest is for what has to be asked again.
/// Common practice, no source.
const PROPOSED_SHARE: f64 = 0.9;

/// What one drive asks of its line.
struct Asked<'a> {
    drive: &'a Drive,
    fast: Vec<Request>,
    slow: Vec<Request>,
}

impl Asked<'_> {
    fn time_ns(&self, requests: &[Request]) -> u64 {
        let cost = self.drive.cost();
        requests.iter().map(|r| cost.of(*r)).sum()
    }

    /// Share of the line's time at its cadence.
    fn share(&self) -> f64 {
        let per = |ns: u64, period_ms: i64| ns as f64 / 1e6 / period_ms.max(1) as f64;
        per(self.time_ns(&self.fast), self.drive.poll.as_ms())
            + per(self.time_ns(&self.slow), self.drive.poll_counters.as_ms())
    }

    /// The sum in words: bytes, bits, baud, silence, answer delay.
    fn sum(&self, speed: Speed) -> String {
        let part = |requests: &[Request], every_ms: i64| {
            let bytes: u32 = requests.iter().map(|r| REQUEST_BYTES + ANSWER_BYTES + r.data_bytes()).sum();
            let silences = 2 * requests.len();
            format!(
                "{} request(s) of {bytes} bytes with their answers · {} bits / {} baud = {:.1} ms, {silences} silences \
                 of {:.2} ms, {} answer(s) after {} ms: {:.1} ms every {every_ms} ms",
                requests.len(),
                speed.bits_per_character(),
                speed.baud,
                speed.characters_ns(bytes) as f64 / 1e6,
                speed.silence_ns() as f64 / 1e6,
                requests.len(),
                self.drive.answer_delay.as_ms(),
                self.time_ns(requests) as f64 / 1e6,
            )
        };
        let mut parts = Vec::new();
        if !self.fast.is_empty() {
            parts.push(part(&self.fast, self.drive.poll.as_ms()));
        }
        if !self.slow.is_empty() {
            parts.push(format!("for its counters {}", part(&self.slow, self.drive.poll_counters.as_ms())));
        }
        format!("`{}`: {}", self.drive.name, parts.join("; "))
    }
}

/// Registers of one drive, the fast ones and the counters.
fn registers(cranes: &[Crane], drive: &str) -> (Vec<Register>, Vec<Register>) {
    let signals = cranes.iter().flat_map(|c| &c.mechanisms).flat_map(|m| &m.signals).filter(|s| s.drive == drive);
    let (slow, fast): (Vec<_>, Vec<_>) = signals.partition(|s| s.target.is_counter());
    let of = |signals: Vec<&crate::model::Signal>| signals.into_iter().map(|s| s.register).collect();
    (of(fast), of(slow))
}

/// Reports two drives of one line that would both answer.
pub(crate) fn report_doubles(tables: &[(Given<String>, Table<'_>)], drives: &BTreeMap<String, Drive>) {
    let mut taken: BTreeMap<(&str, u8), &str> = BTreeMap::new();
    for drive in drives.values() {
        let Link::Bus(bus) = &drive.link else { continue };
        let Some(other) = taken.insert((&bus.name, drive.unit), &drive.name) else { continue };
        let Some((_, table)) = tables.iter().find(|(name, _)| name.value == drive.name) else { continue };
        table.faults.wrong(
            table.place("unit"),
            format!("{} is unit {} of the bus `{}`, and so is `{other}`", table.header(), drive.unit, bus.name),
            "write the number that is set on each device; for one device read both ways, use one drive",
        );
    }
}

/// Reports each line whose drives together ask for more than its time.
pub(crate) fn report(
    buses: &Buses,
    tables: &[(Given<String>, Table<'_>)],
    drives: &BTreeMap<String, Drive>,
    cranes: &[Crane],
) {
    let mut lines: BTreeMap<&str, (Speed, Vec<Asked<'_>>)> = BTreeMap::new();
    for drive in drives.values() {
        let (Link::Bus(bus), Some(speed)) = (&drive.link, drive.link.speed()) else { continue };
        let (fast, slow) = registers(cranes, &drive.name);
        let (fast, slow) = wire::fast_and_slow(&fast, &slow, &drive.limits(), &drive.cost());
        lines.entry(&bus.name).or_insert((speed, Vec::new())).1.push(Asked { drive, fast, slow });
    }
    for (bus, (speed, asked)) in lines {
        let share: f64 = asked.iter().map(Asked::share).sum();
        if share <= 1.0 {
            continue;
        }
        let sums: Vec<String> = asked.iter().map(|a| a.sum(speed)).collect();
        let slower = share / PROPOSED_SHARE;
        let fits: Vec<String> = asked
            .iter()
            .filter(|a| !a.fast.is_empty() || !a.slow.is_empty())
            .map(|a| {
                let poll_ms = (a.drive.poll.as_ms() as f64 * slower).ceil();
                let counters = if a.slow.is_empty() || a.drive.poll_counters.as_ms() as f64 > poll_ms {
                    String::new()
                } else {
                    let ms = (a.drive.poll_counters.as_ms() as f64 * slower).ceil();
                    format!(", poll_counters = \"{ms}ms\"")
                };
                format!("poll = \"{poll_ms}ms\"{counters} in [drive.{}]", a.drive.name)
            })
            .collect();
        // Shown at the drive that asks for most; what to change stands there.
        let most = asked.iter().max_by(|a, b| a.share().total_cmp(&b.share())).map(|a| &a.drive.name);
        let table = tables.iter().find(|(name, _)| Some(&name.value) == most).map(|(_, table)| table);
        let Some(table) = table else { continue };
        let place = if table.has("poll") {
            table.place("poll")
        } else {
            buses.places.get(bus).cloned().unwrap_or(table.span.clone())
        };
        table.faults.missing(
            place,
            format!(
                "the bus `{bus}` cannot carry this cadence: it would be busy for {:.0} % of the time. {}",
                share * 100.0,
                sums.join(". ")
            ),
            format!("this fits: {}; or raise the baud of line and devices", fits.join(", ")),
        );
    }
}
