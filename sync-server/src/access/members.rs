//! Members' devices, let in by their keys: a challenge, its answer, and what the answer is worth for a while.
//!
//! A challenge and a session are texts that this server sealed, so nothing is kept for them; only which challenges were
//! answered rightly is, until they end. Sessions of one device and role share one [`Token`], and end with it: when the
//! register says that the device lost that role.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Arc, MutexGuard, PoisonError};
use std::time::Instant;

use axum::http::StatusCode;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use embertally_core::crew::{Roster, Visit};
use embertally_core::facts::{DeviceId, KeyBytes, Role as Part};

use super::Access;
use super::record::{Role, TokenRecord};
use super::throttle::source;
use super::token::{Token, id_of};
use crate::clock::{now_ms, random};
use crate::error::{Problem, ServerError};
use crate::ids::{CrewId, TokenId};

/// How many answered challenges are remembered; beyond that nobody is let in until some have ended.
const MOST_ANSWERED: usize = 20_000;
/// How many devices are let in by one code that the register knows none of. More than one is a mistake, or a theft that a
/// chief sorts out; without an end to it they would fill the memory.
const MOST_BY_ONE_CODE: usize = 4;
/// What stands before the text of a session, so that it is never taken for a token's.
const SESSION: &str = "m.";
const SEAL: usize = 32;

/// A challenge that this server made and that has not ended.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Challenge {
    /// What is signed.
    pub(crate) bytes: [u8; 24 + SEAL],
    until_ms: u64,
}

/// A device that was let in.
#[derive(Debug)]
struct Guest {
    token: Arc<Token>,
    /// Its part, as it was then.
    part: Part,
    key: KeyBytes,
    /// By which invitation, where the register did not know it yet.
    invited: Option<KeyBytes>,
}

/// The devices that were let in since this server was started, and the challenges that they answered.
#[derive(Debug, Default)]
pub(super) struct Guests {
    here: HashMap<(CrewId, DeviceId, u8), Guest>,
    answered: HashMap<[u8; 16], u64>,
}

/// What a visitor is told when it is let in.
pub(crate) struct Session {
    pub(crate) text: String,
    pub(crate) role: Role,
    pub(crate) seconds: u64,
}

/// Says the same whether the crew exists or not.
pub(crate) fn stranger() -> Problem {
    let detail = "this device is no member of this crew, as far as this server knows; a chief's device that invited it \
                  must have synced since";
    Problem::new(StatusCode::FORBIDDEN, "E_SERVER_STRANGER", detail)
}

fn wrong_challenge() -> Problem {
    let detail = "this challenge has ended, was answered already, or is not this server's; ask for another";
    Problem::new(StatusCode::FORBIDDEN, "E_SERVER_CHALLENGE", detail)
}

fn of_part(part: Part) -> Role {
    if part == Part::Reader { Role::Reader } else { Role::Writer }
}

/// Returns what a device may do now that was let in once.
fn part_now(roster: &Roster, device: DeviceId, guest: &Guest) -> Option<Part> {
    if roster.member(device).is_some() {
        return roster.role(device);
    }
    // The founder of a crew of which nothing has come yet.
    if !roster.has_begun() && embertally_core::facts::CrewId::founded_by(&guest.key) == roster.crew() {
        return Some(Part::Chief);
    }
    roster.invitation(&guest.invited?).and_then(|(invitation, used)| (!used).then_some(invitation.role))
}

/// Says why a device has no part, or a lesser one.
fn why(roster: &Roster, device: DeviceId, now: Option<Part>) -> String {
    let reason = roster.member(device).and_then(|m| m.reason.clone()).filter(|r| !r.is_empty());
    let reason = reason.map_or_else(String::new, |reason| format!(" ({reason})"));
    match now {
        Some(part) => format!("this device is a {part} in the crew from now on{reason}"),
        None if roster.member(device).is_some() => format!("this device is out of the crew{reason}"),
        None => "the invitation of this device was used by another one".to_owned(),
    }
}

