//! What the program's exit status means, in one place.

use std::process::ExitCode;

/// How a command ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Outcome {
    /// Done.
    Done,
    /// The question was answered, and the answer is that something is at fault.
    FaultFound,
}

/// Why a command could not do its work.
#[derive(Debug)]
pub enum Failure {
    /// Wrong use or wrong configuration; the text says what and how to mend it.
    Usage(String),
    /// The run failed; the text says at what and how to mend it.
    Run(String),
    /// As `Usage`, but everything has been printed to standard error already.
    Reported,
}

impl Failure {
    /// A failed run, from any error that speaks in a sentence.
    pub fn run(error: impl std::fmt::Display) -> Self {
        Failure::Run(error.to_string())
    }

    /// Wrong use, from any error that speaks in a sentence.
    pub fn usage(error: impl std::fmt::Display) -> Self {
        Failure::Usage(error.to_string())
    }
}

/// The result of a command.
pub type CommandResult = Result<Outcome, Failure>;

/// Prints what is left to say and gives the exit status: 0 done, 1 fault found, 2 wrong use or configuration, 3 the
/// run failed.
pub fn code(result: CommandResult) -> ExitCode {
    match result {
        Ok(Outcome::Done) => ExitCode::SUCCESS,
        Ok(Outcome::FaultFound) => ExitCode::from(1),
        Err(Failure::Usage(text)) => {
            eprintln!("tallyhook: {text}");
            ExitCode::from(2)
        }
        Err(Failure::Reported) => ExitCode::from(2),
        Err(Failure::Run(text)) => {
            eprintln!("tallyhook: {text}");
            ExitCode::from(3)
        }
    }
}
