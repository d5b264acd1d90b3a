//! A chat room of a Matrix server, by its client-server interface (version 3 of the paths).
//!
//! The server knows a double by the transaction's name and the device, so the name is the message's `id` and the device
//! stays the same, also across a new login.

use std::sync::Arc;
use std::time::Duration;

use reqwest::{Client, Method, StatusCode, Url};
use serde_json::{Value, json};
use tallyhook_config::model::{Config, Matrix};

use super::chat::{Chat, Telling};
use super::http::{self, Outcome, Why};
use super::secret;
use crate::clock::Clock;

/// The room's name in the outbox.
pub const DESTINATION: &str = "matrix";
/// The table of the configuration that the room stands in.
const HEADER: &str = "[matrix]";
/// Longest wait for an answer.
const TIME_OUT: Duration = Duration::from_secs(10);

/// Most of an answer that is read, bytes; a Matrix event is no larger, and no answer to us is one.
const MOST_BYTES: usize = 64 * 1024;

/// The chat room of the configuration.
pub struct Room {
    config: Arc<Config>,
    room: Matrix,
    clock: Clock,
    /// What the server gave at the login; not kept on disk, for the password is there already.
    token: Option<String>,
    /// An invitation has just been accepted.
    joined: bool,
}

/// The server's answer: its status, its body, and the pause that it asks for.
struct Answer {
    status: StatusCode,
    body: Value,
    after: Option<Duration>,
}

impl Answer {
    /// Reads a body; one that is no JSON, or has no end, is another server's.
    fn read(status: StatusCode, asked: Option<Duration>, bytes: &[u8]) -> Self {
        let bytes = Some(bytes).filter(|bytes| bytes.len() < MOST_BYTES);
        let body: Value = bytes.and_then(|bytes| serde_json::from_slice(bytes).ok()).unwrap_or_default();
        let own = body["retry_after_ms"].as_u64().map(|ms| http::bounded(Duration::from_millis(ms)));
        Answer { status, after: asked.max(own), body }
    }

    fn is(&self, code: &str) -> bool {
        self.body["errcode"] == code
    }

    /// What it said, for people.
    fn what(&self) -> String {
        let text = |name: &str| self.body[name].as_str().unwrap_or("");
        let said = format!("{} {}", text("errcode"), text("error"));
        format!("answer {}: {}", self.status, said.trim()).trim_end_matches([':', ' ']).to_owned()
    }

    /// What any answer but the wanted one means.
    fn outcome(self) -> Outcome {
        let what = self.what();
        let why = |mend: &str| Why::new(what.clone(), mend);
        match self.status.as_u16() {
            408 | 429 => Outcome::Again(why("nothing: the server asks to slow down"), self.after),
            500..=599 => Outcome::Again(why("look at the server's own log if it lasts"), self.after),
            401 => Outcome::Barred(why("put the account's password into `password_file`")),
            403 => Outcome::Barred(why("invite the account into the room and let it speak there")),
            300..=399 => Outcome::Barred(why("redirects are not followed: put the final address into `url`")),
            404 => Outcome::Barred(why("check `url` and `room`")),
            400 | 413 | 422 => Outcome::Refused(why("report it: the server does not take the message's form")),
            _ => Outcome::Barred(why("this is no answer of a Matrix server: check `url`")),
        }
    }
}

impl Room {
    /// The room, not logged in yet.
    pub const fn new(config: Arc<Config>, room: Matrix, clock: Clock) -> Self {
        Room { config, room, clock, token: None, joined: false }
    }

    async fn send(&mut self, telling: &Telling) -> Result<(), Outcome> {
        let client = http::client(&self.room.url, &self.room.tls, HEADER, TIME_OUT).await;
        // Made anew for each message: they are few, and a changed authority is found.
        let client = client.map_err(Outcome::Barred)?;
        let said = telling.said(&self.config);
        let transaction = telling.id();
        let content = json!({
            "msgtype": "m.text",
            "body": said.text(),
            "format": "org.matrix.custom.html",
            "formatted_body": said.html(),
        });
        // A token that the server has forgotten is replaced once, and so is a membership.
        for _ in 0..3 {
            let token = match &self.token {
                Some(token) => token.clone(),
                None => self.login(&client).await?,
            };
            let room = self.room.room.as_str();
            let path = ["rooms", room, "send", "m.room.message", &transaction];
            let answer = self.ask(&client, Method::PUT, &path, Some(&token), &content).await?;
            if answer.status == StatusCode::OK && answer.body["event_id"].is_string() {
                return Ok(());
            }
            if answer.is("M_UNKNOWN_TOKEN") || answer.is("M_MISSING_TOKEN") {
                self.token = None;
                continue;
            }
            if answer.is("M_FORBIDDEN") && !self.joined {
                // An invitation is accepted with the first message.
                let path = ["rooms", room, "join"];
                let joined = self.ask(&client, Method::POST, &path, Some(&token), &json!({})).await?;
                if joined.status == StatusCode::OK {
                    self.joined = true;
                    continue;
                }
            }
            // Next time it may have been invited again.
            self.joined = false;
            return Err(answer.outcome());
        }
        let why = Why::new("the server forgets each login at once", "look at the server's own log");
        Err(Outcome::Again(why, None))
    }

