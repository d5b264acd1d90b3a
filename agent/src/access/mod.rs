//! Who may do what at the page: the named users, their passwords, how wrong ones are slowed down, and who is logged in.
//! Nothing here knows HTTP.

use std::sync::Mutex;

mod brake;
mod sessions;
mod users;

pub use brake::{Brake, Tried};
pub use sessions::{SESSION_LASTS, Sessions};
#[cfg(test)]
pub(crate) use users::hash_at;
pub use users::{User, Users, UsersError, generate_password, hash_password, is_user_name, password_fits};

/// Who is logged in, and who guesses: what outlives a change of the configuration.
#[derive(Default)]
pub struct Remembered {
    /// The sessions.
    pub sessions: Mutex<Sessions>,
    /// The wrong passwords.
    pub brake: Mutex<Brake>,
}

impl std::fmt::Debug for Remembered {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Remembered").finish_non_exhaustive()
    }
}

/// What a user may do; each role holds those before it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, clap::ValueEnum)]
pub enum Role {
    /// See everything, change nothing.
    Look,
    /// Acknowledge, note and shelve warnings as well.
    Acknowledge,
    /// Record services as well.
    Service,
}

impl Role {
    /// All roles, the least first.
    pub const ALL: [Role; 3] = [Role::Look, Role::Acknowledge, Role::Service];

    /// Its name in the users' file and on the command line.
    pub fn name(self) -> &'static str {
        match self {
            Role::Look => "look",
            Role::Acknowledge => "acknowledge",
            Role::Service => "service",
        }
    }
}
