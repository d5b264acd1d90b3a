//! Raw samples on their way to the rings: a thread of its own writes them, for a disk may take its time and the polls
//! may not.

use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};

use tallyhook_analysis::sample::Sample;
use tallyhook_analysis::units::Span;
use tallyhook_config::model::Config;

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

/// The rings of a site.
pub struct Rings {
    /// By mechanism; `None` where nothing is recorded.
    waiting: Vec<Option<Vec<Sample>>>,
    orders: Option<SyncSender<Order>>,
}

impl Rings {
    /// Opens the rings of a configuration, in the order of its mechanisms.
    pub fn open(config: &Config) -> Self {
        let nothing = Rings { waiting: Vec::new(), orders: None };
        let Some(bounds) = config.store.recording else { return nothing };
        let open = |mechanism: &str| {
            RingWriter::open(&config.store.directory, mechanism, bounds)
                .inspect_err(|error| tracing::error!("raw samples are not recorded: {error}"))
                .ok()
        };
        let writers: Vec<_> = config.mechanisms().map(|(_, mechanism)| open(&mechanism.id)).collect();
        let waiting = writers.iter().map(|writer| writer.as_ref().map(|_| Vec::new())).collect();
        let (orders, queue) = sync_channel(QUEUE);
        match std::thread::Builder::new().name("samples".to_owned()).spawn(move || write(writers, &queue)) {
            Ok(_) => Rings { waiting, orders: Some(orders) },
            Err(error) => {
                tracing::error!("raw samples are not recorded: {error}");
                nothing
            }
        }
    }

    /// Takes a sample of a mechanism; never waits.
    pub fn take(&mut self, mechanism: usize, sample: &Sample) {
        let (Some(orders), Some(Some(waiting))) = (&self.orders, self.waiting.get_mut(mechanism)) else { return };
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
                tracing::error!("raw samples were thrown away: the disk has taken none for too long");
            }
            Err(TrySendError::Disconnected(_)) => {
                tracing::error!("raw samples are no longer recorded: their thread broke off; restart the daemon");
                self.orders = None;
            }
        }
    }

    /// Makes all that was taken durable, and waits for it.
    pub fn flush(&mut self) {
        let Some(orders) = &self.orders else { return };
        for (mechanism, waiting) in self.waiting.iter_mut().enumerate() {
            if let Some(samples) = waiting.as_mut().map(std::mem::take) {
                // An error means that the thread has ended, and has said why.
                let _ = orders.send(Order::Samples(mechanism, samples));
            }
        }
        let (done, flushed) = sync_channel(1);
        if orders.send(Order::Flush(done)).is_ok() {
            let _ = flushed.recv();
        }
    }
}

fn write(mut writers: Vec<Option<RingWriter>>, orders: &Receiver<Order>) {
    while let Ok(order) = orders.recv() {
        match order {
            Order::Samples(mechanism, samples) => {
                let Some(place) = writers.get_mut(mechanism) else { continue };
                let written = place.as_mut().map_or(Ok(()), |ring| samples.iter().try_for_each(|s| ring.append(s)));
                if let Err(error) = written {
                    tracing::error!("raw samples are no longer recorded: {error}");
                    *place = None;
                }
            }
            Order::Flush(done) => {
                for ring in writers.iter_mut().flatten() {
                    if let Err(error) = ring.flush() {
                        tracing::error!("raw samples could not be written: {error}");
                    }
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
        let mut rings = Rings { waiting: vec![Some(Vec::new())], orders: Some(orders) };
        for n in 0..100_000 {
            rings.take(0, &Sample::at(Timestamp::from_ms(n * 100)));
        }
        let waiting = rings.waiting[0].as_ref().map_or(0, Vec::len);
        assert!(waiting <= MOST_WAITING, "{waiting} samples wait");
    }
}
