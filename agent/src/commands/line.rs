//! The command line: what may be on it, and one sentence for what may not.

use std::any::TypeId;
use std::ffi::OsString;

use clap::error::ErrorKind;
use clap::{CommandFactory as _, FromArgMatches as _};

use super::Arguments;
use crate::exit::Failure;

impl Arguments {
    /// What a command line gives, the program's name first. Help and version are printed, and end the program.
    ///
    /// # Errors
    /// [`Failure::Usage`] with what is wrong and how to mend it.
    pub fn given(line: impl IntoIterator<Item = OsString>) -> Result<Self, Failure> {
        let line: Vec<OsString> = line.into_iter().collect();
        let read = with_negative_numbers(Arguments::command())
            .try_get_matches_from(&line)
            .and_then(|matches| Arguments::from_arg_matches(&matches));
        read.map_err(|error| match error.kind() {
            // An answer, in as many lines as it needs; so is the list of commands where none was given.
            ErrorKind::DisplayHelp
            | ErrorKind::DisplayVersion
            | ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand => error.exit(),
            _ => Failure::Usage(format!("{}; `{} --help` lists what it takes", sentence(&error), asked(&line))),
        })
    }
}

/// What is wrong, in one line: what is said of it before the usage, with its tips.
fn sentence(error: &clap::Error) -> String {
    let said = error.render().to_string();
    let lines =
        said.lines().take_while(|line| !line.starts_with("Usage:") && !line.starts_with("For more information"));
    let mut sentence = String::new();
    // A list of what is missing goes on in lines of its own.
    let mut listing = false;
    for line in lines.map(str::trim).filter(|line| !line.is_empty()) {
        let between = match () {
            () if sentence.is_empty() => "",
            () if line.starts_with("tip: ") => "; ",
            () if listing => ", ",
            () => " ",
        };
        listing = sentence.ends_with(':') || (listing && !line.starts_with("tip: "));
        sentence.push_str(between);
        sentence.push_str(line.trim_start_matches("error: ").trim_start_matches("tip: "));
    }
    for (said, meant) in [
        ("invalid digit found in string", "give a whole number, 0 or more"),
        ("invalid float literal", "give a number"),
        ("cannot parse integer from empty string", "give a whole number"),
        ("cannot parse float from empty string", "give a number"),
        ("number too large to fit in target type", "give a smaller number"),
        ("number too small to fit in target type", "give a larger number"),
    ] {
        if let Some(before) = sentence.strip_suffix(said) {
            return format!("{before}{meant}");
        }
    }
    sentence
}

/// The command that a line asks for, as it is typed.
fn asked(line: &[OsString]) -> String {
    let (mut command, mut name) = (Arguments::command(), "tallyhook".to_owned());
    for word in line.iter().skip(1) {
        let Some(next) = word.to_str().and_then(|word| command.find_subcommand(word)).cloned() else { continue };
        name = format!("{name} {}", next.get_name());
        command = next;
    }
    name
}

/// `-1` behind an option for a number is its value, and not another option: what is wrong with it is said by whoever reads
/// it.
fn with_negative_numbers(command: clap::Command) -> clap::Command {
    let numbers = [
        TypeId::of::<f64>(),
        TypeId::of::<i16>(),
        TypeId::of::<u8>(),
        TypeId::of::<u16>(),
        TypeId::of::<u32>(),
        TypeId::of::<u64>(),
    ];
    let is_number = |arg: &clap::Arg| {
        let kind = arg.get_value_parser().type_id();
        arg.get_action().takes_values() && numbers.into_iter().chain(super::classify::numbers()).any(|n| kind == n)
    };
    command
        .mut_args(|arg| if is_number(&arg) { arg.allow_hyphen_values(true) } else { arg })
        .mut_subcommands(with_negative_numbers)
}
