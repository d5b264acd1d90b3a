//! From the text to the checked configuration, or to all its faults.

use std::collections::{BTreeMap, BTreeSet};
use std::net::{IpAddr, SocketAddr};
use std::ops::Range;
use std::path::PathBuf;

use jiff::tz::TimeZone;
use tallyhook_analysis::units::Span;
use toml::de::DeTable;

use crate::bus::Buses;
use crate::carries;
use crate::credential;
use crate::drive;
use crate::fault::{Collector, Faults, Found, Lines, Sort, Sources};
use crate::keys;
use crate::mechanism::{self, Around};
use crate::model::{Alarms, Budget, Config, Language, Outbox, Page, QuietHolds, RecordingRing, Store, Units};
use crate::profile::{ProfileText, Profiles, forget_profiles};
use crate::publish;
use crate::raw::{Table, shorten};
use crate::registers::Places;
use crate::servers;
use crate::written::written;

/// A configuration that has been read with its profiles.
#[derive(Clone, Debug)]
pub struct Loaded {
    /// The checked configuration.
    pub config: Config,
    /// A text that says the same without any other file: the file's own where it has no profiles.
    pub text: String,
}

/// Reads and checks a configuration that is in one file. `file_name` is only used to name the file in faults.
///
/// # Errors
///
/// All faults of the text at once. Where the TOML itself is broken, what can still be read is checked too, but
/// nothing is said to be missing, for that may only follow from the broken line. A profile is a fault here; see
/// [`load_with_profiles`].
pub fn load(text: &str, file_name: &str) -> Result<Config, Faults> {
    let none = |_: &str| Err("no other file is read here".to_owned());
    load_with_profiles(text, file_name, &none).map(|loaded| loaded.config)
}

/// As [`load`], with the profiles that the file names. `profile` gives the text of one, by the path as it is written,
/// or says why it has none.
///
/// # Errors
///
/// As [`load`]; a fault in a profile names the profile's file and line.
pub fn load_with_profiles(
    text: &str,
    file_name: &str,
    profile: &dyn Fn(&str) -> Result<ProfileText, String>,
) -> Result<Loaded, Faults> {
    let faults = Collector::default();
    let mut sources = Sources::of(file_name, text);
    let profiles = Profiles::read(DeTable::parse_recoverable(text).0.get_ref(), profile, &mut sources, &faults);
    let (document, errors) = DeTable::parse_recoverable(sources.text(0).1);
    let mut document = document.into_inner();
    let placed = |error: &toml::de::Error| (error.span().unwrap_or(0..0), error.message().to_owned());
    let mut syntax: Vec<_> = errors.iter().map(placed).collect();
    syntax.extend(profiles.lay_under(&mut document, &sources, &faults));
    let config = check(&document, &faults);
    let mut found = faults.into_found();
    if !syntax.is_empty() {
        found = beside_syntax(found, &syntax, sources.whole());
    } else if profiles.incomplete {
        found.retain(|fault| fault.sort == Sort::Wrong);
    }
    match config {
        Some(config) if found.is_empty() => {
            let text = match profiles.is_empty() {
                true => text.to_owned(),
                false => {
                    forget_profiles(&mut document);
                    format!("# The configuration with its profiles filled in.\n\n{}", written(&document))
                }
            };
            Ok(Loaded { config, text })
        }
        _ => {
            debug_assert!(!found.is_empty(), "a configuration was refused without a fault");
            Err(Faults::new(found, &sources))
        }
    }
}

/// As [`load`], from the bytes of a file.
///
/// # Errors
///
/// As [`load`]; and where the bytes are not UTF-8, the place of the first that is not.
pub fn load_bytes(bytes: &[u8], file_name: &str) -> Result<Config, Faults> {
    match std::str::from_utf8(bytes) {
        Ok(text) => load(text, file_name),
        Err(error) => {
            // Everything before the bad byte is text.
            let start = error.valid_up_to();
            let text = String::from_utf8_lossy(bytes);
            let found = Found {
                span: start..start,
                what: "the file is not UTF-8 text from here on".to_owned(),
                mend: "save it as UTF-8".to_owned(),
                sort: Sort::Wrong,
            };
            Err(Faults::new(vec![found], &Sources::of(file_name, &text)))
        }
    }
}

