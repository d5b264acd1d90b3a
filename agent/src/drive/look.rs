//! One look at every signal, for whoever sets up a panel: what was asked, what came, what it means, and what it would
//! mean in another order.

use std::collections::BTreeMap;
use std::sync::Arc;

use tallyhook_config::model::{ByteOrder, Config, Drive, Mechanism, Register, Signal, WordOrder};
use tokio::task::JoinSet;

use super::decode::{self, Answer, Decoded, Number};
use super::link::{Link, ReadError};
use super::plan::{ReadPlan, Request};
use super::port::{Ports, SystemPorts};
use super::{LinkState, doubt};
use crate::clock::Clock;

/// What a look at one drive found.
#[derive(Clone, Debug)]
pub struct DriveLook {
    /// The drive.
    pub drive: Drive,
    /// Where it was looked for, for people.
    pub place: String,
    /// How the link stood at the end of the look.
    pub state: LinkState,
    /// Its signals, in the order of the configuration.
    pub signals: Vec<SignalLook>,
}

impl DriveLook {
    /// Whether the drive answered.
    pub fn answers(&self) -> bool {
        self.state.is_up()
    }

    /// How many of its signals are at fault.
    pub fn faults(&self) -> usize {
        self.signals.iter().filter(|signal| signal.doubt.is_some()).count()
    }
}

/// What a look at one signal found.
#[derive(Clone, Debug)]
pub struct SignalLook {
    /// Identifier of its mechanism.
    pub mechanism: String,
    /// The signal.
    pub signal: Signal,
    /// The read that carried it.
    pub request: Request,
    /// Its own words or contacts; empty where there was no answer.
    pub words: Vec<u16>,
    /// The number that they are, before mask, scale and offset.
    pub raw: Option<Number>,
    /// What they mean.
    pub value: Decoded,
    /// The device says by this value that it has none.
    pub says_no_value: bool,
    /// What the raw value means in words.
    pub text: Option<String>,
    /// What the words would mean in the other orders of words and bytes; only for values of 32 and 64 bits.
    pub others: Vec<(Register, Decoded)>,
    /// What is wrong with it, and the mend.
    pub doubt: Option<doubt::Doubt>,
}

/// Reads every drive that feeds something once. Lines are looked at side by side, the drives of one line one after the
/// other.
pub async fn look(config: &Config, clock: &Clock) -> Vec<DriveLook> {
    look_through(Arc::new(SystemPorts), config, clock).await
}

/// As [`look`], through ports of the caller's.
pub async fn look_through(ports: Arc<dyn Ports>, config: &Config, clock: &Clock) -> Vec<DriveLook> {
    let config = Arc::new(config.clone());
    let mut lines: BTreeMap<String, Vec<Drive>> = BTreeMap::new();
    for drive in config.drives.values() {
        let line = match &drive.link {
            tallyhook_config::model::Link::Tcp { .. } => format!("drive {}", drive.name),
            tallyhook_config::model::Link::Bus(bus) => format!("bus {}", bus.name),
        };
        lines.entry(line).or_default().push(drive.clone());
    }
    let mut tasks = JoinSet::new();
    for drives in lines.into_values() {
        let (config, clock, ports) = (config.clone(), clock.clone(), ports.clone());
        tasks.spawn(async move {
            let mut looks = Vec::new();
            let Some(first) = drives.first() else { return looks };
            let mut link = Link::new(first.link.clone(), ports, clock.clone());
            for drive in &drives {
                looks.push(look_at(&mut link, &config, drive, &clock).await);
            }
            looks
        });
    }
    let mut looks: Vec<DriveLook> = tasks.join_all().await.into_iter().flatten().collect();
    looks.sort_by(|a, b| a.drive.name.cmp(&b.drive.name));
    looks.retain(|look| !look.signals.is_empty());
    looks
}

