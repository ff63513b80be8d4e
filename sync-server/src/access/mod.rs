//! Who may do what: crews, tokens, roles, revocation.
//!
//! A token is 32 random bytes that are shown once; only their BLAKE3 hash is kept. That is enough for a secret of 256
//! random bits: there is nothing to guess, so no slow hash is needed. The hash's first half finds the token, and the
//! whole is compared in constant time.
//!
//! Once it is known whose log a crew's is (its *anchor*), tokens are for reading only, and members' devices are let in by
//! their keys (`members`).
//!
//! INVARIANT: nothing outside this module decides whether a caller may do something.

mod anchor;
mod members;
mod record;
mod session;
mod throttle;
mod token;

use std::collections::{BTreeMap, HashMap};
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock, RwLockReadGuard, RwLockWriteGuard};
use std::time::Instant;

use axum::http::{HeaderMap, StatusCode};
use embertally_core::facts::DeviceId;

pub(crate) use anchor::members_only;
pub(crate) use members::{let_in, stranger};
pub use record::{CrewRecord, Role, TokenRecord};
pub(crate) use throttle::source;
pub(crate) use token::fresh;
pub use token::{Seat, Token};

use crate::bucket::Buckets;
use crate::clock::{now_ms, random, random_bits};
use crate::error::{Problem, ServerError};
use crate::ids::{CrewId, TokenId};
use crate::limits::ServerLimits;
use crate::stores::CrewStores;

/// Under which name the registry keeps the server's own device id.
pub(crate) const DEVICE_KEY: &str = "server/device";
const CREW: &str = "crew/";
const TOKEN: &str = "token/";

/// The most characters of a title or a label.
const LONGEST_TEXT: usize = 100;

#[derive(Debug, Default)]
struct Known {
    crews: BTreeMap<CrewId, CrewRecord>,
    tokens: HashMap<TokenId, Arc<Token>>,
    anchors: BTreeMap<CrewId, anchor::Anchor>,
}

/// The crews and tokens of a server.
pub struct Access {
    stores: Arc<dyn CrewStores>,
    limits: ServerLimits,
    /// Seals challenges, and cookies and other proofs of sessions; made anew at each start.
    cookie_key: [u8; 32],
    known: RwLock<Known>,
    wrong: Mutex<Buckets<IpAddr>>,
    visits: Mutex<Buckets<IpAddr>>,
    guests: Mutex<members::Guests>,
}

impl std::fmt::Debug for Access {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Access(…)")
    }
}

impl Access {
    /// Reads the registry.
    ///
    /// # Errors
    /// [`ServerError::Store`], [`ServerError::Registry`], [`ServerError::NoRandom`].
    pub(crate) fn open(stores: Arc<dyn CrewStores>, limits: &ServerLimits) -> Result<Self, ServerError> {
        let wrong = Mutex::new(Buckets::new(limits.wrong_tokens_at_once, 1.0 / 6.0));
        let cookie_key = random()?;
        let visits = Mutex::new(Buckets::new(limits.visits_at_once, f64::from(limits.visits_per_s)));
        let (known, guests) = (RwLock::default(), Mutex::default());
        let access = Self { stores, limits: limits.clone(), cookie_key, known, wrong, visits, guests };
        access.reload()?;
        Ok(access)
    }

