//! The guided calibration at the panel: the drive's readings, a person's lines, a plain terminal.

use std::io::{BufRead, IsTerminal, Write};
use std::path::Path;
use std::time::Duration;

use tallyhook_analysis::sample::{Flag, Quantity, Sample};
use tallyhook_config::model::{Config, Mechanism, Target};
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::{mpsc, watch};

use super::fit::{CAUTION, Found};
use super::guide::{Guide, Next, PROMPT};
use super::keep::Keeper;
use super::steadiness;
use crate::clock::Clock;
use crate::drive::assemble::Assembler;
use crate::drive::{self, DriveReading, Repeats};
use crate::exit::Failure;

/// How long the first reading is waited for.
const FIRST_READING: Duration = Duration::from_secs(10);

/// Columns of the line that is drawn over.
const COLUMNS: usize = 78;

/// Guides a person through it; what was taken, once they are done, or gone.
pub(super) fn found(config: &Config, mechanism: &Mechanism, tolerance: f64) -> Result<Found, Failure> {
    let reads = |target| mechanism.signals.iter().any(|signal| signal.target == target);
    for (name, target) in [
        ("torque_pct", Target::Quantity(Quantity::Torque)),
        ("raising", Target::Flag(Flag::Raising)),
        ("lowering", Target::Flag(Flag::Lowering)),
    ] {
        if !reads(target) {
            return Err(Failure::Usage(format!(
                "{} has no signal `{name}`; add it to [crane.mechanism.signals]. A load signal needs no calibration here",
                mechanism.id
            )));
        }
    }
    let steadiness = steadiness(mechanism, reads(Target::Quantity(Quantity::Speed)));
    let guide = Guide::new(&mechanism.id, mechanism.spec.rated, tolerance, steadiness);
    crate::commands::runtime()?.block_on(talk(only(config, mechanism), guide))
}

/// The configuration with this mechanism alone: nothing else is read.
fn only(config: &Config, mechanism: &Mechanism) -> Config {
    let mut config = config.clone();
    for crane in &mut config.cranes {
        crane.mechanisms.retain(|m| m.id == mechanism.id);
    }
    config.cranes.retain(|crane| !crane.mechanisms.is_empty());
    config.drives.retain(|name, _| mechanism.signals.iter().any(|signal| signal.drive == *name));
    config
}

async fn talk(config: Config, mut guide: Guide) -> Result<Found, Failure> {
    let (stop, stopped) = watch::channel(false);
    let (sender, mut readings) = mpsc::channel(drive::QUEUE);
    let clock = Clock::system();
    let mut pollers = drive::spawn(&config, clock.clone(), Repeats::Told, sender, stopped);
    let mut interrupted = crate::commands::run::interrupted()?;
    // A terminal that is closed ends it as a person would: what is under way is left out, the rest stands.
    let mut hangup = signal(SignalKind::hangup()).map_err(Failure::run)?;
    let mut keeper = Keeper::new(Path::new("."));
    let mut typed = lines();
    let mut panel = Panel { assembler: Assembler::new(&config), screen: Screen::new(), raw: String::new() };

    panel.screen.say(CAUTION);
    panel.screen.say("The drive is only read. Known weights only, within the rated load.");
    let first = tokio::select! {
        first = clock.within(FIRST_READING, panel.first(&mut readings)) => first,
        _ = interrupted.wait_for(|stop| *stop) => return Ok(guide.found()),
        _ = hangup.recv() => return Ok(guide.found()),
    };
    let first = first.unwrap_or_else(|| Err("it does not answer".to_owned())).map_err(|why| {
        Failure::Run(format!(
            "no `torque_pct` within {} s: {why}. `tallyhook check --live` looks closer; where the drive takes one \
             connection only, stop the daemon meanwhile",
            FIRST_READING.as_secs()
        ))
    })?;
    panel.ask(&first, &guide, "");
    let mut last = first;
    loop {
        let next = tokio::select! {
            _ = interrupted.wait_for(|stop| *stop) => Next::End,
            _ = hangup.recv() => Next::End,
            line = typed.recv() => match line {
                Some(line) => guide.typed(&line),
                None => Next::End,
            },
            reading = readings.recv() => {
                let Some(reading) = reading else { return Err(Failure::Run("the drive is not read any more".into())) };
                match panel.take(&reading) {
                    Some(sample) => {
                        last = sample;
                        let next = guide.read(&sample);
                        if next.is_none() && guide.watches() {
                            panel.draw(&sample, &guide.progress(&sample));
                        }
                        match next {
                            Some(next) => next,
                            None => continue,
                        }
                    }
                    None => {
                        if guide.watches() && !reading.link.is_up() {
                            panel.screen.draw(&format!("drive {}: {}", reading.drive, reading.link));
                        }
                        continue;
                    }
                }
            }
        };
        if let Some(told) = keeper.keep(&guide.found()) {
            panel.screen.say(&told);
        }
        match next {
            Next::Say(text) | Next::Watch(text) => panel.screen.say(&text),
            Next::Ask(text) => panel.ask(&last, &guide, &text),
            Next::End => break,
        }
    }
    stop.send_replace(true);
    drop(readings);
    while pollers.join_next().await.is_some() {}
    panel.screen.end();
    Ok(guide.found())
}

