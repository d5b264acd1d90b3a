//! Cranes and their mechanisms.

use std::cell::Cell;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use tallyhook_analysis::class::{ApplianceGroup, MechanismGroup, MechanismLoading};
use tallyhook_analysis::lift::LiftSettings;
use tallyhook_analysis::load::{Lead, Terms};
use tallyhook_analysis::period::{FactorScale, Recording};
use tallyhook_analysis::recorder::Spec;
use tallyhook_analysis::sample::{Flag, Quantity};
use tallyhook_analysis::units::{Grams, Span};
use tallyhook_analysis::wear::{Every, Limit, Reeving};

use crate::keys;
use crate::load;
use crate::model::{Crane, Drive, Kind, Mechanism, PriorUse, Signal, Target, Warn};
use crate::raw::{Given, Table, nearest, shorten};
use crate::registers::Places;
use crate::signal::{self, Owner};

/// What a mechanism may refer to.
pub(crate) struct Around<'a> {
    /// Names of all drives of the file, those with faults too.
    pub(crate) names: &'a BTreeSet<String>,
    /// The drives without faults.
    pub(crate) drives: &'a BTreeMap<String, Drive>,
}

/// Identifiers already taken.
#[derive(Default)]
pub(crate) struct Ids {
    cranes: BTreeSet<String>,
    mechanisms: BTreeSet<String>,
}

/// Takes an identifier that must be unique.
fn unique(table: &Table<'_>, given: Option<Given<String>>, taken: &mut BTreeSet<String>) -> Option<String> {
    let Given { value, span } = given?;
    if taken.insert(value.clone()) {
        return Some(value);
    }
    table.faults.wrong(
        span,
        format!("the id `{value}` is there twice"),
        format!("give this one another id, for example \"{value}-2\""),
    );
    None
}

/// Reads a crane.
pub(crate) fn crane(table: &Table<'_>, around: &Around<'_>, ids: &mut Ids, places: &mut Places) -> Option<Crane> {
    let id = unique(table, table.name("id"), &mut ids.cranes);
    let name = if table.has("name") { table.text("name").map(|n| n.value) } else { id.clone() };
    let group = table.choice("group").and_then(|g| ApplianceGroup::from_name(g.value));
    let years = table.number("design_life_years");
    let tables = table.sections("mechanism", &keys::MECHANISM);
    if table.holds_nothing("mechanism") {
        table.faults.missing(
            table.place("mechanism"),
            "the crane has no mechanism",
            "add a table `[[crane.mechanism]]` below it",
        );
    }
    let mechanisms: Vec<_> = tables.iter().map(|t| mechanism(t, around, ids, places)).collect();
    Some(Crane {
        id: id?,
        name: name?,
        group: group?,
        design_life_years: years?.value,
        mechanisms: mechanisms.into_iter().collect::<Option<_>>()?,
    })
}