    async fn login(&mut self, client: &Client) -> Result<String, Outcome> {
        let password = secret::read(&self.room.password_file, "password_file", HEADER).await;
        let password = password.map_err(Outcome::Barred)?;
        let question = json!({
            "type": "m.login.password",
            "identifier": { "type": "m.id.user", "user": self.room.user },
            "password": password,
            "device_id": self.room.device_id,
            "initial_device_display_name": "Tallyhook",
        });
        let answer = self.ask(client, Method::POST, &["login"], None, &question).await?;
        match answer.body["access_token"].as_str() {
            Some(token) if answer.status == StatusCode::OK => {
                self.token = Some(token.to_owned());
                Ok(token.to_owned())
            }
            _ if answer.status == StatusCode::FORBIDDEN => Err(Outcome::Barred(Why::new(
                format!("the login as {} is refused: {}", self.room.user, answer.what()),
                "check `user`, and put the account's password into `password_file`",
            ))),
            // A form of login that the server does not offer concerns every message.
            _ => Err(match answer.outcome() {
                Outcome::Refused(why) => Outcome::Barred(why),
                other => other,
            }),
        }
    }

    async fn ask(
        &self,
        client: &Client,
        method: Method,
        path: &[&str],
        token: Option<&str>,
        content: &Value,
    ) -> Result<Answer, Outcome> {
        let wrong =
            || Outcome::Barred(Why::new("`url` of [matrix] takes no path", "write it in full, as https://HOST"));
        let mut url = Url::parse(&self.room.url).map_err(|_| wrong())?;
        // Room and transaction are escaped here: they hold `!`, `:` and what else an identifier may.
        url.path_segments_mut()
            .map_err(|()| wrong())?
            .pop_if_empty()
            .extend(["_matrix", "client", "v3"].iter().chain(path));
        let mut request = client.request(method, url).json(content);
        if let Some(token) = token {
            request = request.bearer_auth(token);
        }
        let unanswered = |error: reqwest::Error| http::unanswered(&error, TIME_OUT);
        let answer = request.send().await.map_err(unanswered)?;
        let status = answer.status();
        let asked = http::retry_after(answer.headers(), &self.clock);
        // A body that breaks off says nothing.
        let bytes = http::bytes_of(answer, MOST_BYTES).await.map_err(unanswered)?;
        Ok(Answer::read(status, asked, &bytes))
    }
}

impl Chat for Room {
    async fn say(&mut self, telling: &Telling) -> Outcome {
        match self.send(telling).await {
            Ok(()) => Outcome::Done,
            Err(outcome) => outcome,
        }
    }
}

#[cfg(test)]
mod tests {
    use tallyhook_tests::fuzz::fuzz;

    use super::*;

    /// The first byte chooses the status; how inputs are made is in `tests/src/fuzz.rs`.
    #[test]
    fn any_answer_of_the_server() {
        let seeds = [
            &b"5{\"errcode\": \"M_LIMIT_EXCEEDED\", \"error\": \"slow down\", \"retry_after_ms\": 2000}"[..],
            b"0{\"event_id\": \"$1:edge.test\"}",
        ];
        let pieces =
            ["{", "}", "[", "]", ":", ",", "\"", "\"errcode\"", "retry_after_ms", "1e999", "-1", "null", "\\ud800"];
        fuzz("matrix", &seeds.map(<[u8]>::to_vec), 40_000, 50, &pieces, |bytes| {
            let [first, body @ ..] = bytes else { return false };
            let statuses = [200, 301, 400, 401, 403, 429, 500, 404, 413, 999];
            let status = StatusCode::from_u16(statuses[usize::from(*first) % statuses.len()]).unwrap();
            let answer = Answer::read(status, None, body);
            let (known, said) = (answer.body.is_object(), answer.what());
            assert!(answer.after.is_none_or(|after| after <= Duration::from_secs(3_600)), "{said}");
            answer.outcome();
            known
        });
    }
}
