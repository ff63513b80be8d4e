//! The text by which a chief lets a device in: the code alone, with the way to the crew's server, or with the code by which
//! devices meet nearby.

use embertally_core::crew::Invite;
use embertally_link::{Code, Invitation, Pass};

use super::super::nearby::{keep_code, kept_code};
use super::super::sync::{keep_server, parsed, server};
use crate::error::{CliError, sentence};
use crate::output::say;
use crate::session::Session;

/// What stands between a chief's code and the code for meeting nearby, where there is no server.
const NEAR: &str = "#near=";

/// What an invitation holds.
pub(super) struct Invited {
    pub(super) invite: Invite,
    pub(super) server: Option<Invitation>,
    near: Option<Code>,
}

/// Writes a chief's code together with all that this device knows of how the crew meets.
pub(super) fn whole(session: &Session, invite: &Invite) -> Result<String, CliError> {
    let near = kept_code(session)?;
    if let Some(server) = server(session)? {
        return Ok(Invitation { pass: Pass::Join(Box::new(invite.clone())), near, ..server }.reveal());
    }
    let near = near.map_or_else(String::new, |code| format!("{NEAR}{}", code.reveal()));
    Ok(invite.to_text() + &near)
}

/// Reads what a chief handed over, in any of its forms.
pub(super) fn read(text: &str) -> Result<Invited, CliError> {
    let refused = |e: &dyn std::fmt::Display| CliError::refused("E_INVITATION", sentence(&e.to_string()));
    if text.trim_start().starts_with("https:") {
        let server = parsed(text)?;
        let Pass::Join(invite) = &server.pass else {
            let text = "This is the way to a server, with no chief's code in it. Ask a chief for an invitation \
                        (embertally crew invite); a server's operator's is for embertally sync.";
            return Err(CliError::refused("E_INVITATION", text));
        };
        return Ok(Invited { invite: (**invite).clone(), near: server.near.clone(), server: Some(server) });
    }
    let (code, near) = text.split_once(NEAR).map_or((text, None), |(code, near)| (code, Some(near)));
    let invite = Invite::from_text(code).map_err(|e| refused(&e))?;
    let near = near.map(str::parse::<Code>).transpose().map_err(|e| refused(&e))?;
    Ok(Invited { invite, server: None, near })
}

impl Invited {
    /// Keeps how the crew meets, so that syncing needs nothing more.
    pub(super) fn keep(&self, session: &mut Session) -> Result<(), CliError> {
        if let Some(server) = &self.server {
            keep_server(session, server)?;
        }
        if let Some(near) = &self.near
            && !keep_code(session, near)?
        {
            say("This log has another code for meeting nearby already; that one stays (embertally nearby --show).");
        }
        Ok(())
    }

    /// Says how the device meets the crew now.
    pub(super) fn ways(&self) -> &'static str {
        match (&self.server, &self.near) {
            (Some(_), Some(_)) => "embertally sync, or embertally nearby",
            (Some(_), None) => "embertally sync",
            (None, Some(_)) => "embertally nearby",
            (None, None) => "carry, nearby, sync",
        }
    }
}
