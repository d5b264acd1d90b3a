//! A chat destination behind a plain HTTP address: the message is POSTed as JSON by a template.

use std::sync::Arc;
use std::time::Duration;

use reqwest::StatusCode;
use reqwest::header::{CONTENT_TYPE, HeaderMap, HeaderName, HeaderValue};
use serde_json::{Value, json};
use tallyhook_config::model::{Config, Webhook};

use super::chat::{Chat, Telling};
use super::http::{self, Outcome, Why};
use super::{secret, template};
use crate::clock::Clock;
use crate::figures::rfc3339;
use crate::store::message::Message;

/// Longest wait for an answer.
const TIME_OUT: Duration = Duration::from_secs(10);
/// The table of the configuration that a webhook stands in.
const HEADER: &str = "[[webhook]]";
/// What mends a request that cannot even be made.
const HEADERS: &str = "check the webhook's headers and header_files";

/// A webhook of the configuration.
pub struct Hook {
    /// The configuration; a message names its site and crane.
    pub config: Arc<Config>,
    /// The webhook.
    pub hook: Webhook,
    /// Time, for dates in answers.
    pub clock: Clock,
}

impl Hook {
    /// Its name in the outbox.
    pub fn destination(hook: &Webhook) -> String {
        format!("webhook:{}", hook.name)
    }
}

impl Chat for Hook {
    async fn say(&mut self, telling: &Telling) -> Outcome {
        let body = body(&self.config, &self.hook, telling, &self.clock);
        let request = match request(&self.hook, &telling.id(), body).await {
            Ok(request) => request,
            // A secret or a certificate store that is missing is found once it is there.
            Err(why) => return Outcome::Barred(why),
        };
        match request.send().await {
            Ok(answer) => judge(answer.status(), answer.headers(), &self.clock),
            Err(error) => http::unanswered(&error, TIME_OUT),
        }
    }
}

fn body(config: &Config, hook: &Webhook, telling: &Telling, clock: &Clock) -> String {
    let messages = telling.messages();
    // What belongs to one message is empty where there are several, and crane and mechanism where they differ.
    let one = match messages {
        [one] => Some(one),
        _ => None,
    };
    let common = |of: fn(&Message) -> &String| {
        let mut names = messages.iter().map(of);
        let first = names.next()?;
        names.all(|name| name == first).then(|| json!(first))
    };
    template::fill(&hook.template, |field| {
        Some(match (field, one) {
            ("text", _) => json!(telling.said(config).text()),
            ("crane", _) => return common(|message| &message.crane),
            ("mechanism", _) => return common(|message| &message.mechanism),
            ("at", _) => json!(rfc3339(messages.last().map_or_else(|| clock.now().wall, |message| message.at))),
            ("id", _) => json!(telling.id()),
            ("ids", _) => json!(messages.iter().map(|message| &message.id).collect::<Vec<_>>()),
            ("kind", Some(message)) => json!(message.kind.name()),
            ("kind", None) => json!(if messages.is_empty() { "digest" } else { "group" }),
            // An overload is a fraction of the rated load that is over 1.
            ("value", Some(message)) if message.body["quantity"] == "overload" => message.body["fraction"].clone(),
            ("level", Some(message)) if message.body["quantity"] == "overload" => json!(1.0),
            ("level" | "value" | "quantity" | "raised", Some(message)) => message.body[field].clone(),
            _ => Value::Null,
        })
    })
}

/// Builds the client anew for each message: they are few, and a changed secret is found.
async fn request(hook: &Webhook, id: &str, body: String) -> Result<reqwest::RequestBuilder, Why> {
    let mut headers = HeaderMap::new();
    headers.insert(CONTENT_TYPE, HeaderValue::from_static("application/json"));
    for (name, value) in &hook.headers {
        insert(&mut headers, name, value)?;
    }
    for (name, path) in &hook.header_files {
        let value = secret::read(path, &format!("{name} in header_files"), HEADER).await?;
        insert(&mut headers, name, value.trim_end())?;
    }
    insert(&mut headers, "Idempotency-Key", id)?;
    let client = http::client(&hook.url, &hook.tls, HEADER, TIME_OUT).await?;
    Ok(client.post(&hook.url).headers(headers).body(body))
}

fn insert(headers: &mut HeaderMap, name: &str, value: &str) -> Result<(), Why> {
    let key = HeaderName::from_bytes(name.as_bytes())
        .map_err(|_| Why::new(format!("{name:?} is no header name"), HEADERS))?;
    let mut value = HeaderValue::from_str(value)
        .map_err(|_| Why::new(format!("the value of header {name} is not allowed"), HEADERS))?;
    value.set_sensitive(true);
    headers.insert(key, value);
    Ok(())
}

fn judge(status: StatusCode, headers: &HeaderMap, clock: &Clock) -> Outcome {
    let why = |mend: &str| Why::new(format!("answer {status}"), mend);
    match status.as_u16() {
        200..=299 => Outcome::Done,
        408 | 429 => Outcome::Again(why("nothing: the receiver asks to slow down"), http::retry_after(headers, clock)),
        500..=599 => {
            Outcome::Again(why("look at the receiver's own log if it lasts"), http::retry_after(headers, clock))
        }
        300..=399 => Outcome::Barred(why("redirects are not followed: put the final address into `url`")),
        401 | 403 => Outcome::Barred(why("put a valid secret into the webhook's header_files")),
        404 | 410 => Outcome::Barred(why("check the webhook's `url`: there is nothing at that address")),
        400..=499 => Outcome::Refused(why("check the webhook's template and headers")),
        _ => Outcome::Again(why("check that `url` leads to the receiver"), None),
    }
}

#[cfg(test)]
mod tests {
    use tallyhook_analysis::units::Timestamp;

    use super::*;

    fn judged(status: u16) -> Outcome {
        let clock = Clock::manual(Timestamp::from_ms(784_111_777_000));
        judge(StatusCode::from_u16(status).unwrap(), &HeaderMap::new(), &clock)
    }

    #[test]
    fn an_answer_is_done_refused_barred_or_to_be_tried_again() {
        assert_eq!(judged(204), Outcome::Done);
        for status in [400, 409, 413, 422] {
            assert!(matches!(judged(status), Outcome::Refused(_)), "{status}");
        }
        for status in [301, 401, 403, 404, 410] {
            assert!(matches!(judged(status), Outcome::Barred(_)), "{status}");
        }
        for status in [408, 429, 500, 503] {
            assert!(matches!(judged(status), Outcome::Again(_, None)), "{status}");
        }
    }
}
