//! `completions` and `man`: what a shell and a reader of manuals need, from the same definitions as the commands.

use std::path::{Path, PathBuf};

use clap::CommandFactory as _;
use clap_complete::Shell;

use super::Arguments;
use crate::exit::{CommandResult, Failure, Outcome};

/// Prints the completion of these commands for a shell.
#[derive(clap::Args, Debug)]
pub struct CompletionsArgs {
    /// For this shell.
    #[arg(value_enum)]
    shell: Shell,
}

/// Prints the manual page, or writes one for each command into a directory.
#[derive(clap::Args, Debug)]
pub struct ManArgs {
    /// The directory; the page of `tallyhook` itself goes to standard output without it.
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
}

/// Runs `completions`.
pub fn completions(args: &CompletionsArgs) -> CommandResult {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Arguments::command(), "tallyhook", &mut script);
    print(&script)
}

/// Runs `man`.
pub fn man(args: &ManArgs) -> CommandResult {
    match &args.out {
        None => {
            let mut page = Vec::new();
            clap_mangen::Man::new(Arguments::command()).render(&mut page).map_err(Failure::run)?;
            print(&page)
        }
        Some(directory) => {
            std::fs::create_dir_all(directory).map_err(|error| cannot(directory, &error))?;
            // No page for `help`, which is there for the shell.
            clap_mangen::generate_to(Arguments::command().disable_help_subcommand(true), directory)
                .map_err(|error| cannot(directory, &error))?;
            Ok(Outcome::Done)
        }
    }
}

fn cannot(path: &Path, error: &std::io::Error) -> Failure {
    Failure::Usage(format!("cannot write {}: {error}; give another directory to --out", path.display()))
}

fn print(text: &[u8]) -> CommandResult {
    match std::io::Write::write_all(&mut std::io::stdout(), text) {
        // Whoever reads has seen enough.
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => Err(Failure::run(error)),
        _ => Ok(Outcome::Done),
    }
}