/// Syntax faults, and those of the others that cannot just follow from them.
fn beside_syntax(found: Vec<Found>, syntax: &[(Range<usize>, String)], text: &str) -> Vec<Found> {
    let lines = Lines::of(text);
    let mut all: Vec<Found> = Vec::new();
    let mut broken = BTreeSet::new();
    for (span, message) in syntax {
        // A broken line can make more than one error; the first says it.
        if !broken.insert(lines.line(span.start)) {
            continue;
        }
        let message = message.trim().replace('\n', ", ");
        let mend = if message.contains("duplicate key") {
            "it is there already, further up: keep one of the two"
        } else {
            "write `key = value` lines under `[header]` lines, with texts in double quotes and every bracket closed"
        };
        all.push(Found {
            span: span.clone(),
            what: format!("this is not TOML: {}", shorten(&message)),
            mend: mend.to_owned(),
            sort: Sort::Wrong,
        });
    }
    // After a broken header the lines below it belong to the wrong table, so nothing can be said about them.
    let header = broken.iter().any(|line| lines.text_of(*line).trim_start().starts_with('['));
    if !header {
        let stands = |f: &Found| f.sort == Sort::Wrong && !broken.contains(&lines.line(f.span.start));
        all.extend(found.into_iter().filter(stands));
    }
    all
}

fn check(document: &DeTable<'_>, faults: &Collector) -> Option<Config> {
    let file = Table::open(document, &keys::FILE, keys::FILE.header.to_owned(), 0..0, faults);
    let site = optional(&file, "site", &keys::SITE, site);
    let store = optional(&file, "store", &keys::STORE, store);
    let page = optional(&file, "page", &keys::PAGE, page);

    let mut names = BTreeSet::new();
    let mut drives = BTreeMap::new();
    let bus_tables = if file.has("bus") { file.named_sections("bus", &keys::BUS, "bus") } else { Vec::new() };
    let buses = Buses::read(&bus_tables);
    let drive_tables = file.named_sections("drive", &keys::DRIVE, "drive");
    for (name, table) in &drive_tables {
        names.insert(name.value.clone());
        if let Some(drive) = drive::drive(name, table, &buses) {
            drives.insert(name.value.clone(), drive);
        }
    }
    if file.holds_nothing("drive") {
        file.faults.missing(file.place("drive"), "there is no drive", "add a table `[drive.main]` with its `address`");
    }

    let mut places = Places::default();
    let mut ids = mechanism::Ids::default();
    let cranes = {
        let around = Around { names: &names, drives: &drives };
        let tables = file.sections("crane", &keys::CRANE);
        if file.holds_nothing("crane") {
            file.faults.missing(file.place("crane"), "there is no crane", "add a table `[[crane]]`");
        }
        // Every crane is read before any of them is given up, so that all faults are found.
        let read: Vec<_> = tables.iter().map(|t| mechanism::crane(t, &around, &mut ids, &mut places)).collect();
        read.into_iter().collect::<Option<Vec<_>>>()
    };
    places.report(faults);
    carries::report_doubles(&drive_tables, &drives);
    if let Some(cranes) = &cranes {
        carries::report(&buses, &drive_tables, &drives, cranes);
    }

    let alarms = optional(&file, "alarms", &keys::ALARMS, alarms);
    let outbox = optional(&file, "outbox", &keys::OUTBOX, |table| {
        let (days, megabytes) = (table.whole("keep_days"), table.whole("max_mb"));
        Some(Outbox { keep_days: days?.value, max_mb: megabytes?.value })
    });
    let mqtt = file.section("mqtt", &keys::MQTT).map(|t| publish::mqtt(&t));
    let webhooks = publish::webhooks(&file.sections("webhook", &keys::WEBHOOK));
    let influx = file.section("influx", &keys::INFLUX).map(|t| servers::influx(&t));
    let matrix = file.section("matrix", &keys::MATRIX).map(|t| servers::matrix(&t));
    let (site_name, time_zone, units, language) = site?;
    Some(Config {
        site_name,
        time_zone,
        units,
        language,
        store: store?,
        page: page?,
        drives,
        cranes: cranes?,
        alarms: alarms?,
        outbox: outbox?,
        mqtt: match mqtt {
            Some(read) => Some(read?),
            None => None,
        },
        webhooks: webhooks?,
        influx: match influx {
            Some(read) => Some(read?),
            None => None,
        },
        matrix: match matrix {
            Some(read) => Some(read?),
            None => None,
        },
    })
}

