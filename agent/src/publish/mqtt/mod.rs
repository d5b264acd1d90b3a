//! The broker: state and messages as the README beside this file promises them.
//!
//! Each connection starts with a client of its own and from the cursor, and the broker keeps no session for us: what
//! was sent but not acknowledged is sent again, in order, by the outbox and by nothing else. That is at least once.

pub mod inbox;
pub mod lanes;
pub mod link;
pub mod memory;
pub mod sparkplug;

use std::collections::{BTreeSet, VecDeque};
use std::future::{Future, poll_fn, ready};
use std::path::PathBuf;
use std::pin::Pin;
use std::sync::Arc;
use std::task::Poll;
use std::time::Duration;

use rumqttc::{AsyncClient, LastWill, PublishNotice, PublishNoticeError, PublishOptions, QoS};
use tallyhook_analysis::units::Span;
use tallyhook_config::model::{Mqtt, MqttPayload};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;
use tracing::{error, info, warn};

use super::chat::{FIRST_BARRED, LONGEST_BARRED};
use super::http::Why;
use super::outbox::{Outbox, begin};
use super::retry::{Backoff, pause, span_of};
use super::{Wiring, payload, stopped};
use crate::clock::Clock;
use crate::figures::SiteFigures;
use crate::store::message::Message;
use inbox::Inbox;
use lanes::{Lane, Lanes, Place};
use link::{Lost, SIGNS, Sign, drive};
use memory::{Mark, Memory};

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
/// Least time between two states of a mechanism: a little less than lies between two makings of the figures.
const STATE_PAUSE: Duration = Duration::from_millis(900);
/// A broker that acknowledges nothing for this long is given up.
const STALLED: Duration = Duration::from_secs(20);
/// What a broker retains comes within this time of the question; till then nothing else is told.
const ANSWER: Duration = Duration::from_secs(2);
/// After `stop`: to deliver the outbox, to say good-bye.
const LAST_DELIVERY: Duration = Duration::from_secs(3);
const FAREWELL: Duration = Duration::from_secs(2);

/// Why a connection is over.
enum Over {
    /// The daemon stops; the good-byes are said.
    Stopped,
    /// To be tried again.
    Lost(Lost),
}

/// What mends a destination whose outbox fails: the store says it in its own words.
const STORE: &str = "look at what the log says of the store";

type Acknowledgement = Pin<Box<dyn Future<Output = Result<(), PublishNoticeError>> + Send>>;

/// Feeds the broker until the daemon stops. Acknowledgements, where they may come in, go to the store in `store`.
pub async fn run<O: Outbox>(
    broker: Mqtt,
    store: PathBuf,
    figures: watch::Receiver<Arc<SiteFigures>>,
    wiring: Wiring<O>,
) {
    let mut inbox = broker.acknowledge.then(|| Inbox::new(&broker.topic_root, store, wiring.clock.clone()));
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
    let mut barred = Backoff::new(FIRST_BARRED, LONGEST_BARRED);
    let (mut suspect, mut memory) = (Suspect::default(), Memory::default());
    let mut node = sparkplug::Node::default();
    loop {
        let begun = wiring.clock.now().mono;
        let over = match &broker.payload {
            MqttPayload::Json => {
                let kept = (&mut suspect, &mut memory, inbox.as_mut());
                connection(&broker, figures.clone(), &wiring, kept).await
            }
            MqttPayload::SparkplugB { group } => {
                sparkplug::connection(&broker, group, figures.clone(), &wiring, &mut node).await
            }
        };
        let Lost { why, needs_person, malformed, .. } = match over {
            Over::Stopped => return,
            Over::Lost(lost) => lost,
        };
        if malformed {
            memory.give_up();
        }
        if malformed && inbox.take().is_some() {
            // A retained giant under the topic would come again with each subscription and end each connection.
            error!(
                "the broker sent what cannot be read, and no acknowledgement is taken in until the next start; look \
                 for a large retained message under {}/acknowledge and remove it",
                broker.topic_root
            );
        }
        if wiring.clock.now().mono >= begun.plus(span_of(&wiring.clock, STOOD)) {
            backoff.succeeded();
        }
        let wait = if needs_person {
            barred.failed()
        } else {
            barred.succeeded();
            backoff.failed()
        };
        wiring.health.trouble(&why.what, &why.mend);
        info!(broker = %broker.host, port = broker.port, "no connection, next try in {wait:?}");
        tokio::select! {
            () = pause(&wiring.clock, wait) => {}
            () = stopped(&mut stop) => return,
        }
    }
}

