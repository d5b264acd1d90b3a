//! What a seed has next, and when it ends: deaths, full disks, drives and receivers away, clocks that jump.

use tallyhook::store::service::{self, Service, Work};
use tallyhook_analysis::service::ServiceKind;
use tallyhook_analysis::units::{Span, Timestamp};

use tallyhook::drive::Repeats;

use super::{DAY_MS, End, Running, World};

/// What ends by itself.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Ends {
    Off,
    Hang,
    FullDisk,
    Down(usize),
    Wall(i64),
}

impl World {
    /// What the seed has next: most often nothing.
    pub(super) fn fate(&mut self, running: &mut Running, most: u64) -> Result<Option<End>, String> {
        let now = self.hands.now();
        let mono = now.mono.as_ms();
        if self.report.readings >= most {
            // No more faults; those that last come to their ends.
            let over = self.held.is_none() && self.pending.is_empty();
            return Ok(over.then_some(End::Stopped));
        }
        let draw = self.rng.u32(0..4_000);
        let lasts = |world: &mut World, grains: i64| mono + world.grain_ms * world.rng.i64(3..grains);
        match draw {
            0..8 | 66..74 if draw < 8 || self.jumps => {
                self.report.counts.add("killed");
                if self.jumps && self.rng.bool() {
                    self.report.counts.add("clock unset at a start");
                    let off = now.wall.as_ms();
                    self.hands.set_wall(Timestamp::from_ms(self.rng.i64(0..1_000_000)));
                    let until = lasts(self, 200);
                    self.pending.push((until, Ends::Wall(off - mono)));
                }
                return Ok(Some(End::Fell));
            }
            8..14 if self.held.is_none() => {
                self.report.counts.add("stopped in order");
                if self.repeats == Repeats::HeldBack {
                    self.end_polling(running)?;
                }
                if self.commit(running, true)? {
                    return Ok(Some(End::Fell));
                }
                return Ok(Some(End::Stopped));
            }
            14..26 => self.disk.lock().unwrap().cut_in = Some(self.rng.u32(0..4)),
            26..32 if !self.pends(|e| e == Ends::FullDisk) => {
                self.report.counts.add("disk full");
                let bound = self.disk.lock().unwrap().store().bound(Some(0));
                bound.map_err(|e| e.to_string())?;
                let until = lasts(self, 60);
                self.pending.push((until, Ends::FullDisk));
            }
            32..38 if !self.pends(|e| e == Ends::Off) => {
                self.report.counts.add("drive switched off");
                let mut device = self.device.lock().unwrap();
                device.off = true;
                device.hang_up();
                drop(device);
                // A drive that is away is called once a second: a long time to play.
                let until = lasts(self, 60).min(mono + 7_200_000);
                self.pending.push((until, Ends::Off));
            }
            38..42 if !self.pends(|e| e == Ends::Hang) => {
                self.report.counts.add("call not answered");
                let mut device = self.device.lock().unwrap();
                device.hangs = true;
                device.hang_up();
                drop(device);
                let until = lasts(self, 30).min(mono + 7_200_000);
                self.pending.push((until, Ends::Hang));
            }
            42..54 => {
                let n = self.rng.usize(0..self.receivers.len());
                if !self.pends(|e| e == Ends::Down(n)) {
                    self.report.counts.add("receiver away");
                    self.receivers[n].lock().unwrap().down = true;
                    let until = lasts(self, if n == 0 { 40 } else { 600 });
                    self.pending.push((until, Ends::Down(n)));
                }
            }
            74..98 if self.jumps && !self.pends(|e| matches!(e, Ends::Wall(_))) => {
                let large = self.rng.bool();
                self.report.counts.add(if large { "clock far off" } else { "clock put right by a little" });
                let off = if large { self.rng.i64(3_600_000..3 * DAY_MS) } else { self.rng.i64(600..600_000) };
                let off = if self.rng.bool() { off } else { -off };
                if large && self.rng.u8(0..3) > 0 {
                    let until = lasts(self, 300);
                    self.pending.push((until, Ends::Wall(now.wall.as_ms() - mono)));
                }
                self.hands.set_wall(now.wall.plus(Span::from_ms(off)));
            }
            62..66 => {
                let (_, mechanism) = self.config.mechanisms().nth(self.rng.usize(0..self.kept.len())).unwrap();
                let work = Work::Period { by: ServiceKind::Overhaul, design_full_load_hours: None };
                let mechanism = mechanism.id.clone();
                let recorded = Service { mechanism, at: now.wall, work, by: "a fitter".into(), note: String::new() };
                // On a full disk it cannot be recorded, and the fitter is told so.
                if service::append(&self.config.store.directory, &recorded).is_ok() {
                    self.report.counts.add("service recorded");
                }
                let services = self.disk.lock().unwrap().store().open_services().map_err(|e| e.to_string())?;
                running.site.take_services(&services, now);
            }
            _ => {}
        }
        Ok(None)
    }

    pub(super) fn pends(&self, what: impl Fn(Ends) -> bool) -> bool {
        self.pending.iter().any(|(_, ends)| what(*ends))
    }

    pub(super) fn end_what_ends(&mut self) {
        let mono = self.hands.now().mono.as_ms();
        let (due, rest): (Vec<_>, Vec<_>) = self.pending.drain(..).partition(|(at, _)| *at <= mono);
        self.pending = rest;
        for (_, ends) in due {
            match ends {
                Ends::Off => self.device.lock().unwrap().off = false,
                Ends::Hang => self.device.lock().unwrap().hangs = false,
                // A start in between has taken the bound away already.
                Ends::FullDisk => drop(self.disk.lock().unwrap().store().bound(None)),
                Ends::Down(n) => self.receivers[n].lock().unwrap().down = false,
                Ends::Wall(ahead) => self.hands.set_wall(Timestamp::from_ms(ahead + mono)),
            }
        }
    }
}
