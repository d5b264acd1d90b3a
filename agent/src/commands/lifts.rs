//! `lifts`: the lifts of a mechanism, newest first.

use std::fmt::Write as _;
use std::path::PathBuf;

use jiff::tz::TimeZone;
use tallyhook_analysis::lift::Lift;
use tallyhook_analysis::units::Grams;

use super::ledger::{Ledger, instants};
use crate::exit::{CommandResult, Failure, Outcome};
use crate::figures::{LiftFigures, date_of, rfc3339};
use crate::store::LiftFilter;
use crate::web::units::{MassUnit, count, duration, number};

/// Lists lifts, newest first.
#[derive(clap::Args, Debug)]
pub struct LiftsArgs {
    /// Directory of the store.
    #[arg(long, value_name = "DIR", default_value = "data")]
    data: PathBuf,
    /// Which mechanism; needed when the store has several.
    #[arg(long, value_name = "ID")]
    mechanism: Option<String>,
    /// Lifts that began then or later: a day of the site, or RFC 3339.
    #[arg(long, value_name = "WHEN")]
    from: Option<String>,
    /// Lifts that began before then: a day of the site, or RFC 3339.
    #[arg(long, value_name = "WHEN")]
    to: Option<String>,
    /// At most so many. For people 50 unless given, with --json all.
    #[arg(long, value_name = "N")]
    limit: Option<u64>,
    /// Print one JSON document.
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: LiftsArgs) -> CommandResult {
    let ledger = Ledger::open(&args.data)?;
    let id = super::one_mechanism(&ledger.config, args.mechanism.as_deref())?;
    let rated = ledger.config.mechanisms().find(|(_, m)| m.id == id).map(|(_, m)| m.spec.rated).unwrap_or_default();
    let zone = &ledger.config.time_zone;
    let (from, to) = instants(args.from.as_deref(), args.to.as_deref(), zone)?;
    let filter = LiftFilter {
        mechanism: Some(&id),
        from,
        to,
        limit: args.limit.or(if args.json { None } else { Some(50) }),
        newest_first: true,
        ..LiftFilter::default()
    };
    let found = ledger.reader.lifts(&filter).map_err(Failure::run)?;
    let gone = ledger.reader.thinned(&id).map_err(Failure::run)?.lifts_to;
    let asked_before = |to: i32| {
        let kept_from = ledger.midnight(to.saturating_add(1));
        filter.limit.is_none_or(|limit| (found.len() as u64) < limit)
            && filter.from.is_none_or(|from| kept_from.is_none_or(|kept| from < kept))
    };
    if let Some(to) = gone.filter(|to| asked_before(*to)) {
        // Beside what was asked for, which may be read by a program.
        eprintln!("Lifts up to {} were given up for room; the sums of their days still have them.", date_of(to));
    }
    if args.json {
        let lifts: Vec<LiftFigures> = found.iter().map(|l| LiftFigures::of(&l.lift, rated)).collect();
        println!("{}", serde_json::to_string_pretty(&lifts).map_err(Failure::run)?);
    } else {
        let lifts: Vec<Lift> = found.iter().map(|l| l.lift).collect();
        print!("{}", render(&lifts, rated, &ledger.config.time_zone));
    }
    Ok(Outcome::Done)
}

/// The table: at most 80 columns, times of the site.
pub fn render(lifts: &[Lift], rated: Grams, zone: &TimeZone) -> String {
    let unit = MassUnit::for_rated(rated);
    let mut out = String::new();
    let mut row = |cells: [&str; 9]| {
        let [begin, lasted, load, off, share, peak, running, starts, note] = cells;
        let text =
            format!("{begin:<19} {lasted:>11} {load:>8} {off:>5} {share:>7} {peak:>8} {running:>6} {starts:>6} {note}");
        let _ = writeln!(out, "{}", text.trim_end());
    };
    let [load, off, peak] = ["load", "±", "peak"].map(|what| format!("{what}, {}", unit.symbol()));
    row(["begin", "lasted", &load, &off, "% rated", &peak, "run, s", "starts", ""]);
    for lift in lifts {
        let note = match (lift.overload, lift.cut) {
            (true, true) => "*!",
            (true, false) => "*",
            (false, true) => "!",
            (false, false) => "",
        };
        row([
            &local(lift, zone),
            &duration(lift.end.since(lift.begin).as_ms()),
            &unit.number(lift.load),
            &unit.give_or_take(lift.uncertainty),
            &number(lift.load.fraction_of(rated) * 100.0, 1),
            &unit.number(lift.peak),
            &number(lift.running_ms as f64 / 1000.0, 1),
            &count(u64::from(lift.starts)),
            note,
        ]);
    }
    let lifts_word = if lifts.len() == 1 { "lift" } else { "lifts" };
    let _ = writeln!(out, "{} {lifts_word}; rated load {}", count(lifts.len() as u64), unit.text(rated));
    if lifts.iter().any(|l| l.uncertainty.is_some()) {
        let _ = writeln!(out, "±  twice the standard uncertainty of the load");
    }
    if lifts.iter().any(|l| l.overload) {
        let _ = writeln!(out, "*  settled load above the rated load");
    }
    if lifts.iter().any(|l| l.cut) {
        let _ = writeln!(out, "!  the record broke off while the load was on the hook");
    }
    out.replace('\u{202f}', " ")
}

fn local(lift: &Lift, zone: &TimeZone) -> String {
    match jiff::Timestamp::from_millisecond(lift.begin.as_ms()) {
        Ok(time) => time.to_zoned_datetime(zone.clone()).strftime("%Y-%m-%d %H:%M:%S").to_string(),
        Err(_) => rfc3339(lift.begin),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tallyhook_analysis::units::{Span, Timestamp};

    #[test]
    fn a_row_a_lift_with_marks_explained_when_used() {
        let begin = Timestamp::from_ms(1_773_036_000_000); // 2026-03-09T06:00:00Z
        let plain = Lift {
            begin,
            end: begin.plus(Span::from_ms(195_300)),
            load: Grams::from_kg(8_324.0),
            peak: Grams::from_kg(8_934.0),
            running_ms: 64_200,
            starts: 6,
            band: 5,
            overload: false,
            cut: false,
            uncertainty: Some(Grams::from_kg(162.0)),
        };
        let over = Lift { load: Grams::from_kg(16_480.0), overload: true, ..plain };
        let rated = Grams::from_kg(16_000.0);
        let table = render(&[plain, over], rated, &TimeZone::fixed(jiff::tz::offset(1)));
        let rows: Vec<Vec<&str>> = table.lines().map(|l| l.split_whitespace().collect()).collect();
        assert_eq!(
            rows[1],
            ["2026-03-09", "07:00:00", "3", "min", "15", "s", "8.32", "0.32", "52.0", "8.93", "64.2", "6"]
        );
        assert_eq!(rows[2].last(), Some(&"*"));
        assert!(table.contains("2 lifts; rated load 16.00 t") && table.contains("*  settled load above"));
        assert!(!table.contains('!'));
        assert!(table.lines().all(|l| l.chars().count() <= 80), "{table}");
    }
}
