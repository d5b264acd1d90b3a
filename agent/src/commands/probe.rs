//! `probe`: what a device's registers hold, for whoever has half a manual.

use std::fmt::Write as _;
use std::path::PathBuf;
use std::sync::Arc;

use serde_json::{Value, json};
use tallyhook_analysis::units::Span;
use tallyhook_config::model::{Bus, ByteOrder, Framing, Line, Link as Route, RawType, Register, Table, WordOrder};
use tallyhook_config::wire::{MAX_CONTACTS, MAX_REGISTERS, Parity, Speed};

use super::site_file::SiteFile;
use crate::clock::Clock;
use crate::drive::decode::{self, Number};
use crate::drive::exception_words;
use crate::drive::link::Link;
use crate::drive::port::SystemPorts;
use crate::drive::survey::{Found, Survey, survey};
use crate::exit::{CommandResult, Failure, Outcome};

/// Reads a range of a device politely, one read at a time, and shows what answers. It never writes.
#[derive(clap::Args, Debug)]
pub struct ProbeArgs {
    /// HOST:PORT of a device or gateway, or a serial port such as /dev/ttyUSB0.
    #[arg(value_name = "WHERE", required_unless_present = "config")]
    place: Option<String>,
    /// Take the way to the device from this configuration.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["place", "framing", "baud", "parity", "stop_bits"])]
    config: Option<PathBuf>,
    /// Which drive of the configuration; not needed where there is only one.
    #[arg(long, value_name = "NAME", requires = "config")]
    drive: Option<String>,
    /// Unit identifier [default: 1, or the drive's].
    #[arg(long, value_name = "N")]
    unit: Option<u8>,
    /// Table: holding, input, coil or discrete.
    #[arg(long, default_value = "holding", value_parser = table)]
    table: Table,
    /// First address, counted from 0.
    #[arg(long, default_value_t = 0, value_name = "ADDRESS")]
    from: u16,
    /// Last address [default: 31 after the first].
    #[arg(long, value_name = "ADDRESS")]
    to: Option<u16>,
    /// Most registers (or contacts) in one read.
    #[arg(long, default_value_t = 16, value_name = "N")]
    block: u16,
    /// Pause before each read, milliseconds; at least 10.
    #[arg(long, default_value_t = 100, value_name = "MS", value_parser = clap::value_parser!(u32).range(10..=60_000))]
    every_ms: u32,
    /// Longest wait for an answer, milliseconds.
    #[arg(long, default_value_t = 1000, value_name = "MS", value_parser = clap::value_parser!(u32).range(10..=60_000))]
    timeout_ms: u32,
    /// Framing on a network gateway: tcp, or rtu for a plain serial server.
    #[arg(long, default_value = "tcp", value_parser = ["tcp", "rtu"])]
    framing: String,
    /// Baud rate of a serial port.
    #[arg(long, default_value_t = 19_200, value_parser = clap::value_parser!(u32).range(300..=4_000_000))]
    baud: u32,
    /// Parity of a serial port: even, odd or none.
    #[arg(long, default_value = "even", value_parser = ["even", "odd", "none"])]
    parity: String,
    /// Stop bits of a serial port [default: 1, and 2 without parity].
    #[arg(long, value_parser = clap::value_parser!(u8).range(1..=2))]
    stop_bits: Option<u8>,
    /// Print one JSON document.
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: ProbeArgs) -> CommandResult {
    let (route, unit) = route(&args)?;
    let clock = Clock::system();
    let to = args.to.unwrap_or(args.from.saturating_add(31));
    if to < args.from {
        return Err(Failure::Usage(format!(
            "--to {to} lies before --from {}; give a last address after it",
            args.from
        )));
    }
    let most = if args.table.is_contacts() { MAX_CONTACTS } else { MAX_REGISTERS };
    if !(1..=most).contains(&args.block) {
        return Err(Failure::Usage(format!("--block is {}; give 1 to {most}", args.block)));
    }
    let asked = Survey {
        unit,
        table: args.table,
        from: args.from,
        to,
        block: args.block,
        every: Span::from_ms(args.every_ms.into()),
        limit: clock.real(Span::from_ms(args.timeout_ms.into())),
    };
    let mut link = Link::new(route, Arc::new(SystemPorts), clock.clone());
    let place = link.place();
    let found = super::runtime()?.block_on(survey(&mut link, &asked, &clock, |_| {}));
    if args.json {
        println!("{}", serde_json::to_string_pretty(&document(&place, &asked, &found)).map_err(Failure::run)?);
    } else {
        print!("{}", render(&place, &asked, &found));
    }
    match &found.ended {
        Some((_, state)) if found.words.is_empty() && found.refused.is_empty() && !state.is_up() => Err(Failure::Run(
            format!("{place} unit {unit}: {state}; see that the device is on, and that address and unit are right"),
        )),
        None if !found.words.is_empty() => Ok(Outcome::Done),
        _ => Ok(Outcome::FaultFound),
    }
}

