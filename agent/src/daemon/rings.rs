//! Raw samples on their way to the rings: a thread of its own writes them, for a disk may take its time and the polls
//! may not.

use std::path::PathBuf;
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tallyhook_analysis::sample::Sample;
use tallyhook_analysis::units::Span;
use tallyhook_config::model::{Config, RecordingRing};

use crate::samples::SamplesError;
use crate::samples::recording::RingWriter;

/// So many samples, or those of so long, are handed over at once: each time wakes the thread.
const TOGETHER: (usize, Span) = (100, Span::from_ms(5_000));

/// What may wait of one mechanism for a disk that hangs; then it is thrown away, and said.
const MOST_WAITING: usize = 36_000;

/// Orders that may wait for the thread.
const QUEUE: usize = 16;

enum Order {
    Samples(usize, Vec<Sample>),
    Flush(SyncSender<()>),
}

/// `None` until it has shown how it goes with a ring, or what is wrong with it, in a sentence.
pub type Shown = Option<Result<(), String>>;

/// How it goes with each ring, in the order of their mechanisms.
#[derive(Clone, Default)]
struct Health(Arc<Mutex<Vec<Shown>>>);

impl Health {
    fn of_all(&self) -> MutexGuard<'_, Vec<Shown>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn set(&self, mechanism: usize, how: Result<(), String>) {
        if let Some(place) = self.of_all().get_mut(mechanism) {
            *place = Some(how);
        }
    }
}

/// The rings of a site.
pub struct Rings {
    /// By mechanism; none where nothing is recorded.
    waiting: Vec<Vec<Sample>>,
    orders: Option<SyncSender<Order>>,
    health: Health,
}

impl Rings {
    /// Opens the rings of a configuration, in the order of its mechanisms.
    pub fn open(config: &Config) -> Self {
        let health = Health::default();
        let Some(bounds) = config.store.recording else { return Rings { waiting: Vec::new(), orders: None, health } };
        let ring = |mechanism: &str| Ring {
            directory: config.store.directory.clone(),
            mechanism: mechanism.to_owned(),
            bounds,
            writer: None,
        };
        let mut rings: Vec<Ring> = config.mechanisms().map(|(_, mechanism)| ring(&mechanism.id)).collect();
        let waiting = vec![Vec::new(); rings.len()];
        health.of_all().resize(rings.len(), None);
        for (index, ring) in rings.iter_mut().enumerate() {
            // What cannot be opened now is tried again with its first samples.
            if let Err(error) = ring.open() {
                health.set(index, Err(ring.said(&error)));
            }
        }
        let (orders, queue) = sync_channel(QUEUE);
        let told = health.clone();
        match std::thread::Builder::new().name("samples".to_owned()).spawn(move || write(rings, &queue, &told)) {
            Ok(_) => Rings { waiting, orders: Some(orders), health },
            Err(error) => {
                let said = format!("raw samples are not recorded: {error}; restart the daemon");
                health.of_all().fill(Some(Err(said)));
                Rings { waiting, orders: None, health }
            }
        }
    }

    /// What is wrong with a ring, in a sentence; `None` until something has been written to one, where some are kept.
    pub fn health(&self) -> Shown {
        let all = self.health.of_all();
        let wrong = all.iter().flatten().find(|how| how.is_err());
        wrong.or_else(|| all.iter().flatten().next()).cloned().or_else(|| all.is_empty().then_some(Ok(())))
    }

    /// Takes a sample of a mechanism; never waits.
    pub fn take(&mut self, mechanism: usize, sample: &Sample) {
        let (Some(orders), Some(waiting)) = (&self.orders, self.waiting.get_mut(mechanism)) else { return };
        waiting.push(*sample);
        let age = waiting.first().map_or(Span::ZERO, |first| sample.at.since(first.at)).as_ms();
        if waiting.len() < TOGETHER.0 && (0..TOGETHER.1.as_ms()).contains(&age) {
            return;
        }
        match orders.try_send(Order::Samples(mechanism, std::mem::take(waiting))) {
            // One room for all that is handed over together, not one for each doubling.
            Ok(()) => waiting.reserve_exact(TOGETHER.0),
            Err(TrySendError::Full(Order::Samples(_, samples))) if samples.len() < MOST_WAITING => *waiting = samples,
            Err(TrySendError::Full(_)) => {
                let said = "raw samples were thrown away: the disk has taken none for too long; check the disk";
                self.health.set(mechanism, Err(said.to_owned()));
            }
            Err(TrySendError::Disconnected(_)) => {
                let said = "raw samples are no longer recorded: their thread broke off; restart the daemon";
                self.health.set(mechanism, Err(said.to_owned()));
                self.orders = None;
            }
        }
    }

