//! Servers that are told over HTTP: the time-series server and the chat room.

use tallyhook_analysis::units::Span;

use crate::model::{Influx, Matrix, Precision};
use crate::publish::is_web_address;
use crate::raw::{Table, shorten};
use crate::{credential, tls};

/// Reads the time-series server.
pub(crate) fn influx(table: &Table<'_>) -> Option<Influx> {
    let url = base_url(table, "https://influx.example.org:8086");
    let (org, bucket) = (line(table, "org"), line(table, "bucket"));
    let token_file = credential::file(table, "token_file");
    let tls = tls::of_url(table, url.as_deref());
    let precision = table.choice("precision").map(|given| match given.value {
        "us" => Precision::Us,
        "ns" => Precision::Ns,
        _ => Precision::Ms,
    });
    let batch = table.whole("batch");
    let timeout = table.time("timeout");
    let health_every = table.time("health_every");
    let from_start = table.yes_no("from_start");
    Some(Influx {
        url: url?,
        org: org?,
        bucket: bucket?,
        token_file,
        tls: tls?,
        precision: precision?,
        batch: batch?.value,
        timeout: Span::from_seconds(timeout?.value),
        health_every: Span::from_seconds(health_every?.value),
        from_start: from_start?.value,
    })
}

/// Reads the chat room.
pub(crate) fn matrix(table: &Table<'_>) -> Option<Matrix> {
    let url = base_url(table, "https://matrix.example.org");
    let user = line(table, "user");
    let password_file = credential::file(table, "password_file");
    let room = table.text("room").and_then(|given| {
        let fits = given.value.len() > 1
            && given.value.starts_with('!')
            && given.value.len() <= 255
            && !given.value.chars().any(|c| c.is_control() || c.is_whitespace());
        if !fits {
            table.faults.wrong(
                given.span,
                format!("`room` in [matrix] is \"{}\", which is no identifier of a room", shorten(&given.value)),
                "write the identifier that the room's settings show, beginning with `!`; a name beginning with `#` may \
                 move to another room and is not taken",
            );
        }
        fits.then_some(given.value)
    });
    let device_id = table.name("device_id");
    let tls = tls::of_url(table, url.as_deref());
    Some(Matrix {
        url: url?,
        user: user?,
        password_file: password_file?,
        room: room?,
        device_id: device_id?.value,
        tls: tls?,
    })
}

/// An address of a server, without a path, and without a slash at its end.
fn base_url(table: &Table<'_>, example: &str) -> Option<String> {
    let given = table.text("url")?;
    let header = table.header();
    let base = given.value.strip_suffix('/').unwrap_or(&given.value).to_owned();
    let behind = base.split_once("://").map_or("", |(_, behind)| behind);
    if !is_web_address(&given.value) {
        table.faults.wrong(
            given.span,
            format!("`url` in {header} is \"{}\", which is no web address", shorten(&given.value)),
            format!("write it in full, as in {example}"),
        );
        return None;
    }
    if behind.contains('@') {
        table.faults.wrong(
            given.span,
            format!("`url` in {header} holds a user name or password"),
            "leave out what stands before the `@`; a secret belongs in a file",
        );
        return None;
    }
    if let Some(at) = behind.find(['/', '?', '#']) {
        table.faults.wrong(
            given.span,
            format!("`url` in {header} has the path \"{}\" behind the host", shorten(&behind[at..])),
            format!(
                "leave the path out, as in {example}: the interface's own path is added by itself, and a server behind \
                 a path of a proxy needs a host name of its own"
            ),
        );
        return None;
    }
    Some(base)
}

/// A text of one line that is not empty.
fn line(table: &Table<'_>, key: &str) -> Option<String> {
    let given = table.text(key)?;
    if given.value.trim().is_empty() || given.value.chars().any(char::is_control) {
        table.faults.wrong(
            given.span,
            format!("`{key}` in {} is empty or has more than one line", table.header()),
            "write one line of text",
        );
        return None;
    }
    Some(given.value)
}
