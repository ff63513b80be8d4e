//! Strings: will this one fire, how long may one be, why did this one break?

mod drawing;
mod fire;
mod lag;
mod length;
mod why;

use clap::{Args, Subcommand};
use embertally_core::circuit::CircuitError;

use super::Context;
use crate::error::{CliError, sentence};

pub(crate) use drawing::drawn;

/// The cautions wherever currents are spoken of.
pub(crate) const CURRENT_CAUTION: &str = "The maker's data and the site's rules come first. Test live circuits only with an \
                                          instrument made for it. No figure here is a permission.";

#[derive(Debug, Args)]
pub(crate) struct StringArgs {
    #[command(subcommand)]
    action: StringAction,
}

#[derive(Debug, Subcommand)]
enum StringAction {
    /// Work out whether a volley will fire: currents, margins, chance, warnings
    Fire(Box<fire::FireArgs>),
    /// Show which string lengths the log has proved, by module, type and wiring
    Length(length::LengthArgs),
    /// Fit firing impulse and lag of a type to the delays in the log
    Lag(lag::LagArgs),
    /// Draw a volley of the log and say of each shot why it is taken to have failed
    Why(why::WhyArgs),
}

pub(super) fn string(context: &Context, args: &StringArgs) -> Result<(), CliError> {
    match &args.action {
        StringAction::Fire(args) => fire::fire(context, args),
        StringAction::Length(args) => length::length(context, args),
        StringAction::Lag(args) => lag::lag(context, args),
        StringAction::Why(args) => why::why(context, args),
    }
}

/// A number outside its limits is a wrong call; a circuit that cannot be is refused.
fn circuit_error(error: &CircuitError) -> CliError {
    let text = sentence(&error.to_string());
    match error {
        CircuitError::OutOfRange { .. } | CircuitError::Stats(_) | CircuitError::TooWide { .. } => {
            CliError::Usage(text)
        }
        _ => CliError::refused("E_CIRCUIT", text),
    }
}