fn mechanism(table: &Table<'_>, around: &Around<'_>, ids: &mut Ids, places: &mut Places) -> Option<Mechanism> {
    let id = unique(table, table.name("id"), &mut ids.mechanisms);
    let kind = table.choice("kind").map(|k| match k.value {
        "traverse" => Kind::Traverse,
        "travel" => Kind::Travel,
        _ => Kind::Hoist,
    });
    let group = table.choice("group").and_then(|g| MechanismGroup::parse(g.value));
    let rated = table.number("rated_load_kg");
    let dead = table.number("dead_load_kg");
    let gross = table.choice("load_signal").map(|l| (l.value == "gross", l.span));
    if let (Some((true, span)), Some(0.0)) = (&gross, dead.as_ref().map(|d| d.value)) {
        table.faults.missing(
            span.clone(),
            "the load signal is gross, but no dead load is given to take off it",
            "add `dead_load_kg`, or write load_signal = \"net\"",
        );
    }
    let design = table.number("design_full_load_hours");
    let stale = table.time("stale_after");
    let scale = table.choice("factor_scale").map(|s| match s.value {
        "iso" => FactorScale::Iso,
        _ => FactorScale::Fem,
    });

    let profile = profile(table);
    let full = Full { rated: rated.as_ref(), dead_in_signal: gross.as_ref().filter(|g| g.0).and(dead.as_ref()) };
    let signals = signals(table, around, id.as_deref().unwrap_or(""), kind, full, places);
    let lift = optional(table, "lift", &keys::LIFT, |t| lift(t, rated.as_ref().map(|r| r.value)));
    let warn = optional(table, "warn", &keys::WARN, warn);
    let prior: Vec<_> = table.sections("prior", &keys::PRIOR).iter().map(|t| prior(t, scale)).collect();

    let design_spectrum = table.choice("design_spectrum").and_then(|g| MechanismLoading::from_name(g.value));
    let (unread, budget) = (table.number("unread_spectrum_factor"), table.number("budget_rated_load_kg"));
    let (speed, abnormal) = (table.number("rated_speed_m_min"), table.yes_no("abnormal_environment"));
    let seen = load::Seen::of(&signals);
    let load = optional(table, "load", &keys::LOAD, |t| load::load(t, &seen));
    if let (Some(stale), Some(signals)) = (&stale, &signals) {
        let terms = load.as_ref().filter(|_| kind == Some(Kind::Hoist));
        let lead = terms.map_or(Lead::default(), |load| load.lead);
        outlasts_the_poll(table, stale, lead, signals, around);
    }
    if let (Some(budget), Some(rated)) = (&budget, &rated)
        && budget.value < rated.value
    {
        let (given, least) = (keys::plain(budget.value), keys::plain(rated.value));
        table.faults.wrong(
            budget.span.clone(),
            format!("`budget_rated_load_kg` is {given} kg, below the rated load of {least} kg, but is for a rating that was lowered"),
            format!("write the rated load that D was meant at, {least} or more, or take this key out"),
        );
    }
    let reeving = table.has("reeving").then(|| reeving(&table.section("reeving", &keys::REEVING)?));
    let sees_speed = speed.is_some() && table.has("signals") && signals.iter().flatten().any(is_speed);
    let mut names = BTreeSet::new();
    let tables = table.sections("part", &keys::PART);
    let lacks = match &reeving {
        None => Some("the mechanism lacks a table [crane.mechanism.reeving]"),
        Some(Some(Reeving { sheaves: 0, drum: false, .. })) => Some("the reeving has no sheave and no drum"),
        Some(_) => None,
    };
    let parts: Vec<_> = tables.iter().map(|t| part(t, &mut names, lacks, sees_speed)).collect();
    let refused =
        [("unread_spectrum_factor", &unread), ("budget_rated_load_kg", &budget), ("rated_speed_m_min", &speed)];
    // Given but refused: the fault is said, and no checked mechanism comes of it.
    if refused.iter().any(|(key, value)| table.has(key) && value.is_none()) {
        return None;
    }
    profile?;
    let signals = signals?;
    let has = |flag| signals.iter().any(|s| s.target == Target::Flag(flag));
    let spec = Spec {
        rated: Grams::from_kg(rated?.value),
        dead_load: Grams::from_kg(dead?.value),
        gross_signal: gross?.0,
        has_raising: has(Flag::Raising),
        has_lowering: has(Flag::Lowering),
        stale_after: Span::from_seconds(stale?.value),
        lift: lift?,
    };
    if table.has("design_full_load_hours") && design.is_none() {
        return None;
    }
    Some(Mechanism {
        id: id?,
        kind: kind?,
        group: group?,
        design_full_load_hours: design.map(|d| d.value),
        spec,
        factor_scale: scale?,
        signals,
        warn: warn?,
        prior: prior.into_iter().collect::<Option<_>>()?,
        design_spectrum: design_spectrum?,
        unread_spectrum: unread.map(|km| km.value),
        budget_rated: budget.map(|kg| Grams::from_kg(kg.value)),
        rated_speed_mm_s: speed.map(|v| (v.value * 1000.0 / 60.0).round() as i64),
        abnormal_environment: abnormal?.value,
        reeving: match reeving {
            Some(read) => Some(read?),
            None => None,
        },
        parts: parts.into_iter().collect::<Option<_>>()?,
        load: if kind == Some(Kind::Hoist) { load? } else { Terms::default() },
    })
}