impl Access {
    fn guests(&self) -> MutexGuard<'_, Guests> {
        self.guests.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn sealed(&self, what: &str, crew: CrewId, bytes: &[u8]) -> blake3::Hash {
        let mut hasher = blake3::Hasher::new_keyed(&self.cookie_key);
        hasher.update(what.as_bytes()).update(crew.as_bytes()).update(bytes);
        hasher.finalize()
    }

    /// Counts a visit from an address.
    ///
    /// # Errors
    /// 429 where there were too many.
    pub(crate) fn may_visit(&self, address: IpAddr) -> Result<(), Problem> {
        let mut visits = self.visits.lock().unwrap_or_else(PoisonError::into_inner);
        if visits.take(source(address), Instant::now()) {
            return Ok(());
        }
        let detail = "too many visits from this address; wait a few seconds";
        Err(Problem::new(StatusCode::TOO_MANY_REQUESTS, "E_SERVER_TOO_MANY", detail).retry(5))
    }

    /// Makes a challenge for a crew, which need not exist.
    pub(crate) fn challenge(&self, crew: CrewId) -> Result<String, ServerError> {
        let until_ms = now_ms().saturating_add(u64::try_from(self.limits.challenge.as_millis()).unwrap_or(u64::MAX));
        let mut bytes = random::<16>()?.to_vec();
        bytes.extend_from_slice(&until_ms.to_be_bytes());
        let seal = self.sealed("challenge", crew, &bytes);
        bytes.extend_from_slice(seal.as_bytes());
        Ok(URL_SAFE_NO_PAD.encode(bytes))
    }

    /// Reads a challenge that this server made for this crew.
    ///
    /// # Errors
    /// 403.
    pub(crate) fn of_challenge(&self, crew: CrewId, text: &str) -> Result<Challenge, Problem> {
        let bytes = URL_SAFE_NO_PAD.decode(text).ok().and_then(|b| b.try_into().ok()).ok_or_else(wrong_challenge)?;
        let bytes: [u8; 24 + SEAL] = bytes;
        let (head, seal) = bytes.split_at(24);
        let until_ms = head.last_chunk().map_or(0, |b| u64::from_be_bytes(*b));
        let given = <[u8; SEAL]>::try_from(seal).map(blake3::Hash::from_bytes).map_err(|_| wrong_challenge())?;
        // Hashes are compared in constant time.
        if self.sealed("challenge", crew, head) != given || now_ms() >= until_ms {
            return Err(wrong_challenge());
        }
        Ok(Challenge { bytes, until_ms })
    }

    /// Notes that a challenge was answered, unless it was before.
    fn answered(&self, challenge: &Challenge) -> Result<(), Problem> {
        let (mut guests, now) = (self.guests(), now_ms());
        if guests.answered.len() >= MOST_ANSWERED {
            guests.answered.retain(|_, until| *until > now);
        }
        let nonce = challenge.bytes.first_chunk().copied().unwrap_or_default();
        if guests.answered.contains_key(&nonce) {
            return Err(wrong_challenge());
        }
        if guests.answered.len() >= MOST_ANSWERED {
            let detail = "too many devices come at one time; try again";
            return Err(Problem::new(StatusCode::SERVICE_UNAVAILABLE, "E_SERVER_BUSY", detail).retry(10));
        }
        guests.answered.insert(nonce, challenge.until_ms);
        Ok(())
    }

    /// Counts the other devices that were let in by a visitor's code.
    fn by_same_code(&self, crew: CrewId, visit: &Visit) -> usize {
        let code = visit.invited.map(|(key, _)| key);
        let guests = self.guests();
        let others = guests.here.iter().filter(|((of, device, _), _)| *of == crew && *device != visit.device);
        others.filter(|(_, guest)| code.is_some() && guest.invited == code).count()
    }

    fn session_of(&self, crew: CrewId, device: DeviceId, role: Role) -> Session {
        let seconds = self.limits.session.as_secs();
        let until_ms = now_ms().saturating_add(seconds.saturating_mul(1_000));
        let mut bytes = crew.as_bytes().to_vec();
        bytes.extend_from_slice(device.as_bytes());
        bytes.push(role as u8);
        bytes.extend_from_slice(&until_ms.to_be_bytes());
        let seal = self.sealed("session", crew, &bytes);
        bytes.extend_from_slice(seal.as_bytes());
        Session { text: format!("{SESSION}{}", URL_SAFE_NO_PAD.encode(bytes)), role, seconds }
    }

