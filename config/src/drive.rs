//! Devices on the wire: `[drive.NAME]`.

use tallyhook_analysis::units::Span;

use crate::bus::{self, Buses};
use crate::model::{Drive, Link, Table as Modbus};
use crate::raw::{Given, Table, is_name, shorten};
use crate::wire::Readable;

/// Reads a drive.
pub(crate) fn drive(name: &Given<String>, table: &Table<'_>, buses: &Buses) -> Option<Drive> {
    let named = is_name(&name.value);
    if !named {
        table.faults.wrong(
            name.span.clone(),
            format!("the drive name \"{}\" is no identifier", shorten(&name.value)),
            "use letters, digits, `-` and `_` only, as in `[drive.main]`",
        );
    }
    let link = link(table, buses);
    let (unit, poll, timeout) = (table.whole("unit"), table.time("poll"), table.time("timeout"));
    if let (Some(Link::Bus(_)), Some(unit)) = (&link, &unit)
        && !(1..=247).contains(&unit.value)
    {
        let place = unit.span.clone();
        table.faults.wrong(
            place,
            format!("`unit` in {} is {}, but a device on a bus has a number of its own", table.header(), unit.value),
            "write the number that is set on the device, 1 to 247",
        );
        return None;
    }
    let (max_registers, max_contacts) = (table.whole("max_registers"), table.whole("max_contacts"));
    let (counters, delay, silent) =
        (table.time("poll_counters"), table.time("answer_delay"), table.time("silent_after"));
    let readable = readable(table);
    // What it says has been laid under this table; here only another kind of value is said.
    let profile = table.text("profile");
    if table.has("profile") {
        profile?;
    }
    let poll = Span::from_seconds(poll?.value);
    let drive = Drive {
        name: name.value.clone(),
        link: link?,
        unit: u8::try_from(unit?.value).ok()?,
        poll,
        timeout: Span::from_seconds(timeout?.value),
        max_registers: u16::try_from(max_registers?.value).ok()?,
        max_contacts: u16::try_from(max_contacts?.value).ok()?,
        readable: readable?,
        poll_counters: Span::from_seconds(counters?.value).max(poll),
        answer_delay: Span::from_seconds(delay?.value),
        silent_after: Span::from_seconds(silent?.value),
    };
    named.then_some(drive)
}

fn link(table: &Table<'_>, buses: &Buses) -> Option<Link> {
    match (table.has("address"), table.has("bus")) {
        (true, true) => {
            table.faults.wrong(
                table.place("bus"),
                format!("{} has both an `address` and a `bus`", table.header()),
                "keep `address` for a device with a network socket of its own, `bus` for one on a shared line",
            );
            None
        }
        (false, true) => {
            let given = table.name("bus")?;
            buses.named(table, &given).map(Link::Bus)
        }
        (true, false) => bus::address(table).map(|address| Link::Tcp { address }),
        (false, false) if table.misspells("address") || table.misspells("bus") => None,
        (false, false) => {
            table.faults.missing(
                table.span.clone(),
                format!("{} lacks `address`", table.header()),
                "add `address = …`, `HOST:PORT`, Modbus TCP; the usual port is 502; or `bus = …` for a shared line",
            );
            None
        }
    }
}

/// Ranges of addresses by table, `{ holding = "0-40, 100" }`.
fn readable(table: &Table<'_>) -> Option<Readable> {
    let mut readable = Readable::default();
    if !table.has("readable") {
        return Some(readable);
    }
    let mut fits = true;
    for (name, given) in table.texts("readable") {
        let tables = [Modbus::Holding, Modbus::Input, Modbus::Coil, Modbus::Discrete];
        let Some(of) = tables.into_iter().find(|t| t.name() == name.value) else {
            table.faults.wrong(
                name.span,
                format!(
                    "`readable` in {} names the table `{}`, which there is not",
                    table.header(),
                    shorten(&name.value)
                ),
                "write holding, input, coil or discrete",
            );
            fits = false;
            continue;
        };
        for part in given.value.split(',') {
            match range(part) {
                Some((first, last)) => readable.ranges.push((of, first, last)),
                None => {
                    table.faults.wrong(
                        given.span.clone(),
                        format!("`readable` in {} has \"{}\", which is no range", table.header(), shorten(part.trim())),
                        "write first and last address, as in \"0-40, 100-119\"",
                    );
                    fits = false;
                }
            }
        }
    }
    fits.then_some(readable)
}

fn range(text: &str) -> Option<(u16, u16)> {
    let (first, last) = text.split_once('-').unwrap_or((text, text));
    let (first, last) = (first.trim().parse().ok()?, last.trim().parse().ok()?);
    (first <= last).then_some((first, last))
}
