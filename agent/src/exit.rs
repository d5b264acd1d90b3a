//! What the program's exit status means, in one place.

use std::io::Write as _;
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

/// Says something that work does not hang on: where it cannot be written nothing happens.
pub fn say(text: impl std::fmt::Display) {
    let _ = writeln!(std::io::stdout(), "{text}");
}

/// From here on the program ends without a word when whoever reads its answer has seen enough, as `tallyhook lifts | head`
/// does, and with a sentence when the answer cannot be written: the standard library's printing panics there. Only for
/// commands that answer and end.
pub fn end_with_the_reader() {
    let usual = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        let said = panic.payload().downcast_ref::<String>().map_or("", String::as_str);
        if let Some(why) = said.strip_prefix("failed printing to stdout: ") {
            if why.contains("os error 32") {
                std::process::exit(0);
            }
            let _ = writeln!(
                std::io::stderr(),
                "tallyhook: the answer cannot be written: {why}; give its output a place that takes it"
            );
            std::process::exit(3);
        }
        if said.starts_with("failed printing to stderr") {
            std::process::exit(3);
        }
        usual(panic);
    }));
}
