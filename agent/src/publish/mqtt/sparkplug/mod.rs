//! The broker is fed Sparkplug B 3.0 in place of JSON: the box is an edge node, each mechanism a device.
//!
//! The specification asks for QoS 0 on births and data, so nothing acknowledges them. What proves that they arrived is
//! the answer to a subscription that went out behind them on the same connection. The cursor moves on that proof only;
//! what went out without one is sent again after the next birth, as historical.

pub mod metrics;
pub mod payload;

use std::collections::BTreeMap;
use std::future::Future;
use std::pin::Pin;
use std::sync::Arc;

use prost::Message as _;
use rumqttc::{AsyncClient, LastWill, Publish, PublishNotice, PublishOptions, QoS};
use serde_json::Value as Json;
use tallyhook_analysis::units::Span;
use tallyhook_config::model::Mqtt;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;
use tracing::info;

use super::link::{self, Lost, Sign};
use super::{DESTINATION, FAREWELL, LAST_DELIVERY, Over, STALLED, STATE_PAUSE, connect, ended, unread};
use crate::figures::SiteFigures;
use crate::publish::outbox::{Outbox, begin};
use crate::publish::retry::{pause, span_of};
use crate::publish::{Wiring, stopped};
use crate::store::message::{Message, MessageKind};
use metrics::time;
use payload::{Metric, Payload};

/// Messages that may be out without a proof.
const WINDOW: u64 = 256;
/// A message older than this when it first goes out is delivered late.
const LATE: Span = Span::from_ms(60_000);

/// What is kept from one connection to the next.
#[derive(Debug, Default)]
pub struct Node {
    /// The session's number, which ties a birth to its death.
    bd_seq: u8,
    /// The last message that went out on any connection.
    sent: u64,
}

/// The proof that all messages up to a number have arrived.
type Proof = Pin<Box<dyn Future<Output = Result<u64, String>> + Send>>;

/// One connection, from its birth to its end.
pub(super) async fn connection<O: Outbox>(
    broker: &Mqtt,
    group: &str,
    figures: watch::Receiver<Arc<SiteFigures>>,
    wiring: &Wiring<O>,
    node: &mut Node,
) -> Over {
    let mut options = match link::options(broker, &broker.client_id).await {
        Ok(options) => options,
        Err(lost) => return Over::Lost(lost),
    };
    let bd_seq = node.bd_seq;
    // Each CONNECT has a number of its own, whether it comes about or not.
    node.bd_seq = node.bd_seq.wrapping_add(1);
    let death_topic = format!("spBv1.0/{group}/NDEATH/{}", broker.client_id);
    let death = Payload {
        timestamp: Some(time(wiring.clock.now().wall.as_ms())),
        metrics: vec![metrics::bd_seq(bd_seq, false)],
        seq: None,
    };
    options.set_last_will(LastWill::new(&death_topic, death.encode_to_vec(), QoS::AtLeastOnce, false));
    let mut stop = wiring.stop.clone();
    // Dropping the set ends the task, and with it the connection.
    let mut wire = JoinSet::new();
    let (client, mut signs) = tokio::select! {
        connected = connect(options, &mut wire) => match connected {
            Ok(connected) => connected,
            Err(lost) => return Over::Lost(lost),
        },
        () = stopped(&mut stop) => return Over::Stopped,
    };
    let cursor = match begin(&wiring.outbox, DESTINATION, wiring.end, broker.from_start).await {
        Ok(cursor) => cursor,
        Err(why) => return Over::Lost(unread(&why)),
    };
    let sent_before = node.sent.max(wiring.end);
    let mut session = Session {
        base: format!("spBv1.0/{group}"),
        name: broker.client_id.clone(),
        death_topic,
        bd_seq,
        client,
        figures,
        seq: 0,
        sent: cursor,
        proved: cursor,
        sent_before,
        devices: BTreeMap::new(),
        last: None,
    };
    let over = session.serve(wiring, &mut signs).await;
    node.sent = node.sent.max(session.sent);
    over
}

/// A device that is alive: its number for the aliases, and what was last told of its state.
struct Device {
    number: usize,
    told: Json,
}

struct Session {
    base: String,
    name: String,
    death_topic: String,
    bd_seq: u8,
    client: AsyncClient,
    figures: watch::Receiver<Arc<SiteFigures>>,
    /// The next message's number.
    seq: u8,
    /// The last message that went out.
    sent: u64,
    /// The last message that is proved to have arrived.
    proved: u64,
    /// What went out on an earlier connection, or was stored before this program started.
    sent_before: u64,
    /// The devices that are alive, by their names.
    devices: BTreeMap<String, Device>,
    /// What was handed over last, until it is on the wire.
    last: Option<PublishNotice>,
}

