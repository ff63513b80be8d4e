//! The commands, one subject a file.

mod apart;
mod bridge;
mod compare;
mod crew;
mod decide;
mod delays;
mod field;
mod files;
mod forget;
mod meeting;
mod model;
mod nearby;
mod person;
mod plan;
mod qr;
mod rates;
mod register;
mod report;
mod report_curves;
mod seal;
mod serve;
mod shell;
mod strength;
mod string;
mod sync;
mod target;
mod threshold;
mod trend;
mod verify;
mod volley;
mod watch;

use std::path::{Path, PathBuf};

use crate::args::{Cli, Command};
use crate::error::CliError;
use crate::session::Session;

pub(crate) use bridge::BridgeArgs;
pub(crate) use compare::CompareArgs;
pub(crate) use delays::DelaysArgs;
pub(crate) use field::{print_disputes, print_live};
pub(crate) use model::ModelArgs;
pub(crate) use rates::{print_pairings, print_rates};
pub(crate) use serve::until_signal;
pub(crate) use strength::StrengthArgs;
pub(crate) use string::{StringArgs, drawn};
pub(crate) use threshold::ThresholdArgs;
pub(crate) use watch::WatchArgs;

/// The folder of the log, where none is named: in the user's data folder, as the system has it.
fn default_folder() -> Result<PathBuf, CliError> {
    let set = |name: &str| std::env::var_os(name).filter(|v| !v.is_empty()).map(PathBuf::from);
    let data = if cfg!(windows) { set("LOCALAPPDATA") } else { set("XDG_DATA_HOME") };
    let home = || {
        let below = if cfg!(target_os = "macos") { "Library/Application Support" } else { ".local/share" };
        set("HOME").map(|h| h.join(below))
    };
    data.or_else(home).map(|d| d.join("embertally")).ok_or_else(|| {
        CliError::Usage("This system names no folder for the user's data; name one with --log DIR.".to_owned())
    })
}

/// What every command is given.
pub(crate) struct Context {
    folder: Option<PathBuf>,
    pub(crate) json: bool,
}

impl Context {
    /// Returns the folder of the log. It may not be there yet; a file in its place is refused.
    fn folder(&self) -> Result<PathBuf, CliError> {
        let folder = self.folder.clone().map_or_else(default_folder, Ok)?;
        if folder.exists() && !folder.is_dir() {
            let text = format!("{} is a file, and a log is a folder. Name the folder that holds it.", folder.display());
            return Err(CliError::refused("E_NOT_A_FOLDER", text));
        }
        Ok(folder)
    }

    /// Opens the log.
    pub(crate) fn open(&self) -> Result<Session, CliError> {
        Session::open(&self.folder()?)
    }

    /// Tells whether there is a log.
    pub(crate) fn has_log(&self) -> Result<bool, CliError> {
        Ok(self.folder()?.exists())
    }

    /// Opens the log to read it: a folder that is not there is refused, not made.
    pub(crate) fn open_to_read(&self) -> Result<Session, CliError> {
        let folder = self.folder()?;
        if !folder.exists() {
            return Err(no_log(&folder));
        }
        Session::open_to_read(&folder)
    }
}

fn no_log(folder: &Path) -> CliError {
    CliError::refused(
        "E_NO_LOG",
        format!(
            "There is no log in {} yet. Begin with `embertally import FILE.csv` or `embertally outing begin NAME`; to \
             see it all on invented data, run `embertally demo`.",
            folder.display()
        ),
    )
}

/// Does what was asked for.
pub(crate) fn run(cli: Cli) -> Result<(), CliError> {
    let context = &Context { folder: cli.log, json: cli.json };
    match cli.command {
        Command::Demo(args) => crate::demo::run(context, &args),
        Command::Crew(args) => crew::crew(context, args),
        Command::Apart => apart::apart(context),
        Command::Seal(args) => seal::seal(context, &args),
        Command::Verify(args) => verify::verify(context, &args),
        Command::Person(args) => person::person(context, &args),
        Command::Forget(args) => forget::forget(context, &args),
        Command::Type(args) => register::igniter_type(context, args),
        Command::Lot(args) => register::lot(context, args),
        Command::Fuse(args) => register::fuse(context, args),
        Command::Module(args) => register::module(context, args),
        Command::Outing(args) => register::outing(context, args),
        Command::Volley(args) => volley::volley(context, &args),
        Command::Sight(args) => volley::sight(context, &args),
        Command::Rule(args) => decide::rule(context, &args),
        Command::Bridge(args) => bridge::bridge(context, &args),
        Command::Withdraw(args) => decide::withdraw(context, &args),
        Command::Weather(args) => decide::weather(context, &args),
        Command::Safe(args) => decide::safe(context, &args),
        Command::Import(args) => files::import(context, &args),
        Command::Export(args) => files::export(context, &args),
        Command::Rates(args) => rates::rates(context, &args),
        Command::Pairings(args) => rates::pairings(context, &args),
        Command::Compare(args) => compare::compare(context, &args),
        Command::Model(args) => model::model(context, &args),
        Command::Watch(args) => watch::watch(context, &args),
        Command::Delays(args) => delays::delays(context, &args),
        Command::Strength(args) => strength::strength(context, &args),
        Command::String(args) => string::string(context, &args),
        Command::Threshold(args) => threshold::threshold(context, &args),
        Command::Disputes => field::disputes(context),
        Command::Live(args) => field::live(context, &args),
        Command::Plan(args) => plan::plan(context, &args),
        Command::Report(args) => report::report(context, &args),
        Command::Carry(args) => files::carry(context, &args),
        Command::Absorb(args) => files::absorb(context, &args),
        Command::Serve(args) => serve::serve(context, &args),
        Command::Sync(args) => sync::sync(context, &args),
        Command::Nearby(args) => nearby::nearby(context, &args),
        Command::Completions { shell } => shell::completions(shell),
        Command::Man => shell::man(),
    }
}
