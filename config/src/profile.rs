//! Profiles: a register map in a file of its own, used by many drives, with overrides.
//!
//! A profile is laid under the file: what the file says stands, what it leaves open comes from the profile. All texts
//! are numbered through as if they were one, so that a fault in a profile has its place like any other.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeArray, DeTable, DeValue};

use crate::fault::{Collector, Sources};
use crate::keys;
use crate::raw::{Table, shorten};

/// A profile's text, as whoever opens files hands it over.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ProfileText {
    /// The file's name, for faults.
    pub file: String,
    /// Its content.
    pub text: String,
}

/// A profile that a file asks for.
struct Wanted {
    path: String,
    span: Range<usize>,
}

/// The profiles of a file: texts, and whether all of them could be read.
pub(crate) struct Profiles {
    /// As they are named in the file, with the place of each in [`Sources`].
    named: Vec<(String, usize)>,
    /// One of them could not be read, which has been said.
    pub(crate) incomplete: bool,
}

impl Profiles {
    /// Reads each profile that the document asks for, once.
    pub(crate) fn read(
        document: &DeTable<'_>,
        read: &dyn Fn(&str) -> Result<ProfileText, String>,
        sources: &mut Sources,
        faults: &Collector,
    ) -> Self {
        let mut profiles = Profiles { named: Vec::new(), incomplete: false };
        let mut failed: Vec<String> = Vec::new();
        for Wanted { path, span } in wanted(document) {
            if profiles.named.iter().any(|(named, _)| *named == path) || failed.contains(&path) {
                continue;
            }
            match read(&path) {
                Ok(ProfileText { file, text }) => profiles.named.push((path, sources.add(file, text))),
                Err(why) => {
                    faults.wrong(
                        span,
                        format!("the profile `{}` cannot be read: {why}", shorten(&path)),
                        "write the path of an existing file; a relative one is taken from this file's directory",
                    );
                    profiles.incomplete = true;
                    failed.push(path);
                }
            }
        }
        profiles
    }

    /// Whether the file asks for any.
    pub(crate) fn is_empty(&self) -> bool {
        self.named.is_empty()
    }

    /// Parses the profiles and lays them under the document. Their syntax faults come back, placed in the whole text.
    pub(crate) fn lay_under<'a>(
        &self,
        document: &mut DeTable<'a>,
        sources: &'a Sources,
        faults: &Collector,
    ) -> Vec<(Range<usize>, String)> {
        let mut syntax = Vec::new();
        let mut maps: Vec<(&str, DeTable<'a>)> = Vec::new();
        for (path, index) in &self.named {
            let (base, text) = sources.text(*index);
            let (table, errors) = DeTable::parse_recoverable(text);
            for error in errors {
                let span = error.span().unwrap_or(0..0);
                syntax.push((base + span.start..base + span.end, error.message().to_owned()));
            }
            let table = shifted_table(table.into_inner(), base);
            // Opening it names the keys that it should not have; reading the title, a title of another kind.
            let opened = Table::open(&table, &keys::PROFILE, format!("the profile `{path}`"), base..base, faults);
            let _ = (opened.text("title"), opened.section("signals", &keys::SIGNALS));
            maps.push((path, table));
        }
        Merge { maps }.into_document(document);
        syntax
    }
}

/// Every `profile` of a drive or mechanism that is a text.
fn wanted(document: &DeTable<'_>) -> Vec<Wanted> {
    let drives = table_of(document, "drive").into_iter().flat_map(|drives| drives.iter().map(|(_, drive)| drive));
    let cranes = list_of(document, "crane").into_iter().flatten().filter_map(|c| c.get_ref().as_table());
    let mechanisms = cranes.filter_map(|crane| list_of(crane, "mechanism")).flatten();
    drives
        .chain(mechanisms)
        .filter_map(|owner| {
            let named = owner.get_ref().as_table()?.get("profile")?;
            Some(Wanted { path: named.get_ref().as_str()?.to_owned(), span: named.span() })
        })
        .collect()
}

