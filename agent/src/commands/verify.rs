//! `verify`: whether the ledger adds up, and is what it was.

use std::path::PathBuf;

use serde_json::json;

use super::ledger::say_if_behind;
use super::progress::Progress;
use crate::exit::{CommandResult, Failure, Outcome};
use crate::figures::date_of;
use crate::store::verify::{Verification, verify_telling};
use crate::store::{Reader, StoreError};

/// Proves the ledger: every day anew from its lifts, histograms and hours, and the chain of closing entries.
///
/// Prints each mechanism's anchor, the last hash. Written down on paper, or taken from a day's MQTT message, it shows
/// later that nothing before it was changed: give it to --anchor.
#[derive(clap::Args, Debug)]
pub struct VerifyArgs {
    /// Directory of the store.
    #[arg(long, value_name = "DIR", default_value = "data")]
    data: PathBuf,
    /// A hash from outside that must be in the chain.
    #[arg(long, value_name = "HASH")]
    anchor: Option<String>,
    /// Print one JSON document.
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: VerifyArgs) -> CommandResult {
    let anchor = args.anchor.as_deref().map(asked).transpose()?;
    let progress = Progress::of("days", true);
    let found = Reader::open(&args.data).and_then(|reader| {
        say_if_behind(reader.is_behind());
        verify_telling(&reader, &|| progress.add(1))
    });
    drop(progress);
    let found = match found {
        Ok(found) => found,
        Err(error @ StoreError::Missing { .. }) => return Err(Failure::usage(error)),
        Err(error @ (StoreError::Damaged { .. } | StoreError::NotOurs { .. })) => Verification::of_error(&error),
        Err(error) => return Err(Failure::run(error)),
    };
    let held = anchor.as_deref().map(|anchor| holder(&found, anchor));
    let missing = matches!(held, Some(None));
    if args.json {
        let mut document = serde_json::to_value(&found).map_err(Failure::run)?;
        document["ok"] = json!(found.ok && !missing);
        if let Some(held) = &held {
            document["anchor_holds"] = json!(held.is_some());
        }
        println!("{}", serde_json::to_string_pretty(&document).map_err(Failure::run)?);
    } else {
        print(&found, held.as_ref().map(Option::as_deref));
    }
    Ok(if found.ok && !missing { Outcome::Done } else { Outcome::FaultFound })
}

fn asked(anchor: &str) -> Result<String, Failure> {
    let anchor = anchor.trim().to_lowercase();
    if anchor.len() == 64 && anchor.bytes().all(|b| b.is_ascii_hexdigit()) {
        return Ok(anchor);
    }
    Err(Failure::Usage(format!("--anchor has {} characters; give the 64 hexadecimal digits as printed", anchor.len())))
}

/// Where an anchor stands in the chains.
fn holder(found: &Verification, anchor: &str) -> Option<String> {
    found.mechanisms.iter().find_map(|m| {
        let (_, seq, day) = m.hashes.iter().find(|(hash, ..)| hash == anchor)?;
        let day = day.map_or(String::new(), |day| format!(", the close of {}", date_of(day)));
        Some(format!("entry {seq} of {}{day}", m.id))
    })
}

fn print(found: &Verification, held: Option<Option<&str>>) {
    for m in &found.mechanisms {
        let to = m.last_day.as_deref().map_or(String::new(), |day| format!(", the last {day}"));
        println!("{}: {} days add up{to}; {} entries in the chain", m.id, m.days, m.entries);
        if m.days_before > 0 {
            println!("  {} days are older than the chain: held by one hash, not made anew from lifts", m.days_before);
        }
        if let Some(to) = &m.lifts_given_up_to {
            println!(
                "  {} days up to {to} have given up their lifts for room: held by the chain and their histograms",
                m.days_without_lifts
            );
        }
        if let Some(to) = &m.histograms_given_up_to {
            println!(
                "  {} of these up to {to} their histograms too: held by the chain alone",
                m.days_without_histograms
            );
        }
        println!("  anchor {}", m.anchor.as_deref().unwrap_or("none yet: no day or configuration is in the chain"));
    }
    match held {
        Some(Some(place)) => println!("The anchor given is {place}."),
        Some(None) => println!("THE ANCHOR GIVEN IS NOT IN THE CHAIN: this is not the ledger it was taken from."),
        None => {}
    }
    match found.faults.split_first() {
        None => println!("Everything adds up."),
        Some((first, more)) => {
            println!("IT DOES NOT ADD UP. First: {first}");
            more.iter().take(20).for_each(|fault| println!("  also: {fault}"));
            if more.len() > 20 {
                println!("  and {} more", more.len() - 20);
            }
        }
    }
}
