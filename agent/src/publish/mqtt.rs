//! The broker: state and messages as the README beside this file promises them.
//!
//! Each connection starts with a client of its own and from the cursor, and the broker keeps no session for us: what
//! was sent but not acknowledged is sent again, in order, by the outbox and by nothing else. That is at least once.

use std::collections::{BTreeMap, VecDeque};
use std::future::{Future, poll_fn, ready};
use std::pin::Pin;
use std::sync::Arc;
use std::task::Poll;
use std::time::Duration;

use rumqttc::{
    AsyncClient, Event, EventLoop, LastWill, MqttOptions, Packet, PublishNotice, PublishNoticeError, PublishOptions,
    QoS,
};
use tallyhook_analysis::units::Span;
use tallyhook_config::model::Mqtt;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;
use tracing::{error, info, warn};

use super::outbox::{Outbox, begin};
use super::retry::{Backoff, pause, span_of};
use super::{Wiring, payload, stopped};
use crate::clock::Clock;
use crate::figures::SiteFigures;

/// The broker's name in the outbox.
pub const DESTINATION: &str = "mqtt";
/// Messages that may wait for their acknowledgement.
const WINDOW: usize = 64;
/// Publishes that may be on the wire; the window, and room for states.
const IN_FLIGHT: u16 = 100;
/// Largest packet, bytes, both ways.
const LARGEST_PACKET: usize = 256 * 1024;
/// What topic and packet head may take of it.
const PACKET_HEAD: usize = 1024;
/// Pauses between connections.
const FIRST_PAUSE: Duration = Duration::from_millis(500);
const LONGEST_PAUSE: Duration = Duration::from_secs(60);
/// A connection that stood this long was a good one; one that a broker makes and breaks at once is a failure.
const STOOD: Duration = Duration::from_secs(30);
/// Least time between two states of a mechanism.
const STATE_PAUSE: Duration = Duration::from_secs(1);
/// A broker that acknowledges nothing for this long is given up.
const STALLED: Duration = Duration::from_secs(20);
/// After `stop`: to deliver the outbox, to say good-bye.
const LAST_DELIVERY: Duration = Duration::from_secs(3);
const FAREWELL: Duration = Duration::from_secs(2);

/// Why a connection is over.
enum Over {
    /// The daemon stops; the good-byes are said.
    Stopped,
    /// To be tried again.
    Lost(String),
}

type Acknowledgement = Pin<Box<dyn Future<Output = Result<(), PublishNoticeError>> + Send>>;

/// Feeds the broker until the daemon stops.
pub async fn run<O: Outbox>(broker: Mqtt, figures: watch::Receiver<Arc<SiteFigures>>, wiring: Wiring<O>) {
    let mut backoff = Backoff::new(FIRST_PAUSE, LONGEST_PAUSE);
    let mut stop = wiring.stop.clone();
    // Before the first connection: what is stored while a new broker is still away is owed to it.
    while let Err(why) = begin(&wiring.outbox, DESTINATION, wiring.end, broker.from_start).await {
        warn!("the outbox cannot be read or written: {why}");
        tokio::select! {
            () = pause(&wiring.clock, backoff.failed()) => {}
            () = stopped(&mut stop) => return,
        }
    }
    backoff.succeeded();
    loop {
        let begun = wiring.clock.now().mono;
        let why = match connection(&broker, figures.clone(), &wiring).await {
            Over::Stopped => return,
            Over::Lost(why) => why,
        };
        if wiring.clock.now().mono >= begun.plus(span_of(&wiring.clock, STOOD)) {
            backoff.succeeded();
        }
        let wait = backoff.failed();
        warn!(broker = %broker.host, port = broker.port, "no connection, next try in {wait:?}: {why}");
        tokio::select! {
            () = pause(&wiring.clock, wait) => {}
            () = stopped(&mut stop) => return,
        }
    }
}

async fn connection<O: Outbox>(broker: &Mqtt, figures: watch::Receiver<Arc<SiteFigures>>, wiring: &Wiring<O>) -> Over {
    let lost = Over::Lost;
    let options = match options(broker).await {
        Ok(options) => options,
        Err(why) => return lost(why),
    };
    // Never blocks us: the windows below bound what is in it.
    let (client, eventloop) = match AsyncClient::builder(options).unbounded().try_build() {
        Ok(built) => built,
        Err(error) => return lost(error.to_string()),
    };
    let (events, mut signs) = mpsc::unbounded_channel();
    // Dropping the set ends the task, and with it the connection.
    let mut wire = JoinSet::new();
    wire.spawn(drive(eventloop, events));
    let mut stop = wiring.stop.clone();
    tokio::select! {
        sign = signs.recv() => match sign {
            Some(Sign::Connected) => {}
            Some(Sign::Lost(why)) => return lost(why),
            None => return lost("the connection's task has ended".to_owned()),
        },
        () = stopped(&mut stop) => return Over::Stopped,
    }
    info!(broker = %broker.host, port = broker.port, "connected");
    let cursor = match begin(&wiring.outbox, DESTINATION, wiring.end, broker.from_start).await {
        Ok(cursor) => cursor,
        Err(why) => return lost(format!("the outbox cannot be read: {why}")),
    };
    let mut session = Session {
        root: &broker.topic_root,
        client,
        figures,
        wiring,
        stored: wiring.stored.clone(),
        sent: cursor,
        window: VecDeque::new(),
        states: VecDeque::new(),
        told: BTreeMap::new(),
    };
    session.serve(&mut signs).await
}

