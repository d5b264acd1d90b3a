//! `user`: the named users of the page.

use std::io::Read;
use std::path::{Path, PathBuf};

use super::site_file::SiteFile;
use crate::access::{Role, User, Users, UsersError, generate_password, hash_password, is_user_name, password_fits};
use crate::exit::{CommandResult, Failure, Outcome};

/// Longest file of a password that is read, bytes.
const LONGEST: u64 = 1_000;

/// Makes, lists and removes the named users of the page.
///
/// They stand in the file that `users_file` in `[page]` names, which holds no password but a hash of each. The daemon
/// takes a change at once; who is removed, or gets another password or role, is logged out.
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
            let (path, mut users) = open(&site)?;
            if !users.remove(&name) {
                return Err(Failure::Usage(format!(
                    "{} has no user \"{name}\"; `tallyhook user list` names all",
                    path.display()
                )));
            }
            users.write(&path).map_err(Failure::run)?;
            println!("{name} is no user of the page any more.");
            Ok(Outcome::Done)
        }
        What::List { site } => {
            let (_, users) = open(&site)?;
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
    let (path, mut users) = open(site)?;
    let (password, made) = match password_file {
        Some(file) => (given(file)?, false),
        None => (generate_password().map_err(Failure::run)?, true),
    };
    password_fits(&password).map_err(Failure::Usage)?;
    users.put(User::new(name, role, hash_password(&password).map_err(Failure::run)?));
    users.write(&path).map_err(Failure::run)?;
    println!("{name} may use the page with the role {}.", role.name());
    if made {
        println!("password: {password}");
        println!("It is kept nowhere; only a hash of it is.");
    }
    Ok(Outcome::Done)
}

fn open(site: &SiteArgs) -> Result<(PathBuf, Users), Failure> {
    let path = SiteFile::read(&site.config)?.config.page.users_file.ok_or_else(|| {
        Failure::Usage(format!(
            "{} names no users' file; add `users_file = \"/var/lib/tallyhook/users\"` to [page]",
            site.config.display()
        ))
    })?;
    match Users::read(&path) {
        Ok(users) => Ok((path, users)),
        Err(UsersError::File { error, .. }) if error.kind() == std::io::ErrorKind::NotFound => {
            Ok((path, Users::default()))
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