    fn read(&self) -> RwLockReadGuard<'_, Known> {
        self.known.read().unwrap_or_else(PoisonError::into_inner)
    }

    fn write(&self) -> RwLockWriteGuard<'_, Known> {
        self.known.write().unwrap_or_else(PoisonError::into_inner)
    }

    fn wrong(&self) -> MutexGuard<'_, Buckets<IpAddr>> {
        self.wrong.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Reads the registry again: what another server wrote counts here from now on, revocations at once.
    ///
    /// # Errors
    /// [`ServerError::Store`], [`ServerError::Registry`].
    pub(crate) fn reload(&self) -> Result<(), ServerError> {
        let crews = self.stores.values(CREW)?;
        let tokens = self.stores.values(TOKEN)?;
        self.reload_anchors()?;
        let mut known = self.write();
        for (key, value) in crews {
            let crew: CrewRecord = record::read(&key, &value)?;
            known.crews.insert(crew.id, crew);
        }
        for (key, value) in tokens {
            let token: TokenRecord = record::read(&key, &value)?;
            match known.tokens.get(&token.id) {
                Some(there) if token.revoked_ms.is_some() => there.revoke(token.revoked_ms),
                Some(_) => {}
                None => drop(known.tokens.insert(token.id, Arc::new(Token::new(token, &self.limits)))),
            }
        }
        Ok(())
    }

    /// Returns the device id of this server; a new one if `anew`, or if there is none yet.
    pub(crate) fn device(&self, anew: bool) -> Result<DeviceId, ServerError> {
        let new = DeviceId::new(i64::try_from(now_ms()).unwrap_or(i64::MAX), &mut random_bits);
        if anew {
            self.stores.put(DEVICE_KEY, new.as_bytes())?;
        } else {
            self.stores.put_new(DEVICE_KEY, new.as_bytes())?;
        }
        let kept = self.stores.value(DEVICE_KEY)?.and_then(|b| b.try_into().ok());
        kept.map(DeviceId::from_bytes).ok_or_else(|| ServerError::Registry { what: DEVICE_KEY.to_owned() })
    }

    /// Makes the administrator's token if there never was one; returns its secret then.
    pub(crate) fn first_admin(&self) -> Result<Option<String>, ServerError> {
        let is_admin = |t: &Arc<Token>| t.record().role == Role::Admin && !t.is_revoked();
        if self.read().tokens.values().any(is_admin) {
            return Ok(None);
        }
        Ok(Some(self.make_token(None, Role::Admin, "first start")?.1))
    }

    /// Lists the crews.
    #[must_use]
    pub fn crews(&self) -> Vec<CrewRecord> {
        self.read().crews.values().cloned().collect()
    }

    /// Returns a crew.
    #[must_use]
    pub fn crew(&self, crew: CrewId) -> Option<CrewRecord> {
        self.read().crews.get(&crew).cloned()
    }

    /// Makes a crew, durably.
    ///
    /// # Errors
    /// [`ServerError::Store`], [`ServerError::NoRandom`].
    pub fn make_crew(&self, title: &str) -> Result<CrewRecord, ServerError> {
        let crew = CrewRecord { id: CrewId::from_bytes(random()?), title: title.to_owned(), made_ms: now_ms() };
        self.stores.put(&format!("{CREW}{}", crew.id), &record::to_bytes(&crew)?)?;
        self.write().crews.insert(crew.id, crew.clone());
        Ok(crew)
    }

    /// Makes a token, durably; the second value is the secret, which is not kept and cannot be shown again.
    ///
    /// # Errors
    /// [`ServerError::Store`], [`ServerError::NoRandom`].
    pub fn make_token(
        &self,
        crew: Option<CrewId>,
        role: Role,
        label: &str,
    ) -> Result<(TokenRecord, String), ServerError> {
        let (secret, hash) = fresh()?;
        let record = TokenRecord {
            id: token::id_of(&hash),
            hash,
            crew,
            role,
            label: label.to_owned(),
            made_ms: now_ms(),
            revoked_ms: None,
        };
        self.keep(&record)?;
        self.write().tokens.insert(record.id, Arc::new(Token::new(record.clone(), &self.limits)));
        Ok((record, secret))
    }

    fn keep(&self, token: &TokenRecord) -> Result<(), ServerError> {
        Ok(self.stores.put(&format!("{TOKEN}{}", token.id), &record::to_bytes(token)?)?)
    }

    /// Lists the tokens of a crew, or with `None` those of the server; revoked ones too.
    #[must_use]
    pub fn tokens(&self, crew: Option<CrewId>) -> Vec<TokenRecord> {
        let known = self.read();
        let of_crew = known.tokens.values().filter(|t| t.record().crew == crew);
        let mut records: Vec<_> = of_crew.map(|t| t.as_it_stands()).collect();
        records.sort_unstable_by_key(|r| (r.made_ms, r.id));
        records
    }

    /// Revokes a token of a crew, durably, and ends its sessions at once. Returns whether there is such a token.
    ///
    /// # Errors
    /// [`ServerError::Store`].
    pub fn revoke(&self, crew: Option<CrewId>, id: TokenId) -> Result<bool, ServerError> {
        let token = self.read().tokens.get(&id).filter(|t| t.record().crew == crew).cloned();
        let Some(token) = token else { return Ok(false) };
        let revoked_ms = token.as_it_stands().revoked_ms.or(Some(now_ms()));
        // Cut off first: should the store fail now, the caller is told, and meanwhile the token opens nothing.
        token.revoke(revoked_ms);
        self.keep(&TokenRecord { revoked_ms, ..token.record().clone() })?;
        Ok(true)
    }

    /// Finds the token of a request by its `Authorization` header.
    ///
    /// # Errors
    /// 401 without a token that counts, 429 after too many such tries from one address.
    pub fn admit(&self, headers: &HeaderMap, address: IpAddr) -> Result<Arc<Token>, Problem> {
        let Some(secret) = session::bearer(headers) else {
            return Err(Problem::new(StatusCode::UNAUTHORIZED, "E_SERVER_NO_TOKEN", "a bearer token is needed"));
        };
        self.admit_secret(secret, address)
    }

    /// Finds the token of whoever opens a WebSocket: as a bearer's, as the password of `Authorization: Basic`, or by a
    /// session's cookie. A browser must have been sent by a page of this host.
    ///
    /// # Errors
    /// As [`Access::admit`], and 403 for a page of another host.
    pub(crate) fn admit_client(&self, headers: &HeaderMap, address: IpAddr) -> Result<Arc<Token>, Problem> {
        let origin = session::same_origin(headers);
        if origin == Some(false) {
            return Err(forbidden("a page of another host may not connect here"));
        }
        if let Some(secret) = session::bearer(headers) {
            return self.admit_secret(secret, address);
        }
        if let Some(secret) = session::password(headers) {
            return self.admit_secret(&secret, address);
        }
        // A browser always says where its page is from: without that, a cookie is not from one.
        let id = self.of_session(headers).filter(|_| origin == Some(true));
        let of_operator = id.and_then(|id| self.read().tokens.get(&id).cloned());
        let token = of_operator.or_else(|| self.guest_by_id(id?)).filter(|t| !t.is_revoked());
        token.ok_or_else(|| {
            let detail = "a token is needed: in the Authorization header, or a session made by POST /sync/session";
            Problem::new(StatusCode::UNAUTHORIZED, "E_SERVER_NO_TOKEN", detail)
        })
    }

    fn admit_secret(&self, secret: &str, address: IpAddr) -> Result<Arc<Token>, Problem> {
        if let Some(token) = self.find(secret.trim()).or_else(|| self.guest(secret.trim())) {
            return Ok(token);
        }
        // Only wrong ones are counted: a right token opens, whatever others of its address did.
        if !self.wrong().take(source(address), Instant::now()) {
            let detail = "too many wrong tokens from this address; wait a minute";
            return Err(Problem::new(StatusCode::TOO_MANY_REQUESTS, "E_SERVER_TOO_MANY", detail).retry(60));
        }
        let detail = "this token is not known here, or was revoked; ask for a new invitation";
        Err(Problem::new(StatusCode::UNAUTHORIZED, "E_SERVER_TOKEN", detail))
    }

    fn find(&self, secret: &str) -> Option<Arc<Token>> {
        let hash = token::hash(secret)?;
        let token = self.read().tokens.get(&token::id_of(&hash)).cloned()?;
        (token.matches(&hash) && !token.is_revoked()).then_some(token)
    }
}