fn is_speed(signal: &Signal) -> bool {
    signal.target == Target::Quantity(Quantity::Speed)
}

fn reeving(table: &Table<'_>) -> Option<Reeving> {
    let (sheaves, drum, ways) = (table.whole("sheaves"), table.yes_no("drum"), table.whole("ways"));
    Some(Reeving { sheaves: sheaves?.value, drum: drum?.value, ways: ways?.value })
}

/// Reads a wearing part; `unbent`, why no bending is counted, and `sees_speed` say what its limits may rest on.
fn part(
    table: &Table<'_>,
    names: &mut BTreeSet<String>,
    unbent: Option<&str>,
    sees_speed: bool,
) -> Option<(String, Vec<Limit>)> {
    let name = table.name("name");
    if let Some(given) = &name
        && !names.insert(given.value.clone())
    {
        table.faults.wrong(
            given.span.clone(),
            format!("the part `{}` is there twice", given.value),
            "give this one another name, or put its limits into the first",
        );
        return None;
    }
    let limit =
        |key: &str, make: fn(u64) -> Limit| table.has(key).then(|| table.whole(key).map(|n| make(n.value.into())));
    let every = table.has("every").then(|| {
        table.choice("every").map(|given| {
            Limit::Days(
                match given.value {
                    "day" => Every::Day,
                    "week" => Every::Week,
                    "month" => Every::Month,
                    "quarter" => Every::Quarter,
                    "half-year" => Every::HalfYear,
                    _ => Every::Year,
                }
                .days(),
            )
        })
    });
    let given = [
        limit("running_hours", |n| Limit::RunningHours(n as u32)),
        limit("lifts", Limit::Lifts),
        limit("starts", Limit::Starts),
        limit("stops", Limit::Stops),
        limit("bending_cycles", Limit::BendingCycles),
        limit("full_load_bending_cycles", Limit::FullLoadBendingCycles),
        limit("brake_work_kj", Limit::BrakeWorkKj),
        every,
    ];
    let limits: Option<Vec<Limit>> = given.into_iter().flatten().collect();
    let (reeving, speed) =
        ("sheaves or a drum in [crane.mechanism.reeving]", "`rated_speed_m_min` and the signal `speed_pct`");
    let unseen = (!sees_speed).then(|| format!("the mechanism lacks {speed}"));
    for (key, lacks, what) in [
        ("bending_cycles", unbent, reeving),
        ("full_load_bending_cycles", unbent, reeving),
        ("brake_work_kj", unseen.as_deref(), speed),
    ] {
        if let Some(lacks) = lacks.filter(|_| table.has(key)) {
            table.faults.missing(
                table.place(key),
                format!("`{key}` cannot be counted: {lacks}"),
                format!("add {what}, or take this limit out"),
            );
            return None;
        }
    }
    let limits = limits?;
    if limits.is_empty() {
        table.faults.missing(
            table.span.clone(),
            "the part has no limit, so it would never be due",
            "add one, for example `running_hours = 500` or `every = \"year\"`",
        );
        return None;
    }
    Some((name?.value, limits))
}

/// The keys that ask for a profile. What it says has been laid under the mechanism's signals already.
fn profile(table: &Table<'_>) -> Option<()> {
    let (path, without, offset) = (table.text("profile"), table.words("without"), table.whole("address_offset"));
    let mut fits = [("profile", path.is_some()), ("without", without.is_some()), ("address_offset", offset.is_some())]
        .into_iter()
        .all(|(key, read)| read || !table.has(key));
    for name in without.into_iter().flat_map(|given| given.value) {
        if targets().any(|target| target.name() == name.value) {
            continue;
        }
        let mend = match nearest(&name.value, targets().map(Target::name)) {
            Some(near) => format!("did you mean `{near}`?"),
            None => format!("write one of {}", targets().map(Target::name).collect::<Vec<_>>().join(", ")),
        };
        table.faults.wrong(name.span, format!("there is no signal `{}` to leave out", shorten(&name.value)), mend);
        fits = false;
    }
    fits.then_some(())
}

