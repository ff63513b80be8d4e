//! Options about people: what is held about one, and forgetting a name.

use clap::Args;

#[derive(Debug, Args)]
pub(crate) struct PersonArgs {
    /// A member's name
    pub(crate) name: String,
}

#[derive(Debug, Args)]
pub(crate) struct ForgetArgs {
    /// The name to forget
    pub(crate) name: String,
    /// Why, without the name; it stays in the log
    #[arg(long)]
    pub(crate) reason: Option<String>,
    /// Do it; without this it is only shown what would go and what would stay
    #[arg(long)]
    pub(crate) yes: bool,
}
