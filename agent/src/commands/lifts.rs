//! `lifts`: the lifts of a mechanism, newest first.

use std::path::PathBuf;

use super::ledger::{Ledger, instant};
use crate::exit::{CommandResult, Failure, Outcome};
use crate::figures::LiftFigures;
use crate::store::LiftFilter;

/// Lists lifts, newest first.
#[derive(clap::Args, Debug)]
pub struct LiftsArgs {
    /// Directory of the store.
    #[arg(long, value_name = "DIR", default_value = "data")]
    data: PathBuf,
    /// Which mechanism; needed when the store has several.
    #[arg(long, value_name = "ID")]
    mechanism: Option<String>,
    /// Lifts that began then or later: a date, or RFC 3339.
    #[arg(long, value_name = "WHEN")]
    from: Option<String>,
    /// Lifts that began before then.
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
    let filter = LiftFilter {
        mechanism: Some(&id),
        from: instant("--from", args.from.as_deref())?,
        to: instant("--to", args.to.as_deref())?,
        limit: args.limit.or(if args.json { None } else { Some(50) }),
        newest_first: true,
        ..LiftFilter::default()
    };
    let found = ledger.reader.lifts(&filter).map_err(Failure::run)?;
    let lifts: Vec<LiftFigures> = found.iter().map(|l| LiftFigures::of(&l.lift, rated)).collect();
    if args.json {
        println!("{}", serde_json::to_string_pretty(&lifts).map_err(Failure::run)?);
    } else {
        print!("{}", render(&lifts));
    }
    Ok(Outcome::Done)
}

fn render(lifts: &[LiftFigures]) -> String {
    let mut text = format!(
        "{:<25} {:>10} {:>7} {:>10} {:>8} {:>6}\n",
        "begin (UTC)", "load kg", "% rated", "peak kg", "ran s", "starts"
    );
    for lift in lifts {
        let mark = match (lift.overload, lift.cut) {
            (true, _) => "  above rated",
            (_, true) => "  lost from sight",
            _ => "",
        };
        text.push_str(&format!(
            "{:<25} {:>10.0} {:>7.1} {:>10.0} {:>8.1} {:>6}{mark}\n",
            lift.begin,
            lift.load_kg,
            lift.fraction * 100.0,
            lift.peak_kg,
            lift.running_seconds,
            lift.starts
        ));
    }
    if lifts.is_empty() {
        text.push_str("no lifts in that time\n");
    }
    text
}