fn table(word: &str) -> Result<Table, String> {
    match word {
        "holding" => Ok(Table::Holding),
        "input" => Ok(Table::Input),
        "coil" => Ok(Table::Coil),
        "discrete" => Ok(Table::Discrete),
        _ => Err("write holding, input, coil or discrete".to_owned()),
    }
}

/// The way to the device, and its unit.
fn route(args: &ProbeArgs) -> Result<(Route, u8), Failure> {
    if let Some(file) = &args.config {
        let SiteFile { config, .. } = SiteFile::read(file)?;
        let names = || config.drives.keys().cloned().collect::<Vec<_>>().join(", ");
        let drive = match &args.drive {
            Some(name) => config.drives.get(name).ok_or_else(|| {
                Failure::Usage(format!("there is no drive `{name}` in {}; there are: {}", file.display(), names()))
            })?,
            None if config.drives.len() == 1 => config.drives.values().next().ok_or(Failure::Reported)?,
            None => return Err(Failure::Usage(format!("say which drive with --drive: {}", names()))),
        };
        return Ok((drive.link.clone(), args.unit.unwrap_or(drive.unit)));
    }
    let place = args.place.clone().unwrap_or_default();
    let unit = args.unit.unwrap_or(1);
    if place.starts_with('/') {
        let parity = match args.parity.as_str() {
            "odd" => Parity::Odd,
            "none" => Parity::None,
            _ => Parity::Even,
        };
        let stop_bits = args.stop_bits.unwrap_or(if parity == Parity::None { 2 } else { 1 });
        let speed = Speed { baud: args.baud, parity, stop_bits };
        let line = Line::Serial { device: place, speed, rs485: false };
        return Ok((Route::Bus(Bus { name: "probe".to_owned(), line }), unit));
    }
    let port = place.rsplit_once(':').and_then(|(_, port)| port.parse::<u16>().ok());
    if port.is_none_or(|port| port == 0) {
        return Err(Failure::Usage(format!(
            "`{place}` is neither HOST:PORT nor a serial port; write for example 192.0.2.10:502 or /dev/ttyUSB0"
        )));
    }
    Ok(match args.framing.as_str() {
        "rtu" => {
            let line = Line::Gateway { address: place, framing: Framing::Rtu, speed: None };
            (Route::Bus(Bus { name: "probe".to_owned(), line }), unit)
        }
        _ => (Route::Tcp { address: place }, unit),
    })
}