/// Connects, and waits until the broker has let us in.
async fn connect(
    options: rumqttc::MqttOptions,
    wire: &mut JoinSet<()>,
) -> Result<(AsyncClient, mpsc::Receiver<Sign>), Lost> {
    // Never blocks us: the windows below bound what is in it.
    let (client, eventloop) = AsyncClient::builder(options)
        .unbounded()
        .try_build()
        .map_err(|error| Lost::passing(error.to_string(), "check `host`, `port` and `client_id` in [mqtt]"))?;
    let (events, mut signs) = mpsc::channel(SIGNS);
    wire.spawn(drive(eventloop, events));
    match signs.recv().await {
        Some(Sign::Connected) => Ok((client, signs)),
        Some(Sign::Lost(lost)) => Err(lost),
        Some(Sign::Came(_)) | None => Err(ended()),
    }
}

fn ended() -> Lost {
    Lost::passing("the connection's task has ended", "report it if it comes back")
}

fn unread(why: &str) -> Lost {
    Lost::passing(format!("the outbox cannot be read: {why}"), STORE)
}

async fn connection<O: Outbox>(
    broker: &Mqtt,
    figures: watch::Receiver<Arc<SiteFigures>>,
    wiring: &Wiring<O>,
    (suspect, memory, mut inbox): (&mut Suspect, &mut Memory, Option<&mut Inbox>),
) -> Over {
    let mut options = match link::options(broker, &broker.client_id).await {
        Ok(options) => options,
        Err(lost) => return Over::Lost(lost),
    };
    options.set_last_will(LastWill::new(format!("{}/status", broker.topic_root), "offline", QoS::AtLeastOnce, true));
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
    info!(broker = %broker.host, port = broker.port, "connected");
    let cursor = match begin(&wiring.outbox, DESTINATION, wiring.end, broker.from_start).await {
        Ok(cursor) => cursor,
        Err(why) => return Over::Lost(unread(&why)),
    };
    if let Some(inbox) = &inbox
        && let Err(error) = client.try_subscribe(inbox.topic(), QoS::AtLeastOnce)
    {
        return Over::Lost(Lost::passing(error.to_string(), "report it"));
    }
    let until = wiring.clock.now().mono.plus(span_of(&wiring.clock, ANSWER));
    if let Err(error) = memory.ask(&client, until) {
        return Over::Lost(Lost::passing(error, "report it"));
    }
    let end = *wiring.stored.borrow();
    let lanes = match Lanes::open(&wiring.outbox, cursor, end).await {
        Ok(lanes) => lanes,
        Err(why) => return Over::Lost(unread(&why)),
    };
    let mut session = Session {
        root: &broker.topic_root,
        client,
        figures,
        wiring,
        stored: wiring.stored.clone(),
        lanes,
        dry: false,
        window: VecDeque::new(),
        states: VecDeque::new(),
        told: Vec::new(),
        suspect,
        memory,
        born: false,
    };
    let over = session.serve(&mut signs, &mut inbox).await;
    // A broker that we gave up because it is slow has nothing against any message: that one is kept.
    if let Over::Lost(Lost { hung_up: true, .. }) = &over {
        session.told_before_the_end().await;
        session.suspect_first();
    }
    over
}

