//! Who is told: the broker and the chat destinations.

use std::collections::BTreeSet;
use std::ops::Range;
use std::path::PathBuf;

use crate::check::is_host;
use crate::model::{Mqtt, MqttPayload, Tls, Webhook};
use crate::raw::{Given, Table, nearest, shorten};
use crate::{credential, tls};

/// The places that a webhook's template may have, without their braces. Inside a string of the template a place is
/// filled with escaped text, outside with a JSON value.
pub const TEMPLATE_FIELDS: &[&str] =
    &["text", "kind", "crane", "mechanism", "quantity", "level", "value", "raised", "at", "id", "ids"];

/// Reads the broker.
pub(crate) fn mqtt(table: &Table<'_>) -> Option<Mqtt> {
    let host = table.text("host").and_then(|given| {
        let fits = is_host(&given.value) || given.value.parse::<std::net::Ipv6Addr>().is_ok();
        if !fits {
            table.faults.wrong(
                given.span,
                format!("`host` in [mqtt] is \"{}\", which is no host name", shorten(&given.value)),
                "write the name or address alone; the port has a key of its own, `port`",
            );
        }
        fits.then_some(given.value)
    });
    let port = table.whole("port");
    let client_id = table.name("client_id");
    let topic_root = table.text("topic_root").and_then(|given| {
        let root = &given.value;
        let fits = !root.split('/').any(str::is_empty) && !root.contains(['+', '#']) && root.len() <= 256;
        if !fits {
            table.faults.wrong(
                given.span,
                format!("`topic_root` in [mqtt] is \"{}\", which no topic may begin with", shorten(root)),
                "write levels such as \"tallyhook\" or \"plant/cranes\", without `+`, `#` or a slash at either end",
            );
        }
        fits.then_some(given.value)
    });
    let username = table.text("username").map(|g| g.value);
    let password_file = credential::file(table, "password_file");
    if password_file.is_some() && !table.has("username") {
        table.faults.missing(
            table.place("password_file"),
            "there is a password for the broker, but no user name",
            "add `username`",
        );
    }
    let payload = payload(table);
    let tls = security(table);
    let from_start = table.yes_no("from_start");
    let acknowledge = table.yes_no("acknowledge");
    if acknowledge.as_ref().is_some_and(|given| given.value) && matches!(payload, Some(MqttPayload::SparkplugB { .. }))
    {
        table.faults.wrong(
            table.place("acknowledge"),
            "`acknowledge` in [mqtt] goes with JSON alone",
            "remove `acknowledge`, or `payload = \"sparkplug-b\"`",
        );
        return None;
    }
    if (table.has("username") && username.is_none()) || (table.has("password_file") && password_file.is_none()) {
        return None;
    }
    Some(Mqtt {
        host: host?,
        port: u16::try_from(port?.value).ok()?,
        client_id: client_id?.value,
        topic_root: topic_root?,
        username,
        password_file,
        payload: payload?,
        tls: tls?,
        from_start: from_start?.value,
        acknowledge: acknowledge?.value,
    })
}

/// Reads what goes out to the broker.
fn payload(table: &Table<'_>) -> Option<MqttPayload> {
    let payload = table.choice("payload")?.value;
    let group = table.name("sparkplug_group");
    if payload == "sparkplug-b" {
        return Some(MqttPayload::SparkplugB { group: group?.value });
    }
    if table.has("sparkplug_group") {
        table.faults.wrong(
            table.place("sparkplug_group"),
            "`sparkplug_group` in [mqtt] has no effect on JSON",
            "add `payload = \"sparkplug-b\"`, or remove `sparkplug_group`",
        );
        return None;
    }
    Some(MqttPayload::Json)
}

/// Reads how the broker's connection is secured.
fn security(table: &Table<'_>) -> Option<Option<Tls>> {
    let on = table.yes_no("tls")?.value;
    let read = tls::read(table, (!on).then_some(("without `tls`", "add `tls = true`")))?;
    Some(on.then_some(read))
}

