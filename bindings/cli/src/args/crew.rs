//! Options of the crew: members, devices, what they may do, seals and checks.

use std::path::PathBuf;

use clap::{Args, Subcommand};

#[derive(Debug, Args)]
pub(crate) struct CrewArgs {
    #[command(subcommand)]
    pub(crate) action: Option<CrewAction>,
}

#[derive(Debug, Subcommand)]
pub(crate) enum CrewAction {
    /// Add a member
    Add {
        /// The name the crew uses
        name: String,
        /// Their part in the crew: chief, recorder, reader [default: recorder, or what was stated before]
        #[arg(long)]
        role: Option<String>,
    },
    /// Name this device
    Device {
        /// What the crew calls it
        name: String,
    },
    /// Say who observes with this device from now on
    Observer {
        /// A member's name
        name: String,
    },
    /// Found a crew: from now on only what its members wrote counts, and this device is its first chief's
    Found {
        /// What the crew calls itself
        name: String,
        /// Although this log is a crew's already, whose chiefs are all lost: on what counts in it now
        #[arg(long)]
        anew: bool,
    },
    /// Make an invitation that lets one device in, with the way to the crew's server if one is kept (chiefs only)
    Invite {
        /// What it may do: chief, recorder, reader
        #[arg(long, default_value = "recorder")]
        role: String,
        /// For how many hours the code holds
        #[arg(long, default_value_t = 24, value_name = "HOURS", value_parser = clap::value_parser!(u32).range(1..=720))]
        hours: u32,
    },
    /// Join a crew by a chief's invitation
    Join {
        /// The text as it was shown, `-` to read it from standard input
        code: String,
        /// What to call this device
        #[arg(long, value_name = "NAME")]
        device: Option<String>,
    },
    /// Confirm that a device belongs to the crew (chiefs only)
    Confirm {
        /// The device, by its name or the end of its id
        device: String,
        /// What it may do [default: what its invitation says]
        #[arg(long)]
        role: Option<String>,
    },
    /// Change what a device may do (chiefs only)
    Part {
        /// The device, by its name or the end of its id
        device: String,
        /// chief, recorder, reader
        role: String,
        /// Why
        #[arg(long)]
        reason: String,
    },
    /// Shut a device out: what was known of it counts, nothing after (chiefs only)
    Out {
        /// The device, by its name or the end of its id
        device: String,
        /// Why
        #[arg(long)]
        reason: String,
    },
    /// Vouch for an entry that is kept apart, so that it counts all the same (chiefs only)
    Vouch {
        /// The end of the entry's id, as `apart` shows it
        entry: String,
        /// Why
        #[arg(long)]
        reason: String,
    },
    /// Leave the crew with this device
    Leave {
        /// Why
        #[arg(long)]
        reason: String,
    },
    /// Lock the key of this device by a passphrase, or unlock it for good
    Lock {
        /// Take the passphrase away again
        #[arg(long)]
        off: bool,
    },
}

#[derive(Debug, Args)]
pub(crate) struct SealArgs {
    /// The outing [default: the one this device is at]
    pub(crate) outing: Option<String>,
}

#[derive(Debug, Args)]
pub(crate) struct VerifyArgs {
    /// A carry file or a report [default: this log]
    pub(crate) file: Option<PathBuf>,
    /// Seal that must be there, as `seal` printed it
    #[arg(long, value_name = "DIGEST")]
    pub(crate) seal: Option<String>,
    /// Crew whose file it is, by its id [default: the crew of this log]
    #[arg(long, value_name = "ID", requires = "file")]
    pub(crate) crew: Option<String>,
}