impl Session {
    async fn serve<O: Outbox>(&mut self, wiring: &Wiring<O>, signs: &mut mpsc::Receiver<Sign>) -> Over {
        let clock = wiring.clock.clone();
        let mut stop = wiring.stop.clone();
        let mut stored = wiring.stored.clone();
        let after = |span| clock.now().mono.plus(span_of(&clock, span));
        // Commands must be able to come in before anything goes out.
        let heard = tokio::select! {
            heard = self.proof() => heard,
            () = pause(&clock, STALLED) => Err(format!("it does not answer within {} s", STALLED.as_secs())),
            () = stopped(&mut stop) => return Over::Stopped,
        };
        if let Err(why) = heard {
            return self.over(signs, &why).await;
        }
        wiring.health.well();
        if let Err(why) = self.births(clock.now().wall.as_ms()) {
            return self.over(signs, &why).await;
        }
        info!(node = %self.name, bd_seq = self.bd_seq, "born");
        let mut proof: Option<Proof> = None;
        let mut proof_due = after(STALLED);
        let mut stopping: Option<Span> = None;
        let mut next_state = after(STATE_PAUSE);
        loop {
            stored.borrow_and_update();
            let now = clock.now();
            if let Err(over) = self.fill(wiring, now.wall.as_ms()).await {
                return match over {
                    Fill::Outbox(why) => Over::Lost(unread(&why)),
                    Fill::Client(why) => self.over(signs, &why).await,
                };
            }
            if proof.is_none() && self.sent > self.proved {
                proof = Some(self.proof());
                proof_due = after(STALLED);
            }
            if let Some(end) = stopping
                && (proof.is_none() || now.mono >= end)
            {
                return self.farewell(wiring).await;
            }
            let room = self.sent - self.proved < WINDOW;
            tokio::select! {
                sign = signs.recv() => match sign {
                    Some(Sign::Lost(lost)) => return Over::Lost(lost),
                    Some(Sign::Connected) => {}
                    Some(Sign::Came(command)) => {
                        if let Err(why) = self.obey(&command, clock.now().wall.as_ms()) {
                            return self.over(signs, &why).await;
                        }
                    }
                    None => return Over::Lost(ended()),
                },
                proved = async { match &mut proof { Some(proof) => proof.await, None => std::future::pending().await } } => {
                    proof = None;
                    match proved {
                        Ok(seq) => {
                            self.proved = seq;
                            wiring.health.well();
                            if let Err(why) = wiring.outbox.note_cursor(DESTINATION, seq).await {
                                // Sent again as historical after the next birth.
                                tracing::warn!("the outbox cannot keep the broker's cursor: {why}");
                            }
                        }
                        Err(why) => return self.over(signs, &why).await,
                    }
                },
                Ok(()) = stored.changed(), if room => {}
                () = clock.sleep_until(next_state), if stopping.is_none() => {
                    if let Err(why) = self.tell_states(clock.now().wall.as_ms()) {
                        return self.over(signs, &why).await;
                    }
                    next_state = after(STATE_PAUSE);
                },
                () = clock.sleep_until(proof_due), if proof.is_some() => {
                    let what = format!("the broker has answered nothing for {STALLED:?}");
                    return Over::Lost(Lost::passing(what, "look at the broker's own log and the network"));
                },
                () = stopped(&mut stop), if stopping.is_none() => stopping = Some(after(LAST_DELIVERY)),
                () = clock.sleep_until(stopping.unwrap_or(proof_due)), if stopping.is_some() => {}
            }
        }
    }

    /// Why the session is over: the connection's own word, which follows at once, says more than ours.
    async fn over(&self, signs: &mut mpsc::Receiver<Sign>, why: &str) -> Over {
        while let Ok(sign) = signs.try_recv() {
            if let Sign::Lost(lost) = sign {
                return Over::Lost(lost);
            }
        }
        Over::Lost(Lost::passing(format!("the connection to the broker broke: {why}"), "look at the broker's own log"))
    }

    /// A round trip behind all that has been handed over: first the last of it has to be on the wire, for a
    /// subscription may overtake what waits; then the answer to the subscription says that the broker came by there.
    fn proof(&mut self) -> Proof {
        let (client, seq, last) = (self.client.clone(), self.sent, self.last.take());
        let commands = format!("{}/NCMD/{}", self.base, self.name);
        Box::pin(async move {
            if let Some(last) = last {
                last.wait_completion_async().await.map_err(|error| error.to_string())?;
            }
            let asked = client.try_subscribe_tracked(commands, QoS::AtLeastOnce).map_err(|error| error.to_string())?;
            asked.wait_completion_async().await.map_err(|error| error.to_string())?;
            Ok(seq)
        })
    }

    fn publish(&mut self, kind: &str, device: Option<&str>, metrics: Vec<Metric>, at_ms: i64) -> Result<(), String> {
        let payload = Payload { timestamp: Some(time(at_ms)), metrics, seq: Some(u64::from(self.seq)) };
        let topic = match device {
            Some(device) => format!("{}/{kind}/{}/{device}", self.base, self.name),
            None => format!("{}/{kind}/{}", self.base, self.name),
        };
        let options = PublishOptions::new(QoS::AtMostOnce);
        let notice = self.client.try_publish_tracked(topic, payload.encode_to_vec(), options);
        self.last = Some(notice.map_err(|error| error.to_string())?);
        self.seq = self.seq.wrapping_add(1);
        Ok(())
    }

