//! `forebay manual` and `forebay completions`: what packagers install beside the program, made of the
//! command line itself.

use std::path::PathBuf;

use clap::CommandFactory as _;
use clap_complete::Shell;

use super::{Arguments, Failure, exit, output};

#[derive(Debug, clap::Args)]
pub(super) struct ManualArguments {
    /// The folder, which is made if it isn't there: files of these names are replaced
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
}

#[derive(Debug, clap::Args)]
pub(super) struct CompletionsArguments {
    /// For which shell
    #[arg(value_enum)]
    shell: Shell,
}

/// Writes a page for the program and for each of its commands: `forebay.1`, `forebay-run.1` and so on.
pub(super) fn manual(arguments: &ManualArguments) -> Result<(), Failure> {
    let out = &arguments.out;
    let written = std::fs::create_dir_all(out)
        .and_then(|()| clap_mangen::generate_to(Arguments::command(), out));
    written.map_err(|error| {
        let message = format!("can't write the manual to {}: {error}", out.display());
        Failure::new(exit::CANT_CREATE, message)
    })
}

/// Prints the script that has a shell complete the command line.
pub(super) fn completions(arguments: &CompletionsArguments) {
    let mut command = Arguments::command();
    let name = command.get_name().to_owned();
    let mut script = Vec::new();
    clap_complete::generate(arguments.shell, &mut command, name, &mut script);
    output::say(String::from_utf8_lossy(&script).trim_end());
}
