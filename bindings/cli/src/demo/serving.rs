//! The season in a browser: a server on this machine alone, with the season in it.

use std::path::Path;

use embertally_server::{Config, Server, ServerError, Tls};
use serde_json::json;

use crate::commands::{Context, until_signal};
use crate::error::{CliError, sentence};
use crate::output::{self, line, say};

fn refused(error: &ServerError) -> CliError {
    CliError::refused(error.code(), sentence(&error.to_string()))
}

/// Serves a season, handed in as a carry file, until Ctrl-C.
///
/// Without TLS: the line does not leave this machine, and browsers take `localhost` for as safe as a server with a
/// certificate that they trust, which a self-made one is not to them.
pub(super) fn serve(context: &Context, folder: &Path, season: Vec<u8>, port: u16) -> Result<(), CliError> {
    let mut config = Config::new(folder.join("server"));
    config.listen = ([127, 0, 0, 1], port).into();
    config.tls = Tls::Plain;
    until_signal(async |stopped| {
        let running = Server::start(config).await.map_err(|e| refused(&e))?;
        let (crew, invitation) = running.invite("The demo's crew").map_err(|e| refused(&e))?;
        let absorbed = running.hub().with_log(crew, move |log| (log.absorb(&season).map(drop), Vec::new())).await;
        absorbed.ok_or_else(|| CliError::refused("E_INTERNAL", "The demo's log cannot be opened."))??;
        let secret = invitation.split_once('#').map_or("", |(_, secret)| secret);
        let address = format!("http://localhost:{}/#{secret}&invented=1", running.address.port());
        if context.json {
            output::json(&json!({ "invented": true, "address": address }))?;
        } else {
            say("INVENTED DATA: no real crew, place, maker or lot.");
            say("Open this in a browser on this machine; Ctrl-C ends it:");
            line(&address)?;
            say("What the browser keeps of it stays there until you clear the data of this address.");
        }
        // The other end lives on the thread that waits for signals.
        let _ = stopped.await;
        running.shutdown().await;
        Ok(())
    })
}