    /// The births of the node and of every device whose drive answers. They begin the numbers again.
    fn births(&mut self, at_ms: i64) -> Result<(), String> {
        self.seq = 0;
        self.devices.clear();
        self.publish("NBIRTH", None, metrics::node_birth(self.bd_seq, at_ms), at_ms)?;
        self.tell_states(at_ms)
    }

    fn birth(&mut self, device: &str, number: usize, state: Json, at_ms: i64) -> Result<(), String> {
        self.publish("DBIRTH", Some(device), metrics::birth(number, &state, at_ms), at_ms)?;
        self.devices.insert(device.to_owned(), Device { number, told: state });
        Ok(())
    }

    /// Tells what has changed: a device whose record has a gap is dead until the gap is over.
    fn tell_states(&mut self, at_ms: i64) -> Result<(), String> {
        let figures = self.figures.borrow_and_update().clone();
        for (number, mechanism) in figures.mechanisms.iter().enumerate() {
            let id = mechanism.id.as_str();
            let state = metrics::state_of(mechanism);
            match (self.devices.get_mut(id), mechanism.gap_since.is_some()) {
                (None, false) => self.birth(id, number, state, at_ms)?,
                (None, true) => {}
                (Some(_), true) => {
                    self.devices.remove(id);
                    self.publish("DDEATH", Some(id), Vec::new(), at_ms)?;
                }
                (Some(device), false) => {
                    let changes = metrics::changes(number, &device.told, &state, at_ms);
                    device.told = state;
                    if !changes.is_empty() {
                        self.publish("DDATA", Some(id), changes, at_ms)?;
                    }
                }
            }
        }
        Ok(())
    }

    /// Sends messages until as many are out as may be without a proof.
    async fn fill<O: Outbox>(&mut self, wiring: &Wiring<O>, now_ms: i64) -> Result<(), Fill> {
        loop {
            let room = WINDOW.saturating_sub(self.sent - self.proved);
            if room == 0 {
                return Ok(());
            }
            let batch = wiring.outbox.messages_after(self.sent, room as usize).await.map_err(Fill::Outbox)?;
            if batch.is_empty() {
                return Ok(());
            }
            for (seq, message) in batch {
                self.tell(seq, &message, now_ms).map_err(Fill::Client)?;
                self.sent = seq;
            }
        }
    }

    fn tell(&mut self, seq: u64, message: &Message, now_ms: i64) -> Result<(), String> {
        let id = message.mechanism.as_str();
        let number = match self.devices.get(id) {
            Some(device) => device.number,
            None => {
                let figures = self.figures.borrow().clone();
                let found = figures.mechanisms.iter().enumerate().find(|(_, mechanism)| mechanism.id == id);
                // A mechanism that is no longer in the configuration has no device that could speak.
                let Some((number, mechanism)) = found else { return Ok(()) };
                // Dead as its drive is, it has to be born to say it; it dies again at the next look.
                self.birth(id, number, metrics::state_of(mechanism), now_ms)?;
                number
            }
        };
        // A day is told when it is over; its own time is that of its beginning.
        let late = message.kind != MessageKind::Day && now_ms - message.at.as_ms() > LATE.as_ms();
        let metrics = metrics::of_message(number, message, late || seq <= self.sent_before);
        self.publish("DDATA", Some(id), metrics, now_ms)
    }

    /// A rebirth is the one thing that may be asked of us; anything else is let lie.
    fn obey(&mut self, came: &Publish, now_ms: i64) -> Result<(), String> {
        if came.topic != format!("{}/NCMD/{}", self.base, self.name).as_bytes() {
            return Ok(());
        }
        match Payload::decode(&*came.payload) {
            Ok(command) if metrics::asks_for_rebirth(&command.metrics) => {
                info!(node = %self.name, "a rebirth was asked for");
                self.births(now_ms)
            }
            Ok(_) | Err(_) => {
                info!(node = %self.name, "a command was left alone: nothing but a rebirth can be asked for");
                Ok(())
            }
        }
    }

    /// Says that the node is dead, as the will would, and disconnects: a clean good-bye does not fire the will.
    async fn farewell<O>(&mut self, wiring: &Wiring<O>) -> Over {
        let payload = Payload {
            timestamp: Some(time(wiring.clock.now().wall.as_ms())),
            metrics: vec![metrics::bd_seq(self.bd_seq, false)],
            seq: None,
        };
        let options = PublishOptions::new(QoS::AtLeastOnce);
        let said = self.client.try_publish_tracked(self.death_topic.as_str(), payload.encode_to_vec(), options);
        if let Ok(said) = said {
            let heard = tokio::select! {
                heard = said.wait_completion_async() => heard.is_ok(),
                () = pause(&wiring.clock, FAREWELL) => false,
            };
            // Without the acknowledgement the will has to say it: so no clean disconnect.
            if heard && self.client.try_disconnect_now().is_ok() {
                pause(&wiring.clock, std::time::Duration::from_millis(100)).await;
            }
        }
        Over::Stopped
    }
}

/// What kept messages from going out.
enum Fill {
    /// The store.
    Outbox(String),
    /// The connection.
    Client(String),
}