/// What the connection's task tells.
enum Sign {
    Connected,
    Lost(String),
}

/// Keeps one connection going, on a task of its own so that nothing ever cuts it short in mid-packet.
async fn drive(mut eventloop: EventLoop, signs: mpsc::UnboundedSender<Sign>) {
    loop {
        match eventloop.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(_))) => {
                if signs.send(Sign::Connected).is_err() {
                    return;
                }
            }
            Ok(_) => {}
            Err(error) => {
                // No one listens any more when the session is over.
                let _ = signs.send(Sign::Lost(error.to_string()));
                return;
            }
        }
    }
}

async fn options(broker: &Mqtt) -> Result<MqttOptions, String> {
    let mut options = MqttOptions::new(broker.client_id.as_str(), (broker.host.as_str(), broker.port));
    options
        .set_keep_alive(15)
        .set_max_packet_size(LARGEST_PACKET, LARGEST_PACKET)
        .set_inflight(IN_FLIGHT)
        .set_last_will(LastWill::new(format!("{}/status", broker.topic_root), "offline", QoS::AtLeastOnce, true));
    options.try_set_clean_session(true).map_err(|error| error.to_string())?;
    if let Some(user) = &broker.username {
        match &broker.password_file {
            // Read for each connection: a changed password needs no restart.
            Some(path) => {
                let password = tokio::fs::read_to_string(path)
                    .await
                    .map_err(|error| format!("the password file {} cannot be read: {error}", path.display()))?;
                options.set_credentials(user.as_str(), password.trim_end_matches(['\r', '\n']).to_owned());
            }
            None => drop(options.set_username(user.as_str())),
        }
    }
    Ok(options)
}

struct Session<'a, O> {
    root: &'a str,
    client: AsyncClient,
    figures: watch::Receiver<Arc<SiteFigures>>,
    wiring: &'a Wiring<O>,
    stored: watch::Receiver<u64>,
    /// The last message handed to the client.
    sent: u64,
    /// Messages without an acknowledgement, oldest first.
    window: VecDeque<(u64, Acknowledgement)>,
    /// States without one.
    states: VecDeque<(u64, Acknowledgement)>,
    /// The last state of each topic on this connection.
    told: BTreeMap<String, String>,
}

