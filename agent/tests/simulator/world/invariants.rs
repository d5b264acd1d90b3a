//! What must hold: of a book before it is committed, of the store at each start, and of the whole at the end.

use std::time::Duration;

use tallyhook::store::message::MessageKind;
use tallyhook::store::verify::verify;
use tallyhook::store::{LiftFilter, MechanismCommit, Reader};
use tallyhook_analysis::account::Account;
use tallyhook_config::model::Mechanism;

use super::{BEGIN_MS, Found, Running, World};
use crate::tally::Sums;

/// Two loads are like each other within this: a tenth of rated (`analysis/src/lift.rs`).
const LIKE_KG: i64 = 1_000;
/// A lift has ended when nothing has hung for so long (`confirm_empty` in `analysis/src/lift.rs`).
const EMPTY_MS: i64 = 1_000;

impl World {
    /// What the store holds is what was committed: no lift lost, none twice, no message, no state; a commit that the
    /// power was lost in stands as a whole or not at all.
    pub(super) fn compare(&mut self) -> Found {
        let reader = Reader::open(&self.config.store.directory).map_err(|e| e.to_string())?;
        let in_doubt = std::mem::take(&mut self.in_doubt);
        if !in_doubt.is_empty() {
            let state = |id: &str| reader.state(id).map(|s| s.map(|s| s.state)).map_err(|e| e.to_string());
            // A book that has nothing new is in a commit of all with the state that stands already: it tells nothing.
            let new: Vec<&MechanismCommit> = in_doubt
                .iter()
                .filter(|c| self.kept[self.mechanism(&c.mechanism).0].state.as_ref() != Some(&c.state))
                .collect();
            let mut stand = 0;
            for commit in &new {
                stand += usize::from(state(&commit.mechanism)?.as_ref() == Some(&commit.state));
            }
            holds!(stand == 0 || stand == new.len(), "{stand} of {} books of one commit stand", new.len());
            if stand > 0 {
                self.report.counts.add("cut commit stands");
                self.note_committed(in_doubt);
            } else {
                self.report.counts.add("cut commit is gone");
            }
        }
        let now = self.hands.now().mono.as_ms();
        for (kept, (_, mechanism)) in self.kept.iter_mut().zip(self.config.mechanisms()) {
            let found = reader.state(&mechanism.id).map_err(|e| e.to_string())?.map(|s| s.state);
            holds!(found == kept.state, "the state of {} is not the committed one", mechanism.id);
            let filter = LiftFilter { mechanism: Some(&mechanism.id), ..LiftFilter::default() };
            let found = reader.lifts(&filter).map_err(|e| e.to_string())?;
            holds!(
                found.iter().map(|l| &l.lift).eq(kept.lifts.values()),
                "{} holds {} lifts, {} were committed, or they are others",
                mechanism.id,
                found.len(),
                kept.lifts.len()
            );
            kept.tally = kept.committed.clone();
            let from = kept.tally.standing.map_or(0, |s| s.mono_ms);
            self.disturbed.push((from, now));
        }
        let stored = reader.messages_after(0, usize::MAX).map_err(|e| e.to_string())?;
        holds!(stored.iter().map(|(_, m)| &m.id).eq(&self.messages), "the outbox is not what was committed");
        Ok(())
    }

    /// The invariants of a book, on what is about to be committed.
    pub(super) fn check(&self, commit: &MechanismCommit) -> Found {
        let (index, mechanism) = self.mechanism(&commit.mechanism);
        let kept = &self.kept[index];
        let account = Account::resume(mechanism.spec.clone(), mechanism.terms(), commit.state.clone());
        let totals = account.recorder().totals();
        let found = Sums {
            observed_ms: totals.observed_ms,
            gap_ms: totals.gap_ms,
            running_ms: totals.running_ms,
            cube_ms: totals.cube_ms,
            starts: totals.starts,
        };
        let id = &commit.mechanism;
        holds!(found == kept.tally.sums, "{id} is booked {found:?}, but {:?} was seen", kept.tally.sums);
        let bands: u64 = totals.band_ms.iter().sum();
        holds!(
            bands + totals.load_unknown_ms == totals.running_ms,
            "{id}: the bands hold {bands} ms of {} ms running",
            totals.running_ms
        );
        let known = kept.lifts.len() as u64
            + commit.lifts.iter().filter(|l| !kept.lifts.contains_key(&l.lift.begin.as_ms())).count() as u64;
        holds!(self.jumps || totals.lifts == known, "{id} counts {} lifts, but {known} are listed", totals.lifts);
        let used = account.used_full_load_hours();
        let served = !commit.services.is_empty();
        holds!(served || used >= kept.used * (1.0 - 1e-12), "S of {id} fell from {} to {used}", kept.used);
        Ok(())
    }

    pub(super) fn mechanism(&self, id: &str) -> (usize, &Mechanism) {
        let found = self.config.mechanisms().enumerate().find(|(_, (_, m))| m.id == id);
        found.map(|(index, (_, mechanism))| (index, mechanism)).unwrap()
    }

