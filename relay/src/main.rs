//! The command line: parses, runs a command, and turns its error into an exit code.

use std::process::ExitCode;

use clap::Parser as _;
use clap::error::ErrorKind;
use forebay::commands::{Arguments, execute, exit};

fn main() -> ExitCode {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => {
            // Nothing can be done about a closed terminal.
            drop(error.print());
            return match error.kind() {
                ErrorKind::DisplayHelp | ErrorKind::DisplayVersion => ExitCode::SUCCESS,
                _ => ExitCode::from(exit::USAGE),
            };
        }
    };
    match execute(arguments) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            failure.report();
            ExitCode::from(failure.code)
        }
    }
}