/// Reads a table of a mechanism that may be absent: then all its keys have their defaults.
fn optional<T>(
    owner: &Table<'_>,
    name: &str,
    group: &'static keys::Group,
    read: impl Fn(&Table<'_>) -> Option<T>,
) -> Option<T> {
    if owner.has(name) {
        return read(&owner.section(name, group)?);
    }
    let empty = toml::de::DeTable::new();
    read(&Table::open(&empty, group, group.header.to_owned(), owner.span.clone(), owner.faults))
}

fn targets() -> impl Iterator<Item = Target> {
    Quantity::ALL.into_iter().map(Target::Quantity).chain(Flag::ALL.into_iter().map(Target::Flag))
}

/// What a load signal must be able to show.
#[derive(Clone, Copy)]
struct Full<'a> {
    rated: Option<&'a Given<f64>>,
    /// The dead load, where the signal contains it.
    dead_in_signal: Option<&'a Given<f64>>,
}

fn signals(
    table: &Table<'_>,
    around: &Around<'_>,
    id: &str,
    kind: Option<Kind>,
    full: Full<'_>,
    places: &mut Places,
) -> Option<Vec<Signal>> {
    let (drive, drive_is_said) = default_drive(table, around);
    let inner = table.section("signals", &keys::SIGNALS)?;
    let owner = Owner {
        drive: drive.as_deref(),
        drive_is_said: Cell::new(drive_is_said),
        header: table.span.clone(),
        names: around.names,
        rated_load_kg: full.rated.map(|r| r.value),
    };
    let mut all_read = needed(&inner, kind, table.has("load"));
    let mut signals = Vec::new();
    for target in targets() {
        if !inner.has(target.name()) {
            continue;
        }
        let span = inner.place(target.name());
        let signal = inner.section(target.name(), &keys::SIGNAL).and_then(|t| signal::signal(&t, target, &owner));
        let Some(signal) = signal else {
            all_read = false;
            continue;
        };
        places.add(id, &signal, span.clone());
        if let Some(drive) = around.drives.get(&signal.drive) {
            fits_one_request(&inner, &signal, drive, span.clone());
        }
        if target == Target::Quantity(Quantity::Load) {
            reaches_rated(&inner, &signal, full, span);
        }
        signals.push(signal);
    }
    all_read.then_some(signals)
}

/// Drive of the signals that name none, and whether its fault has been said.
fn default_drive(table: &Table<'_>, around: &Around<'_>) -> (Option<String>, bool) {
    if !table.has("drive") {
        let only = match around.names.len() {
            1 => around.names.iter().next().cloned(),
            _ => None,
        };
        // A file without any drive has its fault already.
        return (only, around.names.is_empty());
    }
    let Some(given) = table.name("drive") else { return (None, true) };
    if around.names.contains(&given.value) {
        return (Some(given.value), false);
    }
    table.faults.wrong(
        given.span,
        format!("the drive `{}` is not in the file", given.value),
        signal::no_such_drive(&given.value, around.names),
    );
    (None, true)
}