/// Reads a table that may be absent: then all its keys have their defaults.
fn optional<T>(
    file: &Table<'_>,
    name: &str,
    group: &'static keys::Group,
    read: impl Fn(&Table<'_>) -> Option<T>,
) -> Option<T> {
    if file.has(name) {
        return read(&file.section(name, group)?);
    }
    let empty = DeTable::new();
    read(&Table::open(&empty, group, group.header.to_owned(), file.span.clone(), file.faults))
}

fn alarms(table: &Table<'_>) -> Option<Alarms> {
    let (every, from, to) = (table.time("remind_every"), table.number("quiet_from"), table.number("quiet_to"));
    let refused = [("quiet_from", &from), ("quiet_to", &to)];
    if refused.iter().any(|(key, value)| table.has(key) && value.is_none()) {
        return None;
    }
    let quiet = match (&from, &to) {
        (Some(from), Some(to)) => Some((from.value, to.value)),
        (None, None) => None,
        (Some(one), None) | (None, Some(one)) => {
            table.faults.missing(
                one.span.clone(),
                "quiet hours have a beginning and an end, and one of them is not there",
                "write both `quiet_from` and `quiet_to`, for example 22 and 6",
            );
            return None;
        }
    };
    let (holds, group, hour) = (table.choice("quiet_holds"), table.whole("group_from"), table.number("digest_hour"));
    let day = table.choice("digest_day");
    if table.has("quiet_holds") && quiet.is_none() {
        table.faults.missing(
            table.place("quiet_holds"),
            "`quiet_holds` has no effect without quiet hours",
            "add `quiet_from` and `quiet_to`, for example 22 and 6",
        );
        return None;
    }
    let days = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];
    let day = (1..).zip(days).find(|(_, name)| day.as_ref().is_some_and(|given| given.value == *name));
    let hour = hour?.value;
    Some(Alarms {
        remind_every: Span::from_seconds(every?.value),
        quiet,
        quiet_holds: match holds?.value {
            "nothing" => QuietHolds::Nothing,
            "everything" => QuietHolds::Everything,
            _ => QuietHolds::Ordinary,
        },
        group_from: group?.value,
        digest: day.map(|(number, _)| (number, hour)),
    })
}

fn site(table: &Table<'_>) -> Option<(String, TimeZone, Units, Language)> {
    let name = table.text("name");
    let zone = table.text("time_zone").and_then(|given| {
        let zone = TimeZone::get(&given.value).ok();
        if zone.is_none() {
            table.faults.wrong(
                given.span,
                format!("there is no time zone `{}`", shorten(&given.value)),
                "write an IANA name such as \"Europe/Berlin\" or \"UTC\"",
            );
        }
        zone
    });
    let units = table.choice("units").map(|given| if given.value == "us" { Units::Us } else { Units::Metric });
    let language =
        table.choice("language").map(|given| if given.value == "de" { Language::German } else { Language::English });
    Some((name?.value, zone?, units?, language?))
}