/// What was found, for a person at a terminal of 80 columns.
fn render(place: &str, asked: &Survey, found: &Found) -> String {
    let Survey { unit, table, from, to, .. } = asked;
    let mut out = String::new();
    // Writing to a `String` does not fail.
    let _ = writeln!(out, "{place}, unit {unit}, {} {from} to {to}: {} reads", table.name(), found.reads);
    if table.is_contacts() {
        for run in runs(&found.words) {
            for row in run.chunks(16) {
                let states: String = row.iter().map(|(_, on)| if *on == 0 { " 0" } else { " 1" }).collect();
                let _ = writeln!(out, "{:>5} {states}", row.first().map_or(0, |(address, _)| *address));
            }
        }
    } else if !found.words.is_empty() {
        let _ = writeln!(out, "The 32-bit columns take the register and the next one.\n");
        let _ = writeln!(
            out,
            "{:>5} {:>4} {:>5} {:>6} {:>10} {:>10} {:>12} {:>12} {:<2}",
            "", "hex", "u16", "i16", "u32 high", "u32 low", "f32 high", "f32 low", ""
        );
        for run in runs(&found.words) {
            for (n, (address, word)) in run.iter().enumerate() {
                let pair = run.get(n + 1).map(|(_, next)| [*word, *next]);
                let both = |raw: fn(WordOrder) -> RawType| {
                    [WordOrder::HighFirst, WordOrder::LowFirst].map(|order| cell(pair, raw(order)))
                };
                let ([uh, ul], [fh, fl]) = (both(RawType::U32), both(RawType::F32));
                let _ = writeln!(
                    out,
                    "{address:>5} {word:04X} {word:>5} {:>6} {uh:>10} {ul:>10} {fh:>12} {fl:>12} {}",
                    *word as i16,
                    ascii(*word)
                );
            }
            let _ = writeln!(out);
        }
    }
    for (first, last, code) in ranges(&found.refused) {
        let range = if first == last { first.to_string() } else { format!("{first} to {last}") };
        let _ = writeln!(out, "refused: {range}: {}", exception_words(code));
    }
    if let Some((address, state)) = &found.ended {
        let _ = writeln!(out, "ended at {address}: {state}");
    }
    out
}

/// What was found as one JSON document.
fn document(place: &str, asked: &Survey, found: &Found) -> Value {
    let mut registers = Vec::new();
    for run in runs(&found.words) {
        for (n, (address, word)) in run.iter().enumerate() {
            if asked.table.is_contacts() {
                registers.push(json!({ "address": address, "on": *word != 0 }));
                continue;
            }
            let pair = run.get(n + 1).map(|(_, next)| [*word, *next]);
            let both = |raw: fn(WordOrder) -> RawType| {
                json!({
                    "high-first": pair.and_then(|pair| read(pair, raw(WordOrder::HighFirst))).map(value),
                    "low-first": pair.and_then(|pair| read(pair, raw(WordOrder::LowFirst))).map(value),
                })
            };
            registers.push(json!({
                "address": address,
                "hex": format!("{word:04X}"),
                "u16": word,
                "i16": *word as i16,
                "u32": both(RawType::U32),
                "i32": both(RawType::I32),
                "f32": both(RawType::F32),
                "ascii": ascii(*word),
            }));
        }
    }
    let refused: Vec<Value> = ranges(&found.refused)
        .into_iter()
        .map(|(from, to, code)| json!({ "from": from, "to": to, "code": code, "text": exception_words(code) }))
        .collect();
    let ended = found.ended.as_ref();
    json!({
        "place": place,
        "unit": asked.unit,
        "table": asked.table.name(),
        "from": asked.from,
        "to": asked.to,
        "reads": found.reads,
        "registers": registers,
        "refused": refused,
        "ended": ended.map(|(address, state)| json!({ "address": address, "state": state.name(), "text": state.to_string() })),
    })
}

/// Words at neighbouring addresses, run by run.
fn runs(words: &[(u16, u16)]) -> impl Iterator<Item = &[(u16, u16)]> {
    words.chunk_by(|a, b| b.0 == a.0.wrapping_add(1))
}