/// Publishes a test message under `{root}/test`, as a client of its own, and waits for its acknowledgement.
///
/// # Errors
/// What stands in the way.
pub async fn try_out(broker: &Mqtt, message: &Message, clock: &Clock) -> Result<String, Why> {
    let attempt = async {
        // A client with the daemon's own name would throw the daemon out.
        let options = link::options(broker, &format!("{}-test", broker.client_id)).await.map_err(|lost| lost.why)?;
        let mut wire = JoinSet::new();
        let (client, mut signs) = connect(options, &mut wire).await.map_err(|lost| lost.why)?;
        let topic = format!("{}/test", broker.topic_root);
        let acknowledged = client
            .try_publish_tracked(
                topic.as_str(),
                payload::of_message(message).to_string(),
                PublishOptions::new(QoS::AtLeastOnce),
            )
            .map(PublishNotice::wait_completion_async)
            .map_err(|error| Why::new(error.to_string(), "try again"))?;
        tokio::select! {
            heard = acknowledged => heard.map_err(|error| Why::new(error.to_string(), "try again"))?,
            sign = signs.recv() => return Err(match sign {
                Some(Sign::Lost(lost)) => lost.why,
                _ => ended().why,
            }),
        }
        // A clean good-bye; the message is through, whether it is heard or not.
        let _ = client.try_disconnect_now();
        Ok(format!("the broker has acknowledged a message under {topic}"))
    };
    tokio::select! {
        result = attempt => result,
        () = pause(clock, STALLED) => Err(Why::new(
            format!("no answer within {} s", STALLED.as_secs()),
            "check that the broker runs, `host` and `port`, and the network",
        )),
    }
}

/// A message after which the broker has hung up each time, before it acknowledged it. MQTT 3.1.1 has no way to say that
/// a packet is too large: the broker just hangs up, and would for ever.
#[derive(Debug, Default)]
struct Suspect {
    /// The oldest message without an acknowledgement.
    seq: u64,
    /// Connections in a row that ended with it.
    ends: u32,
    /// Connections in a row on which the broker hung up before all was acknowledged, whichever message was the oldest.
    hang_ups: u32,
    /// While one of these is not acknowledged, messages go out one by one: a connection that is reset takes the
    /// acknowledgements of good messages with it, so that the oldest one without need not be the culprit.
    careful: BTreeSet<u64>,
}

/// After so many hang-ups messages are sent alone. Not only where the same one was the oldest each time: how many
/// acknowledgements get through before the end is a matter of luck.
const ALONE_AFTER: u32 = 2;
/// After so many ends a message is left out; at least five of them on connections that were good until it was sent alone.
const LEFT_OUT_AFTER: u32 = 7;

/// A state that was told.
#[derive(Debug, Default)]
struct Told {
    revision: u64,
    state: String,
}

struct Session<'a, O> {
    root: &'a str,
    client: AsyncClient,
    figures: watch::Receiver<Arc<SiteFigures>>,
    wiring: &'a Wiring<O>,
    stored: watch::Receiver<u64>,
    /// What goes out next.
    lanes: Lanes,
    /// Nothing waited in the outbox at the last look.
    dry: bool,
    /// Messages without an acknowledgement, in the order in which they went out.
    window: VecDeque<(Place, Acknowledgement)>,
    /// States without one.
    states: VecDeque<(Mark, Acknowledgement)>,
    /// The last state of each mechanism on this connection.
    told: Vec<Told>,
    suspect: &'a mut Suspect,
    memory: &'a mut Memory,
    /// The broker has acknowledged something on this connection: it is a good one.
    born: bool,
}