/// The signals a mechanism cannot do without; `false` when one is absent. `calibrated`: it says where its load comes from.
fn needed(inner: &Table<'_>, kind: Option<Kind>, calibrated: bool) -> bool {
    let mut there = true;
    if !inner.has("raising") && !inner.has("lowering") {
        inner.faults.missing(
            inner.span.clone(),
            "the mechanism has neither `raising` nor `lowering`, so its running time cannot be seen",
            "add at least one, for example `raising = { table = \"holding\", address = 1, bit = 0 }`",
        );
        there = false;
    }
    if kind == Some(Kind::Hoist) && !inner.has("load_kg") && !(calibrated && inner.has("torque_pct")) {
        if inner.has("torque_pct") {
            inner.faults.missing(
                inner.place("torque_pct"),
                "the hoist has `torque_pct` but no `load_kg`, and it is not said how the torque tells the load",
                "add a table `[crane.mechanism.load]` with its points; until there are any the table may be empty, and the load counts as not known",
            );
        } else {
            inner.faults.missing(
                inner.span.clone(),
                "the hoist has no `load_kg`, so its load spectrum cannot be kept",
                "add `load_kg = { table = \"holding\", address = 0, unit = \"kg\" }` with the register of your drive",
            );
        }
        there = false;
    }
    there
}

fn fits_one_request(inner: &Table<'_>, signal: &Signal, drive: &Drive, span: Range<usize>) {
    if signal.register.raw.width() > drive.max_registers {
        inner.faults.wrong(
            span,
            format!(
                "`{}` takes {} registers, but the drive `{}` is read {} at a time",
                signal.target.name(),
                signal.register.raw.width(),
                drive.name,
                drive.max_registers
            ),
            format!("write max_registers = {} or more in [drive.{}]", signal.register.raw.width(), drive.name),
        );
    }
}

/// A load register that cannot show the full load would hide every heavy lift.
fn reaches_rated(inner: &Table<'_>, signal: &Signal, full: Full<'_>, span: Range<usize>) {
    let (Some(rated), Some((least, greatest))) = (full.rated, signal.register.raw.range()) else { return };
    let greatest = signal.mask.map_or(greatest, |mask| i128::from(mask >> mask.trailing_zeros()));
    let at = |raw: i128| raw as f64 * signal.scale.to_f64() + signal.offset.to_f64();
    let most = at(least).max(at(greatest));
    let dead = full.dead_in_signal.map_or(0.0, |dead| dead.value);
    if most < rated.value + dead {
        let with_dead = match full.dead_in_signal {
            Some(dead) => format!(" with the dead load of {} kg", keys::plain(dead.value)),
            None => String::new(),
        };
        inner.faults.wrong(
            span,
            format!(
                "`load_kg` can show {most:.0} kg at most, less than the rated load of {} kg{with_dead}",
                keys::plain(rated.value)
            ),
            "correct `scale` or `unit`, or read a wider type",
        );
    }
}

/// A stale limit not longer than the polling period would make a gap, or running time without a load, of every pause
/// between two polls of what tells whether it runs and with what. What a counter says lasts until it is read again.
fn outlasts_the_poll(table: &Table<'_>, stale: &Given<f64>, lead: Lead, signals: &[Signal], around: &Around<'_>) {
    let is_needed = |signal: &&Signal| match signal.target {
        Target::Flag(flag) => matches!(flag, Flag::Raising | Flag::Lowering),
        // The speed tells when a torque is steady.
        Target::Quantity(quantity) => match lead {
            Lead::Torque => matches!(quantity, Quantity::Torque | Quantity::Speed),
            Lead::Cell => quantity == Quantity::Load,
        },
    };
    let slowest = signals.iter().filter(is_needed).filter_map(|s| around.drives.get(&s.drive)).max_by_key(|d| d.poll);
    let Some(drive) = slowest else { return };
    if Span::from_seconds(stale.value) <= drive.poll {
        let poll = drive.poll.as_seconds();
        table.faults.missing(
            stale.span.clone(),
            format!(
                "`stale_after` is {}, but the drive `{}` is polled every {}: each pause would be a gap",
                keys::time(stale.value),
                drive.name,
                keys::time(poll)
            ),
            format!("write stale_after = \"{}\" or more, or poll more often", keys::time(poll * 3.0)),
        );
    }
}

