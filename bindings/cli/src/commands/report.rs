//! stub
use super::Context;
use crate::args::ReportArgs;
use crate::error::CliError;
pub(super) fn report(_c: &Context, _a: &ReportArgs) -> Result<(), CliError> { Ok(()) }
