//! Closing an outing: what counts in it now is fixed under the chief's signature.

use embertally_core::crew::Sealed;
use embertally_core::facts::{EntryHash, EntryId, Fact, Held, Role};
use embertally_core::log::Home;
use serde_json::json;

use super::Context;
use super::crew::roster_of;
use crate::args::SealArgs;
use crate::error::CliError;
use crate::names::{name_of, outing_of};
use crate::output::{self, counted, say};

pub(super) fn seal(context: &Context, args: &SealArgs) -> Result<(), CliError> {
    let mut session = context.open_to_read()?;
    let roster = roster_of(&mut session)?;
    if roster.role(session.device) != Some(Role::Chief) {
        return Err(CliError::refused("E_NOT_CHIEF", "Only a chief's device seals an outing."));
    }
    let ledger = session.ledger()?;
    let outing = outing_of(&session, &ledger, args.outing.as_deref())?;
    let held = session.log.held_in(outing)?;
    if held.is_empty() {
        return Err(CliError::refused("E_NOTHING", "Nothing counts in this outing, so there is nothing to seal."));
    }
    let list = held.iter().map(|(entry, hash): (&EntryId, &EntryHash)| Held { entry: *entry, hash: *hash });
    let facts = Sealed::facts(outing, list.collect());
    let digest = facts.first().map(|f| f.digest).unwrap_or_default();
    // All parts or none: a part alone is no seal.
    let entries = facts.into_iter().map(|fact| {
        let mut entry = session.entry();
        entry.state(Fact::Seal(fact));
        (Home::Outing(outing), entry)
    });
    let mut entries: Vec<_> = entries.collect();
    session.write_all(&mut entries)?;
    let hex: String = digest.iter().map(|b| format!("{b:02x}")).collect();
    let live = ledger.live().len();
    if context.json {
        return output::json(&json!({
            "saved": true, "outing": outing.to_string(), "entries": held.len(), "digest": hex, "live": live,
        }));
    }
    let name = name_of(&ledger, embertally_core::facts::RegisterId::Outing(outing));
    say(&format!(
        "Saved on this device: {name} is sealed with {}. What comes later is marked as after the seal.",
        counted(held.len(), "entry", "entries")
    ));
    if live > 0 {
        say(&format!("{} still on the live list. A seal makes nothing safe.", counted(live, "shot is", "shots are")));
    }
    output::line(&hex)
}
