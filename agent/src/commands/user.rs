//! `user`: the named users of the page.

use std::io::Read;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use tallyhook_config::model::Config;

use super::site_file::SiteFile;
use crate::access::{Role, User, Users, UsersError, generate_password, hash_password, is_user_name, password_fits};
use crate::clock::Clock;
use crate::exit::{CommandResult, Failure, Outcome};
use crate::store::StoreError;
use crate::store::service::{Service, Work, append};

/// Longest file of a password that is read, bytes.
const LONGEST: u64 = 1_000;

/// Makes, lists and removes the named users of the page.
///
/// They stand in the file that `users_file` in `[page]` names, which holds no password but a hash of each. The daemon
/// takes a change at once; who is removed, or gets another password or role, is logged out. Each change is booked in the
/// ledger as a note.
#[derive(clap::Args, Debug)]
pub struct UserArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(clap::Subcommand, Debug)]
enum What {
    /// Makes a user, or gives one another password and role.
    Add {
        /// Letters, digits, `-`, `_` and `.`.
        name: String,
        /// What the user may do; each role holds those before it.
        #[arg(long, value_enum)]
        role: Role,
        /// Take the password from the first line of this file, `-` for standard input; without it one is made and
        /// printed, once.
        #[arg(long, value_name = "FILE")]
        password_file: Option<PathBuf>,
        #[command(flatten)]
        site: SiteArgs,
    },
    /// Removes a user.
    Remove {
        /// The user's name.
        name: String,
        #[command(flatten)]
        site: SiteArgs,
    },
    /// Lists the users with their roles.
    List {
        #[command(flatten)]
        site: SiteArgs,
    },
}

#[derive(clap::Args, Debug)]
struct SiteArgs {
    /// The configuration that names the users' file.
    #[arg(long, value_name = "FILE", default_value = "/etc/tallyhook/site.toml")]
    config: PathBuf,
}

/// Runs the command.
pub fn run(args: UserArgs) -> CommandResult {
    match args.what {
        What::Add { name, role, password_file, site } => add(&name, role, password_file.as_deref(), &site),
        What::Remove { name, site } => {
            let (config, path, mut users) = open(&site)?;
            if !users.remove(&name) {
                return Err(Failure::Usage(format!(
                    "{} has no user \"{name}\"; `tallyhook user list` names all",
                    path.display()
                )));
            }
            users.write(&path).map_err(Failure::run)?;
            println!("{name} is no user of the page any more.");
            book(&config, format!("{name} is no user of the page any more"))?;
            Ok(Outcome::Done)
        }
        What::List { site } => {
            let (_, _, users) = open(&site)?;
            for user in users.all() {
                println!("{}\t{}", user.name, user.role.name());
            }
            Ok(Outcome::Done)
        }
    }
}

fn add(name: &str, role: Role, password_file: Option<&Path>, site: &SiteArgs) -> CommandResult {
    if !is_user_name(name) {
        return Err(Failure::Usage(
            "a user's name is 1 to 64 letters, digits, `-`, `_` and `.`; give another".to_owned(),
        ));
    }
    let (config, path, mut users) = open(site)?;
    let (password, made) = match password_file {
        Some(file) => (given(file)?, false),
        None => (generate_password().map_err(Failure::run)?, true),
    };
    password_fits(&password).map_err(Failure::Usage)?;
    let what = match users.find(name) {
        Some(_) => format!("the user {name} of the page has a new password and the role {}", role.name()),
        None => format!("{name} is a user of the page, with the role {}", role.name()),
    };
    users.put(User::new(name, role, hash_password(&password).map_err(Failure::run)?));
    users.write(&path).map_err(Failure::run)?;
    println!("{name} may use the page with the role {}.", role.name());
    if made {
        println!("password: {password}");
        println!("It is kept nowhere; only a hash of it is.");
    }
    book(&config, what)?;
    Ok(Outcome::Done)
}

/// Books a change as a note of the first mechanism, which the daemon seals into its chain as it does a service.
fn book(config: &Config, what: String) -> Result<(), Failure> {
    let Some((_, mechanism)) = config.mechanisms().next() else { return Ok(()) };
    let note = Service {
        mechanism: mechanism.id.clone(),
        at: Clock::system().now().wall,
        work: Work::Note,
        by: who(),
        note: what,
    };
    match append(&config.store.directory, &note) {
        Ok(_) => Ok(()),
        Err(StoreError::Missing { .. }) => {
            eprintln!("There is no ledger yet, so it has no entry of this.");
            Ok(())
        }
        Err(error) => Err(Failure::Run(format!("it is done, but the ledger has no entry of it: {error}"))),
    }
}

/// Who does it, as far as the system says: a name that the shell gives, and the number that nobody can choose.
fn who() -> String {
    let said = ["SUDO_USER", "USER", "LOGNAME"].iter().find_map(|name| std::env::var(name).ok());
    let name: String = said.iter().flat_map(|name| name.chars()).filter(|c| !c.is_control()).take(64).collect();
    match std::fs::metadata("/proc/self") {
        Ok(own) if name.is_empty() => format!("user number {} of the box", own.uid()),
        Ok(own) => format!("{name}, user number {} of the box", own.uid()),
        Err(_) => name,
    }
}

fn open(site: &SiteArgs) -> Result<(Config, PathBuf, Users), Failure> {
    let config = SiteFile::read(&site.config)?.config;
    let path = config.page.users_file.clone().ok_or_else(|| {
        Failure::Usage(format!(
            "{} names no users' file; add `users_file = \"/var/lib/tallyhook/users\"` to [page]",
            site.config.display()
        ))
    })?;
    match Users::read(&path) {
        Ok(users) => Ok((config, path, users)),
        Err(UsersError::File { error, .. }) if error.kind() == std::io::ErrorKind::NotFound => {
            Ok((config, path, Users::default()))
        }
        Err(error) => Err(Failure::run(error)),
    }
}

fn given(file: &Path) -> Result<String, Failure> {
    let mut text = String::new();
    let read = match file == Path::new("-") {
        true => std::io::stdin().take(LONGEST).read_to_string(&mut text),
        false => std::fs::File::open(file).and_then(|file| file.take(LONGEST).read_to_string(&mut text)),
    };
    read.map_err(|error| Failure::Usage(format!("cannot read the password from {}: {error}", file.display())))?;
    Ok(text.lines().next().unwrap_or_default().to_owned())
}
