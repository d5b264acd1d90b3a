//! Shared lines: `[bus.NAME]`.

use std::collections::BTreeMap;
use std::ops::Range;

use crate::check::host_and_port;
use crate::model::{Bus, Framing, Line};
use crate::raw::{Given, Table, is_name, nearest, shorten};
use crate::wire::{Parity, Speed};

/// The buses of a file.
pub(crate) struct Buses {
    /// `None` where one has a fault, which has been said.
    buses: BTreeMap<String, Option<Bus>>,
    /// Where each one's `baud` or header stands.
    pub(crate) places: BTreeMap<String, Range<usize>>,
}

impl Buses {
    /// Reads them all.
    pub(crate) fn read(tables: &[(Given<String>, Table<'_>)]) -> Self {
        let buses = tables.iter().map(|(name, table)| (name.value.clone(), bus(name, table))).collect();
        let places = tables.iter().map(|(name, table)| (name.value.clone(), table.place("baud"))).collect();
        Buses { buses, places }
    }

    /// The bus that a drive names; `None` after a fault.
    pub(crate) fn named(&self, table: &Table<'_>, given: &Given<String>) -> Option<Bus> {
        if let Some(bus) = self.buses.get(&given.value) {
            return bus.clone();
        }
        let mend = match nearest(&given.value, self.buses.keys().map(String::as_str)) {
            Some(near) => format!("did you mean `{near}`?"),
            None => format!("add a table `[bus.{}]` with its `device` or `address`", given.value),
        };
        table.faults.wrong(
            given.span.clone(),
            format!("{} is on the bus `{}`, which is not in the file", table.header(), given.value),
            mend,
        );
        None
    }
}

fn bus(name: &Given<String>, table: &Table<'_>) -> Option<Bus> {
    let named = is_name(&name.value);
    if !named {
        table.faults.wrong(
            name.span.clone(),
            format!("the bus name \"{}\" is no identifier", shorten(&name.value)),
            "use letters, digits, `-` and `_` only, as in `[bus.panel]`",
        );
    }
    let line = match (table.has("device"), table.has("address")) {
        (true, false) => serial(table),
        (false, true) => gateway(table),
        (false, false) if table.misspells("device") || table.misspells("address") => None,
        (false, false) => {
            table.faults.missing(
                table.span.clone(),
                format!("{} says neither `device` nor `address`", table.header()),
                "add `device = \"/dev/serial/by-id/…\"` for a serial port, or `address = \"HOST:PORT\"` for a gateway",
            );
            None
        }
        (true, true) => {
            table.faults.wrong(
                table.place("address"),
                format!("{} has both a `device` and an `address`", table.header()),
                "keep `device` for a serial port of this box, `address` for a gateway on the network",
            );
            None
        }
    };
    let line = line?;
    named.then(|| Bus { name: name.value.clone(), line })
}

fn serial(table: &Table<'_>) -> Option<Line> {
    let device = table.text("device");
    if table.has("framing") {
        misplaced(table, "framing", "a serial port is always RTU");
    }
    let speed = speed(table, Some(19_200));
    let rs485 = table.yes_no("rs485");
    if table.has("framing") {
        return None;
    }
    Some(Line::Serial { device: device?.value, speed: speed??, rs485: rs485?.value })
}

fn gateway(table: &Table<'_>) -> Option<Line> {
    let address = address(table);
    let framing = if table.has("framing") { Some(table.choice("framing")?.value) } else { None };
    let framing = if framing == Some("rtu") { Framing::Rtu } else { Framing::Tcp };
    if table.has("rs485") {
        misplaced(table, "rs485", "the gateway switches its transceiver itself");
        return None;
    }
    if !table.has("baud") && (table.has("parity") || table.has("stop_bits")) {
        table.faults.missing(
            table.place(if table.has("parity") { "parity" } else { "stop_bits" }),
            format!("{} has a character format but no `baud`", table.header()),
            "add the `baud` of the line behind the gateway, or take the character format out",
        );
        return None;
    }
    let speed = speed(table, None);
    Some(Line::Gateway { address: address?, framing, speed: speed? })
}

fn misplaced(table: &Table<'_>, key: &str, why: &str) {
    let what = format!("{} has `{key}`, but {why}", table.header());
    table.faults.wrong(table.place(key), what, format!("take `{key}` out"));
}

/// `address`, checked.
pub(crate) fn address(table: &Table<'_>) -> Option<String> {
    let given = table.text("address")?;
    let fits = host_and_port(&given.value);
    if !fits {
        table.faults.wrong(
            given.span,
            format!("`address` in {} is \"{}\", which is no HOST:PORT", table.header(), shorten(&given.value)),
            "write host and port, for example \"192.0.2.10:502\"",
        );
    }
    fits.then_some(given.value)
}

/// Rate and character format; the outer `None` is a fault that has been said.
fn speed(table: &Table<'_>, usual: Option<u32>) -> Option<Option<Speed>> {
    let parity = table.choice("parity").map(|p| match p.value {
        "odd" => Parity::Odd,
        "none" => Parity::None,
        _ => Parity::Even,
    });
    let baud = if table.has("baud") { Some(table.whole("baud")?.value) } else { usual };
    let stop_bits = if table.has("stop_bits") { Some(table.whole("stop_bits")?.value as u8) } else { None };
    let parity = parity?;
    // Without parity the protocol asks for a second stop bit, so that a character keeps its 11 bits
    // (Modbus over Serial Line 1.02, 2.5.1).
    let stop_bits = stop_bits.unwrap_or(if parity == Parity::None { 2 } else { 1 });
    Some(baud.map(|baud| Speed { baud, parity, stop_bits }))
}