impl<O: Outbox> Session<'_, O> {
    /// After a lost connection: holds the oldest message that went out in vain under suspicion.
    fn suspect_first(&mut self) {
        let Some(&(Place { seq: first, .. }, _)) = self.window.front() else { return };
        if self.suspect.seq != first {
            self.suspect.seq = first;
            self.suspect.ends = 0;
        }
        self.suspect.ends += 1;
        self.suspect.hang_ups += 1;
        if self.suspect.hang_ups >= ALONE_AFTER {
            self.suspect.careful.extend(self.window.iter().map(|(place, _)| place.seq));
        }
    }

    /// How many more messages may go out now. Under suspicion it is one alone, and only after the connection has proved
    /// good, so that its end is that message's doing.
    fn room(&self) -> usize {
        if self.suspect.careful.is_empty() {
            return WINDOW - self.window.len();
        }
        usize::from(self.born && self.window.is_empty())
    }

    /// Takes the acknowledgements that came in together with the connection's end.
    async fn told_before_the_end(&mut self) {
        let places = tokio::select! {
            biased;
            acknowledged = first_acknowledged(&mut self.window), if !self.window.is_empty() => acknowledged,
            () = ready(()) => return,
        };
        if let Ok(places) = places {
            self.told(&places).await;
        }
    }

    /// The broker has acknowledged these.
    async fn told(&mut self, places: &[Place]) {
        for place in places {
            if place.seq == self.suspect.seq {
                self.suspect.ends = 0;
            }
            self.suspect.careful.remove(&place.seq);
        }
        if self.window.is_empty() {
            self.suspect.hang_ups = 0;
        }
        if let Err(why) = self.lanes.told(&self.wiring.outbox, places).await {
            // Told again after the next connection: a double, which the contract allows.
            warn!("the outbox cannot keep the broker's cursor: {why}");
        }
    }

    async fn serve(&mut self, signs: &mut mpsc::Receiver<Sign>, inbox: &mut Option<&mut Inbox>) -> Over {
        let clock = self.wiring.clock.clone();
        let mut stop = self.wiring.stop.clone();
        let lost = Over::Lost;
        match self.publish(format!("{}/status", self.root), "online".to_owned(), true) {
            Ok(birth) => self.states.push_back((None, birth)),
            Err(why) => return lost(Lost::passing(why, STORE)),
        }
        // Before the first message of a backlog: what is so now does not wait behind what was. But a new state takes the
        // place of the one that the broker is asked for.
        let asks = self.memory.waits_until().is_some();
        if !asks && let Err(why) = self.tell_states() {
            return lost(Lost::passing(why, "report it"));
        }
        // Where they could not be told yet they are once they can.
        if asks {
            self.figures.mark_changed();
        }
        let mut stopping: Option<Span> = None;
        let mut next_state = clock.now().mono.plus(span_of(&clock, STATE_PAUSE));
        let mut stalled_at = clock.now().mono.plus(span_of(&clock, STALLED));
        loop {
            let asks = self.memory.waits_until();
            if asks.is_none()
                && let Err(why) = self.fill().await
            {
                return lost(unread(&why));
            }
            if let Some(end) = stopping
                && ((self.window.is_empty() && self.states.is_empty()) || clock.now().mono >= end)
            {
                return self.farewell(signs).await;
            }
            if self.window.is_empty() && self.states.is_empty() {
                stalled_at = clock.now().mono.plus(span_of(&clock, STALLED));
            }
            let room = self.room() > 0;
            tokio::select! {
                // States before the backlog, which would always have something ready.
                biased;
                sign = signs.recv() => match sign {
                    Some(Sign::Came(came)) if self.memory.is_ours(&came) => {
                        // What is not retained is our own, just published.
                        if came.retain && asks.is_some() {
                            self.remember(Some(&came.payload));
                            next_state = clock.now().mono;
                        }
                    }
                    Some(Sign::Came(came)) => {
                        if let Some(inbox) = inbox.as_mut().filter(|inbox| came.topic == inbox.topic().as_bytes()) {
                            inbox.take(&came).await;
                        }
                    }
                    Some(Sign::Connected) => {}
                    Some(Sign::Lost(why)) => return lost(why),
                    None => return lost(ended()),
                },
                () = stopped(&mut stop), if stopping.is_none() => {
                    if let Err(why) = self.tell_states() {
                        return lost(Lost::passing(why, "report it"));
                    }
                    stopping = Some(clock.now().mono.plus(span_of(&clock, LAST_DELIVERY)));
                },
                acknowledged = first_acknowledged(&mut self.states), if !self.states.is_empty() => match acknowledged {
                    Ok(marks) => {
                        marks.into_iter().for_each(|mark| self.memory.acknowledged(mark));
                        self.heard();
                        stalled_at = clock.now().mono.plus(span_of(&clock, STALLED));
                    }
                    Err(error) => return lost(unacknowledged(&clock, signs, &error).await),
                },
                () = new_figures(&mut self.figures, &clock, next_state),
                    if self.states.is_empty() && stopping.is_none() && asks.is_none() => {
                    if let Err(why) = self.tell_states() {
                        return lost(Lost::passing(why, "report it"));
                    }
                    next_state = clock.now().mono.plus(span_of(&clock, STATE_PAUSE));
                },
                acknowledged = first_acknowledged(&mut self.window), if !self.window.is_empty() => match acknowledged {
                    Ok(places) => {
                        self.heard();
                        self.told(&places).await;
                        stalled_at = clock.now().mono.plus(span_of(&clock, STALLED));
                    }
                    Err(error) => return lost(unacknowledged(&clock, signs, &error).await),
                },
                // Seen here, it no longer counts as changed.
                Ok(()) = self.stored.changed(), if room => self.dry = false,
                () = clock.sleep_until(asks.unwrap_or(stalled_at)), if asks.is_some() => {
                    self.remember(None);
                    next_state = clock.now().mono;
                },
                () = clock.sleep_until(stalled_at) => {
                    let what = format!("the broker has acknowledged nothing for {STALLED:?}");
                    return lost(Lost::passing(what, "look at the broker's own log and the network"));
                },
                () = clock.sleep_until(stopping.unwrap_or(stalled_at)), if stopping.is_some() => {}
            }
        }
    }

    /// Hands messages to the client until the window is full.
    async fn fill(&mut self) -> Result<(), String> {
        // Without a look into the outbox, which would wake the store's thread at every acknowledgement of a state.
        if self.dry && !self.stored.has_changed().unwrap_or(true) {
            return Ok(());
        }
        self.dry = false;
        loop {
            self.stored.borrow_and_update();
            let room = self.room();
            // Not for one or two: each look into the outbox costs about as much as a message.
            if room == 0 || (room < WINDOW / 2 && self.suspect.careful.is_empty()) {
                return Ok(());
            }
            let batch = self.lanes.next(&self.wiring.outbox, room).await?;
            if batch.is_empty() {
                let out = self.window.iter().any(|(place, _)| place.lane != Lane::Fresh);
                self.lanes.join(&self.wiring.outbox, out).await?;
                self.dry = !out;
                return Ok(());
            }
            for (place, message) in batch {
                let topic = format!("{}/{}/{}/{}", self.root, message.crane, message.mechanism, message.kind.name());
                let mut body = payload::of_message(&message);
                if place.lane != Lane::Fresh {
                    body["late"] = true.into();
                }
                let body = body.to_string();
                let size = topic.len() + body.len();
                let acknowledgement = if size + PACKET_HEAD > LARGEST_PACKET {
                    // The client would refuse it at every connection, for ever.
                    let why = format!("it has {size} bytes, over our own limit of {LARGEST_PACKET}");
                    self.wiring.health.parked(&message.id, &why, "report it");
                    Box::pin(ready(Ok(())))
                } else if place.seq == self.suspect.seq && self.suspect.ends >= LEFT_OUT_AFTER {
                    let why = format!(
                        "the broker takes other messages, but hung up {LEFT_OUT_AFTER} times on this one of {size} bytes"
                    );
                    self.wiring.health.parked(&message.id, &why, "raise the broker's largest packet or message size");
                    Box::pin(ready(Ok(())))
                } else {
                    self.publish(topic, body, false)?
                };
                self.window.push_back((place, acknowledgement));
            }
        }
    }

    /// The broker has acknowledged something.
    fn heard(&mut self) {
        self.born = true;
        self.wiring.health.well();
    }

    /// The broker has answered whether it has what it acknowledged, or not in time.
    fn remember(&mut self, retained: Option<&[u8]>) {
        match self.memory.answered(&self.client, retained) {
            Some(Ok(())) => self.wiring.health.remembers(),
            Some(Err(why)) => self.wiring.health.forgot(&why.what, &why.mend),
            None => {}
        }
    }

    /// Publishes the states that have changed since they were last told on this connection.
    fn tell_states(&mut self) -> Result<(), String> {
        let figures = self.figures.borrow_and_update().clone();
        self.told.resize_with(figures.mechanisms.len(), Told::default);
        for (index, mechanism) in figures.mechanisms.iter().enumerate() {
            // While it stands and only the time moves on, nobody has to hear so every second.
            if mechanism.revision != 0 && self.told[index].revision == mechanism.revision {
                continue;
            }
            let state = payload::of_state(mechanism).map_err(|error| error.to_string())?;
            if self.told[index].state == state {
                continue;
            }
            let topic = format!("{}/{}/{}/state", self.root, mechanism.crane, mechanism.id);
            if topic.len() + state.len() + PACKET_HEAD > LARGEST_PACKET {
                error!(%topic, bytes = state.len(), "state left out: over {LARGEST_PACKET} bytes");
            } else {
                let mark = self.memory.sent(&topic, &state);
                self.states.push_back((mark, self.publish(topic, state.clone(), true)?));
            }
            self.told[index] = Told { revision: mechanism.revision, state };
        }
        Ok(())
    }

    fn publish(&self, topic: String, body: String, retained: bool) -> Result<Acknowledgement, String> {
        let options = PublishOptions::new(QoS::AtLeastOnce).retain(retained);
        let notice = self.client.try_publish_tracked(topic, body, options).map_err(|error| error.to_string())?;
        Ok(Box::pin(PublishNotice::wait_completion_async(notice)))
    }

    /// Says `offline`, waits until the broker has it, and disconnects: a clean good-bye does not fire the will.
    async fn farewell(&mut self, signs: &mut mpsc::Receiver<Sign>) -> Over {
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

/// Waits until there are figures that have not been looked at, and until `next`. They are made at a poll, so that the
/// connection is most often woken with it and not by a timer of its own. May be dropped at any time.
async fn new_figures(figures: &mut watch::Receiver<Arc<SiteFigures>>, clock: &Clock, next: Span) {
    // An error means that those that are there are the last ones.
    if figures.changed().await.is_ok() {
        figures.mark_changed();
    }
    clock.sleep_until(next).await;
}

/// Why a publish will not be acknowledged: the connection's own word, which follows at once, says more.
async fn unacknowledged(clock: &Clock, signs: &mut mpsc::Receiver<Sign>, error: &PublishNoticeError) -> Lost {
    let word = async {
        while let Some(sign) = signs.recv().await {
            if let Sign::Lost(lost) = sign {
                return Some(lost);
            }
        }
        None
    };
    let lost = tokio::select! {
        lost = word => lost,
        () = pause(clock, FIRST_PAUSE) => None,
    };
    lost.unwrap_or_else(|| Lost::passing(error.to_string(), "look at the broker's own log if it lasts"))
}

/// Waits until the oldest publish is acknowledged, takes it and all acknowledged ones that follow without a hole, and
/// answers their marks.
async fn first_acknowledged<T: Copy>(
    window: &mut VecDeque<(T, Acknowledgement)>,
) -> Result<Vec<T>, PublishNoticeError> {
    poll_fn(|context| {
        let mut taken = Vec::new();
        while let Some((mark, acknowledgement)) = window.front_mut() {
            match acknowledgement.as_mut().poll(context) {
                Poll::Ready(Ok(())) => {
                    taken.push(*mark);
                    window.pop_front();
                }
                Poll::Ready(Err(error)) if taken.is_empty() => return Poll::Ready(Err(error)),
                // Told at the next call: a finished future must not be polled again.
                Poll::Ready(Err(error)) => {
                    *acknowledgement = Box::pin(ready(Err(error)));
                    break;
                }
                Poll::Pending => break,
            }
        }
        if taken.is_empty() { Poll::Pending } else { Poll::Ready(Ok(taken)) }
    })
    .await
}
