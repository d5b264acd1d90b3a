//! What the destinations that are told over HTTP have in common: the client, and what an answer asks for.

use std::time::Duration;

use reqwest::Client;
use reqwest::header::{HeaderMap, RETRY_AFTER};
use tallyhook_config::model::Tls;

use super::tls;
use crate::clock::Clock;

/// Longest pause that a server may ask for.
const LONGEST_ASKED: Duration = Duration::from_secs(3600);
/// Most of a refusal's text that is read, bytes.
const MOST_TEXT: usize = 400;

/// What an attempt means for what was to be told.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Outcome {
    /// Taken.
    Done,
    /// This one is refused: the next one may go through, and where it does, sending this one again would not help.
    Refused(Why),
    /// To be sent again soon, not before the time that the server asks for.
    Again(Why, Option<Duration>),
    /// Nothing will go through until a person has done something: to be sent again now and then.
    Barred(Why),
}

/// What went wrong, and what mends it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Why {
    /// What went wrong, without a full stop.
    pub what: String,
    /// What mends it, in the imperative, without a full stop.
    pub mend: String,
}

impl Why {
    /// The two halves of a finding.
    pub fn new(what: impl Into<String>, mend: impl Into<String>) -> Self {
        Why { what: what.into(), mend: mend.into() }
    }
}

/// A client for `url`, secured as `tls` says; the table `header` of the configuration names it in an error. Redirects are
/// not followed: one would turn a POST into a GET that looks like a success.
///
/// # Errors
/// When one of its files cannot be used, or when the machine has no authorities to trust.
pub async fn client(url: &str, tls: &Tls, header: &str, timeout: Duration) -> Result<Client, Why> {
    // Plain http needs no authority, and a machine may have none.
    let secured = if url.starts_with("http://") { tls::none() } else { tls::config(tls, header).await? };
    Client::builder()
        .timeout(timeout)
        .redirect(reqwest::redirect::Policy::none())
        .tls_backend_preconfigured(secured)
        .build()
        .map_err(|error| Why::new(reasons(&error, timeout), format!("check the keys of {header}")))
}

/// `Retry-After` of RFC 9110 section 10.2.3: seconds or a date. Followed up to an hour.
pub fn retry_after(headers: &HeaderMap, clock: &Clock) -> Option<Duration> {
    let value = headers.get(RETRY_AFTER)?.to_str().ok()?.trim();
    let asked = match value.parse::<u64>() {
        Ok(seconds) => Duration::from_secs(seconds),
        Err(_) => {
            let date = jiff::fmt::rfc2822::parse(value).ok()?.timestamp().as_millisecond();
            Duration::from_millis(u64::try_from(date - clock.now().wall.as_ms()).unwrap_or(0))
        }
    };
    Some(bounded(asked))
}

/// A pause that a server asks for, within what is followed.
pub fn bounded(asked: Duration) -> Duration {
    asked.min(LONGEST_ASKED)
}

/// The first `most` bytes of an answer's body, or a few more; what follows is not read, for there need be no end of it.
///
/// # Errors
/// When the answer breaks off before.
pub async fn bytes_of(mut answer: reqwest::Response, most: usize) -> Result<Vec<u8>, reqwest::Error> {
    let mut bytes = Vec::new();
    while bytes.len() < most
        && let Some(chunk) = answer.chunk().await?
    {
        bytes.extend_from_slice(&chunk);
    }
    Ok(bytes)
}

/// What an answer's body says, cut short and in one line.
///
/// # Errors
/// When the answer breaks off.
pub async fn text_of(answer: reqwest::Response) -> Result<String, reqwest::Error> {
    let mut bytes = bytes_of(answer, MOST_TEXT).await?;
    bytes.truncate(MOST_TEXT);
    let text: String = String::from_utf8_lossy(&bytes).chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    Ok(text.split_whitespace().collect::<Vec<_>>().join(" "))
}

/// An attempt that got no whole answer.
pub fn unanswered(error: &reqwest::Error, timeout: Duration) -> Outcome {
    let what = reasons(error, timeout);
    if let Some(mend) = tls::mend(&what) {
        // A certificate does not mend itself: knocking each few seconds would only fill the server's log.
        return Outcome::Barred(Why::new(what, mend));
    }
    let mend = if error.is_timeout() {
        "check that the server is not overloaded and the network not cut"
    } else {
        "check that the server runs, its address in the configuration and the network"
    };
    Outcome::Again(Why::new(what, mend), None)
}

/// An error with all its causes, without the URL, which may hold a secret.
pub fn reasons(error: &reqwest::Error, timeout: Duration) -> String {
    let mut text = if error.is_timeout() {
        format!("no answer within {} s", timeout.as_secs_f64())
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
    use reqwest::header::HeaderValue;
    use tallyhook_analysis::units::Timestamp;

    use super::*;

    /// The date is the example of RFC 9110 section 5.6.7, Sun, 06 Nov 1994 08:49:37 GMT = 784111777 s after 1970.
    #[test]
    fn retry_after_is_seconds_or_a_date_and_is_bounded() {
        let clock = Clock::manual(Timestamp::from_ms(784_111_777_000));
        let after = |value| {
            let headers = HeaderMap::from_iter([(RETRY_AFTER, HeaderValue::from_static(value))]);
            retry_after(&headers, &clock).map(|after| after.as_secs())
        };
        assert_eq!(after("7"), Some(7));
        assert_eq!(after("Sun, 06 Nov 1994 08:50:37 GMT"), Some(60));
        assert_eq!(after("Sun, 06 Nov 1994 08:49:00 GMT"), Some(0));
        assert_eq!(after("999999999"), Some(3600));
        assert_eq!(after("soon"), None);
    }
}