fn lift(table: &Table<'_>, rated_kg: Option<f64>) -> Option<LiftSettings> {
    let (begin, end) = (table.number("begin_percent"), table.number("end_percent"));
    if let (Some(begin), Some(end)) = (&begin, &end)
        && end.value >= begin.value
    {
        let span = if table.has("end_percent") { end.span.clone() } else { begin.span.clone() };
        table.faults.missing(
            span,
            format!(
                "a lift would end below {} % of the rated load, but begin at {} %",
                keys::plain(end.value),
                keys::plain(begin.value)
            ),
            "write an `end_percent` below `begin_percent`",
        );
    }
    let (confirm_load, confirm_empty) = (table.time("confirm_load"), table.time("confirm_empty"));
    let (settle, bridge) = (table.time("settle"), table.time("bridge"));
    if let (Some(confirm), Some(settle)) = (&confirm_load, &settle)
        && confirm.value >= settle.value
    {
        let span = if table.has("confirm_load") { confirm.span.clone() } else { settle.span.clone() };
        table.faults.missing(
            span,
            format!(
                "`confirm_load` is {}, not shorter than `settle`, {}",
                keys::time(confirm.value),
                keys::time(settle.value)
            ),
            "write a `confirm_load` shorter than `settle`",
        );
    }
    let margin = table.number("overload_margin_percent");
    let rated = Grams::from_kg(rated_kg?);
    Some(LiftSettings {
        begin: part_of(rated, begin?.value),
        end: part_of(rated, end?.value),
        confirm_load: Span::from_seconds(confirm_load?.value),
        confirm_empty: Span::from_seconds(confirm_empty?.value),
        settle: Span::from_seconds(settle?.value),
        bridge: Span::from_seconds(bridge?.value),
        overload_margin: part_of(rated, margin?.value),
    })
}

/// A percentage of the rated load in whole grams, counted in thousandths of a percent so that it is exact.
fn part_of(rated: Grams, percent: f64) -> Grams {
    let thousandths = (percent * 1000.0).round() as i64;
    Grams::new(rated.get().saturating_mul(thousandths) / 100_000)
}

fn warn(table: &Table<'_>) -> Option<Warn> {
    let (used_share, hysteresis) = (table.numbers("used_share"), table.number("used_share_hysteresis"));
    let (starts, overload) = (table.numbers("starts_per_hour"), table.yes_no("overload"));
    let rising = |mut levels: Vec<f64>| {
        levels.sort_by(f64::total_cmp);
        levels.dedup();
        levels
    };
    Some(Warn {
        used_share: rising(used_share?.value),
        used_share_hysteresis: hysteresis?.value,
        starts_per_hour: rising(starts?.value),
        overload: overload?.value,
    })
}

fn prior(table: &Table<'_>, scale: Option<FactorScale>) -> Option<PriorUse> {
    let (hours, factor) = (table.number("running_hours"), table.number("spectrum_factor"));
    let recording = table.choice("recording").and_then(|given| {
        let recording = Recording::from_name(given.value)?;
        let scale = scale?;
        if recording.factor(scale).is_none() {
            let known: Vec<&str> =
                Recording::ALL.into_iter().filter(|r| r.factor(scale).is_some()).map(Recording::name).collect();
            table.faults.missing(
                given.span,
                format!("{} has no recording factor for \"{}\"", scale.edition(), given.value),
                format!("write one of {}, or choose the other `factor_scale`", known.join(", ")),
            );
            return None;
        }
        Some(recording)
    });
    let (lifts, note) = (table.whole("lifts"), table.text("note"));
    let of_lifts = table.number("lifts_spectrum_factor");
    if table.has("lifts_spectrum_factor") && of_lifts.is_none() {
        // Given but refused, as above.
        return None;
    }
    let factor = factor?.value;
    Some(PriorUse {
        running_hours: hours?.value,
        spectrum_factor: factor,
        recording: recording?,
        lifts: u64::from(lifts?.value),
        lifts_spectrum_factor: of_lifts.map_or(factor, |given| given.value),
        note: note?.value,
    })
}
