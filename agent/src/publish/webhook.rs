//! A chat destination: each warning and finding is POSTed as JSON, one after the other, until it is answered.

use std::sync::Arc;
use std::time::Duration;

use reqwest::header::{CONTENT_TYPE, HeaderMap, HeaderName, HeaderValue, RETRY_AFTER};
use reqwest::{Client, StatusCode};
use serde_json::{Value, json};
use tallyhook_config::model::{Config, Webhook};
use tracing::{error, info, warn};

use super::outbox::Outbox;
use super::retry::{Backoff, pause};
use super::{Wiring, stopped, template, wording};
use crate::clock::Clock;
use crate::figures::rfc3339;
use crate::store::message::{Message, MessageKind};

/// Longest wait for an answer.
const TIME_OUT: Duration = Duration::from_secs(10);
/// Pause after the first failure.
const FIRST_PAUSE: Duration = Duration::from_secs(1);
/// Longest pause of our own.
const LONGEST_PAUSE: Duration = Duration::from_secs(300);
/// Longest pause that a server may ask for.
const LONGEST_ASKED: Duration = Duration::from_secs(3600);
/// Messages taken from the outbox at a time.
const BATCH: usize = 64;

/// What an answer means for the message.
#[derive(Clone, PartialEq, Eq, Debug)]
enum Outcome {
    /// Taken.
    Done,
    /// Refused for good: sending it again would not help.
    Refused(String),
    /// To be sent again, not before the time that the server asks for.
    Again { why: String, after: Option<Duration> },
}

/// Tells `hook` of every warning and finding until the daemon stops.
pub async fn run<O: Outbox>(config: Arc<Config>, hook: Webhook, wiring: Wiring<O>) {
    let mut stop = wiring.stop.clone();
    let mut teller = Teller { config, destination: format!("webhook:{}", hook.name), hook, wiring };
    tokio::select! {
        () = teller.tell_all() => {}
        () = stopped(&mut stop) => {}
    }
}

struct Teller<O> {
    config: Arc<Config>,
    destination: String,
    hook: Webhook,
    wiring: Wiring<O>,
}

impl<O: Outbox> Teller<O> {
    async fn tell_all(&mut self) {
        let mut backoff = Backoff::new(FIRST_PAUSE, LONGEST_PAUSE);
        let mut cursor = None;
        loop {
            match self.tell_stored(&mut cursor).await {
                Ok(()) => {
                    backoff.succeeded();
                    if self.wiring.stored.changed().await.is_err() {
                        // Nothing will be stored any more; the task still ends only with the daemon.
                        std::future::pending::<()>().await;
                    }
                }
                Err(what) => {
                    warn!(destination = %self.destination, "the outbox cannot be read or written: {what}");
                    pause(&self.wiring.clock, backoff.failed()).await;
                }
            }
        }
    }

    /// Tells what is in the outbox after `cursor`; an error is the outbox's own.
    async fn tell_stored(&mut self, cursor: &mut Option<u64>) -> Result<(), String> {
        let mut told = match *cursor {
            Some(told) => told,
            None => self.wiring.outbox.cursor(&self.destination).await?,
        };
        loop {
            // Marked as seen before reading: what is stored from here on wakes us again.
            self.wiring.stored.borrow_and_update();
            let batch = self.wiring.outbox.messages_after(told, BATCH).await?;
            let Some(&(last, _)) = batch.last() else { return Ok(()) };
            for (seq, message) in batch {
                if matches!(message.kind, MessageKind::Warning | MessageKind::Finding) {
                    self.tell(&message).await;
                    // Kept in memory first: an outbox that fails to keep it must not make us tell it twice.
                    *cursor = Some(seq);
                    told = seq;
                    self.wiring.outbox.set_cursor(&self.destination, seq).await?;
                }
            }
            if told < last {
                told = last;
                *cursor = Some(last);
                self.wiring.outbox.set_cursor(&self.destination, last).await?;
            }
        }
    }

    /// Sends one message until it is answered.
    async fn tell(&self, message: &Message) {
        let body = body(&self.config, &self.hook, message);
        let mut backoff = Backoff::new(FIRST_PAUSE, LONGEST_PAUSE);
        loop {
            let (why, after) = match post(&self.hook, &message.id, &body, &self.wiring.clock).await {
                Outcome::Done => {
                    info!(destination = %self.destination, id = %message.id, "told");
                    return;
                }
                Outcome::Refused(why) => {
                    error!(
                        destination = %self.destination, id = %message.id,
                        "the receiver refused the message, which is left out: {why}. \
                         Check the webhook's url, headers and template."
                    );
                    return;
                }
                Outcome::Again { why, after } => (why, after),
            };
            let wait = backoff.failed().max(after.unwrap_or_default());
            warn!(destination = %self.destination, id = %message.id, "not told yet, next try in {wait:?}: {why}");
            pause(&self.wiring.clock, wait).await;
        }
    }
}

fn body(config: &Config, hook: &Webhook, message: &Message) -> String {
    template::fill(&hook.template, |field| {
        Some(match field {
            "text" => json!(wording::text(config, message)),
            "crane" => json!(message.crane),
            "mechanism" => json!(message.mechanism),
            "at" => json!(rfc3339(message.at)),
            "id" => json!(message.id),
            "kind" => json!(message.kind.name()),
            // An overload is a fraction of the rated load that is over 1.
            "value" if message.body["quantity"] == "overload" => message.body["fraction"].clone(),
            "level" if message.body["quantity"] == "overload" => json!(1.0),
            "level" | "value" | "quantity" | "raised" => message.body[field].clone(),
            _ => Value::Null,
        })
    })
}

