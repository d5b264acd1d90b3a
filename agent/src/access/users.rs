//! The users' file: a line a user, `NAME ROLE HASH`, the hash of argon2id in its own notation (PHC string).

use std::fs;
use std::io::Write;
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use argon2::password_hash::{PasswordHash, PasswordHasher, PasswordVerifier, SaltString};
use argon2::{Algorithm, Argon2, Params, Version};
use ring::rand::{SecureRandom, SystemRandom};
use thiserror::Error;

use super::Role;

/// Longest password that is taken, bytes: hashing a longer one would only cost time.
const LONGEST_PASSWORD: usize = 200;

/// Shortest password that is taken from a person, characters.
const SHORTEST_PASSWORD: usize = 10;

/// Most users of one file: it is read at every log-in.
const MOST_USERS: usize = 1_000;

/// Memory that one hash takes, KiB; with two passes and one lane the second choice of RFC 9106 scaled to a small box.
const MEMORY_KIB: u32 = 19_456;

/// Letters of a password that we make: none that is easily taken for another.
const LETTERS: &[u8] = b"abcdefghjkmnpqrstuvwxyz23456789";

const HEAD: &str =
    "# Users of the page: name, role, hash. Written by `tallyhook user`; a password cannot be read from it.\n";

/// A named user.
#[derive(Clone, PartialEq, Eq)]
pub struct User {
    /// The name, as it stands in the ledger beside what the user did.
    pub name: String,
    /// What the user may do.
    pub role: Role,
    hash: String,
}

/// Without the hash: it belongs in no log.
impl std::fmt::Debug for User {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} ({})", self.name, self.role.name())
    }
}

impl User {
    /// A user with the given hash, as [`hash_password`] makes one.
    pub fn new(name: &str, role: Role, hash: String) -> Self {
        User { name: name.to_owned(), role, hash }
    }

    /// Whether this is the password. Takes the time of a hash either way.
    pub fn has_password(&self, password: &str) -> bool {
        matches(&self.hash, password)
    }
}

/// Why the users' file does not do.
#[derive(Debug, Error)]
pub enum UsersError {
    /// It cannot be read or written.
    #[error("cannot {what} the users' file {}: {error}", path.display())]
    File {
        /// `read` or `write`.
        what: &'static str,
        /// The file.
        path: PathBuf,
        /// What the system says.
        error: std::io::Error,
    },
    /// A line is not of its form. The line itself is not repeated: it may hold a hash.
    #[error("line {line} of the users' file {} is not `NAME ROLE HASH`; mend it with `tallyhook user add`", path.display())]
    Line {
        /// The file.
        path: PathBuf,
        /// Its line, from 1.
        line: usize,
    },
    /// Others can read it.
    #[error("the users' file {} can be read by others (mode {mode:o}); set it to 600", path.display())]
    Open {
        /// The file.
        path: PathBuf,
        /// Its mode.
        mode: u32,
    },
    /// The hash could not be made.
    #[error("cannot hash the password: {0}")]
    Hash(String),
}

/// The users of a file.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Users(Vec<User>);

impl Users {
    /// Reads the file.
    pub fn read(path: &Path) -> Result<Self, UsersError> {
        let failed = |error| UsersError::File { what: "read", path: path.to_owned(), error };
        let mode = fs::metadata(path).map_err(failed)?.mode() & 0o777;
        if mode & 0o077 != 0 {
            return Err(UsersError::Open { path: path.to_owned(), mode });
        }
        let text = fs::read_to_string(path).map_err(failed)?;
        Self::of_text(&text).map_err(|line| UsersError::Line { path: path.to_owned(), line })
    }

    /// Reads the text of a file; an error is the number of the line that is wrong.
    pub fn of_text(text: &str) -> Result<Self, usize> {
        let mut users: Vec<User> = Vec::new();
        for (line, content) in text.lines().enumerate().map(|(n, text)| (n + 1, text.trim())) {
            if content.is_empty() || content.starts_with('#') {
                continue;
            }
            let parts: Vec<&str> = content.split_ascii_whitespace().collect();
            let [name, role, hash] = parts[..] else { return Err(line) };
            let role = Role::ALL.into_iter().find(|r| r.name() == role).ok_or(line)?;
            let twice = users.iter().any(|user| user.name == name);
            if twice || !is_user_name(name) || users.len() == MOST_USERS || !is_hash(hash) {
                return Err(line);
            }
            users.push(User { name: name.to_owned(), role, hash: hash.to_owned() });
        }
        Ok(Users(users))
    }

    /// The user of that name.
    pub fn find(&self, name: &str) -> Option<&User> {
        self.0.iter().find(|user| user.name == name)
    }