/// Checks a title or a label: one line of up to 100 characters, not empty.
///
/// # Errors
/// 400.
pub(crate) fn one_line<'a>(what: &str, text: &'a str) -> Result<&'a str, Problem> {
    let text = text.trim();
    if text.is_empty() || text.chars().count() > LONGEST_TEXT || text.chars().any(char::is_control) {
        return Err(Problem::bad_request(format!("{what} must be one line of 1 to {LONGEST_TEXT} characters")));
    }
    Ok(text)
}

/// Refuses a token that is not the administrator's.
///
/// # Errors
/// 403.
pub(crate) fn must_be_admin(token: &Token) -> Result<(), Problem> {
    if token.record().role == Role::Admin {
        Ok(())
    } else {
        Err(forbidden("only the server's administrator may do this"))
    }
}

/// Refuses a token that is neither of this crew nor the administrator's. Says the same of a crew that is not there.
///
/// # Errors
/// 403.
pub(crate) fn must_see(token: &Token, crew: CrewId) -> Result<(), Problem> {
    let record = token.record();
    if record.role == Role::Admin || record.crew == Some(crew) {
        return Ok(());
    }
    Err(forbidden("this token is not for this crew"))
}

/// Refuses an operator's token for writing where members alone are let in.
///
/// # Errors
/// 403.
pub(crate) fn must_be_member(access: &Access, token: &Token) -> Result<(), Problem> {
    let record = token.record();
    let is_anchored = record.crew.is_some_and(|crew| access.anchor(crew).is_some());
    if record.role == Role::Writer && token.guest().is_none() && is_anchored {
        return Err(members_only());
    }
    Ok(())
}

pub(crate) fn forbidden(detail: &str) -> Problem {
    Problem::new(StatusCode::FORBIDDEN, "E_SERVER_FORBIDDEN", detail)
}