/// Reads the chat destinations.
pub(crate) fn webhooks(tables: &[Table<'_>]) -> Option<Vec<Webhook>> {
    let mut names = BTreeSet::new();
    let read: Vec<_> = tables.iter().map(|t| webhook(t, &mut names)).collect();
    read.into_iter().collect()
}

fn webhook(table: &Table<'_>, names: &mut BTreeSet<String>) -> Option<Webhook> {
    let name = table.name("name").and_then(|given| {
        let new = names.insert(given.value.clone());
        if !new {
            table.faults.wrong(
                given.span,
                format!("the webhook `{}` is there twice", given.value),
                format!("give this one another name, for example \"{}-2\"", given.value),
            );
        }
        new.then_some(given.value)
    });
    let url = table.text("url").and_then(|given| {
        let fits = is_web_address(&given.value);
        if !fits {
            table.faults.wrong(
                given.span,
                format!("`url` in [[webhook]] is \"{}\", which is no web address", shorten(&given.value)),
                "write it in full, beginning with https:// or http://",
            );
        }
        fits.then_some(given.value)
    });
    let headers = headers(table, "headers", &[]);
    let taken: Vec<String> = headers.iter().flatten().map(|(n, _)| n.to_ascii_lowercase()).collect();
    let header_files = self::headers(table, "header_files", &taken).and_then(|files| {
        let place = || table.place("header_files");
        let fits = files.iter().all(|(_, file)| credential::named(table, "header_files", file, place()));
        fits.then(|| files.into_iter().map(|(name, file)| (name, PathBuf::from(file))).collect())
    });
    let tls = tls::of_url(table, url.as_deref());
    let template = table.text("template").and_then(|given| template(table, given));
    Some(Webhook {
        name: name?,
        url: url?,
        headers: headers?,
        header_files: header_files?,
        tls: tls?,
        template: template?,
    })
}

pub(crate) fn is_web_address(text: &str) -> bool {
    let rest = text.strip_prefix("https://").or_else(|| text.strip_prefix("http://"));
    let Some(rest) = rest else { return false };
    let authority = rest.split(['/', '?', '#']).next().unwrap_or("");
    let place = authority.rsplit('@').next().unwrap_or("");
    let host = match place.strip_prefix('[') {
        Some(v6) => {
            let Some((address, port)) = v6.split_once(']') else { return false };
            return address.parse::<std::net::Ipv6Addr>().is_ok()
                && (port.is_empty() || port.strip_prefix(':').is_some_and(|p| p.parse::<u16>().is_ok()));
        }
        None => place,
    };
    let (host, port) = host.split_once(':').map_or((host, None), |(h, p)| (h, Some(p)));
    is_host(host)
        && port.is_none_or(|p| p.parse::<u16>().is_ok_and(|p| p != 0))
        && text.bytes().all(|b| b.is_ascii_graphic())
}

/// Header names with their texts; a name of `taken` must not come again.
fn headers(table: &Table<'_>, key: &str, taken: &[String]) -> Option<Vec<(String, String)>> {
    let given = table.texts(key);
    let mut fits = true;
    let mut say = |span: &Range<usize>, what: String, mend: &str| {
        table.faults.wrong(span.clone(), what, mend);
        fits = false;
    };
    for (name, text) in &given {
        let token = |b: u8| b.is_ascii_alphanumeric() || b"!#$%&'*+-.^_`|~".contains(&b);
        if name.value.is_empty() || !name.value.bytes().all(token) {
            say(
                &name.span,
                format!("\"{}\" is no name of a header", shorten(&name.value)),
                "use letters, digits and hyphens, as in Authorization",
            );
        }
        if taken.contains(&name.value.to_ascii_lowercase()) {
            say(
                &name.span,
                format!("the header {} is given in `headers` and in `header_files`", shorten(&name.value)),
                "keep one of them; a secret belongs in a file",
            );
        }
        if text.value.is_empty() || text.value.chars().any(char::is_control) {
            say(
                &text.span,
                format!("the value of {} is empty or has more than one line", shorten(&name.value)),
                "write one line of text",
            );
        }
    }
    fits.then(|| given.into_iter().map(|(n, t)| (n.value, t.value)).collect())
}

/// Checks that a template's places are known and that it is JSON once they are filled.
fn template(table: &Table<'_>, given: Given<String>) -> Option<String> {
    let mut filled = String::new();
    let mut rest = given.value.as_str();
    while let Some((before, after)) = rest.split_once("{{") {
        filled.push_str(before);
        let Some((field, behind)) = after.split_once("}}") else {
            table.faults.wrong(
                given.span,
                "a place of the template opens with `{{` and does not close",
                "close it with `}}`, as in {{text}}",
            );
            return None;
        };
        let name = field.trim();
        if !TEMPLATE_FIELDS.contains(&name) {
            let mend = match nearest(name, TEMPLATE_FIELDS.iter().copied()) {
                Some(near) => format!("did you mean {{{{{near}}}}}?"),
                None => format!("a message has {}", TEMPLATE_FIELDS.join(", ")),
            };
            table.faults.wrong(
                given.span,
                format!("the template has a place for \"{}\", which no message has", shorten(name)),
                mend,
            );
            return None;
        }
        // Good inside a string and as a value, but not as a part of a number or word.
        filled.push_str("null");
        rest = behind;
    }
    filled.push_str(rest);
    if let Err(error) = serde_json::from_str::<serde_json::Value>(&filled) {
        table.faults.wrong(
            given.span,
            format!("the template is not JSON once its places are filled: {error}"),
            "write JSON, as in {\"text\": \"{{text}}\"}",
        );
        return None;
    }
    Some(given.value)
}