    /// All users.
    pub fn all(&self) -> &[User] {
        &self.0
    }

    /// Adds a user, or puts it in the place of the one of that name.
    pub fn put(&mut self, user: User) {
        match self.0.iter_mut().find(|old| old.name == user.name) {
            Some(old) => *old = user,
            None => self.0.push(user),
        }
    }

    /// Takes a user out; false: there was none of that name.
    pub fn remove(&mut self, name: &str) -> bool {
        let before = self.0.len();
        self.0.retain(|user| user.name != name);
        self.0.len() != before
    }

    /// The user of that name if this is the password. It takes as long when there is no such user.
    pub fn check(&self, name: &str, password: &str) -> Option<&User> {
        let user = self.find(name);
        if password.len() > LONGEST_PASSWORD {
            return None;
        }
        match user {
            Some(user) => user.has_password(password).then_some(user),
            None => {
                // As dear as a real one of this file, so that the time tells no name.
                let like = self.0.first().and_then(|user| PasswordHash::new(&user.hash).ok());
                let params = like.and_then(|hash| Params::try_from(&hash).ok()).unwrap_or_else(params);
                let mut out = [0; 32];
                let hasher = Argon2::new(Algorithm::Argon2id, Version::V0x13, params);
                // Only its time is wanted.
                let _ = hasher.hash_password_into(password.as_bytes(), b"no such user", &mut out);
                None
            }
        }
    }

    /// Writes the file: a new one in the old one's place, for its owner's eyes only. The owner is that of the old file,
    /// or else that of the directory: made by root for the daemon's user, it must be the daemon's.
    pub fn write(&self, path: &Path) -> Result<(), UsersError> {
        let failed = |error| UsersError::File { what: "write", path: path.to_owned(), error };
        let directory = match path.parent() {
            Some(parent) if !parent.as_os_str().is_empty() => parent,
            _ => Path::new("."),
        };
        let owner = fs::metadata(path).or_else(|_| fs::metadata(directory)).map_err(failed)?;
        let mut name = path.file_name().unwrap_or_default().to_owned();
        name.push(".new");
        let beside = path.with_file_name(name);
        let write = || {
            // What a broken run left would keep its own mode.
            if let Err(error) = fs::remove_file(&beside)
                && error.kind() != std::io::ErrorKind::NotFound
            {
                return Err(error);
            }
            let mut file = fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(&beside)?;
            let made = file.metadata()?;
            if (made.uid(), made.gid()) != (owner.uid(), owner.gid()) {
                std::os::unix::fs::fchown(&file, Some(owner.uid()), Some(owner.gid()))?;
            }
            file.write_all(HEAD.as_bytes())?;
            for user in &self.0 {
                writeln!(file, "{} {} {}", user.name, user.role.name(), user.hash)?;
            }
            file.sync_all()?;
            fs::rename(&beside, path)
        };
        write().map_err(failed)
    }
}

/// Whether a text can be a user's name.
pub fn is_user_name(text: &str) -> bool {
    (1..=64).contains(&text.len()) && text.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.'))
}

/// Whether a password can be taken; an error is the mend.
pub fn password_fits(password: &str) -> Result<(), String> {
    match (password.chars().count(), password.len()) {
        (n, _) if n < SHORTEST_PASSWORD => {
            Err(format!("the password has {n} characters; give {SHORTEST_PASSWORD} or more"))
        }
        (_, n) if n > LONGEST_PASSWORD => Err(format!("the password has {n} bytes; give {LONGEST_PASSWORD} at most")),
        _ => Ok(()),
    }
}

/// A password that nobody has to think up: 100 bits.
pub fn generate_password() -> Result<String, UsersError> {
    let random = SystemRandom::new();
    let mut password = String::new();
    while password.len() < 24 {
        let mut byte = [0];
        random.fill(&mut byte).map_err(|_| UsersError::Hash("the system gives no random numbers".to_owned()))?;
        // The last few values would favour the first letters.
        if usize::from(byte[0]) < 256 / LETTERS.len() * LETTERS.len() {
            if password.len() % 5 == 4 {
                password.push('-');
            }
            password.push(char::from(LETTERS[usize::from(byte[0]) % LETTERS.len()]));
        }
    }
    Ok(password)
}

/// The hash of a password, with its salt and cost in it.
pub fn hash_password(password: &str) -> Result<String, UsersError> {
    hash_at(password, params())
}

