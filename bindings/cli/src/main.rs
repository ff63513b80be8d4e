//! Embertally in the terminal: a crew's log of electric igniter shots, written offline, merged without loss, read as
//! failure rates.

mod args;
mod commands;
mod demo;
mod error;
mod figures;
mod keys;
mod names;
mod output;
mod report;
mod seen;
mod session;

use std::process::ExitCode;

use clap::Parser;

/// Says a refusal as one JSON object.
fn say_error(code: &str, message: &str) {
    let object = serde_json::json!({ "error": code, "message": message });
    output::say(&output::escaped(&object.to_string()));
}

fn main() -> ExitCode {
    let cli = match args::Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            // The line could not be read, so whether it asks for JSON is looked up in its words.
            if error.use_stderr() && std::env::args_os().any(|word| word == "--json") {
                say_error("E_USAGE", error.render().to_string().trim_end());
                return ExitCode::from(2);
            }
            // Help and version are no errors; clap knows which goes where. A closed pipe must not turn into a panic.
            let _ = error.print();
            return ExitCode::from(if error.use_stderr() { 2 } else { 0 });
        }
    };
    // The CRDT panics on some damaged documents. The log contains that and reports it; the bare message would only
    // frighten.
    std::panic::set_hook(Box::new(|_| ()));
    let as_json = cli.json;
    match std::panic::catch_unwind(|| commands::run(cli)) {
        Ok(Ok(())) => ExitCode::SUCCESS,
        Ok(Err(error)) => {
            if as_json {
                say_error(error.code(), &error.to_string());
            } else {
                output::say(&error.to_string());
            }
            ExitCode::from(error.exit_code())
        }
        Err(_) => {
            output::say(
                "A mistake in this program stopped it (E_INTERNAL). What was saved is safe; please report what you did.",
            );
            ExitCode::from(1)
        }
    }
}