/// What somebody types, a line at a time; it ends where standard input does. A thread of its own waits for it, which ends
/// with the program.
fn lines() -> mpsc::Receiver<String> {
    let (sender, receiver) = mpsc::channel(16);
    std::thread::spawn(move || {
        let mut input = std::io::stdin().lock();
        let mut line = Vec::new();
        while let Ok(1..) = input.read_until(b'\n', &mut line) {
            if sender.blocking_send(String::from_utf8_lossy(&line).into_owned()).is_err() {
                return;
            }
            line.clear();
        }
    });
    receiver
}

/// The readings and where they are shown.
struct Panel {
    assembler: Assembler,
    screen: Screen,
    /// The words of the torque as they last came.
    raw: String,
}

impl Panel {
    /// The first sample with a torque in it. Until then the screen says how the link stands; an error says how it stood.
    async fn first(&mut self, readings: &mut mpsc::Receiver<DriveReading>) -> Result<Sample, String> {
        while let Some(reading) = readings.recv().await {
            let at = format!("drive {}: {}", reading.drive, reading.link);
            self.screen.draw(&at);
            if let Some(sample) = self.take(&reading).filter(|s| s.get(Quantity::Torque).is_some()) {
                self.screen.say(&at);
                return Ok(sample);
            }
        }
        Err("it is not read".to_owned())
    }

    fn take(&mut self, reading: &DriveReading) -> Option<Sample> {
        let torque = reading.values.iter().find(|value| value.target == Target::Quantity(Quantity::Torque));
        if let Some(value) = torque {
            self.raw = value.raw.as_slice().iter().map(|word| format!("{word:04X}")).collect::<Vec<_>>().join(" ");
        }
        self.assembler.take(reading).into_iter().map(|(_, sample)| sample).next_back()
    }

    fn signals(&self, sample: &Sample) -> String {
        let pct = |quantity| match sample.get(quantity) {
            Some(value) => format!("{:.1} %", value as f64 / 1000.0),
            None => "not read".to_owned(),
        };
        let speed = sample.get(Quantity::Speed).map(|_| format!(", speed {}", pct(Quantity::Speed)));
        format!("torque {} (raw {}){}", pct(Quantity::Torque), self.raw, speed.unwrap_or_default())
    }

    fn draw(&mut self, sample: &Sample, progress: &str) {
        let line = format!("{}; {progress}", self.signals(sample));
        self.screen.draw(&line);
    }

    fn ask(&mut self, sample: &Sample, guide: &Guide, text: &str) {
        if !text.is_empty() {
            self.screen.say(text);
        }
        let now = format!("Now: {}; {}.", self.signals(sample), guide.progress(sample));
        self.screen.say(&now);
        self.screen.prompt();
    }
}

/// A plain terminal: lines, and one at the end that is drawn over. No control sequence but the carriage return; where
/// standard output is a file there is no such line.
struct Screen {
    terminal: bool,
    /// Characters on the line that is drawn over.
    drawn: usize,
}

impl Screen {
    fn new() -> Self {
        Screen { terminal: std::io::stdout().is_terminal(), drawn: 0 }
    }

    /// A terminal that is gone is no reason to lose what was taken: the end is told by standard input.
    fn put(text: &str) {
        let mut out = std::io::stdout().lock();
        let text = text.replace('\u{202f}', " ").replace('−', "-");
        let _ = out.write_all(text.as_bytes()).and_then(|()| out.flush());
    }

    fn wipe(&mut self) {
        if self.drawn > 0 {
            Self::put(&format!("\r{}\r", " ".repeat(self.drawn)));
            self.drawn = 0;
        }
    }

    fn say(&mut self, text: &str) {
        self.wipe();
        let mut out = String::new();
        crate::commands::status::wrapped(&mut out, "", text);
        Self::put(&out);
    }

    fn draw(&mut self, text: &str) {
        if !self.terminal {
            return;
        }
        let line: String = text.chars().take(COLUMNS).collect();
        let length = line.chars().count();
        Self::put(&format!("\r{line}{}", " ".repeat(self.drawn.saturating_sub(length))));
        self.drawn = length;
    }

    fn prompt(&mut self) {
        self.wipe();
        Self::put(PROMPT);
    }

    fn end(&mut self) {
        self.wipe();
        Self::put("\n");
    }
}