    pub(super) fn note_committed(&mut self, commits: Vec<MechanismCommit>) {
        for commit in commits {
            let (index, mechanism) = self.mechanism(&commit.mechanism);
            let account = Account::resume(mechanism.spec.clone(), mechanism.terms(), commit.state.clone());
            let used = account.used_full_load_hours();
            let kept = &mut self.kept[index];
            kept.used = used;
            kept.state = Some(commit.state);
            kept.committed = kept.tally.clone();
            if let Some(standing) = &mut kept.committed.standing {
                standing.date_ms = commit.at.as_ms();
            }
            for booked in commit.lifts {
                kept.lifts.entry(booked.lift.begin.as_ms()).or_insert(booked.lift);
            }
            for message in commit.messages {
                if !self.known.insert(message.id.clone()) {
                    continue;
                }
                if matches!(message.kind, MessageKind::Warning | MessageKind::Finding) {
                    self.receivers.iter().for_each(|r| r.lock().unwrap().owed.push(message.id.clone()));
                }
                self.messages.push(message.id);
            }
        }
    }

    /// Everything comes to rest: all is committed, all is told, and the whole is looked at once more.
    pub(super) fn finish(&mut self, mut last: Running) -> Found {
        self.disk.lock().unwrap().cut_in = None;
        let all = |world: &mut World, last: &mut Running| match world.commit(last, true) {
            Ok(true) => Err("the power went after the end".into()),
            other => other.map(|_| ()),
        };
        all(self, &mut last)?;
        for receiver in &self.receivers {
            receiver.lock().unwrap().lost_every = u32::MAX;
        }
        let until = self.hands.elapsed() + Duration::from_secs(7_200);
        let told = |world: &World| {
            world.receivers.iter().all(|r| {
                let r = r.lock().unwrap();
                r.got == r.owed.len()
            })
        };
        while !told(self) {
            last.tasks.run_until_stalled();
            while let Ok(reading) = last.readings.try_recv() {
                self.take(&mut last, reading)?;
            }
            let next = self.hands.next().ok_or("nobody waits for anything any more")?;
            holds!(next < until, "what is stored is not told, two hours after everything is well");
            self.hands.move_to(next);
        }
        all(self, &mut last)?;
        drop(last);
        self.disk.lock().unwrap().close();
        let reader = Reader::open(&self.config.store.directory).map_err(|e| e.to_string())?;
        let proof = verify(&reader).map_err(|e| e.to_string())?;
        let faults: Vec<String> = proof.faults.iter().map(ToString::to_string).collect();
        holds!(proof.ok, "the ledger does not verify: {faults:?}");
        if !self.jumps {
            self.check_lifts()?;
        }
        for receiver in &self.receivers {
            if let Some(what) = receiver.lock().unwrap().broken.take() {
                return Err(what);
            }
        }
        Ok(())
    }

    /// Lifts against the plan: none twice, none invented, and each that nothing disturbed is there with its load.
    pub(super) fn check_lifts(&self) -> Found {
        let margin = 2 * self.grain_ms + self.stale_ms;
        let now = self.hands.now().mono.as_ms();
        let device = self.device.lock().unwrap();
        for (index, kept) in self.kept.iter().enumerate() {
            let lifts: Vec<(i64, i64, i64)> = kept
                .lifts
                .values()
                .map(|l| (l.begin.as_ms() - BEGIN_MS, l.end.as_ms() - BEGIN_MS, l.load.get() / 1000))
                .collect();
            for pair in lifts.windows(2) {
                holds!(pair[1].0 >= pair[0].1, "hoist {index}: one lift twice: {pair:?}");
            }
            let planned = device.planned(index);
            for (begin, end, load) in &lifts {
                let here = planned.iter().filter(|p| p.begin_ms <= *end && *begin <= p.end_ms + self.stale_ms);
                let loads: Vec<i64> = here.map(|p| p.load_kg).collect();
                let near = planned.iter().filter(|p| p.begin_ms <= end + margin && begin - margin <= p.end_ms);
                let near: Vec<_> = near.collect();
                holds!(
                    loads.contains(load) || self.is_bridged(*begin, *end, *load, &loads),
                    "hoist {index}: nobody lifted {load} kg from {begin} to {end} ms, but {near:?}"
                );
            }
            for p in planned.iter().filter(|p| p.end_ms + 2 * margin + EMPTY_MS < now) {
                let (from, to) = (p.begin_ms - margin, p.end_ms + margin);
                if self.disturbed.iter().any(|(a, b)| *a <= to && from <= *b) {
                    continue;
                }
                let seen = lifts.iter().filter(|(begin, end, _)| p.begin_ms <= *end && *begin <= p.end_ms);
                let seen: Vec<_> = seen.collect();
                // What follows a silence undisturbed may still be counted with the like lift before it.
                let with_another = |(begin, end, load): &(i64, i64, i64)| {
                    let here = planned.iter().filter(|p| p.begin_ms <= *end && *begin <= p.end_ms + self.stale_ms);
                    let loads: Vec<i64> = here.map(|p| p.load_kg).collect();
                    self.is_bridged(*begin, *end, *load, &loads)
                };
                holds!(
                    seen.len() == 1 && (seen[0].2 == p.load_kg || with_another(seen[0])),
                    "hoist {index}: {p:?} was lifted undisturbed, booked is {seen:?}"
                );
            }
        }
        Ok(())
    }

    /// Whether a lift may be several that the books took for one: nobody looked while one load was set down and a like
    /// one taken up. What it is booked with lies between theirs.
    fn is_bridged(&self, begin_ms: i64, end_ms: i64, load_kg: i64, loads: &[i64]) -> bool {
        let unseen = self.disturbed.iter().any(|(from, to)| *from <= end_ms && begin_ms <= *to);
        let below = loads.iter().copied().filter(|load| *load <= load_kg).max();
        let above = loads.iter().copied().filter(|load| *load >= load_kg).min();
        unseen && below.zip(above).is_some_and(|(below, above)| above - below <= LIKE_KG)
    }
}