async fn look_at(link: &mut Link, config: &Config, drive: &Drive, clock: &Clock) -> DriveLook {
    let mut plan = ReadPlan::of(config, drive);
    let mut answers: BTreeMap<Request, Result<Answer, u8>> = BTreeMap::new();
    let mut lost = None;
    let limit = clock.real(drive.timeout);
    // A drive that was asked for something odd may be silent once; it is asked a second time, no more.
    let mut patience = 1;
    while let Some(&request) = plan.requests.iter().find(|request| !answers.contains_key(request)) {
        let answer = match open(link, limit).await {
            Ok(()) => link.read(drive.unit, request, limit).await,
            Err(state) => Err(ReadError::Lost(state)),
        };
        match answer {
            Ok(answer) => drop(answers.insert(request, Ok(answer))),
            Err(ReadError::Refused(2 | 3)) if plan.split(request) => {}
            Err(ReadError::Refused(code)) => drop(answers.insert(request, Err(code))),
            Err(ReadError::Lost(_)) if patience > 0 => patience -= 1,
            Err(ReadError::Lost(state)) => {
                lost = Some(state);
                break;
            }
        }
    }
    let mechanisms: Vec<&Mechanism> = config.mechanisms().map(|(_, mechanism)| mechanism).collect();
    let signals: Vec<SignalLook> = plan
        .places
        .iter()
        .map(|place| {
            let request = plan.requests[place.request];
            signal_look(mechanisms[place.mechanism], &place.signal, request, place.offset, answers.get(&request))
        })
        .collect();
    let refused = answers.iter().find_map(|(request, answer)| {
        let code = *answer.as_ref().err()?;
        Some(LinkState::Exception { function: request.function(), code, address: request.address })
    });
    let state = lost.or(refused).unwrap_or(LinkState::Online);
    let mut look = DriveLook { drive: drive.clone(), place: link.place(), state, signals };
    doubt::both_directions(&mut look.signals);
    look
}

async fn open(link: &mut Link, limit: std::time::Duration) -> Result<(), LinkState> {
    if !link.is_open() {
        let port = link.opening(limit).await?;
        link.attach(port);
    }
    Ok(())
}

fn signal_look(
    mechanism: &Mechanism,
    signal: &Signal,
    request: Request,
    offset: usize,
    answer: Option<&Result<Answer, u8>>,
) -> SignalLook {
    let mut look = SignalLook {
        mechanism: mechanism.id.clone(),
        signal: signal.clone(),
        request,
        words: Vec::new(),
        raw: None,
        value: Decoded::NotRead,
        says_no_value: false,
        text: None,
        others: Vec::new(),
        doubt: None,
    };
    let answer = match answer {
        // The drive as a whole did not answer, which is said once for all its signals.
        None => return look,
        Some(Err(code)) => {
            look.doubt = Some(doubt::refused(signal, request, *code));
            return look;
        }
        Some(Ok(answer)) => answer,
    };
    let width = usize::from(signal.register.raw.width());
    look.words = match answer {
        Answer::Words(words) => words.iter().skip(offset).take(width).copied().collect(),
        Answer::Contacts(contacts) => contacts.iter().skip(offset).take(1).map(|&on| u16::from(on)).collect(),
        Answer::Refused => Vec::new(),
    };
    let bits = answer.raw(signal.register, offset);
    look.raw = bits.and_then(|bits| decode::number(signal.register.raw, bits));
    look.value = decode::signal(signal, bits);
    look.says_no_value = decode::says_no_value(signal, bits);
    look.text = bits.and_then(|bits| decode::words(signal, bits)).map(str::to_owned);
    look.others = other_orders(signal, &look.words);
    look.doubt = doubt::of(mechanism, &look);
    look
}

/// The words in every order of words and bytes but the configured one.
fn other_orders(signal: &Signal, words: &[u16]) -> Vec<(Register, Decoded)> {
    if signal.register.raw.order().is_none() {
        return Vec::new();
    }
    let orders = [WordOrder::HighFirst, WordOrder::LowFirst];
    [ByteOrder::HighFirst, ByteOrder::LowFirst]
        .into_iter()
        .flat_map(|bytes| orders.map(|order| (bytes, order)))
        .map(|(bytes, order)| Register { bytes, raw: signal.register.raw.with_order(order), ..signal.register })
        .filter(|register| *register != signal.register)
        .map(|register| {
            let other = Signal { register, ..signal.clone() };
            (register, decode::signal(&other, decode::bits(register, words)))
        })
        .collect()
}
