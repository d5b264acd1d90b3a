//! The `tallyhook` program: arguments, command, exit status.

use std::process::ExitCode;

use clap::Parser;

fn main() -> ExitCode {
    tallyhook::exit::code(tallyhook::commands::Arguments::parse().run())
}
