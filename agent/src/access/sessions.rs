//! Who is logged in. A session is a random number in a cookie; kept is its hash, in memory: a restart logs all out.

use std::collections::HashMap;

use ring::digest::{SHA256, digest};
use ring::rand::{SecureRandom, SystemRandom};
use tallyhook_analysis::units::Span;

use super::User;
use super::users::{Users, UsersError};

/// How long a session lasts: a long shift.
pub const SESSION_LASTS: Span = Span::from_ms(12 * 3_600_000);

/// Sessions kept at most; the oldest gives way.
const MOST: usize = 256;

struct Session {
    user: User,
    began: Span,
}

/// The sessions by the hash of their token.
#[derive(Default)]
pub struct Sessions(HashMap<Vec<u8>, Session>);

impl Sessions {
    /// A new session; the token is what the browser keeps.
    pub fn begin(&mut self, user: &User, now: Span) -> Result<String, UsersError> {
        let mut bytes = [0; 32];
        SystemRandom::new()
            .fill(&mut bytes)
            .map_err(|_| UsersError::Hash("the system gives no random numbers".to_owned()))?;
        let token: String = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
        self.0.retain(|_, s| lasts(s, now));
        if self.0.len() >= MOST
            && let Some(oldest) = self.0.iter().min_by_key(|(_, s)| s.began.as_ms()).map(|(key, _)| key.clone())
        {
            self.0.remove(&oldest);
        }
        self.0.insert(key(&token), Session { user: user.clone(), began: now });
        Ok(token)
    }

    /// Whose session that is, as the users stand now: who was taken out, or has another password or role, is out.
    pub fn find(&self, token: &str, users: &Users, now: Span) -> Option<User> {
        let session = self.0.get(&key(token)).filter(|s| lasts(s, now))?;
        users.find(&session.user.name).filter(|user| **user == session.user).cloned()
    }

    /// Ends a session.
    pub fn end(&mut self, token: &str) {
        self.0.remove(&key(token));
    }
}

fn lasts(session: &Session, now: Span) -> bool {
    now.as_ms() - session.began.as_ms() < SESSION_LASTS.as_ms()
}

fn key(token: &str) -> Vec<u8> {
    digest(&SHA256, token.as_bytes()).as_ref().to_vec()
}
