//! `alarms`: warnings with their life, and what people do to them.

use std::path::PathBuf;

use serde::Serialize;
use tallyhook_analysis::units::{Span, Timestamp};

use super::ledger::Ledger;
use crate::clock::Clock;
use crate::exit::{CommandResult, Failure, Outcome};
use crate::figures::rfc3339;
use crate::store::alarm::{Act, ActError, Alarm, AlarmState, Done, act};

/// Lists warnings with their life (ISA-18.2), and takes acknowledgements, notes and shelving.
#[derive(clap::Args, Debug)]
pub struct AlarmsArgs {
    /// Directory of the store.
    #[arg(long, value_name = "DIR", default_value = "data")]
    data: PathBuf,
    /// Only of this mechanism.
    #[arg(long, value_name = "ID")]
    mechanism: Option<String>,
    /// Those that are over too.
    #[arg(long)]
    all: bool,
    /// Acknowledge this alarm: you know of it.
    #[arg(long, value_name = "NUMBER", group = "act", requires = "by")]
    acknowledge: Option<u64>,
    /// Shelve this alarm: nobody is reminded of it for a time.
    #[arg(long, value_name = "NUMBER", group = "act", requires_all = ["by", "hours"])]
    shelve: Option<u64>,
    /// For how many hours it is shelved, up to 720.
    #[arg(long, value_name = "HOURS")]
    hours: Option<f64>,
    /// Take this alarm off the shelf.
    #[arg(long, value_name = "NUMBER", group = "act", requires = "by")]
    unshelve: Option<u64>,
    /// Put a word to this alarm.
    #[arg(long, value_name = "NUMBER", group = "act", requires_all = ["by", "note"])]
    remark: Option<u64>,
    /// Who does it.
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// A word on it.
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    /// Print one JSON document.
    #[arg(long)]
    json: bool,
}

/// An alarm as `--json` and the page's JSON give it.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct AlarmFigures {
    /// Its number.
    pub number: u64,
    /// Identifier of the crane.
    pub crane: String,
    /// Identifier of the mechanism.
    pub mechanism: String,
    /// What is watched, with its level.
    pub what: String,
    /// Where it stands.
    pub state: AlarmState,
    /// In words, as the destinations get it.
    pub text: String,
    /// When it was raised.
    pub raised: String,
    /// How often, while it stood open.
    pub times: u64,
    /// When it was raised last.
    pub last: String,
    /// When the value returned.
    pub cleared: Option<String>,
    /// When it was acknowledged.
    pub acknowledged: Option<String>,
    /// By whom.
    pub acknowledged_by: Option<String>,
    /// Until when it is shelved.
    pub shelved_until: Option<String>,
    /// By whom.
    pub shelved_by: Option<String>,
    /// What people did to it, oldest first.
    pub acts: Vec<Done>,
}

impl AlarmFigures {
    /// The figures of an alarm with what people did to it.
    pub fn of(config: &tallyhook_config::model::Config, alarm: &Alarm, acts: Vec<Done>) -> Self {
        AlarmFigures {
            number: alarm.seq,
            crane: alarm.crane.clone(),
            mechanism: alarm.mechanism.clone(),
            what: alarm.what.clone(),
            state: alarm.state(),
            text: crate::publish::wording::text(config, &alarm.message()),
            raised: rfc3339(alarm.raised),
            times: alarm.times,
            last: rfc3339(alarm.last),
            cleared: alarm.cleared.map(rfc3339),
            acknowledged: alarm.acknowledged.as_ref().map(|(at, _)| rfc3339(*at)),
            acknowledged_by: alarm.acknowledged.as_ref().map(|(_, by)| by.clone()),
            shelved_until: alarm.shelved.as_ref().map(|(until, _)| rfc3339(*until)),
            shelved_by: alarm.shelved.as_ref().map(|(_, by)| by.clone()),
            acts,
        }
    }
}

/// Runs the command.
pub fn run(args: AlarmsArgs) -> CommandResult {
    let ledger = Ledger::open(&args.data)?;
    let now = Clock::system().now().wall;
    if let Some((number, what)) = asked(&args, now)? {
        let by = args.by.as_deref().map(str::trim).unwrap_or_default();
        if by.is_empty() {
            return Err(Failure::Usage("--by is empty; say who does it".to_owned()));
        }
        let alarm = act(&args.data, number, &what, by, args.note.as_deref().unwrap_or(""), now).map_err(refused)?;
        println!("Alarm {number} of {}, {}: {}.", alarm.mechanism, alarm.what, alarm.state().name());
        println!("It is information; it releases nothing for use.");
        return Ok(Outcome::Done);
    }
    let id = match args.mechanism.as_deref() {
        Some(id) => Some(super::one_mechanism(&ledger.config, Some(id))?),
        None => None,
    };
    let alarms = ledger.reader.alarms(id.as_deref(), !args.all).map_err(Failure::run)?;
    let mut figures = Vec::new();
    for alarm in &alarms {
        let acts = ledger.reader.alarm_acts(alarm.seq).map_err(Failure::run)?;
        figures.push(AlarmFigures::of(&ledger.config, alarm, acts));
    }
    if args.json {
        println!("{}", serde_json::to_string_pretty(&figures).map_err(Failure::run)?);
    } else {
        figures.iter().for_each(print);
        if figures.is_empty() {
            println!("No warning is open.");
        }
    }
    Ok(Outcome::Done)
}

/// What is to be done, and to which alarm.
fn asked(args: &AlarmsArgs, now: Timestamp) -> Result<Option<(u64, Act)>, Failure> {
    let shelf = || match args.hours {
        Some(hours) if hours > 0.0 && hours <= 720.0 => Ok(now.plus(Span::from_hours(hours))),
        _ => Err(Failure::Usage("--hours must be above 0 and up to 720: nothing is shelved for ever".to_owned())),
    };
    Ok(match (args.acknowledge, args.shelve, args.unshelve, args.remark) {
        (Some(number), ..) => Some((number, Act::Acknowledge)),
        (_, Some(number), ..) => Some((number, Act::Shelve(shelf()?))),
        (_, _, Some(number), _) => Some((number, Act::Unshelve)),
        (_, _, _, Some(number)) => Some((number, Act::Note)),
        _ => None,
    })
}

fn refused(error: ActError) -> Failure {
    match error {
        ActError::Unknown(_) | ActError::Already(..) => Failure::usage(error),
        ActError::Store(error) => Failure::run(error),
    }
}

fn print(alarm: &AlarmFigures) {
    println!("{:>4}  {}  {}, {}: {}", alarm.number, alarm.raised, alarm.mechanism, alarm.what, alarm.state.name());
    println!("      {}", alarm.text);
    if alarm.times > 1 {
        println!("      {} times, last {}", alarm.times, alarm.last);
    }
    if let (Some(until), Some(by)) = (&alarm.shelved_until, &alarm.shelved_by) {
        println!("      shelved until {until} by {by}");
    }
    for done in &alarm.acts {
        let note = if done.note.is_empty() { String::new() } else { format!(": {}", done.note) };
        println!("      {}  {} by {}{note}", rfc3339(Timestamp::from_ms(done.at_ms)), done.act, done.by);
    }
}
