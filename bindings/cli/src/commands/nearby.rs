//! Meeting the crew's other devices with no server between.

use std::net::{Ipv4Addr, SocketAddr};
use std::time::Duration;

use embertally_link::{Code, Courier, Discovery, Nearby, Network, Until};
use serde_json::json;

use super::Context;
use super::crew::confirm_joinings;
use super::meeting::{Effects, Teller, refused, show_code, stop_at_signal, summary};
use super::sync::{keep, kept, secret};
use crate::args::NearbyArgs;
use crate::error::{CliError, sentence};
use crate::output::{self, line, say};
use crate::session::{Session, system_bits};

/// Under which name the crew's code is kept with the log.
const KEPT: &str = "link/code";

/// Returns the code that is kept with the log.
pub(super) fn kept_code(session: &Session) -> Result<Option<Code>, CliError> {
    Ok(kept(session, KEPT)?.and_then(|text| text.parse().ok()))
}

/// Keeps a code with the log, unless there is one; tells whether it is the one that is kept.
pub(super) fn keep_code(session: &mut Session, code: &Code) -> Result<bool, CliError> {
    if let Some(known) = kept_code(session)? {
        return Ok(known == *code);
    }
    keep(session, KEPT, &code.reveal())?;
    Ok(true)
}

fn parsed(text: &str) -> Result<Code, CliError> {
    text.parse().map_err(|e| CliError::refused("E_CODE", sentence(&format!("{e}"))))
}

fn fresh() -> Code {
    let mut bytes = [0; 24];
    bytes.chunks_mut(8).for_each(|part| part.copy_from_slice(&system_bits().to_ne_bytes()));
    Code::from_random(bytes)
}

fn show(context: &Context, code: &Code) -> Result<(), CliError> {
    if context.json {
        return output::json(&json!({ "code": code.reveal() }));
    }
    line(&code.reveal())?;
    show_code(&code.reveal_for_qr())?;
    say(
        "Whoever has this code can read this log and write to it. Give it to each device of the crew once: embertally \
         nearby --code CODE.",
    );
    Ok(())
}

fn no_code() -> CliError {
    let text = "No code is kept with this log. Make one on one device with embertally nearby --new, and give it to the \
                others with embertally nearby --code CODE.";
    CliError::refused("E_NO_CODE", text)
}

/// Refuses to take another code in the place of the one that is kept.
fn other_code() -> CliError {
    let text = "This log has a code already; with another one the devices that have it would not be met any more. \
                Show it with embertally nearby --show, or forget it first with embertally nearby --forget.";
    CliError::refused("E_OTHER_CODE", text)
}

/// Does what is about the code alone.
fn about_code(context: &Context, args: &NearbyArgs) -> Result<(), CliError> {
    let mut session = if args.new { context.open()? } else { context.open_to_read()? };
    let known = kept(&session, KEPT)?;
    if args.forget {
        if known.is_some() {
            keep(&mut session, KEPT, "")?;
        }
        if context.json {
            return output::json(&json!({ "forgotten": known.is_some() }));
        }
        say(if known.is_some() {
            "The code is forgotten. The log is as it was."
        } else {
            "There was no code to forget."
        });
        return Ok(());
    }
    if args.show {
        return show(context, &parsed(&known.ok_or_else(no_code)?)?);
    }
    if known.is_some() {
        return Err(other_code());
    }
    let code = fresh();
    keep(&mut session, KEPT, &code.reveal())?;
    show(context, &code)
}

fn code(context: &Context, args: &NearbyArgs) -> Result<(Session, Code), CliError> {
    let Some(given) = &args.code else {
        let session = context.open_to_read()?;
        let known = kept(&session, KEPT)?.ok_or_else(no_code)?;
        return Ok((session, parsed(&known)?));
    };
    // A text that is no code must not leave an empty log behind.
    let code = parsed(&secret(given)?)?;
    let mut session = context.open()?;
    match kept(&session, KEPT)? {
        Some(known) if parsed(&known)? == code => {}
        Some(_) => return Err(other_code()),
        None => keep(&mut session, KEPT, &code.reveal())?,
    }
    Ok((session, code))
}

fn how(args: &NearbyArgs, code: Code) -> Nearby {
    let calls = !args.address.is_empty();
    let any = SocketAddr::from((Ipv4Addr::UNSPECIFIED, 0));
    let listen = args.listen.or((!calls).then_some(any));
    let looks = !args.off && !calls;
    let network = args.interface.clone().map_or(Network::All, Network::Interface);
    let until = match (args.watch, args.once || calls) {
        (true, _) => Until::Stopped,
        (false, true) => Until::Met,
        (false, false) => Until::Over(Duration::from_secs(args.seconds)),
    };
    let discovery = looks.then_some(Discovery { network, port: None });
    Nearby { code, listen, discovery, call: args.address.clone(), until }
}

pub(super) fn nearby(context: &Context, args: &NearbyArgs) -> Result<(), CliError> {
    if args.new || args.show || args.forget {
        return about_code(context, args);
    }
    let (mut session, code) = code(context, args)?;
    let how = how(args, code);
    let before = session.ledger()?;
    let mut courier = Courier::new(session.device).map_err(|e| refused(&e))?;
    stop_at_signal(&courier)?;
    let watched = if args.watch { Some(session.ledger()?) } else { None };
    let mut teller = Teller::new(context.json, watched);
    let met = courier.nearby(&mut session.log, &how, &mut |log, note| teller.tell(log, note));
    let outcome = met.map_err(|e| refused(&e))?;
    confirm_joinings(&mut session)?;
    if args.watch {
        return Ok(());
    }
    if outcome.tally.met == 0 {
        let text = "No other device of this crew was met. Run embertally nearby on both at the same time, on one \
                    network; where devices are kept from seeing each other, name one: --listen and --address. What was \
                    saved on this device is safe.";
        return Err(CliError::refused("E_NOBODY_NEAR", text));
    }
    let after = session.ledger()?;
    let sent = "Sent: what the others lacked is on their disks.";
    summary(context.json, &outcome.tally, &Effects::between(&before, &after), sent)
}
