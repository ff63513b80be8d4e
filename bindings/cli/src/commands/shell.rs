//! Completions and the manual page, made from the same description as the help.

use clap::CommandFactory;

use crate::args::Cli;
use crate::error::CliError;

pub(super) fn completions(shell: clap_complete::Shell) -> Result<(), CliError> {
    let mut text = Vec::new();
    clap_complete::generate(shell, &mut Cli::command(), "embertally", &mut text);
    crate::output::raw_line(String::from_utf8_lossy(&text).trim_end())
}

pub(super) fn man() -> Result<(), CliError> {
    let mut text = Vec::new();
    clap_mangen::Man::new(Cli::command())
        .render(&mut text)
        .map_err(|e| CliError::refused("E_OUTPUT", format!("Cannot write the manual page: {e}.")))?;
    crate::output::raw_line(String::from_utf8_lossy(&text).trim_end())
}
