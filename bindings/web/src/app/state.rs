//! What is true of the device as a whole: who it is, what the log holds, which crew it belongs to.

use embertally_core::facts::{OutingId, PersonId, RegisterId};
use embertally_core::log::Problem;
use embertally_core::store::Store;
use fast_qr::{ECL, QRBuilder};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::names::{clean, name_of};
use super::{App, CAUTIONS, counted};
use crate::error::Refused;

/// Under which name the way to the crew is kept.
const CREW: &str = "link/crew";

#[derive(Debug, Deserialize)]
#[serde(tag = "what", content = "id", rename_all = "lowercase")]
pub(super) enum Setting {
    Outing(String),
    Observer(Option<String>),
}

/// What an invitation says.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Invitation {
    crew: String,
    token: String,
    pin: String,
    #[serde(default)]
    invented: bool,
}

#[derive(Debug, Deserialize)]
#[serde(tag = "do", rename_all = "lowercase")]
pub(super) enum CrewAction {
    /// Says which crew it is.
    Look,
    /// Tells the secret as well: for the socket, or to show the link.
    Reveal,
    /// Takes an invitation.
    Join { invitation: Invitation },
    /// Forgets the way to the crew; the log stays.
    Leave,
}

#[derive(Debug, Deserialize)]
pub(super) struct QrRequest {
    text: String,
}

/// Light modules on each side of a code (ISO/IEC 18004 asks for four).
const QUIET: usize = 4;

/// Draws a text as a QR code, dark on light whatever the theme: many cameras read no other.
pub(super) fn qr(request: &QrRequest) -> Result<Value, Refused> {
    let code = QRBuilder::new(request.text.as_str()).ecl(ECL::M).build();
    let code = code.map_err(|_| Refused::entry("That is too long for a QR code."))?;
    let mut path = String::new();
    for y in 0..code.size {
        let dark = code[y].iter().take(code.size).enumerate().filter(|(_, module)| module.value());
        dark.for_each(|(x, _)| path.push_str(&format!("M{} {}h1v1h-1z", x + QUIET, y + QUIET)));
    }
    let side = code.size + 2 * QUIET;
    let svg = format!(
        "<svg viewBox=\"0 0 {side} {side}\" role=\"img\" aria-label=\"QR code\" shape-rendering=\"crispEdges\">\
         <path fill=\"#fff\" d=\"M0 0h{side}v{side}H0z\"/><path fill=\"#000\" d=\"{path}\"/></svg>"
    );
    Ok(json!({ "svg": svg }))
}

impl Invitation {
    fn check(&self) -> Result<(), Refused> {
        let hex = |t: &str, n: usize| t.len() == n && t.bytes().all(|b| b.is_ascii_hexdigit());
        let is_plain = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_' | b'.' | b'~');
        if !hex(&self.crew, 32) {
            return Err(Refused::entry("The part `crew` of the invitation is wrong; perhaps it was cut off."));
        }
        if !(16..=256).contains(&self.token.len()) || !self.token.bytes().all(is_plain) {
            return Err(Refused::entry("The part `token` of the invitation is wrong; perhaps it was cut off."));
        }
        if self.pin != "web" && !hex(&self.pin, 64) {
            return Err(Refused::entry("The part `pin` of the invitation is wrong; perhaps it was cut off."));
        }
        Ok(())
    }
}

impl<S: Store> App<S> {
    /// Returns what could not be read, in words. What was mended is whole again and no part of it.
    pub(super) fn problems(&self) -> Vec<String> {
        let open = self.log.problems().iter().filter(|p| !matches!(p, Problem::Mended { .. }));
        let words = |problem: &Problem| match problem {
            Problem::DamagedPiece(p) => {
                format!("Damage: a piece of {} does not match its hash. It was set aside, not deleted.", p.document)
            }
            Problem::UnreadablePiece { document, what, .. } => {
                format!("Damage: a piece of {document} cannot be read ({what}).")
            }
            Problem::UnreadableEntry { entry, what, .. } => {
                format!("Entry {entry} is not one ({what}). It is kept, and not counted.")
            }
            Problem::ContestedEntry { entry, .. } => {
                format!("Two different entries stand under {entry}. Both are kept, one is counted.")
            }
            other => format!("Something could not be read: {other:?}."),
        };
        open.map(words).collect()
    }