fn table_of<'t, 'a>(table: &'t DeTable<'a>, key: &str) -> Option<&'t DeTable<'a>> {
    table.get(key)?.get_ref().as_table()
}

fn list_of<'t, 'a>(table: &'t DeTable<'a>, key: &str) -> Option<&'t DeArray<'a>> {
    table.get(key)?.get_ref().as_array()
}

fn text_of<'t>(table: &'t DeTable<'_>, key: &str) -> Option<&'t str> {
    table.get(key)?.get_ref().as_str()
}

/// The same table with its places counted from `base`.
fn shifted_table(table: DeTable<'_>, base: usize) -> DeTable<'_> {
    let shift = |span: Range<usize>| span.start + base..span.end + base;
    table
        .into_iter()
        .map(|(key, value)| {
            let span = shift(key.span());
            (Spanned::new(span, key.into_inner()), shifted(value, base))
        })
        .collect()
}

fn shifted(value: Spanned<DeValue<'_>>, base: usize) -> Spanned<DeValue<'_>> {
    let span = value.span();
    let inner = match value.into_inner() {
        DeValue::Table(table) => DeValue::Table(shifted_table(table, base)),
        DeValue::Array(list) => DeValue::Array(list.into_iter().map(|item| shifted(item, base)).collect()),
        other => other,
    };
    Spanned::new(span.start + base..span.end + base, inner)
}

/// Keys that say how a register is read. A signal that says one of the first anew says all of them anew.
const READING: [&str; 6] = ["type", "bit", "mask", "match", "above", "below"];
const WITH_READING: [&str; 6] = ["word_order", "byte_order", "invalid", "texts", "counter_bits", "counter_step"];

struct Merge<'p, 'a> {
    maps: Vec<(&'p str, DeTable<'a>)>,
}

impl<'a> Merge<'_, 'a> {
    fn map(&self, path: &str) -> Option<&DeTable<'a>> {
        self.maps.iter().find(|(named, _)| *named == path).map(|(_, table)| table)
    }

    fn into_document(self, document: &mut DeTable<'a>) {
        // Which profile each drive has, before anything is changed.
        let mut of_drive: Vec<(String, String)> = Vec::new();
        let mut names: Vec<String> = Vec::new();
        if let Some(drives) = document.get_mut("drive").and_then(|d| as_table_mut(d.get_mut())) {
            for (name, drive) in drives.iter_mut() {
                names.push(name.get_ref().to_string());
                let Some(drive) = as_table_mut(drive.get_mut()) else { continue };
                let Some(path) = text_of(drive, "profile").map(str::to_owned) else { continue };
                for (key, value) in self.map(&path).and_then(|map| table_of(map, "drive")).into_iter().flatten() {
                    if !drive.contains_key(key.get_ref().as_ref()) {
                        drive.insert(key.clone(), value.clone());
                    }
                }
                of_drive.push((name.get_ref().to_string(), path));
            }
        }
        let only = if let [only] = names.as_slice() { Some(only.clone()) } else { None };
        let Some(DeValue::Array(cranes)) = document.get_mut("crane").map(Spanned::get_mut) else { return };
        for crane in cranes.iter_mut() {
            let Some(crane) = as_table_mut(crane.get_mut()) else { continue };
            let Some(DeValue::Array(mechanisms)) = crane.get_mut("mechanism").map(Spanned::get_mut) else { continue };
            for mechanism in mechanisms.iter_mut().filter_map(|m| as_table_mut(m.get_mut())) {
                self.signals(mechanism, &of_drive, only.as_deref());
            }
        }
    }

    /// Lays the profiles of its drives under a mechanism's signals.
    fn signals(&self, mechanism: &mut DeTable<'a>, of_drive: &[(String, String)], only: Option<&str>) {
        let of = |drive: &str| of_drive.iter().find(|(name, _)| name == drive).map(|(_, path)| path.as_str());
        let drive = text_of(mechanism, "drive").or(only).map(str::to_owned);
        let own_profile = mechanism.get("profile").map(Spanned::span);
        let path = text_of(mechanism, "profile").or_else(|| of(drive.as_deref()?)).map(str::to_owned);
        let base = path.as_deref().and_then(|path| table_of(self.map(path)?, "signals"));
        let without: Vec<String> = list_of(mechanism, "without")
            .into_iter()
            .flatten()
            .filter_map(|name| name.get_ref().as_str().map(str::to_owned))
            .collect();
        let offset = mechanism.get_key_value("address_offset").map(|(key, value)| (key.clone(), value.clone()));

        let found = mechanism.get("signals").map(|s| (s.span(), s.get_ref().clone()));
        let (span, mut signals) = match found {
            Some((span, DeValue::Table(own))) => (span, own),
            // Something else stands there, which is said when it is read.
            Some(_) => return,
            None => match (base, own_profile.or_else(|| mechanism.get("id").map(Spanned::span))) {
                (Some(_), Some(span)) => (span, DeTable::new()),
                _ => return,
            },
        };
        for (name, own) in signals.iter_mut() {
            let Some(own) = as_table_mut(own.get_mut()) else { continue };
            let other = text_of(own, "drive").filter(|named| Some(*named) != drive.as_deref());
            let under = match other {
                Some(other) => of(other).and_then(|path| table_of(self.map(path)?, "signals")),
                None => base,
            };
            let Some(under) = under.and_then(|signals| table_of(signals, name.get_ref())) else { continue };
            if let Some((key, value)) = offset.clone().filter(|_| other.is_none() && !own.contains_key("address")) {
                own.insert(key, value);
            }
            let anew = READING.iter().any(|key| own.contains_key(*key));
            for (key, value) in under {
                let title: &str = key.get_ref();
                let said = own.contains_key(title);
                if said || anew && (READING.contains(&title) || WITH_READING.contains(&title)) {
                    continue;
                }
                own.insert(key.clone(), value.clone());
            }
        }
        for (name, value) in base.into_iter().flatten() {
            let title: &str = name.get_ref();
            if signals.contains_key(title) || without.iter().any(|w| w == title) {
                continue;
            }
            let mut value = value.clone();
            if let (Some((key, by)), Some(table)) = (offset.clone(), as_table_mut(value.get_mut())) {
                table.insert(key, by);
            }
            signals.insert(name.clone(), value);
        }
        mechanism.insert(Spanned::new(span.clone(), "signals".into()), Spanned::new(span, DeValue::Table(signals)));
    }
}

fn as_table_mut<'t, 'a>(value: &'t mut DeValue<'a>) -> Option<&'t mut DeTable<'a>> {
    match value {
        DeValue::Table(table) => Some(table),
        _ => None,
    }
}

/// Takes the words that ask for profiles out of a document into which they have been laid.
pub(crate) fn forget_profiles(document: &mut DeTable<'_>) {
    let strip = |owner: &mut Spanned<DeValue<'_>>| {
        if let Some(owner) = as_table_mut(owner.get_mut()) {
            ["profile", "without", "address_offset"].into_iter().for_each(|key| drop(owner.remove(key)));
        }
    };
    if let Some(drives) = document.get_mut("drive").and_then(|d| as_table_mut(d.get_mut())) {
        drives.iter_mut().for_each(|(_, drive)| strip(drive));
    }
    let Some(DeValue::Array(cranes)) = document.get_mut("crane").map(Spanned::get_mut) else { return };
    for crane in cranes.iter_mut().filter_map(|c| as_table_mut(c.get_mut())) {
        if let Some(DeValue::Array(mechanisms)) = crane.get_mut("mechanism").map(Spanned::get_mut) {
            mechanisms.iter_mut().for_each(strip);
        }
    }
}