    /// Finds whose session a text is.
    pub(super) fn guest(&self, text: &str) -> Option<Arc<Token>> {
        let bytes = URL_SAFE_NO_PAD.decode(text.strip_prefix(SESSION)?).ok()?;
        let (head, seal) = bytes.split_last_chunk::<SEAL>()?;
        let (crew, rest) = head.split_first_chunk::<16>()?;
        let (device, rest) = rest.split_first_chunk::<16>()?;
        let (role, until) = rest.split_first()?;
        let until_ms = u64::from_be_bytes(until.try_into().ok()?);
        let crew = CrewId::from_bytes(*crew);
        if self.sealed("session", crew, head) != blake3::Hash::from_bytes(*seal) || now_ms() >= until_ms {
            return None;
        }
        let guests = self.guests();
        let guest = guests.here.get(&(crew, DeviceId::from_bytes(*device), *role))?;
        Some(guest.token.clone()).filter(|token| !token.is_revoked())
    }

    /// Finds a member's token by its public name.
    pub(super) fn guest_by_id(&self, id: TokenId) -> Option<Arc<Token>> {
        self.guests().here.values().map(|g| &g.token).find(|t| t.record().id == id).cloned()
    }

    /// Ends the sessions of devices that lost their part, or have a lesser one.
    pub(crate) fn members_changed(&self, crew: CrewId, roster: &Roster) {
        self.guests().here.retain(|(of, device, role), guest| {
            let now = if *of == crew { part_now(roster, *device, guest) } else { Some(guest.part) };
            let stays = now.is_some_and(|part| *role == Role::Reader as u8 || of_part(part) == Role::Writer);
            if !stays {
                tracing::info!(%crew, %device, "a device lost its part; its sessions end");
                guest.token.end(&why(roster, *device, now));
            }
            stays
        });
    }

    /// Ends the sessions of all members of a crew.
    pub(super) fn end_guests(&self, crew: CrewId, why: &str) {
        self.guests().here.retain(|(of, ..), guest| {
            if *of == crew {
                guest.token.end(why);
            }
            *of != crew
        });
    }
}

/// Lets a visitor in whose signature was found good, by the members of the crew as they are now. To be called on the
/// crew's thread, where no change of the register comes between.
///
/// # Errors
/// 403, 503.
pub(crate) fn let_in(
    access: &Access,
    crew: CrewId,
    roster: &Roster,
    visit: &Visit,
    place: &str,
    challenge: &Challenge,
) -> Result<Session, Problem> {
    let now = i64::try_from(now_ms()).unwrap_or(i64::MAX);
    let Some(part) = visit.role(roster, place, &challenge.bytes, now) else {
        let known = roster.member(visit.device).is_some_and(|m| m.key == visit.key);
        return Err(if known {
            Problem::new(StatusCode::FORBIDDEN, "E_SERVER_SHUT_OUT", why(roster, visit.device, None))
        } else {
            stranger()
        });
    };
    if roster.member(visit.device).is_none() && access.by_same_code(crew, visit) >= MOST_BY_ONE_CODE {
        return Err(stranger());
    }
    access.answered(challenge)?;
    let role = of_part(part);
    let invited = visit.invited.map(|(key, _)| key);
    let mut guests = access.guests();
    let guest = guests.here.entry((crew, visit.device, role as u8)).or_insert_with(|| {
        let mut name = visit.device.as_bytes().to_vec();
        name.extend_from_slice(crew.as_bytes());
        name.push(role as u8);
        let hash = blake3::keyed_hash(&access.cookie_key, &name);
        let record = TokenRecord {
            id: id_of(&hash),
            hash,
            crew: Some(crew),
            role,
            label: visit.device.to_string(),
            made_ms: now_ms(),
            revoked_ms: None,
        };
        let token = Arc::new(Token::of_guest(record, visit.device, &access.limits));
        Guest { token, part, key: visit.key, invited }
    });
    (guest.part, guest.invited) = (part, invited.or(guest.invited));
    drop(guests);
    Ok(access.session_of(crew, visit.device, role))
}
