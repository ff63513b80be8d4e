//! Carries a log to a server or to other devices, once or for as long as one likes.
//!
//! The log stays on the thread that calls; sockets have a thread of their own. So nothing here is async for the caller,
//! and a run that is stopped ends between two steps of the log, never within one.

use std::net::SocketAddr;
use std::time::{Duration, Instant};

use embertally_core::facts::DeviceId;
use embertally_core::log::Log;
use embertally_core::store::Store;
use embertally_core::sync::Refusal;

use crate::backoff::{Backoff, random};
use crate::code::Code;
use crate::desk::{Desk, Notes, Step};
use crate::devices::Devices;
use crate::error::LinkError;
use crate::invitation::{Address, Invitation, Pass};
use crate::nearby::{self, Discovery};
use crate::note::{Note, Outcome};
use crate::patience::Patience;
use crate::road::{Road, Stopper, Woken};
use crate::visit::Caller;

/// How often engines are told that time passes.
const TICK: Duration = Duration::from_secs(1);
/// How often it is looked whether another process wrote into the same log.
const LOOK: Duration = Duration::from_millis(500);
/// How long farewells may take.
const FAREWELL: Duration = Duration::from_secs(3);
/// How many times a conversation that was cut is taken up again in a run that ends.
const TRIES: u32 = 3;

/// When a run ends by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Until {
    /// When the other side (nearby: the first one) was met.
    Met,
    /// Nearby: when this time is over and every conversation that had begun has ended.
    Over(Duration),
    /// Never: it goes on, and begins again after every cut.
    Stopped,
}

/// How other devices are met without a server.
#[derive(Debug, Clone)]
pub struct Nearby {
    /// The crew's code.
    pub code: Code,
    /// Where others may call; port 0 is any. None: nobody can.
    pub listen: Option<SocketAddr>,
    /// How others are looked for; none: they are not.
    pub discovery: Option<Discovery>,
    /// Devices to call without looking for them.
    pub call: Vec<Address>,
    /// When to end.
    pub until: Until,
}

/// Carries a log.
pub struct Courier {
    road: Road,
    device: DeviceId,
}

impl std::fmt::Debug for Courier {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Courier").field("device", &self.device).finish_non_exhaustive()
    }
}

/// When the log's thread has something to do next.
struct Timers {
    tick: Instant,
    look: Instant,
}

impl Timers {
    fn new() -> Self {
        Self { tick: Instant::now() + TICK, look: Instant::now() + LOOK }
    }

    fn next(&self) -> Instant {
        self.tick.min(self.look)
    }

    fn pass<S: Store>(&mut self, desk: &mut Desk<'_, S>) -> Result<(), LinkError> {
        let now = Instant::now();
        if now >= self.look {
            self.look = now + LOOK;
            desk.look()?;
        }
        if now >= self.tick {
            self.tick = now + TICK;
            desk.tick();
        }
        Ok(())
    }
}

/// By what right this device comes: by a token, and where that is refused, by its key.
struct Proof {
    invitation: Invitation,
    can_prove: bool,
    /// Whether it was let in since the key was last tried anew.
    was_held: bool,
    /// What was refused before the key was tried.
    refused: Option<LinkError>,
}

impl Proof {
    fn new(invitation: &Invitation, caller: &Caller) -> Self {
        Self { invitation: invitation.clone(), can_prove: caller.has_proof(), was_held: true, refused: None }
    }

    /// Notes that both sides met.
    fn held(&mut self) {
        (self.was_held, self.refused) = (true, None);
    }

    /// Tells whether the key is to be tried now, since what opened until now does not.
    fn tries_again(&mut self, error: &LinkError) -> bool {
        let is_refused = match error {
            LinkError::MembersOnly { .. } | LinkError::TokenRefused { .. } => true,
            LinkError::Refused { refusal, .. } => matches!(refusal, Refusal::NotAllowed { .. }),
            _ => false,
        };
        if !(is_refused && self.can_prove && std::mem::replace(&mut self.was_held, false)) {
            return false;
        }
        self.refused = Some(error.clone());
        if matches!(self.invitation.pass, Pass::Token(_)) {
            self.invitation.pass = Pass::Member;
        }
        true
    }

    /// Returns what is to be told: why the key does not open says more than that a token does not.
    fn which(&mut self, error: LinkError) -> LinkError {
        match (self.refused.take(), &error) {
            (Some(first), LinkError::NotAMember { .. }) if !matches!(first, LinkError::MembersOnly { .. }) => first,
            _ => error,
        }
    }

    fn noted(&self, outcome: Outcome) -> Outcome {
        Outcome { by_key: !matches!(self.invitation.pass, Pass::Token(_)), ..outcome }
    }
}

impl Courier {
    /// Prepares a courier for the log of a device.
    ///
    /// # Errors
    /// [`LinkError::Device`].
    pub fn new(device: DeviceId) -> Result<Self, LinkError> {
        Self::with_patience(device, Patience::default())
    }

    /// Prepares a courier that waits for the network as long as told.
    ///
    /// # Errors
    /// [`LinkError::Device`].
    pub fn with_patience(device: DeviceId, patience: Patience) -> Result<Self, LinkError> {
        Ok(Self { road: Road::new(patience)?, device })
    }

    /// Returns what ends a run from another thread. Once stopped, a courier's runs end at once.
    #[must_use]
    pub fn stopper(&self) -> Stopper {
        self.road.stopper()
    }

