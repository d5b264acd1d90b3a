//! A drive with counters of its own, which goes on working whoever asks it: Modbus TCP, a plan that begins anew for ever,
//! and a note of every answer, so that a test knows what somebody who saw all of them must have counted.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use crate::plan::{Plan, Segment};
use crate::yard::unix_now;

/// What the drive had counted when it answered.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Answered {
    /// Unix time, seconds.
    pub at: f64,
    /// It was running.
    pub running: bool,
    /// Its running time so far, seconds.
    pub ran: f64,
    /// Its starts so far.
    pub starts: u64,
}

/// A drive at work.
pub struct CountingDrive {
    /// Where it listens.
    pub port: u16,
    clockwork: Arc<Clockwork>,
    ends: Arc<AtomicBool>,
}

struct Clockwork {
    begun: f64,
    plan: Plan,
    answers: Mutex<Vec<Answered>>,
}

impl CountingDrive {
    /// Begins the plan; it is played again and again.
    pub fn start(plan: Plan) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let clockwork = Arc::new(Clockwork { begun: unix_now(), plan, answers: Mutex::default() });
        let ends = Arc::new(AtomicBool::new(false));
        std::thread::spawn({
            let (clockwork, ends) = (clockwork.clone(), ends.clone());
            move || {
                for stream in listener.incoming().map_while(Result::ok) {
                    if ends.load(Ordering::Relaxed) {
                        return;
                    }
                    let clockwork = clockwork.clone();
                    // Ends with its client.
                    std::thread::spawn(move || clockwork.serve(stream));
                }
            }
        });
        CountingDrive { port, clockwork, ends }
    }

    /// Its signals, as the configuration names them, with unit and counters.
    pub fn signals() -> &'static str {
        r#"load_kg = { table = "holding", address = 0, type = "i32", word_order = "high-first", scale = 0.1, unit = "kg" }
raising = { table = "holding", address = 2, type = "bit", bit = 0 }
lowering = { table = "holding", address = 2, type = "bit", bit = 1 }
run_hours = { table = "holding", address = 3, type = "u32", word_order = "high-first", scale = 0.1, unit = "s" }
starts = { table = "holding", address = 5, type = "u32", word_order = "high-first" }"#
    }

    /// What it stands at now.
    pub fn now(&self) -> Answered {
        self.at(unix_now())
    }

    /// What it stood at.
    pub fn at(&self, unix: f64) -> Answered {
        self.clockwork.at(unix).0
    }

    /// Whether it is in the last quarter of the run that ends the plan.
    pub fn late_in_the_long_run(&self) -> bool {
        let cycle = self.clockwork.plan.seconds();
        let last = self.clockwork.plan.segments.last().map_or(0.0, |segment| segment.seconds);
        (unix_now() - self.clockwork.begun).rem_euclid(cycle) > cycle - last / 4.0
    }

    /// Everything it has answered so far.
    pub fn answers(&self) -> Vec<Answered> {
        self.clockwork.answers.lock().unwrap().clone()
    }
}

impl Drop for CountingDrive {
    fn drop(&mut self) {
        self.ends.store(true, Ordering::Relaxed);
        // Wakes the listener.
        drop(TcpStream::connect(("127.0.0.1", self.port)));
    }
}

impl Clockwork {
    fn at(&self, unix: f64) -> (Answered, f64, Segment) {
        let (cycle, runs, starts) = (self.plan.seconds(), self.plan.running_seconds(), self.plan.starts());
        let since = (unix - self.begun).max(0.0);
        let cycles = (since / cycle).floor();
        let mut left = since - cycles * cycle;
        let mut state = Answered { at: unix, running: false, ran: cycles * runs, starts: cycles as u64 * starts };
        for segment in &self.plan.segments {
            let runs = segment.up || segment.down;
            state.starts += u64::from(runs && !state.running);
            state.running = runs;
            let here = left.min(segment.seconds);
            state.ran += if runs { here } else { 0.0 };
            if left < segment.seconds {
                let load = segment.from_kg + (segment.to_kg - segment.from_kg) * left / segment.seconds;
                return (state, load, *segment);
            }
            left -= segment.seconds;
        }
        unreachable!("a time within the plan is within one of its segments")
    }

    fn serve(&self, mut stream: TcpStream) {
        let _ = stream.set_nodelay(true);
        let _ = stream.set_read_timeout(Some(Duration::from_secs(60)));
        let mut asked = [0_u8; 12];
        while stream.read_exact(&mut asked).is_ok() {
            let word = |at: usize| usize::from(u16::from_be_bytes([asked[at], asked[at + 1]]));
            let (function, first, count) = (asked[7], word(8), word(10));
            let (state, load, segment) = self.at(unix_now());
            let load = ((load * 10.0).round() as i32).to_be_bytes();
            let ran = ((state.ran * 10.0).floor() as u32).to_be_bytes();
            let starts = (state.starts as u32).to_be_bytes();
            let status = [0, u8::from(segment.up) | u8::from(segment.down) << 1];
            let all: Vec<u8> = [&load[..], &status, &ran, &starts].concat();
            let body = match all.get(first * 2..(first + count) * 2) {
                Some(registers) if function == 3 => [&[3, registers.len() as u8], registers].concat(),
                _ => vec![function | 0x80, 2],
            };
            let mut answer = asked[..4].to_vec();
            answer.extend((body.len() as u16 + 1).to_be_bytes());
            answer.push(asked[6]);
            answer.extend(body);
            if first <= 2 && first + count > 2 {
                self.answers.lock().unwrap().push(state);
            }
            if stream.write_all(&answer).is_err() {
                return;
            }
        }
    }
}

/// Short lifts, then a long run of the empty hook: within it nothing ends that would be committed at once.
pub fn brisk_plan(rated_kg: f64) -> Plan {
    let mut plan = Plan::new(rated_kg);
    for i in 0..3 {
        let load = rated_kg * [0.35, 0.8, 0.55][i];
        let mut push = |seconds, from_kg, to_kg, up, down| {
            plan.segments.push(Segment { seconds, from_kg, to_kg, up, down });
        };
        push(0.3, 0.0, 0.0, false, false);
        push(0.3, load, load, true, false);
        push(0.3, load, load, false, false);
        push(0.3, load, load, false, true);
        push(0.3, 0.0, 0.0, false, false);
        plan.lifts += 1;
        plan.loads_kg.push(load);
    }
    plan.run(4.0);
    plan
}
