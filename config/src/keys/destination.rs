//! Who is told.

use super::Absent::{Default, Fault, Means};
use super::Form::{Choice, Name, Text, Texts, Time, Whole, YesNo};
use super::{Group, Key, key, within};

pub(crate) const MQTT: Group = Group {
    header: "[mqtt]",
    what: "The broker that is fed.",
    keys: &[
        key("host", Text("a host name or address, without port"), Fault, "The broker."),
        key("port", Whole(within(1.0, 65_535.0, "")), Default("1883"), "Its port."),
        key("client_id", Name, Default("tallyhook"), "Client identifier; unique at the broker, and it stays the same."),
        key(
            "topic_root",
            Text("topic levels without `+`, `#` or a slash at either end"),
            Default("tallyhook"),
            "First levels of every topic.",
        ),
        key("username", Text("any text"), Means("no user name is given"), "User name at the broker."),
        key(
            "password_file",
            Text("a file; needs `username`"),
            Means("no password is given"),
            "File that holds the password; it never stands in this file.",
        ),
        key(
            "payload",
            Choice(&["json", "sparkplug-b"]),
            Default("json"),
            "What goes out: JSON under `topic_root`, or Sparkplug B 3.0, where the box is an edge node by the name of \
             its `client_id` and each mechanism a device.",
        ),
        key(
            "sparkplug_group",
            Name,
            Default("tallyhook"),
            "Group of the edge node; with `payload = \"sparkplug-b\"` only.",
        ),
        key("tls", YesNo, Default("false"), "Secures the connection; the usual port is then 8883."),
        key("ca_file", Text("a file; needs `tls = true`"), Means(MACHINES_CA), CA_FILE),
        OWN_CERTIFICATE,
        OWN_KEY,
        key("from_start", YesNo, Default("false"), FROM_START),
        key(
            "acknowledge",
            YesNo,
            Default("false"),
            "Whether a warning may be acknowledged by a message under `topic_root` and `acknowledge`. Whoever may publish \
             there at the broker then can. Nothing else ever comes in. With JSON only.",
        ),
    ],
};

const MACHINES_CA: &str = "the machine's authorities are trusted";

const CA_FILE: &str = "PEM file of the authorities that may vouch for the server; only they are then trusted.";

const OWN_CERTIFICATE: Key = key(
    "certificate_file",
    Text("a file; needs `key_file`"),
    Means("no certificate of our own is shown"),
    "PEM file of our own certificate with its chain, for a server that asks for one.",
);

const OWN_KEY: Key = key(
    "key_file",
    Text("a file; needs `certificate_file`"),
    Means("no certificate of our own is shown"),
    "PEM file of that certificate's key.",
);

const FROM_START: &str = "Whether a destination that is new to the store gets what the store holds already, which may \
                          be years. Otherwise it begins with what comes next.";

const BASE_URL: &str = "`http://` or `https://` with a host, without a path";

pub(crate) const INFLUX: Group = Group {
    header: "[influx]",
    what: "The time-series server that is fed: InfluxDB 2, or another that takes its writes.",
    keys: &[
        key("url", Text(BASE_URL), Fault, "The server; `/api/v2/write` is added by itself."),
        key("org", Text("any text"), Fault, "Organisation."),
        key("bucket", Text("any text"), Fault, "Bucket."),
        key(
            "token_file",
            Text("a file"),
            Means("no token is given"),
            "File that holds a token that may write to the bucket; it never stands in this file.",
        ),
        key("ca_file", Text("a file; needs https"), Means(MACHINES_CA), CA_FILE),
        OWN_CERTIFICATE,
        OWN_KEY,
        key(
            "precision",
            Choice(&["ms", "us", "ns"]),
            Default("ms"),
            "Unit of the timestamps. The store has milliseconds; the finer ones are for servers that want them. Seconds \
             are not offered: two events of one second would become one point.",
        ),
        key("batch", Whole(within(1.0, 10_000.0, "messages")), Default("500"), "Most messages in one write."),
        key("timeout", Time(within(0.1, 300.0, "")), Default("10s"), "Longest wait for an answer."),
        key(
            "health_every",
            Time(within(1.0, 86_400.0, "")),
            Default("1min"),
            "How often the recorder's own health is written.",
        ),
        key("from_start", YesNo, Default("false"), FROM_START),
    ],
};

pub(crate) const MATRIX: Group = Group {
    header: "[matrix]",
    what: "The chat room that is told of warnings and findings: a room of a Matrix server.",
    keys: &[
        key("url", Text(BASE_URL), Fault, "The server."),
        key(
            "user",
            Text("`tallyhook` or `@tallyhook:example.org`"),
            Fault,
            "Account that speaks; it has to be in the room.",
        ),
        key(
            "password_file",
            Text("a file"),
            Fault,
            "File that holds the account's password; it never stands in this file.",
        ),
        key("room", Text("an identifier of a room, `!…`"), Fault, "The room; its settings show the identifier."),
        key(
            "device_id",
            Name,
            Default("tallyhook"),
            "Identifier of this device at the server. It stays the same: the server tells doubles by it.",
        ),
        key("ca_file", Text("a file; needs https"), Means(MACHINES_CA), CA_FILE),
        OWN_CERTIFICATE,
        OWN_KEY,
    ],
};

pub(crate) const WEBHOOK: Group = Group {
    header: "[[webhook]]",
    what: "A chat destination: warnings and findings are sent there by HTTP POST, as JSON.",
    keys: &[
        key("name", Name, Fault, "Name of the destination, unique in the file."),
        key("url", Text("`http://` or `https://`, with a host"), Fault, "Where to."),
        key(
            "headers",
            Texts("header names and values"),
            Means("no extra headers"),
            "Extra headers, `{ Accept = \"application/json\" }`.",
        ),
        key(
            "header_files",
            Texts("header names and files"),
            Means("no header from a file"),
            "Files whose content is the value of a header, for secrets: `{ Authorization = \"chat-token\" }`.",
        ),
        key("ca_file", Text("a file; needs https"), Means(MACHINES_CA), CA_FILE),
        OWN_CERTIFICATE,
        OWN_KEY,
        key(
            "template",
            Text(
                "JSON with places `{{text}}`, `{{kind}}`, `{{crane}}`, `{{mechanism}}`, `{{quantity}}`, `{{level}}`, \
                 `{{value}}`, `{{raised}}`, `{{at}}`, `{{id}}`",
            ),
            Default("{\"text\": \"{{text}}\"}"),
            "What is sent; the places are filled with the message's fields.",
        ),
    ],
};