impl<O: Outbox> Session<'_, O> {
    async fn serve(&mut self, signs: &mut mpsc::UnboundedReceiver<Sign>) -> Over {
        let clock = self.wiring.clock.clone();
        let mut stop = self.wiring.stop.clone();
        let lost = Over::Lost;
        match self.publish(format!("{}/status", self.root), "online".to_owned(), true) {
            Ok(birth) => self.states.push_back((0, birth)),
            Err(why) => return lost(why),
        }
        let mut stopping: Option<Span> = None;
        let mut next_state = clock.now().mono;
        let mut stalled_at = clock.now().mono.plus(span_of(&clock, STALLED));
        loop {
            if let Err(why) = self.fill().await {
                return lost(why);
            }
            if let Some(end) = stopping
                && ((self.window.is_empty() && self.states.is_empty()) || clock.now().mono >= end)
            {
                return self.farewell(signs).await;
            }
            if self.window.is_empty() && self.states.is_empty() {
                stalled_at = clock.now().mono.plus(span_of(&clock, STALLED));
            }
            let room = self.window.len() < WINDOW;
            tokio::select! {
                sign = signs.recv() => match sign {
                    Some(Sign::Connected) => {}
                    Some(Sign::Lost(why)) => return lost(why),
                    None => return lost("the connection's task has ended".to_owned()),
                },
                acknowledged = first_acknowledged(&mut self.window), if !self.window.is_empty() => match acknowledged {
                    Ok(seq) => {
                        stalled_at = clock.now().mono.plus(span_of(&clock, STALLED));
                        if let Err(why) = self.wiring.outbox.set_cursor(DESTINATION, seq).await {
                            // Told again after the next connection: a double, which the contract allows.
                            warn!("the outbox cannot keep the broker's cursor: {why}");
                        }
                    }
                    Err(error) => return lost(error.to_string()),
                },
                acknowledged = first_acknowledged(&mut self.states), if !self.states.is_empty() => match acknowledged {
                    Ok(_) => stalled_at = clock.now().mono.plus(span_of(&clock, STALLED)),
                    Err(error) => return lost(error.to_string()),
                },
                Ok(()) = self.stored.changed(), if room => {}
                () = clock.sleep_until(next_state), if self.states.is_empty() && stopping.is_none() => {
                    if let Err(why) = self.tell_states() {
                        return lost(why);
                    }
                    next_state = clock.now().mono.plus(span_of(&clock, STATE_PAUSE));
                },
                () = clock.sleep_until(stalled_at) => return lost(format!("nothing acknowledged for {STALLED:?}")),
                () = stopped(&mut stop), if stopping.is_none() => {
                    if let Err(why) = self.tell_states() {
                        return lost(why);
                    }
                    stopping = Some(clock.now().mono.plus(span_of(&clock, LAST_DELIVERY)));
                },
                () = clock.sleep_until(stopping.unwrap_or(stalled_at)), if stopping.is_some() => {}
            }
        }
    }

    /// Hands messages to the client until the window is full.
    async fn fill(&mut self) -> Result<(), String> {
        while self.window.len() < WINDOW {
            self.stored.borrow_and_update();
            let room = WINDOW - self.window.len();
            let batch = self.wiring.outbox.messages_after(self.sent, room).await;
            let batch = batch.map_err(|why| format!("the outbox cannot be read: {why}"))?;
            if batch.is_empty() {
                return Ok(());
            }
            for (seq, message) in batch {
                let topic = format!("{}/{}/{}/{}", self.root, message.crane, message.mechanism, message.kind.name());
                let body = payload::of_message(&message).to_string();
                let acknowledgement = if topic.len() + body.len() + PACKET_HEAD > LARGEST_PACKET {
                    // The client would refuse it at every connection, for ever.
                    error!(id = %message.id, bytes = body.len(), "message left out: over {LARGEST_PACKET} bytes");
                    Box::pin(ready(Ok(())))
                } else {
                    self.publish(topic, body, false)?
                };
                self.window.push_back((seq, acknowledgement));
                self.sent = seq;
            }
        }
        Ok(())
    }

    /// Publishes the states that have changed since they were last told on this connection.
    fn tell_states(&mut self) -> Result<(), String> {
        let figures = self.figures.borrow_and_update().clone();
        for mechanism in &figures.mechanisms {
            let topic = format!("{}/{}/{}/state", self.root, mechanism.crane, mechanism.id);
            let state = payload::of_state(mechanism).map_err(|error| error.to_string())?.to_string();
            if self.told.get(&topic) == Some(&state) {
                continue;
            }
            if topic.len() + state.len() + PACKET_HEAD > LARGEST_PACKET {
                error!(%topic, bytes = state.len(), "state left out: over {LARGEST_PACKET} bytes");
            } else {
                let acknowledgement = self.publish(topic.clone(), state.clone(), true)?;
                self.states.push_back((0, acknowledgement));
            }
            self.told.insert(topic, state);
        }
        Ok(())
    }

    fn publish(&self, topic: String, body: String, retained: bool) -> Result<Acknowledgement, String> {
        let options = PublishOptions::new(QoS::AtLeastOnce).retain(retained);
        let notice = self.client.try_publish_tracked(topic, body, options).map_err(|error| error.to_string())?;
        Ok(Box::pin(PublishNotice::wait_completion_async(notice)))
    }

    /// Says `offline`, waits until the broker has it, and disconnects: a clean good-bye does not fire the will.
    async fn farewell(&mut self, signs: &mut mpsc::UnboundedReceiver<Sign>) -> Over {
        let left = self.window.len();
        if left > 0 {
            info!("{left} messages or more stay in the outbox for the next start");
        }
        let clock: &Clock = &self.wiring.clock;
        match self.publish(format!("{}/status", self.root), "offline".to_owned(), true) {
            Ok(acknowledgement) => {
                let heard = tokio::select! {
                    heard = acknowledgement => heard.is_ok(),
                    () = pause(clock, FAREWELL) => false,
                };
                // Without the acknowledgement the will has to say it: so no clean disconnect.
                if heard && self.client.try_disconnect_now().is_ok() {
                    tokio::select! {
                        _ = async { while let Some(Sign::Connected) = signs.recv().await {} } => {}
                        () = pause(clock, FAREWELL) => {}
                    }
                }
            }
            Err(why) => warn!("the broker was not told of the end: {why}"),
        }
        Over::Stopped
    }
}

/// Waits until the oldest publish is acknowledged, takes it and all acknowledged ones that follow without a hole, and
/// answers the last one's number.
async fn first_acknowledged(window: &mut VecDeque<(u64, Acknowledgement)>) -> Result<u64, PublishNoticeError> {
    poll_fn(|context| {
        let mut last = None;
        while let Some((seq, acknowledgement)) = window.front_mut() {
            match acknowledgement.as_mut().poll(context) {
                Poll::Ready(Ok(())) => {
                    last = Some(*seq);
                    window.pop_front();
                }
                Poll::Ready(Err(error)) if last.is_none() => return Poll::Ready(Err(error)),
                // Told at the next call: a finished future must not be polled again.
                Poll::Ready(Err(error)) => {
                    *acknowledgement = Box::pin(ready(Err(error)));
                    break;
                }
                Poll::Pending => break,
            }
        }
        last.map_or(Poll::Pending, |seq| Poll::Ready(Ok(seq)))
    })
    .await
}