    /// Makes all that was taken durable, and waits for it.
    pub fn flush(&mut self) {
        let Some(orders) = &self.orders else { return };
        for (mechanism, waiting) in self.waiting.iter_mut().enumerate() {
            // An error means that the thread has ended.
            let _ = orders.send(Order::Samples(mechanism, std::mem::take(waiting)));
        }
        let (done, flushed) = sync_channel(1);
        if orders.send(Order::Flush(done)).is_ok() {
            let _ = flushed.recv();
        }
    }
}

/// The ring of one mechanism, as the thread has it.
struct Ring {
    directory: PathBuf,
    mechanism: String,
    bounds: RecordingRing,
    /// `None` where it could not be opened so far.
    writer: Option<RingWriter>,
}

impl Ring {
    fn open(&mut self) -> Result<&mut RingWriter, SamplesError> {
        let writer = match self.writer.take() {
            Some(writer) => writer,
            None => RingWriter::open(&self.directory, &self.mechanism, self.bounds)?,
        };
        Ok(self.writer.insert(writer))
    }

    /// Takes samples. The first that is refused takes those behind it with it; the next order tries again.
    fn take(&mut self, samples: &[Sample]) -> Result<(), SamplesError> {
        let writer = self.open()?;
        samples.iter().try_for_each(|sample| writer.append(sample))
    }

    fn flush(&mut self) -> Result<(), SamplesError> {
        self.writer.as_mut().map_or(Ok(()), RingWriter::flush)
    }

    fn written(&self) -> u64 {
        self.writer.as_ref().map_or(0, RingWriter::written)
    }

    fn said(&self, error: &SamplesError) -> String {
        format!(
            "raw samples of `{}` are not recorded: {error}. It is tried again; lifts and hours are counted all the same",
            self.mechanism
        )
    }
}

