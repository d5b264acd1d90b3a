//! The command line: what may be on it.

use std::any::TypeId;
use std::ffi::OsString;

use clap::{CommandFactory as _, FromArgMatches as _};

use super::Arguments;
use crate::exit::Failure;

impl Arguments {
    /// What a command line gives, the program's name first. Help and version are printed, and end the program.
    ///
    /// # Errors
    /// [`Failure::Usage`] with what is wrong and how to mend it.
    pub fn given(line: impl IntoIterator<Item = OsString>) -> Result<Self, Failure> {
        let read = with_negative_numbers(Arguments::command())
            .try_get_matches_from(line)
            .and_then(|matches| Arguments::from_arg_matches(&matches));
        read.or_else(|error| error.exit())
    }
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