/// Neighbouring addresses that were refused alike: first, last, code.
fn ranges(refused: &[(u16, u8)]) -> Vec<(u16, u16, u8)> {
    let alike = refused.chunk_by(|a, b| b.0 == a.0.wrapping_add(1) && a.1 == b.1);
    alike.filter_map(|run| Some((run.first()?.0, run.last()?.0, run.first()?.1))).collect()
}

fn read(pair: [u16; 2], raw: RawType) -> Option<Number> {
    let register = Register { table: Table::Holding, address: 0, raw, bytes: ByteOrder::HighFirst };
    decode::number(raw, decode::bits(register, &pair)?)
}

fn value(number: Number) -> Value {
    match number {
        Number::Whole(whole) => i64::try_from(whole).map_or(Value::Null, Value::from),
        Number::Float(float) => json!(float),
    }
}

/// A cell of the table: a dash where there is no such number.
fn cell(pair: Option<[u16; 2]>, raw: RawType) -> String {
    match pair.and_then(|pair| read(pair, raw)) {
        None => "-".to_owned(),
        Some(Number::Whole(whole)) => whole.to_string(),
        Some(Number::Float(0.0)) => "0".to_owned(),
        Some(Number::Float(float)) if (1e-3..1e7).contains(&float.abs()) => {
            // As many digits as a single has.
            let digits = (6 - float.abs().log10().floor() as i32).clamp(0, 7) as usize;
            let text = format!("{float:.digits$}");
            if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
        }
        Some(Number::Float(float)) => format!("{float:.3e}"),
    }
}

/// Two characters; a dot for what cannot be printed.
fn ascii(word: u16) -> String {
    word.to_be_bytes()
        .map(|byte| if byte.is_ascii_graphic() || byte == b' ' { char::from(byte) } else { '.' })
        .iter()
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::LinkState;
    use std::time::Duration;

    fn asked() -> Survey {
        Survey {
            unit: 1,
            table: Table::Holding,
            from: 0,
            to: 9,
            block: 16,
            every: Span::from_ms(100),
            limit: Duration::from_secs(1),
        }
    }

    #[test]
    fn every_reading_stands_beside_the_words_and_no_line_is_too_wide() {
        // 0x42F6E666 is 123.45 to single precision; "Hi" is 0x4869; the widest numbers there are.
        let words = vec![(0, 0x42F6), (1, 0xE666), (4, 0x4869), (5, 0x8000), (6, 0xFFFF), (7, 0xFF7F)];
        let found = Found {
            words,
            refused: vec![(2, 2), (3, 2), (8, 2), (9, 4)],
            reads: 7,
            ended: Some((9, LinkState::Silent)),
        };
        let text = render("192.0.2.10:502", &asked(), &found);
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        let row = |address: &str| text.lines().find(|l| l.trim_start().starts_with(address)).unwrap().to_owned();
        let first = row("0 42F6");
        for part in ["17142", "1123477094", "123.45"] {
            assert!(first.contains(part), "{part} in {first}");
        }
        assert!(row("1 E666").contains(" - "), "nothing follows it\n{text}");
        assert!(row("4 4869").ends_with("Hi"), "{text}");
        for refusal in ["refused: 2 to 3: it has no such address", "refused: 8: ", "refused: 9: it failed"] {
            assert!(text.contains(refusal), "{refusal} in\n{text}");
        }
        assert!(text.contains("ended at 9"), "{text}");
    }

    #[test]
    fn floats_keep_the_digits_that_a_single_has() {
        let shown = |float: f32| {
            let bits = float.to_bits();
            cell(Some([(bits >> 16) as u16, bits as u16]), RawType::F32(WordOrder::HighFirst))
        };
        assert_eq!(shown(12_500.0), "12500");
        assert_eq!(shown(-0.5), "-0.5");
        assert_eq!(shown(0.1), "0.1");
        assert_eq!(shown(1.0e10), "1.000e10");
        assert_eq!(shown(f32::NAN), "-");
        assert_eq!(shown(9_999_999.0), "9999999");
    }
}