fn write(mut rings: Vec<Ring>, orders: &Receiver<Order>, health: &Health) {
    let tell = |index: usize, ring: &Ring, before: u64, result: Result<(), SamplesError>| match result {
        Err(error) => health.set(index, Err(ring.said(&error))),
        // What only waits in memory shows nothing.
        Ok(()) if ring.written() > before => health.set(index, Ok(())),
        Ok(()) => {}
    };
    while let Ok(order) = orders.recv() {
        match order {
            Order::Samples(index, samples) => {
                let Some(ring) = rings.get_mut(index) else { continue };
                let before = ring.written();
                let result = ring.take(&samples);
                tell(index, ring, before, result);
            }
            Order::Flush(done) => {
                for (index, ring) in rings.iter_mut().enumerate() {
                    let before = ring.written();
                    let result = ring.flush();
                    if let Err(error) = &result {
                        // At the end nobody asks for it any more.
                        tracing::error!("raw samples could not be written: {error}");
                    }
                    tell(index, ring, before, result);
                }
                let _ = done.send(());
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use tallyhook_analysis::sample::Quantity;
    use tallyhook_analysis::units::Timestamp;
    use tallyhook_config::model::RecordingRing;

    use super::*;
    use crate::drive::fixture::{config, drive, hoist_signals};
    use crate::samples::recording::Recording;

    #[test]
    fn what_was_taken_is_in_the_ring_after_a_flush_each_mechanism_in_its_own() {
        let place = tempfile::tempdir().unwrap();
        let drives = vec![drive("a", "h:1", 100, 1000), drive("b", "h:2", 100, 1000)];
        let mut config = config(drives, vec![hoist_signals("a"), hoist_signals("b")]);
        config.store.directory = place.path().to_owned();
        config.store.recording = Some(RecordingRing { days: 2, megabytes: 50 });
        let ids: Vec<String> = config.mechanisms().map(|(_, m)| m.id.clone()).collect();
        let mut rings = Rings::open(&config);
        for n in 0..1_234_i64 {
            let mut sample = Sample::at(Timestamp::from_ms(1_790_000_000_000 + n * 100));
            sample.set(Quantity::Load, Some(n));
            rings.take((n % 2) as usize, &sample);
        }
        rings.flush();
        for (index, id) in ids.iter().enumerate() {
            let loads: Vec<i64> = Recording::of_mechanism(place.path(), id)
                .unwrap()
                .map(|sample| sample.unwrap().get(Quantity::Load).unwrap())
                .collect();
            assert_eq!(loads, (0..1_234).filter(|n| n % 2 == index as i64).collect::<Vec<_>>());
        }
    }

    #[test]
    fn a_disk_that_takes_nothing_holds_nobody_up() {
        // No thread takes an order.
        let (orders, _queue) = sync_channel(1);
        let mut rings = Rings { waiting: vec![Vec::new()], orders: Some(orders), health: Health::default() };
        rings.health.of_all().push(None);
        for n in 0..100_000 {
            rings.take(0, &Sample::at(Timestamp::from_ms(n * 100)));
        }
        let waiting = rings.waiting[0].len();
        assert!(waiting <= MOST_WAITING, "{waiting} samples wait");
        assert!(rings.health().unwrap().unwrap_err().contains("thrown away"));
    }

    /// A disk that is full, away or read-only for a while: here its folder is, for a file is in its place.
    #[test]
    fn one_write_that_fails_is_said_and_what_comes_after_it_is_recorded_again() {
        const DAY: i64 = 86_400_000;
        let place = tempfile::tempdir().unwrap();
        let mut config = config(vec![drive("a", "h:1", 100, 1000)], vec![hoist_signals("a")]);
        config.store.directory = place.path().to_owned();
        config.store.recording = Some(RecordingRing { days: 9, megabytes: 50 });
        let (folder, away) = (place.path().join("samples"), place.path().join("away"));
        let mut rings = Rings::open(&config);
        let mut take = |day: i64| {
            for n in 0..700 {
                let mut sample = Sample::at(Timestamp::from_ms(1_790_000_000_000 + day * DAY + n * 100));
                sample.set(Quantity::Load, Some(day * 1000 + n));
                rings.take(0, &sample);
            }
            rings.flush();
            rings.health()
        };
        assert_eq!(take(0), Some(Ok(())));
        std::fs::rename(&folder, &away).unwrap();
        std::fs::write(&folder, "in the way").unwrap();
        let said = take(1).unwrap().unwrap_err();
        assert!(said.contains("raw samples of `hoist-0` are not recorded") && said.contains("tried again"), "{said}");
        std::fs::remove_file(&folder).unwrap();
        std::fs::rename(&away, &folder).unwrap();
        assert_eq!(take(2), Some(Ok(())));
        let loads: Vec<i64> = Recording::of_mechanism(place.path(), "hoist-0")
            .unwrap()
            .map(|sample| sample.unwrap().get(Quantity::Load).unwrap())
            .collect();
        let day = |day: i64| (day * 1000..day * 1000 + 700).collect::<Vec<_>>();
        assert_eq!(loads, [day(0), day(2)].concat());
    }

    #[test]
    fn a_ring_that_could_not_be_opened_at_the_start_is_opened_later() {
        let place = tempfile::tempdir().unwrap();
        let mut config = config(vec![drive("a", "h:1", 100, 1000)], vec![hoist_signals("a")]);
        config.store.directory = place.path().to_owned();
        config.store.recording = Some(RecordingRing { days: 9, megabytes: 50 });
        std::fs::write(place.path().join("samples"), "in the way").unwrap();
        let mut rings = Rings::open(&config);
        assert!(rings.health().unwrap().is_err());
        std::fs::remove_file(place.path().join("samples")).unwrap();
        rings.take(0, &Sample::at(Timestamp::from_ms(1_790_000_000_000)));
        rings.flush();
        assert_eq!(rings.health(), Some(Ok(())));
        assert_eq!(Recording::of_mechanism(place.path(), "hoist-0").unwrap().count(), 1);
    }
}