    pub(super) fn state(&self) -> Result<Value, Refused> {
        let register = self.ledger.register();
        let name = register.devices().get(self.device).map(|d| clean(&d.value.name));
        let outing = self.current_outing()?.filter(|id| register.outings().get(*id).is_some());
        let live = self.ledger.live();
        let unseen = live.iter().filter(|l| l.reason == embertally_core::ledger::LiveReason::Unseen).count();
        Ok(json!({
            "revision": self.revision(), "device": self.device.to_string(),
            "device_name": name.unwrap_or_else(|| self.default_name()),
            "observer": self.observer()?.map(|p| json!({ "id": p.to_string(),
                "name": name_of(&self.ledger, RegisterId::Person(p)) })),
            "outing": outing.map(|o| json!({ "id": o.to_string(), "name": name_of(&self.ledger, RegisterId::Outing(o)) })),
            "shots": self.ledger.columns().len(), "live": live.len() - unseen, "unseen": unseen,
            "disputes": self.ledger.disputes().len(), "problems": self.problems(), "cautions": CAUTIONS,
            "crew": self.crew_known()?.map(|c| json!({ "crew": c.crew })),
            "invented": self.crew_known()?.is_some_and(|c| c.invented),
            "meeting": self.meeting_json()?,
        }))
    }

    pub(super) fn set(&mut self, setting: Setting) -> Result<Value, Refused> {
        match setting {
            Setting::Outing(id) => {
                let id: OutingId = id.parse()?;
                if self.ledger.register().outings().get(id).is_none() {
                    return Err(Refused::new("E_NO_OUTING", "That outing is not in this log."));
                }
                self.keep("outing", id.as_bytes())?;
            }
            Setting::Observer(Some(id)) => {
                let id: PersonId = id.parse()?;
                if self.ledger.register().people().get(id).is_none() {
                    return Err(Refused::entry("That person is not in the register."));
                }
                self.keep("observer", id.as_bytes())?;
            }
            Setting::Observer(None) => self.keep("observer", &[])?,
        }
        self.revision += 1;
        Ok(json!({}))
    }

    fn crew_known(&self) -> Result<Option<Invitation>, Refused> {
        Ok(self.kept(CREW)?.and_then(|text| serde_json::from_str(&text).ok()))
    }

    pub(super) fn crew(&mut self, action: CrewAction) -> Result<Value, Refused> {
        let known = self.crew_known()?;
        match action {
            CrewAction::Look => Ok(json!({ "crew": known.map(|c| c.crew) })),
            CrewAction::Reveal => Ok(json!({ "invitation": known })),
            CrewAction::Join { invitation } => {
                invitation.check()?;
                let entries = self.log.list()?.iter().map(|l| l.summary.entries).sum::<u64>();
                if let Some(known) = known.filter(|k| !k.crew.eq_ignore_ascii_case(&invitation.crew) && entries > 0) {
                    let text = format!(
                        "This browser keeps the log of another crew ({}…, {}). Logs of two crews are not mixed: use \
                         another browser or profile for the second one.",
                        known.crew.get(..8).unwrap_or_default(),
                        counted(usize::try_from(entries).unwrap_or(usize::MAX), "entry", "entries"),
                    );
                    return Err(Refused::new("E_OTHER_CREW", text));
                }
                let text = serde_json::to_string(&invitation)?;
                self.keep(CREW, text.as_bytes())?;
                self.revision += 1;
                Ok(json!({ "crew": invitation.crew, "entries": entries }))
            }
            CrewAction::Leave => {
                self.keep(CREW, b"")?;
                self.revision += 1;
                Ok(json!({}))
            }
        }
    }
}