    /// Meets the crew's server. Not to be called from within an async task.
    ///
    /// With [`Until::Met`] it returns when everything that both sides had is on both sides' disks. With
    /// [`Until::Stopped`] it goes on: what other processes write into the same store is passed on within a second, and
    /// a connection that was cut is made again, after 0.5 s at first and a minute at most.
    ///
    /// A device of a crew proves by the log's key who it is, where the invitation has no token or its token is refused.
    ///
    /// # Errors
    /// Any [`LinkError`]; in a run that goes on, only what cannot pass by itself.
    pub fn sync<S: Store>(
        &mut self,
        log: &mut Log<S>,
        invitation: &Invitation,
        until: Until,
        notes: &mut dyn FnMut(&mut Log<S>, Note),
    ) -> Result<Outcome, LinkError> {
        let caller = Caller { device: self.device, key: log.key().cloned(), crew: log.crew()? };
        let mut proof = Proof::new(invitation, &caller);
        let mut notes: Box<Notes<'_, S>> = Box::new(|log, note| notes(log, note));
        let mut desk = Desk::new(log, self.device, &mut *notes)?;
        let goes_on = until == Until::Stopped;
        let (mut timers, mut backoff, mut tries) = (Timers::new(), Backoff::new(&self.road.patience), 0);
        let mut redial = Some(Instant::now());
        let server = invitation.addresses.first().map(Address::to_string).unwrap_or_default();
        loop {
            if redial.is_some_and(|at| at <= Instant::now()) {
                redial = None;
                self.road.call_server(&proof.invitation, &caller);
            }
            let until = redial.map_or(timers.next(), |at| at.min(timers.next()));
            let step = match self.road.wait(until, true) {
                Woken::Stopped => return Ok(proof.noted(self.farewell(&mut desk, true))),
                Woken::Time => None,
                Woken::Arrival(arrival) => desk.take(arrival),
            };
            let (place, error, was_open) = match step {
                Some(Step::Met(_)) if !goes_on => return Ok(proof.noted(self.farewell(&mut desk, false))),
                Some(Step::Met(_)) => {
                    proof.held();
                    backoff.reset();
                    timers.pass(&mut desk)?;
                    continue;
                }
                Some(Step::Over { place, error, .. }) => {
                    let what = "it hung up".to_owned();
                    let error = error.unwrap_or(LinkError::Cut { place: place.clone(), what });
                    (place, error, true)
                }
                Some(Step::Failed { error, .. }) => (server.clone(), error, false),
                Some(Step::Found(_)) | None => {
                    timers.pass(&mut desk)?;
                    continue;
                }
            };
            if proof.tries_again(&error) {
                redial = Some(Instant::now());
                continue;
            }
            let error = proof.which(error);
            tries += 1;
            if !error.may_pass() || !goes_on && (!was_open || tries >= TRIES) {
                return Err(error);
            }
            let again = backoff.next(random());
            redial = Some(Instant::now() + again);
            desk.note(Note::Offline { place, error, again: Some(again) });
        }
    }

    /// Meets other devices of the crew with no server. Not to be called from within an async task.
    ///
    /// # Errors
    /// Any [`LinkError`] of this device itself; of another device only where it was the one that was to be called, and
    /// the run does not go on.
    pub fn nearby<S: Store>(
        &mut self,
        log: &mut Log<S>,
        how: &Nearby,
        notes: &mut dyn FnMut(&mut Log<S>, Note),
    ) -> Result<Outcome, LinkError> {
        let mut notes: Box<Notes<'_, S>> = Box::new(|log, note| notes(log, note));
        let mut desk = Desk::new(log, self.device, &mut *notes)?;
        let mut devices = Devices::new(how, self.road.patience);
        let mut announced = None;
        if let Some(listen) = how.listen {
            let address = self.road.listen(listen, &how.code)?;
            desk.note(Note::Listening { address });
            if let Some(discovery) = &how.discovery {
                let (own, events) = nearby::announce(&how.code, address, discovery)?;
                self.road.watch(events, &how.code, &own.name);
                devices.own.clone_from(&own.name);
                announced = Some(own);
            }
        }
        let (mut timers, began) = (Timers::new(), Instant::now());
        let outcome = loop {
            let next = devices.call(&self.road, how, &desk).min(timers.next());
            match self.road.wait(next, true) {
                Woken::Stopped => break self.farewell(&mut desk, true),
                Woken::Time => {}
                Woken::Arrival(arrival) => {
                    if let Some(step) = desk.take(arrival) {
                        devices.take(step, how, &mut desk)?;
                    }
                }
            }
            timers.pass(&mut desk)?;
            let is_done = match how.until {
                Until::Met => devices.met && desk.is_idle(),
                Until::Over(time) => began.elapsed() >= time && desk.is_idle(),
                Until::Stopped => false,
            };
            if is_done {
                break self.farewell(&mut desk, false);
            }
        };
        drop(announced);
        Ok(outcome)
    }

    /// Ends all conversations properly.
    fn farewell<S: Store>(&mut self, desk: &mut Desk<'_, S>, stopped: bool) -> Outcome {
        desk.close_all();
        let until = Instant::now() + FAREWELL;
        while !desk.is_idle() {
            match self.road.wait(until, false) {
                Woken::Arrival(arrival) => drop(desk.take(arrival)),
                Woken::Time | Woken::Stopped => break,
            }
        }
        Outcome { tally: desk.tally(), stopped, by_key: false }
    }
}
