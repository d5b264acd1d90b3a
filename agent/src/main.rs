//! The `tallyhook` program: arguments, command, exit status.

use std::process::ExitCode;

use tallyhook::commands::Arguments;

fn main() -> ExitCode {
    tallyhook::exit::code(Arguments::given(std::env::args_os()).and_then(Arguments::run))
}