/// Posts once. When the daemon stops meanwhile, the answer is never seen: the message goes out again at the next start
/// under the same `Idempotency-Key`.
async fn post(hook: &Webhook, id: &str, body: &str, clock: &Clock) -> Outcome {
    let sent = match request(hook, id, body).await {
        Ok(request) => request.send().await.map_err(|error| reasons(&error)),
        Err(why) => Err(why),
    };
    match sent {
        Ok(answer) => judge(answer.status(), answer.headers(), clock),
        Err(why) => Outcome::Again { why, after: None },
    }
}

/// Builds the client anew for each message: they are few, and a certificate store or a secret that was missing is
/// found once it is there.
async fn request(hook: &Webhook, id: &str, body: &str) -> Result<reqwest::RequestBuilder, String> {
    let mut headers = HeaderMap::new();
    headers.insert(CONTENT_TYPE, HeaderValue::from_static("application/json"));
    for (name, value) in &hook.headers {
        insert(&mut headers, name, value)?;
    }
    for (name, path) in &hook.header_files {
        let value = tokio::fs::read_to_string(path)
            .await
            .map_err(|error| format!("the file {} for header {name} cannot be read: {error}", path.display()))?;
        insert(&mut headers, name, value.trim_end())?;
    }
    insert(&mut headers, "Idempotency-Key", id)?;
    Ok(client(&hook.url)?.post(&hook.url).headers(headers).body(body.to_owned()))
}

fn insert(headers: &mut HeaderMap, name: &str, value: &str) -> Result<(), String> {
    let key = HeaderName::from_bytes(name.as_bytes()).map_err(|_| format!("{name:?} is no header name"))?;
    let mut value = HeaderValue::from_str(value).map_err(|_| format!("the value of header {name} is not allowed"))?;
    value.set_sensitive(true);
    headers.insert(key, value);
    Ok(())
}

fn client(url: &str) -> Result<Client, String> {
    // A redirect would turn the POST into a GET that looks like a success.
    let builder = || Client::builder().timeout(TIME_OUT).redirect(reqwest::redirect::Policy::none());
    let built = match builder().build() {
        // Without any CA certificate on the machine no client is built, though plain http needs none.
        Err(_) if url.starts_with("http://") => builder().tls_certs_only([]).build(),
        other => other,
    };
    built.map_err(|error| format!("{}; for https install the package ca-certificates", reasons(&error)))
}

fn judge(status: StatusCode, headers: &HeaderMap, clock: &Clock) -> Outcome {
    let said = format!("answer {status}");
    match status.as_u16() {
        200..=299 => Outcome::Done,
        408 | 429 | 500..=599 => Outcome::Again { why: said, after: retry_after(headers, clock) },
        400..=499 => Outcome::Refused(said),
        300..=399 => {
            Outcome::Again { why: format!("{said}: redirects are not followed, put in the final url"), after: None }
        }
        _ => Outcome::Again { why: said, after: None },
    }
}

/// `Retry-After` of RFC 9110 section 10.2.3: seconds or a date.
fn retry_after(headers: &HeaderMap, clock: &Clock) -> Option<Duration> {
    let value = headers.get(RETRY_AFTER)?.to_str().ok()?.trim();
    let asked = match value.parse::<u64>() {
        Ok(seconds) => Duration::from_secs(seconds),
        Err(_) => {
            let date = jiff::fmt::rfc2822::parse(value).ok()?.timestamp().as_millisecond();
            Duration::from_millis(u64::try_from(date - clock.now().wall.as_ms()).unwrap_or(0))
        }
    };
    Some(asked.min(LONGEST_ASKED))
}

/// An error with all its causes, without the URL, which may hold a secret.
fn reasons(error: &reqwest::Error) -> String {
    let mut text = if error.is_timeout() {
        format!("no answer within {} s", TIME_OUT.as_secs())
    } else if error.is_connect() {
        "no connection".to_owned()
    } else {
        "the request failed".to_owned()
    };
    let mut cause = std::error::Error::source(error);
    while let Some(inner) = cause {
        text.push_str(": ");
        text.push_str(&inner.to_string());
        cause = inner.source();
    }
    text
}

#[cfg(test)]
mod tests {
    use tallyhook_analysis::units::Timestamp;

    use super::*;

    fn judged(status: u16, retry_after: Option<&'static str>) -> Outcome {
        let clock = Clock::manual(Timestamp::from_ms(784_111_777_000));
        let headers = retry_after.map(|value| (RETRY_AFTER, HeaderValue::from_static(value)));
        judge(StatusCode::from_u16(status).unwrap(), &headers.into_iter().collect(), &clock)
    }

    #[test]
    fn an_answer_is_done_refused_or_to_be_tried_again() {
        assert_eq!(judged(204, None), Outcome::Done);
        assert!(matches!(judged(404, None), Outcome::Refused(_)));
        for status in [301, 408, 429, 500, 503] {
            assert!(matches!(judged(status, None), Outcome::Again { after: None, .. }), "{status}");
        }
    }

    /// The date is the example of RFC 9110 section 5.6.7, Sun, 06 Nov 1994 08:49:37 GMT = 784111777 s after 1970.
    #[test]
    fn retry_after_is_seconds_or_a_date_and_is_bounded() {
        let after = |value| match judged(429, Some(value)) {
            Outcome::Again { after, .. } => after.map(|after| after.as_secs()),
            other => panic!("{other:?}"),
        };
        assert_eq!(after("7"), Some(7));
        assert_eq!(after("Sun, 06 Nov 1994 08:50:37 GMT"), Some(60));
        assert_eq!(after("Sun, 06 Nov 1994 08:49:00 GMT"), Some(0));
        assert_eq!(after("999999999"), Some(3600));
        assert_eq!(after("soon"), None);
    }
}
