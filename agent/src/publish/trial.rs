//! A test message to every configured destination, sent by hand and past the outbox.

use std::sync::Arc;

use serde_json::json;
use tallyhook_config::model::Config;

use super::chat::{Chat, Telling};
use super::http::{Outcome, Why};
use super::{influx, matrix, mqtt, tls, webhook};
use crate::clock::Clock;
use crate::figures::rfc3339;
use crate::store::message::{Message, MessageKind};

/// What became of the test message at one destination.
#[derive(Debug)]
pub struct Trial {
    /// The destination's name in the outbox.
    pub destination: String,
    /// Where the message is to be seen, or what stands in the way.
    pub result: Result<String, Why>,
}

/// Sends a test message to every destination of `config`, one after the other, once each. Paths must be resolved.
///
/// It does not disturb a daemon that runs on the same configuration: it has a name of its own at each server.
pub async fn send(config: &Arc<Config>, clock: &Clock) -> Vec<Trial> {
    tls::install();
    let message = message(config, clock);
    let mut trials = Vec::new();
    if let Some(broker) = &config.mqtt {
        let result = mqtt::try_out(broker, &message, clock).await;
        trials.push(Trial { destination: mqtt::DESTINATION.to_owned(), result });
    }
    for hook in config.webhooks.iter().cloned() {
        let destination = webhook::Hook::destination(&hook);
        let hook = webhook::Hook { config: config.clone(), hook, clock: clock.clone() };
        trials.push(Trial { destination, result: say(hook, &message, "the receiver has taken it").await });
    }
    if let Some(server) = &config.influx {
        let result = influx::try_out(config, server, clock).await;
        trials.push(Trial { destination: influx::DESTINATION.to_owned(), result });
    }
    if let Some(room) = &config.matrix {
        let mut room = room.clone();
        // A login of the daemon's own device would end the daemon's session.
        room.device_id.push_str("-test");
        let room = matrix::Room::new(config.clone(), room, clock.clone());
        let result = say(room, &message, "it is in the room").await;
        trials.push(Trial { destination: matrix::DESTINATION.to_owned(), result });
    }
    trials
}

fn message(config: &Config, clock: &Clock) -> Message {
    let now = clock.now().wall;
    let first = config.mechanisms().next();
    Message {
        id: format!("test:{}", rfc3339(now)),
        at: now,
        kind: MessageKind::Finding,
        crane: first.map(|(crane, _)| crane.id.clone()).unwrap_or_default(),
        mechanism: first.map(|(_, mechanism)| mechanism.id.clone()).unwrap_or_default(),
        body: json!({"finding": "test", "text": "This is a test message."}),
    }
}

async fn say(mut chat: impl Chat, message: &Message, said: &str) -> Result<String, Why> {
    match chat.say(&Telling::One(message.clone())).await {
        Outcome::Done => Ok(said.to_owned()),
        Outcome::Refused(why) | Outcome::Again(why, _) | Outcome::Barred(why) => Err(why),
    }
}
