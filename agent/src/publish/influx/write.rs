//! One write to the server, and what its answer means. The only place that knows InfluxDB 2's interface.

use std::time::Duration;

use reqwest::header::{AUTHORIZATION, CONTENT_TYPE, HeaderValue};
use reqwest::{Client, StatusCode, Url};
use tallyhook_config::model::Influx;

use crate::clock::Clock;
use crate::publish::http::{self, Why};
use crate::publish::secret;

/// The table of the configuration that the server stands in.
const HEADER: &str = "[influx]";

/// What the answer to a write means.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Answer {
    /// Every line is taken.
    Done,
    /// At least one of the lines is refused for what it says (400, 422), or the whole is too large (413).
    Split(Why),
    /// To be sent again soon, not before the time that the server asks for.
    Again(Why, Option<Duration>),
    /// Nothing will be taken until a person has done something.
    Barred(Why),
}

/// Writes to one server.
pub struct Writer {
    server: Influx,
    clock: Clock,
    timeout: Duration,
    /// Kept while all goes well; after a failure a new one is made, which finds a new authority or address.
    client: Option<Client>,
}

impl Writer {
    /// A writer to `server`.
    pub fn new(server: Influx, clock: Clock) -> Self {
        // An answer takes real time, whatever the time-lapse.
        let timeout = Duration::from_millis(u64::try_from(server.timeout.as_ms()).unwrap_or(0).max(1));
        Writer { server, clock, timeout, client: None }
    }

    /// Writes `lines` once.
    pub async fn write(&mut self, lines: String) -> Answer {
        let answer = match self.post(lines).await {
            Ok(answer) => answer,
            Err(answer) => answer,
        };
        if matches!(answer, Answer::Again(..) | Answer::Barred(_)) {
            self.client = None;
        }
        answer
    }

    async fn post(&mut self, lines: String) -> Result<Answer, Answer> {
        let server = &self.server;
        let url = Url::parse_with_params(
            &format!("{}/api/v2/write", server.url),
            [("org", server.org.as_str()), ("bucket", &server.bucket), ("precision", server.precision.name())],
        )
        .map_err(|error| Answer::Barred(Why::new(format!("`url` of [influx]: {error}"), "write it in full")))?;
        let client = match &self.client {
            Some(client) => client.clone(),
            None => http::client(&server.url, &server.tls, HEADER, self.timeout).await.map_err(Answer::Barred)?,
        };
        self.client = Some(client.clone());
        let mut request = client.post(url).header(CONTENT_TYPE, "text/plain; charset=utf-8").body(lines);
        if let Some(authorization) = self.authorization().await.map_err(Answer::Barred)? {
            request = request.header(AUTHORIZATION, authorization);
        }
        let unanswered = |error: reqwest::Error| match http::unanswered(&error, self.timeout) {
            http::Outcome::Again(why, after) => Answer::Again(why, after),
            http::Outcome::Barred(why) | http::Outcome::Refused(why) => Answer::Barred(why),
            http::Outcome::Done => Answer::Done,
        };
        let answer = request.send().await.map_err(unanswered)?;
        let status = answer.status();
        let after = http::retry_after(answer.headers(), &self.clock);
        if status == StatusCode::NO_CONTENT {
            return Ok(Answer::Done);
        }
        let said = http::text_of(answer).await.map_err(unanswered)?;
        Ok(judge(status, after, &said))
    }

    /// Read for each write: a changed token needs no restart.
    async fn authorization(&self) -> Result<Option<HeaderValue>, Why> {
        let Some(path) = &self.server.token_file else { return Ok(None) };
        let token = secret::read(path, "token_file", HEADER).await?;
        let mut value = HeaderValue::from_str(&format!("Token {}", token.trim()))
            .map_err(|_| secret::unusable(path, "it has characters that no token has", "token_file", HEADER))?;
        value.set_sensitive(true);
        Ok(Some(value))
    }
}

/// An answer other than 204, the only one that says that all is taken.
fn judge(status: StatusCode, after: Option<Duration>, said: &str) -> Answer {
    let what = if said.is_empty() { format!("answer {status}") } else { format!("answer {status}: {said}") };
    let why = |mend: &str| Why::new(what.clone(), mend);
    match status.as_u16() {
        400 | 422 => Answer::Split(why("look at the server's words; a field's type is fixed by its first write")),
        413 => Answer::Split(why("raise the server's limit of a write, or lower `batch`")),
        401 => Answer::Barred(why("put a valid token into `token_file`")),
        403 => Answer::Barred(why("give the token in `token_file` the right to write to the bucket")),
        404 => Answer::Barred(why("make the bucket at the server, or check `org`, `bucket` and `url`")),
        408 | 429 => Answer::Again(why("nothing: the server asks to slow down; raise its limit if it lasts"), after),
        500..=599 => Answer::Again(why("look at the server's own log if it lasts"), after),
        300..=399 => Answer::Barred(why("redirects are not followed: put the final address into `url`")),
        200..=299 => Answer::Barred(why("this is no answer to a write (204 is): check that `url` is the server's")),
        _ => Answer::Barred(why("check that `url` leads to InfluxDB 2's interface")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_class_of_answer_has_its_consequence() {
        let judged = |status: u16| judge(StatusCode::from_u16(status).unwrap(), None, "");
        for (statuses, fits) in [
            (&[400, 413, 422][..], (|a| matches!(a, Answer::Split(_))) as fn(&Answer) -> bool),
            (&[200, 302, 401, 403, 404, 405], |a| matches!(a, Answer::Barred(_))),
            (&[408, 429, 500, 502, 503, 504], |a| matches!(a, Answer::Again(_, None))),
        ] {
            for &status in statuses {
                assert!(fits(&judged(status)), "{status}: {:?}", judged(status));
            }
        }
    }
}