fn store(table: &Table<'_>) -> Option<Store> {
    let directory = table.text("directory");
    let commit_every = table.time("commit_every");
    let backup = table.text("backup");
    let backup_keep = table.whole("backup_keep");
    let recording = match table.section("samples", &keys::SAMPLES) {
        Some(samples) => {
            let (days, megabytes) = (samples.whole("days"), samples.whole("megabytes"));
            Some(RecordingRing { days: days?.value, megabytes: megabytes?.value })
        }
        None => None,
    };
    let budget = match table.section("budget", &keys::BUDGET) {
        Some(budget) => {
            let (megabytes, whole_days) = (budget.whole("megabytes"), budget.whole("whole_days"));
            Some(Budget { megabytes: megabytes?.value, whole_days: whole_days?.value })
        }
        None => None,
    };
    Some(Store {
        budget,
        directory: PathBuf::from(directory?.value),
        commit_every: Span::from_seconds(commit_every?.value),
        recording,
        backup: Some(backup?.value).filter(|given| given != "none").map(PathBuf::from),
        backup_keep: backup_keep?.value,
    })
}

fn page(table: &Table<'_>) -> Option<Page> {
    let given = table.text("listen")?;
    let Ok(listen) = given.value.parse::<SocketAddr>() else {
        table.faults.wrong(
            given.span,
            format!("`listen` in [page] is \"{}\", which is no address with a port", shorten(&given.value)),
            "write \"127.0.0.1:8420\"",
        );
        return None;
    };
    let users_file = table.text("users_file").map(|given| PathBuf::from(given.value));
    let tls = match (credential::file(table, "certificate_file"), credential::file(table, "key_file")) {
        (Some(certificate), Some(key)) => Some((certificate, key)),
        (None, None) => None,
        (certificate, _) => {
            let (is, missing) = match certificate {
                Some(_) => ("certificate_file", "key_file"),
                None => ("key_file", "certificate_file"),
            };
            table.faults.wrong(
                table.place(is),
                format!("`{is}` in [page] needs `{missing}`"),
                format!("add `{missing}`, or remove `{is}`"),
            );
            return None;
        }
    };
    let proxy = match table.text("proxy") {
        None => None,
        Some(named) => match named.value.parse::<IpAddr>() {
            Ok(address) => Some(address.to_canonical()),
            Err(_) => {
                table.faults.wrong(
                    named.span,
                    format!("`proxy` in [page] is \"{}\", which is no address", shorten(&named.value)),
                    "write the address that the proxy calls from, without a port, as in \"127.0.0.1\"",
                );
                return None;
            }
        },
    };
    if proxy.is_some() && tls.is_some() {
        table.faults.wrong(
            table.place("proxy"),
            "[page] has both a `proxy` and a `certificate_file`",
            "keep the one that speaks TLS with the readers",
        );
        return None;
    }
    if proxy.is_some() && users_file.is_none() {
        table.faults.wrong(
            table.place("proxy"),
            "`proxy` in [page] brings in readers that nobody has named",
            "add `users_file`, and make users with `tallyhook user add`",
        );
        return None;
    }
    if !listen.ip().is_loopback() && (users_file.is_none() || (tls.is_none() && proxy.is_none())) {
        let missing = match (&users_file, tls.is_some() || proxy.is_some()) {
            (None, true) => "the page has no users",
            (Some(_), _) => "passwords would cross it in the clear",
            (None, false) => "the page has neither users nor TLS",
        };
        table.faults.wrong(
            given.span,
            format!("`listen` in [page] is {listen}, which others on the network could open: {missing}"),
            format!(
                "write \"127.0.0.1:{}\", or add `users_file` and either `certificate_file` with `key_file` or the \
                 address of a `proxy`",
                listen.port()
            ),
        );
        return None;
    }
    Some(Page { listen, tls, proxy, users_file })
}

/// Whether a text is a host name or address (an IPv6 address in brackets) with a port.
pub(crate) fn host_and_port(text: &str) -> bool {
    if text.parse::<SocketAddr>().is_ok_and(|a| a.port() != 0) {
        return true;
    }
    let Some((host, port)) = text.rsplit_once(':') else { return false };
    port.parse::<u16>().is_ok_and(|p| p != 0) && is_host(host)
}

/// Whether a text can be a host name or IPv4 address: letters, digits, dots, hyphens, underscores.
pub(crate) fn is_host(text: &str) -> bool {
    let of_host = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'-' | b'_');
    (1..=253).contains(&text.len()) && text.bytes().all(of_host) && !text.starts_with(['.', '-'])
}