/// As [`hash_password`], at a cost of one's own.
pub(crate) fn hash_at(password: &str, params: Params) -> Result<String, UsersError> {
    let mut salt = [0; 16];
    let failed = |error: argon2::password_hash::Error| UsersError::Hash(error.to_string());
    SystemRandom::new()
        .fill(&mut salt)
        .map_err(|_| UsersError::Hash("the system gives no random numbers".to_owned()))?;
    let salt = SaltString::encode_b64(&salt).map_err(failed)?;
    let hasher = Argon2::new(Algorithm::Argon2id, Version::V0x13, params);
    Ok(hasher.hash_password(password.as_bytes(), &salt).map_err(failed)?.to_string())
}

fn params() -> Params {
    Params::new(MEMORY_KIB, 2, 1, None).unwrap_or(Params::DEFAULT)
}

/// A hash that we made or could have made: argon2id, and no dearer than sixteen times ours.
fn is_hash(text: &str) -> bool {
    PasswordHash::new(text).is_ok_and(|hash| {
        hash.algorithm.as_str() == "argon2id"
            && hash.hash.is_some()
            && Params::try_from(&hash)
                .is_ok_and(|p| p.m_cost() <= 16 * MEMORY_KIB && p.t_cost() <= 32 && p.p_cost() <= 16)
    })
}

fn matches(hash: &str, password: &str) -> bool {
    PasswordHash::new(hash).is_ok_and(|hash| Argon2::default().verify_password(password.as_bytes(), &hash).is_ok())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Cheap: what is tried here is the file, not the cost.
    fn cheap(password: &str) -> String {
        hash_at(password, Params::new(8, 1, 1, None).unwrap()).unwrap()
    }

    #[test]
    fn a_hash_costs_what_it_should_and_knows_its_password() {
        let hash = hash_password("a long enough one").unwrap();
        assert!(hash.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{hash}");
        let users = Users(vec![User::new("fitter", Role::Service, hash)]);
        assert_eq!(users.check("fitter", "a long enough one").map(|user| user.role), Some(Role::Service));
        assert_eq!(users.check("fitter", "a long enough One"), None);
        assert_eq!(users.check("nobody", "a long enough one"), None);
    }

    #[test]
    fn the_file_is_for_its_owner_alone_and_comes_back_as_it_was() {
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join("users");
        let mut users = Users::default();
        users.put(User::new("yard.office", Role::Look, cheap("one")));
        users.put(User::new("fitter", Role::Service, cheap("two")));
        users.write(&path).unwrap();
        assert_eq!(fs::metadata(&path).unwrap().mode() & 0o777, 0o600);
        assert_eq!(Users::read(&path).unwrap(), users);
        let text = fs::read_to_string(&path).unwrap();
        assert!(!text.contains("one ") && !text.contains("two"), "no password in {text}");
        users.put(User::new("fitter", Role::Acknowledge, cheap("three")));
        assert!(users.remove("yard.office") && !users.remove("yard.office"));
        users.write(&path).unwrap();
        assert_eq!(Users::read(&path).unwrap().all().len(), 1);
        fs::set_permissions(&path, std::os::unix::fs::PermissionsExt::from_mode(0o640)).unwrap();
        let error = Users::read(&path).unwrap_err().to_string();
        assert!(error.contains("set it to 600"), "{error}");
    }

    #[test]
    fn a_wrong_line_is_named_by_its_number_and_not_repeated() {
        let good = format!("fitter service {}\n", cheap("one"));
        for bad in [
            "fitter service",
            "fitter owner $argon2id$v=19$m=8,t=1,p=1$c2FsdHNhbHQ$aGFzaGhhc2hoYXNoaGFzaA",
            "fit/ter look $argon2id$v=19$m=8,t=1,p=1$c2FsdHNhbHQ$aGFzaGhhc2hoYXNoaGFzaA",
            "other look plain-password",
            "other look $argon2id$v=19$m=4000000,t=1,p=1$c2FsdHNhbHQ$aGFzaGhhc2hoYXNoaGFzaA",
            good.trim_end(),
        ] {
            assert_eq!(Users::of_text(&format!("{good}{bad}\n")), Err(2), "{bad}");
        }
    }

    #[test]
    fn a_made_password_is_long_and_another_each_time() {
        let (one, two) = (generate_password().unwrap(), generate_password().unwrap());
        assert!(one != two && one.len() == 24 && password_fits(&one).is_ok(), "{one} {two}");
        assert!(password_fits("short").unwrap_err().contains("10 or more"));
        assert!(password_fits(&"x".repeat(201)).unwrap_err().contains("200 at most"));
    }

    proptest! {
        #[test]
        fn any_text_is_users_or_a_line_that_is_wrong(text in "(?s).{0,400}") {
            if let Err(line) = Users::of_text(&text) {
                prop_assert!((1..=text.lines().count()).contains(&line));
            }
        }
    }
}
